//! How a figure is written for people: one rule for every table, sentence,
//! chart label and terminal line.
//!
//! **With uncertainty**: the rule of the Particle Data Group (*Review of
//! Particle Physics*, Introduction, section "Rounding"). Take the three
//! highest-order digits of the uncertainty: from 100 to 354 keep two digits,
//! from 355 to 949 keep one, from 950 to 999 round up to 1000 and keep two. The
//! value is then given to the same decimal place.
//!
//! An uncertainty more than two digits under the last one of the plain form is
//! left out; the value then has two digits more than plain.
//!
//! **Without**: a number of digits by unit, chosen so that the last digit lies
//! near what twinload can resolve (common practice, no source).
//!
//! Minus is U+2212; ranges say "to"; small seconds, volts and watts are
//! written in milli-units.

use crate::figure::{Quantity, Unit};

/// What stands for a figure without a value.
pub const NOT_MEASURED: &str = "not measured";

/// The quantity as text: `4.61 ± 0.06 W`; without interval `4.61 W`; without value [`NOT_MEASURED`].
///
/// An interval that is not symmetric about the value even after rounding is
/// written out: `4.61 W (4.50 to 4.90)`.
#[must_use]
pub fn text(quantity: &Quantity) -> String {
    write(quantity, Scale::of(&[quantity]), false)
}

/// What the interface shows by itself, where a loopback tells: `interface alone 0.003 %`.
#[must_use]
pub fn floor(quantity: &Quantity) -> Option<String> {
    let floor = quantity.floor?;
    // Two digits of a bound are all that it is worth; plain digits would make a good interface's floor 0.00.
    let number = match quantity.unit {
        Unit::Decibels | Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt => plain(floor, quantity.unit),
        unit => format!("{} {}", two_digits(floor), unit.symbol()),
    };
    Some(format!("interface alone {number}"))
}

/// A bound of two digits, plain: `below 5.2 %`.
#[must_use]
pub fn two_digits(value: f64) -> String {
    let exponent = if value > 0.0 { value.log10().floor() as i32 } else { 0 };
    format!("{value:.*}", usize::try_from(1 - exponent).unwrap_or(0).min(12))
}

/// The number with so many significant digits, for words and files in which no uncertainty stands beside it.
#[must_use]
pub fn digits(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits.max(1) - 1).parse().unwrap_or(value)
}

/// Like [`text`], with a plus sign before positive values: for differences.
#[must_use]
pub fn signed(quantity: &Quantity) -> String {
    write(quantity, Scale::of(&[quantity]), true)
}

/// Like [`text`] for figures that stand beside each other: all in the same milli- or plain unit.
#[must_use]
pub fn alike(quantities: &[&Quantity]) -> Vec<String> {
    let scale = Scale::of(quantities);
    quantities.iter().map(|q| write(q, scale, false)).collect()
}

/// A plain number with its unit, digits by unit: `4.61 W`, `−0.34 dB`.
#[must_use]
pub fn plain(value: f64, unit: Unit) -> String {
    text(&Quantity::new(value, unit))
}

/// An interval on its own: `4.50 to 4.90 W`, rounded by the rule for its half width.
#[must_use]
pub fn range(low: f64, high: f64, unit: Unit) -> String {
    let middle = Quantity::new((low + high) / 2.0, unit).between(low, high);
    let Some([low, high]) = middle.interval else { return NOT_MEASURED.to_owned() };
    let scale = Scale::of(&[&middle]);
    let (low, high) = (low * scale.factor, high * scale.factor);
    let place = Place::of_uncertainty((high - low) / 2.0).unwrap_or_else(|| Place::of_value(high, unit));
    format!("{} to {}{}", place.write(low), place.write(high), scale.suffix(unit))
}

/// Value and uncertainty as two numbers in text, rounded by the rule: `("4.61", "0.06")`.
///
/// `None` if the uncertainty is not a positive finite number or the value is not finite.
#[must_use]
pub fn value_and_uncertainty(value: f64, uncertainty: f64) -> Option<(String, String)> {
    if !value.is_finite() {
        return None;
    }
    let place = Place::of_uncertainty(uncertainty)?;
    Some((place.write(value), place.write_uncertainty(uncertainty)))
}

/// Uncertainties under this share of the value come from rounding in f64 (2⁻⁵³ a step) and from nothing else.
const ARITHMETIC: f64 = 1e-12;

