//! Pictures: the same SVG through resvg, with the font inside the program and no
//! other, so that they are alike on every machine.

use std::sync::{Arc, LazyLock};

use resvg::{tiny_skia, usvg};

use super::{ChartError, font};

/// Width of the pictures in pixels: sharp in print at 14 cm (290 dpi), and on any screen.
pub const WIDTH: u32 = 1600;

static FONTS: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(font::BYTES.to_vec());
    fonts.set_sans_serif_family(font::FAMILY);
    Arc::new(fonts)
});

/// A PNG of this SVG, `width` pixels wide. Characters that the font lacks are not
/// drawn: ask [`font::lacking`] before.
///
/// # Errors
/// The SVG is not well formed, or the picture would be empty or too large.
pub fn picture(id: &str, svg: &str, width: u32) -> Result<Vec<u8>, ChartError> {
    let refused = |why: String| ChartError::Picture { id: id.to_owned(), why };
    let options = usvg::Options {
        fontdb: Arc::clone(&FONTS),
        font_family: font::FAMILY.to_owned(),
        ..Default::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|error| refused(error.to_string()))?;
    let scale = width as f32 / tree.size().width();
    let height = (tree.size().height() * scale).round() as u32;
    let mut pixels = tiny_skia::Pixmap::new(width, height)
        .ok_or_else(|| refused(format!("{width} × {height} pixels are none or too many")))?;
    resvg::render(&tree, tiny_skia::Transform::from_scale(scale, scale), &mut pixels.as_mut());
    pixels.encode_png().map_err(|error| refused(error.to_string()))
}
