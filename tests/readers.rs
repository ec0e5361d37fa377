//! Reading files made by others: second opinions, odd names, very long files, lawful chunks in any order.
//! (Bytes that make no sense: `tests/fuzz.rs`.)

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs::{self, File};
use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use twinload::takes::Source;

fn zoo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/zoo/files").join(name)
}

/// All samples, interleaved.
fn samples(mut source: Source) -> Vec<f64> {
    let (mut all, mut block) = (Vec::new(), Vec::new());
    while source.read(&mut block).unwrap() > 0 {
        all.extend_from_slice(&block);
    }
    all
}

/// Lawful files that cannot be compared: no numbers, or junk in bits that do not count.
const NOT_COMPARED: [&str; 4] = ["val_nan", "val_inf", "val_f64_nan", "lowbits_dirty"];

#[test]
fn other_readers_agree_wherever_they_read() {
    let (mut first, mut second) = (0, 0);
    for entry in fs::read_dir(zoo("")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let Ok(source) = Source::open(&path) else { continue };
        // Of headers that are out of order the others make something else without a word.
        let in_order = source.findings().is_empty();
        if !in_order || NOT_COMPARED.iter().any(|part| name.contains(part)) {
            continue;
        }
        let ours = samples(source);
        if let Ok(theirs) = waveadapter::read_wav_file::<f64, _>(&path) {
            assert_eq!(theirs.samples.take_data(), ours, "waveadapter and {name}");
            first += 1;
        }
        if let Some(theirs) = by_hound(&path) {
            assert_eq!(theirs, ours, "hound and {name}");
            second += 1;
        }
    }
    // Enough for the agreement to mean something.
    assert!(first > 40 && second > 20, "{first} {second}");
}

fn by_hound(path: &Path) -> Option<Vec<f64>> {
    let mut reader = hound::WavReader::open(path).ok()?;
    let spec = reader.spec();
    let values: Result<Vec<f64>, _> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(|x| x.map(f64::from)).collect(),
        hound::SampleFormat::Int => {
            let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
            // It reads narrow codes at the bottom of their container: crates.md §2.
            if !spec.bits_per_sample.is_multiple_of(8) || path.to_str()?.contains("in32") {
                return None;
            }
            reader.samples::<i32>().map(|x| x.map(|x| f64::from(x) / full)).collect()
        }
    };
    values.ok().filter(|values| !values.is_empty())
}

#[cfg(unix)]
#[test]
fn odd_names_are_read_and_shown_on_one_line() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let directory = tempfile::tempdir().unwrap();
    let long = format!("{}.wav", "n".repeat(251));
    let names: [&[u8]; 9] = [
        b"two  spaces and trailing .wav",
        "ro\u{308}hre.wav".as_bytes(),
        b"new\nline.wav",
        b"bad\xff\xfeutf8.wav",
        b"-rf.wav",
        b"<b>&amp;.wav",
        b"UPPER.WAV",
        b"\x1b[31mred\x07.wav",
        long.as_bytes(),
    ];
    for name in names {
        let path = directory.path().join(OsStr::from_bytes(name));
        fs::copy(zoo("plain_s16_mono_48k.wav"), &path).unwrap();
        let source = Source::open(&path).unwrap();
        assert!(!source.name().contains(|c: char| c.is_control()), "{}", source.name());
        assert_eq!(source.frames(), Some(12_000));
    }
    std::os::unix::fs::symlink("UPPER.WAV", directory.path().join("link_ok.wav")).unwrap();
    assert!(Source::open(&directory.path().join("link_ok.wav")).is_ok());
}

