//! `twinload/pad/1`: what `pad --json` writes.

use serde::{Deserialize, Serialize};

use super::drive_pad::{DriveDesign, DriveTask};
use super::pad::{PadDesign, PadTask};
use crate::figure::{Quantity, Unit};
use crate::finding::Finding;
use crate::units::{db, dbu_of_volts};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/pad/1";

/// Pads for both ends, each with its alternatives, best first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PadDocument {
    /// [`SCHEMA`].
    pub schema: String,
    /// From load to interface input.
    pub input: Option<InputEnd>,
    /// From interface output to amp input.
    pub output: Option<OutputEnd>,
    /// What is unusual in what was asked for.
    pub findings: Vec<Finding>,
}

/// From load to interface input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // Each is a row of the table under its own name.
pub struct InputEnd {
    pub amp_power: Quantity,
    pub load: Quantity,
    pub full_scale: Quantity,
    pub full_scale_dbu: f64,
    pub full_scale_dbv: f64,
    pub input_impedance: Quantity,
    pub alternatives: Vec<InputPad>,
}

/// One pad from load to interface input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // Each is a field of `PadDesign`.
pub struct InputPad {
    pub top: Quantity,
    pub bottom: Quantity,
    pub divides_by: Quantity,
    pub top_heat: Quantity,
    pub bottom_heat: Quantity,
    pub top_heat_load_open: Quantity,
    pub top_rating: Quantity,
    pub bottom_rating: Quantity,
    pub peak: Quantity,
    pub squared_wave: Quantity,
    pub open_load_peak: Quantity,
    pub open_load_current: Quantity,
    pub margin: Quantity,
    pub amp_sees: Quantity,
    pub loading: Quantity,
    pub source_resistance: Quantity,
    pub thermal_noise: Quantity,
    pub thermal_noise_level: Quantity,
    pub error_input_20_percent_low: Quantity,
    pub error_input_20_percent_high: Quantity,
}

/// From interface output to amp input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // Each is a row of the table under its own name.
pub struct OutputEnd {
    pub full_scale: Quantity,
    pub output_impedance: Quantity,
    pub wanted_drive: Quantity,
    pub amp_input_impedance: Quantity,
    pub alternatives: Vec<OutputPad>,
}

/// One pad from interface output to amp input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // Each is a field of `DriveDesign`.
pub struct OutputPad {
    pub top: Quantity,
    pub bottom: Quantity,
    pub drive_at_full_scale: Quantity,
    pub drive_at_top: Quantity,
    pub off: Quantity,
    pub output_sees: Quantity,
    pub amp_sees: Quantity,
    pub top_heat: Quantity,
}

impl PadDocument {
    /// The document of these designs.
    #[must_use]
    pub fn new(
        input: Option<(&PadTask, &[PadDesign])>,
        output: Option<(&DriveTask, &[DriveDesign])>,
        findings: &[Finding],
    ) -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            input: input.map(|(task, designs)| InputEnd {
                amp_power: Quantity::new(task.amp_watts, Unit::Watts),
                load: Quantity::new(task.load_ohms, Unit::Ohms),
                full_scale: Quantity::new(task.limit_volts, Unit::Volts),
                full_scale_dbu: dbu_of_volts(task.limit_volts),
                full_scale_dbv: db(task.limit_volts),
                input_impedance: Quantity::new(task.input_ohms, Unit::Ohms),
                alternatives: designs.iter().map(InputPad::from).collect(),
            }),
            output: output.map(|(task, designs)| OutputEnd {
                full_scale: Quantity::new(task.output_volts, Unit::Volts),
                output_impedance: Quantity::new(task.output_ohms, Unit::Ohms),
                wanted_drive: Quantity::new(task.drive_volts, Unit::Volts),
                amp_input_impedance: Quantity::new(task.amp_ohms, Unit::Ohms),
                alternatives: designs.iter().map(OutputPad::from).collect(),
            }),
            findings: findings.to_vec(),
        }
    }
}

fn rating(watts: Option<f64>) -> Quantity {
    match watts {
        Some(watts) => Quantity::new(watts, Unit::Watts),
        None => Quantity::missing(Unit::Watts, "no usual resistor bears so much"),
    }
}

impl From<&PadDesign> for InputPad {
    fn from(d: &PadDesign) -> Self {
        let q = Quantity::new;
        Self {
            top: q(d.top_ohms, Unit::Ohms),
            bottom: q(d.bottom_ohms, Unit::Ohms),
            divides_by: q(d.divides_by, Unit::One),
            top_heat: q(d.top_watts, Unit::Watts),
            bottom_heat: q(d.bottom_watts, Unit::Watts),
            top_heat_load_open: q(d.top_open_load_watts, Unit::Watts)
                .noted("assumes five times the volts across the load, and an input that clamps near ground"),
            top_rating: rating(d.top_rating_watts).noted(if d.top_survives {
                "bears the heat with the load gone"
            } else {
                "flame-proof: it does not bear the heat with the load gone"
            }),
            bottom_rating: rating(d.bottom_rating_watts),
            peak: q(d.peak_dbfs, Unit::DbFullScale),
            squared_wave: q(d.squared_dbfs, Unit::DbFullScale),
            open_load_peak: q(d.open_load_dbfs, Unit::DbFullScale)
                .noted("assumes five times the volts across the load"),
            open_load_current: q(d.open_load_milliamperes, Unit::Milliamperes),
            margin: q(d.margin_db, Unit::Decibels),
            amp_sees: q(d.seen_ohms, Unit::Ohms),
            loading: q(d.loading_percent, Unit::Percent),
            source_resistance: q(d.source_ohms, Unit::Ohms),
            thermal_noise: q(d.noise_microvolts * 1e-3, Unit::Millivolts),
            thermal_noise_level: q(d.noise_dbfs, Unit::DbFullScale),
            error_input_20_percent_low: q(d.input_low_db, Unit::Decibels),
            error_input_20_percent_high: q(d.input_high_db, Unit::Decibels),
        }
    }
}

impl From<&DriveDesign> for OutputPad {
    fn from(d: &DriveDesign) -> Self {
        let q = Quantity::new;
        Self {
            top: q(d.top_ohms, Unit::Ohms),
            bottom: q(d.bottom_ohms, Unit::Ohms),
            drive_at_full_scale: q(d.full_scale_volts, Unit::Volts),
            drive_at_top: q(d.drive_volts, Unit::Volts),
            off: q(d.off_db, Unit::Decibels),
            output_sees: q(d.output_sees_ohms, Unit::Ohms),
            amp_sees: q(d.source_ohms, Unit::Ohms),
            top_heat: q(d.top_watts, Unit::Watts),
        }
    }
}
