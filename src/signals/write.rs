//! Test signals as WAV files.

use std::path::{Path, PathBuf};

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::identity::Identity;
use super::plan::{Choices, Plan, Signal};
use super::render::Player;

/// Sample rates that test signals are made at.
pub const RATES_HZ: [u32; 5] = [44_100, 48_000, 88_200, 96_000, 192_000];

/// Calibration tone: 25 Hz from every line of 50 and 60 Hz mains, and low enough for any meter (design §12).
pub const CALIBRATION_HZ: f64 = 275.0;
/// Length of the calibration tone.
pub const CALIBRATION_SECONDS: f64 = 60.0;
/// Level of the calibration tone, dB re top.
pub const CALIBRATION_DB: f64 = -20.0;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// 16-bit integers, dithered.
    Int16,
    /// 24-bit integers, dithered.
    Int24,
    /// 32-bit float.
    Float32,
}

/// Form of the files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Form {
    /// Sample rate.
    pub rate_hz: u32,
    /// Bits.
    pub depth: Depth,
    /// 1, or 2 for the same on both channels.
    pub channels: u16,
}

impl Default for Form {
    fn default() -> Self {
        Self { rate_hz: 48_000, depth: Depth::Int24, channels: 1 }
    }
}

/// Why a signal could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The file system said no.
    #[error("cannot write {path}")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The WAV writer said no.
    #[error("cannot write {path}")]
    Wav {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: hound::Error,
    },
    /// A rate that is not offered.
    #[error("--rate: {0} Hz is not offered; take one of 44100, 48000, 88200, 96000, 192000")]
    Rate(u32),
    /// A plan.json for something else lies there, and takes may have been made with it.
    #[error(
        "{path} belongs to another programme ({found}, this one is {wanted}); takes made with it could no longer \
         be measured. Move it away, or say --replace"
    )]
    OtherPlan {
        /// The file.
        path: PathBuf,
        /// Identity of the plan that lies there.
        found: String,
        /// Identity of the plan to be written.
        wanted: String,
    },
}

/// Writes all test signals of `plan` and `plan.json` into `dir` and says what was written, in order.
///
/// # Errors
/// [`WriteError`]; files already written stay, none is half-written.
pub fn write_all(
    dir: &Path,
    plan: &Plan,
    choices: &Choices,
    form: Form,
    replace: bool,
) -> Result<Vec<PathBuf>, WriteError> {
    if !RATES_HZ.contains(&form.rate_hz) {
        return Err(WriteError::Rate(form.rate_hz));
    }
    let plan_path = dir.join("plan.json");
    if !replace {
        refuse_other_plan(&plan_path, plan)?;
    }
    std::fs::create_dir_all(dir).map_err(|source| WriteError::Io { path: dir.to_owned(), source })?;
    let text = serde_json::to_vec_pretty(plan)
        .map_err(|e| WriteError::Io { path: plan_path.clone(), source: std::io::Error::other(e) })?;
    crate::files::write(&plan_path, &text)
        .map_err(|source| WriteError::Io { path: plan_path.clone(), source })?;
    let mut written = vec![plan_path];
    let mut keep = |name: String, plan: &Plan, identity: Identity| {
        let path = dir.join(name);
        write_plan(&path, plan, identity, form).map(|()| written.push(path))
    };
    let identity = plan.identity();
    keep("programme.wav".to_owned(), plan, Identity { plan: identity, part: 0 })?;
    let check = Plan::level_check(choices);
    keep("level-check.wav".to_owned(), &check, Identity { plan: check.identity(), part: 0 })?;
    for index in 0..plan.segments.len() {
        let Some(part) = plan.part(index) else { continue };
        let name = format!("segment-{:02}-{}.wav", index + 1, plan.segments[index].id.replace('_', "-"));
        keep(name, &part, Identity { plan: identity, part: part.part })?;
    }
    let path = dir.join("calibration-tone.wav");
    write_calibration_tone(&path, choices, form)?;
    written.push(path);
    Ok(written)
}

fn refuse_other_plan(path: &Path, plan: &Plan) -> Result<(), WriteError> {
    let Ok(text) = std::fs::read(path) else { return Ok(()) };
    let found = serde_json::from_slice::<Plan>(&text).ok().map(|p| p.identity());
    if found == Some(plan.identity()) {
        return Ok(());
    }
    let found = found.map_or_else(|| "unreadable".to_owned(), |id| format!("{id:04x}"));
    Err(WriteError::OtherPlan { path: path.to_owned(), found, wanted: format!("{:04x}", plan.identity()) })
}

