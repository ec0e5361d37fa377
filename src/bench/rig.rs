//! The rig: what stands between the amp and the file.

use super::budget::{Knowledge, TYPED_FULL_SCALE_PERCENT};
use crate::units::from_db;

/// Load, pad, interface, and their calibration. `None`: not written down.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rig {
    /// The dummy load.
    pub load_ohms: Option<f64>,
    /// What the load may take continuously.
    pub load_watts: Option<f64>,
    /// Tolerance of the load, ± per cent (rectangular).
    pub load_tolerance_percent: Option<f64>,
    /// Input impedance of the interface.
    pub interface_input_ohms: Option<f64>,
    /// How well that is known, ± per cent (rectangular).
    pub interface_input_tolerance_percent: Option<f64>,
    /// The divider from load to interface input.
    pub pad: Option<Pad>,
    /// Volts RMS of the sine at the interface's input that reads 0 dBFS.
    pub input_full_scale_volts: Option<f64>,
    /// Its uncertainty, ± per cent with 95 % confidence.
    pub input_full_scale_uncertainty_percent: Option<f64>,
    /// Where the meter stood: across the load, the pad's and the input's errors cancel.
    pub input_calibrated_at: Option<CalibratedAt>,
    /// Volts RMS at the amp's input of a 0 dBFS sine in the programme.
    pub output_full_scale_volts: Option<f64>,
    /// Its uncertainty, ± per cent with 95 % confidence.
    pub output_full_scale_uncertainty_percent: Option<f64>,
    /// The meter's accuracy, ± per cent of reading (rectangular).
    pub meter_percent: Option<f64>,
    /// Channel of the recording that holds the amp, from 1; `None`: the first.
    pub channel: Option<u32>,
    /// Channel that holds the drive itself, from 1.
    pub drive_channel: Option<u32>,
    /// Volts RMS at the amp's input of a sine that reads 0 dBFS in that channel.
    pub drive_full_scale_volts: Option<f64>,
    /// Its uncertainty, ± per cent with 95 % confidence.
    pub drive_full_scale_uncertainty_percent: Option<f64>,
    /// Recording of the interface into itself, relative to the bench.
    pub loopback: Option<String>,
}

/// Where the meter stood when the input was calibrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CalibratedAt {
    /// Across the load, the pad in place.
    Load,
    /// At the interface's input.
    Interface,
}

/// The divider from load to interface input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pad {
    /// Two resistors; loading by the interface's input is computed.
    Resistors {
        /// From load to interface input.
        top_ohms: f64,
        /// From interface input to ground.
        bottom_ohms: f64,
        /// Tolerance of each, ± per cent (rectangular).
        tolerance_percent: Option<f64>,
    },
    /// A measured ratio.
    Measured {
        /// Volts at the load over volts at the interface's input.
        divides_by: f64,
        /// The interface was connected while it was measured, so its loading is in the ratio.
        measured_with_interface: bool,
        /// How well it is known, ± per cent (rectangular).
        tolerance_percent: Option<f64>,
    },
}

/// Two resistances side by side; with `None` the other alone.
#[must_use]
pub fn parallel_ohms(a_ohms: f64, b_ohms: Option<f64>) -> f64 {
    b_ohms.map_or(a_ohms, |b_ohms| a_ohms * b_ohms / (a_ohms + b_ohms))
}

impl Pad {
    /// Volts at the interface's input over volts at the load, the input's loading included
    /// where it is known (reference §8: k = p/(R1+p), p = R2 ∥ Z).
    #[must_use]
    pub fn ratio(&self, interface_input_ohms: Option<f64>) -> f64 {
        match *self {
            Self::Resistors { top_ohms, bottom_ohms, .. } => {
                let shunt = parallel_ohms(bottom_ohms, interface_input_ohms);
                shunt / (top_ohms + shunt)
            }
            Self::Measured { divides_by, .. } => 1.0 / divides_by,
        }
    }

    /// Tolerance of its resistors or of its ratio, ± per cent.
    #[must_use]
    pub fn tolerance_percent(self) -> Option<f64> {
        match self {
            Self::Resistors { tolerance_percent, .. } | Self::Measured { tolerance_percent, .. } => {
                tolerance_percent
            }
        }
    }
}

impl Rig {
    /// Volts at the interface's input over volts at the load; `None` without a pad in the rig.
    #[must_use]
    pub fn pad_ratio(&self) -> Option<f64> {
        Some(self.pad?.ratio(self.interface_input_ohms))
    }

