//! Golden sentences: every case of grammar, looked at when they were accepted.

use insta::assert_snapshot;
use twinload::figure::{Quantity, Unit};

use crate::fixture::{Amp, Case, HERON, RIG, told};

/// More gain and headroom, more second harmonic, less hum: what a rework may do.
pub const REWORK: Amp = Amp { gain_db: 30.9, limit_watts: 6.4, h2: 3.4, hum: 1.1, ..HERON };

#[test]
fn real_differences() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn the_same_turned_round_says_less_where_it_said_more() {
    let case = Case::two().add("as-drawn", "full", &REWORK, 3, "").add("rework", "full", &HERON, 3, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn no_difference_anywhere() {
    let case = Case::two().add("as-drawn", "full", &HERON, 4, "").add("rework", "full", &HERON, 4, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn one_take_each() {
    let case = Case::two().add("as-drawn", "full", &HERON, 1, "").add("rework", "full", &REWORK, 1, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn one_take_each_of_one_amp() {
    let same =
        |t: &mut twinload::analysis::TakeAnalysis| t.figures.set("gain", Quantity::new(30.0, Unit::Decibels));
    let case =
        Case::two().with("as-drawn", "full", &HERON, 1, "", same).with("rework", "full", &HERON, 1, "", same);
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn two_takes_each() {
    let case = Case::two().add("as-drawn", "full", &HERON, 2, "").add("rework", "full", &REWORK, 2, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn repeats_at_one_setting_and_one_take_at_another() {
    let case = Case::two()
        .add("as-drawn", "full", &HERON, 3, "")
        .add("rework", "full", &REWORK, 3, "")
        .add("as-drawn", "noon", &Amp { gain_db: 22.0, ..HERON }, 1, "")
        .add("rework", "noon", &Amp { gain_db: 22.7, ..REWORK }, 1, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn a_limit_that_one_build_does_not_reach() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add(
        "rework",
        "full",
        &Amp { gain_db: 24.0, limit_watts: 30.0, ..HERON },
        3,
        "",
    );
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn a_limit_that_neither_build_reaches() {
    let quiet = Amp { gain_db: 20.0, limit_watts: 30.0, ..HERON };
    let case = Case::two().add("as-drawn", "full", &quiet, 3, "").add("rework", "full", &quiet, 3, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn hum_under_the_floor_of_one_build() {
    let case =
        Case::two().add("as-drawn", "full", &HERON, 3, "").with("rework", "full", &REWORK, 3, "", |t| {
            t.figures.set(
                "hum_total",
                Quantity::missing(Unit::Millivolts, "below 0.02 mV: no line stands over the noise"),
            );
        });
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn small_harmonics_are_told_in_percentage_points() {
    let clean = Amp { h2: 0.40, h3: 0.05, ..HERON };
    let case = Case::two().add("as-drawn", "full", &clean, 4, "").add(
        "rework",
        "full",
        &Amp { h2: 0.61, ..clean },
        4,
        "",
    );
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn corners_sag_and_noise_that_differ() {
    let other = Amp { corners: (88.0, 7900.0), sag: 1.4, noise: 0.9, ..HERON };
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &other, 3, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn without_a_calibrated_rig() {
    let uncalibrated = |t: &mut twinload::analysis::TakeAnalysis| {
        let names: Vec<String> = t.figures.quantities.keys().cloned().collect();
        for name in names {
            if t.figures.get(&name).is_some_and(|q| q.unit == Unit::Watts) {
                t.figures.set(
                    &name,
                    Quantity::missing(Unit::Watts, "watts need a calibrated rig and the load's ohms"),
                );
            }
        }
        for name in ["thd_at_1_watt", "harmonic_2_at_1_watt", "harmonic_3_at_1_watt"] {
            t.figures.set(
                name,
                Quantity::missing(Unit::Percent, "watts need a calibrated rig and the load's ohms"),
            );
        }
        for name in ["hum_total", "noise"] {
            let level = 20.0 * (t.figures.value(name).unwrap() / 20_000.0).log10();
            t.figures.set(name, Quantity::new(level, Unit::DbFullScale));
        }
        let ladder = t.curves.get_mut("ladder_up").unwrap();
        ladder.columns[1].unit = Unit::DbFullScale;
        for row in &mut ladder.rows {
            row[1] = row[1].map(|v| 20.0 * (v / 20.0).log10());
            row[2] = None;
        }
    };
    let builds = "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n";
    let case = Case::new("[rig]\nload_ohms = 8.0\n", builds)
        .with("as-drawn", "full", &HERON, 3, "", uncalibrated)
        .with("rework", "full", &REWORK, 3, "", uncalibrated);
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn three_builds() {
    let builds =
        "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n[[build]]\nname = \"third\"\n";
    let case = Case::new(RIG, builds)
        .add("as-drawn", "full", &HERON, 3, "")
        .add("rework", "full", &REWORK, 3, "")
        .add("third", "full", &Amp { hum: 1.88, sag: 1.1, ..HERON }, 3, "");
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn hostile_names() {
    let long = "L".repeat(200);
    let builds = format!(
        "[[build]]\nname = \"<script>alert(1)</script>\"\n[[build]]\nname = \"=SUM(A1) אבג {long}\"\n"
    );
    let case = Case::new(RIG, &builds).add("<script>alert(1)</script>", "full", &HERON, 3, "").add(
        &format!("=SUM(A1) אבג {long}"),
        "full",
        &REWORK,
        3,
        "",
    );
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn nothing_but_hum_and_noise() {
    let only_quiet = |t: &mut twinload::analysis::TakeAnalysis| {
        t.curves.clear();
        t.figures.quantities.retain(|name, _| name == "hum_total" || name == "noise");
    };
    let case = Case::two().with("as-drawn", "full", &HERON, 3, "", only_quiet).with(
        "rework",
        "full",
        &Amp { hum: 3.0, ..HERON },
        3,
        "",
        only_quiet,
    );
    assert_snapshot!(told(&case.compare()));
}

#[test]
fn the_word_of_every_sentence_is_one_of_fact() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "");
    let comparison = case.compare();
    assert!((3..=7).contains(&comparison.sentences.len()));
    let rating = [
        "better",
        "worse",
        "best",
        "worst",
        "good",
        "bad",
        "excellent",
        "poor",
        "improve",
        "score",
        "winner",
    ];
    for sentence in &comparison.sentences {
        let text = sentence.text.to_lowercase();
        assert!(!rating.iter().any(|word| text.contains(word)), "{text}");
        assert!(
            sentence.text.ends_with('.') && !sentence.text.contains("..") && !sentence.text.contains("  ")
        );
        assert!(!sentence.text.contains('\u{2013}') && !sentence.text.contains("NaN"));
    }
}
