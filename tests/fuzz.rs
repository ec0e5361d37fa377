//! Seeded property loops in place of `cargo fuzz`, which needs a nightly compiler: whatever the bytes of a
//! recording, of bench.toml or of plan.json are, nothing panics, nothing hangs, memory stays bounded.
//!
//! A short run of each is part of the suite. The long ones (rounds by `TWINLOAD_ROUNDS`, first seed by
//! `TWINLOAD_SEED`):
//!
//! ```sh
//! cargo test --test fuzz -- --ignored --nocapture
//! ```
//!
//! What they find is kept in `tests/fuzz/` (the ending names the target) and read by `what_was_found_once_stays_mended`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

use std::fs;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::analyse::Options;
use twinload::bench::Bench;
use twinload::check;
use twinload::measure::{self, Plans};
use twinload::signals::{Choices, Plan, Player};
use twinload::simulate::{self, Recorder, Tanh};
use twinload::takes::detect::Detector;
use twinload::takes::health::{Health, programme};
use twinload::takes::source::{BLOCK_FRAMES, MOST_CHANNELS};
use twinload::takes::tape::Tape;
use twinload::takes::{Scale, Source, Take};

fn tests(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(name)
}

// The targets.

/// The reader may refuse but must end, and must keep to its bounds.
fn recording(bytes: &[u8]) {
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

/// The whole way of `twinload check`: every number that leaves is finite, every failure one line.
fn checked(bytes: &[u8]) {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("hostile.wav");
    fs::write(&path, bytes).unwrap();
    let check = check::file(&path, &Options::default());
    if let Some(failure) = &check.failure {
        assert!(failure.lines().count() == 1 && failure.contains("hostile.wav"), "{failure}");
    }
    let text = serde_json::to_string(&check).unwrap();
    // What is not finite would have become null where a number must stand.
    assert!(serde_json::from_str::<check::FileCheck>(&text).is_ok(), "{text}");
}

/// bench.toml: understood, or refused with words.
fn bench(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Ok(bench) = Bench::parse(Path::new("."), Path::new("bench.toml"), &text) {
        let _ = twinload::bench::plausible::of_bench(&bench);
        let _ = twinload::bench::plausible::of_rig(&bench.rig);
    }
}

/// plan.json: a plan that is accepted can be played, cut into its parts, and a recording measured by it.
fn plan(bytes: &[u8], take: &Take) {
    let Ok(plan) = serde_json::from_slice::<Plan>(bytes) else { return };
    if plan.validate().is_err() {
        return;
    }
    let mut out = [0.0; 64];
    for k in 0..8 {
        Player::silent_identity(&plan).fill(
            &mut out,
            plan.length_seconds * f64::from(k) / 8.0,
            1.0 / 48_000.0,
        );
        assert!(out.iter().all(|x| x.is_finite() && x.abs() <= 1.0 + 1e-9), "{out:?}");
    }
    for part in 0..plan.segments.len() {
        let _ = plan.part(part);
    }
    let take = Take { plan, ..take.clone() };
    let mut plans = Plans::default();
    let health = Health::new(48_000, 1).finish(0, None);
    let judged = programme::judge(&take, &health, 0, &mut plans);
    let measured = measure::take_without(&take, &Scale::default(), None, &judged.struck, &mut plans);
    for (name, figure) in &measured.figures.quantities {
        assert!(figure.value.is_none_or(f64::is_finite), "{name}: {figure:?}");
    }
}

// What they are given.

/// Some bytes changed, cut, doubled, or put beside each other, most of them in the first `reach`.
fn spoil(seed: &[u8], reach: usize, random: &mut ChaCha8Rng) -> Vec<u8> {
    const TELLING: [u32; 8] = [0, 1, 2, 0x7f, 0xff, 0x7fff_ffff, 0xffff_ffff, 0x8000_0000];
    let mut bytes = seed.to_vec();
    for _ in 0..1 + random.next_u32() % 6 {
        if bytes.is_empty() {
            break;
        }
        let all = random.next_u32().is_multiple_of(4);
        let at = random.next_u32() as usize % if all { bytes.len() } else { bytes.len().min(reach) };
        match random.next_u32() % 7 {
            0 => bytes[at] ^= 1 << (random.next_u32() % 8),
            1 => bytes[at] = random.next_u32() as u8,
            2 => {
                let value = TELLING[random.next_u32() as usize % TELLING.len()].to_le_bytes();
                let end = (at + 4).min(bytes.len());
                bytes[at..end].copy_from_slice(&value[..end - at]);
            }
            3 => bytes.truncate(at),
            4 => drop(bytes.drain(at..(at + 1 + random.next_u32() as usize % 16).min(bytes.len()))),
            5 => {
                // A piece from elsewhere.
                let from = random.next_u32() as usize % bytes.len();
                let piece =
                    bytes[from..(from + 1 + random.next_u32() as usize % 24).min(bytes.len())].to_vec();
                bytes.splice(at..at, piece);
            }
            _ => {
                let end = (at + 1 + random.next_u32() as usize % 64).min(bytes.len());
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
        }
    }
    bytes
}

/// Numbers and words of a text exchanged for others that may stand there.
fn reword(seed: &str, random: &mut ChaCha8Rng) -> Vec<u8> {
    const WORDS: [&str; 16] = [
        "0",
        "-1",
        "1e308",
        "1e-308",
        "nan",
        "inf",
        "0.1",
        "3600",
        "9007199254740993",
        "\"\"",
        "\"\\u0000\"",
        "[]",
        "{}",
        "null",
        "true",
        "1e5",
    ];
    let mut text = seed.to_owned();
    for _ in 0..1 + random.next_u32() % 3 {
        let numbers: Vec<(usize, usize)> = numbers_in(&text);
        if numbers.is_empty() {
            break;
        }
        let (from, to) = numbers[random.next_u32() as usize % numbers.len()];
        let near: f64 = text[from..to].parse().unwrap_or(1.0);
        let word = match random.next_u32() % 3 {
            0 => WORDS[random.next_u32() as usize % WORDS.len()].to_owned(),
            1 => format!("{}", near * (0.5 + f64::from(random.next_u32() % 1000) / 500.0)),
            _ => format!("{}", -near),
        };
        text.replace_range(from..to, &word);
    }
    text.into_bytes()
}

fn numbers_in(text: &str) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut from = None;
    for (at, c) in text.char_indices() {
        match (c.is_ascii_digit() || matches!(c, '.' | '-'), from) {
            (true, None) => from = Some(at),
            (false, Some(begin)) => {
                found.push((begin, at));
                from = None;
            }
            _ => {}
        }
    }
    found
}

/// The begin of each file of the zoo: headers and some audio.
fn recordings() -> Vec<Vec<u8>> {
    let mut names: Vec<PathBuf> =
        fs::read_dir(tests("zoo/files")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    let begin = |path: &PathBuf| {
        let mut bytes = fs::read(path).unwrap();
        bytes.truncate(6000);
        bytes
    };
    names.iter().map(begin).collect()
}

fn played() -> Take {
    let plan = Plan::short(&Choices::default());
    let recorder = Recorder { latency_seconds: 0.2, noise_rms: 1e-4, ..Recorder::default() };
    let (rate_hz, samples) = simulate::take(&plan, &mut Tanh(0.9), &recorder);
    let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
    let mut detector = Detector::new(f64::from(rate_hz));
    detector.feed(&samples);
    let hits = detector.finish();
    Take::find(Tape::of(samples), f64::from(rate_hz), &hits, &[plan]).unwrap().unwrap()
}

// The loops.

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|value| value.parse().ok()).unwrap_or(usual)
}

