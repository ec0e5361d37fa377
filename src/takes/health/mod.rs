//! Faults that the samples themselves show, whatever was recorded.
//!
//! [`Health`] is fed every block of a file in one pass, in fixed memory. [`tone`] looks more closely at
//! a plain steady tone, [`programme`] at a take of a known plan, [`gain`] at what was measured of it.

mod breaks;
mod channel;
mod ends;
pub mod gain;
pub mod helper;
mod jump;
mod pairs;
pub mod programme;
mod slip;
mod spectrum;
pub mod tone;

use std::ops::Range;

use super::source::Source;
use super::wav::CodeBits;
use crate::analysis::ChannelLevel;
use crate::figure::{Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::units;
use channel::Channel;
use pairs::Pairs;
use slip::Slip;

/// Shorter recordings hold nothing to measure.
const SHORTEST_SECONDS: f64 = 0.05;

/// Watches every sample of a recording.
pub struct Health {
    rate_hz: f64,
    channels: Vec<Channel>,
    pairs: Pairs,
    slip: Slip,
    plane: Vec<f64>,
}

/// What was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Level, peak and DC of every channel.
    pub levels: Vec<ChannelLevel>,
    /// RMS of every channel without its DC, in units of full scale; not finite where samples are not.
    pub rms: Vec<f64>,
    /// Where each channel was clipped in the recorder: frames, merged where nearer than 60 ms, at
    /// most the first [`MOST_STRETCHES`].
    pub clipped: Vec<Vec<Range<u64>>>,
    /// Channels in which one largest code comes again and again.
    pub piled_up: Vec<Option<PiledUp>>,
    /// Smallest step of the codes, of full scale.
    pub step: f64,
    /// Where each channel holds exact zeros in the middle of a signal: frames, at most the first
    /// [`MOST_STRETCHES`].
    pub gaps: Vec<Vec<Range<u64>>>,
    /// How many samples of each channel are no numbers or infinite, and the frame of the first.
    pub not_finite: Vec<Option<(u64, u64)>>,
    /// Frames in all.
    pub frames: u64,
    /// What a person must know.
    pub findings: Vec<Finding>,
}

/// One largest code that comes again and again: clipping, if the recording has noise of a code or more.
#[derive(Debug, Clone, PartialEq)]
pub struct PiledUp {
    /// Its magnitude, of full scale.
    pub peak: f64,
    /// How often it comes.
    pub count: u64,
    /// Where, in frames.
    pub stretches: Vec<Range<u64>>,
}

/// Float files come from converters of 24 bits at best: what is smaller than this is no step of theirs.
const FLOAT_STEP: f64 = 1.0 / 8_388_608.0;
/// Most stretches that are kept of one kind in one channel.
pub const MOST_STRETCHES: usize = 256;

