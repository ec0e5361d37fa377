//! The JSON contract (DEVELOPERS.md): real output read into types that refuse unknown fields.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::Value;
use twinload::analysis::{Analysis, Harmonic, HumLine, Intermodulation, Product};
use twinload::figure::Quantity;

/// Figures that may stand in the analysis besides the lists; families end in `*`.
const FIGURES: &[&str] = &[
    "frequency",
    "level",
    "thd",
    "thd_r",
    "thd_n",
    "sinad",
    "even_harmonics",
    "odd_harmonics",
    "dc",
    "output",
    "power",
    "power_fundamental",
    "gain",
    "thd_at_1_watt",
    "harmonic_2_at_1_watt",
    "harmonic_3_at_1_watt",
    "power_at_*",
    "drive_at_*",
    "output_at_*",
    "clip_drive_*",
    "clip_power*",
    "cranked_power*",
    "cranked_thd*",
    "thd_highest_order",
    "sensitivity",
    "onset_span",
    "hysteresis",
    "reference_shift",
    "low_corner*",
    "high_corner*",
    "power_bandwidth_*",
    "ripple",
    "noise",
    "noise_*",
    "hum_*",
    "mains_frequency",
    "modulation_distortion*",
    "difference_distortion_*",
    "chord_distortion*",
    "sag",
    "sag_time",
    "recovery_*",
    "burst_*",
    "output_impedance*",
    "damping_factor*",
    "signal_to_noise*",
    "thd_100_hz",
    "thd_5_khz",
];

const CURVES: &[&str] = &[
    "ladder_up",
    "ladder_down",
    "low_e_ladder",
    "waveform",
    "response_low_drive",
    "response_high_drive",
    "harmonics_by_frequency",
    "noise_spectrum",
    "burst_envelope",
    "products",
    "products_*",
    "output_impedance",
    "rise",
    "interface_distortion",
    "interface_distortion_low_e",
];

fn allowed(name: &str, list: &[&str]) -> bool {
    list.iter().any(|entry| match entry.strip_suffix('*') {
        Some(family) => name.starts_with(family),
        None => name == *entry,
    })
}

fn analyse(file: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    let output =
        assert_cmd::cargo::cargo_bin_cmd!("twinload").args(["analyse", "--json"]).arg(path).output().unwrap();
    assert!(output.status.success(), "{file}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn hold(document: &Value) {
    // Every struct but the figures refuses unknown fields by itself.
    let analysis: Analysis = serde_json::from_value(document.clone()).unwrap();
    assert_eq!(analysis.schema, "twinload/analysis/1");
    for take in document["takes"].as_array().unwrap() {
        for (name, value) in take["figures"].as_object().unwrap() {
            match name.as_str() {
                "harmonics" => drop(serde_json::from_value::<Vec<Harmonic>>(value.clone()).unwrap()),
                "hum_lines" => drop(serde_json::from_value::<Vec<HumLine>>(value.clone()).unwrap()),
                "products" => drop(serde_json::from_value::<Vec<Product>>(value.clone()).unwrap()),
                "intermodulation" => {
                    drop(serde_json::from_value::<Vec<Intermodulation>>(value.clone()).unwrap())
                }
                name => {
                    assert!(allowed(name, FIGURES), "{name} is not in the contract");
                    let q: Quantity = serde_json::from_value(value.clone()).unwrap();
                    // Not measured always has its reason; an interval always has its confidence.
                    assert!(q.value.is_some() || q.note.is_some(), "{name}: {q:?}");
                    assert_eq!(q.interval.is_some(), q.confidence.is_some(), "{name}: {q:?}");
                }
            }
        }
        for (name, curve) in take["curves"].as_object().unwrap() {
            assert!(allowed(name, CURVES), "curve {name} is not in the contract");
            let width = curve["columns"].as_array().unwrap().len();
            let names: BTreeSet<&str> =
                curve["columns"].as_array().unwrap().iter().map(|c| c["name"].as_str().unwrap()).collect();
            assert_eq!(names.len(), width, "{name}: a column stands twice");
            assert!(curve["rows"].as_array().unwrap().iter().all(|r| r.as_array().unwrap().len() == width));
        }
    }
}

#[test]
fn a_tone_two_tones_a_programme_and_a_level_check_hold_the_contract() {
    for file in [
        "tests/recordings/amp-p-tone-1000hz-397mv.wav",
        "tests/recordings/amp-p-pair-1000-1300hz-100mv.wav",
        "test-signals/programme.wav",
        "test-signals/level-check.wav",
    ] {
        hold(&analyse(file));
    }
}

#[test]
fn a_tone_has_what_the_contract_promises_in_the_units_it_names() {
    let document = analyse("tests/recordings/amp-q-tone-1000hz-199mv.wav");
    let figures = &document["takes"][0]["figures"];
    for (name, unit) in [
        ("frequency", "Hz"),
        ("level", "dBFS"),
        ("thd", "%"),
        ("thd_n", "%"),
        ("sinad", "dB"),
        ("even_harmonics", "%"),
        ("odd_harmonics", "%"),
    ] {
        assert_eq!(figures[name]["unit"], unit, "{name}");
        assert!(figures[name]["value"].is_number(), "{name}");
    }
    let first = &figures["harmonics"][0];
    assert_eq!(first["order"], 1);
    assert_eq!((&first["ratio"]["unit"], &first["phase"]["unit"]), (&Value::from("%"), &Value::from("deg")));
}

#[test]
fn schema_stands_first_in_the_text() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/level-check.wav");
    let output =
        assert_cmd::cargo::cargo_bin_cmd!("twinload").args(["analyse", "--json"]).arg(path).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.trim_start_matches(['{', ' ', '\n']).starts_with("\"schema\""), "{}", &text[..80]);
    assert!(text.ends_with("}\n"));
}

#[test]
fn check_holds_its_contract_for_good_and_bad_files() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let output = assert_cmd::cargo::cargo_bin_cmd!("twinload")
        .args(["check", "--json"])
        .args(
            ["test-signals/programme.wav", "tests/zoo/files/not_mp3.wav", "no-such-file.wav"]
                .map(|f| root.join(f)),
        )
        .output()
        .unwrap();
    // One of them cannot be used: 1, and all of them are told.
    assert_eq!(output.status.code(), Some(1));
    let check: twinload::check::Check = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(check.schema, "twinload/check/1");
    assert_eq!(check.files.len(), 3);
    assert!(check.files[0].failure.is_none() && check.files[1..].iter().all(|f| f.failure.is_some()));
}
