//! Quiet: hum by line, and noise (methods §7).

mod density;
mod figures;
mod mains;
pub mod origin;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use std::f64::consts::TAU;

use density::Density;
pub use figures::{noise_curve, put};

use super::fit;
use super::{Cut, MeasureError, Plans, weighting};

/// Lines of the mains that are looked for.
pub const LINES: usize = 20;
/// Band of every noise figure.
pub const BAND_HZ: [f64; 2] = [20.0, 20_000.0];
/// A line under this many times its noise is no number. Noise alone passes once in 8000 (exp −9); with the
/// 6 dB of methods §7 every third recording without hum would show a line.
const SEEN: f64 = 3.0;
/// Mains wander more than this over a longer stretch (methods §7 settled on it).
const LONGEST_SECONDS: f64 = 4.0;
/// What went before dies away.
const SKIP_SECONDS: f64 = 0.3;
/// Less than this does not part mains lines from each other.
const SHORTEST_SECONDS: f64 = 0.25;

/// A level in sample units with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// RMS.
    pub rms: f64,
    /// Standard deviation of `rms` from the noise itself.
    pub sd: f64,
}

/// One line of the mains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Multiple of the mains frequency.
    pub order: usize,
    /// By the recorder's clock.
    pub frequency_hz: f64,
    /// Peak amplitude, sample units; what stands there, seen or not.
    pub peak: f64,
    /// Root of the expected |error|² of the line from noise, sample units.
    pub noise: f64,
    /// It stands clear of the noise; if not, it is below [`Line::limit`].
    pub seen: bool,
}

impl Line {
    /// The peak below which an unseen line lies.
    #[must_use]
    pub fn limit(&self) -> f64 {
        SEEN * self.noise
    }
}

/// What is there without any drive.
#[derive(Debug, Clone, PartialEq)]
pub struct Quiet {
    /// Mains frequency by the recorder's clock and its standard deviation, where mains lines were found.
    pub mains: Option<(f64, f64)>,
    /// The first twenty lines, of the frequency found or, if none was, of the one expected.
    pub lines: Vec<Line>,
    /// Noise less the lines, 20 Hz to 20 kHz.
    pub noise: Level,
    /// The same, A-weighted.
    pub noise_a: Level,
    /// The same with the weighting network of ITU-R BS.468-4, RMS.
    pub noise_468: Level,
    /// Upper end of the band where the sample rate does not reach 20 kHz.
    pub band_hz: f64,
    /// Noise less lines in bands of 1/48 octave: centre frequency, RMS in the band.
    pub spectrum: Vec<(f64, f64)>,
}

impl Quiet {
    /// RSS of the lines that were seen and that `wanted` names by their order, as a peak of sample units with
    /// its standard deviation; `Err(limit)` if none was seen.
    ///
    /// # Errors
    /// The level below which the sum lies.
    pub fn hum(&self, wanted: impl Fn(usize) -> bool) -> Result<(f64, f64), f64> {
        let lines = || self.lines.iter().filter(|l| wanted(l.order));
        if lines().all(|l| !l.seen) {
            return Err(SEEN * lines().map(|l| l.noise * l.noise).sum::<f64>().sqrt());
        }
        let seen = || lines().filter(|l| l.seen);
        let square: f64 = seen().map(|l| l.peak * l.peak - l.noise * l.noise).sum();
        // Variance of |c|² under complex noise of power n² is 2|c|²n² + n⁴.
        let variance: f64 = seen().map(|l| 2.0 * (l.peak * l.noise).powi(2) + l.noise.powi(4)).sum();
        let sum = square.sqrt();
        Ok((sum, variance.sqrt() / (2.0 * sum)))
    }
}

/// The part of a quiet segment `length_seconds` long that is measured.
#[must_use]
pub fn usable<'a>(cut: &Cut<'a>, length_seconds: f64) -> Cut<'a> {
    let skip = SKIP_SECONDS.min(0.1 * length_seconds + 0.1);
    let end = (skip + LONGEST_SECONDS).min(length_seconds - 0.05);
    cut.part(skip, end)
}

/// Measures all of `cut`. `expected_mains_hz` only says for which lines a floor is given if no mains is found.
///
/// # Errors
/// Too short, all zeros, or not finite.
pub fn measure(cut: &Cut<'_>, expected_mains_hz: f64, plans: &mut Plans) -> Result<Quiet, MeasureError> {
    let samples = cut.samples;
    if !(cut.rate_hz.is_finite() && cut.rate_hz >= 4000.0) {
        return Err(MeasureError::Parameters("the sample rate is too low for a noise measurement"));
    }
    let held_seconds = samples.len() as f64 / cut.rate_hz;
    if held_seconds < SHORTEST_SECONDS {
        return Err(MeasureError::TooShort { held_seconds, needed_seconds: SHORTEST_SECONDS });
    }
    if samples.iter().any(|v| !v.is_finite()) {
        return Err(MeasureError::NotFinite);
    }
    if samples.iter().all(|&v| v == 0.0) {
        return Err(MeasureError::Silent);
    }
    let mains = mains::find(samples, cut.rate_hz, plans);
    let mains_hz = mains.map_or(expected_mains_hz, |m| m.0);
    let per_hz = TAU / cut.rate_hz;
    let omegas: Vec<f64> = (1..=LINES).map(|k| per_hz * mains_hz * k as f64).collect();
    // Without mains nothing is fitted, so nothing is taken from the noise either.
    let fitted = if mains.is_some() { omegas.as_slice() } else { &[] };
    let (fit, rest) = fit::fit_and_rest(samples, fitted, plans)
        .ok_or(MeasureError::TooShort { held_seconds, needed_seconds: SHORTEST_SECONDS })?;
    let lines = omegas.iter().enumerate().map(|(k, &omega)| {
        let noise = fit.residual.noise_at(omega);
        let peak = fit.lines.get(k).map_or(0.0, |c| c.norm());
        let seen = mains.is_some() && peak >= SEEN * noise && peak > 0.0;
        Line { order: k + 1, frequency_hz: omega / per_hz, peak, noise, seen }
    });
    let lines = lines.collect();

    let density = Density::of(rest, cut.rate_hz, plans);
    let band_hz = BAND_HZ[1].min(0.5 * cut.rate_hz);
    let band = [BAND_HZ[0], band_hz];
    Ok(Quiet {
        mains,
        lines,
        noise: density.level(band, |_| 1.0),
        noise_a: density.level(band, weighting::a),
        noise_468: density.level(band, weighting::itu468),
        band_hz,
        spectrum: spectrum(&density, band_hz),
    })
}

/// Bands of the spectrum, narrow enough to show a mains line as one.
const BANDS_PER_OCTAVE: f64 = 48.0;

/// RMS in bands round 1 kHz · 2^(k/48).
fn spectrum(density: &Density, band_hz: f64) -> Vec<(f64, f64)> {
    let first = (BANDS_PER_OCTAVE * (BAND_HZ[0] / 1000.0).log2()).ceil() as i32;
    let last = (BANDS_PER_OCTAVE * (band_hz / 1000.0).log2()).floor() as i32;
    let edge = 2f64.powf(0.5 / BANDS_PER_OCTAVE);
    (first..=last)
        .map(|k| {
            let centre = 1000.0 * 2f64.powf(f64::from(k) / BANDS_PER_OCTAVE);
            (centre, density.band_rms([centre / edge, centre * edge]))
        })
        .collect()
}
