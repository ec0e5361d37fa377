//! Every figure says how sure it is: an interval that holds the value, or, in words, why there is none. And where
//! nothing was measured it says why. Walked over the whole analysis document, figure by figure, for recordings that are
//! clean, noisy, struck out in part, single-ended, far too low, cut short, of one tone, of two, of nothing.
//! (That the intervals are right: `tests/coverage.rs`.)
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::fmt::Write;
use std::path::Path;

use serde_json::Value;
use support::waves::{Line, Wave};
use support::{Stored, write_wav};
use twinload::analyse::{self, Options};
use twinload::bench::Bench;
use twinload::signals::{Choices, Plan};
use twinload::simulate::{
    Band, Chain, Device, Gain, HardClip, Hum, Polynomial, Recorder, bench as demo, record, take,
};

const STORED: Stored = Stored { rate: 48_000, bits: 24, float: false };

/// What is wrong with the figures of a document, and how many it has of each kind: with an interval, with the reason
/// of a missing one, not measured.
#[derive(Default, Debug)]
struct Walk {
    faults: Vec<String>,
    sure: usize,
    unsure: usize,
    missing: usize,
    below: usize,
}

impl Walk {
    fn over(value: &Value) -> Self {
        let mut walk = Self::default();
        walk.walk(value, "");
        walk
    }

    fn walk(&mut self, value: &Value, path: &str) {
        match value {
            Value::Object(map) if map.contains_key("value") && map.contains_key("unit") => {
                self.quantity(value, path);
            }
            // Curves have their noise in columns of their own.
            Value::Object(map) => {
                map.iter().filter(|(k, _)| *k != "curves").for_each(|(k, v)| {
                    self.walk(v, &format!("{path}.{k}"));
                });
            }
            Value::Array(list) => {
                list.iter().enumerate().for_each(|(k, v)| self.walk(v, &format!("{path}[{k}]")));
            }
            _ => {}
        }
    }

    fn quantity(&mut self, quantity: &Value, path: &str) {
        let note = quantity["note"].as_str().unwrap_or_default();
        let mut fault = |what: &str| self.faults.push(format!("{path}: {what}: {quantity}"));
        let (value, unit) = (quantity["value"].as_f64(), quantity["unit"].as_str().unwrap_or_default());
        let Some(value) = value else {
            if note.len() < 8 {
                fault("not measured, and no reason");
            }
            self.missing += 1;
            self.below += usize::from(note.starts_with("below "));
            return;
        };
        match &quantity["interval"] {
            Value::Array(ends) => {
                let [low, high] = [0, 1].map(|k| ends[k].as_f64().unwrap());
                if !(low <= value && value <= high && low < high) {
                    fault("the interval does not hold the value, or has no width");
                }
                if quantity["confidence"].as_f64() != Some(0.95) {
                    fault("the interval has no confidence");
                }
                if note.contains("no interval") {
                    fault("an interval, and the reason why there is none");
                }
                self.sure += 1;
            }
            // A count has none to have.
            _ if unit == "1" && value.fract() == 0.0 => {}
            _ => {
                if !note.contains("no interval: ") {
                    fault("neither an interval nor the reason why there is none");
                }
                self.unsure += 1;
            }
        }
    }
}

/// Walks a document's takes; `most_unsure` is how many figures of a take may go without an interval besides the level,
/// peak and DC of each channel.
fn every_figure_says(document: &impl serde::Serialize, most_unsure: usize) -> Walk {
    let walk = Walk::over(&serde_json::to_value(document).unwrap());
    assert!(walk.faults.is_empty(), "{:#?}", walk.faults);
    assert!(walk.unsure <= most_unsure, "{walk:?}");
    walk
}

fn file(samples: &[f64]) -> Vec<twinload::analysis::TakeAnalysis> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    write_wav(&path, samples, STORED);
    analyse::file(&path, &Options::default()).unwrap()
}

fn short() -> Plan {
    Plan::short(&Choices::default())
}

fn hum() -> Option<Hum> {
    Some(Hum { mains_hz: 50.03, peak: 1e-3, lines: 12 })
}

