//! From the recording to impulse responses.

use std::f64::consts::{FRAC_PI_4, TAU};

use realfft::num_complex::Complex;

use super::{Sweep, begin, mains};
use crate::measure::plans::fast_length;
use crate::measure::{Cut, MeasureError, Plans};

/// Nothing above this is read: 20 kHz and the room that a window needs.
const BAND_HZ: f64 = 23_500.0;
/// Begin of the soft edge at the band's end, as a part of it. A hard edge would ring.
const EDGE: f64 = 0.92;

/// From this part of the transform's length on the way back takes the same one, whose plan is there already.
const SAME_LENGTH: f64 = 0.9;

/// The first bins are turned by sine and cosine of each, …
const EXACT_BINS: usize = 4096;
/// … the others in blocks, inside which the phase is taken for a cubic: what is left out, 2π L' Δf/k³ · n⁴/12,
/// is under 1e-7 rad for n = 16 from there on. (The error repeats from block to block, so it makes an echo: 1e-5 of
/// the fundamental would already show in H4.)
const BLOCK: usize = 16;

/// Impulse responses of a sweep, all orders in one periodic signal; times by the recorder's clock.
pub(super) struct Impulses {
    /// Order n begins at `−growth_seconds · ln n`, wrapped. Its DFT is output peak over input peak.
    pub samples: Vec<f64>,
    /// Samples a second (of the recorder) of `samples`; not the recording's rate.
    pub rate_hz: f64,
    /// The sweep's e-fold time, as the recorder saw it.
    pub growth_seconds: f64,
    /// See [`Cut::ratio`].
    pub ratio: f64,
    /// Nothing above this frequency (recorder's) is in `samples`.
    pub band_hz: f64,
    /// The mains lines that were taken out.
    pub removed: Option<mains::Removed>,
}

/// Divides the recording's spectrum by the sweep's (methods §5.1), takes the mains out, transforms back.
pub(super) fn deconvolve(
    cut: &Cut<'_>,
    sweep: &Sweep,
    mains_hz: Option<f64>,
    plans: &mut Plans,
) -> Result<Impulses, MeasureError> {
    let ok = |v: f64| v.is_finite() && v > 0.0;
    if !ok(cut.rate_hz) || !ok(cut.ratio) || !cut.start_seconds.is_finite() {
        return Err(MeasureError::Parameters("the recording's rate or time map is impossible"));
    }
    // The fade-in's first tenth of a second may be missing: it lies at 10 Hz.
    let held = cut.start_seconds + cut.seconds();
    if cut.start_seconds > 0.1 || held < sweep.seconds() {
        let held_seconds = (held - cut.start_seconds.max(0.0)).max(0.0);
        return Err(MeasureError::TooShort { held_seconds, needed_seconds: sweep.seconds() });
    }
    if cut.samples.iter().any(|v| !v.is_finite()) {
        return Err(MeasureError::NotFinite);
    }
    if cut.samples.iter().all(|&v| v == 0.0) {
        return Err(MeasureError::Silent);
    }

    let length = fast_length(cut.samples.len());
    // A constant that begins and ends with the cut would be heard at the lowest frequencies.
    let mean = cut.samples.iter().map(|&v| f64::from(v)).sum::<f64>() / cut.samples.len() as f64;
    let mut padded: Vec<f64> = Vec::with_capacity(length);
    padded.extend(cut.samples.iter().map(|&v| f64::from(v) - mean));
    padded.resize(length, 0.0);
    let mut bins = plans.transform(&mut padded);
    // At 192 kHz these two are what the analysis of a take needs most memory for.
    drop(padded);

    let bin_hz = cut.rate_hz / length as f64;
    let band_hz = BAND_HZ.min(cut.rate_hz / 2.0);
    bins.truncate((band_hz / bin_hz) as usize + 1);
    // Bins above the band are empty, so fewer samples hold the same signal at high sample rates.
    let fewer = fast_length(2 * bins.len());
    let out_length = if fewer as f64 > SAME_LENGTH * length as f64 { length } else { fewer };
    bins.shrink_to(out_length / 2 + 1);
    let inverse = Inverse::of(bin_hz, band_hz, cut, sweep);
    inverse.apply(&mut bins);
    begin::correct(&mut bins, bin_hz, cut, sweep, |k| inverse.at(k), plans);

    let growth_seconds = sweep.growth_seconds / cut.ratio;
    let held_seconds = cut.samples.len() as f64 / cut.rate_hz;
    let removed = mains_hz
        .filter(|hz| (40.0..=70.0).contains(hz))
        .map(|mains_hz| mains::remove(&mut bins, bin_hz, growth_seconds, mains_hz, held_seconds, plans));

    let samples = plans.signal(bins, out_length);
    let rate_hz = bin_hz * out_length as f64;
    Ok(Impulses { samples, rate_hz, growth_seconds, ratio: cut.ratio, band_hz, removed })
}

/// H(f) = Y(f) · 2 √(f/L') · exp{−j2πf[L'(1 − ln(f/f1')) + t0 − ts] + jπ/4} / a  (methods §5.1), where
/// Y is the DFT over the sample rate.
struct Inverse {
    bin_hz: f64,
    growth: f64,
    start_hz: f64,
    /// t0 − ts: the cut's begin re the sweep's begin, by the recorder's clock.
    offset_seconds: f64,
    band_hz: f64,
    scale: f64,
}

