//! A figure: one number with its unit and its uncertainty, or the reason why
//! there is none. Everything that leaves the analysis is built from these.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// The unit of a [`Quantity`] or of a [`Column`]; its serialised name is the
/// one that stands in JSON and CSV.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Unit {
    /// Watts into the load.
    #[serde(rename = "W")]
    Watts,
    /// Volts, RMS unless the name says peak.
    #[serde(rename = "V")]
    Volts,
    /// Millivolts RMS.
    #[serde(rename = "mV")]
    Millivolts,
    /// Milliamperes.
    #[serde(rename = "mA")]
    Milliamperes,
    /// A ratio of levels in decibels.
    #[serde(rename = "dB")]
    Decibels,
    /// Level re a full-scale sine (AES17: a full-scale sine is 0 dBFS).
    #[serde(rename = "dBFS")]
    DbFullScale,
    /// Level re 1 V RMS.
    #[serde(rename = "dBV")]
    DbVolt,
    /// Level re 1 W in the load.
    #[serde(rename = "dBW")]
    DbWatt,
    /// Per cent.
    #[serde(rename = "%")]
    Percent,
    /// Hertz.
    #[serde(rename = "Hz")]
    Hertz,
    /// Seconds.
    #[serde(rename = "s")]
    Seconds,
    /// Degrees of phase.
    #[serde(rename = "deg")]
    Degrees,
    /// Ohms.
    #[serde(rename = "ohm")]
    Ohms,
    /// Parts in a million.
    #[serde(rename = "ppm")]
    PartsPerMillion,
    /// A pure number: a count, a ratio, a code.
    #[serde(rename = "1")]
    One,
    /// Samples re full scale (1 = full scale).
    #[serde(rename = "FS")]
    FullScale,
}

impl Unit {
    /// How the unit is written for people: `Ω`, `°`, `%`, `W`.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Watts => "W",
            Self::Volts => "V",
            Self::Millivolts => "mV",
            Self::Milliamperes => "mA",
            Self::Decibels => "dB",
            Self::DbFullScale => "dBFS",
            Self::DbVolt => "dBV",
            Self::DbWatt => "dBW",
            Self::Percent => "%",
            Self::Hertz => "Hz",
            Self::Seconds => "s",
            Self::Degrees => "°",
            Self::Ohms => "Ω",
            Self::PartsPerMillion => "ppm",
            Self::One => "",
            Self::FullScale => "FS",
        }
    }
}

/// One number with unit and interval, or the reason why it was not measured.
///
/// `value` and the interval's ends are finite whenever they are present; the
/// constructors turn anything else into "not measured".
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quantity {
    /// The number, or `None` where nothing could be measured (see `note`).
    pub value: Option<f64>,
    /// Its unit.
    pub unit: Unit,
    /// Both ends of the interval that holds the true value with `confidence`.
    pub interval: Option<[f64; 2]>,
    /// The confidence of `interval`, 0.95 as a rule.
    pub confidence: Option<f64>,
    /// Why there is no value, or what must be known to read it.
    pub note: Option<String>,
    /// What the interface alone shows for the same figure, by the loopback, in `unit`; `None`: no loopback, or the
    /// figure has no such floor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub floor: Option<f64>,
}

/// How the reason of a missing interval begins in a note.
const NO_INTERVAL: &str = "no interval: ";

/// The confidence of every interval that twinload prints.
pub const CONFIDENCE: f64 = 0.95;

impl Quantity {
    /// A number without an interval. A value that is not finite becomes "not measured".
    #[must_use]
    pub fn new(value: f64, unit: Unit) -> Self {
        if !value.is_finite() {
            return Self::missing(unit, "the arithmetic gave no finite number");
        }
        Self { value: Some(value), unit, interval: None, confidence: None, note: None, floor: None }
    }

    /// Not measured, and why.
    #[must_use]
    pub fn missing(unit: Unit, reason: impl Into<String>) -> Self {
        Self { value: None, unit, interval: None, confidence: None, note: Some(reason.into()), floor: None }
    }

    /// With a 95 % interval `value ± half_width` (ignored if it is not finite or there is no value).
    #[must_use]
    pub fn plus_minus(self, half_width: f64) -> Self {
        match self.value {
            Some(value) => self.between(value - half_width.abs(), value + half_width.abs()),
            None => self,
        }
    }

