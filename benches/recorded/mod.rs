//! The take that all benches measure: the default programme through a curve that clips, with drift, noise and hum.

use std::path::Path;

use twinload::signals::{Choices, Plan};
use twinload::simulate::{Band, Chain, HardClip, Hum, Polynomial, Recorder, take};

/// Samples of a take with drift, noise and hum, and its plan.
pub fn samples(rate_hz: u32) -> (Plan, Vec<f64>) {
    let plan = Plan::programme(&Choices::default());
    let mut amp = Chain(vec![
        Box::new(Polynomial(vec![1.0, 0.05, -0.03])),
        Box::new(HardClip { low: -0.5, high: 0.4 }),
        Box::new(Band::new(80.0, 8000.0)),
    ]);
    let recorder = Recorder {
        rate_hz,
        clock_ppm: 37.0,
        latency_seconds: 0.5,
        tail_seconds: 1.0,
        noise_rms: 1e-4,
        hum: Some(Hum { mains_hz: 50.02, peak: 1e-3, lines: 12 }),
        bits: Some(24),
        ..Recorder::default()
    };
    let (_, samples) = take(&plan, &mut amp, &recorder);
    (plan, samples)
}

/// Writes one channel of 24-bit samples.
pub fn write_wav(path: &Path, samples: &[f64], rate_hz: u32) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for s in samples {
        writer.write_sample((s * 8_388_607.0).round() as i32).unwrap();
    }
    writer.finalize().unwrap();
}
