//! A valve's operating point from DC voltages (reference §10).
//!
//! `I_k = V_k/R_k`, `I_a = I_k − I_g2`, `P_a = (V_a − V_k)·I_a`, `P_g2 = (V_g2 − V_k)·I_g2`; one
//! cathode resistor for m valves: divide by m.

/// What is known of one output stage. Volts are to ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Readings {
    /// Plate.
    pub plate_volts: f64,
    /// Screen; `None` for a triode.
    pub screen_volts: Option<f64>,
    /// Cathode.
    pub cathode_volts: f64,
    /// Cathode resistor, or the one-ohm resistor in its place.
    pub cathode_ohms: f64,
    /// Valves that share it.
    pub valves: u32,
    /// Screen current of one valve, if it was measured across its resistor.
    pub screen_milliamperes: Option<f64>,
    /// Otherwise its share of the cathode current, per cent.
    pub screen_share_percent: f64,
    /// Plate current of one valve by the drop across the primary, where the cathode's resistor does not tell it.
    pub plate_milliamperes: Option<f64>,
}

/// The operating point of one valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OperatingPoint {
    /// Cathode current.
    pub cathode_milliamperes: f64,
    /// Screen current.
    pub screen_milliamperes: f64,
    /// Plate current.
    pub plate_milliamperes: f64,
    /// Plate to cathode.
    pub plate_volts: f64,
    /// Plate dissipation.
    pub plate_watts: f64,
    /// Screen dissipation, where there is a screen.
    pub screen_watts: Option<f64>,
    /// Heat in the cathode resistor, of all valves on it.
    pub resistor_watts: f64,
}

impl Readings {
    /// The operating point of each valve.
    #[must_use]
    pub fn operating_point(&self) -> OperatingPoint {
        let valves = f64::from(self.valves.max(1));
        let share = self.screen_share_percent / 100.0;
        let cathode = match (self.plate_milliamperes, self.screen_milliamperes) {
            (Some(plate), Some(screen)) => plate + screen,
            (Some(plate), None) => plate / (1.0 - share),
            (None, _) => self.cathode_volts / self.cathode_ohms / valves * 1000.0,
        };
        let total_amperes = cathode * valves / 1000.0;
        let screen = self.screen_milliamperes.unwrap_or(cathode * share);
        let plate = cathode - screen;
        let plate_volts = self.plate_volts - self.cathode_volts;
        OperatingPoint {
            cathode_milliamperes: cathode,
            screen_milliamperes: screen,
            plate_milliamperes: plate,
            plate_volts,
            plate_watts: plate_volts * plate / 1000.0,
            screen_watts: self.screen_volts.map(|v| (v - self.cathode_volts) * screen / 1000.0),
            resistor_watts: self.cathode_volts * total_amperes,
        }
    }

    /// The slips of arithmetic that give `claimed_watts` of plate dissipation out of these readings,
    /// nearest first; empty if the claim is right or none of them explains it.
    #[must_use]
    pub fn slips_behind(&self, claimed_watts: f64) -> Vec<String> {
        // Within this two figures are the same: meters, and figures rounded to half a watt (common practice).
        const SAME: f64 = 0.02;
        let point = self.operating_point();
        let off = |watts: f64| (claimed_watts / watts - 1.0).abs();
        if off(point.plate_watts) <= SAME {
            return Vec::new();
        }
        let to_ground = self.plate_volts / point.plate_volts;
        let no_screen = point.cathode_milliamperes / point.plate_milliamperes;
        let m = f64::from(self.valves.max(1));
        let ground = "plate to ground was taken for plate to cathode";
        let screen = "the screen's current was not subtracted";
        let shared = "the current of all valves on the resistor was taken for one";
        let alone = "the resistor was taken to carry two valves and carries one";
        let slips: [(f64, &[&str]); 8] = [
            (to_ground, &[ground]),
            (no_screen, &[screen]),
            (m, &[shared]),
            (0.5, &[alone]),
            (to_ground * no_screen, &[ground, screen]),
            (m * to_ground, &[shared, ground]),
            (m * no_screen, &[shared, screen]),
            (m * to_ground * no_screen, &[shared, ground, screen]),
        ];
        let mut found: Vec<(f64, String)> = slips
            .into_iter()
            .filter(|(factor, _)| (factor - 1.0).abs() > SAME && off(point.plate_watts * factor) <= SAME)
            .map(|(factor, words)| (off(point.plate_watts * factor), words.join(", and ")))
            .collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        found.dedup_by(|a, b| a.1 == b.1);
        found.into_iter().map(|(_, words)| words).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Readings {
        Readings {
            plate_volts: 340.0,
            screen_volts: Some(330.0),
            cathode_volts: 19.0,
            cathode_ohms: 470.0,
            valves: 1,
            screen_milliamperes: None,
            screen_share_percent: 5.0,
            plate_milliamperes: None,
        }
    }

    #[test]
    fn the_example_of_the_reference() {
        // Reference §10: I_k 40.4255 mA; share 0/5/10 %: P_a 12.9766 / 12.3278 / 11.6789 W.
        for (share, watts) in [(0.0, 12.9766), (5.0, 12.3278), (10.0, 11.6789)] {
            let point = Readings { screen_share_percent: share, ..example() }.operating_point();
            approx::assert_relative_eq!(point.cathode_milliamperes, 40.4255, max_relative = 1e-6);
            // Printed to six digits.
            approx::assert_relative_eq!(point.plate_watts, watts, max_relative = 4e-6);
        }
        let point = example().operating_point();
        // (330 − 19) V × 2.021277 mA; 19²/470 in the resistor.
        approx::assert_relative_eq!(point.screen_watts.unwrap_or(0.0), 0.628_617, max_relative = 1e-6);
        approx::assert_relative_eq!(point.resistor_watts, 361.0 / 470.0, max_relative = 1e-12);
    }

    #[test]
    fn a_one_ohm_resistor_reads_a_millivolt_a_milliampere() {
        let readings = Readings { cathode_ohms: 1.0, cathode_volts: 0.040, ..example() };
        approx::assert_relative_eq!(
            readings.operating_point().cathode_milliamperes,
            40.0,
            max_relative = 1e-12
        );
    }

    #[test]
    fn valves_on_one_resistor_share_its_current() {
        let pair = Readings { valves: 2, cathode_ohms: 235.0, ..example() };
        approx::assert_relative_eq!(
            pair.operating_point().plate_watts,
            example().operating_point().plate_watts,
            max_relative = 1e-12
        );
    }

    #[test]
    fn each_slip_is_named_and_a_right_claim_is_not() {
        let readings = Readings { valves: 2, cathode_ohms: 235.0, ..example() };
        let right = readings.operating_point();
        assert!(readings.slips_behind(right.plate_watts).is_empty());
        assert!(readings.slips_behind(right.plate_watts * 1.01).is_empty());
        let cases = [
            (right.plate_watts * 340.0 / 321.0, "plate to ground"),
            (right.plate_watts / 0.95, "screen's current"),
            (right.plate_watts * 2.0, "all valves"),
            (right.plate_watts / 2.0, "carries one"),
        ];
        for (claimed, words) in cases {
            let slips = readings.slips_behind(claimed);
            assert!(slips.first().is_some_and(|s| s.contains(words)), "{claimed}: {slips:?}");
        }
        assert!(readings.slips_behind(right.plate_watts * 1.5).is_empty());
    }
}
