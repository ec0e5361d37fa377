//! A pair: read, aligned, matched, written.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::align::{self, Alignment, Between};
use super::{ListenError, loudness};
use crate::figure::{Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::measure::Plans;
use crate::takes::source::{self, Source};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/listening/1";
/// Most frames that are held: ten minutes at 48 kHz.
const MOST_FRAMES: usize = 28_800_000;
/// Length of the fades at both ends, seconds: no click, and no cue by the room before the first note.
const FADE_SECONDS: f64 = 0.02;
/// Shortest pair, seconds.
const SHORTEST_SECONDS: f64 = 1.0;

/// One channel of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Its file, for messages.
    pub file: String,
    /// Samples re full scale.
    pub samples: Vec<f32>,
    /// Frames a second.
    pub rate_hz: u32,
    /// SHA-256 of the file, where it came from one.
    pub sha256: Option<String>,
}

/// A finished pair, as it is printed and written as JSON.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    /// [`SCHEMA`].
    pub schema: String,
    /// Both files, the reference first.
    pub files: Vec<FileOut>,
    /// How much later the second recording began to hear the playing, seconds.
    pub lag: Quantity,
    /// Clock of the second recording re the first, ppm.
    pub clock_drift: Quantity,
    /// The second was turned over to have the first's sign.
    pub turned_over: bool,
    /// How alike the two are where they were laid on each other: normalised correlation, 0 to 1.
    pub similarity: Quantity,
    /// Loudness of both files, LUFS.
    pub target: f64,
    /// Length of both files.
    pub seconds: f64,
    /// What should be known.
    pub findings: Vec<Finding>,
}

/// One file of a pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileOut {
    /// The build.
    pub build: String,
    /// The recording it was made from.
    pub recording: String,
    /// SHA-256 of that recording.
    pub sha256: Option<String>,
    /// The file written, where it was.
    pub written: Option<String>,
    /// Gain applied, dB.
    pub gain: Quantity,
    /// Loudness of the recording's part, before the gain, LUFS.
    pub loudness_before: f64,
    /// Loudness of the written file, measured again, LUFS.
    pub loudness: f64,
}

/// Reads one channel (from 1) of a recording.
///
/// # Errors
/// Not readable, no such channel, or longer than can be held.
pub fn read(path: &Path, channel: u32) -> Result<Sound, ListenError> {
    let mut source = Source::open(path)?;
    let (channels, rate_hz, file) = (source.channels(), source.rate_hz(), source.name().to_owned());
    let at = usize::try_from(channel).unwrap_or(0).wrapping_sub(1);
    if at >= channels {
        return Err(ListenError::Channel { file, asked: channel, there: channels });
    }
    let mut samples = Vec::new();
    let mut block = Vec::new();
    while source.read(&mut block)? > 0 {
        // What is no number is silence here; `check` tells of it.
        let one = block.iter().skip(at).step_by(channels);
        samples.extend(one.map(|v| if v.is_finite() { *v as f32 } else { 0.0 }));
        if samples.len() > MOST_FRAMES {
            let limit_seconds = MOST_FRAMES as f64 / f64::from(rate_hz);
            return Err(ListenError::TooLong { file, limit_seconds });
        }
    }
    let sha256 = source::sha256(path).ok();
    Ok(Sound { file, samples, rate_hz, sha256 })
}

