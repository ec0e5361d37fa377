//! Which differences between builds are real: repeats, statistics, fairness, suspects, sentences.
//!
//! ```text
//! Bench + Analysis ──► group (takes that count) ──► row, ladder, curves ──► fairness, suspects ──► sentences
//!                                                   └──────────────── Comparison ────────────────┘
//! ```

mod catalogue;
mod conditions;
mod copy;
mod curves;
pub mod document;
mod fairness;
mod floor;
mod group;
mod ladder;
mod odd_take;
mod row;
mod rows;
mod sentences;
mod suspects;
mod waveform;
mod words;

pub use document::Comparison;

use crate::analysis::Analysis;
use crate::bench::Bench;
use crate::bench::budget::{self, Of};
use crate::bench::chart::{self, VoltageChart};
use crate::figure::Curve;
use crate::finding::Finding;
use crate::statistics::NORMAL_95;
use document::{BuildCurve, Row, SCHEMA, SettingSummary, Suspect};
use group::{Group, Member};
use row::{CommonUncertainty, TwoLoads};
use rows::MatchPoints;

/// Compares builds of a bench: those named in `chosen`, the first being the reference, or all of them.
///
/// # Errors
/// See [`CompareError`].
pub fn compare(bench: &Bench, analysis: &Analysis, chosen: &[String]) -> Result<Comparison, CompareError> {
    let selection = group::select(bench, analysis, chosen)?;
    let known: Vec<String> = selection.builds.iter().map(|b| b.name.clone()).collect();
    let names: Vec<&str> = known.iter().map(String::as_str).collect();
    let shown = words::names(&names);
    let watts = budget::of_rig(&bench.rig, Of::Watts);
    let common = common_uncertainty(bench);
    let mut rows: Vec<Row> = selection.groups.iter().flat_map(|g| rows::of(g, &names, &common)).collect();
    row::judge(&mut rows);
    let over_floor = floor::judge(&mut rows, words::name);
    let charts: Vec<VoltageChart> = selection.builds.iter().map(|b| chart::of(b)).collect();
    let mut suspects = odd_take::of(&selection, &shown);
    suspects.extend(suspects::of(&selection, &shown, &rows, &charts));
    suspects.extend(over_floor);
    let told = |s: &Suspect| format!("{}; {}.", words::capital(&s.saw), s.means);
    let doubts = |s: &&Suspect| [suspects::RECORDER, odd_take::CODE].contains(&s.code.as_str());
    let odd = suspects.iter().filter(doubts).map(told);
    let remarks = sentences::Remarks {
        first: selection.absent.iter().map(|why| format!("{}.", words::capital(why))).chain(odd).collect(),
        bias: suspects.iter().find(|s| s.code == "bias").map(told),
    };
    let settings: Vec<(&str, usize)> =
        selection.groups.iter().map(|g| (g.setting.name.as_str(), fewest(g))).collect();
    let sentences =
        sentences::of(&rows, &settings, sentences::Names { known: &known, shown: &shown }, &remarks);
    Ok(Comparison {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        title: bench.title.clone(),
        simulated: bench.simulated,
        builds: selection.builds.iter().zip(&charts).map(|(b, c)| conditions::build_summary(b, c)).collect(),
        settings: selection.groups.iter().map(setting_summary).collect(),
        fairness: fairness::of(bench, &selection, &shown, &rows),
        curves: selection.groups.iter().flat_map(|g| curves_of(g, &known)).collect(),
        hum_origins: analysis.hum_origins.iter().filter(|o| known.contains(&o.build)).cloned().collect(),
        conditions: conditions::of(
            bench,
            &charts,
            watts.as_ref(),
            &rows,
            thd_words(&selection),
            &of_loopback(&selection),
        ),
        budget: watts.map_or_else(Vec::new, |b| b.lines()),
        drive_uncertainty_percent: bench.rig.drive_uncertainty_percent(),
        recordings: selection.recordings,
        rows,
        sentences,
        suspects,
    })
}

/// Which THD is meant, and which harmonics it counts.
fn thd_words<'a>(selection: &'a group::Selection) -> Option<&'a str> {
    let members = selection.groups.iter().flat_map(|g| g.builds.iter().flatten());
    members.filter_map(|m| m.take.figures.get("thd_highest_order")).find_map(|q| q.note.as_deref())
}

