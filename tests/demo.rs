//! The demo end to end, as a person runs it: command line, files, figures, the signs of the differences.
//!
//! The short programme is played, so its figures are coarser; what is checked holds for both.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;
use twinload::bench::Bench;
use twinload::compare::document::{Comparison, Row, Standing};
use twinload::signals::{Choices, Plan};
use twinload::simulate::bench::sessions;

fn twinload() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin!("twinload"))
}

#[test]
fn the_demo_leads_from_an_empty_folder_to_a_report() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("demo");
    let run = twinload().args(["demo", "--short"]).arg(&dir).assert().success();
    let said = String::from_utf8(run.get_output().stdout.clone()).unwrap();
    let page = dir.join("reports").join("report.html");
    assert!(said.contains("imulated") && said.contains(&page.display().to_string()), "{said}");

    let bench = Bench::open(&dir).unwrap();
    assert!(bench.simulated && bench.takes.len() == sessions().len());
    for (take, session) in bench.takes.iter().zip(sessions()) {
        assert_eq!((take.file.as_str(), take.order), (session.file.as_str(), Some(session.order)));
        assert!(take.sha256.is_some() && bench.path_of(take).is_file(), "{}", take.file);
    }
    for name in ["analysis.json", "figures.csv", "report.json", "report.csv", "summary.txt", "summary.md"] {
        let size = std::fs::metadata(dir.join("reports").join(name)).unwrap().len();
        assert!(size > 100, "{name} has {size} bytes");
    }
    let html = std::fs::read_to_string(&page).unwrap();
    for name in ["as-drawn", "rework", "Heron 6", "imulated", "6V6GT", "6L6GC"] {
        assert!(html.contains(name), "the page does not name {name}");
    }

    every_figure_is_finite_or_says_why_not(&dir.join("reports").join("analysis.json"));
    every_figure_is_finite_or_says_why_not(&dir.join("reports").join("report.json"));
    let text = std::fs::read(dir.join("reports").join("report.json")).unwrap();
    let comparison: Comparison = serde_json::from_slice(&text).unwrap();
    the_differences_have_the_right_sign(&comparison);
    // A figure that the catalogue does not know bears its bare name: it is missing there.
    for row in &comparison.rows {
        let mut bare = row.quantity.replace('_', " ");
        bare[..1].make_ascii_uppercase();
        let known = ["output_impedance", "damping_factor", "burst_margin"].contains(&row.quantity.as_str());
        assert!(row.label != bare || known || !bare.contains(' '), "no label for {}", row.quantity);
    }
}

/// Every quantity has a finite value inside its interval, or a note that says why it has none.
fn every_figure_is_finite_or_says_why_not(path: &Path) {
    fn walk(value: &Value, at: &str, seen: &mut usize) {
        match value {
            Value::Array(items) => {
                items.iter().enumerate().for_each(|(k, item)| walk(item, &format!("{at}[{k}]"), seen));
            }
            Value::Object(fields) => {
                if fields.contains_key("unit") && fields.contains_key("value") {
                    *seen += 1;
                    let number = fields["value"].as_f64();
                    assert!(
                        number.is_some_and(f64::is_finite) || fields["note"].is_string(),
                        "{at}: neither value nor reason: {value}"
                    );
                    if let (Some(v), Some(ends)) = (number, fields["interval"].as_array()) {
                        let [low, high] = [0, 1].map(|k| ends[k].as_f64().unwrap());
                        assert!(low <= v && v <= high, "{at}: {v} outside {low}..{high}");
                    }
                }
                fields.iter().for_each(|(name, field)| walk(field, &format!("{at}.{name}"), seen));
            }
            _ => {}
        }
    }
    let mut seen = 0;
    walk(&serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap(), "", &mut seen);
    assert!(seen > 100, "only {seen} quantities in {}", path.display());
}

/// What the circuit makes certain: see the comments. The reference is as-drawn.
fn the_differences_have_the_right_sign(comparison: &Comparison) {
    assert_eq!(comparison.builds.iter().map(|b| b.name.as_str()).collect::<Vec<_>>(), ["as-drawn", "rework"]);
    assert!((3..=7).contains(&comparison.sentences.len()));
    let row = |quantity: &str, setting: &str| -> &Row {
        comparison
            .rows
            .iter()
            .find(|r| r.quantity == quantity && r.setting == setting)
            .unwrap_or_else(|| panic!("no row {quantity} at {setting}"))
    };
    // Bounds in dB: what the amp's own test (simulate::amp) and the valves' gm at their idle currents
    // (4.4 against 6 mA/V, less feedback) allow.
    for (quantity, low, high) in [
        ("gain", 0.5, 3.0),
        // More current at idle, so more power before the plate current is cut off.
        ("power_at_thd_5_percent", 0.5, 5.0),
        ("power_at_thd_10_percent", 0.2, 3.0),
        // The steeper valve makes more of the ripple on its screen.
        ("hum_total", 1.0, 6.0),
    ] {
        let row = row(quantity, "full");
        let db = row.difference.value.unwrap();
        assert!((low..high).contains(&db), "{quantity}: {db} dB");
        assert_eq!(row.standing, Standing::Real, "{quantity}");
    }
    // More feedback by more gain lowers the output impedance; both stay believable for 8 ohms.
    let ohms: Vec<f64> = row("output_impedance", "full").values.iter().map(|q| q.value.unwrap()).collect();
    assert!(ohms[1] < ohms[0] && ohms.iter().all(|z| (2.0..20.0).contains(z)), "{ohms:?}");
    // The cathode-biased 6V6GT runs out of current: its negative half clips early.
    let negative = row("clip_drive_negative", "full").values[0].value.unwrap();
    let positive = row("clip_drive_positive", "full").values[0].value.unwrap();
    assert!(positive - negative > 1.0, "{positive} {negative}");
    // One take a build at noon.
    let gain = row("gain", "noon");
    assert_eq!(gain.standing, Standing::OneTakeOnly);
    assert!(row("gain", "full").values[0].value.unwrap() > gain.values[0].value.unwrap() + 6.0);
}

#[test]
fn a_folder_that_holds_something_else_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("letters.txt"), "dear").unwrap();
    let run = twinload().arg("demo").arg(folder.path()).assert().code(1);
    let said = String::from_utf8(run.get_output().stderr.clone()).unwrap();
    assert!(said.contains("holds something else"), "{said}");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    twinload().arg("demo").arg(folder.path().join("letters.txt")).assert().code(1);
}

#[test]
fn the_full_demo_stays_under_two_hundred_megabytes() {
    let seconds = Plan::programme(&Choices::default()).length_seconds + 1.8;
    // 24-bit mono at 48 kHz; 20 MB are left for the report (design §12: under 200 MB).
    let megabytes = sessions().len() as f64 * seconds * 48_000.0 * 3.0 / 1e6;
    assert!(megabytes < 180.0, "{megabytes} MB");
}
