//! Sweeps, pairs, bursts and the quiet segment through the whole path (plan, device, recorder, markers, figures):
//! what must not change a figure does not, and the interface is divided out.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use twinload::measure::{self, Loopback, Measured, Plans};
use twinload::signals::{Choices, Plan};
use twinload::simulate::{self, Band, Chain, Device, Gain, Hum, Polynomial, Recorder};
use twinload::takes::detect::Detector;
use twinload::takes::tape::Tape;
use twinload::takes::{Scale, Take};

fn plan() -> Plan {
    Plan::short(&Choices::default())
}

fn take(device: &mut dyn Device, recorder: &Recorder) -> Take {
    let plan = plan();
    let (rate_hz, samples) = simulate::take(&plan, device, recorder);
    let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
    let mut detector = Detector::new(f64::from(rate_hz));
    detector.feed(&samples);
    let hits = detector.finish();
    Take::find(Tape::of(samples), f64::from(rate_hz), &hits, &[plan]).unwrap().unwrap()
}

fn measured(recorder: &Recorder) -> Measured {
    measure::take(&take(&mut amp(), recorder), &Scale::default(), &mut Plans::default())
}

/// 2 % and 1 % of second and third harmonic at full level between 80 Hz and 8 kHz.
fn amp() -> Chain {
    Chain(vec![Box::new(Polynomial(vec![1.0, 0.05, 0.05])), Box::new(Band::new(80.0, 8000.0))])
}

fn recorder() -> Recorder {
    let hum = Some(Hum { mains_hz: 50.0, peak: 1e-4, lines: 6 });
    Recorder {
        oversample: 4,
        latency_seconds: 0.2,
        tail_seconds: 0.3,
        noise_rms: 1e-6,
        units_per_output: 0.8,
        hum,
        ..Recorder::default()
    }
}

/// Figures that a change of recorder must leave alone, with what they may move by: two short programmes of one amp
/// differ by noise (−120 dB) and by the method's own error at a short sweep.
const STEADY: [(&str, f64); 12] = [
    // Hz; half of what a whole programme may err by (methods §11: 0.3 %).
    ("low_corner", 0.12),
    ("high_corner", 12.0),
    ("power_bandwidth_low", 0.12),
    ("power_bandwidth_high", 12.0),
    // Per cent of the tones; methods §11: 0.05 dB, here of about 1 %.
    ("modulation_distortion", 0.005),
    ("difference_distortion_2", 0.005),
    ("difference_distortion_3", 0.005),
    ("thd_100_hz", 0.01),
    // dB; methods §11: 0.02.
    ("burst_margin", 0.02),
    ("sag", 0.02),
    ("recovery_dip", 0.02),
    ("ripple", 0.01),
];

#[test]
fn gain_polarity_delay_offset_clock_and_rate_change_no_figure() {
    let first = measured(&recorder());
    let others: [(&str, Recorder); 6] = [
        ("gain", Recorder { units_per_output: 0.25, ..recorder() }),
        ("polarity", Recorder { units_per_output: -0.8, ..recorder() }),
        ("a longer delay", Recorder { latency_seconds: 3.512_34, ..recorder() }),
        ("an offset", Recorder { dc: 0.02, ..recorder() }),
        ("another clock", Recorder { clock_ppm: -173.0, ..recorder() }),
        ("another sample rate", Recorder { rate_hz: 44_100, ..recorder() }),
    ];
    for (what, other) in others {
        let other = measured(&other);
        for (name, bound) in STEADY {
            let value = |m: &Measured| m.figures.value(name).unwrap_or_else(|| panic!("{what}: no {name}"));
            let (a, b) = (value(&first), value(&other));
            assert!((a - b).abs() <= bound, "{what}: {name} went from {a} to {b}");
        }
        // Response curves lie on each other: 0.02 dB from 100 Hz to 10 kHz.
        let curve = |m: &Measured| m.curves["response_low_drive"].points("frequency", "magnitude");
        for ((f, a), (_, b)) in curve(&first).into_iter().zip(curve(&other)) {
            let inside = (100.0..10_000.0).contains(&f);
            assert!(!inside || (a - b).abs() < 0.02, "{what}: {f} Hz {a} {b}");
        }
    }
}

