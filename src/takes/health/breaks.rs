//! Places where a recording breaks: samples lost, repeated, zeroed, or a click.
//!
//! An amp's signal is band-limited, and in a test signal whatever it does at one moment it does again
//! soon: kinks of clipping come with every cycle. A break comes once. So views in which a steady
//! signal is small (the sixth difference of any signal; a tone less itself some periods before; a sweep
//! through zeros that follow it) are cut into pieces of a millisecond, and a piece that stands out from
//! both sides is a break. In a silence the noise itself tells what stands out.
//! (Own method; its rates of detection and false alarms are printed by `tests/faults.rs`.)

use std::f64::consts::{PI, TAU};
use std::ops::Range;

/// Length of a piece.
const PIECE_SECONDS: f64 = 0.001;
/// Pieces on each side that a break must stand out from.
const SIDE: usize = 100;
/// The same in a steady tone.
const TONE_SIDE: usize = 30;
/// A side has at least so many.
const LEAST_SIDE: usize = 8;
/// Of a side this many may be breaks themselves: the next largest counts.
const OTHERS: usize = 2;
/// How far a break must stand out.
const STANDS_OUT: f32 = 4.0;
/// A step under this (−78 dBFS) changes no figure of a step that can be measured.
const LEAST_STEP: f32 = 1.2e-4;
/// What the sixth difference makes of a step of 1: the largest coefficient of the fifth.
const STEP_GAIN: f32 = 10.0;
/// Breaks nearer than this are one.
const MERGE_SECONDS: f64 = 0.006;

/// Breaks of any signal, as indices into `samples`, in order.
pub(super) fn of_any(samples: &[f32], rate_hz: f64) -> Vec<usize> {
    let piece = piece(rate_hz);
    let view = |n: usize| -> f32 {
        match samples.get(n..n + 7) {
            Some(&[a, b, c, d, e, f, g]) => (a + g - 6.0 * (b + f) + 15.0 * (c + e) - 20.0 * d).abs(),
            _ => 0.0,
        }
    };
    let peaks = peaks(samples.len().saturating_sub(6), piece, |at, views| {
        let count = at.len();
        let Some(part) = samples.get(at.start..at.end + 6) else { return };
        symmetric(part, [1.0, -6.0, 15.0, -20.0], count, views);
    });
    let found = stand_out(&peaks, |_| SIDE, 0, LEAST_STEP * STEP_GAIN, STANDS_OUT);
    // The largest value lies three samples before the middle of its seven.
    found.into_iter().filter_map(|k| largest(piece * k..piece * (k + 1), view)).map(|n| n + 3).collect()
}

/// Breaks of a sweep; `turn` gives the radians from a sample to the next at an index. At zero frequency the view is
/// the sixth difference; as the sweep rises its three zeros follow the tone and its first harmonics.
pub(super) fn of_sweep(samples: &[f32], rate_hz: f64, turn: impl Fn(usize) -> f64) -> Vec<usize> {
    let piece = piece(rate_hz);
    let weights = |n: usize| -> [f32; 4] {
        let omega = turn(n);
        // Harmonics over the band have no zero: more zeros than needed would leave a narrow noise, whose size wanders.
        let mut taps = [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0];
        for harmonic in [1.0, 2.0, 3.0].into_iter().filter(|n| n * omega < 0.9 * PI) {
            let middle = -2.0 * (harmonic * omega).cos();
            let at = |k: usize| taps.get(k).copied().unwrap_or(0.0);
            taps = std::array::from_fn(|k| at(k.wrapping_sub(1)) + middle * at(k) + at(k + 1));
        }
        let [a, b, c, d, ..] = taps.map(|w| w as f32);
        [a, b, c, d]
    };
    let count = samples.len().saturating_sub(6);
    let view = |at: Range<usize>, views: &mut Vec<f32>| {
        let [w, x, y, z] = weights((at.start + at.end) / 2);
        let Some(part) = samples.get(at.start..at.end + 6) else { return };
        let length = at.len();
        symmetric(part, [w, x, y, z], length, views);
    };
    let peaks = peaks(count, piece, view);
    // The sweep grows and falls from piece to piece: sides are as short as its kinks and its noise allow.
    let side = |k: usize| TONE_SIDE.max((3.0 * TAU / turn(piece * k).max(1e-6)) as usize / piece).min(SIDE);
    let found = stand_out(&peaks, side, 0, LEAST_STEP * STEP_GAIN, STANDS_OUT);
    let place = |k: usize| {
        let mut views = Vec::with_capacity(piece);
        view(piece * k..(piece * (k + 1)).min(count), &mut views);
        largest(0..views.len(), |n| views[n]).map(|n| piece * k + n + 3)
    };
    found.into_iter().filter_map(place).collect()
}

