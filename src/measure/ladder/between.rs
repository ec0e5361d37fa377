//! The amp between two steps: complex harmonics re the input, interpolated over drive.

use realfft::num_complex::Complex;

use super::Step;
use crate::measure::pchip::Pchip;
use crate::units::{db, from_db};

/// Spacing of the grid on which crossings are looked for, dB of drive (methods §4.1).
pub const GRID_DB: f64 = 0.02;
/// Points of a cycle.
pub const CYCLE: usize = 360;

/// Harmonics as functions of drive.
#[derive(Debug, Clone)]
pub struct Between {
    curves: Pchip,
    orders: usize,
    top_peak: f64,
}

/// The amp at one drive.
#[derive(Debug, Clone)]
pub struct State {
    /// Drive, dB re top.
    pub drive_db: f64,
    /// Input peak re full scale.
    pub input_peak: f64,
    /// `d_k`: harmonics with the fundamental's phase at 0, sample units.
    pub lines: Vec<Complex<f64>>,
    /// Power of the noise in H2 and up, as a squared amplitude.
    pub noise_power: f64,
    /// The same in H2 and in H3 alone.
    pub noise_power_of: [f64; 2],
    /// Mean square of what is no harmonic.
    pub rest_mean_square: f64,
}

impl Between {
    /// Through these steps (rising drive, two at least), `None` if there are too few.
    #[must_use]
    pub fn new(steps: &[Step]) -> Option<Self> {
        Self::with(steps, |step| step.tone.lines.clone())
    }

    /// The same with each step's lines as `lines` gives them: for resampling with their noise.
    #[must_use]
    pub fn with(steps: &[Step], mut lines: impl FnMut(&Step) -> Vec<Complex<f64>>) -> Option<Self> {
        let orders = steps.iter().map(|s| s.tone.lines.len()).min()?;
        let curves = 2 * orders + 4;
        let mut values = Vec::with_capacity(steps.len() * curves);
        for step in steps {
            let tone = super::Tone { lines: lines(step), ..step.tone.clone() };
            for line in tone.aligned().iter().take(orders) {
                values.extend([line.re / step.input_peak, line.im / step.input_peak]);
            }
            let square = step.input_peak * step.input_peak;
            let noise: f64 = tone.noise.iter().skip(1).take(orders - 1).map(|n| n * n).sum();
            let of = |line: usize| tone.noise.get(line).map_or(0.0, |n| n * n / square);
            values.extend([noise / square, tone.rest_mean_square / square, of(1), of(2)]);
        }
        let x = steps.iter().map(|s| s.drive_db).collect();
        let first = steps.first()?;
        let top_peak = first.input_peak / from_db(first.drive_db);
        Some(Self { curves: Pchip::new(x, values, curves)?, orders, top_peak })
    }

    /// Lowest and highest drive, dB re top.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        self.curves.range()
    }

    /// The amp at this drive (held inside the range).
    #[must_use]
    pub fn at(&self, drive_db: f64) -> State {
        let (low, high) = self.range();
        let drive_db = drive_db.clamp(low, high);
        let mut values = vec![0.0; 2 * self.orders + 4];
        self.curves.at(drive_db, &mut values);
        let input_peak = self.top_peak * from_db(drive_db);
        let lines = values[..2 * self.orders]
            .chunks_exact(2)
            .map(|c| Complex::new(c[0], c[1]) * input_peak)
            .collect();
        let square = input_peak * input_peak;
        State {
            drive_db,
            input_peak,
            lines,
            noise_power: values[2 * self.orders] * square,
            noise_power_of: [values[2 * self.orders + 2], values[2 * self.orders + 3]].map(|n| n * square),
            rest_mean_square: values[2 * self.orders + 1] * square,
        }
    }

    /// The states on a grid of `step_db` from `low_db` to `high_db`, held inside the range.
    pub fn grid(&self, low_db: f64, high_db: f64, step_db: f64) -> impl Iterator<Item = State> + '_ {
        let (low, high) = self.range();
        let (low, high) = (low_db.max(low), high_db.min(high));
        let count = if high >= low { ((high - low) / step_db + 1e-9) as usize + 1 } else { 0 };
        (0..count).map(move |k| self.at(low + step_db * k as f64))
    }
}

