//! Calibration: it finds again what the simulated rig was given, and each warning has its one cause.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::f64::consts::{SQRT_2, TAU};
use std::path::Path;

use proptest::prelude::*;
use twinload::bench::calibrate::{self, Calibration, Circumstances, MeterReading};
use twinload::bench::{Bench, CalibratedAt, Pad, Rig, mismatch};
use twinload::finding::Finding;
use twinload::measure::Plans;
use twinload::measure::reading::{ToneReading, read_tone};
use twinload::simulate::device::{Device, Gain, HardClip, Polynomial};
use twinload::simulate::noise::Hum;
use twinload::simulate::recorder::{Recorder, record};
use twinload::units::{db, from_db};

/// A sine at the load, through pad and interface, as recorded.
struct Setup {
    load_volts: f64,
    frequency_hz: f64,
    seconds: f64,
    rig: Rig,
    recorder: Recorder,
    /// Decibels that the level rises over the recording.
    rise_db: f64,
}

fn rig(top_ohms: f64, bottom_ohms: f64, input_ohms: f64) -> Rig {
    Rig {
        load_ohms: Some(8.0),
        interface_input_ohms: Some(input_ohms),
        pad: Some(Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent: Some(1.0) }),
        ..Rig::default()
    }
}

fn usual() -> Setup {
    Setup {
        load_volts: 2.83,
        frequency_hz: 275.0,
        seconds: 3.0,
        rig: rig(10_000.0, 1000.0, 10_000.0),
        recorder: Recorder { oversample: 1, bits: Some(24), noise_rms: 1e-5, ..Recorder::default() },
        rise_db: 0.0,
    }
}

/// Volts RMS at the interface's input for 0 dBFS in these recordings.
const FULL_SCALE_VOLTS: f64 = 1.9;

impl Setup {
    fn record(&self, device: &mut dyn Device) -> ToneReading {
        let recorder = Recorder {
            drive_per_unit: self.load_volts * SQRT_2,
            units_per_output: self.rig.pad_ratio().unwrap() / (FULL_SCALE_VOLTS * SQRT_2),
            ..self.recorder.clone()
        };
        let source = |block: &mut [f64], start: f64, step: f64| {
            for (k, x) in block.iter_mut().enumerate() {
                let t = start + k as f64 * step;
                *x = (TAU * self.frequency_hz * t).sin() * from_db(self.rise_db * t / self.seconds);
            }
        };
        let samples = record(source, self.seconds, device, &recorder);
        let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
        read_tone(&samples, f64::from(recorder.rate_hz), &mut Plans::default()).expect("a tone")
    }

    fn calibrate(&self, device: &mut dyn Device, reading: &str) -> Calibration {
        let meter = MeterReading::typed(reading, 1.0).unwrap();
        let circumstances =
            Circumstances { expected_volts: Some(FULL_SCALE_VOLTS), ..Circumstances::default() };
        calibrate::input(&self.rig, CalibratedAt::Load, &self.record(device), &meter, &circumstances).unwrap()
    }
}

