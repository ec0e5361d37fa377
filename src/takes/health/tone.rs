//! A plain steady tone says more of the recorder than of the amp: samples lost or repeated turn its
//! phase, a gain that rides turns its level, a wrong rate label moves its frequency.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use crate::finding::{Finding, Severity};
use crate::measure::{Plans, fit};
use crate::units;

/// Longest stretch that is transformed to find the frequency.
const MOST_SAMPLES: usize = 65_536;
/// Shortest stretch in which a tone is looked for.
const LEAST_SAMPLES: usize = 512;
/// Share of the power that the strongest line holds in a lone tone: a square wave has 0.81, two
/// equal tones have 0.5.
const SHARE: f64 = 0.6;
/// Periods from one look at the phase to the next; each look is twice as long.
const HOP_PERIODS: f64 = 4.0;
/// A level that moves by less than this is steady: warm-up of an amp moves it by about 0.1 dB (from memory).
const STEADY_DB: f64 = 0.3;
/// Harmonics that the signal before and after a jump is rebuilt from.
const HARMONICS: usize = 12;

/// What a recording without markers shows, if it holds a lone steady tone; says so if it does not.
/// `samples[0]` is frame `first_frame` of the file.
#[must_use]
pub fn inspect(samples: &[f32], rate_hz: f64, first_frame: u64, plans: &mut Plans) -> Vec<Finding> {
    let track = strongest(samples, plans).and_then(|coarse| Track::along(samples, coarse));
    let Some(mut track) = track else {
        return vec![Finding::new(
            "no_steady_tone",
            Severity::Limit,
            "no markers and no steady tone found",
            "nothing but level and the health of the samples can be given",
            "record the programme from before its first to after its last chirps, or a steady tone",
        )];
    };
    track.settle();
    let frequency_hz = track.omega * rate_hz / TAU;
    let mut findings = Vec::new();
    findings.extend(track.jumps(samples, rate_hz, first_frame, plans));
    findings.extend(track.level(rate_hz, first_frame));
    findings.extend(rate_label(frequency_hz));
    findings
}

/// A recording under this without a tone is what an open input gives (dBFS; common practice, no source).
const NOISE_DBFS: f64 = -60.0;

/// Says of a recording that holds neither markers nor a tone what it may be, by its level in dBFS.
#[must_use]
pub fn nothing(level_dbfs: Option<f64>) -> Finding {
    if let Some(level) = level_dbfs.filter(|level| *level < NOISE_DBFS) {
        return Finding::new(
            "no_steady_tone",
            Severity::Redo,
            format!("nothing was recorded: only noise at {level:.0} dBFS"),
            "nothing can be measured",
            "is the cable in, the right input chosen, the amp on and its volume up? Then record again",
        );
    }
    Finding::new(
        "no_steady_tone",
        Severity::Redo,
        "no markers and no steady tone found",
        "nothing but level and the health of the samples can be given",
        "record the programme from before its first to after its last chirps, or a steady tone",
    )
}

/// Angular frequency of the strongest line, if it is the only strong one.
fn strongest(samples: &[f32], plans: &mut Plans) -> Option<f64> {
    let length =
        if samples.len() >= MOST_SAMPLES { MOST_SAMPLES } else { 1 << samples.len().checked_ilog2()? };
    if length < LEAST_SAMPLES {
        return None;
    }
    // The loudest of up to sixteen places, so that silence before the tone does not count.
    let room = samples.len() - length;
    let place = (0..=15).map(|k| room * k / 15).map(|at| &samples[at..at + length]).max_by(|a, b| {
        let power = |x: &[f32]| x.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>();
        power(a).total_cmp(&power(b))
    })?;
    let hann = plans.hann(length);
    let mut windowed: Vec<f64> = place.iter().zip(hann.iter()).map(|(&x, w)| f64::from(x) * w).collect();
    let power: Vec<f64> = plans.transform(&mut windowed).iter().map(Complex::norm_sqr).collect();
    // The first bins are DC and its skirt.
    let (peak, _) = power.iter().enumerate().skip(4).max_by(|a, b| a.1.total_cmp(b.1))?;
    let total: f64 = power.iter().skip(4).sum();
    let lobe: f64 = power.iter().skip(peak.saturating_sub(3)).take(7).sum();
    if !(total > 0.0 && lobe >= SHARE * total) || peak + 1 >= power.len() {
        return None;
    }
    let log = |k: usize| power.get(k).copied().unwrap_or(0.0).max(f64::MIN_POSITIVE).ln();
    let (before, here, after) = (log(peak - 1), log(peak), log(peak + 1));
    let bend = before - 2.0 * here + after;
    let lean = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some(TAU * (peak as f64 + lean) / length as f64)
}

