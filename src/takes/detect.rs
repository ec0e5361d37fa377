//! Finds markers in a stream of samples (methods §2.2).
//!
//! Blocks are transformed at the full rate and only the band of the chirps is
//! transformed back, at a rate that fits it: decimation costs nothing. The
//! correlation with both chirps is normalised by the local energy, so that a
//! loud click is no marker.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

use crate::signals::marker::{CHIRP_SECONDS, Code, Direction, SPACING_SECONDS, chirp_phase, envelope};

/// Band in which chirps are looked for, Hz (methods §2.2).
const BAND_HZ: (f64, f64) = (450.0, 5800.0);
/// A pair of chirps is a marker from this correlation on (methods §2.3: worst false 0.102, worst true 0.49).
pub const SURE: f32 = 0.30;
/// Between this and [`SURE`] a marker counts only if another one agrees in place (methods §2.3).
pub const UNSURE: f32 = 0.20;
/// Two peaks of one direction nearer than this are one.
const APART_SECONDS: f64 = 0.060;
/// The second chirp may be this far from its place: grid, clock and the amp's delay.
const PAIR_SLACK_SECONDS: f64 = 0.000_6;
/// More chirps than this are no recording of ours; memory stays bounded.
const MAX_CHIRPS: usize = 50_000;

/// One chirp found.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Chirp {
    frame: f64,
    rho: f32,
}

/// A marker found on the coarse grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hit {
    /// Which marker.
    pub code: Code,
    /// Frame of the file at which its first chirp begins, to a fraction of a millisecond.
    pub frame: f64,
    /// The smaller of its two chirps' normalised correlations, 0…1.
    pub rho: f32,
}

/// Feeds on samples, gives the markers at the end.
pub struct Detector {
    rate_hz: f64,
    block: usize,
    hop: usize,
    small: usize,
    band: std::ops::Range<usize>,
    window: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    templates: [Vec<Complex<f32>>; 2],
    template_energy: f32,
    pending: Vec<f32>,
    first_frame: u64,
    chirps: [Vec<Chirp>; 2],
    work: Work,
}

/// Memory used again for every block.
#[derive(Default)]
struct Work {
    time: Vec<f32>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    energy: Vec<f32>,
    signal: Vec<Complex<f32>>,
    rho: Vec<f32>,
}

