//! Adding a take to a bench: checked, copied if it lies outside, hashed, written down.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use toml_edit::Value;

use super::edit::Editor;
use super::error::BenchError;
use super::model::{Bench, QuietCondition, TakeEntry, TakeKind};
use super::{names, syntax};
use crate::analysis::RecordingKind;
use crate::check::FileCheck;
use crate::finding::{Finding, Fitness, Severity};
use crate::signals::{Identity, Plan};
use crate::takes::source::{SourceError, sha256};

/// What the person says of a recording.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Request {
    /// The recording.
    pub recording: PathBuf,
    /// What it is a recording of; `None`: of the programme, or as the entry to mend says.
    pub kind: Option<TakeKind>,
    /// The build, by its name in bench.toml.
    pub build: Option<String>,
    /// The setting, by its name in bench.toml.
    pub setting: Option<String>,
    /// The load, where it differs from the rig's.
    pub load_ohms: Option<f64>,
    /// Mains voltage during the take.
    pub mains_volts: Option<f64>,
    /// Minutes since power-on.
    pub warm_up_minutes: Option<f64>,
    /// What was connected, for a quiet take.
    pub quiet_condition: Option<QuietCondition>,
    /// Place in the order of recording.
    pub order: Option<u32>,
    /// When it was recorded.
    pub date: Option<String>,
    /// A remark.
    pub note: Option<String>,
    /// Log it even if it must be recorded again.
    pub anyway: bool,
    /// Mend this entry (from 1) instead of adding one.
    pub replace: Option<usize>,
}

/// What the check of a recording said.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// May it be used?
    pub fitness: Fitness,
    /// Why.
    pub findings: Vec<Finding>,
    /// The segment, where it holds one alone; the low sweep is what the second load is recorded with.
    pub segment: Option<String>,
}

impl Checked {
    /// What the check of a file means for a take of this kind, `plans` being those the bench knows.
    ///
    /// # Errors
    /// The file can't be read or measured at all: why.
    pub fn of(file: FileCheck, kind: TakeKind, plans: &[Plan]) -> Result<Self, String> {
        if let Some(failure) = file.failure {
            return Err(failure);
        }
        let mut findings = file.findings;
        if matches!(kind, TakeKind::Quiet | TakeKind::Listening) {
            findings.retain(|finding| !of_a_tone(finding));
        }
        let programme = matches!(file.kind, Some(RecordingKind::Programme | RecordingKind::Segment));
        if matches!(kind, TakeKind::Programme | TakeKind::Loopback) && !programme {
            findings.push(Finding::new(
                "no_programme",
                Severity::Redo,
                "neither the programme nor a segment of it was found in the recording",
                "nothing of it can be compared with other takes",
                "record programme.wav from before its first marker to after its last, or give the --kind",
            ));
        }
        let segment = file.plan.as_deref().and_then(|words| {
            let plan = plans.iter().find(|p| words.starts_with(&format!("{:04x}", p.identity())))?;
            let segment = plan.segments.get(Identity::part_in_words(words)?.checked_sub(1)?)?;
            Some(segment.id.clone())
        });
        Ok(Self { fitness: Fitness::of(&findings), findings, segment })
    }
}

/// What a recording that should hold a tone is judged by: a silence and music are not. Their gain is that of the
/// programme, whatever their level.
fn of_a_tone(finding: &Finding) -> bool {
    match finding.code.as_str() {
        "level_low" | "no_steady_tone" | "level_not_steady" | "phase_jump" => true,
        "rate_label" => finding.severity != Severity::Redo,
        _ => false,
    }
}

/// What became of a recording.
#[derive(Debug, Clone, PartialEq)]
pub enum Logged {
    /// It stands in bench.toml now.
    Added {
        /// The bench as it is now.
        bench: Box<Bench>,
        /// Its entry, from 1.
        number: usize,
        /// It was copied into the bench.
        copied: bool,
        /// What the check said.
        checked: Checked,
        /// The file of the entry that was mended, where no entry names it any more and it still lies there.
        left_over: Option<String>,
    },
    /// The same recording stands there already; nothing was changed.
    AlreadyThere {
        /// Its entry, from 1.
        number: usize,
        /// The entry.
        entry: Box<TakeEntry>,
    },
}