/// Level and phase of the tone along the recording.
struct Track {
    omega: f64,
    hop: usize,
    /// Amplitude and phase, re a tone of `omega` that starts with the recording.
    looks: Vec<Complex<f64>>,
    /// The looks at which the tone is on.
    on: std::ops::Range<usize>,
}

impl Track {
    fn along(samples: &[f32], omega: f64) -> Option<Self> {
        let hop = (HOP_PERIODS * TAU / omega).ceil() as usize;
        let looks: Vec<Complex<f64>> = (0..(samples.len() / hop).checked_sub(1)?)
            .map(|k| look(&samples[k * hop..(k + 2) * hop], omega, k * hop))
            .collect();
        let top = looks.iter().map(|c| c.norm()).fold(0.0, f64::max);
        let loud = |c: &Complex<f64>| c.norm() > 0.1 * top;
        let first = looks.iter().position(loud)?;
        let last = looks.iter().rposition(loud)?;
        Some(Self { omega, hop, looks, on: first + 1..last.max(first + 1) })
    }

    /// Turns by which the phase moves from a look to another, less what the frequency explains.
    fn turn(&self, from: usize, to: usize) -> f64 {
        match (self.looks.get(from), self.looks.get(to)) {
            (Some(a), Some(b)) => (b * a.conj()).arg(),
            _ => 0.0,
        }
    }

    /// The exact frequency: the median step of the phase is not moved by a jump.
    fn settle(&mut self) {
        let steps = (self.on.start..self.on.end.saturating_sub(1)).map(|k| self.turn(k, k + 1));
        let Some(step) = median(steps.collect()) else { return };
        let detune = step / self.hop as f64;
        self.omega += detune;
        for (k, look) in self.looks.iter_mut().enumerate() {
            // Seen from the middle of the look.
            *look *= Complex::from_polar(1.0, -detune * ((k + 1) * self.hop) as f64);
        }
    }

    fn jumps(&self, samples: &[f32], rate_hz: f64, first_frame: u64, plans: &mut Plans) -> Option<Finding> {
        // Looks k − 1 and k + 2 do not overlap, so a jump between them shows in full.
        let turns: Vec<f64> =
            (self.on.start + 1..self.on.end.saturating_sub(2)).map(|k| self.turn(k - 1, k + 2)).collect();
        let spread = 1.48 * median(turns.iter().map(|t| t.abs()).collect())?;
        // Less than half a sample is no lost sample; eight times the spread is no noise.
        let least = (0.4 * self.omega).max(8.0 * spread).max(1e-3);
        let mut jumps = Vec::new();
        let mut k = 0;
        while k < turns.len() {
            if turns[k].abs() <= least {
                k += 1;
                continue;
            }
            let begin = k;
            while k < turns.len() && turns[k].abs() > least {
                k += 1;
            }
            // The turn in the middle of those that see the jump is the whole jump.
            let turn = turns[(begin + k - 1) / 2];
            let (from, to) = (self.on.start + 1 + begin, self.on.start + k + 3);
            jumps.push((self.place(samples, from * self.hop, to * self.hop, plans), turn));
        }
        let &(frame, turn) = jumps.first()?;
        let at = first_frame + frame as u64;
        let more = if jumps.len() > 1 { format!(", and {} more", jumps.len() - 1) } else { String::new() };
        let saw = match repeated(samples, frame, TAU / self.omega) {
            Some(length) => {
                format!("phase jump at frame {at} (samples repeated: the same {length} come twice){more}")
            }
            None => {
                let period = TAU / self.omega;
                let missing = (turn / self.omega).rem_euclid(period);
                format!(
                    "phase jump at frame {at} (samples missing or repeated: {:+.0}°, as if {missing:.0} were missing or {:.0} came twice; whole periods of {period:.1} cannot be seen){more}",
                    turn.to_degrees(),
                    period - missing
                )
            }
        };
        Some(
            Finding::new(
                "phase_jump",
                Severity::Redo,
                saw,
                "a figure taken across the jump is wrong: it looks like distortion and noise",
                "use a larger buffer, close other programs, and record again",
            )
            .at(at as f64 / rate_hz),
        )
    }

