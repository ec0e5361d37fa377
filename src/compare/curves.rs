//! Curves averaged over takes, point by point, with the interval of each point;
//! and the difference of two builds' responses with its band.
//!
//! The band is for each point by itself: over a whole curve some points lie
//! outside it by chance, one in twenty on average.

use crate::figure::{CONFIDENCE, Column, Curve, Unit};
use crate::statistics::{Difference, Mean};

/// Takes' curves of one build, averaged; with two takes or more every column but the
/// first has `…_low` and `…_high` beside it. `None` if no take has the curve.
///
/// Where takes have other abscissae than the first, they are interpolated in straight lines, but for lines of a
/// spectrum (a curve with a column `order`), between which there is nothing. Pure numbers (an order, a mark) are
/// those of the first take.
#[must_use]
pub fn average(takes: &[&Curve]) -> Option<Curve> {
    let first = takes.iter().find(|c| !c.rows.is_empty() && c.columns.len() > 1)?;
    let along = first.columns.first()?;
    let xs = first.column(&along.name)?;
    let mut columns = vec![along.clone()];
    let mut data: Vec<Vec<Option<f64>>> = vec![xs.clone()];
    let is_lines = first.columns.iter().any(|c| c.name == "order");
    for column in first.columns.iter().skip(1) {
        if column.unit == Unit::One {
            columns.push(column.clone());
            data.push(first.column(&column.name)?);
            continue;
        }
        let readers: Vec<Reader> = takes.iter().filter_map(|c| Reader::of(c, along, column)).collect();
        let means: Vec<Option<(f64, Option<f64>)>> =
            xs.iter().map(|x| mean_at(&readers, *x, column.unit, is_lines)).collect();
        columns.push(column.clone());
        data.push(means.iter().map(|m| m.map(|m| m.0)).collect());
        if readers.len() > 1 {
            for (tail, sign) in [("low", -1.0), ("high", 1.0)] {
                columns.push(Column { name: format!("{}_{tail}", column.name), unit: column.unit });
                data.push(means.iter().map(|m| m.and_then(|(v, h)| Some(v + sign * h?))).collect());
            }
        }
    }
    let rows = (0..xs.len()).map(|i| data.iter().map(|c| c.get(i).copied().flatten()).collect()).collect();
    Some(Curve { columns, rows })
}

fn mean_at(readers: &[Reader], x: Option<f64>, unit: Unit, is_lines: bool) -> Option<(f64, Option<f64>)> {
    let x = x?;
    let mut values: Vec<f64> =
        readers.iter().filter_map(|r| if is_lines { r.on(x) } else { r.at(x) }).collect();
    if unit == Unit::Degrees {
        nearest_turn(&mut values);
    }
    let mean = Mean::of(&values)?;
    Some((mean.value, mean.half_width(CONFIDENCE)))
}

/// Angles moved by whole turns to within half a turn of the first.
fn nearest_turn(degrees: &mut [f64]) {
    let Some(first) = degrees.first().copied() else { return };
    for angle in degrees {
        *angle -= 360.0 * ((*angle - first) / 360.0).round();
    }
}

/// One column of one take, read at any abscissa.
struct Reader {
    points: Vec<(f64, Option<f64>)>,
}

impl Reader {
    fn of(curve: &Curve, along: &Column, column: &Column) -> Option<Self> {
        if !(curve.columns.first() == Some(along) && curve.columns.contains(column)) {
            return None;
        }
        let xs = curve.column(&along.name)?;
        let ys = curve.column(&column.name)?;
        let mut points: Vec<_> = xs.into_iter().zip(ys).filter_map(|(x, y)| Some((x?, y))).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Some(Self { points })
    }

    /// The value at a point that the take has.
    fn on(&self, x: f64) -> Option<f64> {
        let right = self.points.get(self.from(x))?;
        if (right.0 - x).abs() <= tolerance(x) { right.1 } else { None }
    }

    /// The first point at or after x.
    fn from(&self, x: f64) -> usize {
        self.points.partition_point(|p| p.0 < x - tolerance(x))
    }

    fn at(&self, x: f64) -> Option<f64> {
        let after = self.from(x);
        let right = self.points.get(after)?;
        if (right.0 - x).abs() <= tolerance(x) {
            return right.1;
        }
        let left = self.points.get(after.checked_sub(1)?)?;
        let share = (x - left.0) / (right.0 - left.0);
        Some(left.1? + share * (right.1? - left.1?))
    }
}

