//! The drive recorded beside the amp, in the second channel: true volts at the amp's input, and the player's faults
//! told from the amp's.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use twinload::analysis::{Analysis, TakeAnalysis};
use twinload::bench::Bench;
use twinload::compare::{self, Comparison};
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Chain, Device, Gain, HardClip, Polynomial, Recorder, take};
use twinload::units::from_db;

/// Full scale of the drive's channel at the amp's input, of the amp's channel at the load, both RMS.
const DRIVE_VOLTS: f64 = 0.9;
const LOAD_VOLTS: f64 = 0.6 * 12.0;
/// What the interface's second input makes of a programme value of 1, and what the first makes of the amp's output.
const DRIVE_UNITS: f64 = 0.37;
const AMP_UNITS: f64 = 0.8;

const RIG: &str = "load_ohms = 8.0\nload_watts = 50\ninterface_input_ohms = 10000\n\
    pad = { top_ohms = 10000, bottom_ohms = 1000 }\ninput_full_scale_volts = 0.6\ndrive_channel = 2\n\
    drive_full_scale_volts = 0.9\ndrive_full_scale_uncertainty_percent = 2.0\n";

/// A take: what the player does to the programme, how loud the drive is, whether it is recorded.
struct Played {
    player: fn() -> Box<dyn Device>,
    louder_db: f64,
    channels: u16,
}

fn straight() -> Box<dyn Device> {
    Box::new(Gain(1.0))
}

const PLAIN: Played = Played { player: straight, louder_db: 0.0, channels: 2 };

