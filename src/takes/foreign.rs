//! What a file is, by its first bytes, whatever its name says.

use std::io::{Read, Seek};

use super::shown;
use super::source::Fault;
use super::wav::{Bytes, Family};
use crate::finding::{Finding, Severity};

/// A kind that is read, and where its first byte stands.
pub(super) enum Kind {
    Wave { start: u64, family: Family, findings: Vec<Finding> },
    Flac { start: u64, findings: Vec<Finding> },
    Aiff,
}

/// How far into a file the begin of a WAVE file is looked for.
const PREFIX_BYTES: usize = 1 << 16;
/// The begin of Wave64: the GUID of its `riff`.
const WAVE64: [u8; 16] =
    [0x72, 0x69, 0x66, 0x66, 0x2e, 0x91, 0xcf, 0x11, 0xa5, 0xd6, 0x28, 0xdb, 0x04, 0xc1, 0, 0];

/// Finds out what the file is.
pub(super) fn kind<R: Read + Seek>(bytes: &mut Bytes<R>) -> Result<Kind, Fault> {
    let mut head = vec![0; PREFIX_BYTES];
    let got = bytes.read_at(0, &mut head).map_err(|error| Fault::io(&error))?;
    head.truncate(got);
    if head.is_empty() {
        return Err(Fault::Foreign("is empty (0 bytes)".to_owned()));
    }
    if let Some(family) = wave(&head) {
        return Ok(Kind::Wave { start: 0, family, findings: Vec::new() });
    }
    if head.starts_with(b"fLaC") {
        return Ok(Kind::Flac { start: 0, findings: Vec::new() });
    }
    if head.starts_with(b"FORM") && matches!(head.get(8..12), Some(b"AIFF" | b"AIFC")) {
        return Ok(Kind::Aiff);
    }
    if head.starts_with(b"ID3") {
        return behind_tag(bytes, &head);
    }
    if let Some(reason) = foreign(&head, bytes.len()) {
        return Err(Fault::Foreign(reason));
    }
    let place = (1..head.len()).find_map(|at| Some((at, wave(head.get(at..)?)?)));
    if let Some((at, family)) = place {
        let start = at as u64;
        return Ok(Kind::Wave { start, family, findings: vec![precede(start, "RIFF")] });
    }
    Err(Fault::Foreign(unknown(&head)))
}

/// A WAVE header stands at the begin of these bytes.
fn wave(head: &[u8]) -> Option<Family> {
    if head.starts_with(&WAVE64) && head.get(24..28) == Some(b"wave") {
        return Some(Family::Wave64);
    }
    if head.get(8..12) != Some(b"WAVE") {
        return None;
    }
    match head.get(..4)? {
        b"RIFF" => Some(Family::Riff),
        b"RIFX" => Some(Family::Rifx),
        b"RF64" | b"BW64" => Some(Family::Rf64),
        _ => None,
    }
}

/// An ID3 tag: what stands behind it decides (ID3v2.4 §3.1: four times seven bits of size).
fn behind_tag<R: Read + Seek>(bytes: &mut Bytes<R>, head: &[u8]) -> Result<Kind, Fault> {
    let size = head.get(6..10).map_or(0, |s| s.iter().fold(0u64, |n, &b| n << 7 | u64::from(b & 0x7f)));
    let start = 10 + size;
    let mut behind = [0; 40];
    let got = bytes.read_at(start, &mut behind).map_err(|error| Fault::io(&error))?;
    let behind = behind.get(..got).unwrap_or_default();
    if let Some(family) = wave(behind) {
        return Ok(Kind::Wave { start, family, findings: vec![precede(start, "RIFF")] });
    }
    if behind.starts_with(b"fLaC") {
        return Ok(Kind::Flac { start, findings: vec![precede(start, "fLaC")] });
    }
    if is_mpeg(behind) {
        return Err(Fault::Foreign(lossy("MPEG audio (MP3)")));
    }
    Err(Fault::Foreign(
        "begins with an ID3 tag and holds no WAV or FLAC behind it (probably MP3, which is lossy)".to_owned(),
    ))
}

fn precede(count: u64, magic: &str) -> Finding {
    Finding::new(
        "bytes_before_start",
        Severity::Note,
        format!("{} byte{} precede {magic}", shown::count(count), if count == 1 { "" } else { "s" }),
        "they were skipped; no figure suffers",
        "keep recordings out of programs that add tags or convert text",
    )
}

fn lossy(name: &str) -> String {
    format!("is {name}, which is lossy: not fit for measurement; record WAV or FLAC")
}

fn is_mpeg(head: &[u8]) -> bool {
    // Sync of eleven bits, layer not reserved, bit rate and sample rate not reserved (ISO 11172-3).
    matches!(head, [0xff, b, c, ..] if b & 0xe0 == 0xe0 && b & 0x06 != 0 && b & 0x18 != 0x08 && c & 0xf0 != 0xf0 && c & 0x0c != 0x0c)
}

