//! Silences with hum of known size at each place, from bench.toml to the table: where does each line enter?
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::f64::consts::{SQRT_2, TAU};
use std::path::Path;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use support::{Stored, write_wav};
use twinload::analysis::{Analysis, HumOrigin};
use twinload::figure::{Quantity, Unit};
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Gain, Recorder, record, take};

const RATE: u32 = 48_000;
const MAINS_HZ: f64 = 49.97;
/// Millivolts across the load for a sample of 1, peak: the rig of [`RIG`].
const MV_PER_UNIT: f64 = 1.9 * SQRT_2 * 25.1 * 1000.0;
const RIG: &str = "load_ohms = 8.0\npad = { divides_by = 25.1, measured_with_interface = true }\n\
                   input_full_scale_volts = 1.9\n";
const CONDITIONS: [&str; 5] = ["cable only", "amp off", "volume down", "input shorted", "at setting"];
const PLACES: [&str; 5] = [
    "cable and interface",
    "loop through the amp's connections",
    "amp, from the volume control onward",
    "amp, ahead of the volume control",
    "input: the drive's cable and its ground",
];

/// A mains line: its order, and what each place gives to it: peak in sample units and phase in turns.
struct Line {
    order: u32,
    parts: [(f64, f64); 5],
}

impl Line {
    /// What is there with the first `places` of them, at a phase common to all.
    fn phasor(&self, places: usize) -> [f64; 2] {
        self.parts.iter().take(places).fold([0.0, 0.0], |[re, im], (peak, turns)| {
            [re + peak * (TAU * turns).cos(), im + peak * (TAU * turns).sin()]
        })
    }
}

/// A phase, evenly from 0 to 1 turn.
fn turns(random: &mut ChaCha8Rng) -> f64 {
    f64::from(random.next_u32()) / 2f64.powi(32)
}

/// Lines that enter in one place each; then one that two places share, one that a place cancels, one that the
/// noise of the silences hides.
fn lines(phases: &mut ChaCha8Rng) -> Vec<Line> {
    let mut turns = || turns(phases);
    let mut one = |order: u32, place: usize, peak: f64| {
        let mut parts = [0.0; 5].map(|peak| (peak, 0.0));
        for (at, part) in parts.iter_mut().enumerate() {
            // A little of it in every other place: 26 dB under.
            *part = (if at == place { peak } else { 0.05 * peak }, turns());
        }
        Line { order, parts }
    };
    let mut all: Vec<Line> = (0..5).map(|place| one(2 * place as u32 + 1, place, 1e-3)).collect();
    all.push(one(2, 2, 2e-3));
    // A quarter of a turn apart, so that each gives half of the power.
    all.push(Line { order: 11, parts: [(0.0, 0.0), (4e-4, 0.1), (0.0, 0.0), (4e-4, 0.35), (0.0, 0.0)] });
    all.push(Line { order: 13, parts: [(5e-4, 0.0), (4e-4, 0.5), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)] });
    all.push(Line { order: 15, parts: [(0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (2e-7, 0.0), (0.0, 0.0)] });
    all
}

/// Adds the hum of the first `places` places; `noise` RMS is there already.
fn add_hum(samples: &mut [f64], lines: &[Line], places: usize, start_turns: f64) {
    for line in lines {
        let [re, im] = line.phasor(places);
        let omega = TAU * MAINS_HZ * f64::from(line.order) / f64::from(RATE);
        // The mains has another phase in each recording, and each line follows it.
        let start = TAU * start_turns * f64::from(line.order);
        for (n, sample) in samples.iter_mut().enumerate() {
            let angle = omega * n as f64 + start;
            *sample += re * angle.cos() - im * angle.sin();
        }
    }
}

fn silence(noise_rms: f64, seed: u64) -> Vec<f64> {
    let recorder = Recorder { noise_rms, seed, ..Recorder::default() };
    record(|block, _, _| block.fill(0.0), 5.0, &mut Gain(1.0), &recorder)
}

struct Made {
    folder: tempfile::TempDir,
    lines: Vec<Line>,
}