/// How far a click stands over the noise of a silence: of a million Gaussian values none in 100 000 takes reaches it.
const SIGMAS: f64 = 7.0;
/// And how far over its neighbours: what comes again and again is the amp's buzz.
const OVER_BUZZ: f32 = 1.5;
/// Clicks that add less than this to the power of the noise move it by less than 0.05 dB.
const LEAST_ENERGY: f64 = 0.01;

/// Clicks in a silence, where they count. `step` is the smallest step of the codes.
pub(super) fn of_silence(samples: &[f32], rate_hz: f64, step: f64) -> Vec<usize> {
    let piece = piece(rate_hz);
    let second = |n: usize| match samples.get(n..n + 3) {
        Some(&[a, b, c]) => (a - 2.0 * b + c).abs(),
        _ => 0.0,
    };
    let count = samples.len().saturating_sub(2);
    let mut some: Vec<f32> = (0..count).step_by(17).map(second).collect();
    if some.is_empty() {
        return Vec::new();
    }
    let middle = some.len() / 2;
    let sigma = f64::from(*some.select_nth_unstable_by(middle, f32::total_cmp).1) / 0.6745;
    let limit = (SIGMAS * sigma).max(8.0 * step) as f32;
    let peaks = peaks(count, piece, |at, views| {
        let length = at.len();
        let Some(part) = samples.get(at.start..at.end + 2) else { return };
        let [a, b, c]: [&[f32]; 3] = std::array::from_fn(|k| &part[k..k + length]);
        views.extend((0..length).map(|n: usize| (a[n] - 2.0 * b[n] + c[n]).abs()));
    });
    let found = stand_out(&peaks, |_| SIDE, 0, limit, OVER_BUZZ);
    // A second difference makes 2 of a click of 1, and of white noise √6 times its RMS.
    let clicks: f64 = found.iter().filter_map(|&k| peaks.get(k)).map(|&p| (f64::from(p) / 2.0).powi(2)).sum();
    if clicks < LEAST_ENERGY * count as f64 * sigma * sigma / 6.0 {
        return Vec::new();
    }
    let place = |k: usize| largest(piece * k..(piece * (k + 1)).min(count), second);
    found.into_iter().filter_map(place).map(|n| n + 1).collect()
}

