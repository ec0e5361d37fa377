//! Where two recordings of the same playing lie in time: lag, drift of the clocks, sign.
//!
//! First the lag of the whole by one cross-correlation at a low rate, then the lag of short
//! windows at the full rate, and the line through most of them: music repeats itself, so
//! single windows may agree best a note too early or too late.

use realfft::num_complex::Complex;

use super::ListenError;
use crate::measure::Plans;

/// Rate of the first search, Hz: enough for lags to a few samples of it, and little work.
const COARSE_HZ: f64 = 4000.0;
/// Length of a window, seconds.
const WINDOW_SECONDS: f64 = 2.0;
/// Most windows.
const WINDOWS: usize = 24;
/// How far from the common lag a window is searched: 300 ppm over ten minutes, either way.
const REACH_SECONDS: f64 = 0.18;
/// Clocks that differ by more are not two recorders but two speeds.
const MOST_DRIFT: f64 = 500e-6;
/// Windows lie on the line within this many samples (the two amps delay different frequencies differently).
const ON_LINE_SAMPLES: f64 = 3.0;
/// Least likeness (normalised correlation, median over windows) of two recordings of one playing. A clean
/// and a heavily clipped amp reach over 0.7, two pieces of music under 0.2 (tests of this file).
pub const LEAST_SIMILARITY: f64 = 0.4;

/// How the second recording lies against the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alignment {
    /// The second recording's frame at which the first's frame 0 is heard.
    pub lag_frames: f64,
    /// Frames of the second for one of the first, less one.
    pub drift: f64,
    /// −1 if one of the two is turned over against the other.
    pub sign: f64,
    /// Median normalised correlation of the windows, 0 to 1.
    pub similarity: f64,
    /// Windows on the line, of those looked at.
    pub windows: (usize, usize),
}

impl Alignment {
    /// The second recording's place for this frame of the first.
    #[must_use]
    pub fn place(&self, frame: f64) -> f64 {
        self.lag_frames + frame * (1.0 + self.drift)
    }
}

/// Finds how `b` lies against `a`, both at `rate_hz`.
///
/// # Errors
/// [`ListenError::NotTheSame`] if no lag makes them alike.
pub fn align(a: &[f32], b: &[f32], rate_hz: f64, plans: &mut Plans) -> Result<Alignment, ListenError> {
    let coarse = coarse_lag(a, b, rate_hz, plans);
    let window = ((WINDOW_SECONDS * rate_hz) as usize).min(a.len()).min(b.len());
    let reach = (REACH_SECONDS * rate_hz) as usize;
    // The stretch of `a` that `b` holds too.
    let begin = (-coarse).max(0) as usize;
    let end = usize::try_from((b.len() as i64 - coarse).max(0)).unwrap_or(0).min(a.len());
    let mut found = Vec::new();
    let mut looked = 0;
    if window > 0 && end >= begin + window {
        let room = end - begin - window;
        let count = (room / window + 1).min(WINDOWS);
        for k in 0..count {
            let at = begin + if count > 1 { room * k / (count - 1) } else { room / 2 };
            looked += 1;
            found.extend(window_lag(a, b, at, window, coarse, reach, plans));
        }
    }
    let similarity = median(found.iter().map(|w| w.similarity).collect());
    let not_the_same = ListenError::NotTheSame { similarity, windows: looked, need: LEAST_SIMILARITY };
    if similarity < LEAST_SIMILARITY {
        return Err(not_the_same);
    }
    let line = line(&found).ok_or(not_the_same)?;
    Ok(Alignment {
        similarity,
        windows: (line.on, looked),
        sign: line.sign,
        lag_frames: line.lag,
        drift: line.drift,
    })
}

/// Lag of the whole, in frames: `b[n + lag]` is `a[n]`.
fn coarse_lag(a: &[f32], b: &[f32], rate_hz: f64, plans: &mut Plans) -> i64 {
    let step = ((rate_hz / COARSE_HZ).floor() as usize).max(1);
    let (a, b) = (decimated(a, step), decimated(b, step));
    let length = (a.len() + b.len()).next_power_of_two();
    let correlation = correlate(&a, &b, length, plans);
    let best = correlation.iter().enumerate().max_by(|x, y| x.1.abs().total_cmp(&y.1.abs()));
    let at = best.map_or(0, |(at, _)| at) as i64;
    let lag = if at >= b.len() as i64 { at - length as i64 } else { at };
    lag * step as i64
}

