//! Lines of known frequency in a stretch of samples: Hann-weighted least
//! squares (methods §3.2). It is neither a sum of FFT bins nor a resampling,
//! and it needs no whole number of cycles.
//!
//! The normal equations need only the correlation with each line, taken by
//! recurrence, and sums of `w·exp(jωn)`, which have a closed form.

mod normal;

use std::f64::consts::{LN_2, PI, TAU};
use std::sync::Arc;

use realfft::num_complex::Complex;

pub use normal::Normal;
use normal::hann_sum;

use super::plans::{Plans, fast_length};

/// What a stretch of samples holds at the given frequencies, and what is left.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Constant part, in sample units.
    pub dc: f64,
    /// Its standard deviation from noise.
    pub dc_sd: f64,
    /// Peak amplitude and phase of each line: `Re(c · exp(jωn))`, n from the first sample.
    pub lines: Vec<Complex<f64>>,
    /// RMS magnitude of the noise in each of `lines`, from the residual round it.
    pub noise: Vec<f64>,
    /// What the lines do not explain.
    pub residual: Residual,
}

/// Hann-weighted spectrum of what a fit leaves.
#[derive(Debug, Clone)]
pub struct Residual {
    /// Squared peak amplitude that each bin would mean for a lone sine.
    power: Vec<f64>,
    /// Bins for a radian per sample.
    bins_per_radian: f64,
    /// Mean square that a sum of `power` over bins stands for.
    mean_square_per_power: f64,
    /// Width in radians per sample of one over the window's length.
    resolution: f64,
}

/// Distance from a line, in 1/T, at which the noise beside it is read: outside
/// Hann's main lobe, near enough to be the same noise (methods §3.2).
const BESIDE: (f64, f64) = (4.0, 10.0);

impl Residual {
    /// RMS magnitude of the noise in a line at `omega`: median of the bins beside it
    /// (methods §3.2; for complex Gaussian noise the mean power is the median over ln 2).
    #[must_use]
    pub fn noise_at(&self, omega: f64) -> f64 {
        let (near, far) = (BESIDE.0 * self.resolution, BESIDE.1 * self.resolution);
        let mut beside: Vec<f64> = Vec::with_capacity(64);
        beside.extend_from_slice(self.bins(omega - far, omega - near));
        beside.extend_from_slice(self.bins(omega + near, omega + far));
        if beside.is_empty() {
            return 0.0;
        }
        let middle = beside.len() / 2;
        let (_, median, _) = beside.select_nth_unstable_by(middle, f64::total_cmp);
        (*median / LN_2).sqrt()
    }

    /// Mean square of the residual between two frequencies in radians per sample.
    #[must_use]
    pub fn mean_square(&self, low_omega: f64, high_omega: f64) -> f64 {
        self.bins(low_omega, high_omega).iter().sum::<f64>() * self.mean_square_per_power
    }

    fn bins(&self, low_omega: f64, high_omega: f64) -> &[f64] {
        let end =
            ((high_omega * self.bins_per_radian).floor() + 1.0).clamp(0.0, self.power.len() as f64) as usize;
        let first = ((low_omega * self.bins_per_radian).ceil().max(1.0) as usize).min(end);
        &self.power[first..end]
    }
}

/// Fits a constant and lines at `omegas` (radians per sample, apart from each other by more than
/// about two over the length, between 0 and π) to `samples`.
///
/// `None` if there are too few samples for so many lines.
#[must_use]
pub fn fit(samples: &[f32], omegas: &[f64], plans: &mut Plans) -> Option<Fit> {
    let (window, rest, dc, lines) = lines_and_rest(samples, omegas, plans)?;
    Some(finish(rest, &window, omegas, dc, lines, plans))
}

/// The same, and the samples less constant and lines.
#[must_use]
pub fn fit_and_rest(samples: &[f32], omegas: &[f64], plans: &mut Plans) -> Option<(Fit, Vec<f64>)> {
    let (window, rest, dc, lines) = lines_and_rest(samples, omegas, plans)?;
    Some((finish(rest.clone(), &window, omegas, dc, lines, plans), rest))
}

/// Window, samples less constant and lines, constant, lines.
type Parts = (Arc<[f64]>, Vec<f64>, f64, Vec<Complex<f64>>);

