//! What one unit of sample value means at the load and at the amp's input.

/// From samples to volts. Without a calibrated rig everything stays in dBFS and per cent.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Scale {
    /// Volts (peak) across the load for a sample of 1.0.
    pub load_volts_per_unit: Option<f64>,
    /// Load resistance for this take.
    pub load_ohms: Option<f64>,
    /// Volts RMS at the amp's input for a sine at the programme's top (0 dB drive).
    pub drive_volts_at_top: Option<f64>,
    /// Volts RMS at the amp's input of a sine that reads full scale in the channel that holds the drive.
    pub drive_full_scale_volts: Option<f64>,
    /// How well that is known, ± per cent with 95 % confidence.
    pub drive_uncertainty_percent: Option<f64>,
    /// Mains frequency of the place, as bench.toml says.
    pub mains_hz: Option<f64>,
}

impl Scale {
    /// Watts into the load of a signal with this mean square in sample units; `None` without rig.
    #[must_use]
    pub fn watts(&self, mean_square: f64) -> Option<f64> {
        let volts = self.load_volts_per_unit?;
        Some(mean_square * volts * volts / self.load_ohms?)
    }

    /// Volts RMS at the load of an RMS in sample units; `None` without rig.
    #[must_use]
    pub fn volts(&self, rms: f64) -> Option<f64> {
        Some(rms * self.load_volts_per_unit?)
    }

    /// Mains frequency to tell floors for where none is found in the recording.
    #[must_use]
    pub fn expected_mains_hz(&self) -> f64 {
        self.mains_hz.unwrap_or(50.0)
    }

    /// Volts RMS at the amp's input at this drive (dB re top); `None` without output calibration.
    #[must_use]
    pub fn drive_volts(&self, drive_db: f64) -> Option<f64> {
        Some(self.drive_volts_at_top? * crate::units::from_db(drive_db))
    }
}
