//! The zoo: difficult recordings with a known right reading (tests/zoo/README.md).

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde::Deserialize;
use serde_json::Value;
use twinload::takes::Source;

/// A line of the manifest.
#[derive(Debug, Deserialize)]
struct Row {
    file: String,
    kind: String,
    expect: String,
    must_warn: String,
    rate: Option<u32>,
    channels: Option<usize>,
    frames: Option<u64>,
    rms: String,
    thd_pct: String,
    tol_rms_db: Option<f64>,
    tol_thd_pct: Option<f64>,
}

fn zoo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/zoo")
}

fn rows() -> Vec<Row> {
    let rows: Vec<Row> = csv::Reader::from_path(zoo().join("manifest.csv"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .filter(|row: &Row| row.file.starts_with("files/"))
        .collect();
    assert_eq!(rows.len(), 134);
    rows
}

/// What reading a file through gave.
struct Reading {
    frames: u64,
    rms: Vec<f64>,
    said: Vec<String>,
}

fn read(source: &mut Source) -> Reading {
    let channels = source.channels();
    let (mut frames, mut squares, mut block) = (0, vec![0.0; channels], Vec::new());
    loop {
        let got = source.read(&mut block).unwrap();
        if got == 0 {
            break;
        }
        assert_eq!(block.len(), got * channels);
        frames += got as u64;
        for frame in block.chunks_exact(channels) {
            for (sum, value) in squares.iter_mut().zip(frame) {
                *sum += value * value;
            }
        }
    }
    let rms = squares.iter().map(|sum| (sum / frames as f64).sqrt()).collect();
    Reading {
        frames,
        rms,
        said: source.findings().iter().map(|f| format!("{}: {}", f.code, f.saw)).collect(),
    }
}

/// Every number in `wanted` stands in `said` (commas left out in both).
fn keeps_the_figures(wanted: &str, said: &str) -> bool {
    let said = said.replace(',', "");
    wanted
        .replace(',', "")
        .split(|c: char| !c.is_ascii_digit())
        .filter(|number| !number.is_empty())
        .all(|number| said.split(|c: char| !c.is_ascii_digit()).any(|other| other == number))
}

#[test]
fn every_file_is_read_right_or_refused_in_one_line() {
    let mut faults = Vec::new();
    for row in rows() {
        let path = zoo().join(&row.file);
        let mut source = match Source::open(&path) {
            Ok(source) => source,
            Err(error) => {
                let words = error.to_string();
                let name = Path::new(&row.file).file_name().unwrap().to_str().unwrap();
                if row.expect == "yes" {
                    faults.push(format!("{}: refused: {words}", row.file));
                }
                if words.lines().count() != 1 || !words.contains(name) {
                    faults.push(format!("{}: not one line with its name: {words}", row.file));
                }
                if row.expect == "either" && !keeps_the_figures(&row.must_warn, &words) {
                    faults.push(format!("{}: wanted {:?}, said {words}", row.file, row.must_warn));
                }
                continue;
            }
        };
        if row.expect == "refuse" {
            faults.push(format!("{}: was read", row.file));
            continue;
        }
        assert_eq!(Some(source.rate_hz()), row.rate, "{}", row.file);
        assert_eq!(Some(source.channels()), row.channels, "{}", row.file);
        let announced = source.frames();
        let reading = read(&mut source);
        assert_eq!(Some(reading.frames), row.frames, "{}: {:?}", row.file, reading.said);
        assert_eq!(announced, row.frames, "{}: announced", row.file);
        // An empty column: misaligned bytes have no right level.
        for (channel, (wanted, got)) in
            row.rms.split(';').filter(|rms| !rms.is_empty()).zip(&reading.rms).enumerate()
        {
            let wanted: f64 = wanted.parse().unwrap_or(f64::NAN);
            if !wanted.is_finite() {
                assert!(!got.is_finite(), "{}: channel {channel}: {got}", row.file);
                continue;
            }
            // The manifest gives six decimals: half of the last one is no error.
            let off_db = 20.0 * (got / wanted).log10();
            let rounding = (got - wanted).abs() <= 0.6e-6;
            assert!(
                rounding || off_db.abs() <= row.tol_rms_db.unwrap(),
                "{}: channel {channel}: rms {got}, wanted {wanted}",
                row.file
            );
        }
        // What is seen in the samples is the matter of `check`.
        let in_samples = ["capture", "float_values", "degenerate"].contains(&row.kind.as_str());
        let said = reading.said.join("\n");
        if !in_samples
            && !row.must_warn.is_empty()
            && (reading.said.is_empty() || !keeps_the_figures(&row.must_warn, &said))
        {
            faults.push(format!("{}: wanted {:?}, said {said:?}", row.file, row.must_warn));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Runs the command on a file of the zoo: exit code, standard output, standard error.
fn run(arguments: &[&str], path: &Path) -> (i32, String, String) {
    let output = Command::cargo_bin("twinload").unwrap().args(arguments).arg(path).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().expect("ended by itself"), text(output.stdout), text(output.stderr))
}

/// Level and THD of a channel are those of the manifest; what the manifest leaves undefined is no number.
fn compare(row: &Row, channel: usize, take: &Value, faults: &mut Vec<String>) {
    let wanted = |column: &str| column.split(';').nth(channel).and_then(|value| value.parse::<f64>().ok());
    let level = take["channels"][channel]["level"]["value"].as_f64();
    let file = &row.file;
    match (wanted(&row.rms), level) {
        (Some(rms), Some(level)) if rms > 0.0 => {
            // Six decimals of the manifest: under 1e-5 of full scale its own rounding counts.
            let rounding_db = 20.0 * (1.0 + 0.6e-6 / rms).log10();
            let off = (level - 20.0 * (rms * std::f64::consts::SQRT_2).log10()).abs();
            if off > row.tol_rms_db.unwrap() + rounding_db {
                faults.push(format!("{file}: channel {channel}: level {level}, rms {rms}: {off} dB off"));
            }
        }
        (Some(0.0) | None, None) => {}
        (None, Some(_)) if row.rms.is_empty() => {}
        (wanted, level) => {
            faults.push(format!("{file}: channel {channel}: wanted {wanted:?}, level {level:?}"))
        }
    }
    let thd = take["figures"]["thd"]["value"].as_f64();
    if let Some(wanted) = wanted(&row.thd_pct).filter(|wanted| wanted.is_finite())
        && !thd.is_some_and(|thd| (thd - wanted).abs() <= row.tol_thd_pct.unwrap())
    {
        faults.push(format!("{file}: channel {channel}: THD {thd:?}, wanted {wanted} %"));
    }
}

#[test]
fn analyse_gives_the_figures_or_one_line() {
    let mut faults = Vec::new();
    for row in rows() {
        for channel in 0..row.channels.unwrap_or(1).min(8) {
            let number = (channel + 1).to_string();
            let path = zoo().join(&row.file);
            let (code, out, err) = run(&["analyse", "--json", "--channel", &number], &path);
            let undefined = row.rms.split(';').nth(channel) == Some("nan");
            let may_refuse = row.expect != "yes" || undefined;
            if code != 0 {
                let name = path.file_name().unwrap().to_str().unwrap();
                if !may_refuse || err.lines().count() != 1 || !err.contains(name) || !out.is_empty() {
                    faults.push(format!("{}: channel {number}: exit {code}: {err}", row.file));
                }
                continue;
            }
            if row.expect == "refuse" {
                faults.push(format!("{}: was analysed", row.file));
                continue;
            }
            // JSON has no NaN and no infinity: a document that holds one cannot be read.
            let document: Value = serde_json::from_str(&out).unwrap();
            compare(&row, channel, &document["takes"][0], &mut faults);
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// What `check` has to say of faults that the samples show: words that must stand in it, in our own wording.
const SAID: [(&str, &[&str]); 17] = [
    ("cap_drop_64", &["phase_jump", "frame 24017", "missing"]),
    ("cap_repeat_256", &["phase_jump", "frame 20000", "twice"]),
    ("cap_agc_ramp", &["level_not_steady", "rises"]),
    ("cap_rate_label", &["rate_label", "918.75 Hz", "1000 Hz"]),
    ("cap_clipped", &["clipped_input", "full-scale"]),
    ("cap_inverted_right", &["channel_inverted", "channel 2"]),
    ("cap_right_silent", &["channel_silent", "channel 2"]),
    ("cap_leading_zeros", &["leading_silence", "4,096 zeros"]),
    ("cap_channel_slip", &["channels_change_places", "frame 11000"]),
    ("cap_16bit_path", &["few_bits_captured", "low 8 of 24", "16 bits"]),
    ("cap_s24_byte_slip", &["misaligned"]),
    ("val_over_full", &["over_full_scale", "1.5"]),
    ("val_int_scaled", &["integers_as_float", "peak about 16485"]),
    ("val_nan_right", &["not_finite", "channel 2: 1 sample"]),
    ("deg_silence", &["no_signal"]),
    ("deg_one_frame", &["too_short"]),
    ("deg_two_frames", &["too_short"]),
];

#[test]
fn check_says_what_must_be_said_and_nothing_of_good_files() {
    let mut faults = Vec::new();
    let mut said_of = 0;
    for row in rows() {
        let path = zoo().join(&row.file);
        let (code, out, err) = run(&["check", "--json"], &path);
        let document: Value =
            serde_json::from_str(&out).unwrap_or_else(|e| panic!("{}: {e}: {err}", row.file));
        let file = &document["files"][0];
        let redo = file["fitness"] == "redo";
        assert_eq!(code, i32::from(redo), "{}", row.file);
        assert_eq!(
            file["failure"].is_null(),
            !(row.expect == "refuse" || file["rate"].is_null()),
            "{}",
            row.file
        );
        let findings = file["findings"].as_array().unwrap();
        let mut said: Vec<String> = findings
            .iter()
            .map(|f| format!("{}: {}", f["code"].as_str().unwrap(), f["saw"].as_str().unwrap()))
            .collect();
        said.extend(file["failure"].as_str().map(str::to_owned));
        // Converters give 24 bits: a wider container is no fault.
        let wide = row.file.contains("24in32") && said.iter().any(|s| s.starts_with("few_bits_captured"));
        faults.extend(wide.then(|| format!("{}: {said:?}", row.file)));
        let said = said.join("\n");
        if let Some((_, words)) = SAID.iter().find(|(name, _)| row.file.contains(name)) {
            said_of += 1;
            for word in words.iter().filter(|word| !said.contains(**word)) {
                faults.push(format!("{}: {word:?} is not in {said}", row.file));
            }
        } else if !row.must_warn.is_empty() {
            if said.is_empty() || !keeps_the_figures(&row.must_warn, &said) {
                faults.push(format!("{}: wanted {:?}, said {said:?}", row.file, row.must_warn));
            }
        } else if row.expect == "yes" {
            // Nothing more than a note on a lawful oddity may be said of a good file.
            let harmless = ["riff_size_wrong", "pad_byte_missing", "channel_copied", "no_steady_tone"];
            let harmless = |f: &Value| harmless.contains(&f["code"].as_str().unwrap());
            if !findings.iter().all(harmless) {
                faults.push(format!("{}: a good file, but: {said}", row.file));
            }
        }
    }
    assert_eq!(said_of, SAID.len());
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
