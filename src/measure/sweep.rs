//! The sweep: complex response and harmonics against frequency (methods §5).
//!
//! Synchronised exponential sweep, J. Audio Eng. Soc. 63(10) 2015, 786–798 (reference §6): dividing the
//! recording's spectrum by the sweep's closed form gives the impulse response of the amp with the
//! responses of its harmonics apart from it in time. The clock's drift goes into the closed form, so the
//! recording itself is never resampled.

mod arrivals;
mod begin;
mod corners;
mod deconvolve;
mod figures;
mod loopback;
mod mains;
mod peak;
mod response;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod windows;

pub use arrivals::{Arrival, second_arrival};
pub use corners::{Corner, Corners, corners, power_bandwidth};
pub use figures::{
    REFERENCE_HZ, harmonics_curve, put_distortion, put_power_bandwidth, put_response, response_curve,
};
pub use loopback::divide;
pub use response::{Order, Response, Value};

use super::{Cut, MeasureError, Plans};
use crate::signals::{Plan, Signal};

/// Orders whose response is read: the fundamental and H2 … H5.
pub const ORDERS: usize = 5;

/// The sweep that was played, by the player's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    /// Frequency at its begin.
    pub start_hz: f64,
    /// Frequency at its end.
    pub end_hz: f64,
    /// Time in which the frequency grows e-fold (L of methods §5.1).
    pub growth_seconds: f64,
    /// Full level from this frequency …
    pub full_from_hz: f64,
    /// … to this.
    pub full_until_hz: f64,
    /// Its peak in the player's sample units.
    pub peak: f64,
}

impl Sweep {
    /// The sweep of a segment, or `None` if the segment plays something else.
    #[must_use]
    pub fn of(plan: &Plan, signal: &Signal) -> Option<Self> {
        match *signal {
            Signal::Sweep { start_hz, end_hz, growth_seconds, level_db, full_from_hz, full_until_hz } => {
                let peak = plan.peak(level_db);
                Some(Self { start_hz, end_hz, growth_seconds, full_from_hz, full_until_hz, peak })
            }
            _ => None,
        }
    }

    /// Length from first to last frequency.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.growth_seconds * (self.end_hz / self.start_hz).ln()
    }

    fn validate(&self) -> Result<(), MeasureError> {
        let ok = self.start_hz > 0.0
            && self.end_hz > self.start_hz
            && self.growth_seconds > 0.0
            && self.peak > 0.0
            && [self.end_hz, self.growth_seconds, self.peak].iter().all(|v| v.is_finite());
        if ok { Ok(()) } else { Err(MeasureError::Parameters("the plan's sweep has impossible values")) }
    }
}

/// Measures a sweep: the response of every order on the common grid of frequencies, with its noise.
///
/// `mains_hz` is the mains frequency as the *recorder's* clock saw it in the quiet segment; its lines are
/// then taken out before the responses are read. `None` leaves them in.
///
/// # Errors
/// The cut does not hold the whole sweep, holds nothing, or holds what is no number.
pub fn measure(
    cut: &Cut<'_>,
    sweep: &Sweep,
    mains_hz: Option<f64>,
    plans: &mut Plans,
) -> Result<Response, MeasureError> {
    sweep.validate()?;
    let impulses = deconvolve::deconvolve(cut, sweep, mains_hz, plans)?;
    Ok(response::read(&impulses, sweep, plans))
}
