//! bench.toml: what is read, and how each fault is shown.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use twinload::bench::{Bench, BenchError, Pad, QuietCondition, TakeKind};

/// The example of design.md §3, filled in.
const EXAMPLE: &str = include_str!("bench/example.toml");

fn parse(source: &str) -> Result<Bench, BenchError> {
    Bench::parse(Path::new("bench"), Path::new("bench.toml"), source)
}

/// The fault as a person sees it.
fn shown(source: &str) -> String {
    parse(source).expect_err("must be refused").to_string()
}

#[test]
fn the_example_of_the_design_is_read_in_order() {
    let bench = parse(EXAMPLE).unwrap();
    assert_eq!(bench.title, "Heron 6: output valve and bias");
    assert_eq!(bench.mains_hz, Some(50.0));
    assert!(!bench.simulated);
    assert_eq!(bench.channel(), 1);
    assert_eq!(bench.rig.drive_channel, Some(2));
    let names: Vec<_> = bench.builds.iter().map(|b| b.name.as_str()).collect();
    assert_eq!(names, ["as-drawn", "rework"]);
    assert_eq!(bench.builds[0].dc[0].expected_volts, Some(315.0));
    let settings: Vec<_> = bench.settings.iter().map(|s| (s.name.as_str(), s.words())).collect();
    assert_eq!(settings, [("full", "volume 10, tone 5".to_owned()), ("dark", "volume 3, tone 1".to_owned())]);
    assert_eq!(bench.takes[2].kind, TakeKind::Quiet);
    assert_eq!(bench.takes[2].quiet_condition, Some(QuietCondition::InputShorted));
    assert!(!bench.takes[3].used);
    assert_eq!((bench.repeat_of(0), bench.repeat_of(1), bench.repeat_of(3)), (Some(1), Some(2), None));
    assert_eq!(bench.repeat_of(99), None);
}

#[test]
fn scale_turns_full_scale_into_volts_watts_and_drive() {
    let bench = parse(EXAMPLE).unwrap();
    // By hand: 10k over 1k beside 10k gives 1/12 (reference §8: 0.08333333), so 1.9 V at the
    // interface is 22.8 V RMS at the load; 65 W for a full-scale sine.
    let scale = bench.scale_of(&bench.takes[0], -1.0);
    approx::assert_relative_eq!(scale.volts(0.5f64.sqrt()).unwrap(), 22.8, max_relative = 1e-12);
    approx::assert_relative_eq!(scale.watts(0.5).unwrap(), 22.8 * 22.8 / 8.0, max_relative = 1e-12);
    // 1.2 V RMS at 0 dBFS; the top is 1 dB under it.
    approx::assert_relative_eq!(scale.drive_volts(0.0).unwrap(), 1.069_501, max_relative = 1e-6);
    // A take may have its own load.
    assert_eq!(bench.scale_of(&bench.takes[3], -1.0).load_ohms, Some(16.0));
}

#[test]
fn without_pad_or_calibration_there_are_no_volts() {
    for missing in ["pad = ", "input_full_scale_volts = "] {
        let source = EXAMPLE.replace(missing, &format!("# {missing}"));
        let bench = parse(&source).unwrap();
        assert_eq!(bench.scale_of(&bench.takes[0], -1.0).load_volts_per_unit, None, "{missing}");
    }
}

#[test]
fn a_measured_ratio_with_interface_needs_no_loading() {
    let source =
        EXAMPLE.replace("pad = {", "pad = { divides_by = 12.0, measured_with_interface = true }\n# {");
    let bench = parse(&source).unwrap();
    assert!(matches!(bench.rig.pad, Some(Pad::Measured { measured_with_interface: true, .. })));
    approx::assert_relative_eq!(bench.rig.load_full_scale_volts().unwrap(), 22.8, max_relative = 1e-12);
}

#[test]
fn an_empty_file_is_an_empty_bench() {
    let bench = parse("").unwrap();
    assert!(bench.builds.is_empty() && bench.takes.is_empty());
    assert_eq!(bench.channel(), 1);
}

#[test]
fn a_wrong_key_names_the_nearest_known_one() {
    insta::assert_snapshot!(shown(&EXAMPLE.replace("load_ohms = 8.0", "load_ohm = 8.0")));
    for (wrong, right) in
        [("mains_hertz = 50", "did you mean `mains_hz`?"), ("titel = \"a\"", "did you mean `title`?")]
    {
        let shown = shown(&format!("[bench]\n{wrong}\n"));
        assert!(shown.contains(right), "{shown}");
    }
    assert!(shown("[bench]\nzzz = 1\n").contains("known here: title"));
    assert!(shown("[rigg]\n").contains("did you mean `rig`?"));
}

#[test]
fn a_decimal_comma_is_recognised() {
    insta::assert_snapshot!(shown(&EXAMPLE.replace("load_ohms = 8.0", "load_ohms = 8,0")));
    assert!(shown("[rig]\nload_ohms = \"8,0\"\n").contains("write 8.0"));
    assert!(shown("[rig]\npad = { divides_by = 25,1, tolerance_percent = 1 }\n").contains("write 25.1"));
    // A comma that belongs there is not blamed.
    let missing = shown("[rig]\npad = { top_ohms = 10,bottom_ohms = }\n");
    assert!(!missing.contains("decimal comma"), "{missing}");
}

