//! What the tests of the reference share: tables, WAV files, and the path from a file to its figures.

#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use twinload::analysis::{Analysis, TakeAnalysis};

pub mod ledger;
pub mod takes;
pub mod truth;
pub mod waves;

/// A file under `tests/`.
pub fn in_tests(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(name)
}

/// A table with a line of column names; lines that begin with `#` name its source.
pub struct Table {
    names: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads `tests/<name>`.
    pub fn read(name: &str) -> Self {
        let path = in_tests(name);
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .from_path(&path)
            .unwrap_or_else(|e| panic!("{name}: {e}"));
        let names = reader.headers().unwrap().iter().map(str::to_owned).collect();
        let rows: Vec<Vec<String>> =
            reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        assert!(!rows.is_empty(), "{name} is empty");
        Self { names, rows }
    }

    /// The rows.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|cells| Row { names: &self.names, cells })
    }
}

/// One row of a [`Table`].
#[derive(Clone, Copy)]
pub struct Row<'a> {
    names: &'a [String],
    cells: &'a [String],
}

impl Row<'_> {
    /// The text of a column.
    pub fn text(&self, name: &str) -> &str {
        let at = self.names.iter().position(|n| n == name).unwrap_or_else(|| panic!("no column {name}"));
        &self.cells[at]
    }

    /// The number in a column.
    pub fn number(&self, name: &str) -> f64 {
        let text = self.text(name);
        text.parse().unwrap_or_else(|_| panic!("column {name}: {text:?} is no number"))
    }

    /// The number in a column, `None` where there is no such column.
    pub fn find(&self, name: &str) -> Option<f64> {
        self.names.iter().any(|n| n == name).then(|| self.number(name))
    }

    /// The number in a column, 0 where the cell is empty.
    pub fn number_or_0(&self, name: &str) -> f64 {
        if self.text(name).is_empty() { 0.0 } else { self.number(name) }
    }
}

/// How a recording is stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stored {
    /// Sample rate in Hz.
    pub rate: u32,
    /// Bits of a sample.
    pub bits: u16,
    /// Float, else integer.
    pub float: bool,
}

impl Stored {
    /// RMS of the rounding error of one sample (uniform within half a step). A recording is kept as 32-bit float
    /// (design §5), whose mantissa has 24 bits, however many the file has.
    pub fn rounding_rms(self) -> f64 {
        let bits = i32::from(self.bits).min(24);
        2.0_f64.powi(1 - bits) / 12.0_f64.sqrt()
    }
}

/// The forms that the grid goes through.
pub const FORMS: [Stored; 6] = [
    Stored { rate: 48_000, bits: 24, float: false },
    Stored { rate: 96_000, bits: 24, float: false },
    Stored { rate: 192_000, bits: 24, float: false },
    Stored { rate: 88_200, bits: 32, float: true },
    Stored { rate: 48_000, bits: 32, float: false },
    Stored { rate: 48_000, bits: 16, float: false },
];

/// Writes one channel; sample values lie within -1..1.
pub fn write_wav(path: &Path, samples: &[f64], stored: Stored) {
    assert!(samples.iter().all(|s| s.abs() < 1.0), "{}: a sample is over full scale", path.display());
    let sample_format = if stored.float { hound::SampleFormat::Float } else { hound::SampleFormat::Int };
    let spec =
        hound::WavSpec { channels: 1, sample_rate: stored.rate, bits_per_sample: stored.bits, sample_format };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for &s in samples {
        if stored.float {
            writer.write_sample(s as f32).unwrap();
        } else {
            writer.write_sample((s * 2.0_f64.powi(i32::from(stored.bits) - 1)).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// Reads one channel of integers.
pub fn read_wav(path: &Path) -> (Vec<f64>, Stored) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let full = 2.0_f64.powi(i32::from(spec.bits_per_sample) - 1);
    let samples = reader.samples::<i32>().map(|s| f64::from(s.unwrap()) / full).collect();
    (samples, Stored { rate: spec.sample_rate, bits: spec.bits_per_sample, float: false })
}

/// What `twinload analyse FILE --json` says: the whole path from the file to the figures.
pub fn analyse(path: &Path) -> TakeAnalysis {
    analyse_with(path, &[])
}

/// The same with more arguments.
pub fn analyse_with(path: &Path, more: &[&str]) -> TakeAnalysis {
    let out = assert_cmd::cargo::cargo_bin_cmd!("twinload")
        .arg("analyse")
        .arg(path)
        .arg("--json")
        .args(more)
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{}: {words}", path.display());
    let document: Analysis = serde_json::from_slice(&out.stdout).expect("an analysis document");
    let mut takes = document.takes;
    assert_eq!(takes.len(), 1);
    takes.remove(0)
}

/// Writes the samples to a file of its own and measures it.
pub fn measure(samples: &[f64], stored: Stored) -> TakeAnalysis {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording.wav");
    write_wav(&path, samples, stored);
    analyse(&path)
}

/// Decibels of an amplitude ratio.
pub fn db(ratio: f64) -> f64 {
    20.0 * ratio.abs().log10()
}

/// Difference of two angles in degrees, within ±180.
pub fn turn(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(360.0);
    if d > 180.0 { d - 360.0 } else { d }
}

/// How far a harmonic of a clean 24-bit tone may be off, in dB, by its level re the fundamental
/// (methods §11, "harmonics H2..H10", clean).
pub fn clean_harmonic_tolerance_db(level_dbc: f64) -> f64 {
    if level_dbc >= -60.0 {
        1e-4
    } else if level_dbc >= -100.0 {
        0.01
    } else {
        0.1
    }
}