#[test]
fn the_segments_give_the_closed_forms_of_the_amp() {
    let m = measured(&recorder());
    let value =
        |name: &str| m.figures.value(name).unwrap_or_else(|| panic!("{name}: {:?}", m.figures.get(name)));
    // First order at 80 Hz, second at 8 kHz, re 1 kHz: half power at 79.76 and 8001 Hz (solved by bisection below).
    let gain = |f: f64| 1.0 / (1.0 + (80.0 / f).powi(2)) / (1.0 + (f / 8000.0).powi(4));
    let solve = |mut inside: f64, mut outside: f64| {
        for _ in 0..60 {
            let middle = (inside * outside).sqrt();
            if gain(middle) > gain(1000.0) / 2.0 { inside = middle } else { outside = middle }
        }
        inside
    };
    // Methods §11, bench: 0.3 %. (The device's second-order end is bent by at most 0.1 % at 192 kHz.)
    for (name, truth) in [("low_corner", solve(1000.0, 20.0)), ("high_corner", solve(1000.0, 20_000.0))] {
        assert!((value(name) / truth - 1.0).abs() < 3e-3, "{name}: {} against {truth}", value(name));
    }
    // Hum: six lines, root-sum of peaks −80 dBFS; 0.03 dB (methods §11). Mains 10 ppm of 50 Hz, but the quiet
    // segment of the short programme has 1.1 s instead of 4: five times that.
    assert!((value("hum_total") + 80.0).abs() < 0.03, "{}", value("hum_total"));
    assert!((value("mains_frequency") - 50.0).abs() < 50.0 * 50e-6, "{}", value("mains_frequency"));
    // Noise: 1e-6 over 24 kHz, 20 Hz to 20 kHz, sine-referred: −120 + 3.01 − 0.80 dB; sd 0.03 dB at 1.1 s.
    let truth = -120.0 + 3.0103 + 10.0 * (19_980.0f64 / 24_000.0).log10();
    assert!((value("noise") - truth).abs() < 0.12, "{} against {truth}", value("noise"));
    // 5 + 6 kHz at peak sum −10 dB re top (−1 dBFS): d2 = a2 A²·|H(1 kHz)| / Σ|H|·(A + …): closed form of reference §2.
    let a = 10f64.powf(-11.0 / 20.0) / 2.0;
    let size = |f: f64| gain(f).sqrt();
    let tone = a + 0.05 * (0.75 + 1.5) * a.powi(3);
    let expected = 100.0 * 0.05 * a * a * size(1000.0) / (tone * (size(5000.0) + size(6000.0)));
    let found = value("difference_distortion_2");
    // 0.05 dB (methods §11).
    assert!((found / expected - 1.0).abs() < 6e-3, "{found} against {expected}");
}

