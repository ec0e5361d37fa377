//! Faults put into good takes at known places and strengths: how many are found, and how often
//! something is said of a good take. (docs/checks.md has the table of what can be told at all.)

// The rates are meant to be read: cargo test --test faults -- --nocapture
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

use std::collections::BTreeMap;

use rayon::prelude::*;
use twinload::analyse::Options;
use twinload::check::{self, FileCheck};
use twinload::finding::Fitness;
use twinload::signals::{Choices, Plan};
use twinload::simulate::noise::White;
use twinload::simulate::{
    Band, Chain, Device, Fault, Gain, HardClip, Hum, Polynomial, Recorder, Recording, Tanh, take,
};

const RATE_HZ: u32 = 48_000;

/// An amp, without noise, played and recorded once; noise comes afresh with every take.
struct Amp {
    name: &'static str,
    samples: Vec<f64>,
    plan: Plan,
}

fn amps() -> Vec<Amp> {
    (0..5).into_par_iter().map(amp).collect()
}

fn amp(which: usize) -> Amp {
    let through = |stage: Box<dyn Device>| Chain(vec![stage, Box::new(Band::new(70.0, 9_000.0))]);
    let (name, mut device, clock_ppm) = match which {
        0 => ("soft", through(Box::new(Tanh(0.5))), 110.0),
        1 => ("single-ended", through(Box::new(Polynomial(vec![0.8, 0.15, -0.08]))), -60.0),
        2 => ("heavily clipped", through(Box::new(HardClip::symmetric(0.12))), 35.0),
        3 => ("one-sided", through(Box::new(HardClip::one_sided(0.3))), -140.0),
        _ => ("wire", Chain(vec![Box::new(Gain(0.7))]), 5.0),
    };
    let plan = Plan::short(&Choices::default());
    let recorder = Recorder {
        rate_hz: RATE_HZ,
        clock_ppm,
        latency_seconds: 0.4,
        tail_seconds: 0.3,
        ..Recorder::default()
    };
    let (_, samples) = take(&plan, &mut device, &recorder);
    Amp { name, samples, plan }
}

impl Amp {
    /// A take with its own noise, hum and level, not yet rounded.
    fn take(&self, seed: u64) -> Recording {
        let mut random = White::new(seed);
        // Loudest sample 0.3 to 0.9 of full scale, noise −90 to −74 dBFS, hum −70 to −55.
        let peak = self.samples.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        let gain = (0.3 + 0.6 * random.uniform()) / peak;
        let noise = 10f64.powf((-93.0 + 16.0 * random.uniform()) / 20.0);
        let mut samples: Vec<f64> = self.samples.iter().map(|x| x * gain + noise * random.value()).collect();
        let hum = Hum {
            mains_hz: if seed.is_multiple_of(2) { 49.97 } else { 60.03 },
            peak: 10f64.powf((-70.0 + 15.0 * random.uniform()) / 20.0),
            lines: 12,
        };
        hum.add(&mut samples, f64::from(RATE_HZ), seed);
        Recording::mono(RATE_HZ, samples)
    }

    /// Seconds of the recording at which a place of the plan stands.
    fn at(&self, segment: &str, seconds: f64) -> f64 {
        0.4 + self.plan.segment(segment).unwrap().start_seconds + seconds
    }
}

