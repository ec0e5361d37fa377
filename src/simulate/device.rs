//! What stands between player and recorder: anything that turns a block of input into output.
//!
//! The devices of this file have closed forms (reference §1), so that tests know what to expect.

use std::f64::consts::TAU;

/// Something under test.
pub trait Device {
    /// Replaces input by output, in place. Blocks follow each other without a gap; `rate_hz` is the
    /// rate of the samples (well above the recorder's) and stays the same during a take.
    fn process(&mut self, block: &mut [f64], rate_hz: f64);
}

/// Multiplies by a constant; `Gain(1.0)` is a wire, for loopback.
#[derive(Debug, Clone, Copy)]
pub struct Gain(pub f64);

impl Device for Gain {
    fn process(&mut self, block: &mut [f64], _rate_hz: f64) {
        block.iter_mut().for_each(|x| *x *= self.0);
    }
}

/// c₁x + c₂x² + c₃x³ + …; the first element is c₁.
#[derive(Debug, Clone)]
pub struct Polynomial(pub Vec<f64>);

impl Device for Polynomial {
    fn process(&mut self, block: &mut [f64], _rate_hz: f64) {
        for x in block {
            *x *= self.0.iter().rev().fold(0.0, |sum, c| sum * *x + c);
        }
    }
}

/// Cuts everything beyond `low` and `high`; infinite limits cut nothing.
#[derive(Debug, Clone, Copy)]
pub struct HardClip {
    /// Lowest value that passes.
    pub low: f64,
    /// Highest value that passes.
    pub high: f64,
}

impl HardClip {
    /// The same limit on both sides.
    #[must_use]
    pub fn symmetric(limit: f64) -> Self {
        Self { low: -limit, high: limit }
    }

    /// A limit on the positive side only.
    #[must_use]
    pub fn one_sided(limit: f64) -> Self {
        Self { low: f64::NEG_INFINITY, high: limit }
    }
}

impl Device for HardClip {
    fn process(&mut self, block: &mut [f64], _rate_hz: f64) {
        block.iter_mut().for_each(|x| *x = x.max(self.low).min(self.high));
    }
}

/// tanh(g x).
#[derive(Debug, Clone, Copy)]
pub struct Tanh(pub f64);

impl Device for Tanh {
    fn process(&mut self, block: &mut [f64], _rate_hz: f64) {
        block.iter_mut().for_each(|x| *x = (self.0 * *x).tanh());
    }
}

/// Pass band: first order at the low end, second order (maximally flat) at the high end.
#[derive(Debug, Clone, Copy)]
pub struct Band {
    low_hz: f64,
    high_hz: f64,
    low_state: f64,
    high_state: [f64; 2],
}

impl Band {
    /// From one −3 dB point to the other, in Hz.
    #[must_use]
    pub fn new(low_hz: f64, high_hz: f64) -> Self {
        Self { low_hz, high_hz, low_state: 0.0, high_state: [0.0; 2] }
    }
}

impl Device for Band {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        // Trapezoidal state-variable form with pre-warped corners, so the −3 dB points are exact (textbook).
        let g_low = (TAU * self.low_hz / rate_hz / 2.0).tan();
        let g = (TAU * self.high_hz / rate_hz / 2.0).tan();
        let damping = std::f64::consts::SQRT_2;
        for x in block {
            let step = (*x - self.low_state) * g_low / (1.0 + g_low);
            let slow = self.low_state + step;
            self.low_state = slow + step;
            let input = *x - slow;
            let [s1, s2] = self.high_state;
            let band = (g * (input - s2) + s1) / (1.0 + g * (g + damping));
            let low = s2 + g * band;
            self.high_state = [2.0 * band - s1, 2.0 * low - s2];
            *x = low;
        }
    }
}

/// Gain that ripples like that of an amp on a poorly smoothed supply: x (1 + depth · sin 2πft).
#[derive(Debug, Clone, Copy)]
pub struct Ripple {
    /// Frequency of the ripple.
    pub frequency_hz: f64,
    /// Peak of the gain's relative change.
    pub depth: f64,
    /// Where in its cycle the ripple is, 0 to 1.
    pub cycles: f64,
}

impl Device for Ripple {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        for x in block {
            *x *= 1.0 + self.depth * (TAU * self.cycles).sin();
            self.cycles = (self.cycles + self.frequency_hz / rate_hz).fract();
        }
    }
}

/// One device after the other.
pub struct Chain(pub Vec<Box<dyn Device>>);

impl Device for Chain {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        for device in &mut self.0 {
            device.process(block, rate_hz);
        }
    }
}
