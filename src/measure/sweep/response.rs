//! From impulse responses to values on a grid of frequencies.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::deconvolve::Impulses;
use super::windows::Window;
use super::{ORDERS, Sweep};
use crate::measure::Plans;
use crate::measure::plans::fast_length;

/// Ends of the grid.
pub const BAND_HZ: [f64; 2] = [20.0, 20_000.0];
/// Points of the grid in a decade: 48 in an octave.
const POINTS_PER_DECADE: f64 = 160.0;
/// Frequencies between which the mean delay is taken (methods §5.3 takes the mean of the group delay, which the
/// noise at 300 Hz rules: in methods' bench condition 4° at 8 kHz, where the line through the phase leaves 0.5°).
const DELAY_BAND_HZ: [f64; 2] = [300.0, 3000.0];
/// The fundamental is read through its long window up to the first, through its short one from the second,
/// and through a mixture between.
const LONG_BELOW_HZ: [f64; 2] = [100.0, 200.0];
/// Pieces between the responses from which the noise is read, at most.
const NOISE_PIECES: usize = 8;
/// Order up to which a response may lie in the time before zero: noise is read beyond.
const NOISE_CLEAR_ORDER: f64 = 20.0;

/// One complex value and the noise on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// Output peak over input peak; its angle is the sine's, re the input's.
    pub response: Complex<f64>,
    /// Root of the expected |error|² from noise, same unit as `response`.
    pub noise: f64,
    /// Size of the interface's own product of this order, from a loopback; 0 where there is none.
    pub interface: f64,
}

impl Value {
    /// Standard deviation of the magnitude.
    #[must_use]
    pub fn magnitude_sd(&self) -> f64 {
        self.noise / std::f64::consts::SQRT_2
    }

    /// Magnitude with the noise's mean share taken off, 0 at least.
    #[must_use]
    pub fn magnitude_less_noise(&self) -> f64 {
        (self.response.norm_sqr() - self.noise * self.noise).max(0.0).sqrt()
    }
}

/// One order against the frequency played.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// 1 is the fundamental.
    pub order: usize,
    /// One for each frequency of the grid; `None` where the output would lie beyond the band.
    pub values: Vec<Option<Value>>,
}

/// What a sweep tells of the amp.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Frequencies played, ascending, about 48 in an octave, 1 kHz among them.
    pub frequencies_hz: Vec<f64>,
    /// The orders 1 … 5, each with one value a frequency. Order n stands at the frequency *played*.
    pub orders: Vec<Order>,
    /// Group delay of the fundamental; NaN where it has none.
    pub group_delay_seconds: Vec<f64>,
    /// Slope of the straight line through the phase from 300 Hz to 3 kHz, by least squares with every hertz
    /// alike (points of the grid weighted with their frequency): latency left by the markers, and the amp's own.
    pub mean_delay_seconds: f64,
    /// Peak played, in the player's sample units: what `response` is multiplied by to get the output.
    pub input_peak: f64,
}

impl Response {
    /// The values of an order (from 1); empty if there is no such order.
    #[must_use]
    pub fn order(&self, n: usize) -> &[Option<Value>] {
        self.orders.iter().find(|o| o.order == n).map_or(&[], |o| &o.values)
    }

    /// The fundamental at any frequency inside the grid, by linear interpolation in log f of magnitude.
    #[must_use]
    pub fn magnitude_at(&self, frequency_hz: f64) -> Option<f64> {
        let points: Vec<(f64, f64)> = self.magnitudes();
        let at = points.partition_point(|p| p.0 < frequency_hz * (1.0 - 1e-12));
        let right = points.get(at)?;
        if at == 0 {
            return (right.0 - frequency_hz).abs().le(&(1e-9 * frequency_hz)).then_some(right.1);
        }
        let left = points.get(at - 1)?;
        let x = (frequency_hz / left.0).ln() / (right.0 / left.0).ln();
        Some(left.1 + (right.1 - left.1) * x)
    }

    /// H2 … H5 re the fundamental (root of the sum of squares, noise's mean share taken off) at each
    /// frequency; `None` where not even H2 can be read.
    #[must_use]
    pub fn distortion(&self) -> Vec<Option<f64>> {
        let fundamental = self.order(1);
        (0..self.frequencies_hz.len())
            .map(|i| {
                let first = fundamental.get(i).copied().flatten()?.response.norm();
                self.order(2).get(i).copied().flatten()?;
                let harmonics = self.orders.iter().filter(|o| o.order > 1);
                let squares = harmonics.filter_map(|o| o.values.get(i).copied().flatten());
                let sum: f64 = squares.map(|v| v.magnitude_less_noise().powi(2)).sum();
                Some(sum.sqrt() / first)
            })
            .collect()
    }

