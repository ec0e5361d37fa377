//! The interface into itself, through a whole bench: what it states, what it finds in the recorder, what it forbids
//! to claim.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::path::Path;

use support::{Stored, write_wav};
use twinload::analysis::{Analysis, TakeAnalysis};
use twinload::bench::Bench;
use twinload::compare::{self, Comparison};
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Chain, Device, Gain, Polynomial, Recorder, take};

const BENCH: &str = "[bench]\ntitle = \"Loop\"\n[rig]\nload_ohms = 8.0\nload_watts = 50\ninterface_input_ohms = 10000\n\
    pad = { top_ohms = 10000, bottom_ohms = 1000 }\ninput_full_scale_volts = 0.6\nloopback = \"loop.wav\"\n\
    [[build]]\nname = \"a\"\n[[build]]\nname = \"b\"\n[setting.full]\nvolume = \"10\"\n\
    [[take]]\nfile = \"a.wav\"\nbuild = \"a\"\nsetting = \"full\"\n\
    [[take]]\nfile = \"b.wav\"\nbuild = \"b\"\nsetting = \"full\"\n\
    [[take]]\nfile = \"loop.wav\"\nkind = \"loopback\"\n";

/// A gain that falls where the level is high and comes back over a second: no distortion to speak of.
struct Rider {
    above: f64,
    envelope: f64,
}

impl Device for Rider {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        let release = (-1.0 / (1.0 * rate_hz)).exp();
        for x in block {
            self.envelope = (self.envelope * release).max(x.abs());
            // 2:1 above the threshold.
            *x *= (self.above / self.envelope.max(self.above)).sqrt();
        }
    }
}

fn recorded(path: &Path, device: &mut dyn Device, seed: u64) {
    let recorder =
        Recorder { noise_rms: 3e-6, tail_seconds: 0.4, units_per_output: 0.8, seed, ..Recorder::default() };
    let (rate, samples) = take(&Plan::short(&Choices::default()), device, &recorder);
    write_wav(path, &samples, Stored { rate, bits: 24, float: false });
}

/// Two amps of `h2` (coefficient of x²; a third of it of x³) each and the loop, all recorded by an interface with `own` of the same.
fn bench(h2: [f64; 2], own: f64, rider: Option<f64>) -> (tempfile::TempDir, Analysis, Bench) {
    let folder = tempfile::tempdir().unwrap();
    let interface = || -> Box<dyn Device> {
        let own: Box<dyn Device> = Box::new(Polynomial(vec![1.0, own]));
        match rider {
            Some(above) => Box::new(Chain(vec![own, Box::new(Rider { above, envelope: 0.0 })])),
            None => own,
        }
    };
    for (name, h2, seed) in [("a.wav", h2[0], 1), ("b.wav", h2[1], 2)] {
        let mut chain = Chain(vec![Box::new(Polynomial(vec![1.0, h2, h2 / 3.0])), interface()]);
        recorded(&folder.path().join(name), &mut chain, seed);
    }
    let mut alone = Chain(vec![Box::new(Gain(1.0)), interface()]);
    recorded(&folder.path().join("loop.wav"), &mut alone, 3);
    std::fs::write(folder.path().join("bench.toml"), BENCH).unwrap();
    let bench = Bench::open(folder.path()).unwrap();
    let analysis = twinload::analyse::bench(&bench).unwrap();
    (folder, analysis, bench)
}

fn compared(bench: &Bench, analysis: &Analysis) -> Comparison {
    compare::compare(bench, analysis, &[]).unwrap()
}

fn codes(take: &TakeAnalysis) -> Vec<&str> {
    take.findings
        .iter()
        .map(|f| f.code.as_str())
        .filter(|c| c.contains("loopback") || c.contains("interface"))
        .collect()
}

fn suspects(comparison: &Comparison) -> Vec<&str> {
    comparison.suspects.iter().map(|s| s.code.as_str()).filter(|c| *c == "interface_floor").collect()
}

