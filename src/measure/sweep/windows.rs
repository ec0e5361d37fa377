//! Which stretch of the impulse responses belongs to which order (methods §5.5).

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

/// 0 up to 0, 1 from 1, half a Hann window between.
fn half_hann(x: f64) -> f64 {
    // Most of a window is flat, and a cosine is slow.
    if x >= 1.0 {
        return 1.0;
    }
    let x = x.max(0.0);
    0.5 - 0.5 * (std::f64::consts::PI * x).cos()
}
