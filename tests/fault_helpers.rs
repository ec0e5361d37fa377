//! Faults that one channel alone does not tell, or not always: two channels, a loopback, a band that was cut.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

#[path = "faults/kinds.rs"]
#[allow(dead_code)]
mod kinds;
#[path = "faults/strengths.rs"]
#[allow(dead_code)]
mod strengths;
#[path = "faults/takes.rs"]
#[allow(dead_code)]
mod takes;

use kinds::{Helper, Kind, kinds};
use rayon::prelude::*;
use strengths::{REPEATS, moves, seed, strengths};
use takes::{Amp, amp, judged, said, write};
use twinload::analyse::Options;
use twinload::check::{self, FileCheck};
use twinload::finding::Fitness;
use twinload::simulate::noise::White;
use twinload::simulate::{Fault, Recording};

const RATE_HZ: u32 = 48_000;

/// A low-pass as steep as those of lossy codecs and resamplers: 255 taps, Blackman.
fn cut_band(recording: &mut Recording, edge_hz: f64) {
    let taps: Vec<f64> = (-127..=127i32)
        .map(|k| {
            let (t, w) = (f64::from(k), std::f64::consts::PI * f64::from(k) / 128.0);
            let x = 2.0 * edge_hz / f64::from(RATE_HZ);
            let sinc =
                if k == 0 { x } else { (std::f64::consts::PI * x * t).sin() / (std::f64::consts::PI * t) };
            sinc * (0.42 + 0.5 * w.cos() + 0.08 * (2.0 * w).cos())
        })
        .collect();
    for samples in &mut recording.channels {
        *samples = samples.windows(255).map(|w| w.iter().zip(&taps).map(|(x, t)| x * t).sum()).collect();
    }
}

#[test]
fn a_cut_band_two_channels_and_a_swap_are_told() {
    let (single, wire) = (amp(1, RATE_HZ), amp(4, RATE_HZ));
    let codes = |check: &FileCheck| check.findings.iter().map(|f| f.code.clone()).collect::<Vec<_>>();
    for (edge_hz, words) in [(16_000.0, "codec"), (22_050.0, "44.1 kHz")] {
        let mut recording = single.take(7);
        cut_band(&mut recording, edge_hz);
        let check = judged(&recording, 7, 24);
        let cut = check.findings.iter().find(|f| f.code == "band_cut");
        assert!(cut.is_some_and(|f| f.saw.contains(words)), "{edge_hz}: {:?}", said(&check));
    }
    // The drive beside the amp is no fault; on the measured channel it is.
    let both = |first: &Amp, second: &Amp| {
        let (mut a, mut b) = (first.take(21), second.take(24));
        let frames = a.channels[0].len().min(b.channels[0].len());
        a.channels[0].truncate(frames);
        b.channels[0].truncate(frames);
        a.channels.append(&mut b.channels);
        a
    };
    let check = judged(&both(&single, &wire), 21, 24);
    assert_eq!(codes(&check), [""; 0], "{:?}", said(&check));
    let check = judged(&both(&wire, &single), 21, 24);
    assert_eq!(codes(&check), ["channel_is_drive"], "{:?}", said(&check));
    // A channel and its mirror, and both summed to mono.
    let mirrored = both(&single, &single).with(&Fault::SumChannels).with(&Fault::Invert { channel: 1 });
    assert_eq!(codes(&judged(&mirrored, 23, 24)), ["channel_inverted"]);
    let summed = both(&single, &wire).with(&Fault::SumChannels);
    assert!(codes(&judged(&summed, 24, 24)).contains(&"channel_copied".to_owned()));
}

/// Two takes as two channels of one file.
fn side_by_side(mut first: Recording, mut second: Recording) -> Recording {
    let frames = first.channels[0].len().min(second.channels[0].len());
    first.channels[0].truncate(frames);
    second.channels[0].truncate(frames);
    first.channels.append(&mut second.channels);
    first
}

/// The check of a take with a loopback through the same recorder.
fn with_loopback(take: &Recording, loopback: &Recording) -> FileCheck {
    let directory = tempfile::tempdir().unwrap();
    let at = |name: &str| directory.path().join(name);
    write(take, 1, 24, &at("take.wav"));
    write(loopback, 2, 24, &at("loopback.wav"));
    let options = Options { loopback: Some(at("loopback.wav")), ..Options::default() };
    check::file(&at("take.wav"), &options)
}

