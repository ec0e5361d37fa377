//! What devices with closed forms do, by formula: nothing here is measured.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use super::db;
use super::waves::{Line, of_curve, symmetric_clip};

/// Devices whose figures can be written down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Static {
    /// x + a₂x² + a₃x³.
    Cubic {
        /// a₂.
        a2: f64,
        /// a₃.
        a3: f64,
    },
    /// Symmetric hard clip at this value.
    Clip(f64),
    /// tanh(g x).
    Tanh(f64),
}

impl Static {
    /// Output peaks of the harmonics 1..=`last` for a sine of this peak, signed, of `cos n t` for an input `cos t`.
    pub fn lines(self, peak: f64, last: u32) -> Vec<f64> {
        let lines: Vec<Line> = match self {
            Self::Cubic { a2, a3 } => {
                of_curve(|x| peak * x + a2 * (peak * x).powi(2) + a3 * (peak * x).powi(3), last)
            }
            Self::Tanh(g) => of_curve(|x| (g * peak * x).tanh(), last),
            Self::Clip(limit) if peak <= limit => vec![Line { order: 1, amplitude: peak, phase: 0.0 }],
            Self::Clip(limit) => symmetric_clip(limit / peak)
                .into_iter()
                .map(|l| Line { amplitude: l.amplitude * peak, ..l })
                .collect(),
        };
        let mut out = vec![0.0; last as usize];
        for line in lines.into_iter().filter(|l| l.order <= last) {
            out[line.order as usize - 1] = line.amplitude;
        }
        out
    }

    /// Slope at the origin.
    pub fn small_signal_gain(self) -> f64 {
        if let Self::Tanh(g) = self { g } else { 1.0 }
    }

    /// THD re the fundamental over 2..=last.
    pub fn thd(self, peak: f64, last: u32) -> f64 {
        let lines = self.lines(peak, last);
        rss(&lines[1..]) / lines[0].abs()
    }

    /// Crest re the mid-line of both halves, from the harmonics 1..=last (methods §4.2).
    fn crests(self, peak: f64, last: u32) -> [f64; 2] {
        let lines = self.lines(peak, last);
        let value =
            |t: f64| -> f64 { lines.iter().enumerate().map(|(k, a)| a * ((k + 1) as f64 * t).cos()).sum() };
        let points = 2048;
        let wave: Vec<f64> = (0..points).map(|k| value(TAU * f64::from(k) / f64::from(points))).collect();
        let middle: f64 = lines
            .iter()
            .enumerate()
            .filter(|(k, _)| (k + 1) % 2 == 0)
            .map(|(k, a)| if (k + 1) % 4 == 0 { *a } else { -a })
            .sum();
        [
            wave.iter().fold(f64::MIN, |m, &y| m.max(y)) - middle,
            middle - wave.iter().fold(f64::MAX, |m, &y| m.min(y)),
        ]
    }

    /// Drive in dB re `top` at which each half's crest stops following, by the definition of methods §4.2 on a
    /// fine ladder without noise; `None` where there is none up to the top.
    pub fn clip_drives(self, top: f64, last: u32) -> [Option<f64>; 2] {
        let at = |drive: f64| top * 10.0_f64.powf(drive / 20.0);
        let step = 0.02;
        let grid: Vec<f64> =
            (0..=1200).map(|k| -24.5 + step * f64::from(k)).take_while(|d| *d < -0.495).collect();
        let growth = |drive: f64| {
            let (low, high) = (at(drive - 0.5), at(drive + 0.5));
            let (a, b) = (self.crests(low, last), self.crests(high, last));
            let scale = self.small_signal_gain() * (high - low);
            [(b[0] - a[0]) / scale, (b[1] - a[1]) / scale]
        };
        let growths: Vec<[f64; 2]> = grid.iter().map(|&d| growth(d)).collect();
        [0, 1].map(|half| {
            let first = (1..grid.len()).find(|&k| {
                growths[k - 1][half] >= 0.5
                    && growths[k..(k + 26).min(grid.len())].iter().all(|g| g[half] < 0.5)
            })?;
            let (a, b) = (growths[first - 1][half], growths[first][half]);
            Some(grid[first - 1] + step * (a - 0.5) / (a - b))
        })
    }

