//! One recording in two files: trimmed, exported anew, at another gain. Its SHA-256 is another then, its noise is not.

use crate::figure::Curve;

/// Bands that are compared. Below, a band holds too few bins and mains lines; above, another export's filter may begin.
const BANDS_HZ: [f64; 2] = [500.0, 10_000.0];
/// Fewest bands that tell anything: a third of the 207 there are.
const FEWEST: usize = 69;
/// Half of the bands agree within this, dB.
///
/// A band's level out of `B` Hz in `T` s has a standard deviation of 4.34/√(BT) dB (the relative one of a chi-square
/// of 2BT degrees of freedom is 1/√(BT)). With bands of 1/48 octave and the 4 s that are measured at most, two
/// recordings differ by 1.2 dB at 500 Hz and by 0.26 dB at 10 kHz, so three in ten bands at most lie within 0.1 dB
/// by chance, and never half of 69. A copy differs by the rounding of its samples alone.
const WITHIN_DB: f64 = 0.1;

/// Whether two noise spectra (`frequency`, `noise` in decibels) are of the same seconds. A difference of level that
/// all bands share is left aside. `false` where nothing can be said.
#[must_use]
pub(super) fn is_one_recording(a: &Curve, b: &Curve) -> bool {
    let (a, b) = (bands(a), bands(b));
    let same_bands = a.len() == b.len() && a.iter().zip(&b).all(|(a, b)| (a.0 / b.0 - 1.0).abs() < 1e-9);
    if !same_bands || a.len() < FEWEST {
        return false;
    }
    let mut apart: Vec<f64> = a.iter().zip(&b).map(|(a, b)| b.1 - a.1).collect();
    let Some(shared) = median(&mut apart) else { return false };
    let mut rest: Vec<f64> = apart.iter().map(|d| (d - shared).abs()).collect();
    median(&mut rest).is_some_and(|typical| typical <= WITHIN_DB)
}

fn bands(noise: &Curve) -> Vec<(f64, f64)> {
    let inside = |(hz, db): &(f64, f64)| (BANDS_HZ[0]..=BANDS_HZ[1]).contains(hz) && db.is_finite();
    noise.points("frequency", "noise").into_iter().filter(inside).collect()
}

fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{RngCore, SeedableRng};

    use super::*;
    use crate::measure::{Cut, Plans, quiet};
    use crate::takes::Scale;

    const RATE_HZ: f64 = 48_000.0;

    /// Hiss that falls by 6 dB an octave over 3 kHz, with mains hum of one phase: seconds of a bench at rest.
    fn hiss(seed: u64, seconds: f64) -> Vec<f32> {
        let mut lot = ChaCha8Rng::seed_from_u64(seed);
        let mut slow = 0.0;
        (0..(seconds * RATE_HZ) as usize)
            .map(|n| {
                slow += 0.33 * (f64::from(lot.next_u32()) / 4_294_967_296.0 - 0.5 - slow);
                let hum = (std::f64::consts::TAU * 100.0 * n as f64 / RATE_HZ).sin();
                (1e-3 * slow + 2e-4 * hum) as f32
            })
            .collect()
    }

    fn spectrum(samples: &[f32]) -> Curve {
        let cut = Cut { samples, rate_hz: RATE_HZ, ratio: 1.0, start_seconds: 0.0 };
        let quiet = quiet::measure(&cut, 50.0, &mut Plans::default()).unwrap();
        quiet::noise_curve(&quiet, &Scale::default())
    }

    #[test]
    fn a_copy_is_known_however_it_was_written_anew() {
        for seconds in [1.0, 4.0] {
            let own = hiss(1, seconds + 0.01);
            let length = own.len() - 480;
            let first = spectrum(&own[..length]);
            // A frame late, which is more than markers err by; half as loud; in 16 bits without dither.
            let late = &own[1..=length];
            let softer: Vec<f32> = own[..length].iter().map(|x| 0.5 * x).collect();
            let coarse: Vec<f32> = own[..length].iter().map(|x| (x * 32_768.0).round() / 32_768.0).collect();
            for copy in [late, &softer, &coarse] {
                assert!(is_one_recording(&first, &spectrum(copy)), "{seconds} s");
            }
        }
    }

    #[test]
    fn another_recording_of_the_same_bench_is_no_copy() {
        for seconds in [1.0, 4.0] {
            let first = spectrum(&hiss(1, seconds));
            for seed in 2..12 {
                assert!(!is_one_recording(&first, &spectrum(&hiss(seed, seconds))), "{seed}");
            }
        }
        let empty = Curve::default();
        assert!(!is_one_recording(&empty, &empty));
    }
}
