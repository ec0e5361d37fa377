//! Methods §7 and §12.6: white and pink noise, hum of known lines, none at all.

use super::*;
use crate::simulate::Hum;
use crate::simulate::noise::White;
use crate::units::{db, dbfs_of_peak, from_db};

const RATE_HZ: f64 = 48_000.0;

fn white(seconds: f64, rms: f64, seed: u64) -> Vec<f64> {
    let mut noise = White::new(seed);
    (0..(seconds * RATE_HZ) as usize).map(|_| rms * noise.value()).collect()
}

/// Pink noise from white: the spectrum times 1/√f from 5 Hz on, scaled to an RMS of 1 from 20 Hz to 20 kHz.
fn pink(seconds: f64, seed: u64) -> Vec<f64> {
    let mut x = white(seconds, 1.0, seed);
    let mut plans = Plans::default();
    let length = x.len();
    let mut bins = plans.transform(&mut x);
    // Density of unit white noise is 2/fs; ∫ c/f df from 20 to 20 k is c·ln 1000.
    let c = RATE_HZ / 2.0 / 1000f64.ln();
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= (c / (k as f64 * RATE_HZ / length as f64).max(5.0)).sqrt();
    }
    plans.signal(bins, length)
}

fn run(x: &[f64], plans: &mut Plans) -> Quiet {
    let samples: Vec<f32> = x.iter().map(|&v| v as f32).collect();
    let cut = Cut { samples: &samples, rate_hz: RATE_HZ, ratio: 1.0, start_seconds: 0.0 };
    measure(&cut, 50.0, plans).unwrap()
}