    /// Drive in dB re `top` at which `value` passes `limit` upwards; `None` if it does not between −40 and 0 dB.
    pub fn drive_where(self, top: f64, value: impl Fn(Self, f64) -> f64, limit: f64) -> Option<f64> {
        let at = |drive: f64| value(self, top * 10.0_f64.powf(drive / 20.0));
        let (mut low, mut high) = (-40.0, 0.0);
        if at(high) < limit || at(low) >= limit {
            return None;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if at(middle) < limit { low = middle } else { high = middle }
        }
        Some(low)
    }

    /// d2 and d3 in per cent of a pair with these peaks (reference.md §2; cubic curves only).
    pub fn intermodulation(self, low: f64, high: f64, modulation: bool) -> Option<[f64; 2]> {
        let Self::Cubic { a2, a3 } = self else { return None };
        let u1 = low + a3 * (0.75 * low.powi(3) + 1.5 * low * high * high);
        let u2 = high + a3 * (0.75 * high.powi(3) + 1.5 * low * low * high);
        let second = (a2 * low * high).abs();
        Some(if modulation {
            [100.0 * 2.0 * second / u2, 100.0 * 2.0 * (0.75 * a3 * low * low * high).abs() / u2]
        } else {
            let third = (0.75 * a3 * low * low * high).abs() + (0.75 * a3 * low * high * high).abs();
            [100.0 * second / (u1 + u2), 100.0 * third / (u1 + u2)]
        })
    }
}

/// Root of the sum of squares.
pub fn rss(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}

/// First order at the low end, second order maximally flat at the high end: complex response as (re, im).
#[derive(Debug, Clone, Copy)]
pub struct PassBand {
    /// −3 dB point of the low end by itself.
    pub low_hz: f64,
    /// −3 dB point of the high end by itself.
    pub high_hz: f64,
    /// The simulation's own rate: its filters are bilinear with both points in place (src/simulate/device.rs), which
    /// bends the frequencies between.
    pub simulated_hz: f64,
    /// Hz by the filter's clock for each Hz by the player's.
    pub ratio: f64,
}

impl PassBand {
    fn value(self, hz: f64) -> (f64, f64) {
        let bent = |hz: f64| (std::f64::consts::PI * hz / self.simulated_hz).tan();
        let hz = bent(hz * self.ratio);
        // 1/(1 − j low/f) · 1/(1 − (f/high)² + j√2 f/high)
        let low = (1.0, -bent(self.low_hz) / hz);
        let u = hz / bent(self.high_hz);
        let high = (1.0 - u * u, std::f64::consts::SQRT_2 * u);
        let product = (low.0 * high.0 - low.1 * high.1, low.0 * high.1 + low.1 * high.0);
        let size = product.0 * product.0 + product.1 * product.1;
        (product.0 / size, -product.1 / size)
    }

    /// Level re 1 kHz in dB.
    pub fn level_db(self, hz: f64) -> f64 {
        let size = |hz: f64| {
            let (re, im) = self.value(hz);
            re.hypot(im)
        };
        db(size(hz) / size(1000.0))
    }

    /// Phase in radians.
    pub fn phase(self, hz: f64) -> f64 {
        let (re, im) = self.value(hz);
        im.atan2(re)
    }

    /// Slope of the straight line through the phase from 300 Hz to 3 kHz in seconds: least squares at the points of
    /// the grid, 1 kHz · 10^(k/160), each weighted with its frequency.
    pub fn delay_seconds(self) -> f64 {
        let grid = (-83..=76).map(|k| 1000.0 * 10.0_f64.powf(f64::from(k) / 160.0));
        let points: Vec<(f64, f64)> = grid.map(|f| (f, self.phase(f))).collect();
        let sum = |value: &dyn Fn(f64, f64) -> f64| points.iter().map(|p| p.0 * value(p.0, p.1)).sum::<f64>();
        let (f, phase) = (sum(&|f, _| f) / sum(&|_, _| 1.0), sum(&|_, p| p) / sum(&|_, _| 1.0));
        -sum(&|x, p| (x - f) * (p - phase)) / sum(&|x, _| (x - f).powi(2)) / TAU
    }

    /// Half-power points re 1 kHz.
    pub fn corners(self) -> [f64; 2] {
        let half = db(FRAC_1_SQRT_2);
        let solve = |mut inside: f64, mut outside: f64| {
            for _ in 0..80 {
                let middle = (inside * outside).sqrt();
                if self.level_db(middle) >= half { inside = middle } else { outside = middle }
            }
            inside
        };
        [solve(1000.0, 5.0), solve(1000.0, 40_000.0)]
    }
}
