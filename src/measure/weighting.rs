//! Weightings of noise by frequency, as amplitude factors from their formulas. Applied to the bins of a
//! spectrum they are exact up to 20 kHz at any sample rate, which a filter is not (methods §7).

use crate::units::from_db;

/// Poles of the A curve in Hz, from the construction of IEC 61672-1:2013 Annex E (reference §3).
const A_POLES_HZ: [f64; 4] = [20.598_997_058, 107.652_648_643, 737.862_230_736, 12_194.217_147_998];
/// The A curve's formula at 1 kHz, dB (same source).
const A_AT_1_KHZ_DB: f64 = -1.999_655_536;

/// A-weighting as an amplitude factor, 1 at 1 kHz (IEC 61672-1:2013 Annex E).
#[must_use]
pub fn a(frequency_hz: f64) -> f64 {
    let f2 = frequency_hz * frequency_hz;
    let [p1, p2, p3, p4] = A_POLES_HZ.map(|p| p * p);
    let shape = p4 * f2 * f2 / ((f2 + p1) * ((f2 + p2) * (f2 + p3)).sqrt() * (f2 + p4));
    shape / from_db(A_AT_1_KHZ_DB)
}

/// Gain of the 468 network's formula at 1 kHz, dB, turned round (reference §3).
const ITU468_TO_1_KHZ_DB: f64 = 18.238_675;

/// The weighting network of ITU-R BS.468-4 as an amplitude factor, 1 at 1 kHz. With an RMS reading, as
/// here, it is *not* the quasi-peak reading of that recommendation and must not be called so.
#[must_use]
pub fn itu468(frequency_hz: f64) -> f64 {
    let f = frequency_hz;
    let (f2, f3) = (f * f, f * f * f);
    let h1 = -4.737_338_981_378_384e-24 * f3 * f3 + 2.043_828_333_606_125e-15 * f2 * f2
        - 1.363_894_795_463_638e-7 * f2
        + 1.0;
    let h2 =
        1.306_612_257_412_824e-19 * f3 * f2 - 2.118_150_887_518_656e-11 * f3 + 5.559_488_023_498_642e-4 * f;
    1.246_332_637_532_143e-4 * f / h1.hypot(h2) * from_db(ITU468_TO_1_KHZ_DB)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::units::db;

    /// Two columns of a reference table; lines of source and the heading are skipped.
    fn columns(table: &str, x: usize, y: usize) -> Vec<(f64, f64)> {
        let rows = table.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit()));
        rows.map(|row| {
            let cells: Vec<&str> = row.split(',').collect();
            (cells[x].parse().unwrap(), cells[y].parse().unwrap())
        })
        .collect()
    }

    #[test]
    fn a_weighting_is_that_of_the_standard() {
        let table = include_str!("../../tests/reference/a_weighting.csv");
        let standard = columns(table, 1, 2);
        assert_eq!(standard.len(), 34);
        for (exact_hz, table_db) in standard {
            // IEC 61672-1:2013 Table 3 holds at the exact frequencies and is rounded to 0.1 dB.
            assert!((db(a(exact_hz)) - table_db).abs() <= 0.0501, "{exact_hz}: {}", db(a(exact_hz)));
        }
        for (nominal_hz, formula_db) in columns(table, 0, 4) {
            // The formula in arithmetic of 25 digits, printed to 1e-6 dB; A_1000 is given to 1e-9.
            assert!((db(a(nominal_hz)) - formula_db).abs() < 2e-6, "{nominal_hz}");
        }
        assert!(a(0.0) == 0.0 && db(a(1000.0)).abs() < 1e-8);
    }

    #[test]
    fn the_468_curve_is_that_of_the_recommendation() {
        let table = include_str!("../../tests/reference/itu468.csv");
        let points = columns(table, 0, 1);
        assert_eq!(points.len(), 21);
        for (hz, table_db) in points {
            // ITU-R BS.468-4 Table 1 against its network: at most 0.051 dB (reference §3).
            assert!((db(itu468(hz)) - table_db).abs() <= 0.051, "{hz}: {}", db(itu468(hz)));
        }
        for (hz, formula_db) in columns(table, 0, 2) {
            // Printed to 1e-5 dB.
            assert!((db(itu468(hz)) - formula_db).abs() < 2e-5, "{hz}: {}", db(itu468(hz)));
        }
        assert!(itu468(0.0) == 0.0);
    }

    #[test]
    fn flat_noise_gets_the_published_sums() {
        // Flat 20 Hz to 20 kHz: A −2.04827 dB, 468 (0 dB at 1 kHz) +7.30144 dB (reference §3).
        let sum = |weight: fn(f64) -> f64| {
            let step = 0.5;
            let squares = (0..39_960).map(|k| weight(20.0 + (f64::from(k) + 0.5) * step).powi(2));
            10.0 * (squares.sum::<f64>() * step / 19_980.0).log10()
        };
        // Midpoint rule with 0.5 Hz steps and the last printed digit.
        assert!((sum(a) + 2.04827).abs() < 2e-5, "{}", sum(a));
        assert!((sum(itu468) - 7.30144).abs() < 2e-5, "{}", sum(itu468));
    }
}
