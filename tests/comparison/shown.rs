//! What a person reads on the terminal and in the post: the summary, the legend of `analyse`.

use twinload::analysis::{Analysis, SCHEMA, TakeAnalysis};
use twinload::figure::{Quantity, Unit};
use twinload::finding::{Finding, Severity};
use twinload::report::table::Table;
use twinload::report::{analysis, summary};

use crate::fixture::{Case, HERON, take};
use crate::telling::REWORK;

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_summary_tells_every_question_of_fairness_that_is_answered_with_no() {
    let clipped = |t: &mut TakeAnalysis| {
        let finding = ("clipped_input", "412 samples at full scale");
        t.findings.push(Finding::new(finding.0, Severity::Limit, finding.1, "struck out", "turn down"));
    };
    let case =
        Case::two().add("as-drawn", "full", &HERON, 3, "").with("rework", "full", &REWORK, 2, "", clipped);
    let comparison = case.compare();
    let broken: Vec<_> = comparison.fairness.iter().filter(|l| l.kept == Some(false)).collect();
    assert_eq!(broken.len(), 2);
    let plain = summary::plain(&comparison, None);
    assert!(plain.lines().all(|line| line.chars().count() <= 80), "{plain}");
    let (plain, markdown) = (one_line(&plain), summary::markdown(&comparison, None));
    for line in broken {
        let told =
            one_line(&format!("✗ {}: no. {}; {}", line.title, line.saw, line.effect.as_ref().unwrap()));
        assert!(plain.contains(&told), "{told}\n{plain}");
        assert!(markdown.contains(&format!("- ✗ {}: no. ", line.title)), "{markdown}");
    }
    // What is kept or not known is no reproach.
    assert_eq!(plain.matches('✗').count(), 2);
    let fair =
        Case::two().add("as-drawn", "full", &HERON, 3, "").add("rework", "full", &REWORK, 3, "").compare();
    assert!(!summary::plain(&fair, None).contains("fair comparison"));
}

#[test]
fn each_table_names_its_two_builds_and_what_one_take_leaves_open() {
    let builds =
        "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n[[build]]\nname = \"third\"\n";
    let of = |count: usize| {
        let case = Case::new(crate::fixture::RIG, builds)
            .add("as-drawn", "full", &HERON, 3, "")
            .add("rework", "full", &REWORK, 3, "")
            .add("third", "full", &HERON, count, "");
        summary::plain(&case.compare(), None)
    };
    let text = of(1);
    for heading in ["Setting full: rework beside as-drawn", "Setting full: third beside as-drawn"] {
        assert!(text.contains(heading), "{text}");
    }
    // The note stands under the table of the build with one take, and under no other.
    let tables: Vec<&str> = text.split("\nSetting ").collect();
    let notes: Vec<bool> = tables.iter().map(|t| t.contains("log one more take of each build")).collect();
    assert_eq!(notes, [false, false, true], "{text}");
    assert!(!of(3).contains("log one more take"));
}

#[test]
fn the_legend_says_what_the_levels_of_this_bench_are() {
    let legend = |change: &dyn Fn(&mut TakeAnalysis)| {
        let mut one = take("takes/1.wav", "as-drawn", "full", &HERON, 0.0);
        change(&mut one);
        let analysis = Analysis {
            schema: SCHEMA.to_owned(),
            version: "0".to_owned(),
            bench: None,
            takes: vec![one],
            hum_origins: Vec::new(),
        };
        let mut out = Vec::new();
        analysis::summary(&analysis, &mut out).unwrap();
        one_line(&String::from_utf8(out).unwrap())
    };
    let calibrated = legend(&|_| ());
    assert!(calibrated.contains("hum mV") && !calibrated.contains("dBFS"), "{calibrated}");
    let bare = legend(&|t| t.figures.set("hum_total", Quantity::new(-80.0, Unit::DbFullScale)));
    assert!(bare.contains("Not calibrated: hum is dBFS, gain is recording over signal"), "{bare}");
    assert!(bare.contains("twinload calibrate") && !bare.contains("hum mV"), "{bare}");
}

#[test]
fn a_word_is_broken_only_where_nothing_else_fits() {
    let text = |width: usize| {
        let mut table = Table::new(["quantity", "difference", "standing"]);
        table.width(width);
        table.row(["Small-signal gain", "30.01 ± 0.05 dB", "one take only"]);
        let mut out = Vec::new();
        table.write(&mut out).unwrap();
        String::from_utf8(out).unwrap()
    };
    // 12 columns of the longest word, 15 of the number, 9 of what may wrap, and two gaps.
    let whole = text(40);
    assert!(whole.lines().any(|l| l.starts_with("Small-signal  30.01 ± 0.05 dB  one take")), "{whole}");
    // Narrower, a word gives way rather than the table.
    assert!(text(36).contains("───"), "{}", text(36));
}
