//! From chunk to chunk: where the format stands and where the audio.

use std::io::{self, Read, Seek};

use super::Bytes;
use super::extent::{self, Ds64, Extent};
use super::fmt::MOST_BYTES;
use crate::finding::{Finding, Severity};
use crate::takes::shown;
use crate::takes::source::Fault;

/// The members of the family; all hold `fmt ` and `data` chunks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// RIFF: 32-bit sizes, little-endian.
    Riff,
    /// RIFX: the same, big-endian.
    Rifx,
    /// RF64 or BW64: 64-bit sizes in a `ds64` chunk.
    Rf64,
    /// Wave64: 16-byte names and 64-bit sizes, chunks aligned to 8 bytes.
    Wave64,
}

impl Family {
    pub(super) fn number(self, bytes: [u8; 4]) -> u32 {
        if self == Self::Rifx { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    }

    /// Bytes before the first chunk: magic, size, form.
    fn head_bytes(self) -> u64 {
        if self == Self::Wave64 { 40 } else { 12 }
    }

    fn header_bytes(self) -> u64 {
        if self == Self::Wave64 { 24 } else { 8 }
    }

    /// For people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Riff => "WAV",
            Self::Rifx => "WAV (RIFX)",
            Self::Rf64 => "WAV (RF64)",
            Self::Wave64 => "Wave64",
        }
    }
}

/// Where the audio stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Data {
    pub start: u64,
    pub length: u64,
}

/// What the walk found.
pub(super) struct Walk {
    /// The first bytes of the `fmt ` chunk.
    pub fmt: Vec<u8>,
    pub data: Data,
    pub findings: Vec<Finding>,
}

/// More chunks than any recorder writes.
const MOST_CHUNKS: usize = 100_000;

struct Chunk {
    id: [u8; 4],
    body: u64,
    length: u64,
}

struct Walker<'a, R> {
    bytes: &'a mut Bytes<R>,
    family: Family,
    /// Where the RIFF chunk says that it ends.
    riff_end: u64,
    riff_size: u64,
    fmt: Option<Vec<u8>>,
    data: Option<Data>,
    ds64: Option<(Ds64, u64, u64)>,
    findings: Vec<Finding>,
}

/// Walks all chunks of the file that starts at `start`.
pub(super) fn walk<R: Read + Seek>(bytes: &mut Bytes<R>, start: u64, family: Family) -> Result<Walk, Fault> {
    let riff_size = riff_size(bytes, start, family).map_err(|error| Fault::io(&error))?;
    let riff_end = match family {
        Family::Wave64 => start.saturating_add(riff_size),
        _ => start.saturating_add(8).saturating_add(riff_size),
    };
    let mut walker = Walker {
        bytes,
        family,
        riff_end,
        riff_size,
        fmt: None,
        data: None,
        ds64: None,
        findings: Vec::new(),
    };
    walker.run(start + family.head_bytes())?;
    let Walker { fmt, data, findings, .. } = walker;
    match (fmt, data) {
        (None, _) => Err(Fault::at("fmt", "the file has no fmt chunk".to_owned())),
        (_, None) => Err(Fault::at("data", "the file has no data chunk".to_owned())),
        (Some(fmt), Some(data)) => Ok(Walk { fmt, data, findings }),
    }
}

fn riff_size<R: Read + Seek>(bytes: &mut Bytes<R>, start: u64, family: Family) -> io::Result<u64> {
    Ok(if family == Family::Wave64 {
        bytes.array(start + 16)?.map_or(0, u64::from_le_bytes)
    } else {
        bytes.array(start + 4)?.map_or(0, |size| u64::from(family.number(size)))
    })
}