    pub(super) fn set_mean_delay(&mut self) {
        let inside = |f: f64| (DELAY_BAND_HZ[0]..=DELAY_BAND_HZ[1]).contains(&f);
        let delays = self.frequencies_hz.iter().zip(&self.group_delay_seconds);
        let delays: Vec<f64> =
            delays.filter(|(f, v)| inside(**f) && v.is_finite()).map(|(_, v)| *v).collect();
        self.mean_delay_seconds = delays.iter().sum::<f64>() / delays.len().max(1) as f64;
        // The mean of many group delays carries the noise of every one; it only makes the phase slow enough to be
        // followed. What is left of the slope then comes from the phase itself.
        let phase = self.phase_radians();
        let points = self.frequencies_hz.iter().zip(phase).filter(|(f, p)| inside(**f) && p.is_finite());
        self.mean_delay_seconds -= slope(&points.map(|(f, p)| (*f, p)).collect::<Vec<_>>()) / TAU;
    }

    /// Frequency and magnitude of the fundamental wherever it has a value.
    #[must_use]
    pub fn magnitudes(&self) -> Vec<(f64, f64)> {
        let values = self.order(1).iter();
        self.frequencies_hz
            .iter()
            .zip(values)
            .filter_map(|(&f, v)| Some((f, v.as_ref()?.response.norm())))
            .collect()
    }

    /// Phase of the fundamental in radians with the mean delay taken off, unwrapped outwards from 1 kHz;
    /// NaN where there is no value. Absolute delay is not known (latency), so it is left out (methods §5.3).
    #[must_use]
    pub fn phase_radians(&self) -> Vec<f64> {
        let raw: Vec<f64> = self
            .frequencies_hz
            .iter()
            .zip(self.order(1))
            .map(|(&f, v)| {
                v.map_or(f64::NAN, |v| {
                    (v.response * Complex::from_polar(1.0, TAU * f * self.mean_delay_seconds)).arg()
                })
            })
            .collect();
        unwrap_from(&raw, self.frequencies_hz.partition_point(|&f| f < 999.999))
    }
}

/// Slope of the least-squares line through points on a grid that is even in log x, every stretch of x alike; 0 of
/// fewer than two points.
fn slope(points: &[(f64, f64)]) -> f64 {
    // On such a grid a point stands for a stretch as long as x.
    let sum = |value: &dyn Fn(f64, f64) -> f64| points.iter().map(|&(x, y)| x * value(x, y)).sum::<f64>();
    let weight = sum(&|_, _| 1.0);
    let (mean_x, mean_y) = (sum(&|x, _| x) / weight, sum(&|_, y| y) / weight);
    let slope = sum(&|x, y| (x - mean_x) * (y - mean_y)) / sum(&|x, _| (x - mean_x).powi(2));
    if slope.is_finite() { slope } else { 0.0 }
}

/// Adds whole turns so that neighbours differ by less than half a turn, beginning at `centre`.
fn unwrap_from(raw: &[f64], centre: usize) -> Vec<f64> {
    let mut out = raw.to_vec();
    let mut walk = |indices: &mut dyn Iterator<Item = usize>| {
        let mut last = f64::NAN;
        for i in indices {
            let Some(value) = out.get_mut(i) else { continue };
            if last.is_finite() {
                *value -= TAU * ((*value - last) / TAU).round();
            }
            if value.is_finite() {
                last = *value;
            }
        }
    };
    walk(&mut (centre..raw.len()));
    walk(&mut (0..=centre.min(raw.len().saturating_sub(1))).rev());
    out
}

/// Where the response of order `n` begins: L ln n before the fundamental's (methods §5.1).
pub(super) fn begin_seconds(n: usize, growth_seconds: f64) -> f64 {
    -growth_seconds * (n as f64).ln()
}

/// The grid: 20 Hz, 20 kHz, and 1 kHz · 10^(k/160) between them.
pub(super) fn grid(from_hz: f64, to_hz: f64) -> Vec<f64> {
    let first = (POINTS_PER_DECADE * (from_hz / 1000.0).log10()).floor() as i64 + 1;
    let last = (POINTS_PER_DECADE * (to_hz / 1000.0).log10()).ceil() as i64 - 1;
    let inner = (first..=last).map(|k| 1000.0 * 10f64.powf(k as f64 / POINTS_PER_DECADE));
    std::iter::once(from_hz).chain(inner).chain(std::iter::once(to_hz)).collect()
}

