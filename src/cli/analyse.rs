//! `twinload analyse`: figures of a bench's takes, or of one recording.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;

use super::Outcome;
use crate::analyse::{self, Options};
use crate::analysis::{Analysis, SCHEMA};
use crate::bench::{Bench, FILE_NAME};
use crate::report::analysis as screen;

/// What was typed.
#[derive(Debug, Args)]
pub struct AnalyseArgs {
    /// A bench, or a recording on its own
    path: PathBuf,
    /// Write the analysis as JSON to standard output
    #[arg(long)]
    json: bool,
    /// Show how well volts and watts are known, and from what that comes (a bench)
    #[arg(long, conflicts_with = "json")]
    budget: bool,
    /// Channel to measure, from 1 (recordings outside a bench)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    channel: Option<u32>,
    /// Channel that holds the drive itself, recorded at the amp's input, from 1 (recordings outside a bench)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    drive_channel: Option<u32>,
    /// plan.json of the programme that was played (recordings outside a bench)
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
}

/// Analyses and prints.
///
/// # Errors
/// What could not be read or written.
pub fn run(args: &AnalyseArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    if args.path.is_dir() { of_bench(args, out) } else { of_file(args, out) }
}

fn of_bench(args: &AnalyseArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    anyhow::ensure!(
        args.channel.is_none() && args.drive_channel.is_none() && args.plan.is_none(),
        "--channel, --drive-channel and --plan are for a recording on its own; a bench has its channels in \
         bench.toml and its plan in test-signals"
    );
    let bench = Bench::open(&args.path)?;
    let reports = super::reports(&bench.dir)?;
    let analysis = analyse::bench(&bench)?;
    anyhow::ensure!(
        !analysis.takes.is_empty(),
        "{}: no take is logged yet; add one with twinload log",
        args.path.display()
    );
    let written = screen::write(&reports, &analysis)
        .map_err(|(path, error)| anyhow::Error::new(error).context(format!("write {}", path.display())))?;
    if args.json {
        json(&analysis, out)?;
    } else {
        screen::summary(&analysis, out)?;
        writeln!(out)?;
        if !bench.findings.is_empty() {
            writeln!(out, "bench.toml:")?;
            super::words::findings(out, &bench.findings)?;
            writeln!(out)?;
        }
        if args.budget {
            super::budget::write(&bench, &analysis, out)?;
            writeln!(out)?;
        }
        for path in written {
            writeln!(out, "wrote {}", path.display())?;
        }
    }
    let failed = analysis.takes.iter().any(|t| t.failure.is_some());
    Ok(if failed { Outcome::Partly } else { Outcome::Done })
}

fn of_file(args: &AnalyseArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    anyhow::ensure!(
        !args.budget,
        "--budget is for a bench: the uncertainty of volts and watts comes from its rig"
    );
    let plans = args.plan.as_deref().map(analyse::read_plan).transpose()?.into_iter().collect();
    let channel = args.channel.unwrap_or(1);
    super::apart(channel, args.drive_channel)?;
    let options = Options { channel, drive_channel: args.drive_channel, plans, ..Options::default() };
    let takes = analyse::file(&args.path, &options)?;
    let analysis = Analysis {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        bench: None,
        takes,
        hum_origins: Vec::new(),
    };
    if args.json {
        json(&analysis, out)?;
    } else {
        if let Some(dir) = bench_of(&args.path) {
            let dir = crate::takes::shown::path(&dir);
            let text = format!(
                "This recording belongs to the bench {dir}, whose rig gives volts and watts: twinload analyse {dir}"
            );
            super::words::paragraph(out, "", &text)?;
            writeln!(out)?;
        }
        for take in &analysis.takes {
            screen::whole(take, out)?;
        }
    }
    Ok(Outcome::Done)
}

/// The bench that has this recording among its takes, in the folder of the file or the one above.
fn bench_of(path: &Path) -> Option<PathBuf> {
    let file = path.canonicalize().ok()?;
    let folders = path.ancestors().skip(1).take(2);
    let mut folders = folders.map(|f| if f.as_os_str().is_empty() { Path::new(".") } else { f });
    let holds = |dir: &&Path| {
        let is_it = |bench: &Bench| {
            bench.takes.iter().any(|t| bench.path_of(t).canonicalize().is_ok_and(|p| p == file))
        };
        dir.join(FILE_NAME).is_file() && Bench::open(dir).is_ok_and(|bench| is_it(&bench))
    };
    folders.find(holds).map(Path::to_owned)
}

fn json(analysis: &Analysis, out: &mut dyn Write) -> anyhow::Result<()> {
    serde_json::to_writer_pretty(&mut *out, analysis).context("write JSON")?;
    writeln!(out)?;
    Ok(())
}