#[test]
fn what_cannot_be_so_is_shown_with_line_and_marker() {
    let source = EXAMPLE
        .replace("load_ohms = 8.0", "load_ohms = -8.0")
        .replace("file = \"takes/as-drawn-full-2.wav\"", "file = \"../as-drawn-full-2.wav\"")
        .replace("build = \"rework\"\nsetting = \"full\"", "build = \"rewrok\"\nsetting = \"fool\"");
    insta::assert_snapshot!(shown(&source));
}

#[test]
fn every_fault_is_found() {
    let cases = [
        ("[rig]\nload_ohms = 0\n", "load_ohms is 0"),
        ("[rig]\nload_ohms = nan\n", "load_ohms must be a number"),
        ("[rig]\nload_ohms = inf\n", "load_ohms must be a number"),
        ("[rig]\nload_ohms = \"8\"\n", "without quotes"),
        ("[rig]\nmeter_percent = 120\n", "between 0 and 100"),
        ("[rig]\nchannel = 0\n", "whole number from 1"),
        ("[rig]\nchannel = 2\ndrive_channel = 2\n", "are the same"),
        ("[rig]\ndrive_channel = 1\n", "are the same"),
        ("[rig]\npad = { }\n", "either its two resistors"),
        ("[rig]\npad = { top_ohms = 10, divides_by = 3 }\n", "either its two resistors"),
        ("[rig]\npad = { top_ohms = 10 }\n", "no bottom_ohms"),
        ("[rig]\npad = { divides_by = 0.5 }\n", "1 or more"),
        ("[rig]\nloopback = \"/a.wav\"\n", "must lie in the bench's folder"),
        ("[[build]]\nname = \"a\"\n[[build]]\nname = \"a\"\n", "two builds are called"),
        ("[[build]]\nname = \"\"\n", "no usable name"),
        ("[[build]]\nname = \"a\\u001b[31m\"\n", "no usable name"),
        ("[[build]]\nname = \"a\"\n[[build.dc]]\npoint = \"plate\"\n", "no voltage"),
        ("[setting.full]\nvolume = [1]\n", "one position"),
        ("[[take]]\nfile = \"takes/a.wav\"\n", "names no build"),
        ("[[take]]\nfile = \"takes/a.wav\"\nkind = \"loopbak\"\n", "did you mean `loopback`?"),
        ("[[take]]\nfile = \"a.wav\"\nkind = \"loopback\"\nsha256 = \"12\"\n", "64 hexadecimal"),
        (
            "[[take]]\nfile = \"a.wav\"\nkind = \"loopback\"\n[[take]]\nfile = \"./a.wav\"\nkind = \"loopback\"\n",
            "already on line 2",
        ),
        ("[[take]]\nbuild = \"a\"\n", "missing field `file`"),
        ("[bench]\ntitle = \"a\"\ntitle = \"b\"\n", "duplicate key"),
        ("[bench\n", "bench.toml:1"),
        ("[rig]\ninterface_input_ohms = 10k\n", "write 10000"),
        ("[rig]\nload_watts = 50W\n", "write the number alone"),
        ("[bench]\ntitle = “Heron”\n", "write straight ones"),
        ("[build]\nname = \"a\"\n", "write [[build]]"),
        ("[build]\nname = \"a\"\n[build]\nname = \"b\"\n", "write [[build]]"),
        ("[build]\nname = \"a\"\n[[build]]\nname = \"b\"\n", "write [[build]]"),
        ("[[take]]\nfile = \"takes\\rework-1.wav\"\nkind = \"loopback\"\n", "backslash begins an escape"),
    ];
    for (source, expected) in cases {
        let shown = shown(source);
        assert!(shown.contains(expected), "{source}\ngave\n{shown}");
        assert!(shown.contains("bench.toml:"), "no place in\n{shown}");
        assert!(!shown.contains('\u{1b}'), "raw escape in\n{shown}");
    }
}

#[test]
fn loopback_and_cable_noise_need_no_build() {
    let source = "[[take]]\nfile = \"l.wav\"\nkind = \"loopback\"\n\
                  [[take]]\nfile = \"q.wav\"\nkind = \"quiet\"\nquiet_condition = \"cable only\"\n";
    assert_eq!(parse(source).unwrap().takes.len(), 2);
}

#[test]
fn a_folder_without_bench_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let error = Bench::open(dir.path()).unwrap_err();
    assert!(error.to_string().contains("twinload new"), "{error}");
    std::fs::write(dir.path().join("bench.toml"), b"[bench]\ntitle = \"\xff\"\n").unwrap();
    let error = Bench::open(dir.path()).unwrap_err();
    assert!(error.to_string().contains("byte 17"), "{error}");
    std::fs::write(dir.path().join("bench.toml"), EXAMPLE).unwrap();
    assert_eq!(Bench::open(dir.path()).unwrap(), Bench::open(&dir.path().join("bench.toml")).unwrap());
}

proptest::proptest! {
    /// Whatever is in the file: a bench or an error, never a panic.
    #[test]
    fn any_text_is_read_or_refused(cut in 0usize..2000, noise in "\\PC{0,6}") {
        let mut source = EXAMPLE.to_owned();
        let cut = (0..=cut.min(source.len())).rev().find(|k| source.is_char_boundary(*k)).unwrap();
        source.insert_str(cut, &noise);
        let _ = parse(&source).map_err(|e| e.to_string());
        source.truncate(cut + noise.len());
        let _ = parse(&source).map_err(|e| e.to_string());
    }
}
