//! Where in a sweep samples were lost: there its phase jumps by what they took.
//!
//! The sweep's fundamental, turned back by the phase that was played, is a slow gain. Samples lost or put in turn it
//! from there on. (Own method.)

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

/// A window holds this many periods, so that harmonics fall on the zeros of a Hann window …
const PERIODS: f64 = 2.0;
/// … and is at least this long.
const LEAST_SECONDS: f64 = 0.002;
/// Where an amp passes a sweep well: from here to there.
const BAND_HZ: (f64, f64) = (30.0, 12_000.0);
/// How far a jump stands over the scatter of its neighbours.
const STANDS_OUT: f64 = 8.0;
/// Neighbours on each side that tell the scatter.
const SIDE: usize = 12;
/// A jump is known to so many samples, …
const EXACT_SAMPLES: f64 = 0.25;
/// … and what was lost to this share.
const EXACT: f64 = 0.02;
/// A window that is a larger part of the e-fold time than this sees an amp's own phase bend.
const SHORT: f64 = 0.08;

/// What was played, by the index of a sample from the sweep's begin on.
pub(super) struct Played {
    /// Frequency at the begin, as the recorder sees it.
    pub start_hz: f64,
    /// e-fold time, as the recorder sees it.
    pub growth_seconds: f64,
    pub rate_hz: f64,
}

impl Played {
    fn hz(&self, index: f64) -> f64 {
        self.start_hz * (index / self.rate_hz / self.growth_seconds).exp()
    }

    fn phase(&self, index: f64) -> f64 {
        TAU * (self.growth_seconds * self.hz(index)).fract()
    }

    fn index_of(&self, hz: f64) -> f64 {
        self.growth_seconds * (hz / self.start_hz).ln() * self.rate_hz
    }
}

/// A window of the sweep and the gain in it.
struct Window {
    from: usize,
    middle: f64,
    gain: Complex<f64>,
}

/// The sample of a sweep at which so many samples were `lost` (negative: put in); `None` if that was elsewhere.
pub(super) fn of_sweep(samples: &[f32], played: &Played, lost: f64) -> Option<usize> {
    let windows = windows(samples, played);
    // Seen from both sides; what bends alike on both sides cancels.
    let jump = |k: usize| -> Option<f64> {
        let [b, a, c, d] = [k.checked_sub(2)?, k - 1, k + 1, k + 2].map(|k| windows.get(k).map(|w| w.gain));
        let (before, after) = (a? * a? / b?, c? * c? / d?);
        Some((after / before).arg())
    };
    let jumps: Vec<f64> = (0..windows.len()).map(|k| jump(k).unwrap_or(0.0)).collect();
    let strength = |k: usize| {
        let near = k.saturating_sub(SIDE)..(k + SIDE + 1).min(jumps.len());
        let mut others: Vec<f64> = near.filter(|n| n.abs_diff(k) > 3).map(|n| jumps[n].abs()).collect();
        others.sort_by(f64::total_cmp);
        let usual = others.get(others.len() / 2).copied().unwrap_or(f64::INFINITY);
        jumps[k].abs() / (1.48 * usual).max(1e-6)
    };
    // Beside the place the jump shows with the other sign or by half: only what was lost fits.
    let fits = |k: usize| {
        let period = played.rate_hz / played.hz(windows[k].middle);
        let turns = jumps[k] / TAU;
        let off = turns - lost / period;
        let off = (off - off.round()).abs();
        off * period < EXACT_SAMPLES + EXACT * lost.abs() && off < (turns.abs() / 3.0).min(0.2)
    };
    let at = (0..windows.len())
        .filter(|&k| fits(k) && strength(k) > STANDS_OUT)
        .max_by(|&a, &b| strength(a).total_cmp(&strength(b)))?;
    cut(samples, played, &windows, at, lost)
}

