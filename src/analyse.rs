//! From recordings to the analysis document: read, find, cut, measure.

mod silences;

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::analysis::{Analysis, Figures, RecordingKind, SCHEMA, TakeAnalysis};
use crate::bench::{Bench, TakeEntry, TakeKind};
use crate::bench::{level, plausible};
use crate::figure::{Curves, Unit};
use crate::finding::{Finding, Fitness, Severity};
use crate::measure::drive::Driven;
use crate::measure::pair;
use crate::measure::plain::{self, Plain};
use crate::measure::rise;
use crate::measure::{self, Loopback, Plans, quiet, tone_figures};
use crate::signals::{Choices, Plan, Signal};
use crate::takes::tape::Tape;
use crate::takes::{self, Ask, ReadError, Scale, Take, health};

/// Why an analysis could not begin.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AnalyseError {
    /// A recording cannot be measured.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// plan.json cannot be read.
    #[error("{path}: {why}")]
    Plan {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
}

/// How a single recording is to be measured.
#[derive(Debug, Clone)]
pub struct Options {
    /// The channel, from 1.
    pub channel: u32,
    /// The channel that holds the drive itself, from 1.
    pub drive_channel: Option<u32>,
    /// Plans that may have been played; the built-in ones if empty.
    pub plans: Vec<Plan>,
    /// A recording of the interface's output straight in its input, which helps to judge.
    pub loopback: Option<PathBuf>,
}

impl Default for Options {
    fn default() -> Self {
        Self { channel: 1, drive_channel: None, plans: Vec::new(), loopback: None }
    }
}

impl Options {
    /// The plans that may have been played: the built-in ones where none is named.
    pub(crate) fn known_plans(&self) -> Cow<'_, [Plan]> {
        if self.plans.is_empty() { Cow::Owned(built_in_plans()) } else { Cow::Borrowed(&self.plans) }
    }
}

/// The plans that need no plan.json.
#[must_use]
pub fn built_in_plans() -> Vec<Plan> {
    let choices = Choices::default();
    vec![Plan::programme(&choices), Plan::level_check(&choices), Plan::short(&choices)]
}

/// Reads a plan.json.
///
/// # Errors
/// Not there, not a plan, or one that cannot be so.
pub fn read_plan(path: &Path) -> Result<Plan, AnalyseError> {
    let fault = |why: String| AnalyseError::Plan { path: path.to_owned(), why };
    let text = std::fs::read(path).map_err(|e| fault(e.to_string()))?;
    let plan: Plan = serde_json::from_slice(&text).map_err(|e| fault(e.to_string()))?;
    plan.validate().map_err(|e| fault(e.to_string()))?;
    Ok(plan)
}

/// Plans that a bench's recordings may be of: its own programme (the built-in one if none was written) and
/// its level check.
///
/// # Errors
/// When the bench's plan.json is damaged.
pub fn plans_of(bench_dir: &Path) -> Result<Vec<Plan>, AnalyseError> {
    let path = bench_dir.join("test-signals").join("plan.json");
    if !path.exists() {
        return Ok(built_in_plans());
    }
    let plan = read_plan(&path)?;
    let check = Plan::level_check(&Choices { top_dbfs: plan.top_dbfs, ..Choices::default() });
    Ok(vec![plan, check])
}

/// Measures one recording outside any bench: one entry for each take in it.
///
/// # Errors
/// [`ReadError`], one line each.
pub fn file(path: &Path, options: &Options) -> Result<Vec<TakeAnalysis>, AnalyseError> {
    one_file(path, options, Depth::Figures)
}

/// Reads one recording as far as its health needs: findings, fitness and what is struck out, but of the figures
/// of a programme only those that a finding rests on.
///
/// # Errors
/// [`ReadError`], one line each.
pub fn health_of_file(path: &Path, options: &Options) -> Result<Vec<TakeAnalysis>, AnalyseError> {
    one_file(path, options, Depth::Health)
}

fn one_file(path: &Path, options: &Options, depth: Depth) -> Result<Vec<TakeAnalysis>, AnalyseError> {
    let plans = options.known_plans();
    let ask = Ask { channel: options.channel, drive_channel: options.drive_channel, plans: &plans };
    Ok(recording(path, &ask, &|_| Scale::default(), &Aim { of_quiet: false, interface: None, depth })?)
}

