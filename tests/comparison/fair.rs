//! Each line of fairness breaks on its cause and each suspect is raised by its own, and by nothing else.

use twinload::analysis::TakeAnalysis;
use twinload::compare::Comparison;
use twinload::figure::{Quantity, Unit};
use twinload::finding::{Finding, Severity};

use crate::fixture::{Amp, Case, HERON, RIG, take};
use crate::telling::REWORK;

const NOTED: &str = "mains_volts = 231\nwarm_up_minutes = 25";

fn fair() -> Case {
    let mut case = Case::two();
    for (order, build) in
        ["as-drawn", "rework", "as-drawn", "rework", "as-drawn", "rework", "as-drawn"].iter().enumerate()
    {
        let amp = if *build == "rework" { &REWORK } else { &HERON };
        case = case.add(build, "full", amp, 1, &format!("{NOTED}\norder = {}", order + 1));
    }
    case
}

fn broken(comparison: &Comparison) -> Vec<&str> {
    comparison.fairness.iter().filter(|l| l.kept == Some(false)).map(|l| l.code.as_str()).collect()
}

fn unknown(comparison: &Comparison) -> Vec<&str> {
    comparison.fairness.iter().filter(|l| l.kept.is_none()).map(|l| l.code.as_str()).collect()
}

fn suspects(comparison: &Comparison) -> Vec<&str> {
    comparison.suspects.iter().map(|l| l.code.as_str()).collect()
}

#[test]
fn a_fair_bench_keeps_every_line() {
    let comparison = fair().compare();
    assert_eq!(
        (broken(&comparison), unknown(&comparison)),
        (vec![], vec!["same_calibration"]),
        "{:#?}",
        comparison.fairness
    );
    let lines: String = comparison.fairness.iter().map(|l| format!("{}: {}\n", l.title, l.saw)).collect();
    insta::assert_snapshot!(lines);
    assert!(suspects(&comparison).is_empty());
}

#[test]
fn builds_biased_more_than_ten_points_apart_are_named_beside_the_headline() {
    // Plate to cathode 300 V, 4.4 % of screen (6L6GC, 30 W): 44.4 V over 1 Ω·x; the second resistor sets the gap.
    let case = |ohms: f64| {
        let build = |name: &str, ohms: f64| {
            format!(
                "[[build]]\nname = \"{name}\"\noutput_valve = \"6L6GC\"\ncathode_ohms = {ohms}\n\
                 [[build.dc]]\npoint = \"plate\"\nvolts = 320\n[[build.dc]]\npoint = \"cathode\"\nvolts = 20\n"
            )
        };
        Case::new(RIG, &(build("as-drawn", 300.0) + &build("rework", ohms)))
            .add("as-drawn", "full", &HERON, 3, NOTED)
            .add("rework", "full", &REWORK, 3, NOTED)
            .compare()
    };
    // 300 V · 20/R · 0.956 of 30 W: 63.7 % at 300 Ω, 54.6 % at 350 Ω, 50.3 % at 380 Ω.
    let named = |c: &Comparison| {
        (
            c.suspects.iter().any(|s| s.code == "bias"),
            c.sentences.iter().any(|s| s.text.contains("points apart")),
        )
    };
    assert_eq!(named(&case(350.0)), (false, false));
    let apart = case(380.0);
    assert_eq!(named(&apart), (true, true));
    let saw = &apart.suspects.iter().find(|s| s.code == "bias").unwrap().saw;
    assert!(saw.contains("64 %") && saw.contains("50 %") && saw.contains("13 points"), "{saw}");
}

/// The fair bench, with what the interface alone shows as a share of each take's own.
fn over_floor(share: f64, names: &'static [&'static str]) -> Comparison {
    let mut case = Case::two();
    for build in ["as-drawn", "rework"].repeat(3) {
        let amp = if build == "rework" { &REWORK } else { &HERON };
        case = case.with(build, "full", amp, 1, NOTED, |take| {
            for name in names {
                let quantity = take.figures.quantities.get_mut(*name).unwrap();
                quantity.floor = quantity.value.map(|v| share * v);
            }
        });
    }
    case.compare()
}