/// Runs a target on what `make` gives; a panic names the round, which makes the bytes again, and writes them to
/// `target/found`.
fn run(name: &str, rounds: u64, make: impl Fn(&mut ChaCha8Rng) -> Vec<u8>, target: impl Fn(&[u8])) {
    let first = number("TWINLOAD_SEED", 0);
    let mut found = Vec::new();
    for round in first..first + rounds {
        let mut random = ChaCha8Rng::seed_from_u64(round);
        let bytes = make(&mut random);
        if catch_unwind(AssertUnwindSafe(|| target(&bytes))).is_err() {
            let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/found");
            fs::create_dir_all(&folder).unwrap();
            fs::write(folder.join(format!("{round}.{name}")), &bytes).unwrap();
            found.push(round);
            if found.len() > 20 {
                break;
            }
        }
    }
    println!("{name}: {rounds} executions, {} findings; peak memory {}", found.len(), peak_memory());
    assert!(found.is_empty(), "{name}: rounds {found:?}, see target/found");
}

/// As the system tells it; a figure for the person, and bounded where it is known.
fn peak_memory() -> String {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let Some(kilobytes) = line.and_then(|l| l.split_whitespace().next()?.parse::<u64>().ok()) else {
        return "unknown".to_owned();
    };
    // All targets at once, with the simulated take: measured 150 MB. A number taken from a header would be more.
    assert!(kilobytes < 1_000_000, "{kilobytes} kB");
    format!("{} MB", kilobytes / 1000)
}

