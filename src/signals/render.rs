//! A plan as a function of continuous time, so that it can be played at any
//! sample rate and, in simulation, by a clock that drifts.

use std::f64::consts::{PI, TAU};

use super::identity::{self, Identity};
use super::marker::{self, Direction};
use super::plan::{Plan, Signal};

/// Raised-cosine ends of a tone and cross-fade between ladder steps (methods §1).
const TONE_FADE_SECONDS: f64 = 0.010;
/// Raised-cosine ends of a pair (methods §1).
const PAIR_FADE_SECONDS: f64 = 0.020;

/// Plays a plan. Values are re full scale; before 0 and after the plan's end all is silence.
pub struct Player<'a> {
    pieces: Vec<Piece<'a>>,
}

/// A stretch of sound: where it begins, how long it lasts, what it is.
struct Piece<'a> {
    start_seconds: f64,
    length_seconds: f64,
    sound: Sound<'a>,
}

enum Sound<'a> {
    Chirp { direction: Direction, peak: f64 },
    Segment { plan: &'a Plan, signal: &'a Signal },
}

impl<'a> Player<'a> {
    /// A player of `plan` that says `identity` after its first marker.
    #[must_use]
    pub fn new(plan: &'a Plan, identity: Identity) -> Self {
        let peak = plan.peak(plan.marker_db);
        let mut player = Self::silent_identity(plan);
        for (k, direction) in identity.row().into_iter().enumerate() {
            player.pieces.push(Piece {
                start_seconds: plan.identity_seconds + identity::BIT_SECONDS * k as f64,
                length_seconds: identity::BIT_SECONDS,
                sound: Sound::Chirp { direction, peak },
            });
        }
        player
    }

    /// A player of `plan` that says no identity: for tones that a meter reads.
    #[must_use]
    pub fn silent_identity(plan: &'a Plan) -> Self {
        let peak = plan.peak(plan.marker_db);
        let mut pieces = Vec::new();
        for marker in &plan.markers {
            for (k, direction) in marker.code.directions().into_iter().enumerate() {
                pieces.push(Piece {
                    start_seconds: marker.start_seconds + marker::SPACING_SECONDS * k as f64,
                    length_seconds: marker::CHIRP_SECONDS,
                    sound: Sound::Chirp { direction, peak },
                });
            }
        }
        for segment in &plan.segments {
            pieces.push(Piece {
                start_seconds: segment.start_seconds,
                length_seconds: segment.length_seconds,
                sound: Sound::Segment { plan, signal: &segment.signal },
            });
        }
        Self { pieces }
    }

    /// Fills `out` with the values at `start_seconds + k * step_seconds`.
    pub fn fill(&self, out: &mut [f64], start_seconds: f64, step_seconds: f64) {
        out.fill(0.0);
        for piece in &self.pieces {
            let first = ((piece.start_seconds - start_seconds) / step_seconds).ceil().max(0.0) as usize;
            let end = ((piece.start_seconds + piece.length_seconds - start_seconds) / step_seconds).ceil();
            let end = (end.max(0.0) as usize).min(out.len());
            if first < end {
                let t = start_seconds + step_seconds * first as f64 - piece.start_seconds;
                piece.add(&mut out[first..end], t, step_seconds);
            }
        }
    }
}

impl Piece<'_> {
    /// Adds the piece's values at `t`, `t + step`, … seconds after its begin.
    fn add(&self, out: &mut [f64], t: f64, step: f64) {
        match self.sound {
            Sound::Chirp { direction, peak } => {
                for (k, value) in out.iter_mut().enumerate() {
                    *value += peak * marker::chirp(direction, self.length_seconds, t + step * k as f64);
                }
            }
            Sound::Segment { plan, signal } => add_segment(plan, signal, self.length_seconds, out, t, step),
        }
    }
}