/// Breaks of a steady tone of `period` samples.
pub(super) fn of_tone(samples: &[f32], rate_hz: f64, period: f64) -> Vec<usize> {
    let piece = piece(rate_hz);
    // The number of periods, up to 6 ms, that is nearest to whole samples: least interpolation.
    let most = ((0.006 * rate_hz / period) as usize).clamp(1, 8);
    let off = |m: usize| (period * m as f64 - (period * m as f64).round()).abs();
    let Some(m) = (1..=most).min_by(|&a, &b| off(a).total_cmp(&off(b))) else { return Vec::new() };
    let delay = period * m as f64;
    let whole = delay.round() as usize;
    let [a, b, c] = parabola(delay - whole as f64);
    // Less itself half a period before, the tone doubles and hum all but goes.
    let half = ((0.5 * period).round() as usize).max(1);
    let later = samples.get(half..).unwrap_or_default();
    let doubled: Vec<f32> = later.iter().zip(samples).map(|(later, here)| later - here).collect();
    let samples = doubled.as_slice();
    let peaks = peaks(samples.len().saturating_sub(whole + 2), piece, |at, views| {
        let count = at.len();
        let (Some(part), Some(later)) =
            (samples.get(at.start..at.end + 2), samples.get(at.start + whole + 1..at.end + whole + 1))
        else {
            return;
        };
        let [before, here, after]: [&[f32]; 3] = std::array::from_fn(|k| &part[k..k + count]);
        let earlier = before.iter().zip(here).zip(after);
        let left = |(x, ((before, here), after)): (&f32, ((&f32, &f32), &f32))| {
            (x - (a * after + b * here + c * before)).abs()
        };
        views.extend(later.iter().zip(earlier).map(left));
    });
    // A break is seen again one delay later; that echo is no neighbour.
    let echo = (whole + half) / piece + 2;
    // Three periods at least, since an amp's kinks come with each; no more than that, since the settling after a
    // change of level would hide what comes soon after it.
    let side = TONE_SIDE.max((3.0 * period) as usize / piece);
    let found = stand_out(&peaks, |_| side, echo, LEAST_STEP, STANDS_OUT);
    let view = |n: usize| -> f32 {
        match (samples.get(n + whole + 1), samples.get(n..n + 3)) {
            (Some(&x), Some(&[before, at, after])) => (x - (a * after + b * at + c * before)).abs(),
            _ => 0.0,
        }
    };
    found
        .into_iter()
        .filter_map(|k| {
            let top = *peaks.get(k)?;
            let from = piece * k.saturating_sub(1);
            (from..piece * (k + 1)).find(|&n| view(n) > 0.5 * top)
        })
        .map(|n| n + whole + 1 + half)
        .collect()
}

/// Puts breaks from several views together.
pub(super) fn merge(mut breaks: Vec<usize>, rate_hz: f64) -> Vec<Range<usize>> {
    breaks.sort_unstable();
    let near = (MERGE_SECONDS * rate_hz) as usize;
    let mut merged: Vec<Range<usize>> = Vec::new();
    for n in breaks {
        match merged.last_mut() {
            Some(last) if n <= last.end + near => last.end = n,
            _ => merged.push(n..n),
        }
    }
    merged
}

fn piece(rate_hz: f64) -> usize {
    ((PIECE_SECONDS * rate_hz) as usize).max(8)
}

/// Weights of the parabola through the samples after, at and before a place, read `lag` earlier.
fn parabola(lag: f64) -> [f32; 3] {
    [lag * (lag - 1.0) / 2.0, 1.0 - lag * lag, lag * (lag + 1.0) / 2.0].map(|w| w as f32)
}

/// Magnitudes of seven samples each, weighted alike from both ends to the middle, at `count` places; eight side by side.
fn symmetric(samples: &[f32], [w, x, y, z]: [f32; 4], count: usize, out: &mut Vec<f32>) {
    let begin = out.len();
    out.resize(begin + count, 0.0);
    let Some(out) = out.get_mut(begin..) else { return };
    let one = |s: &[f32; 7]| (w * (s[0] + s[6]) + x * (s[1] + s[5]) + y * (s[2] + s[4]) + z * s[3]).abs();
    let (eights, rest) = out.as_chunks_mut::<8>();
    let mut windows = samples;
    for eight in eights {
        let Some(part) = windows.first_chunk::<14>() else { return };
        for k in 0..8 {
            let s = [part[k], part[k + 1], part[k + 2], part[k + 3], part[k + 4], part[k + 5], part[k + 6]];
            eight[k] = one(&s);
        }
        windows = windows.get(8..).unwrap_or_default();
    }
    for (value, s) in rest.iter_mut().zip(windows.array_windows()) {
        *value = one(s);
    }
}

