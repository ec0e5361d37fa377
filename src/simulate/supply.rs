//! The supply: rectifier, reservoir and one smoothing section. Sag and ripple come from it.

use std::f64::consts::TAU;

/// A full-wave rectifier with a reservoir and a smoothing section for the screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// Peak of the rectified voltage without load, at nominal mains.
    pub peak_volts: f64,
    /// Resistance of mains transformer and rectifier.
    pub source_ohms: f64,
    /// Reservoir capacitor, which feeds the plate.
    pub reservoir_farads: f64,
    /// Resistor from there to the screen's capacitor.
    pub screen_ohms: f64,
    /// The screen's capacitor.
    pub screen_farads: f64,
    /// Current that the stages before draw.
    pub preamp_amps: f64,
    /// Frequency of the mains.
    pub mains_hz: f64,
    /// Mains voltage over its nominal value.
    pub mains_ratio: f64,
}

/// The supply at work.
#[derive(Debug, Clone, Copy)]
pub struct Rails {
    /// Voltage of the reservoir.
    pub plate_volts: f64,
    /// Voltage of the screen's capacitor.
    pub screen_volts: f64,
    mains: Pointer,
    peak_volts: f64,
    per_source_ohm: f64,
    per_screen_ohm: f64,
    to_plate: f64,
    to_screen: f64,
    preamp_amps: f64,
}

impl Rails {
    /// Part of the unloaded voltage at which the reservoir starts.
    pub const STARTS_AT: f64 = 0.85;

    /// Charged to about what they will settle at.
    #[must_use]
    pub fn new(parts: &Supply, rate_hz: f64) -> Self {
        let peak_volts = parts.peak_volts * parts.mains_ratio;
        Self {
            plate_volts: Self::STARTS_AT * peak_volts,
            screen_volts: 0.95 * Self::STARTS_AT * peak_volts,
            mains: Pointer::new(parts.mains_hz, rate_hz),
            peak_volts,
            per_source_ohm: 1.0 / parts.source_ohms,
            per_screen_ohm: 1.0 / parts.screen_ohms,
            to_plate: 1.0 / (parts.reservoir_farads * rate_hz),
            to_screen: 1.0 / (parts.screen_farads * rate_hz),
            preamp_amps: parts.preamp_amps,
        }
    }

    /// A step further under these currents. The rectifier conducts, through its resistance, while the
    /// mains is higher than the reservoir.
    #[inline]
    pub fn advance(&mut self, plate_amps: f64, screen_amps: f64) {
        let mains = self.peak_volts * self.mains.value().abs();
        let charging = (mains - self.plate_volts).max(0.0) * self.per_source_ohm;
        let smoothing = (self.plate_volts - self.screen_volts) * self.per_screen_ohm;
        self.plate_volts += self.to_plate * (charging - smoothing - plate_amps);
        self.screen_volts += self.to_screen * (smoothing - self.preamp_amps - screen_amps);
    }

    /// Takes away what rounding does to the mains' amplitude; once a block.
    pub fn trim(&mut self) {
        self.mains.trim();
    }
}

/// A sine by a turning pointer.
#[derive(Debug, Clone, Copy)]
pub struct Pointer {
    at: [f64; 2],
    turn: [f64; 2],
}

impl Pointer {
    /// Turns at this frequency.
    #[must_use]
    pub fn new(frequency_hz: f64, rate_hz: f64) -> Self {
        let (sin, cos) = (TAU * frequency_hz / rate_hz).sin_cos();
        Self { at: [1.0, 0.0], turn: [cos, sin] }
    }

    /// The next value, peak 1.
    #[inline]
    pub fn value(&mut self) -> f64 {
        let ([re, im], [cos, sin]) = (self.at, self.turn);
        self.at = [re * cos - im * sin, re * sin + im * cos];
        im
    }

    /// Back to length 1.
    pub fn trim(&mut self) {
        let length = self.at[0].hypot(self.at[1]);
        self.at = self.at.map(|x| x / length);
    }
}
