//! How long is the audio? The header claims; the file decides.

use std::io::{self, Read, Seek};

use super::Bytes;
use super::walk::Family;
use crate::finding::{Finding, Severity};
use crate::takes::shown::count;

/// Where the audio ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Extent {
    /// Bytes of audio.
    pub length: u64,
    /// Whether the walk can go on after it (false: the audio was taken up to a place found from the end).
    pub walk_on: bool,
}

/// What an RF64 header's `ds64` chunk says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ds64 {
    pub data_bytes: u64,
}

/// Settles the length of the audio that starts at `start` and claims `claimed` bytes.
pub(super) fn settle<R: Read + Seek>(
    bytes: &mut Bytes<R>,
    family: Family,
    start: u64,
    claimed: u64,
    ds64: Option<Ds64>,
    findings: &mut Vec<Finding>,
) -> io::Result<Extent> {
    let rest = bytes.len().saturating_sub(start);
    let open_ended = |bytes: &mut Bytes<R>, findings: &mut Vec<Finding>, code, saw: String| {
        findings.push(by_file_size(code, saw));
        let length = end_of_audio(bytes, start, family)? - start;
        Ok(Extent { length, walk_on: false })
    };
    let mut claimed = claimed;
    if family == Family::Rf64 {
        match ds64 {
            None if claimed == u64::from(u32::MAX) => {
                return open_ended(
                    bytes,
                    findings,
                    "rf64_without_ds64",
                    "RF64 without its ds64 chunk: length taken from the file size".to_owned(),
                );
            }
            Some(Ds64 { data_bytes: 0 }) if claimed == u64::from(u32::MAX) => {
                return open_ended(
                    bytes,
                    findings,
                    "header_never_finished",
                    "the ds64 sizes are 0 (never finalised): length taken from the file size".to_owned(),
                );
            }
            Some(Ds64 { data_bytes })
                if claimed == u64::from(u32::MAX) || (claimed == 0 && data_bytes > 0) =>
            {
                claimed = data_bytes;
            }
            Some(Ds64 { data_bytes }) if data_bytes != claimed && data_bytes != 0 => {
                findings.push(Finding::new(
                    "rf64_sizes_disagree",
                    Severity::Note,
                    format!(
                        "the data chunk and ds64 disagree on the length: {} and {} bytes",
                        count(claimed),
                        count(data_bytes)
                    ),
                    "the data chunk's own size is taken, as the standard says",
                    "check that the recording is complete",
                ));
            }
            _ => {}
        }
    } else if family != Family::Wave64 && claimed == u64::from(u32::MAX) {
        return open_ended(bytes, findings, "header_placeholder", placeholder_words(claimed));
    }
    if claimed == 0 {
        // No audio at all, or a recorder that never came back to fill in the size.
        if rest == 0 || chain_reaches_end(bytes, start, family)? {
            return Ok(Extent { length: 0, walk_on: true });
        }
        let saw = "the data chunk's size is 0 (never finalised): length taken from the file size";
        return open_ended(bytes, findings, "header_never_finished", saw.to_owned());
    }
    if is_placeholder(claimed) && (claimed > rest || !continues(bytes, start, claimed, family)?) {
        return open_ended(bytes, findings, "header_placeholder", placeholder_words(claimed));
    }
    if claimed > rest {
        let length = end_of_audio(bytes, start, family)? - start;
        findings.push(Finding::new(
            "file_cut_short",
            Severity::Limit,
            format!("the data chunk says {} bytes, the file holds {}", count(claimed), count(length)),
            "the end of the recording is missing; what is there is read",
            "copy the file again from the recorder; if it is short there too, record again",
        ));
        return Ok(Extent { length, walk_on: false });
    }
    // 32-bit sizes wrap at 4 GiB; the file itself does not.
    let wraps = (rest - claimed) >> 32;
    if wraps > 0 && family != Family::Wave64 {
        let length = claimed + (wraps << 32);
        if continues(bytes, start, length, family)? {
            findings.push(Finding::new(
                "sizes_wrapped",
                Severity::Limit,
                format!(
                    "the file is far longer than its data size says ({} bytes): sizes wrapped at 4 GiB; {} bytes are read",
                    count(claimed),
                    count(length)
                ),
                "the length rests on the file size, not on the header",
                "have the recorder split long recordings, or write RF64",
            ));
            return Ok(Extent { length, walk_on: true });
        }
    }
    Ok(Extent { length: claimed, walk_on: true })
}

