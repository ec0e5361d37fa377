//! One take's rising ladder as functions of drive, and the three matches read from it.
//!
//! A match is found in each take by itself and only then averaged over takes:
//! the mean of two clipped curves is a curve that no take has.

use crate::figure::{Curve, Quantity, Unit};
use crate::measure::pchip::Pchip;

/// Grid on which crossings are searched, dB of drive (methods §4.1).
const GRID_DB: f64 = 0.02;
/// A crossing counts if the curve stays over the limit for this much more drive (methods §4.1).
const STAYS_DB: f64 = 0.5;
/// Steps farther apart than this have a struck-out step between them: no interpolation across.
const WIDEST_STEP_DB: f64 = 2.5;

/// The rising ladder of one take.
#[derive(Debug, Clone)]
pub struct Ladder<'a> {
    curve: &'a Curve,
    /// The interface's own distortion at the same drives.
    interface: Option<&'a Curve>,
    strength: Strength,
}

/// By what the output is told, best first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strength {
    /// Name of the column.
    pub column: &'static str,
    /// Its unit.
    pub unit: Unit,
}

impl Strength {
    /// Decibels of a value: 10 lg of watts, 20 lg of volts and full scale, levels as they are.
    #[must_use]
    pub fn to_db(self, value: f64) -> f64 {
        match self.unit {
            Unit::Watts => 10.0 * value.log10(),
            Unit::Volts | Unit::Millivolts | Unit::FullScale => 20.0 * value.log10(),
            _ => value,
        }
    }

    /// The value of these decibels.
    #[must_use]
    pub fn value_of_db(self, db: f64) -> f64 {
        match self.unit {
            Unit::Watts => 10f64.powf(db / 10.0),
            Unit::Volts | Unit::Millivolts | Unit::FullScale => 10f64.powf(db / 20.0),
            _ => db,
        }
    }
}

impl<'a> Ladder<'a> {
    /// The ladder in this curve; `None` if it has no column `drive` or none of power, output or level.
    #[must_use]
    pub fn of(curve: &'a Curve) -> Option<Self> {
        let unit = |name: &str| curve.columns.iter().find(|c| c.name == name).map(|c| c.unit);
        unit("drive")?;
        let strength = ["power", "output", "level"].into_iter().find_map(|column| {
            let unit = unit(column)?;
            let any = curve.points("drive", column).len() > 1;
            any.then_some(Strength { column, unit })
        })?;
        Some(Self { curve, interface: None, strength })
    }

    /// With the interface's own distortion (`interface_distortion`), where a loopback tells it.
    #[must_use]
    pub fn over(self, interface: Option<&'a Curve>) -> Self {
        Self { interface, ..self }
    }

    /// By what the output is told.
    #[must_use]
    pub fn strength(&self) -> Strength {
        self.strength
    }

    /// Lowest and highest drive at which the output is known, dB.
    #[must_use]
    pub fn drives(&self) -> Option<(f64, f64)> {
        let points = self.curve.points("drive", self.strength.column);
        let drives = || points.iter().map(|p| p.0);
        (points.len() > 1)
            .then(|| (drives().fold(f64::INFINITY, f64::min), drives().fold(f64::NEG_INFINITY, f64::max)))
    }

    /// Largest output on the ladder, in the strength's unit.
    #[must_use]
    pub fn largest(&self) -> Option<f64> {
        self.curve.points("drive", self.strength.column).iter().map(|p| p.1).reduce(f64::max)
    }

    /// Smallest output on the ladder, in the strength's unit.
    #[must_use]
    pub fn smallest(&self) -> Option<f64> {
        self.curve.points("drive", self.strength.column).iter().map(|p| p.1).reduce(f64::min)
    }

    /// A column of the ladder at this drive; `Err` with the reason if it was not measured there.
    ///
    /// # Errors
    /// No such column, drive outside the ladder, or a gap at that drive.
    pub fn at_drive(&self, column: &str, drive_db: f64) -> Result<Quantity, String> {
        let column_of = self.curve.columns.iter().find(|c| c.name == column);
        let unit = column_of.ok_or_else(|| format!("the ladder has no column {column}"))?.unit;
        let is_strength = column == self.strength.column;
        let points = self.points(column, |v| if is_strength { self.strength.to_db(v) } else { v });
        let value = between(&points, drive_db)
            .ok_or_else(|| format!("{} not measured at {drive_db:.1} dB drive", column.replace('_', " ")))?;
        let quantity =
            Quantity::new(if is_strength { self.strength.value_of_db(value) } else { value }, unit);
        Ok(Quantity { floor: self.floor(column, drive_db), ..quantity })
    }

