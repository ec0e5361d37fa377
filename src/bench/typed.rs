//! Levels and resistances as people type them: `10dBu`, `-10 dBV`, `1.9V`, `20mV`, `4k7`, `10k`.

use std::fmt;
use std::str::FromStr;

use crate::rounding;
use crate::units::{db, dbu_of_volts, from_db, volts_of_dbu};

/// A level, kept as volts RMS.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Volts RMS.
    pub volts: f64,
}

/// Resistance or impedance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ohms(pub f64);

/// Why a typed value was not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{typed:?} is not understood: {expected}")]
pub struct TypedError {
    typed: String,
    expected: &'static str,
}

/// Levels from -120 to +60 dBu: outside lies a slip of the fingers.
const LEVEL_VOLTS: std::ops::RangeInclusive<f64> = 1e-6..=1000.0;

impl FromStr for Level {
    type Err = TypedError;

    fn from_str(typed: &str) -> Result<Self, TypedError> {
        let fail = |expected| TypedError { typed: typed.to_owned(), expected };
        let lower = typed.trim().to_lowercase().replace('−', "-");
        let ended = |ending: &str| lower.strip_suffix(ending).map(str::trim_end);
        if lower.contains(',') {
            return Err(fail("write a decimal point"));
        }
        let (number, volts): (&str, fn(f64) -> f64) = if let Some(number) = ended("dbu") {
            (number, volts_of_dbu)
        } else if let Some(number) = ended("dbv") {
            (number, from_db)
        } else if let Some(number) = ended("mv") {
            (number, |mv| mv / 1000.0)
        } else if let Some(number) = ended("vrms").or_else(|| ended("v")) {
            (number, |v| v)
        } else {
            return Err(fail("a number with dBu, dBV, V or mV (RMS), such as 10dBu or 1.9V"));
        };
        let number: f64 = number
            .parse()
            .map_err(|_| fail("a number with dBu, dBV, V or mV (RMS), such as 10dBu or 1.9V"))?;
        let volts = volts(number);
        if !LEVEL_VOLTS.contains(&volts) {
            return Err(fail("must lie between 1 µV and 1000 V"));
        }
        Ok(Self { volts })
    }
}

/// In all three forms, so that the person sees what was understood.
impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let volts = self.volts;
        // Four digits, as a good meter shows.
        let digits = |x: f64| {
            let decimals = (3.0 - x.abs().log10().floor()).clamp(0.0, 6.0) as usize;
            format!("{x:.decimals$}")
        };
        if volts < 0.1 {
            write!(f, "{} mV RMS", digits(volts * 1000.0))?;
        } else {
            write!(f, "{} V RMS", digits(volts))?;
        }
        let levels = format!(" = {:+.2} dBu = {:+.2} dBV", dbu_of_volts(volts), db(volts));
        f.write_str(&rounding::minus(&levels))
    }
}

/// A plain number as an option takes it.
///
/// # Errors
/// What is wrong with it and how to write it: the decimal comma and the unit are named.
pub fn number(typed: &str) -> Result<f64, String> {
    let bare = typed.trim().replace('−', "-");
    if let Ok(number) = bare.parse() {
        return Ok(number);
    }
    let digits = bare.trim_end_matches(|c: char| c.is_alphabetic() || c == '%').trim_end();
    let unit = bare.get(digits.len()..).unwrap_or_default().trim();
    let pointed = digits.replacen(',', ".", 1);
    // "310m" is not 310.
    let scaled = unit.starts_with(['k', 'K', 'M', 'µ', 'μ']) || (unit.starts_with('m') && unit != "min");
    if scaled || pointed.parse::<f64>().is_err() {
        return Err("it must be a plain number, such as 230.5, without k, m or unit".to_owned());
    }
    Err(match (digits.contains(','), unit.is_empty()) {
        (true, true) => format!("a decimal comma: write {pointed}"),
        (true, false) => format!("a decimal comma, and a unit: write {pointed}"),
        _ => format!("write the number without its unit: {pointed}"),
    })
}

impl FromStr for Ohms {
    type Err = TypedError;

