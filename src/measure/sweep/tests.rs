//! Closed forms of methods §5: the sweep is a function of time, played by a clock that drifts.

use std::f64::consts::{FRAC_PI_2, TAU};

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use realfft::num_complex::Complex;

use super::*;
use crate::measure::plans::fast_length;
use crate::units::{db, from_db};

type C = Complex<f64>;

/// The recommended row of methods §5.2 with the fades of the plan.
fn recommended(peak: f64) -> Sweep {
    Sweep {
        start_hz: 10.0,
        end_hz: 22_000.0,
        growth_seconds: 1.6,
        full_from_hz: 13.0,
        full_until_hz: 21_300.0,
        peak,
    }
}

/// Amplitude (of peak 1) and phase of the sweep at `t`; `None` outside.
fn state(sweep: &Sweep, t: f64) -> Option<(f64, f64)> {
    let time_of = |hz: f64| sweep.growth_seconds * (hz / sweep.start_hz).ln();
    let length = sweep.seconds();
    if !(0.0..length).contains(&t) {
        return None;
    }
    let fade = |x: f64| 0.5 - 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos();
    let level =
        fade(t / time_of(sweep.full_from_hz)) * fade((length - t) / (length - time_of(sweep.full_until_hz)));
    Some((level, TAU * sweep.start_hz * sweep.growth_seconds * (t / sweep.growth_seconds).exp()))
}

struct Bench {
    rate_hz: f64,
    ratio: f64,
    start_seconds: f64,
    seconds: f64,
}

impl Bench {
    fn new(rate_hz: f64, ppm: f64) -> Self {
        Self { rate_hz, ratio: 1.0 + ppm * 1e-6, start_seconds: -0.2137, seconds: 14.2 }
    }

    fn time(&self, n: usize) -> f64 {
        self.start_seconds + n as f64 * self.ratio / self.rate_hz
    }

    fn len(&self) -> usize {
        (self.seconds * self.rate_hz) as usize
    }

    /// The sweep through harmonics that hang on the instantaneous level `u` and the frequency:
    /// `line(n, u, f)` gives the n-th one's sine amplitude and phase. Harmonics fade out from 0.40 to 0.46
    /// fs, as in a converter's filter: nothing folds back, and nothing clicks.
    fn record(&self, sweep: &Sweep, orders: usize, line: impl Fn(usize, f64, f64) -> C) -> Vec<f64> {
        (0..self.len())
            .map(|i| {
                let t = self.time(i);
                let Some((level, phase)) = state(sweep, t) else { return 0.0 };
                let f = sweep.start_hz * (t / sweep.growth_seconds).exp();
                (1..=orders)
                    .map(|n| {
                        let c = line(n, sweep.peak * level, f);
                        let edge = (f * n as f64 * self.ratio / self.rate_hz - 0.40) / 0.06;
                        let passed = if n == 1 {
                            1.0
                        } else {
                            0.5 + 0.5 * (std::f64::consts::PI * edge.clamp(0.0, 1.0)).cos()
                        };
                        passed * c.norm() * (n as f64 * phase + c.arg()).sin()
                    })
                    .sum()
            })
            .collect()
    }

    fn measure(&self, x: &[f64], sweep: &Sweep, mains_hz: Option<f64>) -> Response {
        let samples: Vec<f32> = x.iter().map(|&v| v as f32).collect();
        let cut = Cut {
            samples: &samples,
            rate_hz: self.rate_hz,
            ratio: self.ratio,
            start_seconds: self.start_seconds,
        };
        measure(&cut, sweep, mains_hz, &mut Plans::default()).unwrap()
    }

    /// Passes a recording through `h(f)`, f by the player's clock.
    fn filter(&self, x: &[f64], h: impl Fn(f64) -> C) -> Vec<f64> {
        let mut plans = Plans::default();
        let length = fast_length(x.len() + self.rate_hz as usize);
        let mut padded = x.to_vec();
        padded.resize(length, 0.0);
        let mut bins = plans.transform(&mut padded);
        for (k, bin) in bins.iter_mut().enumerate() {
            *bin *= h(k as f64 * self.rate_hz / length as f64 / self.ratio);
        }
        let mut y = plans.signal(bins, length);
        y.truncate(x.len());
        y
    }
}

