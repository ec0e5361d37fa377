//! Static devices on the 66 steps of the ladder, their knee at twenty places between two steps: the limits of THD and
//! the clip points lie where a fine ladder by the same definition has them (docs: methods, sections 4.1 and 4.2).
//!
//! A device without memory before a filter gives harmonics that can be written down: the samples of each step are the
//! sum of those, as the recorder hears them. The fine ladder is made of the same harmonics in steps of 0.02 dB, without
//! any interpolation. A device whose input and output are both scaled by one factor keeps its shape, and its knee lies
//! by that factor higher.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

use std::f64::consts::{SQRT_2, TAU};

use rayon::prelude::*;
use twinload::measure::ladder::{self, Between, Crossing, Headroom, LeftOut, Step};
use twinload::measure::{Cut, Plans};
use twinload::signals::{Choices, Plan, Signal};

const RATE_HZ: f64 = 48_000.0;
/// H19 of 1010 Hz is the last under 20 kHz.
const ORDERS: usize = 19;
/// 101 cycles of 1010 Hz take 4800 samples of 48 kHz exactly.
const CYCLES: usize = 101;
const PERIOD: usize = 4800;
/// Twenty places of the knee between two steps of 0.5 dB.
const PLACES: usize = 20;

type Curve = fn(f64) -> f64;

/// A device of methods §4.2: what it does, where by the methods its halves clip, and how far off each figure may be.
struct Known {
    name: &'static str,
    curve: Curve,
    /// Whether it clips at all.
    clips: bool,
    /// Clip points of both halves on a fine ladder, dB, where methods §4.2 gives them for just this device.
    clip_db: Option<[f64; 2]>,
    /// Largest error of the clip points, dB (methods §4.2, "grid error").
    clip_error_db: f64,
    /// Largest errors of the drives at 1, 3, 5 and 10 % THD, dB (methods §4.1, last column).
    thd_error_db: [f64; 4],
}

fn at_db(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}

fn hard(x: f64) -> f64 {
    x.clamp(-at_db(-8.0), at_db(-8.0))
}

/// Slope ½ at a peak of −9.10 dB: cosh²(g A) = 2.
fn soft(x: f64) -> f64 {
    let g = SQRT_2.acosh() / at_db(-9.10);
    (g * x).tanh() / g
}

fn one_sided(x: f64) -> f64 {
    x.clamp(-at_db(-4.0), at_db(-12.0))
}

/// 11 % of H2 at the top, and no flat part.
fn never_clips(x: f64) -> f64 {
    x + 0.22 * x * x
}

/// The same, clipped at the two bare knees of methods §4.2, which does not tell its polynomial: its THD is flat and
/// under 5 % before the knee, then steep.
fn single_ended(x: f64) -> f64 {
    never_clips(x).clamp(never_clips(-at_db(-8.12)), never_clips(at_db(-7.53)))
}

/// Half of the tables' last digit, and what a fine ladder of 0.02 dB itself may err by.
const HALF_DIGIT_DB: f64 = 0.005;

const DEVICES: [Known; 5] = [
    Known {
        name: "hard clip",
        curve: hard,
        clips: true,
        clip_db: Some([-7.81, -7.81]),
        clip_error_db: 0.012,
        thd_error_db: [0.04, 0.01, 0.00, 0.00],
    },
    Known {
        name: "tanh",
        curve: soft,
        clips: true,
        clip_db: Some([-9.04, -9.04]),
        clip_error_db: 0.001,
        thd_error_db: [0.01; 4],
    },
    Known {
        name: "one-sided clip",
        curve: one_sided,
        clips: true,
        clip_db: Some([-11.81, -3.82]),
        clip_error_db: 0.021,
        thd_error_db: [0.04, 0.01, 0.00, 0.00],
    },
    Known {
        name: "curved, then clipped",
        curve: single_ended,
        clips: true,
        clip_db: None,
        clip_error_db: 0.026,
        thd_error_db: [0.01, 0.02, 0.02, 0.01],
    },
    Known {
        name: "curved, never clipped",
        curve: never_clips,
        clips: false,
        clip_db: None,
        clip_error_db: 0.0,
        thd_error_db: [0.01; 4],
    },
];

/// What 80 Hz (first order) and 8 kHz (second order, maximally flat) leave of the harmonics of 1010 Hz: (re, im).
fn band() -> [(f64, f64); ORDERS] {
    std::array::from_fn(|k| {
        let hz = 1010.0 * (k + 1) as f64;
        let low = (1.0, -80.0 / hz);
        let u = hz / 8000.0;
        let high = (1.0 - u * u, SQRT_2 * u);
        let (re, im) = (low.0 * high.0 - low.1 * high.1, low.0 * high.1 + low.1 * high.0);
        let size = re * re + im * im;
        (re / size, -im / size)
    })
}

