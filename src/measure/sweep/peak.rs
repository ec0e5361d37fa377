//! The maximum of a response in noise.
//!
//! The largest of many noisy points is too large, by more than their own scatter, so the place of the maximum is taken
//! from a widely smoothed curve and its level from a narrowly smoothed one, whose noise the place hardly knows. What
//! stands clear of both is no noise and is taken as it is. (Smoothing by local parabolas: Anal. Chem. 36(8) 1964,
//! 1627–1639.)

use super::Response;
use crate::units::{db, from_db};

/// Points to either side: half an octave for the place, a sixth for the level.
const WIDE: usize = 24;
const NARROW: usize = 8;
/// Standard deviations by which a narrower peak must stand out to count.
const CLEAR: f64 = 4.0;

/// Where the fundamental is largest, its magnitude there and the standard deviation of that; `None` without a response.
pub(super) fn of(response: &Response) -> Option<(f64, f64, f64)> {
    let points: Vec<(f64, f64, f64)> = (response.frequencies_hz.iter().zip(response.order(1)))
        .filter_map(|(&f, v)| {
            let v = v.as_ref()?;
            let size = v.response.norm();
            (size > 0.0).then(|| (f, db(size), db(1.0 + v.magnitude_sd() / size)))
        })
        .collect();
    let levels: Vec<f64> = points.iter().map(|p| p.1).collect();
    let wide: Vec<f64> = (0..levels.len()).map(|at| smoothed(&levels, at, WIDE).0).collect();
    let largest = |values: &mut dyn Iterator<Item = (usize, f64)>| values.max_by(|a, b| a.1.total_cmp(&b.1));
    let (mut at, _) = largest(&mut wide.into_iter().enumerate())?;
    let narrow: Vec<(f64, f64)> = (0..levels.len()).map(|at| smoothed(&levels, at, NARROW)).collect();
    let sd = |at: usize, share: f64| points.get(at).map_or(0.0, |p| p.2) * share;
    let (mut level, mut level_sd) = narrow.get(at).map(|n| (n.0, sd(at, n.1)))?;
    let finer = [
        largest(&mut narrow.iter().map(|n| n.0).enumerate()).map(|(at, l)| (at, l, sd(at, narrow[at].1))),
        largest(&mut levels.iter().copied().enumerate()).map(|(at, l)| (at, l, sd(at, 1.0))),
    ];
    for (place, found, found_sd) in finer.into_iter().flatten() {
        if found > level + CLEAR * found_sd.max(1e-6) {
            (at, level, level_sd) = (place, found, found_sd);
        }
    }
    let magnitude = from_db(level);
    Some((points.get(at)?.0, magnitude, magnitude * (from_db(level_sd) - 1.0)))
}

/// The middle of the least-squares parabola through the points within `reach`, less near the ends, and its noise as a
/// part of that of one point.
fn smoothed(levels: &[f64], at: usize, reach: usize) -> (f64, f64) {
    let reach = reach.min(at).min(levels.len() - 1 - at);
    if reach < 2 {
        return (levels[at], 1.0);
    }
    let m = reach as f64;
    let whole = (2.0 * m + 3.0) * (2.0 * m + 1.0) * (2.0 * m - 1.0);
    let weight = |j: f64| 3.0 * (3.0 * m * m + 3.0 * m - 1.0 - 5.0 * j * j) / whole;
    let near = &levels[at - reach..=at + reach];
    let sum = near.iter().enumerate().map(|(k, level)| level * weight(k as f64 - m)).sum();
    // Of the smoothing's weights, the sum of squares is the middle one.
    (sum, weight(0.0).sqrt())
}
