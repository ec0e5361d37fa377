//! Channels that hold the same: a copy, a sum to mono, one with its sign turned.

use crate::finding::{Finding, Severity};
use crate::units;

/// Channels compared with the first one.
const MOST: usize = 16;
/// What may be left, of the power, after one channel is taken from the other: −80 dB. Two converters
/// on one signal differ by more than their noise; a copy differs by rounding only.
const LEFT: f64 = 1e-8;

/// Sums over each pair of the first channel and another.
pub(super) struct Pairs {
    channels: usize,
    frames: f64,
    sums: Vec<f64>,
    squares: Vec<f64>,
    products: Vec<f64>,
}

impl Pairs {
    pub(super) fn new(channels: usize) -> Self {
        let compared = channels.min(MOST);
        Self {
            channels,
            frames: 0.0,
            sums: vec![0.0; compared],
            squares: vec![0.0; compared],
            products: vec![0.0; compared],
        }
    }

    pub(super) fn feed(&mut self, block: &[f64]) {
        for frame in block.chunks_exact(self.channels.max(1)) {
            let first = frame.first().copied().unwrap_or(0.0);
            self.frames += 1.0;
            let sums = self.sums.iter_mut().zip(&mut self.squares).zip(&mut self.products);
            for (((sum, square), product), &x) in sums.zip(frame) {
                *sum += x;
                *square += x * x;
                *product += x * first;
            }
        }
    }

    pub(super) fn findings(&self, rms: &[f64]) -> Vec<Finding> {
        let [first, ..] = self.sums.as_slice() else { return Vec::new() };
        let mean = |sum: f64| sum / self.frames;
        let power = |k: usize| mean(self.squares[k]) - mean(self.sums[k]).powi(2);
        let mut findings = Vec::new();
        for k in 1..self.sums.len() {
            let live = |k: usize| rms.get(k).is_some_and(|&r| r > 1e-6);
            if !live(0) || !live(k) {
                continue;
            }
            let (a, b) = (power(0), power(k));
            let both = mean(self.products[k]) - mean(self.sums[k]) * mean(*first);
            let left = 1.0 - both * both / (a * b);
            // Rounding of 16 bits is no difference: its power is about 2e-10.
            let limit = (1e-9 / a.min(b)).clamp(LEFT, 1e-6);
            let same = left < limit;
            if !same {
                continue;
            }
            let gain = both / a;
            let gain_db = units::db(gain.abs());
            let other = k + 1;
            let (code, saw) = match (gain < 0.0, gain_db.abs() < 0.01) {
                (true, true) => {
                    ("channel_inverted", format!("channel {other} is channel 1 with the sign turned"))
                }
                (true, false) => (
                    "channel_inverted",
                    format!("channel {other} is channel 1 with the sign turned and {gain_db:+.2} dB"),
                ),
                (false, true) => ("channel_copied", format!("channel {other} is a copy of channel 1")),
                (false, false) => {
                    ("channel_copied", format!("channel {other} is a copy of channel 1 at {gain_db:+.2} dB"))
                }
            };
            findings.push(Finding::new(
                code,
                Severity::Note,
                saw,
                "both carry one signal; a drive channel beside the amp's would not",
                "if amp and drive were to be recorded side by side, switch off mono sum and check both cables",
            ));
        }
        findings
    }
}
