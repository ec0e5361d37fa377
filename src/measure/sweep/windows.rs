//! Which stretch of the impulse responses belongs to which order (methods §5.5).

use std::f64::consts::PI;

use realfft::num_complex::Complex;

/// Kept before an order's begin, at most.
const BEFORE_SECONDS: f64 = 0.1;
/// The same for the fundamental's lowest frequencies.
const LOW_BEFORE_SECONDS: f64 = 0.3;
/// Kept after an order's begin, at most (methods §5.4: 0.15 to 0.2 s against noise and hum).
const AFTER_SECONDS: f64 = 0.2;
/// The window falls over this last part of it …
const FALLS: f64 = 0.3;
/// … the fundamental's longest one over half.
const LOW_AFTER_SECONDS: f64 = 0.25;
const LOW_FALLS: f64 = 0.5;
/// Never nearer than this to the next lower order …
const CLEAR_SECONDS: f64 = 0.06;

/// The stretch of one order, in seconds re its begin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Length before the begin; half-Hann over its first 80 %.
    pub before_seconds: f64,
    /// Length after the begin.
    pub after_seconds: f64,
    /// Half-Hann over this last part of it.
    pub falls: f64,
}

impl Window {
    /// The window of order `n` (from 1) of a sweep with this e-fold time.
    pub fn of(n: usize, growth_seconds: f64) -> Self {
        let n = n as f64;
        let to_higher = growth_seconds * ((n + 1.0) / n).ln();
        let before_seconds = BEFORE_SECONDS.min(0.3 * to_higher);
        let after_seconds = if n > 1.0 {
            let to_lower = growth_seconds * (n / (n - 1.0)).ln();
            // … but a short sweep's orders lie so close that half the distance must do.
            AFTER_SECONDS.min((to_lower - CLEAR_SECONDS).max(0.5 * to_lower))
        } else {
            AFTER_SECONDS
        };
        Self { before_seconds, after_seconds, falls: FALLS }
    }

    /// The fundamental's window for the lowest frequencies. The band's soft begin (`begin`) rings on both sides of
    /// the response: of a flat amp this window leaves 0.016 dB of that at 20 Hz and 0.002 dB from 25 Hz up.
    pub fn low(growth_seconds: f64) -> Self {
        let before_seconds = LOW_BEFORE_SECONDS.min(0.3 * growth_seconds * std::f64::consts::LN_2);
        Self { before_seconds, after_seconds: LOW_AFTER_SECONDS, falls: LOW_FALLS }
    }

    /// Weight at `t` seconds after the order's begin.
    pub fn weight(&self, t: f64) -> f64 {
        let rising = half_hann((t + self.before_seconds) / (0.8 * self.before_seconds));
        let falling = half_hann((self.after_seconds - t) / (self.falls * self.after_seconds));
        rising * falling
    }
}

impl Window {
    /// [`Window::weight`] at `count` instants `step_seconds` apart, from `first_seconds` on.
    pub fn weights(&self, first_seconds: f64, step_seconds: f64, count: usize) -> Vec<f64> {
        let mut weights = vec![1.0; count];
        let rises = 1.0 / (0.8 * self.before_seconds);
        half_hanns(&mut weights, (first_seconds + self.before_seconds) * rises, step_seconds * rises);
        let falls = 1.0 / (self.falls * self.after_seconds);
        half_hanns(&mut weights, (self.after_seconds - first_seconds) * falls, -step_seconds * falls);
        weights
    }
}

/// Instants between two exact values of the turning phasor.
const ANCHOR: usize = 64;

/// Multiplies with half a Hann window at places `step` apart, from `first` on; its cosine by a turning phasor.
fn half_hanns(weights: &mut [f64], first: f64, step: f64) {
    let turn = Complex::cis(PI * step);
    for (block, weights) in weights.chunks_mut(ANCHOR).enumerate() {
        let at = |n: usize| first + step * (block * ANCHOR + n) as f64;
        if at(0).min(at(ANCHOR)) >= 1.0 {
            continue;
        }
        let mut phasor = Complex::cis(PI * at(0));
        for (n, weight) in weights.iter_mut().enumerate() {
            let x = at(n);
            if x <= 0.0 {
                *weight = 0.0;
            } else if x < 1.0 {
                *weight *= 0.5 - 0.5 * phasor.re;
            }
            phasor *= turn;
        }
    }
}

/// 0 up to 0, 1 from 1, half a Hann window between.
fn half_hann(x: f64) -> f64 {
    // Most of a window is flat, and a cosine is slow.
    if x >= 1.0 {
        return 1.0;
    }
    let x = x.max(0.0);
    0.5 - 0.5 * (PI * x).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_in_a_row_are_the_weights() {
        for window in [Window::of(1, 1.6), Window::of(3, 1.6), Window::low(1.6), Window::of(5, 0.3)] {
            let (first, step) = (-window.before_seconds - 0.000_3, 1.0 / 48_000.0);
            let weights = window.weights(first, step, 30_000);
            for (n, weight) in weights.iter().enumerate() {
                // 64 turns, ε each.
                assert!((weight - window.weight(first + step * n as f64)).abs() < 3e-14, "{n}");
            }
        }
    }
}
