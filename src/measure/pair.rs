//! Two tones at once: what the amp adds to them (methods §6, definitions of reference §2).

mod figures;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

pub use figures::{floors_percent, intermodulation, products, products_curve, put, put_interface};

use super::{Cut, MeasureError, Plans, fit};

/// Highest order of a product, |n| + |m|.
pub const HIGHEST_ORDER: i32 = 5;
/// Lines are measured up to this fraction of the sample rate. (The 21 kHz product of 19 and 20 kHz lies
/// inside at 48 kHz; where a line is outside, the figure says so.)
const HIGHEST_RATE: f64 = 0.455;
/// A line under this many times its noise is no number (as for a tone's harmonics).
const SEEN: f64 = 3.0;
/// What the segment's first and last part lose: fades and the filter's settling (methods §6: 1.4 s of 1.6 s).
const EDGE: f64 = 0.0625;
/// Lines nearer than this many 1/T cannot be parted; the one of the lower order stands for both.
const APART: f64 = 2.0;
/// Mains lines are fitted along where one lies this near to a line of the pair.
const MAINS_NEAR_HZ: f64 = 25.0;

/// One line of the spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// n and m: the line at |n f₁ + m f₂|.
    pub orders: [i32; 2],
    /// By the player's clock.
    pub frequency_hz: f64,
    /// Peak amplitude and phase re the first sample measured, sample units.
    pub amplitude: Complex<f64>,
    /// Root of the expected |error|² from noise, sample units.
    pub noise: f64,
}

impl Line {
    /// |n| + |m|: 1 for the two tones.
    #[must_use]
    pub fn order(&self) -> i32 {
        self.orders[0].abs() + self.orders[1].abs()
    }

    /// A product of both tones rather than a harmonic of one.
    #[must_use]
    pub fn is_mixed(&self) -> bool {
        self.orders[0] != 0 && self.orders[1] != 0
    }

    /// Stands clear of the noise.
    #[must_use]
    pub fn seen(&self) -> bool {
        self.amplitude.norm() > 0.0 && self.amplitude.norm() >= SEEN * self.noise
    }
}

/// Two tones and their products.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Both frequencies by the player's clock, the lower first.
    pub frequencies_hz: [f64; 2],
    /// Every line up to the fifth order inside the band, by ascending frequency.
    pub lines: Vec<Line>,
    /// Upper end of the band.
    pub band_hz: f64,
    /// Time that was measured, by the recorder's clock.
    pub seconds: f64,
}

/// A ratio and its standard deviation, or the limit below which noise hides it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ratio {
    /// Measured.
    Is {
        /// The ratio.
        value: f64,
        /// Standard deviation from noise.
        sd: f64,
        /// Lines of the definition that lie beyond the band and are left out.
        missing: usize,
    },
    /// Below this.
    Below(f64),
    /// No line of the definition lies inside the band.
    OutOfBand,
}

impl Pair {
    /// The line n f₁ + m f₂, where it lies inside the band and is no other's twin.
    #[must_use]
    pub fn line(&self, n: i32, m: i32) -> Option<&Line> {
        self.lines.iter().find(|l| l.orders == [n, m] || l.orders == [-n, -m])
    }

    /// Low and high far apart: the low tone modulates the high one, and distortion is told re the high tone.
    /// (Standard pairs are 60 or 70 Hz with 7 kHz, 250 Hz with 8 kHz; difference pairs have ratios under 2.)
    #[must_use]
    pub fn is_modulation(&self) -> bool {
        self.frequencies_hz[1] > 4.0 * self.frequencies_hz[0]
    }

    /// Second order: modulation `(U[f₂+f₁] + U[f₂−f₁])/U[f₂]`; difference frequency `U[f₂−f₁]/(U[f₁]+U[f₂])`.
    #[must_use]
    pub fn second(&self) -> Ratio {
        if self.is_modulation() { self.ratio(&[(1, 1), (-1, 1)]) } else { self.ratio(&[(-1, 1)]) }
    }

    /// Third order: modulation `(U[f₂+2f₁] + U[f₂−2f₁])/U[f₂]`; difference frequency
    /// `(U[2f₂−f₁] + U[2f₁−f₂])/(U[f₁]+U[f₂])`.
    #[must_use]
    pub fn third(&self) -> Ratio {
        if self.is_modulation() { self.ratio(&[(2, 1), (-2, 1)]) } else { self.ratio(&[(-1, 2), (2, -1)]) }
    }

    /// RSS of all mixed products to the fifth order over the RSS of the two tones (methods §6), noise's mean
    /// share taken off.
    #[must_use]
    pub fn total(&self) -> Ratio {
        let tones: f64 = self.lines.iter().filter(|l| l.order() == 1).map(|l| l.amplitude.norm_sqr()).sum();
        let mixed = || self.lines.iter().filter(|l| l.is_mixed());
        let noise: f64 = mixed().map(|l| l.noise * l.noise).sum();
        let power: f64 = mixed().map(|l| l.amplitude.norm_sqr()).sum::<f64>() - noise;
        // Variance of |c|² under complex noise of power n² is 2|c|²n² + n⁴.
        let spread = mixed().map(|l| 2.0 * l.amplitude.norm_sqr() * l.noise.powi(2) + l.noise.powi(4));
        let sd = spread.sum::<f64>().sqrt();
        let size = tones.sqrt();
        if tones.is_nan() || tones <= 0.0 || mixed().next().is_none() {
            return Ratio::OutOfBand;
        }
        if mixed().all(|l| !l.seen()) {
            return Ratio::Below(SEEN * noise.sqrt() / size);
        }
        let value = power.max(0.0).sqrt();
        let missing = mixed_orders().count() - mixed().count();
        Ratio::Is { value: value / size, sd: sd / (2.0 * value * size), missing }
    }