/// Means of `step` samples each, the mean of all taken out.
fn decimated(samples: &[f32], step: usize) -> Vec<f64> {
    let mut means: Vec<f64> =
        samples.chunks(step).map(|c| c.iter().map(|v| f64::from(*v)).sum::<f64>() / c.len() as f64).collect();
    let mean = means.iter().sum::<f64>() / (means.len().max(1)) as f64;
    means.iter_mut().for_each(|v| *v -= mean);
    means
}

/// `Σ a[n] b[n + k]` for every k, negative ones at the end.
fn correlate(a: &[f64], b: &[f64], length: usize, plans: &mut Plans) -> Vec<f64> {
    let mut spectrum = |samples: &[f64]| {
        let mut padded = samples.to_vec();
        padded.resize(length, 0.0);
        plans.transform(&mut padded)
    };
    let (fa, fb) = (spectrum(a), spectrum(b));
    let product: Vec<Complex<f64>> = fa.iter().zip(&fb).map(|(a, b)| a.conj() * b).collect();
    plans.signal(product, length)
}

#[derive(Debug, Clone, Copy)]
struct Window {
    /// Middle of the window in `a`.
    middle: f64,
    lag: f64,
    sign: f64,
    similarity: f64,
}

fn window_lag(
    a: &[f32],
    b: &[f32],
    at: usize,
    window: usize,
    coarse: i64,
    reach: usize,
    plans: &mut Plans,
) -> Option<Window> {
    let own: Vec<f64> = a.get(at..at + window)?.iter().map(|v| f64::from(*v)).collect();
    let first = at as i64 + coarse - reach as i64;
    let wide = window + 2 * reach;
    // Outside the recording there is silence.
    let other: Vec<f64> = (first..first + wide as i64)
        .map(|i| usize::try_from(i).ok().and_then(|i| b.get(i)).map_or(0.0, |v| f64::from(*v)))
        .collect();
    let energy = own.iter().map(|v| v * v).sum::<f64>();
    // Rests hold nothing to align by: quieter than −70 dB re full scale.
    if energy < 1e-7 * window as f64 {
        return None;
    }
    let correlation = correlate(&own, &other, (wide + window).next_power_of_two(), plans);
    let scores = scores(&correlation, &other, energy, window, 2 * reach + 1);
    let best = scores.iter().enumerate().max_by(|x, y| x.1.abs().total_cmp(&y.1.abs()))?.0;
    let value = *scores.get(best)?;
    let side = |k: Option<usize>| k.and_then(|k| scores.get(k)).copied();
    // A parabola through the three highest points.
    let shift = match (side(best.checked_sub(1)), side(Some(best + 1))) {
        (Some(left), Some(right)) if left + right != 2.0 * value => {
            0.5 * (left - right) / (left - 2.0 * value + right)
        }
        _ => 0.0,
    };
    Some(Window {
        middle: at as f64 + window as f64 / 2.0,
        lag: coarse as f64 - reach as f64 + best as f64 + shift.clamp(-0.5, 0.5),
        sign: value.signum(),
        similarity: value.abs(),
    })
}

/// The correlation over the root of both energies, for each lag.
fn scores(correlation: &[f64], other: &[f64], energy: f64, window: usize, lags: usize) -> Vec<f64> {
    let mut under: f64 = other.iter().take(window).map(|v| v * v).sum();
    let floor = 1e-9 * energy + f64::MIN_POSITIVE;
    (0..lags)
        .map(|k| {
            let score = correlation.get(k).copied().unwrap_or(0.0) / (energy * under.max(floor)).sqrt();
            let leaving = other.get(k).map_or(0.0, |v| v * v);
            let entering = other.get(k + window).map_or(0.0, |v| v * v);
            under = (under + entering - leaving).max(0.0);
            score
        })
        .collect()
}