    /// The sample at which the tone before gives way to the tone after, between two places: the cut
    /// that leaves the least squares.
    fn place(&self, samples: &[f32], from: usize, to: usize, plans: &mut Plans) -> usize {
        let reach = 8 * self.hop;
        let to = to.min(samples.len());
        let before = from.saturating_sub(reach)..from;
        let after = to..(to + reach).min(samples.len());
        let omegas: Vec<f64> =
            (1..=HARMONICS).map(|n| self.omega * n as f64).take_while(|w| *w < 0.9 * PI).collect();
        let mut rebuild = |part: std::ops::Range<usize>| -> Option<Vec<f64>> {
            let start = part.start as f64;
            let fitted = fit::fit(samples.get(part)?, &omegas, plans)?;
            let value = |n: usize| {
                let lines = fitted.lines.iter().zip(&omegas);
                fitted.dc
                    + lines
                        .map(|(c, w)| (c * Complex::from_polar(1.0, w * (n as f64 - start))).re)
                        .sum::<f64>()
            };
            Some((from..to).map(value).collect())
        };
        let (Some(old), Some(new)) = (rebuild(before), rebuild(after)) else { return (from + to) / 2 };
        let (mut gain, mut best, mut place) = (0.0, 0.0, from);
        for (k, ((x, a), b)) in samples[from..to].iter().zip(old).zip(new).enumerate() {
            let x = f64::from(*x);
            gain += (x - b).powi(2) - (x - a).powi(2);
            if gain > best {
                (best, place) = (gain, from + k + 1);
            }
        }
        place
    }

    fn level(&self, rate_hz: f64, first_frame: u64) -> Option<Finding> {
        let levels: Vec<f64> = self.looks.get(self.on.clone())?.iter().map(|c| units::db(c.norm())).collect();
        if levels.len() < 8 {
            return None;
        }
        let mut sorted = levels.clone();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| sorted[((sorted.len() - 1) as f64 * share) as usize];
        let spread = at(0.97) - at(0.03);
        let third = levels.len() / 8;
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len().max(1) as f64;
        let (begin, end) = (mean(&levels[..third.max(1)]), mean(&levels[levels.len() - third.max(1)..]));
        if spread.max((end - begin).abs()) < STEADY_DB {
            return None;
        }
        // The first and last look stand a hop and more inside; the ramp goes on outside.
        let looks = levels.len() as f64;
        let change = (*levels.last()? - *levels.first()?) * (looks + 3.0) / (looks - 1.0);
        let saw = if (end - begin).abs() > 0.6 * spread {
            let way = if end > begin { "rises" } else { "falls" };
            format!("level is not steady: it {way} through the take, by {:.1} dB", change.abs())
        } else {
            format!("level is not steady: it moves by {spread:.1} dB")
        };
        Some(
            Finding::new(
                "level_not_steady",
                if spread >= 1.0 { Severity::Redo } else { Severity::Limit },
                saw,
                "levels and everything derived from them depend on the moment they are taken",
                "switch off automatic gain, limiter and enhancement in recorder and system; let the amp warm up",
            )
            .at((first_frame as f64 + (self.on.start * self.hop) as f64) / rate_hz),
        )
    }
}

