//! Seeded noise and mains hum.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

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
        for (n, x) in samples.iter_mut().enumerate() {
            *x += lines
                .iter()
                .map(|(peak, cycles, start)| peak * (TAU * (cycles * n as f64 + start).fract()).cos())
                .sum::<f64>();
        }
    }
}
