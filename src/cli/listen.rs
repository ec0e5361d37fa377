//! `twinload listen`: a pair to hear, matched in time and loudness; blind sets and their tally.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;

use super::Outcome;
use super::words::paragraph;
use crate::bench::names::{safe_file_name, safe_file_names};
use crate::bench::{Bench, TakeEntry, TakeKind};
use crate::files;
use crate::listen::coded::{self, Key, Side};
use crate::listen::{self, Pair, Sound, tally};
use crate::report::text::for_terminal;
use crate::rounding;

/// Shown wherever something is made to be heard (reference §13).
const CAUTION: &str = "Begin with the volume turned down and raise it slowly: loud listening damages hearing for \
good, and an amp's recording can hold sudden peaks. Leave the volume alone between the two files.";

/// What was typed.
#[derive(Debug, Args)]
pub struct ListenArgs {
    /// The bench
    #[arg(value_name = "DIR", required_unless_present = "tally")]
    bench: Option<PathBuf>,
    /// Two builds that have a take of kind "listening", the reference first
    #[arg(value_name = "BUILD", num_args = 2, required_unless_present = "tally")]
    builds: Vec<String>,
    /// Setting of the takes; the first at which both builds have one
    #[arg(long, value_name = "S")]
    setting: Option<String>,
    /// Write a blind set under code names, the key apart from it
    #[arg(long)]
    coded: bool,
    /// Trials of a blind set
    #[arg(long, value_name = "N", default_value_t = 16, value_parser = clap::value_parser!(u16).range(1..=200), requires = "coded")]
    trials: u16,
    /// Draw the set of this number again [default: a fresh one, which the key notes]
    #[arg(long, value_name = "N", requires = "coded")]
    seed: Option<u64>,
    /// Count the answers of a blind set
    #[arg(long, num_args = 2, value_names = ["KEY", "ANSWERS"], conflicts_with_all = ["bench", "builds", "setting", "coded"])]
    tally: Option<Vec<PathBuf>>,
    /// Count although trials are open: it tells which build A is, so the set is no longer blind
    #[arg(long, requires = "tally")]
    reveal: bool,
    /// Write the result as JSON to standard output
    #[arg(long)]
    json: bool,
}

/// Makes a pair or a blind set, or counts answers.
///
/// # Errors
/// What could not be read, aligned or written.
pub fn run(args: &ListenArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    match (&args.tally, &args.bench, args.builds.as_slice()) {
        (Some(files), ..) => count(files, args, out),
        (None, Some(dir), [a, b]) => pair(args, dir, [a, b], out),
        _ => anyhow::bail!("name a bench and two builds, or --tally KEY ANSWERS"),
    }
}

fn pair(args: &ListenArgs, dir: &Path, builds: [&str; 2], out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let bench = Bench::open(dir)?;
    let (setting, entries) = takes(&bench, builds, args.setting.as_deref())?;
    let read = |entry: &TakeEntry| listen::read(&bench.path_of(entry), bench.channel());
    let (a, b) = (read(entries[0])?, read(entries[1])?);
    let (mut made, parts) = listen::make(builds, &a, &b)?;
    let folder = super::reports(&bench.dir)?.join("listening");
    let stem = safe_file_name(&setting);
    for below in ["keys", &stem] {
        files::inside(&folder, below).with_context(|| format!("write {}", folder.join(below).display()))?;
    }
    let key = if args.coded {
        Some(coded_set(args, &folder, &stem, builds, [&a, &b], &parts)?)
    } else {
        for ((name, part), file) in safe_file_names(&builds).iter().zip(&parts).zip(&mut made.files) {
            let path = folder.join(&stem).join(format!("{name}.wav"));
            listen::write(&path, part, a.rate_hz)?;
            file.written = Some(path.display().to_string());
        }
        None
    };
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &made).context("write JSON")?;
        writeln!(out)?;
    } else {
        tell(&made, &setting, out)?;
        if let Some((key, set)) = key {
            writeln!(out, "\nblind set: {}", set.display())?;
            writeln!(out, "key, not to be opened before the answers are in: {}", key.display())?;
            let how = "In each trial the file with X is A or B again: write which into answers.csv. Which build A is, \
                       only the key knows. Then: twinload listen --tally KEY ANSWERS";
            paragraph(out, "", how)?;
        }
    }
    Ok(Outcome::Done)
}

