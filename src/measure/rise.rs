//! A tone that rises steadily: level and distortion along the drive, for setting up.

use super::Plans;
use super::cut::Cut;
use super::tone;
use crate::figure::{Curve, Unit};
use crate::signals::{Segment, Signal};
use crate::units::db;

/// Half of the stretch that is measured at once: 200 cycles of 1010 Hz, 1 dB of a rise of 5 dB/s.
const HALF_SECONDS: f64 = 0.1;
/// From one stretch to the next.
const STEP_SECONDS: f64 = 0.1;

/// The tone at one moment of its rise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RisePoint {
    /// Drive then, dB re the programme's top.
    pub drive_db: f64,
    /// Fundamental, dBFS.
    pub level_dbfs: f64,
    /// Largest absolute sample, dB re full scale.
    pub peak_dbfs: f64,
    /// THD re fundamental, noise taken out; a ratio.
    pub thd: f64,
    /// What noise alone would read as THD.
    pub thd_floor: f64,
}

/// The points of a rise, in order of drive; empty for another kind of segment or one that is missing.
#[must_use]
pub fn points(segment: &Segment, cut: &Cut<'_>, plans: &mut Plans) -> Vec<RisePoint> {
    let Signal::Rise { frequency_hz, from_db, to_db } = segment.signal else { return Vec::new() };
    let length = segment.length_seconds;
    let steps = ((length - 2.0 * HALF_SECONDS) / STEP_SECONDS).floor().max(0.0) as usize;
    (0..=steps)
        .filter_map(|k| {
            let at = HALF_SECONDS + k as f64 * STEP_SECONDS;
            let part = cut.part(at - HALF_SECONDS, at + HALF_SECONDS);
            if part.seconds() < 1.9 * HALF_SECONDS {
                return None;
            }
            let tone = tone::measure(part.samples, part.omega(frequency_hz), part.rate_hz, plans)?;
            let peak = part.samples.iter().fold(0.0f64, |peak, x| peak.max(f64::from(x.abs())));
            let point = RisePoint {
                drive_db: from_db + (to_db - from_db) * at / length,
                level_dbfs: db(tone.peak()),
                peak_dbfs: db(peak),
                thd: tone.thd(),
                thd_floor: tone.thd_floor(),
            };
            (point.level_dbfs.is_finite() && point.thd.is_finite()).then_some(point)
        })
        .collect()
}

/// The points as a curve: `rise`.
#[must_use]
pub fn curve(points: &[RisePoint]) -> Curve {
    let mut curve = Curve::new(&[
        ("drive", Unit::Decibels),
        ("level", Unit::DbFullScale),
        ("peak", Unit::DbFullScale),
        ("thd", Unit::Percent),
        ("thd_floor", Unit::Percent),
    ]);
    for p in points {
        curve.push([p.drive_db, p.level_dbfs, p.peak_dbfs, p.thd * 100.0, p.thd_floor * 100.0]);
    }
    curve
}