struct Line {
    lag: f64,
    drift: f64,
    sign: f64,
    on: usize,
}

/// The line that most windows lie on, then least squares through those.
fn line(windows: &[Window]) -> Option<Line> {
    let on = |lag: f64, drift: f64| -> Vec<&Window> {
        let near = |w: &&Window| (w.lag - lag - drift * w.middle).abs() <= ON_LINE_SAMPLES;
        windows.iter().filter(near).collect()
    };
    let mut best: Vec<&Window> = Vec::new();
    for (i, first) in windows.iter().enumerate() {
        for second in windows.iter().skip(i) {
            let apart = second.middle - first.middle;
            let drift = if apart > 0.0 { (second.lag - first.lag) / apart } else { 0.0 };
            if drift.abs() <= MOST_DRIFT {
                let members = on(first.lag - drift * first.middle, drift);
                if members.len() > best.len() {
                    best = members;
                }
            }
        }
    }
    let weight = best.iter().map(|w| w.similarity).sum::<f64>();
    let mean = |of: fn(&Window) -> f64| best.iter().map(|w| w.similarity * of(w)).sum::<f64>() / weight;
    let (x, y) = (mean(|w| w.middle), mean(|w| w.lag));
    let moment = |f: &dyn Fn(&Window) -> f64| best.iter().map(|w| w.similarity * f(w)).sum::<f64>();
    let spread = moment(&|w| (w.middle - x).powi(2));
    let drift = if spread > 0.0 { moment(&|w| (w.middle - x) * (w.lag - y)) / spread } else { 0.0 };
    let sign = moment(&|w| w.sign).signum();
    (!best.is_empty()).then_some(Line { lag: y - drift * x, drift, sign, on: best.len() })
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// Half the taps of the interpolation.
const HALF_TAPS: i64 = 24;
/// Kaiser window of the interpolation: 90 dB stop band at this β (Kaiser's formula β = 0.1102 (A − 8.7)).
const BETA: f64 = 0.1102 * (90.0 - 8.7);

/// Places between two frames for which the taps are kept; between those a straight line serves
/// (error under (π/1024)²/8 = −118 dB).
const PHASES: usize = 1024;

/// Reads samples between frames by a windowed sinc.
pub struct Between {
    /// `taps[phase * 2 * HALF_TAPS + k]`, phases 0 to [`PHASES`].
    taps: Vec<f64>,
}

impl Default for Between {
    fn default() -> Self {
        let tap = |phase: usize, k: i64| {
            let distance = phase as f64 / PHASES as f64 + (HALF_TAPS - 1 - k) as f64;
            sinc(distance) * kaiser(distance / HALF_TAPS as f64)
        };
        let taps = (0..=PHASES).flat_map(|phase| (0..2 * HALF_TAPS).map(move |k| tap(phase, k))).collect();
        Self { taps }
    }
}

impl Between {
    /// `samples` at a place between two frames; what lies outside them is silence.
    #[must_use]
    pub fn at(&self, samples: &[f32], place: f64) -> f64 {
        let floor = place.floor();
        let scaled = (place - floor) * PHASES as f64;
        let phase = (scaled as usize).min(PHASES - 1);
        let share = scaled - phase as f64;
        let width = 2 * HALF_TAPS as usize;
        let row = |phase: usize| self.taps.get(phase * width..(phase + 1) * width).unwrap_or_default();
        let first = floor as i64 - HALF_TAPS + 1;
        let taps = row(phase).iter().zip(row(phase + 1)).map(|(a, b)| a + share * (b - a));
        taps.zip(first..)
            .map(|(tap, i)| {
                tap * usize::try_from(i).ok().and_then(|i| samples.get(i)).map_or(0.0, |v| f64::from(*v))
            })
            .sum()
    }
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) }
}

fn kaiser(x: f64) -> f64 {
    if x.abs() >= 1.0 { 0.0 } else { bessel(BETA * (1.0 - x * x).sqrt()) / bessel(BETA) }
}

/// Modified Bessel function I₀ by its power series.
fn bessel(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..40 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}
