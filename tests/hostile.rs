//! What a person can get wrong: one clear error each, exit code 1, nothing half-written.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::process::Output;

use tempfile::TempDir;
use twinload::signals::write::{Depth, Form, write_plan, write_wav};
use twinload::signals::{Choices, Identity, Plan};

const FORM: Form = Form { rate_hz: 48_000, depth: Depth::Int16, channels: 1 };

fn twinload(args: &[&str]) -> Output {
    assert_cmd::cargo::cargo_bin_cmd!("twinload").args(args).output().unwrap()
}

/// Standard error of a run that must fail with code 1 and say nothing on standard output.
fn refused(args: &[&str]) -> String {
    let output = twinload(args);
    let error = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1), "{args:?}: {error}");
    assert!(output.stdout.is_empty(), "{args:?}: {}", String::from_utf8_lossy(&output.stdout));
    assert!(error.starts_with("error: ") && !error.contains("panicked"), "{error}");
    error
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A bench whose plan is the short one, with one take entry for `file`.
fn bench(dir: &TempDir, file: &str, toml: &str) -> PathBuf {
    let bench = dir.path().join("bench");
    std::fs::create_dir_all(bench.join("takes")).unwrap();
    std::fs::create_dir_all(bench.join("test-signals")).unwrap();
    let plan = serde_json::to_string(&Plan::short(&Choices::default())).unwrap();
    std::fs::write(bench.join("test-signals/plan.json"), plan).unwrap();
    let take = if file.is_empty() {
        String::new()
    } else {
        format!("\n[[take]]\nfile = \"takes/{file}\"\nbuild = \"one\"\nsetting = \"full\"\n")
    };
    std::fs::write(bench.join("bench.toml"), format!("{toml}{take}")).unwrap();
    bench
}

const GOOD: &str = "[bench]\ntitle = \"hostile\"\nmains_hz = 50\n\n[rig]\nload_ohms = 8.0\n\n\
                    [[build]]\nname = \"one\"\n\n[setting.full]\nvolume = \"10\"\n";

#[test]
fn files_that_hold_no_audio_are_refused_in_one_line() {
    let dir = TempDir::new().unwrap();
    let empty = dir.path().join("empty.wav");
    std::fs::write(&empty, b"").unwrap();
    let missing = dir.path().join("missing.wav");
    for path in [&empty, &missing] {
        let error = refused(&["analyse", text(path), "--json"]);
        assert_eq!(error.lines().count(), 1, "{error}");
        assert!(error.contains(path.file_name().unwrap().to_str().unwrap()), "{error}");
    }
}