fn codes(findings: &[Finding]) -> Vec<&str> {
    findings.iter().map(|f| f.code.as_str()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever the pad, the interface, its clock, noise and hum: calibrating gives the full scale back.
    #[test]
    fn calibrate_inverts_what_simulate_did(
        top_ohms in 1000.0f64..22_000.0,
        bottom_ohms in 300.0f64..3000.0,
        input_ohms in 5000.0f64..1e6,
        dbfs in -35.0f64..-3.0,
        ppm in -200.0f64..200.0,
        inverted in prop::bool::ANY,
        seed in 0u64..1000,
    ) {
        let rig = rig(top_ohms, bottom_ohms, input_ohms);
        let load_volts = FULL_SCALE_VOLTS * from_db(dbfs) / rig.pad_ratio().unwrap();
        let recorder = Recorder {
            clock_ppm: ppm,
            latency_seconds: 0.3,
            noise_rms: 1e-5,
            hum: Some(Hum { mains_hz: 50.02, peak: 1e-4, lines: 12 }),
            seed,
            ..usual().recorder
        };
        let setup = Setup { load_volts, rig, recorder, ..usual() };
        let reading = format!("{load_volts:.4}");
        let meter = MeterReading::typed(&reading, 0.0).unwrap();
        let tone = setup.record(&mut Gain(if inverted { -1.0 } else { 1.0 }));
        let got = calibrate::input(&setup.rig, CalibratedAt::Load, &tone, &meter, &Circumstances::default()).unwrap();
        // Half of the meter's last digit, and the noise: 1e-5/√N·√3 re the tone at −35 dBFS is below 1e-5.
        let digit = meter.step_volts / 2.0 / load_volts;
        let error = (got.full_scale_volts / FULL_SCALE_VOLTS - 1.0).abs();
        prop_assert!(error <= digit + 2e-5, "error {} digit {}", error, digit);
        prop_assert_eq!(codes(&got.findings), [""; 0]);
    }
}

#[test]
fn uncertainty_is_meter_and_last_digit() {
    // 1 % and half of 0.01 in 2.83 (0.17668 %), both rectangular; at the interface there is no pad.
    let got = usual().calibrate(&mut Gain(1.0), "2.83");
    let by_hand = 1.959_964 * (1.0f64 / 3.0 + 0.176_678f64.powi(2) / 3.0).sqrt();
    // The wander of a steady tone with noise 1e-5 adds less than 1e-3 of that.
    approx::assert_relative_eq!(got.uncertainty_percent, by_hand, max_relative = 1e-3);
    // 2.83 V is what is there.
    approx::assert_relative_eq!(got.full_scale_volts, FULL_SCALE_VOLTS, max_relative = 1e-5);
}

#[test]
fn each_warning_has_its_one_cause() {
    assert_eq!(codes(&usual().calibrate(&mut Gain(1.0), "2.830").findings), [""; 0]);
    let fine = &mut Gain(1.0);
    let high = Setup { frequency_hz: 1010.0, ..usual() };
    assert_eq!(codes(&high.calibrate(fine, "2.830").findings), ["tone_too_high"]);
    // At the limit itself, by any two clocks: the noise of the fit is no frequency. (400 Hz is a mains line, too.)
    for ppm in [-150.0, 0.0, 150.0] {
        let recorder = Recorder { clock_ppm: ppm, ..usual().recorder };
        let at = Setup { frequency_hz: 400.0, recorder, ..usual() };
        assert_eq!(codes(&at.calibrate(fine, "2.830").findings), ["tone_on_mains"], "{ppm}");
    }
    let over = Setup { frequency_hz: 407.0, ..usual() };
    assert_eq!(codes(&over.calibrate(fine, "2.830").findings), ["tone_too_high"]);
    for seconds in [0.5, 1.5] {
        let short = Setup { seconds, ..usual() };
        assert_eq!(codes(&short.calibrate(fine, "2.830").findings), ["short_tone"], "{seconds}");
    }
    for mains in [50.0, 60.0, 300.0, 240.0, 352.0] {
        let hum = Setup { frequency_hz: mains, ..usual() };
        assert_eq!(codes(&hum.calibrate(fine, "2.830").findings), ["tone_on_mains"], "{mains}");
    }
    let low =
        Setup { load_volts: 0.12, recorder: Recorder { noise_rms: 1e-6, ..usual().recorder }, ..usual() };
    assert_eq!(codes(&low.calibrate(fine, "0.1200").findings), ["low_tone"]);
    let rising = Setup { rise_db: 0.4, ..usual() };
    assert_eq!(codes(&rising.calibrate(fine, "2.90").findings), ["unsteady_tone"]);
    // 23 V would read +0.08 dBFS: the converter clips, a little.
    let clipped = Setup { load_volts: 23.0, ..usual() };
    assert_eq!(codes(&clipped.calibrate(fine, "23.00").findings), ["clipped_tone"]);
    assert_eq!(
        codes(&Setup { load_volts: 0.51, ..usual() }.calibrate(fine, "0.5").findings),
        ["coarse_reading"]
    );
    // A cubic: H3 is a3·A²/4 of H1 ≈ 2.4 % at the peak of 4.0 V.
    let bent = usual().calibrate(&mut Polynomial(vec![1.0, 0.0, 0.006]), "2.88");
    assert_eq!(codes(&bent.findings), ["distorted_tone"]);
    let straight = usual().calibrate(&mut Polynomial(vec![1.0, 0.0, 0.002]), "2.85");
    assert_eq!(codes(&straight.findings), [""; 0]);
}

#[test]
fn the_usual_slips_of_level_are_named() {
    let setup = usual();
    for (factor, words) in [
        (2f64.sqrt(), "peak value taken for RMS"),
        (2.0, "balanced level"),
        (8f64.sqrt(), "peak-to-peak"),
        (0.5f64.sqrt(), "in the expected value"),
    ] {
        let got = setup.calibrate(&mut Gain(1.0), &format!("{:.4}", 2.83 * factor));
        let [finding] = &got.findings[..] else { panic!("{:?}", got.findings) };
        assert_eq!(finding.code, "input_mismatch");
        assert!(finding.advice.contains(words), "{}", finding.advice);
    }
    // Half a decibel is agreement; 1.5 dB has no usual cause.
    assert_eq!(
        codes(&setup.calibrate(&mut Gain(1.0), &format!("{:.4}", 2.83 * from_db(0.45))).findings),
        [""; 0]
    );
    let odd = setup.calibrate(&mut Gain(1.0), &format!("{:.4}", 2.83 * from_db(1.6)));
    assert!(odd.findings[0].advice.contains("no usual slip"), "{:?}", odd.findings);
}

#[test]
fn slips_of_the_pad_are_named() {
    let believed = rig(10_000.0, 1000.0, 10_000.0);
    let resistors = |top_ohms, bottom_ohms| Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent: None };
    let cases = [
        (resistors(1000.0, 10_000.0).ratio(Some(10_000.0)), "exchanged"),
        (resistors(100_000.0, 1000.0).ratio(Some(10_000.0)), "top resistor ten times"),
        (resistors(10_000.0, 100.0).ratio(Some(10_000.0)), "bottom resistor a tenth"),
        (resistors(10_000.0, 1000.0).ratio(None), "far higher than interface_input_ohms"),
        (resistors(10_000.0, 1000.0).ratio(Some(1000.0)), "input impedance a tenth"),
        (10_000.0 / 20_000.0, "not connected"),
        (1.0, "no pad in the way"),
    ];
    for (true_ratio, words) in cases {
        // What calibration gets when the pad is not what bench.toml says.
        let measured = FULL_SCALE_VOLTS * believed.pad_ratio().unwrap() / true_ratio;
        let finding =
            mismatch::input(&believed, CalibratedAt::Load, measured, FULL_SCALE_VOLTS).expect(words);
        assert!(finding.advice.contains(words), "{words}: {}", finding.advice);
        // With the meter at the interface's input the pad is not in it.
        let there = mismatch::input(&believed, CalibratedAt::Interface, measured, FULL_SCALE_VOLTS).unwrap();
        assert!(!there.advice.contains(words), "{}", there.advice);
    }
}

