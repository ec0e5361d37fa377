//! `twinload check`: may these recordings be used?

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use clap::Args;

use super::{Outcome, words};
use crate::analyse::{self, Options};
use crate::analysis::{RecordingKind, Strike};
use crate::check::{self, FileCheck};
use crate::finding::{Finding, Severity};
use crate::report::text::for_terminal;
use crate::rounding;

/// What was typed.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The recordings
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Write the findings as JSON to standard output
    #[arg(long)]
    json: bool,
    /// Channel that is to be measured, from 1
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..))]
    channel: u32,
    /// Channel that holds the drive itself, recorded at the amp's input, from 1: tells the player's faults from the amp's
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    drive_channel: Option<u32>,
    /// plan.json of the programme that was played
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// Recording of the programme from the interface's output straight into its input, at the level of the takes: tells
    /// the interface's faults from the amp's
    #[arg(long, value_name = "FILE")]
    loopback: Option<PathBuf>,
}

/// Checks every recording and says what was seen.
///
/// # Errors
/// A damaged plan.json, or what could not be written. What is wrong with a recording is in the output.
pub fn run(args: &CheckArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let plans = args.plan.as_deref().map(analyse::read_plan).transpose()?.into_iter().collect();
    super::apart(args.channel, args.drive_channel)?;
    let options = Options {
        channel: args.channel,
        drive_channel: args.drive_channel,
        plans,
        loopback: args.loopback.clone(),
    };
    let checked = check::check(&args.files, &options);
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &checked).context("write JSON")?;
        writeln!(out)?;
    } else {
        for file in &checked.files {
            writeln!(out, "{}", for_terminal(&headline(file)))?;
            for finding in &file.findings {
                let (first, text) = line(finding);
                words::paragraph(out, &first, &text)?;
            }
            // What the recording does not hold is named by its finding.
            for (what, strike) in
                Strike::told(&file.struck).into_iter().filter(|(_, s)| s.because != "segment_missing")
            {
                writeln!(out, "  struck  {}: {}", for_terminal(&what), strike.words())?;
            }
        }
    }
    let usable = checked.files.iter().all(FileCheck::is_usable);
    Ok(if usable { Outcome::Done } else { Outcome::Partly })
}

/// `take.wav: fit (whole programme, 110.2 s, channel 1 of 2, −7.3 dBFS)`.
fn headline(file: &FileCheck) -> String {
    let verdict = file.fitness.words();
    if let Some(failure) = &file.failure {
        // The reason begins with the file's name where it can be told.
        let reason = failure.strip_prefix(&format!("{}: ", file.file)).unwrap_or(failure);
        return format!("{}: {verdict}: {reason}", file.file);
    }
    let mut about = vec![kind_words(file.kind).to_owned()];
    about.extend(file.seconds.map(|seconds| format!("{seconds:.2} s")));
    about.extend(file.rate.map(|rate| format!("{rate} Hz")));
    about.extend(file.channel.map(|channel| format!("channel {channel} of {}", file.channels.len())));
    let measured = file.channel.and_then(|c| file.channels.iter().find(|level| level.channel == c));
    about.extend(measured.map(|level| rounding::text(&level.level)));
    format!("{}: {verdict} ({})", file.file, about.join(", "))
}

/// One finding: its weight; then place, what was seen, what it does, what to do.
fn line(finding: &Finding) -> (String, String) {
    let weight = match finding.severity {
        Severity::Note => "note",
        Severity::Limit => "limit",
        Severity::Redo => "redo",
    };
    let place = words::place(finding);
    let parts = [&finding.saw, &finding.effect, &finding.advice];
    let said: Vec<&str> =
        parts.into_iter().map(String::as_str).filter(|s| !s.is_empty() && *s != "nothing").collect();
    (format!("  {weight:<5}  "), format!("{place}{}", said.join("; ")))
}

fn kind_words(kind: Option<RecordingKind>) -> &'static str {
    match kind {
        Some(RecordingKind::Programme) => "programme",
        Some(RecordingKind::Segment) => "one segment",
        Some(RecordingKind::Tone) => "a steady tone",
        Some(RecordingKind::TwoTones) => "two tones",
        Some(RecordingKind::Quiet) => "no drive",
        Some(RecordingKind::LevelCheck) => "level check",
        Some(RecordingKind::Other) | None => "no known signal",
    }
}