    /// A column of the ladder where the output first reaches this value on the rising ladder.
    ///
    /// # Errors
    /// See [`Ladder::drive_at_output`] and [`Ladder::at_drive`].
    pub fn at_output(&self, column: &str, output: f64) -> Result<Quantity, String> {
        self.at_drive(column, self.drive_at_output(output)?)
    }

    /// The same of the interface alone, where it has it: distortion and harmonics.
    fn floor(&self, column: &str, drive_db: f64) -> Option<f64> {
        let points = self.interface?.points("drive", column);
        let near = points.iter().filter(|p| (p.0 - drive_db).abs() <= WIDEST_STEP_DB);
        near.min_by(|a, b| (a.0 - drive_db).abs().total_cmp(&(b.0 - drive_db).abs())).map(|p| p.1)
    }

    /// Lowest drive at which the output first reaches this value on the rising ladder.
    ///
    /// # Errors
    /// The value lies outside what the ladder reached.
    pub fn drive_at_output(&self, value: f64) -> Result<f64, String> {
        let limit = self.strength.to_db(value);
        let points = self.points(self.strength.column, |v| self.strength.to_db(v));
        let symbol = self.strength.unit.symbol();
        let Some(first) = points.first() else { return Err("the ladder is empty".to_owned()) };
        if first.1 > limit {
            return Err(format!("{value} {symbol} lies below the ladder's quietest step"));
        }
        rises_through(&points, limit, 0.0).ok_or_else(|| format!("{value} {symbol} is not reached"))
    }

    /// Lowest drive at which THD passes this many per cent and stays there (methods §4.1).
    ///
    /// # Errors
    /// THD is over it from the lowest step on, or never reaches it.
    pub fn drive_at_thd(&self, percent: f64) -> Result<f64, String> {
        let points = self.points("thd", |v| v);
        let Some(first) = points.first() else { return Err("THD was not measured on the ladder".to_owned()) };
        if first.1 > percent {
            return Err(format!("THD is over {percent} % from the lowest step on"));
        }
        rises_through(&points, percent, STAYS_DB).ok_or_else(|| format!("THD does not reach {percent} %"))
    }