/// Lays `b` on `a` and matches their loudness; `builds` names them. Gives the document and both sounds.
///
/// # Errors
/// Different rates, silence, too little in common, or not the same playing.
pub fn make(builds: [&str; 2], a: &Sound, b: &Sound) -> Result<(Pair, [Vec<f32>; 2]), ListenError> {
    if a.rate_hz != b.rate_hz {
        return Err(ListenError::Rates { a_hz: a.rate_hz, b_hz: b.rate_hz });
    }
    for sound in [a, b] {
        if loudness::integrated(&sound.samples, sound.rate_hz).is_none() {
            let what = "nothing to hear: silent, or shorter than 0.4 s";
            return Err(ListenError::Silent { file: sound.file.clone(), what });
        }
    }
    let rate = f64::from(a.rate_hz);
    let alignment = align::align(&a.samples, &b.samples, rate, &mut Plans::default())?;
    let mut parts = common_part(a, b, &alignment)?;
    let rate_hz = a.rate_hz;
    let mut before = [0.0; 2];
    for ((part, sound), loud) in parts.iter_mut().zip([a, b]).zip(&mut before) {
        fade(part, (FADE_SECONDS * rate) as usize);
        let what = "nothing to hear in the part that both recordings hold";
        *loud = loudness::integrated(part, rate_hz)
            .ok_or_else(|| ListenError::Silent { file: sound.file.clone(), what })?;
    }
    let peak = |part: &[f32]| part.iter().fold(0.0f64, |peak, v| peak.max(f64::from(v.abs())));
    let gains = loudness::gains(before, [peak(&parts[0]), peak(&parts[1])]);
    let mut after = before;
    for ((part, gain), loud) in parts.iter_mut().zip(gains).zip(&mut after) {
        let factor = 10f64.powf(gain / 20.0);
        part.iter_mut().for_each(|v| *v = (f64::from(*v) * factor) as f32);
        *loud = loudness::integrated(part, rate_hz).unwrap_or(*loud + gain);
    }
    let file = |i: usize, sound: &Sound| FileOut {
        build: builds.get(i).copied().unwrap_or_default().to_owned(),
        recording: sound.file.clone(),
        sha256: sound.sha256.clone(),
        written: None,
        gain: Quantity::new(gains.get(i).copied().unwrap_or(0.0), Unit::Decibels),
        loudness_before: before.get(i).copied().unwrap_or(f64::NEG_INFINITY),
        loudness: after.get(i).copied().unwrap_or(f64::NEG_INFINITY),
    };
    let pair = Pair {
        schema: SCHEMA.to_owned(),
        files: vec![file(0, a), file(1, b)],
        lag: Quantity::new(alignment.lag_frames / rate, Unit::Seconds),
        clock_drift: Quantity::new(1e6 * alignment.drift, Unit::PartsPerMillion),
        turned_over: alignment.sign < 0.0,
        similarity: Quantity::new(alignment.similarity, Unit::One),
        target: loudness::TARGET_LUFS + (gains[0] - (loudness::TARGET_LUFS - before[0])),
        seconds: parts[0].len() as f64 / rate,
        findings: findings(&alignment, after),
    };
    Ok((pair, parts))
}

fn findings(alignment: &Alignment, loudness: [f64; 2]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let apart = (loudness[1] - loudness[0]).abs();
    if apart > loudness::WITHIN_LU {
        findings.push(Finding::new(
            "not_matched",
            Severity::Limit,
            format!("the two files' loudness differs by {apart:.2} LU after the gains"),
            "the louder one may be preferred for that alone",
            "use a longer piece without long rests",
        ));
    }
    let (on, looked) = alignment.windows;
    if 2 * on < looked {
        findings.push(Finding::new(
            "loose_alignment",
            Severity::Note,
            format!("{on} of {looked} places agree on one lag"),
            "the two may run apart by some milliseconds in places",
            "use a piece with clear attacks, and record without dropouts",
        ));
    }
    findings
}

/// The stretch that both recordings hold, on the first's clock and with the first's sign.
fn common_part(a: &Sound, b: &Sound, alignment: &Alignment) -> Result<[Vec<f32>; 2], ListenError> {
    let length = b.samples.len() as f64;
    let first = (-alignment.lag_frames / (1.0 + alignment.drift)).ceil().max(0.0);
    let last = ((length - 1.0 - alignment.lag_frames) / (1.0 + alignment.drift)).floor();
    let last = last.min(a.samples.len() as f64 - 1.0);
    if last - first < SHORTEST_SECONDS * f64::from(a.rate_hz) {
        return Err(ListenError::Silent {
            file: b.file.clone(),
            what: "it has less than a second in common with the other recording",
        });
    }
    let (first, last) = (first as usize, last as usize);
    let own = a.samples.get(first..=last).unwrap_or_default().to_vec();
    let between = Between::default();
    let other = (first..=last)
        .map(|frame| (alignment.sign * between.at(&b.samples, alignment.place(frame as f64))) as f32)
        .collect();
    Ok([own, other])
}

fn fade(samples: &mut [f32], frames: usize) {
    let frames = frames.min(samples.len() / 2);
    let share =
        |k: usize| (0.5 - 0.5 * (std::f64::consts::PI * (k as f64 + 0.5) / frames as f64).cos()) as f32;
    samples.iter_mut().take(frames).enumerate().for_each(|(k, v)| *v *= share(k));
    samples.iter_mut().rev().take(frames).enumerate().for_each(|(k, v)| *v *= share(k));
}

/// Writes one channel as a 24-bit WAV file, beside its place and renamed.
///
/// # Errors
/// What the folder or disk refuses.
pub fn write(path: &Path, samples: &[f32], rate_hz: u32) -> Result<(), ListenError> {
    let at = |source| ListenError::Write { path: path.to_owned(), source };
    let wav = |source| ListenError::Wav { path: path.to_owned(), source };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(at)?;
    }
    let file = crate::files::beside(path).map_err(at)?;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(std::io::BufWriter::new(file.as_file()), spec).map_err(wav)?;
    for sample in samples {
        // Full scale is 2²³; peaks lie 3 dB under it.
        let code = (f64::from(*sample) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0);
        writer.write_sample(code as i32).map_err(wav)?;
    }
    writer.finalize().map_err(wav)?;
    crate::files::put(file, path).map_err(at)
}
