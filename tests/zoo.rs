//! The zoo: difficult recordings with a known right reading (tests/zoo/README.md).

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use serde::Deserialize;
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
    tol_rms_db: Option<f64>,
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
