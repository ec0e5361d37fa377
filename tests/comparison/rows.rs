//! Values, differences, intervals and standings against arithmetic on paper.

use approx::assert_relative_eq;
use twinload::compare::CompareError;
use twinload::compare::document::{Comparison, Expressed, Match, Row, Standing};
use twinload::figure::{Quantity, Unit};
use twinload::finding::Fitness;
use twinload::statistics::{Difference, Mean};

use crate::fixture::{Amp, Case, HERON};
use crate::telling::REWORK;

fn whole<'a>(comparison: &'a Comparison, quantity: &str) -> &'a Row {
    let is_it = |r: &&Row| r.quantity == quantity && r.matched == Match::Whole;
    comparison.rows.iter().find(is_it).unwrap()
}

fn at<'a>(comparison: &'a Comparison, quantity: &str, matched: Match, place: f64) -> &'a Row {
    let is_it = |r: &&Row| {
        r.quantity == quantity
            && r.matched == matched
            && r.matched_at.as_ref().and_then(|q| q.value) == Some(place)
    };
    comparison.rows.iter().find(is_it).unwrap()
}

/// Three takes a build whose clean power is known to the digit.
fn with_powers(a: [f64; 3], b: [f64; 3]) -> Comparison {
    let mut case = Case::two();
    for (build, powers) in [("as-drawn", a), ("rework", b)] {
        for watts in powers {
            case = case.with(build, "full", &HERON, 1, "", |t| {
                t.figures.set("power_at_thd_5_percent", Quantity::new(watts, Unit::Watts));
            });
        }
    }
    case.compare()
}

/// 95 % quantile of Student's t at 2 degrees of freedom (JCGM 100:2008, table G.2).
const T2: f64 = 4.302_653;

#[test]
fn absolute_values_carry_the_rig_and_differences_do_not() {
    let comparison = with_powers([4.60, 4.62, 4.64], [5.00, 5.02, 5.04]);
    let row = whole(&comparison, "power_at_thd_5_percent");
    // The difference: Welch on 10 lg of watts, nothing of the rig.
    let lg = |w: [f64; 3]| w.map(|w| 10.0 * w.log10());
    let paper = Difference::of(&lg([4.60, 4.62, 4.64]), &lg([5.00, 5.02, 5.04])).unwrap();
    assert_eq!((row.expressed, row.difference.unit), (Expressed::Decibels, Unit::Decibels));
    assert_relative_eq!(row.difference.value.unwrap(), paper.value, max_relative = 1e-12);
    assert_relative_eq!(
        row.difference.half_width().unwrap(),
        paper.half_width(0.95).unwrap(),
        max_relative = 1e-9
    );
    assert_eq!(row.standing, Standing::Real);
    // The value: s = 0.02 W, so 0.0115 W of scatter, and some per cent of the rig, which the budget lists.
    let rig = comparison.budget.iter().map(|l| l.power_percent.powi(2)).sum::<f64>().sqrt() / 100.0;
    assert!(rig > 0.01 && rig < 0.06, "{rig}");
    let scatter = 0.02 / 3f64.sqrt();
    let mean = Mean::of(&[4.60, 4.62, 4.64]).unwrap().with_common(rig * 4.62);
    assert_relative_eq!(row.values[0].value.unwrap(), 4.62, max_relative = 1e-12);
    assert_relative_eq!(
        row.values[0].half_width().unwrap(),
        mean.half_width(0.95).unwrap(),
        max_relative = 1e-9
    );
    assert!(row.values[0].half_width().unwrap() > T2 * scatter);
}

#[test]
fn a_ratio_is_told_as_a_factor_and_hertz_as_per_cent() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "");
    let comparison = case.compare();
    let thd = whole(&comparison, "thd_at_1_watt");
    assert_eq!((thd.expressed, thd.difference.unit), (Expressed::Ratio, Unit::One));
    assert!(
        (thd.difference.value.unwrap() - REWORK.h2.hypot(REWORK.h3) / HERON.h2.hypot(HERON.h3)).abs() < 0.02
    );
    assert!(thd.difference_text.starts_with("× "), "{}", thd.difference_text);
    let corner = whole(&comparison, "low_corner");
    assert_eq!((corner.expressed, corner.difference.unit), (Expressed::Percent, Unit::Percent));
    assert!(corner.difference_text.ends_with(" %"));
    assert_eq!(corner.relevant, None);
}

