//! Good takes of simulated amps, and how they are judged.

use rayon::prelude::*;
use twinload::analyse::Options;
use twinload::check::{self, FileCheck};
use twinload::signals::{Choices, Plan};
use twinload::simulate::noise::White;
use twinload::simulate::{
    Band, Chain, Device, Gain, HardClip, Hum, Polynomial, Recorder, Recording, Tanh, heron, take,
};

/// An amp, without noise, played and recorded once; noise comes afresh with every take.
pub struct Amp {
    pub name: &'static str,
    pub rate_hz: u32,
    pub plan: Plan,
    samples: Vec<f64>,
}

/// The recording's latency.
pub const LATENCY_SECONDS: f64 = 0.4;

/// All simulated amps at 48 kHz; those of a closed form at 44.1 and 96 kHz too.
pub fn amps() -> Vec<Amp> {
    let mut all: Vec<(usize, u32)> = (0..7).map(|which| (which, 48_000)).collect();
    all.extend((0..5).flat_map(|which| [(which, 44_100), (which, 96_000)]));
    all.push((5, 44_100));
    all.into_par_iter().map(|(which, rate_hz)| amp(which, rate_hz)).collect()
}

pub fn amp(which: usize, rate_hz: u32) -> Amp {
    let through = |stage: Box<dyn Device>| Chain(vec![stage, Box::new(Band::new(70.0, 9_000.0))]);
    let valves = |circuit, controls| {
        let amp = twinload::simulate::Amp::new(&circuit, &controls, 8.0, 3);
        Chain(vec![Box::new(amp), Box::new(Gain(0.05))])
    };
    let (name, mut device, clock_ppm, drive) = match which {
        0 => ("soft", through(Box::new(Tanh(0.5))), 110.0, 1.0),
        1 => ("single-ended", through(Box::new(Polynomial(vec![0.8, 0.15, -0.08]))), -60.0, 1.0),
        2 => ("heavily clipped", through(Box::new(HardClip::symmetric(0.12))), 35.0, 1.0),
        3 => ("one-sided", through(Box::new(HardClip::one_sided(0.3))), -140.0, 1.0),
        4 => ("wire", Chain(vec![Box::new(Gain(0.7))]), 5.0, 1.0),
        5 => ("valves, full", valves(heron::as_drawn(), heron::FULL), 38.0, heron::DRIVE_VOLTS_PER_UNIT),
        _ => ("valves, noon", valves(heron::rework(), heron::NOON), -38.0, heron::DRIVE_VOLTS_PER_UNIT),
    };
    let plan = Plan::short(&Choices::default());
    let recorder = Recorder {
        rate_hz,
        clock_ppm,
        drive_per_unit: drive,
        // Never near the end of the virtual converter: the level is set afterwards.
        units_per_output: 0.2,
        latency_seconds: LATENCY_SECONDS,
        tail_seconds: 0.3,
        ..Recorder::default()
    };
    let (_, samples) = take(&plan, &mut device, &recorder);
    assert!(samples.iter().all(|x| x.abs() < 0.99), "{name} is clipped by its recorder");
    Amp { name, rate_hz, samples, plan }
}

impl Amp {
    /// A take with its own noise, hum, level and polarity, not yet rounded.
    pub fn take(&self, seed: u64) -> Recording {
        let mut random = White::new(seed);
        // Loudest sample 0.3 to 0.9 of full scale, noise −90 to −74 dBFS, hum −70 to −55.
        let peak = self.samples.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        let sign = if seed % 4 < 2 { 1.0 } else { -1.0 };
        let gain = sign * (0.3 + 0.6 * random.uniform()) / peak;
        let noise = 10f64.powf((-93.0 + 16.0 * random.uniform()) / 20.0);
        let mut samples: Vec<f64> = self.samples.iter().map(|x| x * gain + noise * random.value()).collect();
        let hum = Hum {
            mains_hz: if seed.is_multiple_of(2) { 49.97 } else { 60.03 },
            peak: 10f64.powf((-70.0 + 15.0 * random.uniform()) / 20.0),
            lines: 12,
        };
        hum.add(&mut samples, f64::from(self.rate_hz), seed);
        Recording::mono(self.rate_hz, samples)
    }

    /// Seconds of the recording at which a place of the plan stands.
    pub fn at(&self, segment: &str, seconds: f64) -> f64 {
        LATENCY_SECONDS + self.plan.segment(segment).unwrap().start_seconds + seconds
    }
}

/// Writes a recording as WAV of so many bits, rounded with dither.
pub fn write(recording: &Recording, seed: u64, bits: u16, path: &std::path::Path) {
    let spec = hound::WavSpec {
        channels: u16::try_from(recording.channels.len()).unwrap(),
        sample_rate: recording.rate_hz,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut random = White::new(seed ^ 0xd17e);
    let full = 2f64.powi(i32::from(bits) - 1);
    for n in 0..recording.channels[0].len() {
        for channel in &recording.channels {
            let dither = random.uniform() - random.uniform();
            let x = channel[n] * full;
            // Exact values stay: dither would be the recorder's, not the fault's.
            let x = if x.fract() == 0.0 { x } else { x + dither };
            writer.write_sample(x.round().clamp(-full, full - 1.0) as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// The check of a recording.
pub fn judged(recording: &Recording, seed: u64, bits: u16) -> FileCheck {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("take.wav");
    write(recording, seed, bits, &path);
    check::file(&path, &Options::default())
}

pub fn said(check: &FileCheck) -> Vec<String> {
    let mut said: Vec<String> = check.findings.iter().map(|f| format!("{} {}", f.code, f.saw)).collect();
    said.extend(check.failure.clone());
    said
}
