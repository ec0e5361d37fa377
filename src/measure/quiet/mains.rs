//! Which mains frequency, found from the recording itself (methods §7).

use super::{LINES, Plans};
use crate::measure::decimate::{WHOLE_TO, decimate};
use crate::measure::plans::fast_length;
use crate::measure::tone_figures::frequency_sd_hz;

/// Nominal frequencies that are tried.
const NOMINAL_HZ: [f64; 2] = [50.0, 60.0];
/// Tried this far to either side, as a part of the nominal.
const SPAN: f64 = 0.0025;
/// Frequencies tried to either side.
const STEPS: i32 = 50;
/// A line's contribution to the score is limited, so that one strong tone is not taken for a mains.
const LIMIT: f64 = 6.0;
/// Mains is there if one of its lines has this many times the power of the noise round it (13 dB). Some 450
/// independent places are looked at, and exp(−20) · 450 is 1e-6; the floor itself is known to 15 % …
const STRONG: f64 = 20.0;
/// … or if the score is beyond what noise gives: there its mean is 15.6 and its sd 2.7 (20 terms of
/// min(ln(1 + x/ln 2), 6), x exponential), so that this is over five sd.
const SCORE: f64 = 31.0;
/// Lines over this many times their floor refine the frequency.
const CLEAR: f64 = 30.0;
/// The floor of a line is the median at these distances. (Methods §7 has 1 to 4 Hz: too few bins, whose median
/// strays by a quarter, and then noise passes for a line.)
const BESIDE_HZ: [f64; 2] = [1.0, 10.0];

/// Mains frequency by the recorder's clock and its standard deviation, `None` if there is no mains to see.
pub(super) fn find(samples: &[f32], rate_hz: f64, plans: &mut Plans) -> Option<(f64, f64)> {
    let top_hz = LINES as f64 * 60.0 * (1.0 + 2.0 * SPAN) + BESIDE_HZ[1] + 2.0;
    let factor = ((rate_hz * WHOLE_TO / top_hz) as usize).max(1);
    let samples = decimate(samples, factor);
    let rate_hz = rate_hz / factor as f64;
    let length = samples.len();
    let mean = samples.iter().map(|&v| f64::from(v)).sum::<f64>() / length as f64;
    let window = plans.hann(length);
    let mut padded: Vec<f64> =
        samples.iter().zip(window.iter()).map(|(&v, w)| (f64::from(v) - mean) * w).collect();
    let transform = fast_length(2 * length);
    padded.resize(transform, 0.0);
    let bins = plans.transform(&mut padded);
    let bin_hz = rate_hz / transform as f64;
    let highest = top_hz / bin_hz;
    let power: Vec<f64> = bins.iter().take(highest as usize + 2).map(|b| b.norm_sqr()).collect();
    let seen = Spectrum { power, bin_hz, seconds: length as f64 / rate_hz };

    // Strong lines reach the score's limit over a stretch of frequencies: its middle is taken.
    let mut best = (f64::MIN, 0.0, 0.0);
    for nominal in NOMINAL_HZ {
        let floors: Vec<f64> = (1..=LINES).map(|k| seen.floor(nominal * k as f64)).collect();
        for step in -STEPS..=STEPS {
            let f = nominal * (1.0 + SPAN * f64::from(step) / f64::from(STEPS));
            let terms = floors.iter().enumerate().map(|(k, floor)| {
                let over = seen.at(f * (k + 1) as f64) / floor;
                if over.is_finite() { (1.0 + over).ln().min(LIMIT) } else { 0.0 }
            });
            let score: f64 = terms.sum();
            if score > best.0 + 0.5 {
                best = (score, f, f);
            } else if score > best.0 - 0.5 && f < 1.1 * best.1 {
                best.2 = f;
            }
        }
    }
    let (score, from_hz, to_hz) = best;
    let coarse_hz = 0.5 * (from_hz + to_hz);

    // Lines in ascending order, each looked for where the clear ones before it say. A line says f = f_k/k
    // with a variance in proportion to 1/(k² · SNR).
    let (mut sum, mut total, mut strongest) = (0.0, 0.0, 0.0);
    for k in 1..=LINES {
        let order = k as f64;
        let so_far_hz = if total > 0.0 { sum / total } else { coarse_hz };
        let Some((at_hz, power)) = seen.peak(so_far_hz * order) else { continue };
        // The median of an exponential is ln 2 of its mean.
        let over = power / (seen.floor(at_hz) / std::f64::consts::LN_2);
        if !over.is_finite() {
            continue;
        }
        strongest = f64::max(strongest, over);
        if over > CLEAR {
            let weight = order * order * over;
            sum += weight * at_hz / order;
            total += weight;
        }
    }
    if score < SCORE && strongest < STRONG {
        return None;
    }
    if total == 0.0 {
        // Too weak to refine: good to the step of the search.
        return Some((coarse_hz, coarse_hz * SPAN / f64::from(STEPS)));
    }
    let frequency_hz = sum / total;
    Some((frequency_hz, frequency_sd_hz(total.sqrt(), seen.seconds)))
}

