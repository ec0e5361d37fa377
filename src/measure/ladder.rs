//! The ladder: a tone at rising or falling level, step by step, and what
//! follows from it about headroom (methods §3.4, §4).
//!
//! Figures between steps come from interpolating the *complex* harmonics over
//! drive and computing THD, power and waveform from those ([`Between`]).

mod between;
mod figures;
mod headroom;

pub use between::Between;
pub use figures::{ladder_curve, put, waveform_curve};
pub use headroom::{Crossing, Headroom, LIMITS_PERCENT};

use std::f64::consts::SQRT_2;

use super::cut::Cut;
use super::plans::Plans;
use super::tone::{self, Tone};
use crate::signals::render::peak_of_level;
use crate::units::{DB_PER_CHANGE, db};

/// One step of a ladder.
#[derive(Debug, Clone)]
pub struct Step {
    /// Drive, dB re the programme's top.
    pub drive_db: f64,
    /// Peak that was played, re full scale.
    pub input_peak: f64,
    /// What came back.
    pub tone: Tone,
}

/// Steps that were played but are left out of the figures.
#[derive(Debug, Clone, Default)]
pub struct LeftOut {
    /// Their drives, dB re the programme's top.
    pub drives_db: Vec<f64>,
    /// Why, in words.
    pub why: &'static str,
}

impl LeftOut {
    /// Whether any has more drive than this.
    #[must_use]
    pub fn any_over(&self, drive_db: f64) -> bool {
        self.drives_db.iter().any(|&d| d > drive_db)
    }

    /// Whether any has less drive than this.
    #[must_use]
    pub fn any_under(&self, drive_db: f64) -> bool {
        self.drives_db.iter().any(|&d| d < drive_db)
    }
}

/// Part of a step that is measured, as fractions of its length: past the cross-fade and the first
/// settling, before the next one (methods §3.4: 0.10–0.48 s of 0.5 s).
const WINDOW: (f64, f64) = (0.2, 0.96);

/// Measures every step that the cut holds and that is not struck out; `levels_db` are the steps in the order played.
#[must_use]
pub fn measure(
    cut: &Cut<'_>,
    frequency_hz: f64,
    step_seconds: f64,
    levels_db: &[f64],
    top_dbfs: f64,
    struck: &[usize],
    plans: &mut Plans,
) -> Vec<Step> {
    levels_db
        .iter()
        .enumerate()
        .filter(|(at, _)| !struck.contains(at))
        .filter_map(|(at, &drive_db)| {
            let begin = step_seconds * at as f64;
            let part = cut.part(begin + WINDOW.0 * step_seconds, begin + WINDOW.1 * step_seconds);
            // A step that the recording cuts short is left out.
            let whole = part.seconds() > (WINDOW.1 - WINDOW.0) * step_seconds * 0.99;
            let tone =
                whole.then(|| tone::measure(part.samples, part.omega(frequency_hz), part.rate_hz, plans));
            Some(Step { drive_db, input_peak: peak_of_level(top_dbfs, drive_db), tone: tone.flatten()? })
        })
        .collect()
}

/// Steps in order of rising drive.
#[must_use]
pub fn sorted(mut steps: Vec<Step>) -> Vec<Step> {
    steps.sort_by(|a, b| a.drive_db.total_cmp(&b.drive_db));
    steps.dedup_by(|a, b| a.drive_db == b.drive_db);
    steps
}

/// Small-signal gain: mean of the ten lowest steps whose fundamental stands 40 dB over its noise (methods §4.2);
/// a ratio of sample units, with its standard uncertainty from noise. `None` if no step is clear of noise.
#[must_use]
pub fn small_signal_gain(steps: &[Step]) -> Option<(f64, f64)> {
    let clear: Vec<&Step> = steps
        .iter()
        .filter(|s| s.tone.noise.first().is_some_and(|n| s.tone.peak() > 100.0 * n))
        .take(10)
        .collect();
    if clear.is_empty() {
        return None;
    }
    let count = clear.len() as f64;
    let gain = clear.iter().map(|s| s.tone.peak() / s.input_peak).sum::<f64>() / count;
    // Of the complex noise, half its power lies along the line.
    let variance: f64 = clear.iter().map(|s| (s.tone.noise[0] / s.input_peak).powi(2) / 2.0).sum();
    Some((gain, variance.sqrt() / count))
}

/// Largest difference of the fundamental, falling less rising, at equal drive, in dB, and the standard deviation that
/// noise gives the least sure of the differences; `None` without common steps.
#[must_use]
pub fn hysteresis_db(rising: &[Step], falling: &[Step]) -> Option<(f64, f64)> {
    let relative = |s: &Step| s.tone.noise.first().map_or(0.0, |n| n / (SQRT_2 * s.tone.peak()));
    let differences = falling.iter().filter_map(|down| {
        let up = rising.iter().find(|up| (up.drive_db - down.drive_db).abs() < 1e-9)?;
        let clear = up.tone.peak() > 0.0 && down.tone.peak() > 0.0;
        let sd = DB_PER_CHANGE * relative(up).hypot(relative(down));
        clear.then(|| (db(down.tone.peak() / up.tone.peak()), sd))
    });
    // Whichever is the largest: the interval is that of the least sure.
    differences.reduce(|a, b| (if b.0.abs() > a.0.abs() { b.0 } else { a.0 }, a.1.max(b.1)))
}
