//! Periodic waves as harmonic series, so that nothing folds over at half the sample rate
//! (reference.md §1: clipping samples instead puts false lines on the harmonics).

use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// One harmonic: order, amplitude (peak, signed) and phase in radians of `a cos(n ω t + φ)`.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// 1 is the fundamental.
    pub order: u32,
    /// Peak.
    pub amplitude: f64,
    /// Radians.
    pub phase: f64,
}

impl Line {
    fn cosine(order: u32, amplitude: f64) -> Self {
        Self { order, amplitude, phase: 0.0 }
    }
}

/// The highest order that any series here is asked for: 20 Hz below half of 192 kHz at 300 Hz.
pub const MANY: u32 = 320;

/// Symmetric hard clip of `cos t` at ±c (reference.md §1).
pub fn symmetric_clip(c: f64) -> Vec<Line> {
    let a = c.asin();
    (1..=MANY)
        .step_by(2)
        .map(|n| {
            let k = f64::from(n);
            let b = if n == 1 {
                2.0 / PI * (a + c * (1.0 - c * c).sqrt())
            } else {
                2.0 / PI * (((k - 1.0) * a).sin() / (k * (k - 1.0)) + ((k + 1.0) * a).sin() / (k * (k + 1.0)))
            };
            // From sin n t to cos n t: the sign turns for n = 3, 7, 11, …
            Line::cosine(n, if n % 4 == 1 { b } else { -b })
        })
        .collect()
}

/// `min(cos t, c)`: lines and DC (reference.md §1).
pub fn one_sided_clip(c: f64) -> (Vec<Line>, f64) {
    let beta = c.acos();
    let lines = (1..=MANY)
        .map(|n| {
            let k = f64::from(n);
            let removed = if n == 1 {
                (beta - beta.sin() * beta.cos()) / PI
            } else {
                2.0 * ((k * beta).sin() * beta.cos() - k * (k * beta).cos() * beta.sin())
                    / (PI * k * (k * k - 1.0))
            };
            Line::cosine(n, if n == 1 { 1.0 - removed } else { -removed })
        })
        .collect();
    (lines, -(beta.sin() - beta * beta.cos()) / PI)
}

/// ±1 square wave, even about its crest.
pub fn square() -> Vec<Line> {
    odd(|k| 4.0 / (PI * k), true)
}

/// ±1 triangle, crest at t = 0.
pub fn triangle() -> Vec<Line> {
    odd(|k| 8.0 / (PI * k).powi(2), false)
}

fn odd(amplitude: impl Fn(f64) -> f64, alternating: bool) -> Vec<Line> {
    (1..=MANY)
        .step_by(2)
        .map(|n| {
            let sign = if alternating && n % 4 == 3 { -1.0 } else { 1.0 };
            Line::cosine(n, sign * amplitude(f64::from(n)))
        })
        .collect()
}

/// ±1 sawtooth: a sum of sines of one sign.
pub fn sawtooth() -> Vec<Line> {
    (1..=MANY).map(|n| Line { order: n, amplitude: 2.0 / (PI * f64::from(n)), phase: -FRAC_PI_2 }).collect()
}

/// `max(cos t, 0)`: lines and DC.
pub fn half_wave() -> (Vec<Line>, f64) {
    let mut lines = vec![Line::cosine(1, 0.5)];
    for k in 1..=MANY / 2 {
        let sign = if k % 2 == 1 { 1.0 } else { -1.0 };
        lines.push(Line::cosine(2 * k, sign * 2.0 / (PI * (4.0 * f64::from(k).powi(2) - 1.0))));
    }
    (lines, 1.0 / PI)
}

/// `|sin(t/2)|`: its own fundamental is t's; lines and DC.
pub fn full_wave() -> (Vec<Line>, f64) {
    let lines =
        (1..=MANY).map(|k| Line::cosine(k, -4.0 / (PI * (4.0 * f64::from(k).powi(2) - 1.0)))).collect();
    (lines, 2.0 / PI)
}

/// Any curve of `cos t`: its cosine series by the trapezoid rule, which converges faster than any power
/// for a smooth periodic function (4096 points carry far more than the orders asked for).
pub fn of_curve(curve: impl Fn(f64) -> f64, orders: u32) -> Vec<Line> {
    let points = 4096;
    let values: Vec<f64> = (0..points).map(|k| curve((TAU * f64::from(k) / 4096.0).cos())).collect();
    (1..=orders)
        .map(|n| {
            let sum: f64 = values
                .iter()
                .enumerate()
                .map(|(k, v)| v * (TAU * f64::from(n) * k as f64 / 4096.0).cos())
                .sum();
            Line::cosine(n, 2.0 * sum / 4096.0)
        })
        .collect()
}

/// A recording of a wave: gain, fundamental in Hz, phase of the fundamental's argument at t = 0, DC of the wave.
#[derive(Debug, Clone)]
pub struct Wave {
    /// The series at gain 1.
    pub lines: Vec<Line>,
    /// Mean at gain 1.
    pub dc: f64,
    /// Factor on everything; a negative one inverts.
    pub gain: f64,
    /// Fundamental.
    pub frequency_hz: f64,
    /// Radians by which the fundamental's argument leads at the first sample.
    pub lead: f64,
}

impl Wave {
    /// Samples of this wave: all lines below half the rate.
    pub fn samples(&self, rate: u32, seconds: f64) -> Vec<f64> {
        let count = (seconds * f64::from(rate)) as usize;
        let mut out = vec![self.gain * self.dc; count];
        for line in &self.lines {
            let hz = self.frequency_hz * f64::from(line.order);
            if hz >= 0.499 * f64::from(rate) || line.amplitude == 0.0 {
                continue;
            }
            let phase = line.phase + f64::from(line.order) * self.lead;
            for (k, value) in out.iter_mut().enumerate() {
                // The cycles are reduced before the cosine, so that a long file loses no digits.
                let cycles = (hz * k as f64 / f64::from(rate)).fract();
                *value += self.gain * line.amplitude * (TAU * cycles + phase).cos();
            }
        }
        out
    }

    /// Amplitude of one harmonic re the fundamental.
    pub fn ratio(&self, order: u32) -> f64 {
        self.amplitude(order) / self.amplitude(1)
    }

    fn amplitude(&self, order: u32) -> f64 {
        self.lines.iter().filter(|l| l.order == order).map(|l| l.amplitude.abs()).sum()
    }

    /// θₙ in degrees (the convention of reference.md §1), of the wave as recorded.
    pub fn theta(&self, order: u32) -> f64 {
        let phi = |n: u32| {
            let line = self.lines.iter().find(|l| l.order == n).unwrap();
            let turned = if line.amplitude * self.gain < 0.0 { PI } else { 0.0 };
            line.phase + turned + f64::from(n) * self.lead
        };
        (phi(order) - f64::from(order) * phi(1)).to_degrees()
    }

    /// THD re the fundamental over the orders 2..=last.
    pub fn thd(&self, last: u32) -> f64 {
        (2..=last).map(|n| self.ratio(n).powi(2)).sum::<f64>().sqrt()
    }
}
