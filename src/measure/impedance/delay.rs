//! The delay between two takes, found from their levels.
//!
//! Each response's phase is told less its mean delay, since a recording's latency is not known; the delay of one take
//! re the other is lost with it, and an inductance looks like one. But ρ = (R₂/R₁)(Z + R₁)/(Z + R₂) of an impedance
//! that only takes up power has no zero and no pole where it could hide a delay, so its phase follows from its size at
//! all frequencies (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945: from memory). The size beyond
//! the band is not known: a resistance and an inductance in series, of which everything is known, are taken out
//! before, so that hardly anything is left there.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use super::Ratio;

/// Where the phases are compared, in two halves.
const BAND_HZ: [f64; 3] = [300.0, 1000.0, 3000.0];
/// The inductance is read from the highest ratios that are known as well as this.
const KNOWN: f64 = 0.003;
/// Points that its reading is the mean of: a third of an octave.
const MEAN_OF: usize = 16;

/// Seconds by which the second take's phase must be turned on.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Delay {
    pub seconds: f64,
    /// By how much the two halves of the band differ about it.
    pub half_seconds: f64,
}

/// Zero where there is too little to tell.
pub(super) fn between(ratios: &[Ratio], [first_ohms, second_ohms]: [f64; 2]) -> Delay {
    let usable = ratios.iter().all(|r| r.size > 0.0 && r.size.is_finite() && r.phase.is_finite());
    let Some(model) = series(ratios, first_ohms, second_ohms).filter(|_| usable) else {
        return Delay::default();
    };
    let through = |r: &Ratio| {
        let z = Complex::new(model.0, TAU * r.frequency_hz * model.1);
        (z + first_ohms) * second_ohms / ((z + second_ohms) * first_ohms)
    };
    let known: Vec<Complex<f64>> = ratios.iter().map(through).collect();
    // What the model leaves of the size, as its steps over the logarithm of frequency.
    let left: Vec<f64> = ratios.iter().zip(&known).map(|(r, k)| (r.size / k.norm()).ln()).collect();
    let steps: Vec<(f64, f64)> = (ratios.windows(2).zip(left.windows(2)))
        .filter_map(|pair| match pair {
            ([a, b], [from, to]) => Some((0.5 * (a.frequency_hz * b.frequency_hz).ln(), to - from)),
            _ => None,
        })
        .collect();
    let phase = |hz: f64| -> f64 {
        let here = hz.ln();
        steps.iter().map(|(at, step)| step * (1.0 / (0.5 * (at - here).abs()).tanh()).ln()).sum::<f64>() / PI
    };
    let slope = |from_hz: f64, to_hz: f64| -> f64 {
        let (mut over, mut under) = (0.0, 0.0);
        for (r, known) in ratios.iter().zip(&known) {
            if (from_hz..=to_hz).contains(&r.frequency_hz) {
                let missing = known.arg() + phase(r.frequency_hz) - r.phase;
                // A point of the grid stands for a stretch as long as its frequency.
                over += r.frequency_hz * r.frequency_hz * missing;
                under += TAU * r.frequency_hz.powi(3);
            }
        }
        if under > 0.0 { over / under } else { 0.0 }
    };
    let [low, middle, high] = BAND_HZ;
    let halves = [slope(low, middle), slope(middle, high)];
    Delay { seconds: slope(low, high), half_seconds: (halves[0] - halves[1]).abs() }
}

/// Resistance and inductance whose ratio has the sizes seen at 300 Hz to 1 kHz and at the top of the band.
fn series(ratios: &[Ratio], first_ohms: f64, second_ohms: f64) -> Option<(f64, f64)> {
    let [low, middle, _] = BAND_HZ;
    let inside: Vec<f64> =
        ratios.iter().filter(|r| (low..=middle).contains(&r.frequency_hz)).map(|r| r.size).collect();
    let size = inside.iter().sum::<f64>() / inside.len().max(1) as f64;
    let ohms = super::from_ratio(first_ohms, second_ohms, Complex::from(size)).re.max(0.0);
    let top: Vec<&Ratio> = ratios
        .iter()
        .rev()
        .filter(|r| r.relative_sd < KNOWN && r.frequency_hz > middle)
        .take(MEAN_OF)
        .collect();
    let count = top.len().max(1) as f64;
    let size = top.iter().map(|r| r.size).sum::<f64>() / count;
    let hz = top.iter().map(|r| r.frequency_hz).sum::<f64>() / count;
    // |ρ R₁/R₂|² = ((R + R₁)² + X²)/((R + R₂)² + X²)
    let share = (size * first_ohms / second_ohms).powi(2);
    let squared = (share * (ohms + second_ohms).powi(2) - (ohms + first_ohms).powi(2)) / (1.0 - share);
    let henries = if squared > 0.0 && hz > 0.0 { squared.sqrt() / (TAU * hz) } else { 0.0 };
    (ohms.is_finite() && henries.is_finite()).then_some((ohms, henries))
}
