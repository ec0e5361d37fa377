//! Peak memory follows the programme, not the recording: read from the kernel's own account of the binary.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::signals::{Choices, Identity, Plan, Player};

/// Issue 7: at most 120 MB (of 10^6 bytes) at 48 kHz for one take, whatever the recording's length.
const MOST_BYTES_48: u64 = 120_000_000;
/// The same at 192 kHz.
const MOST_BYTES_192: u64 = 250_000_000;

/// A programme through a bent, noisy wire.
fn recording(path: &Path, rate: u32) {
    let plan = Plan::programme(&Choices::default());
    let mut samples = vec![0.0; (plan.length_seconds * f64::from(rate)) as usize];
    let said = Identity { plan: plan.identity(), part: 0 };
    Player::new(&plan, said).fill(&mut samples, 0.0, 1.0 / f64::from(rate));
    let mut random = ChaCha8Rng::seed_from_u64(7);
    for x in &mut samples {
        let noise = f64::from(random.next_u32()) / f64::from(u32::MAX) - 0.5;
        *x = 0.5 * (*x + 0.1 * *x * *x - 0.2 * x.powi(3)) + 1e-4 * noise;
    }
    support::write_wav(path, &samples, support::Stored { rate, bits: 24, float: false });
}

/// Writes `from` anew as RF64 (EBU Tech 3306), which may be longer than 4 GiB, with silence after it: a hole.
fn lengthened(from: &Path, to: &Path, silent_bytes: u64) {
    let bytes = std::fs::read(from).unwrap();
    let data = bytes.windows(4).position(|w| w == b"data").unwrap();
    let samples = &bytes[data + 8..];
    let data_bytes = samples.len() as u64 + silent_bytes / 6 * 6;
    let head = 12 + 36 + (data - 12) + 8;
    let length = head as u64 + data_bytes;
    let mut file = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    for number in [length - 8, data_bytes, data_bytes / 3] {
        file.extend(number.to_le_bytes());
    }
    file.extend([0; 4]);
    file.extend(&bytes[12..data]);
    file.extend(b"data\xff\xff\xff\xff");
    assert_eq!(file.len(), head);
    file.extend(samples);
    std::fs::write(to, file).unwrap();
    std::fs::File::options().write(true).open(to).unwrap().set_len(length).unwrap();
}

/// The binary's peak in bytes, asked for until it ends, and how many figures it gave. `TWINLOAD=path` asks another one.
fn peak(file: &Path) -> (u64, usize) {
    let binary = std::env::var_os("TWINLOAD").unwrap_or_else(|| env!("CARGO_BIN_EXE_twinload").into());
    let out = file.with_extension("json");
    let mut child = Command::new(binary)
        .args(["analyse".as_ref(), file.as_os_str(), "--json".as_ref()])
        .stdout(Stdio::from(std::fs::File::create(&out).unwrap()))
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    while child.try_wait().unwrap().is_none() {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|l| l.split_whitespace().next()?.parse::<u64>().ok());
        peak = peak.max(kib.unwrap_or(0) * 1024);
        std::thread::sleep(Duration::from_millis(3));
    }
    assert!(child.wait().unwrap().success());
    assert!(peak > 5_000_000, "the peak was not read: {peak}");
    let document: serde_json::Value = serde_json::from_slice(&std::fs::read(&out).unwrap()).unwrap();
    let take = &document["takes"][0];
    assert_eq!(take["kind"], "programme", "{}", take["failure"]);
    println!("{}: {:.0} MB, {} s", file.display(), peak as f64 / 1e6, take["seconds"]);
    (peak, take["figures"].as_object().unwrap().len())
}

#[test]
fn one_take_stays_within_its_memory_however_long_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let (short, long) = (folder.path().join("short.wav"), folder.path().join("long.wav"));
    recording(&short, 48_000);
    let (bytes, figures) = peak(&short);
    assert!(bytes <= MOST_BYTES_48, "{bytes}");
    // Six minutes more.
    lengthened(&short, &long, 50_000_000);
    let (bytes, of_long) = peak(&long);
    assert!(bytes <= MOST_BYTES_48, "{bytes}");
    assert_eq!(figures, of_long);
}

#[test]
#[ignore = "slow without optimisation; the command stands in benches/README.md"]
fn more_than_four_gibibytes_stay_within_the_same_memory() {
    let folder = tempfile::tempdir().unwrap();
    let (short, long) = (folder.path().join("short.wav"), folder.path().join("long.wav"));
    recording(&short, 48_000);
    lengthened(&short, &long, (4 << 30) + 300_000_000);
    assert!(long.metadata().unwrap().len() > 1 << 32);
    let bytes = peak(&long).0;
    assert!(bytes <= MOST_BYTES_48, "{bytes}");
}

#[test]
#[ignore = "slow without optimisation; the command stands in benches/README.md"]
fn a_take_at_192_khz_stays_within_its_memory() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("short.wav");
    recording(&path, 192_000);
    let bytes = peak(&path).0;
    assert!(bytes <= MOST_BYTES_192, "{bytes}");
}