/// y = x + .1x² + .05x³ + .03x⁴ + .02x⁵ of a sine with peak u: reference §1, sine form.
/// sin² = ½ − ½ cos 2φ, sin³ = ¾ sin φ − ¼ sin 3φ, sin⁴ = ⅜ − ½ cos 2φ + ⅛ cos 4φ,
/// sin⁵ = ⅝ sin φ − 5/16 sin 3φ + 1/16 sin 5φ; cos x = sin(x + 90°).
fn polynomial(n: usize, u: f64) -> C {
    let minus_cos = C::from_polar(1.0, -FRAC_PI_2);
    match n {
        1 => C::from(u + 0.05 * 0.75 * u.powi(3) + 0.02 * 0.625 * u.powi(5)),
        2 => minus_cos * (0.1 * u * u / 2.0 + 0.03 * u.powi(4) / 2.0),
        3 => C::from(-0.05 * u.powi(3) / 4.0 - 0.02 * 5.0 / 16.0 * u.powi(5)),
        4 => -minus_cos * (0.03 * u.powi(4) / 8.0),
        5 => C::from(0.02 * u.powi(5) / 16.0),
        _ => C::from(0.0),
    }
}

/// The test amp of methods §5.2: +6 dB at 1 kHz Q 2, second-order ends (Q 0.707) at 80 Hz and 8 kHz.
fn test_amp(f: f64) -> C {
    let s = |corner: f64| C::new(0.0, f / corner);
    let high_pass = {
        let s = s(80.0);
        s * s / (s * s + s * std::f64::consts::SQRT_2 + 1.0)
    };
    let low_pass = {
        let s = s(8000.0);
        C::from(1.0) / (s * s + s * std::f64::consts::SQRT_2 + 1.0)
    };
    let peaking = {
        let (s, a) = (s(1000.0), from_db(3.0));
        (s * s + s * (a / 2.0) + 1.0) / (s * s + s / (a * 2.0) + 1.0)
    };
    high_pass * low_pass * peaking
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let mut uniform = || (f64::from(rng.next_u32()) + 0.5) / 4_294_967_296.0;
    (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos()
}

/// Largest error of level (dB) and of phase less mean delay (degrees) between two frequencies.
fn errors(r: &Response, truth: impl Fn(f64) -> C, delay: f64, from: f64, to: f64) -> (f64, f64) {
    let phase = r.phase_radians();
    let mut worst = (0.0f64, 0.0f64);
    let reference = db(r.magnitude_at(1000.0).unwrap() / truth(1000.0).norm());
    assert!(reference.abs() < 0.0005, "level at 1 kHz is off by {reference} dB");
    for (i, &f) in r.frequencies_hz.iter().enumerate() {
        if f < from * 0.9999 || f > to * 1.0001 {
            continue;
        }
        let value = r.order(1)[i].unwrap().response;
        let expected = truth(f) * C::from_polar(1.0, TAU * f * delay);
        worst.0 = worst.0.max(db(value.norm() / expected.norm()).abs());
        let turn = C::from_polar(1.0, phase[i]) / expected;
        worst.1 = worst.1.max(turn.arg().to_degrees().abs());
    }
    worst
}

/// Slope of the least-squares line through the phase of `truth` at 1 kHz · 10^(k/160) from 300 Hz to 3 kHz, each
/// weighted with its frequency.
fn true_delay(truth: impl Fn(f64) -> C) -> f64 {
    let (mut last, mut turns) = (0.0, 0.0);
    let points: Vec<(f64, f64)> = (-83..=76)
        .map(|k| {
            let f = 1000.0 * 10f64.powf(f64::from(k) / 160.0);
            let raw = truth(f).arg();
            turns -= ((raw + turns - last) / TAU).round() * TAU;
            last = raw + turns;
            (f, last)
        })
        .collect();
    let sum = |value: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(|p| p.0 * value(p)).sum::<f64>();
    let (f, phase) = (sum(&|p| p.0) / sum(&|_| 1.0), sum(&|p| p.1) / sum(&|_| 1.0));
    -sum(&|p| (p.0 - f) * (p.1 - phase)) / sum(&|p| (p.0 - f).powi(2)) / TAU
}

#[test]
fn response_of_the_test_amp_is_right_at_any_drift() {
    let sweep = recommended(0.4);
    for ppm in [0.0, 200.0, -200.0] {
        let bench = Bench::new(48_000.0, ppm);
        let x = bench.record(&sweep, 1, |_, u, _| C::from(u));
        let r = bench.measure(&bench.filter(&x, test_amp), &sweep, None);
        let delay = true_delay(test_amp);
        // Bands and bounds: methods §5.2, recommended row, as §11 sets them (clean).
        for (from, to, level, phase) in
            [(20.0, 25.0, 0.06, 0.3), (25.0, 30.0, 0.005, 0.3), (30.0, 20_000.0, 0.002, 0.05)]
        {
            let worst = errors(&r, test_amp, delay, from, to);
            assert!(worst.0 < level && worst.1 < phase, "{ppm} ppm, {from} to {to} Hz: {worst:?}");
        }
    }
}

#[test]
fn group_delay_is_the_slope_of_the_phase() {
    let sweep = recommended(0.4);
    let bench = Bench::new(48_000.0, 77.0);
    let x = bench.record(&sweep, 1, |_, u, _| C::from(u));
    let r = bench.measure(&bench.filter(&x, test_amp), &sweep, None);
    let slope = |f: f64| {
        let step = 1e-4 * f;
        -(test_amp(f + step) / test_amp(f - step)).arg() / (2.0 * step * TAU)
    };
    // The recorder's latency is not known: the delay at 1 kHz is put to that of the amp.
    let at = |hz: f64| r.frequencies_hz.iter().position(|f| (f / hz - 1.0).abs() < 1e-3).unwrap();
    let latency = r.group_delay_seconds[at(1000.0)] - slope(1000.0);
    // In cycles of the frequency: a phase that may be 0.3° off from 20 Hz, 0.05° from 30 Hz (methods §11) and turns
    // round within a third of an octave has a slope that is off by 1/(360·0.23) and a sixth of that.
    for (from, to, cycles) in [(20.0, 30.0, 0.0036), (30.0, 18_000.0, 0.0006)] {
        let off =
            r.frequencies_hz.iter().zip(&r.group_delay_seconds).filter(|(f, _)| (from..to).contains(*f));
        let off = off.map(|(&f, delay)| ((delay - latency - slope(f)) * f).abs()).fold(0.0, f64::max);
        assert!(off < cycles, "{from} to {to} Hz: {off}");
    }
}

#[test]
fn a_wrong_clock_ratio_shows_in_the_phase() {
    // Tests the test (methods §12.4): 0.1 ppm over the 12.16 s up to 20 kHz and the 1.0 s before them is
    // 360° · 20 kHz · 0.1e-6 · 13.16 s = 9.5°.
    let sweep = recommended(0.4);
    let mut bench = Bench { start_seconds: -1.0, seconds: 15.0, ..Bench::new(48_000.0, 50.0) };
    let x = bench.record(&sweep, 1, |_, u, _| C::from(u));
    bench.ratio += 1e-7;
    let r = bench.measure(&x, &sweep, None);
    let at = r.frequencies_hz.len() - 1;
    let degrees = r.order(1)[at].unwrap().response.arg().to_degrees();
    let expected = 360.0 * 20_000.0 * 1e-7 * (1.6 * 2000f64.ln() + 1.0);
    assert!((degrees.abs() - expected).abs() < 0.1, "{degrees} against {expected}");
    assert!((expected - 9.5).abs() < 0.05);
}

#[test]
fn harmonics_of_a_polynomial_are_right_in_level_and_phase() {
    let sweep = recommended(0.7);
    for ppm in [0.0, 200.0] {
        let bench = Bench::new(48_000.0, ppm);
        let x = bench.record(&sweep, 5, |n, u, _| polynomial(n, u));
        let r = bench.measure(&x, &sweep, None);
        let first = polynomial(1, 0.7);
        for n in 2..=5 {
            let expected = polynomial(n, 0.7) / first;
            let mut worst = [(0.0f64, 0.0f64); 3];
            for (i, &f) in r.frequencies_hz.iter().enumerate() {
                let Some(v) = r.order(n)[i] else {
                    assert!(f * n as f64 > 20_000.0, "H{n} is missing at {f} Hz");
                    continue;
                };
                let ratio = v.response / r.order(1)[i].unwrap().response;
                // The recording's own edge begins at 0.40 fs.
                if f * n as f64 > 19_000.0 {
                    continue;
                }
                let band = &mut worst[usize::from(f >= 40.0) + usize::from(f >= 60.0)];
                band.0 = band.0.max(db(ratio.norm() / expected.norm()).abs());
                band.1 = band.1.max((ratio / expected).arg().to_degrees().abs());
            }
            // Methods §5.5 measured 0.10 dB below 40 Hz, 0.001 dB and 0.01° above; §11 demands 0.02 dB from
            // 40 Hz. Between 40 and 60 Hz the sweep's begin still shows in the fundamental.
            for (worst, bound) in worst.iter().zip([(0.10, 1.0), (0.005, 0.03), (0.001, 0.011)]) {
                assert!(worst.0 < bound.0 && worst.1 < bound.1, "{ppm} ppm H{n}: {worst:?}, {bound:?}");
            }
        }
    }
}

/// The worked example of `sweep_example.csv`: 20 Hz to 20 kHz in 10.016 s, no fades, y = x + 0.1x² − 0.05x³.
#[test]
fn the_worked_example_comes_out() {
    let example = |name: &str| -> f64 {
        let table = include_str!("../../../tests/reference/sweep_example.csv");
        let row = table.lines().find(|l| l.split(',').next() == Some(name)).unwrap();
        row.split(',').nth(1).unwrap().parse().unwrap()
    };
    let sweep = Sweep {
        start_hz: 20.0,
        end_hz: 20_000.0,
        growth_seconds: example("L_rounded_s"),
        full_from_hz: 20.0,
        full_until_hz: 20_000.0,
        peak: 1.0,
    };
    // The rounding rule is what the plan makes its sweeps by (f₁L and f₂L whole numbers: no click at either end).
    let nominal = example("L_unrounded_s") * example("ln_f2_f1");
    let growth_seconds = crate::signals::plan::growth_seconds(20.0, 20_000.0, nominal);
    assert_eq!(growth_seconds, sweep.growth_seconds);
    assert_eq!(sweep.start_hz * sweep.growth_seconds, example("k_rounded"));
    assert!((sweep.end_hz * sweep.growth_seconds - example("f2_L")).abs() < 1e-8);
    let bench = Bench { seconds: 12.5, ..Bench::new(48_000.0, 0.0) };
    let record = |line: fn(usize, f64) -> C| bench.record(&sweep, 3, move |n, u, _| line(n, u));
    // sin² = ½ − ½ cos 2φ: H2 of +a₂ has −90°; −a₃ sin³ has its H3 in phase.
    let x = record(|n, u| match n {
        1 => C::from(u - 0.05 * 0.75 * u.powi(3)),
        2 => C::from_polar(0.1 * u * u / 2.0, -FRAC_PI_2),
        _ => C::from(0.05 * u.powi(3) / 4.0),
    });
    let r = bench.measure(&x, &sweep, None);
    let at = |n: usize, hz: f64| {
        let i = r.frequencies_hz.iter().position(|f| (f / hz - 1.0).abs() < 0.008).unwrap();
        (r.order(n)[i].unwrap().response, r.frequencies_hz[i])
    };
    let mut angles = Vec::new();
    for n in 1..=3 {
        // Output near 1 kHz, as the table's check by DFT, which got 0.15 % without taking care of the sweep's ends.
        let (value, _) = at(n, 1000.0 / n as f64);
        let expected = example(&format!("expected_absH{n}"));
        assert!((value.norm() / expected - 1.0).abs() < 1.5e-3, "H{n}: {value} against {expected}");
        angles.push((value.arg().to_degrees(), example(&format!("expected_argH{n}_deg"))));
    }
    // The same check found −89.86° and 0.04°.
    for (n, (found, expected)) in (1..).zip(angles) {
        assert!((found - expected).abs() < 0.15, "H{n}: {found}° against {expected}°");
    }
}

/// Half-power points of a first-order band against their closed form.
#[test]
fn half_power_points_are_right_within_the_target() {
    let (low, high) = (70.0, 9000.0);
    let amp = |f: f64| C::new(0.0, f / low) / C::new(1.0, f / low) / C::new(1.0, f / high);
    let reference = 1000.0;
    // |H|² = x/(1+x) · 1/(1+y), x = (f/70)², y = (f/9000)²: solved by bisection for half of its value at 1 kHz.
    let solve = |mut inside: f64, mut outside: f64| {
        for _ in 0..100 {
            let middle = (inside * outside).sqrt();
            if amp(middle).norm() > amp(reference).norm() / 2f64.sqrt() {
                inside = middle
            } else {
                outside = middle
            }
        }
        inside
    };
    let truth = (solve(1000.0, 20.0), solve(1000.0, 20_000.0));
    let sweep = recommended(0.045);
    let bench = Bench::new(48_000.0, -200.0);
    let clean = bench.filter(&bench.record(&sweep, 1, |_, u, _| C::from(u)), amp);
    let found = corners(&bench.measure(&clean, &sweep, None), Some(reference)).unwrap();
    let (f_low, f_high) = (found.low.frequency_hz().unwrap(), found.high.frequency_hz().unwrap());
    // Methods §11, clean: 0.05 %.
    assert!((f_low / truth.0 - 1.0).abs() < 5e-4, "{f_low} against {}", truth.0);
    assert!((f_high / truth.1 - 1.0).abs() < 5e-4, "{f_high} against {}", truth.1);

    // Bench: noise RMS −80 dB re 1, hum −60 (RMS −63) with 50.03 Hz lines; 0.3 %. The interval holds.
    let noisy = add_bench_noise(&bench, &clean, 80.0, 60.0, 50.03, 7);
    let r = bench.measure(&noisy, &sweep, Some(50.03));
    let found = corners(&r, Some(reference)).unwrap();
    for (corner, truth) in [(found.low, truth.0), (found.high, truth.1)] {
        let Corner::At { frequency_hz, sd_hz, comes_back } = corner else { panic!("{corner:?}") };
        assert!((frequency_hz / truth - 1.0).abs() < 3e-3, "{frequency_hz} against {truth}");
        // Four of its own standard deviations: once in 16000.
        assert!((frequency_hz - truth).abs() < 4.0 * sd_hz, "{frequency_hz} ± {sd_hz} against {truth}");
        assert!(sd_hz / truth < 3e-3 && !comes_back);
    }
}

/// Adds white noise (RMS `noise_db` under 1) and twelve mains lines k^−1.1 whose peaks' root-sum is
/// `hum_db` under 1 (methods, "How the numbers were made"); `mains_hz` by the recorder's clock.
fn add_bench_noise(
    bench: &Bench,
    x: &[f64],
    noise_db: f64,
    hum_db: f64,
    mains_hz: f64,
    seed: u64,
) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let root_sum: f64 = (1..=12).map(|k| f64::from(k).powf(-2.2)).sum::<f64>().sqrt();
    let phases: Vec<f64> = (0..12).map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0 * TAU).collect();
    x.iter()
        .enumerate()
        .map(|(i, v)| {
            let t = i as f64 / bench.rate_hz;
            let hum: f64 = (1..=12)
                .zip(&phases)
                .map(|(k, p)| f64::from(k).powf(-1.1) * (TAU * mains_hz * f64::from(k) * t + p).sin())
                .sum();
            v + from_db(-noise_db) * gaussian(&mut rng) + from_db(-hum_db) / root_sum * hum
        })
        .collect()
}