#[test]
fn a_claim_near_the_interfaces_floor_is_suspected_and_no_other() {
    // HERON and REWORK differ by much in hum and in THD at 1 W, and both stand far over a good interface.
    let names: &[&str] = &["thd_at_1_watt", "hum_total", "noise"];
    let clear = over_floor(0.01, names);
    assert!(suspects(&clear).is_empty(), "{:#?}", clear.suspects);
    let hum = |c: &Comparison| c.rows.iter().find(|r| r.quantity == "hum_total").unwrap().clone();
    assert!(hum(&clear).values.iter().all(|v| v.floor.is_some()));
    // THD differs by a factor of 1.33 and hum by 1.73: the floor makes all of that at (r − 1)/(r + 1) = 0.14 and 0.27
    // of them, once added and once taken off.
    assert!(suspects(&over_floor(0.13, names)).is_empty());
    let near = over_floor(0.3, names);
    assert_eq!(suspects(&near), ["interface_floor"]);
    let warned: Vec<_> = near
        .rows
        .iter()
        .filter(|r| r.difference.note.as_deref().is_some_and(|n| n.contains("floor does not allow")))
        .collect();
    assert!(warned.iter().any(|r| r.quantity == "hum_total"), "{warned:#?}");
    // Where it is claimed in words, the warning stands in the sentence itself; and nowhere else.
    let doubted = |c: &Comparison| -> Vec<String> {
        let warned = |s: &&twinload::compare::document::Sentence| {
            s.text.contains("; but the interface's floor does not allow this claim: ")
        };
        c.sentences.iter().filter(warned).map(|s| s.quantity.clone()).collect()
    };
    assert_eq!(doubted(&clear), [""; 0]);
    assert!(doubted(&near).contains(&"hum_total".to_owned()), "{:#?}", near.sentences);
    assert!(doubted(&near).iter().all(|q| warned.iter().any(|r| r.quantity == *q)), "{:#?}", near.sentences);
    // Only what is claimed, and what has a floor; noise adds as power and stands clear at 0.3.
    for row in warned {
        assert!(row.relevant != Some(false) && row.values.iter().all(|v| v.floor.is_some()), "{row:?}");
        assert!(row.quantity != "noise", "{row:?}");
    }
}

#[test]
fn each_line_breaks_on_its_cause_alone() {
    type Change = fn(&mut TakeAnalysis);
    let cases: [(&str, &str, Change); 7] = [
        ("same_programme", NOTED, |t| t.plan = Some("91bc".to_owned())),
        ("same_load", NOTED, |t| t.load_ohms = Some(16.0)),
        ("mains_voltage", "mains_volts = 224\nwarm_up_minutes = 25", |_| ()),
        ("same_rate", NOTED, |t| t.rate = Some(44_100.0)),
        ("settled", NOTED, |t| t.figures.set("reference_shift", Quantity::new(-0.3, Unit::Decibels))),
        ("no_clipped_input", NOTED, |t| {
            t.findings.push(Finding::new(
                "clipped_input",
                Severity::Limit,
                "412 samples at full scale",
                "struck out",
                "turn down",
            ));
        }),
        ("warm_up", "mains_volts = 231\nwarm_up_minutes = 8", |_| ()),
    ];
    for (code, keys, change) in cases {
        let case = Case::two()
            .add("as-drawn", "full", &HERON, 3, NOTED)
            .with("rework", "full", &REWORK, 3, keys, change);
        let comparison = case.compare();
        assert_eq!(broken(&comparison), [code], "{:#?}", comparison.fairness);
        let line = comparison.fairness.iter().find(|l| l.code == code).unwrap();
        assert!(line.effect.as_ref().is_some_and(|e| !e.is_empty()));
        assert!(line.saw.chars().any(|c| c.is_ascii_digit()), "{}", line.saw);
    }
}

