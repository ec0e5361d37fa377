//! The `fmt ` chunk: what it may say, what is mended with a finding, what is refused.

use super::coding::Coding;
use crate::finding::{Finding, Severity};
use crate::takes::shown;
use crate::takes::source::{Fault, MOST_CHANNELS, RATES_HZ};

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;
/// The part of a sub-format that all tags share: 0000-0010-8000-00AA00389B71.
const GUID_TAIL: [u8; 8] = [0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
/// Bytes of a `fmt ` chunk that mean something; more are skipped.
pub(super) const MOST_BYTES: usize = 40;

/// What the chunk says, settled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Format {
    pub rate_hz: u32,
    pub channels: u16,
    /// Bytes of a frame.
    pub block_bytes: u32,
    /// Significant bits of an integer code.
    pub valid_bits: u16,
    pub coding: Coding,
    /// Set when the codes are narrower than their container and the header cannot be trusted
    /// to say at which end they stand.
    pub in_doubt: bool,
    /// The header is extensible, so by definition the codes stand at the top.
    pub extensible: bool,
}

impl Format {
    pub(super) fn is_integer(&self) -> bool {
        !matches!(self.coding, Coding::Float { .. })
    }

    pub(super) fn words(&self) -> String {
        match self.coding {
            Coding::Float { bytes, .. } => format!("{}-bit float", bytes * 8),
            coding if self.valid_bits == coding.bytes() * 8 => format!("{}-bit", self.valid_bits),
            coding => format!("{} bits in {}", self.valid_bits, coding.bytes() * 8),
        }
    }
}

/// The fields as they stand.
struct Fields {
    chunk_bytes: usize,
    tag: u16,
    channels: u16,
    rate_hz: u32,
    block: u16,
    bits: u16,
    extension: Option<Extension>,
}

struct Extension {
    valid_bits: u16,
    guid: [u8; 16],
}

fn fields(chunk: &[u8], big_endian: bool) -> Result<Fields, Fault> {
    if chunk.len() < 16 {
        let reason = format!("the chunk holds {} bytes, at least 16 are needed", chunk.len());
        return Err(Fault::at("fmt", reason));
    }
    let short = |at: usize| {
        let pair = [chunk.get(at).copied().unwrap_or(0), chunk.get(at + 1).copied().unwrap_or(0)];
        if big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) }
    };
    let rate = if big_endian {
        u32::from(short(4)) << 16 | u32::from(short(6))
    } else {
        u32::from(short(6)) << 16 | u32::from(short(4))
    };
    let extension = chunk
        .get(24..40)
        .and_then(|guid| guid.try_into().ok())
        .map(|guid| Extension { valid_bits: short(18), guid });
    Ok(Fields {
        chunk_bytes: chunk.len(),
        tag: short(0),
        channels: short(2),
        rate_hz: rate,
        block: short(12),
        bits: short(14),
        extension,
    })
}

/// Settles what the chunk says.
pub(super) fn parse(chunk: &[u8], big_endian: bool) -> Result<(Format, Vec<Finding>), Fault> {
    let fields = fields(chunk, big_endian)?;
    let mut findings = Vec::new();
    let extensible = fields.tag == EXTENSIBLE;
    let tag = if extensible { sub_format(&fields, big_endian, &mut findings)? } else { fields.tag };
    if tag != PCM && tag != FLOAT {
        return Err(refused_tag(tag));
    }
    let wrong = |reason: String| Err(Fault::at("fmt", reason));
    if fields.channels == 0 {
        return wrong("the number of channels is 0".to_owned());
    }
    if usize::from(fields.channels) > MOST_CHANNELS {
        let channels = shown::count(fields.channels.into());
        return wrong(format!("{channels} channels, at most {MOST_CHANNELS} are read"));
    }
    if !RATES_HZ.contains(&fields.rate_hz) {
        let (low, high) = (shown::count(*RATES_HZ.start() as u64), shown::count(*RATES_HZ.end() as u64));
        return wrong(match fields.rate_hz {
            0 => "sample rate is 0".to_owned(),
            rate => {
                format!("sample rate is {} Hz, {low} to {high} Hz are read", shown::count(u64::from(rate)))
            }
        });
    }
    let bits = fields.bits;
    let lawful = if tag == FLOAT { bits == 32 || bits == 64 } else { (1..=32).contains(&bits) };
    if !lawful {
        let kind = if tag == FLOAT { "float" } else { "integer PCM" };
        let widths = if tag == FLOAT { "32 and 64" } else { "8 to 32" };
        return wrong(format!("bits per sample is {bits}: {kind} of {widths} bits is read"));
    }
    let container_bytes = container(&fields, &mut findings)?;
    let container_bits = container_bytes * 8;
    if tag == FLOAT && container_bits != bits {
        return wrong(format!("block align {} does not fit float of {bits} bits", fields.block));
    }
    let valid_bits =
        match fields.extension.as_ref().filter(|_| extensible && tag == PCM).map(|e| e.valid_bits) {
            // 0 is written by some editors and means nothing; more than the container holds is a slip.
            Some(valid) if valid >= 1 && valid <= bits => valid,
            Some(valid) => {
                if valid != 0 {
                    findings.push(valid_bits_ignored(valid, bits));
                }
                bits
            }
            None => bits,
        };
    // A float has no bits that do not count; its width is 32 or 64.
    let keep = u32::MAX.checked_shl(32u32.saturating_sub(valid_bits.into())).unwrap_or(u32::MAX);
    let coding = match (tag, container_bytes) {
        (FLOAT, bytes) => Coding::Float { bytes, big_endian },
        (_, 1) => Coding::Unsigned8 { keep },
        (_, bytes) => Coding::Integer { bytes, big_endian, shift: 0, keep },
    };
    let narrow = tag == PCM && valid_bits < container_bits;
    let format = Format {
        rate_hz: fields.rate_hz,
        channels: fields.channels,
        block_bytes: u32::from(container_bytes) * u32::from(fields.channels),
        valid_bits,
        coding,
        in_doubt: narrow && container_bytes > 1,
        extensible,
    };
    Ok((format, findings))
}