/// A bench with one programme take and the silences of `conditions`, `noise` RMS in each recording.
fn bench(rig: &str, conditions: &[&str], noise: [f64; 5], seed: u64) -> Made {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let lines = lines(&mut random);
    let folder = tempfile::tempdir().unwrap();
    let stored = Stored { rate: RATE, bits: 24, float: false };
    let mut text = format!(
        "[bench]\ntitle = \"Hum\"\n[rig]\n{rig}[[build]]\nname = \"as-drawn\"\n[setting.full]\nvolume = \"10\"\n\
         [[take]]\nfile = \"programme.wav\"\nbuild = \"as-drawn\"\nsetting = \"full\"\n"
    );
    let plan = Plan::short(&Choices::default());
    let recorder = Recorder { noise_rms: noise[4], tail_seconds: 0.5, seed, ..Recorder::default() };
    let (_, mut samples) = take(&plan, &mut Gain(0.5), &recorder);
    add_hum(&mut samples, &lines, 5, turns(&mut random));
    write_wav(&folder.path().join("programme.wav"), &samples, stored);
    for (at, condition) in CONDITIONS.iter().enumerate().filter(|(_, c)| conditions.contains(c)) {
        let mut samples = silence(noise[at], seed + 10 + at as u64);
        add_hum(&mut samples, &lines, at + 1, turns(&mut random));
        write_wav(&folder.path().join(format!("quiet-{at}.wav")), &samples, stored);
        text += &format!(
            "[[take]]\nfile = \"quiet-{at}.wav\"\nkind = \"quiet\"\nquiet_condition = \"{condition}\"\nbuild = \"as-drawn\"\n"
        );
    }
    std::fs::write(folder.path().join("bench.toml"), text).unwrap();
    Made { folder, lines }
}