#[test]
fn two_points_check_straightness() {
    let loud = usual();
    let soft = Setup { load_volts: 0.283, ..usual() };
    let meters = ["2.830", "0.2830"].map(|r| MeterReading::typed(r, 1.0).unwrap());
    let calibrated = |a: &mut dyn Device, b: &mut dyn Device| {
        let first = loud.calibrate(a, "2.830");
        let second = soft.calibrate(b, "0.2830");
        calibrate::two_points(&first, &second, [&meters[0], &meters[1]])
    };
    let straight = calibrated(&mut Gain(1.0), &mut Gain(1.0));
    assert_eq!(codes(&straight.findings), [""; 0]);
    approx::assert_relative_eq!(straight.full_scale_volts, FULL_SCALE_VOLTS, max_relative = 1e-5);
    let pair = straight.pair.unwrap();
    approx::assert_abs_diff_eq!(pair.apart_db, 20.0, epsilon = 1e-9);
    assert!(pair.agrees() && pair.difference_db.abs() < 1e-3, "{pair:?}");
    // Twice at one level, and at half the volts.
    for (second, expected) in [("2.830", &["readings_too_close"][..]), ("1.415", &[])] {
        let volts: f64 = second.parse().unwrap();
        let other = Setup { load_volts: volts, ..usual() };
        let meters = ["2.830", second].map(|r| MeterReading::typed(r, 1.0).unwrap());
        let first = loud.calibrate(&mut Gain(1.0), "2.830");
        let pair =
            calibrate::two_points(&first, &other.calibrate(&mut Gain(1.0), second), [&meters[0], &meters[1]]);
        assert_eq!(codes(&pair.findings), expected, "{second}");
    }
    // An interface that gives the soft one 1 dB more than the loud one, as automatic level does.
    let bent = calibrated(&mut Gain(from_db(-0.4)), &mut Gain(from_db(0.4)));
    assert_eq!(codes(&bent.findings), ["not_straight"]);
    assert!(!bent.pair.unwrap().agrees());
    assert!(bent.uncertainty_percent > 4.0 * straight.uncertainty_percent, "{bent:?}");
    // A hard limiter shows as distortion as well.
    let limited = calibrated(&mut HardClip::symmetric(3.6), &mut Gain(1.0));
    assert!(codes(&limited.findings).contains(&"distorted_tone"), "{limited:?}");
}