/// Sizes that writers put in when they do not know the length yet: 0xFFFFFFFF, 0x7FFFFFFF,
/// 0x80000000 and neighbours below, rounded down or less a header (common practice, no source).
pub(super) fn is_placeholder(size: u64) -> bool {
    matches!(size, 0x7fff_0000..=0x8000_0000 | 0xffff_0000..=0xffff_ffff)
}

fn placeholder_words(claimed: u64) -> String {
    format!(
        "the data chunk's size is a streaming placeholder (0x{claimed:08X}): length taken from the file size"
    )
}

fn by_file_size(code: &str, saw: String) -> Finding {
    Finding::new(
        code,
        Severity::Note,
        saw,
        "what is there is read; whether the recording was stopped in the middle cannot be seen from the header",
        "stop the recorder before the file is copied; the markers tell whether the take is whole",
    )
}

/// Whether the file ends, or a chunk begins, where audio of this length ends.
fn continues<R: Read + Seek>(
    bytes: &mut Bytes<R>,
    start: u64,
    length: u64,
    family: Family,
) -> io::Result<bool> {
    let end = start + length;
    let padded = end + (length & 1);
    if padded >= bytes.len() {
        return Ok(true);
    }
    for at in [padded, end] {
        let header: Option<[u8; 8]> = bytes.array(at)?;
        if header.is_some_and(|h| is_name(&h[..4]) && at + 8 + size(&h, family) <= bytes.len()) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether chunks with names, one after the other, fill the file from `at` to its end.
fn chain_reaches_end<R: Read + Seek>(bytes: &mut Bytes<R>, at: u64, family: Family) -> io::Result<bool> {
    let mut at = at;
    for _ in 0..64 {
        let Some(header) = bytes.array::<8>(at)? else { return Ok(false) };
        if !is_name(&header[..4]) {
            return Ok(false);
        }
        let length = size(&header, family);
        at += 8 + length;
        if at == bytes.len() || at + (length & 1) == bytes.len() {
            return Ok(true);
        }
        at += length & 1;
    }
    Ok(false)
}

/// How far back from the end of the file chunks after the audio are looked for.
const TAIL_BYTES: u64 = 1 << 20;
/// Chunks that are written after the audio.
const TAIL_NAMES: [&[u8; 4]; 16] = [
    b"LIST", b"bext", b"iXML", b"id3 ", b"ID3 ", b"fact", b"cue ", b"smpl", b"inst", b"PEAK", b"_PMX",
    b"axml", b"JUNK", b"PAD ", b"plst", b"acid",
];

/// The end of audio whose size is unknown: the begin of a chain of chunks that reaches exactly to
/// the end of the file, or else the end of the file.
fn end_of_audio<R: Read + Seek>(bytes: &mut Bytes<R>, start: u64, family: Family) -> io::Result<u64> {
    let len = bytes.len();
    if family == Family::Wave64 {
        return Ok(len.max(start));
    }
    let from = start.max(len.saturating_sub(TAIL_BYTES));
    let mut tail = vec![0; usize::try_from(len.saturating_sub(from)).unwrap_or(0)];
    let got = bytes.read_at(from, &mut tail)?;
    tail.truncate(got);
    // `chains[k]`: a chain of chunks leads from k exactly to the end. Worked from the end, so
    // that every place is looked at once, whatever the file holds.
    let mut chains = vec![false; tail.len() + 1];
    let mut first = None;
    for k in (0..tail.len().saturating_sub(7)).rev() {
        let Some(header) = tail.get(k..).and_then(|rest| rest.first_chunk::<8>()) else { continue };
        if !is_name(&header[..4]) {
            continue;
        }
        let length = size(header, family);
        let next = (k as u64).saturating_add(8).saturating_add(length);
        let end = tail.len() as u64;
        let leads =
            |at: u64| usize::try_from(at).ok().and_then(|at| chains.get(at)).copied().unwrap_or(false);
        if next == end || next + (length & 1) == end || leads(next + (length & 1)) || leads(next) {
            chains[k] = true;
            if TAIL_NAMES.iter().any(|name| header.starts_with(*name)) {
                first = Some(from + k as u64);
            }
        }
    }
    Ok(first.unwrap_or(len).max(start))
}

/// A chunk name is four printable ASCII characters.
pub(super) fn is_name(id: &[u8]) -> bool {
    id.iter().all(|byte| (0x20..0x7f).contains(byte))
}

fn size(header: &[u8; 8], family: Family) -> u64 {
    let [_, _, _, _, a, b, c, d] = *header;
    u64::from(family.number([a, b, c, d]))
}
