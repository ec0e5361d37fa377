//! Methods §6 and §12.5: closed forms of reference §2 (`polynomial_imd.csv`), with and without a rippling supply.

use super::*;
use crate::simulate::Hum;
use crate::simulate::noise::White;
use crate::units::{db, from_db};

const RATE_HZ: f64 = 48_000.0;
const SECONDS: f64 = 1.4;

/// Static device `curve` on A cos ω₁t + B cos ω₂t; `gain(t)` multiplies its output. Nothing of a polynomial up
/// to third order on these pairs folds back onto a line that is measured.
fn record(
    pair: [f64; 2],
    peaks: [f64; 2],
    ppm: f64,
    curve: impl Fn(f64) -> f64,
    gain: impl Fn(f64) -> f64,
) -> Vec<f64> {
    let ratio = 1.0 + ppm * 1e-6;
    (0..(SECONDS * RATE_HZ) as usize)
        .map(|n| {
            let t = n as f64 * ratio / RATE_HZ;
            let x = peaks[0] * (TAU * pair[0] * t).cos() + peaks[1] * (TAU * pair[1] * t).cos();
            curve(x) * gain(t)
        })
        .collect()
}

fn run(x: &[f64], pair: [f64; 2], ppm: f64, mains_hz: Option<f64>) -> Pair {
    let samples: Vec<f32> = x.iter().map(|&v| v as f32).collect();
    let cut = Cut { samples: &samples, rate_hz: RATE_HZ, ratio: 1.0 + ppm * 1e-6, start_seconds: 0.0 };
    measure(&cut, pair, mains_hz, &mut Plans::default()).unwrap()
}

fn value(ratio: Ratio) -> f64 {
    match ratio {
        Ratio::Is { value, .. } => 100.0 * value,
        other => panic!("{other:?}"),
    }
}

/// Rows of the table as name → text.
fn table() -> Vec<std::collections::HashMap<String, String>> {
    let text = include_str!("../../../tests/reference/polynomial_imd.csv");
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let head: Vec<String> = lines.next().unwrap().split(',').map(str::to_owned).collect();
    lines.map(|l| head.iter().cloned().zip(l.split(',').map(str::to_owned)).collect()).collect()
}

#[test]
fn textbook_stimuli_read_as_their_closed_forms() {
    let mut rows = 0;
    for row in table() {
        if row["model"] != "poly" {
            continue;
        }
        rows += 1;
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        let pair = [number("f1_Hz"), number("f2_Hz")];
        let (a2, a3) = (number("a2"), number("a3"));
        for ppm in [0.0, 200.0] {
            let x =
                record(pair, [number("A"), number("B")], ppm, |x| x + a2 * x * x + a3 * x * x * x, |_| 1.0);
            let p = run(&x, pair, ppm, None);
            // Methods §11: 0.001 dB of the distortions, clean. (f32 rounding of the samples is −150 dB.)
            for (found, name) in [(p.second(), "d2_pct"), (p.third(), "d3_pct")] {
                let error = db(value(found) / number(name));
                assert!(error.abs() < 1e-3, "{} {name} {ppm} ppm: {error} dB", row["stimulus"]);
            }
            for (n, m, name) in [
                (1, 0, "amp_f1"),
                (0, 1, "amp_f2"),
                (-1, 1, "amp_f2-f1"),
                (1, 1, "amp_f2+f1"),
                (2, 0, "amp_2f1"),
            ] {
                let Some(line) = p.line(n, m) else { continue };
                let error = db(line.amplitude.norm() / number(name).abs());
                assert!(error.abs() < 1e-3, "{} {name}: {error} dB", row["stimulus"]);
            }
        }
    }
    assert!(rows >= 12, "{rows}");
}

