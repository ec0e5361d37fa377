//! FLAC and AIFF, through the symphonia library, with the same findings.

use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::default::formats::{AiffReader, FlacReader};

use super::shown;
use super::source::{BLOCK_FRAMES, Fault, Input, MOST_CHANNELS, RATES_HZ};
use super::wav::{Bytes, CodeBits};
use crate::finding::{Finding, Severity};

/// The input as symphonia wants it, from `start` on.
struct Window {
    input: Box<dyn Input>,
    start: u64,
    len: u64,
}

impl Read for Window {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.input.read(buffer)
    }
}

impl Seek for Window {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let to = match to {
            SeekFrom::Start(at) => SeekFrom::Start(at.saturating_add(self.start)),
            other => other,
        };
        Ok(self.input.seek(to)?.saturating_sub(self.start))
    }
}

impl MediaSource for Window {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.len - self.start)
    }
}

/// A FLAC or AIFF file, read block by block.
pub(super) struct PackedReader {
    form: &'static str,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    rate_hz: u32,
    channels: usize,
    bits: Option<u16>,
    frames: Option<u64>,
    read: u64,
    seen_bits: u32,
    /// Decoded but not yet handed out; never more than one packet.
    rest: Vec<f64>,
    packet: Vec<f64>,
    ended: bool,
    findings: Vec<Finding>,
}

impl PackedReader {
    /// Opens FLAC that starts at `start`.
    pub(super) fn flac(bytes: Bytes<Box<dyn Input>>, start: u64) -> Result<Self, Fault> {
        let stream = stream(bytes, start)?;
        let reader = FlacReader::try_new(stream, FormatOptions::default()).map_err(|e| fault("FLAC", &e))?;
        Self::begin("FLAC", Box::new(reader))
    }

    /// Opens AIFF or AIFF-C.
    pub(super) fn aiff(mut bytes: Bytes<Box<dyn Input>>) -> Result<Self, Fault> {
        refuse_companded(&mut bytes)?;
        let stream = stream(bytes, 0)?;
        let reader = AiffReader::try_new(stream, FormatOptions::default()).map_err(|e| fault("AIFF", &e))?;
        Self::begin("AIFF", Box::new(reader))
    }

    fn begin(form: &'static str, format: Box<dyn FormatReader>) -> Result<Self, Fault> {
        let nothing = || Fault::at(form, "no audio".to_owned());
        let track = format.default_track(TrackType::Audio).ok_or_else(nothing)?;
        let params = track.codec_params.as_ref().and_then(|params| params.audio()).ok_or_else(nothing)?;
        let rate_hz = params.sample_rate.unwrap_or(0);
        if !RATES_HZ.contains(&rate_hz) {
            let reason = match rate_hz {
                0 => "sample rate is 0".to_owned(),
                rate => format!("sample rate is {} Hz", shown::count(rate.into())),
            };
            return Err(Fault::at(form, reason));
        }
        let channels = params.channels.as_ref().map_or(0, |channels| channels.count());
        if !(1..=MOST_CHANNELS).contains(&channels) {
            return Err(Fault::at(form, format!("{channels} channels, 1 to {MOST_CHANNELS} are read")));
        }
        let bits = params.bits_per_sample.and_then(|bits| u16::try_from(bits).ok());
        let frames = track.num_frames;
        let options = AudioDecoderOptions::default().verify(true);
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(params, &options)
            .map_err(|error| fault(form, &error))?;
        let track = track.id;
        let mut reader = Self {
            form,
            format,
            decoder,
            track,
            rate_hz,
            channels,
            bits,
            frames,
            read: 0,
            seen_bits: 0,
            rest: Vec::new(),
            packet: Vec::new(),
            ended: false,
            findings: Vec::new(),
        };
        // The first packet now, so that a file without audio is refused when it is opened.
        reader.fill(1);
        if reader.rest.is_empty() {
            return Err(Fault::at(form, "no audio".to_owned()));
        }
        Ok(reader)
    }

    pub(super) fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    pub(super) fn channels(&self) -> usize {
        self.channels
    }

    pub(super) fn frames(&self) -> Option<u64> {
        self.frames
    }

    pub(super) fn findings(&self) -> &[Finding] {
        &self.findings
    }

    pub(super) fn coding(&self) -> String {
        self.bits.map_or_else(|| "float".to_owned(), |bits| format!("{bits}-bit"))
    }

    pub(super) fn code_bits(&self) -> Option<CodeBits> {
        self.bits.map(|declared| CodeBits { declared, seen: self.seen_bits })
    }

    /// The next block, interleaved; returns its number of frames, 0 at the end.
    pub(super) fn read(&mut self, block: &mut Vec<f64>) -> usize {
        block.clear();
        let wanted = BLOCK_FRAMES * self.channels;
        self.fill(wanted);
        let taken = self.rest.len().min(wanted);
        block.extend(self.rest.drain(..taken));
        let frames = taken / self.channels;
        self.read += frames as u64;
        if frames == 0 {
            self.finish();
        }
        frames
    }

