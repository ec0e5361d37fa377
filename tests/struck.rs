//! What is struck out of a take is not measured and says so everywhere; a take that fails leaves the others alone.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tempfile::TempDir;
use twinload::analyse::{self, Options};
use twinload::analysis::TakeAnalysis;
use twinload::finding::{Fitness, Severity};
use twinload::signals::{Choices, Plan, Signal};
use twinload::simulate::{Band, Chain, Fault, Hum, Recorder, Recording, Tanh, take};

fn plan() -> Plan {
    Plan::short(&Choices::default())
}

/// A take of the short programme, its largest sample at 0.8 of full scale.
fn recording(seed: u64) -> Recording {
    let recorder = Recorder {
        latency_seconds: 0.4,
        tail_seconds: 0.3,
        clock_ppm: 40.0,
        units_per_output: 0.3,
        noise_rms: 1e-5,
        hum: Some(Hum { mains_hz: 50.02, peak: 3e-4, lines: 8 }),
        seed,
        ..Recorder::default()
    };
    let mut amp = Chain(vec![Box::new(Tanh(3.0)), Box::new(Band::new(70.0, 9000.0))]);
    let (rate_hz, mut samples) = take(&plan(), &mut amp, &recorder);
    let peak = samples.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    samples.iter_mut().for_each(|x| *x *= 0.8 / peak);
    Recording::mono(rate_hz, samples)
}

