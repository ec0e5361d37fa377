//! The font inside the program: how wide text is, and which characters it has.

use std::sync::LazyLock;

use ab_glyph::{Font as _, FontRef};

/// DejaVu Sans, cut down (see `assets/fonts/README.md` for licence and recipe).
pub const BYTES: &[u8] = include_bytes!("../../../assets/fonts/twinload-sans.ttf");
/// The family's name as SVG must give it.
pub const FAMILY: &str = "DejaVu Sans";

static FONT: LazyLock<Option<FontRef<'static>>> = LazyLock::new(|| FontRef::try_from_slice(BYTES).ok());

/// Width of a line of text at this size (units of the size; kerning left out,
/// which makes it a little wider than it is drawn).
#[must_use]
pub fn width(text: &str, size: f64) -> f64 {
    // Without the font nothing is drawn either; 0.6 em is near its average.
    let Some(font) = FONT.as_ref() else { return text.chars().count() as f64 * 0.6 * size };
    let per_em = f64::from(font.units_per_em().unwrap_or(2048.0));
    let units: f64 = text.chars().map(|c| f64::from(font.h_advance_unscaled(font.glyph_id(c)))).sum();
    units / per_em * size
}

/// `text`, cut with "…" so that it is at most `limit` wide at this size.
#[must_use]
pub fn fitted(text: &str, size: f64, limit: f64) -> String {
    if width(text, size) <= limit {
        return text.to_owned();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while kept.pop().is_some() {
        let shorter = format!("{}…", kept.iter().collect::<String>().trim_end());
        if width(&shorter, size) <= limit {
            return shorter;
        }
    }
    "…".to_owned()
}

/// The characters of `text` that the font cannot draw, each once, in order.
#[must_use]
pub fn lacking(text: &str) -> Vec<char> {
    let Some(font) = FONT.as_ref() else { return Vec::new() };
    let mut missing = Vec::new();
    for c in text.chars() {
        if !c.is_control() && font.glyph_id(c).0 == 0 && !missing.contains(&c) {
            missing.push(c);
        }
    }
    missing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_font_has_what_the_tool_itself_writes() {
        assert_eq!(lacking("Ω ± µ √ ⁻³ ≤ ≥ ≈ − – — → ∞ φ Δ ° ² ³ ½ ✓ ✗ … × ä é Ž я λ"), Vec::<char>::new());
        assert_eq!(lacking("a日本日😀"), vec!['日', '本', '😀']);
    }

    #[test]
    fn widths_are_those_of_the_font_file() {
        // The file's hmtx table: "0" and "W" advance 1303 and 2025 of 2048 units.
        assert!((width("0", 2048.0) - 1303.0).abs() < 0.5);
        assert!((width("W", 2048.0) - 2025.0).abs() < 0.5);
    }

    #[test]
    fn fitting_marks_the_cut() {
        let cut = fitted("a name that is far too long", 12.0, 80.0);
        assert!(cut.ends_with('…') && width(&cut, 12.0) <= 80.0, "{cut}");
    }
}
