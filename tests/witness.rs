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
use twinload::analysis::{Intermodulation, TakeAnalysis};
use twinload::signals::{Plan, Signal};

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
fn ours(take: &TakeAnalysis, plan: &Plan, witness: &Witness) -> Ours {
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
        ("quiet", "hum_line") => {
            let order = witness.at_number();
            let line = take.figures.hum_lines.iter().find(|l| f64::from(l.order) == order);
            Ours::Value(line.and_then(|l| l.level.value))
        }
        ("quiet", name) => figure(name),
        ("sweep_low" | "sweep_high", "level") => {
            let curve = if segment == "sweep_low" { "response_low_drive" } else { "response_high_drive" };
            Ours::Value(on_curve(take, curve, "magnitude", witness.at_number()))
        }
        ("sweep_high", column) if column.starts_with("harmonic_") => {
            let percent = on_curve(take, "harmonics_by_frequency", column, witness.at_number());
            Ours::Value(percent_db(percent))
        }
        ("burst", "immediate" | "sustained") => Ours::NoSuchFigure,
        ("burst", name) => figure(name),
        (pair, "d2" | "d3" | "total") => {
            let Some(Signal::Pair { low_hz, level_db, .. }) = plan.segment(pair).map(|s| s.signal.clone())
            else {
                panic!("{pair} is no pair of the plan")
            };
            let same = |i: &&Intermodulation| {
                (i.pair[0] / low_hz - 1.0).abs() < 1e-3 && i.level.is_some_and(|l| (l - level_db).abs() < 0.1)
            };
            let found = take.figures.intermodulation.iter().find(same);
            Ours::Value(found.and_then(|i| match name {
                "d2" => i.d2.value,
                "d3" => i.d3.value,
                _ => i.total.value,
            }))
        }
        // Corners are read at low drive, power bandwidth at high drive.
        ("sweep_low", "low_corner" | "high_corner") => figure(name),
        ("sweep_high", "power_bandwidth_low" | "power_bandwidth_high") => figure(name),
        _ => Ours::NoSuchFigure,
    }
}

/// How near the two must be: methods §11, the difference of two implementations being held to what each is held
/// to against the truth. `None`: methods ask for nothing here.
fn allowed(
    witness: &Witness,
    condition: Condition,
    short: bool,
    all: &BTreeMap<(String, String), f64>,
) -> Option<f64> {
    let clean = condition == Condition::Clean;
    let pick = |a: f64, b: f64| if clean { a } else { b };
    let (segment, name) = witness.figure.split_once('.').unwrap_or(("", &witness.figure));
    // A short sweep's responses lie too close together for the lowest frequencies.
    let lowest = if short { 80.0 } else { 40.0 };
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
        // Without hum there is nothing to find, and the other one claims lines more lightly.
        ("quiet", _) if clean => return None,
        ("quiet", "mains_frequency") => 1e-5 * witness.number()?,
        ("quiet", "hum_total") => 0.03,
        // Every line of the simulated hum; the weakest lies near −85 dBFS.
        ("quiet", "hum_line") if witness.number()? < -90.0 => return None,
        ("quiet", "hum_line") => 0.03 * 10.0_f64.powf((beside_total(all)? - witness.number()?) / 20.0),
        // The spread from take to take in methods §7, 4 s and 1 s long; the two look at the same take.
        ("quiet", "noise" | "noise_a_weighted" | "noise_468") => {
            if short {
                0.06
            } else {
                0.02
            }
        }
        ("sweep_low" | "sweep_high", "level") => {
            let f = witness.at_number();
            match condition {
                // The other one cuts what lies before the response as methods §5.5 says, which costs it
                // more than the target below 40 Hz; there the truth decides (tests/accuracy.rs).
                _ if f < lowest => return None,
                Condition::Clean => 0.002,
                Condition::Bench if f < 80.0 => 0.1,
                Condition::Bench if f < 300.0 => 0.07,
                Condition::Bench if f < 3000.0 => 0.02,
                Condition::Bench if f < 8000.0 => 0.03,
                Condition::Bench => return None,
            }
        }
        // The short sweep has an eighth of the energy and less room round its response: its own 95 % interval
        // at 60 Hz is ±0.8 %.
        ("sweep_low", "low_corner") if short => 0.01 * witness.number()?,
        ("sweep_low", "low_corner" | "high_corner") => pick(5e-4, 3e-3) * witness.number()?,
        ("sweep_high", "power_bandwidth_low" | "power_bandwidth_high") => 3e-3 * witness.number()?,
        ("sweep_high", column) if column.starts_with("harmonic_") => {
            // Where it stands 20 dB over the floor: that is about −60 dBc at this drive and noise.
            let reach = pick(-80.0, -50.0);
            // At 100 Hz of the short sweep the other one's H3 lies 0.030 dB from the closed form (−51.996 dB), ours
            // 0.006: it divides by the closed form of a sweep without a begin.
            let lowest = if short { 120.0 } else { lowest };
            if witness.at_number() < lowest || witness.number()? < reach {
                return None;
            }
            pick(0.02, 0.2)
        }
        ("burst", "sag" | "recovery_dip" | "burst_margin") => pick(0.02, 0.03),
        ("burst", "sag_time") => pick(0.02, 0.03) * witness.number()?,
        ("burst", "recovery_time") => pick(0.01, 0.05) * witness.number()?,
        (_, "d2" | "d3" | "total") => {
            let percent = witness.number()?;
            let decibels = match (condition, percent) {
                (Condition::Clean, p) if p > 1e-3 => 0.001,
                (Condition::Bench, p) if p >= 0.5 => 0.05,
                (Condition::Bench, p) if p >= 0.1 => 0.3,
                _ => return None,
            };
            percent * (10.0_f64.powf(decibels / 20.0) - 1.0)
        }
        _ => return None,
    })
}

/// Hum total of the take in dBFS.
fn beside_total(all: &BTreeMap<(String, String), f64>) -> Option<f64> {
    all.get(&("quiet.hum_total".to_owned(), String::new())).copied()
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
            let Some(allowed) = allowed(witness, condition, take.plan.name != "programme", &numbers) else {
                continue;
            };
            let found = match ours(&analysis, &take.plan, witness) {
                Ours::Value(found) => found,
                Ours::NoSuchFigure => continue,
            };
            compared += 1;
            let what = format!("{}: {} at {:?}", take.name, witness.figure, witness.at);
            match (found, witness.number()) {
                (Some(found), Some(expected)) => {
                    let off = if witness.figure.contains("phase") {
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
