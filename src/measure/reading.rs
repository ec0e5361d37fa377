//! A steady tone as a meter beside the recorder sees it: for calibration.

use std::f64::consts::TAU;

use super::plain::{self, Plain};
use super::tone::{self, Tone};
use super::{Plans, fit};
use crate::units::{db, dbfs_of_rms};

/// A steady tone as recorded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneReading {
    /// By the recorder's clock.
    pub frequency_hz: f64,
    /// RMS of fundamental and harmonics, which is what a true-RMS meter sees.
    pub level_dbfs: f64,
    /// Largest absolute sample of the steady part, dB re full scale.
    pub peak_dbfs: f64,
    /// THD re fundamental, a ratio.
    pub thd: f64,
    /// Largest less smallest level over tenths of the steady part.
    pub wander_db: f64,
    /// A change to another level, for a second or more.
    pub jump: Option<Jump>,
    /// How long it holds steady.
    pub seconds: f64,
    /// A weaker tone beside it.
    pub beside: Option<Beside>,
}

/// A weaker tone beside the one that is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beside {
    /// By the recorder's clock.
    pub frequency_hz: f64,
    /// Decibels that it lies under the stronger one.
    pub under_db: f64,
    /// So much more a meter shows that reads all of what lies beside the tone along with it, a ratio.
    pub adds: f64,
}

/// A change of a tone's level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jump {
    /// Seconds from the first sample.
    pub at_seconds: f64,
    /// The later level re the earlier.
    pub by_db: f64,
}

/// Finds and measures the steady tone of a recording; `None` if there is none.
#[must_use]
pub fn read_tone(samples: &[f32], rate_hz: f64, plans: &mut Plans) -> Option<ToneReading> {
    let Plain::Tone(tone) = plain::measure(samples, rate_hz, plans) else { return None };
    Some(of(samples, rate_hz, &tone, plans))
}

/// What a meter sees of this tone.
#[must_use]
pub fn of(samples: &[f32], rate_hz: f64, tone: &Tone, plans: &mut Plans) -> ToneReading {
    let steady = plain::steady(samples, rate_hz);
    let peak = steady.iter().fold(0.0f64, |peak, x| peak.max(f64::from(x.abs())));
    let rms = tone.mean_square().sqrt();
    ToneReading {
        frequency_hz: tone.frequency_hz,
        level_dbfs: dbfs_of_rms(rms),
        peak_dbfs: db(peak),
        thd: tone.thd(),
        wander_db: wander_db(steady, rate_hz, tone),
        jump: jump(samples, rate_hz, tone, plans),
        seconds: steady.len() as f64 / rate_hz,
        beside: None,
    }
}

/// The stronger of two steady tones (radians per sample), the other one beside it; `None` if neither can be fitted.
#[must_use]
pub fn of_stronger(
    samples: &[f32],
    rate_hz: f64,
    omegas: [f64; 2],
    plans: &mut Plans,
) -> Option<ToneReading> {
    let part = plain::middle(plain::steady(samples, rate_hz), rate_hz);
    let fitted = fit::fit(part, &omegas, plans)?;
    let [first, second] = fitted.lines.get(..2)? else { return None };
    let (strong, weak, under_db) = if first.norm() > second.norm() {
        (omegas[0], omegas[1], db(first.norm() / second.norm()))
    } else {
        (omegas[1], omegas[0], db(second.norm() / first.norm()))
    };
    let tone = tone::measure(part, strong, rate_hz, plans)?;
    let adds = (1.0 + tone.rest_mean_square / tone.mean_square()).sqrt() - 1.0;
    let beside = Some(Beside { frequency_hz: weak * rate_hz / TAU, under_db, adds });
    Some(ToneReading { beside, ..of(samples, rate_hz, &tone, plans) })
}

/// A level that differs by less is that of the steady part (its own pieces lie within as much).
const SAME_DB: f64 = 0.5;
/// Length of the pieces in which another level is looked for: two in a row, so that the tone's own begin and end are
/// none.
const PIECE_SECONDS: f64 = 0.5;

/// The same tone at another level, beside the steady part.
fn jump(samples: &[f32], rate_hz: f64, tone: &Tone, plans: &mut Plans) -> Option<Jump> {
    let steady = plain::steady_range(samples, rate_hz);
    let piece = (PIECE_SECONDS * rate_hz) as usize;
    let edge = (0.05 * rate_hz) as usize;
    let omega = TAU * tone.frequency_hz / rate_hz;
    let mut moved = |part: &[f32]| -> Option<f64> {
        let fitted = fit::fit(part, &[omega], plans)?;
        let line = fitted.lines.first()?.norm();
        let power = part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / part.len() as f64;
        // What is mostly something else is the silence before or after.
        let by_db = db(line / tone.peak());
        (line * line / 2.0 > 0.5 * (power - fitted.dc * fitted.dc) && by_db.abs() > SAME_DB).then_some(by_db)
    };
    let mut in_a_row = |parts: &mut dyn Iterator<Item = &[f32]>| -> Option<(usize, f64)> {
        let all: Vec<Option<f64>> = parts.map(&mut moved).collect();
        let same = |w: &&[Option<f64>]| matches!(w, [Some(a), Some(b)] if (a - b).abs() < SAME_DB);
        let k = all.windows(2).position(|w| same(&w))?;
        Some((k, all.get(k).copied().flatten()?))
    };
    let after = samples.get(steady.end + edge..).unwrap_or_default();
    if let Some((k, by_db)) = in_a_row(&mut after.chunks_exact(piece.max(1))) {
        let at = if k == 0 { steady.end } else { steady.end + edge + k * piece };
        return Some(Jump { at_seconds: at as f64 / rate_hz, by_db });
    }
    let before = samples.get(..steady.start.saturating_sub(edge)).unwrap_or_default();
    let (k, by_db) = in_a_row(&mut before.rchunks_exact(piece.max(1)))?;
    let at = if k == 0 { steady.start } else { before.len() - k * piece };
    Some(Jump { at_seconds: at as f64 / rate_hz, by_db: -by_db })
}

/// Level of tenths of the recording, each a whole number of cycles long so that no cycle is cut.
fn wander_db(steady: &[f32], rate_hz: f64, tone: &Tone) -> f64 {
    let cycle = rate_hz / tone.frequency_hz;
    let cycles = (steady.len() as f64 / 10.0 / cycle).floor().max(1.0);
    let length = ((cycles * cycle).round() as usize).max(1);
    let levels = steady.chunks_exact(length).map(|part| {
        let mean = part.iter().map(|x| f64::from(*x)).sum::<f64>() / length as f64;
        let square = part.iter().map(|x| (f64::from(*x) - mean).powi(2)).sum::<f64>() / length as f64;
        square.sqrt()
    });
    let (low, high) = levels.fold((f64::INFINITY, 0.0f64), |(low, high), l| (low.min(l), high.max(l)));
    if low > 0.0 && low.is_finite() { db(high / low) } else { 0.0 }
}