struct Spectrum {
    power: Vec<f64>,
    bin_hz: f64,
    seconds: f64,
}

impl Spectrum {
    fn bin(&self, frequency_hz: f64) -> usize {
        (frequency_hz / self.bin_hz).round().max(0.0) as usize
    }

    /// Power of the bin nearest to this frequency.
    fn at(&self, frequency_hz: f64) -> f64 {
        self.power.get(self.bin(frequency_hz)).copied().unwrap_or(0.0)
    }

    /// Median power beside this frequency; infinite where there is nothing, so that nothing stands over it.
    fn floor(&self, frequency_hz: f64) -> f64 {
        let ends = |from: f64, to: f64| self.bin(frequency_hz + from)..self.bin(frequency_hz + to) + 1;
        // Hann's main lobe is 2/T to either side: a short stretch needs more distance.
        let near = BESIDE_HZ[0].max(2.5 / self.seconds);
        let far = BESIDE_HZ[1].max(8.0 / self.seconds);
        let mut beside: Vec<f64> = Vec::new();
        for range in [ends(-far, -near), ends(near, far)] {
            beside.extend_from_slice(self.power.get(range).unwrap_or_default());
        }
        if beside.is_empty() {
            return f64::INFINITY;
        }
        let middle = beside.len() / 2;
        *beside.select_nth_unstable_by(middle, f64::total_cmp).1
    }

    /// Frequency and power of the tone that makes the highest bin near this frequency and its neighbours.
    fn peak(&self, frequency_hz: f64) -> Option<(f64, f64)> {
        let reach = (0.75 / self.seconds / self.bin_hz).ceil() as usize;
        let centre = self.bin(frequency_hz);
        let top = (centre.checked_sub(reach)?..=centre + reach).max_by(|&a, &b| {
            self.power.get(a).unwrap_or(&0.0).total_cmp(self.power.get(b).unwrap_or(&0.0))
        })?;
        let [left, middle, right] = [top.checked_sub(1)?, top, top + 1].map(|k| self.power.get(k).copied());
        let (left, middle, right) = (left?.ln(), middle?.ln(), right?.ln());
        // Where a lone tone must lie to make the neighbours what they are: the parabola is off by up to
        // 0.003 of a bin, so its zero is found on Hann's own main lobe.
        let spacing = self.bin_hz * self.seconds;
        let wanted = 0.5 * (right - left);
        let lean = |x: f64| main_lobe(spacing - x).ln() - main_lobe(spacing + x).ln();
        let (mut low, mut high) = (-0.75 * spacing, 0.75 * spacing);
        for _ in 0..40 {
            let x = 0.5 * (low + high);
            if lean(x) < wanted { low = x } else { high = x }
        }
        let shift = 0.5 * (low + high);
        let peak = middle - 2.0 * main_lobe(shift).ln();
        Some((top as f64 * self.bin_hz + shift / self.seconds, peak.exp()))
    }
}

/// Hann's spectrum re its peak, `x` in 1/T from it, inside the main lobe: sin(πx)/(πx(1 − x²)).
fn main_lobe(x: f64) -> f64 {
    let sinc =
        if x.abs() < 1e-6 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
    // At x = 1 both vanish; the limit is ½.
    let rest = 1.0 - x * x;
    if rest.abs() < 1e-6 { 0.5 } else { (sinc / rest).abs() }
}