#[test]
fn another_programmes_recording_is_refused_by_its_identity() {
    let dir = TempDir::new().unwrap();
    let other = Plan::short(&Choices { top_dbfs: -3.0, ..Choices::default() });
    let path = dir.path().join("other.wav");
    write_plan(&path, &other, Identity { plan: other.identity(), part: 0 }, FORM).unwrap();
    let error = refused(&["analyse", text(&path), "--json"]);
    assert!(error.contains(&format!("{:04x}", other.identity())) && error.contains("--plan"), "{error}");
    // With its own plan it is measured.
    let plan = dir.path().join("plan.json");
    std::fs::write(&plan, serde_json::to_string(&other).unwrap()).unwrap();
    let output = twinload(&["analyse", text(&path), "--json", "--plan", text(&plan)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn a_take_without_markers_fails_and_says_what_to_look_for() {
    let dir = TempDir::new().unwrap();
    let bench = bench(&dir, "silent.wav", GOOD);
    write_wav(&bench.join("takes/silent.wav"), FORM, 96_000, |block, _| block.fill(0.0)).unwrap();
    let output = twinload(&["analyse", text(&bench)]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("FAILED") && said.contains("no markers"), "{said}");
    // The rest of the work is done: the document tells the failure too.
    let json = std::fs::read_to_string(bench.join("reports/analysis.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(json["takes"][0]["failure"].as_str().unwrap().contains("no markers"), "{json}");
}

#[test]
fn a_recording_cut_short_gives_what_it_holds_and_says_what_it_lacks() {
    let dir = TempDir::new().unwrap();
    let plan = Plan::short(&Choices::default());
    let path = dir.path().join("cut.wav");
    let frames = (plan.segment("sweep_low").unwrap().start_seconds * 48_000.0) as usize;
    let player_plan = plan.clone();
    let player = twinload::signals::Player::new(&player_plan, Identity { plan: plan.identity(), part: 0 });
    write_wav(&path, FORM, frames, |block, first| player.fill(block, first as f64 / 48e3, 1.0 / 48e3))
        .unwrap();
    let output = twinload(&["analyse", text(&path), "--json"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let take = &json["takes"][0];
    // Without either sweep too little is left to compare.
    assert_eq!(take["fitness"], "redo");
    let codes: Vec<&str> =
        take["findings"].as_array().unwrap().iter().map(|f| f["code"].as_str().unwrap()).collect();
    assert!(codes.contains(&"marker_missing"), "{codes:?}");
    // One word on all that is missing, not one each.
    let missing: Vec<_> =
        take["findings"].as_array().unwrap().iter().filter(|f| f["code"] == "segment_missing").collect();
    let [missing] = missing[..] else { panic!("{codes:?}") };
    let saw = missing["saw"].as_str().unwrap();
    assert!(saw.contains("the recording stops after") && saw.contains("6 of 10 segments"), "{saw}");
    assert!(saw.ends_with("sweep_low, sweep_high, modulation_high, difference_mid_high, burst, reference_3"));
    let output = twinload(&["check", text(&path)]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert_eq!(said.matches("burst").count(), 1, "{said}");
    let wide = said.lines().skip(1).find(|line| line.chars().count() > 80);
    assert_eq!(wide, None);
    assert!(take["figures"]["gain"]["value"].is_number(), "{take}");
    assert!(take["curves"]["response_low_drive"].is_null());
}

#[test]
fn a_dead_channel_says_where_the_signal_is() {
    use twinload::takes::health::Health;
    let mut health = Health::new(48_000, 2);
    let block: Vec<f64> = (0..48_000).flat_map(|n| [0.0, 0.3 * (f64::from(n) * 0.1).sin()]).collect();
    health.feed(&block, None);
    let findings = health.finish(0, None).findings;
    let silent = findings.iter().find(|f| f.code == "channel_silent").unwrap();
    assert!(silent.advice.contains("--channel 2"), "{silent:?}");
}

#[test]
fn what_is_asked_in_the_wrong_place_is_said() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("tone.wav");
    write_wav(&path, FORM, 48_000, |block, first| {
        for (k, x) in block.iter_mut().enumerate() {
            *x = 0.3 * ((first + k) as f64 * 0.1).sin();
        }
    })
    .unwrap();
    let error = refused(&["analyse", text(&path), "--budget"]);
    assert!(error.contains("--budget is for a bench"), "{error}");
    let nowhere = dir.path().join("nope");
    let output = twinload(&["signals", text(&nowhere), "--short", "--bits", "16", "--rate", "44100"]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("There is no bench in"), "{said}");
    let manual = dir.path().join("man1");
    assert!(twinload(&["man", text(&manual)]).status.success());
    for page in ["twinload.1", "twinload-check.1", "twinload-compare.1"] {
        assert!(manual.join(page).metadata().unwrap().len() > 200, "{page}");
    }
}

/// The samples of a plan at this rate, with a little noise: exact zeros are another matter.
fn played(plan: &Plan, rate_hz: f64) -> Vec<f64> {
    let mut samples = vec![0.0; (plan.length_seconds * rate_hz) as usize];
    let said = Identity { plan: plan.identity(), part: 0 };
    twinload::signals::Player::new(plan, said).fill(&mut samples, 0.0, 1.0 / rate_hz);
    let mut random = twinload::simulate::noise::White::new(1);
    samples.into_iter().map(|x| 0.7 * x + 1e-5 * random.value()).collect()
}

/// Checks these samples, labelled with a rate: fitness, and what was said.
fn checked(samples: &[f64], rate_hz: u32) -> (String, Vec<String>) {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("it.wav");
    let form = Form { rate_hz, depth: Depth::Int24, channels: 1 };
    write_wav(&path, form, samples.len(), |block, first| {
        block.copy_from_slice(&samples[first..first + block.len()]);
    })
    .unwrap();
    let output = twinload(&["check", text(&path), "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let file = &json["files"][0];
    let said = file["findings"].as_array().unwrap().iter();
    let said =
        said.map(|f| format!("{}: {}", f["code"].as_str().unwrap(), f["saw"].as_str().unwrap())).collect();
    assert_eq!(output.status.code(), Some(i32::from(file["fitness"] == "redo")));
    (file["fitness"].as_str().unwrap().to_owned(), said)
}

#[test]
fn noise_is_no_pair_of_tones() {
    use twinload::simulate::noise::White;
    let mut random = White::new(3);
    let noise: Vec<f64> = (0..48_000 * 4).map(|_| 1e-5 * random.value()).collect();
    let (fitness, said) = checked(&noise, 48_000);
    assert!(fitness == "redo" && said.iter().any(|s| s.contains("only noise at −97 dBFS")), "{said:?}");
    assert!(said.iter().all(|s| !s.starts_with("level_low")), "{said:?}");
    let loud: Vec<f64> = noise.iter().map(|x| 1e4 * x).collect();
    let (fitness, said) = checked(&loud, 48_000);
    assert!(fitness == "redo" && said.iter().any(|s| s.starts_with("no_steady_tone")), "{said:?}");
    // Two steady tones are two steady tones, and nothing is missing in them.
    let pair: Vec<f64> = (0..48_000 * 4)
        .map(|n| {
            let t = std::f64::consts::TAU * f64::from(n) / 48_000.0;
            0.2 * (70.0 * t).sin() + 0.05 * (7000.0 * t).sin() + 1e-5 * random.value()
        })
        .collect();
    assert_eq!(checked(&pair, 48_000), ("fit".to_owned(), Vec::new()));
}

#[test]
fn a_programme_by_a_wrong_rate_is_named_and_nothing_else_is_said() {
    let samples = played(&Plan::short(&Choices::default()), 48_000.0);
    for label in [44_100, 96_000] {
        let (fitness, said) = checked(&samples, label);
        let [only] = &said[..] else { panic!("{said:?}") };
        assert_eq!(fitness, "redo");
        assert!(only.contains(&format!("recorded at 48000 Hz and labelled {label} Hz")), "{only}");
    }
}

#[test]
fn a_level_check_without_its_start_is_not_taken_for_the_programme() {
    let samples = played(&Plan::level_check(&Choices::default()), 48_000.0);
    let (fitness, said) = checked(&samples[(1.6 * 48e3) as usize..], 48_000);
    let [only] = &said[..] else { panic!("{said:?}") };
    assert!(fitness == "redo" && only.starts_with("start_missing: one marker only"), "{said:?}");
    // A programme without its start is known by its ladder.
    let samples = played(&Plan::short(&Choices::default()), 48_000.0);
    let (fitness, said) = checked(&samples[(2.5 * 48e3) as usize..], 48_000);
    assert!(fitness == "limited" && said.iter().all(|s| !s.starts_with("start_missing")), "{said:?}");
}

#[test]
fn faults_in_bench_toml_have_file_line_and_the_nearest_key() {
    let dir = TempDir::new().unwrap();
    for (toml, file, words) in [
        (GOOD.replace("load_ohms", "load_ohm"), "", vec!["bench.toml", "load_ohm", "load_ohms"]),
        (GOOD.replace("8.0", "8,0"), "", vec!["bench.toml", "8.0"]),
        (GOOD.replace("8.0", "-8.0"), "", vec!["bench.toml", "load_ohms"]),
        (GOOD.replace("name = \"one\"", "name = \"two\""), "a.wav", vec!["bench.toml", "one"]),
    ] {
        let bench = bench(&dir, file, &toml);
        let error = refused(&["analyse", text(&bench)]);
        for word in words {
            assert!(error.contains(word), "{word} is missing in:\n{error}");
        }
        assert!(!bench.join("reports").exists(), "something was written");
    }
}

#[test]
fn a_damaged_plan_is_named_with_its_fault() {
    let dir = TempDir::new().unwrap();
    let bench = bench(&dir, "a.wav", GOOD);
    let path = bench.join("test-signals/plan.json");
    let good = std::fs::read_to_string(&path).unwrap();
    for bad in [good[..good.len() / 2].to_owned(), good.replace("ladder_up", "quiet"), "[]".to_owned()] {
        std::fs::write(&path, bad).unwrap();
        let error = refused(&["analyse", text(&bench)]);
        assert!(error.contains("plan.json"), "{error}");
    }
}

#[test]
fn test_signals_are_not_put_over_another_programmes() {
    let dir = TempDir::new().unwrap();
    let at = text(dir.path());
    let small = ["--short", "--bits", "16", "--rate", "44100"];
    assert!(twinload(&[&["signals", at], &small[..]].concat()).status.success());
    assert!(
        twinload(&[&["signals", at], &small[..]].concat()).status.success(),
        "the same again is no fault"
    );
    let plan = std::fs::read(dir.path().join("test-signals/plan.json")).unwrap();
    let other = [&["signals", at, "--top-dbfs", "-6"], &small[..]].concat();
    let error = refused(&other);
    assert!(error.contains("plan.json") && error.contains("--replace"), "{error}");
    assert_eq!(std::fs::read(dir.path().join("test-signals/plan.json")).unwrap(), plan);
    assert!(twinload(&[&other[..], &["--replace"]].concat()).status.success());
}

#[test]
fn what_is_struck_out_is_not_measured() {
    use twinload::analysis::Strike;
    use twinload::measure::{self, Plans};
    use twinload::simulate::{self, Polynomial, Recorder};
    use twinload::takes::detect::Detector;
    use twinload::takes::tape::Tape;
    use twinload::takes::{Scale, Take};

    let plan = Plan::short(&Choices::default());
    let recorder =
        Recorder { latency_seconds: 0.2, tail_seconds: 0.3, noise_rms: 1e-5, ..Recorder::default() };
    let (rate_hz, samples) = simulate::take(&plan, &mut Polynomial(vec![0.8, 0.05]), &recorder);
    let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
    let mut detector = Detector::new(f64::from(rate_hz));
    detector.feed(&samples);
    let hits = detector.finish();
    let take = Take::find(Tape::of(samples), f64::from(rate_hz), &hits, &[plan]).unwrap().unwrap();
    let measure = |struck: &[Strike]| {
        measure::take_without(&take, &Scale::default(), None, struck, &mut Plans::default())
    };
    let strike = |segment: &str, part| Strike {
        segment: segment.to_owned(),
        part,
        drive: None,
        because: "test".to_owned(),
    };

    let whole = measure(&[]);
    for (segment, curve) in [
        ("quiet", "noise_spectrum"),
        ("ladder_up", "ladder_up"),
        ("ladder_down", "ladder_down"),
        ("sweep_low", "response_low_drive"),
        ("sweep_high", "response_high_drive"),
        ("modulation_high", "products"),
        ("burst", "burst_envelope"),
    ] {
        assert!(whole.curves.contains_key(curve), "{curve}");
        let rest = measure(&[strike(segment, None)]);
        assert!(!rest.curves.contains_key(curve), "{segment} was struck out, {curve} is there");
        assert!(rest.struck.iter().any(|s| s.segment == segment));
        // All the others stand.
        assert!(rest.curves.len() + 3 > whole.curves.len(), "{:?}", rest.curves.keys());
    }
    // A ladder loses the step, not the whole.
    let rows = |m: &measure::Measured| m.curves["ladder_up"].rows.len();
    assert_eq!(rows(&measure(&[strike("ladder_up", Some(3))])), rows(&whole) - 1);
}
