//! Preferred values of resistors, IEC 60063:2015.

/// A series of preferred values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    /// 24 values a decade, usually ± 5 % or ± 1 %.
    E24,
    /// 96 values a decade, usually ± 1 %.
    E96,
}

/// E24's mantissas; they are not what rounding gives (reference §8).
const E24: [f64; 24] = [
    10., 11., 12., 13., 15., 16., 18., 20., 22., 24., 27., 30., 33., 36., 39., 43., 47., 51., 56., 62., 68.,
    75., 82., 91.,
];

impl Series {
    /// The mantissas of one decade, from 10 to under 100.
    #[must_use]
    pub fn mantissas(self) -> Vec<f64> {
        match self {
            Self::E24 => E24.to_vec(),
            // IEC 60063: three digits, exactly as rounded.
            Self::E96 => (0..96).map(|i| (100.0 * 10f64.powf(f64::from(i) / 96.0)).round() / 10.0).collect(),
        }
    }

    /// All values from `low_ohms` to `high_ohms`, rising.
    #[must_use]
    pub fn between(self, low_ohms: f64, high_ohms: f64) -> Vec<f64> {
        let mantissas = self.mantissas();
        // From 0.1 ohm to 10 megohms there is something to buy.
        let decades = [-2, -1, 0, 1, 2, 3, 4, 5];
        let all = decades.iter().flat_map(|&decade| {
            // Integer steps, so that 4700 is 4700 and not 4699.999….
            mantissas.iter().map(move |m| {
                let tenths = (m * 10.0).round();
                if decade >= 1 { tenths * 10f64.powi(decade - 1) } else { tenths / 10f64.powi(1 - decade) }
            })
        });
        all.filter(|v| (low_ohms..=high_ohms).contains(v)).collect()
    }

    /// The value nearest to `ohms` by ratio; `None` outside 0.1 ohm to 10 megohms or for no number.
    #[must_use]
    pub fn nearest(self, ohms: f64) -> Option<f64> {
        if !(ohms.is_finite() && ohms > 0.0) {
            return None;
        }
        let near = self.between(ohms / 1.3, ohms * 1.3);
        near.into_iter().min_by(|a, b| (a / ohms).ln().abs().total_cmp(&(b / ohms).ln().abs()))
    }
}

/// Resistance as people write it: `470 Ω`, `4.7 kΩ`, `1 MΩ`.
#[must_use]
pub fn ohms_text(ohms: f64) -> String {
    let (value, unit) = match ohms {
        v if v >= 1e6 => (v / 1e6, "MΩ"),
        v if v >= 1e3 => (v / 1e3, "kΩ"),
        v => (v, "Ω"),
    };
    // Five digits hold every E96 value; the shortest form drops the zeros.
    let digits = format!("{value:.4}");
    format!("{} {unit}", digits.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn series_are_those_of_the_standard() {
        let table = include_str!("../../tests/reference/e_series.csv");
        for (series, name) in [(Series::E24, "E24"), (Series::E96, "E96")] {
            let expected: Vec<f64> = table
                .lines()
                .filter_map(|l| l.strip_prefix(&format!("{name},")))
                .map(|l| l.split(',').nth(1).unwrap().parse().unwrap())
                .collect();
            let factor = if series == Series::E96 { 10.0 } else { 1.0 };
            let got: Vec<f64> = series.mantissas().iter().map(|m| (m * factor * 1e6).round() / 1e6).collect();
            assert_eq!(got, expected, "{name}");
            assert_eq!(series.between(10.0, 99.9).len(), expected.len());
        }
    }

    #[test]
    fn values_are_exact_in_every_decade() {
        for v in [0.47, 4.7, 47.0, 470.0, 4700.0, 47_000.0, 470_000.0, 4_700_000.0] {
            assert!(Series::E24.between(0.1, 1e7).contains(&v), "{v}");
            assert_eq!(Series::E24.nearest(v * 1.01), Some(v));
        }
        assert_eq!(Series::E96.nearest(10_020.0), Some(10_000.0));
        assert_eq!(Series::E24.nearest(f64::NAN), None);
        assert_eq!(Series::E24.nearest(-1.0), None);
    }

    #[test]
    fn resistances_read_well() {
        assert_eq!(ohms_text(470.0), "470 Ω");
        assert_eq!(ohms_text(4700.0), "4.7 kΩ");
        assert_eq!(ohms_text(1e6), "1 MΩ");
        assert_eq!(ohms_text(1.02), "1.02 Ω");
        assert_eq!(ohms_text(10_500.0), "10.5 kΩ");
    }
}