/// Measures every take of a bench that is in use. A take that fails has its reason in it and leaves the others alone.
///
/// # Errors
/// Only what concerns all takes: a damaged plan.json.
pub fn bench(bench: &Bench) -> Result<Analysis, AnalyseError> {
    let plans = plans_of(&bench.dir)?;
    let loopback = loopback_of(bench, &plans);
    let takes: Vec<Vec<TakeAnalysis>> = bench
        .takes
        .par_iter()
        .enumerate()
        .map(|(at, entry)| bench_take(bench, &plans, loopback.as_ref(), at, entry))
        .collect();
    let mut takes: Vec<TakeAnalysis> = takes.into_iter().flatten().collect();
    measure::impedance::put(&mut takes, bench.rig.load_ohms);
    let both_ends =
        bench.rig.load_full_scale_volts().is_some() && bench.rig.output_full_scale_volts.is_some();
    takes.iter_mut().for_each(|take| put_unusual(take, both_ends));
    let hum_origins = silences::origins(bench, &takes);
    Ok(Analysis {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        bench: Some(bench.title.clone()),
        takes,
        hum_origins,
    })
}

/// What the bench's loopback tells of the interface: `[rig] loopback`, or the first take of that kind. `Err` says
/// why it tells nothing.
fn loopback_of(bench: &Bench, plans: &[Plan]) -> Option<Result<Loopback, Finding>> {
    let of_kind = || bench.takes.iter().find(|t| t.used && t.kind == TakeKind::Loopback).map(|t| &t.file);
    let file = bench.rig.loopback.as_ref().or_else(of_kind)?;
    let ask = Ask { channel: bench.channel(), drive_channel: None, plans };
    let entry = bench.takes.iter().find(|t| t.file == *file);
    let path = bench.dir.join(file);
    let why = match takes::read::read_hashed(&path, &ask) {
        Ok((recorded, sha256)) => {
            let changed = entry.and_then(|entry| changed(bench, entry, sha256.as_deref()));
            match (changed, recorded.takes.first()) {
                (Some(why), _) => why,
                (None, Some(take)) => return Some(Ok(Loopback::of(take, &mut Plans::default()))),
                (None, None) => "no markers of this bench's programme were found in it".to_owned(),
            }
        }
        Err(error) => error.to_string(),
    };
    Some(Err(loopback_not_used(Path::new(file), &why)))
}

/// A loopback that tells nothing.
pub(crate) fn loopback_not_used(file: &Path, why: &str) -> Finding {
    Finding::new(
        "loopback_not_used",
        Severity::Note,
        format!("the loopback {} could not be used: {why}", takes::shown::path(file)),
        "the interface's own response and distortion stay in the figures",
        "record the programme with the interface's output straight into its input, at the level of the takes",
    )
}