    /// With a 95 % interval from `low` to `high` (ignored if not finite).
    #[must_use]
    pub fn between(mut self, low: f64, high: f64) -> Self {
        if low.is_finite() && high.is_finite() && self.value.is_some() {
            self.interval = Some([low.min(high), low.max(high)]);
            self.confidence = Some(CONFIDENCE);
        }
        self
    }

    /// With a remark; the reason of a missing value stays, and stands first; that of a missing interval stands last.
    #[must_use]
    pub fn noted(mut self, note: impl Into<String>) -> Self {
        let note = note.into();
        let old = self.note.take().unwrap_or_default();
        self.note = Some(match (old.find(NO_INTERVAL), self.value) {
            (_, None) if !old.is_empty() => format!("{old} ({note})"),
            (Some(at), Some(_)) => format!("{note}; {}", old.get(at..).unwrap_or_default()),
            _ => note,
        });
        self
    }

    /// A number that has no interval, and why: `"no interval: …"` in its note. (One without either would look as if it
    /// were exact.)
    #[must_use]
    pub fn without_interval(self, why: &str) -> Self {
        if self.value.is_none() || self.interval.is_some() {
            return self;
        }
        let before = self.note.map_or_else(String::new, |note| format!("{note}; "));
        Self { note: Some(format!("{before}{NO_INTERVAL}{why}")), ..self }
    }

    /// With what the interface shows by itself (ignored if it is not finite).
    #[must_use]
    pub fn over_floor(mut self, floor: f64) -> Self {
        self.floor = floor.is_finite().then_some(floor);
        self
    }

    /// Half the width of the interval, where there is one.
    #[must_use]
    pub fn half_width(&self) -> Option<f64> {
        self.interval.map(|[low, high]| (high - low) / 2.0)
    }
}

/// A column of a [`Curve`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Column {
    /// Lower case with underscores: `drive`, `thd`, `harmonic_2`.
    pub name: String,
    /// Unit of every number in the column.
    pub unit: Unit,
}

/// Many numbers along drive, power, frequency or time; a gap is `None`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// The columns, the first being what the curve runs along.
    pub columns: Vec<Column>,
    /// The rows, each as long as `columns`.
    pub rows: Vec<Vec<Option<f64>>>,
}

impl Curve {
    /// An empty curve with these columns.
    #[must_use]
    pub fn new(columns: &[(&str, Unit)]) -> Self {
        let columns = columns.iter().map(|&(name, unit)| Column { name: name.to_owned(), unit }).collect();
        Self { columns, rows: Vec::new() }
    }

    /// Adds a row; what is not finite becomes a gap.
    pub fn push(&mut self, row: impl IntoIterator<Item = f64>) {
        self.rows.push(row.into_iter().map(|v| v.is_finite().then_some(v)).collect());
    }

    /// The values of the column called `name`, or `None` if there is no such column.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<Vec<Option<f64>>> {
        let at = self.columns.iter().position(|c| c.name == name)?;
        Some(self.rows.iter().map(|row| row.get(at).copied().flatten()).collect())
    }

    /// Pairs of two columns, rows with a gap in either left out.
    #[must_use]
    pub fn points(&self, x: &str, y: &str) -> Vec<(f64, f64)> {
        let (Some(xs), Some(ys)) = (self.column(x), self.column(y)) else { return Vec::new() };
        xs.into_iter().zip(ys).filter_map(|(x, y)| Some((x?, y?))).collect()
    }
}

/// Curves of a take by name (`ladder_up`, `response_low_drive`, …; design §4a).
pub type Curves = BTreeMap<String, Curve>;

#[cfg(test)]
mod tests {
    use super::*;

    fn missing_stays(quantity: &Quantity) -> bool {
        quantity.note.as_deref() == Some("not reached")
    }

    #[test]
    fn a_remark_never_hides_why_there_is_no_value() {
        let missing = Quantity::missing(Unit::Watts, "not reached").noted("at the top step");
        assert_eq!(missing.note.as_deref(), Some("not reached (at the top step)"));
        let infinite = Quantity::new(f64::INFINITY, Unit::Watts).noted("at the top step");
        assert!(infinite.value.is_none() && infinite.note.unwrap_or_default().contains("no finite number"));
        let bare = Quantity::new(3.0, Unit::One).without_interval("a count").noted("steps");
        assert_eq!(bare.note.as_deref(), Some("steps; no interval: a count"));
        assert!(missing_stays(&Quantity::missing(Unit::Watts, "not reached").without_interval("x")));
        let there = Quantity::new(1.0, Unit::Watts).noted("first").noted("second");
        assert_eq!(there.note.as_deref(), Some("second"));
    }
}