/// Reads every order through its window, and the noise from between the responses.
pub(super) fn read(impulses: &Impulses, sweep: &Sweep, plans: &mut Plans) -> Response {
    let reader = Reader::of(&impulses.samples, impulses.rate_hz);
    let from_hz = BAND_HZ[0].max(sweep.full_from_hz);
    // What the recorder's own filter and the sweep's end leave alone (methods §11: to 0.45 fs).
    let to_hz = BAND_HZ[1].min(sweep.full_until_hz).min(0.98 * impulses.band_hz / impulses.ratio);
    if to_hz.is_nan() || to_hz <= from_hz {
        return Response {
            frequencies_hz: Vec::new(),
            orders: Vec::new(),
            group_delay_seconds: Vec::new(),
            mean_delay_seconds: 0.0,
            input_peak: sweep.peak,
        };
    }
    let frequencies_hz = grid(from_hz, to_hz);

    let first = Window::of(1, impulses.growth_seconds);
    let noise = reader.noise(impulses, &first, plans);
    // What the mains lines, taken out, may have left.
    let lines = impulses.removed.as_ref().map(|r| (Reader::of(&r.samples, r.rate_hz), r.error));
    let low = Window::low(impulses.growth_seconds);
    let low_spectrum = reader.spectrum(0.0, &low, false, plans);
    let low_share = (window_energy(&low) / window_energy(&first)).sqrt();
    let mut orders = Vec::new();
    for order in 1..=ORDERS {
        let window = Window::of(order, impulses.growth_seconds);
        let begin = begin_seconds(order, impulses.growth_seconds);
        let spectrum = reader.spectrum(begin, &window, false, plans);
        let share = (window_energy(&window) / window_energy(&first)).sqrt();
        let of_lines = lines.as_ref().map(|(r, error)| (r, error, r.spectrum(begin, &window, false, plans)));
        let values = frequencies_hz
            .iter()
            .map(|&f| {
                let output_hz = f * order as f64;
                if output_hz > to_hz * (1.0 + 1e-12) {
                    return None;
                }
                let mut response = reader.at(&spectrum, begin, output_hz * impulses.ratio);
                let mut noise = noise.at(output_hz) * share;
                let long = long_share(f);
                if order == 1 && long > 0.0 {
                    response += (reader.at(&low_spectrum, 0.0, f * impulses.ratio) - response) * long;
                    noise *= 1.0 + (low_share - 1.0) * long;
                }
                let hz = output_hz * impulses.ratio;
                if let Some((reader, error, spectrum)) = of_lines.as_ref().filter(|l| hz < 0.5 * l.0.rate_hz)
                {
                    noise = noise.hypot(*error * reader.at(spectrum, begin, hz).norm());
                }
                Some(Value { response, noise, interface: 0.0 })
            })
            .collect();
        orders.push(Order { order, values });
    }

    // Group delay = Re(F{t h} / F{h}): no phase to unwrap.
    let short = reader.spectrum(0.0, &first, false, plans);
    let short_timed = reader.spectrum(0.0, &first, true, plans);
    let low_timed = reader.spectrum(0.0, &low, true, plans);
    let group_delay_seconds: Vec<f64> = frequencies_hz
        .iter()
        .map(|&f| {
            let long = long_share(f);
            let f = f * impulses.ratio;
            let delay = (reader.at(&short_timed, 0.0, f) / reader.at(&short, 0.0, f)).re;
            let delay_low = (reader.at(&low_timed, 0.0, f) / reader.at(&low_spectrum, 0.0, f)).re;
            (delay + (delay_low - delay) * long) * impulses.ratio
        })
        .collect();
    let mut response = Response {
        frequencies_hz,
        orders,
        group_delay_seconds,
        mean_delay_seconds: 0.0,
        input_peak: sweep.peak,
    };
    response.set_mean_delay();
    response
}

/// How much of the long window counts at this frequency.
fn long_share(frequency_hz: f64) -> f64 {
    let [from, to] = LONG_BELOW_HZ;
    1.0 - ((frequency_hz / from).ln() / (to / from).ln()).clamp(0.0, 1.0)
}

fn window_energy(window: &Window) -> f64 {
    let length = window.before_seconds + window.after_seconds;
    let steps = 1000;
    let sum: f64 = (0..steps)
        .map(|k| {
            window.weight((f64::from(k) + 0.5) / f64::from(steps) * length - window.before_seconds).powi(2)
        })
        .sum();
    sum * length / f64::from(steps)
}

struct Reader<'a> {
    samples: &'a [f64],
    rate_hz: f64,
    /// Length of the transforms: over four windows long, so that its bins can be interpolated.
    length: usize,
}

/// Power of the noise under the first order's window, against frequency.
struct Noise {
    points: Vec<(f64, f64)>,
}

impl Noise {
    /// Root of the noise's power at a frequency of the grid.
    fn at(&self, frequency_hz: f64) -> f64 {
        let at = self.points.partition_point(|p| p.0 < frequency_hz);
        let right = self.points.get(at).or(self.points.last());
        let left = self.points.get(at.saturating_sub(1));
        match (left, right) {
            (Some(l), Some(r)) => (0.5 * (l.1 + r.1)).sqrt(),
            _ => 0.0,
        }
    }
}