    /// Volts RMS across the load of the sine that reads 0 dBFS.
    #[must_use]
    pub fn load_full_scale_volts(&self) -> Option<f64> {
        Some(self.input_full_scale_volts? / self.pad_ratio()?)
    }

    /// ± per cent (95 %) of volts at the amp's input: of the drive's channel where it is calibrated, else of the
    /// output; assumed where nobody said how well, `None` where neither is calibrated.
    #[must_use]
    pub fn drive_uncertainty_percent(&self) -> Option<f64> {
        let percent = match (self.drive_channel, self.drive_full_scale_volts) {
            (Some(_), Some(_)) => self.drive_full_scale_uncertainty_percent,
            _ => {
                self.output_full_scale_volts?;
                self.output_full_scale_uncertainty_percent
            }
        };
        // A full scale that was typed is as good as the meter, or as a data sheet: the same as the input's (`budget`).
        Some(percent.unwrap_or_else(|| {
            let typed = Knowledge::Within(self.meter_percent.unwrap_or(TYPED_FULL_SCALE_PERCENT));
            typed.standard_percent() * crate::statistics::NORMAL_95
        }))
    }

    /// Whether a calibration, or the person, says how well the drive's volts are known.
    #[must_use]
    pub fn drive_calibration_is_known(&self) -> bool {
        match (self.drive_channel, self.drive_full_scale_volts) {
            (Some(_), Some(_)) => self.drive_full_scale_uncertainty_percent.is_some(),
            _ => self.output_full_scale_uncertainty_percent.is_some(),
        }
    }

    /// Volts RMS at the amp's input of a sine at the programme's top.
    #[must_use]
    pub fn drive_volts_at_top(&self, top_dbfs: f64) -> Option<f64> {
        Some(self.output_full_scale_volts? * from_db(top_dbfs))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Ohm's law computed with mpmath to 8 digits: reference/divider_loading.csv.
    const TABLE_DIGITS: f64 = 1e-7;

    #[test]
    fn an_l_pad_divides_by_its_ratio_and_keeps_its_impedance() {
        // Reference §8: K = 10^(dB/20), R_series = Z(K−1)/K, R_shunt = Z/(K−1), for 8 Ω, to its printed digits.
        for (decibels, series, shunt) in [
            (3.0, 2.33643, 19.39217),
            (6.0, 3.99050, 8.03808),
            (10.0, 5.47018, 3.69980),
            (20.0, 7.2, 0.88889),
        ] {
            let pad = Pad::Resistors { top_ohms: series, bottom_ohms: shunt, tolerance_percent: None };
            let ratio = crate::units::db(pad.ratio(Some(8.0)));
            approx::assert_abs_diff_eq!(ratio, -decibels, epsilon = 1e-4);
            approx::assert_abs_diff_eq!(series + parallel_ohms(shunt, Some(8.0)), 8.0, epsilon = 2e-5);
        }
    }

    #[test]
    fn a_typed_drive_is_as_uncertain_as_its_meter_or_a_data_sheet() {
        let typed = Rig { output_full_scale_volts: Some(1.2), ..Rig::default() };
        // ± a, rectangular, at 95 %: 1.96 a/√3 (GUM 4.3.7).
        let at_95 = |within: f64| within * 1.959_964 / 3f64.sqrt();
        approx::assert_relative_eq!(
            typed.drive_uncertainty_percent().unwrap(),
            at_95(6.0),
            max_relative = 1e-6
        );
        let metered = Rig { meter_percent: Some(1.0), ..typed.clone() };
        approx::assert_relative_eq!(
            metered.drive_uncertainty_percent().unwrap(),
            at_95(1.0),
            max_relative = 1e-6
        );
        let known = Rig { output_full_scale_uncertainty_percent: Some(2.3), ..metered };
        assert_eq!(known.drive_uncertainty_percent(), Some(2.3));
        assert!(known.drive_calibration_is_known() && !typed.drive_calibration_is_known());
        assert_eq!(Rig::default().drive_uncertainty_percent(), None);
    }

    #[test]
    fn loading_agrees_with_the_reference_table() {
        let mut rows = 0;
        for line in include_str!("../../tests/reference/divider_loading.csv").lines().skip(2) {
            let field: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
            let pad = Pad::Resistors { top_ohms: field[0], bottom_ohms: field[1], tolerance_percent: None };
            approx::assert_relative_eq!(pad.ratio(Some(field[2])), field[5], max_relative = TABLE_DIGITS);
            approx::assert_relative_eq!(pad.ratio(None), field[3], max_relative = TABLE_DIGITS);
            rows += 1;
        }
        assert_eq!(rows, 25);
    }
}