fn bench_take(
    bench: &Bench,
    plans: &[Plan],
    loopback: Option<&Result<Loopback, Finding>>,
    at: usize,
    entry: &TakeEntry,
) -> Vec<TakeAnalysis> {
    // A listening take is music: it is for the ears, not for the figures.
    if !entry.used || entry.kind == TakeKind::Listening {
        return Vec::new();
    }
    let of_programme = entry.kind == TakeKind::Programme;
    let drive_channel = bench.rig.drive_channel.filter(|_| of_programme);
    let ask = Ask { channel: bench.channel(), drive_channel, plans };
    let scale = |top_dbfs: f64| bench.scale_of(entry, top_dbfs);
    let of_quiet = entry.kind == TakeKind::Quiet;
    let of_loopback = entry.kind == TakeKind::Loopback;
    let interface = loopback.and_then(|l| l.as_ref().ok());
    // What is wrong with the loop concerns every take; that it is none, only the others.
    let about_loop = match loopback {
        Some(Ok(own)) if !of_quiet => own.findings(),
        Some(Err(finding)) if entry.kind == TakeKind::Programme => vec![finding.clone()],
        _ => Vec::new(),
    };
    // A loopback divided by itself would tell nothing.
    let interface = interface.filter(|_| entry.kind == TakeKind::Programme);
    let aim = Aim { of_quiet, interface, depth: Depth::Figures };
    let mut takes = match recording(&bench.path_of(entry), &ask, &scale, &aim) {
        Ok(takes) => takes,
        Err(error) => vec![TakeAnalysis { failure: Some(error.to_string()), ..empty(&entry.file) }],
    };
    for take in &mut takes {
        if let Some(why) = changed(bench, entry, take.sha256.as_deref()) {
            // Its figures would stand under a name and remarks that belong to another recording.
            let shell = TakeAnalysis { failure: Some(why), ..empty(&entry.file) };
            *take = TakeAnalysis { sha256: take.sha256.take(), ..shell };
        }
        if of_loopback {
            // It is the drive itself, and should be.
            take.findings.retain(|f| f.code != "channel_is_drive");
        }
        if take.failure.is_none() {
            take.findings.extend(about_loop.iter().cloned());
            take.fitness = Fitness::of(&take.findings);
        }
        let of_programme = matches!(take.kind, RecordingKind::Programme | RecordingKind::Segment);
        if take.failure.is_none() && !of_programme && !of_quiet {
            take.failure = Some(format!(
                "{}: no markers of this bench's programme {:04x} were found: was another file played, the wrong \
                 channel recorded, or the level too low? Give it to twinload check",
                takes::shown::path(Path::new(&entry.file)),
                plans.first().map_or(0, Plan::identity),
            ));
            take.fitness = Fitness::Redo;
        }
        take.file.clone_from(&entry.file);
        take.build.clone_from(&entry.build);
        take.setting.clone_from(&entry.setting);
        take.repeat = bench.repeat_of(at);
        take.load_ohms = bench.load_ohms_of(entry);
    }
    takes
}

/// Why the file is no longer what was logged, by the fingerprint noted then; `None`: it is, or none was noted.
fn changed(bench: &Bench, entry: &TakeEntry, sha256: Option<&str>) -> Option<String> {
    let (logged, found) = (entry.sha256.as_deref()?, sha256?);
    (logged != found).then(|| {
        let file = takes::shown::path(Path::new(&entry.file));
        let number = bench.takes.iter().take_while(|t| t.file != entry.file).count() + 1;
        format!(
            "{file} is no longer the recording that was logged (its SHA-256 differs): put that recording back, or, \
             if this one is meant, log it anew: twinload log DIR DIR/{file} --replace {number}"
        )
    })
}

/// Figures of a build that are unusual for a valve guitar amp (design §11); a part of a programme, a silence and a
/// wire have none that could be.
fn put_unusual(take: &mut TakeAnalysis, both_ends: bool) {
    if take.kind != RecordingKind::Programme || take.build.is_none() || take.failure.is_some() {
        return;
    }
    let drive = take.figures.get("drive_at_top").is_some_and(|q| q.unit == Unit::Volts);
    // Without volts at both ends it is no gain of the amp.
    let is_known = |name: &str| name != "gain" || both_ends || drive;
    let unusual =
        take.figures.quantities.iter().filter(|(name, _)| is_known(name)).filter_map(|(name, quantity)| {
            let value = quantity.value?;
            plausible::of_figure(name, value, quantity.unit, take.load_ohms)
        });
    let unusual: Vec<Finding> = unusual.collect();
    take.findings.extend(unusual);
}

/// How far a recording is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Depth {
    /// All that it holds.
    Figures,
    /// What findings rest on.
    Health,
}

/// What is wanted of a recording.
struct Aim<'a> {
    /// It was recorded as a silence, so that what has no markers is measured for noise and hum.
    of_quiet: bool,
    interface: Option<&'a Loopback>,
    depth: Depth,
}