fn of<'a>(check: &'a FileCheck, code: &str) -> Vec<&'a twinload::finding::Finding> {
    check.findings.iter().filter(|f| f.code == code).collect()
}

/// A fault of the recorder as its helper shows it: the check of an amp's take with that helper.
fn helped(amp: &Amp, wire: &Amp, kind: &Kind, strength: f64, seed: u64, by_loopback: bool) -> FileCheck {
    let (faults, _) = (kind.make)(amp, &mut White::new(seed), strength);
    let spoilt = |recording: Recording| faults.iter().fold(recording, |r, fault| r.with(fault));
    // Every fourth seed is upright, as a helper should be.
    let (take, drive) = (amp.take(seed), wire.take(4 * seed));
    if by_loopback {
        with_loopback(&spoilt(take), &spoilt(drive))
    } else {
        judged(&spoilt(side_by_side(take, drive)), seed, 24)
    }
}

/// What one channel of an amp does not tell, or not so little of it, is told by the drive beside it or by a loopback,
/// where it moves a figure: neither went through the amp.
#[test]
fn what_one_channel_does_not_tell_a_helper_does() {
    let wanted = std::env::var("TWINLOAD_FAULTS").unwrap_or_default();
    let (amps, strengths) = ((0..7).map(|which| amp(which, RATE_HZ)).collect::<Vec<Amp>>(), strengths());
    let wire = &amps[4];
    let kinds: Vec<Kind> = kinds()
        .into_iter()
        .filter(|kind| kind.helper != Helper::NotNeeded && kind.name.contains(&wanted))
        .collect();
    let mut todo: Vec<(&Kind, &Amp, f64, u64, bool)> = Vec::new();
    for kind in &kinds {
        for amp in amps.iter().filter(|amp| (kind.on)(amp)) {
            for seed in (0..REPEATS).map(|repeat| seed(kind, amp, repeat)) {
                let moves = strengths[&(kind.name.to_owned(), amp.name.to_owned(), seed)];
                let Some(moves) = moves else { continue };
                let strength = moves.max(kind.helped_from);
                todo.push((kind, amp, strength, seed, true));
                if kind.helper != Helper::Loopback {
                    todo.push((kind, amp, strength, seed, false));
                }
            }
        }
    }
    let trials: Vec<(&Kind, bool, bool, String)> = todo
        .par_iter()
        .map(|&(kind, amp, strength, seed, by_loopback)| {
            let check = helped(amp, wire, kind, strength, seed, by_loopback);
            let named = check.findings.iter().any(|f| kind.codes.contains(&f.code.as_str()));
            let words = format!(
                "{} at {strength} on {} {seed}, by {}: {:?}",
                kind.name,
                amp.name,
                if by_loopback { "a loopback" } else { "the drive channel" },
                said(&check)
            );
            (kind, by_loopback, named && check.fitness != Fitness::Fit, words)
        })
        .collect();
    println!("| fault | moves a figure from | told from | by the drive channel | by a loopback |");
    println!("| --- | --- | --- | --- | --- |");
    for kind in &kinds {
        let found = |by_loopback: bool| {
            let of = || trials.iter().filter(|t| t.0.name == kind.name && t.1 == by_loopback);
            let all = of().count();
            if all == 0 { "–".to_owned() } else { format!("{} of {all}", of().filter(|t| t.2).count()) }
        };
        let from = if kind.helped_from > 0.0 {
            format!("{} {}", kind.helped_from, kind.unit)
        } else {
            "the same".to_owned()
        };
        println!(
            "| {} | {} | {from} | {} | {} |",
            kind.name,
            moves(kind, &strengths),
            found(false),
            found(true)
        );
    }
    let missed: Vec<&str> = trials.iter().filter(|t| !t.2).map(|t| t.3.as_str()).collect();
    assert!(missed.is_empty(), "missed {} of {}:\n{}", missed.len(), trials.len(), missed.join("\n"));
}

