//! Bursts: how the output sags under load and comes back (methods §8).

mod exponential;
mod figures;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use realfft::num_complex::Complex;

pub use exponential::Exponential;
pub use figures::{envelope_curve, put};

use super::{Cut, MeasureError};

/// Cycles in each of the two averages that smooth the envelope.
const CYCLES: f64 = 4.0;
/// Envelope points this far apart.
const HOP_SECONDS: f64 = 0.002;
/// A fit begins this long after a step and ends this long before the next (methods §8).
const AFTER_STEP_SECONDS: f64 = 0.006;
const BEFORE_STEP_SECONDS: f64 = 0.008;
/// The tone fades out over this after the last burst; the others are cut short alike.
const FADE_SECONDS: f64 = 0.010;
/// Immediate level: mean from the one to the other after the step.
const IMMEDIATE_SECONDS: [f64; 2] = [0.006, 0.016];
/// Sustained level: mean of the burst's last part of this length.
const SUSTAINED_SECONDS: f64 = 0.2;
/// Burst margin counts the output of the burst's first part of this length (design §12).
const FIRST_SECONDS: f64 = 0.020;

/// The bursts that were played, times by the player's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Frequency of the tone.
    pub frequency_hz: f64,
    /// Low before the burst.
    pub before_seconds: f64,
    /// The burst.
    pub high_seconds: f64,
    /// Low after the burst.
    pub after_seconds: f64,
    /// How many times.
    pub times: u32,
}

/// One burst, levels as peaks of the fundamental in sample units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Burst {
    /// The high part: how the level goes from its begin to where it settles.
    pub sag: Option<Exponential>,
    /// The low part after it.
    pub recovery: Option<Exponential>,
    /// Level from 6 to 16 ms after the step up.
    pub immediate: f64,
    /// Level of the last 0.2 s of the burst.
    pub sustained: f64,
    /// Level of the burst's first 20 ms.
    pub first: f64,
    /// Standard deviation of `immediate` from what is no smooth course.
    pub immediate_sd: f64,
    /// The same of `sustained`.
    pub sustained_sd: f64,
    /// The same of `first`.
    pub first_sd: f64,
}

/// All bursts of a segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Bursts {
    /// In the order in which they were played.
    pub bursts: Vec<Burst>,
    /// Mean envelope of all: seconds from the step up, peak of the fundamental in sample units.
    pub envelope: Vec<(f64, f64)>,
}

/// Measures the bursts of a segment.
///
/// # Errors
/// Not one whole burst, silent, not finite, or impossible times.
pub fn measure(cut: &Cut<'_>, plan: &Plan) -> Result<Bursts, MeasureError> {
    let once = plan.before_seconds + plan.high_seconds + plan.after_seconds;
    let window_seconds = 2.0 * CYCLES / plan.frequency_hz;
    let possible = plan.frequency_hz > 0.0
        && plan.frequency_hz < 0.45 * cut.rate_hz / cut.ratio
        && [plan.before_seconds, plan.high_seconds, plan.after_seconds]
            .iter()
            .all(|s| *s > 2.0 * window_seconds)
        && once.is_finite();
    if !possible {
        return Err(MeasureError::Parameters("the burst's times or frequency do not fit the recording"));
    }
    if cut.samples.iter().any(|v| !v.is_finite()) {
        return Err(MeasureError::NotFinite);
    }
    let held_seconds = cut.start_seconds + cut.seconds();
    // The last burst may lack the end of its recovery.
    let enough = |k: u32| {
        let begin = once * f64::from(k);
        begin >= cut.start_seconds - 0.01 && begin + once - 0.3 * plan.after_seconds <= held_seconds
    };
    let whole: Vec<u32> = (0..plan.times.min(1000)).filter(|k| enough(*k)).collect();
    if whole.is_empty() {
        return Err(MeasureError::TooShort { held_seconds: cut.seconds(), needed_seconds: once });
    }
    if cut.samples.iter().all(|&v| v == 0.0) {
        return Err(MeasureError::Silent);
    }
    let envelope = Envelope::of(cut, plan.frequency_hz);
    let bursts = whole.iter().map(|k| one(&envelope, plan, once * f64::from(*k) + plan.before_seconds));
    Ok(Bursts { bursts: bursts.collect(), envelope: mean_envelope(&envelope, plan, &whole, once) })
}

/// The burst whose step up is at `step` (player's seconds).
fn one(envelope: &Envelope, plan: &Plan, step: f64) -> Burst {
    let down = step + plan.high_seconds;
    let fit = |from: f64, to: f64| {
        let points = envelope.points(from + AFTER_STEP_SECONDS, to - BEFORE_STEP_SECONDS);
        let points: Vec<(f64, f64)> = points.into_iter().map(|(t, v)| (t - from, v)).collect();
        exponential::fit(&points, envelope.box_seconds, HOP_SECONDS)
    };
    let mean = |from: f64, to: f64| {
        let points = envelope.points(from, to);
        points.iter().map(|p| p.1).sum::<f64>() / points.len().max(1) as f64
    };
    let [from, to] = IMMEDIATE_SECONDS;
    let sustained = SUSTAINED_SECONDS.min(0.3 * plan.high_seconds);
    let end = down - BEFORE_STEP_SECONDS;
    let sag = fit(step, down);
    // Noise of a plain average goes with 1/length; that of a point, two boxes, is that of an average 1.5 boxes long.
    let point_sd = sag.map_or(f64::NAN, |s| s.point_sd);
    let sd = |seconds: f64| point_sd * (1.5 * envelope.box_seconds / seconds).sqrt().min(1.0);
    Burst {
        sag,
        recovery: fit(down, down + plan.after_seconds - FADE_SECONDS),
        immediate: mean(step + from, step + to),
        sustained: mean(end - sustained, end),
        first: envelope.plain(step, (FIRST_SECONDS * plan.frequency_hz).round() / plan.frequency_hz),
        immediate_sd: sd(to - from),
        sustained_sd: sd(sustained),
        first_sd: sd(FIRST_SECONDS),
    }
}