impl<'a> Reader<'a> {
    fn of(samples: &'a [f64], rate_hz: f64) -> Self {
        Self { samples, rate_hz, length: fast_length((1.3 * rate_hz) as usize) }
    }

    /// Spectrum of the windowed stretch that begins at `begin_seconds`, its time counted from the sample
    /// next to that; weighted with that time (seconds) where `timed`.
    fn spectrum(
        &self,
        begin_seconds: f64,
        window: &Window,
        timed: bool,
        plans: &mut Plans,
    ) -> Vec<Complex<f64>> {
        let Self { samples, rate_hz, .. } = self;
        let origin = self.origin(begin_seconds);
        let shift = origin as f64 / rate_hz - begin_seconds;
        let first = (-window.before_seconds * rate_hz).floor() as i64;
        let last = (window.after_seconds * rate_hz).ceil() as i64;
        let mut piece = vec![0.0; self.length];
        let time = |j: i64| j as f64 / rate_hz + shift;
        let weights = window.weights(time(first), 1.0 / rate_hz, (last - first + 1).max(0) as usize);
        for (j, weight) in (first..=last).zip(weights) {
            let t = time(j);
            let from = (origin + j).rem_euclid(samples.len() as i64) as usize;
            let to = j.rem_euclid(self.length as i64) as usize;
            piece[to] = samples[from] * weight * if timed { t } else { 1.0 };
        }
        plans.transform(&mut piece)
    }

    fn origin(&self, begin_seconds: f64) -> i64 {
        (begin_seconds * self.rate_hz).round() as i64
    }

    /// A spectrum's value at any frequency (recorder's), time counted from `begin_seconds`.
    ///
    /// Eight-point Lagrange interpolation between bins. The windowed stretch fills under a quarter of the
    /// transform and its energy lies at its origin, so the error is far below 1e-6 of the value.
    fn at(&self, spectrum: &[Complex<f64>], begin_seconds: f64, frequency_hz: f64) -> Complex<f64> {
        let x = frequency_hz * self.length as f64 / self.rate_hz;
        let base = x.floor() as i64 - 3;
        let nyquist = spectrum.len() as i64 - 1;
        let bin = |k: i64| match k {
            k if k < 0 => spectrum.get(k.unsigned_abs() as usize).map_or(Complex::default(), Complex::conj),
            k if k > nyquist => {
                spectrum.get((2 * nyquist - k) as usize).map_or(Complex::default(), Complex::conj)
            }
            k => spectrum[k as usize],
        };
        let mut sum = Complex::new(0.0, 0.0);
        for i in 0..8 {
            let mut weight = 1.0;
            for j in 0..8 {
                if i != j {
                    weight *= (x - (base + j) as f64) / (i - j) as f64;
                }
            }
            sum += bin(base + i) * weight;
        }
        let shift = self.origin(begin_seconds) as f64 / self.rate_hz - begin_seconds;
        sum * Complex::from_polar(1.0, -TAU * frequency_hz * shift)
    }

    /// Noise seen through `window`, from pieces where no response lies.
    fn noise(&self, impulses: &Impulses, window: &Window, plans: &mut Plans) -> Noise {
        let Impulses { samples, rate_hz, growth_seconds, ratio, .. } = impulses;
        let length = window.before_seconds + window.after_seconds;
        let period = samples.len() as f64 / rate_hz;
        let from = window.after_seconds + 0.1;
        let to = period - growth_seconds * NOISE_CLEAR_ORDER.ln() - 0.1;
        let pieces = (((to - from) / length) as usize).clamp(1, NOISE_PIECES);
        let hop = ((to - from) / pieces as f64).max(0.0);
        let spectra: Vec<_> = (0..pieces)
            .map(|k| {
                let begin = from + hop * k as f64 + window.before_seconds;
                (begin, self.spectrum(begin, window, false, plans))
            })
            .collect();
        let frequencies = grid(BAND_HZ[0], BAND_HZ[1]);
        let raw: Vec<f64> = frequencies
            .iter()
            .map(|&f| {
                let powers = spectra.iter().map(|(begin, s)| self.at(s, *begin, f * ratio).norm_sqr());
                powers.sum::<f64>() / pieces as f64
            })
            .collect();
        // Five neighbours steady the estimate; a line of hum keeps its place.
        let points = frequencies
            .iter()
            .enumerate()
            .map(|(i, &f)| {
                let near = &raw[i.saturating_sub(2)..(i + 3).min(raw.len())];
                (f, near.iter().sum::<f64>() / near.len() as f64)
            })
            .collect();
        Noise { points }
    }
}
