//! Our own streaming reader of WAVE files: RIFF, RIFX, RF64, BW64 and Wave64.
//!
//! Chunks are walked, never searched for; every size in a header is a claim that is held against
//! the length of the file; whatever is unusual becomes a finding. Memory is one fixed block.
//! (Tag and sub-format numbers: RFC 2361 and the published WAVEFORMATEXTENSIBLE; RF64: EBU Tech
//! 3306; BW64: ITU-R BS.2088. What recorders really write: common practice, no source.)

mod coding;
mod extent;
mod fmt;
mod justify;
mod rough;
mod walk;

use std::io::{self, Read, Seek, SeekFrom};

use super::source::{BLOCK_BYTES, BLOCK_FRAMES, Fault};
use crate::finding::{Finding, Severity};
pub use coding::CodeBits;
use fmt::Format;
pub use walk::Family;

/// A source of bytes of known length.
pub(super) struct Bytes<R> {
    reader: R,
    len: u64,
}

impl<R: Read + Seek> Bytes<R> {
    pub(super) fn new(mut reader: R) -> io::Result<Self> {
        let len = reader.seek(SeekFrom::End(0))?;
        Ok(Self { reader, len })
    }

    pub(super) fn len(&self) -> u64 {
        self.len
    }

    /// Reads at `position` until `buffer` is full or the file ends; returns how much was read.
    pub(super) fn read_at(&mut self, position: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.reader.seek(SeekFrom::Start(position))?;
        self.read_on(buffer)
    }

    fn read_on(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut filled = 0;
        while let Some(rest) = buffer.get_mut(filled..).filter(|rest| !rest.is_empty()) {
            match self.reader.read(rest) {
                Ok(0) => break,
                Ok(n) => filled += n,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(filled)
    }

    /// An array read at `position`, or `None` if the file ends before its end.
    fn array<const N: usize>(&mut self, position: u64) -> io::Result<Option<[u8; N]>> {
        let mut array = [0; N];
        Ok((self.read_at(position, &mut array)? == N).then_some(array))
    }

    pub(super) fn into_inner(self) -> R {
        self.reader
    }
}

/// A WAVE file, read block by block.
pub struct WavReader<R> {
    bytes: Bytes<R>,
    format: Format,
    /// Whole frames from here on.
    next_frame: u64,
    frames: u64,
    data_start: u64,
    seen_bits: u32,
    findings: Vec<Finding>,
    buffer: Vec<u8>,
}

impl<R: Read + Seek> WavReader<R> {
    /// Walks the chunks of the file whose first header stands at `start`.
    ///
    /// # Errors
    /// The chunk or field at fault, the reason, and the offending value.
    pub(super) fn open(mut bytes: Bytes<R>, start: u64, family: Family) -> Result<Self, Fault> {
        let walk::Walk { fmt, data, mut findings } = walk::walk(&mut bytes, start, family)?;
        let (mut format, remarks) = fmt::parse(&fmt, family == Family::Rifx)?;
        findings.extend(remarks);
        let block = u64::from(format.block_bytes);
        let (frames, left_over) = (data.length / block, data.length % block);
        if frames == 0 {
            return Err(Fault::at("data", format!("no audio: the chunk holds {} bytes", data.length)));
        }
        if left_over > 0 {
            findings.push(Finding::new(
                "partial_frame",
                Severity::Note,
                format!(
                    "the data chunk is not a whole number of frames: {left_over} byte{} left over",
                    if left_over == 1 { "" } else { "s" }
                ),
                "the last, incomplete frame is left out; no figure suffers",
                "nothing, if the recording is complete otherwise",
            ));
        }
        justify::settle(&mut bytes, &mut format, data.start, frames, &mut findings)?;
        findings.extend(rough::look(&mut bytes, &format, data.start, frames)?);
        Ok(Self {
            bytes,
            format,
            next_frame: 0,
            frames,
            data_start: data.start,
            seen_bits: 0,
            findings,
            buffer: Vec::new(),
        })
    }

    /// Frames per second.
    #[must_use]
    pub fn rate_hz(&self) -> u32 {
        self.format.rate_hz
    }

    /// Channels.
    #[must_use]
    pub fn channels(&self) -> usize {
        usize::from(self.format.channels)
    }

    /// Whole frames that the file holds.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The coding for people: "24-bit", "32-bit float".
    #[must_use]
    pub fn coding(&self) -> String {
        self.format.words()
    }

    /// Findings so far.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// Which bits of the integer codes were ever set, as read so far; `None` for float.
    #[must_use]
    pub fn code_bits(&self) -> Option<CodeBits> {
        self.format
            .is_integer()
            .then_some(CodeBits { declared: self.format.valid_bits, seen: self.seen_bits })
    }

    /// Goes on at this frame, or at the end if there are not so many.
    pub fn skip_to(&mut self, frame: u64) {
        self.next_frame = frame.min(self.frames);
    }

    /// The next block, interleaved; returns its number of frames, 0 at the end.
    ///
    /// # Errors
    /// What the operating system says when reading fails.
    pub fn read(&mut self, block: &mut Vec<f64>) -> io::Result<usize> {
        block.clear();
        let frame_bytes = self.format.block_bytes as usize;
        let most = (BLOCK_BYTES / frame_bytes).clamp(1, BLOCK_FRAMES);
        let frames = usize::try_from(self.frames - self.next_frame).unwrap_or(most).min(most);
        if frames == 0 {
            return Ok(0);
        }
        self.buffer.resize(frames * frame_bytes, 0);
        let position = self.data_start + self.next_frame * frame_bytes as u64;
        let got = self.bytes.read_at(position, &mut self.buffer)? / frame_bytes;
        if got < frames {
            self.findings.push(shrunk(self.next_frame + got as u64, self.frames, self.format.rate_hz));
            self.frames = self.next_frame + got as u64;
        }
        let whole = self.buffer.get(..got * frame_bytes).unwrap_or_default();
        self.seen_bits |= self.format.coding.decode(whole, block);
        self.next_frame += got as u64;
        Ok(got)
    }
}

fn shrunk(read: u64, expected: u64, rate_hz: u32) -> Finding {
    Finding::new(
        "file_cut_short",
        Severity::Limit,
        format!("the file ended at frame {read} of {expected} while it was read"),
        "what follows is missing",
        "wait until the recorder has closed the file, then try again",
    )
    .at(read as f64 / f64::from(rate_hz))
}