    fn points(&self, column: &str, map: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        let mut points = self.curve.points("drive", column);
        points.iter_mut().for_each(|p| p.1 = map(p.1));
        points.retain(|p| p.1.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points.dedup_by(|a, b| a.0 == b.0);
        points
    }
}

/// The curve through `points` (rising in x) at `x`; `None` outside it or in a gap.
#[must_use]
pub fn between(points: &[(f64, f64)], x: f64) -> Option<f64> {
    let after = points.partition_point(|p| p.0 < x - 1e-9);
    let right = points.get(after)?;
    if (right.0 - x).abs() <= 1e-9 {
        return Some(right.1);
    }
    let left = points.get(after.checked_sub(1)?)?;
    if right.0 - left.0 > WIDEST_STEP_DB {
        return None;
    }
    smooth(points)?.value(x)
}

struct Smooth(Pchip);

impl Smooth {
    fn value(&self, x: f64) -> Option<f64> {
        let mut out = [0.0];
        self.0.at(x, &mut out);
        out.first().copied().filter(|v| v.is_finite())
    }
}

fn smooth(points: &[(f64, f64)]) -> Option<Smooth> {
    Pchip::new(points.iter().map(|p| p.0).collect(), points.iter().map(|p| p.1).collect(), 1).map(Smooth)
}

/// Lowest x at which the curve passes `limit` upwards and stays for `stays` (or to its end).
fn rises_through(points: &[(f64, f64)], limit: f64, stays: f64) -> Option<f64> {
    let (start, end) = (points.first()?.0, points.last()?.0);
    let curve = smooth(points)?;
    let count = ((end - start) / GRID_DB).round().clamp(1.0, 1e5) as usize;
    let x = |k: usize| start + (end - start) * k as f64 / count as f64;
    let grid: Vec<f64> = (0..=count).map(|k| curve.value(x(k)).unwrap_or(f64::NEG_INFINITY)).collect();
    let hold = (stays / GRID_DB).round() as usize;
    let at = (1..=count).find(|&k| {
        let under = grid.get(k - 1).is_some_and(|v| *v < limit) || (k == 1 && grid.first() == Some(&limit));
        under && grid.iter().skip(k).take(hold + 1).all(|v| *v >= limit)
    })?;
    let gap = |x0: f64| {
        points.windows(2).any(|w| matches!(w, [a, b] if a.0 <= x0 && x0 < b.0 && b.0 - a.0 > WIDEST_STEP_DB))
    };
    let (before, after) = (grid.get(at - 1)?, grid.get(at)?);
    let share = if after > before { ((limit - before) / (after - before)).clamp(0.0, 1.0) } else { 1.0 };
    let found = x(at - 1) + share * (x(at) - x(at - 1));
    (!gap(found)).then_some(found)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// An ideal amp: gain 26 dB, 1 W at −10 dB drive, THD 0.1 % at −30 dB that doubles every 6 dB.
    fn curve() -> Curve {
        let mut curve =
            Curve::new(&[("drive", Unit::Decibels), ("power", Unit::Watts), ("thd", Unit::Percent)]);
        for step in 0..=80 {
            let drive = -40.0 + 0.5 * f64::from(step);
            curve.push([drive, 10f64.powf((drive + 10.0) / 10.0), 0.1 * 10f64.powf((drive + 30.0) / 20.0)]);
        }
        curve
    }

    #[test]
    fn matches_are_found_where_they_lie() {
        let curve = curve();
        let ladder = Ladder::of(&curve).unwrap();
        // 3 W = 4.7712 dBW, so drive −5.2288 dB; the curve is a straight line in dB, and the grid's error is of second order.
        assert!((ladder.drive_at_output(3.0).unwrap() - (10.0 * 3f64.log10() - 10.0)).abs() < 1e-9);
        // THD is exponential in drive: half a decibel between knots leaves under 1e-4 dB to the cubic.
        assert!((ladder.drive_at_thd(1.0).unwrap() + 10.0).abs() < 1e-4);
        assert!((ladder.drive_at_thd(0.77).unwrap() - (20.0 * 7.7f64.log10() - 30.0)).abs() < 1e-4);
        assert!((ladder.at_drive("power", -5.25).unwrap().value.unwrap() - 10f64.powf(0.475)).abs() < 1e-9);
        assert_eq!(ladder.drives(), Some((-40.0, 0.0)));
    }

    #[test]
    fn what_was_not_reached_is_said_and_is_no_number() {
        let curve = curve();
        let ladder = Ladder::of(&curve).unwrap();
        assert_eq!(ladder.drive_at_thd(10.0), Err("THD does not reach 10 %".to_owned()));
        assert_eq!(ladder.drive_at_thd(0.01), Err("THD is over 0.01 % from the lowest step on".to_owned()));
        assert_eq!(ladder.drive_at_output(20.0), Err("20 W is not reached".to_owned()));
        assert!(ladder.drive_at_output(1e-6).is_err());
        assert!(ladder.at_drive("power", 0.1).is_err());
        assert!(ladder.at_drive("harmonic_2", -10.0).is_err());
    }

    #[test]
    fn no_interpolation_across_struck_out_steps() {
        let mut curve = curve();
        for row in &mut curve.rows {
            if row[0].is_some_and(|d| (-12.0..=-8.0).contains(&d)) {
                row[1] = None;
                row[2] = None;
            }
        }
        let ladder = Ladder::of(&curve).unwrap();
        assert!(ladder.at_drive("power", -10.0).is_err());
        assert!(ladder.drive_at_output(1.0).is_err());
        assert!(ladder.drive_at_output(3.0).is_ok());
    }

    #[test]
    fn a_peak_that_falls_back_is_no_crossing() {
        let mut curve =
            Curve::new(&[("drive", Unit::Decibels), ("power", Unit::Watts), ("thd", Unit::Percent)]);
        for (drive, thd) in
            [(-3.0, 0.5), (-2.5, 1.1), (-2.0, 0.6), (-1.5, 0.8), (-1.0, 1.2), (-0.5, 2.0), (0.0, 3.0)]
        {
            curve.push([drive, 1.0, thd]);
        }
        let drive = Ladder::of(&curve).unwrap().drive_at_thd(1.0).unwrap();
        assert!((-1.5..-1.0).contains(&drive), "{drive}");
    }

    #[test]
    fn without_watts_the_output_level_serves() {
        let mut curve =
            Curve::new(&[("drive", Unit::Decibels), ("output", Unit::DbFullScale), ("thd", Unit::Percent)]);
        curve.push([-2.0, -22.0, 1.0]);
        curve.push([-1.0, -21.0, 1.0]);
        curve.push([0.0, -20.0, 1.0]);
        let ladder = Ladder::of(&curve).unwrap();
        assert_eq!(ladder.strength().unit, Unit::DbFullScale);
        assert!((ladder.drive_at_output(-20.5).unwrap() + 0.5).abs() < 1e-9);
        assert!(Ladder::of(&Curve::default()).is_none());
    }
}
