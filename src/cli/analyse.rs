//! `twinload analyse`: figures of a bench's takes, or of one recording.

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use clap::Args;

use super::Outcome;
use crate::analyse::{self, Options};
use crate::analysis::{Analysis, SCHEMA};

/// What was typed.
#[derive(Debug, Args)]
pub struct AnalyseArgs {
    /// A bench, or a recording on its own
    path: PathBuf,
    /// Write the analysis as JSON to standard output
    #[arg(long)]
    json: bool,
    /// Channel to measure, from 1 (recordings outside a bench)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    channel: Option<u32>,
    /// plan.json of the programme that was played (recordings outside a bench)
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
}

/// Analyses and prints.
///
/// # Errors
/// What could not be read or written.
pub fn run(args: &AnalyseArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let plans = args.plan.as_deref().map(analyse::read_plan).transpose()?.into_iter().collect();
    let options = Options { channel: args.channel.unwrap_or(1), plans };
    let takes = analyse::file(&args.path, &options)?;
    let analysis = Analysis {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        bench: None,
        takes,
    };
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &analysis).context("write JSON")?;
        writeln!(out)?;
    }
    Ok(Outcome::Done)
}