fn write(quantity: &Quantity, scale: Scale, sign: bool) -> String {
    let unit = quantity.unit;
    let Some(value) = quantity.value.filter(|v| v.is_finite()) else { return NOT_MEASURED.to_owned() };
    let value = value * scale.factor;
    let suffix = scale.suffix(unit);
    let sides =
        quantity.interval.map(|[low, high]| (value - low * scale.factor, high * scale.factor - value));
    let narrow = sides.and_then(|(below, above)| {
        let side = smaller_positive(below, above)?;
        // Repeats that agree but for the arithmetic's last bits have no uncertainty to write.
        (side > ARITHMETIC * value.abs()).then_some(())?;
        Place::of_uncertainty(side)
    });
    let (Some((below, above)), Some(place)) = (sides, narrow) else {
        return format!("{}{suffix}", with_sign(&Place::of_value(value, unit).write(value), sign));
    };
    // What noise and fit leave is often far below what rig and amp do: nobody reads nine digits.
    let finest = Place { exponent: Place::of_value(value, unit).exponent - FINER_DIGITS };
    if place.exponent < finest.exponent && below.max(above) < 10f64.powi(finest.exponent) {
        return format!("{}{suffix}", with_sign(&finest.write(value), sign));
    }
    let number = with_sign(&place.write(value), sign);
    let (down, up) = (place.write_uncertainty(below), place.write_uncertainty(above));
    if down == up {
        return format!("{number} ± {up}{suffix}");
    }
    // Nearly symmetric: the wider side stands for both, so that nothing is claimed too narrowly.
    let half = below.max(above);
    if let (true, Some(wide)) = ((below - above).abs() < 0.15 * half, Place::of_uncertainty(half)) {
        return format!("{} ± {}{suffix}", with_sign(&wide.write(value), sign), wide.write_uncertainty(half));
    }
    let ends = (place.write(value - below), place.write(value + above));
    format!("{number}{suffix} ({} to {})", ends.0, ends.1)
}

fn smaller_positive(a: f64, b: f64) -> Option<f64> {
    let positive = |x: f64| (x.is_finite() && x > 0.0).then_some(x);
    match (positive(a), positive(b)) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}

fn with_sign(number: &str, sign: bool) -> String {
    let is_zero = !number.chars().any(|c| ('1'..='9').contains(&c));
    if sign && !is_zero && !number.starts_with('−') { format!("+{number}") } else { number.to_owned() }
}

/// Milli-units for what is small.
#[derive(Debug, Clone, Copy)]
struct Scale {
    factor: f64,
    symbol: Option<&'static str>,
}

impl Scale {
    fn of(quantities: &[&Quantity]) -> Self {
        let size = |q: &&Quantity| {
            q.value.map(|v| q.interval.map_or(v.abs(), |[low, high]| v.abs().max(low.abs()).max(high.abs())))
        };
        let largest = quantities.iter().filter_map(size).filter(|v| v.is_finite()).fold(0.0, f64::max);
        let same_unit = quantities.windows(2).all(|pair| matches!(pair, [a, b] if a.unit == b.unit));
        let (limit, symbol) = match quantities.first().map(|q| q.unit) {
            Some(Unit::Seconds) => (1.0, "ms"),
            Some(Unit::Volts) => (0.1, "mV"),
            Some(Unit::Watts) => (0.1, "mW"),
            Some(Unit::Millivolts) => (0.1, "µV"),
            _ => (0.0, ""),
        };
        if same_unit && largest > 0.0 && largest < limit {
            Self { factor: 1000.0, symbol: Some(symbol) }
        } else {
            Self { factor: 1.0, symbol: None }
        }
    }

    fn suffix(self, unit: Unit) -> String {
        match self.symbol.unwrap_or(unit.symbol()) {
            "" => String::new(),
            // SI Brochure 5.4.3: no space before the degree sign of an angle.
            "°" => "°".to_owned(),
            symbol => format!(" {symbol}"),
        }
    }
}

/// The decimal place of the last digit written: −2 for hundredths.
#[derive(Debug, Clone, Copy)]
struct Place {
    exponent: i32,
}

/// An uncertainty this many digits under a plain value's last one is not written, and the value gets that many more.
const FINER_DIGITS: i32 = 2;