/// Why a recording was not logged.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogError {
    /// The bench can't be opened or written.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// The recording can't be read.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// The recording can't be copied.
    #[error("cannot {what} {}", .path.display())]
    File {
        /// What was tried.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The build or setting is not in bench.toml.
    #[error("bench.toml has no {kind} {name:?}: {advice}")]
    Unknown {
        /// `build` or `setting`.
        kind: &'static str,
        /// What was asked for.
        name: String,
        /// The nearest one, or those that there are.
        advice: String,
    },
    /// A take of this kind needs a build or a setting.
    #[error("a {take} take needs --{kind}; bench.toml has: {known}")]
    Missing {
        /// The take's kind in words.
        take: &'static str,
        /// `build` or `setting`.
        kind: &'static str,
        /// Those that there are.
        known: String,
    },
    /// The same recording is logged as something else.
    #[error(
        "this very recording is logged already as take {number}, {file} ({logged}), and you say {said}: did you pick \
         the wrong file? If that entry is wrong, mend it with --replace {number}"
    )]
    LoggedOtherwise {
        /// Its entry, from 1.
        number: usize,
        /// The entry's file.
        file: String,
        /// What the entry says.
        logged: String,
        /// What was said now.
        said: String,
    },
    /// It is what twinload wrote to be played.
    #[error(
        "{} is the signal that twinload wrote to be played, not a recording of it: play it through the amp, record \
         that, and log the recording",
        .recording.display()
    )]
    OwnSignal {
        /// The file.
        recording: PathBuf,
    },
    /// A number that cannot be.
    #[error("{option}: {value} {must}")]
    Number {
        /// The option.
        option: &'static str,
        /// What was given.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
    /// There is no such entry to replace.
    #[error("bench.toml has {takes} takes: there is no take {number} to replace")]
    NoEntry {
        /// What was asked for.
        number: usize,
        /// How many there are.
        takes: usize,
    },
    /// The recording must be made again.
    #[error(
        "{} cannot serve and was not logged: record it again, or log it with --anyway",
        .recording.display()
    )]
    Redo {
        /// The recording.
        recording: PathBuf,
        /// Why.
        findings: Vec<Finding>,
    },
    /// The check itself failed.
    #[error("cannot check {}", .recording.display())]
    Check {
        /// The recording.
        recording: PathBuf,
        /// Why.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// Logs a recording in the bench in `dir`. `check` judges it, as `twinload check` would.
///
/// Files inside the bench are logged where they are; others are copied to `takes/`. Nothing is
/// left behind when it fails.
///
/// # Errors
/// See [`LogError`].
pub fn log(
    dir: &Path,
    request: &Request,
    check: impl FnOnce(&Path, &Bench, TakeKind) -> Result<Checked, Box<dyn std::error::Error + Send + Sync>>,
) -> Result<Logged, LogError> {
    possible(request)?;
    let mut editor = Editor::open(dir)?;
    let bench = editor.bench().clone();
    known(&bench, request)?;
    let replaced = match request.replace {
        Some(number) => Some(
            number
                .checked_sub(1)
                .filter(|k| *k < bench.takes.len())
                .ok_or(LogError::NoEntry { number, takes: bench.takes.len() })?,
        ),
        None => None,
    };
    let recording = &request.recording;
    let hash = sha256(recording)?;
    if is_own_signal(&bench, recording, &hash) {
        return Err(LogError::OwnSignal { recording: recording.clone() });
    }
    let same = same_recording(&bench, recording, &hash);
    if let Some(index) = same
        && replaced != same
        && let Some(entry) = bench.takes.get(index)
    {
        refuse_otherwise(request, index + 1, entry)?;
        return Ok(Logged::AlreadyThere { number: index + 1, entry: Box::new(entry.clone()) });
    }
    let old = replaced.and_then(|index| bench.takes.get(index));
    let request = &old.map_or_else(|| request.clone(), |entry| request.in_place_of(entry));
    let kind = request.kind.unwrap_or_default();
    let mut checked = check(recording, &bench, kind)
        .map_err(|source| LogError::Check { recording: recording.clone(), source })?;
    checked.findings.extend(said_oddly(&bench, request, replaced, &checked));
    checked.fitness = Fitness::of(&checked.findings);
    if checked.fitness == Fitness::Redo && !request.anyway {
        return Err(LogError::Redo { recording: recording.clone(), findings: checked.findings });
    }
    // An entry that is mended keeps its file.
    let kept = same.and_then(|index| bench.takes.get(index)).map(|take| take.file.clone());
    let file =
        kept.or_else(|| relative_to(&bench.dir, recording)).unwrap_or_else(|| free_name(&bench, request));
    let copied = !bench.dir.join(&file).exists();
    if copied {
        copy_in(recording, &bench.dir, &file, &hash)?;
    }
    let written =
        enter(&mut editor, request, replaced, &file, &hash).and_then(|number| Ok((number, editor.save()?)));
    match written {
        Ok((number, after)) => {
            let is_left = |file: &String| {
                after.takes.iter().all(|t| t.file != *file) && after.dir.join(file).symlink_metadata().is_ok()
            };
            let left_over = old.map(|entry| entry.file.clone()).filter(is_left);
            let noticed = after.findings.iter().filter(|f| !bench.findings.contains(f)).cloned();
            checked.findings.extend(noticed);
            Ok(Logged::Added { bench: Box::new(after), number, copied, checked, left_over })
        }
        Err(error) => {
            if copied {
                // What bench.toml does not know must not lie in takes/.
                let _ = std::fs::remove_file(bench.dir.join(&file));
            }
            Err(error.into())
        }
    }
}

fn file_error(what: &'static str, path: &Path, source: io::Error) -> LogError {
    LogError::File { what, path: path.to_owned(), source }
}

/// What no bench.toml may say, by the option that said it.
fn possible(request: &Request) -> Result<(), LogError> {
    let least = [
        ("--load-ohms", request.load_ohms, false),
        ("--mains-volts", request.mains_volts, false),
        ("--warm-up-minutes", request.warm_up_minutes, true),
    ];
    for (option, value, zero) in least {
        let may = |value: f64| value.is_finite() && (value > 0.0 || (zero && value == 0.0));
        if let Some(value) = value.filter(|value| !may(*value)) {
            let must = if zero { "must not be under 0" } else { "must be over 0" };
            return Err(LogError::Number { option, value, must });
        }
    }
    Ok(())
}

/// Build and setting must be there before a large file is read.
fn known(bench: &Bench, request: &Request) -> Result<(), LogError> {
    let builds: Vec<&str> = bench.builds.iter().map(|b| b.name.as_str()).collect();
    let settings: Vec<&str> = bench.settings.iter().map(|s| s.name.as_str()).collect();
    let kind = request.kind.unwrap_or_default();
    let (needs_build, needs_setting) = needs(kind, request.quiet_condition);
    for (what, name, names, needed) in [
        ("build", &request.build, builds, needs_build),
        ("setting", &request.setting, settings, needs_setting),
    ] {
        match name {
            Some(name) if !names.contains(&name.as_str()) => {
                let there = if names.is_empty() { "there is none yet".to_owned() } else { names.join(", ") };
                let advice = syntax::suggestion(name, &names).unwrap_or_else(|| format!("there is: {there}"));
                return Err(LogError::Unknown { kind: what, name: name.clone(), advice });
            }
            // Mending an entry keeps what is not said anew.
            None if needed && request.replace.is_none() => {
                return Err(LogError::Missing { take: kind.word(), kind: what, known: names.join(", ") });
            }
            _ => {}
        }
    }
    Ok(())
}

/// Whether a take of this kind must name a build and a setting.
pub(super) fn needs(kind: TakeKind, quiet: Option<QuietCondition>) -> (bool, bool) {
    match kind {
        TakeKind::Programme | TakeKind::Listening => (true, true),
        TakeKind::Quiet => (quiet != Some(QuietCondition::CableOnly), false),
        TakeKind::Loopback => (false, false),
    }
}

impl Request {
    /// What `self` does not say of the recording that takes this entry's place: of what it is a recording is the
    /// entry's, when and on what mains it was made is not.
    fn in_place_of(&self, entry: &TakeEntry) -> Self {
        Self {
            kind: self.kind.or(Some(entry.kind).filter(|k| *k != TakeKind::Programme)),
            build: self.build.clone().or_else(|| entry.build.clone()),
            setting: self.setting.clone().or_else(|| entry.setting.clone()),
            load_ohms: self.load_ohms.or(entry.load_ohms),
            quiet_condition: self.quiet_condition.or(entry.quiet_condition),
            ..self.clone()
        }
    }
}

/// A recording that is there already must be what it was said to be.
fn refuse_otherwise(request: &Request, number: usize, entry: &TakeEntry) -> Result<(), LogError> {
    let pairs = [
        ("kind", request.kind.map(TakeKind::word), Some(entry.kind.word())),
        ("build", request.build.as_deref(), entry.build.as_deref()),
        ("setting", request.setting.as_deref(), entry.setting.as_deref()),
    ];
    let differ = pairs.into_iter().filter(|(_, said, logged)| said.is_some() && said != logged);
    let (mut logged, mut said) = (Vec::new(), Vec::new());
    for (what, now, before) in differ {
        logged.push(before.map_or_else(|| format!("no {what}"), |name| format!("{what} {name}")));
        said.extend(now.map(|name| format!("{what} {name}")));
    }
    if said.is_empty() {
        return Ok(());
    }
    let (file, logged, said) = (entry.file.clone(), logged.join(", "), said.join(", "));
    Err(LogError::LoggedOtherwise { number, file, logged, said })
}

/// What was said of a recording and can hardly be meant.
fn said_oddly(bench: &Bench, request: &Request, replaced: Option<usize>, checked: &Checked) -> Vec<Finding> {
    let mut findings = Vec::new();
    if checked.segment.as_deref() == Some("sweep_low") && request.load_ohms.is_none() {
        findings.push(Finding::new(
            "load_not_given",
            Severity::Redo,
            "the recording holds sweep_low alone: was this the take at the second load?",
            "without its load it would count as a repeat at the rig's load",
            "give --load-ohms; if it was at the rig's load, give that",
        ));
    }
    let is_other = |(at, take): &(usize, &TakeEntry)| {
        Some(*at) != replaced && take.order.is_some() && take.order == request.order
    };
    if let Some((at, take)) = bench.takes.iter().enumerate().find(is_other) {
        findings.push(Finding::new(
            "order_twice",
            Severity::Note,
            format!(
                "--order {} is that of take {} ({}) already",
                request.order.unwrap_or_default(),
                at + 1,
                take.file
            ),
            "which was recorded first is not known, so drift of the bench cannot be told",
            "give each take a place of its own (mend an entry with --replace)",
        ));
    }
    if let Some(date) = request.date.as_deref().filter(|d| !begins_with_date(d)) {
        findings.push(Finding::new(
            "date_not_ordered",
            Severity::Note,
            format!("the date {date:?} does not begin with year, month and day"),
            "takes cannot be put in their order by it",
            "write it as 2026-05-01 or 2026-05-01T10:30 (ISO 8601)",
        ));
    }
    findings
}

/// `2026-05-01`, with or without what follows (ISO 8601).
fn begins_with_date(text: &str) -> bool {
    let date: Vec<&str> = text.get(..10).map_or_else(Vec::new, |d| d.split('-').collect());
    let lengths: Vec<usize> = date.iter().map(|part| part.len()).collect();
    let number = |at: usize| date.get(at).and_then(|part| part.parse::<u32>().ok());
    lengths == [4, 2, 2]
        && number(0).is_some()
        && number(1).is_some_and(|m| (1..=12).contains(&m))
        && number(2).is_some_and(|d| (1..=31).contains(&d))
}

/// Whether this is one of the WAV files that `twinload signals` wrote for this bench, or a copy of one.
fn is_own_signal(bench: &Bench, recording: &Path, hash: &str) -> bool {
    let folder = bench.dir.join("test-signals");
    let inside = || recording.canonicalize().ok()?.strip_prefix(folder.canonicalize().ok()?).ok().map(drop);
    if inside().is_some() {
        return true;
    }
    let length = recording.metadata().map(|m| m.len()).ok();
    let written = std::fs::read_dir(&folder).into_iter().flatten().flatten();
    written
        .filter(|file| file.metadata().is_ok_and(|m| m.is_file() && Some(m.len()) == length))
        .any(|file| sha256(&file.path()).is_ok_and(|h| h == hash))
}

/// Entry of the take that is this very recording, by path or by content.
fn same_recording(bench: &Bench, recording: &Path, hash: &str) -> Option<usize> {
    let inside = relative_to(&bench.dir, recording);
    let length = recording.metadata().ok()?.len();
    bench.takes.iter().position(|take| {
        if inside.as_ref().is_some_and(|file| *file == take.file) {
            return true;
        }
        match &take.sha256 {
            Some(sha256) => sha256 == hash,
            None => {
                let path = bench.path_of(take);
                let same_length = path.metadata().is_ok_and(|m| m.len() == length);
                same_length && sha256(&path).is_ok_and(|h| h == hash)
            }
        }
    })
}

/// The path below the bench, with `/`; `None` if the file lies outside.
fn relative_to(dir: &Path, file: &Path) -> Option<String> {
    let inside = file.canonicalize().ok()?.strip_prefix(dir.canonicalize().ok()?).ok()?.to_owned();
    let text = inside.to_str()?;
    names::path_inside(text)?;
    Some(text.replace('\\', "/"))
}

/// `takes/BUILD-SETTING-N.wav` with the first N that is free in bench.toml and on disk.
fn free_name(bench: &Bench, request: &Request) -> String {
    let words = [request.build.as_deref(), request.setting.as_deref()];
    let mut parts: Vec<String> = words.into_iter().flatten().map(names::safe_file_name).collect();
    if let Some(kind) = request.kind.filter(|k| *k != TakeKind::Programme) {
        parts.push(kind.word().to_owned());
    }
    let stem = names::safe_file_name(&parts.join("-"));
    let ending = request.recording.extension().map(|e| e.to_string_lossy().to_lowercase());
    let ending = ending.filter(|e| e.bytes().all(|b| b.is_ascii_alphanumeric())).unwrap_or("wav".to_owned());
    let taken = |file: &str| {
        bench.takes.iter().any(|t| t.file.to_lowercase() == file.to_lowercase())
            || bench.dir.join(file).symlink_metadata().is_ok()
    };
    (1u32..)
        .map(|n| format!("takes/{stem}-{n}.{ending}"))
        .find(|file| !taken(file))
        .unwrap_or_else(|| format!("takes/{stem}.{ending}"))
}

/// Copies beside and renames; the copy must have the hash of what was checked.
fn copy_in(from: &Path, dir: &Path, file: &str, hash: &str) -> Result<(), LogError> {
    let to = &crate::files::inside(dir, file).map_err(|e| file_error("write", &dir.join(file), e))?;
    let folder = to.parent().unwrap_or(to);
    std::fs::create_dir_all(folder).map_err(|e| file_error("make", folder, e))?;
    let mut source = File::open(from).map_err(|e| file_error("read", from, e))?;
    let mut copy = crate::files::beside(to).map_err(|e| file_error("write", to, e))?;
    io::copy(&mut source, &mut copy).map_err(|e| file_error("copy", from, e))?;
    if sha256(copy.path())? != hash {
        let changed = io::Error::other("it changed while it was read: wait until the recorder has closed it");
        return Err(file_error("copy", from, changed));
    }
    crate::files::put(copy, to).map_err(|e| file_error("write", to, e))
}

/// Writes the entry; its number, from 1.
fn enter(
    editor: &mut Editor,
    request: &Request,
    replaced: Option<usize>,
    file: &str,
    hash: &str,
) -> Result<usize, BenchError> {
    let keys = keys(request, file, hash);
    let Some(index) = replaced else {
        let given: Vec<_> = keys.into_iter().filter_map(|(key, value)| Some((key, value?))).collect();
        editor.add_take(&given)?;
        return Ok(editor.bench().takes.len());
    };
    let same = editor.bench().takes.get(index).is_some_and(|t| t.file == file);
    // Mending the entry of the same recording keeps what is not said anew; another recording
    // has its own mains voltage and notes.
    let changes: Vec<_> = keys.into_iter().filter(|(_, value)| value.is_some() || !same).collect();
    editor.change_take(index, &changes)?;
    Ok(index + 1)
}

/// Every key that `log` writes, in the order in which they are written.
fn keys(request: &Request, file: &str, hash: &str) -> Vec<(&'static str, Option<Value>)> {
    let text = |t: &Option<String>| t.as_deref().map(Value::from);
    let number = |n: Option<f64>| n.map(Value::from);
    vec![
        ("file", Some(file.into())),
        ("kind", request.kind.map(|k| k.word().into())),
        ("build", text(&request.build)),
        ("setting", text(&request.setting)),
        ("load_ohms", number(request.load_ohms)),
        ("mains_volts", number(request.mains_volts)),
        ("warm_up_minutes", number(request.warm_up_minutes)),
        ("quiet_condition", request.quiet_condition.map(|q| q.words().into())),
        ("order", request.order.map(|n| i64::from(n).into())),
        ("date", text(&request.date)),
        ("note", text(&request.note)),
        ("sha256", Some(hash.into())),
    ]
}
