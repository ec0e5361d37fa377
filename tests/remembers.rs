//! What an amp with a memory shows, and what the quiet says of powers: figures whose truth is set by the simulation and
//! that no static device has. Hysteresis, settling, blocking after overload, noise re powers and at the input.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::f64::consts::SQRT_2;

use support::{Stored, db, write_wav};
use twinload::analyse::{self, Options};
use twinload::analysis::{Figures, TakeAnalysis};
use twinload::figure::Quantity;
use twinload::measure::{Cut, Plans, quiet};
use twinload::signals::{Choices, Plan, Signal};
use twinload::simulate::decimate::Decimator;
use twinload::simulate::noise::White;
use twinload::simulate::{Device, Hum, Recorder, take};
use twinload::takes::Scale;

fn plan() -> Plan {
    Plan::short(&Choices::default())
}

fn recorder() -> Recorder {
    Recorder { latency_seconds: 0.31, tail_seconds: 0.4, noise_rms: 1e-5, ..Recorder::default() }
}

/// A gain that is a function of the programme's time.
struct Gained<F> {
    gain: F,
    next: f64,
}

impl<F: Fn(f64) -> f64> Gained<F> {
    fn new(gain: F, recorder: &Recorder) -> Self {
        // The recorder starts early by its filter's delay and its latency.
        let early = recorder.latency_seconds * f64::from(recorder.rate_hz) * recorder.oversample as f64;
        Self { gain, next: -early - Decimator::new(recorder.oversample).delay() as f64 }
    }
}

impl<F: Fn(f64) -> f64> Device for Gained<F> {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        for x in block {
            *x *= (self.gain)(self.next / rate_hz);
            self.next += 1.0;
        }
    }
}

fn analysed(device: &mut dyn Device) -> TakeAnalysis {
    let (rate, samples) = take(&plan(), device, &recorder());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    write_wav(&path, &samples, Stored { rate, bits: 24, float: false });
    analyse::file(&path, &Options::default()).unwrap().remove(0)
}

fn through(gain: impl Fn(f64) -> f64) -> TakeAnalysis {
    analysed(&mut Gained::new(gain, &recorder()))
}

fn get<'a>(take: &'a TakeAnalysis, name: &str) -> &'a Quantity {
    take.figures.get(name).unwrap_or_else(|| panic!("{name} is missing"))
}

#[test]
fn what_falls_after_the_loud_steps_is_hysteresis_and_the_references_tell() {
    // The level is 0.4 dB lower from the first falling step on.
    let from = plan().segment("ladder_down").unwrap().start_seconds;
    let take = through(|t| if t < from { 0.5 } else { 0.5 * 10f64.powf(-0.4 / 20.0) });
    for (name, tolerance) in [("hysteresis", 0.002), ("reference_shift", 0.002)] {
        // Methods §11: 0.002 dB.
        let found = get(&take, name);
        assert!((found.value.unwrap() + 0.4).abs() < tolerance, "{name}: {found:?}");
    }
    let found = take.findings.iter().find(|f| f.code == "not_settled").unwrap();
    assert!(found.saw.contains("−0.40 dB"), "{}", found.saw);
    let steady = through(|_| 0.5);
    assert!(get(&steady, "hysteresis").value.unwrap().abs() < 0.002);
    assert!(steady.findings.iter().all(|f| f.code != "not_settled"), "{:?}", steady.findings);
}

