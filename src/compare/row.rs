//! One row: takes of two builds in, values, difference and standing out.

use super::catalogue::{Common, Entry, NEAR_NULL_PERCENT, Threshold, can_vanish};
use super::document::{Expressed, Match, Row, Standing};
use crate::figure::{CONFIDENCE, Quantity, Unit};
use crate::rounding;
use crate::statistics::{Difference, Mean, Method, NORMAL_95};

/// Level of significance of the headline figures together (Holm) and of every other figure (design §12, methods §9).
pub const HEADLINE_LEVEL: f64 = 0.05;
/// See [`HEADLINE_LEVEL`].
pub const OTHER_LEVEL: f64 = 0.01;

/// Standard uncertainties (one sigma) that every build shares, as shares of one.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CommonUncertainty {
    /// Of watts into the load.
    pub power: f64,
    /// Of volts across the load.
    pub volts: f64,
    /// Of volts at the amp's input.
    pub drive: f64,
    /// The two loads of an output impedance.
    pub loads: Option<TwoLoads>,
}

/// The loads that an output impedance is worked out from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoLoads {
    /// The rig's own.
    pub nominal_ohms: f64,
    /// The other one.
    pub other_ohms: f64,
    /// Standard uncertainty of each, a ratio; they are different resistors.
    pub share: f64,
}

impl TwoLoads {
    /// Of Z = R₁R₂(ρ − 1)/(R₂ − ρR₁): ∂ln Z/∂ln R₁ = (R₂ + Z)/(R₂ − R₁), ∂ln Z/∂ln R₂ = −(R₁ + Z)/(R₂ − R₁).
    fn of_impedance(&self, ohms: f64) -> f64 {
        let Self { nominal_ohms, other_ohms, share } = self;
        share * (other_ohms + ohms).hypot(nominal_ohms + ohms) / (other_ohms - nominal_ohms).abs()
    }

    /// Of R₁/Z: both derivatives are ∓(R₁ + Z)/(R₂ − R₁).
    fn of_damping(&self, factor: f64) -> f64 {
        let sum = self.nominal_ohms * (1.0 + 1.0 / factor.abs());
        self.share * 2f64.sqrt() * sum / (self.other_ohms - self.nominal_ohms).abs()
    }
}

impl CommonUncertainty {
    /// Of an output in this unit, as a share of one; 0 where the rig has no part in it.
    #[must_use]
    pub fn of_output(&self, unit: Unit) -> f64 {
        match unit {
            Unit::Watts => self.power,
            Unit::Volts | Unit::Millivolts => self.volts,
            _ => 0.0,
        }
    }

    /// Standard uncertainty of `value` in its own unit.
    fn of(&self, common: Common, value: f64, unit: Unit) -> f64 {
        let share = match common {
            Common::Nothing => return 0.0,
            Common::Power => self.power,
            Common::Volts => self.volts,
            Common::Drive => self.drive,
            Common::Gain => self.volts.hypot(self.drive),
            Common::Impedance => self.loads.map_or(0.0, |l| l.of_impedance(value)),
            Common::Damping => self.loads.map_or(0.0, |l| l.of_damping(value)),
        };
        match unit {
            // d(10 lg P) = 10/ln 10 · dP/P and d(20 lg V) = 20/ln 10 · dV/V (reference §11).
            Unit::DbWatt | Unit::Decibels | Unit::DbVolt => {
                let times = if common == Common::Power { 10.0 } else { 20.0 };
                times / std::f64::consts::LN_10 * share
            }
            // Without a calibrated rig nothing is claimed in volts, so the rig's error is not in it.
            Unit::DbFullScale | Unit::FullScale => 0.0,
            _ => value.abs() * share,
        }
    }
}