#[test]
fn near_a_null_per_cent_are_subtracted() {
    let clean = Amp { h2: 0.40, ..HERON };
    let case = Case::two().add("as-drawn", "full", &clean, 3, "").add(
        "rework",
        "full",
        &Amp { h2: 0.61, ..clean },
        3,
        "",
    );
    let row = at(&case.compare(), "harmonic_2", Match::SamePower, 1.0).clone();
    assert_eq!((row.expressed, row.difference.unit), (Expressed::Plain, Unit::Percent));
    assert!((row.difference.value.unwrap() - 0.21).abs() < 0.01);
    assert!(row.difference_text.contains("percentage points"));
    assert_eq!(row.relevant, Some(true));
}

#[test]
fn the_three_matches_agree_with_the_amp_they_were_read_from() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add(
        "rework",
        "full",
        &Amp { gain_db: 33.0, ..HERON },
        3,
        "",
    );
    let comparison = case.compare();
    // 3 dB more gain ahead of the same stage: 3 dB less drive for the same power or distortion …
    for (matched, place) in [(Match::SamePower, 1.0), (Match::SameDistortion, 5.0)] {
        let drive = at(&comparison, "drive", matched, place);
        assert!((drive.difference.value.unwrap() + 3.0).abs() < 0.1, "{:?}", drive.difference);
        assert_eq!(drive.standing, Standing::Real);
    }
    // … the same THD at the same power, and 3 dB more power at the same low drive.
    let thd = at(&comparison, "thd", Match::SamePower, 1.0);
    assert!((thd.difference.value.unwrap() - 1.0).abs() < 0.02);
    let power = at(&comparison, "power", Match::SameDrive, -20.0);
    assert!((power.difference.value.unwrap() - 3.0).abs() < 0.1, "{:?}", power.difference);
    assert_eq!(power.label, "Power at −20 dB drive");
    let clean = at(&comparison, "power", Match::SameDistortion, 5.0);
    assert_eq!(clean.values, whole(&comparison, "power_at_thd_5_percent").values);
}

#[test]
fn one_take_only_and_not_measured_are_said() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &HERON, 1, "");
    let row = whole(&case.compare(), "gain").clone();
    assert_eq!((row.standing, row.p_value, row.takes), (Standing::OneTakeOnly, None, [3, 1]));
    assert_eq!(row.difference.interval, None);
    assert!(row.values[1].note.as_deref().unwrap().contains("one take"));
    let case =
        Case::two().add("as-drawn", "full", &HERON, 3, "").with("rework", "full", &HERON, 3, "", |t| {
            t.figures.set("sag", Quantity::missing(Unit::Decibels, "no sag"));
        });
    let row = whole(&case.compare(), "sag").clone();
    assert_eq!((row.standing, row.difference_text.as_str()), (Standing::NotMeasured, "not measured"));
    assert_eq!(row.value_texts[1], "not measured");
    assert!(row.difference.note.as_deref().unwrap().contains("rework: no sag"));
}

#[test]
fn a_figure_missing_in_some_takes_is_the_mean_of_the_others_and_says_so() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &HERON, 2, "").with(
        "rework",
        "full",
        &HERON,
        1,
        "",
        |t| t.figures.set("sag", Quantity::missing(Unit::Decibels, "struck out")),
    );
    let row = whole(&case.compare(), "sag").clone();
    assert_eq!(row.takes, [3, 2]);
    assert_eq!(row.values[1].note.as_deref(), Some("missing in 1 of 3 takes: struck out"));
}

#[test]
fn headline_figures_are_corrected_together() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "");
    let comparison = case.compare();
    let headline: Vec<&Row> = comparison.rows.iter().filter(|r| r.headline).collect();
    assert_eq!(headline.len(), 13);
    for row in &comparison.rows {
        let Some(p) = row.p_value else { continue };
        let level = if row.headline { 0.05 } else { 0.01 };
        assert_eq!(row.standing == Standing::Real, p <= level, "{}", row.quantity);
    }
    // A difference that its own interval shows and that the correction takes back carries that remark.
    let two =
        Case::two().add("as-drawn", "full", &HERON, 2, "").add("rework", "full", &REWORK, 2, "").compare();
    let none = |r: &Row| if r.expressed == Expressed::Ratio { 1.0 } else { 0.0 };
    let taken_back: Vec<&Row> = two
        .rows
        .iter()
        .filter(|r| r.headline && r.standing == Standing::WithinRepeats)
        .filter(|r| r.difference.interval.is_some_and(|[low, high]| low > none(r) || high < none(r)))
        .collect();
    assert!(!taken_back.is_empty());
    for row in taken_back {
        assert!(row.difference.note.as_deref().unwrap().contains("Holm"), "{}", row.label);
    }
}