fn noisy() -> Recorder {
    Recorder {
        clock_ppm: 77.0,
        latency_seconds: 0.31,
        tail_seconds: 0.4,
        noise_rms: 1e-4,
        hum: hum(),
        dc: 1e-3,
        ..Recorder::default()
    }
}

fn stage() -> Chain {
    Chain(vec![
        Box::new(Polynomial(vec![1.0, 0.06, -0.04])),
        Box::new(HardClip { low: -0.42, high: 0.35 }),
        Box::new(Band::new(80.0, 8000.0)),
    ])
}

fn recorded(device: &mut dyn Device, recorder: &Recorder) -> Vec<f64> {
    take(&short(), device, recorder).1.into_iter().map(|s| s.clamp(-0.999_999, 0.999_999)).collect()
}

/// Level, peak and DC of the one channel; H1's ratio and phase.
const CHANNEL: usize = 3;
const ITSELF: usize = 2;
/// Hum lines have a limit each.
const LIMITS: usize = 20;

#[test]
fn a_clean_take_and_one_in_noise() {
    let quiet = Recorder { noise_rms: 0.0, hum: None, ..noisy() };
    // Without hum no line stands clear: the places where one was looked for have no interval either.
    let clean = every_figure_says(&file(&recorded(&mut stage(), &quiet)), CHANNEL + ITSELF + 2 * LIMITS);
    let in_noise = every_figure_says(&file(&recorded(&mut stage(), &noisy())), CHANNEL + ITSELF + LIMITS);
    assert!(clean.sure > 60 && in_noise.sure > 60, "{clean:?} {in_noise:?}");
    // The noise floor hides some of the amp's harmonics, and they say so.
    assert!(in_noise.below > 0, "{in_noise:?}");
}

#[test]
fn a_single_ended_amp_and_a_take_far_too_low() {
    let (rate, samples) = demo::sessions()[0].record(&short());
    assert_eq!(rate, STORED.rate);
    let amp = every_figure_says(&file(&samples), CHANNEL + ITSELF + LIMITS);
    assert!(amp.sure > 60, "{amp:?}");
    for units_per_output in [3e-2, 3e-3, 3e-4] {
        let low = Recorder { units_per_output, ..noisy() };
        let low = every_figure_says(&file(&recorded(&mut stage(), &low)), CHANNEL + ITSELF + LIMITS + 2);
        assert!(low.below > 10, "{units_per_output}: {low:?}");
    }
}

#[test]
fn a_take_that_is_struck_out_in_part_or_cut_short() {
    let whole = recorded(&mut stage(), &Recorder { units_per_output: 1.2, ..noisy() });
    let clipped: Vec<f64> = whole.iter().map(|x| x.clamp(-0.3, 0.3)).collect();
    let clipped = file(&clipped);
    assert!(!clipped[0].struck.is_empty());
    every_figure_says(&clipped, CHANNEL + ITSELF + LIMITS);
    // Without its begin or its end; with one marker the ladder tells the clock.
    for part in [&whole[3 * 48_000..], &whole[..whole.len() - 3 * 48_000], &whole[..whole.len() * 2 / 3]] {
        let cut = file(part);
        assert!(cut[0].clock_drift.is_some());
        every_figure_says(&cut, CHANNEL + ITSELF + 2 * LIMITS + 1);
    }
    // The last marker alone: nothing tells the clock, so no drift is told.
    let end = file(&whole[whole.len() - 3 * 48_000..]);
    let drift = end[0].clock_drift.as_ref().unwrap();
    assert!(drift.value.is_none() && drift.note.as_deref().unwrap().contains("one marker"), "{drift:?}");
    every_figure_says(&end, CHANNEL + ITSELF + 2 * LIMITS);
}