fn analyse(dir: &Path, more: &[&str]) -> String {
    let mut command = assert_cmd::cargo::cargo_bin_cmd!("twinload");
    let out = command.arg("analyse").arg(dir).args(more).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

fn origin(dir: &Path) -> HumOrigin {
    let analysis: Analysis = serde_json::from_str(&analyse(dir, &["--json"])).unwrap();
    assert_eq!(analysis.hum_origins.len(), 1);
    analysis.hum_origins.into_iter().next().unwrap()
}

/// Sample units, peak.
fn peak(quantity: &Quantity) -> Option<f64> {
    let of = |value: f64| match quantity.unit {
        Unit::Millivolts => value / MV_PER_UNIT * SQRT_2,
        // A full-scale sine is 0 dBFS.
        Unit::DbFullScale => 10f64.powf(value / 20.0),
        unit => panic!("{unit:?}"),
    };
    quantity.value.map(of)
}

const NOISE: f64 = 2e-5;

#[test]
fn each_line_is_traced_to_its_place() {
    for (seed, rig) in [(1, RIG), (2, RIG), (3, "")] {
        let made = bench(rig, &CONDITIONS[..4], [NOISE; 5], seed);
        let origin = origin(made.folder.path());
        assert_eq!(origin.silences.iter().map(|s| s.condition.as_str()).collect::<Vec<_>>(), CONDITIONS);
        assert_eq!(origin.silences.iter().map(|s| s.place.as_str()).collect::<Vec<_>>(), PLACES);
        assert_eq!(origin.silences[4].files, ["programme.wav"]);
        let found = |order: u32| origin.lines.iter().find(|l| l.order == order).unwrap();
        for (order, place) in [1, 3, 5, 7, 9].into_iter().zip(PLACES) {
            let line = found(order);
            assert_eq!(line.enters.as_deref(), Some(place), "seed {seed}: {line:#?}");
        }
        assert_eq!(found(2).enters.as_deref(), Some(PLACES[2]), "seed {seed}");
        // What cannot be told is not told, each with its own reason.
        for (order, reason) in [(11, "more than one place"), (13, "lower with amp off than with cable only")]
        {
            let line = found(order);
            assert_eq!(line.enters, None, "seed {seed}, {order}: {line:#?}");
            assert!(line.why.contains(reason), "{}", line.why);
        }
        // 2e-7 (10 µV) under what noise alone may show: no line, so no place for one.
        assert!(origin.lines.iter().all(|l| l.order != 15), "seed {seed}");

        for line in &made.lines {
            let Some(found) = origin.lines.iter().find(|l| l.order == line.order) else { continue };
            for at in 0..5 {
                let [re, im] = line.phasor(at + 1);
                let truth = re.hypot(im);
                // Noise of one line: 2e-5 · √(3/N) over 3 s or more is 1e-7 (methods §3.2); ten times that.
                let level = peak(&found.levels[at]);
                match level {
                    Some(level) => {
                        assert!((level - truth).abs() < 1e-6, "{} {at}: {level} {truth}", line.order)
                    }
                    None => assert!(truth < 2e-6, "{} {at}: {truth} was not seen", line.order),
                }
                // The part of the place lies between the ends, whatever its phase; noise as above.
                if let Some(ends) = found.added[at].interval {
                    let of = |value| peak(&Quantity::new(value, found.added[at].unit)).unwrap();
                    let part = line.parts[at].0;
                    assert!(
                        (of(ends[0]) - 1e-6..=of(ends[1]) + 1e-6).contains(&part),
                        "{} {at}: {ends:?} {part}",
                        line.order
                    );
                }
            }
        }
    }
}

#[test]
fn what_was_not_recorded_is_named_together() {
    let made = bench(RIG, &["amp off"], [NOISE; 5], 4);
    let origin = origin(made.folder.path());
    let place = |at: usize| origin.silences[at].place.as_str();
    assert_eq!(place(0), format!("{}, or {}", PLACES[0], PLACES[1]));
    assert_eq!(place(1), format!("amp, or {}", PLACES[4]));
    let enters = |order| origin.lines.iter().find(|l| l.order == order).unwrap().enters.clone().unwrap();
    assert_eq!([enters(1), enters(3)], [place(0), place(0)]);
    assert_eq!([enters(5), enters(7), enters(9)], [place(1), place(1), place(1)]);
}

#[test]
fn noise_that_hides_a_line_in_one_silence_leaves_its_place_open() {
    // The recording with the amp off is noisy: 0.02 RMS hides what stands there with it off.
    let made = bench(RIG, &["amp off"], [NOISE, 0.02, NOISE, NOISE, NOISE], 5);
    let origin = origin(made.folder.path());
    let line = origin.lines.iter().find(|l| l.order == 11).unwrap();
    assert_eq!((line.levels[0].value, &line.enters), (None, &None), "{line:#?}");
    assert!(line.why.contains("noise of a silence hides too much"), "{}", line.why);
    assert!(line.levels[0].note.as_ref().unwrap().starts_with("below "), "{line:#?}");
}

#[test]
fn without_extra_silences_nothing_is_said() {
    let made = bench(RIG, &[], [NOISE; 5], 6);
    let analysis: Analysis = serde_json::from_str(&analyse(made.folder.path(), &["--json"])).unwrap();
    assert!(analysis.hum_origins.is_empty());
    assert!(!analyse(made.folder.path(), &[]).contains("Where hum enters"));
}

#[test]
fn the_report_has_the_table_under_its_noise_chart() {
    let made = bench(RIG, &CONDITIONS[..4], [NOISE; 5], 8);
    let dir = made.folder.path();
    // The other build has no silences of its own but the one without an amp, which holds for both.
    let plan = Plan::short(&Choices::default());
    let recorder = Recorder { noise_rms: NOISE, tail_seconds: 0.5, seed: 80, ..Recorder::default() };
    let (_, samples) = take(&plan, &mut Gain(0.4), &recorder);
    write_wav(&dir.join("rework.wav"), &samples, Stored { rate: RATE, bits: 24, float: false });
    let toml = dir.join("bench.toml");
    let text = std::fs::read_to_string(&toml).unwrap();
    let text = text.replace("[setting.full]", "[[build]]\nname = \"rework\"\n[setting.full]").replace(
        "quiet_condition = \"cable only\"\nbuild = \"as-drawn\"",
        "quiet_condition = \"cable only\"",
    ) + "[[take]]\nfile = \"rework.wav\"\nbuild = \"rework\"\nsetting = \"full\"\n";
    std::fs::write(toml, text).unwrap();
    let mut command = assert_cmd::cargo::cargo_bin_cmd!("twinload");
    let out = command.arg("compare").arg(dir).arg("--json").output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let comparison: twinload::compare::Comparison = serde_json::from_slice(&out.stdout).unwrap();
    let builds: Vec<(&str, usize)> =
        comparison.hum_origins.iter().map(|o| (o.build.as_str(), o.silences.len())).collect();
    assert_eq!(builds, [("as-drawn", 5), ("rework", 2)]);
    let page = walk(dir).into_iter().find(|p| p.ends_with("report.html")).unwrap();
    let page = std::fs::read_to_string(page).unwrap();
    let after_noise = page.split("<figure id=\"noise-full\">").nth(1).unwrap();
    let table = after_noise.split("<figure").next().unwrap();
    for words in
        ["Where hum enters: <bdi>as-drawn</bdi>", "<th scope=\"row\">150 Hz</th>", "cannot tell", PLACES[2]]
    {
        let escaped = words.replace('\'', "&#39;");
        assert!(table.contains(words) || table.contains(&escaped), "{words}: {table}");
    }
}

/// Every file under a folder.
fn walk(dir: &Path) -> Vec<std::path::PathBuf> {
    let entries = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path());
    entries.flat_map(|p| if p.is_dir() { walk(&p) } else { vec![p] }).collect()
}

#[test]
fn the_table_on_the_terminal_names_the_places() {
    let made = bench(RIG, &CONDITIONS[..4], [NOISE; 5], 7);
    let text = analyse(made.folder.path(), &[]);
    let table: Vec<&str> = text.lines().skip_while(|l| !l.starts_with("Where hum enters")).collect();
    insta::assert_snapshot!(
        table.iter().take_while(|l| !l.starts_with("THD on")).fold(String::new(), |t, l| t + l + "\n")
    );
}