#[test]
fn the_mains_shift_stands_beside_the_measured_one() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "mains_volts = 231").add(
        "rework",
        "full",
        &REWORK,
        3,
        "mains_volts = 224",
    );
    let comparison = case.compare();
    let effect =
        comparison.fairness.iter().find(|l| l.code == "mains_voltage").unwrap().effect.clone().unwrap();
    // 20 lg(224/231) = −0.27 dB.
    assert!(effect.contains("−0.27 dB") && effect.contains("clean power at full changed by"), "{effect}");
}

#[test]
fn what_was_not_noted_is_not_known() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "");
    assert_eq!(unknown(&case.compare()), ["same_calibration", "mains_voltage", "warm_up", "bracket"]);
}

#[test]
fn a_bracket_tells_the_drift() {
    let case = Case::two()
        .with("as-drawn", "full", &HERON, 1, "order = 1", |t| {
            t.figures.set("gain", Quantity::new(30.0, Unit::Decibels))
        })
        .add("rework", "full", &REWORK, 1, "order = 2")
        .with("as-drawn", "full", &HERON, 1, "order = 3", |t| {
            t.figures.set("gain", Quantity::new(30.4, Unit::Decibels))
        });
    let comparison = case.compare();
    let line = comparison.fairness.iter().find(|l| l.code == "bracket").unwrap();
    assert_eq!(line.kept, Some(false));
    assert!(line.saw.contains("as-drawn, rework, as-drawn") && line.saw.contains("+0.40 dB"), "{}", line.saw);
    assert!(line.effect.as_ref().unwrap().contains("0.40 dB"));
}

#[test]
fn recorded_one_build_after_the_other_leaves_drift_unknown() {
    let case = Case::two()
        .add("as-drawn", "full", &HERON, 1, "date = \"2026-05-01T10:00\"")
        .add("as-drawn", "full", &HERON, 1, "date = \"2026-05-01T10:05\"")
        .add("rework", "full", &REWORK, 1, "date = \"2026-05-01T11:00\"");
    let comparison = case.compare();
    let line = comparison.fairness.iter().find(|l| l.code == "bracket").unwrap();
    assert_eq!((line.kept, line.saw.as_str()), (None, "full: recorded in the order as-drawn, rework"));
}

#[test]
fn a_moved_volume_control_is_a_suspect() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add(
        "rework",
        "full",
        &Amp { gain_db: 32.0, ..HERON },
        3,
        "",
    );
    let comparison = case.compare();
    assert_eq!(suspects(&comparison), ["gain_ahead"]);
    assert!(
        comparison.suspects[0].means.contains("2.0") && comparison.suspects[0].means.contains("more gain")
    );
}

#[test]
fn a_moved_tone_control_is_a_suspect() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add(
        "rework",
        "full",
        &Amp { presence: 3.0, ..HERON },
        3,
        "",
    );
    let comparison = case.compare();
    assert_eq!(suspects(&comparison), ["tone_control"]);
    assert!(comparison.suspects[0].saw.contains("2.5 kHz"), "{}", comparison.suspects[0].saw);
}

#[test]
fn a_moved_input_gain_of_the_interface_is_a_suspect() {
    // All that the recorder sees is 1.5 dB up: gain, limit, hum, noise; the drive for anything stays.
    let up = 10f64.powf(1.5 / 20.0);
    let moved = Amp {
        gain_db: HERON.gain_db + 1.5,
        limit_watts: HERON.limit_watts * up * up,
        h2: HERON.h2 / up,
        h3: HERON.h3 / up,
        hum: HERON.hum * up,
        noise: HERON.noise * up,
        ..HERON
    };
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &moved, 3, "");
    assert_eq!(suspects(&case.compare()), ["interface_gain"]);
}