#[test]
fn a_loopback_takes_the_interface_out_and_shows_its_floor() {
    // An interface with ends at 15 Hz and 12 kHz and 0.2 % of second harmonic of its own.
    let interface =
        || Chain(vec![Box::new(Polynomial(vec![1.0, 0.004])), Box::new(Band::new(15.0, 12_000.0))]);
    let mut plans = Plans::default();
    let loopback = Loopback::of(&take(&mut interface(), &recorder()), &mut plans);
    let mut both = Chain(vec![Box::new(interface()), Box::new(Band::new(80.0, 8000.0))]);
    let through = take(&mut both, &recorder());
    let raw = measure::take(&through, &Scale::default(), &mut plans);
    let corrected = measure::take_with(&through, &Scale::default(), Some(&loopback), &mut plans);
    let alone = take(&mut Band::new(80.0, 8000.0), &recorder());
    let alone = measure::take(&alone, &Scale::default(), &mut plans);
    let curve = |m: &Measured| m.curves["response_low_drive"].points("frequency", "magnitude");
    let mut worst = (0.0f64, 0.0f64);
    for (((f, a), (_, b)), (_, c)) in curve(&alone).into_iter().zip(curve(&corrected)).zip(curve(&raw)) {
        if (100.0..10_000.0).contains(&f) {
            worst = (worst.0.max((a - b).abs()), worst.1.max((a - c).abs()));
        }
    }
    // A short sweep's windows leave a few hundredths of a dB beside 80 Hz; the interface itself costs 1.7 dB.
    assert!(worst.0 < 0.05 && worst.1 > 1.0, "{worst:?}");
    // The harmonic is the interface's own, and is told to be no more than that.
    let floors = corrected.curves["harmonics_by_frequency"].points("frequency", "floor_2");
    let (_, floor) = floors.iter().find(|p| (p.0 - 1000.0).abs() < 1e-6).unwrap();
    // H2 of 0.004 x² at peak −7 dBFS is 0.0893 %.
    assert!((floor / (100.0 * 0.004 / 2.0 * 10f64.powf(-7.0 / 20.0)) - 1.0).abs() < 0.02, "{floor}");
    // (Below 60 Hz the amp's low end weakens the fundamental more than the harmonic.)
    let mut seen = corrected.curves["harmonics_by_frequency"].points("frequency", "harmonic_2");
    seen.retain(|p| p.0 > 60.0);
    assert!(seen.is_empty(), "{seen:?}");
    assert!(corrected.findings.iter().any(|f| f.code == "near_interface_floor"), "{:?}", corrected.findings);
    // A wire for an interface changes nothing and is near no floor.
    let wire = Loopback::of(&take(&mut Gain(1.0), &recorder()), &mut plans);
    let m = measure::take_with(&through, &Scale::default(), Some(&wire), &mut plans);
    for ((f, a), (_, b)) in curve(&raw).into_iter().zip(curve(&m)) {
        assert!(!(100.0..10_000.0).contains(&f) || (a - b).abs() < 0.01, "{f}: {a} {b}");
    }
    assert!(m.findings.iter().all(|f| f.code != "near_interface_floor"));
}

