//! Words on the terminal: paragraphs in 80 columns, cautions, findings.

use std::io::{self, Write};

use crate::bench::cautions::{self, Act};
use crate::finding::Finding;
use crate::report::table::wrapped;
use crate::report::text::for_terminal;

const WIDTH: usize = 80;

/// A paragraph, its first line after `first`, the others indented alike.
///
/// # Errors
/// What the writer gives.
pub fn paragraph(out: &mut dyn Write, first: &str, text: &str) -> io::Result<()> {
    let indent = first.chars().count();
    for (at, line) in wrapped(&for_terminal(text), WIDTH - indent).iter().enumerate() {
        if at == 0 {
            writeln!(out, "{first}{line}")?;
        } else {
            writeln!(out, "{:indent$}{line}", "")?;
        }
    }
    Ok(())
}

/// The cautions for what is about to be done.
///
/// # Errors
/// What the writer gives.
pub fn caution(out: &mut dyn Write, act: Act) -> io::Result<()> {
    writeln!(out, "CAUTION")?;
    for caution in cautions::of(act) {
        paragraph(out, "  ! ", caution.text)?;
    }
    paragraph(out, "    ", cautions::FIRST)
}

/// Where in the recording: `at 12.300 s in ladder_up: `; empty if it concerns all of it.
#[must_use]
pub fn place(finding: &Finding) -> String {
    let seconds = finding.at_seconds.map(|s| format!("at {s:.3} s"));
    let segment = finding.segment.as_ref().map(|segment| format!("in {segment}"));
    let words: Vec<String> = seconds.into_iter().chain(segment).collect();
    if words.is_empty() { String::new() } else { format!("{}: ", words.join(" ")) }
}

/// Findings, one paragraph each: where, what was seen, what it does, what to do.
///
/// # Errors
/// What the writer gives.
pub fn findings(out: &mut dyn Write, findings: &[Finding]) -> io::Result<()> {
    for finding in findings {
        let parts = [&finding.saw, &finding.effect, &finding.advice];
        let sentences: Vec<&str> = parts.into_iter().map(|s| s.as_str()).filter(|s| !s.is_empty()).collect();
        paragraph(out, "  - ", &format!("{}{}", place(finding), sentences.join("; ")))?;
    }
    Ok(())
}

/// What is unusual in what was typed; nothing if nothing is.
///
/// # Errors
/// What the writer gives.
pub fn unusual(out: &mut dyn Write, unusual: &[Finding]) -> io::Result<()> {
    if unusual.is_empty() {
        return Ok(());
    }
    writeln!(out, "\nUnusual:")?;
    findings(out, unusual)
}

/// For the end of an error: which of the numbers typed may be behind it.
#[must_use]
pub fn perhaps(unusual: &[Finding]) -> String {
    unusual.iter().map(|finding| format!("; {}", finding.saw)).collect()
}