impl State {
    /// Peak of the fundamental, sample units.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.lines.first().map_or(0.0, |c| c.norm())
    }

    /// THD_F, a ratio, noise power taken out; 0 where it is under twice its floor (methods §3.2), so that
    /// noise never passes a limit.
    #[must_use]
    pub fn thd(&self) -> f64 {
        let power: f64 = self.lines.iter().skip(1).map(Complex::norm_sqr).sum();
        let above = power - self.noise_power;
        if above < 4.0 * self.noise_power { 0.0 } else { above.sqrt() / self.peak() }
    }

    /// The THD below which noise hides it, a ratio: twice its floor.
    #[must_use]
    pub fn thd_limit(&self) -> f64 {
        2.0 * self.noise_power.sqrt() / self.peak()
    }

    /// Gain of the fundamental re the input, dB of sample units.
    #[must_use]
    pub fn gain_db(&self) -> f64 {
        db(self.peak() / self.input_peak)
    }

    /// Mean square of all harmonics: what power at a THD limit is computed from (methods §4.3).
    #[must_use]
    pub fn mean_square(&self) -> f64 {
        self.lines.iter().map(|c| c.norm_sqr() / 2.0).sum()
    }

    /// Excursions of both crests from the mid-line (methods §4.2): positive half, negative half.
    #[must_use]
    pub fn crests(&self) -> (f64, f64) {
        // Mean of the waveform at the fundamental's zero crossings: the shift of a one-sided clip stays out of
        // the other half.
        let middle: f64 = self
            .lines
            .iter()
            .enumerate()
            .skip(1)
            .step_by(2)
            .map(|(k, d)| if (k + 1) % 4 == 0 { d.re } else { -d.re })
            .sum();
        let (lowest, highest) = Cycle::of(&self.lines).range();
        (highest - middle, middle - lowest)
    }
}

/// Points from 0 to half a cycle, both ends among them.
const HALF: usize = CYCLE / 2 + 1;

/// One cycle without its constant part, beginning at the fundamental's crest, as its even and odd part over half
/// of it: the other half follows, which halves the work.
pub(super) struct Cycle {
    even: [f64; HALF],
    odd: [f64; HALF],
}

/// Cosine and sine of a harmonic over half a cycle.
type Wave = ([f64; HALF], [f64; HALF]);

/// Harmonics 0 … CYCLE/2: on these points all higher ones look like one of them.
fn waves() -> &'static [Wave] {
    use std::sync::OnceLock;
    static WAVES: OnceLock<Vec<Wave>> = OnceLock::new();
    WAVES.get_or_init(|| {
        let circle: Vec<(f64, f64)> =
            (0..CYCLE).map(|n| (std::f64::consts::TAU * n as f64 / CYCLE as f64).sin_cos()).collect();
        let wave = |k: usize| -> Wave {
            (
                std::array::from_fn(|n| circle[k * n % CYCLE].1),
                std::array::from_fn(|n| circle[k * n % CYCLE].0),
            )
        };
        (0..HALF).map(wave).collect()
    })
}

impl Cycle {
    /// From harmonics, the fundamental first.
    pub(super) fn of(lines: &[Complex<f64>]) -> Self {
        let waves = waves();
        let mut cycle = Self { even: [0.0; HALF], odd: [0.0; HALF] };
        for (k, line) in lines.iter().enumerate() {
            let order = (k + 1) % CYCLE;
            let (order, sign) = if order < HALF { (order, 1.0) } else { (CYCLE - order, -1.0) };
            let (cos, sin) = &waves[order];
            let (re, im) = (line.re, sign * line.im);
            for ((e, o), (c, s)) in cycle.even.iter_mut().zip(&mut cycle.odd).zip(cos.iter().zip(sin)) {
                *e += re * c;
                *o += im * s;
            }
        }
        cycle
    }

    /// Its lowest and highest value.
    pub(super) fn range(&self) -> (f64, f64) {
        let (mut lowest, mut highest) = (f64::MAX, f64::MIN);
        for (e, o) in self.even.iter().zip(&self.odd) {
            lowest = lowest.min(e - o.abs());
            highest = highest.max(e + o.abs());
        }
        (lowest, highest)
    }

    /// Its value at a point, 0 to [`CYCLE`] − 1.
    pub(super) fn at(&self, point: usize) -> f64 {
        if point < HALF {
            self.even[point] - self.odd[point]
        } else {
            self.even[CYCLE - point] + self.odd[CYCLE - point]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cycle_is_the_sum_of_its_harmonics_however_many() {
        let lines: Vec<Complex<f64>> =
            (1..=500).map(|k| Complex::from_polar(1.0 / f64::from(k), 0.7 * f64::from(k))).collect();
        let cycle = Cycle::of(&lines);
        let (mut low, mut high) = (f64::MAX, f64::MIN);
        for n in 0..CYCLE {
            let theta = std::f64::consts::TAU * n as f64 / CYCLE as f64;
            let direct: f64 =
                lines.iter().enumerate().map(|(k, c)| (c * Complex::cis(theta * (k + 1) as f64)).re).sum();
            // 500 terms up to 1, their angles up to 3000 rad: 3000·ε each.
            assert!((cycle.at(n) - direct).abs() < 1e-10, "{n} {} {direct}", cycle.at(n));
            (low, high) = (low.min(direct), high.max(direct));
        }
        let range = cycle.range();
        assert!((range.0 - low).abs() < 1e-10 && (range.1 - high).abs() < 1e-10, "{range:?}");
    }
}
