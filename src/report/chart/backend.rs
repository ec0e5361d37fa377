//! The drawing back end for plotters: SVG with two decimals and classes.
//!
//! plotters' coordinates are whole numbers. This back end calls a hundredth of a
//! chart unit one of them, so that nothing is seen of the rounding, and writes
//! what it is told together with the attributes that [`Sheet::with`] set.

use std::cell::RefCell;
use std::convert::Infallible;
use std::fmt::Write as _;
use std::rc::Rc;

use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
};

use super::font;
use crate::report::text::xml;

/// plotters' whole numbers in one chart unit.
pub(crate) const FINE: f64 = 100.0;

/// Chart units in plotters' whole numbers.
pub(crate) fn fine(units: f64) -> i32 {
    (units * FINE).round() as i32
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

/// The growing SVG text. Both the drawing code and the back end hold it: one
/// opens groups and sets attributes, the other writes the shapes.
#[derive(Clone, Default)]
pub(crate) struct Sheet(Rc<RefCell<State>>);

#[derive(Default)]
struct State {
    out: String,
    attributes: String,
}

impl Sheet {
    /// Writes as it stands.
    pub(crate) fn raw(&self, text: &str) {
        self.0.borrow_mut().out.push_str(text);
    }

    /// Opens a group with these attributes.
    pub(crate) fn open(&self, attributes: &str) {
        let _ = writeln!(self.0.borrow_mut().out, "<g {attributes}>");
    }

    /// Closes the group opened last.
    pub(crate) fn close(&self) {
        self.raw("</g>\n");
    }

    /// Attributes of every shape from now on.
    pub(crate) fn with(&self, attributes: &str) {
        attributes.clone_into(&mut self.0.borrow_mut().attributes);
    }

    /// What was written.
    pub(crate) fn take(&self) -> String {
        std::mem::take(&mut self.0.borrow_mut().out)
    }
}

/// Writes plotters' shapes onto a [`Sheet`].
pub(crate) struct SvgBackend {
    sheet: Sheet,
    size: (u32, u32),
}

impl SvgBackend {
    /// A back end of this size in chart units.
    pub(crate) fn new(sheet: Sheet, width: f64, height: f64) -> Self {
        Self { sheet, size: ((width * FINE) as u32, (height * FINE) as u32) }
    }

    fn shape(&self, element: &str, geometry: &str, paint: &str) {
        let state = &mut *self.sheet.0.borrow_mut();
        let blank = if state.attributes.is_empty() { "" } else { " " };
        let _ = writeln!(state.out, "<{element}{blank}{} {geometry} {paint}/>", state.attributes);
    }
}

impl DrawingBackend for SvgBackend {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, at: BackendCoord, colour: BackendColor) -> Drawn {
        self.draw_rect(at, (at.0 + 1, at.1 + 1), &colour, true)
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        a: BackendCoord,
        b: BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        let (left, top) = (a.0.min(b.0), a.1.min(b.1));
        let (width, height) = ((a.0 - b.0).abs(), (a.1 - b.1).abs());
        let geometry = format!(
            r#"x="{}" y="{}" width="{}" height="{}""#,
            units(left),
            units(top),
            units(width),
            units(height)
        );
        self.shape("rect", &geometry, &if fill { filled(style) } else { stroked(style) });
        Ok(())
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        self.shape("polyline", &points(path), &stroked(style));
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        centre: BackendCoord,
        radius: u32,
        style: &S,
        fill: bool,
    ) -> Drawn {
        let radius = i32::try_from(radius).unwrap_or(i32::MAX);
        let geometry = format!(r#"cx="{}" cy="{}" r="{}""#, units(centre.0), units(centre.1), units(radius));
        self.shape("circle", &geometry, &if fill { filled(style) } else { stroked(style) });
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        corners: I,
        style: &S,
    ) -> Drawn {
        self.shape("polygon", &points(corners), &filled(style));
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, at: BackendCoord) -> Drawn {
        let size = style.size();
        // Capitals of the chart font are 0.73 em high; the baseline is what SVG counts from.
        let drop = match style.anchor().v_pos {
            VPos::Top => 0.73 * size,
            VPos::Center => 0.365 * size,
            VPos::Bottom => 0.0,
        };
        let anchor = match style.anchor().h_pos {
            HPos::Left => "start",
            HPos::Center => "middle",
            HPos::Right => "end",
        };
        let state = &mut *self.sheet.0.borrow_mut();
        let blank = if state.attributes.is_empty() { "" } else { " " };
        let _ = writeln!(
            state.out,
            r#"<text{blank}{} x="{}" y="{}" font-size="{}" text-anchor="{anchor}" fill="{}">{}</text>"#,
            state.attributes,
            units(at.0),
            units(at.1 + (drop * FINE).round() as i32),
            units((size * FINE).round() as i32),
            colour(style.color()),
            xml(text),
        );
        Ok(())
    }

    fn estimate_text_size<S: BackendTextStyle>(
        &self,
        text: &str,
        style: &S,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let size = style.size();
        Ok(((font::width(text, size) * FINE) as u32, (size * FINE) as u32))
    }
}

/// Hundredths as a decimal number of chart units, without needless zeros.
fn units(hundredths: i32) -> String {
    let sign = if hundredths < 0 { "-" } else { "" };
    let all = hundredths.unsigned_abs();
    match (all / 100, all % 100) {
        (whole, 0) => format!("{sign}{whole}"),
        (whole, part) if part % 10 == 0 => format!("{sign}{whole}.{}", part / 10),
        (whole, part) => format!("{sign}{whole}.{part:02}"),
    }
}

fn points(path: impl IntoIterator<Item = BackendCoord>) -> String {
    let mut out = String::from("points=\"");
    for (at, (x, y)) in path.into_iter().enumerate() {
        if at > 0 {
            out.push(' ');
        }
        out.push_str(&units(x));
        out.push(',');
        out.push_str(&units(y));
    }
    out.push('"');
    out
}

fn colour(colour: BackendColor) -> String {
    let (red, green, blue) = colour.rgb;
    format!("#{red:02x}{green:02x}{blue:02x}")
}

fn opacity(of: &str, alpha: f64) -> String {
    if alpha >= 1.0 { String::new() } else { format!(r#" {of}-opacity="{alpha:.2}""#) }
}

fn stroked<S: BackendStyle>(style: &S) -> String {
    let width = i32::try_from(style.stroke_width()).unwrap_or(i32::MAX);
    let paint = style.color();
    format!(
        r#"fill="none" stroke="{}" stroke-width="{}"{}"#,
        colour(paint),
        units(width),
        opacity("stroke", paint.alpha)
    )
}

fn filled<S: BackendStyle>(style: &S) -> String {
    let paint = style.color();
    format!(r#"fill="{}"{}"#, colour(paint), opacity("fill", paint.alpha))
}

#[cfg(test)]
mod tests {
    use super::units;

    #[test]
    fn hundredths_are_written_short() {
        assert_eq!([0, 100, 150, 105, -5, 123_456].map(units), ["0", "1", "1.5", "1.05", "-0.05", "1234.56"]);
    }
}