#[test]
fn an_amp_that_blocks_after_overload_is_told_how_deep_and_how_long() {
    let plan = plan();
    let segment = plan.segment("burst").unwrap();
    let Signal::Burst { before_seconds, high_seconds, after_seconds, .. } = segment.signal else { panic!() };
    let off = segment.start_seconds + before_seconds + high_seconds;
    let blocked = |depth: f64| {
        through(move |t| {
            let after = t - off;
            let is_after = (0.0..after_seconds).contains(&after);
            if is_after { 0.5 * (1.0 - depth * (-after / 0.08).exp()) } else { 0.5 }
        })
    };
    // Half of the level is missing at first: 6.02 dB. Methods §11: 0.02 dB, 1 % of the time constant.
    let half = blocked(0.5);
    let (dip, time) = (get(&half, "recovery_dip"), get(&half, "recovery_time"));
    assert!((dip.value.unwrap() - db(2.0)).abs() < 0.02, "{dip:?}");
    assert!((time.value.unwrap() / 0.08 - 1.0).abs() < 0.01, "{time:?}");
    // Nothing comes for 15 ms and more: no number is made of that, and it is said.
    let all = blocked(1.2);
    for name in ["recovery_dip", "recovery_time"] {
        let found = get(&all, name);
        assert!(found.value.is_none() && found.note.as_deref().unwrap().contains("blocked"), "{found:?}");
    }
    let none = get(&through(|_| 0.5), "recovery_dip").clone();
    assert!(none.note.unwrap().starts_with("no dip after the burst"));
}

#[test]
fn noise_and_hum_are_told_in_millivolts_re_powers_and_at_the_input() {
    // 10 V across 8 Ω at a sample of 1; 0.1 V RMS at the input at the programme's top.
    let scale = Scale {
        load_volts_per_unit: Some(10.0),
        load_ohms: Some(8.0),
        drive_volts_at_top: Some(0.1),
        ..Scale::default()
    };
    let rms = 1e-4;
    let mut noise = White::new(5);
    let mut samples: Vec<f64> = (0..4 * 48_000).map(|_| rms * noise.value()).collect();
    let hum = Hum { mains_hz: 50.02, peak: 2e-3, lines: 12 };
    hum.add(&mut samples, 48_000.0, 3);
    let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
    let cut = Cut { samples: &samples, rate_hz: 48_000.0, ratio: 1.0, start_seconds: 0.0 };
    let found = quiet::measure(&cut, 50.0, &mut Plans::default()).unwrap();
    let mut figures = Figures::default();
    // As the ladder gives them: a gain of 40 dB from the input to the load, clean power at 4 V.
    figures.set("gain", Quantity::new(40.0, twinload::figure::Unit::Decibels).plus_minus(0.01));
    figures.set("output_at_thd_5_percent", Quantity::new(4.0, twinload::figure::Unit::Volts));
    quiet::put(&mut figures, &found, &scale);
    let near = |name: &str, expected: f64, tolerance: f64| {
        let value = figures.value(name).unwrap_or_else(|| panic!("{name}: {:?}", figures.get(name)));
        assert!((value - expected).abs() < tolerance, "{name}: {value}, expected {expected}");
    };
    // Volts of 20 Hz to 20 kHz out of 24 kHz. Methods §7: white noise of 4 s has sd 0.015 dB, of which four.
    let volts = 10.0 * rms * (19_980.0f64 / 24_000.0).sqrt();
    near("noise", 1000.0 * volts, 0.007 * 1000.0 * volts);
    near("signal_to_noise_1_watt", -10.0 * (volts * volts / 8.0).log10(), 0.06);
    near("signal_to_noise_clean_power", db(4.0 / volts), 0.06);
    near("noise_at_input", 1000.0 * volts / 100.0, 0.007 * 10.0 * volts);
    // Twelve lines as k^−1.1 whose root-sum of peaks is 2e-3: odd and even ones by themselves. Methods §11: 0.03 dB.
    let part = |wanted: fn(u32) -> bool| {
        let power = |k: u32| f64::from(k).powf(-2.2);
        let share: f64 =
            (1..=12).filter(|k| wanted(*k)).map(power).sum::<f64>() / (1..=12).map(power).sum::<f64>();
        1000.0 * 10.0 * hum.peak / SQRT_2 * share.sqrt()
    };
    for (name, expected) in [
        ("hum_total", part(|_| true)),
        ("hum_mains", part(|k| k % 2 == 1)),
        ("hum_twice_mains", part(|k| k % 2 == 0)),
    ] {
        near(name, expected, 0.003_46 * expected);
    }
    // Without a calibrated input there is none to refer to.
    let mut bare = Figures::default();
    quiet::put(&mut bare, &found, &Scale::default());
    assert!(bare.get("noise_at_input").unwrap().value.is_none());
}
