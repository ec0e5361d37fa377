//! A file, read once: levels of every channel, markers, and the samples of the
//! channel that is measured. Memory follows the programme, not the file.

use std::path::Path;

use super::detect::{Detector, Hit};
use super::health::{self, Health};
use super::source::{Source, SourceError};
use super::take::{FindError, Take};
use super::tape::Tape;
use crate::finding::{Finding, Severity};
use crate::signals::Plan;

/// What to look for in a file.
#[derive(Debug, Clone, Copy)]
pub struct Ask<'a> {
    /// The channel to measure, from 1.
    pub channel: u32,
    /// The channel that holds the drive itself, from 1.
    pub drive_channel: Option<u32>,
    /// The plans that may have been played, likeliest first.
    pub plans: &'a [Plan],
}

/// What a file holds.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// Sample rate in Hz.
    pub rate_hz: f64,
    /// Frames in the file.
    pub frames: u64,
    /// What its samples show, every channel's level among it; its findings are in `findings`.
    pub health: health::Report,
    /// What was seen in the file and its samples.
    pub findings: Vec<Finding>,
    /// Takes of known plans, in order of time; empty if no marker was found.
    pub takes: Vec<Take>,
    /// Without markers: the samples (of a very long file, its end).
    pub plain: Option<Tape>,
}

/// Why a file cannot be measured.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// It cannot be read, or is no recording that serves.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// It belongs to another plan.
    #[error("{file}: {why}")]
    Find {
        /// The file.
        file: String,
        /// Why.
        why: FindError,
    },
    /// There is no such channel.
    #[error("{file}: channel {asked} was asked for, the file has {there}")]
    Channel {
        /// The file.
        file: String,
        /// The channel asked for, from 1.
        asked: u32,
        /// How many there are.
        there: usize,
    },
    /// There is not one sample in it.
    #[error("{file}: holds no audio: 0 frames")]
    Empty {
        /// The file.
        file: String,
    },
    /// The channel holds values that are no numbers.
    #[error(
        "{file}: {count} sample{} of channel {channel} {} not a number or infinite, first at frame {first}; \
         nothing can be measured from them: record or export it again",
        if *count == 1 { "" } else { "s" },
        if *count == 1 { "is" } else { "are" }
    )]
    NotNumbers {
        /// The file.
        file: String,
        /// The channel, from 1.
        channel: u32,
        /// How many.
        count: u64,
        /// Frame of the first.
        first: u64,
    },
}

/// Recordings are kept whole up to the programme's length and this much more.
const SPARE_SECONDS: f64 = 45.0;

/// Reads a recording.
///
/// # Errors
/// [`ReadError`].
pub fn read(path: &Path, ask: &Ask<'_>) -> Result<Recorded, ReadError> {
    of_source(&mut Source::open(path)?, path, ask)
}

/// Reads a recording and takes its SHA-256 meanwhile.
///
/// # Errors
/// [`ReadError`].
pub fn read_hashed(path: &Path, ask: &Ask<'_>) -> Result<(Recorded, Option<String>), ReadError> {
    let mut source = Source::open_hashed(path)?;
    let recorded = of_source(&mut source, path, ask)?;
    Ok((recorded, source.sha256()))
}

fn of_source(source: &mut Source, path: &Path, ask: &Ask<'_>) -> Result<Recorded, ReadError> {
    let file = source.name().to_owned();
    let there = source.channels();
    let channel = match usize::try_from(ask.channel).ok().and_then(|c| c.checked_sub(1)) {
        Some(channel) if channel < there => channel,
        _ => return Err(ReadError::Channel { file, asked: ask.channel, there }),
    };
    let rate_hz = f64::from(source.rate_hz());
    let longest = ask.plans.iter().map(|p| p.length_seconds).fold(60.0, f64::max);
    let mut tape = Tape::keeping(((longest + SPARE_SECONDS) * rate_hz) as usize);
    // What a header claims counts only as far as the file is long, and the tape keeps only so much.
    let bytes = std::fs::metadata(path).map_or(0, |about| about.len());
    tape.expect(source.frames().unwrap_or(0).min(bytes));
    let drive = ask.drive_channel.map(|c| (c, (c as usize).checked_sub(1).filter(|d| *d < there)));
    let mut drive_tape = drive.and_then(|d| d.1).map(|_| tape.clone());
    let mut detector = Detector::new(rate_hz);
    let mut health = Health::of(source);
    let mut block = Vec::new();
    let mut ours: Vec<f32> = Vec::new();
    loop {
        let frames = source.read(&mut block)?;
        if frames == 0 {
            break;
        }
        health.feed(&block, source.code_bits());
        ours.clear();
        ours.extend(block.chunks_exact(there).map(|frame| frame[channel] as f32));
        detector.feed(&ours);
        tape.push(ours.iter().copied());
        if let (Some(tape), Some((_, Some(drive)))) = (&mut drive_tape, drive) {
            tape.push(block.chunks_exact(there).map(|frame| frame[drive] as f32));
        }
    }
    let health = health.finish(channel, source.code_bits());
    if health.frames == 0 {
        return Err(ReadError::Empty { file });
    }
    if let Some(&Some((count, first))) = health.not_finite.get(channel) {
        return Err(ReadError::NotNumbers { file, channel: ask.channel, count, first });
    }
    let hits = detector.finish();
    let mut findings = source.findings();
    findings.extend(health.findings.iter().cloned());
    let mut takes =
        takes_of(path, channel, &mut tape, &hits, ask, rate_hz, &mut findings).map_err(|e| e.named(&file))?;
    if let Some((number, drive)) = drive {
        put_drive(path, number, drive, drive_tape, &mut takes)?;
    }
    let plain = takes.is_empty().then(|| {
        tape.settle(false);
        tape
    });
    Ok(Recorded { rate_hz, frames: health.frames, health, findings, takes, plain })
}

