//! The player and the recorder round a device: clocks, latency, gain, noise, hum, rounding.

use super::decimate::Decimator;
use super::device::Device;
use super::noise::{Hum, White};
use crate::signals::{Identity, Plan, Player};

/// Samples of the simulation's rate that are worked on at a time.
const BLOCK: usize = 2048;

/// How a take is played and recorded. The default is perfect: no drift, no noise, no rounding.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorder {
    /// The recorder's sample rate.
    pub rate_hz: u32,
    /// How much faster the simulation runs than the recorder: 1, 2, 4 or 8. Harmonics beyond half of
    /// that rate fold; 4 is enough for smooth devices, 8 for hard clipping.
    pub oversample: usize,
    /// Programme time is `r (recorded time − latency)` with `r = 1 + clock_ppm · 10⁻⁶` (methods §0.1).
    pub clock_ppm: f64,
    /// Recorded time at which the programme begins; negative if the recording was started late.
    pub latency_seconds: f64,
    /// How long the recording goes on after the programme's end; negative if it was stopped early.
    pub tail_seconds: f64,
    /// Device input (volts, or whatever it takes) for a programme value of 1.
    pub drive_per_unit: f64,
    /// Sample value for one unit (volt) of device output; negative if the recorder inverts.
    pub units_per_output: f64,
    /// RMS of the recorder's white noise, in sample units.
    pub noise_rms: f64,
    /// Hum that reaches the recorder's input.
    pub hum: Option<Hum>,
    /// Offset of the recorder's converter, in sample units.
    pub dc: f64,
    /// Rounds to this many bits with triangular dither; `None` leaves the values as they are.
    pub bits: Option<u32>,
    /// What the programme says of itself; `None` says the plan's own identity.
    pub identity: Option<Identity>,
    /// Seed of noise, hum phases and dither.
    pub seed: u64,
}

impl Default for Recorder {
    fn default() -> Self {
        Self {
            rate_hz: 48_000,
            oversample: 4,
            clock_ppm: 0.0,
            latency_seconds: 0.0,
            tail_seconds: 0.0,
            drive_per_unit: 1.0,
            units_per_output: 1.0,
            noise_rms: 0.0,
            hum: None,
            dc: 0.0,
            bits: None,
            identity: None,
            seed: 1,
        }
    }
}

/// Plays `plan` through `device` and records it: the rate and the samples of the take.
/// Values beyond ±1 are clipped, as a converter does.
#[must_use]
pub fn take(plan: &Plan, device: &mut dyn Device, recorder: &Recorder) -> (u32, Vec<f64>) {
    let own = Identity { plan: plan.identity(), part: plan.part };
    let player = Player::new(plan, recorder.identity.unwrap_or(own));
    let source = |block: &mut [f64], start: f64, step: f64| player.fill(block, start, step);
    (recorder.rate_hz, record(source, plan.length_seconds, device, recorder))
}

/// Records anything that is a function of time: `source(block, start, step)` fills a block with its
/// values at `start + k · step` seconds of its own clock.
#[must_use]
pub fn record(
    mut source: impl FnMut(&mut [f64], f64, f64),
    length_seconds: f64,
    device: &mut dyn Device,
    recorder: &Recorder,
) -> Vec<f64> {
    let mut decimator = Decimator::new(recorder.oversample);
    let rate_hz = f64::from(recorder.rate_hz) * decimator.factor() as f64;
    let ratio = 1.0 + recorder.clock_ppm * 1e-6;
    let seconds = length_seconds / ratio + recorder.latency_seconds + recorder.tail_seconds;
    let frames = (seconds * f64::from(recorder.rate_hz)).round().max(0.0) as usize;
    let step = ratio / rate_hz;
    // The filter's delay is taken out here, so that sample n of the recording is the moment n / rate.
    let begin = -ratio * recorder.latency_seconds - step * decimator.delay() as f64;
    let mut samples = Vec::with_capacity(frames + BLOCK);
    let mut block = vec![0.0; BLOCK];
    let mut played = 0;
    while samples.len() < frames {
        source(&mut block, begin + step * played as f64, step);
        played += BLOCK;
        block.iter_mut().for_each(|x| *x *= recorder.drive_per_unit);
        device.process(&mut block, rate_hz);
        decimator.process(&block, &mut samples);
    }
    samples.truncate(frames);
    convert(&mut samples, recorder);
    samples
}