/// The same plan gives the same abscissae to the last bits; they may differ in those.
fn tolerance(x: f64) -> f64 {
    1e-9 * x.abs().max(1e-9)
}

/// Frequency to which responses are referred.
const REFERENCE_HZ: f64 = 1000.0;

/// The response with its magnitude at 1 kHz put to 0 dB, so that gain does not hide shape;
/// as it is if it does not reach 1 kHz.
#[must_use]
pub fn re_one_kilohertz(curve: &Curve) -> Curve {
    let mut curve = curve.clone();
    let Some(at) = curve.columns.iter().position(|c| c.name == "magnitude" && c.unit == Unit::Decibels)
    else {
        return curve;
    };
    let Some(reference) = at_frequency(&curve.points("frequency", "magnitude"), REFERENCE_HZ) else {
        return curve;
    };
    for value in curve.rows.iter_mut().filter_map(|row| row.get_mut(at)) {
        *value = value.map(|v| v - reference);
    }
    curve
}

/// Straight line over log frequency; `None` outside the points.
fn at_frequency(points: &[(f64, f64)], hz: f64) -> Option<f64> {
    let after = points.partition_point(|p| p.0 < hz);
    let right = points.get(after)?;
    if right.0 == hz {
        return Some(right.1);
    }
    let left = points.get(after.checked_sub(1)?)?;
    let share = (hz / left.0).ln() / (right.0 / left.0).ln();
    Some(left.1 + share * (right.1 - left.1))
}

/// Mean magnitude in the third of an octave round `centre_hz`, dB re 1 kHz; `None` if the
/// curve does not cover it with two points or more.
#[must_use]
pub fn third_octave(curve: &Curve, centre_hz: f64) -> Option<f64> {
    let points = curve.points("frequency", "magnitude");
    let edge = 2f64.powf(1.0 / 6.0);
    let (low, high) = (centre_hz / edge, centre_hz * edge);
    let covered = points.first().is_some_and(|p| p.0 <= low) && points.last().is_some_and(|p| p.0 >= high);
    let inside: Vec<f64> = points.iter().filter(|p| (low..=high).contains(&p.0)).map(|p| p.1).collect();
    if !covered || inside.len() < 2 {
        return None;
    }
    let reference = at_frequency(&points, REFERENCE_HZ)?;
    Some(inside.iter().sum::<f64>() / inside.len() as f64 - reference)
}