/// Measures one file; `scale` tells what its samples mean, given the plan's top.
fn recording(
    path: &Path,
    ask: &Ask<'_>,
    scale: &dyn Fn(f64) -> Scale,
    aim: &Aim<'_>,
) -> Result<Vec<TakeAnalysis>, ReadError> {
    let (recorded, sha256) = takes::read::read_hashed(path, ask)?;
    let mut base = empty(&takes::shown::path(path));
    base.sha256 = sha256;
    base.rate = Some(recorded.rate_hz);
    base.seconds = Some(recorded.frames as f64 / recorded.rate_hz);
    base.channel = Some(ask.channel);
    base.channels.clone_from(&recorded.health.levels);
    base.findings.clone_from(&recorded.findings);
    base.failure = None;
    let mut plans = Plans::default();
    let of =
        |take: &Take, plans: &mut Plans| of_take(base.clone(), take, &recorded.health, scale, aim, plans);
    let mut all: Vec<TakeAnalysis> = recorded.takes.iter().map(|take| of(take, &mut plans)).collect();
    if let Some(tape) = &recorded.plain {
        all.push(if aim.of_quiet {
            of_silence(base, tape, recorded.rate_hz, &scale(0.0), &mut plans)
        } else {
            of_plain(base, tape, recorded.rate_hz, &scale(0.0), &mut plans)
        });
    }
    for take in &mut all {
        let measured = take.channels.get(ask.channel as usize - 1);
        // The answer to a level check says how far to turn the input; two numbers for that would be one too many.
        let is_answered = take.findings.iter().any(|f| f.code == "level_to_set");
        if take.kind != RecordingKind::Other && !is_answered {
            take.findings.extend(health::programme::level(measured.and_then(|m| m.peak.value)));
        }
        take.fitness = Fitness::of(&take.findings);
    }
    Ok(all)
}

/// A channel over this carries something (AES17 dBFS).
pub(crate) const LIVE_DBFS: f64 = -60.0;

fn of_take(
    mut entry: TakeAnalysis,
    take: &Take,
    health: &health::Report,
    scale: &dyn Fn(f64) -> Scale,
    aim: &Aim<'_>,
    plans: &mut Plans,
) -> TakeAnalysis {
    entry.kind = match (&take.plan, take.plan.part) {
        (plan, _) if plan.name == "level check" => RecordingKind::LevelCheck,
        (_, 0) => RecordingKind::Programme,
        _ => RecordingKind::Segment,
    };
    entry.plan = take.identity.map(|id| id.words());
    entry.clock_drift = Some(measure::clock_drift(take));
    entry.polarity = Some(take.polarity);
    // The plan has its own silence before the first chirps.
    entry.findings.retain(|finding| finding.code != "leading_silence");
    entry.findings.extend(take.findings.iter().cloned());
    if take.findings.iter().any(|finding| finding.code == takes::START_MISSING) {
        // Where anything stands is a guess: nothing is measured by it.
        entry.kind = RecordingKind::Other;
        return entry;
    }
    let channel = entry.channel.map_or(0, |c| c as usize - 1);
    let judged = health::programme::judge(take, health, channel, plans);
    let mut scale = scale(take.plan.top_dbfs);
    let driven = Driven::of(take, plans);
    let recorded = driven.as_ref().and_then(|d| d.as_ref().ok()?.volts_at_top(&scale));
    let calibrated = scale;
    scale.drive_volts_at_top = recorded.or(scale.drive_volts_at_top);
    let mut measured = match aim.depth {
        Depth::Figures => measure::take_without(take, &scale, aim.interface, &judged.struck, plans),
        Depth::Health => measure::for_health(take, &scale, &judged.struck, plans),
    };
    match driven {
        Some(Ok(driven)) => driven.put(&mut measured, &calibrated),
        Some(Err(silent)) => measured.findings.push(silent),
        None => {}
    }
    entry.findings.extend(judged.findings);
    health::programme::weigh_clipping(&mut entry.findings, take, &judged.struck, health, channel);
    entry.findings.extend(health::gain::riding(&measured.curves));
    let others_live =
        entry.channels.iter().filter(|c| c.level.value.is_some_and(|l| l > LIVE_DBFS)).count() > 1;
    if others_live {
        entry.findings.extend(health::gain::wire(&measured.curves, entry.channel.unwrap_or(1)));
    }
    entry.figures = measured.figures;
    entry.curves = measured.curves;
    entry.findings.extend(measured.findings);
    entry.struck.extend(measured.struck);
    for finding in entry.findings.iter_mut().filter(|f| f.segment.is_none()) {
        let here = finding.at_seconds.and_then(|at| health::programme::segment_at(take, at));
        finding.segment = here.map(str::to_owned);
    }
    for segment in take.plan.segments.iter().filter(|s| matches!(s.signal, Signal::Rise { .. })) {
        let points = take.cut(segment).map(|cut| rise::points(segment, &cut, plans)).unwrap_or_default();
        if let Some(answer) = level::answer(&points) {
            entry.findings.push(answer.finding().in_segment(&segment.id));
            entry.curves.insert("rise".to_owned(), rise::curve(&points));
        }
    }
    entry
}

