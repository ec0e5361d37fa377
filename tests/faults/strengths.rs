//! At which strength each fault moves a figure, and takes with a fault in them.

use std::collections::BTreeMap;

use twinload::simulate::Recording;
use twinload::simulate::noise::White;

use super::kinds::Kind;
use super::takes::Amp;

pub fn strengths_file() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults/strengths.csv")
}

/// Strength at which a fault moves a figure by 0.1 dB or 1 % of THD, by kind, amp and seed; `None`: it moves none.
pub fn strengths() -> BTreeMap<(String, String, u64), Option<f64>> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(strengths_file()).unwrap();
    let row = |row: csv::StringRecord| {
        ((row[0].to_owned(), row[1].to_owned(), row[2].parse().unwrap()), row[3].parse().ok())
    };
    reader.records().map(|record| row(record.unwrap())).collect()
}

/// Takes of each kind and amp.
pub const REPEATS: u64 = 2;

/// A seed of its own for each kind, amp and repeat.
pub fn seed(kind: &Kind, amp: &Amp, repeat: u64) -> u64 {
    let name = kind.name.bytes().chain(amp.name.bytes());
    10 * (name.fold(7u64, |h, b| (h * 31 + u64::from(b)) % 99_991)) + 10_000 + repeat
}

pub fn spoilt(amp: &Amp, kind: &Kind, strength: f64, seed: u64) -> (Recording, Vec<f64>) {
    let (faults, places) = (kind.make)(amp, &mut White::new(seed), strength);
    (faults.iter().fold(amp.take(seed), |recording, fault| recording.with(fault)), places)
}

/// The strengths at which a kind moves a figure, in words.
pub fn moves(kind: &Kind, strengths: &BTreeMap<(String, String, u64), Option<f64>>) -> String {
    let there: Vec<f64> =
        strengths.iter().filter(|((name, ..), _)| name == kind.name).filter_map(|(_, s)| *s).collect();
    let (low, high) = there.iter().fold((f64::INFINITY, 0.0f64), |(l, h), s| (l.min(*s), h.max(*s)));
    match kind.unit {
        _ if there.is_empty() => "moves none".to_owned(),
        unit if high / low < 1.1 => format!("{} {unit}", short(low)),
        unit => format!("{} to {} {unit}", short(low), short(high)),
    }
}

/// Three digits.
pub fn short(value: f64) -> String {
    let places = (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 6.0) as usize;
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}
