//! One channel, sample by sample.

use std::ops::Range;

use super::ends::End;
use super::{MOST_STRETCHES, PiledUp};
use crate::finding::{Finding, Severity};
use crate::takes::shown::count;
use crate::units;

/// Samples kept before the block at hand, to judge what a gap interrupts.
const HISTORY: usize = 64;
/// Exact zeros in a row that are looked at: with noise of four steps RMS or more before them, chance
/// gives a single zero with p ≤ 0.1 and this many with p ≤ 1e-16.
const ZERO_RUN: u64 = 16;
/// Zeros at the begin that are worth a word.
const LEADING_ZEROS: u64 = 32;
/// Near-zeros at the begin that are worth a word: the quiet of a 16-bit recording looks the same for
/// a moment.
const LEADING_SILENCE: u64 = 512;
/// A rounded crest can stand still as well, but then its neighbours are less than this many steps
/// away: for three equal codes the crest's curvature is under 2 steps, the next sample under 4 lower.
const STEEP_STEPS: f64 = 5.0;
/// Clipped stretches nearer than this are one: longer than a cycle of the lowest tone that is played (20 Hz),
/// shorter than any step.
const MERGE_SECONDS: f64 = 0.06;
/// From here on a value is at full scale, for 16 bits and more.
const FULL_SCALE: f64 = 1.0 - 1.0 / 16_384.0;
/// Mean of the samples, of full scale, from which DC is worth a word (0.5 %): common practice, no source.
const DC: f64 = 0.005;
/// Peaks beyond this are no overshoot but a file of integers called float (40 dB over full scale).
const INTEGERS: f64 = 100.0;

/// How often something was seen, and where first.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    count: u64,
    first: u64,
}

impl Tally {
    fn see(&mut self, frame: u64) {
        if self.count == 0 {
            self.first = frame;
        }
        self.count += 1;
    }
}

/// Runs of one code at one end of the range.
#[derive(Debug, Clone, Default)]
struct Plateau {
    /// Magnitude of the code.
    height: f64,
    runs: u64,
    longest: u64,
    samples: u64,
    stretches: Vec<Range<u64>>,
}

impl Plateau {
    fn see(&mut self, height: f64, frames: Range<u64>, merge: u64) {
        if height > self.height {
            *self = Self { height, ..Self::default() };
        }
        let length = frames.end - frames.start;
        self.runs += 1;
        self.samples += length;
        self.longest = self.longest.max(length);
        if let Some(last) = self.stretches.last_mut().filter(|last| frames.start <= last.end + merge) {
            last.end = frames.end;
        } else if self.stretches.len() < MOST_STRETCHES {
            self.stretches.push(frames);
        }
    }

    /// Whether this is a converter at its end rather than a chance.
    fn is_clipping(&self, extreme: f64) -> bool {
        if self.height < extreme || self.runs == 0 {
            return false;
        }
        let full = self.height >= FULL_SCALE;
        if full { self.longest >= 3 || self.runs >= 3 } else { self.longest >= 3 && self.runs >= 3 }
    }
}

fn sorted(stretches: impl Iterator<Item = Range<u64>>) -> Vec<Range<u64>> {
    let mut all: Vec<Range<u64>> = stretches.collect();
    all.sort_by_key(|stretch| stretch.start);
    all
}

/// Watches one channel.
pub(super) struct Channel {
    step: f64,
    rate_hz: f64,
    frames: u64,
    sum: f64,
    squares: f64,
    max: f64,
    min: f64,
    nan: Tally,
    infinite: Tally,
    over: Tally,
    leading_zeros: u64,
    /// The same, the last bit left out of account.
    leading_silence: u64,
    /// The run of equal samples that goes on at the moment.
    run: u64,
    last: f64,
    before_run: f64,
    /// Mean magnitude before a run of zeros that is long enough to matter.
    before_zeros: Option<f64>,
    top: Plateau,
    bottom: Plateau,
    ends: [End; 2],
    gaps: Vec<Range<u64>>,
    gap_count: u64,
    history: Vec<f64>,
}