/// The name of a kind that is not read.
fn foreign(head: &[u8], len: u64) -> Option<String> {
    let at = |place: usize, magic: &[u8]| head.get(place..).is_some_and(|rest| rest.starts_with(magic));
    let not_read = |name: &str| Some(format!("is {name}, which is not read: export it as WAV or FLAC"));
    let no_audio = |name: &str| Some(format!("is {name}, not a recording"));
    if len < 12 {
        return Some(format!("holds only {len} bytes: no recording is that short"));
    }
    if at(0, b"RIFF") || at(0, b"RIFX") || at(0, b"RF64") || at(0, b"BW64") {
        let form = shown::bytes(head.get(8..12).unwrap_or_default());
        let magic = shown::bytes(head.get(..4).unwrap_or_default());
        return Some(format!("is {magic} of the form {form:?}, not WAVE"));
    }
    if at(0, b"riff") || at(0, b"Riff") {
        return Some("begins with riff in lower case where RIFF must stand: not a WAV file".to_owned());
    }
    if at(0, b"FFIR") {
        return Some("begins with FFIR: RIFF with its bytes swapped, which is not read".to_owned());
    }
    if at(0, b"FORM") {
        let form = shown::bytes(head.get(8..12).unwrap_or_default());
        return Some(format!("is IFF of the form {form:?}, not AIFF"));
    }
    if at(0, b"OggS") {
        return Some(if head.windows(4).take(64).any(|w| w == b"FLAC") {
            "is FLAC inside Ogg, which is not read: export it as WAV or FLAC".to_owned()
        } else {
            lossy("Ogg (Vorbis or Opus)")
        });
    }
    if at(0, &[0xff, 0xf1]) || at(0, &[0xff, 0xf9]) || at(0, b"ADIF") {
        return Some(lossy("AAC"));
    }
    if is_mpeg(head) {
        return Some(lossy("MPEG audio (MP3)"));
    }
    if at(4, b"ftyp") {
        return not_read("an MP4 file (AAC, which is lossy, or ALAC)");
    }
    if at(0, b"caff") {
        return not_read("CAF");
    }
    if at(0, b".snd") || at(0, b"dns.") {
        return not_read("an AU file");
    }
    if at(0, b"wvpk") {
        return not_read("WavPack");
    }
    if at(0, b"MAC ") {
        return not_read("a MAC (APE) file");
    }
    if at(0, b"TTA1") {
        return not_read("TTA");
    }
    if at(0, b"DSD ") || at(0, b"FRM8") {
        return not_read("a DSD file");
    }
    if at(0, &[0x30, 0x26, 0xb2, 0x75]) {
        return Some(lossy("ASF (Windows Media Audio)"));
    }
    if at(0, b"#!AMR") {
        return Some(lossy("AMR"));
    }
    if at(0, b"MThd") {
        return no_audio("a MIDI file");
    }
    if at(0, &[0x1a, 0x45, 0xdf, 0xa3]) {
        return not_read("Matroska or WebM");
    }
    if at(0, &[0x1f, 0x8b]) {
        return Some("is compressed with gzip: unpack it first".to_owned());
    }
    if at(0, b"PK\x03\x04") {
        return Some("is a ZIP archive: unpack it first".to_owned());
    }
    if at(0, b"BZh")
        || at(0, &[0xfd, b'7', b'z', b'X', b'Z'])
        || at(0, b"7z\xbc\xaf")
        || at(0, b"Rar!")
        || at(0, &[0x28, 0xb5, 0x2f, 0xfd])
    {
        return Some("is a compressed archive: unpack it first".to_owned());
    }
    if at(0, b"%PDF") {
        return no_audio("a PDF document");
    }
    if at(0, b"\x89PNG") || at(0, &[0xff, 0xd8, 0xff]) || at(0, b"GIF8") {
        return no_audio("a picture");
    }
    if at(0, b"\x7fELF") || at(0, b"MZ") {
        return no_audio("a program");
    }
    let text = head.get(..512.min(head.len())).unwrap_or_default().trim_ascii_start().to_ascii_lowercase();
    if [&b"<!doctype html"[..], b"<html", b"<head", b"<?xml"].iter().any(|begin| text.starts_with(begin)) {
        return no_audio("a web page or XML text (a download that went wrong?)");
    }
    if head.iter().all(|&byte| byte == 0) {
        return Some(format!("holds only zeros in its first {} bytes", shown::count(head.len() as u64)));
    }
    None
}

fn unknown(head: &[u8]) -> String {
    let begin = head.get(..12.min(head.len())).unwrap_or_default();
    if head.iter().take(512).all(|&byte| byte >= 0x20 || matches!(byte, b'\t' | b'\n' | b'\r')) {
        return format!("is text that begins {:?}, not a recording", shown::bytes(begin));
    }
    let hex: Vec<String> = begin.iter().map(|byte| format!("{byte:02x}")).collect();
    format!("is not a recording in a known form: it begins {}", hex.join(" "))
}