#[test]
fn the_output_side_needs_no_recording() {
    let meter = MeterReading::typed("0.1052", 1.0).unwrap();
    let got = calibrate::output(-21.0, 275.0, &meter, &Circumstances::default());
    approx::assert_relative_eq!(got.full_scale_volts, 0.1052 * 10f64.powf(1.05), max_relative = 1e-12);
    assert_eq!(codes(&got.findings), [""; 0]);
    let expected =
        Circumstances { expected_volts: Some(got.full_scale_volts * 2.0), ..Circumstances::default() };
    let balanced = calibrate::output(-21.0, 275.0, &meter, &expected);
    assert!(balanced.findings[0].advice.contains("balanced"), "{:?}", balanced.findings);
}

#[test]
fn readings_are_read_as_typed() {
    let meter = |text: &str| MeterReading::typed(text, 1.0).map(|m| (m.volts, m.step_volts));
    assert_eq!(meter("2.830"), Some((2.83, 0.001)));
    assert_eq!(meter("23"), Some((23.0, 1.0)));
    for bad in ["", "2,83", "-1", "0", "0.000", "nan", "1e3", "inf", "2.8V", ".", "1.2.3"] {
        assert_eq!(meter(bad), None, "{bad}");
    }
}

#[test]
fn no_tone_no_calibration() {
    let mut plans = Plans::default();
    for samples in [vec![], vec![0.0f32], vec![0.0; 48_000], vec![f32::NAN; 4800], vec![1e30; 4800]] {
        assert_eq!(read_tone(&samples, 48_000.0, &mut plans), None, "{} samples", samples.len());
    }
}

/// A recording of 24 bits: what each channel holds at every second.
fn write(path: &Path, channels: u16, seconds: u32, of: impl Fn(f64) -> Vec<f64>) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for k in 0..48_000 * seconds {
        for x in of(f64::from(k) / 48_000.0) {
            writer.write_sample((x * f64::from(1 << 23)).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// A bench and recordings beside it; what the command says and whether it wrote.
struct Desk {
    dir: tempfile::TempDir,
}

impl Desk {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("bench.toml"), include_str!("bench/example.toml")).unwrap();
        Self { dir }
    }

    fn run(&self, args: &[&str]) -> (i32, String, bool) {
        let bench = self.dir.path().join("bench.toml");
        std::fs::write(&bench, include_str!("bench/example.toml")).unwrap();
        let args: Vec<String> = args
            .iter()
            .map(|a| {
                if a.ends_with(".wav") {
                    self.dir.path().join(a).to_str().unwrap().to_owned()
                } else {
                    (*a).to_owned()
                }
            })
            .collect();
        let mut command = assert_cmd::Command::cargo_bin("twinload").unwrap();
        let output = command.arg("calibrate").arg(self.dir.path()).args(args).output().unwrap();
        let said = [output.stdout, output.stderr].map(|b| String::from_utf8(b).unwrap()).concat();
        let wrote = std::fs::read_to_string(&bench).unwrap() != include_str!("bench/example.toml");
        (output.status.code().unwrap(), said, wrote)
    }
}

#[test]
fn what_must_be_recorded_again_is_not_written() {
    let desk = Desk::new();
    let at = |name: &str| desk.dir.path().join(name);
    // 2.83 V at the load, over 12, at an interface of 1.9 V full scale: what the bench says.
    let peak = 2.83 / 12.0 / 1.9;
    let tone = |t: f64| peak * (TAU * 275.0 * t).sin();
    write(&at("tone.wav"), 1, 4, |t| vec![tone(t)]);
    write(&at("soft.wav"), 1, 4, |t| vec![0.05 * tone(t)]);
    write(&at("drift.wav"), 1, 4, |t| vec![tone(t) * from_db(0.2 * t)]);
    // Found by a new user: ten seconds loud, the rest 4.9 dB down.
    write(&at("jump.wav"), 1, 20, |t| vec![tone(t) * if t < 6.0 { 1.0 } else { from_db(-4.9) }]);
    write(&at("turned-up.wav"), 1, 20, |t| vec![tone(t) * if t < 5.0 { from_db(-3.0) } else { 1.0 }]);
    let good = ["tone.wav", "--volts", "2.830"];
    let (code, said, wrote) = desk.run(&good);
    assert!(code == 0 && wrote, "{said}");
    // The answer first; what it takes the place of is said.
    assert!(said.starts_with("tone ") && said.contains(", in place of 1.9 V ("), "{said}");
    for (args, words) in [
        (
            &["tone.wav", "--volts", "2.830", "--second", "soft.wav", "--second-volts", "0.160"][..],
            "record both again",
        ),
        (&["drift.wav", "--volts", "2.900"], "record again"),
        (&["jump.wav", "--volts", "1.610"], "level changed by −4.9 dB at 6.0 s"),
        (&["turned-up.wav", "--volts", "2.830"], "level changed by +3.0 dB at 5.0 s"),
        (&["tone.wav", "--volts", "2830"], "did you type millivolts"),
        (&["tone.wav", "--volts", "2830"], "millivolts taken for volts"),
        (&["tone.wav", "--volts", "2.830", "--limit", "1V"], "+5.58 dB"),
        (&["--output", "--volts", "105"], "did you type millivolts"),
    ] {
        let (code, said, wrote) = desk.run(args);
        // Words may be broken over lines.
        let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "{args:?}: {said}");
        assert!(code == 1 && !wrote && said.contains("nothing written"), "{args:?}: {said}");
        let (code, said, wrote) = desk.run(&[args, &["--anyway"]].concat());
        assert!(code == 0 && wrote, "{args:?}: {said}");
    }
}

