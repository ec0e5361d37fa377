//! Faults that one channel alone does not tell, or not always: two channels, a loopback, a band that was cut.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "faults/takes.rs"]
#[allow(dead_code)]
mod takes;

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

/// A recorder whose gain rides by little: nothing that an amp's own compression could not be. Its drive channel or
/// a loopback cannot compress by themselves.
#[test]
fn gain_that_rides_a_little_is_told_by_the_drive_channel_or_a_loopback() {
    let (soft, clipped, wire) = (amp(0, RATE_HZ), amp(2, RATE_HZ), amp(4, RATE_HZ));
    // 0.2 dB over the 30 dB of the ladder; a limiter half a decibel under the largest peak.
    let agc = Fault::Agc { target_rms: 0.1, attack_seconds: 0.02, release_seconds: 0.05, part: 0.007 };
    let limiter = Fault::LimitUnderPeak { depth_db: 0.5, release_seconds: 0.2 };
    for (fault, words) in [(agc, "automatic gain"), (limiter, "limiter")] {
        for (k, amp) in [&soft, &clipped].into_iter().enumerate() {
            let seed = 40 + k as u64;
            let alone = judged(&amp.take(seed).with(&fault), seed, 24);
            assert!(of(&alone, "gain_rides").is_empty(), "{words}: told alone: {:?}", said(&alone));
            let drive = wire.take(seed + 4);
            let both = side_by_side(amp.take(seed), drive.clone()).with(&fault);
            let check = judged(&both, seed, 24);
            assert_eq!(
                (of(&check, "gain_rides").len(), check.fitness),
                (1, Fitness::Redo),
                "{:?}",
                said(&check)
            );
            let check = with_loopback(&amp.take(seed).with(&fault), &drive.with(&fault));
            assert_eq!(
                (of(&check, "gain_rides").len(), check.fitness),
                (1, Fitness::Redo),
                "{:?}",
                said(&check)
            );
        }
    }
    // A good recorder's drive channel and loopback say nothing.
    let good = side_by_side(soft.take(60), wire.take(64));
    let check = judged(&good, 60, 24);
    assert_eq!(check.fitness, Fitness::Fit, "{:?}", said(&check));
    let check = with_loopback(&soft.take(61), &wire.take(64));
    assert_eq!(check.fitness, Fitness::Fit, "{:?}", said(&check));
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