fn lines_and_rest(samples: &[f32], omegas: &[f64], plans: &mut Plans) -> Option<Parts> {
    let length = samples.len();
    if length < 4 * (omegas.len() + 1) || length < 16 {
        return None;
    }
    let window = plans.hann(length);
    let weighted: Vec<f64> = samples.iter().zip(window.iter()).map(|(&x, &w)| f64::from(x) * w).collect();
    let normal = plans.normal(length, omegas)?;
    let (dc, lines) = normal.solve(weighted.iter().sum(), &correlate(&weighted, omegas));

    let mut rest = less_constant(samples, dc);
    subtract(&mut rest, omegas, &lines);
    Some((window, rest, dc, lines))
}

/// With room for the zeros that its transform needs.
fn less_constant(samples: &[f32], dc: f64) -> Vec<f64> {
    let mut rest = Vec::with_capacity(fast_length(samples.len()));
    rest.extend(samples.iter().map(|&x| f64::from(x) - dc));
    rest
}

/// Noise from what is left of the samples.
fn finish(
    mut rest: Vec<f64>,
    window: &[f64],
    omegas: &[f64],
    dc: f64,
    lines: Vec<Complex<f64>>,
    plans: &mut Plans,
) -> Fit {
    for (e, &w) in rest.iter_mut().zip(window) {
        *e *= w;
    }
    let residual = spectrum(rest, plans);
    let noise = omegas.iter().map(|&omega| residual.noise_at(omega)).collect();
    // A constant under Hann's window: variance 1.5σ²/N, where a line's complex noise has 6σ²/N (methods §3.2).
    let dc_sd = residual.noise_at(0.0) / 2.0;
    Fit { dc, dc_sd, lines, noise, residual }
}

/// From this many harmonics on the series is taken as a whole.
const MANY: usize = 32;

/// Fits a constant and `count` harmonics of `omega`: the same as [`fit`] at its multiples, but quick for many.
///
/// `None` if there are too few samples for so many harmonics.
#[must_use]
pub fn fit_series(samples: &[f32], omega: f64, count: usize, plans: &mut Plans) -> Option<Fit> {
    let omegas: Vec<f64> = (1..=count).map(|k| omega * k as f64).collect();
    let length = samples.len();
    if count < MANY || length < 4 * (count + 1) {
        return fit(samples, &omegas, plans);
    }
    let window = plans.hann(length);
    let weighted: Vec<f64> = samples.iter().zip(window.iter()).map(|(&x, &w)| f64::from(x) * w).collect();
    let series = plans.series(length, omega, count);
    let sums = series.sums(&weighted);
    let Some((dc, lines)) = solve_series(weighted.iter().sum(), &sums, omega, length) else {
        return fit(samples, &omegas, plans);
    };
    let mut rest = less_constant(samples, dc);
    series.subtract(&mut rest, &lines);
    Some(finish(rest, &window, &omegas, dc, lines, plans))
}

/// Solves the normal equations of a series. Harmonics several 1/T apart hardly touch each other, so a few
/// rounds of correction by the closed-form products do; `None` if they do not settle.
fn solve_series(
    sum: f64,
    sums: &[Complex<f64>],
    omega: f64,
    length: usize,
) -> Option<(f64, Vec<Complex<f64>>)> {
    let count = sums.len();
    // Everything depends on k − m and k + m only.
    let table: Vec<Complex<f64>> = (0..=2 * count).map(|k| hann_sum(omega * k as f64, length)).collect();
    let weight = table[0].re;
    let mut dc = 0.0;
    let mut lines = vec![Complex::default(); count];
    for _ in 0..40 {
        // What constant and lines would give as sums; Re(c·e^(jθ)) = (c·e^(jθ) + c̄·e^(−jθ))/2.
        let given = dc * weight
            + lines
                .iter()
                .enumerate()
                .map(|(m, c): (usize, &Complex<f64>)| (c * table[m + 1]).re)
                .sum::<f64>();
        let step_dc = (sum - given) / weight;
        let mut largest = step_dc.abs();
        let mut steps = Vec::with_capacity(count);
        for (k, wanted) in sums.iter().enumerate() {
            let mut given = table[k + 1].conj() * dc;
            for (m, c) in lines.iter().enumerate() {
                let apart = if m >= k { table[m - k] } else { table[k - m].conj() };
                given += (c * apart + c.conj() * table[k + m + 2].conj()) * 0.5;
            }
            let step = (wanted - given) * (2.0 / weight);
            largest = largest.max(step.norm());
            steps.push(step);
        }
        dc += step_dc;
        for (line, step) in lines.iter_mut().zip(&steps) {
            *line += step;
        }
        let size = lines.iter().map(|c| c.norm()).fold(dc.abs(), f64::max);
        if !largest.is_finite() {
            return None;
        }
        if largest <= size * 1e-14 {
            return Some((dc, lines));
        }
    }
    None
}