impl Channel {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            step: 1.0,
            rate_hz,
            frames: 0,
            sum: 0.0,
            squares: 0.0,
            max: f64::NEG_INFINITY,
            min: f64::INFINITY,
            nan: Tally::default(),
            infinite: Tally::default(),
            over: Tally::default(),
            leading_zeros: 0,
            leading_silence: 0,
            run: 0,
            last: f64::NAN,
            before_run: f64::NAN,
            before_zeros: None,
            top: Plateau::default(),
            bottom: Plateau::default(),
            ends: [End::new((MERGE_SECONDS * rate_hz) as u64), End::new((MERGE_SECONDS * rate_hz) as u64)],
            gaps: Vec::new(),
            gap_count: 0,
            history: Vec::new(),
        }
    }

    /// Takes the next samples of this channel; `step` is the smallest step of the codes seen so far.
    pub(super) fn feed(&mut self, samples: &[f64], step: f64) {
        self.step = step;
        let sums = Sums::of(samples);
        self.sum += sums.sum;
        self.squares += sums.squares;
        self.max = self.max.max(sums.max);
        self.min = self.min.min(sums.min);
        if !sums.squares.is_finite() || sums.max > 1.0 || sums.min < -1.0 {
            self.tally(samples);
        }
        let [high, low] = &mut self.ends;
        for (frame, &x) in (self.frames..).zip(samples) {
            high.see(x, frame);
            low.see(-x, frame);
        }
        for (k, &x) in samples.iter().enumerate() {
            if x == self.last {
                self.run += 1;
                if x == 0.0 && self.run == ZERO_RUN {
                    self.before_zeros = Some(self.magnitude_before(samples, k + 1));
                }
                continue;
            }
            if self.run >= 2 {
                self.end_run(self.frames + k as u64, x);
            }
            self.before_run = self.last;
            self.last = x;
            self.run = 1;
        }
        if self.leading_zeros == self.frames {
            self.leading_zeros += samples.iter().take_while(|&&x| x == 0.0).count() as u64;
        }
        if self.leading_silence == self.frames {
            self.leading_silence += samples.iter().take_while(|x| x.abs() <= 1.01 * step).count() as u64;
        }
        self.frames += samples.len() as u64;
        let keep = samples.len().saturating_sub(HISTORY + ZERO_RUN as usize);
        if keep > 0 {
            self.history.clear();
        }
        self.history.extend_from_slice(samples.get(keep..).unwrap_or_default());
        let extra = self.history.len().saturating_sub(HISTORY + ZERO_RUN as usize);
        self.history.drain(..extra);
    }

    /// Ends a run that goes on to the last sample.
    pub(super) fn end(&mut self) {
        if self.run >= 2 && self.last != 0.0 {
            self.end_run(self.frames, 0.0);
        }
    }

    /// Mean magnitude of the samples before a run of zeros whose latest one stands at `samples[end - 1]`.
    fn magnitude_before(&self, samples: &[f64], end: usize) -> f64 {
        let run = ZERO_RUN as usize;
        let before = self.history.iter().chain(samples.iter().take(end)).rev().skip(run).take(HISTORY);
        let (count, sum) = before.fold((0u32, 0.0), |(n, s), x| (n + 1, s + x.abs()));
        if count == 0 { 0.0 } else { sum / f64::from(count) }
    }

    /// A run of `self.run` samples equal to `self.last` ended before `frame`, where `next` stands.
    fn end_run(&mut self, frame: u64, next: f64) {
        let begin = frame - self.run;
        let value = self.last;
        if value == 0.0 {
            // Dither round silence makes short runs of zeros too, but goes on at the last bit.
            let before = self.before_zeros.take();
            let resumes = next.abs() > 1.5 * self.step;
            let interrupts = resumes && before.is_some_and(|m| m >= 4.0 * self.step);
            if interrupts && begin > 0 {
                self.gap_count += 1;
                if self.gaps.len() < MOST_STRETCHES {
                    self.gaps.push(begin..frame);
                }
            }
            return;
        }
        let least = if value.abs() >= FULL_SCALE { 2 } else { 3 };
        let plateau = if value > 0.0 { &mut self.top } else { &mut self.bottom };
        if self.run < least || value.abs() < plateau.height {
            return;
        }
        let steep = STEEP_STEPS * self.step;
        let side = |other: f64| (other - value).abs() > steep || other.is_nan();
        if side(self.before_run) && side(next) {
            plateau.see(value.abs(), begin..frame, (MERGE_SECONDS * self.rate_hz) as u64);
        }
    }

    fn tally(&mut self, samples: &[f64]) {
        for (frame, x) in (self.frames..).zip(samples) {
            if x.is_nan() {
                self.nan.see(frame);
            } else if x.is_infinite() {
                self.infinite.see(frame);
            } else if x.abs() > 1.0 {
                self.over.see(frame);
            }
        }
    }

    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    pub(super) fn is_finite(&self) -> bool {
        self.nan.count + self.infinite.count == 0
    }

    /// How many samples are not, and the frame of the first.
    pub(super) fn not_finite(&self) -> Option<(u64, u64)> {
        let seen = [self.nan, self.infinite].into_iter().filter(|tally| tally.count > 0);
        let first = seen.map(|tally| tally.first).min()?;
        Some((self.nan.count + self.infinite.count, first))
    }

    pub(super) fn is_all_zero(&self) -> bool {
        self.leading_zeros == self.frames
    }

    /// Not finite if any sample is not, or if there is none.
    pub(super) fn rms(&self) -> f64 {
        (self.squares / self.frames as f64).sqrt()
    }

    pub(super) fn rms_without_dc(&self) -> f64 {
        if !self.squares.is_finite() {
            return f64::NAN;
        }
        let mean = self.dc();
        (self.squares / self.frames as f64 - mean * mean).max(0.0).sqrt()
    }

    pub(super) fn peak(&self) -> f64 {
        if self.is_finite() && self.frames > 0 { self.max.max(-self.min) } else { f64::NAN }
    }

    pub(super) fn dc(&self) -> f64 {
        self.sum / self.frames as f64
    }

    /// Smallest step of the codes seen.
    pub(super) fn step(&self) -> f64 {
        self.step
    }

    /// Where exact zeros interrupt a signal.
    pub(super) fn gaps(&self) -> Vec<Range<u64>> {
        self.gaps.clone()
    }

    /// Where the recorder clipped: every sample at an end that runs of equal codes prove.
    pub(super) fn clipped(&self) -> Vec<Range<u64>> {
        let proven = [(&self.top, self.max), (&self.bottom, -self.min)];
        let ends = proven.into_iter().zip(&self.ends);
        let clipped = ends.filter(|((plateau, extreme), _)| plateau.is_clipping(*extreme));
        sorted(clipped.flat_map(|(_, end)| end.stretches().iter().cloned()))
    }

    /// Where one largest code comes again and again, which is clipping if the recording has noise of a code or more:
    /// its level, how often, and the stretches.
    pub(super) fn piled_up(&self) -> Option<PiledUp> {
        let piled: Vec<(&End, (f64, u64))> =
            self.ends.iter().filter_map(|end| Some((end, end.piled_up(self.step)?))).collect();
        Some(PiledUp {
            peak: piled.iter().map(|p| p.1.0).reduce(f64::max)?,
            count: piled.iter().map(|p| p.1.1).sum(),
            stretches: sorted(piled.iter().flat_map(|p| p.0.stretches().iter().cloned())),
        })
    }

    /// What a person must know; `name` precedes each, `used` says that figures are taken from here.
    pub(super) fn findings(&self, name: &str, used: bool) -> Vec<Finding> {
        let worst = if used { Severity::Redo } else { Severity::Note };
        let seconds = |frame: u64| frame as f64 / self.rate_hz;
        let mut findings = Vec::new();
        for (tally, one, many) in [
            (self.nan, "sample is not a number", "samples are not numbers"),
            (self.infinite, "sample is infinite", "samples are infinite"),
        ] {
            if tally.count == 0 {
                continue;
            }
            let (what, first) = if tally.count == 1 { (one, "at") } else { (many, "first at") };
            findings.push(
                Finding::new(
                    "not_finite",
                    worst,
                    format!("{name}{} {what}, {first} frame {}", count(tally.count), tally.first),
                    "no figure can be taken from this channel",
                    "export the recording again; a plug-in or a damaged file is the usual cause",
                )
                .at(seconds(tally.first)),
            );
        }
        if !self.is_finite() {
            return findings;
        }
        let peak = self.peak();
        if peak > INTEGERS {
            findings.push(Finding::new(
                "integers_as_float",
                worst,
                format!(
                    "{name}samples exceed full scale (peak about {peak:.0}): a float file that holds integers"
                ),
                "every level is meaningless; ratios such as THD still hold",
                "export again as integer PCM, or as float scaled to ±1",
            ));
        } else if self.over.count > 0 {
            findings.push(
                Finding::new(
                    "over_full_scale",
                    Severity::Note,
                    format!(
                        "{name}samples exceed full scale (peak about {peak:.2}), first at frame {}",
                        self.over.first
                    ),
                    "read as they stand, nothing was clipped in this file; a converter would have clipped",
                    "keep it as float; check that the level was not raised after recording",
                )
                .at(seconds(self.over.first)),
            );
        }
        findings.extend(self.clipping(name, worst));
        findings.extend(self.late_start(name));
        if let Some(first) = self.gaps.first() {
            let longest = self.gaps.iter().map(|g| g.end - g.start).max().unwrap_or(0);
            let times = if self.gap_count == 1 {
                format!("{} exact zeros in a row at frame {}", count(longest), first.start)
            } else {
                format!(
                    "{} stretches of exact zeros, the longest {} frames, the first at frame {}",
                    count(self.gap_count),
                    count(longest),
                    first.start
                )
            };
            findings.push(
                Finding::new(
                    "zeroed",
                    if used { Severity::Limit } else { Severity::Note },
                    format!("{name}{times}, in the middle of a signal"),
                    "the recorder lost buffers, or a noise gate closed; whatever was measured there is wrong",
                    "use a larger buffer, switch gates and noise reduction off, and record again",
                )
                .at(seconds(first.start)),
            );
        }
        let dc = self.dc();
        if dc.abs() > DC {
            findings.push(Finding::new(
                "dc_offset",
                if dc.abs() > 0.1 { Severity::Limit } else { Severity::Note },
                format!("{name}DC of {:.2} % of full scale", 100.0 * dc),
                "it is taken out of all figures but eats headroom",
                "if the amp's output is coupled to DC, look for a fault there; else suspect the interface",
            ));
        }
        findings
    }

    /// Nothing at the start: empty buffers, exactly zero or with the dither of a later conversion.
    fn late_start(&self, name: &str) -> Option<Finding> {
        let (code, saw) = if self.is_all_zero() || self.leading_silence == self.frames {
            return None;
        } else if self.leading_zeros >= LEADING_ZEROS {
            ("leading_zeros", format!("{name}{} exact zeros at the start", count(self.leading_zeros)))
        } else if self.leading_silence >= LEADING_SILENCE {
            let frames = count(self.leading_silence);
            ("leading_silence", format!("{name}{frames} zeros at the start, but for the last bit"))
        } else {
            return None;
        };
        let finding = Finding::new(
            code,
            Severity::Note,
            saw,
            "the recorder delivered empty buffers first; a level taken over the whole file is too low",
            "let the recorder run for a second before you start playing",
        );
        Some(finding.at(0.0))
    }

    fn clipping(&self, name: &str, worst: Severity) -> Option<Finding> {
        let ends = [(&self.top, self.max), (&self.bottom, -self.min)];
        let clipping: Vec<&Plateau> =
            ends.into_iter().filter(|(p, extreme)| p.is_clipping(*extreme)).map(|(p, _)| p).collect();
        let highest = clipping.iter().max_by(|a, b| a.height.total_cmp(&b.height))?;
        let runs: u64 = clipping.iter().map(|p| p.runs).sum();
        let longest = clipping.iter().map(|p| p.longest).max().unwrap_or(0);
        let first = clipping.iter().filter_map(|p| p.stretches.first()).map(|s| s.start).min().unwrap_or(0);
        let place = if highest.height >= FULL_SCALE {
            "full-scale samples".to_owned()
        } else {
            format!("equal samples at the largest value, {:.2} dBFS", units::dbfs_of_peak(highest.height))
        };
        let runs = format!("{} runs of {place}, the longest {longest}", count(runs));
        Some(clipped(&format!("{name}clipped: {runs}"), worst).at(first as f64 / self.rate_hz))
    }
}