#[test]
fn hum_and_noise_leave_the_response_within_the_bench_target() {
    // Methods §5.4: −27 dBFS sweep, noise −80, hum −60 through an 8 kHz low-pass.
    let sweep = recommended(from_db(-27.0));
    let bench = Bench::new(48_000.0, 137.0);
    let clean = bench.filter(&bench.record(&sweep, 1, |_, u, _| C::from(u)), test_amp);
    let noisy = add_bench_noise(&bench, &clean, 80.0, 60.0, 49.93, 3);
    let r = bench.measure(&noisy, &sweep, Some(49.93));
    let left_in = bench.measure(&noisy, &sweep, None);
    // Methods §11, response, bench (after mains removal): largest error by band.
    for (from, to, bound) in
        [(30.0, 80.0, 0.1), (80.0, 300.0, 0.07), (300.0, 3000.0, 0.02), (3000.0, 8000.0, 0.03)]
    {
        let worst = |r: &Response| {
            let errors = r.magnitudes().into_iter().filter(|p| (from..=to).contains(&p.0));
            errors.map(|(f, m)| db(m / test_amp(f).norm()).abs()).fold(0.0, f64::max)
        };
        assert!(worst(&r) < bound, "{from} to {to} Hz: {} dB", worst(&r));
        // Methods §5.4: removal is worth 17 dB where there are lines.
        assert!(from >= 300.0 || worst(&r) < worst(&left_in) / 7.0, "{} {}", worst(&r), worst(&left_in));
    }
    // The stated noise is what the errors are: root mean square of error over noise is 1, 0.2 either way
    // (about 60 independent values above 300 Hz in windows of 0.3 s, and the noise's own estimate).
    let ratios: Vec<f64> = (r.frequencies_hz.iter().zip(r.order(1)))
        .filter(|(f, _)| (1000.0..19_000.0).contains(*f))
        .map(|(&f, v)| {
            let v = v.unwrap();
            let error = v.response - test_amp(f);
            error.norm() / v.noise
        })
        .collect();
    let rms = (ratios.iter().map(|v| v * v).sum::<f64>() / ratios.len() as f64).sqrt();
    assert!((0.8..1.2).contains(&rms), "{rms}");
}

