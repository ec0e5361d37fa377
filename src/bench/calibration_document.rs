//! `twinload/calibration/1`: what `calibrate --json` writes.

use serde::{Deserialize, Serialize};

use super::calibrate::Calibration;
use crate::figure::{Quantity, Unit};
use crate::finding::Finding;
use crate::measure::reading::ToneReading;

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/calibration/1";

/// A calibration of the interface's input or output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationDocument {
    /// [`SCHEMA`].
    pub schema: String,
    /// `"input"`, `"output"` or `"drive"`.
    pub end: String,
    /// Volts RMS of the sine at full scale, with its 95 % interval.
    pub full_scale: Quantity,
    /// The recorded tones; none for the output.
    pub tones: Vec<RecordedTone>,
    /// How two readings at two levels agree; none of a single one.
    pub pair: Option<ReadingPair>,
    /// Warnings.
    pub findings: Vec<Finding>,
    /// It was written to bench.toml.
    pub written: bool,
}

/// A tone as recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordedTone {
    /// By the recorder's clock.
    pub frequency: Quantity,
    /// RMS, sine-referred.
    pub level: Quantity,
    /// THD re fundamental.
    pub thd: Quantity,
    /// Largest less smallest level.
    pub wander: Quantity,
}

/// Two readings at two levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingPair {
    /// Between their levels, by the meter.
    pub apart: Quantity,
    /// Full scale by the second re that by the first.
    pub difference: Quantity,
    /// What last digits and the meter's ranges may make of it.
    pub allowed: Quantity,
}

impl CalibrationDocument {
    /// The document of this calibration.
    #[must_use]
    pub fn new(calibration: &Calibration, tones: &[ToneReading], end: &str, written: bool) -> Self {
        let volts = calibration.full_scale_volts;
        Self {
            schema: SCHEMA.to_owned(),
            end: end.to_owned(),
            full_scale: Quantity::new(volts, Unit::Volts)
                .plus_minus(volts * calibration.uncertainty_percent / 100.0),
            tones: tones
                .iter()
                .map(|tone| RecordedTone {
                    frequency: Quantity::new(tone.frequency_hz, Unit::Hertz),
                    level: Quantity::new(tone.level_dbfs, Unit::DbFullScale),
                    thd: Quantity::new(tone.thd * 100.0, Unit::Percent),
                    wander: Quantity::new(tone.wander_db, Unit::Decibels),
                })
                .collect(),
            pair: calibration.pair.map(|pair| ReadingPair {
                apart: Quantity::new(pair.apart_db, Unit::Decibels),
                difference: Quantity::new(pair.difference_db, Unit::Decibels),
                allowed: Quantity::new(pair.allowed_db, Unit::Decibels),
            }),
            findings: calibration.findings.clone(),
            written,
        }
    }
}
