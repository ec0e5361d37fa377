//! Places where a recording breaks: samples lost, repeated, zeroed, or a click.
//!
//! An amp's signal is band-limited, and in a test signal whatever it does at one moment it does again
//! soon: kinks of clipping come with every cycle. A break comes once. So two views in which a steady
//! signal is small (the sixth difference of any signal; a tone less itself some periods before) are
//! cut into pieces of a millisecond, and a piece that stands out from both sides is a break.
//! (Own method; its rates of detection and false alarms are printed by `tests/faults.rs`.)

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
        let [a, b, c, d, e, f, g]: [&[f32]; 7] = std::array::from_fn(|k| &part[k..k + count]);
        let sixth = |n| a[n] + g[n] - 6.0 * (b[n] + f[n]) + 15.0 * (c[n] + e[n]) - 20.0 * d[n];
        views.extend((0..count).map(|n: usize| sixth(n).abs()));
    });
    let found = stand_out(&peaks, SIDE, 0, LEAST_STEP * STEP_GAIN);
    // The largest value lies three samples before the middle of its seven.
    found.into_iter().filter_map(|k| largest(piece * k..piece * (k + 1), view)).map(|n| n + 3).collect()
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
    let doubled: Vec<f32> = samples.windows(half + 1).map(|part| part[half] - part[0]).collect();
    let samples = doubled.as_slice();
    let peaks = peaks(samples.len().saturating_sub(whole + 2), piece, |at, views| {
        let count = at.len();
        let (Some(part), Some(later)) =
            (samples.get(at.start..at.end + 2), samples.get(at.start + whole + 1..at.end + whole + 1))
        else {
            return;
        };
        let [before, here, after]: [&[f32]; 3] = std::array::from_fn(|k| &part[k..k + count]);
        let left = |n| later[n] - (a * after[n] + b * here[n] + c * before[n]);
        views.extend((0..count).map(|n: usize| left(n).abs()));
    });
    // A break is seen again one delay later; that echo is no neighbour.
    let echo = (whole + half) / piece + 2;
    // Three periods at least, since an amp's kinks come with each; no more than that, since the settling after a
    // change of level would hide what comes soon after it.
    let side = TONE_SIDE.max((3.0 * period) as usize / piece);
    let found = stand_out(&peaks, side, echo, LEAST_STEP);
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

/// Pieces that stand out from both sides. `echo` pieces after each do not count.
fn stand_out(peaks: &[f32], side: usize, echo: usize, floor: f32) -> Vec<usize> {
    let least = floor.max(0.0);
    let mut found = Vec::new();
    for (k, &peak) in peaks.iter().enumerate() {
        if peak <= least {
            continue;
        }
        let before = peaks.get(k.saturating_sub(side + 1)..k.saturating_sub(1)).unwrap_or_default();
        let from = (k + 2 + echo).min(peaks.len());
        let after = peaks.get(from..(from + side).min(peaks.len())).unwrap_or_default();
        // Without both sides a change of the signal itself would look like a break.
        let stands =
            [before, after].into_iter().all(|side| side.len() >= LEAST_SIDE && stands_over(peak, side));
        // Of two pieces that share a break the larger one counts.
        let shadowed = found.last().is_some_and(|&last: &usize| k <= last + 1 + echo);
        if stands && !shadowed {
            found.push(k);
        }
    }
    found
}

/// Whether a peak stands out from a side, of which the [`OTHERS`] largest do not count.
fn stands_over(peak: f32, side: &[f32]) -> bool {
    side.iter().filter(|&&value| STANDS_OUT * value >= peak).nth(OTHERS).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

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
}