#[test]
fn a_straight_loop_is_stated_with_every_figure_and_raises_nothing() {
    let (folder, analysis, of) = bench([0.06, 0.03], 0.0004, None);
    let comparison = compared(&of, &analysis);
    for take in &analysis.takes {
        assert_eq!(codes(take), [""; 0], "{}: {:?}", take.file, take.findings);
    }
    let figures = &analysis.takes[0].figures;
    // a₂ A/2 of x + a₂x² (reference §1). 1 W into 8 Ω is 4 V peak; full scale is 0.6·12·√2 = 10.18 V: 0.393 of it,
    // over 0.8 in the recorder; the step above it, from which the floor is taken, is up to 2 dB louder.
    let floor = figures.get("thd_at_1_watt").unwrap().floor.unwrap();
    let peak = 4.0 / (0.6 * 12.0 * std::f64::consts::SQRT_2) / 0.8;
    let own = 100.0 * 0.0004 * peak / 2.0;
    assert!(floor > 0.98 * own && floor < 1.28 * own, "{floor} against {own}");
    // Noise of 3e-6 in 24 kHz, 20 Hz to 20 kHz, in mV across the load; half a per cent from 1.4 s of it is 0.4 %.
    let noise = figures.get("noise").unwrap();
    let expected = 3e-6 * (19_980.0f64 / 24_000.0).sqrt() * 0.6 * 12.0 * std::f64::consts::SQRT_2 * 1000.0;
    assert!((noise.floor.unwrap() / expected - 1.0).abs() < 0.02, "{noise:?} {expected}");
    for name in
        ["modulation_distortion", "difference_distortion_2", "harmonic_2_at_1_watt", "noise_a_weighted"]
    {
        assert!(figures.get(name).unwrap().floor.is_some(), "{name}");
    }
    // At the top: a₂A/2 at a peak of −1 dBFS; THD_R is THD_F/√(1 + THD_F²), here the same to 1e-8 of it.
    let own = 100.0 * 0.0004 * 10f64.powf(-1.0 / 20.0) / 2.0;
    for name in ["cranked_thd", "cranked_thd_r"] {
        let floor = figures.get(name).unwrap().floor.unwrap();
        assert!((floor / own - 1.0).abs() < 0.02, "{name}: {floor} {own}");
    }
    assert!(figures.intermodulation.iter().all(|i| i.d2.floor.is_some() && i.total.floor.is_some()));
    assert!(figures.harmonics.iter().filter(|h| h.order > 1).all(|h| h.ratio.floor.is_some()));
    // Beside each product what the interface alone shows: f2 − f1 of x + a₂x² is a₂A re a tone of A (reference §2). Two
    // tones of half of −11 dBFS; noise of 3e-6 moves a line of 8e-6 · 0.8 by 0.04 dB (sd, 0.7 s), of which 4.
    let products = &analysis.takes[0].curves["products_difference_mid_high"];
    let column = |name: &str| products.column(name).unwrap();
    let (n, m, interface) = (column("n"), column("m"), column("interface"));
    let own = |orders: [f64; 2]| {
        let turned = orders.map(|o| Some(-o));
        let at = (0..n.len()).find(|&k| [n[k], m[k]] == orders.map(Some) || [n[k], m[k]] == turned);
        interface[at.unwrap()]
    };
    let expected = 20.0 * (0.0004 * 10f64.powf(-11.0 / 20.0) / 2.0).log10();
    assert!((own([-1.0, 1.0]).unwrap() - expected).abs() < 0.16, "{:?} {expected}", own([-1.0, 1.0]));
    // The interface has no third order: there stands the noise that would hide it, and a tone has no floor.
    assert!(own([-1.0, 2.0]).unwrap() < expected - 20.0 && own([1.0, 0.0]).is_none());
    // What is no distortion and no noise has none; nor has the loop itself.
    assert!(figures.get("gain").unwrap().floor.is_none());
    let of_loop = analysis.takes.iter().find(|t| t.file == "loop.wav").unwrap();
    assert!(of_loop.figures.quantities.values().all(|q| q.floor.is_none()));
    // In the comparison: in the rows, in the conditions, and no claim is called in question.
    let row = comparison.rows.iter().find(|r| r.quantity == "thd_at_1_watt").unwrap();
    assert_eq!(row.values[0].floor, Some(floor));
    assert_eq!(suspects(&comparison), [""; 0], "{:#?}", comparison.suspects);
    let condition = comparison.conditions.iter().find(|c| c.label == "Interface alone").unwrap();
    assert!(condition.text.contains("THD where the amp gives 1 W 0.01"), "{}", condition.text);
    // On the screen and in the tables.
    let out =
        assert_cmd::cargo::cargo_bin_cmd!("twinload").arg("analyse").arg(folder.path()).output().unwrap();
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(said.contains("interface alone"), "{said}");
    let csv = std::fs::read_to_string(folder.path().join("reports/figures.csv")).unwrap();
    assert!(csv.lines().next().unwrap().contains("interface_alone"), "{csv}");
}

#[test]
fn a_claim_below_the_floor_is_warned_about() {
    // The same interface at a hundred times the distortion: amps of 0.6 and 0.3 % stand over 0.2 % of its own.
    let (_folder, analysis, of) = bench([0.012, 0.024], 0.008, None);
    let comparison = compared(&of, &analysis);
    assert_eq!(suspects(&comparison), ["interface_floor"], "{:#?}", comparison.suspects);
    let suspect = comparison.suspects.iter().find(|s| s.code == "interface_floor").unwrap();
    assert!(
        suspect.saw.to_lowercase().contains("thd at 1 w") && suspect.saw.contains("interface alone"),
        "{suspect:?}"
    );
    let row = comparison.rows.iter().find(|r| r.quantity == "thd_at_1_watt").unwrap();
    assert!(row.difference.note.as_deref().unwrap().contains("does not allow"), "{:?}", row.difference);
    // Gain has no floor, so its claim stands.
    let gain = comparison.rows.iter().find(|r| r.quantity == "gain").unwrap();
    assert!(gain.difference.note.as_deref().is_none_or(|n| !n.contains("floor")), "{:?}", gain.difference);
}