#[test]
fn silence_before_and_after_the_tone_is_no_change_of_its_level() {
    let desk = Desk::new();
    let peak = 2.83 / 12.0 / 1.9;
    write(&desk.dir.path().join("silent.wav"), 1, 16, |t| {
        let tone = if (3.3..12.2).contains(&t) { peak * (TAU * 275.0 * t).sin() } else { 0.0 };
        vec![tone + 2e-4 * (TAU * 50.0 * t).sin()]
    });
    let (code, said, wrote) = desk.run(&["silent.wav", "--volts", "2.830"]);
    assert!(code == 0 && wrote && !said.contains("changed"), "{said}");
}

#[test]
fn where_the_tone_is_and_what_covers_it_is_named() {
    let desk = Desk::new();
    let at = |name: &str| desk.dir.path().join(name);
    let tone = |t: f64| 0.1 * (TAU * 275.0 * t).sin();
    // What an input without a cable gives: some hum and hiss, here from a sine of a large argument.
    let hiss = |t: f64| 1e-5 * (TAU * 50.0 * t).sin() + 2e-5 * (1e9 * t * t).sin();
    write(&at("second.wav"), 2, 3, |t| vec![hiss(t), tone(t)]);
    let hum = |t: f64, under_db: f64| 0.1 * from_db(-under_db) * (TAU * 50.0 * t).sin();
    write(&at("hum.wav"), 1, 3, |t| vec![tone(t) + hum(t, 16.0)]);
    write(&at("much-hum.wav"), 1, 3, |t| vec![tone(t) + hum(t, 8.0)]);
    write(&at("two.wav"), 1, 3, |t| vec![tone(t) + 0.05 * (TAU * 383.0 * t).sin()]);
    for (args, words) in [
        (["second.wav", "--volts", "2.830"], "on channel 2: set channel = 2"),
        (["much-hum.wav", "--volts", "2.830"], "hum at 50.0 Hz lies 8 dB under the tone at 275.0 Hz"),
        (["two.wav", "--volts", "2.830"], "two tones, 275.0 and 383.0 Hz"),
        (["hum.wav", "--volts", "3,270"], "decimal comma: write 3.270"),
    ] {
        // What the full scale comes out at, so that nothing but the hum stands against it.
        let (code, said, wrote) = desk.run(&[&args[..], &["--limit", "2.36V"]].concat());
        assert!(code == 1 && !wrote && said.contains(words), "{said}");
    }
    // 16 dB under: √(1 + 10^−1.6) − 1 = 1.25 % in volts, 2.51 % in watts; at 8 dB it rules, and may be let through.
    let (code, said, wrote) = desk.run(&["hum.wav", "--volts", "2.830", "--limit", "2.36V"]);
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(code == 0 && wrote && flat.contains("volts may be up to 1.25 % off, watts 2.51 %"), "{said}");
    let (code, said, wrote) = desk.run(&["much-hum.wav", "--volts", "2.830", "--limit", "2.36V", "--anyway"]);
    assert!(code == 0 && wrote && said.contains("8 dB under"), "{said}");
}

