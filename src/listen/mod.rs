//! Listening pairs: two recordings of the same playing, laid on each other in time and
//! matched in loudness; and blind sets of them.
//!
//! ```text
//! two recordings ──► align (lag, drift, sign) ──► loudness (BS.1770) ──► WAV pair ──► coded set, key ──► tally
//! ```
//!
//! # Documents
//! `twinload/listening/1` ([`Pair`]): `files[] {build, recording, sha256, written, gain, loudness}`, `lag`,
//! `clock_drift`, `turned_over`, `similarity`, `target`, `seconds`, `findings[]`. The key of a coded set is
//! `twinload/listening-key/1` ([`coded::Key`]), its answers a CSV with the columns `trial,answer`.

pub mod align;
pub mod coded;
pub mod loudness;
mod pair;
pub mod tally;

pub use pair::{FileOut, Pair, SCHEMA, Sound, make, read, write};

/// Why there is no listening pair.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ListenError {
    /// A recording cannot be read.
    #[error(transparent)]
    Source(#[from] crate::takes::SourceError),
    /// It has no such channel.
    #[error("{file}: channel {asked} was asked for, the file has {there}; set `channel` in bench.toml")]
    Channel {
        /// The file.
        file: String,
        /// From 1.
        asked: u32,
        /// How many there are.
        there: usize,
    },
    /// Too long to be held.
    #[error(
        "{file}: longer than {limit_seconds:.0} s at this sample rate; cut both recordings to the part to be heard"
    )]
    TooLong {
        /// The file.
        file: String,
        /// The longest that is taken.
        limit_seconds: f64,
    },
    /// The two files' rates differ.
    #[error("the recordings have {a_hz} Hz and {b_hz} Hz; record both at one rate")]
    Rates {
        /// The first.
        a_hz: u32,
        /// The second.
        b_hz: u32,
    },
    /// Nothing to hear.
    #[error("{file}: {what}")]
    Silent {
        /// The file.
        file: String,
        /// Too short, or silent.
        what: &'static str,
    },
    /// Not the same playing.
    #[error(
        "the two recordings do not hold the same playing: at best they are alike by {similarity:.2} of 1 in \
         {windows} places ({need:.2} is asked for); play one WAV through both builds"
    )]
    NotTheSame {
        /// Median of the best correlations.
        similarity: f64,
        /// Places looked at.
        windows: usize,
        /// The least that serves.
        need: f64,
    },
    /// A file could not be written.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// The file.
        path: std::path::PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A WAV file could not be put together.
    #[error("cannot write {}: {source}", path.display())]
    Wav {
        /// The file.
        path: std::path::PathBuf,
        /// Why.
        source: hound::Error,
    },
    /// A key or an answer is not what it should be.
    #[error("{file}: {what}")]
    Coded {
        /// The file.
        file: String,
        /// What is wrong, and what to do.
        what: String,
    },
}