#[cfg(unix)]
#[test]
fn what_is_no_regular_file_is_named_and_never_waited_for() {
    use std::os::unix::fs::{PermissionsExt, symlink};
    let directory = tempfile::tempdir().unwrap();
    let at = |name: &str| directory.path().join(name);
    symlink("nowhere.wav", at("dangling.wav")).unwrap();
    symlink("loop_b.wav", at("loop_a.wav")).unwrap();
    symlink("loop_a.wav", at("loop_b.wav")).unwrap();
    fs::create_dir(at("folder.wav")).unwrap();
    fs::write(at("plain"), b"x").unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(at("socket.wav")).unwrap();
    let made = std::process::Command::new("mkfifo").arg(at("fifo.wav")).status();
    let mut cases = vec![
        ("dangling.wav", "a link to nowhere.wav, which does not exist"),
        ("loop_a.wav", "a link to loop_b.wav that cannot be followed"),
        ("folder.wav", "is a directory"),
        ("socket.wav", "is a socket"),
        ("plain/inside.wav", "a part of its path is not a directory"),
        ("missing.wav", "does not exist"),
        ("nul\0byte.wav", "cannot be read"),
    ];
    if made.is_ok_and(|status| status.success()) {
        cases.push(("fifo.wav", "is a named pipe"));
    }
    for (name, words) in cases {
        let error = Source::open(&at(name)).err().unwrap_or_else(|| panic!("{name} was opened")).to_string();
        assert!(error.contains(words) && error.lines().count() == 1, "{name}: {error}");
    }
    let device = Source::open(Path::new("/dev/null")).err().unwrap().to_string();
    assert!(device.contains("is a character device"), "{device}");
    let unreadable = at("unreadable.wav");
    fs::copy(zoo("plain_s16_mono_48k.wav"), &unreadable).unwrap();
    fs::set_permissions(&unreadable, fs::Permissions::from_mode(0o000)).unwrap();
    // A superuser may read it; anybody else is told why not.
    match Source::open(&unreadable) {
        Ok(source) => assert_eq!(source.frames(), Some(12_000)),
        Err(error) => assert!(error.to_string().contains("permission denied"), "{error}"),
    }
}

/// A file with holes: 44 bytes of header that claim `claimed`, `real` bytes of data, the tone at their end.
fn sparse(path: &Path, claimed: u32, real: u64) {
    let tone = fs::read(zoo("plain_s16_mono_48k.wav")).unwrap();
    let mut header = tone[..44].to_vec();
    header[4..8].copy_from_slice(&claimed.wrapping_add(36).to_le_bytes());
    header[40..44].copy_from_slice(&claimed.to_le_bytes());
    let mut file = File::create(path).unwrap();
    file.write_all(&header).unwrap();
    file.seek(SeekFrom::Start(44 + real - 24_000)).unwrap();
    file.write_all(&tone[44..]).unwrap();
}

#[test]
fn very_long_files_are_measured_by_their_own_length() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("long.wav");
    sparse(&path, 2_200_000_000, 2_200_000_000);
    let source = Source::open(&path).unwrap();
    assert_eq!((source.frames(), source.findings().len()), (Some(1_100_000_000), 0));
    sparse(&path, 105_032_704, 4_400_000_000);
    let source = Source::open(&path).unwrap();
    assert_eq!(source.frames(), Some(2_200_000_000));
    let said = &source.findings()[0];
    assert!(said.code == "sizes_wrapped" && said.saw.contains("far longer"), "{said:?}");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    /// Whatever lawful chunks stand round the audio, in either byte order, the samples come back exactly.
    #[test]
    fn lawful_chunks_change_nothing(
        values in prop::collection::vec(any::<i16>(), 1..200),
        before in prop::collection::vec(("[a-zA-Z]{4}", prop::collection::vec(any::<u8>(), 0..40)), 0..4),
        after in prop::collection::vec(("[a-zA-Z]{4}", prop::collection::vec(any::<u8>(), 0..40)), 0..4),
        big_endian: bool,
    ) {
        let size = |n: usize| if big_endian { (n as u32).to_be_bytes() } else { (n as u32).to_le_bytes() };
        let short = |n: u16| if big_endian { n.to_be_bytes() } else { n.to_le_bytes() };
        let chunk = |id: &[u8], body: &[u8]| {
            let pad = vec![0; body.len() % 2];
            [id, &size(body.len()), body, &pad].concat()
        };
        let fmt = [
            &short(1)[..], &short(1), &size(48_000), &size(96_000), &short(2), &short(16),
        ].concat();
        let data: Vec<u8> = values.iter().flat_map(|&v| short(v as u16)).collect();
        let mut body = b"WAVE".to_vec();
        for (id, content) in &before {
            body.extend(chunk(id.as_bytes(), content));
        }
        body.extend(chunk(b"fmt ", &fmt));
        body.extend(chunk(b"data", &data));
        for (id, content) in &after {
            body.extend(chunk(id.as_bytes(), content));
        }
        let magic: &[u8] = if big_endian { b"RIFX" } else { b"RIFF" };
        let file = [magic, &size(body.len()), &body].concat();
        let source = Source::from_reader("made.wav", Box::new(Cursor::new(file))).unwrap();
        let wanted: Vec<f64> = values.iter().map(|&v| f64::from(v) / 32_768.0).collect();
        prop_assert_eq!(samples(source), wanted);
    }
}