/// Samples that a recurrence runs over: keeps the recurrences' error near 1e-12 even at
/// the lowest frequencies.
const BLOCK: usize = 256;
/// Lines that go through the samples together: enough to hide the latency of the recurrence, few enough for
/// registers; and a tone of 1010 Hz has 19 under 20 kHz: two groups.
const LANES: usize = 10;

/// The same for every line of a group; places without a line hold 0.
fn lanes(values: &[f64], of: impl Fn(f64) -> f64) -> [f64; LANES] {
    std::array::from_fn(|k| values.get(k).map_or(0.0, |&v| of(v)))
}

/// exp(j·angle) for every line of a group; 1 where there is none.
fn turns(omegas: &[f64], angle: impl Fn(f64) -> f64) -> [Complex<f64>; LANES] {
    std::array::from_fn(|k| omegas.get(k).map_or(Complex::new(1.0, 0.0), |&omega| Complex::cis(angle(omega))))
}

/// `Σ x[n]·exp(−jωn)` for each of `omegas`, by the recurrence `s[n] = x[n] + 2cos ω·s[n−1] − s[n−2]` within blocks
/// (G. Goertzel, Amer. Math. Monthly 65(1) 1958, 34–35).
#[must_use]
pub fn correlate(x: &[f64], omegas: &[f64]) -> Vec<Complex<f64>> {
    let mut sums = Vec::with_capacity(omegas.len());
    for group in omegas.chunks(LANES) {
        let twice_cos = lanes(group, |omega| 2.0 * omega.cos());
        // Phases go from block to block by products: some thousand of them err by 1e-13 at most.
        let [back, over, last_turn] =
            [1.0, BLOCK as f64, (BLOCK - 1) as f64].map(|n| turns(group, |omega| -omega * n));
        let mut begin = [Complex::new(1.0, 0.0); LANES];
        let mut totals = [Complex::default(); LANES];
        for samples in x.chunks(BLOCK) {
            let (mut last, mut before) = ([0.0; LANES], [0.0; LANES]);
            for &value in samples {
                for k in 0..LANES {
                    let now = (value - before[k]) + twice_cos[k] * last[k];
                    before[k] = last[k];
                    last[k] = now;
                }
            }
            // s[B−1] − exp(−jω)·s[B−2] = Σ x[n]·exp(jω(B−1−n)).
            let end = if samples.len() == BLOCK {
                last_turn
            } else {
                turns(group, |omega| -omega * (samples.len() - 1) as f64)
            };
            for k in 0..LANES {
                let turned = Complex::from(last[k]) - back[k] * before[k];
                totals[k] += turned * begin[k] * end[k];
                begin[k] *= over[k];
            }
        }
        sums.extend_from_slice(&totals[..group.len()]);
    }
    sums
}

/// Subtracts Σ Re(c·exp(jωn)) from `x`, each line by the recurrence `y[n+1] = 2cos ω·y[n] − y[n−1]` within blocks.
pub fn subtract(x: &mut [f64], omegas: &[f64], lines: &[Complex<f64>]) {
    for (group, amplitudes) in omegas.chunks(LANES).zip(lines.chunks(LANES)) {
        let twice_cos = lanes(group, |omega| 2.0 * omega.cos());
        let [back, over] = [-1.0, BLOCK as f64].map(|n| turns(group, |omega| omega * n));
        let mut begin: [Complex<f64>; LANES] =
            std::array::from_fn(|k| amplitudes.get(k).copied().unwrap_or_default());
        for samples in x.chunks_mut(BLOCK) {
            let mut here = begin.map(|c| c.re);
            let mut before: [f64; LANES] = std::array::from_fn(|k| (begin[k] * back[k]).re);
            for (phase, over) in begin.iter_mut().zip(&over) {
                *phase *= over;
            }
            for value in samples {
                *value -= sum(&here);
                for k in 0..LANES {
                    let next = twice_cos[k] * here[k] - before[k];
                    before[k] = here[k];
                    here[k] = next;
                }
            }
        }
    }
}

/// Sum by halves, so that it runs side by side.
fn sum(x: &[f64; LANES]) -> f64 {
    let half: [f64; LANES / 2] = std::array::from_fn(|k| x[k] + x[k + LANES / 2]);
    (half[0] + half[1]) + (half[2] + half[3]) + half[4]
}

