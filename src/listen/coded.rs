//! A blind set: trials under code names, the key apart from them.
//!
//! In each trial one file, X, is one of the pair, drawn by lot; the listener says
//! which. The lot comes from the recordings' fingerprints and a seed, so a set can be made
//! again, and nobody knows it without working it out. Trials are drawn one by one and not
//! balanced, since a listener who counts would gain from balance.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Name and version of the key's form.
pub const SCHEMA: &str = "twinload/listening-key/1";

/// Which of the pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Side {
    /// The file `a.wav`.
    A,
    /// The file `b.wav`.
    B,
}

impl Side {
    /// "A" or "B".
    #[must_use]
    pub fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// What is kept apart: which of the two each trial's X is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Key {
    /// [`SCHEMA`].
    pub schema: String,
    /// The builds behind A and B, by lot too: the listener does not know which build A is.
    pub builds: [String; 2],
    /// SHA-256 of both recordings, where known.
    pub recordings: [Option<String>; 2],
    /// The seed.
    pub seed: u64,
    /// X of every trial, trial 1 first.
    pub trials: Vec<Side>,
}

/// Draws a key of `trials` trials.
#[must_use]
pub fn draw(builds: [&str; 2], recordings: [Option<&str>; 2], trials: usize, seed: u64) -> Key {
    let mut hasher = Sha256::new();
    for part in recordings.iter().flatten().chain(&builds) {
        hasher.update(part.as_bytes());
        hasher.update([0]);
    }
    hasher.update(seed.to_le_bytes());
    let mut rng = ChaCha8Rng::from_seed(hasher.finalize().into());
    let mut lot = || if rng.next_u32() >> 31 == 0 { Side::A } else { Side::B };
    let (mut builds, mut recordings) = (builds.map(str::to_owned), recordings.map(|r| r.map(str::to_owned)));
    if lot() == Side::B {
        builds.reverse();
        recordings.reverse();
    }
    Key {
        schema: SCHEMA.to_owned(),
        builds,
        recordings,
        seed,
        trials: std::iter::repeat_with(lot).take(trials).collect(),
    }
}

/// Name of a trial's file: `trial-01-x.wav`.
#[must_use]
pub fn file_name(trial: usize) -> String {
    format!("trial-{trial:02}-x.wav")
}

/// An empty answer sheet: one line a trial.
#[must_use]
pub fn answer_sheet(trials: usize) -> String {
    let lines: String = (1..=trials).map(|t| format!("{t},\n")).collect();
    format!("trial,answer\n{lines}")
}
