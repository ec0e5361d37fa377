//! One door for all recordings: a file is opened, named for what it is, and read block by block.
//!
//! WAVE in all its forms is read by [`super::wav`], FLAC and AIFF by `takes/packed.rs`; whatever
//! cannot serve a measurement is refused in one line that names file, place, reason and value.

use std::fs;
use std::io::{self, Read, Seek};
use std::ops::RangeInclusive;
use std::path::Path;

use super::foreign::{self, Kind};
use super::hashed::Hashed;
use super::packed::PackedReader;
use super::shown;
use super::wav::{Bytes, CodeBits, WavReader};
use crate::finding::Finding;

/// Most frames in a block.
pub const BLOCK_FRAMES: usize = 16_384;
/// Most bytes read at once; with many channels a block holds fewer frames.
pub(super) const BLOCK_BYTES: usize = 1 << 18;
/// Most channels that are read: more than any interface has, few enough to check each against each.
pub const MOST_CHANNELS: usize = 64;
/// Sample rates that are read: below, no test signal fits; above, no recorder is known (from memory).
pub const RATES_HZ: RangeInclusive<u32> = 4_000..=1_536_000;

/// Why a recording cannot be read: one line, safe to print.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SourceError {
    /// The operating system does not give it, or it is not a regular file.
    #[error("{file}: {reason}")]
    Unreadable {
        /// The file, escaped.
        file: String,
        /// Why.
        reason: String,
    },
    /// It is readable, but not a recording in a form that is read.
    #[error("{file}: {reason}")]
    NotARecording {
        /// The file, escaped.
        file: String,
        /// What it is instead.
        reason: String,
    },
    /// Its header contradicts itself or lacks something.
    #[error("{file}: {at}: {reason}")]
    Malformed {
        /// The file, escaped.
        file: String,
        /// Chunk or field at fault.
        at: String,
        /// What is wrong, with the value.
        reason: String,
    },
    /// It is lawful, but its coding does not serve a distortion measurement.
    #[error("{file}: {at}: {reason}")]
    Unfit {
        /// The file, escaped.
        file: String,
        /// Chunk or field that says so.
        at: String,
        /// The coding and why it does not serve.
        reason: String,
    },
}

/// A fault without the name of its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Fault {
    Io(String),
    Foreign(String),
    Malformed { at: String, reason: String },
    Unfit { at: String, reason: String },
}

impl Fault {
    pub(super) fn at(at: &str, reason: String) -> Self {
        Self::Malformed { at: at.to_owned(), reason }
    }

    pub(super) fn unfit(at: &str, reason: String) -> Self {
        Self::Unfit { at: at.to_owned(), reason }
    }

    pub(super) fn io(error: &io::Error) -> Self {
        Self::Io(io_words(error))
    }

    fn of(self, file: &str) -> SourceError {
        let file = file.to_owned();
        match self {
            Self::Io(reason) => SourceError::Unreadable { file, reason },
            Self::Foreign(reason) => SourceError::NotARecording { file, reason },
            Self::Malformed { at, reason } => SourceError::Malformed { file, at, reason },
            Self::Unfit { at, reason } => SourceError::Unfit { file, at, reason },
        }
    }
}

/// Bytes that can be read from any place: a file, or a buffer in tests.
pub trait Input: Read + Seek + Send + Sync {}
impl<T: Read + Seek + Send + Sync> Input for T {}

/// A recording, read block by block in fixed memory.
pub struct Source {
    file: String,
    form: &'static str,
    reader: Reader,
    findings: Vec<Finding>,
    hashed: Option<Hashed>,
}

enum Reader {
    Wav(Box<WavReader<Box<dyn Input>>>),
    Packed(Box<PackedReader>),
}

impl Source {
    /// Opens a recording.
    ///
    /// # Errors
    /// One line naming the file, the chunk or field, the reason and the value. What is not a
    /// regular file is named for what it is, and never waited for.
    pub fn open(path: &Path) -> Result<Self, SourceError> {
        let file = shown::path(path);
        let input = open_regular(path).map_err(|fault| fault.of(&file))?;
        Self::from_reader(&file, Box::new(input))
    }

    /// Opens a recording so that its fingerprint can be asked for, [`Source::sha256`], without reading it twice.
    ///
    /// # Errors
    /// As for [`Source::open`].
    pub fn open_hashed(path: &Path) -> Result<Self, SourceError> {
        let input = Hashed::new(open_regular(path).map_err(|fault| fault.of(&shown::path(path)))?);
        let hashed = Some(input.clone());
        let file = shown::path(path);
        let source = Self::begin(file.clone(), Box::new(input)).map_err(|fault| fault.of(&file))?;
        Ok(Self { hashed, ..source })
    }

    /// The same as [`Source::open`] for bytes from anywhere; `name` is only used in messages and is escaped.
    ///
    /// # Errors
    /// As for [`Source::open`].
    pub fn from_reader(name: &str, input: Box<dyn Input>) -> Result<Self, SourceError> {
        let file = shown::bytes(name.as_bytes());
        Self::begin(file.clone(), input).map_err(|fault| fault.of(&file))
    }

    fn begin(file: String, input: Box<dyn Input>) -> Result<Self, Fault> {
        let mut bytes = Bytes::new(input).map_err(|error| Fault::io(&error))?;
        let (reader, form, findings) = match foreign::kind(&mut bytes)? {
            Kind::Wave { start, family, findings } => {
                let reader = WavReader::open(bytes, start, family)?;
                (Reader::Wav(Box::new(reader)), family.words(), findings)
            }
            Kind::Flac { start, findings } => {
                (Reader::Packed(Box::new(PackedReader::flac(bytes, start)?)), "FLAC", findings)
            }
            Kind::Aiff => (Reader::Packed(Box::new(PackedReader::aiff(bytes)?)), "AIFF", Vec::new()),
        };
        Ok(Self { file, form, reader, findings, hashed: None })
    }

