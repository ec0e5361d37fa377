//! The sweep's begin, where its closed form is not the truth.
//!
//! The closed form (methods §5.1) is that of a sweep without begin; a real one starts at a frequency, and fades in.
//! Near the start its spectrum ripples by per cent. There the recording is divided by the spectrum of what was
//! really played, made again at the recorder's instants, and the band is ended softly, so that its end rings short.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use super::Sweep;
use crate::measure::plans::fast_length;
use crate::measure::{Cut, Plans};

/// The band begins at this part of the sweep's first frequency: below, next to nothing was played.
const FROM: f64 = 0.8;
/// It is whole from this multiple of it.
const WHOLE: f64 = 2.0;
/// The correction fades out between these multiples: by there both spectra agree within 1e-4.
const FADES_OUT: [f64; 2] = [10.0, 20.0];
/// The sweep is made again up to the first, fading out to the second: far from where it is looked at.
const MADE_TO: [f64; 2] = [50.0, 100.0];
/// Less than this part of the closed form is not divided by.
const LEAST: f64 = 1e-3;

/// Turns bins that were divided by the closed form (`inverse` gives it, bin by bin, for a DFT over `cut`'s rate)
/// into bins divided by the sweep itself, up to twenty times the frequency at which it begins.
pub(super) fn correct(
    bins: &mut [Complex<f64>],
    bin_hz: f64,
    cut: &Cut<'_>,
    sweep: &Sweep,
    inverse: impl Fn(usize) -> Complex<f64>,
    plans: &mut Plans,
) {
    let start_hz = sweep.start_hz * cut.ratio;
    let last = bins.len().min((FADES_OUT[1] * start_hz / bin_hz) as usize + 1);
    let Some(played) = spectrum(bin_hz, last, cut, sweep, plans) else { return };
    let whole_hz = (WHOLE * start_hz).min(super::response::BAND_HZ[0].max(sweep.full_from_hz) * cut.ratio);
    for (k, (bin, played)) in bins.iter_mut().zip(played).enumerate().take(last).skip(1) {
        let f = bin_hz * k as f64;
        let share = 1.0 - soft(f, FADES_OUT.map(|m| m * start_hz));
        let of_closed_form = played * inverse(k);
        if of_closed_form.norm() < LEAST || f <= FROM * start_hz {
            *bin = Complex::new(0.0, 0.0);
            continue;
        }
        let correction = of_closed_form.inv() * share + (1.0 - share);
        *bin *= correction * soft(f, [FROM * start_hz, whole_hz]);
    }
}

/// The first `count` bins of the sweep's own spectrum, scaled as a DFT at the cut's rate is. `None` if there is no
/// such sweep.
fn spectrum(
    bin_hz: f64,
    count: usize,
    cut: &Cut<'_>,
    sweep: &Sweep,
    plans: &mut Plans,
) -> Option<Vec<Complex<f64>>> {
    let [full, gone] = MADE_TO.map(|m| (m * sweep.start_hz).min(sweep.end_hz));
    // A rate whose transform has the same bins.
    let length = fast_length((4.0 * gone * cut.ratio / bin_hz) as usize + 2);
    let rate_hz = bin_hz * length as f64;
    let step = cut.ratio / rate_hz;
    let held = ((cut.seconds() * rate_hz) as usize).min(length);
    let mut samples = vec![0.0; length];
    for (n, sample) in samples.iter_mut().enumerate().take(held) {
        let t = cut.start_seconds + step * n as f64;
        *sample =
            value(sweep, t) * (1.0 - soft(sweep.start_hz * (t / sweep.growth_seconds).exp(), [full, gone]));
    }
    let mut bins = plans.transform(&mut samples);
    let scale = cut.rate_hz / rate_hz;
    bins.iter_mut().for_each(|b| *b *= scale);
    (bins.len() >= count).then_some(bins)
}

/// The sweep as it is played (`signals::render`), `t` from its begin by the player's clock.
fn value(sweep: &Sweep, t: f64) -> f64 {
    let time_of = |hz: f64| sweep.growth_seconds * (hz / sweep.start_hz).ln();
    let length = sweep.seconds();
    if !(0.0..length).contains(&t) {
        return 0.0;
    }
    let fade = |t: f64, whole: f64| if whole > 0.0 { half_cosine(t / whole) } else { 1.0 };
    let level =
        fade(t, time_of(sweep.full_from_hz)) * fade(length - t, length - time_of(sweep.full_until_hz));
    let phase = TAU * sweep.start_hz * sweep.growth_seconds * (t / sweep.growth_seconds).exp();
    sweep.peak * level * phase.sin()
}

/// From 0 at the first frequency to 1 at the second, half a cosine over the logarithm of frequency.
fn soft(frequency_hz: f64, [from, to]: [f64; 2]) -> f64 {
    if frequency_hz >= to {
        return 1.0;
    }
    half_cosine((frequency_hz / from).ln() / (to / from).ln())
}

fn half_cosine(x: f64) -> f64 {
    // Most of what is asked for lies beyond, where a cosine would be waste.
    if x >= 1.0 {
        return 1.0;
    }
    0.5 - 0.5 * (PI * x.max(0.0)).cos()
}