/// What the loopback said of itself, each once.
fn of_loopback<'a>(selection: &group::Selection<'a>) -> Vec<&'a Finding> {
    let members = selection.groups.iter().flat_map(|g| g.builds.iter().flatten());
    let mut all: Vec<&Finding> = Vec::new();
    for finding in members.flat_map(|m| &m.take.findings).filter(|f| f.code.starts_with("loopback_")) {
        if !all.contains(&finding) {
            all.push(finding);
        }
    }
    all
}

fn fewest(group: &Group) -> usize {
    group.builds.iter().map(Vec::len).min().unwrap_or(0)
}

fn common_uncertainty(bench: &Bench) -> CommonUncertainty {
    let share = |of| budget::of_rig(&bench.rig, of).map_or(0.0, |b| b.standard_percent() / 100.0);
    // A rectangular ± a has the standard uncertainty a/√3 (JCGM 100:2008, 4.3.7).
    let drive = bench.rig.drive_uncertainty_percent().map_or(0.0, |p| p / 100.0 / NORMAL_95);
    let tolerance_percent = bench.rig.load_tolerance_percent.unwrap_or(budget::ASSUMED_RESISTOR_PERCENT);
    let other = bench.takes.iter().filter_map(|t| t.load_ohms).find(|r| Some(*r) != bench.rig.load_ohms);
    let loads = bench.rig.load_ohms.zip(other).map(|(nominal_ohms, other_ohms)| TwoLoads {
        nominal_ohms,
        other_ohms,
        share: tolerance_percent / 100.0 / 3f64.sqrt(),
    });
    CommonUncertainty { power: share(Of::Watts), volts: share(Of::Volts), drive, loads }
}

fn setting_summary(group: &Group) -> SettingSummary {
    SettingSummary {
        name: group.setting.name.clone(),
        controls: group.setting.words(),
        takes: group.builds.iter().map(|b| u32::try_from(b.len()).unwrap_or(u32::MAX)).collect(),
    }
}

/// Curves of a group: averages of each build, the waveform at the same power, differences of response.
fn curves_of(group: &Group, names: &[String]) -> Vec<BuildCurve> {
    let setting = &group.setting.name;
    let give = |build: &str, curve: &str, data: Curve| BuildCurve {
        build: build.to_owned(),
        setting: setting.clone(),
        curve: curve.to_owned(),
        matched_at: None,
        data,
    };
    let mut kinds: Vec<&String> = group.builds.iter().flatten().flat_map(|m| m.take.curves.keys()).collect();
    kinds.sort();
    kinds.dedup();
    let mut all = Vec::new();
    for kind in kinds {
        if kind == waveform::CURVE {
            continue;
        }
        for (members, build) in group.builds.iter().zip(names) {
            let takes: Vec<Curve> = named(members, kind)
                .into_iter()
                .map(|c| if kind.starts_with("response_") { curves::re_one_kilohertz(c) } else { c.clone() })
                .collect();
            let takes: Vec<&Curve> = takes.iter().collect();
            all.extend(curves::average(&takes).map(|data| give(build, kind, data)));
        }
    }
    let points = MatchPoints::of(group);
    for (members, build) in group.builds.iter().zip(names) {
        if let Some((matched_at, data)) = waveform::at_same_power(members, &points) {
            all.push(BuildCurve { matched_at: Some(matched_at), ..give(build, waveform::CURVE, data) });
        }
    }
    let response = "response_low_drive";
    if let Some(reference) = group.builds.first() {
        let reference = named(reference, response);
        for (members, build) in group.builds.iter().zip(names).skip(1) {
            let difference = curves::response_difference(&reference, &named(members, response));
            all.extend(difference.map(|data| give(build, "response_difference", data)));
        }
    }
    all
}

fn named<'a>(members: &[Member<'a>], curve: &str) -> Vec<&'a Curve> {
    members.iter().filter_map(|m| m.take.curves.get(curve)).collect()
}

/// Why builds cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// A name on the command line that bench.toml does not hold.
    #[error("bench.toml has no build \"{name}\"; its builds are: {known}")]
    UnknownBuild {
        /// As typed.
        name: String,
        /// The builds there are, the nearest first.
        known: String,
    },
    /// The same build twice.
    #[error("build \"{name}\" is named twice; name each build once, the reference first")]
    NamedTwice {
        /// The name.
        name: String,
    },
    /// Too few or too many builds.
    #[error(
        "a comparison needs two to eight builds, and here are {count}; add [[build]] tables to bench.toml, or name the builds to compare"
    )]
    HowMany {
        /// How many there are.
        count: usize,
    },
    /// Fewer than two builds have a take that can go in.
    #[error("there is nothing to compare: {why}")]
    NothingUsable {
        /// Of each build without one: why, and what to do.
        why: String,
    },
}
