//! Methods §8 and §12.7: bursts of known sag, recovery and time constants.

use std::f64::consts::TAU;

use super::*;
use crate::analysis::Figures;
use crate::simulate::Hum;
use crate::simulate::noise::White;
use crate::takes::Scale;
use crate::units::from_db;

const PLAN: Plan =
    Plan { frequency_hz: 1010.0, before_seconds: 0.5, high_seconds: 1.0, after_seconds: 1.5, times: 3 };

/// Sag and dip in dB with their time constants in seconds.
#[derive(Clone, Copy)]
struct Truth {
    sag_db: f64,
    sag_seconds: f64,
    dip_db: f64,
    dip_seconds: f64,
}

/// An amp whose gain falls exponentially in the burst and comes back after it.
fn record(truth: Truth, rate_hz: f64, ppm: f64) -> Vec<f64> {
    let ratio = 1.0 + ppm * 1e-6;
    (0..(9.0 * rate_hz) as usize)
        .map(|n| {
            let t = n as f64 * ratio / rate_hz;
            let u = t % 3.0;
            let decay = |since: f64, tau: f64| (-since / tau).exp();
            let level = if u < 0.5 {
                from_db(-27.0)
            } else if u < 1.5 {
                from_db(-1.0) * (1.0 + (from_db(truth.sag_db) - 1.0) * decay(u - 0.5, truth.sag_seconds))
            } else {
                from_db(-27.0) * (1.0 + (from_db(-truth.dip_db) - 1.0) * decay(u - 1.5, truth.dip_seconds))
            };
            0.5 * level * (TAU * 1010.0 * t + 0.3).sin()
        })
        .collect()
}

fn run(x: &[f64], rate_hz: f64, ppm: f64) -> Bursts {
    let samples: Vec<f32> = x.iter().map(|&v| v as f32).collect();
    let cut = Cut { samples: &samples, rate_hz, ratio: 1.0 + ppm * 1e-6, start_seconds: 0.0 };
    measure(&cut, &PLAN).unwrap()
}

fn figures(bursts: &Bursts) -> Figures {
    let mut figures = Figures::default();
    put(&mut figures, bursts, &Scale::default());
    figures
}

const CASES: [(f64, f64); 4] = [(0.020, 0.050), (0.050, 0.100), (0.150, 0.250), (0.400, 0.600)];

#[test]
fn sag_and_recovery_are_right_when_clean() {
    for (sag_seconds, dip_seconds) in CASES {
        for (sag_db, dip_db) in [(0.5, 0.3), (2.0, 1.0)] {
            let truth = Truth { sag_db, sag_seconds, dip_db, dip_seconds };
            let f = figures(&run(&record(truth, 48_000.0, 120.0), 48_000.0, 120.0));
            // Methods §11, clean: sag 0.02 dB, 2 %; dip 0.02 dB, 1 %.
            for (name, expected, bound) in [
                ("sag", sag_db, 0.02),
                ("sag_time", sag_seconds, 0.02 * sag_seconds),
                ("recovery_dip", dip_db, 0.02),
                ("recovery_time", dip_seconds, 0.01 * dip_seconds),
            ] {
                let found = f.value(name).unwrap();
                assert!((found - expected).abs() < bound, "{name}: {found} against {expected}");
            }
        }
    }
}

#[test]
fn sag_and_recovery_are_right_in_noise_and_as_sure_as_they_say() {
    let (mut inside, mut all) = (0, 0);
    for (i, (sag_seconds, dip_seconds)) in CASES.into_iter().enumerate() {
        for (k, (sag_db, dip_db)) in [(0.5, 0.5), (2.0, 1.0)].into_iter().enumerate() {
            let truth = Truth { sag_db, sag_seconds, dip_db, dip_seconds };
            let mut x = record(truth, 48_000.0, -80.0);
            let seed = (10 * i + k) as u64;
            let mut noise = White::new(seed);
            x.iter_mut().for_each(|v| *v += from_db(-80.0) * noise.value());
            Hum { mains_hz: 50.07, peak: from_db(-60.0), lines: 12 }.add(&mut x, 48_000.0, seed);
            let f = figures(&run(&x, 48_000.0, -80.0));
            // Methods §11, bench: 0.03 dB; 3 % for sag ≥ 0.5 dB; dip 0.03 dB, 5 %.
            for (name, expected, bound) in [
                ("sag", sag_db, 0.03),
                ("sag_time", sag_seconds, 0.03 * sag_seconds),
                ("recovery_dip", dip_db, 0.03),
                ("recovery_time", dip_seconds, 0.05 * dip_seconds),
            ] {
                let q = f.get(name).unwrap();
                let found = q.value.unwrap();
                assert!(
                    (found - expected).abs() < bound,
                    "{name}: {found} against {expected}, {truth_s}",
                    truth_s = sag_seconds
                );
                let [low, high] = q.interval.unwrap();
                all += 1;
                inside += usize::from((low..=high).contains(&expected));
            }
        }
    }
    // 32 intervals of 95 %: fewer than 26 would come once in 2000 (binomial).
    assert!(inside >= 26, "{inside} of {all}");
}

