//! A plain recording, without markers: a steady tone or two tones made with any
//! generator. The tones are found, nothing is taken for granted.

use std::f64::consts::TAU;
use std::ops::Range;

use realfft::num_complex::Complex;

use super::plans::{Plans, fast_length};
use super::tone::{self, Tone};
use super::{Cut, fit};
use crate::finding::{Finding, Severity};

/// What a plain recording turned out to hold.
#[derive(Debug, Clone)]
pub enum Plain {
    /// One steady tone.
    Tone(Tone),
    /// Two steady tones, the lower first, in radians per sample.
    TwoTones([f64; 2]),
    /// No tone stands out.
    None,
}

/// Lowest frequency of a tone that is looked for.
const LOWEST_HZ: f64 = 15.0;
/// Of a long recording this much is used.
const LONGEST_SECONDS: f64 = 10.0;
/// The second tone of a pair is at most this far under the first.
const SECOND_DB: f64 = -30.0;
/// A tone must hold this much of the power in the band, harmonics included.
const LEAST_SHARE: f64 = 0.5;

/// The part of a recording where its level holds steady: the longest run of 25 ms pieces within
/// 0.5 dB of the loudest part's typical level, without its first and last piece. All of it if there is no such run.
#[must_use]
pub fn steady(samples: &[f32], rate_hz: f64) -> &[f32] {
    samples.get(steady_range(samples, rate_hz)).unwrap_or(samples)
}

/// Where [`steady`] lies.
#[must_use]
pub fn steady_range(samples: &[f32], rate_hz: f64) -> Range<usize> {
    let all = 0..samples.len();
    let piece = ((rate_hz * 0.025) as usize).max(1);
    let levels: Vec<f64> = samples.chunks_exact(piece).map(mean_square).collect();
    let mut sorted: Vec<f64> = levels.iter().copied().filter(|&l| l > 0.0).collect();
    if sorted.len() < 8 {
        return all;
    }
    sorted.sort_by(f64::total_cmp);
    // Whatever share of the file is silence, the louder half of what is not tells the tone's level.
    let loudest = sorted[sorted.len() - 1];
    let loud: Vec<f64> = sorted.into_iter().filter(|&l| l > loudest * 0.1).collect();
    let typical = loud[loud.len() / 2];
    let within = |l: &f64| (l / typical).log10().abs() * 10.0 < 0.5;
    let mut best = 0..0;
    let mut start = 0;
    for (k, level) in levels.iter().chain(std::iter::once(&f64::NAN)).enumerate() {
        if !within(level) {
            if k - start > best.len() {
                best = start..k;
            }
            start = k + 1;
        }
    }
    let edges = usize::from(best.len() < levels.len() && best.len() > 4);
    let best = best.start + edges..best.end - edges;
    if best.len() * piece < samples.len() / 10 || best.len() < 4 {
        return all;
    }
    best.start * piece..best.end * piece
}

fn mean_square(samples: &[f32]) -> f64 {
    samples.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / samples.len().max(1) as f64
}

/// The middle of a recording that is longer than is used.
#[must_use]
pub fn middle(samples: &[f32], rate_hz: f64) -> &[f32] {
    let longest = (LONGEST_SECONDS * rate_hz) as usize;
    let first = samples.len().saturating_sub(longest) / 2;
    &samples[first..samples.len().min(first + longest)]
}

/// Finds and measures what a plain recording holds.
#[must_use]
pub fn measure(samples: &[f32], rate_hz: f64, plans: &mut Plans) -> Plain {
    let samples = middle(steady(samples, rate_hz), rate_hz);
    let Some(spectrum) = Spectrum::of(samples, plans) else { return Plain::None };
    let low = TAU * LOWEST_HZ / rate_hz;
    let high = TAU * tone::HIGHEST_RATE;
    let Some(first) = spectrum.peak(low, high, &|_| true) else { return Plain::None };
    let Some(first_omega) = fit::refine(samples, first.omega, plans) else { return Plain::None };

    let limit = first.power * 10f64.powf(SECOND_DB / 10.0);
    let apart = 6.0 * TAU / samples.len() as f64;
    let second = spectrum.peak(low, high, &|omega| !belongs(omega, first_omega, apart, &spectrum));
    if let Some(second) = second.filter(|s| s.power > limit)
        && let Some(pair) = refine_pair(samples, [first_omega, second.omega], plans)
        && let Some(share) = share(samples, &pair, plans)
    {
        // Noise and music have a second strongest line as well; it does not carry them.
        return if share > LEAST_SHARE { Plain::TwoTones(pair) } else { Plain::None };
    }
    let Some(tone) = tone::measure(samples, first_omega, rate_hz, plans) else { return Plain::None };
    let explained = tone.mean_square();
    let clear = tone.peak() > 10.0 * tone.noise.first().copied().unwrap_or(0.0);
    if clear && explained > LEAST_SHARE * (explained + tone.rest_mean_square) {
        Plain::Tone(tone)
    } else {
        Plain::None
    }
}

/// Mains wanders so far from its nominal frequency; a generator's tone does not.
const MAINS_WANDERS: f64 = 0.005;
/// Clocks of player and recorder differ by this at most, as a rule of their quartzes (50 ppm each).
const QUARTZ: f64 = 1e-4;

