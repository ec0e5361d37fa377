//! A segment cut out of a take.

/// A segment's samples with what is known of their timing.
#[derive(Debug, Clone, Copy)]
pub struct Cut<'a> {
    /// Samples re full scale; the take's sign is already corrected.
    pub samples: &'a [f32],
    /// Sample rate by the recorder's clock.
    pub rate_hz: f64,
    /// Player's seconds per recorder's second: a tone of `f` Hz is recorded as `f * ratio`.
    pub ratio: f64,
    /// Player's time of `samples[0]`, seconds from the segment's begin; can be negative.
    pub start_seconds: f64,
}

impl<'a> Cut<'a> {
    /// Angular frequency per sample at which the recorder sees `frequency_hz` of the player.
    #[must_use]
    pub fn omega(&self, frequency_hz: f64) -> f64 {
        std::f64::consts::TAU * frequency_hz * self.ratio / self.rate_hz
    }

    /// The part between two times of the player, seconds from the segment's begin,
    /// cut short where the recording ends.
    #[must_use]
    pub fn part(&self, from_seconds: f64, to_seconds: f64) -> Cut<'a> {
        let per_second = self.rate_hz / self.ratio;
        let frame = |t: f64| ((t - self.start_seconds) * per_second).ceil().max(0.0) as usize;
        let end = frame(to_seconds).min(self.samples.len());
        let first = frame(from_seconds).min(end);
        Cut {
            samples: &self.samples[first..end],
            start_seconds: self.start_seconds + first as f64 / per_second,
            ..*self
        }
    }

    /// Length of the samples in the player's seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.samples.len() as f64 * self.ratio / self.rate_hz
    }
}