#[test]
fn noise_and_hum_leave_the_pairs_within_the_bench_target() {
    // Methods §6 table: pairs at −10 dB (peak sum 0.282 at top −1 dBFS), noise −80, hum −60.
    let peak_sum = from_db(-11.0);
    for (pair, over) in
        [([70.0, 7000.0], 4.0), ([5000.0, 6000.0], 1.0), ([19_000.0, 20_000.0], 1.0), ([82.4, 125.1], 1.0)]
    {
        let (low, high) = crate::signals::render::pair_peaks(peak_sum, over);
        for (a2, a3) in [(0.1, 0.05), (0.01, 0.005)] {
            let curve = |x: f64| x + a2 * x * x + a3 * x * x * x;
            let truth = run(&record(pair, [low, high], 55.0, curve, |_| 1.0), pair, 55.0, None);
            for seed in 0..3 {
                let mut x = record(pair, [low, high], 55.0, curve, |_| 1.0);
                let mut noise = White::new(seed);
                x.iter_mut().for_each(|v| *v += from_db(-80.0) * noise.value());
                Hum { mains_hz: 50.03, peak: from_db(-60.0), lines: 12 }.add(&mut x, RATE_HZ, seed);
                let p = run(&x, pair, 55.0, Some(50.03));
                for (found, truth) in
                    [(p.second(), truth.second()), (p.third(), truth.third()), (p.total(), truth.total())]
                {
                    let truth = value(truth);
                    match found {
                        Ratio::Is { value, sd, .. } => {
                            let (value, sd) = (100.0 * value, 100.0 * sd);
                            // Methods §11: 0.05 dB at ≥ 0.5 %, 0.3 dB at ≥ 0.1 %.
                            let bound = if truth >= 0.5 {
                                0.05
                            } else if truth >= 0.1 {
                                0.3
                            } else {
                                f64::INFINITY
                            };
                            assert!(db(value / truth).abs() < bound, "{pair:?} {value} against {truth}");
                            // 72 figures within 4.5 standard deviations: all but one run in 2000.
                            assert!(
                                (value - truth).abs() < 4.5 * sd + 1e-5 * truth,
                                "{pair:?} {value} ± {sd}, {truth}"
                            );
                        }
                        Ratio::Below(limit) => {
                            assert!(truth < 100.0 * limit * 2.0, "{pair:?} {truth} not below {limit}")
                        }
                        Ratio::OutOfBand => panic!("{pair:?}"),
                    }
                }
            }
        }
    }
}

#[test]
fn a_rippling_supply_moves_sixty_hertz_but_not_seventy() {
    // Methods §6: gain modulated by 0.5 % at 120 Hz and 0.2 % at 60 Hz, a2 = .01, a3 = .005, peak sum ½:
    // d3 0.120 % (closed form 0.11985) became 0.456 % with a 60 Hz tone and stayed with 70 Hz.
    let ripple = |t: f64| 1.0 + 0.005 * (TAU * 120.0 * t).sin() + 0.002 * (TAU * 60.0 * t).sin();
    let third = |low: f64| {
        let curve = |x: f64| x + 0.01 * x * x + 0.005 * x * x * x;
        let pair = [low, 7000.0];
        value(run(&record(pair, [0.4, 0.1], 0.0, curve, ripple), pair, 0.0, None).third())
    };
    assert!((third(70.0) - 0.120).abs() < 0.001, "{}", third(70.0));
    assert!(third(60.0) > 0.3, "{}", third(60.0));
}