    /// The file's name, escaped for one line.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.file
    }

    /// What it is, for people: "WAV, 24-bit".
    #[must_use]
    pub fn description(&self) -> String {
        let coding = match &self.reader {
            Reader::Wav(wav) => wav.coding(),
            Reader::Packed(packed) => packed.coding(),
        };
        format!("{}, {coding}", self.form)
    }

    /// Frames per second, as the header says; within [`RATES_HZ`].
    #[must_use]
    pub fn rate_hz(&self) -> u32 {
        match &self.reader {
            Reader::Wav(wav) => wav.rate_hz(),
            Reader::Packed(packed) => packed.rate_hz(),
        }
    }

    /// Channels, 1 to [`MOST_CHANNELS`].
    #[must_use]
    pub fn channels(&self) -> usize {
        match &self.reader {
            Reader::Wav(wav) => wav.channels(),
            Reader::Packed(packed) => packed.channels(),
        }
    }

    /// Frames in all, as far as known before they are read. Not a measure to reserve memory by.
    #[must_use]
    pub fn frames(&self) -> Option<u64> {
        match &self.reader {
            Reader::Wav(wav) => Some(wav.frames()),
            Reader::Packed(packed) => packed.frames(),
        }
    }

    /// Reads the next block of at most [`BLOCK_FRAMES`] frames, interleaved, in units of full
    /// scale: integers over 2^(bits − 1), floats as they stand (they may exceed 1 or not be
    /// numbers). Returns the number of frames; 0 is the end.
    ///
    /// # Errors
    /// When the operating system cannot read on. Damage in a file is a finding, not an error.
    pub fn read(&mut self, block: &mut Vec<f64>) -> Result<usize, SourceError> {
        match &mut self.reader {
            Reader::Wav(wav) => wav.read(block).map_err(|error| Fault::io(&error).of(&self.file)),
            Reader::Packed(packed) => Ok(packed.read(block)),
        }
    }

    /// Goes on at `frame`, or before it where what lies between must be read to get there; returns where that is.
    pub fn skip_to(&mut self, frame: u64) -> u64 {
        match &mut self.reader {
            Reader::Wav(wav) => {
                wav.skip_to(frame);
                frame.min(wav.frames())
            }
            Reader::Packed(_) => 0,
        }
    }

    /// What was unusual in header, layout and coding; complete after the last read.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let more = match &self.reader {
            Reader::Wav(wav) => wav.findings(),
            Reader::Packed(packed) => packed.findings(),
        };
        self.findings.iter().chain(more).cloned().collect()
    }

    /// SHA-256 of the whole file in lower-case hexadecimal, of the bytes that were read; nothing can be read after it.
    /// `None` if the source was not opened by [`Source::open_hashed`] or what was skipped cannot be read.
    #[must_use]
    pub fn sha256(self) -> Option<String> {
        self.hashed?.sha256().ok()
    }

    /// Which bits of the integer codes were ever set, in what was read so far; `None` for float.
    #[must_use]
    pub fn code_bits(&self) -> Option<CodeBits> {
        match &self.reader {
            Reader::Wav(wav) => wav.code_bits(),
            Reader::Packed(packed) => packed.code_bits(),
        }
    }
}

/// SHA-256 of a file in lower-case hexadecimal, read in fixed memory.
///
/// # Errors
/// As for [`Source::open`], where the file cannot be read.
pub fn sha256(path: &Path) -> Result<String, SourceError> {
    let file = shown::path(path);
    let input = open_regular(path).map_err(|fault| fault.of(&file))?;
    Hashed::new(input).sha256().map_err(|error| Fault::io(&error).of(&file))
}

/// Opens a file only after its kind is known: opening a pipe nobody writes to would wait for ever.
fn open_regular(path: &Path) -> Result<fs::File, Fault> {
    let about = fs::metadata(path).map_err(|error| Fault::Io(missing_words(path, &error)))?;
    if !about.is_file() {
        return Err(Fault::Io(format!("is {}, not a regular file", kind_words(about.file_type()))));
    }
    fs::File::open(path).map_err(|error| Fault::io(&error))
}

fn missing_words(path: &Path, error: &io::Error) -> String {
    let reason = io_words(error);
    match fs::read_link(path) {
        Ok(target) if error.kind() == io::ErrorKind::NotFound => {
            format!("is a link to {}, which does not exist", shown::path(&target))
        }
        Ok(target) => format!("is a link to {} that cannot be followed: {reason}", shown::path(&target)),
        Err(_) => reason,
    }
}

/// What the operating system says, without its number.
fn io_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "does not exist".to_owned(),
        io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
        io::ErrorKind::NotADirectory => "a part of its path is not a directory".to_owned(),
        _ => {
            let words = error.to_string();
            let bare = words.split(" (os error").next().unwrap_or(&words);
            format!("cannot be read: {}", shown::bytes(bare.as_bytes()))
        }
    }
}

#[cfg(unix)]
fn kind_words(kind: fs::FileType) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    match kind {
        kind if kind.is_dir() => "a directory",
        kind if kind.is_fifo() => "a named pipe",
        kind if kind.is_socket() => "a socket",
        kind if kind.is_char_device() => "a character device",
        kind if kind.is_block_device() => "a block device",
        _ => "something of an unknown kind",
    }
}

#[cfg(not(unix))]
fn kind_words(kind: fs::FileType) -> &'static str {
    if kind.is_dir() { "a directory" } else { "something of an unknown kind" }
}