/// A fault that does not know its file yet.
enum Fault {
    Find(FindError),
    Source(SourceError),
}

impl Fault {
    fn named(self, file: &str) -> ReadError {
        match self {
            Self::Find(why) => ReadError::Find { file: file.to_owned(), why },
            Self::Source(error) => ReadError::Source(error),
        }
    }
}

/// The takes in a recording, one for each start marker or whatever is left of one.
fn takes_of(
    path: &Path,
    channel: usize,
    tape: &mut Tape,
    hits: &[Hit],
    ask: &Ask<'_>,
    rate_hz: f64,
    findings: &mut Vec<Finding>,
) -> Result<Vec<Take>, Fault> {
    let groups = split(hits);
    let mut takes = Vec::new();
    for group in &groups {
        let longest = ask.plans.iter().map(|p| p.length_seconds).fold(1.0, f64::max);
        let (Some(first), Some(last)) = (group.first(), group.last()) else { continue };
        let from = ((first.frame - (longest + 2.0) * rate_hz).max(0.0)) as u64;
        let to = (last.frame + (longest + 2.0) * rate_hz) as u64;
        // Most recordings are on the tape already; parts of long ones are read again.
        let here = if groups.len() == 1 && tape.first_frame() <= from {
            std::mem::take(tape)
        } else {
            again(path, channel, from, to).map_err(Fault::Source)?
        };
        let take = match Take::find(here, rate_hz, group, ask.plans) {
            Ok(take) => take,
            // Another programme beside ours is no reason to refuse ours.
            Err(_) if groups.len() > 1 => continue,
            Err(error) => return Err(Fault::Find(error)),
        };
        takes.extend(take);
    }
    if takes.len() > 1 {
        findings.push(Finding::new(
            "several_takes",
            Severity::Note,
            format!("the recording holds {} takes, one after the other", takes.len()),
            "each is measured by itself",
            "log each from a file of its own if they are of different builds",
        ));
    }
    Ok(takes)
}

/// Gives each take the samples of the drive's channel.
fn put_drive(
    path: &Path,
    number: u32,
    channel: Option<usize>,
    tape: Option<Tape>,
    takes: &mut [Take],
) -> Result<(), SourceError> {
    let mut whole = tape;
    let alone = takes.len() == 1;
    for take in takes {
        let (from, to) = (take.tape.first_frame(), take.tape.end_frame());
        let mut drive = match channel {
            None => None,
            // What was read beside the take is on the tape already.
            Some(_) if alone && whole.as_ref().is_some_and(|t| t.first_frame() <= from) => whole.take(),
            Some(channel) => Some(again(path, channel, from, to)?),
        };
        if let Some(tape) = &mut drive {
            tape.settle(false);
        }
        take.drive = Some((number, drive));
    }
    Ok(())
}

/// Markers of one take each: a new one begins with every start marker.
fn split(hits: &[Hit]) -> Vec<Vec<Hit>> {
    use super::detect::SURE;
    use crate::signals::Code;
    let mut groups: Vec<Vec<Hit>> = Vec::new();
    for hit in hits {
        let starts = hit.rho >= SURE && matches!(hit.code, Code::UpDown | Code::UpUp);
        match groups.last_mut() {
            Some(group) if !starts => group.push(*hit),
            _ => groups.push(vec![*hit]),
        }
    }
    groups
}

/// One channel of a part of the file, read anew.
fn again(path: &Path, channel: usize, from: u64, to: u64) -> Result<Tape, SourceError> {
    let mut source = Source::open(path)?;
    let there = source.channels();
    // Of many takes in one file each is gone to, so that their number costs no more than they are long.
    let mut at = source.skip_to(from);
    let mut tape = Tape::keeping(usize::try_from(to - from).unwrap_or(usize::MAX)).beginning(at);
    let mut block = Vec::new();
    while at < to {
        let frames = source.read(&mut block)?;
        if frames == 0 {
            break;
        }
        let keep = usize::try_from(to - at).unwrap_or(usize::MAX);
        tape.push(block.chunks_exact(there).take(keep).map(|frame| frame[channel] as f32));
        at += frames as u64;
    }
    Ok(tape)
}