#[test]
fn without_sag_it_says_so() {
    let truth = Truth { sag_db: 0.0, sag_seconds: 0.1, dip_db: 0.0, dip_seconds: 0.1 };
    let mut x = record(truth, 48_000.0, 0.0);
    let mut noise = White::new(3);
    x.iter_mut().for_each(|v| *v += from_db(-80.0) * noise.value());
    let f = figures(&run(&x, 48_000.0, 0.0));
    let sag = f.get("sag").unwrap();
    assert!(sag.value.unwrap().abs() < 0.02 && sag.note.as_ref().unwrap().contains("no sag"), "{sag:?}");
    assert!(f.value("sag_time").is_none() && f.value("recovery_time").is_none());
    assert!(f.value("burst_margin").unwrap().abs() < 0.01);
}

#[test]
fn immediate_sustained_and_margin_are_those_of_their_windows() {
    // 2 dB with 20, 50, 150, 400 ms: immediate less sustained 1.23, 1.65, 1.87, 1.71 dB (methods §8).
    for ((sag_seconds, dip_seconds), expected) in CASES.into_iter().zip([1.23, 1.65, 1.87, 1.71]) {
        let truth = Truth { sag_db: 2.0, sag_seconds, dip_db: 1.0, dip_seconds };
        let b = run(&record(truth, 48_000.0, 0.0), 48_000.0, 0.0);
        let one = b.bursts[1];
        let found = crate::units::db(one.immediate / one.sustained);
        // The table is printed to 0.01 dB; its windows are points of another grid.
        assert!((found - expected).abs() < 0.03, "{sag_seconds}: {found} against {expected}");
        // First 20 ms: mean of the exponential, in closed form.
        let rise = from_db(2.0) - 1.0;
        let share = sag_seconds / 0.0198 * (1.0 - (-0.0198 / sag_seconds).exp());
        let late = sag_seconds / 0.2 * ((-(1.0 - 0.208) / sag_seconds).exp() - (-0.992 / sag_seconds).exp());
        let expected = crate::units::db((1.0 + rise * share) / (1.0 + rise * late));
        let found = crate::units::db(one.first / one.sustained);
        // A level that falls within the window leaves some of the tone's second harmonic in its average.
        assert!((found - expected).abs() < 0.01, "{sag_seconds}: {found} against {expected}");
    }
}

#[test]
fn gain_polarity_and_rate_change_nothing() {
    let truth = Truth { sag_db: 1.0, sag_seconds: 0.1, dip_db: 0.7, dip_seconds: 0.2 };
    let first = figures(&run(&record(truth, 48_000.0, 0.0), 48_000.0, 0.0));
    let scaled: Vec<f64> = record(truth, 48_000.0, 0.0).iter().map(|v| -0.1 * v + 0.01).collect();
    for other in [
        figures(&run(&scaled, 48_000.0, 0.0)),
        figures(&run(&record(truth, 44_100.0, 0.0), 44_100.0, 0.0)),
        figures(&run(&record(truth, 96_000.0, 50.0), 96_000.0, 50.0)),
    ] {
        for name in ["sag", "sag_time", "recovery_dip", "recovery_time", "burst_margin"] {
            let (a, b) = (first.value(name).unwrap(), other.value(name).unwrap());
            // Methods §10: figures agree between rates to a few thousandths of a dB; time constants are relative.
            let bound = if name.ends_with("time") { 0.003 * a } else { 0.005 };
            assert!((a - b).abs() < bound, "{name}: {a} {b}");
        }
    }
}

#[test]
fn what_cannot_be_measured_says_so() {
    let run = |samples: &[f32], rate_hz: f64| {
        measure(&Cut { samples, rate_hz, ratio: 1.0, start_seconds: 0.0 }, &PLAN)
    };
    assert!(matches!(run(&[], 48e3), Err(MeasureError::TooShort { .. })));
    assert!(matches!(run(&[1.0], 48e3), Err(MeasureError::TooShort { .. })));
    assert_eq!(run(&vec![0.0; 9 * 48_000], 48e3), Err(MeasureError::Silent));
    assert_eq!(run(&vec![f32::NAN; 9 * 48_000], 48e3), Err(MeasureError::NotFinite));
    assert!(matches!(run(&[1.0], 100.0), Err(MeasureError::Parameters(_))));
    // One burst of three recorded is one burst; a constant gives no number that is not finite.
    let constant = run(&vec![0.5; 4 * 48_000], 48e3).unwrap();
    assert_eq!(constant.bursts.len(), 1);
    let f = figures(&constant);
    assert!(f.quantities.values().all(|q| q.value.is_none_or(f64::is_finite)));
}
