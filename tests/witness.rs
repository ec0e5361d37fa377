//! Two implementations measure the same takes: this one, and NumPy/SciPy (`tests/reference/measure.py`), whose
//! results are committed in `tests/reference/takes.csv`.
//!
//! To run the other one again: `cargo test --release --test witness -- --ignored`, then
//! `python3 tests/reference/tabulate.py target/witness-takes tests/reference/takes.csv`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::collections::BTreeMap;
use std::path::Path;

use support::{Table, analyse, db, takes, turn, write_wav};
use twinload::analysis::TakeAnalysis;

/// Which column of methods §11 a take is held to.
#[derive(Clone, Copy, PartialEq)]
enum Condition {
    Clean,
    Bench,
}

/// One figure by the other implementation.
struct Witness {
    figure: String,
    at: String,
    value: String,
}

impl Witness {
    fn number(&self) -> Option<f64> {
        self.value.parse().ok()
    }

    fn at_number(&self) -> f64 {
        self.at.parse().unwrap_or(f64::NAN)
    }
}

/// What this implementation says of the same thing.
enum Ours {
    /// A number, `None` where it says "not measured" or "not reached".
    Value(Option<f64>),
    /// It has no such figure, by design (the reason stands where this is made).
    NoSuchFigure,
}

/// A per cent ratio in dB.
fn percent_db(percent: Option<f64>) -> Option<f64> {
    percent.map(|p| db(p / 100.0))
}

/// The value of a curve's column where its first column has this value.
fn on_curve(take: &TakeAnalysis, curve: &str, column: &str, at: f64) -> Option<f64> {
    let curve = take.curves.get(curve).unwrap_or_else(|| panic!("no curve {curve}"));
    let along = curve.columns.first().unwrap().name.clone();
    let xs = curve.column(&along).unwrap();
    let row = xs.iter().position(|x| x.is_some_and(|x| (x - at).abs() <= 1e-6 * at.abs().max(1.0)));
    let row = row.unwrap_or_else(|| panic!("no row {along} = {at}"));
    curve.column(column).unwrap_or_else(|| panic!("no column {column}"))[row]
}

/// Finds the counterpart of a witness's figure.
fn ours(take: &TakeAnalysis, witness: &Witness) -> Ours {
    let figure = |name: &str| Ours::Value(take.figures.value(name));
    let (segment, name) = witness.figure.split_once('.').unwrap_or(("", &witness.figure));
    match (segment, name) {
        ("", "clock_drift") => Ours::Value(take.clock_drift.as_ref().and_then(|q| q.value)),
        ("", "polarity") => Ours::Value(take.polarity.map(f64::from)),
        // Latency is unknown; only differences of times mean anything.
        ("", "delay") => Ours::NoSuchFigure,
        ("headroom", "cranked_level" | "level_at_1_db_compression") => Ours::NoSuchFigure,
        ("headroom", name) => match name.strip_prefix("level_at_") {
            Some(limit) => figure(&format!("output_at_{limit}")),
            None => figure(name),
        },
        ("ladder_up" | "ladder_down" | "low_e_ladder", column) => {
            let at = witness.at_number();
            let read = |column: &str| on_curve(take, segment, column, at);
            Ours::Value(if column == "level" {
                read("output_fundamental")
            } else if column.starts_with("harmonic_") {
                percent_db(read(column))
            } else {
                read(column)
            })
        }
        _ => Ours::NoSuchFigure,
    }
}