/// Bytes of one sample in the file.
fn container(fields: &Fields, findings: &mut Vec<Finding>) -> Result<u16, Fault> {
    let Fields { channels, block, bits, .. } = *fields;
    let needed = bits.div_ceil(8);
    if block == 0 {
        findings.push(Finding::new(
            "block_align_zero",
            Severity::Note,
            "the header's block align is 0".to_owned(),
            "frames are taken as packed without gaps",
            "check the level against what the recorder showed",
        ));
        return Ok(needed);
    }
    let fits = block.is_multiple_of(channels) && (needed..=8).contains(&(block / channels));
    if !fits || (needed <= 4 && block / channels > 4) {
        let reason = format!(
            "block align {block} does not fit {channels} channel{} of {bits} bits",
            if channels == 1 { "" } else { "s" }
        );
        return Err(Fault::at("fmt", reason));
    }
    Ok(block / channels)
}

/// The tag behind an extensible header.
fn sub_format(fields: &Fields, big_endian: bool, findings: &mut Vec<Finding>) -> Result<u16, Fault> {
    let Some(extension) = &fields.extension else {
        // Without a sub-format, 32 bits could be integer or float; narrower ones are always integer.
        if fields.bits > 24 {
            let reason = format!(
                "extensible tag, but the chunk ends before the sub-format: {} bits may be integer or float",
                fields.bits
            );
            return Err(Fault::at("fmt", reason));
        }
        findings.push(Finding::new(
            "sub_format_missing",
            Severity::Note,
            format!("extensible tag with a {}-byte fmt chunk: the sub-format is missing", fields.chunk_bytes),
            format!("read as integer PCM of {} bits", fields.bits),
            "check the level against what the recorder showed",
        ));
        return Ok(PCM);
    };
    let guid = extension.guid;
    let [a, b, c, d, e, f, g, h, tail @ ..] = guid;
    let little = (u32::from_le_bytes([a, b, c, d]), u16::from_le_bytes([e, f]), u16::from_le_bytes([g, h]));
    let big = (u32::from_be_bytes([a, b, c, d]), u16::from_be_bytes([e, f]), u16::from_be_bytes([g, h]));
    let known = |(first, second, third): (u32, u16, u16)| {
        let tag = u16::try_from(first).ok()?;
        (second == 0 && third == 0x10 && tail == GUID_TAIL).then_some(tag)
    };
    // A big-endian file may hold the sub-format in either order.
    known(little).or_else(|| known(big).filter(|_| big_endian)).ok_or_else(|| {
        let (first, second, third) = little;
        let [i, j, node @ ..] = tail;
        let rest: String = node.iter().map(|byte| format!("{byte:02x}")).collect();
        let reason = format!(
            "sub-format {first:08x}-{second:04x}-{third:04x}-{i:02x}{j:02x}-{rest} is neither integer PCM nor float"
        );
        Fault::at("fmt", reason)
    })
}

fn valid_bits_ignored(valid: u16, bits: u16) -> Finding {
    Finding::new(
        "valid_bits_wrong",
        Severity::Note,
        format!("the header says {valid} valid bits in a sample of {bits}"),
        format!("all {bits} bits are taken"),
        "check the level against what the recorder showed",
    )
}

/// Why this format tag is refused. Names: RFC 2361.
fn refused_tag(tag: u16) -> Fault {
    let companded = |law: &str| {
        let reason = format!("{law} companded audio (format tag {tag}) is not fit for distortion figures");
        Fault::unfit("fmt", reason)
    };
    let lossy = |name: &str| {
        Fault::unfit("fmt", format!("{name} (format tag 0x{tag:04x}) is lossy: not fit for measurement"))
    };
    match tag {
        0x0000 => Fault::unfit("fmt", "format tag 0 says no format".to_owned()),
        0x0006 => companded("A-law"),
        0x0007 => companded("mu-law"),
        0x0002 => lossy("Microsoft ADPCM"),
        0x0005 => lossy("IBM CVSD"),
        0x0010 => lossy("OKI ADPCM"),
        0x0011 => lossy("IMA ADPCM"),
        0x0014 | 0x0040 | 0x0045 | 0x0064 => lossy("G.72x ADPCM"),
        0x0017 | 0x0020 => lossy("ADPCM"),
        0x0022 => lossy("TrueSpeech"),
        0x0031 | 0x0032 => lossy("GSM 6.10"),
        0x0050 => lossy("MPEG layer 1 or 2"),
        0x0055 => lossy("MPEG layer 3 (MP3)"),
        0x0092 | 0x2000 => lossy("AC-3"),
        0x00ff | 0x1600 | 0x1602 | 0x1610 => lossy("AAC"),
        0x0160..=0x0162 => lossy("Windows Media Audio"),
        0x2001 => lossy("DTS"),
        0x674f..=0x6751 | 0x676f..=0x6771 => lossy("Ogg Vorbis"),
        0x704f => lossy("Opus"),
        0x0163 => {
            Fault::unfit("fmt", "Windows Media Audio lossless (format tag 0x0163) is not read".to_owned())
        }
        0xf1ac => Fault::unfit(
            "fmt",
            "FLAC inside WAVE (format tag 0xf1ac) is not read: export it as .flac or .wav".to_owned(),
        ),
        _ => Fault::unfit("fmt", format!("format tag 0x{tag:04x} is neither integer PCM nor float")),
    }
}
