//! A steady tone: fundamental, harmonics and what is beside them (methods §3.2).

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::fit;
use super::plans::Plans;

/// Harmonics are measured up to here (reference §1: the bandwidth belongs to every THD figure).
pub const HIGHEST_HZ: f64 = 20_000.0;
/// And up to this fraction of the sample rate.
pub const HIGHEST_RATE: f64 = 0.45;
/// Most harmonics of one tone: 40 Hz to 20 kHz.
const MAX_HARMONICS: usize = 500;
/// A harmonic under this many times its noise is no number: noise alone passes once in 8000 (exp −9).
pub const SEEN: f64 = 3.0;

/// A steady tone, measured.
#[derive(Debug, Clone)]
pub struct Tone {
    /// Frequency by the recorder's clock, Hz.
    pub frequency_hz: f64,
    /// Constant part, sample units.
    pub dc: f64,
    /// Its standard deviation from noise, sample units.
    pub dc_sd: f64,
    /// Fundamental and harmonics: peak amplitude and phase re the first sample, sample units.
    pub lines: Vec<Complex<f64>>,
    /// RMS magnitude of the noise in each line.
    pub noise: Vec<f64>,
    /// Mean square of what is no line, 20 Hz to the band's end.
    pub rest_mean_square: f64,
    /// Upper end of the band that THD+N counts, Hz.
    pub band_hz: f64,
    /// Time that was measured.
    pub seconds: f64,
}

/// How many lines a tone has within the band, the fundamental included.
#[must_use]
pub fn count(frequency_hz: f64, rate_hz: f64) -> usize {
    let highest = HIGHEST_HZ.min(HIGHEST_RATE * rate_hz);
    // The clock may put the last one a hair above; a few ppm are no reason to lose it.
    ((highest * (1.0 + 1e-3) / frequency_hz) as usize).clamp(1, MAX_HARMONICS)
}

/// Measures a tone of known frequency `omega` (radians per sample); `None` if the stretch is too short.
#[must_use]
pub fn measure(samples: &[f32], omega: f64, rate_hz: f64, plans: &mut Plans) -> Option<Tone> {
    let frequency_hz = omega * rate_hz / TAU;
    let fit = fit::fit_series(samples, omega, count(frequency_hz, rate_hz), plans)?;
    let band_hz = HIGHEST_HZ.min(rate_hz / 2.0);
    let rest_mean_square = fit.residual.mean_square(TAU * 20.0 / rate_hz, TAU * band_hz / rate_hz);
    let seconds = samples.len() as f64 / rate_hz;
    Some(Tone {
        frequency_hz,
        dc: fit.dc,
        dc_sd: fit.dc_sd,
        lines: fit.lines,
        noise: fit.noise,
        rest_mean_square,
        band_hz,
        seconds,
    })
}

