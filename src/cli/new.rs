//! `twinload new`: starts a bench.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::{Outcome, words};
use crate::bench::{cautions::Act, new};

/// What was typed.
#[derive(Debug, Args)]
pub struct NewArgs {
    /// The folder to make; it may exist, a bench in it is never overwritten
    dir: PathBuf,
    /// Title of the report; the folder's name if not given
    #[arg(long)]
    title: Option<String>,
}

/// Makes the folder a bench and says what comes next.
///
/// # Errors
/// There is a bench already, or it can't be written.
pub fn run(args: &NewArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let title = args.title.clone().unwrap_or_else(|| new::title_of(&args.dir));
    for path in new::create(&args.dir, &title)? {
        writeln!(out, "made {}", path.display())?;
    }
    writeln!(out)?;
    words::caution(out, Act::New)?;
    writeln!(out)?;
    let dir = args.dir.display();
    writeln!(out, "Next:")?;
    let steps = [
        format!("edit {}: the load, the builds, the settings", args.dir.join("bench.toml").display()),
        "twinload pad --watts 5 --load-ohms 8 --limit 10dBu   (your own numbers)".to_owned(),
        format!("twinload signals {dir}"),
        format!(
            "play calibration-tone.wav, record it, then: twinload calibrate {dir} RECORDING.wav --volts READING"
        ),
        format!(
            "play programme.wav, record it, then: twinload log {dir} RECORDING.wav --build as-drawn --setting full"
        ),
    ];
    for (number, step) in (1..).zip(steps) {
        words::paragraph(out, &format!("  {number}. "), &step)?;
    }
    Ok(Outcome::Done)
}