#[test]
fn the_ripple_is_in_its_interval_although_noise_makes_it_larger() {
    let plan = Plan::short(&crate::signals::Choices::default());
    let segment = plan.segment("sweep_low").unwrap();
    let short = Sweep::of(&plan, &segment.signal).unwrap();
    let bench = Bench { seconds: segment.length_seconds + 0.4, ..Bench::new(48_000.0, 0.0) };
    let clean = bench.filter(&bench.record(&short, 1, |_, u, _| C::from(u)), test_amp);
    let ripple = |x: &[f64]| {
        let mut figures = crate::analysis::Figures::default();
        put_response(&mut figures, &bench.measure(x, &short, None));
        let ripple = figures.get("ripple").unwrap().clone();
        (ripple.value.unwrap(), ripple.interval.unwrap())
    };
    let (truth, [low, high]) = ripple(&clean);
    assert!((low..=high).contains(&truth) && truth > 1.0, "{truth} {low} {high}");
    let found: Vec<_> =
        (0..24).map(|seed| ripple(&add_bench_noise(&bench, &clean, 50.0, 200.0, 50.0, seed))).collect();
    let mean = found.iter().map(|f| f.0).sum::<f64>() / 24.0;
    assert!(mean > truth, "noise only adds: {mean} {truth}");
    // All levels at once: it holds in 95 % or more; fewer than 20 of 24 once in 3000 (binomial).
    let held = found.iter().filter(|(_, [low, high])| (low..=high).contains(&&truth)).count();
    assert!(held >= 20, "{held} of 24");
    // It says something. Over equal noise it is 2·2·4.2 sd wide, and the largest of 24 errors is about 2√2 sd: six
    // times; noise is not equal over the band, which may double that.
    let worst = found.iter().map(|f| (f.0 - truth).abs()).fold(0.0, f64::max);
    let widest = found.iter().map(|(_, [low, high])| high - low).fold(0.0, f64::max);
    assert!(widest < 12.0 * worst, "{widest} {worst}");
}