/// A good recorder's drive channel and loopback say nothing.
#[test]
fn good_helpers_are_silent() {
    let amps: Vec<Amp> = (0..7).map(|which| amp(which, RATE_HZ)).collect();
    let wires: Vec<Amp> = [44_100, 48_000, 96_000].into_iter().map(|rate_hz| amp(4, rate_hz)).collect();
    let repeats = if std::env::var("TWINLOAD_FAULTS").is_ok() { 0 } else { 42 };
    let of_loopback: Vec<(&Amp, &Amp, u64)> =
        (0..repeats).map(|n| (&amps[n as usize % 7], &wires[n as usize % 3], 3000 + n)).collect();
    let alarms: Vec<String> = of_loopback
        .par_iter()
        .flat_map(|&(amp, wire, seed)| {
            // The loopback is upright, or it would be said.
            let by_loopback = with_loopback(&amp.take(seed), &wire.take(4 * seed + seed % 2));
            let beside = side_by_side(amp.take(seed + 500), wires[1].take(4 * seed + seed % 2));
            let by_drive = judged(&beside, seed, 24);
            // Of the take itself: valve amps warm up, the wire is one.
            let of_health = |f: &&twinload::finding::Finding| {
                !["gain_rises", "thd_dips_back", "not_settled", "channel_is_drive"].contains(&f.code.as_str())
            };
            [by_loopback, by_drive].map(|check| {
                let told: Vec<&str> =
                    check.findings.iter().filter(of_health).map(|f| f.saw.as_str()).collect();
                (!told.is_empty()).then(|| format!("{} {} Hz {seed}: {told:?}", amp.name, wire.rate_hz))
            })
        })
        .flatten()
        .collect();
    println!("false alarms with a helper: {} of {} takes", alarms.len(), 2 * of_loopback.len());
    assert!(alarms.is_empty(), "{}", alarms.join("\n"));
}

/// What an input stage does before its converter looks like an amp; without an amp it is the interface's.
#[test]
fn an_overloaded_interface_is_told_by_a_loopback() {
    let (clipped, wire) = (amp(2, RATE_HZ), amp(4, RATE_HZ));
    let soften = |mut recording: Recording| {
        let peak = recording.channels[0].iter().fold(0.0f64, |m, x| m.max(x.abs()));
        recording.channels[0].iter_mut().for_each(|x| *x = 0.9 * peak * (*x / (0.9 * peak)).tanh());
        recording
    };
    let alone = judged(&soften(clipped.take(70)), 70, 24);
    assert!(of(&alone, "clipped_input").is_empty(), "{:?}", said(&alone));
    let check = with_loopback(&soften(clipped.take(70)), &soften(wire.take(72)));
    assert_eq!(of(&check, "interface_overloaded").len(), 1, "{:?}", said(&check));
    assert_eq!(check.fitness, Fitness::Limited);
}

/// Some amps turn the sign: an inverted recording is no fault by itself. A loopback does not.
#[test]
fn an_inverted_channel_is_told_by_a_loopback() {
    let (soft, wire) = (amp(0, RATE_HZ), amp(4, RATE_HZ));
    // Seeds 0 and 1 modulo 4 are upright.
    let turned = |recording: Recording| recording.with(&Fault::Invert { channel: 0 });
    let alone = judged(&turned(soft.take(80)), 80, 24);
    assert_eq!(alone.fitness, Fitness::Fit, "{:?}", said(&alone));
    let check = with_loopback(&turned(soft.take(80)), &turned(wire.take(84)));
    assert_eq!(of(&check, "channel_inverted").len(), 1, "{:?}", said(&check));
    let check = with_loopback(&soft.take(80), &wire.take(84));
    assert!(of(&check, "channel_inverted").is_empty(), "{:?}", said(&check));
}

/// The programme is there, but on another channel than the one that is measured.
#[test]
fn the_wrong_channel_is_told_by_the_right_one() {
    let soft: Amp = amp(0, RATE_HZ);
    let mut take = soft.take(90);
    let mut random = White::new(91);
    let noise: Vec<f64> = take.channels[0].iter().map(|_| 0.01 * random.value()).collect();
    take.channels.insert(0, noise);
    let check = judged(&take, 90, 24);
    let told = of(&check, "wrong_channel");
    assert!(told.len() == 1 && told[0].advice.contains("--channel 2"), "{:?}", said(&check));
    assert_eq!(check.fitness, Fitness::Redo);
}