/// The largest of a view in every piece; `view` appends its values over a range.
fn peaks(count: usize, piece: usize, view: impl Fn(Range<usize>, &mut Vec<f32>)) -> Vec<f32> {
    let mut views = Vec::with_capacity(piece);
    (0..count.div_ceil(piece))
        .map(|k| {
            views.clear();
            view(piece * k..(piece * (k + 1)).min(count), &mut views);
            top(&views)
        })
        .collect()
}

/// The largest value, eight side by side; 0 at least, and what is no number does not count.
fn top(values: &[f32]) -> f32 {
    let (eights, rest) = values.as_chunks::<8>();
    let mut top = [0.0f32; 8];
    let larger = |a: f32, b: f32| if b > a { b } else { a };
    for eight in eights {
        for (top, &value) in top.iter_mut().zip(eight) {
            *top = larger(*top, value);
        }
    }
    top.iter().chain(rest).copied().fold(0.0, larger)
}

fn largest(range: Range<usize>, view: impl Fn(usize) -> f32) -> Option<usize> {
    range.max_by(|&a, &b| view(a).total_cmp(&view(b)))
}

/// Pieces that stand out by `ratio` from both sides, each of `side` pieces. `echo` pieces after each do not count.
fn stand_out(
    peaks: &[f32],
    side: impl Fn(usize) -> usize,
    echo: usize,
    floor: f32,
    ratio: f32,
) -> Vec<usize> {
    let least = floor.max(0.0);
    let mut found = Vec::new();
    for (k, &peak) in peaks.iter().enumerate() {
        if peak <= least {
            continue;
        }
        let side = side(k);
        let before = peaks.get(k.saturating_sub(side + 1)..k.saturating_sub(1)).unwrap_or_default();
        let from = (k + 2 + echo).min(peaks.len());
        let after = peaks.get(from..(from + side).min(peaks.len())).unwrap_or_default();
        // Without both sides a change of the signal itself would look like a break.
        let stands = [before, after]
            .into_iter()
            .all(|side| side.len() >= LEAST_SIDE && stands_over(peak, side, ratio));
        // Of two pieces that share a break the larger one counts.
        let shadowed = found.last().is_some_and(|&last: &usize| k <= last + 1 + echo);
        if stands && !shadowed {
            found.push(k);
        }
    }
    found
}