#[test]
fn what_does_not_count_is_left_out_and_listed() {
    let case = Case::two()
        .add("as-drawn", "full", &HERON, 3, "")
        .add("rework", "full", &REWORK, 3, "")
        .add("rework", "full", &HERON, 1, "use = false\nwhy = \"valve not warm\"")
        .with("rework", "full", &HERON, 1, "", |t| t.failure = Some("no markers".to_owned()))
        .with("rework", "full", &HERON, 1, "", |t| t.fitness = Fitness::Redo)
        .with("rework", "full", &HERON, 1, "", |t| t.sha256 = Some(format!("{:0>64}", "takes/3.wav")));
    let comparison = case.compare();
    let states: Vec<(&str, bool)> =
        comparison.recordings.iter().map(|r| (r.state.as_str(), r.used)).collect();
    assert_eq!(states[..6], [("fit", true); 6]);
    assert_eq!(
        states[6..],
        [
            ("left out in bench.toml: valve not warm", false),
            ("failed: no markers", false),
            ("redo", false),
            ("the same recording as takes/3.wav (same SHA-256), so no repeat", false),
        ]
    );
    assert_eq!(comparison.settings[0].takes, [3, 3]);
}

#[test]
fn builds_are_chosen_by_name_and_the_first_is_the_reference() {
    let case = || Case::two().add("as-drawn", "full", &HERON, 2, "").add("rework", "full", &REWORK, 2, "");
    let comparison = case().try_compare(&["rework", "as-drawn"]).unwrap();
    assert_eq!(comparison.builds[0].name, "rework");
    assert!(whole(&comparison, "gain").difference.value.unwrap() < 0.0);
    let error = case().try_compare(&["rework", "as-drown"]).unwrap_err();
    assert_eq!(error.to_string(), "bench.toml has no build \"as-drown\"; its builds are: as-drawn, rework");
    assert!(matches!(case().try_compare(&["rework"]), Err(CompareError::HowMany { count: 1 })));
    assert!(matches!(case().try_compare(&["rework", "rework"]), Err(CompareError::NamedTwice { .. })));
}

#[test]
fn where_there_is_nothing_to_compare_the_next_step_is_named() {
    let said = |case: Case| case.try_compare(&[]).unwrap_err().to_string();
    let none = said(Case::two());
    for build in ["as-drawn", "rework"] {
        let step =
            format!("build {build} has no take yet: twinload log bench WAV --build {build} --setting full");
        assert!(none.contains(&step), "{none}");
    }
    // One build alone is no comparison.
    let one = said(Case::two().add("as-drawn", "full", &HERON, 3, ""));
    assert_eq!(
        one,
        "there is nothing to compare: build rework has no take yet: twinload log bench WAV --build rework --setting full"
    );
    let gone =
        said(Case::two().add("as-drawn", "full", &HERON, 1, "").with("rework", "full", &HERON, 4, "", |t| {
            t.failure = Some("cannot open it".to_owned());
        }));
    assert!(
        gone.contains("no take of build rework can be used (takes/1.wav: failed: cannot open it;"),
        "{gone}"
    );
    assert!(gone.contains("and 1 more"), "{gone}");
}

#[test]
fn a_build_without_takes_beside_two_that_have_some_is_told_first() {
    let builds =
        "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n[[build]]\nname = \"third\"\n";
    let case = Case::new(crate::fixture::RIG, builds)
        .add("as-drawn", "full", &HERON, 3, "")
        .add("rework", "full", &REWORK, 3, "");
    let comparison = case.compare();
    let first = &comparison.sentences[0];
    assert_eq!(
        first.text,
        "Build third has no take yet: twinload log bench WAV --build third --setting full."
    );
    assert_eq!(first.standing, None);
    assert!(comparison.sentences.len() <= 7);
}

#[test]
fn curves_are_averaged_and_the_difference_of_response_is_there() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add(
        "rework",
        "full",
        &Amp { presence: 2.0, ..HERON },
        3,
        "",
    );
    let comparison = case.compare();
    let names: Vec<_> = comparison.curves.iter().map(|c| (c.build.as_str(), c.curve.as_str())).collect();
    assert!(names.contains(&("rework", "response_difference")) && names.contains(&("as-drawn", "ladder_up")));
    let difference = &comparison.curves.iter().find(|c| c.curve == "response_difference").unwrap().data;
    let near = |hz: f64| {
        let near = |p: &&(f64, f64)| (p.0 / hz).ln().abs() < 0.03;
        difference.points("frequency", "difference").iter().find(near).unwrap().1
    };
    assert!((near(2500.0) - 2.0).abs() < 0.5, "{}", near(2500.0));
    assert!(near(100.0).abs() < 0.5);
}

