//! The command line: arguments into calls, results into words.
//!
//! A command's file holds its arguments and a `run` that calls the library and
//! writes to the `out` it is given; nothing here computes a figure.

pub mod analyse;
pub mod bias;
mod budget;
pub mod calibrate;
pub mod check;
pub mod compare;
pub mod demo;
pub mod listen;
pub mod log;
pub mod new;
pub mod pad;
pub mod signals;
pub mod words;

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::{CommandFactory, Parser, Subcommand};

use crate::files;

/// Measures how two builds of a valve guitar amplifier differ, and says which differences are real.
#[derive(Debug, Parser)]
#[command(name = "twinload", version, arg_required_else_help = true, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands, in the order in which a person meets them.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Shows the whole job on two simulated builds: no amp and no interface needed
    #[command(after_help = "Example: twinload demo")]
    Demo(demo::DemoArgs),
    /// Starts a bench: a folder with a commented bench.toml
    #[command(after_help = "Example: twinload new my-bench --title \"Heron 6: output valve\"")]
    New(new::NewArgs),
    /// Designs the pads: from the load to the interface, and from the interface to the amp
    #[command(
        after_help = "Example: twinload pad --watts 5 --load-ohms 8 --limit 10dBu --input-ohms 10k\n         \
                            twinload pad --drive 200mV --output-limit 10dBu"
    )]
    Pad(pad::PadArgs),
    /// Writes the test signals: one programme with every test, and each test on its own
    #[command(after_help = "Example: twinload signals my-bench --rate 48000")]
    Signals(signals::SignalsArgs),
    /// Says of recordings whether they can be used, and if not, what to do
    #[command(
        after_help = "Examples:\n  twinload check rec-01.wav rec-02.wav\n  twinload check rec-01.wav --json"
    )]
    Check(check::CheckArgs),
    /// Measures what full scale means in volts, from a recorded tone and a meter's reading
    #[command(
        after_help = "Example: twinload calibrate my-bench rec-tone.wav --volts 2.830 --meter-percent 1\n         \
                            twinload calibrate my-bench --output --volts 0.1052"
    )]
    Calibrate(calibrate::CalibrateArgs),
    /// Checks a recording, copies it into the bench and adds it to bench.toml
    #[command(
        after_help = "Example: twinload log my-bench rec-01.wav --build rework --setting full --mains-volts 231"
    )]
    Log(log::LogArgs),
    /// Figures and curves of every take of a bench, or of one recording
    #[command(after_help = "Examples:\n  twinload analyse my-bench\n  twinload analyse tone.wav --json")]
    Analyse(analyse::AnalyseArgs),
    /// The report: which differences between builds are real
    #[command(
        after_help = "Examples:\n  twinload compare my-bench\n  twinload compare my-bench as-drawn rework --json"
    )]
    Compare(compare::CompareArgs),
    /// Works out current, dissipation and cathode resistor of an output valve, before power-on
    #[command(after_help = "Example: twinload bias --valve 6V6GT --plate-volts 285 --percent 90\n         \
                            twinload bias --valve 6L6GC --plate-volts 340 --cathode-volts 19 --cathode-ohms 470")]
    Bias(bias::BiasArgs),
    /// Two builds to hear: aligned, equally loud, also as a blind set
    #[command(
        after_help = "Examples:\n  twinload listen my-bench as-drawn rework\n  twinload listen my-bench as-drawn rework --coded\n  twinload listen --tally my-bench/reports/listening/keys/full.json my-bench/reports/listening/full-coded/answers.csv"
    )]
    Listen(listen::ListenArgs),
    /// Writes completions for a shell to standard output
    #[command(after_help = "Example: twinload completions bash > twinload.bash")]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Writes the manual: the first page to standard output, or every page into a folder
    #[command(after_help = "Examples:\n  twinload man > twinload.1\n  twinload man man1")]
    Man {
        /// Folder for twinload.1 and a page for each command
        dir: Option<PathBuf>,
    },
}

/// How a command ended that did not fail outright.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All was done: exit code 0.
    Done,
    /// The rest is written, but part of the work could not be done, or `check` says redo: exit code 1.
    Partly,
}

/// Runs the command; results go to `out` and nowhere else.
///
/// # Errors
/// What could not be done, outermost cause first.
pub fn run(cli: Cli, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    match cli.command {
        Command::Demo(args) => demo::run(&args, out),
        Command::New(args) => new::run(&args, out),
        Command::Pad(args) => pad::run(&args, out),
        Command::Signals(args) => signals::run(&args, out),
        Command::Check(args) => check::run(&args, out),
        Command::Calibrate(args) => calibrate::run(&args, out),
        Command::Log(args) => log::run(&args, out),
        Command::Analyse(args) => analyse::run(&args, out),
        Command::Compare(args) => compare::run(&args, out),
        Command::Bias(args) => bias::run(&args, out),
        Command::Listen(args) => listen::run(&args, out),
        Command::Completions { shell } => {
            // It would panic where writing fails.
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "twinload", &mut script);
            out.write_all(&script)?;
            Ok(Outcome::Done)
        }
        Command::Man { dir: Some(dir) } => {
            std::fs::create_dir_all(&dir).with_context(|| format!("make {}", dir.display()))?;
            clap_mangen::generate_to(Cli::command(), &dir)
                .with_context(|| format!("write into {}", dir.display()))?;
            writeln!(out, "wrote the manual's pages into {}", dir.display())?;
            Ok(Outcome::Done)
        }
        Command::Man { dir: None } => {
            clap_mangen::Man::new(Cli::command()).render(out)?;
            Ok(Outcome::Done)
        }
    }
}

/// A command that lacks what it needs, as clap would say it: exit code 2.
fn usage(why: &str) -> anyhow::Error {
    clap::Error::raw(clap::error::ErrorKind::MissingRequiredArgument, format!("{why}\n")).into()
}

/// The amp and its drive need a channel each.
fn apart(channel: u32, drive_channel: Option<u32>) -> anyhow::Result<()> {
    anyhow::ensure!(
        drive_channel != Some(channel),
        "--drive-channel {channel}: channel {channel} is the one that is measured; the amp and its drive need a \
         channel each"
    );
    Ok(())
}

/// Where the reports of the bench in `dir` are written; refused where a link leads out of it.
fn reports(dir: &Path) -> anyhow::Result<PathBuf> {
    for below in ["reports/charts", "reports/data", "reports/listening"] {
        files::inside(dir, below).with_context(|| format!("write {}", dir.join(below).display()))?;
    }
    Ok(dir.join("reports"))
}