/// Beyond these a plain decimal number is hard to read, and powers of ten are written.
const LARGEST_PLAIN: f64 = 1e7;
const FINEST_PLAIN_EXPONENT: i32 = -7;

impl Place {
    /// The place that the rule gives to this uncertainty; `None` if it is not a positive finite number.
    fn of_uncertainty(uncertainty: f64) -> Option<Self> {
        if !(uncertainty.is_finite() && uncertainty > 0.0) {
            return None;
        }
        // The decimal form is exact where a logarithm would err at 0.0999….
        let decimal = format!("{uncertainty:.2e}");
        let (mantissa, exponent) = decimal.split_once('e')?;
        let digits: u32 = mantissa.replace('.', "").parse().ok()?;
        let exponent: i32 = exponent.parse().ok()?;
        Some(Self { exponent: if digits <= 354 { exponent - 1 } else { exponent } })
    }

    /// The uncertainty at its own place. From 950 the rule goes up, also where binary 0.95 lies just under it.
    fn write_uncertainty(self, uncertainty: f64) -> String {
        let step = 10f64.powi(self.exponent);
        if (9.495..10.0).contains(&(uncertainty / step)) {
            return self.write(10.0 * step);
        }
        self.write(uncertainty)
    }

    fn of_value(value: f64, unit: Unit) -> Self {
        let significant = match unit {
            Unit::Decibels => return Self { exponent: -2 },
            Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt | Unit::Degrees => return Self { exponent: -1 },
            Unit::Hertz | Unit::Volts | Unit::One => 4,
            _ => 3,
        };
        if value == 0.0 || !value.is_finite() {
            return Self { exponent: 0 };
        }
        let decimal = format!("{:.*e}", significant - 1, value.abs());
        let exponent = decimal.split_once('e').and_then(|(_, e)| e.parse::<i32>().ok()).unwrap_or(0);
        Self { exponent: (exponent + 1 - i32::try_from(significant).unwrap_or(3)).min(0) }
    }

    fn write(self, value: f64) -> String {
        if value.abs() >= LARGEST_PLAIN || self.exponent < FINEST_PLAIN_EXPONENT {
            return self.write_power_of_ten(value);
        }
        let decimals = usize::try_from(-self.exponent).unwrap_or(0);
        let rounded = if self.exponent > 0 {
            let step = 10f64.powi(self.exponent);
            (value / step).round() * step
        } else {
            value
        };
        tidy(&format!("{rounded:.decimals$}"))
    }

    fn write_power_of_ten(self, value: f64) -> String {
        let magnitude = if value == 0.0 { self.exponent } else { value.abs().log10().floor() as i32 };
        let digits = usize::try_from(magnitude - self.exponent).unwrap_or(0).min(6);
        let decimal = format!("{value:.digits$e}");
        let (mantissa, exponent) = decimal.split_once('e').unwrap_or((&decimal, "0"));
        let raised: String = exponent.chars().map(superscript).collect();
        format!("{}×10{raised}", tidy(mantissa))
    }
}

/// True minus signs before the numbers of a text, and none before a zero, for words made with `format!`; all else
/// stays, names too.
#[must_use]
pub fn minus(text: &str) -> String {
    let word = |word: &str| {
        let begin = word.len() - word.trim_start_matches('(').len();
        let number = word[begin..].trim_end().trim_end_matches([',', '.', ';', ':', ')', '%', '°']);
        match number.strip_prefix('-') {
            Some(digits)
                if digits.starts_with(|c: char| c.is_ascii_digit()) && digits.parse::<f64>().is_ok() =>
            {
                word.replacen('-', if digits.parse() == Ok(0.0) { "" } else { "−" }, 1)
            }
            _ => word.to_owned(),
        }
    };
    text.split_inclusive(' ').map(word).collect()
}

/// A true minus sign, and no sign before a zero.
fn tidy(number: &str) -> String {
    let is_zero = !number.chars().any(|c| ('1'..='9').contains(&c));
    match number.strip_prefix('-') {
        Some(rest) if is_zero => rest.to_owned(),
        Some(rest) => format!("−{rest}"),
        None => number.to_owned(),
    }
}

