//! Where hum enters, as a table for the page and for the terminal.

use std::io::{self, Write};

use super::table::{Table, wrapped};
use super::text::for_terminal;
use crate::analysis::{HumOrigin, HumOriginLine};
use crate::figure::Quantity;
use crate::rounding;

/// One build at one setting, ready to print.
pub(crate) struct OriginTable<'a> {
    pub build: &'a str,
    /// The condition of each silence, from the least connected to the whole.
    pub conditions: Vec<&'a str>,
    pub rows: Vec<OriginRow<'a>>,
}

/// One mains line.
pub(crate) struct OriginRow<'a> {
    pub line: String,
    pub levels: Vec<String>,
    /// The place, or "cannot tell".
    pub enters: &'a str,
    /// What that place adds.
    pub adds: String,
    pub why: &'a str,
}

impl<'a> OriginTable<'a> {
    pub(crate) fn new(origin: &'a HumOrigin) -> Self {
        Self {
            build: &origin.build,
            conditions: origin.silences.iter().map(|s| s.condition.as_str()).collect(),
            rows: origin.lines.iter().map(|line| OriginRow::new(origin, line)).collect(),
        }
    }
}

impl<'a> OriginRow<'a> {
    fn new(origin: &HumOrigin, line: &'a HumOriginLine) -> Self {
        let at = line.enters.as_ref().and_then(|e| origin.silences.iter().position(|s| s.place == *e));
        Self {
            line: line.frequency.value.map_or_else(|| line.order.to_string(), |hz| format!("{hz:.0} Hz")),
            levels: line.levels.iter().map(level).collect(),
            enters: line.enters.as_deref().unwrap_or("cannot tell"),
            adds: at.and_then(|at| line.added.get(at)).map_or_else(String::new, level),
            why: &line.why,
        }
    }
}

/// A level, or what it lies below.
fn level(quantity: &Quantity) -> String {
    match (&quantity.value, quantity.note.as_deref()) {
        (None, Some(note)) => note.split(':').next().unwrap_or(note).to_owned(),
        _ => rounding::text(quantity),
    }
}

/// All of them for a terminal.
pub(super) fn terminal(origins: &[HumOrigin], out: &mut dyn Write) -> io::Result<()> {
    for origin in origins {
        let shown = OriginTable::new(origin);
        writeln!(out)?;
        writeln!(
            out,
            "Where hum enters: {}, {}",
            for_terminal(&origin.build),
            for_terminal(&origin.setting)
        )?;
        if shown.rows.is_empty() {
            writeln!(out, "no mains line stands clear of the noise in any of the silences")?;
            continue;
        }
        // All levels side by side are wider than a terminal: they stand in the report and in the JSON.
        let last = shown.conditions.last().copied().unwrap_or_default();
        let mut table = Table::new(["line", last, "adds there", "enters by way of"]);
        for row in &shown.rows {
            let enters = match row.adds.as_str() {
                "" => format!("{}: {}", row.enters, row.why),
                _ => row.enters.to_owned(),
            };
            let level = row.levels.last().map_or("", String::as_str);
            table.row([&row.line, level, &row.adds, &enters]);
        }
        table.write(out)?;
        writeln!(out, "silences: {}", shown.conditions.join(", "))?;
    }
    if origins.is_empty() {
        return Ok(());
    }
    writeln!(out)?;
    for line in wrapped(WORDS, 80) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// What the table means.
pub(crate) const WORDS: &str = "A line enters where over half of its power at the setting is added. What a place adds is the root of \
    the difference of squares; its interval holds for any phase between the recordings. Hum may wander by 1 dB between them.";