fn record(path: &Path, played: &Played, seed: u64) {
    let plan = Plan::short(&Choices::default());
    let recorder = |units_per_output, seed| Recorder {
        noise_rms: 3e-6,
        clock_ppm: 37.0,
        latency_seconds: 0.21,
        tail_seconds: 0.4,
        drive_per_unit: from_db(played.louder_db),
        units_per_output,
        seed,
        ..Recorder::default()
    };
    let mut amp = Chain(vec![(played.player)(), Box::new(Polynomial(vec![1.0, 0.12, -0.02]))]);
    let (rate, amp) = take(&plan, &mut amp, &recorder(AMP_UNITS, seed));
    let (_, drive) = take(&plan, &mut *(played.player)(), &recorder(DRIVE_UNITS, seed + 100));
    let spec = hound::WavSpec {
        channels: played.channels,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for (amp, drive) in amp.iter().zip(&drive) {
        for value in [amp, drive].into_iter().take(usize::from(played.channels)) {
            writer.write_sample((value * 8_388_607.0).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// A bench of one take of `a` and one of `b`.
fn bench(rig: &str, played: [&Played; 2]) -> (tempfile::TempDir, Analysis, Comparison) {
    let folder = tempfile::tempdir().unwrap();
    for (name, played, seed) in [("a.wav", played[0], 1), ("b.wav", played[1], 2)] {
        record(&folder.path().join(name), played, seed);
    }
    let toml = format!(
        "[bench]\ntitle = \"Drive\"\n[rig]\n{rig}[[build]]\nname = \"a\"\n[[build]]\nname = \"b\"\n[setting.full]\nvolume = \"10\"\n\
         [[take]]\nfile = \"a.wav\"\nbuild = \"a\"\nsetting = \"full\"\n[[take]]\nfile = \"b.wav\"\nbuild = \"b\"\nsetting = \"full\"\n"
    );
    std::fs::write(folder.path().join("bench.toml"), toml).unwrap();
    let bench = Bench::open(folder.path()).unwrap();
    let analysis = twinload::analyse::bench(&bench).unwrap();
    let comparison = compare::compare(&bench, &analysis, &[]).unwrap();
    (folder, analysis, comparison)
}

fn of_drive(take: &TakeAnalysis) -> Vec<&str> {
    take.findings.iter().map(|f| f.code.as_str()).filter(|c| c.starts_with("drive_")).collect()
}

fn fair(comparison: &Comparison) -> Option<Option<bool>> {
    comparison.fairness.iter().find(|l| l.code == "same_drive").map(|l| l.kept)
}

#[test]
fn a_recorded_drive_gives_true_volts_everywhere() {
    let (folder, analysis, comparison) = bench(RIG, [&PLAIN, &PLAIN]);
    let take = &analysis.takes[0];
    assert_eq!(of_drive(take), [""; 0], "{:?}", take.findings);
    // The programme's top is a peak of −1 dBFS. Ohm's law and noise at −110 dB: 0.01 dB is generous.
    let top = from_db(-1.0) * DRIVE_UNITS * DRIVE_VOLTS;
    let figure = |name: &str| take.figures.get(name).unwrap();
    let found = figure("drive_at_top");
    assert!((found.value.unwrap() / top - 1.0).abs() < 1e-3, "{found:?} against {top}");
    // Its interval is that of the calibration: 2 %.
    assert!((found.half_width().unwrap() / top - 0.02).abs() < 1e-3, "{found:?}");
    // Sensitivity is the drive for 5 % THD, in millivolts of it.
    let drive_db = figure("drive_at_thd_5_percent").value.unwrap();
    let sensitivity = figure("sensitivity");
    assert_eq!(sensitivity.unit.symbol(), "mV");
    assert!((sensitivity.value.unwrap() / (1000.0 * top * from_db(drive_db)) - 1.0).abs() < 1e-3);
    // Gain is volts over volts: an output unit is LOAD_VOLTS, an input unit DRIVE_VOLTS.
    let gain = 20.0 * (AMP_UNITS * LOAD_VOLTS / (DRIVE_UNITS * DRIVE_VOLTS)).log10();
    assert!((figure("gain").value.unwrap() - gain).abs() < 0.02, "{:?} against {gain}", figure("gain"));
    let volts = take.curves["ladder_up"].points("drive", "drive_volts");
    assert!((volts.last().unwrap().1 / top - 1.0).abs() < 1e-3, "{volts:?}");
    // The comparison: its row, its fairness, its condition; and the calibration is in sensitivity's interval (one take
    // each, so that is all there is beside noise).
    assert_eq!(fair(&comparison), Some(Some(true)), "{:#?}", comparison.fairness);
    let row = |name: &str| comparison.rows.iter().find(|r| r.quantity == name).unwrap();
    assert!(row("drive_at_top").value_texts[0].contains("0.29"), "{:?}", row("drive_at_top"));
    let known = row("sensitivity").values[0].clone();
    let share = known.half_width().unwrap() / known.value.unwrap();
    assert!((0.0199..0.022).contains(&share), "{share}");
    let condition = comparison.conditions.iter().find(|c| c.label == "Drive channel").unwrap();
    assert!(
        condition.text.contains("channel 2: 0 dBFS is 0.9") && condition.text.contains("± 2 %"),
        "{condition:?}"
    );
    // How well those volts are known stands in the document, for the report.
    assert_eq!(comparison.drive_uncertainty_percent, Some(2.0));
    // And on the screen.
    let out =
        assert_cmd::cargo::cargo_bin_cmd!("twinload").arg("analyse").arg(folder.path()).output().unwrap();
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(said.contains("drive at top"), "{said}");
}

#[test]
fn the_players_fault_is_told_from_the_amps() {
    // The interface's output clips 4 dB under the top; at −4 dB it is straight again.
    let clipping = Played { player: || Box::new(HardClip { low: -0.56, high: 0.56 }), ..PLAIN };
    let (_folder, analysis, _) = bench(RIG, [&clipping, &PLAIN]);
    assert_eq!(of_drive(&analysis.takes[0]), ["drive_not_straight"]);
    assert_eq!(of_drive(&analysis.takes[1]), [""; 0]);
    let finding = analysis.takes[0].findings.iter().find(|f| f.code == "drive_not_straight").unwrap();
    assert!(
        finding.saw.contains("at 0.0 dB") && finding.advice.contains("turn the interface's output down"),
        "{finding:?}"
    );
    // The drive's level is that of the straight steps all the same.
    let top = analysis.takes[0].figures.value("drive_at_top").unwrap();
    assert!((top / analysis.takes[1].figures.value("drive_at_top").unwrap() - 1.0).abs() < 2e-3, "{top}");
}

/// An output that somebody turns down just before the falling ladder.
struct Nudged {
    at_seconds: f64,
    played_seconds: f64,
}

impl Device for Nudged {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        for x in block {
            *x *= if self.played_seconds < self.at_seconds { 1.0 } else { from_db(-0.4) };
            self.played_seconds += 1.0 / rate_hz;
        }
    }
}

#[test]
fn the_falling_ladder_is_looked_at_as_well() {
    let nudged = || -> Box<dyn Device> {
        let plan = Plan::short(&Choices::default());
        let start_seconds = plan.segment("ladder_down").unwrap().start_seconds;
        Box::new(Nudged { at_seconds: start_seconds - 0.15, played_seconds: 0.0 })
    };
    let (_folder, analysis, _) = bench(RIG, [&Played { player: nudged, ..PLAIN }, &PLAIN]);
    assert_eq!(of_drive(&analysis.takes[0]), ["drive_not_straight"]);
    assert_eq!(of_drive(&analysis.takes[1]), [""; 0]);
    let finding = analysis.takes[0].findings.iter().find(|f| f.code == "drive_not_straight").unwrap();
    assert_eq!(finding.segment.as_deref(), Some("ladder_down"));
    assert!(finding.saw.contains("on the way down it is −0.4"), "{finding:?}");
}

#[test]
fn check_reads_the_drive_channel_of_a_file_outside_a_bench() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    record(&path, &Played { player: || Box::new(HardClip { low: -0.56, high: 0.56 }), ..PLAIN }, 5);
    let said = |more: &[&str]| {
        let mut command = assert_cmd::cargo::cargo_bin_cmd!("twinload");
        let out = command.arg("check").arg(&path).args(more).output().unwrap();
        let text = [out.stdout, out.stderr].concat();
        String::from_utf8(text).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let plain = said(&[]);
    assert!(!plain.contains("the drive itself, in channel"), "{plain}");
    let with = said(&["--drive-channel", "2"]);
    assert!(with.contains("the drive itself, in channel 2, is not what was played"), "{with}");
    let absent = said(&["--drive-channel", "3"]);
    assert!(absent.contains("channel 3 should hold the drive"), "{absent}");
    let analysed = || {
        let mut command = assert_cmd::cargo::cargo_bin_cmd!("twinload");
        let out =
            command.arg("analyse").arg(&path).args(["--drive-channel", "2", "--json"]).output().unwrap();
        serde_json::from_slice::<twinload::analysis::Analysis>(&out.stdout).unwrap()
    };
    assert_eq!(of_drive(&analysed().takes[0]), ["drive_not_straight"]);
    let same = said(&["--drive-channel", "1"]);
    assert!(same.contains("channel 1 is the one that is measured"), "{same}");
}

#[test]
fn a_moved_output_is_named() {
    let louder = Played { louder_db: 0.6, ..PLAIN };
    let (_folder, analysis, comparison) = bench(RIG, [&PLAIN, &louder]);
    let top = |k: usize| analysis.takes[k].figures.value("drive_at_top").unwrap();
    assert!((20.0 * (top(1) / top(0)).log10() - 0.6).abs() < 0.01);
    assert_eq!(fair(&comparison), Some(Some(false)));
    // The output's calibration promises 0.333 V for full scale; 0.5 V is 3.5 dB more.
    let promised = |volts: f64| format!("{RIG}output_full_scale_volts = {volts}\n");
    let (_folder, analysis, _) = bench(&promised(0.5), [&PLAIN, &PLAIN]);
    assert_eq!(of_drive(&analysis.takes[0]), ["drive_moved"]);
    let (_folder, analysis, _) = bench(&promised(0.335), [&PLAIN, &PLAIN]);
    assert_eq!(of_drive(&analysis.takes[0]), [""; 0]);
}

#[test]
fn a_channel_that_is_not_there_is_said_and_spoils_nothing() {
    let mono = Played { channels: 1, ..PLAIN };
    let (_folder, analysis, comparison) = bench(RIG, [&mono, &mono]);
    for take in &analysis.takes {
        assert_eq!(of_drive(take), ["drive_channel_silent"]);
        assert!(take.figures.get("drive_at_top").is_none() && take.figures.value("gain").is_some());
    }
    assert_eq!(fair(&comparison), None);
    // Without a calibration of that channel it tells level, not volts.
    let rig: String =
        RIG.lines().filter(|l| !l.starts_with("drive_full")).map(|l| format!("{l}\n")).collect();
    let (_folder, analysis, _) = bench(&rig, [&PLAIN, &PLAIN]);
    let top = analysis.takes[0].figures.get("drive_at_top").unwrap();
    // A full-scale sine is 0 dBFS: the peak in decibels.
    let expected = 20.0 * (from_db(-1.0) * DRIVE_UNITS).log10();
    assert!(top.unit.symbol() == "dBFS" && (top.value.unwrap() - expected).abs() < 0.01, "{top:?}");
}