/// Bias and standard deviation, both in dB.
fn spread(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

#[test]
fn noise_levels_are_right_and_as_sure_as_they_say() {
    let mut plans = Plans::default();
    let rms = from_db(-80.0);
    let in_band = rms * (19_980.0f64 / 24_000.0).sqrt();
    let (mut flat, mut a, mut stated) = (Vec::new(), Vec::new(), Vec::new());
    let (mut pink_flat, mut pink_stated) = (Vec::new(), Vec::new());
    for seed in 0..48 {
        let q = run(&white(4.0, rms, seed), &mut plans);
        flat.push(db(q.noise.rms / in_band));
        // Flat noise from 20 Hz to 20 kHz: A −2.04827 dB, 468 +7.30144 dB (reference §3).
        a.push(db(q.noise_a.rms / in_band) + 2.048);
        assert!((db(q.noise_468.rms / in_band) - 7.301).abs() < 0.1);
        stated.push(db(1.0 + q.noise.sd / q.noise.rms));
        if seed % 2 == 1 {
            continue;
        }
        let q = run(&pink(4.0, seed), &mut plans);
        pink_flat.push(db(q.noise.rms));
        pink_stated.push(db(1.0 + q.noise.sd / q.noise.rms));
    }
    // Methods §11: sd ≤ 0.02 dB (white), 0.09 (pink); bias of §7 (0.002, −0.037) with its own error sd/√24.
    for (values, sd_limit, bias_limit) in [(&flat, 0.02, 0.01), (&a, 0.025, 0.015), (&pink_flat, 0.09, 0.06)]
    {
        let (bias, sd) = spread(values);
        assert!(sd < sd_limit && bias.abs() < bias_limit, "{bias} {sd}");
    }
    // The stated uncertainty is the spread of the takes: an sd of 24 values is known to 15 %; 3 of those. (The
    // simulation's noise is a little tighter than Gaussian: 8 %.)
    for (values, stated) in [(&flat, &stated), (&pink_flat, &pink_stated)] {
        let (_, sd) = spread(values);
        let mean = stated.iter().sum::<f64>() / stated.len() as f64;
        assert!((mean / sd - 1.0).abs() < 0.45, "{mean} {sd}");
    }
}

#[test]
fn hum_and_its_frequency_are_found() {
    let mut plans = Plans::default();
    for (hum_db, bound_db, bound_ppm) in [(-60.0, 0.03, 10.0), (-75.0, 0.1, 20.0)] {
        for (i, mains_hz) in [49.9, 49.973, 50.0, 50.1, 59.88, 60.0, 60.07, 60.12].into_iter().enumerate() {
            let mut x = white(4.0, from_db(-80.0), 50 + i as u64);
            Hum { mains_hz, peak: from_db(hum_db), lines: 12 }.add(&mut x, RATE_HZ, i as u64);
            let q = run(&x, &mut plans);
            let (found_hz, sd_hz) = q.mains.unwrap();
            let (hum, sd) = q.hum(|_| true).unwrap();
            // Methods §11, bench: 0.03 dB and 10 ppm at hum −60; §7 for −75 (0.041 dB, 5.9 ppm as maxima of 24).
            assert!((dbfs_of_peak(hum) - hum_db).abs() < bound_db, "{mains_hz}: {}", dbfs_of_peak(hum));
            assert!((found_hz / mains_hz - 1.0).abs() < bound_ppm * 1e-6, "{found_hz} against {mains_hz}");
            // Four and a half standard deviations: 16 trials of two figures pass with 0.9998.
            assert!((found_hz - mains_hz).abs() < 4.5 * sd_hz, "{found_hz} ± {sd_hz} against {mains_hz}");
            assert!((hum - from_db(hum_db)).abs() < 4.5 * sd, "{hum} ± {sd}");
            // Twelve lines were there; eight more are at most one of 8000 · 8 to be claimed falsely.
            assert!(q.lines.iter().filter(|l| l.seen).count() >= 6 && !q.lines[14].seen);
            // Line k has k^−1.1 of the first.
            let ratio = q.lines[1].peak / q.lines[0].peak;
            assert!((db(ratio) + 1.1 * db(2.0)).abs() < 0.3, "{ratio}");
        }
    }
}

#[test]
fn hum_without_noise_is_exact() {
    let mut plans = Plans::default();
    let mut x = white(4.0, 1e-7, 1);
    Hum { mains_hz: 50.0123, peak: 0.01, lines: 12 }.add(&mut x, RATE_HZ, 3);
    let q = run(&x, &mut plans);
    // Methods §11, clean: 1 ppm, 0.001 dB.
    assert!((q.mains.unwrap().0 / 50.0123 - 1.0).abs() < 1e-6, "{:?}", q.mains);
    assert!((dbfs_of_peak(q.hum(|_| true).unwrap().0) + 40.0).abs() < 1e-3);
    // Odd and even orders are told apart: their squares add up to all.
    let part = |even: bool| q.hum(|k| k.is_multiple_of(2) == even).unwrap().0;
    let (odd, even) = (part(false), part(true));
    assert!((odd.hypot(even) / 0.01 - 1.0).abs() < 1e-4 && odd > even);
}

#[test]
fn no_line_is_claimed_where_there_is_no_mains() {
    let mut plans = Plans::default();
    for seed in 0..60 {
        let x = if seed % 2 == 0 { white(4.0, from_db(-80.0), 900 + seed) } else { pink(4.0, 900 + seed) };
        let q = run(&x, &mut plans);
        assert!(q.mains.is_none(), "seed {seed}: {:?}", q.mains);
        assert!(q.lines.iter().all(|l| !l.seen && l.limit() > 0.0));
        let limit = q.hum(|_| true).unwrap_err();
        assert!(limit > 0.0);
    }
    // One strong tone that is no mains line: 440 Hz.
    let mut x = white(4.0, from_db(-80.0), 5);
    for (n, v) in x.iter_mut().enumerate() {
        *v += 0.01 * (std::f64::consts::TAU * 440.0 * n as f64 / RATE_HZ).sin();
    }
    assert!(run(&x, &mut plans).mains.is_none());
}

#[test]
fn half_a_second_and_other_rates_still_serve() {
    let mut plans = Plans::default();
    let mut x = white(0.8, from_db(-80.0), 5);
    Hum { mains_hz: 50.02, peak: from_db(-50.0), lines: 12 }.add(&mut x, RATE_HZ, 3);
    let q = run(&x, &mut plans);
    // 0.8 s parts frequencies by a fifth of what 4 s does, and noise by √5 less: methods §7 has 9.6 ppm at 1 s
    // with hum −60; 20 dB more hum here.
    assert!((q.mains.unwrap().0 / 50.02 - 1.0).abs() < 2e-5, "{:?}", q.mains);
    assert!((dbfs_of_peak(q.hum(|_| true).unwrap().0) + 50.0).abs() < 0.05);
    for rate_hz in [44_100.0, 96_000.0, 192_000.0] {
        let mut noise = White::new(8);
        let x: Vec<f32> = (0..(4.0 * rate_hz) as usize).map(|_| (1e-4 * noise.value()) as f32).collect();
        let cut = Cut { samples: &x, rate_hz, ratio: 1.0, start_seconds: 0.0 };
        let q = measure(&cut, 50.0, &mut plans).unwrap();
        let expected = 1e-4 * (19_980.0 / (rate_hz / 2.0)).sqrt();
        assert!(db(q.noise.rms / expected).abs() < 0.08, "{rate_hz}: {}", db(q.noise.rms / expected));
        // Density is flat: a band at 10 kHz against the whole.
        let &(centre, rms) =
            q.spectrum.iter().min_by(|a, b| (a.0 - 1e4).abs().total_cmp(&(b.0 - 1e4).abs())).unwrap();
        let width = centre * (2f64.powf(1.0 / 96.0) - 2f64.powf(-1.0 / 96.0));
        let expected = 1e-4 * (width / (rate_hz / 2.0)).sqrt();
        // 144 Hz over 4 s: 500 independent powers, an sd of 2.4 % or 0.2 dB of level; four of them.
        assert!(db(rms / expected).abs() < 0.8, "{rate_hz}: {}", db(rms / expected));
    }
}

#[test]
fn what_cannot_be_measured_says_so() {
    let mut plans = Plans::default();
    let mut run = |samples: &[f32], rate_hz: f64| {
        measure(&Cut { samples, rate_hz, ratio: 1.0, start_seconds: 0.0 }, 50.0, &mut plans)
    };
    assert!(matches!(run(&[], RATE_HZ), Err(MeasureError::TooShort { .. })));
    assert!(matches!(run(&[0.1], RATE_HZ), Err(MeasureError::TooShort { .. })));
    assert_eq!(run(&[0.0; 48_000], RATE_HZ), Err(MeasureError::Silent));
    assert_eq!(run(&[f32::NAN; 48_000], RATE_HZ), Err(MeasureError::NotFinite));
    assert!(matches!(run(&[0.1; 48_000], f64::NAN), Err(MeasureError::Parameters(_))));
    // A constant and huge values: no panic, and no hum.
    for value in [0.25f32, 3e38] {
        let q = run(&vec![value; 96_000], RATE_HZ).unwrap();
        assert!(q.noise.rms.is_finite() && q.noise.rms < f64::from(value) * 1e-6, "{:?}", q.noise);
    }
}
