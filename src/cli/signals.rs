//! `twinload signals`: writes the test signals.

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use clap::{Args, ValueEnum};

use super::{Outcome, words};
use crate::bench::cautions::Act;
use crate::bench::heat::{self, Drive};
use crate::bench::{Bench, BenchError};
use crate::bench::{plausible, typed};
use crate::files;
use crate::signals::write::{Depth, Form, write_all};
use crate::signals::{Choices, Plan};

/// What was typed.
#[derive(Debug, Args)]
pub struct SignalsArgs {
    /// The bench; files go into its folder test-signals
    #[arg(default_value = ".")]
    dir: PathBuf,
    /// Sample rate in Hz: 44100, 48000, 88200, 96000 or 192000
    #[arg(long, default_value_t = 48_000, value_name = "HZ")]
    rate: u32,
    /// Bits of a sample; 32 is float
    #[arg(long, value_enum, default_value_t = Bits::B24)]
    bits: Bits,
    /// Channels; with 2 the same is on both
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=2))]
    channels: u16,
    /// Peak of the loudest tone, dB re full scale
    #[arg(long, default_value_t = -1.0, value_name = "DB", allow_negative_numbers = true, value_parser = typed::number)]
    top_dbfs: f64,
    /// Frequency of ladder, reference tones and bursts, Hz
    #[arg(long, default_value_t = 1010.0, value_name = "HZ", allow_negative_numbers = true, value_parser = typed::number)]
    frequency: f64,
    /// Write the short programme of about 20 s, for trials; its figures are coarser
    #[arg(long)]
    short: bool,
    /// Put this programme in the place of another one
    #[arg(long)]
    replace: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Bits {
    #[value(name = "16")]
    B16,
    #[value(name = "24")]
    B24,
    #[value(name = "32")]
    B32,
}

/// Writes the files and names them.
///
/// # Errors
/// What could not be written, or an argument out of range.
pub fn run(args: &SignalsArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    anyhow::ensure!(
        (-60.0..=0.0).contains(&args.top_dbfs),
        "--top-dbfs: {} must lie between -60 and 0",
        args.top_dbfs
    );
    let highest = f64::from(args.rate) * 0.2;
    anyhow::ensure!(
        (20.0..=highest).contains(&args.frequency),
        "--frequency: {} must lie between 20 and {highest} Hz at this rate",
        args.frequency
    );
    let choices = Choices { top_dbfs: args.top_dbfs, frequency_hz: args.frequency };
    let depth = match args.bits {
        Bits::B16 => Depth::Int16,
        Bits::B24 => Depth::Int24,
        Bits::B32 => Depth::Float32,
    };
    let form = Form { rate_hz: args.rate, depth, channels: args.channels };
    let plan = if args.short { Plan::short(&choices) } else { Plan::programme(&choices) };
    let folder = files::inside(&args.dir, "test-signals")
        .with_context(|| format!("write {}", args.dir.join("test-signals").display()))?;
    let written = write_all(&folder, &plan, &choices, form, args.replace)?;
    for path in &written {
        writeln!(out, "wrote {}", path.display())?;
    }
    writeln!(out)?;
    writeln!(
        out,
        "programme.wav plays for {:.0} s; its identity is {:04x}.",
        plan.length_seconds,
        plan.identity()
    )?;
    let bench = Bench::open(&args.dir);
    let mains_hz = bench.as_ref().ok().and_then(|bench| bench.mains_hz);
    words::findings(out, &plausible::of_signals(args.top_dbfs, args.frequency, mains_hz))?;
    if let Err(BenchError::NotABench { dir }) = &bench {
        let dir = dir.display();
        writeln!(out, "There is no bench in {dir}: `twinload new {dir}` starts one, if it should be there.")?;
    }
    if let Ok(bench) = bench {
        let heat = bench.amp_watts.map(|watts| heat::of_plan(&plan, &Drive::worst_aimed_at(watts)));
        match heat {
            Some(heat) => words::findings(out, &heat::warnings(&heat, bench.rig.load_watts))?,
            None => words::paragraph(
                out,
                "  - ",
                "amp_watts is not in bench.toml, so the load's rating was not checked against this programme's heat: \
                 the load must take twice the amp's sine power",
            )?,
        }
        words::findings(out, &bench.findings)?;
    }
    words::caution(out, Act::Play)?;
    writeln!(
        out,
        "Play level-check.wav first and give its recording to `twinload check`: it says how far to turn up."
    )?;
    Ok(Outcome::Done)
}