impl Health {
    /// For a recording with these channels.
    #[must_use]
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        let rate_hz = f64::from(rate_hz);
        Self {
            rate_hz,
            channels: (0..channels).map(|_| Channel::new(rate_hz)).collect(),
            pairs: Pairs::new(channels),
            slip: Slip::new(channels, rate_hz),
            plane: Vec::new(),
        }
    }

    /// For what this source delivers.
    #[must_use]
    pub fn of(source: &Source) -> Self {
        Self::new(source.rate_hz(), source.channels())
    }

    /// Takes the next block, interleaved, with [`Source::code_bits`] as they stand after it.
    pub fn feed(&mut self, block: &[f64], bits: Option<CodeBits>) {
        let count = self.channels.len();
        let step = bits.map_or(FLOAT_STEP, |bits| 2f64.powi(1 - i32::from(bits.used().max(8))));
        if let [only] = self.channels.as_mut_slice() {
            only.feed(block, step);
            return;
        }
        for (k, channel) in self.channels.iter_mut().enumerate() {
            self.plane.clear();
            self.plane.extend(block.iter().skip(k).step_by(count));
            channel.feed(&self.plane, step);
        }
        self.pairs.feed(block);
        self.slip.feed(block);
    }

    /// What was seen, once everything was fed. `measured` is the channel that figures are taken from
    /// (from 0): what only another channel has does not spoil the recording. `bits` are those that
    /// the codes used.
    #[must_use]
    pub fn finish(mut self, measured: usize, bits: Option<CodeBits>) -> Report {
        let frames = self.channels.first().map_or(0, Channel::frames);
        let mut findings = Vec::new();
        let seconds = frames as f64 / self.rate_hz;
        if seconds < SHORTEST_SECONDS {
            findings.push(Finding::new(
                "too_short",
                Severity::Redo,
                format!(
                    "too short to analyse: {frames} frame{}, {:.3} ms",
                    if frames == 1 { "" } else { "s" },
                    seconds * 1e3
                ),
                "nothing can be measured",
                "record at least half a second of a steady tone, or the whole programme",
            ));
        }
        for channel in &mut self.channels {
            channel.end();
        }
        let too_short = !findings.is_empty();
        let several = self.channels.len() > 1;
        let rms: Vec<f64> = self.channels.iter().map(Channel::rms_without_dc).collect();
        let loudest = rms.iter().copied().filter(|r| r.is_finite()).fold(0.0, f64::max);
        // Of a handful of frames nothing else can be said.
        let judged = if too_short { 0 } else { self.channels.len() };
        for (k, channel) in self.channels.iter().enumerate().take(judged) {
            let name = if several { format!("channel {}: ", k + 1) } else { String::new() };
            findings.extend(channel.findings(&name, k == measured || !several));
        }
        if !too_short {
            findings.extend(self.silent(&rms, loudest, measured));
            findings.extend(self.pairs.findings(&rms));
            findings.extend(self.slip.findings());
            findings.extend(bits.and_then(|bits| few_bits(bits, &self.channels)));
        }
        Report {
            levels: self.channels.iter().enumerate().map(|(k, c)| level(k, c)).collect(),
            clipped: self.channels.iter().map(Channel::clipped).collect(),
            piled_up: self.channels.iter().map(Channel::piled_up).collect(),
            step: self.channels.first().map_or(FLOAT_STEP, Channel::step),
            gaps: self.channels.iter().map(Channel::gaps).collect(),
            not_finite: self.channels.iter().map(Channel::not_finite).collect(),
            rms,
            frames,
            findings,
        }
    }

    /// Channels that carry nothing.
    fn silent(&self, rms: &[f64], loudest: f64, measured: usize) -> Vec<Finding> {
        let dead = |r: f64| r < SILENT_RMS && r < loudest * SILENT_BELOW;
        let all_zero = self.channels.iter().all(Channel::is_all_zero) && !self.channels.is_empty();
        if all_zero && self.channels.first().is_some_and(|c| c.frames() > 0) {
            return vec![Finding::new(
                "no_signal",
                Severity::Redo,
                "no signal: every sample is 0",
                "nothing can be measured",
                "check that the right input is chosen and that the recorder was not muted",
            )];
        }
        let mut findings = Vec::new();
        let live: Vec<usize> =
            rms.iter().enumerate().filter(|&(_, &r)| !dead(r)).map(|(k, _)| k + 1).collect();
        let elsewhere = match live.as_slice() {
            [only] => format!(
                "if the amp is on channel {only}, give --channel {only}, or write channel = {only} under [rig]; \
                 if not, plug it into this one"
            ),
            _ => "choose the channel that the amp is on, or plug it into this one".to_owned(),
        };
        for (k, &r) in rms.iter().enumerate().filter(|&(_, &r)| dead(r)) {
            let severity = if k == measured { Severity::Redo } else { Severity::Note };
            let level =
                if r > 0.0 { format!("{:.0} dBFS", units::dbfs_of_rms(r)) } else { "all zeros".to_owned() };
            findings.push(Finding::new(
                "channel_silent",
                severity,
                format!(
                    "channel {} carries no signal ({level}; the loudest has {:.0} dBFS)",
                    k + 1,
                    units::dbfs_of_rms(loudest)
                ),
                if k == measured {
                    "the channel that is to be measured holds nothing"
                } else {
                    "nothing, if that channel was not meant to be used"
                },
                if k == measured {
                    elsewhere.as_str()
                } else {
                    "if the drive was meant to be recorded there, check its cable"
                },
            ));
        }
        findings
    }
}

/// RMS under which a channel may be called silent: −77 dBFS. Common practice, no source: a noisy input
/// without a cable lies below −80 dBFS.
const SILENT_RMS: f64 = 1e-4;
/// And that much under the loudest channel (50 dB).
const SILENT_BELOW: f64 = 0.003_16;

/// What converters give: a wider container with empty low bits is no loss.
const CONVERTER_BITS: u16 = 24;

/// Fewer bits than the file's codes have: a converter, driver or editor of 16 bits in the path.
fn few_bits(bits: CodeBits, channels: &[Channel]) -> Option<Finding> {
    let (used, declared) = (bits.used(), bits.declared);
    // A few loud samples alone would not show the low bits; a short file may miss them by chance.
    let frames = channels.first().map_or(0, Channel::frames);
    let live = channels.iter().any(|c| c.rms_without_dc() > 0.0);
    if used == 0 || used >= declared.min(CONVERTER_BITS) || frames < 64 || !live {
        return None;
    }
    Some(Finding::new(
        "few_bits_captured",
        Severity::Note,
        format!(
            "the low {} of {declared} bits are always 0: only {used} bits were captured",
            declared - used
        ),
        format!(
            "the noise floor cannot lie lower than about {:.0} dBFS; quiet steps and hum are measured with that noise",
            -(6.02 * f64::from(used) + 1.76)
        ),
        format!(
            "set recorder and driver to {} bits; switch off conversions on the way",
            declared.min(CONVERTER_BITS)
        ),
    ))
}

fn level(index: usize, channel: &Channel) -> ChannelLevel {
    let number = u32::try_from(index + 1).unwrap_or(u32::MAX);
    let reason = if channel.frames() == 0 {
        "there are no samples"
    } else if !channel.is_finite() {
        "some samples are not finite numbers"
    } else if channel.is_all_zero() {
        "no signal: every sample is 0"
    } else {
        "the samples are too large to be squared"
    };
    let quantity = |value: f64, unit: Unit| {
        if value.is_finite() {
            Quantity::new(value, unit).without_interval("worked out of the file's samples as they are")
        } else {
            Quantity::missing(unit, reason)
        }
    };
    ChannelLevel {
        channel: number,
        level: quantity(units::dbfs_of_rms(channel.rms()), Unit::DbFullScale),
        peak: quantity(units::db(channel.peak()), Unit::Decibels),
        dc: quantity(100.0 * channel.dc(), Unit::Percent),
    }
}