#[test]
fn the_error_of_taking_hum_out_is_in_the_interval() {
    // The short programme's sweep at its low level, hum of −60 dB and next to no noise: the lower corner lies at a
    // line, where what the removal leaves is all the error there is. 24 phases; of 24 intervals of 95 % fewer than 18
    // hold the truth once in 4000 (binomial).
    let plan = Plan::short(&crate::signals::Choices::default());
    let segment = plan.segment("sweep_low").unwrap();
    let short = Sweep::of(&plan, &segment.signal).unwrap();
    let bench = Bench { seconds: segment.length_seconds + 0.4, ..Bench::new(48_000.0, 40.0) };
    for corner_hz in [50.0, 100.0] {
        let amp = |f: f64| C::new(0.0, f / corner_hz) / C::new(1.0, f / corner_hz);
        let clean = bench.filter(&bench.record(&short, 1, |_, u, _| C::from(u)), amp);
        let corner = |x: &[f64], mains_hz| match corners(&bench.measure(x, &short, mains_hz), Some(1000.0)) {
            Some(Corners { low: Corner::At { frequency_hz, sd_hz, .. }, .. }) => (frequency_hz, sd_hz),
            other => panic!("{other:?}"),
        };
        let (truth, _) = corner(&clean, None);
        let found: Vec<(f64, f64)> = (0..24)
            .map(|seed| corner(&add_bench_noise(&bench, &clean, 110.0, 60.0, 50.04, seed), Some(50.04)))
            .collect();
        let held = found.iter().filter(|(f, sd)| (f - truth).abs() < 1.96 * sd).count();
        assert!(held >= 18, "{corner_hz} Hz: {held} of 24");
        // An interval ten times too wide would hold as well, and say nothing.
        let rms = |of: &dyn Fn(&(f64, f64)) -> f64| {
            (found.iter().map(|p| of(p).powi(2)).sum::<f64>() / 24.0).sqrt()
        };
        let (error, told) = (rms(&|p| p.0 - truth), rms(&|p| p.1));
        assert!(told < 5.0 * error, "{corner_hz} Hz: {error} Hz, told {told} Hz");
    }
}

