//! Faults put into good takes at known places and strengths: how many are found, and how often
//! something is said of a good take. (docs/checks.md has the tables.)
//!
//! ```sh
//! cargo test --test faults -- --nocapture                      # prints the table
//! cargo test --test faults -- --ignored strengths --nocapture  # measures anew at which strength a figure moves
//! ```
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

#[path = "faults/kinds.rs"]
mod kinds;
#[path = "faults/movement.rs"]
mod movement;
#[path = "faults/takes.rs"]
mod takes;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use kinds::{Kind, kinds};
use rayon::prelude::*;
use takes::{Amp, amps, judged, said};
use twinload::finding::Fitness;
use twinload::simulate::Recording;
use twinload::simulate::noise::White;

fn strengths_file() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults/strengths.csv")
}

/// Strength at which a fault moves a figure by 0.1 dB or 1 % of THD, by kind and amp; `None`: it moves none.
fn strengths() -> BTreeMap<(String, String), Option<f64>> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(strengths_file()).unwrap();
    let row = |row: csv::StringRecord| ((row[0].to_owned(), row[1].to_owned()), row[2].parse().ok());
    reader.records().map(|record| row(record.unwrap())).collect()
}

/// What was put in, found or not, and what else was said.
struct Trial {
    kind: usize,
    found: bool,
    words: String,
}

fn spoilt(amp: &Amp, kind: &Kind, strength: f64, seed: u64) -> (Recording, Option<f64>) {
    let (faults, place) = (kind.make)(amp, &mut White::new(seed), strength);
    (faults.iter().fold(amp.take(seed), |recording, fault| recording.with(fault)), place)
}

fn trial(kind: &Kind, at: usize, amp: &Amp, strength: f64, seed: u64) -> Trial {
    let (recording, place) = spoilt(amp, kind, strength, seed);
    let check = judged(&recording, seed, 24);
    // Located to the millisecond where there is a place; a period of 1010 Hz is one.
    let near = |at: Option<f64>| place.is_none_or(|place| at.is_some_and(|at| (at - place).abs() < 0.001_5));
    let named = |code: &str| kind.codes.contains(&code);
    let found = check.findings.iter().any(|f| named(&f.code) && near(f.at_seconds));
    let noted = check.fitness != Fitness::Fit || kind.is_note;
    let words =
        format!("{} at {strength} on {} {seed} place {place:?}: {:?}", kind.name, amp.name, said(&check));
    Trial { kind: at, found: found && noted, words }
}

/// Faults that one channel does not tell reliably at any strength (docs/checks.md); half of them must be found.
const OFTEN: [&str; 2] = ["direct monitoring 4 ms early", "direct monitoring 3 ms late"];