/// Cosine at 4800 places of the circle.
struct Circle(Vec<f64>);

impl Circle {
    fn new() -> Self {
        Self((0..PERIOD).map(|n| (TAU * n as f64 / PERIOD as f64).cos()).collect())
    }

    fn cos(&self, place: usize) -> f64 {
        self.0[place % PERIOD]
    }

    fn sin(&self, place: usize) -> f64 {
        self.0[(place + 3 * PERIOD / 4) % PERIOD]
    }

    /// Peaks of the harmonics of `curve(peak · cos t)`: cosines. By the trapezoid rule on 4800 points, where what
    /// folds of a corner's harmonics (they fall as 1/n²) is 2e-7 of the whole.
    fn series(&self, curve: impl Fn(f64) -> f64, peak: f64) -> [f64; ORDERS] {
        let values: Vec<f64> = self.0.iter().map(|c| curve(peak * c)).collect();
        std::array::from_fn(|k| {
            let sum: f64 = values.iter().enumerate().map(|(n, v)| v * self.cos((k + 1) * n)).sum();
            2.0 * sum / PERIOD as f64
        })
    }

    /// One period of the recording, 101 cycles, of these harmonics after the filter.
    fn recorded(&self, series: &[f64; ORDERS], band: &[(f64, f64); ORDERS]) -> Vec<f32> {
        let value = |n: usize| -> f64 {
            let of = |k: usize| {
                let place = (k + 1) * CYCLES * n;
                series[k] * (band[k].0 * self.cos(place) - band[k].1 * self.sin(place))
            };
            (0..ORDERS).map(of).sum()
        };
        (0..PERIOD).map(|n| value(n) as f32).collect()
    }
}

/// Where the fine ladder has each THD limit and each clip point, dB; `None`: nowhere.
#[derive(Debug)]
struct Truth {
    thd_db: [Option<f64>; 4],
    clip_db: [Option<f64>; 2],
}

/// Step of the fine ladder.
const FINE_DB: f64 = 0.02;

fn truth(known: &Known, circle: &Circle, band: &[(f64, f64); ORDERS]) -> Truth {
    let drives: Vec<f64> = (0..).map(|k| -45.5 + FINE_DB * k as f64).take_while(|d| *d < 0.51).collect();
    let lines: Vec<[(f64, f64); ORDERS]> = drives
        .par_iter()
        .map(|&d| {
            let series = circle.series(known.curve, at_db(d));
            // The fundamental's phase is put to 0, those of the others with it.
            let turn = -band[0].1.atan2(band[0].0);
            std::array::from_fn(|k| {
                let (sin, cos) = (turn * (k + 1) as f64).sin_cos();
                let (re, im) = band[k];
                (series[k] * (re * cos - im * sin), series[k] * (re * sin + im * cos))
            })
        })
        .collect();
    let size = |line: &(f64, f64)| line.0.hypot(line.1);
    let thd: Vec<f64> = lines
        .iter()
        .map(|l| 100.0 * l[1..].iter().map(|x| size(x).powi(2)).sum::<f64>().sqrt() / size(&l[0]))
        .collect();
    let thd_db = ladder::LIMITS_PERCENT.map(|limit| passes(&drives, &thd, limit));
    let crests: Vec<[f64; 2]> = lines.par_iter().map(|l| crests(l, circle)).collect();
    // All devices have a slope of 1 at the origin.
    let gain = size(&band[0]);
    let reach = (0.5 / FINE_DB).round() as usize;
    let inner = reach..drives.len() - reach;
    let centres: Vec<f64> = drives[inner.clone()].to_vec();
    let clip_db = [0, 1].map(|half| {
        let loss: Vec<f64> = inner
            .clone()
            .map(|k| {
                let played = at_db(drives[k + reach]) - at_db(drives[k - reach]);
                1.0 - (crests[k + reach][half] - crests[k - reach][half]) / (gain * played)
            })
            .collect();
        passes(&centres, &loss, 0.5)
    });
    Truth { thd_db, clip_db }
}

/// Crests of both halves re the mid-line, which is the mean of the wave at the fundamental's zeros (methods §4.2).
fn crests(lines: &[(f64, f64); ORDERS], circle: &Circle) -> [f64; 2] {
    let value = |n: usize| -> f64 {
        (0..ORDERS).map(|k| lines[k].0 * circle.cos((k + 1) * n) - lines[k].1 * circle.sin((k + 1) * n)).sum()
    };
    let middle = 0.5 * (value(PERIOD / 4) + value(3 * PERIOD / 4));
    // Every fifth of 4800 points is 0.375° apart: a crest is met within 5e-6 of it.
    let wave = (0..PERIOD).step_by(5).map(value);
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    for y in wave {
        (low, high) = (low.min(y), high.max(y));
    }
    [high - middle, middle - low]
}