#[test]
fn the_interface_is_divided_out() {
    // Methods §5.6: an interface with ends at 4 Hz and 20.2 kHz (second order), 80 ppm, in both recordings.
    let interface = |f: f64| {
        let s = C::new(0.0, f / 20_200.0);
        C::new(0.0, f / 4.0) / C::new(1.0, f / 4.0) / (s * s + s * std::f64::consts::SQRT_2 + 1.0)
    };
    let sweep = recommended(0.3);
    let bench = Bench::new(48_000.0, 80.0);
    let played = bench.record(&sweep, 2, |n, u, _| if n == 1 { C::from(u) } else { C::from(0.001 * u) });
    let through = bench.filter(&played, interface);
    let alone = bench.measure(&through, &sweep, None);
    let amp = bench.measure(&bench.filter(&through, |f| 0.5 * test_amp(f)), &sweep, None);
    let r = divide(&amp, &alone, 1000.0).unwrap();
    let truth = |f: f64| 0.5 * test_amp(f) * interface(1000.0).norm();
    let delay = true_delay(truth);
    // §5.6 measured 0.0005 dB / 0.005°, 0.005 / 0.02 and 0.011 / 0.11; doubled where the sweep's other fades count.
    for (from, to, level, phase) in
        [(100.0, 10_000.0, 0.0005, 0.01), (40.0, 20_000.0, 0.005, 0.02), (30.0, 20_000.0, 0.011, 0.11)]
    {
        let worst = errors(&r, truth, delay, from, to);
        assert!(worst.0 < level && worst.1 < phase, "{from} to {to} Hz: {worst:?}");
    }
    // The interface's H2, 0.1 %, stays as a floor of the amp's H2 (harmonics pass the amp's response too).
    let i = r.frequencies_hz.iter().position(|f| (*f - 1000.0).abs() < 1e-6).unwrap();
    let floor = r.order(2)[i].unwrap().interface / r.order(1)[i].unwrap().response.norm();
    assert!((floor / 0.001 - 1.0).abs() < 0.01, "{floor}");
    let other = Response { frequencies_hz: vec![1.0], ..alone };
    assert!(divide(&amp, &other, 1000.0).is_none());
}