fn write(recording: &Recording, path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: recording.rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for x in &recording.channels[0] {
        writer.write_sample((x * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

fn analysed(recording: &Recording) -> TakeAnalysis {
    let directory = TempDir::new().unwrap();
    let path = directory.path().join("take.wav");
    write(recording, &path);
    analyse::file(&path, &Options::default()).unwrap().remove(0)
}

/// Largest sample of each step of the rising ladder.
fn crests(recording: &Recording) -> Vec<(f64, f64)> {
    let plan = plan();
    let ladder = plan.segment("ladder_up").unwrap();
    let Signal::Ladder { step_seconds, ref levels_db, .. } = ladder.signal else { panic!() };
    let rate_hz = f64::from(recording.rate_hz);
    let crest = |(k, &drive): (usize, &f64)| {
        let from = (0.4 + ladder.start_seconds + step_seconds * k as f64 + 0.02) * rate_hz;
        let to = from + (step_seconds - 0.04) * rate_hz;
        let part = &recording.channels[0][from as usize..to as usize];
        (drive, part.iter().fold(0.0f64, |m, x| m.max(x.abs())))
    };
    levels_db.iter().enumerate().map(crest).collect()
}

#[test]
fn clipped_steps_are_struck_out_and_the_rest_is_measured() {
    let good = recording(1);
    let clean = analysed(&good);
    assert_eq!(clean.fitness, Fitness::Fit, "{:?}", clean.findings);
    // The recorder's ceiling lies between the third and the second highest step.
    let crests = crests(&good);
    let [.., (_, below), (_, above), _] = crests[..] else { panic!() };
    let peak = (below + above) / 2.0;
    let clipped = analysed(&good.clone().with(&Fault::Clip { peak }));
    assert_eq!(clipped.fitness, Fitness::Limited, "{:?}", clipped.findings);
    let told: Vec<_> = clipped.findings.iter().filter(|f| f.code == "clipped_input").collect();
    let [told] = told[..] else { panic!("{told:?}") };
    assert_eq!((told.severity, told.segment.as_deref()), (Severity::Limit, Some("ladder_up")));
    assert!(told.effect.contains("2 steps of ladder up, −2 to 0 dB"), "{}", told.effect);
    // Exactly the steps over the ceiling are struck out, and no other is.
    let struck: Vec<f64> =
        clipped.struck.iter().filter(|s| s.segment == "ladder_up").map(|s| s.drive.unwrap()).collect();
    let over: Vec<f64> = crests.iter().filter(|c| c.1 > peak).map(|c| c.0).collect();
    assert_eq!(struck, over);
    let drives = |take: &TakeAnalysis| -> Vec<f64> {
        take.curves["ladder_up"].column("drive").unwrap().into_iter().flatten().collect()
    };
    let kept: Vec<f64> = drives(&clean).into_iter().filter(|d| !over.contains(d)).collect();
    assert_eq!(drives(&clipped), kept);
    // What lies elsewhere is measured as before, to the last digit of its interval.
    for name in ["gain", "low_corner", "high_corner", "noise", "hum_total", "drive_at_thd_1_percent"] {
        let (a, b) = (clean.figures.value(name).unwrap(), clipped.figures.value(name).unwrap());
        assert!((a - b).abs() <= 1e-6 * a.abs(), "{name}: {a} {b}");
    }
    // What would have come from the struck parts has no value and says why.
    for name in ["cranked_power", "cranked_power_fundamental", "sag", "burst_sustained", "burst_margin"] {
        let figure = clipped.figures.get(name).unwrap_or_else(|| panic!("no {name}"));
        let why = figure.note.as_deref().unwrap_or_default();
        assert!(figure.value.is_none() && why.contains("clipped in the recorder"), "{name}: {figure:?}");
    }
    let figure = clipped.figures.get("drive_at_thd_10_percent").unwrap();
    assert!(figure.value.is_some() || figure.note.as_ref().unwrap().contains("struck out: clipped in the"));
}

#[test]
fn a_crossing_among_struck_steps_is_not_guessed() {
    let good = recording(2);
    let clean = analysed(&good);
    let drive = clean.figures.value("drive_at_thd_5_percent").unwrap();
    let crests = crests(&good);
    let rate_hz = f64::from(good.rate_hz);
    // Samples are lost in the two steps on either side of the crossing.
    let plan = plan();
    let start = plan.segment("ladder_up").unwrap().start_seconds;
    let at = crests.iter().position(|c| c.0 > drive).unwrap();
    let seconds = |k: usize| 0.4 + start + 0.25 * k as f64 + 0.12;
    let mut spoilt = good;
    for k in [at - 1, at] {
        let from = (seconds(k) * rate_hz) as usize;
        spoilt.channels[0][from..from + 200].fill(0.0);
    }
    let spoilt = analysed(&spoilt);
    for name in ["drive_at_thd_5_percent", "power_at_thd_5_percent", "sensitivity"] {
        let figure = spoilt.figures.get(name).unwrap();
        let why = figure.note.as_deref().unwrap_or_default();
        assert!(figure.value.is_none() && why.contains("struck out"), "{name}: {figure:?}");
    }
    assert!(spoilt.figures.value("gain").is_some());
}

#[test]
fn every_figure_of_a_segment_that_is_struck_out_is_there_with_the_reason() {
    let good = recording(3);
    let clean = analysed(&good);
    // Zeros in the middle of every segment.
    let mut spoilt = good;
    let rate_hz = f64::from(spoilt.rate_hz);
    for segment in &plan().segments {
        let steps = match &segment.signal {
            Signal::Ladder { levels_db, step_seconds, .. } => {
                (0..levels_db.len()).map(|k| (k as f64 + 0.5) * step_seconds).collect()
            }
            _ => vec![0.45 * segment.length_seconds],
        };
        for within in steps {
            let from = ((0.4 + segment.start_seconds + within) * rate_hz) as usize;
            spoilt.channels[0][from..from + 960].fill(0.0);
        }
    }
    let spoilt = analysed(&spoilt);
    let names = |take: &TakeAnalysis| take.figures.quantities.keys().cloned().collect::<Vec<_>>();
    let left: Vec<String> =
        names(&clean).into_iter().filter(|name| spoilt.figures.get(name).is_none()).collect();
    assert_eq!(left, [""; 0], "figures that vanish without a word");
    for (name, figure) in &spoilt.figures.quantities {
        let why = figure.note.as_deref().unwrap_or_default();
        assert!(figure.value.is_none() && why.contains("struck out"), "{name}: {figure:?}");
    }
    assert_eq!(spoilt.figures.intermodulation.len(), clean.figures.intermodulation.len());
    let pair = &spoilt.figures.intermodulation[0].total;
    assert!(pair.value.is_none() && pair.note.as_ref().unwrap().contains("struck out"), "{pair:?}");
}

const BENCH: &str = "[bench]\ntitle = \"struck\"\nmains_hz = 50\n\n[rig]\nload_ohms = 8.0\n\
    input_full_scale_volts = 10.0\npad = { divides_by = 10.0 }\n\n\
    [[build]]\nname = \"one\"\n\n[[build]]\nname = \"two\"\n\n[setting.full]\nvolume = \"10\"\n";

/// A bench with these takes: file and build.
fn bench(directory: &TempDir, takes: &[(&str, &str)]) -> PathBuf {
    let bench = directory.path().join("bench");
    fs::create_dir_all(bench.join("takes")).unwrap();
    fs::create_dir_all(bench.join("test-signals")).unwrap();
    fs::write(bench.join("test-signals/plan.json"), serde_json::to_string(&plan()).unwrap()).unwrap();
    let entries = takes.iter().map(|(file, build)| {
        format!("\n[[take]]\nfile = \"takes/{file}\"\nbuild = \"{build}\"\nsetting = \"full\"\n")
    });
    fs::write(bench.join("bench.toml"), format!("{BENCH}{}", entries.collect::<String>())).unwrap();
    bench
}

fn run(arguments: &[&str]) -> (i32, String) {
    let output = assert_cmd::cargo::cargo_bin_cmd!("twinload").args(arguments).output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    (output.status.code().unwrap_or_else(|| panic!("{}", String::from_utf8_lossy(&output.stderr))), said)
}

#[test]
fn a_take_that_fails_leaves_the_others_untouched_and_is_told_everywhere() {
    let directory = TempDir::new().unwrap();
    let good = [("a.wav", "one"), ("b.wav", "two")];
    let folder = bench(&directory, &good);
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    write(&recording(11), &folder.join("takes/a.wav"));
    let louder = recording(12);
    let peak = crests(&louder).last().unwrap().1 * 0.98;
    write(&louder.with(&Fault::Clip { peak }), &folder.join("takes/b.wav"));
    let (code, alone) = run(&["analyse", &text(&folder), "--json"]);
    assert_eq!(code, 0);
    let alone: Value = serde_json::from_str(&alone).unwrap();

    // The same with takes that fail each in its own way, in between.
    let bad = ["torn.wav", "missing.wav", "silent.wav"];
    let mut all = vec![good[0]];
    all.extend(bad.map(|file| (file, "one")));
    all.push(good[1]);
    let folder = bench(&directory, &all);
    fs::write(folder.join("takes/torn.wav"), b"RIFF\x10\0\0\0WAVEjunk").unwrap();
    write(&Recording::mono(48_000, vec![0.0; 96_000]), &folder.join("takes/silent.wav"));
    let (code, both) = run(&["analyse", &text(&folder), "--json"]);
    assert_eq!(code, 1);
    let both: Value = serde_json::from_str(&both).unwrap();
    assert_eq!(both["takes"].as_array().unwrap().len(), 5);
    assert_eq!((&both["takes"][0], &both["takes"][4]), (&alone["takes"][0], &alone["takes"][1]));
    for (k, name) in bad.iter().enumerate() {
        let take = &both["takes"][k + 1];
        let failure = take["failure"].as_str().unwrap_or_else(|| panic!("{name}: {take}"));
        assert!(failure.contains(name) && take["fitness"] == "redo", "{failure}");
    }
    // Table, report and exit code.
    let (code, table) = run(&["analyse", &text(&folder)]);
    assert_eq!(code, 1);
    assert_eq!(table.matches("FAILED: ").count(), 3, "{table}");
    assert!(table.contains("struck out: the step of ladder up at 0 dB of drive: clipped in the"), "{table}");
    let (code, told) = run(&["compare", &text(&folder), "--no-pictures"]);
    assert_eq!(code, 1);
    let page = fs::read_to_string(folder.join("reports/report.html"))
        .unwrap_or_else(|_| panic!("no report: {told}"));
    for name in bad {
        assert!(told.contains(&format!("not used: takes/{name}: failed: ")), "{name}: {told}");
        assert!(page.contains(&format!("takes/{name}")), "{name} is not in the report");
    }
    assert_eq!(page.matches("failed: ").count(), 3);
    assert!(page.contains("struck out: the step of ladder up at 0 dB of drive: clipped in the recorder"));
    assert!(page.contains("Rings at the foot: steps struck out in a take."), "the chart does not mark them");
}