/// What the takes of one build gave for one quantity, at one setting.
#[derive(Debug, Clone, Default)]
pub struct Repeats {
    /// The takes that have a value.
    pub values: Vec<f64>,
    /// Half width of the 95 % interval of each, where the take gave one; as long as `values`.
    pub half_widths: Vec<Option<f64>>,
    /// Why the others have none.
    pub missing: Vec<String>,
    /// Unit of all values.
    pub unit: Option<Unit>,
    /// The largest that the interface shows by itself in any of the takes, in `unit`.
    pub floor: Option<f64>,
    /// How far the value moves if the place where it is read is off by the rig's standard uncertainty, in `unit`.
    pub by_place: f64,
}

impl Repeats {
    /// Gathers one quantity of each take; a take whose unit differs from the first's counts as missing.
    pub fn gather(takes: impl IntoIterator<Item = Option<Quantity>>) -> Self {
        let mut repeats = Self::default();
        for quantity in takes {
            let Some(quantity) = quantity else {
                repeats.missing.push("the take has no such figure".to_owned());
                continue;
            };
            let unit = *repeats.unit.get_or_insert(quantity.unit);
            match quantity.value.filter(|v| v.is_finite()) {
                Some(value) if unit == quantity.unit => {
                    repeats.values.push(value);
                    repeats.half_widths.push(quantity.half_width());
                    repeats.floor = repeats.floor.into_iter().chain(quantity.floor).reduce(f64::max);
                }
                Some(_) => repeats.missing.push(format!("a take gives it in {}", quantity.unit.symbol())),
                None => repeats.missing.push(quantity.note.unwrap_or_else(|| "no reason given".to_owned())),
            }
        }
        repeats
    }

    /// The reasons why takes have no value, each once.
    #[must_use]
    pub fn reasons(&self) -> String {
        let mut reasons: Vec<&str> = Vec::new();
        for reason in &self.missing {
            if !reasons.contains(&reason.as_str()) {
                reasons.push(reason);
            }
        }
        reasons.join("; ")
    }

    /// Standard uncertainty of the mean by the takes' own intervals, on the line that `to_line` maps values to; `None`
    /// where a take gave none, or the line does not reach so far.
    fn own(&self, to_line: impl Fn(f64) -> f64) -> Option<f64> {
        let each = self.values.iter().zip(&self.half_widths);
        let squares: Option<f64> = each
            .map(|(value, half)| {
                let half = (*half)?;
                Some(((to_line(value + half) - to_line(value - half)) / (2.0 * NORMAL_95)).powi(2))
            })
            .sum();
        squares.map(|s| s.sqrt() / self.values.len() as f64).filter(|own| own.is_finite())
    }

    /// The mean with its interval, the rig's part included.
    fn quantity(&self, entry: &Entry, unit: Unit, common: &CommonUncertainty) -> Quantity {
        let Some(mean) = Mean::of(&self.values) else {
            let reason = self.reasons();
            let reason = if reason.is_empty() { "no usable take".to_owned() } else { reason };
            return Quantity::missing(unit, reason);
        };
        let mut notes = Vec::new();
        let own = self.own(|v| v).unwrap_or(0.0);
        let rig = common.of(entry.common, mean.value, unit).hypot(self.by_place);
        let mut total = mean.at_least(own).with_common(rig);
        if mean.count == 1 {
            // What the take itself knows: noise and fit. Its scatter stays unknown.
            if let Some(half) = self.half_widths.first().copied().flatten() {
                total = total.with_common(half / NORMAL_95);
            }
            notes.push("one take: its scatter is not in the interval".to_owned());
        }
        if !self.missing.is_empty() {
            let (missing, all) = (self.missing.len(), self.missing.len() + mean.count);
            notes.push(format!("missing in {missing} of {all} takes: {}", self.reasons()));
        }
        let mut quantity = Quantity { floor: self.floor, ..Quantity::new(mean.value, unit) };
        if let Some(half) = total.half_width(CONFIDENCE) {
            quantity = quantity.plus_minus(half);
        }
        if notes.is_empty() { quantity } else { quantity.noted(notes.join("; ")) }
    }
}

