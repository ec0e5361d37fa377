//! Markers: pairs of linear chirps by which a recording is found, timed and
//! checked for clock drift (methods §2.1: why this signal).

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

/// Lower end of every chirp, Hz.
pub const LOW_HZ: f64 = 600.0;
/// Upper end of every chirp, Hz.
pub const HIGH_HZ: f64 = 5400.0;
/// Length of each of a marker's two chirps.
pub const CHIRP_SECONDS: f64 = 0.25;
/// From the first chirp's begin to the second's.
pub const SPACING_SECONDS: f64 = 0.30;
/// Length of a whole marker.
pub const LENGTH_SECONDS: f64 = SPACING_SECONDS + CHIRP_SECONDS;
/// Raised-cosine ends of a chirp, so that it does not click.
const FADE_SECONDS: f64 = 0.005;

/// Direction of a chirp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Direction {
    /// From [`LOW_HZ`] to [`HIGH_HZ`].
    Up,
    /// From [`HIGH_HZ`] to [`LOW_HZ`].
    Down,
}

/// Which marker: the directions of its two chirps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Code {
    /// A: begin of a programme.
    UpDown,
    /// B: middle of a programme.
    DownDown,
    /// Z: end of anything.
    DownUp,
    /// Begin of a file that holds one segment or a setting-up signal.
    UpUp,
}

impl Code {
    /// All four.
    pub const ALL: [Self; 4] = [Self::UpDown, Self::DownDown, Self::DownUp, Self::UpUp];

    /// Directions of the first and second chirp.
    #[must_use]
    pub fn directions(self) -> [Direction; 2] {
        match self {
            Self::UpDown => [Direction::Up, Direction::Down],
            Self::DownDown => [Direction::Down, Direction::Down],
            Self::DownUp => [Direction::Down, Direction::Up],
            Self::UpUp => [Direction::Up, Direction::Up],
        }
    }

    /// For people: "A", "B", "Z", "S".
    #[must_use]
    pub fn letter(self) -> &'static str {
        match self {
            Self::UpDown => "A",
            Self::DownDown => "B",
            Self::DownUp => "Z",
            Self::UpUp => "S",
        }
    }
}

/// Phase in radians of a linear chirp of `length` seconds, `t` seconds after its begin.
#[must_use]
pub fn chirp_phase(direction: Direction, length: f64, t: f64) -> f64 {
    let slope = (HIGH_HZ - LOW_HZ) / length;
    match direction {
        Direction::Up => TAU * (LOW_HZ * t + 0.5 * slope * t * t),
        Direction::Down => TAU * (HIGH_HZ * t - 0.5 * slope * t * t),
    }
}

/// Value (peak 1) of a chirp of `length` seconds at `t` seconds after its begin, 0 outside.
#[must_use]
pub fn chirp(direction: Direction, length: f64, t: f64) -> f64 {
    if !(0.0..length).contains(&t) {
        return 0.0;
    }
    envelope(length, t) * chirp_phase(direction, length, t).sin()
}

/// Raised-cosine ends of a chirp.
#[must_use]
pub fn envelope(length: f64, t: f64) -> f64 {
    let fade = FADE_SECONDS.min(length / 8.0);
    let edge = t.min(length - t);
    if edge >= fade { 1.0 } else { 0.5 - 0.5 * (std::f64::consts::PI * edge.max(0.0) / fade).cos() }
}