    fn ratio(&self, orders: &[(i32, i32)]) -> Ratio {
        let size = |n, m| self.line(n, m).map_or(0.0, |l| l.amplitude.norm());
        let base = if self.is_modulation() { size(0, 1) } else { size(1, 0) + size(0, 1) };
        let lines: Vec<&Line> = orders.iter().filter_map(|&(n, m)| self.line(n, m)).collect();
        if lines.is_empty() || base.is_nan() || base <= 0.0 {
            return Ratio::OutOfBand;
        }
        let noise = lines.iter().map(|l| l.noise * l.noise).sum::<f64>().sqrt();
        let sum: f64 = lines.iter().map(|l| l.amplitude.norm()).sum();
        if lines.iter().all(|l| !l.seen()) {
            return Ratio::Below(SEEN * noise / base);
        }
        let missing = orders.len() - lines.len();
        Ratio::Is { value: sum / base, sd: noise / std::f64::consts::SQRT_2 / base, missing }
    }
}

fn mixed_orders() -> impl Iterator<Item = [i32; 2]> {
    all_orders().filter(|[n, m]| *n != 0 && *m != 0)
}

/// Every (n, m) up to the highest order, each line once, lower orders first.
fn all_orders() -> impl Iterator<Item = [i32; 2]> {
    (1..=HIGHEST_ORDER).flat_map(|order| {
        (-order..=order).flat_map(move |n| {
            let m = order - n.abs();
            // With m = 0 only the positive n is a line of its own; −m is the same line as (−n, m).
            (m > 0 || n > 0).then_some([n, m])
        })
    })
}

/// The part of a pair's segment that is measured: `tone_seconds` less its edges.
#[must_use]
pub fn usable<'a>(cut: &Cut<'a>, tone_seconds: f64) -> Cut<'a> {
    cut.part(EDGE * tone_seconds, (1.0 - EDGE) * tone_seconds)
}

/// Measures all of `cut`, in which two tones of these frequencies (player's clock) stand. Lines of
/// `mains_hz` (recorder's clock) near to the pair's are fitted along, so that they leak into nothing.
///
/// # Errors
/// Too short to part the two tones, silent, not finite, or impossible frequencies.
pub fn measure(
    cut: &Cut<'_>,
    frequencies_hz: [f64; 2],
    mains_hz: Option<f64>,
    plans: &mut Plans,
) -> Result<Pair, MeasureError> {
    let [low_hz, high_hz] = frequencies_hz;
    let seconds = cut.samples.len() as f64 / cut.rate_hz;
    let band_hz = HIGHEST_RATE * cut.rate_hz / cut.ratio;
    let possible = low_hz > 0.0 && high_hz > low_hz && high_hz < band_hz && band_hz.is_finite();
    if !possible {
        return Err(MeasureError::Parameters(
            "the pair's frequencies do not fit the recording's sample rate",
        ));
    }
    let needed_seconds = 2.0 * APART / (high_hz - low_hz).min(low_hz);
    if seconds.is_nan() || seconds < needed_seconds {
        return Err(MeasureError::TooShort { held_seconds: seconds, needed_seconds });
    }
    if cut.samples.iter().any(|v| !v.is_finite()) {
        return Err(MeasureError::NotFinite);
    }
    if cut.samples.iter().all(|&v| v == 0.0) {
        return Err(MeasureError::Silent);
    }

    let apart_hz = APART / seconds;
    let mut kept: Vec<([i32; 2], f64)> = Vec::new();
    for [n, m] in all_orders() {
        let frequency_hz = (f64::from(n) * low_hz + f64::from(m) * high_hz).abs();
        let alone = kept.iter().all(|(_, other)| (frequency_hz - other).abs() > apart_hz);
        if frequency_hz > apart_hz && frequency_hz < band_hz && alone {
            kept.push(([n, m], frequency_hz));
        }
    }
    let mut omegas: Vec<f64> = kept.iter().map(|(_, hz)| cut.omega(*hz)).collect();
    omegas.extend(mains_near(&omegas, mains_hz, cut.rate_hz, apart_hz));
    let fitted = fit::fit(cut.samples, &omegas, plans)
        .ok_or(MeasureError::TooShort { held_seconds: seconds, needed_seconds })?;
    let mut lines: Vec<Line> = (kept.iter().zip(&fitted.lines).zip(&fitted.noise))
        .map(|((&(orders, frequency_hz), &amplitude), &noise)| Line {
            orders,
            frequency_hz,
            amplitude,
            noise,
        })
        .collect();
    lines.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(Pair { frequencies_hz, lines, band_hz, seconds })
}

/// Mains lines (radians per sample) that lie beside lines of the pair, but not on them.
fn mains_near(omegas: &[f64], mains_hz: Option<f64>, rate_hz: f64, apart_hz: f64) -> Vec<f64> {
    let Some(mains_hz) = mains_hz.filter(|hz| (40.0..=70.0).contains(hz)) else { return Vec::new() };
    let per_hz = TAU / rate_hz;
    (1..=super::quiet::LINES)
        .map(|k| per_hz * mains_hz * k as f64)
        .filter(|line| {
            let nearest = omegas.iter().map(|o| (o - line).abs()).fold(f64::INFINITY, f64::min);
            nearest < MAINS_NEAR_HZ * per_hz && nearest > apart_hz * per_hz
        })
        .collect()
}