#[test]
fn a_take_with_another_input_gain_than_its_repeats_is_told_first() {
    let moved = |db: f64, hum_too: bool| {
        move |t: &mut TakeAnalysis| {
            let factor = 10f64.powf(db / 20.0);
            let gain = t.figures.value("gain").unwrap();
            t.figures.set("gain", Quantity::new(gain + db, Unit::Decibels));
            for name in ["hum_total", "noise"].iter().skip(usize::from(!hum_too)) {
                let value = t.figures.value(name).unwrap();
                t.figures.set(name, Quantity::new(value * factor, Unit::Millivolts));
            }
        }
    };
    let with = |repeats: usize, db: f64, hum_too: bool| {
        Case::two()
            .add("as-drawn", "full", &HERON, 3, "")
            .add("rework", "full", &HERON, repeats, "")
            .with("rework", "full", &HERON, 1, "", moved(db, hum_too))
            .compare()
    };
    for (repeats, file) in [(3, "takes/6.wav"), (2, "takes/5.wav"), (1, "takes/4.wav")] {
        let comparison = with(repeats, -3.1, true);
        assert_eq!(suspects(&comparison), ["odd_take"], "{repeats}: {:#?}", comparison.suspects);
        let first = &comparison.sentences[0];
        // The scatter of the fixture is 0.05 dB at most.
        assert!(first.text.contains(&format!("{file} differs from")), "{}", first.text);
        assert!(first.text.contains("by −3.") && first.text.contains("was its knob moved"), "{}", first.text);
        assert!(first.standing.is_none() && comparison.sentences.len() <= 7);
    }
    // Gain alone is the amp's; some tenths are scatter.
    assert!(suspects(&with(3, -3.1, false)).iter().all(|code| *code != "odd_take"));
    assert!(suspects(&with(3, -0.3, true)).is_empty());
}

#[test]
fn mains_that_explains_the_power_is_a_suspect() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "mains_volts = 225").add(
        "rework",
        "full",
        &Amp { limit_watts: 5.4, ..HERON },
        3,
        "mains_volts = 233",
    );
    let comparison = case.compare();
    assert_eq!(suspects(&comparison), ["mains_voltage"]);
}

#[test]
fn hum_without_the_amp_is_a_suspect() {
    let with_hum = |millivolts: f64| {
        let mut quiet = take("takes/off.wav", "", "", &HERON, 0.0);
        (quiet.build, quiet.setting) = (None, None);
        quiet.figures.quantities.retain(|name, _| name == "hum_total");
        quiet.figures.set("hum_total", Quantity::new(millivolts, Unit::Millivolts));
        let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &HERON, 3, "");
        case.entry("kind = \"quiet\"\nquiet_condition = \"cable only\"", quiet).compare()
    };
    // 1.5 of 1.9 mV is 2 dB under, 0.1 mV is 26 dB under.
    let comparison = with_hum(1.5);
    assert_eq!(suspects(&comparison), ["hum_loop", "hum_loop"]);
    assert!(
        comparison.suspects[0].saw.contains("1.50 mV with the cable alone"),
        "{}",
        comparison.suspects[0].saw
    );
    assert!(suspects(&with_hum(0.1)).is_empty());
}

#[test]
fn one_valve_stands_for_its_type_only_if_types_differ() {
    let builds = |b: &str| {
        format!(
            "[[build]]\nname = \"as-drawn\"\noutput_valve = \"6L6GC\"\n[[build]]\nname = \"rework\"\noutput_valve = \"{b}\"\n"
        )
    };
    let case = |b| {
        Case::new(RIG, &builds(b)).add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &HERON, 3, "")
    };
    assert_eq!(suspects(&case("KT66").compare()), ["one_sample_each"]);
    assert!(suspects(&case("6L6GC").compare()).is_empty());
}