/// Amplitude and phase of a stretch, Hann-weighted; `start` is its place in the recording.
pub(super) fn look(samples: &[f32], omega: f64, start: usize) -> Complex<f64> {
    let count = samples.len() as f64;
    let step = Complex::from_polar(1.0, -omega);
    let mut phasor = Complex::from_polar(1.0, -(omega * start as f64).rem_euclid(TAU));
    let bell_step = Complex::from_polar(1.0, TAU / count);
    let mut bell = Complex::from_polar(1.0, PI / count);
    let mut sum = Complex::default();
    for &x in samples {
        sum += phasor * (f64::from(x) * (0.5 - 0.5 * bell.re));
        phasor *= step;
        bell *= bell_step;
    }
    sum * (4.0 / count)
}

/// How many samples after `at` are, bit for bit, those before it. A tone of whole samples a period
/// without noise repeats by nature; that is no evidence.
fn repeated(samples: &[f32], at: usize, period: f64) -> Option<usize> {
    let longest = at.min(samples.len().saturating_sub(at)).min(8192);
    let same = |a: usize, b: usize, length: usize| samples.get(a..a + length) == samples.get(b..b + length);
    let least = (1.2 * period).ceil() as usize;
    // By nature: the stretch before the jump equals the one a few periods earlier.
    let natural = (1..=8).any(|n| {
        let back = (period * f64::from(n)).round() as usize;
        at >= least + back && same(at - least, at - least - back, least)
    });
    if natural || least == 0 {
        return None;
    }
    (least..=longest).find(|&length| same(at - length, at, length))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let (_, &mut median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(median)
}

/// Frequencies that generators are set to (common practice) and those of our own signals.
const USUAL_HZ: [f64; 16] = [
    50.0, 60.0, 82.4, 100.0, 220.0, 275.0, 315.0, 400.0, 440.0, 500.0, 997.0, 1000.0, 1010.0, 3150.0, 5000.0,
    10_000.0,
];
/// Rates that are mistaken for each other, as ratios.
const MIXED_UP: [(f64, &str); 4] = [
    (44_100.0 / 48_000.0, "taken at 48 kHz (or 96), labelled 44.1 (or 88.2)"),
    (48_000.0 / 44_100.0, "taken at 44.1 kHz (or 88.2), labelled 48 (or 96)"),
    (48_000.0 / 88_200.0, "taken at 88.2 kHz, labelled 48"),
    (44_100.0 / 96_000.0, "taken at 96 kHz, labelled 44.1"),
];

/// A frequency that is a usual one times the ratio of two usual rates.
fn rate_label(frequency_hz: f64) -> Option<Finding> {
    // Clocks agree within 250 ppm; a generator's setting within about that.
    let near = |a: f64, b: f64| (a / b - 1.0).abs() < 3e-4;
    if USUAL_HZ.iter().any(|&usual| near(frequency_hz, usual)) {
        return None;
    }
    let (usual, story) = MIXED_UP.iter().find_map(|&(ratio, story)| {
        USUAL_HZ.iter().find(|&&usual| near(frequency_hz, usual * ratio)).map(|&usual| (usual, story))
    })?;
    Some(Finding::new(
        "rate_label",
        Severity::Limit,
        format!("tone found at {frequency_hz:.2} Hz, not {usual} Hz: {story}?"),
        "every frequency is off by that ratio; levels and THD of the tone still hold",
        "if the generator was set to the usual frequency, correct the rate in the recorder and record again",
    ))
}