/// What a row is about.
#[derive(Debug, Clone)]
pub struct Subject<'a> {
    /// The quantity.
    pub entry: &'a Entry,
    /// The setting.
    pub setting: &'a str,
    /// Names of both builds, reference first.
    pub builds: [&'a str; 2],
    /// What they are compared at.
    pub matched: Match,
    /// Where the match lies.
    pub at: Option<Quantity>,
}

/// The row of this subject. Standing and p-value of figures with repeats are
/// provisional until [`judge`] has seen all rows.
#[must_use]
pub fn build(subject: &Subject, reference: &Repeats, other: &Repeats, common: &CommonUncertainty) -> Row {
    let entry = subject.entry;
    let unit = reference.unit.or(other.unit).unwrap_or(Unit::One);
    let values: Vec<Quantity> = [reference, other].map(|r| r.quantity(entry, unit, common)).into();
    let expressed = expressed(entry, reference, other);
    let same_unit = reference.unit == other.unit;
    let (difference, p_value, standing) = if same_unit {
        difference(expressed, unit, reference, other)
    } else {
        (
            Quantity::missing(difference_unit(expressed, unit), why_not(subject, reference, other)),
            None,
            Standing::NotMeasured,
        )
    };
    let difference = if difference.value.is_none() {
        Quantity { note: Some(why_not(subject, reference, other)), ..difference }
    } else {
        difference
    };
    let relevant = entry.threshold.and_then(|t| is_relevant(t, expressed, &difference, &values));
    let texts: Vec<&Quantity> = values.iter().collect();
    Row {
        quantity: entry.quantity.clone(),
        label: label(subject),
        setting: subject.setting.to_owned(),
        matched: subject.matched,
        matched_at: subject.at.clone(),
        builds: subject.builds.map(str::to_owned),
        takes: [reference, other].map(|r| u32::try_from(r.values.len()).unwrap_or(u32::MAX)),
        value_texts: rounding::alike(&texts),
        difference_text: difference_text(expressed, &difference),
        values,
        difference,
        expressed,
        standing,
        relevant,
        threshold: entry.threshold.map(Threshold::words),
        headline: entry.headline,
        p_value,
    }
}

/// Label with the place of the match: "THD at 1 W".
fn label(subject: &Subject) -> String {
    match &subject.at {
        Some(at) => format!("{} {}", subject.entry.label, at_words(subject.matched, at)),
        None => subject.entry.label.clone(),
    }
}

/// The place of a match in words: "at −20 dB drive", "at 1 W", "at 5 % THD".
#[must_use]
pub fn at_words(matched: Match, at: &Quantity) -> String {
    let place = place_words(at);
    match matched {
        Match::SameDrive => format!("at {place} drive"),
        Match::SameDistortion => format!("at {place} THD"),
        Match::SamePower | Match::Whole => format!("at {place}"),
    }
}

/// A chosen number, which is exact, without needless digits: "1 W", "−20 dB".
#[must_use]
pub fn place_words(at: &Quantity) -> String {
    let Some(value) = at.value else { return rounding::NOT_MEASURED.to_owned() };
    let number = format!("{}", (value * 1e6).round() / 1e6).replace('-', "−");
    match at.unit.symbol() {
        "" => number,
        symbol => format!("{number} {symbol}"),
    }
}

fn why_not(subject: &Subject, reference: &Repeats, other: &Repeats) -> String {
    let of = |name: &str, r: &Repeats| {
        let reasons = r.reasons();
        let reasons = if reasons.is_empty() { "no usable take".to_owned() } else { reasons };
        format!("{name}: {reasons}")
    };
    let [a, b] = subject.builds;
    match (reference.values.is_empty(), other.values.is_empty()) {
        (true, true) => format!("{}; {}", of(a, reference), of(b, other)),
        (true, false) => of(a, reference),
        (false, true) => of(b, other),
        (false, false) => "the two builds' figures have different units".to_owned(),
    }
}