/// Writes one plan as a WAV file.
///
/// # Errors
/// [`WriteError`].
pub fn write_plan(path: &Path, plan: &Plan, identity: Identity, form: Form) -> Result<(), WriteError> {
    let frames = (plan.length_seconds * f64::from(form.rate_hz)).round() as usize;
    let player = Player::new(plan, identity);
    write_wav(path, form, frames, |block, first| {
        player.fill(block, first as f64 / f64::from(form.rate_hz), 1.0 / f64::from(form.rate_hz));
    })
}

fn write_calibration_tone(path: &Path, choices: &Choices, form: Form) -> Result<(), WriteError> {
    // A plan without markers: nothing but a tone, so that it can be looped and read on a meter at once.
    let signal = Signal::Tone { frequency_hz: CALIBRATION_HZ, level_db: CALIBRATION_DB };
    let plan = Plan {
        markers: Vec::new(),
        segments: vec![super::plan::Segment {
            id: "calibration".to_owned(),
            start_seconds: 0.0,
            length_seconds: CALIBRATION_SECONDS,
            signal,
        }],
        length_seconds: CALIBRATION_SECONDS,
        ..Plan::level_check(choices)
    };
    let player = Player::silent_identity(&plan);
    let frames = (CALIBRATION_SECONDS * f64::from(form.rate_hz)).round() as usize;
    write_wav(path, form, frames, |block, first| {
        player.fill(block, first as f64 / f64::from(form.rate_hz), 1.0 / f64::from(form.rate_hz));
    })
}

const BLOCK_FRAMES: usize = 1 << 16;

/// Writes `frames` frames, the same on every channel, dithered; `fill(block, first_frame)` gives the values.
///
/// # Errors
/// [`WriteError`].
pub fn write_wav(
    path: &Path,
    form: Form,
    frames: usize,
    mut fill: impl FnMut(&mut [f64], usize),
) -> Result<(), WriteError> {
    let io = |source| WriteError::Io { path: path.to_owned(), source };
    let wav = |source| WriteError::Wav { path: path.to_owned(), source };
    let (bits_per_sample, sample_format) = match form.depth {
        Depth::Int16 => (16, hound::SampleFormat::Int),
        Depth::Int24 => (24, hound::SampleFormat::Int),
        Depth::Float32 => (32, hound::SampleFormat::Float),
    };
    let spec =
        hound::WavSpec { channels: form.channels, sample_rate: form.rate_hz, bits_per_sample, sample_format };
    let file = crate::files::beside(path).map_err(io)?;
    {
        let mut writer = hound::WavWriter::new(std::io::BufWriter::new(file.as_file()), spec).map_err(wav)?;
        let mut dither = Dither::new();
        let mut block = vec![0.0; BLOCK_FRAMES.min(frames)];
        let mut first = 0;
        while first < frames {
            let now = BLOCK_FRAMES.min(frames - first);
            fill(&mut block[..now], first);
            for &value in &block[..now] {
                // 24 bits of dither in a float file too, so that no converter mutes in the quiet segment.
                let (code, float) = dither.quantise(value, if form.depth == Depth::Int16 { 16 } else { 24 });
                for _ in 0..form.channels {
                    match form.depth {
                        Depth::Float32 => writer.write_sample(float as f32).map_err(wav)?,
                        _ => writer.write_sample(code).map_err(wav)?,
                    }
                }
            }
            first += now;
        }
        writer.finalize().map_err(wav)?;
    }
    crate::files::put(file, path).map_err(io)
}

/// Triangular dither of ±1 last bit, always the same.
pub struct Dither(ChaCha8Rng);

impl Dither {
    /// From the one seed that all signals use.
    #[must_use]
    pub fn new() -> Self {
        Self(ChaCha8Rng::seed_from_u64(0x7477_696e))
    }

    fn uniform(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 4_294_967_296.0
    }

    /// The code at this bit depth, and the value it stands for.
    pub fn quantise(&mut self, value: f64, bits: u32) -> (i32, f64) {
        let full = f64::from(1u32 << (bits - 1));
        let dithered = value * full + self.uniform() - self.uniform();
        let code = dithered.round().clamp(-full, full - 1.0);
        (code as i32, code / full)
    }
}

impl Default for Dither {
    fn default() -> Self {
        Self::new()
    }
}
