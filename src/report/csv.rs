//! The report as CSV (RFC 4180): one long table of figures, one file a curve.
//! Text that a spreadsheet would run as a formula is defused.

use std::io::Write;

use super::ReportError;
use super::numbers::full;
use super::text::for_spreadsheet;
use crate::compare::document::{Comparison, Match};
use crate::figure::{Curve, Quantity};

const HEADERS: [&str; 14] = [
    "build",
    "setting",
    "takes",
    "quantity",
    "match",
    "matched_at",
    "value",
    "unit",
    "interval_low",
    "interval_high",
    "confidence",
    "interface_alone",
    "standing",
    "note",
];

/// The long form: a line for each value of each build, and one for each difference.
///
/// # Errors
/// What the writer gives.
pub fn long_form(comparison: &Comparison, out: &mut dyn Write) -> Result<(), ReportError> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    writer.write_record(HEADERS)?;
    let mut written: Vec<(&str, &str, &str, Match)> = Vec::new();
    for row in &comparison.rows {
        let at = row.matched_at.as_ref().map_or_else(String::new, |q| full(q.value));
        for (build, (value, takes)) in row.builds.iter().zip(row.values.iter().zip(row.takes)) {
            // The reference stands in a row with every other build; its value is written once.
            let key = (build.as_str(), row.setting.as_str(), row.quantity.as_str(), row.matched);
            if at.is_empty() && written.contains(&key) {
                continue;
            }
            written.push(key);
            let what = [build, &row.setting, &takes.to_string(), &row.quantity].map(ToString::to_string);
            writer.write_record(record(what, row.matched, &at, value, ""))?;
        }
        let pair = format!("{} against {}", row.builds[1], row.builds[0]);
        let takes = format!("{} and {}", row.takes[1], row.takes[0]);
        let what = [pair, row.setting.clone(), takes, format!("{}_difference", row.quantity)];
        writer.write_record(record(what, row.matched, &at, &row.difference, row.standing.words()))?;
    }
    writer.flush().map_err(|error| ReportError::Csv { why: error.to_string() })
}

fn record(what: [String; 4], matched: Match, at: &str, value: &Quantity, standing: &str) -> Vec<String> {
    let unit = serde_json::to_value(value.unit).ok().and_then(|u| u.as_str().map(str::to_owned));
    let matched = serde_json::to_value(matched).ok().and_then(|m| m.as_str().map(str::to_owned));
    let mut fields: Vec<String> = what.iter().map(|text| for_spreadsheet(text).into_owned()).collect();
    fields.extend([
        matched.unwrap_or_default(),
        at.to_owned(),
        full(value.value),
        unit.unwrap_or_default(),
        full(value.interval.map(|i| i[0])),
        full(value.interval.map(|i| i[1])),
        full(value.confidence),
        full(value.floor),
        standing.to_owned(),
        for_spreadsheet(value.note.as_deref().unwrap_or("")).into_owned(),
    ]);
    fields
}

/// One curve: heads with their units, one line a row, empty where there is a gap.
///
/// # Errors
/// What the writer gives.
pub fn curve(curve: &Curve, out: &mut dyn Write) -> Result<(), ReportError> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    writer.write_record(curve.columns.iter().map(|c| match c.unit.symbol() {
        "" => for_spreadsheet(&c.name).into_owned(),
        unit => for_spreadsheet(&format!("{} ({unit})", c.name)).into_owned(),
    }))?;
    for row in &curve.rows {
        let cells = (0..curve.columns.len()).map(|at| full(row.get(at).copied().flatten()));
        writer.write_record(cells)?;
    }
    writer.flush().map_err(|error| ReportError::Csv { why: error.to_string() })
}