/// Writes the recording as 24-bit WAV, rounded with dither, and checks it.
fn judged(recording: &Recording, seed: u64) -> FileCheck {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("take.wav");
    let spec = hound::WavSpec {
        channels: u16::try_from(recording.channels.len()).unwrap(),
        sample_rate: recording.rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    let mut random = White::new(seed ^ 0xd17e);
    for n in 0..recording.channels[0].len() {
        for channel in &recording.channels {
            let dither = random.uniform() - random.uniform();
            let x = channel[n] * 8_388_608.0;
            // Exact values of few bits stay: dither would be the recorder's, not the fault's.
            let x = if x.fract() == 0.0 { x } else { x + dither };
            writer.write_sample(x.round().clamp(-8_388_608.0, 8_388_607.0) as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    check::file(&path, &Options::default())
}

fn said(check: &FileCheck) -> Vec<String> {
    let mut said: Vec<String> = check.findings.iter().map(|f| format!("{} {}", f.code, f.saw)).collect();
    said.extend(check.failure.clone());
    said
}

#[test]
fn good_takes_are_fit_and_nothing_is_said_of_them() {
    let amps = amps();
    let takes: Vec<(usize, u64)> =
        (0..amps.len()).flat_map(|a| (0..8).map(move |k| (a, 1000 + 100 * a as u64 + k))).collect();
    let alarms: Vec<String> = takes
        .par_iter()
        .filter_map(|&(a, seed)| {
            let check = judged(&amps[a].take(seed), seed);
            // The short plan's lowest ten steps reach into the clipping of this amp, so that its gain seems
            // to rise first: a note of the measurement, not of the recording's health.
            let of_health = |code: &str| code != "gain_rises";
            let spoken = check.findings.iter().any(|f| of_health(&f.code)) || check.failure.is_some();
            spoken.then(|| format!("{} {seed}: {:?}", amps[a].name, said(&check)))
        })
        .collect();
    println!("false alarms: {} of {} good takes", alarms.len(), takes.len());
    assert!(alarms.is_empty(), "{}", alarms.iter().take(5).cloned().collect::<Vec<_>>().join("\n"));
}

/// Faults to put in, and the second of the recording at which one must be placed, if it has a place.
type Made = (Vec<Fault>, Option<f64>);

/// A kind of fault, the finding that must name it, and which amps it can be told on.
struct Kind {
    name: &'static str,
    code: &'static str,
    make: fn(&Amp, &mut White) -> Made,
    on: fn(&Amp) -> bool,
}

fn any(_: &Amp) -> bool {
    true
}

/// A place in the louder steps of the rising ladder, away from their edges.
fn in_ladder(amp: &Amp, random: &mut White) -> f64 {
    let step = 6 + (random.uniform() * 10.0) as usize;
    amp.at("ladder_up", 0.25 * step as f64 + 0.06 + 0.16 * random.uniform())
}

fn kinds() -> Vec<Kind> {
    vec![
        Kind {
            name: "64 samples lost in a step",
            code: "recording_breaks",
            make: |amp, random| {
                let at = in_ladder(amp, random);
                (vec![Fault::Dropout { at_seconds: at, frames: 64 }], Some(at))
            },
            on: any,
        },
        Kind {
            name: "256 samples repeated in a step",
            code: "recording_breaks",
            make: |amp, random| {
                let at = in_ladder(amp, random);
                let end = at + 256.0 / f64::from(RATE_HZ);
                (vec![Fault::Repeat { at_seconds: at, frames: 256 }], Some(end))
            },
            on: any,
        },
        Kind {
            name: "5 samples lost in a step",
            code: "recording_breaks",
            make: |amp, random| {
                let at = in_ladder(amp, random);
                (vec![Fault::Dropout { at_seconds: at, frames: 5 }], Some(at))
            },
            on: any,
        },
        Kind {
            name: "300 samples zeroed in a step",
            code: "zeroed",
            make: |amp, random| {
                let at = in_ladder(amp, random);
                (vec![Fault::Zeroed { at_seconds: at, frames: 300 }], Some(at))
            },
            on: any,
        },
        Kind {
            name: "40 samples lost in the quiet",
            code: "samples_lost",
            make: |amp, random| {
                let at = amp.at("quiet", 0.2 + random.uniform());
                (vec![Fault::Dropout { at_seconds: at, frames: 40 }], None)
            },
            on: any,
        },
        Kind {
            name: "clipped 1 dB under the largest peak",
            code: "clipped_input",
            make: |_, _| (vec![Fault::Level { gain_db: 12.0 }, Fault::Clip { peak: 0.25 }], None),
            on: any,
        },
        Kind {
            name: "automatic gain",
            code: "gain_rides",
            make: |_, _| {
                (vec![Fault::Agc { target_rms: 0.1, attack_seconds: 0.02, release_seconds: 0.05 }], None)
            },
            on: any,
        },
        Kind {
            name: "gate",
            code: "zeroed",
            make: |_, _| (vec![Fault::Gate { peak: 0.01, hold_seconds: 0.05 }], None),
            on: any,
        },
        Kind {
            name: "16-bit path",
            code: "few_bits_captured",
            make: |_, _| (vec![Fault::SixteenBit], None),
            on: any,
        },
        Kind {
            name: "wrong rate label",
            code: "rate_label",
            make: |_, _| (vec![Fault::WrongRate { rate_hz: 44_100 }], None),
            on: any,
        },
        Kind {
            name: "start cut",
            code: "marker_missing",
            make: |_, _| (vec![Fault::CutStart { seconds: 2.5 }], None),
            on: any,
        },
        Kind {
            name: "end cut",
            code: "marker_missing",
            make: |_, _| (vec![Fault::CutEnd { seconds: 2.0 }], None),
            on: any,
        },
        Kind {
            name: "DC of 3 %",
            code: "dc_offset",
            make: |_, _| (vec![Fault::Dc { offset: 0.03 }], None),
            on: any,
        },
        Kind {
            name: "level 45 dB down",
            code: "level_low",
            make: |_, _| (vec![Fault::Level { gain_db: -45.0 }], None),
            on: any,
        },
        Kind {
            name: "tone of 22 kHz",
            code: "ultrasonic",
            make: |_, _| (vec![Fault::Tone { frequency_hz: 22_000.0, peak: 0.003 }], None),
            on: any,
        },
        Kind {
            name: "limiter 6 dB under the largest peak",
            code: "gain_rides",
            make: |_, _| {
                let limiter = Fault::Limiter { peak: 0.15, release_seconds: 0.2 };
                (vec![Fault::Level { gain_db: 0.0 }, limiter], None)
            },
            // Where the amp itself distorts by 2 % or more, its own compression hides the limiter.
            on: |amp| amp.name == "wire",
        },
        Kind {
            name: "hum 25 dB under the take",
            code: "hum_high",
            make: |_, _| (vec![Fault::Tone { frequency_hz: 50.0, peak: 0.03 }], None),
            on: any,
        },
        Kind {
            name: "click of a tenth of full scale",
            code: "recording_breaks",
            make: |amp, random| {
                let at = in_ladder(amp, random);
                (vec![Fault::Clicks { count: 12, peak: 0.1, seed: (at * 1e6) as u64 }], None)
            },
            on: any,
        },
    ]
}

#[test]
fn faults_are_found_where_they_are() {
    let amps = amps();
    let kinds = kinds();
    let takes: Vec<(usize, usize, u64)> = (0..kinds.len())
        .flat_map(|k| (0..amps.len()).map(move |a| (k, a)))
        .flat_map(|(k, a)| (0..2).map(move |n| (k, a, (10_000 + 1000 * k + 10 * a + n) as u64)))
        .collect();
    let results: Vec<(usize, bool, String)> = takes
        .par_iter()
        .filter(|&&(k, a, _)| (kinds[k].on)(&amps[a]))
        .map(|&(k, a, seed)| {
            let mut random = White::new(seed);
            let (faults, place) = (kinds[k].make)(&amps[a], &mut random);
            let recording = faults.iter().fold(amps[a].take(seed), |r, fault| r.with(fault));
            let check = judged(&recording, seed);
            let named = check.findings.iter().filter(|f| f.code == kinds[k].code);
            // Located to the millisecond, where there is a place; a period of 1010 Hz is one.
            let found = named.into_iter().any(|f| {
                place.is_none_or(|place| f.at_seconds.is_some_and(|at| (at - place).abs() < 0.001_5))
            });
            let noted =
                check.fitness != Fitness::Fit || ["few_bits_captured", "dc_offset"].contains(&kinds[k].code);
            (k, found && noted, format!("{} {seed} place {place:?}: {:?}", amps[a].name, said(&check)))
        })
        .collect();
    let mut rates: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    for (k, found, _) in &results {
        let rate = rates.entry(*k).or_default();
        rate.0 += usize::from(*found);
        rate.1 += 1;
    }
    for (k, (found, all)) in &rates {
        println!("{:<40} {found:>3} of {all}", kinds[*k].name);
    }
    let missed: Vec<String> =
        results.iter().filter(|r| !r.1).map(|(k, _, said)| format!("{}: {said}", kinds[*k].name)).collect();
    let some = missed.iter().take(8).cloned().collect::<Vec<_>>().join("\n");
    assert!(missed.is_empty(), "missed {} of {}:\n{some}", missed.len(), results.len());
}

/// A low-pass as steep as those of lossy codecs and resamplers: 255 taps, Blackman.
fn cut_band(recording: &mut Recording, edge_hz: f64) {
    let taps: Vec<f64> = (-127..=127i32)
        .map(|k| {
            let (t, w) = (f64::from(k), std::f64::consts::PI * f64::from(k) / 128.0);
            let x = 2.0 * edge_hz / f64::from(RATE_HZ);
            let sinc =
                if k == 0 { x } else { (std::f64::consts::PI * x * t).sin() / (std::f64::consts::PI * t) };
            sinc * (0.42 + 0.5 * w.cos() + 0.08 * (2.0 * w).cos())
        })
        .collect();
    for samples in &mut recording.channels {
        *samples = samples.windows(255).map(|w| w.iter().zip(&taps).map(|(x, t)| x * t).sum()).collect();
    }
}

#[test]
fn a_cut_band_two_channels_and_a_swap_are_told() {
    let (single, wire) = (amp(1), amp(4));
    let codes = |check: &FileCheck| check.findings.iter().map(|f| f.code.clone()).collect::<Vec<_>>();
    for (edge_hz, words) in [(16_000.0, "codec"), (22_050.0, "44.1 kHz")] {
        let mut recording = single.take(7);
        cut_band(&mut recording, edge_hz);
        let check = judged(&recording, 7);
        let cut = check.findings.iter().find(|f| f.code == "band_cut");
        assert!(cut.is_some_and(|f| f.saw.contains(words)), "{edge_hz}: {:?}", said(&check));
    }
    // The drive beside the amp is no fault; on the measured channel it is.
    let both = |first: &Amp, second: &Amp| {
        let (mut a, mut b) = (first.take(21), second.take(22));
        let frames = a.channels[0].len().min(b.channels[0].len());
        a.channels[0].truncate(frames);
        b.channels[0].truncate(frames);
        a.channels.append(&mut b.channels);
        a
    };
    let check = judged(&both(&single, &wire), 21);
    assert_eq!(codes(&check), [""; 0], "{:?}", said(&check));
    let check = judged(&both(&wire, &single), 21);
    assert_eq!(codes(&check), ["channel_is_drive"], "{:?}", said(&check));
    // A channel and its mirror, and both summed to mono.
    let mirrored = both(&single, &single).with(&Fault::SumChannels).with(&Fault::Invert { channel: 1 });
    assert_eq!(codes(&judged(&mirrored, 23)), ["channel_inverted"]);
    let summed = both(&single, &wire).with(&Fault::SumChannels);
    assert!(codes(&judged(&summed, 24)).contains(&"channel_copied".to_owned()));
}
