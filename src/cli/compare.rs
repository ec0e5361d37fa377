//! `twinload compare`: the report.

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use clap::Args;

use super::Outcome;
use crate::bench::Bench;
use crate::compare::Comparison;
use crate::report::{summary, text};
use crate::{analyse, compare, report};

/// What was typed.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// The bench
    #[arg(value_name = "DIR")]
    bench: PathBuf,
    /// Builds to compare, the reference first; all of the bench if none is named
    #[arg(value_name = "BUILD")]
    builds: Vec<String>,
    /// Write the comparison as JSON to standard output
    #[arg(long)]
    json: bool,
    /// Leave out the PNG files, which take most of the time
    #[arg(long)]
    no_pictures: bool,
}

/// Analyses, compares, writes the report, and says in short what was found.
///
/// # Errors
/// What could not be read, compared or written.
pub fn run(args: &CompareArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let bench = Bench::open(&args.bench)?;
    let reports = super::reports(&bench.dir)?;
    let analysis = analyse::bench(&bench)?;
    let comparison = compare::compare(&bench, &analysis, &args.builds)?;
    let choices = report::Choices { pictures: !args.no_pictures };
    let written = report::write(&reports, &comparison, choices)?;
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &comparison).context("write JSON")?;
        writeln!(out)?;
    } else {
        tell(&comparison, &written, out)?;
    }
    let failed = analysis.takes.iter().any(|t| t.failure.is_some());
    Ok(if failed { Outcome::Partly } else { Outcome::Done })
}

/// What was found, in short, and which file to open.
pub(super) fn tell(
    comparison: &Comparison,
    written: &report::Written,
    out: &mut dyn Write,
) -> std::io::Result<()> {
    write!(out, "{}", summary::plain(comparison, None))?;
    left_out(comparison, out)?;
    for remark in &written.remarks {
        writeln!(out, "note: {}", text::for_terminal(remark))?;
    }
    writeln!(out, "\nopen {}", written.page.display())
}

/// Recordings that did not go in, one a line.
fn left_out(comparison: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    for recording in comparison.recordings.iter().filter(|r| !r.used) {
        writeln!(
            out,
            "not used: {}: {}",
            text::for_terminal(&recording.file),
            text::for_terminal(&recording.state)
        )?;
    }
    Ok(())
}
