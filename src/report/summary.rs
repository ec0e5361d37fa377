//! The result for a forum post: plain text and Markdown.

use std::fmt::Write as _;

use super::table::Table;
use super::text::for_terminal;
use crate::compare::document::{Comparison, Row};

/// Rows that belong in a post: headline figures, or all if none is marked.
fn headline(comparison: &Comparison) -> Vec<&Row> {
    let rows: Vec<&Row> = comparison.rows.iter().filter(|r| r.headline).collect();
    if rows.is_empty() { comparison.rows.iter().collect() } else { rows }
}

fn value(row: &Row, at: usize) -> &str {
    row.value_texts.get(at).map_or("not measured", String::as_str)
}

/// Stands under a table in which a build has one take.
const ONE_TAKE: &str = "Where a build has one take, its ± is the noise of this take only (and the rig's part), not how \
takes scatter: log one more take of each build to learn what is real.";

/// Every question of fairness that is answered with no, in words.
fn broken(comparison: &Comparison) -> Vec<String> {
    let broken = comparison.fairness.iter().filter(|line| line.kept == Some(false));
    let told = broken.map(|line| {
        let effect = line.effect.as_ref().map_or(String::new(), |effect| format!("; {effect}"));
        format!("{}: no. {}{effect}", line.title, line.saw)
    });
    told.collect()
}

/// Plain text, at most 80 columns wide.
///
/// `picture` is the file name of the picture that goes with it.
#[must_use]
pub fn plain(comparison: &Comparison, picture: Option<&str>) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}", for_terminal(&comparison.title));
    if comparison.simulated {
        let _ = writeln!(out, "Simulated: computed by twinload's demo, no amp was measured.");
    }
    let _ = writeln!(out);
    for sentence in &comparison.sentences {
        for (at, line) in super::table::wrapped(&for_terminal(&sentence.text), 78).iter().enumerate() {
            let _ = writeln!(out, "{}{line}", if at == 0 { "- " } else { "  " });
        }
    }
    let broken = broken(comparison);
    if !broken.is_empty() {
        let _ = writeln!(out, "\nWas it a fair comparison?\n");
    }
    for text in broken {
        for (at, line) in super::table::wrapped(&for_terminal(&text), 78).iter().enumerate() {
            let _ = writeln!(out, "{}{line}", if at == 0 { "✗ " } else { "  " });
        }
    }
    for setting in &comparison.settings {
        for (builds, rows) in pairs(headline(comparison).into_iter().filter(|r| r.setting == setting.name)) {
            let one_take = rows.iter().any(|r| r.takes.contains(&1));
            let mut table = Table::new(["quantity", &builds[0], &builds[1], "difference", "standing"]);
            for row in rows {
                table.row([
                    &row.label,
                    value(row, 0),
                    value(row, 1),
                    &row.difference_text,
                    row.standing.words(),
                ]);
            }
            let mut bytes = Vec::new();
            let [a, b] = [&builds[0], &builds[1]].map(|name| for_terminal(name));
            let _ = writeln!(out, "\nSetting {}: {b} beside {a}\n", for_terminal(&setting.name));
            // Writing into memory does not fail.
            if table.write(&mut bytes).is_ok() {
                out.push_str(&String::from_utf8_lossy(&bytes));
            }
            if one_take {
                let _ = writeln!(out);
                for line in super::table::wrapped(ONE_TAKE, 80) {
                    let _ = writeln!(out, "{line}");
                }
            }
        }
    }
    if let Some(picture) = picture {
        let _ = writeln!(out, "\nPicture: {picture}");
    }
    let _ = writeln!(out, "\nMeasured with twinload {}", comparison.version);
    out
}

/// Markdown, with the picture by its file name.
#[must_use]
pub fn markdown(comparison: &Comparison, picture: Option<&str>) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "## {}\n", escaped(&comparison.title));
    if comparison.simulated {
        let _ = writeln!(out, "**Simulated:** computed by twinload's demo, no amp was measured.\n");
    }
    for sentence in &comparison.sentences {
        let _ = writeln!(out, "- {}", escaped(&sentence.text));
    }
    let broken = broken(comparison);
    if !broken.is_empty() {
        let _ = writeln!(out, "\nWas it a fair comparison?\n");
    }
    for text in broken {
        let _ = writeln!(out, "- ✗ {}", escaped(&text));
    }
    for setting in &comparison.settings {
        for (builds, rows) in pairs(headline(comparison).into_iter().filter(|r| r.setting == setting.name)) {
            let heads = [&builds[0], &builds[1]].map(|b| escaped(b));
            let _ = writeln!(out, "\nSetting {}: {} beside {}\n", escaped(&setting.name), heads[1], heads[0]);
            let one_take = rows.iter().any(|r| r.takes.contains(&1));
            let _ = writeln!(out, "| quantity | {} | {} | difference | standing |", heads[0], heads[1]);
            let _ = writeln!(out, "| --- | --- | --- | --- | --- |");
            for row in rows {
                let cells = [&row.label, value(row, 0), value(row, 1), &row.difference_text].map(escaped);
                let _ = writeln!(out, "| {} | {} |", cells.join(" | "), row.standing.words());
            }
            if one_take {
                let _ = writeln!(out, "\n{ONE_TAKE}");
            }
        }
    }
    if let Some(picture) = picture {
        let _ = writeln!(out, "\n![Distortion against power]({picture})");
    }
    let _ = writeln!(out, "\nMeasured with twinload {}", comparison.version);
    out
}

/// Rows by their pair of builds, in the order in which pairs come.
fn pairs<'a>(rows: impl Iterator<Item = &'a Row>) -> Vec<(&'a [String; 2], Vec<&'a Row>)> {
    let mut pairs: Vec<(&[String; 2], Vec<&Row>)> = Vec::new();
    for row in rows {
        match pairs.iter_mut().find(|(builds, _)| **builds == row.builds) {
            Some((_, rows)) => rows.push(row),
            None => pairs.push((&row.builds, vec![row])),
        }
    }
    pairs
}

/// Text as text: what Markdown would read as its own signs is escaped, and HTML too.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in for_terminal(text).chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '&' => out.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' | '~' | '>' | '!' | '$' | '@' => {
                out.push('\\');
                out.push(c);
            }
            _ => out.push(c),
        }
    }
    out
}