impl<R: Read + Seek> Walker<'_, R> {
    fn run(&mut self, first: u64) -> Result<(), Fault> {
        let mut at = first;
        for _ in 0..MOST_CHUNKS {
            let left = self.bytes.len().saturating_sub(at);
            if left < self.family.header_bytes() {
                return self.end_of_walk(at, left);
            }
            let Some(chunk) = self.header(at).map_err(|error| Fault::io(&error))? else {
                return self.end_of_walk(at, left);
            };
            if self.data.is_some() && self.fmt.is_some() && !self.is_chunk_after_audio(&chunk, at)? {
                return Ok(());
            }
            let Some(next) = self.take(&chunk)? else { return Ok(()) };
            at = next;
        }
        if self.data.is_some() && self.fmt.is_some() {
            return Ok(());
        }
        let reason = format!("more than {} chunks before the audio", shown::count(MOST_CHUNKS as u64));
        Err(Fault::at("RIFF", reason))
    }

    fn header(&mut self, at: u64) -> io::Result<Option<Chunk>> {
        if self.family == Family::Wave64 {
            let Some(head) = self.bytes.array::<24>(at)? else { return Ok(None) };
            let (guid, size) = head.split_at(16);
            let id = guid.first_chunk().copied().unwrap_or_default();
            let size = size.first_chunk().map_or(0, |s| u64::from_le_bytes(*s));
            return Ok(Some(Chunk { id, body: at + 24, length: size.saturating_sub(24) }));
        }
        let Some([a, b, c, d, size @ ..]) = self.bytes.array::<8>(at)? else { return Ok(None) };
        let id = [a, b, c, d];
        let mut length = u64::from(self.family.number(size));
        if self.family == Family::Rf64 && length == u64::from(u32::MAX) && &id != b"data" {
            length = self.size_in_table(id)?.unwrap_or(length);
        }
        Ok(Some(Chunk { id, body: at + 8, length }))
    }

    /// The 64-bit size that the ds64 table gives for a chunk of this name.
    fn size_in_table(&mut self, id: [u8; 4]) -> io::Result<Option<u64>> {
        let Some((_, table, entries)) = self.ds64 else { return Ok(None) };
        for k in 0..entries.min(64) {
            let Some(entry) = self.bytes.array::<12>(table + 12 * k)? else { break };
            let (name, size) = entry.split_at(4);
            if name == id {
                return Ok(size.first_chunk().map(|s| u64::from_le_bytes(*s)));
            }
        }
        Ok(None)
    }

    /// Takes what is wanted from the chunk; returns where the next one starts, `None` to stop.
    fn take(&mut self, chunk: &Chunk) -> Result<Option<u64>, Fault> {
        let left = self.bytes.len().saturating_sub(chunk.body);
        if &chunk.id == b"data" {
            return self.take_data(chunk);
        }
        if chunk.length > left {
            if self.fmt.is_some() && self.data.is_some() {
                self.findings.push(chunk_cut_short(chunk, left));
                return Ok(None);
            }
            let name = shown::bytes(&chunk.id).trim_end().to_owned();
            let reason = format!(
                "the chunk claims {} bytes, the file holds {} more",
                shown::count(chunk.length),
                shown::count(left)
            );
            return Err(Fault::at(&name, reason));
        }
        match &chunk.id {
            b"fmt " => self.take_fmt(chunk)?,
            b"ds64" if self.family == Family::Rf64 => self.take_ds64(chunk)?,
            b"LIST" if self.data.is_none() => self.look_for_wave_list(chunk)?,
            _ => {}
        }
        self.next_after(chunk.body, chunk.length, Some(&chunk.id)).map(Some)
    }

    fn take_fmt(&mut self, chunk: &Chunk) -> Result<(), Fault> {
        let wanted = usize::try_from(chunk.length).unwrap_or(MOST_BYTES).min(MOST_BYTES);
        let mut fmt = vec![0; wanted];
        let got = self.bytes.read_at(chunk.body, &mut fmt).map_err(|error| Fault::io(&error))?;
        fmt.truncate(got);
        match &self.fmt {
            None => self.fmt = Some(fmt),
            Some(first) if *first == fmt => self.findings.push(Finding::new(
                "two_fmt_chunks",
                Severity::Note,
                "two fmt chunks, both the same",
                "nothing: the format is not in doubt",
                "nothing",
            )),
            Some(_) => {
                return Err(Fault::at(
                    "fmt",
                    "two fmt chunks that differ: the format is in doubt".to_owned(),
                ));
            }
        }
        Ok(())
    }

    fn take_ds64(&mut self, chunk: &Chunk) -> Result<(), Fault> {
        let head: Option<[u8; 28]> = self.bytes.array(chunk.body).map_err(|error| Fault::io(&error))?;
        let Some(head) = head.filter(|_| chunk.length >= 24) else {
            let reason = format!("the chunk holds {} bytes, at least 24 are needed", chunk.length);
            return Err(Fault::at("ds64", reason));
        };
        let long = |at: usize| {
            head.get(at..).and_then(|rest| rest.first_chunk()).map_or(0, |s| u64::from_le_bytes(*s))
        };
        let entries = head.last_chunk().map_or(0, |s| u32::from_le_bytes(*s));
        let entries = u64::from(entries).min(chunk.length.saturating_sub(28) / 12);
        if self.ds64.is_none() {
            self.ds64 = Some((Ds64 { data_bytes: long(8) }, chunk.body + 28, entries));
        }
        Ok(())
    }

    fn take_data(&mut self, chunk: &Chunk) -> Result<Option<u64>, Fault> {
        if self.data.is_some() {
            self.findings.push(Finding::new(
                "second_data_chunk",
                Severity::Limit,
                format!("a second data chunk of {} bytes was left out", shown::count(chunk.length)),
                "only the first piece of audio is measured",
                "export the recording again as one piece",
            ));
            if chunk.length > self.bytes.len().saturating_sub(chunk.body) {
                return Ok(None);
            }
            return self.next_after(chunk.body, chunk.length, None).map(Some);
        }
        let Extent { length, walk_on } = extent::settle(
            self.bytes,
            self.family,
            chunk.body,
            chunk.length,
            self.ds64.map(|(ds64, ..)| ds64),
            &mut self.findings,
        )
        .map_err(|error| Fault::io(&error))?;
        self.data = Some(Data { start: chunk.body, length });
        // Behind audio without a known end nothing can be walked to.
        if walk_on { self.next_after(chunk.body, length, None).map(Some) } else { Ok(None) }
    }

    /// The place of the next chunk: after the pad byte, unless the writer left that out.
    fn next_after(&mut self, body: u64, length: u64, name: Option<&[u8; 4]>) -> Result<u64, Fault> {
        let end = body.saturating_add(length);
        if self.family == Family::Wave64 {
            return Ok(end.checked_next_multiple_of(8).unwrap_or(u64::MAX));
        }
        if length.is_multiple_of(2) {
            return Ok(end);
        }
        let (padded, bare) = (end.saturating_add(1), end);
        let known = |id: [u8; 4]| KNOWN.iter().any(|name| **name == id);
        let mut name_at = |at| self.bytes.array::<4>(at).map_err(|error| Fault::io(&error));
        let (after_pad, at_once) = (name_at(padded)?, name_at(bare)?);
        let pad_missing = match (after_pad, at_once) {
            (_, None) => false,
            (None, Some(id)) => known(id),
            (Some(_), Some(id)) if id[0] == 0 => false,
            (Some(after), Some(at_once)) => {
                (known(at_once) && !known(after))
                    || (extent::is_name(&at_once) && !extent::is_name(&after) && !known(after))
            }
        };
        if !pad_missing {
            return Ok(padded);
        }
        let name = name.map_or_else(|| "data".to_owned(), |id| shown::bytes(id).trim_end().to_owned());
        self.findings.push(Finding::new(
            "pad_byte_missing",
            Severity::Note,
            format!("{name} has an odd length and no pad byte"),
            "the next chunk was found one byte earlier; no figure suffers",
            "nothing",
        ));
        Ok(bare)
    }

    /// Audio in pieces inside a list is a lawful rarity that is not read; say so by name.
    fn look_for_wave_list(&mut self, chunk: &Chunk) -> Result<(), Fault> {
        let form: Option<[u8; 4]> = self.bytes.array(chunk.body).map_err(|error| Fault::io(&error))?;
        if form.as_ref() == Some(b"wavl") {
            let reason =
                "the audio stands in pieces in a wavl list, which is not read: export it as one piece";
            return Err(Fault::unfit("LIST", reason.to_owned()));
        }
        Ok(())
    }

    /// After the audio: is this a chunk, or does something else follow? Says so if it does.
    fn is_chunk_after_audio(&mut self, chunk: &Chunk, at: u64) -> Result<bool, Fault> {
        let joined = matches!(&chunk.id, b"RIFF" | b"RIFX" | b"RF64" | b"BW64" | b"riff");
        if !joined && extent::is_name(&chunk.id) {
            return Ok(true);
        }
        let left = self.bytes.len() - at;
        self.bytes_after(at, left, joined).map(|()| false)
    }

    fn bytes_after(&mut self, at: u64, left: u64, joined: bool) -> Result<(), Fault> {
        let mut head = [0; 4096];
        let got = self.bytes.read_at(at, &mut head).map_err(|error| Fault::io(&error))?;
        if head.iter().take(got).all(|&byte| byte == 0) && left < 1 << 20 {
            return Ok(());
        }
        let what = if joined { ": another file is joined on" } else { "" };
        let place = if at >= self.riff_end || joined { "the end of RIFF" } else { "the last chunk" };
        self.findings.push(Finding::new(
            "bytes_after_end",
            Severity::Limit,
            format!("{} bytes follow {place}{what}; they were left out", shown::count(left)),
            "if they are audio, part of the recording is not measured",
            "export the recording again as one piece",
        ));
        Ok(())
    }

    fn end_of_walk(&mut self, at: u64, left: u64) -> Result<(), Fault> {
        if self.data.is_some() && self.fmt.is_some() {
            if left > 1 {
                self.bytes_after(at, left, false)?;
            }
            let off = self.riff_end.abs_diff(self.bytes.len());
            let unset = self.riff_size == 0 || extent::is_placeholder(self.riff_size);
            if off > 1 && !unset && self.family != Family::Rf64 {
                self.findings.push(Finding::new(
                    "riff_size_wrong",
                    Severity::Note,
                    format!(
                        "the RIFF size says {} bytes, the file holds {}",
                        shown::count(self.riff_end),
                        shown::count(self.bytes.len())
                    ),
                    "the sizes of the chunks were followed instead; no figure suffers",
                    "nothing",
                ));
            }
            return Ok(());
        }
        if left > 0 {
            let reason = format!("the file ends inside a chunk header, {left} bytes after the last chunk");
            let at = if self.fmt.is_none() { "fmt" } else { "data" };
            return Err(Fault::at(at, reason));
        }
        Ok(())
    }
}

/// Names of chunks that are met in recordings: the standard ones, and those of recorders.
const KNOWN: [&[u8; 4]; 27] = [
    b"fmt ", b"data", b"fact", b"LIST", b"bext", b"iXML", b"JUNK", b"junk", b"PAD ", b"FLLR", b"cue ",
    b"smpl", b"inst", b"plst", b"PEAK", b"id3 ", b"ID3 ", b"_PMX", b"axml", b"chna", b"cart", b"acid",
    b"levl", b"umid", b"link", b"minf", b"regn",
];

fn chunk_cut_short(chunk: &Chunk, left: u64) -> Finding {
    Finding::new(
        "chunk_cut_short",
        Severity::Note,
        format!(
            "the chunk {:?} after the audio claims {} bytes, the file holds {} more",
            shown::bytes(&chunk.id),
            shown::count(chunk.length),
            shown::count(left)
        ),
        "nothing: the audio stands before it",
        "nothing",
    )
}
