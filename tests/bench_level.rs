//! The level check: what `check` answers to its recording.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use twinload::analyse::Options;
use twinload::analysis::RecordingKind;
use twinload::check::{self, FileCheck};
use twinload::finding::{Finding, Severity};
use twinload::signals::{Choices, Plan};
use twinload::simulate::device::{Device, Gain, HardClip};
use twinload::simulate::recorder::{Recorder, take};
use twinload::units::from_db;

fn write(path: &Path, rate: u32, samples: &[f64]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for x in samples {
        writer.write_sample((x * f64::from((1 << 23) - 1)).round() as i32).unwrap();
    }
    writer.finalize().unwrap();
}

/// Plays level-check.wav through a device, records it, checks the file.
fn checked(device: &mut dyn Device, units_per_output: f64) -> FileCheck {
    let plan = Plan::level_check(&Choices::default());
    let recorder = Recorder {
        oversample: 8,
        clock_ppm: 40.0,
        latency_seconds: 0.2,
        tail_seconds: 0.2,
        units_per_output,
        noise_rms: 1e-5,
        bits: Some(24),
        ..Recorder::default()
    };
    let (rate, samples) = take(&plan, device, &recorder);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("level.wav");
    write(&path, rate, &samples);
    check::file(&path, &Options::default())
}

fn answer(checked: &FileCheck) -> &Finding {
    assert_eq!(checked.kind, Some(RecordingKind::LevelCheck), "{:?}", checked.failure);
    let mut answers = checked.findings.iter().filter(|f| f.code.starts_with("level_"));
    let answer = answers.next().expect("an answer");
    assert_eq!(answers.next(), None);
    answer
}

/// A clipper whose THD passes 5 % at `drive_db` re top: 1.076 dB over its threshold (reference §1).
fn clipper(drive_db: f64) -> HardClip {
    HardClip::symmetric(from_db(-1.0 + drive_db - 1.076_376))
}

#[test]
fn an_amp_that_clips_far_too_early_is_turned_down() {
    // Markers are 12 dB under the top and clip here too; the file must still be found.
    let checked = checked(&mut clipper(-30.0), from_db(20.0));
    let answer = answer(&checked);
    assert_eq!(answer.code, "level_to_set");
    assert_eq!(answer.severity, Severity::Limit);
    assert!(answer.saw.contains("clips (5 % THD) 30 dB below"), "{}", answer.saw);
    assert!(answer.advice.contains("output down by 20 dB"), "{}", answer.advice);
}

#[test]
fn a_level_that_is_right_is_left_alone() {
    let checked = checked(&mut clipper(-10.0), from_db(3.0));
    let answer = answer(&checked);
    assert_eq!((answer.code.as_str(), answer.severity), ("level_right", Severity::Note));
}

#[test]
fn an_amp_that_does_not_clip_and_a_quiet_input_are_turned_up() {
    let checked = checked(&mut Gain(1.0), from_db(-30.0));
    let answer = answer(&checked);
    assert!(answer.saw.contains("does not clip"), "{}", answer.saw);
    assert!(answer.advice.contains("output up by 10 dB"), "{}", answer.advice);
    // Peaks are at −31 dBFS, with the output 10 dB up at −21: over −24, where nothing need be turned.
    assert!(!answer.advice.contains("input up"), "{}", answer.advice);
    let quieter = self::checked(&mut Gain(1.0), from_db(-40.0));
    // −41 and 10 up is −31: 23 dB to −8.
    assert!(self::answer(&quieter).advice.contains("input up by 23 dB"), "{:?}", self::answer(&quieter));
}

#[test]
fn what_is_turned_up_ahead_of_the_amp_has_room_in_the_input() {
    // Peaks at −3.5 dBFS of an amp that does not clip: 10 dB more would be over full scale, 14.5 dB down lead to −8.
    let first = checked(&mut Gain(1.0), from_db(-2.5));
    let advice = &answer(&first).advice;
    assert!(advice.contains("output up by 10 dB") && advice.contains("input down by 14 dB"), "{advice}");
    // Done as told, the next one is in order, or asks for more drive only.
    let second = checked(&mut Gain(1.0), from_db(-2.5 + 10.0 - 14.5));
    assert!(second.findings.iter().all(|f| f.code != "clipped_input"), "{:?}", second.findings);
}

/// The drive beside the amp, or the amp copied to both channels: each channel holds the level check.
#[test]
fn a_second_channel_is_not_taken_for_the_right_one() {
    let plan = Plan::level_check(&Choices::default());
    let recorder = Recorder { oversample: 4, noise_rms: 1e-5, tail_seconds: 0.2, ..Recorder::default() };
    let (rate, amp) =
        take(&plan, &mut clipper(-10.0), &Recorder { units_per_output: 1.4, ..recorder.clone() });
    let (_, drive) = take(&plan, &mut Gain(0.5), &recorder);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("level.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for (amp, drive) in amp.iter().zip(&drive) {
        for x in [amp, drive] {
            writer.write_sample((x * f64::from((1 << 23) - 1)).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    for options in [Options::default(), Options { drive_channel: Some(2), ..Options::default() }] {
        let checked = check::file(&path, &options);
        assert_eq!(answer(&checked).code, "level_right");
        assert!(checked.findings.iter().all(|f| f.code != "wrong_channel"), "{:?}", checked.findings);
        assert!(checked.is_usable());
    }
}

#[test]
fn a_recorder_that_clips_is_not_taken_for_the_amp() {
    let checked = checked(&mut Gain(1.0), from_db(12.0));
    let answer = answer(&checked);
    assert!(answer.saw.contains("input clips before the amp"), "{}", answer.saw);
    assert!(answer.advice.contains("input down by 14 dB"), "{}", answer.advice);
    assert!(!answer.advice.contains("output"), "{}", answer.advice);
}

#[test]
fn an_amp_that_clips_into_a_nearly_full_input_gets_room() {
    let checked = checked(&mut clipper(-10.0), from_db(10.6));
    let answer = answer(&checked);
    assert!(answer.saw.contains("10 dB below"), "{}", answer.saw);
    assert!(answer.advice.contains("input down by 7 dB"), "{}", answer.advice);
    assert!(!answer.advice.contains("output"), "{}", answer.advice);
}