#[test]
fn plain_recordings_of_a_tone_of_two_and_of_nothing() {
    let line =
        |order, level: f64| Line { order, amplitude: 10f64.powf(level / 20.0), phase: f64::from(order) };
    let lines = vec![line(1, 0.0), line(2, -30.0), line(3, -50.0), line(4, -130.0)];
    let tone = Wave { lines, dc: 0.002, gain: 0.5, frequency_hz: 440.3, lead: 0.1 };
    let mut tone = tone.samples(STORED.rate, 2.0);
    let nothing = record(|block, _, _| block.fill(0.0), 5.0, &mut Gain(1.0), &noisy());
    let two: Vec<f64> = (0..2 * 48_000)
        .map(|n| {
            let sine = |hz: f64| (std::f64::consts::TAU * hz * f64::from(n) / 48_000.0).sin();
            let x = 0.3 * sine(250.2) + 0.08 * sine(8000.7);
            x + 0.1 * x * x
        })
        .collect();
    tone.iter_mut().zip(&nothing).for_each(|(s, n)| *s += n);
    let two: Vec<f64> = two.iter().zip(&nothing).map(|(s, n)| s + n).collect();
    let tone = every_figure_says(&file(&tone), CHANNEL + ITSELF);
    let two = every_figure_says(&file(&two), CHANNEL);
    let nothing = every_figure_says(&file(&nothing), CHANNEL + LIMITS);
    assert!(tone.sure > 12 && two.sure > 20 && nothing.sure > 20, "{tone:?} {two:?} {nothing:?}");
    every_figure_says(&file(&[0.0; 48_000]), CHANNEL);
}

#[test]
fn a_calibrated_bench_with_two_loads_a_loopback_and_silences() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, samples: &[f64]| write_wav(&folder.path().join(name), samples, STORED);
    let mut text = "[bench]\ntitle = \"All\"\n[rig]\nload_ohms = 8.0\ninput_full_scale_volts = 1.0\n\
                    pad = { divides_by = 10.0, measured_with_interface = true }\nloopback = \"loop.wav\"\n\
                    output_full_scale_volts = 1.0\n[[build]]\nname = \"a\"\n[setting.full]\nvolume = \"10\"\n\
                    [[take]]\nfile = \"loop.wav\"\nkind = \"loopback\"\n"
        .to_owned();
    for (seed, ohms) in [(1, 8.0), (2, 8.0), (3, 16.0)] {
        let recorder = Recorder { seed, latency_seconds: 0.3, ..noisy() };
        let mut amp = Chain(vec![Box::new(stage()) as Box<dyn Device>, Box::new(Gain(ohms / (ohms + 2.0)))]);
        write(&format!("{seed}.wav"), &recorded(&mut amp, &recorder));
        writeln!(
            text,
            "[[take]]\nfile = \"{seed}.wav\"\nbuild = \"a\"\nsetting = \"full\"\nload_ohms = {ohms:.1}"
        )
        .unwrap();
    }
    let loopback = Recorder { seed: 9, hum: None, noise_rms: 1e-5, ..noisy() };
    write("loop.wav", &recorded(&mut Polynomial(vec![0.9, 1e-4, 2e-5]), &loopback));
    for (seed, condition) in [(20, "cable only"), (21, "amp off"), (22, "at setting")] {
        let peak = if condition == "cable only" { 1e-5 } else { 5e-4 };
        let recorder = Recorder { seed, hum: Some(Hum { mains_hz: 50.02, peak, lines: 12 }), ..noisy() };
        write(&format!("{seed}.wav"), &record(|b, _, _| b.fill(0.0), 5.0, &mut Gain(1.0), &recorder));
        writeln!(
            text,
            "[[take]]\nfile = \"{seed}.wav\"\nkind = \"quiet\"\nquiet_condition = \"{condition}\"\nbuild = \"a\""
        )
        .unwrap();
    }
    std::fs::write(folder.path().join("bench.toml"), text).unwrap();
    let analysis = analyse::bench(&Bench::open(folder.path()).unwrap()).unwrap();
    let of = |file: &str| analysis.takes.iter().find(|t| Path::new(&t.file).ends_with(file)).unwrap();
    assert!(of("1.wav").figures.value("output_impedance").is_some());
    assert!(of("1.wav").figures.get("noise").unwrap().floor.is_some());
    assert!(!analysis.hum_origins.is_empty());
    let walk = every_figure_says(&analysis, 7 * (CHANNEL + ITSELF + LIMITS) + 60);
    assert!(walk.sure > 300, "{walk:?}");
}