#[test]
fn hidden_products_are_below_and_lines_beyond_the_band_are_left_out() {
    let mut noise = White::new(4);
    let mut x = record([5000.0, 6000.0], [0.1, 0.1], 0.0, |x| x, |_| 1.0);
    x.iter_mut().for_each(|v| *v += 1e-3 * noise.value());
    let p = run(&x, [5000.0, 6000.0], 0.0, None);
    assert!(matches!(p.second(), Ratio::Below(limit) if limit > 0.0 && limit < 1e-3), "{:?}", p.second());
    assert!(matches!(p.total(), Ratio::Below(_)), "{:?}", p.total());
    // At 44.1 kHz the product at 21 kHz lies beyond 0.455 fs: one line of third order is left, and it is said.
    let samples: Vec<f32> = (0..61_740)
        .map(|n| {
            let t = f64::from(n) / 44_100.0;
            let x = 0.3 * ((TAU * 19_000.0 * t).cos() + (TAU * 20_000.0 * t).cos());
            // 0.1 x³'s lines below 20.1 kHz only: 18 kHz.
            (x + 0.002 * (TAU * 18_000.0 * t).cos()) as f32
        })
        .collect();
    let cut = Cut { samples: &samples, rate_hz: 44_100.0, ratio: 1.0, start_seconds: 0.0 };
    let p = measure(&cut, [19_000.0, 20_000.0], None, &mut Plans::default()).unwrap();
    let Ratio::Is { value, missing, .. } = p.third() else { panic!("{:?}", p.third()) };
    assert_eq!(missing, 1);
    assert!((value - 0.002 / 0.6).abs() < 1e-6, "{value}");
}

#[test]
fn gain_polarity_and_dc_change_no_ratio() {
    let pair = [70.0, 7000.0];
    let curve = |x: f64| x + 0.1 * x * x - 0.05 * x * x * x;
    let x = record(pair, [0.4, 0.1], 0.0, curve, |_| 1.0);
    let first = run(&x, pair, 0.0, None);
    for (gain, dc) in [(0.25, 0.0), (-1.0, 0.0), (1.0, 0.2)] {
        let y: Vec<f64> = x.iter().map(|v| gain * v + dc).collect();
        let p = run(&y, pair, 0.0, None);
        for (a, b) in [(p.second(), first.second()), (p.third(), first.third()), (p.total(), first.total())] {
            // f32 rounding of the samples.
            assert!((value(a) / value(b) - 1.0).abs() < 1e-6, "{gain} {dc}");
        }
    }
}

#[test]
fn orders_are_complete_and_each_stands_once() {
    let orders: Vec<[i32; 2]> = all_orders().collect();
    // |n| + |m| ≤ 5 without 0 are 60 points; a line and its mirror are one.
    assert_eq!(orders.len(), 30);
    for [n, m] in &orders {
        assert!(!orders.contains(&[-n, -m]) && n.abs() + m.abs() <= 5);
    }
    // Products that fall onto each other are measured once, as the lower order: 110 and 165 Hz, 2f1 − f2 = 55 = f2 − f1.
    let x = record([110.0, 165.0], [0.1, 0.1], 0.0, |x| x, |_| 1.0);
    let p = run(&x, [110.0, 165.0], 0.0, None);
    assert!(p.line(-1, 1).is_some() && p.line(2, -1).is_none());
}

#[test]
fn what_cannot_be_measured_says_so() {
    let mut plans = Plans::default();
    let mut run = |samples: &[f32], pair: [f64; 2]| {
        measure(&Cut { samples, rate_hz: RATE_HZ, ratio: 1.0, start_seconds: 0.0 }, pair, None, &mut plans)
    };
    assert!(matches!(run(&[], [70.0, 7000.0]), Err(MeasureError::TooShort { .. })));
    assert!(matches!(run(&[0.1], [70.0, 7000.0]), Err(MeasureError::TooShort { .. })));
    assert_eq!(run(&[0.0; 60_000], [70.0, 7000.0]), Err(MeasureError::Silent));
    assert_eq!(run(&[f32::INFINITY; 60_000], [70.0, 7000.0]), Err(MeasureError::NotFinite));
    for pair in [[7000.0, 70.0], [0.0, 5.0], [f64::NAN, 1.0], [70.0, 23_000.0], [100.0, 100.0]] {
        assert!(matches!(run(&[0.1; 60_000], pair), Err(MeasureError::Parameters(_))), "{pair:?}");
    }
    let p = run(&[0.5; 60_000], [70.0, 7000.0]).unwrap();
    assert!(!matches!(p.second(), Ratio::Is { value, .. } if !value.is_finite()), "{:?}", p.second());
}
