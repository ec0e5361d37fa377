//! From the simulation's rate down to the recorder's, by half-band filters.
//!
//! Everything up to 0.454 of the recorder's rate (20 kHz at 44.1) passes; what would fold back into
//! that band is held down by [`STOP_DB`].

use std::f64::consts::PI;

/// Attenuation of what folds into the pass band. Well under the last bit of 24 (−144 dB re full scale)
/// for anything that is not itself near full scale up there.
pub const STOP_DB: f64 = 130.0;
/// Upper end of the pass band as a fraction of the recorder's rate.
pub const PASS: f64 = 0.454;

/// Halves the rate.
struct HalfBand {
    /// Taps at odd distance from the centre, whole (both sides); all others are 0 but the centre's ½.
    side: Vec<f64>,
    /// Samples at even and odd places that are still needed.
    even: Vec<f64>,
    odd: Vec<f64>,
    next_is_odd: bool,
}

impl HalfBand {
    /// `pass`: upper end of the pass band as a fraction of the rate that goes in.
    fn new(pass: f64) -> Self {
        // Kaiser's design (IEEE ISCAS 1974; formulas from memory, checked by the test on the response).
        // It is an estimate: 2 dB more are asked for.
        let transition = 0.5 - 2.0 * pass;
        let beta = 0.1102 * (STOP_DB + 2.0 - 8.7);
        let taps = (STOP_DB + 2.0 - 7.95) / (14.36 * transition);
        let arm = ((taps / 4.0).ceil() as usize).max(2);
        let reach = 2.0 * arm as f64;
        let side = (0..2 * arm)
            .map(|k| {
                let distance = 2.0 * k as f64 - reach + 1.0;
                let window = bessel_i0(beta * (1.0 - (distance / reach).powi(2)).sqrt()) / bessel_i0(beta);
                (PI * distance / 2.0).sin() / (PI * distance) * window
            })
            .collect();
        Self { side, even: Vec::new(), odd: Vec::new(), next_is_odd: false }
    }

    /// Delay in samples of the rate that goes in.
    fn delay(&self) -> usize {
        self.side.len() - 1
    }

    fn process(&mut self, input: &[f64], output: &mut Vec<f64>) {
        for &x in input {
            if self.next_is_odd {
                self.odd.push(x);
            } else {
                self.even.push(x);
            }
            self.next_is_odd = !self.next_is_odd;
        }
        // First sample (even place 0) is the filter's first tap, so the centre lies at an odd place.
        let taps = self.side.len();
        let ready =
            (self.even.len() + 1).saturating_sub(taps).min((self.odd.len() + 1).saturating_sub(taps / 2));
        for (window, centre) in self.even.windows(taps).zip(self.odd.iter().skip(taps / 2 - 1)).take(ready) {
            output.push(0.5 * centre + dot(window, &self.side));
        }
        self.even.drain(..ready);
        self.odd.drain(..ready);
    }
}

/// Dot product in eight lanes, which the compiler can do side by side.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for ((lane, x), y) in lanes.iter_mut().zip(x).zip(y) {
            *lane += x * y;
        }
    }
    lanes.iter().sum::<f64>() + rest
}

/// Modified Bessel function of the first kind, order 0, by its series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..100 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

/// Brings a stream of blocks down to the recorder's rate.
pub struct Decimator {
    stages: Vec<HalfBand>,
    between: [Vec<f64>; 2],
}

impl Decimator {
    /// Divides the rate by `factor`, rounded down to a power of two.
    #[must_use]
    pub fn new(factor: usize) -> Self {
        let halvings = factor.max(1).ilog2();
        let stages = (1..=halvings).rev().map(|k| HalfBand::new(PASS / f64::from(1u32 << k))).collect();
        Self { stages, between: [Vec::new(), Vec::new()] }
    }

    /// What is really divided by.
    #[must_use]
    pub fn factor(&self) -> usize {
        1 << self.stages.len()
    }

    /// Delay in samples of the rate that goes in: output `m` is the input round `m · factor + delay`.
    #[must_use]
    pub fn delay(&self) -> usize {
        self.stages.iter().enumerate().map(|(k, stage)| stage.delay() << k).sum()
    }

    /// Appends to `output` whatever becomes ready with this block.
    pub fn process(&mut self, block: &[f64], output: &mut Vec<f64>) {
        let [now, next] = &mut self.between;
        now.clear();
        now.extend_from_slice(block);
        for stage in &mut self.stages {
            next.clear();
            stage.process(now, next);
            std::mem::swap(now, next);
        }
        output.extend_from_slice(now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Peak of what comes out at a tone of this frequency (a fraction of the recorder's rate).
    fn response(factor: usize, fraction: f64) -> f64 {
        let mut decimator = Decimator::new(factor);
        let mut out = Vec::new();
        for block in 0..64 {
            let x: Vec<f64> = (0..512)
                .map(|k| (TAU * fraction / factor as f64 * f64::from(block * 512 + k)).cos())
                .collect();
            decimator.process(&x, &mut out);
        }
        let settled = &out[64..out.len() - 64];
        let re: f64 = settled.iter().enumerate().map(|(k, y)| y * (TAU * fraction * k as f64).cos()).sum();
        let im: f64 = settled.iter().enumerate().map(|(k, y)| y * (TAU * fraction * k as f64).sin()).sum();
        // The same sum folds a stop-band tone to its alias, so it is a bound for both bands.
        let n = settled.len() as f64;
        (2.0 * re / n).hypot(2.0 * im / n)
    }

    #[test]
    fn the_pass_band_is_flat_and_what_folds_into_it_is_gone() {
        for factor in [2, 4, 8] {
            for fraction in [0.0213, 0.25037, 0.4531] {
                let gain = response(factor, fraction);
                // Finite sum over a cosine: error about 1/(4 n · distance to 0 and ½), n ≥ 1900.
                assert!((gain - 1.0).abs() < 3e-3, "factor {factor}, {fraction}: {gain}");
            }
            let nyquist = factor as f64 / 2.0;
            for fraction in [0.5461, 0.75, 0.979, 1.2, 1.9, 2.7, 3.9] {
                if fraction < nyquist {
                    let gain = 20.0 * response(factor, fraction).log10();
                    assert!(gain < -STOP_DB, "factor {factor}, {fraction}: {gain} dB");
                }
            }
        }
    }

    #[test]
    fn blocks_and_delay_keep_time() {
        for factor in [1, 2, 4, 8] {
            let tone = |t: f64| (TAU * 0.11 * t).sin();
            let mut decimator = Decimator::new(factor);
            let delay = decimator.delay() as f64;
            let x: Vec<f64> = (0..40_000).map(|k| tone((f64::from(k) - delay) / factor as f64)).collect();
            let mut out = Vec::new();
            x.chunks(977).for_each(|block| decimator.process(block, &mut out));
            assert!(out.len() > 4000);
            for (m, y) in out.iter().enumerate() {
                // Pass-band ripple is 10^(−130/20) = 3e-7 a stage.
                assert!((y - tone(m as f64)).abs() < 2e-6, "factor {factor}, sample {m}: {y}");
            }
        }
    }
}