/// How near the two must be: methods §11, the difference of two implementations being held to what each is held
/// to against the truth. `None`: methods ask for nothing here.
fn allowed(witness: &Witness, condition: Condition, all: &BTreeMap<(String, String), f64>) -> Option<f64> {
    let clean = condition == Condition::Clean;
    let pick = |a: f64, b: f64| if clean { a } else { b };
    let (segment, name) = witness.figure.split_once('.').unwrap_or(("", &witness.figure));
    let beside = |column: &str| all.get(&(format!("{segment}.{column}"), witness.at.clone())).copied();
    Some(match (segment, name) {
        ("", "clock_drift") => pick(0.001, 0.01),
        ("", "polarity") => 0.0,
        ("headroom", "gain") => pick(0.001, 0.01),
        ("headroom", "onset_span") => pick(0.07, 0.13),
        ("headroom", "hysteresis") => pick(0.002, 0.02),
        ("headroom", "drive_at_1_db_compression") => pick(0.01, 0.02),
        ("headroom", name) if name.starts_with("clip_drive") => pick(0.05, 0.06),
        ("headroom", name) if name.ends_with("thd_1_percent") => pick(0.05, 0.08),
        ("headroom", _) => pick(0.02, 0.05),
        ("ladder_up" | "ladder_down" | "low_e_ladder", column) => {
            // At the top; what noise leaves grows as the tone falls, to 0.02 dB at −45 dB.
            let weaker = 10.0_f64.powf(-witness.at_number() / 20.0);
            match column {
                "level" => pick(1e-6, 0.0005) * weaker.min(40.0),
                "thd" => {
                    let thd = witness.number()?;
                    if clean {
                        1e-4 * thd * weaker
                    } else if thd >= 1.0 && beside("level")? >= -20.0 {
                        0.005 * thd
                    } else {
                        return None;
                    }
                }
                "thd_n" if witness.at_number() == 0.0 => pick(1e-4, 1e-3) * witness.number()?,
                _ if column.starts_with("harmonic_") || column.starts_with("phase_") => {
                    let order = column.split('_').next_back()?;
                    let level = beside(&format!("harmonic_{order}"))?;
                    if witness.at_number() != 0.0 {
                        return None;
                    }
                    let decibels = match (condition, level) {
                        (Condition::Clean, l) if l >= -120.0 => support::clean_harmonic_tolerance_db(l),
                        (Condition::Bench, l) if l >= -60.0 => 0.1,
                        (Condition::Bench, l) if l >= -80.0 => 1.0,
                        // Under the floor: the tool says so and gives no number.
                        _ => return None,
                    };
                    let turned = (10.0_f64.powf(decibels / 20.0) - 1.0).to_degrees();
                    if column.starts_with("phase_") { turned } else { decibels }
                }
                _ => return None,
            }
        }
        _ => return None,
    })
}

#[test]
fn both_implementations_find_the_same_figures() {
    let table = Table::read("reference/takes.csv");
    let folder = tempfile::tempdir().unwrap();
    let mut faults = Vec::new();
    for take in takes::all() {
        let path = folder.path().join(format!("{}.wav", take.name));
        write_wav(&path, &take.samples, take.stored);
        let analysis = analyse(&path);
        let witnesses: Vec<Witness> = table
            .rows()
            .filter(|r| r.text("take") == take.name)
            .map(|r| Witness {
                figure: r.text("figure").to_owned(),
                at: r.text("at").to_owned(),
                value: r.text("value").to_owned(),
            })
            .collect();
        let numbers =
            witnesses.iter().filter_map(|w| Some(((w.figure.clone(), w.at.clone()), w.number()?))).collect();
        let condition = if take.name.starts_with("clean") { Condition::Clean } else { Condition::Bench };
        let mut compared = 0;
        for witness in &witnesses {
            let Some(allowed) = allowed(witness, condition, &numbers) else { continue };
            let found = match ours(&analysis, witness) {
                Ours::Value(found) => found,
                Ours::NoSuchFigure => continue,
            };
            compared += 1;
            let what = format!("{}: {} at {:?}", take.name, witness.figure, witness.at);
            match (found, witness.number()) {
                (Some(found), Some(expected)) => {
                    let off = if witness.figure.contains("phase_") {
                        turn(found, expected).abs()
                    } else {
                        (found - expected).abs()
                    };
                    if off > allowed {
                        faults.push(format!(
                            "{what}: {found}, the other {expected}: off by {off}, {allowed} allowed"
                        ));
                    }
                }
                (None, None) => {}
                (found, _) => faults.push(format!("{what}: {found:?}, the other {}", witness.value)),
            }
        }
        assert!(compared > 50, "{}: only {compared} figures were compared", take.name);
    }
    assert!(faults.is_empty(), "{} disagreements:\n{}", faults.len(), faults.join("\n"));
}

#[test]
#[ignore = "writes the takes for the other implementation"]
fn the_takes_are_written_for_the_other_implementation() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/witness-takes");
    std::fs::create_dir_all(&folder).unwrap();
    for take in takes::all() {
        let plan = serde_json::to_vec_pretty(&take.plan).unwrap();
        std::fs::write(folder.join(format!("{}.json", take.name)), plan).unwrap();
        write_wav(&folder.join(format!("{}.wav", take.name)), &take.samples, take.stored);
    }
}