#[test]
fn power_bandwidth_ends_at_ten_per_cent_or_half_power() {
    // H2 re H1 is 10 % · (90 Hz / f)²: over the limit below 90 Hz. The level falls as a first-order
    // low-pass at 6 kHz, whose half-power point re 1 kHz is 6000 · √(1 + 2/36) Hz.
    let sweep = recommended(0.5);
    let bench = Bench::new(48_000.0, 0.0);
    let x = bench.record(&sweep, 2, |n, u, f| match n {
        1 => C::from(u),
        _ => C::from(u * 0.1 * (90.0 / f.max(20.0)).powi(2)),
    });
    let y = bench.filter(&x, |f| C::from(1.0) / C::new(1.0, f / 6000.0));
    let r = bench.measure(&y, &sweep, None);
    let band = power_bandwidth(&r, 1000.0, 0.1).unwrap();
    let (low, high) = (band.low.frequency_hz().unwrap(), band.high.frequency_hz().unwrap());
    let expected_high = 6000.0 * (1.0f64 + 2.0 / 36.0).sqrt();
    // The harmonic itself is 180 Hz and loses 0.002 dB more than the tone; grid and edge: half a per cent.
    assert!((low / 90.0 - 1.0).abs() < 5e-3, "{low}");
    assert!((high / expected_high - 1.0).abs() < 5e-4, "{high}");
    assert!(power_bandwidth(&r, 60.0, 0.1).is_none(), "the reference itself is over the limit");
    let flat = bench.measure(&bench.record(&sweep, 1, |_, u, _| C::from(u)), &sweep, None);
    let ends = corners(&flat, Some(1000.0)).unwrap();
    assert!(matches!(ends.low, Corner::Beyond { limit_hz } if limit_hz == 20.0));
    assert!(matches!(ends.high, Corner::Beyond { limit_hz } if limit_hz == 20_000.0));
}

