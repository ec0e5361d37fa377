//! FFT plans, made once and kept: planning costs more than transforming.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::FftPlanner;

use super::fit::Normal;
use super::series::Series;

/// Keeps the plans and scratch memory of one thread.
#[derive(Default)]
pub struct Plans {
    planner: RealFftPlanner<f64>,
    scratch: Vec<Complex<f64>>,
    windows: BTreeMap<usize, Arc<[f64]>>,
    complex: Option<FftPlanner<f64>>,
    series: Vec<Arc<Series>>,
    normals: Vec<Arc<Normal>>,
}

/// Harmonic series, and normal equations, kept: the steps of a ladder differ by a sample in length.
const KEPT: usize = 4;
/// Samples between two exact values of a turning phasor.
const ANCHOR: usize = 64;

impl Plans {
    /// The plan of a forward real transform of this length.
    pub fn forward(&mut self, length: usize) -> Arc<dyn RealToComplex<f64>> {
        self.planner.plan_fft_forward(length)
    }

    /// The Hann window `½ − ½cos(2π(n+½)/N)`.
    pub fn hann(&mut self, length: usize) -> Arc<[f64]> {
        // A take needs a dozen lengths; a hostile plan could ask for thousands.
        if self.windows.len() > 64 {
            self.windows.clear();
        }
        Arc::clone(self.windows.entry(length).or_insert_with(|| hann(length).into()))
    }

    /// The sums of a series of `count` harmonics of `omega` (radians per sample) over `length` samples.
    pub fn series(&mut self, length: usize, omega: f64, count: usize) -> Arc<Series> {
        if let Some(series) = self.series.iter().find(|s| s.is_for(length, omega, count)) {
            return Arc::clone(series);
        }
        let planner = self.complex.get_or_insert_with(FftPlanner::new);
        let series = Arc::new(Series::new(length, omega, count, planner));
        self.series.truncate(KEPT - 1);
        self.series.insert(0, Arc::clone(&series));
        series
    }

    /// The normal equations of a constant and lines at `omegas` (radians per sample) over `length` samples; `None` if
    /// they are singular.
    pub fn normal(&mut self, length: usize, omegas: &[f64]) -> Option<Arc<Normal>> {
        if let Some(normal) = self.normals.iter().find(|n| n.is_for(length, omegas)) {
            return Some(Arc::clone(normal));
        }
        let normal = Arc::new(Normal::new(length, omegas)?);
        self.normals.truncate(KEPT - 1);
        self.normals.insert(0, Arc::clone(&normal));
        Some(normal)
    }

    /// DFT of `samples` (overwritten): `len / 2 + 1` bins, not normalised.
    pub fn transform(&mut self, samples: &mut [f64]) -> Vec<Complex<f64>> {
        let plan = self.forward(samples.len());
        let mut bins = plan.make_output_vec();
        self.scratch.resize(plan.get_scratch_len().max(self.scratch.len()), Complex::default());
        // Lengths fit by construction, which is all that can go wrong.
        let done = plan.process_with_scratch(samples, &mut bins, &mut self.scratch);
        debug_assert!(done.is_ok());
        bins
    }

    /// The real signal of `length` samples whose [`Plans::transform`] is `bins`: the inverse, with 1/N.
    /// Bins beyond `length / 2` are dropped, missing ones are 0. Empty if `length` is 0.
    ///
    /// By way of the Hartley transform, which is its own inverse (R. N. Bracewell, J. Opt. Soc. Am. 73(12) 1983,
    /// 1832–1835): so the forward plan serves, and no second one is made.
    pub fn signal(&mut self, mut bins: Vec<Complex<f64>>, length: usize) -> Vec<f64> {
        if length == 0 {
            return Vec::new();
        }
        bins.resize(length / 2 + 1, Complex::default());
        // A real signal has no imaginary part at these two.
        bins[0].im = 0.0;
        if length.is_multiple_of(2) {
            bins[length / 2].im = 0.0;
        }
        let mut samples = Vec::with_capacity(length);
        hartley(&bins, &mut samples, length, 1.0);
        let plan = self.forward(length);
        self.scratch.resize(plan.get_scratch_len().max(self.scratch.len()), Complex::default());
        let done = plan.process_with_scratch(&mut samples, &mut bins, &mut self.scratch);
        debug_assert!(done.is_ok());
        hartley(&bins, &mut samples, length, 1.0 / length as f64);
        samples
    }
}

/// Hartley's transform of `length` values out of Fourier's: real less imaginary part, of half a spectrum for the whole.
fn hartley(bins: &[Complex<f64>], out: &mut Vec<f64>, length: usize, scale: f64) {
    out.clear();
    out.extend(bins.iter().map(|bin| (bin.re - bin.im) * scale));
    let mirrored = bins.get(1..length - length / 2).unwrap_or_default();
    out.extend(mirrored.iter().rev().map(|bin| (bin.re + bin.im) * scale));
}

/// The Hann window, its cosine by a turning phasor that is put right every [`ANCHOR`] samples.
fn hann(length: usize) -> Vec<f64> {
    let angle = TAU / length as f64;
    let turn = Complex::cis(angle);
    let mut window = Vec::with_capacity(length);
    for begin in (0..length).step_by(ANCHOR) {
        let mut phasor = Complex::cis(angle * (begin as f64 + 0.5));
        for _ in begin..length.min(begin + ANCHOR) {
            window.push(0.5 - 0.5 * phasor.re);
            phasor *= turn;
        }
    }
    window
}

/// The smallest length of the form 2ᵃ·3ᵇ·5ᶜ, even, that is at least `length`: fast to transform.
#[must_use]
pub fn fast_length(length: usize) -> usize {
    let length = length.max(2);
    let mut best = length.next_power_of_two();
    let mut fives = 1usize;
    while fives < best {
        let mut threes = fives;
        while threes < best {
            let mut n = 2 * threes;
            while n < length {
                n *= 2;
            }
            best = best.min(n);
            threes *= 3;
        }
        fives *= 5;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_lengths_are_even_smooth_and_not_too_small() {
        for n in [0, 1, 2, 3, 7, 97, 1000, 18_240, 480_001, 662_000] {
            let m = fast_length(n);
            let mut rest = m;
            for p in [2, 3, 5] {
                while rest.is_multiple_of(p) {
                    rest /= p;
                }
            }
            assert!(m >= n && m.is_multiple_of(2) && rest == 1 && m <= (n.max(2) * 2), "{n} {m}");
        }
    }

    #[test]
    fn the_window_is_hanns() {
        for length in [1usize, 2, 63, 64, 65, 18_240] {
            let window = Plans::default().hann(length);
            assert_eq!(window.len(), length);
            for (n, w) in window.iter().enumerate() {
                let direct = 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / length as f64).cos();
                // 64 turns, ε each.
                assert!((w - direct).abs() < 3e-14, "{length} {n}");
            }
        }
    }

    #[test]
    fn there_and_back_is_the_same_signal() {
        let mut plans = Plans::default();
        for length in [1, 2, 5, 30, 1000] {
            let x: Vec<f64> = (0..length).map(|n| ((n * n) as f64 * 0.37).sin()).collect();
            let bins = plans.transform(&mut x.clone());
            let back = plans.signal(bins, length);
            for (a, b) in x.iter().zip(&back) {
                // Rounding of a few hundred operations on values up to 1.
                assert!((a - b).abs() < 1e-13, "{length}: {a} {b}");
            }
        }
        assert!(plans.signal(Vec::new(), 0).is_empty());
    }
}