/// A tone at the mains' frequency: hum, unless it was meant (60 Hz stands in a textbook's pair of tones).
#[must_use]
pub fn may_be_hum(frequency_hz: f64) -> Option<Finding> {
    let mains_hz = [50.0, 60.0].into_iter().find(|hz| (frequency_hz / hz - 1.0).abs() < MAINS_WANDERS)?;
    let exact = (frequency_hz / mains_hz - 1.0).abs() < QUARTZ;
    Some(Finding::new(
        "tone_may_be_hum",
        if exact { Severity::Note } else { Severity::Limit },
        format!("a tone at {frequency_hz:.2} Hz is taken as played, and mains hum lies there too"),
        "if it is hum, the figures are not the amp's",
        "if no such tone was played, the signal did not arrive: check cable, channel and level",
    ))
}

/// Is `omega` a harmonic of `first` that a lone distorted tone would have? High ones that tower over
/// their neighbours of the same parity are a tone of their own (70 Hz and 7 kHz).
fn belongs(omega: f64, first: f64, apart: f64, spectrum: &Spectrum) -> bool {
    let order = (omega / first).round();
    if order < 1.0 {
        // Below the first: nothing of a lone tone is there.
        return omega < apart;
    }
    if (omega - order * first).abs() > apart {
        return false;
    }
    if order < 9.5 {
        return true;
    }
    let here = spectrum.near(omega, apart / 2.0);
    let beside = spectrum.near(omega - 2.0 * first, apart).max(spectrum.near(omega + 2.0 * first, apart));
    here < 10.0 * beside
}

/// Share of the power that steady lines at these frequencies hold.
fn share(samples: &[f32], omegas: &[f64], plans: &mut Plans) -> Option<f64> {
    let fitted = fit::fit(samples, omegas, plans)?;
    let lines: f64 = fitted.lines.iter().map(|line| line.norm_sqr() / 2.0).sum();
    let power = mean_square(samples) - fitted.dc * fitted.dc;
    (power > 0.0).then_some(lines / power)
}

/// Both frequencies refined in turn, each with the other taken out.
fn refine_pair(samples: &[f32], start: [f64; 2], plans: &mut Plans) -> Option<[f64; 2]> {
    let mut pair = start;
    for _ in 0..6 {
        for k in 0..2 {
            let fit = fit::fit(samples, &pair, plans)?;
            let mut rest: Vec<f64> = samples.iter().map(|&x| f64::from(x)).collect();
            fit::subtract(&mut rest, &[pair[1 - k]], &[fit.lines[1 - k]]);
            let rest: Vec<f32> = rest.into_iter().map(|x| x as f32).collect();
            pair[k] = fit::refine(&rest, pair[k], plans)?;
        }
    }
    pair.sort_by(f64::total_cmp);
    Some(pair)
}

/// Hann power spectrum of a stretch, finely spaced.
struct Spectrum {
    power: Vec<f64>,
    per_radian: f64,
}

struct Peak {
    omega: f64,
    power: f64,
}

impl Spectrum {
    fn of(samples: &[f32], plans: &mut Plans) -> Option<Self> {
        if samples.len() < 64 {
            return None;
        }
        let window = plans.hann(samples.len());
        let mean = samples.iter().map(|&x| f64::from(x)).sum::<f64>() / samples.len() as f64;
        let mut weighted: Vec<f64> =
            samples.iter().zip(window.iter()).map(|(&x, w)| (f64::from(x) - mean) * w).collect();
        let padded = fast_length(2 * samples.len());
        weighted.resize(padded, 0.0);
        let power: Vec<f64> = plans.transform(&mut weighted).iter().map(Complex::norm_sqr).collect();
        Some(Self { power, per_radian: padded as f64 / TAU })
    }

    /// The strongest local maximum in a band that `allowed` lets pass, interpolated.
    fn peak(&self, low: f64, high: f64, allowed: &dyn Fn(f64) -> bool) -> Option<Peak> {
        let first = ((low * self.per_radian) as usize).max(1);
        let end = ((high * self.per_radian) as usize).min(self.power.len().saturating_sub(1));
        let best = (first..end)
            .filter(|&k| self.power[k] > self.power[k - 1] && self.power[k] >= self.power[k + 1])
            .filter(|&k| allowed(k as f64 / self.per_radian))
            .max_by(|&a, &b| self.power[a].total_cmp(&self.power[b]))?;
        if self.power[best] <= 0.0 {
            return None;
        }
        let log = |k: usize| self.power[k].max(f64::MIN_POSITIVE).ln();
        let (before, here, after) = (log(best - 1), log(best), log(best + 1));
        let bend = before - 2.0 * here + after;
        let lean = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        Some(Peak { omega: (best as f64 + lean) / self.per_radian, power: self.power[best] })
    }

    /// Largest power within `slack` of a frequency.
    fn near(&self, omega: f64, slack: f64) -> f64 {
        let first = (((omega - slack) * self.per_radian).max(0.0)) as usize;
        let end = ((((omega + slack) * self.per_radian).max(0.0)) as usize + 2).min(self.power.len());
        self.power.get(first.min(end)..end).unwrap_or_default().iter().copied().fold(0.0, f64::max)
    }
}

/// The whole recording as a cut: its own clock, its own begin.
#[must_use]
pub fn cut(samples: &[f32], rate_hz: f64) -> Cut<'_> {
    Cut { samples, rate_hz, ratio: 1.0, start_seconds: 0.0 }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_at_the_mains_is_named() {
        for hz in [49.95, 50.1, 59.93] {
            assert_eq!(may_be_hum(hz).unwrap().severity, Severity::Limit, "{hz}");
        }
        // The textbook's 60 Hz, by two clocks.
        assert_eq!(may_be_hum(60.002).unwrap().severity, Severity::Note);
        for hz in [41.2, 55.0, 61.0, 82.4, 100.0, 1010.0] {
            assert!(may_be_hum(hz).is_none(), "{hz}");
        }
    }
}
