//! Which stretch of the impulse responses belongs to which order (methods §5.5).

/// Kept before an order's begin, at most.
const BEFORE_SECONDS: f64 = 0.1;
/// The same for the fundamental's lowest frequencies.
const LOW_BEFORE_SECONDS: f64 = 0.3;
/// Kept after an order's begin, at most (methods §5.4: 0.15 to 0.2 s against noise and hum).
const AFTER_SECONDS: f64 = 0.2;
/// Never nearer than this to the next lower order …
const CLEAR_SECONDS: f64 = 0.06;

/// The stretch of one order, in seconds re its begin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Length before the begin; half-Hann over its first 80 %.
    pub before_seconds: f64,
    /// Length after the begin; half-Hann over its last 30 %.
    pub after_seconds: f64,
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
        Self { before_seconds, after_seconds }
    }

    /// The fundamental's window for the lowest frequencies. The sweep's begin at 10 Hz rings on both sides
    /// of the response; cutting that at 0.1 s costs 0.3 dB at 20 Hz of a flat amp, at 0.3 s 0.06 dB.
    pub fn low(growth_seconds: f64) -> Self {
        let before_seconds = LOW_BEFORE_SECONDS.min(0.3 * growth_seconds * std::f64::consts::LN_2);
        Self { before_seconds, ..Self::of(1, growth_seconds) }
    }

    /// Weight at `t` seconds after the order's begin.
    pub fn weight(&self, t: f64) -> f64 {
        let rising = half_hann((t + self.before_seconds) / (0.8 * self.before_seconds));
        let falling = half_hann((self.after_seconds - t) / (0.3 * self.after_seconds));
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
