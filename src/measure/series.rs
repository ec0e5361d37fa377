//! A harmonic series as a whole: all sums `Σ x[n]·exp(−jkωn)`, k = 1…K, and the
//! waveform that K harmonics make, each by one convolution with a chirp
//! (L. I. Bluestein, IEEE Trans. Audio Electroacoust. 18(4) 1970, 451–455).
//!
//! A low tone has hundreds of harmonics under 20 kHz; taking them one by one
//! costs K passes over the samples, this costs three transforms.

use std::sync::Arc;

use realfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::plans::fast_length;

/// Sums and waveforms of a series of `count` harmonics of `omega` over `length` samples.
pub struct Series {
    length: usize,
    omega: f64,
    count: usize,
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    /// exp(jωn²/2) for n = 0 … max(length, count).
    chirp: Vec<Complex<f64>>,
    /// Transform of exp(jωm²/2), m = −(length − 1) … count, wrapped.
    kernel: Vec<Complex<f64>>,
    /// Transform of exp(−jωm²/2), m = −count … length − 1, wrapped.
    inverse_kernel: Vec<Complex<f64>>,
}

impl Series {
    /// Prepares for this length, fundamental (radians per sample) and number of harmonics.
    #[must_use]
    pub fn new(length: usize, omega: f64, count: usize, planner: &mut FftPlanner<f64>) -> Self {
        let size = fast_length(length + count + 1);
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let chirp = chirp(omega, length.max(count + 1));
        let mut kernel = vec![Complex::default(); size];
        let mut inverse_kernel = kernel.clone();
        kernel[..=count].copy_from_slice(&chirp[..=count]);
        for n in 1..length {
            kernel[size - n] = chirp[n];
        }
        for (n, value) in chirp[..length].iter().enumerate() {
            inverse_kernel[n] = value.conj();
        }
        for k in 1..=count {
            inverse_kernel[size - k] = chirp[k].conj();
        }
        forward.process(&mut kernel);
        forward.process(&mut inverse_kernel);
        Self { length, omega, count, forward, inverse, chirp, kernel, inverse_kernel }
    }

    /// Whether it was prepared for just this.
    #[must_use]
    pub fn is_for(&self, length: usize, omega: f64, count: usize) -> bool {
        (self.length, self.count) == (length, count) && self.omega.to_bits() == omega.to_bits()
    }

    /// `Σ x[n]·exp(−jkωn)` for k = 1…count; `x` has the length prepared for.
    #[must_use]
    pub fn sums(&self, x: &[f64]) -> Vec<Complex<f64>> {
        let fill = x.iter().take(self.length).zip(&self.chirp).map(|(x, c)| c.conj() * x);
        let out = self.convolve(fill, 0, &self.kernel);
        (1..=self.count).map(|k| out[k] * self.chirp[k].conj()).collect()
    }

    /// Subtracts Σ Re(c_k·exp(jkωn)), k = 1…count, from `x`.
    pub fn subtract(&self, x: &mut [f64], lines: &[Complex<f64>]) {
        let fill = lines.iter().take(self.count).enumerate().map(|(k, c)| c * self.chirp[k + 1]);
        let out = self.convolve(fill, 1, &self.inverse_kernel);
        for ((x, y), c) in x.iter_mut().take(self.length).zip(&out).zip(&self.chirp) {
            *x -= (y * c).re;
        }
    }

    fn convolve(
        &self,
        values: impl Iterator<Item = Complex<f64>>,
        at: usize,
        kernel: &[Complex<f64>],
    ) -> Vec<Complex<f64>> {
        let mut work = vec![Complex::default(); kernel.len()];
        for (place, value) in work[at..].iter_mut().zip(values) {
            *place = value;
        }
        self.forward.process(&mut work);
        let scale = 1.0 / kernel.len() as f64;
        for (value, factor) in work.iter_mut().zip(kernel) {
            *value = *value * factor * scale;
        }
        self.inverse.process(&mut work);
        work
    }
}

/// Samples between two exact values of the chirp: the recurrence's error, 32²·ε/2, stays under that of the phase.
const ANCHOR: usize = 32;

/// exp(jωn²/2) for n = 0 … length − 1, by a phasor whose turn turns.
fn chirp(omega: f64, length: usize) -> Vec<Complex<f64>> {
    let more = Complex::cis(omega);
    let mut chirp = Vec::with_capacity(length);
    for begin in (0..length).step_by(ANCHOR) {
        let n = begin as f64;
        let mut phasor = Complex::cis(omega * n * n / 2.0);
        let mut turn = Complex::cis(omega * (n + 0.5));
        for _ in begin..length.min(begin + ANCHOR) {
            chirp.push(phasor);
            phasor *= turn;
            turn *= more;
        }
    }
    chirp
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::fit;

    #[test]
    fn the_whole_series_is_the_sum_of_its_lines() {
        for (length, omega, count) in [(1000, 0.0107, 250), (97, 0.3, 9), (4096, 0.005, 40)] {
            let x: Vec<f64> =
                (0..length).map(|n| (0.37 * n as f64).sin() + 0.2 * (1.7 * n as f64).cos()).collect();
            let omegas: Vec<f64> = (1..=count).map(|k| omega * k as f64).collect();
            let series = Series::new(length, omega, count, &mut FftPlanner::new());
            let (whole, single) = (series.sums(&x), fit::correlate(&x, &omegas));
            // Sums of up to 1.2·length; the chirp's phase carries ωn²/2·ε.
            let bound = length as f64 * 1e-11;
            for (a, b) in whole.iter().zip(&single) {
                assert!((a - b).norm() < bound, "{length} {a} {b}");
            }
            let (mut one, mut other) = (x.clone(), x);
            let lines: Vec<Complex<f64>> = single.iter().map(|c| c * (2.0 / length as f64)).collect();
            series.subtract(&mut one, &lines);
            fit::subtract(&mut other, &omegas, &lines);
            let worst = one.iter().zip(&other).fold(0.0f64, |m, (a, b)| m.max((a - b).abs()));
            assert!(worst < 1e-10, "{length} {worst}");
        }
    }
}