fn of_plain(
    mut entry: TakeAnalysis,
    tape: &Tape,
    rate_hz: f64,
    scale: &Scale,
    plans: &mut Plans,
) -> TakeAnalysis {
    let samples = tape.all();
    let mut hum = None;
    match plain::measure(samples, rate_hz, plans) {
        Plain::Tone(tone) => {
            entry.kind = RecordingKind::Tone;
            tone_figures::put(&mut entry.figures, &tone, rate_hz, scale);
            hum = plain::may_be_hum(tone.frequency_hz);
        }
        Plain::TwoTones(omegas) => {
            entry.kind = RecordingKind::TwoTones;
            let cut = plain::cut(plain::middle(plain::steady(samples, rate_hz), rate_hz), rate_hz);
            let frequencies_hz = omegas.map(|omega| omega * rate_hz / std::f64::consts::TAU);
            hum = plain::may_be_hum(frequencies_hz[0]);
            match pair::measure(&cut, frequencies_hz, None, plans) {
                Ok(pair) => {
                    entry.figures.products = pair::products(&pair, scale);
                    entry.figures.intermodulation.push(pair::intermodulation(&pair, None));
                    entry.curves.insert("products".to_owned(), pair::products_curve(&pair));
                }
                Err(error) => entry.failure = Some(format!("{}: {error}", entry.file)),
            }
        }
        Plain::None => entry.kind = RecordingKind::Other,
    }
    // Where there is nothing at all, it is no news that there is no tone.
    if Fitness::of(&entry.findings) == Fitness::Redo && entry.kind != RecordingKind::Tone {
        return entry;
    }
    let mut said = health::tone::inspect(samples, rate_hz, tape.first_frame(), plans);
    // A programme by a wrong rate looks like a tone that moves.
    let restless = entry.kind == RecordingKind::Other || !said.is_empty();
    if restless && let Some(label) = health::programme::rate_label(samples, rate_hz) {
        entry.kind = RecordingKind::Other;
        entry.figures = Figures::default();
        entry.curves.clear();
        // The plan has its own silence before the first chirps.
        entry.findings.retain(|finding| finding.code != "leading_silence");
        entry.findings.push(label);
        return entry;
    }
    let no_tone = |finding: &Finding| finding.code == "no_steady_tone";
    match entry.kind {
        RecordingKind::TwoTones => said.retain(|finding| !no_tone(finding)),
        RecordingKind::Other if said.iter().any(no_tone) => {
            let level = entry.channels.get(entry.channel.map_or(0, |c| c as usize - 1));
            said = vec![health::tone::nothing(level.and_then(|l| l.level.value))];
        }
        _ => {}
    }
    entry.findings.extend(said);
    entry.findings.extend(hum);
    entry
}

/// A recording of a silence: noise and hum of all of it, up to the length that the programme's quiet has.
fn of_silence(
    mut entry: TakeAnalysis,
    tape: &Tape,
    rate_hz: f64,
    scale: &Scale,
    plans: &mut Plans,
) -> TakeAnalysis {
    entry.kind = RecordingKind::Quiet;
    let cut = plain::cut(tape.all(), rate_hz);
    match quiet::measure(&quiet::usable(&cut, cut.seconds()), scale.expected_mains_hz(), plans) {
        Ok(quiet) => {
            quiet::put(&mut entry.figures, &quiet, scale);
            entry.curves.insert("noise_spectrum".to_owned(), quiet::noise_curve(&quiet, scale));
        }
        Err(error) => entry.failure = Some(format!("{}: {error}", entry.file)),
    }
    entry
}

/// An entry of which nothing is known yet.
fn empty(file: &str) -> TakeAnalysis {
    TakeAnalysis {
        file: file.to_owned(),
        sha256: None,
        build: None,
        setting: None,
        repeat: None,
        load_ohms: None,
        kind: RecordingKind::Other,
        plan: None,
        rate: None,
        seconds: None,
        channel: None,
        fitness: Fitness::Redo,
        failure: Some("not measured".to_owned()),
        findings: Vec::new(),
        struck: Vec::new(),
        clock_drift: None,
        polarity: None,
        channels: Vec::new(),
        figures: Figures::default(),
        curves: Curves::new(),
    }
}
