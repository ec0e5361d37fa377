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
    // Peaks are at −31 dBFS: 23 dB to −8.
    assert!(answer.advice.contains("input up by 23 dB"), "{}", answer.advice);
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
