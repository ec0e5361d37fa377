//! Numbers of curves, as they stand in data tables and CSV files.

/// With five significant digits, for a table that a person reads: "0.012346", "31.2", "1.0e-9".
#[must_use]
pub fn short(value: f64) -> String {
    const DIGITS: i32 = 5;
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let exponent = value.abs().log10().floor() as i32;
    if !(-6..9).contains(&exponent) {
        return format!("{value:.4e}");
    }
    let decimals = usize::try_from(DIGITS - 1 - exponent).unwrap_or(0);
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// As it is, to be read back without loss; empty where nothing was measured.
#[must_use]
pub fn full(value: Option<f64>) -> String {
    value.filter(|v| v.is_finite()).map(|v| v.to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_digits_and_no_more() {
        let cases = [
            (0.0, "0"),
            (1.0 / 3.0, "0.33333"),
            (-31.2, "-31.2"),
            (20_000.0, "20000"),
            (123_456.7, "123457"),
            (0.000_012_345_67, "0.000012346"),
            (9.999_999, "10"),
            (1e-9, "1.0000e-9"),
            (f64::NAN, "0"),
        ];
        for (value, expected) in cases {
            assert_eq!(short(value), expected, "{value}");
        }
    }

    #[test]
    fn full_numbers_read_back() {
        for value in [0.1 + 0.2, 1e-300, -5.0] {
            assert_eq!(full(Some(value)).parse(), Ok(value));
        }
        assert_eq!(full(Some(f64::INFINITY)), "");
        assert_eq!(full(None), "");
    }
}