/// The takes of both builds at one setting.
fn takes<'a>(
    bench: &'a Bench,
    builds: [&str; 2],
    setting: Option<&str>,
) -> anyhow::Result<(String, [&'a TakeEntry; 2])> {
    for name in builds {
        anyhow::ensure!(
            bench.build(name).is_some(),
            "bench.toml has no build \"{name}\"; its builds are: {}",
            bench.builds.iter().map(|b| b.name.as_str()).collect::<Vec<_>>().join(", ")
        );
    }
    anyhow::ensure!(builds[0] != builds[1], "name two different builds");
    let of = |build: &str, setting: &str| {
        bench.takes.iter().find(|t| {
            t.kind == TakeKind::Listening
                && t.used
                && t.build.as_deref() == Some(build)
                && t.setting.as_deref() == Some(setting)
        })
    };
    let asked =
        bench.settings.iter().map(|s| s.name.as_str()).filter(|s| setting.is_none_or(|asked| asked == *s));
    let found = asked.filter_map(|s| Some((s.to_owned(), [of(builds[0], s)?, of(builds[1], s)?]))).next();
    found.with_context(|| {
        format!(
            "no setting{} has a listening take of both {} and {}: play one piece of music through both \
             builds, and log each recording with --kind listening",
            setting.map_or(String::new(), |s| format!(" \"{s}\"")),
            builds[0],
            builds[1]
        )
    })
}

/// Places for a set and its key that hold nothing yet: an answer sheet is never written over.
fn free_places(folder: &Path, stem: &str) -> (PathBuf, PathBuf) {
    let places = |number: u32| {
        let number = if number == 1 { String::new() } else { format!("-{number}") };
        let key = folder.join("keys").join(format!("{stem}{number}.json"));
        (folder.join(format!("{stem}-coded{number}")), key)
    };
    let free =
        |(set, key): &(PathBuf, PathBuf)| [set, key].into_iter().all(|path| path.symlink_metadata().is_err());
    (1..u32::MAX).map(places).find(free).unwrap_or_else(|| places(u32::MAX))
}

/// A number that nobody chose: the standard library seeds its hashers from the system's randomness. 32 bits, since
/// other programs read larger whole numbers of a JSON document as rounded ones.
fn fresh_seed() -> u64 {
    use std::hash::{BuildHasher, RandomState};
    RandomState::new().hash_one("listening set") >> 32
}

/// Writes the set and, apart from it, the key; gives the key's path and the set's folder.
fn coded_set(
    args: &ListenArgs,
    folder: &Path,
    stem: &str,
    builds: [&str; 2],
    sounds: [&Sound; 2],
    parts: &[Vec<f32>; 2],
) -> anyhow::Result<(PathBuf, PathBuf)> {
    let seed = args.seed.unwrap_or_else(fresh_seed);
    let key = coded::draw(builds, sounds.map(|s| s.sha256.as_deref()), usize::from(args.trials), seed);
    let (set, key_file) = free_places(folder, stem);
    let part = |side: Side| {
        let behind = &key.builds[usize::from(side == Side::B)];
        if behind == builds[0] { &parts[0] } else { &parts[1] }
    };
    let rate_hz = sounds[0].rate_hz;
    listen::write(&set.join("a.wav"), part(Side::A), rate_hz)?;
    listen::write(&set.join("b.wav"), part(Side::B), rate_hz)?;
    for (index, side) in key.trials.iter().enumerate() {
        listen::write(&set.join(coded::file_name(index + 1)), part(*side), rate_hz)?;
    }
    let put = |path: &Path, bytes: &[u8]| {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).with_context(|| format!("make {}", parent.display()))?;
        }
        files::write(path, bytes).with_context(|| format!("write {}", path.display()))
    };
    put(&set.join("answers.csv"), coded::answer_sheet(key.trials.len()).as_bytes())?;
    let json = serde_json::to_string_pretty(&key).context("write JSON")?;
    put(&key_file, format!("{json}\n").as_bytes())?;
    Ok((key_file, set))
}

fn tell(pair: &Pair, setting: &str, out: &mut dyn Write) -> anyhow::Result<()> {
    writeln!(out, "listening pair at {}, {:.1} s", for_terminal(setting), pair.seconds)?;
    for file in &pair.files {
        writeln!(
            out,
            "  {}: gain {}, loudness {:.2} LUFS before, {:.2} after",
            for_terminal(&file.build),
            rounding::signed(&file.gain),
            file.loudness_before,
            file.loudness
        )?;
    }
    let turned = if pair.turned_over { ", turned over to the first's sign" } else { "" };
    writeln!(
        out,
        "  the second lies {} later, its clock {} off{turned}",
        rounding::text(&pair.lag),
        rounding::signed(&pair.clock_drift)
    )?;
    for finding in &pair.findings {
        paragraph(out, "  ", &format!("{}: {}; {}", finding.saw, finding.effect, finding.advice))?;
    }
    for written in pair.files.iter().filter_map(|f| f.written.as_deref()) {
        writeln!(out, "wrote {}", for_terminal(written))?;
    }
    paragraph(out, "CAUTION ", CAUTION)?;
    Ok(())
}

fn count(files: &[PathBuf], args: &ListenArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let [key_file, answer_file] = files else { anyhow::bail!("--tally takes a key and an answer sheet") };
    let text =
        |path: &PathBuf| std::fs::read_to_string(path).with_context(|| format!("read {}", path.display()));
    let is_key = |path: &PathBuf| text(path).is_ok_and(|text| serde_json::from_str::<Key>(&text).is_ok());
    anyhow::ensure!(
        is_key(key_file) || !is_key(answer_file),
        "{} is the key: name it first, then the answer sheet",
        answer_file.display()
    );
    let key: Key = serde_json::from_str(&text(key_file)?)
        .with_context(|| format!("{} is not the key of a blind set", key_file.display()))?;
    let answers = tally::answers(&answer_file.display().to_string(), &text(answer_file)?, &key)?;
    let tally = tally::tally(&key, &answers);
    anyhow::ensure!(
        tally.unanswered == 0 || args.reveal,
        "{}: {} of {} trials have no answer yet, and the tally would give the key away: answer them, or add --reveal",
        answer_file.display(),
        tally.unanswered,
        key.trials.len()
    );
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &tally).context("write JSON")?;
        writeln!(out)?;
    } else {
        let [a, b] = &key.builds;
        paragraph(out, "", &format!("{}. A was {a}, B was {b}.", tally::words(&tally)))?;
    }
    Ok(Outcome::Done)
}