/// Other less reference over frequency, dB, with its interval where both have two takes or
/// more; `None` if either has no response.
#[must_use]
pub fn response_difference(reference: &[&Curve], other: &[&Curve]) -> Option<Curve> {
    let column = |c: &Curve| {
        let along = c.columns.first().filter(|a| a.name == "frequency").cloned()?;
        Some((along, c.columns.iter().find(|c| c.name == "magnitude").cloned()?))
    };
    let (along, magnitude) = reference.iter().find_map(|c| column(c))?;
    let readers = |takes: &[&Curve]| -> Vec<Reader> {
        takes.iter().filter_map(|c| Reader::of(&re_one_kilohertz(c), &along, &magnitude)).collect()
    };
    let (a, b) = (readers(reference), readers(other));
    let xs: Vec<f64> = a.first()?.points.iter().map(|p| p.0).collect();
    let mut curve = Curve::new(&[
        ("frequency", along.unit),
        ("difference", Unit::Decibels),
        ("difference_low", Unit::Decibels),
        ("difference_high", Unit::Decibels),
    ]);
    for x in xs {
        let at = |readers: &[Reader]| readers.iter().filter_map(|r| r.at(x)).collect::<Vec<f64>>();
        let found = Difference::of(&at(&a), &at(&b));
        let value = found.map_or(f64::NAN, |d| d.value);
        let half = found.and_then(|d| d.half_width(CONFIDENCE)).unwrap_or(f64::NAN);
        curve.push([x, value, value - half, value + half]);
    }
    let any = curve.rows.iter().any(|r| r.get(1).is_some_and(Option::is_some));
    any.then_some(curve)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn response(level: f64, tilt: f64) -> Curve {
        let mut curve = Curve::new(&[("frequency", Unit::Hertz), ("magnitude", Unit::Decibels)]);
        for step in 0..=60 {
            let hz = 20.0 * 2f64.powf(f64::from(step) / 6.0);
            curve.push([hz, level + tilt * (hz / 1000.0).log2()]);
        }
        curve
    }

    #[test]
    fn means_and_intervals_point_by_point() {
        let curve = |v: f64| {
            let mut c = Curve::new(&[("drive", Unit::Decibels), ("thd", Unit::Percent)]);
            c.push([-1.0, v]);
            c.push([0.0, f64::NAN]);
            c
        };
        let (a, b, c) = (curve(1.0), curve(2.0), curve(3.0));
        let mean = average(&[&a, &b, &c]).unwrap();
        let names: Vec<_> = mean.columns.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["drive", "thd", "thd_low", "thd_high"]);
        // s = 1, n = 3: 4.302653 / √3 (Student's table).
        let half = 4.302_653 / 3f64.sqrt();
        assert!((mean.rows[0][2].unwrap() - (2.0 - half)).abs() < 1e-5);
        assert!((mean.rows[0][3].unwrap() - (2.0 + half)).abs() < 1e-5);
        assert_eq!(mean.rows[1], [Some(0.0), None, None, None]);
        assert_eq!(average(&[&a]).unwrap(), a);
        assert_eq!(average(&[]), None);
    }

    #[test]
    fn other_abscissae_are_interpolated_and_angles_do_not_average_through_zero() {
        let mut a = Curve::new(&[("frequency", Unit::Hertz), ("phase", Unit::Degrees)]);
        a.push([100.0, 179.0]);
        let mut b = Curve::new(&[("frequency", Unit::Hertz), ("phase", Unit::Degrees)]);
        b.push([50.0, -179.0]);
        b.push([150.0, -177.0]);
        let mean = average(&[&a, &b]).unwrap();
        assert_eq!(mean.rows[0][1], Some(180.5));
    }

    #[test]
    fn lines_are_not_interpolated_and_their_orders_not_averaged() {
        let lines = |rows: &[[f64; 3]]| {
            let mut curve =
                Curve::new(&[("frequency", Unit::Hertz), ("level", Unit::Decibels), ("order", Unit::One)]);
            rows.iter().for_each(|row| curve.push(*row));
            curve
        };
        let a = lines(&[[100.0, -40.0, 2.0], [150.0, -60.0, 3.0]]);
        let b = lines(&[[50.0, -20.0, 2.0], [100.0, -42.0, 2.0], [200.0, -20.0, 5.0]]);
        let mean = average(&[&a, &b]).unwrap();
        let names: Vec<_> = mean.columns.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["frequency", "level", "level_low", "level_high", "order"]);
        assert_eq!((mean.rows[0][1], mean.rows[0][4]), (Some(-41.0), Some(2.0)));
        // The line at 150 Hz is in one take only: its own level, no interval.
        assert_eq!(mean.rows[1], [Some(150.0), Some(-60.0), None, None, Some(3.0)]);
    }

    #[test]
    fn the_difference_is_of_shape_and_not_of_level() {
        let (a1, a2) = (response(30.0, 0.0), response(30.5, 0.0));
        let (b1, b2) = (response(33.0, 0.5), response(33.3, 0.5));
        let d = response_difference(&[&a1, &a2], &[&b1, &b2]).unwrap();
        for row in &d.rows {
            // A straight line over log frequency is met exactly by the interpolation at 1 kHz.
            let expected = 0.5 * (row[0].unwrap() / 1000.0).log2();
            assert!((row[1].unwrap() - expected).abs() < 1e-9);
            assert!(row[2].unwrap() <= row[1].unwrap() && row[1].unwrap() <= row[3].unwrap());
        }
        let one = response_difference(&[&a1], &[&b1]).unwrap();
        assert!(one.rows.iter().all(|r| r[1].is_some() && r[2].is_none()));
        assert_eq!(response_difference(&[], &[&b1]), None);
    }

    #[test]
    fn third_octaves_need_cover() {
        let curve = response(30.0, 1.0);
        // The band is symmetric over log frequency, so its mean is the value at its centre, to one grid point more or less.
        assert!((third_octave(&curve, 4000.0).unwrap() - 2.0).abs() < 0.1);
        assert_eq!(third_octave(&curve, 20.0), None);
        assert_eq!(third_octave(&Curve::default(), 1000.0), None);
    }
}
