//! The output transformer and its load.
//!
//! Kirchhoff's laws at the primary; stray capacitance and leakage by the trapezoidal rule, the
//! magnetising current, which is slow, by single steps (textbook methods).

/// An output transformer, all values seen from the primary side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transformer {
    /// Turns of the primary over turns of the secondary.
    pub turns_ratio: f64,
    /// Inductance of the primary, with its gap, at small signals.
    pub primary_henries: f64,
    /// Flux linkage at which iron doubles the magnetising current, V·s.
    pub saturation_volt_seconds: f64,
    /// Leakage inductance.
    pub leakage_henries: f64,
    /// Resistance of the primary winding.
    pub primary_ohms: f64,
    /// Resistance of the secondary winding times turns ratio squared.
    pub secondary_ohms: f64,
    /// Losses in the core.
    pub core_ohms: f64,
    /// Stray capacitance, and a capacitor across the primary if there is one.
    pub primary_farads: f64,
}

/// The transformer at work. For one sample it is a resistor with a history.
#[derive(Debug, Clone, Copy)]
pub struct Winding {
    /// What the plate sees at once: volts across the primary for each ampere.
    pub ohms: f64,
    stray: f64,
    into_leakage: f64,
    leakage_keeps: f64,
    per_henry: f64,
    per_saturation: f64,
    step: f64,
    to_load: f64,
    primary: f64,
    stray_amps: f64,
    leakage_amps: f64,
    flux: f64,
}

impl Winding {
    /// With this load, carrying `idle_amps` of DC.
    #[must_use]
    pub fn new(parts: &Transformer, load_ohms: f64, idle_amps: f64, rate_hz: f64) -> Self {
        let load = parts.secondary_ohms + load_ohms * parts.turns_ratio * parts.turns_ratio;
        let stray = 2.0 * parts.primary_farads * rate_hz;
        let leakage = 2.0 * parts.leakage_henries * rate_hz;
        let into_leakage = 1.0 / (leakage + load);
        Self {
            ohms: 1.0 / (stray + into_leakage + 1.0 / parts.core_ohms),
            stray,
            into_leakage,
            leakage_keeps: leakage - load,
            per_henry: 1.0 / parts.primary_henries,
            per_saturation: 1.0 / parts.saturation_volt_seconds,
            step: 1.0 / rate_hz,
            to_load: load_ohms * parts.turns_ratio,
            primary: 0.0,
            stray_amps: 0.0,
            leakage_amps: 0.0,
            flux: idle_amps * parts.primary_henries,
        }
    }

    /// Leakage branch: what its current would be if the primary's voltage were 0 now.
    #[inline]
    fn leakage_history(&self) -> f64 {
        self.into_leakage * (self.primary + self.leakage_keeps * self.leakage_amps)
    }

    /// Current that the past drives into the primary beside the plate's.
    #[inline]
    #[must_use]
    pub fn history(&self) -> f64 {
        // A gapped core is straight until the iron's share comes in with the fifth power of the flux
        // (a usual way to write a saturating inductor; the numbers are ours).
        let relative = self.flux * self.per_saturation;
        let square = relative * relative;
        let magnetising = self.flux * self.per_henry * (1.0 + square * square);
        self.stray * self.primary + self.stray_amps - magnetising - self.leakage_history()
    }

    /// A sample further with this plate current; gives the volts at the load.
    #[inline]
    pub fn advance(&mut self, plate_amps: f64, history: f64) -> f64 {
        let primary = self.ohms * (plate_amps + history);
        let leakage_history = self.leakage_history();
        self.stray_amps = self.stray * (primary - self.primary) - self.stray_amps;
        self.leakage_amps = self.into_leakage * primary + leakage_history;
        self.primary = primary;
        self.flux += self.step * primary;
        self.to_load * self.leakage_amps
    }
}