impl Detector {
    /// A detector for this sample rate (4 kHz to 1 MHz; below 12 kHz the chirps do not fit and nothing is found).
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        // Blocks of about 1.4 s: a fifth of each is overlap.
        let block = ((rate_hz * 1.2) as usize).next_power_of_two().max(1024);
        let resolution = rate_hz / block as f64;
        let last = (block / 2).min((BAND_HZ.1 / resolution) as usize);
        let band = (BAND_HZ.0 / resolution) as usize..last.max((BAND_HZ.0 / resolution) as usize);
        // Twice what the band needs: a peak between two steps loses little and is interpolated.
        let small = 2 * (band.len() + 1).next_power_of_two();
        let window = (CHIRP_SECONDS * rate_hz).round() as usize;
        let forward = RealFftPlanner::<f32>::new().plan_fft_forward(block);
        let inverse = FftPlanner::<f32>::new().plan_fft_inverse(small);
        let overlap = window + 2 * block / small + 2;
        let mut detector = Self {
            rate_hz,
            block,
            hop: block - overlap.min(block / 2),
            small,
            band,
            window,
            forward,
            inverse,
            templates: [Vec::new(), Vec::new()],
            template_energy: 0.0,
            pending: Vec::new(),
            first_frame: 0,
            chirps: [Vec::new(), Vec::new()],
            work: Work::default(),
        };
        detector.templates = [Direction::Up, Direction::Down].map(|d| detector.template(d));
        detector
    }

    /// Conjugate spectrum of the analytic chirp in the band.
    fn template(&mut self, direction: Direction) -> Vec<Complex<f32>> {
        let seconds = |n: usize| n as f64 / self.rate_hz;
        let mut energy = 0.0f64;
        let mut parts = [0.0, std::f64::consts::FRAC_PI_2].map(|shift| {
            (0..self.block)
                .map(|n| {
                    if n >= self.window {
                        return 0.0;
                    }
                    let value = envelope(CHIRP_SECONDS, seconds(n))
                        * (chirp_phase(direction, CHIRP_SECONDS, seconds(n)) - shift).cos();
                    energy += 0.5 * value * value;
                    value as f32
                })
                .collect::<Vec<f32>>()
        });
        self.template_energy = energy as f32;
        let spectra: [Vec<Complex<f32>>; 2] = parts.each_mut().map(|part| {
            let mut bins = self.forward.make_output_vec();
            // Lengths fit by construction.
            let done = self.forward.process(part, &mut bins);
            debug_assert!(done.is_ok());
            bins
        });
        // cos + j·sin in the band; negative frequencies are not looked at.
        self.band.clone().map(|k| (spectra[0][k] + Complex::<f32>::i() * spectra[1][k]).conj()).collect()
    }

    /// Takes the next samples.
    pub fn feed(&mut self, samples: &[f32]) {
        self.pending.extend_from_slice(samples);
        while self.pending.len() >= self.block {
            self.look(self.block);
            self.pending.drain(..self.hop);
            self.first_frame += self.hop as u64;
        }
    }

    /// Looks at what is left and gives the markers in order of time, surest first where two claim one place.
    #[must_use]
    pub fn finish(mut self) -> Vec<Hit> {
        let left = self.pending.len();
        if left > 0 {
            self.pending.resize(self.block, 0.0);
            self.look(left);
        }
        self.pair()
    }

    /// Correlates one block; chirps that begin in its first `fresh` frames are kept.
    fn look(&mut self, fresh: usize) {
        let work = &mut self.work;
        work.time.clear();
        work.time.extend_from_slice(&self.pending[..self.block]);
        work.bins.resize(self.block / 2 + 1, Complex::default());
        work.scratch.resize(
            self.forward.get_scratch_len().max(self.inverse.get_inplace_scratch_len()),
            Complex::default(),
        );
        let done = self.forward.process_with_scratch(&mut work.time, &mut work.bins, &mut work.scratch);
        debug_assert!(done.is_ok());
        let per_step = self.block as f32 / self.small as f32;
        let scale = 1.0 / self.block as f32;

        // Energy of the band-passed signal under a chirp that begins at each step.
        back(&mut work.signal, self.small, work.bins[self.band.clone()].iter().copied());
        self.inverse.process_with_scratch(&mut work.signal, &mut work.scratch);
        let steps = (self.window as f32 / per_step) as usize;
        let mut sum = 0.0f64;
        let square = |c: &Complex<f32>| f64::from(c.norm_sqr());
        let power: f64 = work.signal.iter().map(square).sum::<f64>() / self.small as f64;
        sum += work.signal.iter().take(steps).map(square).sum::<f64>();
        work.energy.clear();
        for k in 0..self.small {
            // Twice the one-sided spectrum is the analytic signal; half its square is the energy.
            let floor = power * steps as f64 * 1e-4 + 1e-12 / f64::from(scale * scale);
            work.energy.push((sum.max(floor) * 2.0) as f32 * scale * scale * per_step);
            sum += work.signal.get(k + steps).map_or(0.0, square) - square(&work.signal[k]);
        }
        for (which, template) in self.templates.iter().enumerate() {
            let product = work.bins[self.band.clone()].iter().zip(template).map(|(x, m)| x * m);
            back(&mut work.signal, self.small, product);
            self.inverse.process_with_scratch(&mut work.signal, &mut work.scratch);
            work.rho.clear();
            let energy = self.template_energy;
            work.rho.extend(
                work.signal
                    .iter()
                    .zip(&work.energy)
                    .map(|(c, e)| (c.norm_sqr() / (e * energy)).sqrt() * scale),
            );
            let end = ((fresh.min(self.hop + self.block / self.small)) as f32 / per_step) as usize;
            for k in 1..end.min(self.small - 1) {
                let (before, here, after) = (work.rho[k - 1], work.rho[k], work.rho[k + 1]);
                if here >= UNSURE && here >= before && here > after {
                    let lean = parabola(before, here, after);
                    let frame = self.first_frame as f64 + (k as f64 + f64::from(lean)) * f64::from(per_step);
                    let rho = here - 0.25 * (before - after) * lean;
                    note(&mut self.chirps[which], Chirp { frame, rho }, APART_SECONDS * self.rate_hz);
                }
            }
        }
    }

    /// Chirps that stand a marker's spacing apart.
    fn pair(self) -> Vec<Hit> {
        let spacing = SPACING_SECONDS * self.rate_hz;
        let slack = PAIR_SLACK_SECONDS * self.rate_hz;
        let of = |direction| match direction {
            Direction::Up => &self.chirps[0],
            Direction::Down => &self.chirps[1],
        };
        let mut hits = Vec::new();
        for code in Code::ALL {
            let [first, second] = code.directions().map(of);
            for a in first {
                let from = second.partition_point(|b| b.frame < a.frame + spacing - slack);
                for b in second[from..].iter().take_while(|b| b.frame <= a.frame + spacing + slack) {
                    hits.push(Hit { code, frame: a.frame, rho: a.rho.min(b.rho) });
                }
            }
        }
        hits.sort_by(|a, b| b.rho.total_cmp(&a.rho));
        let mut kept: Vec<Hit> = Vec::new();
        for hit in hits {
            if kept.iter().all(|k| (k.frame - hit.frame).abs() > spacing) {
                kept.push(hit);
            }
        }
        kept.sort_by(|a, b| a.frame.total_cmp(&b.frame));
        kept
    }
}

