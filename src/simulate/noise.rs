//! Seeded noise and mains hum.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use realfft::num_complex::Complex;

/// White noise of RMS 1, nearly Gaussian: the sum of four uniform values, so never beyond ±3.47.
pub struct White(ChaCha8Rng);

impl White {
    /// The same seed gives the same noise.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// The next value.
    pub fn value(&mut self) -> f64 {
        // One 64-bit draw holds four 16-bit uniforms; each has variance 65536²/12.
        let bits = self.0.next_u64();
        let sum: u64 = (0..4).map(|k| bits >> (16 * k) & 0xffff).sum();
        (sum as f64 - 2.0 * 65_535.0) * (3.0f64.sqrt() / 65_536.0)
    }

    /// Two values at once, each the sum of two uniform ones (never beyond ±2.45): half the work, and
    /// near enough to Gaussian once a filter has added many of them up.
    pub fn pair(&mut self) -> [f64; 2] {
        let bits = self.0.next_u64();
        [0, 32].map(|shift| {
            let sum = (bits >> shift & 0xffff) + (bits >> (shift + 16) & 0xffff);
            (sum as f64 - 65_535.0) * (6.0f64.sqrt() / 65_536.0)
        })
    }

    /// A uniform value between 0 and 1.
    pub fn uniform(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 4_294_967_296.0
    }
}

/// Mains lines as a cable or a ground loop picks them up: line k has a peak in proportion to k^−1.1
/// (methods, "How the numbers were made") and a phase of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hum {
    /// Frequency of the mains.
    pub mains_hz: f64,
    /// Root of the sum of the squared peaks, re full scale.
    pub peak: f64,
    /// How many lines, from the first.
    pub lines: u32,
}

impl Hum {
    /// Adds the hum to `samples`, the first of which is at time 0.
    pub fn add(&self, samples: &mut [f64], rate_hz: f64, seed: u64) {
        let mut random = White::new(seed);
        let weights: Vec<f64> = (1..=self.lines).map(|k| f64::from(k).powf(-1.1)).collect();
        let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
        let lines: Vec<(f64, f64, f64)> = weights
            .iter()
            .zip(1..)
            .map(|(w, k)| (self.peak * w / norm, self.mains_hz * f64::from(k) / rate_hz, random.uniform()))
            .collect();
        for (block, samples) in samples.chunks_mut(ANCHOR).enumerate() {
            let first = (block * ANCHOR) as f64;
            for lines in lines.chunks(LANES) {
                // Places without a line hold 0.
                let line = |k: usize| lines.get(k).copied().unwrap_or_default();
                let mut phasors: [Complex<f64>; LANES] = std::array::from_fn(|k| {
                    let (peak, cycles, start) = line(k);
                    Complex::from_polar(peak, TAU * (cycles * first + start).fract())
                });
                let turns: [Complex<f64>; LANES] = std::array::from_fn(|k| Complex::cis(TAU * line(k).1));
                for x in samples.iter_mut() {
                    *x += phasors.iter().map(|phasor| phasor.re).sum::<f64>();
                    for (phasor, turn) in phasors.iter_mut().zip(&turns) {
                        *phasor *= turn;
                    }
                }
            }
        }
    }
}

/// Samples between two exact values of a turning phasor.
const ANCHOR: usize = 256;
/// Lines that turn side by side.
const LANES: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hum_is_the_sum_of_its_lines() {
        let hum = Hum { mains_hz: 50.03, peak: 0.1, lines: 6 };
        let mut samples = vec![0.25; 3000];
        hum.add(&mut samples, 48_000.0, 9);
        let mut random = White::new(9);
        let starts: Vec<f64> = (0..6).map(|_| random.uniform()).collect();
        let norm = (1..=6).map(|k| f64::from(k).powf(-2.2)).sum::<f64>().sqrt();
        for (n, x) in samples.iter().enumerate() {
            let line = |k: u32| {
                let cycles = 50.03 * f64::from(k) * n as f64 / 48_000.0 + starts[k as usize - 1];
                0.1 * f64::from(k).powf(-1.1) / norm * (TAU * cycles).cos()
            };
            // 256 turns, ε each.
            assert!((x - 0.25 - (1..=6).map(line).sum::<f64>()).abs() < 1e-14, "{n}");
        }
    }
}