#[test]
fn a_short_sweep_and_other_rates_give_the_same_response() {
    // The short programme's sweep: e-fold time 0.2 s, so windows of a few hundredths of a second.
    let short = Sweep { growth_seconds: 0.2, ..recommended(0.4) };
    let bench = Bench { seconds: 2.6, ..Bench::new(48_000.0, -60.0) };
    let x = bench.record(&short, 3, |n, u, _| polynomial(n, u));
    let r = bench.measure(&bench.filter(&x, test_amp), &short, None);
    for (f, m) in r.magnitudes().into_iter().filter(|p| (100.0..10_000.0).contains(&p.0)) {
        let error = db(m / (test_amp(f).norm() * polynomial(1, 0.4).norm() / 0.4));
        // Windows of 42 ms before the response blur over 24 Hz: 0.05 dB beside the amp's 80 Hz corner.
        assert!(error.abs() < 0.05, "{f} Hz: {error} dB");
    }
    let long = recommended(0.4);
    let at_48 = {
        let bench = Bench::new(48_000.0, 30.0);
        bench.measure(
            &bench.filter(&bench.record(&long, 2, |n, u, _| polynomial(n, u)), test_amp),
            &long,
            None,
        )
    };
    for rate_hz in [44_100.0, 96_000.0, 192_000.0] {
        let bench = Bench::new(rate_hz, 30.0);
        let y = bench.filter(&bench.record(&long, 2, |n, u, _| polynomial(n, u)), test_amp);
        let r = bench.measure(&y, &long, None);
        for (i, &f) in r.frequencies_hz.iter().enumerate().filter(|(_, f)| (40.0..8700.0).contains(*f)) {
            for n in 1..=2 {
                let (a, b) = (r.order(n)[i].unwrap().response, at_48.order(n)[i].unwrap().response);
                // Methods §10: 0.0014 dB between rates. (Below 0.40 fs of the lowest: the recordings' edge.)
                assert!(db(a.norm() / b.norm()).abs() < 0.0014, "{rate_hz} {f} H{n}");
            }
        }
    }
}

#[test]
fn what_cannot_be_measured_says_so() {
    let sweep = recommended(0.4);
    let run = |samples: &[f32], rate_hz: f64, start_seconds: f64| {
        let cut = Cut { samples, rate_hz, ratio: 1.0, start_seconds };
        measure(&cut, &sweep, Some(50.0), &mut Plans::default())
    };
    let seconds = 13 * 48_000;
    assert!(matches!(run(&[], 48e3, 0.0), Err(MeasureError::TooShort { .. })));
    assert!(matches!(run(&[0.5], 48e3, 0.0), Err(MeasureError::TooShort { .. })));
    assert!(matches!(run(&vec![0.1; seconds], 48e3, 3.0), Err(MeasureError::TooShort { .. })));
    assert_eq!(run(&vec![0.0; seconds], 48e3, 0.0), Err(MeasureError::Silent));
    assert_eq!(run(&vec![f32::NAN; seconds], 48e3, 0.0), Err(MeasureError::NotFinite));
    assert!(matches!(run(&[0.1], f64::NAN, 0.0), Err(MeasureError::Parameters(_))));
    assert!(matches!(run(&[0.1], 48e3, f64::INFINITY), Err(MeasureError::Parameters(_))));
    // A constant, a huge value and a very low sample rate: no panic, every value finite.
    for (value, rate_hz) in [(1.0f32, 48e3), (3e38, 48e3), (0.1, 100.0)] {
        let samples = vec![value; (13.0 * rate_hz) as usize];
        let r = run(&samples, rate_hz, 0.0).unwrap();
        assert!(r.magnitudes().iter().all(|p| p.1.is_finite()));
        let _ = (
            corners(&r, Some(1000.0)),
            corners(&r, None),
            power_bandwidth(&r, 1000.0, 0.1),
            r.phase_radians(),
        );
    }
    let nonsense = Sweep { end_hz: 5.0, ..sweep };
    let cut = Cut { samples: &[0.1], rate_hz: 48e3, ratio: 1.0, start_seconds: 0.0 };
    assert!(matches!(
        measure(&cut, &nonsense, None, &mut Plans::default()),
        Err(MeasureError::Parameters(_))
    ));
}