/// Lowest place at which the values pass a limit upwards and stay past it for 0.5 dB.
fn passes(drives: &[f64], values: &[f64], limit: f64) -> Option<f64> {
    let stays = (0.5 / FINE_DB).round() as usize;
    let first = (1..values.len()).find(|&k| {
        values[k - 1] < limit && values[k..values.len().min(k + stays + 1)].iter().all(|v| *v >= limit)
    })?;
    let (before, here) = (values[first - 1], values[first]);
    Some(drives[first - 1] + FINE_DB * (limit - before) / (here - before))
}

/// The ladder of the programme through the device, its knee raised by `shift_db`: samples in, headroom out.
fn measured(
    known: &Known,
    shift_db: f64,
    circle: &Circle,
    band: &[(f64, f64); ORDERS],
    plans: &mut Plans,
) -> Headroom {
    let plan = Plan::programme(&Choices { top_dbfs: 0.0, ..Choices::default() });
    let segment = plan.segment("ladder_up").unwrap();
    let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = segment.signal else {
        panic!("the ladder is none")
    };
    assert_eq!((levels_db.len(), frequency_hz), (66, 1010.0));
    let factor = at_db(shift_db);
    // Half of full scale: the crest of a curved device lies above the input's.
    let shifted = |x: f64| 0.5 * factor * (known.curve)(x / factor);
    let samples: Vec<f32> = levels_db
        .iter()
        .flat_map(|&level| {
            let one = circle.recorded(&circle.series(shifted, at_db(level)), band);
            one.into_iter().cycle().take((step_seconds * RATE_HZ) as usize)
        })
        .collect();
    let cut = Cut { samples: &samples, rate_hz: RATE_HZ, ratio: 1.0, start_seconds: 0.0 };
    let steps: Vec<Step> = ladder::sorted(ladder::measure(
        &cut,
        frequency_hz,
        step_seconds,
        levels_db,
        plan.top_dbfs,
        &[],
        plans,
    ));
    assert_eq!(steps.len(), 66);
    Headroom::of(&Between::new(&steps).unwrap(), &steps, &LeftOut::default()).unwrap()
}

#[test]
fn wherever_the_knee_lies_between_two_steps_limits_and_clip_points_are_found() {
    let (circle, band) = (Circle::new(), band());
    let mut faults = Vec::new();
    for known in &DEVICES {
        let truth = truth(known, &circle, &band);
        assert!(truth.clip_db.iter().all(|c| c.is_some() == known.clips), "{}: {truth:?}", known.name);
        // The fine ladder made here is the one that methods speaks of, which gives two decimals.
        for (ours, theirs) in truth.clip_db.iter().flatten().zip(known.clip_db.iter().flatten()) {
            assert!((ours - theirs).abs() < 0.01, "{}: {ours}, in methods {theirs}", known.name);
        }
        let found: Vec<(f64, Headroom)> = (0..PLACES)
            .into_par_iter()
            .map(|place| {
                let shift_db = 0.5 * place as f64 / PLACES as f64 - 0.25;
                (shift_db, measured(known, shift_db, &circle, &band, &mut Plans::default()))
            })
            .collect();
        let mut worst = [0.0f64; 6];
        for (shift_db, headroom) in &found {
            let clip = [headroom.clip_positive, headroom.clip_negative];
            let all = headroom.thd.iter().chain(&clip);
            let expected = truth.thd_db.iter().chain(&truth.clip_db);
            for (k, (crossing, expected)) in all.zip(expected).enumerate() {
                let allowed =
                    known.thd_error_db.get(k).copied().unwrap_or(known.clip_error_db) + HALF_DIGIT_DB;
                match (crossing, expected) {
                    (Crossing::At { drive_db, .. }, Some(expected)) => {
                        let error = (drive_db - expected - shift_db).abs();
                        worst[k] = worst[k].max(error);
                        if error > allowed {
                            faults.push(format!(
                                "{}, {shift_db:+.3} dB, figure {k}: {drive_db} ({error:.4} dB off)",
                                known.name
                            ));
                        }
                    }
                    (Crossing::NotReached, None) => {}
                    (found, expected) => {
                        faults.push(format!(
                            "{}, {shift_db:+.3} dB, figure {k}: {found:?}, expected {expected:?}",
                            known.name
                        ));
                    }
                }
            }
        }
        println!("{}: {truth:?}, worst {worst:.4?} dB", known.name);
    }
    assert!(faults.is_empty(), "{faults:#?}");
}
