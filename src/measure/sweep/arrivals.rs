//! Whether what was played arrives twice: once through the amp and once beside it.

use super::{Sweep, deconvolve};
use crate::measure::decimate::decimate;
use crate::measure::{Cut, Plans};

/// A second way of the signal into the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Seconds after the first arrival (negative: before).
    pub seconds: f64,
    /// Its size re the first.
    pub ratio: f64,
}

/// Nearer than this an arrival cannot be told from an amp's and a converter's own ringing.
const APART_SECONDS: f64 = 0.002;
/// Farther than this nothing is looked for; harmonics of the sweep lie beyond (methods §5.1).
const REACH_SECONDS: f64 = 0.06;
/// What is slower than this is the amp's low end, not an arrival.
const SMOOTH_SECONDS: f64 = 0.0005;
/// Binomial weights that take the top of the band off.
const BELL: [f64; 5] = [0.062_5, 0.25, 0.375, 0.25, 0.062_5];
/// How far an arrival stands over the scatter beside it; of some thousand Gaussian values none reaches 5.
const STANDS_OUT: f64 = 7.0;
/// The least size: at −70 dB no figure moves.
const LEAST: f64 = 3e-4;
/// At this rate, or up to twice it, arrivals are looked for: an arrival is told to a tenth of a millisecond.
const RATE_HZ: f64 = 12_000.0;

/// The largest second arrival of a low-drive sweep, if there is one.
#[must_use]
pub fn second_arrival(cut: &Cut<'_>, sweep: &Sweep, plans: &mut Plans) -> Option<Arrival> {
    let factor = ((cut.rate_hz / RATE_HZ) as usize).max(1);
    let samples = decimate(cut.samples, factor);
    let fewer = Cut { samples: &samples, rate_hz: cut.rate_hz / factor as f64, ..*cut };
    let impulses = deconvolve::deconvolve(&fewer, sweep, None, plans).ok()?;
    let count = impulses.samples.len() as i64;
    let at = |n: i64| impulses.samples.get(usize::try_from(n.rem_euclid(count.max(1))).ok()?).copied();
    let frames = |seconds: f64| (seconds * impulses.rate_hz).ceil() as i64;
    let (reach, half) = (frames(REACH_SECONDS), frames(SMOOTH_SECONDS));
    if count < 8 * reach || reach > frames(0.5 * impulses.growth_seconds * std::f64::consts::LN_2) {
        return None;
    }
    // A band that ends steeply rings, and most noise lies at the top of it: that is taken off first.
    let smooth =
        |n: i64| (-2..=2).zip(BELL).map(|(k, weight)| Some(weight * at(n + k)?)).sum::<Option<f64>>();
    let line: Vec<f64> = (-reach - 2 * half..=reach + 2 * half).filter_map(smooth).collect();
    let half = usize::try_from(half).ok()?;
    let quick: Vec<f64> = less_mean(&less_mean(&line, half), half).into_iter().map(f64::abs).collect();
    let place = |k: usize| k as i64 - reach;
    let (main, first) = quick.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    let apart = frames(APART_SECONDS);
    let beside = |k: &usize| (place(*k) - place(main)).abs() >= apart;
    let mut scatter: Vec<f64> = (0..quick.len()).filter(beside).map(|k| quick[k]).collect();
    scatter.sort_by(f64::total_cmp);
    let usual = 1.48 * scatter.get(scatter.len() / 2).copied()?;
    let (second, &size) =
        quick.iter().enumerate().filter(|(k, _)| beside(k)).max_by(|a, b| a.1.total_cmp(b.1))?;
    let ratio = size / first;
    (ratio > LEAST && size > STANDS_OUT * usual)
        .then(|| Arrival { seconds: (place(second) - place(main)) as f64 / impulses.rate_hz, ratio })
}

/// What is left of each value when the mean of it and `half` values on each side is taken off; the ends are left out.
fn less_mean(values: &[f64], half: usize) -> Vec<f64> {
    let width = 2 * half + 1;
    let mut sum: f64 = values.iter().take(width).sum();
    let mut left = Vec::with_capacity(values.len());
    for (k, part) in values.windows(width).enumerate() {
        left.push(part[half] - sum / width as f64);
        sum += values.get(k + width).copied().unwrap_or(0.0) - part[0];
    }
    left
}