/// Hum moves neither the level that is read nor the full scale that follows, and its error is in the uncertainty.
#[test]
fn hum_beside_the_tone_is_told_with_the_error_it_costs() {
    let read = |under_db: f64| {
        let samples: Vec<f32> = (0..48_000 * 4)
            .map(|k| {
                let t = f64::from(k) / 48_000.0;
                (0.1 * (TAU * 275.0 * t).sin() + 0.1 * from_db(-under_db) * (TAU * 50.0 * t).sin()) as f32
            })
            .collect();
        calibrate::read(&samples, 48_000.0, Some(50.0), &mut Plans::default()).unwrap()
    };
    let meter = MeterReading::typed("2.830", 1.0).unwrap();
    let at = |under_db| {
        let tone = read(under_db);
        let rig = rig(10_000.0, 1000.0, 10_000.0);
        calibrate::input(&rig, CalibratedAt::Load, &tone, &meter, &Circumstances::default()).unwrap()
    };
    let clean = at(60.0);
    for under_db in [12.0, 20.0, 28.0] {
        let hum = at(under_db);
        assert_eq!(codes(&hum.findings), ["hum_beside_tone"]);
        // Samples of 32 bits of float.
        approx::assert_relative_eq!(hum.full_scale_volts, clean.full_scale_volts, max_relative = 1e-5);
        let adds = 100.0 * ((1.0 + 10f64.powf(-under_db / 10.0)).sqrt() - 1.0);
        let by_hand = clean.uncertainty_percent.hypot(1.959_964 * adds / 3f64.sqrt());
        // Beside the wander that the hum's own cycles make in tenths of the recording.
        approx::assert_relative_eq!(hum.uncertainty_percent, by_hand, max_relative = 0.02);
    }
    assert_eq!(codes(&clean.findings), [""; 0]);
}

#[test]
fn what_is_typed_of_the_meter_is_checked_where_it_is_typed() {
    let desk = Desk::new();
    let peak = 2.83 / 12.0 / 1.9;
    write(&desk.dir.path().join("tone.wav"), 1, 3, |t| vec![peak * (TAU * 275.0 * t).sin()]);
    let say = |more: &[&str]| {
        let (code, said, wrote) = desk.run(&[&["tone.wav", "--volts", "2.830"], more].concat());
        (code, said.split_whitespace().collect::<Vec<_>>().join(" "), wrote)
    };
    for (option, value) in [
        ("--meter-percent", "0"),
        ("--meter-percent", "0.001"),
        ("--meter-percent", "25"),
        ("--meter-limit-hz", "1"),
        ("--meter-limit-hz", "1000000"),
    ] {
        let (code, said, wrote) = say(&[option, value]);
        let words = format!("{option} of {value} ");
        assert!(code == 0 && wrote && said.contains(&words) && said.contains("is unusual"), "{said}");
    }
    let (_, said, _) = say(&["--meter-percent", "0.5", "--meter-limit-hz", "1000"]);
    assert!(!said.contains("unusual"), "{said}");
    for impossible in ["-1", "101", "nan"] {
        let (code, said, wrote) = say(&[&format!("--meter-percent={impossible}")]);
        assert!(code != 0 && !wrote, "{said}");
    }
    // 60 V is far over the usual 15 V, and a thousandth of it is nothing that an interface has.
    let volts = format!("{:.2}", 2.83 * 60.0 / 1.9);
    let (code, said, _) = desk.run(&["tone.wav", "--volts", &volts]);
    assert!(code == 1 && said.contains("unusual") && !said.contains("did you type millivolts"), "{said}");
    // Two readings that agree say so.
    write(&desk.dir.path().join("soft.wav"), 1, 3, |t| vec![0.1 * peak * (TAU * 275.0 * t).sin()]);
    let (_, said, _) = say(&["--second", "soft.wav", "--second-volts", "0.2830"]);
    assert!(said.contains("pair the two readings, 20.0 dB apart, agree within 0.01 dB"), "{said}");
    let (_, said, _) = say(&["--second", "tone.wav", "--second-volts", "2.830"]);
    assert!(said.contains("say nothing of how straight"), "{said}");
}

