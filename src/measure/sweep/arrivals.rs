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
/// How far an arrival stands over the scatter beside it; of some thousand Gaussian values none reaches 5.
const STANDS_OUT: f64 = 9.0;
/// At this rate, or up to twice it, arrivals are looked for: an arrival is told to a tenth of a millisecond.
const RATE_HZ: f64 = 12_000.0;
/// The least size: at −50 dB the response moves by 0.03 dB.
const LEAST: f64 = 0.003;

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
    // What is left when the mean around each place is taken off, with a running sum.
    let line: Vec<f64> = (-reach - half - 1..=reach + half).filter_map(at).collect();
    let mut sums = vec![0.0];
    for value in &line {
        sums.push(sums.last().copied().unwrap_or(0.0) + value);
    }
    let width = usize::try_from(2 * half + 1).ok()?;
    let quick: Vec<f64> = (0..usize::try_from(2 * reach + 1).ok()?)
        .map(|k| (line[k + 1 + width / 2] - (sums[k + 1 + width] - sums[k + 1]) / width as f64).abs())
        .collect();
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