impl Tone {
    /// Peak amplitude of the fundamental, sample units.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.lines.first().map_or(0.0, |c| c.norm())
    }

    /// Lines turned so that the fundamental is a cosine of phase 0: `d_k = c_k·exp(−jkφ₁)`. They do not change
    /// with a shift in time (reference §1).
    #[must_use]
    pub fn aligned(&self) -> Vec<Complex<f64>> {
        let turn = self.lines.first().map_or(Complex::new(1.0, 0.0), |c| {
            if c.norm() > 0.0 { (c / c.norm()).conj() } else { Complex::new(1.0, 0.0) }
        });
        let mut power = Complex::new(1.0, 0.0);
        self.lines
            .iter()
            .map(|c| {
                power *= turn;
                c * power
            })
            .collect()
    }

    /// A harmonic's amplitude re the fundamental, or `Err(limit)`: it is below this.
    ///
    /// # Errors
    /// The ratio below which it lies, where noise hides it.
    pub fn ratio(&self, order: usize) -> Result<f64, f64> {
        let peak = self.peak();
        match (self.lines.get(order.wrapping_sub(1)), self.noise.get(order.wrapping_sub(1))) {
            (Some(line), Some(noise)) if peak > 0.0 => {
                let ratio = line.norm() / peak;
                let limit = SEEN * noise / peak;
                if ratio < limit { Err(limit) } else { Ok(ratio) }
            }
            _ => Err(f64::NAN),
        }
    }

    /// Total harmonic distortion re the fundamental (THD_F), a ratio, noise power taken out.
    #[must_use]
    pub fn thd(&self) -> f64 {
        self.harmonic_power(|_| true).sqrt() / self.peak()
    }

    /// What THD would be read from noise alone, a ratio.
    #[must_use]
    pub fn thd_floor(&self) -> f64 {
        self.noise.iter().skip(1).map(|n| n * n).sum::<f64>().sqrt() / self.peak()
    }

    /// Standard uncertainty of THD from the noise in each harmonic, a ratio.
    #[must_use]
    pub fn thd_uncertainty(&self) -> f64 {
        self.sum_uncertainty(self.thd(), |_| true)
    }

    /// The same of the even (`true`) or the odd harmonics alone.
    #[must_use]
    pub fn half_uncertainty(&self, even: bool) -> f64 {
        let sum = if even { self.even() } else { self.odd() };
        self.sum_uncertainty(sum, |order| order.is_multiple_of(2) == even)
    }

    fn sum_uncertainty(&self, sum: f64, counts: impl Fn(usize) -> bool) -> f64 {
        let variance = self.line_power_variance(counts);
        let sum = sum.max(self.thd_floor());
        if sum > 0.0 { variance.sqrt() / (2.0 * sum * self.peak() * self.peak()) } else { 0.0 }
    }

    /// Variance of the summed squared amplitudes: 2|c|²n² + n⁴ of a line with complex noise of power n².
    fn line_power_variance(&self, counts: impl Fn(usize) -> bool) -> f64 {
        let lines = self.lines.iter().zip(&self.noise).enumerate().skip(1);
        let counted = lines.filter(|(k, _)| counts(k + 1));
        counted.map(|(_, (c, n))| 2.0 * c.norm_sqr() * n * n + n.powi(4)).sum()
    }

    /// Standard uncertainty of [`Tone::thd_n`], a ratio: noise of bandwidth B has the relative
    /// variance 1/(BT) of its power (1.944 times that under Hann's window: (35/128)/(3/8)²).
    #[must_use]
    pub fn thd_n_uncertainty(&self) -> f64 {
        let rest = self.rest_mean_square.powi(2) * 1.944 / ((self.band_hz - 20.0) * self.seconds).max(1.0);
        let variance = self.line_power_variance(|_| true) / 4.0 + rest;
        let ratio = self.thd_n();
        if ratio > 0.0 { variance.sqrt() / (ratio * self.peak() * self.peak()) } else { 0.0 }
    }

    /// RSS of the even harmonics re the fundamental, a ratio.
    #[must_use]
    pub fn even(&self) -> f64 {
        self.harmonic_power(|order| order.is_multiple_of(2)).sqrt() / self.peak()
    }

    /// RSS of the odd harmonics from the third re the fundamental, a ratio.
    #[must_use]
    pub fn odd(&self) -> f64 {
        self.harmonic_power(|order| !order.is_multiple_of(2)).sqrt() / self.peak()
    }

    /// Everything but constant and fundamental re the fundamental, 20 Hz to the band's end, a ratio.
    #[must_use]
    pub fn thd_n(&self) -> f64 {
        let harmonics: f64 = self.lines.iter().skip(1).map(|c| c.norm_sqr() / 2.0).sum();
        ((harmonics + self.rest_mean_square) * 2.0).sqrt() / self.peak()
    }

    /// Mean square of fundamental and harmonics.
    #[must_use]
    pub fn mean_square(&self) -> f64 {
        self.lines.iter().map(|c| c.norm_sqr() / 2.0).sum()
    }

    fn harmonic_power(&self, counts: impl Fn(usize) -> bool) -> f64 {
        let of = |(k, (c, n)): (usize, (&Complex<f64>, &f64))| {
            if counts(k + 1) { (c.norm_sqr() - n * n).max(0.0) } else { 0.0 }
        };
        self.lines.iter().zip(&self.noise).enumerate().skip(1).map(of).sum()
    }
}