fn of_recordings(rounds: u64) {
    let seeds = recordings();
    let make = |random: &mut ChaCha8Rng| {
        let seed = &seeds[random.next_u32() as usize % seeds.len()];
        spoil(seed, 128, random)
    };
    run("wav", rounds, make, recording);
}

fn of_checks(rounds: u64) {
    let seeds = recordings();
    let make = |random: &mut ChaCha8Rng| {
        let seed = &seeds[random.next_u32() as usize % seeds.len()];
        spoil(seed, 128, random)
    };
    run("check", rounds, make, checked);
}

fn of_benches(rounds: u64) {
    let seed = fs::read_to_string(tests("bench/example.toml")).unwrap();
    let make = |random: &mut ChaCha8Rng| match random.next_u32() % 2 {
        0 => spoil(seed.as_bytes(), usize::MAX, random),
        _ => reword(&seed, random),
    };
    run("toml", rounds, make, bench);
}

fn of_plans(rounds: u64) {
    let take = played();
    let seed = serde_json::to_string(&take.plan).unwrap();
    let make = |random: &mut ChaCha8Rng| match random.next_u32() % 4 {
        0 => spoil(seed.as_bytes(), usize::MAX, random),
        _ => reword(&seed, random),
    };
    run("json", rounds, make, |bytes| plan(bytes, &take));
}

#[test]
fn spoilt_recordings_never_panic_hang_or_take_memory() {
    of_recordings(6000);
}

#[test]
fn spoilt_recordings_are_checked_in_words() {
    of_checks(300);
}

#[test]
fn spoilt_benches_are_refused_in_words() {
    of_benches(2000);
}

#[test]
fn spoilt_plans_are_refused_or_serve() {
    of_plans(60);
}

#[test]
#[ignore = "minutes: see the top of the file"]
fn long_recordings() {
    of_recordings(number("TWINLOAD_ROUNDS", 2_000_000));
}

#[test]
#[ignore = "minutes: see the top of the file"]
fn long_checks() {
    of_checks(number("TWINLOAD_ROUNDS", 60_000));
}

#[test]
#[ignore = "minutes: see the top of the file"]
fn long_benches() {
    of_benches(number("TWINLOAD_ROUNDS", 400_000));
}

#[test]
#[ignore = "minutes: see the top of the file"]
fn long_plans() {
    of_plans(number("TWINLOAD_ROUNDS", 5_000));
}

/// What fuzzing found is kept in tests/fuzz and read for ever.
#[test]
fn what_was_found_once_stays_mended() {
    let mut read = 0;
    let mut take = None;
    for entry in fs::read_dir(tests("fuzz")).unwrap() {
        let path = entry.unwrap().path();
        let bytes = fs::read(&path).unwrap();
        match path.extension().and_then(|e| e.to_str()) {
            Some("wav" | "check") => {
                recording(&bytes);
                checked(&bytes);
            }
            Some("toml") => bench(&bytes),
            Some("json") => plan(&bytes, take.get_or_insert_with(played)),
            other => panic!("{}: no target is called {other:?}", path.display()),
        }
        read += 1;
    }
    assert!(read > 0);
}