fn mean_envelope(envelope: &Envelope, plan: &Plan, whole: &[u32], once: f64) -> Vec<(f64, f64)> {
    let points = ((once / HOP_SECONDS) as usize).min(100_000);
    (0..points)
        .filter_map(|k| {
            let t = HOP_SECONDS * k as f64 - plan.before_seconds;
            let values = whole.iter().filter_map(|burst| {
                envelope.at(once * f64::from(*burst) + plan.before_seconds + t).map(|p| p.1)
            });
            let values: Vec<f64> = values.collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            (values.len() == whole.len()).then_some((t, mean))
        })
        .collect()
}

/// The tone's peak against time: demodulated and averaged twice over four cycles, so weighted with a triangle, at the
/// places that are asked for.
struct Envelope<'a> {
    samples: &'a [f32],
    omega: f64,
    /// The triangle times cosine and sine of the tone, filled up with zeros to whole lanes.
    cosine: Vec<f64>,
    sine: Vec<f64>,
    /// Samples in an average.
    length: usize,
    box_seconds: f64,
    start_seconds: f64,
    step_seconds: f64,
}

/// Sums that run side by side.
const LANES: usize = 8;

impl<'a> Envelope<'a> {
    fn of(cut: &Cut<'a>, frequency_hz: f64) -> Self {
        let omega = cut.omega(frequency_hz);
        let step_seconds = cut.ratio / cut.rate_hz;
        let length = ((CYCLES / frequency_hz / step_seconds).round() as usize).max(1);
        let weights = || (1..=length).chain((1..length).rev()).map(|w| w as f64).enumerate();
        let mut cosine: Vec<f64> = weights().map(|(n, w)| w * (omega * n as f64).cos()).collect();
        let mut sine: Vec<f64> = weights().map(|(n, w)| w * (omega * n as f64).sin()).collect();
        cosine.resize(cosine.len().next_multiple_of(LANES), 0.0);
        sine.resize(cosine.len(), 0.0);
        let box_seconds = length as f64 * step_seconds;
        let (samples, start_seconds) = (cut.samples, cut.start_seconds);
        Self { samples, omega, cosine, sine, length, box_seconds, start_seconds, step_seconds }
    }

    /// Time of the point nearest to `seconds`, and the tone's peak there.
    fn at(&self, seconds: f64) -> Option<(f64, f64)> {
        // The triangle covers samples i … i + 2L − 2, their centre is i + L − 1.
        let centre = ((seconds - self.start_seconds) / self.step_seconds).round();
        let first = usize::try_from(centre as i64 - (self.length as i64 - 1)).ok()?;
        let covered = self.samples.get(first..first.checked_add(2 * self.length - 1)?)?;
        let sum = dot(covered, &self.cosine).hypot(dot(covered, &self.sine));
        let size = 2.0 * sum / (self.length * self.length) as f64;
        Some((self.start_seconds + centre * self.step_seconds, size))
    }

    fn points(&self, from: f64, to: f64) -> Vec<(f64, f64)> {
        let count = ((to - from) / HOP_SECONDS).max(0.0) as usize;
        (0..=count).filter_map(|k| self.at(from + HOP_SECONDS * k as f64)).collect()
    }

    /// Peak from one plain average over `length_seconds`, its ends between samples.
    fn plain(&self, from: f64, length_seconds: f64) -> f64 {
        let place = |seconds: f64| (seconds - self.start_seconds) / self.step_seconds;
        let turned = |n: usize| Some(Complex::cis(-self.omega * n as f64) * f64::from(*self.samples.get(n)?));
        let (begin, end) = (place(from), place(from + length_seconds));
        let sum = || {
            let first = (begin >= 0.0 && end >= begin).then_some(begin as usize)?;
            let last = end as usize;
            // Whole samples, and of the first and the last the part that lies inside.
            let whole = (first..last).map(turned).sum::<Option<Complex<f64>>>()?;
            Some(whole - turned(first)? * begin.fract() + turned(last)? * end.fract())
        };
        sum().map_or(f64::NAN, |sum| 2.0 * sum.norm() * self.step_seconds / length_seconds)
    }
}

/// Sum of products; weights beyond the samples are 0.
fn dot(samples: &[f32], weights: &[f64]) -> f64 {
    let mut sums = [0.0; LANES];
    let (samples, rest) = samples.as_chunks::<LANES>();
    let (weights, _) = weights.as_chunks::<LANES>();
    for (samples, weights) in samples.iter().zip(weights) {
        for k in 0..LANES {
            sums[k] += f64::from(samples[k]) * weights[k];
        }
    }
    let rest = rest.iter().zip(weights.get(samples.len()).into_iter().flatten());
    sums.iter().sum::<f64>() + rest.map(|(x, w)| f64::from(*x) * w).sum::<f64>()
}