/// Spectrum of a residual already multiplied with the window.
fn spectrum(mut weighted: Vec<f64>, plans: &mut Plans) -> Residual {
    let length = weighted.len();
    let padded = fast_length(length);
    weighted.resize(padded, 0.0);
    let bins = plans.transform(&mut weighted);
    // Hann: Σw = N/2, Σw² = 3N/8.
    let n = length as f64;
    let amplitude = 4.0 / n;
    let power = bins.iter().map(|b| b.norm_sqr() * amplitude * amplitude).collect();
    Residual {
        power,
        bins_per_radian: padded as f64 / TAU,
        mean_square_per_power: 2.0 / (padded as f64 * 3.0 * n / 8.0) / (amplitude * amplitude),
        resolution: TAU / n,
    }
}

/// The frequency near `omega` at which the samples' strongest line lies: Gauss-Newton on a lone line,
/// Hann-weighted, from a start within about half of 1/T (IEEE 1057's four-parameter fit, by projection).
/// `None` if it does not settle or there is no such line.
#[must_use]
pub fn refine(samples: &[f32], mut omega: f64, plans: &mut Plans) -> Option<f64> {
    let length = samples.len();
    if length < 16 {
        return None;
    }
    let window = plans.hann(length);
    let centre = (length as f64 - 1.0) / 2.0;
    let mean =
        samples.iter().zip(window.iter()).map(|(&x, w)| f64::from(x) * w).sum::<f64>() * 2.0 / length as f64;
    let weighted: Vec<f64> =
        samples.iter().zip(window.iter()).map(|(&x, w)| (f64::from(x) - mean) * w).collect();
    let leaning: Vec<f64> = weighted.iter().enumerate().map(|(n, &x)| x * (n as f64 - centre)).collect();
    // Σ w·m² of the Hann window about its centre is N³(1/24 − 1/(4π²)).
    let second_moment = (length as f64).powi(3) * (1.0 / 24.0 - 1.0 / (4.0 * PI * PI));
    for _ in 0..40 {
        let line = correlate(&weighted, &[omega])[0] * (4.0 / length as f64);
        let lean = correlate(&leaning, &[omega])[0];
        if line.norm_sqr() <= 0.0 {
            return None;
        }
        // A line at ω+δ leans by j·δ·c·Σwm²/2 against one at ω.
        let step = (lean * line.conj()).im * 2.0 / (line.norm_sqr() * second_moment);
        if !step.is_finite() || step.abs() > 4.0 * TAU / length as f64 {
            return None;
        }
        omega += step;
        if step.abs() * (length as f64) < 1e-10 {
            // The line's own image at −ω leans too: of ten cycles by 1e-5 of their frequency.
            let middle: Vec<f64> = window.iter().enumerate().map(|(n, &w)| w * (n as f64 - centre)).collect();
            let image = line.conj() * correlate(&middle, &[2.0 * omega])[0] * 0.5;
            omega -= (image * line.conj()).im * 2.0 / (line.norm_sqr() * second_moment);
            break;
        }
    }
    (omega > 0.0 && omega < PI).then_some(omega)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn tone(length: usize, dc: f64, parts: &[(f64, Complex<f64>)]) -> Vec<f32> {
        (0..length)
            .map(|n| {
                (dc + parts.iter().map(|(w, c)| (c * Complex::cis(w * n as f64)).re).sum::<f64>()) as f32
            })
            .collect()
    }

    #[test]
    fn lines_come_back_as_they_went_in() {
        let mut plans = Plans::default();
        // 82.4 Hz for 0.1 s at 48 kHz is 8 cycles: FFT sums fail there (methods §3.1).
        for (hz, length) in [(82.4, 4800), (1010.0, 18_240), (40.0, 9_601), (5000.0, 4_799)] {
            let omegas: Vec<f64> = (1..=4).map(|k| TAU * hz * f64::from(k) / 48_000.0).collect();
            let parts: Vec<_> = omegas
                .iter()
                .enumerate()
                .map(|(k, &w)| (w, Complex::from_polar(0.5 * 10f64.powi(-(k as i32)), 0.3 + k as f64)))
                .collect();
            let fit = fit(&tone(length, 0.01, &parts), &omegas, &mut plans).unwrap();
            // f32 samples: rounding noise 2⁻²⁵ of 0.5 spread over N samples, √(6/N) of it in a line; 10 sigma.
            let bound = 10.0 * 3e-8 * (6.0 / length as f64).sqrt();
            for (line, (_, truth)) in fit.lines.iter().zip(&parts) {
                assert!((line - truth).norm() < bound, "{hz} {line} {truth} {}", (line - truth).norm());
            }
            assert!((fit.dc - 0.01).abs() < bound, "{hz} {}", fit.dc);
        }
    }

    #[test]
    fn a_long_series_is_fitted_like_its_lines() {
        let mut plans = Plans::default();
        let omega = TAU * 82.4 / 48_000.0;
        let parts: Vec<_> = (1..=60)
            .map(|k| (omega * f64::from(k), Complex::from_polar(0.4 / f64::from(k), f64::from(k))))
            .collect();
        let samples = tone(25_439, 0.02, &parts);
        let omegas: Vec<f64> = parts.iter().map(|p| p.0).collect();
        let (one, other) = (
            fit(&samples, &omegas, &mut plans).unwrap(),
            fit_series(&samples, omega, 60, &mut plans).unwrap(),
        );
        for (a, b) in one.lines.iter().zip(&other.lines) {
            // Two ways to the same solution: the chirp's phase error ωN²/2·ε of the largest line.
            assert!((a - b).norm() < 1e-9, "{a} {b}");
        }
        assert!((one.dc - other.dc).abs() < 1e-9);
    }

    #[test]
    fn noise_in_a_line_is_what_theory_says() {
        use rand_chacha::rand_core::{RngCore, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let sigma = 1e-3;
        let length = 40_000;
        // Sum of twelve uniforms: variance 1.
        let noise: Vec<f32> = (0..length)
            .map(|_| {
                let sum: f64 = (0..12).map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0).sum();
                ((sum - 6.0) * sigma) as f32
            })
            .collect();
        let mut plans = Plans::default();
        let omegas: Vec<f64> = (1..=30).map(|k| 0.1 * f64::from(k)).collect();
        let fit = fit(&noise, &omegas, &mut plans).unwrap();
        // methods §3.2: sd of each part σ·√(3/N), so √(6/N)·σ for the magnitude.
        let expected = sigma * (6.0 / length as f64).sqrt();
        let mean = (fit.noise.iter().map(|n| n * n).sum::<f64>() / 30.0).sqrt();
        let seen = (fit.lines.iter().map(|c| c.norm_sqr()).sum::<f64>() / 30.0).sqrt();
        // 30 exponentials: relative sd of the mean power 1/√30, of its root 9 %; 3.5 sigma.
        assert!((mean / expected - 1.0).abs() < 0.32, "{mean} {expected}");
        assert!((seen / expected - 1.0).abs() < 0.32, "{seen} {expected}");
        // All of the residual: N samples of σ; relative sd of a mean square 1.9·√(2/N) with Hann; 5 sigma.
        let all = fit.residual.mean_square(0.0, PI);
        assert!(
            (all / (sigma * sigma) - 1.0).abs() < 5.0 * 1.4 * (2.0f64 / length as f64).sqrt() + 0.002,
            "{all}"
        );
    }

    #[test]
    fn frequency_is_refined_from_half_a_bin_away() {
        let mut plans = Plans::default();
        // reference §5: 0.7 cos(2π·997.3 t + 0.4) + 0.05, N = 4800, start 995.5 Hz.
        let truth = TAU * 997.3 / 48_000.0;
        let samples = tone(4800, 0.05, &[(truth, Complex::from_polar(0.7, 0.4))]);
        let found = refine(&samples, TAU * 995.5 / 48_000.0, &mut plans).unwrap();
        // f32 rounding noise through the Cramér–Rao bound of reference §5 is 1e-7 Hz; 20 sigma.
        assert!((found - truth).abs() * 48_000.0 / TAU < 2e-6, "{}", (found - truth) * 48_000.0 / TAU);
    }

    #[test]
    fn what_cannot_be_fitted_is_said() {
        let mut plans = Plans::default();
        assert!(fit(&[0.0; 10], &[0.1], &mut plans).is_none());
        assert!(fit(&[0.0; 1000], &[0.1, 0.1], &mut plans).is_none());
        assert!(fit(&[f32::NAN; 1000], &[0.1], &mut plans).is_some_and(|f| f.dc.is_nan()));
        assert!(refine(&[0.0; 1000], 0.1, &mut plans).is_none());
    }
}