/// Whether a peak stands out from a side, of which the [`OTHERS`] largest do not count.
fn stands_over(peak: f32, side: &[f32], ratio: f32) -> bool {
    side.iter().filter(|&&value| ratio * value >= peak).nth(OTHERS).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(rate_hz: f64, hz: f64, count: usize) -> Vec<f32> {
        (0..count).map(|n| (0.4 * (TAU * hz * n as f64 / rate_hz).sin()).clamp(-0.3, 0.5) as f32).collect()
    }

    #[test]
    fn a_lost_sample_is_found_at_its_place_in_a_clipped_tone() {
        let rate_hz = 48_000.0;
        let mut samples = tone(rate_hz, 1010.0, 24_000);
        samples.drain(12_345..12_347);
        let found = merge(of_tone(&samples, rate_hz, rate_hz / 1010.0), rate_hz);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].start.abs_diff(12_345) <= 48, "{found:?}");
    }

    #[test]
    fn a_steady_tone_and_a_sweep_have_no_break() {
        for hz in [82.4, 1010.0, 5000.0] {
            let samples = tone(48_000.0, hz, 40_000);
            assert_eq!(of_any(&samples, 48_000.0), [0; 0], "{hz}");
            assert_eq!(of_tone(&samples, 48_000.0, 48_000.0 / hz), [0; 0], "{hz}");
        }
        let sweep: Vec<f32> = (0..96_000)
            .map(|n| (0.3 * (TAU * 10.0 * 0.3 * (f64::from(n) / 48_000.0 / 0.3).exp()).sin()) as f32)
            .collect();
        assert_eq!(of_any(&sweep, 48_000.0), [0; 0]);
        assert_eq!(of_any(&[], 48_000.0), [0; 0]);
        assert_eq!(of_any(&[1.0], 48_000.0), [0; 0]);
    }

    #[test]
    fn a_click_of_one_sample_is_found_in_two_tones() {
        let mut samples: Vec<f32> = tone(48_000.0, 70.0, 48_000);
        for (n, x) in samples.iter_mut().enumerate() {
            *x += (0.05 * (TAU * 7000.0 * n as f64 / 48_000.0).sin()) as f32;
        }
        samples[30_000] += 0.1;
        let found = merge(of_any(&samples, 48_000.0), 48_000.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].start.abs_diff(30_000) <= 3, "{found:?}");
    }

    /// A silence: Gaussian noise of this RMS with hum and its harmonics ten times as loud.
    fn silence(count: usize, rms: f64) -> Vec<f32> {
        let mut random = crate::simulate::noise::White::new(5);
        let hum = |n: usize| -> f64 {
            let line = |k: u32| (TAU * 50.0 * f64::from(k) * n as f64 / 48_000.0).sin() / f64::from(k);
            (1..=12).map(line).sum()
        };
        (0..count).map(|n| (rms * random.value() + 10.0 * rms * hum(n)) as f32).collect()
    }

    #[test]
    fn a_click_in_a_silence_is_told_where_it_adds_to_the_noise() {
        let rms = 3e-5;
        let quiet = silence(48_000, rms);
        assert_eq!(of_silence(&quiet, 48_000.0, 1e-7), [0; 0]);
        let clicked = |size: f64| {
            let mut samples = quiet.clone();
            samples[20_000] += (size * rms) as f32;
            of_silence(&samples, 48_000.0, 1e-7)
        };
        // One click of n times the RMS adds n² of 48 000: 2 % at 31, 0.3 % at 12.
        assert_eq!(clicked(31.0), [20_000]);
        assert_eq!(clicked(12.0), [0; 0]);
        // The amp's own buzz comes with the mains.
        let mut buzz = quiet;
        buzz.iter_mut().step_by(480).for_each(|x| *x += (31.0 * rms) as f32);
        assert_eq!(of_silence(&buzz, 48_000.0, 1e-7), [0; 0]);
        for hostile in [vec![], vec![0.5], vec![0.0; 5000], vec![f32::NAN; 5000]] {
            assert_eq!(of_silence(&hostile, 48_000.0, 1e-7), [0; 0]);
        }
    }

    #[test]
    fn a_click_and_a_lost_sample_are_found_in_a_sweep() {
        let rate_hz = 48_000.0;
        let growth = 0.3;
        let hz = |n: usize| 10.0 * (n as f64 / rate_hz / growth).exp();
        let turn = |n: usize| TAU * hz(n) / rate_hz;
        let mut random = crate::simulate::noise::White::new(6);
        let mut sweep: Vec<f32> = (0..100_000)
            .map(|n| {
                let x = 0.03 * (TAU * growth * hz(n)).sin();
                (x + 0.2 * x * x + 5e-5 * random.value()) as f32
            })
            .collect();
        assert_eq!(of_sweep(&sweep, rate_hz, turn), [0; 0]);
        // At 1.5 s the sweep has 1.5 kHz, at 1.9 s 5.6 kHz, where the sixth difference of any signal does not see it.
        sweep[72_000] += 0.02;
        sweep[91_200] += 0.005;
        assert!(of_any(&sweep, rate_hz).iter().all(|n| n.abs_diff(91_200) > 100));
        let found = of_sweep(&sweep, rate_hz, turn);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].abs_diff(72_000) <= 3 && found[1].abs_diff(91_200) <= 3, "{found:?}");
        for hostile in [vec![], vec![0.5], vec![f32::NAN; 5000]] {
            assert_eq!(of_sweep(&hostile, rate_hz, turn), [0; 0]);
        }
    }
}