/// Adds the values of a segment at `t`, `t + step`, … seconds after its begin.
fn add_segment(plan: &Plan, signal: &Signal, length_seconds: f64, out: &mut [f64], t: f64, step: f64) {
    match *signal {
        Signal::Quiet {} => {}
        Signal::Tone { frequency_hz, level_db } => {
            let peak = plan.peak(level_db);
            add_tone(out, t, step, frequency_hz, |t| peak * ends(t, length_seconds, TONE_FADE_SECONDS));
        }
        Signal::Ladder { frequency_hz, step_seconds, ref levels_db } => {
            let peaks: Vec<f64> = levels_db.iter().map(|&level_db| plan.peak(level_db)).collect();
            add_tone(out, t, step, frequency_hz, |t| ladder_peak(&peaks, step_seconds, t));
        }
        Signal::Sweep { start_hz, end_hz, growth_seconds, level_db, full_from_hz, full_until_hz } => {
            let time_of = |hz: f64| growth_seconds * (hz / start_hz).ln();
            let length = time_of(end_hz);
            let (rise, fall) = (time_of(full_from_hz), length - time_of(full_until_hz));
            let peak = plan.peak(level_db);
            for (k, value) in out.iter_mut().enumerate() {
                let t = t + step * k as f64;
                if t >= length {
                    break;
                }
                // Synchronised form: J. Audio Eng. Soc. 63(10) 2015, reference §6.
                let phase = TAU * start_hz * growth_seconds * (t / growth_seconds).exp();
                *value += peak * fade(t, rise) * fade(length - t, fall) * phase.sin();
            }
        }
        Signal::Pair { low_hz, high_hz, low_over_high, level_db, tone_seconds } => {
            let (low, high) = pair_peaks(plan.peak(level_db), low_over_high);
            for (hz, peak) in [(low_hz, low), (high_hz, high)] {
                add_tone(out, t, step, hz, |t| peak * ends(t, tone_seconds, PAIR_FADE_SECONDS));
            }
        }
        Signal::Burst {
            frequency_hz,
            low_db,
            high_db,
            before_seconds,
            high_seconds,
            after_seconds,
            times,
        } => {
            let once = before_seconds + high_seconds + after_seconds;
            let whole = once * f64::from(times);
            let (low, high) = (plan.peak(low_db), plan.peak(high_db));
            add_tone(out, t, step, frequency_hz, |t| {
                let u = t % once;
                let is_high = u >= before_seconds && u < before_seconds + high_seconds;
                ends(t, whole, TONE_FADE_SECONDS) * if is_high { high } else { low }
            });
        }
        Signal::Rise { frequency_hz, from_db, to_db } => {
            add_tone(out, t, step, frequency_hz, |t| {
                let level_db = from_db + (to_db - from_db) * t / length_seconds;
                plan.peak(level_db) * ends(t, length_seconds, TONE_FADE_SECONDS)
            });
        }
    }
}

