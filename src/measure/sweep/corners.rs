//! Ends of the band: half-power points and power bandwidth.

use std::f64::consts::FRAC_1_SQRT_2;

use super::{Response, peak};

/// One end of a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Corner {
    /// The level passes half power here.
    At {
        /// Where, by the player's clock.
        frequency_hz: f64,
        /// Standard deviation of that from noise.
        sd_hz: f64,
        /// Further out the level rises above the limit again: the band has a hole, not an end.
        comes_back: bool,
    },
    /// The level stays above half power as far as was measured.
    Beyond {
        /// The last frequency measured.
        limit_hz: f64,
    },
}

impl Corner {
    /// The frequency, where there is one.
    #[must_use]
    pub fn frequency_hz(&self) -> Option<f64> {
        match *self {
            Self::At { frequency_hz, .. } => Some(frequency_hz),
            Self::Beyond { .. } => None,
        }
    }
}

/// Both ends of a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corners {
    /// The lower end.
    pub low: Corner,
    /// The upper end.
    pub high: Corner,
}

/// Half-power points (1/√2 of the amplitude, −3.01 dB, "−3 dB") of the fundamental: the first crossing on
/// each side, linear in log f and dB between the points of the grid.
///
/// With `reference_hz` the level is that at the reference; without, the largest (see `peak.rs`). `None` if there is no
/// response there.
#[must_use]
pub fn corners(response: &Response, reference_hz: Option<f64>) -> Option<Corners> {
    let points = margins(response, None);
    match reference_hz {
        Some(f) => {
            let level = response.magnitude_at(f)?;
            walk_both(&points, f, level, sd_at(&points, f)? / level)
        }
        None => {
            let (f, level, sd) = peak::of(response)?;
            walk_both(&points, f, level, sd / level)
        }
    }
}

/// The band in which the output stays above half power of that at `reference_hz` and the distortion (H2 …
/// H5, as far as they can be read) under `distortion_limit` (0.1 = 10 %): design §12.
///
/// `None` if there is no response at the reference, or its distortion is over the limit already.
#[must_use]
pub fn power_bandwidth(response: &Response, reference_hz: f64, distortion_limit: f64) -> Option<Corners> {
    let level = response.magnitude_at(reference_hz)?;
    let points = margins(response, Some(distortion_limit));
    let nearest = points.iter().min_by(|a, b| {
        let distance = |p: &Margin| (p.frequency_hz / reference_hz).ln().abs();
        distance(a).total_cmp(&distance(b))
    })?;
    (nearest.distortion_over < 1.0).then_some(())?;
    walk_both(&points, reference_hz, level, sd_at(&points, reference_hz)? / level)
}

/// Standard deviation of the magnitude at the point nearest to a frequency.
fn sd_at(points: &[Margin], frequency_hz: f64) -> Option<f64> {
    let distance = |p: &Margin| (p.frequency_hz / frequency_hz).ln().abs();
    points.iter().min_by(|a, b| distance(a).total_cmp(&distance(b))).map(|p| p.magnitude_sd)
}

/// One frequency of the grid.
struct Margin {
    frequency_hz: f64,
    magnitude: f64,
    magnitude_sd: f64,
    /// Distortion over its limit; 0 where none is set or known.
    distortion_over: f64,
}

fn margins(response: &Response, limit: Option<f64>) -> Vec<Margin> {
    let distortion = response.distortion();
    (response.frequencies_hz.iter().zip(response.order(1)).zip(distortion))
        .filter_map(|((&frequency_hz, value), distortion)| {
            let value = value.as_ref()?;
            let distortion_over = limit.zip(distortion).map_or(0.0, |(limit, d)| d / limit);
            let magnitude = value.response.norm();
            Some(Margin { frequency_hz, magnitude, magnitude_sd: value.magnitude_sd(), distortion_over })
        })
        .collect()
}

/// `reference_sd` is that of the level, relative: a response's noise grows with frequency, so that of the reference
/// matters most for the lower corner.
fn walk_both(points: &[Margin], from_hz: f64, level: f64, reference_sd: f64) -> Option<Corners> {
    let first_above = points.partition_point(|p| p.frequency_hz < from_hz * (1.0 - 1e-9));
    let below = points.get(..first_above)?;
    let above = points.get(first_above..)?;
    let limit = level * FRAC_1_SQRT_2;
    if limit.is_nan() || limit <= 0.0 {
        return None;
    }
    // The outermost point on either side, should the reference itself be the end of the grid.
    let low = walk(below.iter().rev(), limit, reference_sd)
        .unwrap_or(Corner::Beyond { limit_hz: points.first()?.frequency_hz });
    let high = walk(above.iter(), limit, reference_sd)
        .unwrap_or(Corner::Beyond { limit_hz: points.last()?.frequency_hz });
    Some(Corners { low, high })
}

/// From the reference outwards to the first place where the level or the distortion passes its limit.
fn walk<'a>(points: impl Iterator<Item = &'a Margin>, limit: f64, reference_sd: f64) -> Option<Corner> {
    // In decibels over the limit: positive inside the band.
    let room = |p: &Margin| crate::units::db(p.magnitude / limit).min(-crate::units::db(p.distortion_over));
    let mut before: Option<&Margin> = None;
    let mut ahead = points;
    while let Some(p) = ahead.next() {
        if room(p) >= 0.0 {
            before = Some(p);
            continue;
        }
        let Some(inner) = before else {
            // Already past the limit at the first point: the corner lies within one step of the grid.
            return Some(Corner::At { frequency_hz: p.frequency_hz, sd_hz: 0.0, comes_back: false });
        };
        let share = room(inner) / (room(inner) - room(p));
        let span = (p.frequency_hz / inner.frequency_hz).ln();
        let frequency_hz = inner.frequency_hz * (span * share).exp();
        let slope_db = (room(inner) - room(p)) / span.abs();
        let sd_db = crate::units::db(1.0 + (p.magnitude_sd / p.magnitude).hypot(reference_sd));
        let comes_back = ahead.any(|q| room(q) > 0.5);
        return Some(Corner::At { frequency_hz, sd_hz: frequency_hz * sd_db / slope_db, comes_back });
    }
    None
}