fn superscript(c: char) -> char {
    match c {
        '-' => '⁻',
        '0' => '⁰',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        '9' => '⁹',
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn watts(value: f64, half_width: f64) -> Quantity {
        Quantity::new(value, Unit::Watts).plus_minus(half_width)
    }

    #[test]
    fn numbers_in_a_text_get_a_true_minus_and_names_do_not() {
        let text =
            "take -1.wav, b-2.wav: -97 dBFS (-3.01 dB), -0.5: --headroom 6 on 2026-11-25, - and -x, -5°";
        let told =
            "take -1.wav, b-2.wav: −97 dBFS (−3.01 dB), −0.5: --headroom 6 on 2026-11-25, - and -x, −5°";
        assert_eq!(minus(text), told);
        assert_eq!((minus("-8"), minus(&minus(text))), ("−8".to_owned(), told.to_owned()));
        assert_eq!(
            (minus(""), minus("-0.0 dBFS, (-0.00 dB)")),
            (String::new(), "0.0 dBFS, (0.00 dB)".to_owned())
        );
    }

    #[test]
    fn the_rule_as_its_source_states_it() {
        // The two examples of the source's section "Rounding" come first, then its limits 100, 354, 355, 949, 950.
        let table = [
            (0.827, 0.119, "0.83", "0.12"),
            (0.827, 0.367, "0.8", "0.4"),
            (5.0, 0.100, "5.00", "0.10"),
            (5.0, 0.354, "5.00", "0.35"),
            (5.0, 0.355, "5.0", "0.4"),
            (5.0, 0.949, "5.0", "0.9"),
            (5.0, 0.950, "5.0", "1.0"),
            (5.0, 0.999, "5.0", "1.0"),
            (5.0, 0.9999, "5.0", "1.0"),
            (4.6132, 0.0607, "4.61", "0.06"),
            (-0.6, 0.13, "−0.60", "0.13"),
            (-0.004, 0.13, "0.00", "0.13"),
            (8969.4, 2.9, "8969.4", "2.9"),
            (8969.4, 29.0, "8969", "29"),
            (8969.4, 290.0, "8970", "290"),
            (8969.4, 600.0, "9000", "600"),
            (8969.4, 970.0, "9000", "1000"),
            (0.000_012_34, 0.000_001_4, "0.0000123", "0.0000014"),
        ];
        for (value, uncertainty, number, plus_minus) in table {
            let got = value_and_uncertainty(value, uncertainty);
            assert_eq!(got, Some((number.to_owned(), plus_minus.to_owned())), "{value} ± {uncertainty}");
        }
    }

    #[test]
    fn no_uncertainty_no_pair() {
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(value_and_uncertainty(1.0, bad), None);
        }
        assert_eq!(value_and_uncertainty(f64::NAN, 1.0), None);
    }

    #[test]
    fn an_uncertainty_far_below_what_is_plain_is_left_out() {
        let level = Quantity::new(-6.678_697_4, Unit::DbFullScale).plus_minus(1.8e-8);
        assert_eq!(text(&level), "−6.679 dBFS");
        let thd = Quantity::new(11.968_771, Unit::Percent).plus_minus(2.1e-7);
        assert_eq!(text(&thd), "11.969 %");
        assert_eq!(text(&Quantity::new(11.968_771, Unit::Percent).plus_minus(2.1e-3)), "11.9688 ± 0.0021 %");
    }

    #[test]
    fn texts_for_people() {
        assert_eq!(text(&watts(4.6132, 0.0607)), "4.61 ± 0.06 W");
        assert_eq!(text(&Quantity::new(4.6132, Unit::Watts)), "4.61 W");
        assert_eq!(text(&Quantity::missing(Unit::Watts, "not reached")), "not measured");
        assert_eq!(signed(&Quantity::new(0.342, Unit::Decibels).plus_minus(0.041)), "+0.34 ± 0.04 dB");
        assert_eq!(signed(&Quantity::new(-0.342, Unit::Decibels).plus_minus(0.041)), "−0.34 ± 0.04 dB");
        assert_eq!(signed(&Quantity::new(0.001, Unit::Decibels).plus_minus(0.041)), "0.00 ± 0.04 dB");
        assert_eq!(text(&Quantity::new(180.04, Unit::Degrees)), "180.0°");
        assert_eq!(text(&Quantity::new(0.0801, Unit::Seconds).plus_minus(0.0031)), "80.1 ± 3.1 ms");
        assert_eq!(text(&Quantity::new(0.0123, Unit::Watts)), "12.3 mW");
        assert_eq!(text(&Quantity::new(0.000_312, Unit::Millivolts)), "0.312 µV");
        assert_eq!(text(&Quantity::new(72.34, Unit::Hertz)), "72.34 Hz");
        assert_eq!(text(&Quantity::new(21_316.4, Unit::Hertz)), "21316 Hz");
        assert_eq!(text(&Quantity::new(3.0, Unit::One)), "3.000");
        assert_eq!(text(&Quantity::new(0.0, Unit::Percent)), "0 %");
        assert_eq!(plain(-63.24, Unit::DbFullScale), "−63.2 dBFS");
        assert_eq!(range(4.5, 4.9, Unit::Watts), "4.50 to 4.90 W");
        assert_eq!(range(f64::NAN, 4.9, Unit::Watts), "not measured");
    }

    #[test]
    fn figures_side_by_side_share_a_unit() {
        let (a, b) = (watts(0.09, 0.001), watts(0.12, 0.001));
        assert_eq!(alike(&[&a, &b]), ["0.0900 ± 0.0010 W", "0.1200 ± 0.0010 W"]);
        assert_eq!(alike(&[&a]), ["90.0 ± 1.0 mW"]);
    }

    #[test]
    fn lopsided_intervals_are_written_out() {
        let quantity = Quantity::new(4.61, Unit::Watts).between(4.5, 4.9);
        assert_eq!(text(&quantity), "4.61 W (4.50 to 4.90)");
        let nearly = Quantity::new(4.61, Unit::Watts).between(4.5, 4.73);
        assert_eq!(text(&nearly), "4.61 ± 0.12 W");
        let agreeing = Quantity::new(4.08, Unit::Decibels).plus_minus(5e-15);
        assert_eq!(text(&agreeing), "4.08 dB");
        let one_sided = Quantity::new(4.61, Unit::Watts).between(4.61, 4.73);
        assert_eq!(text(&one_sided), "4.61 W (4.61 to 4.73)");
    }

    #[test]
    fn extremes_stay_readable() {
        assert_eq!(text(&watts(1.234e12, 2.0e10)), "1.234×10¹² ± 2.0×10¹⁰ W");
        assert_eq!(text(&Quantity::new(-2.5e9, Unit::Hertz)), "−2.500000×10⁹ Hz");
        assert!(text(&watts(f64::MAX, f64::MAX / 4.0)).len() < 60);
        assert_eq!(text(&watts(1.0, f64::MIN_POSITIVE)), "1.00 W");
    }

    fn number(text: &str) -> f64 {
        text.replace('−', "-").parse().unwrap_or(f64::NAN)
    }

    proptest! {
        #[test]
        fn rounding_twice_is_rounding_once(value in -1e5..1e5f64, uncertainty in 1e-4..1e4f64) {
            let once = value_and_uncertainty(value, uncertainty);
            let (number_text, uncertainty_text) = once.clone().unwrap_or_default();
            let twice = value_and_uncertainty(number(&number_text), number(&uncertainty_text));
            prop_assert_eq!(once, twice);
        }

        #[test]
        fn rounding_moves_nothing_by_more_than_the_rule_allows(value in -1e5..1e5f64, uncertainty in 1e-4..1e4f64) {
            let (number_text, uncertainty_text) = value_and_uncertainty(value, uncertainty).unwrap_or_default();
            // Two digits kept of 100 at worst: half a step is 5 %; one digit of 355 at worst: half a step is 14.1 %.
            prop_assert!((number(&uncertainty_text) - uncertainty).abs() <= 0.141 * uncertainty);
            prop_assert!((number(&number_text) - value).abs() <= 0.141 * uncertainty * (1.0 + 1e-9));
        }

        #[test]
        fn any_number_gives_a_short_text(value in proptest::num::f64::ANY, half in proptest::num::f64::ANY) {
            for unit in [Unit::Watts, Unit::Decibels, Unit::Hertz, Unit::Seconds, Unit::One] {
                let text = text(&Quantity::new(value, unit).plus_minus(half));
                prop_assert!(text.chars().count() < 100, "{}", text);
                prop_assert!(!text.contains("NaN") && !text.contains("inf") && !text.contains('-'), "{}", text);
            }
        }
    }
}
