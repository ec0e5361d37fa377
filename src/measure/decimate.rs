//! Fewer samples a second, for what needs no bandwidth (methods §10).

use std::f64::consts::{PI, TAU};

/// Half the filter's length, in samples of the output.
const HALF: usize = 10;
/// Half-power point of the filter, as a part of the output's rate.
const EDGE: f64 = 0.40;
/// Flat to 0.1 dB up to this part of the output's rate; what folds down from above stays over it.
pub const WHOLE_TO: f64 = 0.26;
/// Sums that run side by side.
const LANES: usize = 8;

/// Every `factor`-th sample, from the first, after a low-pass of no delay (windowed sinc, Blackman: 74 dB).
/// Beyond its ends the signal counts as 0. Flat up to [`WHOLE_TO`] of the new rate.
#[must_use]
pub fn decimate(samples: &[f32], factor: usize) -> Vec<f32> {
    if factor <= 1 {
        return samples.to_vec();
    }
    let taps = taps(factor);
    let reach = HALF * factor;
    let mut padded = vec![0.0f32; samples.len() + 2 * reach + LANES];
    if let Some(middle) = padded.get_mut(reach..reach + samples.len()) {
        middle.copy_from_slice(samples);
    }
    let places = padded.windows(taps.len()).step_by(factor).take(samples.len().div_ceil(factor));
    places.map(|part| dot(part, &taps)).collect()
}

/// The filter, filled up with zeros to whole lanes.
fn taps(factor: usize) -> Vec<f32> {
    let reach = HALF * factor;
    let edge = EDGE / factor as f64;
    let shape = |k: usize| {
        let t = k as f64 - reach as f64;
        let sinc = if t == 0.0 { 2.0 * edge } else { (TAU * edge * t).sin() / (PI * t) };
        let x = PI * t / (reach as f64 + 1.0);
        sinc * (0.42 + 0.5 * x.cos() + 0.08 * (2.0 * x).cos())
    };
    let mut taps: Vec<f64> = (0..=2 * reach).map(shape).collect();
    let sum: f64 = taps.iter().sum();
    taps.resize(taps.len().next_multiple_of(LANES), 0.0);
    taps.iter().map(|t| (t / sum) as f32).collect()
}

fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0f32; LANES];
    for (a, b) in a.as_chunks::<LANES>().0.iter().zip(b.as_chunks::<LANES>().0) {
        for k in 0..LANES {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_kept_and_what_would_fold_is_gone() {
        for factor in [1usize, 2, 3, 9, 38] {
            let peak = |cycles: f64| {
                let omega = TAU * cycles / factor as f64;
                let samples: Vec<f32> =
                    (0..400 * factor).map(|n| (omega * n as f64 + 0.3).sin() as f32).collect();
                let out = decimate(&samples, factor);
                assert_eq!(out.len(), 400, "{factor}");
                // Away from the ends, where the signal breaks off.
                (20..380)
                    .map(|k| {
                        let wanted = (omega * (k * factor) as f64 + 0.3).sin();
                        (f64::from(out[k]).abs(), (f64::from(out[k]) - wanted).abs())
                    })
                    .fold((0.0f64, 0.0f64), |m, v| (m.0.max(v.0), m.1.max(v.1)))
            };
            for cycles in [0.0, 0.01, 0.13, WHOLE_TO] {
                // 0.1 dB.
                assert!(peak(cycles).1 < 0.0116, "{factor} {cycles} {:?}", peak(cycles));
            }
            if factor > 1 {
                for cycles in [1.0 - WHOLE_TO, 0.5 * factor as f64 - 1e-3] {
                    // Blackman: 74 dB, and single precision.
                    assert!(cycles < 1.0 - WHOLE_TO || peak(cycles).0 < 4e-4, "{factor} {cycles}");
                }
            }
        }
        assert!(decimate(&[], 4).is_empty());
        assert_eq!(decimate(&[1.0], 7).len(), 1);
    }
}
