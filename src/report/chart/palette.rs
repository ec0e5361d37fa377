//! One colour, one dash pattern and one order of drawing for each build,
//! everywhere. Colours are the set of Okabe & Ito ("Color universal design",
//! 2008), which stays apart in the common kinds of colour blindness; dashes keep
//! curves apart on a black-and-white printer.

use plotters::style::RGBColor;

/// How a build is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Line and fill colour.
    pub colour: RGBColor,
    /// SVG dash array in chart units; empty for a solid line.
    pub dash: &'static str,
}

/// Okabe & Ito's eight, those that read best on white first.
const LOOKS: [Look; 8] = [
    Look { colour: RGBColor(0x00, 0x72, 0xB2), dash: "" },
    Look { colour: RGBColor(0xD5, 0x5E, 0x00), dash: "7 3" },
    Look { colour: RGBColor(0x00, 0x9E, 0x73), dash: "2 2.5" },
    Look { colour: RGBColor(0xCC, 0x79, 0xA7), dash: "9 3 2 3" },
    Look { colour: RGBColor(0x00, 0x00, 0x00), dash: "14 4" },
    Look { colour: RGBColor(0xE6, 0x9F, 0x00), dash: "4 2" },
    Look { colour: RGBColor(0x56, 0xB4, 0xE9), dash: "9 3 2 3 2 3" },
    Look { colour: RGBColor(0xF0, 0xE4, 0x42), dash: "1 3" },
];

/// The look of build number `build`, from 0. A ninth begins anew.
#[must_use]
pub fn look(build: usize) -> Look {
    LOOKS[build % LOOKS.len()]
}

/// Text and frame.
pub const INK: RGBColor = RGBColor(0x22, 0x22, 0x22);
/// Text that may stand back.
pub const SOFT: RGBColor = RGBColor(0x5C, 0x5C, 0x5C);
/// The lines of the grid.
pub const GRID: RGBColor = RGBColor(0xE2, 0xE2, 0xE2);
/// Lines that help to read.
pub const GUIDE: RGBColor = RGBColor(0x8A, 0x8A, 0x8A);
/// The paper.
pub const PAPER: RGBColor = RGBColor(0xFF, 0xFF, 0xFF);

/// `#rrggbb`.
#[must_use]
pub fn hex(RGBColor(red, green, blue): RGBColor) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}