fn clipped(saw: &str, severity: Severity) -> Finding {
    Finding::new(
        "clipped_input",
        severity,
        saw,
        "the recorder, not the amp, cut the peaks: distortion is too high, levels are too low",
        "turn the interface's input gain down, or use a larger pad, until the loudest step leaves 3 dB",
    )
}

/// A code that is piled up, in a recording whose noise does not allow that.
pub(super) fn piled(piled: &PiledUp, rate_hz: f64) -> Finding {
    let first = piled.stretches.first().map_or(0, |s| s.start);
    let saw = format!(
        "clipped: {} samples have exactly the largest value, {:.2} dBFS, though the noise would spread them",
        count(piled.count),
        units::dbfs_of_peak(piled.peak)
    );
    clipped(&saw, Severity::Redo).at(first as f64 / rate_hz)
}

/// Sums of a block, in eight lanes so that the compiler can use wide registers.
struct Sums {
    sum: f64,
    squares: f64,
    max: f64,
    min: f64,
}

impl Sums {
    fn of(samples: &[f64]) -> Self {
        let (lanes, rest) = samples.as_chunks::<8>();
        let (mut sum, mut squares) = ([0.0; 8], [0.0; 8]);
        let (mut max, mut min) = ([f64::NEG_INFINITY; 8], [f64::INFINITY; 8]);
        for lane in lanes {
            for k in 0..8 {
                let x = lane[k];
                sum[k] += x;
                squares[k] += x * x;
                max[k] = if x > max[k] { x } else { max[k] };
                min[k] = if x < min[k] { x } else { min[k] };
            }
        }
        let mut all = Self {
            sum: sum.iter().sum(),
            squares: squares.iter().sum(),
            max: max.into_iter().fold(f64::NEG_INFINITY, f64::max),
            min: min.into_iter().fold(f64::INFINITY, f64::min),
        };
        for &x in rest {
            all.sum += x;
            all.squares += x * x;
            all.max = all.max.max(x);
            all.min = all.min.min(x);
        }
        all
    }
}
