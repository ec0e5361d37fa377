//! Mains lines taken out of a sweep.
//!
//! After the division by the sweep, a mains line is a slow chirp spread over all the time between and
//! under the orders' responses. What lies outside their windows holds no sweep; its content close to each
//! line, continued under the windows, is subtracted. The continuation repeats itself until what it
//! predicts outside the windows is what is there (methods §5.4 in two passes; the repetition is ours).

use realfft::num_complex::Complex;

use super::response::begin_seconds;
use super::windows::Window;
use crate::measure::Plans;
use crate::measure::plans::fast_length;

/// Lines above this are left: there they are far below noise, and the transform stays short.
const LINES_TO_HZ: f64 = 2200.0;
/// End of the band looked at, with a soft edge from `LINES_TO_HZ`.
const BAND_HZ: f64 = 2600.0;
/// Kept whole to this distance from a line (the wander of its frequency), …
const CORE_HZ: f64 = 0.5;
/// … fading out to this.
const SKIRT_HZ: f64 = 1.0;
/// Orders whose windows are left out of the estimate.
const ORDERS: usize = 9;
/// Rounds of continuation; each shrinks what is left under a window by about its share of the time.
const ROUNDS: usize = 6;

/// Of what was taken out, this part is taken for its error: twice the share that a window has of the recording, since
/// a line's begin and end are as wide as a window and not continued. (Simulated, hum of all phases, rms: 0.01 to 0.026
/// of 14 s, where this is 0.042; 0.03 to 0.17 of 3 s, where it is 0.16.)
const ERROR_WINDOWS: f64 = 2.0;

/// What was taken out, as a signal like [`super::deconvolve::Impulses`], and how much of it may be wrong.
pub(super) struct Removed {
    /// One period of it.
    pub samples: Vec<f64>,
    /// Samples a second.
    pub rate_hz: f64,
    /// Part of it that is its error, rms.
    pub error: f64,
}

/// Subtracts the mains lines from a divided spectrum (`bins`, spacing `bin_hz`) of `held_seconds` of recording.
pub(super) fn remove(
    bins: &mut [Complex<f64>],
    bin_hz: f64,
    growth_seconds: f64,
    mains_hz: f64,
    held_seconds: f64,
    plans: &mut Plans,
) -> Removed {
    let low = bins.len().min((BAND_HZ / bin_hz) as usize);
    let length = fast_length(2 * low + 2);
    let rate_hz = bin_hz * length as f64;
    let mut band: Vec<Complex<f64>> = bins[..low].to_vec();
    let soft_from = (LINES_TO_HZ / bin_hz) as usize;
    for (k, bin) in band.iter_mut().enumerate().skip(soft_from) {
        let x = (bin_hz * k as f64 - LINES_TO_HZ) / (BAND_HZ - LINES_TO_HZ);
        *bin *= 0.5 + 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos();
    }
    let mut rest = plans.signal(band, length);
    let all = rest.clone();
    let open = mask(length, rate_hz, growth_seconds);
    let near = near_lines(low, bin_hz, mains_hz);

    // `found` is the lines' spectrum so far; `rest` is the signal less the lines, windows open or shut.
    let mut found = vec![Complex::new(0.0, 0.0); low];
    for _ in 0..ROUNDS {
        let mut outside: Vec<f64> = rest.iter().zip(&open).map(|(v, m)| v * m).collect();
        let mut step = plans.transform(&mut outside);
        step.truncate(low);
        for ((s, w), f) in step.iter_mut().zip(&near).zip(&mut found) {
            *s *= *w;
            *f += *s;
        }
        let part = plans.signal(step, length);
        for (r, p) in rest.iter_mut().zip(&part) {
            *r -= p;
        }
    }
    for (bin, f) in bins.iter_mut().zip(&found) {
        *bin -= f;
    }
    let window = Window::of(1, growth_seconds);
    let error = (ERROR_WINDOWS * (window.before_seconds + window.after_seconds) / held_seconds).min(1.0);
    Removed { samples: all.iter().zip(&rest).map(|(a, r)| a - r).collect(), rate_hz, error }
}

/// 0 inside the orders' windows, 1 outside.
fn mask(length: usize, rate_hz: f64, growth_seconds: f64) -> Vec<f64> {
    let mut open = vec![1.0; length];
    for n in 1..=ORDERS {
        let window = Window::of(n, growth_seconds);
        let begin = begin_seconds(n, growth_seconds);
        let first = ((begin - window.before_seconds) * rate_hz).floor() as i64;
        let last = ((begin + window.after_seconds) * rate_hz).ceil() as i64;
        for j in first..=last {
            let at = j.rem_euclid(length as i64) as usize;
            let t = j as f64 / rate_hz - begin;
            open[at] = f64::min(open[at], 1.0 - window.weight(t));
        }
    }
    open
}

/// How much of each bin counts as mains.
fn near_lines(low: usize, bin_hz: f64, mains_hz: f64) -> Vec<f64> {
    (0..low)
        .map(|k| {
            let f = bin_hz * k as f64;
            let line = (f / mains_hz).round();
            if line < 1.0 || line * mains_hz > LINES_TO_HZ {
                return 0.0;
            }
            let x = ((f - line * mains_hz).abs() - CORE_HZ) / (SKIRT_HZ - CORE_HZ);
            if x >= 1.0 {
                return 0.0;
            }
            0.5 + 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos()
        })
        .collect()
}