#[test]
fn good_takes_are_fit_and_faults_are_found() {
    let (amps, kinds, strengths) = (amps(), kinds(), strengths());
    // While working on one fault, a part of its name in TWINLOAD_FAULTS leaves all else out.
    let wanted = std::env::var("TWINLOAD_FAULTS").unwrap_or_default();
    let repeats = if wanted.is_empty() { 10 } else { 0 };
    // Good takes: every amp at every rate, both polarities, 16 and 24 bits, with hum, noise and drift.
    let good: Vec<(usize, u64)> =
        (0..amps.len()).flat_map(|a| (0..repeats).map(move |k| (a, 1000 + 100 * a as u64 + k))).collect();
    let alarms: Vec<(String, Vec<String>)> = good
        .par_iter()
        .filter_map(|&(a, seed)| {
            let bits = if seed % 5 == 4 { 16 } else { 24 };
            let check = judged(&amps[a].take(seed), seed, bits);
            // Two notes of the measurement, not of the recording's health: the short plan's lowest ten steps reach
            // into the clipping of some amps, so that their gain seems to rise first; and valve amps warm up.
            let of_health = |code: &str| !["gain_rises", "thd_dips_back", "not_settled"].contains(&code);
            let codes: Vec<String> =
                check.findings.iter().map(|f| f.code.clone()).filter(|code| of_health(code)).collect();
            let spoken = !codes.is_empty() || check.failure.is_some();
            spoken.then(|| {
                (
                    format!("{} {} Hz {bits} bits {seed}: {:?}", amps[a].name, amps[a].rate_hz, said(&check)),
                    codes,
                )
            })
        })
        .collect();

    let at_48: Vec<&Amp> = amps.iter().filter(|amp| amp.rate_hz == 48_000).collect();
    let mut todo: Vec<(usize, &Amp, f64, u64, bool)> = Vec::new();
    for (k, kind) in kinds.iter().enumerate().filter(|(_, kind)| kind.name.contains(&wanted)) {
        for (a, amp) in at_48.iter().enumerate().filter(|(_, amp)| (kind.on)(amp)) {
            let moves = strengths.get(&(kind.name.to_owned(), amp.name.to_owned())).copied().flatten();
            for n in 0..2 {
                let seed = (10_000 + 1000 * k + 10 * a + n) as u64;
                if let Some(moves) = moves {
                    todo.push((k, amp, moves, seed, true));
                }
                if let Some(from) = kind.from {
                    todo.push((k, amp, moves.map_or(from, |moves| moves.max(from)), seed + 5, false));
                }
            }
        }
    }
    let trials: Vec<(bool, Trial)> = todo
        .par_iter()
        .map(|&(k, amp, strength, seed, at_movement)| (at_movement, trial(&kinds[k], k, amp, strength, seed)))
        .collect();

    let mut table = String::new();
    let mut missed = Vec::new();
    writeln!(
        table,
        "| fault | found as | moves a figure from | found there | bound from | found there | false alarms |"
    )
    .unwrap();
    writeln!(table, "| --- | --- | --- | --- | --- | --- | --- |").unwrap();
    for (k, kind) in kinds.iter().enumerate() {
        let of = |at_movement: bool| {
            trials.iter().filter(move |(m, t)| t.kind == k && *m == at_movement).map(|t| &t.1)
        };
        let count = |at_movement: bool| {
            let (found, all) = of(at_movement).fold((0, 0), |(f, n), t| (f + usize::from(t.found), n + 1));
            if all == 0 { "–".to_owned() } else { format!("{found} of {all}") }
        };
        let there: Vec<f64> =
            strengths.iter().filter(|((name, _), _)| name == kind.name).filter_map(|(_, s)| *s).collect();
        let (low, high) = there.iter().fold((f64::INFINITY, 0.0f64), |(l, h), s| (l.min(*s), h.max(*s)));
        let moves = match (there.is_empty(), kind.unit) {
            (true, _) => "moves none".to_owned(),
            (false, unit) if high / low < 1.1 => format!("{} {unit}", short(low)),
            (false, unit) => format!("{} to {} {unit}", short(low), short(high)),
        };
        let from = kind.from.map_or("the same".to_owned(), |from| format!("{} {}", short(from), kind.unit));
        let said =
            alarms.iter().filter(|(_, codes)| codes.iter().any(|c| kind.codes.contains(&c.as_str()))).count();
        let codes = kind.codes.iter().map(|c| format!("`{c}`")).collect::<Vec<_>>().join(", ");
        writeln!(
            table,
            "| {} | {codes} | {moves} | {} | {from} | {} | {said} of {} |",
            kind.name,
            count(true),
            if kind.from.is_some() { count(false) } else { count(true) },
            good.len()
        )
        .unwrap();
        let unseen: Vec<String> =
            of(kind.from.is_none()).filter(|t| !t.found).map(|t| t.words.clone()).collect();
        if !OFTEN.contains(&kind.name) || 2 * unseen.len() > of(kind.from.is_none()).count() {
            missed.extend(unseen);
        }
    }
    println!(
        "{table}\nfalse alarms of any kind: {} of {} good takes; {} faulty takes",
        alarms.len(),
        good.len(),
        trials.len()
    );
    let some = |lines: Vec<String>| lines.iter().take(12).cloned().collect::<Vec<_>>().join("\n");
    assert!(alarms.is_empty(), "{}", some(alarms.into_iter().map(|a| a.0).collect()));
    assert!(missed.is_empty(), "missed {} of {}:\n{}", missed.len(), trials.len(), some(missed));
}

fn short(value: f64) -> String {
    let places = (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 6.0) as usize;
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Writes tests/faults/strengths.csv anew.
#[test]
#[ignore = "minutes; only when a fault or a measurement changes"]
fn strengths_at_which_a_figure_moves() {
    let (amps, kinds) = (amps(), kinds());
    let todo: Vec<(&Kind, &Amp)> = kinds
        .iter()
        .filter(|kind| kind.range.is_some())
        .flat_map(|kind| {
            amps.iter().filter(|amp| amp.rate_hz == 48_000 && (kind.on)(amp)).map(move |amp| (kind, amp))
        })
        .collect();
    let found: Vec<String> = todo
        .par_iter()
        .map(|(kind, amp)| {
            let strength = kind.critical(|strength| {
                let seed = 77;
                let (recording, _) = spoilt(amp, kind, strength, seed);
                movement::of(&amp.take(seed), &recording, &amp.plan)
            });
            println!("{} {}: {strength:?}", kind.name, amp.name);
            let (value, what) =
                strength.map_or((String::new(), String::new()), |(s, w)| (format!("{s:.4e}"), w));
            format!("{},\"{}\",{value},{what}\n", kind.name, amp.name)
        })
        .collect();
    let mut found = found;
    found.sort();
    let text = format!(
        "# Strength at which a fault moves a figure by 0.1 dB or 1 % of THD: made by\n\
         # cargo test --test faults -- --ignored strengths\nfault,amp,strength,figure\n{}",
        found.concat()
    );
    std::fs::write(strengths_file(), text).unwrap();
}
