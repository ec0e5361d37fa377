//! The check document: may these recordings be used, and if not, why (`twinload check`).

use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::analyse::{self, Options};
use crate::analysis::{ChannelLevel, RecordingKind, Strike, TakeAnalysis};
use crate::finding::{Finding, Fitness, Severity};
use crate::measure::Plans;
use crate::takes::health::helper;
use crate::takes::read::read;
use crate::takes::{Ask, shown};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/check/1";

/// What was seen in some recordings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Check {
    /// [`SCHEMA`].
    pub schema: String,
    /// Version of twinload that looked.
    pub version: String,
    /// One entry a file, in the order asked for.
    pub files: Vec<FileCheck>,
}

/// What was seen in one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileCheck {
    /// The file as the person named it, escaped.
    pub file: String,
    /// SHA-256 of the file, lower-case hexadecimal.
    pub sha256: Option<String>,
    /// Sample rate by its label, Hz.
    pub rate: Option<f64>,
    /// Length in seconds.
    pub seconds: Option<f64>,
    /// Level, peak and DC of every channel.
    pub channels: Vec<ChannelLevel>,
    /// The channel measured, from 1.
    pub channel: Option<u32>,
    /// What it is a recording of.
    pub kind: Option<RecordingKind>,
    /// Identity of the plan that was played.
    pub plan: Option<String>,
    /// May it be used?
    pub fitness: Fitness,
    /// Why it cannot be read or measured at all, if so.
    pub failure: Option<String>,
    /// What was seen, in order of weight, then of time.
    pub findings: Vec<Finding>,
    /// What is left out of the figures.
    pub struck: Vec<Strike>,
}

/// Checks recordings; one that cannot be read does not keep the others from it.
#[must_use]
pub fn check(files: &[PathBuf], options: &Options) -> Check {
    let of_loopback = of_loopback(options);
    Check {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        files: files.par_iter().map(|path| one(path, options, &of_loopback)).collect(),
    }
}

/// Checks one recording.
#[must_use]
pub fn file(path: &Path, options: &Options) -> FileCheck {
    one(path, options, &of_loopback(options))
}

/// Checks one recording, with what the loopback tells of all of them.
fn one(path: &Path, options: &Options, of_loopback: &[Finding]) -> FileCheck {
    let mut all = FileCheck {
        file: shown::path(path),
        sha256: None,
        rate: None,
        seconds: None,
        channels: Vec::new(),
        channel: None,
        kind: None,
        plan: None,
        fitness: Fitness::Redo,
        failure: None,
        findings: Vec::new(),
        struck: Vec::new(),
    };
    match analyse::health_of_file(path, options) {
        Err(error) => all.failure = Some(error.to_string()),
        Ok(takes) => {
            for take in takes {
                all.take(take);
            }
            of_other_channels(&mut all, path, options);
            all.findings.extend_from_slice(of_loopback);
            all.findings.sort_by(|a, b| {
                let time = |f: &Finding| f.at_seconds.unwrap_or(-1.0);
                b.severity.cmp(&a.severity).then(time(a).total_cmp(&time(b)))
            });
            all.fitness = if all.failure.is_some() { Fitness::Redo } else { Fitness::of(&all.findings) };
        }
    }
    all
}

/// Other channels that are looked at.
const MOST_OTHERS: usize = 3;

/// What another channel adds to what one channel tells.
fn of_other_channels(all: &mut FileCheck, path: &Path, options: &Options) {
    let mut plans = Plans::default();
    let known = options.known_plans();
    let live = |c: &&ChannelLevel| {
        Some(c.channel) != all.channel && c.level.value.is_some_and(|level| level > analyse::LIVE_DBFS)
    };
    let others: Vec<u32> = all.channels.iter().filter(live).map(|c| c.channel).take(MOST_OTHERS).collect();
    // Whatever bears our markers is in its place.
    let is_ours = matches!(
        all.kind,
        Some(RecordingKind::Programme | RecordingKind::Segment | RecordingKind::LevelCheck)
    );
    for other in others {
        let Ok(recorded) = read(path, &Ask { channel: other, plans: &known, drive_channel: None }) else {
            continue;
        };
        let Some(take) = recorded.takes.first() else { continue };
        if !is_ours {
            all.findings.retain(|f| f.code != "no_steady_tone");
            all.findings.push(helper::wrong_channel(options.channel, other));
            break;
        }
        if let Some(drive) = helper::Rising::of(take, &mut plans).filter(helper::Rising::is_drive) {
            all.findings.extend(drive.judge(&format!("the drive on channel {other}")));
        }
    }
}

/// What a loopback tells of the recorder, and so of every recording made with it.
fn of_loopback(options: &Options) -> Vec<Finding> {
    let Some(loopback) = &options.loopback else { return Vec::new() };
    let known = options.known_plans();
    let ask = Ask { channel: options.channel, plans: &known, drive_channel: None };
    let not_used = |why: &str| vec![analyse::loopback_not_used(loopback, why)];
    let recorded = match read(loopback, &ask) {
        Ok(recorded) => recorded,
        Err(error) => return not_used(&error.to_string()),
    };
    let Some(take) = recorded.takes.first() else { return not_used("no markers were found in it") };
    let rising = helper::Rising::of(take, &mut Plans::default());
    let mut said = rising.map_or_else(Vec::new, |rising| rising.judge("the loopback"));
    let clipped = recorded.findings.iter().find(|f| f.code == "clipped_input");
    said.extend(clipped.map(|clipped| {
        Finding::new(
            "loopback_overloaded",
            Severity::Note,
            format!("the loopback itself is clipped in the recorder: {}", clipped.saw),
            "where it clips it tells nothing of the takes, whose level need not do so",
            "record the loopback again at the level of the takes: turn down the input, or use a pad",
        )
    }));
    said
}

impl FileCheck {
    /// Takes over what one take of the file showed.
    fn take(&mut self, take: TakeAnalysis) {
        self.sha256 = take.sha256;
        self.rate = take.rate;
        self.seconds = take.seconds;
        self.channels = take.channels;
        self.channel = take.channel;
        self.kind = self.kind.or(Some(take.kind));
        self.plan = self.plan.take().or(take.plan);
        self.failure = self.failure.take().or(take.failure);
        for finding in take.findings {
            // What concerns the file stands in each of its takes.
            if !self.findings.contains(&finding) {
                self.findings.push(finding);
            }
        }
        self.struck.extend(take.struck);
    }

    /// Whether the recording need not be made again.
    #[must_use]
    pub fn is_usable(&self) -> bool {
        self.fitness != Fitness::Redo
    }
}