    fn from_str(typed: &str) -> Result<Self, TypedError> {
        let fail = |expected| TypedError { typed: typed.to_owned(), expected };
        if typed.contains(',') {
            return Err(fail("write a decimal point"));
        }
        let bare = typed.trim().trim_end_matches(['Ω', 'Ω']).trim_end();
        let bare = bare.strip_suffix("ohms").or_else(|| bare.strip_suffix("ohm")).unwrap_or(bare).trim_end();
        let expected = "ohms, such as 8, 470, 10k, 4k7 or 1M";
        let multiplier = |c| match c {
            'k' | 'K' => Some(1e3),
            'M' => Some(1e6),
            'R' | 'r' => Some(1.0),
            _ => None,
        };
        let found = bare.char_indices().find_map(|(at, c)| Some((at, c, multiplier(c)?)));
        let ohms = match found {
            None => bare.parse().map_err(|_| fail(expected))?,
            Some((at, letter, factor)) => {
                let whole = bare.get(..at).unwrap_or("").trim_end();
                let rest = bare.get(at + letter.len_utf8()..).unwrap_or("");
                // "4k7": the letter stands for the point.
                let text = if rest.is_empty() { whole.to_owned() } else { format!("{whole}.{rest}") };
                if !rest.bytes().all(|b| b.is_ascii_digit()) {
                    return Err(fail(expected));
                }
                text.parse::<f64>().map_err(|_| fail(expected))? * factor
            }
        };
        if !(0.001..=1e9).contains(&ohms) {
            return Err(fail("must be over 0.001 and at most a thousand megohms"));
        }
        Ok(Self(ohms))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Printed to eight digits: reference/level_conversion.csv.
    const TABLE_DIGITS: f64 = 1e-7;

    #[test]
    fn levels_agree_with_the_reference_table() {
        let mut rows = 0;
        for line in include_str!("../../tests/reference/level_conversion.csv").lines().skip(2) {
            let field: Vec<&str> = line.split(',').collect();
            let volts: f64 = field[1].parse().unwrap();
            for typed in [format!("{}dBu", field[0]), format!("{} dBV", field[2]), format!("{volts}V")] {
                let level: Level = typed.parse().unwrap();
                approx::assert_relative_eq!(level.volts, volts, max_relative = TABLE_DIGITS);
            }
            let shown = Level { volts }.to_string();
            let dbu: f64 = field[0].parse().unwrap();
            assert!(shown.contains(&format!("{dbu:+.2} dBu").replace('-', "−")), "{shown}");
            rows += 1;
        }
        assert!(rows > 15);
    }

    #[test]
    fn a_level_is_shown_to_four_digits() {
        let shown = |volts| Level { volts }.to_string();
        assert_eq!(shown(0.1481), "0.1481 V RMS = −14.37 dBu = −16.59 dBV");
        assert!(shown(23.456).starts_with("23.46 V"));
        assert!(shown(0.012_345).starts_with("12.35 mV"), "{}", shown(0.012_345));
    }

    #[test]
    fn commas_and_units_are_named() {
        assert_eq!(number(" 230.2 "), Ok(230.2));
        assert_eq!(number("−3"), Ok(-3.0));
        for (typed, named) in [
            ("230,2", "write 230.2"),
            ("310V", "without its unit: 310"),
            ("16 ohm", "without its unit: 16"),
            ("3,27 V", "write 3.27"),
            ("20min", "without its unit: 20"),
        ] {
            let why = number(typed).unwrap_err();
            assert!(why.contains(named), "{typed}: {why}");
        }
        for bad in ["", "V", "310mV", "10k", "1,234,567", "1.2.3"] {
            assert!(number(bad).unwrap_err().contains("plain number"), "{bad}");
        }
    }

    #[test]
    fn what_is_typed_is_understood_or_refused() {
        assert_eq!("20mV".parse::<Level>().unwrap().volts, 0.02);
        assert_eq!("1.9 V".parse::<Level>().unwrap().volts, 1.9);
        for bad in ["", "10", "dBu", "1,9V", "nan V", "inf dBu", "-1V", "10dBFS", "1e9 V"] {
            assert!(bad.parse::<Level>().is_err(), "{bad}");
        }
        for (typed, ohms) in [
            ("8", 8.0),
            ("10k", 1e4),
            ("4k7", 4700.0),
            ("1M", 1e6),
            ("1M5", 1.5e6),
            ("470 Ω", 470.0),
            ("10 kohms", 1e4),
            ("6R8", 6.8),
        ] {
            approx::assert_relative_eq!(typed.parse::<Ohms>().unwrap().0, ohms, max_relative = 1e-12);
        }
        for bad in ["", "k", "-8", "0", "4,7k", "1k2k", "ten", "4.7.1", "1m"] {
            assert!(bad.parse::<Ohms>().is_err(), "{bad}");
        }
    }
}
