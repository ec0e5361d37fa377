//! Smoothing of a curve for drawing, and for drawing only: the report computes no figure, and this is none. The data,
//! the tables, what is read under the pointer, CSV and JSON stay as they were measured; the chart names the width.

use std::borrow::Cow;

use super::{Panel, Series};

/// The curve as it is drawn in this panel: each point the power mean of those within half of 1/n octave of it, ends of
/// intervals alike. A gap stays a gap, and nothing is drawn where nothing was measured.
#[must_use]
pub fn drawn<'s>(panel: &Panel, series: &'s Series) -> Cow<'s, Series> {
    let Some(n) = series.smoothed.filter(|n| *n > 0) else { return Cow::Borrowed(series) };
    let power = Power::of(&panel.y.unit);
    // A hair wider, so that a point at the very edge is in on both sides.
    let half = 2f64.powf(0.5 / f64::from(n)) * (1.0 + 1e-9);
    let xs: Vec<f64> = series.points.iter().map(|p| p.0).collect();
    let ends = |pick: fn((f64, f64)) -> f64| -> Vec<Option<f64>> {
        power.means(&xs, &series.interval.iter().map(|i| i.map(pick)).collect::<Vec<_>>(), half)
    };
    let ys = power.means(&xs, &series.points.iter().map(|p| p.1).collect::<Vec<_>>(), half);
    let interval = ends(|i| i.0).into_iter().zip(ends(|i| i.1)).map(|(low, high)| low.zip(high)).collect();
    Cow::Owned(Series { points: xs.into_iter().zip(ys).collect(), interval, ..series.clone() })
}

/// How a value of an axis becomes power.
#[derive(Clone, Copy)]
enum Power {
    /// Decibels.
    Level,
    /// A ratio of amplitudes.
    Amplitude,
}

impl Power {
    fn of(unit: &str) -> Self {
        if unit.starts_with("dB") { Self::Level } else { Self::Amplitude }
    }

    fn to(self, value: f64) -> f64 {
        match self {
            Self::Level => 10f64.powf(value / 10.0),
            // The lower end of an interval may lie under nothing.
            Self::Amplitude => value.max(0.0).powi(2),
        }
    }

    fn from(self, power: f64) -> f64 {
        match self {
            Self::Level => 10.0 * power.log10(),
            Self::Amplitude => power.sqrt(),
        }
    }

    fn means(self, xs: &[f64], values: &[Option<f64>], half: f64) -> Vec<Option<f64>> {
        let mean = |(x, value): (&f64, &Option<f64>)| {
            (*value)?;
            let near = xs.iter().zip(values).filter(|(other, _)| (x / half..=x * half).contains(*other));
            let powers: Vec<f64> = near.filter_map(|(_, v)| Some(self.to((*v)?))).collect();
            // A place at or below nothing has no octaves round it.
            if powers.is_empty() {
                return *value;
            }
            let mean = powers.iter().sum::<f64>() / powers.len() as f64;
            Some(self.from(mean)).filter(|v| v.is_finite())
        };
        xs.iter().zip(values).map(mean).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::chart::Axis;

    /// 48 points an octave, as sweeps have them.
    fn grid(value: impl Fn(usize) -> Option<f64>) -> Vec<(f64, Option<f64>)> {
        (0..97).map(|k| (100.0 * 2f64.powf(k as f64 / 48.0), value(k))).collect()
    }

    fn panel(unit: &str) -> Panel {
        Panel::new(Axis::audio_band(), Axis::linear("level", unit, [0.0, 10.0]))
    }

    #[test]
    fn a_twelfth_of_an_octave_is_five_points_and_their_power_is_kept() {
        // One point of 10 among zeros: within ±1/24 octave lie two on either side, so five points have √(100/5).
        let series = Series::new(0, "", grid(|k| Some(if k == 48 { 10.0 } else { 0.0 }))).drawn_over(12);
        let drawn = drawn(&panel("%"), &series);
        for (k, (_, y)) in drawn.points.iter().enumerate() {
            let expected = if k.abs_diff(48) <= 2 { 20f64.sqrt() } else { 0.0 };
            assert!(y.is_some_and(|y| (y - expected).abs() < 1e-9), "{k} {y:?}");
        }
        // The points themselves are as they were.
        assert_eq!(series.points[48].1, Some(10.0));
    }

    #[test]
    fn what_is_even_stays_and_gaps_stay_gaps() {
        for unit in ["dB", "%"] {
            let points = grid(|k| (k % 9 != 4).then_some(3.0));
            let mut series = Series::new(0, "", points).drawn_over(12);
            series.interval = series.points.iter().map(|p| p.1.map(|y| (y - 1.0, y + 1.0))).collect();
            let drawn = drawn(&panel(unit), &series);
            for ((a, b), interval) in series.points.iter().zip(&drawn.points).zip(&drawn.interval) {
                assert_eq!(a.1.is_some(), b.1.is_some());
                assert!(b.1.is_none_or(|y| (y - 3.0).abs() < 1e-12));
                assert!(interval.is_none_or(|(l, h)| (l - 2.0).abs() < 1e-12 && (h - 4.0).abs() < 1e-12));
            }
        }
    }

    #[test]
    fn without_a_width_a_curve_is_drawn_as_it_is() {
        let series = Series::new(0, "", grid(|k| Some(k as f64)));
        assert!(matches!(drawn(&panel("dB"), &series), Cow::Borrowed(_)));
    }
}
