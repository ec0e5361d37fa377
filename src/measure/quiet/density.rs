//! Noise against frequency.

use std::f64::consts::PI;

use super::Level;
use crate::measure::Plans;
use crate::measure::plans::fast_length;

/// Part of the stretch over which the taper rises and falls together. What is left after the mains lines is
/// noise, so a flat taper serves: with a Hann window the level would be 1.3 times less sure.
const TAPER: f64 = 0.25;

/// Power of noise by bins of a tapered spectrum.
pub(super) struct Density {
    /// Mean square that each bin stands for.
    power: Vec<f64>,
    bin_hz: f64,
    /// Variance of a sum of bins over the sum of their squares.
    together: f64,
}

impl Density {
    /// Of samples without their lines and mean.
    pub fn of(mut samples: Vec<f64>, rate_hz: f64, plans: &mut Plans) -> Self {
        let length = samples.len();
        let ramp = (TAPER / 2.0 * length as f64).max(1.0);
        let (mut squares, mut fourths) = (0.0, 0.0);
        for (n, x) in samples.iter_mut().enumerate() {
            let edge = (n as f64 + 0.5).min(length as f64 - n as f64 - 0.5);
            // Most of it is flat, and a cosine is slow.
            let weight = if edge < ramp { 0.5 - 0.5 * (PI * edge / ramp).cos() } else { 1.0 };
            *x *= weight;
            squares += weight * weight;
            fourths += weight.powi(4);
        }
        let padded = fast_length(length);
        samples.resize(padded, 0.0);
        let bins = plans.transform(&mut samples);
        let scale = 2.0 / (padded as f64 * squares);
        let power = bins.iter().map(|b| b.norm_sqr() * scale).collect();
        // A bin's power is exponential, so the mean of its square is twice the square of its mean; bins of a
        // tapered spectrum go together by N Σw⁴ / (Σw²)².
        let together = 0.5 * padded as f64 * fourths / (squares * squares);
        Self { power, bin_hz: rate_hz / padded as f64, together }
    }

    /// Level between two frequencies with each bin's amplitude multiplied with `weight(hz)`.
    pub fn level(&self, band_hz: [f64; 2], weight: impl Fn(f64) -> f64) -> Level {
        let (mut sum, mut squares) = (0.0, 0.0);
        for k in self.bins(band_hz) {
            let power = self.power[k] * weight(self.bin_hz * k as f64).powi(2);
            sum += power;
            squares += power * power;
        }
        let rms = sum.sqrt();
        let sd = if rms > 0.0 { (squares * self.together).sqrt() / (2.0 * rms) } else { 0.0 };
        Level { rms, sd }
    }

    /// RMS between two frequencies from the mean density there; of the nearest bin where none lies between.
    pub fn band_rms(&self, band_hz: [f64; 2]) -> f64 {
        let mut bins = self.bins(band_hz);
        if bins.is_empty() {
            let nearest = (0.5 * (band_hz[0] + band_hz[1]) / self.bin_hz).round() as usize;
            bins = nearest.min(self.power.len())..(nearest + 1).min(self.power.len());
        }
        let count = bins.len().max(1) as f64;
        let mean = bins.map(|k| self.power[k]).sum::<f64>() / count;
        (mean * (band_hz[1] - band_hz[0]) / self.bin_hz).sqrt()
    }

    fn bins(&self, band_hz: [f64; 2]) -> std::ops::Range<usize> {
        let end = ((band_hz[1] / self.bin_hz).floor() as usize + 1).min(self.power.len());
        ((band_hz[0] / self.bin_hz).ceil().max(1.0) as usize).min(end)..end
    }
}