#[test]
fn the_document_reads_back_and_holds_no_unfinished_number() {
    let case = Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 1, "");
    let comparison = case.compare();
    let json = serde_json::to_value(&comparison).unwrap();
    assert!(!json.to_string().contains("NaN"));
    // Unknown fields are refused, so that the written and the read form cannot drift apart.
    let back: Comparison = serde_json::from_value(json.clone()).unwrap();
    assert!(back == comparison);
    let mut more = json;
    more["rows"][0]["new"] = serde_json::Value::from(1);
    assert!(serde_json::from_value::<Comparison>(more).is_err());
}

#[test]
fn takes_at_another_load_are_kept_apart() {
    let other_load = |t: &mut twinload::analysis::TakeAnalysis| t.load_ohms = Some(16.0);
    let case = Case::two()
        .add("as-drawn", "full", &HERON, 2, "")
        .with("as-drawn", "full", &HERON, 3, "load_ohms = 16.0", other_load)
        .add("rework", "full", &HERON, 2, "");
    let comparison = case.compare();
    assert_eq!(comparison.settings[0].takes, [2, 2]);
    let line = comparison.fairness.iter().find(|l| l.code == "same_load").unwrap();
    assert_eq!(
        (line.kept, line.saw.as_str()),
        (Some(true), "all takes into 8.00 Ω; 3 takes at another load kept apart")
    );
}

/// A noise spectrum in bands of 1/48 octave, each off by up to half a decibel as `seed` has it: what chance leaves.
fn noise(seed: u32, level_db: f64) -> twinload::figure::Curve {
    let unit = Unit::DbFullScale;
    let mut curve =
        twinload::figure::Curve::new(&[("frequency", Unit::Hertz), ("level", unit), ("noise", unit)]);
    let mut lot = seed;
    for band in 0..480 {
        lot = lot.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let own = f64::from(lot >> 8) / f64::from(1 << 24) - 0.5;
        let level = level_db + own;
        curve.push([20.0 * 2f64.powf(f64::from(band) / 48.0), level, level]);
    }
    curve
}

#[test]
fn a_trimmed_copy_is_no_repeat() {
    let with_noise = |case: Case, build: &str, amp: &Amp, seed: u32, level_db: f64| {
        case.with(build, "full", amp, 1, "", |t| {
            t.curves.insert("noise_spectrum".to_owned(), noise(seed, level_db));
        })
    };
    let mut case = Case::two();
    for seed in [1, 2, 3] {
        case = with_noise(case, "as-drawn", &HERON, seed, -80.0);
        case = with_noise(case, "rework", &REWORK, 10 + seed, -82.0);
    }
    // The second of as-drawn, exported 6 dB softer.
    case = with_noise(case, "as-drawn", &HERON, 2, -86.0);
    let comparison = case.compare();
    let states: Vec<&str> = comparison.recordings.iter().map(|r| r.state.as_str()).collect();
    assert_eq!(states[..6], ["fit"; 6]);
    assert!(
        states[6].starts_with("the same recording as takes/2.wav, trimmed or written anew"),
        "{states:?}"
    );
    assert_eq!(comparison.settings[0].takes, [3, 3]);
}

#[test]
fn repeats_that_agree_by_luck_have_no_smaller_interval_than_their_own_noise() {
    let mut case = Case::two();
    for build in ["as-drawn", "rework"].repeat(3) {
        case = case.with(build, "full", &HERON, 1, "", |t| {
            let hum = if build == "rework" { 1.9004 } else { 1.9 };
            t.figures.set("hum_total", Quantity::new(hum, Unit::Millivolts).plus_minus(0.03));
            t.figures.set("gain", Quantity::new(30.0, Unit::Decibels));
        });
    }
    let row = whole(&case.compare(), "hum_total").clone();
    // Three takes with ± 0.03 mV each: their mean is known to 0.03/√3 mV, the ratio of two to √2 of that.
    let own = 0.03 / 3f64.sqrt();
    assert!(row.values[0].half_width().unwrap() >= own, "{:?}", row.values[0]);
    let of_ratio = 2f64.sqrt() * own / 1.9 * if row.difference.unit == Unit::Decibels { 8.686 } else { 1.0 };
    // Log and line differ by the square of 1.6 %.
    assert_relative_eq!(row.difference.half_width().unwrap(), of_ratio, max_relative = 2e-3);
    assert_eq!(row.standing, Standing::WithinRepeats);
}
