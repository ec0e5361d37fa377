//! A steady tone as a meter beside the recorder sees it: for calibration.

use super::Plans;
use super::plain::{self, Plain};
use super::tone::Tone;
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
}

/// Finds and measures the steady tone of a recording; `None` if there is none.
#[must_use]
pub fn read_tone(samples: &[f32], rate_hz: f64, plans: &mut Plans) -> Option<ToneReading> {
    let Plain::Tone(tone) = plain::measure(samples, rate_hz, plans) else { return None };
    let steady = plain::steady(samples, rate_hz);
    let peak = steady.iter().fold(0.0f64, |peak, x| peak.max(f64::from(x.abs())));
    let rms = tone.mean_square().sqrt();
    Some(ToneReading {
        frequency_hz: tone.frequency_hz,
        level_dbfs: dbfs_of_rms(rms),
        peak_dbfs: db(peak),
        thd: tone.thd(),
        wander_db: wander_db(steady, rate_hz, &tone),
    })
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