/// What the recorder adds of its own.
fn convert(samples: &mut [f64], recorder: &Recorder) {
    let mut noise = White::new(recorder.seed);
    for x in samples.iter_mut() {
        *x = *x * recorder.units_per_output + recorder.dc;
        if recorder.noise_rms > 0.0 {
            *x += recorder.noise_rms * noise.value();
        }
    }
    if let Some(hum) = recorder.hum {
        hum.add(samples, f64::from(recorder.rate_hz), recorder.seed ^ 0x68_756d);
    }
    for x in samples.iter_mut() {
        if let Some(bits) = recorder.bits {
            let full = 2f64.powi(bits as i32 - 1);
            *x = ((*x * full + noise.uniform() - noise.uniform()).round()).min(full - 1.0) / full;
        }
        *x = x.clamp(-1.0, 1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::super::device::{Band, Gain, Polynomial};
    use super::*;
    use crate::signals::Choices;
    use std::f64::consts::TAU;

    #[test]
    fn a_wire_records_the_programme_at_drifted_instants() {
        let plan = Plan::short(&Choices::default());
        let recorder =
            Recorder { clock_ppm: 137.0, latency_seconds: 0.2345, tail_seconds: 0.5, ..Recorder::default() };
        let (rate_hz, samples) = take(&plan, &mut Gain(1.0), &recorder);
        let player = Player::new(&plan, Identity { plan: plan.identity(), part: 0 });
        let mut expected = vec![0.0; samples.len()];
        let r = 1.0 + 137e-6;
        player.fill(&mut expected, -0.2345 * r, r / f64::from(rate_hz));
        let worst = samples.iter().zip(&expected).fold(0.0f64, |m, (a, b)| m.max((a - b).abs()));
        // Band limit of the recorder: the sweep's last stretch (21.8 to 22 kHz) is in the filter's
        // transition, faded to under 3 % of its −6 dB peak there; the rest is filter ripple 1e-6.
        assert!(worst < 0.015, "{worst}");
        let before = plan.segment("sweep_low").map_or(0.0, |s| s.start_seconds) * 48_000.0;
        let worst = samples
            .iter()
            .zip(&expected)
            .take(before as usize)
            .fold(0.0f64, |m, (a, b)| m.max((a - b).abs()));
        // Ladder steps and identity chirps have corners (fades); what they hold over 21.8 kHz is tiny.
        assert!(worst < 1e-4, "{worst}");
    }

    #[test]
    fn a_polynomial_gives_its_closed_form_harmonics() {
        // reference §1: x + .01 x² + .005 x³ at A = 1 has H1 1.00375, H2 .005, H3 .00125.
        let tone = |block: &mut [f64], start: f64, step: f64| {
            for (k, x) in block.iter_mut().enumerate() {
                *x = (TAU * 1000.0 * (start + step * k as f64)).cos();
            }
        };
        let mut device = Polynomial(vec![1.0, 0.01, 0.005]);
        let recorder = Recorder { units_per_output: 0.5, ..Recorder::default() };
        let y = record(tone, 1.0, &mut device, &recorder);
        let line = |n: f64| {
            let sum: f64 = y.iter().enumerate().map(|(k, y)| y * (TAU * n * k as f64 / 48.0).cos()).sum();
            2.0 * sum / y.len() as f64 / 0.5
        };
        // Filter ripple 1e-6.
        for (n, expected) in [(1.0, 1.00375), (2.0, 0.005), (3.0, 0.00125)] {
            assert!((line(n) - expected).abs() < 2e-6, "H{n}: {}", line(n));
        }
    }

    #[test]
    fn a_band_is_three_decibels_down_at_its_ends() {
        for hz in [80.0, 8000.0] {
            let tone = |block: &mut [f64], start: f64, step: f64| {
                for (k, x) in block.iter_mut().enumerate() {
                    *x = (TAU * hz * (start + step * k as f64)).sin();
                }
            };
            let y = record(tone, 2.0, &mut Band::new(80.0, 8000.0), &Recorder::default());
            let settled = &y[48_000..96_000];
            let rms = (settled.iter().map(|y| y * y).sum::<f64>() / settled.len() as f64).sqrt();
            let gain_db = 20.0 * (rms * std::f64::consts::SQRT_2).log10();
            // The other end of the band adds under 0.01 dB.
            assert!((gain_db + 3.0103).abs() < 0.01, "{hz}: {gain_db}");
        }
    }

    #[test]
    fn rounding_adds_the_noise_of_its_bits_and_no_more() {
        let silence = |block: &mut [f64], _: f64, _: f64| block.fill(0.0);
        let recorder = Recorder { bits: Some(16), ..Recorder::default() };
        let y = record(silence, 2.0, &mut Gain(1.0), &recorder);
        let rms = (y.iter().map(|y| y * y).sum::<f64>() / y.len() as f64).sqrt();
        // Rounding q²/12 and triangular dither q²/6: q/2 in all; statistical error 1/√(2n) = 0.23 %.
        assert!((rms * 32_768.0 / 0.5 - 1.0).abs() < 0.01, "{rms}");
    }
}