/// Adds `peak(t) · sin 2πft` at `t`, `t + step`, …
///
/// The sine turns by multiplication, which is many times faster than a sine each, and starts anew so
/// often that rounding stays under 1e-12.
fn add_tone(out: &mut [f64], t: f64, step: f64, frequency_hz: f64, peak: impl Fn(f64) -> f64) {
    const TURNS: usize = 1024;
    let (turn_sin, turn_cos) = (TAU * frequency_hz * step).sin_cos();
    for (block, values) in out.chunks_mut(TURNS).enumerate() {
        let t = t + step * (block * TURNS) as f64;
        let (mut sin, mut cos) = (TAU * frequency_hz * t).sin_cos();
        for (k, value) in values.iter_mut().enumerate() {
            *value += peak(t + step * k as f64) * sin;
            (sin, cos) = (sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
        }
    }
}

/// Peak re full scale of a level in dB re a top of `top_dbfs`.
#[must_use]
pub fn peak_of_level(top_dbfs: f64, level_db: f64) -> f64 {
    crate::units::from_db(top_dbfs + level_db)
}

/// Peaks of a pair's lower and higher tone whose sum is `sum`.
#[must_use]
pub fn pair_peaks(sum: f64, low_over_high: f64) -> (f64, f64) {
    let high = sum / (1.0 + low_over_high);
    (sum - high, high)
}

/// Peak of the ladder's tone at `t`: steps cross-fade at their begin, the last fades out.
fn ladder_peak(peaks: &[f64], step_seconds: f64, t: f64) -> f64 {
    let step = (t / step_seconds) as usize;
    let Some(&peak) = peaks.get(step) else { return 0.0 };
    let into = t - step as f64 * step_seconds;
    let before = if step == 0 { 0.0 } else { peaks[step - 1] };
    let mut now = before + (peak - before) * fade(into, TONE_FADE_SECONDS);
    if step + 1 == peaks.len() {
        now *= fade(step_seconds - into, TONE_FADE_SECONDS);
    }
    now
}

/// Raised cosine from 0 at `t = 0` to 1 at `t = length`.
fn fade(t: f64, length: f64) -> f64 {
    if t <= 0.0 {
        0.0
    } else if t >= length {
        1.0
    } else {
        0.5 - 0.5 * (PI * t / length).cos()
    }
}

/// Raised-cosine begin and end of something `length` long.
fn ends(t: f64, length: f64, fade_seconds: f64) -> f64 {
    fade(t, fade_seconds) * fade(length - t, fade_seconds)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::signals::plan::Choices;

    fn whole(plan: &Plan, rate_hz: f64) -> Vec<f64> {
        let identity = Identity { plan: plan.identity(), part: plan.part };
        let mut out = vec![0.0; (plan.length_seconds * rate_hz) as usize];
        Player::new(plan, identity).fill(&mut out, 0.0, 1.0 / rate_hz);
        out
    }

    #[test]
    fn the_loudest_sample_is_the_top_and_nothing_passes_it() {
        for plan in [Plan::programme(&Choices::default()), Plan::short(&Choices::default())] {
            let peak = whole(&plan, 48_000.0).iter().fold(0.0f64, |m, v| m.max(v.abs()));
            // 48 kHz samples of a 1010 Hz sine miss its crest by at most π·1010/48000 rad: 1 − cos = 0.0022.
            assert!(peak <= plan.peak(0.0) + 1e-12 && peak > plan.peak(0.0) * 0.997, "{peak}");
        }
    }

    #[test]
    fn nothing_clicks_between_samples_of_different_segments() {
        // Every piece begins and ends at zero, so the step between samples is bounded by the steepest
        // sine that plays: 2π·22000/192000 of its peak (sweep at −6 dB and −26 dB), well under top.
        let plan = Plan::short(&Choices::default());
        let x = whole(&plan, 192_000.0);
        let steepest = std::f64::consts::TAU * 22_000.0 / 192_000.0 * plan.peak(-6.0);
        let largest = x.windows(2).fold(0.0f64, |m, w| m.max((w[1] - w[0]).abs()));
        assert!(largest < steepest * 1.001, "{largest} {steepest}");
    }

    #[test]
    fn filling_in_blocks_is_the_same_as_filling_at_once() {
        let plan = Plan::short(&Choices::default());
        let identity = Identity { plan: 1, part: 0 };
        let player = Player::new(&plan, identity);
        let step = 1.0 / 44_100.0 * (1.0 + 137e-6);
        let mut once = vec![0.0; 200_000];
        player.fill(&mut once, 0.25, step);
        for (k, block) in once.chunks(7_777).enumerate() {
            let mut again = vec![0.0; block.len()];
            player.fill(&mut again, 0.25 + step * (7_777 * k) as f64, step);
            for (a, b) in again.iter().zip(block) {
                // The time of a sample is computed in another order: 1e-11 s at 20 kHz slope.
                assert!((a - b).abs() < 1e-5, "{a} {b}");
            }
        }
    }
}