fn windows(samples: &[f32], played: &Played) -> Vec<Window> {
    let (mut from, last) = (played.index_of(BAND_HZ.0).max(0.0), played.index_of(BAND_HZ.1));
    let mut windows = Vec::new();
    loop {
        let length = (PERIODS * played.rate_hz / played.hz(from)).max(LEAST_SECONDS * played.rate_hz);
        if length > SHORT * played.growth_seconds * played.rate_hz {
            from += length;
            continue;
        }
        let part = from as usize..(from + length) as usize;
        let Some(values) = samples.get(part.clone()).filter(|_| from + length < last) else { return windows };
        let gain = gain(values, part.start, played);
        windows.push(Window { from: part.start, middle: from + 0.5 * length, gain });
        from += length;
    }
}

/// Gain of the fundamental, Hann-weighted.
fn gain(values: &[f32], from: usize, played: &Played) -> Complex<f64> {
    let count = values.len().max(1) as f64;
    let sum: Complex<f64> = values
        .iter()
        .enumerate()
        .map(|(k, &x)| {
            let hann = 1.0 - (TAU * (k as f64 + 0.5) / count).cos();
            Complex::from_polar(f64::from(x) * hann, -played.phase((from + k) as f64))
        })
        .sum();
    sum * (2.0 / count)
}

/// The cut between old and new phase that leaves the least squares, near the window that jumps.
fn cut(samples: &[f32], played: &Played, windows: &[Window], at: usize, lost: f64) -> Option<usize> {
    let turn = |index: f64| Complex::from_polar(1.0, TAU * lost * played.hz(index) / played.rate_hz);
    // The gain through two windows on each side, the later ones turned back.
    let known: Vec<(f64, Complex<f64>)> = [at.checked_sub(3)?, at - 2, at + 2, at + 3]
        .into_iter()
        .filter_map(|k| {
            let window = windows.get(k)?;
            let back = if k > at { turn(window.middle).conj() } else { Complex::new(1.0, 0.0) };
            Some((window.middle, window.gain * back))
        })
        .collect();
    let gain = |index: f64| -> Complex<f64> {
        let weight = |k: usize| -> f64 {
            let others = known.iter().enumerate().filter(|(n, _)| *n != k);
            others.map(|(_, other)| (index - other.0) / (known[k].0 - other.0)).product()
        };
        known.iter().enumerate().map(|(k, (_, gain))| gain * weight(k)).sum()
    };
    if known.len() < 2 {
        return None;
    }
    let (from, to) = (windows.get(at - 1)?.from, windows.get(at + 2)?.from);
    let (mut saved, mut best, mut place) = (0.0, 0.0, from);
    for (n, &x) in samples.get(from..to)?.iter().enumerate() {
        let index = (from + n) as f64;
        let old = gain(index) * Complex::from_polar(1.0, played.phase(index));
        let new = old * turn(index);
        let x = f64::from(x);
        saved += (x - new.re).powi(2) - (x - old.re).powi(2);
        if saved > best {
            (best, place) = (saved, from + n + 1);
        }
    }
    Some(place)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn sweep(lost_at: usize, lost: usize) -> (Vec<f32>, Played) {
        let played = Played { start_hz: 10.0, growth_seconds: 0.3, rate_hz: RATE_HZ };
        let mut random = crate::simulate::noise::White::new(8);
        let value = |n: usize| {
            let x = 0.03 * played.phase(n as f64 - 7.3).cos();
            (x + 0.4 * x * x + 2e-5 * random.value()) as f32
        };
        let mut samples: Vec<f32> = (0..100_000).map(value).collect();
        samples.drain(lost_at..lost_at + lost);
        (samples, played)
    }

    #[test]
    fn samples_lost_in_a_sweep_are_placed() {
        for (at, lost) in [(40_000, 4), (50_000, 1), (70_000, 2), (85_000, 1), (60_000, 20)] {
            let (samples, played) = sweep(at, lost);
            let found = of_sweep(&samples, &played, lost as f64);
            assert!(found.is_some_and(|n| n.abs_diff(at) < 48), "{at} {lost}: {found:?}");
        }
    }

    #[test]
    fn a_whole_sweep_has_no_jump() {
        let (samples, played) = sweep(0, 0);
        assert_eq!(of_sweep(&samples, &played, 1.0), None);
        for hostile in [vec![], vec![0.5], vec![0.0; 90_000], vec![f32::NAN; 90_000]] {
            assert_eq!(of_sweep(&hostile, &played, 1.0), None);
        }
    }
}
