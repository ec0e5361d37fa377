//! A chart as a description: axes, series, marks, guides. It says what is to be
//! seen and knows nothing of how it is drawn; [`draw`] turns it into SVG and
//! [`png`] turns that SVG into a picture.

pub mod axis;
mod backend;
mod clip;
mod content;
pub mod draw;
pub mod font;
mod label;
mod layout;
pub mod palette;
pub mod png;
pub mod smooth;

pub use axis::{Axis, Scale, Tick};

/// One chart, ready to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Names its file and its place in the page: lower-case letters, digits, hyphens.
    pub id: String,
    /// What it shows: "Distortion against power".
    pub title: String,
    /// Where it was seen: the setting, and that it is simulated where it is.
    pub subtitle: String,
    /// How to read it and what was done to the data.
    pub caption: String,
    /// What it shows, in words: the text alternative.
    pub finding: String,
    /// Names of the builds, reference first; [`Series::build`] points in here.
    pub builds: Vec<String>,
    /// The panels, from the top down.
    pub panels: Vec<Panel>,
}

/// One pair of axes and what is drawn in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Along the bottom.
    pub x: Axis,
    /// Along the left side.
    pub y: Axis,
    /// Height of the frame in chart units (a chart is [`draw::WIDTH`] wide).
    pub height: f64,
    /// Ticks along the upper edge: notes, mains lines.
    pub top: Vec<Tick>,
    /// Bars and zones, drawn under everything else.
    pub blocks: Vec<Block>,
    /// Curves.
    pub series: Vec<Series>,
    /// Single points.
    pub marks: Vec<Mark>,
    /// Lines that help to read.
    pub guides: Vec<Guide>,
}

impl Panel {
    /// An empty panel of the usual height.
    #[must_use]
    pub fn new(x: Axis, y: Axis) -> Self {
        Self {
            x,
            y,
            height: 300.0,
            top: Vec::new(),
            blocks: Vec::new(),
            series: Vec::new(),
            marks: Vec::new(),
            guides: Vec::new(),
        }
    }
}

/// How strongly a curve is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// The curve that the chart is about.
    Main,
    /// A second curve of the same build: thinner.
    Second,
    /// A stretch to be noticed: heavy and solid.
    Heavy,
}

/// One curve of one build.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Which build, from 0.
    pub build: usize,
    /// What it is beside the build's name ("H2", "falling"); empty where it is the only one.
    pub name: String,
    /// The points in the order in which they are joined; a `None` is a gap.
    pub points: Vec<(f64, Option<f64>)>,
    /// The interval at each point, as long as `points`, or empty.
    pub interval: Vec<Option<(f64, f64)>>,
    /// How strongly it is drawn.
    pub weight: Weight,
    /// What is written beside it.
    pub label: Option<String>,
    /// Drawn as the mean over 1/n of an octave; the points stay what they are (see [`smooth`]).
    pub smoothed: Option<u32>,
}

impl Series {
    /// A main curve without interval or label, drawn as it is.
    #[must_use]
    pub fn new(build: usize, name: impl Into<String>, points: Vec<(f64, Option<f64>)>) -> Self {
        Self {
            build,
            name: name.into(),
            points,
            interval: Vec::new(),
            weight: Weight::Main,
            label: None,
            smoothed: None,
        }
    }

    /// Drawn as the mean over 1/n of an octave.
    #[must_use]
    pub fn drawn_over(mut self, nth_of_an_octave: u32) -> Self {
        self.smoothed = Some(nth_of_an_octave);
        self
    }

    /// Written beside it.
    #[must_use]
    pub fn labelled(mut self, label: impl Into<String>) -> Self {
        self.label = Some(label.into());
        self
    }

    /// Drawn so strongly.
    #[must_use]
    pub fn weighing(mut self, weight: Weight) -> Self {
        self.weight = weight;
        self
    }

    /// The points that are there and finite.
    pub fn present(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.points.iter().filter_map(|&(x, y)| Some((x, y?))).filter(|(x, y)| x.is_finite() && y.is_finite())
    }
}

/// The shape of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Points up: the positive half.
    Up,
    /// Points down: the negative half.
    Down,
    /// A filled dot.
    Dot,
    /// A ring.
    Ring,
    /// A short level line: a floor at this place.
    Level,
}

/// One point with a meaning.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Which build, from 0.
    pub build: usize,
    /// What it is, for the data table: "clip point, positive half".
    pub name: String,
    /// Where, in the units of the axes.
    pub at: (f64, f64),
    /// Its shape.
    pub shape: Shape,
    /// What is written beside it.
    pub label: Option<String>,
}

/// A bar, or one zone of a ruler: a rectangle in the units of the axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Which build, from 0.
    pub build: usize,
    /// What it is, for the data table: "H2", "1 to 5 % THD".
    pub name: String,
    /// From left to right. An end beyond the frame is drawn up to the frame.
    pub x: (f64, f64),
    /// From bottom to top. An end beyond the frame is drawn up to the frame.
    pub y: (f64, f64),
    /// Share of the build's colour, 0 (outline only) to 1.
    pub fill: f64,
    /// The interval of its upper end, drawn as a line across it.
    pub interval: Option<(f64, f64)>,
    /// A level under which its value would mean nothing: a line across it.
    pub floor: Option<f64>,
    /// Written inside, if it has room.
    pub label: Option<String>,
    /// Written under its right end, if it has room.
    pub end: Option<String>,
    /// The value as text, for the data table.
    pub value: String,
}

/// A line across the frame that helps to read it.
#[derive(Debug, Clone, PartialEq)]
pub struct Guide {
    /// Where, in the units of its axis.
    pub at: f64,
    /// Across the frame at a height (`true`), or from bottom to top (`false`).
    pub level: bool,
    /// What is written at its end; empty for nothing.
    pub label: String,
}

/// Why a chart could not be drawn.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChartError {
    /// plotters refused.
    #[error("chart {id}: drawing failed: {why}")]
    Drawing {
        /// The chart.
        id: String,
        /// What plotters says.
        why: String,
    },
    /// The picture could not be made from the SVG.
    #[error("chart {id}: no picture could be made of it: {why}")]
    Picture {
        /// The chart.
        id: String,
        /// What was refused.
        why: String,
    },
    /// The font inside the program cannot be read.
    #[error("the chart font cannot be read")]
    Font,
}
