//! Reading files made by others: second opinions, odd names, very long files, and bytes that make no sense.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs::{self, File};
use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::bench::Bench;
use twinload::signals::{Choices, Plan};
use twinload::takes::Source;
use twinload::takes::source::{BLOCK_FRAMES, MOST_CHANNELS};

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

/// Reads whatever it is; the reader may refuse but must end, and must keep to its bounds.
fn read_hostile(bytes: &[u8]) {
    let length = bytes.len();
    let Ok(mut source) = Source::from_reader("hostile.wav", Box::new(Cursor::new(bytes.to_vec()))) else {
        return;
    };
    assert!((1..=MOST_CHANNELS).contains(&source.channels()));
    let (mut block, mut total) = (Vec::new(), 0);
    while let Ok(frames) = source.read(&mut block) {
        if frames == 0 {
            break;
        }
        assert!(frames <= BLOCK_FRAMES && block.len() == frames * source.channels());
        total += block.len();
        // FLAC packs a constant block of 65,535 frames in about ten bytes; nothing packs more.
        assert!(total <= length * 70_000, "{total} samples from {length} bytes");
        if total > 4_000_000 {
            return;
        }
    }
    for finding in source.findings() {
        assert!(!finding.saw.contains(|c: char| c.is_control()), "{finding:?}");
    }
}

/// A header of the zoo with some of its bytes changed, cut or doubled.
fn spoil(seed: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
    const TELLING: [u32; 8] = [0, 1, 2, 0x7f, 0xff, 0x7fff_ffff, 0xffff_ffff, 0x8000_0000];
    let mut bytes = seed.to_vec();
    for _ in 0..1 + random.next_u32() % 6 {
        if bytes.is_empty() {
            break;
        }
        // The headers are where it matters.
        let reach = if random.next_u32().is_multiple_of(4) { bytes.len() } else { bytes.len().min(128) };
        let at = random.next_u32() as usize % reach;
        match random.next_u32() % 6 {
            0 => bytes[at] ^= 1 << (random.next_u32() % 8),
            1 => bytes[at] = random.next_u32() as u8,
            2 => {
                let value = TELLING[random.next_u32() as usize % TELLING.len()].to_le_bytes();
                let end = (at + 4).min(bytes.len());
                bytes[at..end].copy_from_slice(&value[..end - at]);
            }
            3 => bytes.truncate(at),
            4 => drop(bytes.drain(at..(at + 1 + random.next_u32() as usize % 16).min(bytes.len()))),
            _ => {
                let end = (at + 1 + random.next_u32() as usize % 64).min(bytes.len());
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
        }
    }
    bytes
}

/// How many rounds the seeded loops run: more with `TWINLOAD_ROUNDS=200000`.
fn rounds(usual: u64) -> u64 {
    std::env::var("TWINLOAD_ROUNDS").ok().and_then(|rounds| rounds.parse().ok()).unwrap_or(usual)
}

#[test]
fn spoilt_recordings_never_panic_hang_or_take_memory() {
    let mut names: Vec<PathBuf> = fs::read_dir(zoo("")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    // The begin of each is enough: headers and some audio.
    let seeds: Vec<Vec<u8>> = names
        .iter()
        .map(|path| {
            let mut bytes = fs::read(path).unwrap();
            bytes.truncate(6000);
            bytes
        })
        .collect();
    for round in 0..rounds(6000) {
        let mut random = ChaCha8Rng::seed_from_u64(round);
        let seed = &seeds[random.next_u32() as usize % seeds.len()];
        let bytes = spoil(seed, &mut random);
        // A panic names the round, which makes the bytes again.
        let outcome = std::panic::catch_unwind(|| read_hostile(&bytes));
        assert!(outcome.is_ok(), "round {round}");
    }
}

#[test]
fn spoilt_plans_and_benches_are_refused_in_words() {
    let plan = serde_json::to_vec(&Plan::short(&Choices::default())).unwrap();
    let bench = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/example.toml")).unwrap();
    for round in 0..rounds(3000) {
        let mut random = ChaCha8Rng::seed_from_u64(round ^ 0xbe7c);
        if let Ok(plan) = serde_json::from_slice::<Plan>(&spoil(&plan, &mut random)) {
            let _ = plan.validate();
        }
        let text = String::from_utf8_lossy(&spoil(&bench, &mut random)).into_owned();
        let outcome =
            std::panic::catch_unwind(|| Bench::parse(Path::new("."), Path::new("bench.toml"), &text));
        assert!(outcome.is_ok(), "round {round}");
    }
}

/// What fuzzing found is kept in tests/fuzz and read for ever.
#[test]
fn what_was_found_once_stays_mended() {
    for entry in fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz")).unwrap() {
        read_hostile(&fs::read(entry.unwrap().path()).unwrap());
    }
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