#[test]
fn a_gain_that_rides_in_the_recorder_is_found_in_the_loop() {
    // From −12 dBFS up. The amps distort by several per cent, behind which it would not be seen in the takes.
    let (_folder, analysis, _) = bench([0.3, 0.2], 0.0004, Some(0.25));
    for take in &analysis.takes {
        assert!(codes(take).contains(&"loopback_not_straight"), "{}: {:?}", take.file, take.findings);
        let finding = take.findings.iter().find(|f| f.code == "loopback_not_straight").unwrap();
        assert!(finding.saw.contains("limiter") && finding.advice.contains("switch off"), "{finding:?}");
    }
    // Where the takes themselves seem sound, the comparison says so before all else, and among what a reader asks.
    let (folder, _, of) = bench([0.06, 0.03], 0.0004, None);
    recorded(&folder.path().join("loop.wav"), &mut Rider { above: 0.25, envelope: 0.0 }, 3);
    let analysis = twinload::analyse::bench(&of).unwrap();
    let comparison = compared(&of, &analysis);
    assert!(comparison.sentences[0].text.contains("limiter"), "{:?}", comparison.sentences[0]);
    assert!(comparison.suspects.iter().any(|s| s.code == "recorder"), "{:#?}", comparison.suspects);
    assert_eq!(straight(&comparison), Some(Some(false)));
}

fn straight(comparison: &Comparison) -> Option<Option<bool>> {
    comparison.fairness.iter().find(|l| l.code == "straight_recorder").map(|l| l.kept)
}

fn interface_alone(comparison: &Comparison) -> &str {
    &comparison.conditions.iter().find(|c| c.label == "Interface alone").unwrap().text
}

#[test]
fn only_what_a_loop_holds_is_said_to_be_taken_out() {
    let (folder, analysis, of) = bench([0.06, 0.03], 0.0004, None);
    let whole = compared(&of, &analysis);
    assert_eq!(straight(&whole), Some(Some(true)));
    assert!(interface_alone(&whole).contains("its response is divided out"), "{}", interface_alone(&whole));

    // It ends before its sweeps.
    let path = folder.path().join("loop.wav");
    let (samples, stored) = support::read_wav(&path);
    let plan = Plan::short(&Choices::default());
    let end = plan.segment("sweep_low").unwrap().start_seconds * f64::from(stored.rate);
    write_wav(&path, &samples[..end as usize], stored);
    let analysis = twinload::analyse::bench(&of).unwrap();
    for take in analysis.takes.iter().filter(|t| t.file != "loop.wav") {
        let finding = take.findings.iter().find(|f| f.code == "loopback_incomplete").expect("said");
        assert!(
            finding.saw.contains("sweep_low") && finding.effect.contains("response stays"),
            "{finding:?}"
        );
    }
    let cut = compared(&of, &analysis);
    assert!(
        !interface_alone(&cut).contains("divided out") && interface_alone(&cut).contains("sweep_low"),
        "{}",
        interface_alone(&cut)
    );
    let out =
        assert_cmd::cargo::cargo_bin_cmd!("twinload").arg("analyse").arg(folder.path()).output().unwrap();
    assert!(!String::from_utf8(out.stdout).unwrap().contains("divided out"));

    // It is something else altogether.
    write_wav(&path, &samples[..stored.rate as usize / 2], stored);
    let analysis = twinload::analyse::bench(&of).unwrap();
    let other = compared(&of, &analysis);
    assert!(interface_alone(&other).contains("could not be used"), "{}", interface_alone(&other));
}

#[test]
fn a_clipped_loopback_is_named_by_check() {
    use twinload::analyse::Options;
    let (folder, _, _) = bench([0.06, 0.03], 0.0004, None);
    let loop_path = folder.path().join("loop.wav");
    let said = || {
        let options = Options { loopback: Some(loop_path.clone()), ..Options::default() };
        let checked = twinload::check::file(&folder.path().join("a.wav"), &options);
        checked.findings.into_iter().find(|f| f.code == "loopback_overloaded").map(|f| f.saw)
    };
    assert_eq!(said(), None);
    let (samples, stored) = support::read_wav(&loop_path);
    let full = 8_388_607.0 / 8_388_608.0;
    let hot: Vec<f64> = samples.iter().map(|x| (1.6 * x).clamp(-full, full)).collect();
    write_wav(&loop_path, &hot, stored);
    assert!(said().is_some_and(|saw| saw.contains("clipped in the recorder")), "{:?}", said());
}