    /// Decodes until at least `wanted` samples are at hand or the stream ends.
    fn fill(&mut self, wanted: usize) {
        while !self.ended && self.rest.len() < wanted {
            let packet = match self.format.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => {
                    self.ended = true;
                    break;
                }
                Err(error) => {
                    self.damaged(&error);
                    break;
                }
            };
            if packet.track_id != self.track {
                continue;
            }
            match self.decoder.decode(&packet) {
                Ok(decoded) if decoded.num_planes() == self.channels => {
                    self.seen_bits |= codes_seen(&decoded);
                    decoded.copy_to_vec_interleaved(&mut self.packet);
                    self.rest.extend_from_slice(&self.packet);
                }
                Ok(decoded) => {
                    let planes = decoded.num_planes();
                    self.stopped(format!("the number of channels changes to {planes}"));
                }
                Err(error) => self.damaged(&error),
            }
        }
    }

    fn damaged(&mut self, error: &Error) {
        // A stream that ends early is told apart below by its length.
        let at_end = matches!(error, Error::IoError(e) if e.kind() == io::ErrorKind::UnexpectedEof);
        if at_end {
            self.ended = true;
        } else {
            self.stopped(words(error));
        }
    }

    fn stopped(&mut self, why: String) {
        self.ended = true;
        let at = self.read + (self.rest.len() / self.channels) as u64;
        self.findings.push(
            Finding::new(
                "stream_damaged",
                Severity::Redo,
                format!("the {} stream is damaged at frame {at}: {why}", self.form),
                "what follows cannot be read",
                "copy the file again from the recorder; if it is damaged there too, record again",
            )
            .at(at as f64 / f64::from(self.rate_hz)),
        );
    }

    fn finish(&mut self) {
        if let Some(expected) = self.frames.take_if(|expected| *expected > self.read) {
            self.frames = Some(self.read);
            self.findings.push(
                Finding::new(
                    "file_cut_short",
                    Severity::Limit,
                    format!("the header says {expected} frames, the file holds {}", self.read),
                    "the end of the recording is missing; what is there is read",
                    "copy the file again from the recorder; if it is short there too, record again",
                )
                .at(self.read as f64 / f64::from(self.rate_hz)),
            );
        } else if self.decoder.finalize().verify_ok == Some(false) {
            self.findings.push(Finding::new(
                "checksum_wrong",
                Severity::Redo,
                format!("the samples do not have the MD5 sum that the {} header gives", self.form),
                "some samples are not those that were recorded",
                "copy the file again from the recorder",
            ));
        }
    }
}

fn stream(bytes: Bytes<Box<dyn Input>>, start: u64) -> Result<MediaSourceStream<'static>, Fault> {
    let len = bytes.len();
    let mut window = Window { input: bytes.into_inner(), start, len };
    window.seek(SeekFrom::Start(0)).map_err(|error| Fault::io(&error))?;
    Ok(MediaSourceStream::new(Box::new(window), Default::default()))
}

/// OR of the integer codes, left-justified in 32 bits; 0 for float.
fn codes_seen(decoded: &GenericAudioBufferRef) -> u32 {
    use symphonia::core::audio::Audio;
    match decoded {
        GenericAudioBufferRef::S8(b) => b.iter_interleaved().fold(0, |s, v| s | (v as u8 as u32) << 24),
        GenericAudioBufferRef::S16(b) => b.iter_interleaved().fold(0, |s, v| s | (v as u16 as u32) << 16),
        GenericAudioBufferRef::S24(b) => b.iter_interleaved().fold(0, |s, v| s | (v.inner() as u32) << 8),
        GenericAudioBufferRef::S32(b) => b.iter_interleaved().fold(0, |s, v| s | v as u32),
        // Unsigned codes stand around the middle of their range.
        GenericAudioBufferRef::U8(b) => b.iter_interleaved().fold(0, |s, v| s | u32::from(v ^ 0x80) << 24),
        _ => 0,
    }
}

fn fault(form: &str, error: &Error) -> Fault {
    Fault::at(form, words(error))
}

fn words(error: &Error) -> String {
    match error {
        Error::IoError(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
            "the file ends before its audio begins".to_owned()
        }
        other => shown::bytes(other.to_string().as_bytes()),
    }
}

/// AIFF-C can hold companded and compressed audio; the library would decode some of it.
fn refuse_companded(bytes: &mut Bytes<Box<dyn Input>>) -> Result<(), Fault> {
    let mut at = 12;
    for _ in 0..1000 {
        let mut head = [0; 8];
        if bytes.read_at(at, &mut head).map_err(|error| Fault::io(&error))? < 8 {
            return Ok(());
        }
        let [a, b, c, d, size @ ..] = head;
        let size = u64::from(u32::from_be_bytes(size));
        if &[a, b, c, d] == b"COMM" {
            let mut kind = [0; 4];
            let got = if size >= 22 { bytes.read_at(at + 8 + 18, &mut kind) } else { Ok(0) };
            if got.map_err(|error| Fault::io(&error))? == 4 {
                let name = shown::bytes(&kind);
                kind.make_ascii_lowercase();
                return match &kind {
                    b"none" | b"twos" | b"sowt" | b"in24" | b"in32" | b"23ni" | b"fl32" | b"fl64"
                    | b"raw " => Ok(()),
                    b"alaw" | b"ulaw" => Err(Fault::unfit(
                        "COMM",
                        format!("companded audio (AIFF-C {name:?}) is not fit for distortion figures"),
                    )),
                    _ => Err(Fault::unfit("COMM", format!("compressed audio (AIFF-C {name:?}) is not read"))),
                };
            }
            return Ok(());
        }
        at += 8 + size + (size & 1);
    }
    Ok(())
}