/// Puts the bins of the band at the bottom of a small spectrum.
fn back(out: &mut Vec<Complex<f32>>, small: usize, bins: impl Iterator<Item = Complex<f32>>) {
    out.clear();
    out.extend(bins);
    out.resize(small, Complex::default());
}

/// Where between −½ and ½ the top of a parabola through three points lies.
fn parabola(before: f32, here: f32, after: f32) -> f32 {
    let bend = before - 2.0 * here + after;
    if bend >= 0.0 { 0.0 } else { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) }
}

/// Keeps the larger of chirps that are nearer than `apart` frames.
fn note(chirps: &mut Vec<Chirp>, chirp: Chirp, apart: f64) {
    if let Some(last) = chirps.last_mut()
        && (chirp.frame - last.frame).abs() < apart
    {
        if chirp.rho > last.rho {
            *last = chirp;
        }
        return;
    }
    if chirps.len() < MAX_CHIRPS {
        chirps.push(chirp);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::signals::{Choices, Identity, Plan, Player};

    fn find(rate_hz: f64, samples: &[f64]) -> Vec<Hit> {
        let mut detector = Detector::new(rate_hz);
        let samples: Vec<f32> = samples.iter().map(|&x| x as f32).collect();
        for block in samples.chunks(10_007) {
            detector.feed(block);
        }
        detector.finish()
    }

    #[test]
    fn every_marker_of_a_programme_is_found_at_every_rate_and_nothing_else_is() {
        let plan = Plan::short(&Choices::default());
        for rate_hz in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
            let mut samples = vec![0.0; ((plan.length_seconds + 3.3) * rate_hz) as usize];
            Player::new(&plan, Identity { plan: 5, part: 0 }).fill(&mut samples, -3.3, 1.0 / rate_hz);
            let hits = find(rate_hz, &samples);
            let codes: Vec<Code> = hits.iter().map(|h| h.code).collect();
            assert_eq!(codes, plan.markers.iter().map(|m| m.code).collect::<Vec<_>>(), "{rate_hz} {hits:?}");
            for (hit, marker) in hits.iter().zip(&plan.markers) {
                let off = hit.frame / rate_hz - 3.3 - marker.start_seconds;
                // The grid is about 0.09 ms; the band edges take 1 % of a clean chirp, the parabola 2 %.
                assert!(off.abs() < 5e-5 && hit.rho > 0.97, "{rate_hz} {off} {hit:?}");
            }
        }
    }

    #[test]
    fn the_parabola_errs_as_it_must() {
        // It only finds a marker roughly; `clock::time` places it. The table has the correlation of ideal low-pass
        // noise, sinc(2Bτ), and what a parabola makes of its top.
        let sinc = |x: f64| {
            if x == 0.0 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) }
        };
        let mut rows = 0;
        for row in include_str!("../../tests/reference/subsample_peak.csv").lines().skip(2) {
            // A band in quotes holds a comma.
            let cells: Vec<&str> = row.rsplitn(6, ',').collect();
            let (bias, found, offset, band) = (cells[2], cells[3], cells[4], cells[5]);
            let part = band.trim_matches('"').rsplit('/').next().unwrap().trim_end_matches(')');
            let [bias, found, offset, part] = [bias, found, offset, part].map(|c| c.parse::<f64>().unwrap());
            let at = |k: f64| sinc(2.0 / part * (k - offset)) as f32;
            let lean = f64::from(parabola(at(-1.0), at(0.0), at(1.0)));
            // Correlations are single precision here: six digits of the top, of which the bend is a small part.
            assert!((lean - found).abs() < 1e-4, "{row}: {lean}");
            assert!((lean - offset - bias).abs() < 1e-4, "{row}: {lean}");
            rows += 1;
        }
        assert_eq!(rows, 12);
    }

    #[test]
    fn silence_noise_and_very_short_recordings_hold_no_marker() {
        assert!(find(48_000.0, &[]).is_empty());
        assert!(find(48_000.0, &[0.5]).is_empty());
        assert!(find(8_000.0, &vec![0.1; 100_000]).is_empty());
        let mut state = 1u64;
        let noise: Vec<f64> = (0..2_000_000)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as f64 / 2f64.powi(30) - 1.0
            })
            .collect();
        assert!(find(48_000.0, &noise).is_empty());
    }
}
