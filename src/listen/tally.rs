//! How many answers were right, and how likely as many are by guessing alone.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, DiscreteCDF};

use super::ListenError;
use super::coded::{Key, Side};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/listening-tally/1";

/// The outcome of a blind set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tally {
    /// [`SCHEMA`].
    pub schema: String,
    /// Answers given.
    pub answers: u64,
    /// Right among them.
    pub right: u64,
    /// Trials without an answer.
    pub unanswered: u64,
    /// Chance of at least as many right answers by guessing (exact binomial, one half a trial).
    pub probability: f64,
}

/// Chance of `right` or more right answers of `answers` by guessing; `None` if right exceeds answers.
#[must_use]
pub fn probability_by_guessing(right: u64, answers: u64) -> Option<f64> {
    if right > answers {
        return None;
    }
    match right.checked_sub(1) {
        None => Some(1.0),
        Some(under) => Some(Binomial::new(0.5, answers).ok()?.sf(under)),
    }
}

/// Reads an answer sheet (CSV, columns `trial,answer`; an answer is A, B or nothing).
///
/// # Errors
/// A line that is no trial of this key, an answer that is neither A nor B, a trial answered twice.
pub fn answers(file: &str, text: &str, key: &Key) -> Result<BTreeMap<usize, Side>, ListenError> {
    let fault = |what: String| ListenError::Coded { file: file.to_owned(), what };
    let mut found = BTreeMap::new();
    for (index, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let (number, line) = (index + 1, line.trim());
        if line.is_empty() || (index == 0 && line.to_lowercase().starts_with("trial")) {
            continue;
        }
        // Spreadsheets of some countries write semicolons.
        let (trial, answer) = line.split_once([',', ';']).unwrap_or((line, ""));
        let trial: usize =
            trial.trim().parse().ok().filter(|t| (1..=key.trials.len()).contains(t)).ok_or_else(|| {
                fault(format!("line {number} names no trial from 1 to {}", key.trials.len()))
            })?;
        let side = match answer.trim().to_lowercase().as_str() {
            "" => continue,
            "a" => Side::A,
            "b" => Side::B,
            _ => return Err(fault(format!("line {number}: an answer is A, B, or left empty"))),
        };
        if found.insert(trial, side).is_some() {
            return Err(fault(format!(
                "line {number} answers trial {trial} a second time; keep one line a trial"
            )));
        }
    }
    Ok(found)
}

/// Counts.
#[must_use]
pub fn tally(key: &Key, answers: &BTreeMap<usize, Side>) -> Tally {
    let right =
        answers.iter().filter(|(trial, side)| key.trials.get(**trial - 1) == Some(side)).count() as u64;
    let given = answers.len() as u64;
    Tally {
        schema: SCHEMA.to_owned(),
        answers: given,
        right,
        unanswered: (key.trials.len() as u64).saturating_sub(given),
        probability: probability_by_guessing(right, given).unwrap_or(1.0),
    }
}

/// The tally in words, with its number and nothing that rates it.
#[must_use]
pub fn words(tally: &Tally) -> String {
    if tally.answers == 0 {
        return "no trial was answered".to_owned();
    }
    let left = match tally.unanswered {
        0 => String::new(),
        1 => " (1 trial was left open)".to_owned(),
        n => format!(" ({n} trials were left open)"),
    };
    let chance = if tally.probability < 0.0001 {
        "less than 0.01 %".to_owned()
    } else {
        crate::rounding::plain(100.0 * tally.probability, crate::figure::Unit::Percent)
    };
    format!(
        "{} of {} answers are right{left}; guessing alone gives as many or more with a chance of {chance}",
        tally.right, tally.answers
    )
}