/// Errors over their stated standard deviations, collected by figure.
#[derive(Default)]
struct Scores(std::collections::BTreeMap<&'static str, Vec<f64>>);

impl Scores {
    fn add(&mut self, name: &'static str, error: f64, sd: f64) {
        self.0.entry(name).or_default().push(error / sd);
    }

    /// The root mean square of the scores is 1, and 95 % of them lie within 1.96.
    fn check(&self, least: f64) {
        for (name, scores) in &self.0 {
            let n = scores.len() as f64;
            let rms = (scores.iter().map(|z| z * z).sum::<f64>() / n).sqrt();
            let inside = scores.iter().filter(|z| z.abs() <= 1.96).count() as f64 / n;
            // An rms of n values is known to 1/√(2n): 6 % for 120, and the stated sd itself to a few per cent; three
            // of both together are 25 %. 95 % of 120 has an sd of 2 %: four of them are 8 %.
            assert!(rms < 1.25 && rms > least, "{name}: errors are {rms} times what is stated, n = {n}");
            assert!(inside >= 0.87, "{name}: {inside} inside of 95 %, n = {n}");
        }
    }
}

#[test]
fn stated_uncertainties_are_what_repeats_show() {
    use twinload::measure::pair::{self, Ratio};
    use twinload::measure::sweep::{self, Corner};
    use twinload::measure::{Cut, burst, quiet};
    use twinload::signals::Signal;
    use twinload::simulate::noise::White;

    // One clean recording; every repeat adds its own noise (RMS −60) to each segment.
    let clean = take(&mut amp(), &Recorder { noise_rms: 0.0, hum: None, ..recorder() });
    let mut plans = Plans::default();
    let mut scores = Scores::default();
    let noise_rms = 1e-3;
    let plan = plan();
    let segment = |id: &str| plan.segment(id).unwrap();
    let part = |id: &str| clean.cut(segment(id)).unwrap();
    let (sweep_cut, pair_cut, burst_cut) = (part("sweep_high"), part("modulation_high"), part("burst"));
    let sweep_plan = sweep::Sweep::of(&plan, &segment("sweep_high").signal).unwrap();
    let burst_plan = match segment("burst").signal {
        Signal::Burst { frequency_hz, before_seconds, high_seconds, after_seconds, times, .. } => {
            burst::Plan { frequency_hz, before_seconds, high_seconds, after_seconds, times }
        }
        _ => panic!("no burst"),
    };
    let noisy = |cut: &Cut<'_>, seed: u64| -> Vec<f32> {
        let mut noise = White::new(seed);
        cut.samples.iter().map(|x| x + (noise_rms * noise.value()) as f32).collect()
    };
    let corners = |r: &sweep::Response| {
        let c = sweep::corners(r, Some(1000.0)).unwrap();
        [c.low, c.high].map(|c| match c {
            Corner::At { frequency_hz, sd_hz, .. } => (frequency_hz, sd_hz),
            Corner::Beyond { .. } => panic!("no corner"),
        })
    };
    let ratio = |r: Ratio| match r {
        Ratio::Is { value, sd, .. } => (value, sd),
        other => panic!("{other:?}"),
    };
    // Truth is the clean recording through the same code: noise alone is on trial.
    let true_corners = corners(&sweep::measure(&sweep_cut, &sweep_plan, None, &mut plans).unwrap());
    let pair_used = pair::usable(&pair_cut, 0.8);
    let true_pair = pair::measure(&pair_used, [70.0, 7000.0], None, &mut plans).unwrap();
    let true_burst = burst::measure(&burst_cut, &burst_plan).unwrap().bursts[0];
    // A slow sag is laid onto the burst, so that its time constant exists.
    let sag = |t: f64| 1.0 + 0.2 * (-(t - burst_plan.before_seconds) / 0.1).exp();
    assert!((true_burst.sag.unwrap().step_db()).abs() < 0.05);

    for seed in 0..120 {
        let samples = noisy(&sweep_cut, 10_000 + seed);
        let r =
            sweep::measure(&Cut { samples: &samples, ..sweep_cut }, &sweep_plan, None, &mut plans).unwrap();
        for ((name, found), truth) in
            ["low corner", "high corner"].into_iter().zip(corners(&r)).zip(true_corners)
        {
            scores.add(name, found.0 - truth.0, found.1);
        }
        let samples = noisy(&pair_used, 20_000 + seed);
        let p =
            pair::measure(&Cut { samples: &samples, ..pair_used }, [70.0, 7000.0], None, &mut plans).unwrap();
        let (found, sd) = ratio(p.second());
        scores.add("d2", found - ratio(true_pair.second()).0, sd);

        let mut samples = noisy(&burst_cut, 30_000 + seed);
        for (n, x) in samples.iter_mut().enumerate() {
            let t = burst_cut.start_seconds + n as f64 * burst_cut.ratio / burst_cut.rate_hz;
            let high =
                (burst_plan.before_seconds..burst_plan.before_seconds + burst_plan.high_seconds).contains(&t);
            let gain = if high { sag(t) } else { 1.0 };
            *x += (f64::from(burst_cut.samples[n]) * (gain - 1.0)) as f32;
        }
        let b = burst::measure(&Cut { samples: &samples, ..burst_cut }, &burst_plan).unwrap().bursts[0];
        let course = b.sag.unwrap();
        scores.add("sag", course.step_db() - 20.0 * 1.2f64.log10(), course.step_sd_db);
        scores.add("sag time", (course.tau_seconds / 0.1).ln(), course.tau_sd);

        let mut noise = White::new(40_000 + seed);
        let mut x: Vec<f64> = (0..96_000).map(|_| noise_rms * noise.value()).collect();
        Hum { mains_hz: 50.04, peak: 1e-3, lines: 6 }.add(&mut x, 48_000.0, seed);
        let samples: Vec<f32> = x.iter().map(|&v| v as f32).collect();
        let cut = Cut { samples: &samples, rate_hz: 48_000.0, ratio: 1.0, start_seconds: 0.0 };
        let q = quiet::measure(&cut, 50.0, &mut plans).unwrap();
        let (hz, sd) = q.mains.unwrap();
        scores.add("mains frequency", hz - 50.04, sd);
        let (hum, sd) = q.hum(|_| true).unwrap();
        scores.add("hum", hum - 1e-3, sd);
        let band = noise_rms * (19_980.0f64 / 24_000.0).sqrt();
        scores.add("noise", q.noise.rms - band, q.noise.sd);
    }
    // Noise of the simulation is a little tighter than Gaussian, and some statements are on the safe side.
    scores.check(0.6);
}