/// The entry's way of telling, but plain where logarithms would speak of next to nothing.
fn expressed(entry: &Entry, reference: &Repeats, other: &Repeats) -> Expressed {
    let all = || reference.values.iter().chain(&other.values);
    let is_level = reference.unit.or(other.unit).is_some_and(is_decibel);
    if matches!(entry.expressed, Expressed::Decibels) && is_level {
        return Expressed::Decibels;
    }
    let near_null = can_vanish(&entry.quantity)
        && [reference, other]
            .iter()
            .any(|r| Mean::of(&r.values).is_some_and(|m| m.value < NEAR_NULL_PERCENT));
    if all().any(|v| *v <= 0.0) || near_null { Expressed::Plain } else { entry.expressed }
}

fn is_decibel(unit: Unit) -> bool {
    matches!(unit, Unit::Decibels | Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt)
}

fn difference_unit(expressed: Expressed, unit: Unit) -> Unit {
    match expressed {
        Expressed::Decibels => Unit::Decibels,
        Expressed::Ratio => Unit::One,
        Expressed::Percent => Unit::Percent,
        // The difference of two levels has no reference any more.
        Expressed::Plain if is_decibel(unit) => Unit::Decibels,
        Expressed::Plain => unit,
    }
}

fn difference(
    expressed: Expressed,
    unit: Unit,
    reference: &Repeats,
    other: &Repeats,
) -> (Quantity, Option<f64>, Standing) {
    let told = difference_unit(expressed, unit);
    let to_line = |v: f64| match expressed {
        Expressed::Plain => v,
        Expressed::Decibels if is_decibel(unit) => v,
        Expressed::Decibels if unit == Unit::Watts => 10.0 * v.log10(),
        Expressed::Decibels => 20.0 * v.log10(),
        Expressed::Ratio | Expressed::Percent => v.ln(),
    };
    let line = |r: &Repeats| r.values.iter().map(|v| to_line(*v)).collect::<Vec<f64>>();
    let Some(found) = Difference::of(&line(reference), &line(other)) else {
        return (Quantity::missing(told, ""), None, Standing::NotMeasured);
    };
    let found = match (reference.own(to_line), other.own(to_line)) {
        (Some(a), Some(b)) => found.at_least(a.hypot(b)),
        _ => found,
    };
    let from_line = |d: f64| match expressed {
        Expressed::Plain | Expressed::Decibels => d,
        Expressed::Ratio => d.exp(),
        Expressed::Percent => 100.0 * d.exp_m1(),
    };
    let mut quantity = Quantity::new(from_line(found.value), told);
    if let Some(half) = found.half_width(CONFIDENCE) {
        quantity = quantity.between(from_line(found.value - half), from_line(found.value + half));
    }
    let standing = match found.method {
        Method::OneTakeOnly => Standing::OneTakeOnly,
        Method::Welch | Method::Pooled => Standing::WithinRepeats,
    };
    (quantity, found.p_value, standing)
}

fn is_relevant(
    threshold: Threshold,
    expressed: Expressed,
    difference: &Quantity,
    values: &[Quantity],
) -> Option<bool> {
    let size = difference.value?;
    match (threshold, expressed) {
        (Threshold::Decibels(limit), Expressed::Decibels | Expressed::Plain) => Some(size.abs() >= limit),
        (Threshold::Factor(limit), _) => {
            let [a, b] = values else { return None };
            let (a, b) = (a.value?, b.value?);
            (a > 0.0 && b > 0.0).then(|| (b / a).max(a / b) >= limit)
        }
        (Threshold::Decibels(_), Expressed::Ratio | Expressed::Percent) => None,
    }
}

/// The difference as text: "+0.34 ± 0.04 dB", "× 0.74 ± 0.03", "+0.12 ± 0.03 percentage points".
fn difference_text(expressed: Expressed, difference: &Quantity) -> String {
    if difference.value.is_none() {
        return rounding::NOT_MEASURED.to_owned();
    }
    match expressed {
        Expressed::Ratio => format!("× {}", rounding::text(difference)),
        Expressed::Plain if difference.unit == Unit::Percent => {
            rounding::signed(difference).replace(" %", " percentage points")
        }
        Expressed::Plain | Expressed::Percent | Expressed::Decibels => rounding::signed(difference),
    }
}

