//! `twinload log`: adds a recording to a bench.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Outcome, words};
use crate::analyse::{self, Options};
use crate::bench::log::{Checked, LogError, Logged, Request, log};
use crate::bench::typed;
use crate::bench::{Bench, QuietCondition, TakeEntry, TakeKind};
use crate::finding::Finding;

/// What was typed.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// The bench
    dir: PathBuf,
    /// The recording; it is copied if it lies outside the bench
    recording: PathBuf,
    /// The build recorded, by its name in bench.toml
    #[arg(long, value_name = "NAME")]
    build: Option<String>,
    /// The setting of the controls, by its name in bench.toml
    #[arg(long, value_name = "NAME")]
    setting: Option<String>,
    /// What it is a recording of [default: programme]
    #[arg(long, value_enum)]
    kind: Option<Kind>,
    /// The load of this take, where it differs from the rig's
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, value_parser = typed::number)]
    load_ohms: Option<f64>,
    /// Mains voltage during the take
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true, value_parser = typed::number)]
    mains_volts: Option<f64>,
    /// Minutes since power-on
    #[arg(long, value_name = "MINUTES", allow_negative_numbers = true, value_parser = typed::number)]
    warm_up_minutes: Option<f64>,
    /// What was connected, for a quiet take
    #[arg(long, value_enum, value_name = "WHAT")]
    quiet_condition: Option<Quiet>,
    /// Place in the order of recording, from 1
    #[arg(long, value_name = "N")]
    order: Option<u32>,
    /// When it was recorded
    #[arg(long)]
    date: Option<String>,
    /// A remark
    #[arg(long)]
    note: Option<String>,
    /// Log it even if the check says that it must be recorded again
    #[arg(long)]
    anyway: bool,
    /// Mend take N of bench.toml instead of adding one
    #[arg(long, value_name = "N")]
    replace: Option<usize>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Kind {
    Programme,
    Loopback,
    Quiet,
    Listening,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Quiet {
    CableOnly,
    AmpOff,
    VolumeDown,
    InputShorted,
    AtSetting,
}

impl From<Kind> for TakeKind {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Programme => Self::Programme,
            Kind::Loopback => Self::Loopback,
            Kind::Quiet => Self::Quiet,
            Kind::Listening => Self::Listening,
        }
    }
}

impl From<Quiet> for QuietCondition {
    fn from(quiet: Quiet) -> Self {
        match quiet {
            Quiet::CableOnly => Self::CableOnly,
            Quiet::AmpOff => Self::AmpOff,
            Quiet::VolumeDown => Self::VolumeDown,
            Quiet::InputShorted => Self::InputShorted,
            Quiet::AtSetting => Self::AtSetting,
        }
    }
}

impl LogArgs {
    fn request(&self) -> Request {
        Request {
            recording: self.recording.clone(),
            kind: self.kind.map(Into::into),
            build: self.build.clone(),
            setting: self.setting.clone(),
            load_ohms: self.load_ohms,
            mains_volts: self.mains_volts,
            warm_up_minutes: self.warm_up_minutes,
            quiet_condition: self.quiet_condition.map(Into::into),
            order: self.order,
            date: self.date.clone(),
            note: self.note.clone(),
            anyway: self.anyway,
            replace: self.replace,
        }
    }
}

/// Logs the recording and says what became of it.
///
/// # Errors
/// See [`LogError`].
pub fn run(args: &LogArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    match log(&args.dir, &args.request(), check) {
        Ok(Logged::Added { bench, number, copied, checked, left_over }) => {
            let entry = number.checked_sub(1).and_then(|k| bench.takes.get(k));
            if let Some(entry) = entry {
                added(out, entry, number, copied, &bench)?;
            }
            if let Some(file) = left_over {
                let text = format!(
                    "{file} is named by no take any more and still lies there: delete it, or keep it"
                );
                words::paragraph(out, "", &text)?;
            }
            writeln!(out, "{}", checked.fitness.words())?;
            words::findings(out, &checked.findings)?;
            // What was typed for this take and is unusual; all of the bench's stands in `analyse`.
            let start = entry.map(|e| format!("{}: ", e.file)).unwrap_or_default();
            let said = |f: &&Finding| {
                !start.is_empty() && f.saw.starts_with(&start) && !checked.findings.contains(f)
            };
            let typed = bench.findings.iter().filter(said);
            words::findings(out, &typed.cloned().collect::<Vec<_>>())?;
        }
        Ok(Logged::AlreadyThere { number, entry }) => {
            writeln!(
                out,
                "this recording is there already: {}; nothing was added",
                described(&entry, number)
            )?;
            writeln!(out, "to mend that entry, add: --replace {number}")?;
        }
        Err(error) => {
            if let LogError::Redo { findings, .. } = &error {
                words::findings(out, findings)?;
            }
            return Err(error.into());
        }
    }
    Ok(Outcome::Done)
}

fn added(
    out: &mut dyn Write,
    entry: &TakeEntry,
    number: usize,
    copied: bool,
    bench: &Bench,
) -> std::io::Result<()> {
    let how = if copied { "copied and logged" } else { "logged in place" };
    let repeat = bench.repeat_of(number - 1).filter(|_| entry.kind == TakeKind::Programme);
    let repeat = repeat.map(|n| format!(", repeat {n}")).unwrap_or_default();
    writeln!(out, "{how}: {}{repeat}", described(entry, number))
}

fn described(entry: &TakeEntry, number: usize) -> String {
    let mut text = format!("take {number}, {}", entry.file);
    for (what, name) in [("build", &entry.build), ("setting", &entry.setting)] {
        if let Some(name) = name {
            text.push_str(&format!(", {what} {name}"));
        }
    }
    if entry.kind != TakeKind::Programme {
        text.push_str(&format!(", {}", entry.kind.word()));
    }
    crate::report::text::for_terminal(&text).into_owned()
}

/// Judges the recording as `twinload check` does, by the bench's channel and plans.
pub(super) fn check(
    recording: &Path,
    bench: &Bench,
    kind: TakeKind,
) -> Result<Checked, Box<dyn std::error::Error + Send + Sync>> {
    let loopback = bench.rig.loopback.as_ref().map(|file| bench.dir.join(file)).filter(|path| path.exists());
    let options = Options {
        channel: bench.channel(),
        drive_channel: bench.rig.drive_channel.filter(|_| kind == TakeKind::Programme),
        plans: analyse::plans_of(&bench.dir)?,
        loopback,
    };
    let file = crate::check::file(recording, &options);
    Ok(Checked::of(file, kind, &options.plans)?)
}