#[test]
fn the_command_writes_what_it_found_and_keeps_the_comments() {
    let dir = tempfile::tempdir().unwrap();
    let bench = dir.path().join("bench.toml");
    let example = include_str!("bench/example.toml");
    std::fs::write(&bench, example).unwrap();
    let wav = dir.path().join("tone.wav");
    // 2.83 V at the load, over 12, at an interface of 2.0 V full scale.
    let peak = 2.83 / 12.0 / 2.0;
    write(&wav, 1, 3, |t| vec![peak * (TAU * 275.0 * t).sin()]);
    let run = |more: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("twinload").unwrap();
        command.arg("calibrate").arg(dir.path()).args(more);
        command.assert()
    };
    let tone = wav.to_str().unwrap();
    run(&[tone, "--volts", "2.830", "--meter-percent", "1", "--dry-run"]).success();
    assert_eq!(std::fs::read_to_string(&bench).unwrap(), example);

    let said = run(&[tone, "--volts", "2.830", "--meter-percent", "1"]).success();
    let said = String::from_utf8(said.get_output().stdout.clone()).unwrap();
    assert!(said.contains("full scale 2.000 ± 0.023 V RMS (95 %)"), "{said}");
    assert!(said.contains("CAUTION") && said.contains("without its load"), "{said}");
    let written = Bench::open(dir.path()).unwrap();
    approx::assert_relative_eq!(written.rig.input_full_scale_volts.unwrap(), 2.0, max_relative = 1e-4);
    assert_eq!(written.rig.input_calibrated_at, Some(CalibratedAt::Load));
    let text = std::fs::read_to_string(&bench).unwrap();
    for line in example.lines().filter(|l| !l.starts_with("input_full_scale_volts")) {
        assert!(text.contains(line), "lost: {line}");
    }

    let json = run(&["--output", "--volts", "0.1052", "--json"]).success();
    let json: twinload::bench::calibration_document::CalibrationDocument =
        serde_json::from_slice(&json.get_output().stdout).unwrap();
    approx::assert_relative_eq!(
        json.full_scale.value.unwrap(),
        0.1052 * 10f64.powf(1.05),
        max_relative = 1e-9
    );
    assert!(json.written && json.full_scale.interval.is_some());
    assert!(db(written.rig.output_full_scale_volts.unwrap() / 1.2).abs() < 1e-9);
    // The drive's channel, with the meter at the amp's input: no pad in between, so 0.2 V / 10^(level/20).
    let no_channel = run(&[tone, "--drive", "--volts", "0.2000", "--dry-run"]);
    let there = written.rig.drive_channel == Some(2);
    let text = std::fs::read_to_string(&bench).unwrap();
    assert!(there && !no_channel.get_output().status.success(), "the tone has one channel only");
    let swapped =
        text.replace("\nchannel = 1", "\nchannel = 2").replace("drive_channel = 2", "drive_channel = 1");
    std::fs::write(&bench, &swapped).unwrap();
    run(&[tone, "--drive", "--volts", "0.2000"]).success();
    let written = Bench::open(dir.path()).unwrap();
    approx::assert_relative_eq!(written.rig.drive_full_scale_volts.unwrap(), 0.2 / peak, max_relative = 1e-4);
    assert!(written.rig.drive_full_scale_uncertainty_percent.is_some());
    // Only what it measured was touched.
    let after = std::fs::read_to_string(&bench).unwrap();
    assert!(swapped.lines().all(|line| after.contains(line)));
    run(&[tone, "--volts", "2,83"]).code(1);
    let refused = run(&[tone, "--volts", "-3"]).code(1);
    let why = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
    assert!(why.contains("--volts: -3 must be over 0"), "{why}");
    run(&["--volts", "2.83"]).code(2);
}