/// Gives every row with repeats its standing: headline figures corrected together by
/// Holm's procedure and judged at [`HEADLINE_LEVEL`], the others one by one at [`OTHER_LEVEL`].
pub fn judge(rows: &mut [Row]) {
    let family: Vec<f64> = rows.iter().filter(|r| r.headline).filter_map(|r| r.p_value).collect();
    let mut corrected = crate::statistics::holm(&family).into_iter();
    let tests = family.len();
    for row in rows.iter_mut() {
        let Some(p) = row.p_value else { continue };
        let (p, level) =
            if row.headline { (corrected.next().unwrap_or(1.0), HEADLINE_LEVEL) } else { (p, OTHER_LEVEL) };
        row.p_value = Some(p);
        row.standing = if p <= level { Standing::Real } else { Standing::WithinRepeats };
        if row.standing == Standing::WithinRepeats && excludes_no_difference(row) {
            let why = if row.headline {
                format!(
                    "its own interval excludes no difference, but {tests} headline figures were tested together (Holm)"
                )
            } else {
                "its own interval excludes no difference, but many figures were tested, so this one is judged at 1 %".to_owned()
            };
            row.difference.note = Some(why);
        }
    }
}

/// Its own interval, taken alone, excludes "no difference".
#[must_use]
pub fn excludes_no_difference(row: &Row) -> bool {
    let none = if row.expressed == Expressed::Ratio { 1.0 } else { 0.0 };
    row.difference.interval.is_some_and(|[low, high]| none < low || none > high)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::measure::impedance::from_ratio;
    use realfft::num_complex::Complex;

    #[test]
    fn the_rigs_share_in_decibels_follows_what_is_measured() {
        let common = CommonUncertainty { power: 0.02, volts: 0.01, drive: 0.0, loads: None };
        // 2 % of watts are 1 % of volts, and both are 0.0869 dB (reference §11).
        for (kind, unit) in [
            (Common::Power, Unit::DbWatt),
            (Common::Power, Unit::Decibels),
            (Common::Volts, Unit::DbVolt),
            (Common::Volts, Unit::Decibels),
        ] {
            approx::assert_relative_eq!(common.of(kind, -50.0, unit), 0.086_859, max_relative = 1e-5);
        }
        assert_eq!(common.of(Common::Power, 5.0, Unit::Watts), 0.1);
        assert_eq!(common.of(Common::Volts, -50.0, Unit::DbFullScale), 0.0);
        assert_eq!(common.of(Common::Impedance, 8.0, Unit::Ohms), 0.0);
    }

    #[test]
    fn an_impedance_has_the_error_of_both_loads() {
        let (first, second, share) = (8.0, 16.0, 0.01 / 3f64.sqrt());
        let loads = Some(TwoLoads { nominal_ohms: first, other_ohms: second, share });
        let common = CommonUncertainty { power: 0.0, volts: 0.0, drive: 0.0, loads };
        for ohms in [0.5, 8.0, 40.0] {
            // What the formula of the impedance gives when each load in turn is a millionth more than was thought.
            let ratio = Complex::from(second * (first + ohms) / (first * (second + ohms)));
            let z = |r1: f64, r2: f64| from_ratio(r1, r2, ratio).re;
            let by_first = (z(first * 1.000_001, second) / ohms - 1.0) / 1e-6;
            let by_second = (z(first, second * 1.000_001) / ohms - 1.0) / 1e-6;
            let expected = ohms * share * by_first.hypot(by_second);
            let found = common.of(Common::Impedance, ohms, Unit::Ohms);
            approx::assert_relative_eq!(found, expected, max_relative = 1e-4);
            let damping = first / ohms;
            let expected = damping * share * (1.0 - by_first).hypot(by_second);
            let found = common.of(Common::Damping, damping, Unit::One);
            approx::assert_relative_eq!(found, expected, max_relative = 1e-4);
        }
    }
}
