//! What was required, what was reached, and where: the table of `tests/reference/ACCURACY.md`.

use std::collections::BTreeMap;
use std::fmt::Write;

/// A line of the table.
pub struct Row {
    /// By which errors are noted.
    pub key: &'static str,
    /// For people.
    pub figure: &'static str,
    /// How it is defined, with its place in the description of the methods.
    pub definition: &'static str,
    /// Where the truth comes from.
    pub source: &'static str,
    /// Unit of the errors.
    pub unit: &'static str,
    /// Largest error allowed without noise and hum; `None` where nothing is required.
    pub clean: Option<f64>,
    /// Largest error allowed with noise −80, hum −60, ±200 ppm.
    pub bench: Option<f64>,
}

/// A requirement that is not met, and why it is not.
pub struct Miss {
    /// The row.
    pub key: &'static str,
    /// The condition.
    pub condition: Condition,
    /// Why: a limit of nature, not of the day.
    pub why: &'static str,
}

/// The condition of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Condition {
    /// 24 bits, nothing else.
    Clean,
    /// Noise −80, hum −60, drift.
    Bench,
}

#[derive(Default, Clone)]
struct Worst {
    error: f64,
    at: String,
    count: usize,
}

/// Collects errors.
pub struct Ledger {
    rows: &'static [Row],
    worst: BTreeMap<(&'static str, Condition), Worst>,
    missing: Vec<String>,
}

impl Ledger {
    /// An empty one for these rows.
    pub fn new(rows: &'static [Row]) -> Self {
        Self { rows, worst: BTreeMap::new(), missing: Vec::new() }
    }

    /// Notes found against expected; a figure that is not there is a fault of its own.
    pub fn note(
        &mut self,
        key: &'static str,
        condition: Condition,
        found: Option<f64>,
        expected: f64,
        at: &str,
    ) {
        match found {
            Some(found) => self.error(key, condition, (found - expected).abs(), at),
            None => self.missing.push(format!("{key}: nothing was measured, {expected:.6} expected, {at}")),
        }
    }

    /// Notes an error as it is.
    pub fn error(&mut self, key: &'static str, condition: Condition, error: f64, at: &str) {
        assert!(self.rows.iter().any(|r| r.key == key), "no row {key}");
        let worst = self.worst.entry((key, condition)).or_default();
        worst.count += 1;
        if error > worst.error || worst.count == 1 || error.is_nan() {
            worst.error = error;
            worst.at = at.to_owned();
        }
    }

    /// Everything that is worse than required, and everything missing: what `misses` explain, and the rest. An
    /// explained miss that is met after all is a fault too: its explanation is wrong.
    pub fn faults(&self, misses: &[Miss]) -> (Vec<String>, Vec<String>) {
        let (mut explained, mut faults) = (Vec::new(), self.missing.clone());
        for row in self.rows {
            for (condition, required) in [(Condition::Clean, row.clean), (Condition::Bench, row.bench)] {
                let Some(required) = required else { continue };
                let miss = misses.iter().find(|m| m.key == row.key && m.condition == condition);
                let name = format!("{} ({condition:?})", row.figure);
                match (self.worst.get(&(row.key, condition)), miss) {
                    (Some(worst), None) if worst.error <= required => {}
                    (Some(worst), Some(_)) if worst.error <= required => {
                        faults.push(format!("{name}: met, though it is said not to be"));
                    }
                    (Some(worst), miss) => {
                        let unit = row.unit;
                        let text = format!(
                            "{name}: {} {unit} reached, {} {unit} required, {}",
                            number(worst.error),
                            number(required),
                            worst.at
                        );
                        match miss {
                            Some(miss) => explained.push(format!("{text}. {}", miss.why)),
                            None => faults.push(text),
                        }
                    }
                    (None, _) => faults.push(format!("{name}: never tried")),
                }
            }
        }
        (explained, faults)
    }

    /// The table in Markdown.
    pub fn markdown(&self) -> String {
        let mut out = String::from(
            "| figure | definition | truth | clean: required | clean: reached | bench: required | bench: reached | worst at (bench, else clean) |\n\
             | --- | --- | --- | --- | --- | --- | --- | --- |\n",
        );
        for row in self.rows {
            let cell = |condition| {
                let worst = self.worst.get(&(row.key, condition));
                worst.map_or_else(|| "–".to_owned(), |w| format!("{} ({})", number(w.error), w.count))
            };
            let required =
                |r: Option<f64>| r.map_or_else(|| "–".to_owned(), |r| format!("{} {}", number(r), row.unit));
            let at = [Condition::Bench, Condition::Clean]
                .into_iter()
                .find_map(|c| self.worst.get(&(row.key, c)))
                .map_or("", |w| &w.at);
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {} | {} | {} | {at} |",
                row.figure,
                row.definition,
                row.source,
                required(row.clean),
                cell(Condition::Clean),
                required(row.bench),
                cell(Condition::Bench),
            );
        }
        out
    }
}

/// Two digits, without a power of ten where it reads well without.
fn number(value: f64) -> String {
    if value == 0.0 {
        "0".to_owned()
    } else if value >= 0.0001 {
        let places = (1.0 - value.log10().floor()).clamp(0.0, 6.0) as usize;
        let text = format!("{value:.places$}");
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    } else {
        format!("{value:.1e}")
    }
}
