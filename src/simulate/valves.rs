//! Valve currents from the published model equations: "Improved vacuum tube models for SPICE
//! simulations", Glass Audio 8(5) 1996, p. 18 (reference §10). Voltages are re cathode, currents in A.
//!
//! The grid draws no current in those equations; [`grid_current`] adds what they leave out.

/// A triode's parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triode {
    /// Type, for people.
    pub name: &'static str,
    /// Amplification factor.
    pub mu: f64,
    /// Exponent.
    pub ex: f64,
    /// Scale of the plate current.
    pub kg1: f64,
    /// Sharpness of the cut-off.
    pub kp: f64,
    /// Knee of the plate voltage, V².
    pub kvb: f64,
}

/// A pentode's or beam valve's parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pentode {
    /// Type, for people.
    pub name: &'static str,
    /// Amplification factor from grid to screen.
    pub mu: f64,
    /// Exponent.
    pub ex: f64,
    /// Scale of the plate current.
    pub kg1: f64,
    /// Scale of the screen current.
    pub kg2: f64,
    /// Sharpness of the cut-off.
    pub kp: f64,
    /// Knee of the plate voltage, V.
    pub kvb: f64,
}

/// 12AX7: author's own library (reference/koren_params.csv).
pub const TRIODE_12AX7: Triode =
    Triode { name: "12AX7", mu: 100.0, ex: 1.4, kg1: 1060.0, kp: 600.0, kvb: 300.0 };
/// 6V6GT: extended library in the same form, from a maker's sheet (reference/koren_params.csv).
pub const PENTODE_6V6GT: Pentode =
    Pentode { name: "6V6GT", mu: 10.7, ex: 1.31, kg1: 1672.0, kg2: 4500.0, kp: 41.16, kvb: 12.7 };
/// 6L6GC: author's own library (reference/koren_params.csv).
pub const PENTODE_6L6GC: Pentode =
    Pentode { name: "6L6GC", mu: 8.7, ex: 1.35, kg1: 1460.0, kg2: 4500.0, kp: 48.0, kvb: 12.0 };
/// EL34: author's own library (reference/koren_params.csv).
pub const PENTODE_EL34: Pentode =
    Pentode { name: "EL34", mu: 11.0, ex: 1.35, kg1: 650.0, kg2: 4200.0, kp: 60.0, kvb: 24.0 };

/// ln(1 + eˣ), also where eˣ would overflow.
fn softplus(x: f64) -> f64 {
    if x > 30.0 { x } else { x.exp().ln_1p() }
}

impl Triode {
    /// Plate current.
    #[must_use]
    pub fn plate(&self, plate_volts: f64, grid_volts: f64) -> f64 {
        let ep = plate_volts.max(0.0);
        let inner = self.kp * (1.0 / self.mu + grid_volts / (self.kvb + ep * ep).sqrt());
        let e1 = ep / self.kp * softplus(inner);
        2.0 * e1.powf(self.ex) / self.kg1
    }
}

impl Pentode {
    /// What the plate current would be without the factor arctan(E_P/k_VB), for a screen of 1 V and
    /// `ratio` volts at the grid. For a screen of E it is E^EX times this: the equations are
    /// homogeneous in grid and screen voltage.
    #[must_use]
    pub fn space_current(&self, ratio: f64) -> f64 {
        let e1 = softplus(self.kp * (1.0 / self.mu + ratio)) / self.kp;
        2.0 * e1.powf(self.ex) / self.kg1
    }

    /// Screen current for a screen of 1 V and `ratio` volts at the grid; scales like
    /// [`Self::space_current`].
    #[must_use]
    pub fn screen_current(&self, ratio: f64) -> f64 {
        (ratio + 1.0 / self.mu).max(0.0).powf(self.ex) / self.kg2
    }

    /// Plate current.
    #[must_use]
    pub fn plate(&self, plate_volts: f64, screen_volts: f64, grid_volts: f64) -> f64 {
        let es = screen_volts.max(1.0);
        es.powf(self.ex) * self.space_current(grid_volts / es) * (plate_volts.max(0.0) / self.kvb).atan()
    }

    /// Screen current.
    #[must_use]
    pub fn screen(&self, screen_volts: f64, grid_volts: f64) -> f64 {
        let es = screen_volts.max(1.0);
        es.powf(self.ex) * self.screen_current(grid_volts / es)
    }
}

/// Resistance of a conducting grid: the published SPICE listings put 1 to 2 kΩ and a diode between
/// grid and cathode (from memory).
pub const GRID_OHMS: f64 = 1500.0;
/// How gradually the grid begins to conduct, V (our choice; a diode's n·kT/q with contact potential).
const GRID_KNEE_VOLTS: f64 = 0.12;

/// Grid current at this grid voltage.
#[must_use]
pub fn grid_current(grid_volts: f64) -> f64 {
    GRID_KNEE_VOLTS / GRID_OHMS * softplus(grid_volts / GRID_KNEE_VOLTS)
}

/// Root of a rising function between two bounds, by halving: for tables and operating points, where
/// certainty matters and speed does not. Gives the nearer bound if there is no sign change.
pub(crate) fn root(mut low: f64, mut high: f64, rising: impl Fn(f64) -> f64) -> f64 {
    // 2⁻⁵⁰ of the range: the last bits of a double.
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if rising(middle) > 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn currents_agree_with_the_published_equations_computed_elsewhere() {
        // reference/koren_points.csv: double precision, eight digits printed.
        let close = |a: f64, milliamps: f64| assert!((a * 1e3 / milliamps - 1.0).abs() < 1e-7, "{a}");
        close(TRIODE_12AX7.plate(250.0, -2.0), 0.951_803_21);
        close(TRIODE_12AX7.plate(100.0, -1.0), 0.100_391_37);
        close(PENTODE_6V6GT.plate(250.0, 250.0, -12.5), 46.129_470);
        close(PENTODE_6V6GT.screen(250.0, -12.5), 5.057_775_1);
        close(PENTODE_6L6GC.plate(50.0, 250.0, 0.0), 170.425_29);
        close(PENTODE_6L6GC.screen(400.0, -37.0), 4.300_464_7);
        close(PENTODE_EL34.plate(250.0, 250.0, -13.5), 96.961_735);
    }
}