impl Inverse {
    fn of(bin_hz: f64, band_hz: f64, cut: &Cut<'_>, sweep: &Sweep) -> Self {
        let growth = sweep.growth_seconds / cut.ratio;
        Self {
            bin_hz,
            growth,
            start_hz: sweep.start_hz * cut.ratio,
            offset_seconds: cut.start_seconds / cut.ratio,
            band_hz,
            scale: 2.0 / (sweep.peak * cut.rate_hz * growth.sqrt()),
        }
    }

    fn phase(&self, k: usize) -> f64 {
        let f = self.bin_hz * k as f64;
        let cycles = f * (self.growth * (1.0 - (f / self.start_hz).ln()) + self.offset_seconds);
        // Whole turns are taken off first: sin_cos is slow and less exact far from zero.
        -TAU * (cycles - cycles.round()) + FRAC_PI_4
    }

    fn size(&self, k: usize) -> f64 {
        let f = self.bin_hz * k as f64;
        let edge_hz = EDGE * self.band_hz;
        let edge = if f > edge_hz {
            0.5 + 0.5 * (std::f64::consts::PI * (f - edge_hz) / (self.band_hz - edge_hz)).cos()
        } else {
            1.0
        };
        self.scale * f.sqrt() * edge
    }

    /// The factor of one bin.
    fn at(&self, k: usize) -> Complex<f64> {
        Complex::from_polar(self.size(k), self.phase(k))
    }

    fn apply(&self, bins: &mut [Complex<f64>]) {
        if let Some(dc) = bins.first_mut() {
            *dc = Complex::new(0.0, 0.0);
        }
        let exact_to = EXACT_BINS.min(bins.len());
        for (k, bin) in bins.iter_mut().enumerate().take(exact_to).skip(1) {
            *bin *= self.at(k);
        }
        for first in (exact_to..bins.len()).step_by(BLOCK) {
            let f = self.bin_hz * first as f64;
            // Slope and bend of the phase over bins: φ' = 2π(L' ln(f/f1') − (t0 − ts)) Δf, φ'' = 2π L' Δf / k,
            // φ''' = −φ''/k.
            let bend = TAU * self.growth * self.bin_hz / first as f64;
            let third = -bend / first as f64;
            let slope = TAU * (self.growth * (f / self.start_hz).ln() - self.offset_seconds) * self.bin_hz
                + 0.5 * bend
                + third / 6.0;
            let mut turn = Complex::cis(slope - TAU * (slope / TAU).round());
            let mut more = Complex::cis(bend + third);
            let less = Complex::cis(third);
            let mut phasor = Complex::cis(self.phase(first));
            for (k, bin) in bins.iter_mut().enumerate().skip(first).take(BLOCK) {
                *bin *= phasor * self.size(k);
                phasor *= turn;
                turn *= more;
                more *= less;
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// A number of `sweep_example.csv`; the formulas and their sources stand in it.
    fn example(name: &str) -> f64 {
        let table = include_str!("../../../tests/reference/sweep_example.csv");
        let row = table.lines().find(|l| l.split(',').next() == Some(name)).unwrap();
        row.split(',').nth(1).unwrap().parse().unwrap()
    }

    #[test]
    fn the_closed_form_is_that_of_the_worked_example() {
        let (start_hz, end_hz, rate_hz) = (20.0, 20_000.0, 48_000.0);
        let growth_seconds = example("L_rounded_s");
        let sweep = Sweep {
            start_hz,
            end_hz,
            growth_seconds,
            full_from_hz: start_hz,
            full_until_hz: end_hz,
            peak: 1.0,
        };
        // Numbers are printed to twelve digits and more.
        let same = |what: &str, found: f64| {
            let expected = example(what);
            assert!((found / expected - 1.0).abs() < 1e-9, "{what}: {found}, {expected}");
        };
        same("T_hat_s", sweep.seconds());
        same("T_hat_samples", sweep.seconds() * rate_hz);
        same("octave_time_s", Sweep { end_hz: 40.0, ..sweep }.seconds());
        same("decade_time_s", Sweep { end_hz: 200.0, ..sweep }.seconds());
        for hz in [100.0, 1000.0, 10_000.0, 20_000.0] {
            same(&format!("t_at_{hz:.0}Hz_s"), Sweep { end_hz: hz, ..sweep }.seconds());
        }
        let advance = |n: usize| -super::super::response::begin_seconds(n, growth_seconds);
        for n in 2..=10 {
            same(&format!("advance_H{n}_s"), advance(n));
            same(&format!("advance_H{n}_samples_48k"), advance(n) * rate_hz);
        }
        for n in 1..=9 {
            same(&format!("gap_H{n}_to_H{}_s", n + 1), advance(n + 1) - advance(n));
        }

        // Bins of 10 Hz. What a bin is multiplied with is one over the sweep's spectrum, its DFT over the rate.
        let cut = Cut { samples: &[], rate_hz, ratio: 1.0, start_seconds: 0.0 };
        let inverse = Inverse::of(10.0, BAND_HZ, &cut, &sweep);
        let mut bins = vec![Complex::new(1.0, 0.0); 2001];
        inverse.apply(&mut bins);
        for (k, hz) in [(10, 100), (100, 1000), (1000, 10_000)] {
            let spectrum = (inverse.at(k) * rate_hz).inv();
            same(&format!("absX_{hz}Hz_s"), spectrum.norm());
            let angle = example(&format!("argX_{hz}Hz_rad"));
            let off = (spectrum / Complex::cis(angle)).arg();
            // Printed to ten digits; an angle of 7e4 turns is known to 1e-11.
            assert!(off.abs() < 2e-9, "{hz} Hz: {off}");
            assert!((bins[k] / inverse.at(k) - 1.0).norm() < 1e-7, "{hz} Hz in blocks");
        }
    }
}
