//! What goes wrong with a recording, put into one on purpose: each with a place and a strength,
//! and always the same for the same values. The checks of `takes/` are tested on these.

use std::f64::consts::TAU;

use super::noise::White;
use crate::units::from_db;

/// A recording as it would lie in a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// The rate that the file states.
    pub rate_hz: u32,
    /// Samples of each channel, all of one length.
    pub channels: Vec<Vec<f64>>,
}

/// One fault. Times are in seconds of the recording, channels count from 0.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// Frames are missing: what follows comes too early.
    Dropout {
        /// First missing frame.
        at_seconds: f64,
        /// How many are missing.
        frames: usize,
    },
    /// Frames come twice: what follows comes too late.
    Repeat {
        /// First frame that comes again.
        at_seconds: f64,
        /// How many come again.
        frames: usize,
    },
    /// Frames are 0; what follows is in place.
    Zeroed {
        /// First frame.
        at_seconds: f64,
        /// How many.
        frames: usize,
    },
    /// Everything beyond this value is cut off.
    Clip {
        /// Largest value that passes.
        peak: f64,
    },
    /// Everything so far under the largest value and beyond is cut off.
    ClipUnderPeak {
        /// How far under it, dB.
        depth_db: f64,
    },
    /// A limiter with its threshold so far under the largest value.
    LimitUnderPeak {
        /// How far under it, dB.
        depth_db: f64,
        /// Time constant of coming back.
        release_seconds: f64,
    },
    /// The export turns the largest value to this level.
    Normalise {
        /// Level of the largest value, dB re full scale.
        peak_db: f64,
    },
    /// The recorder turns its gain so that the level becomes `target_rms`, up to 30 dB up or down.
    Agc {
        /// RMS that it strives for.
        target_rms: f64,
        /// Time constant when the level is too high.
        attack_seconds: f64,
        /// Time constant when the level is too low.
        release_seconds: f64,
        /// How much of the way it goes, 0 to 1 in decibels.
        part: f64,
    },
    /// Peaks beyond a threshold turn the gain down at once; it comes back slowly.
    Limiter {
        /// Largest peak that passes untouched.
        peak: f64,
        /// Time constant of coming back.
        release_seconds: f64,
    },
    /// Whatever stays under a threshold is turned down.
    Gate {
        /// Level under which it closes (peak).
        peak: f64,
        /// How long it stays open after the last sample over the threshold.
        hold_seconds: f64,
        /// By how much it turns down, dB; infinite: it mutes.
        range_db: f64,
    },
    /// The file states another rate than the samples were taken at.
    WrongRate {
        /// The rate that is stated.
        rate_hz: u32,
    },
    /// The first two channels change places.
    SwapChannels,
    /// A channel is turned upside down.
    Invert {
        /// Which.
        channel: usize,
    },
    /// Every channel holds the mean of all.
    SumChannels,
    /// A constant is added.
    Dc {
        /// How much.
        offset: f64,
    },
    /// Everything is turned down (or up), then rounded to 24 bits again.
    Level {
        /// By how much.
        gain_db: f64,
    },
    /// A path of 16 bits lies before the file, without dither.
    SixteenBit,
    /// The recording was started late.
    CutStart {
        /// What is lost.
        seconds: f64,
    },
    /// The recording stopped early.
    CutEnd {
        /// What is lost.
        seconds: f64,
    },
    /// A steady tone leaks in, for instance over 20 kHz from a switching supply.
    Tone {
        /// Its frequency.
        frequency_hz: f64,
        /// Its peak.
        peak: f64,
    },
    /// Clicks of one sample, spread at random.
    Clicks {
        /// How many.
        count: usize,
        /// Their height.
        peak: f64,
        /// Where they fall.
        seed: u64,
    },
    /// An input stage ahead of the converter loses gain with level, as a cubic does.
    SoftenUnderPeak {
        /// Loss at the largest sample.
        loss_db: f64,
    },
    /// One sample is off.
    Click {
        /// Which.
        at_seconds: f64,
        /// By how much.
        peak: f64,
    },
    /// The interface's direct monitoring mixes what is played into what is recorded.
    Monitor {
        /// What is played, at the recording's rate.
        dry: Vec<f64>,
        /// How long before the recording it comes (negative: after).
        early_seconds: f64,
        /// How loud it is mixed in.
        level_db: f64,
    },
}

impl Recording {
    /// One channel.
    #[must_use]
    pub fn mono(rate_hz: u32, samples: Vec<f64>) -> Self {
        Self { rate_hz, channels: vec![samples] }
    }

    /// The recording with a fault more.
    #[must_use]
    pub fn with(mut self, fault: &Fault) -> Self {
        let rate_hz = f64::from(self.rate_hz);
        let frame = |seconds: f64, length: usize| ((seconds * rate_hz).max(0.0) as usize).min(length);
        match *fault {
            Fault::WrongRate { rate_hz } => self.rate_hz = rate_hz,
            Fault::SwapChannels if self.channels.len() > 1 => self.channels.swap(0, 1),
            Fault::SumChannels => self.sum_channels(),
            Fault::Invert { channel } => {
                self.channels.iter_mut().skip(channel).take(1).flatten().for_each(|x| *x = -*x);
            }
            _ => {}
        }
        for x in &mut self.channels {
            let length = x.len();
            match fault {
                Fault::Dropout { at_seconds, frames } => {
                    let at = frame(*at_seconds, length);
                    x.drain(at..(at + frames).min(length));
                }
                Fault::Repeat { at_seconds, frames } => {
                    let at = frame(*at_seconds, length);
                    let end = (at + frames).min(length);
                    let again = x[at..end].to_vec();
                    x.splice(end..end, again);
                }
                Fault::Zeroed { at_seconds, frames } => {
                    let at = frame(*at_seconds, length);
                    x[at..(at + frames).min(length)].fill(0.0);
                }
                Fault::Clip { peak } => x.iter_mut().for_each(|x| *x = x.clamp(-peak, *peak)),
                Fault::Agc { target_rms, attack_seconds, release_seconds, part } => {
                    agc(x, *target_rms, attack_seconds * rate_hz, release_seconds * rate_hz, *part);
                }
                Fault::ClipUnderPeak { depth_db } => {
                    // A converter's end is a code.
                    let peak = round_to(largest(x) * from_db(-depth_db), 24);
                    x.iter_mut().for_each(|x| *x = x.clamp(-peak, peak));
                }
                Fault::LimitUnderPeak { depth_db, release_seconds } => {
                    let peak = largest(x) * from_db(-depth_db);
                    limit(x, peak, release_seconds * rate_hz);
                }
                Fault::Normalise { peak_db } => {
                    let gain = from_db(*peak_db) / largest(x).max(f64::MIN_POSITIVE);
                    x.iter_mut().for_each(|x| *x = round_to(*x * gain, 24));
                }
                Fault::Limiter { peak, release_seconds } => limit(x, *peak, release_seconds * rate_hz),
                Fault::Gate { peak, hold_seconds, range_db } => {
                    gate(x, *peak, (hold_seconds * rate_hz) as usize, from_db(-range_db));
                }
                Fault::Dc { offset } => x.iter_mut().for_each(|x| *x += offset),
                Fault::Level { gain_db } => {
                    let gain = from_db(*gain_db);
                    x.iter_mut().for_each(|x| *x = round_to(*x * gain, 24));
                }
                Fault::SixteenBit => x.iter_mut().for_each(|x| *x = round_to(*x, 16)),
                Fault::CutStart { seconds } => drop(x.drain(..frame(*seconds, length))),
                Fault::CutEnd { seconds } => x.truncate(length - frame(*seconds, length)),
                Fault::Tone { frequency_hz, peak } => {
                    for (n, x) in x.iter_mut().enumerate() {
                        *x += peak * (TAU * (frequency_hz / rate_hz * n as f64).fract()).sin();
                    }
                }
                Fault::Clicks { count, peak, seed } => {
                    let mut random = White::new(*seed);
                    for _ in 0..*count {
                        let at = (random.uniform() * length as f64) as usize;
                        if let Some(x) = x.get_mut(at) {
                            *x += if random.uniform() < 0.5 { *peak } else { -*peak };
                        }
                    }
                }
                Fault::SoftenUnderPeak { loss_db } => {
                    let (lost, peak) = (1.0 - from_db(-loss_db), largest(x).max(f64::MIN_POSITIVE));
                    x.iter_mut().for_each(|x| *x *= 1.0 - lost * (*x / peak).powi(2));
                }
                Fault::Click { at_seconds, peak } => {
                    let at = frame(*at_seconds, length);
                    x.iter_mut().skip(at).take(1).for_each(|x| *x += peak);
                }
                Fault::Monitor { dry, early_seconds, level_db } => {
                    let shift = (early_seconds * rate_hz).round() as i64;
                    let gain = from_db(*level_db);
                    for (n, x) in (shift..).zip(x.iter_mut()) {
                        let heard = usize::try_from(n).ok().and_then(|n| dry.get(n));
                        *x += gain * heard.copied().unwrap_or(0.0);
                    }
                }
                Fault::WrongRate { .. } | Fault::SwapChannels | Fault::SumChannels | Fault::Invert { .. } => {
                }
            }
        }
        self
    }

    fn sum_channels(&mut self) {
        let frames = self.channels.iter().map(Vec::len).min().unwrap_or(0);
        let count = self.channels.len().max(1) as f64;
        let mean: Vec<f64> =
            (0..frames).map(|n| self.channels.iter().map(|x| x[n]).sum::<f64>() / count).collect();
        for x in &mut self.channels {
            x.clone_from(&mean);
        }
    }
}

fn largest(x: &[f64]) -> f64 {
    x.iter().fold(0.0f64, |m, x| m.max(x.abs()))
}

fn round_to(x: f64, bits: i32) -> f64 {
    let full = 2f64.powi(bits - 1);
    (x * full).round().clamp(-full, full - 1.0) / full
}

/// Gain follows a smoothed mean square; the times are in frames.
fn agc(x: &mut [f64], target_rms: f64, attack: f64, release: f64, part: f64) {
    let mut power = target_rms * target_rms;
    for x in x {
        let now = *x * *x;
        let frames = if now > power { attack } else { release };
        power += (now - power) / frames.max(1.0);
        *x *= (target_rms / power.sqrt().max(1e-9)).clamp(from_db(-30.0), from_db(30.0)).powf(part);
    }
}

fn limit(x: &mut [f64], peak: f64, release: f64) {
    let mut gain = 1.0f64;
    for x in x {
        gain += (1.0 - gain) / release.max(1.0);
        gain = gain.min(peak / x.abs().max(f64::MIN_POSITIVE));
        *x *= gain;
    }
}

fn gate(x: &mut [f64], peak: f64, hold: usize, closed: f64) {
    let mut open_for = 0;
    for x in x {
        open_for = if x.abs() > peak { hold } else { usize::saturating_sub(open_for, 1) };
        if open_for == 0 {
            *x *= closed;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Recording {
        Recording::mono(1000, (0..1000).map(|n| f64::from(n) / 1000.0).collect())
    }

    #[test]
    fn faults_are_where_they_were_asked_for() {
        let x = ramp().with(&Fault::Dropout { at_seconds: 0.1, frames: 7 }).channels.remove(0);
        assert_eq!((x.len(), x[99], x[100]), (993, 0.099, 0.107));
        let x = ramp().with(&Fault::Repeat { at_seconds: 0.1, frames: 7 }).channels.remove(0);
        assert_eq!((x.len(), x[106], x[107], x[114]), (1007, 0.106, 0.100, 0.107));
        let x = ramp().with(&Fault::Zeroed { at_seconds: 0.1, frames: 7 }).channels.remove(0);
        assert_eq!((x.len(), x[99], x[100], x[106], x[107]), (1000, 0.099, 0.0, 0.0, 0.107));
        let x = ramp().with(&Fault::CutStart { seconds: 0.2 }).with(&Fault::CutEnd { seconds: 0.3 });
        assert_eq!((x.channels[0].len(), x.channels[0][0]), (500, 0.2));
        let x = ramp().with(&Fault::WrongRate { rate_hz: 44_100 });
        assert_eq!((x.rate_hz, x.channels.len()), (44_100, 1));
        let dry: Vec<f64> = (0..500).map(f64::from).collect();
        let x = ramp().with(&Fault::Monitor { dry, early_seconds: -0.01, level_db: -20.0 });
        assert!((x.channels[0][12] - (0.012 + 0.2)).abs() < 1e-12 && x.channels[0][9] == 0.009);
    }

    #[test]
    fn places_outside_the_recording_do_nothing() {
        for at_seconds in [-1.0, 1.0, 5.0, f64::NAN] {
            for fault in [
                Fault::Zeroed { at_seconds, frames: 0 },
                Fault::Dropout { at_seconds, frames: 0 },
                Fault::Repeat { at_seconds, frames: 0 },
            ] {
                assert_eq!(ramp().with(&fault), ramp());
            }
        }
        let empty = Recording::mono(48_000, Vec::new());
        assert_eq!(empty.clone().with(&Fault::Clicks { count: 3, peak: 1.0, seed: 1 }), empty);
        assert_eq!(empty.clone().with(&Fault::SumChannels), empty);
    }

    #[test]
    fn channels_swap_sum_and_invert() {
        let two = Recording { rate_hz: 8000, channels: vec![vec![1.0, 2.0], vec![3.0, -4.0]] };
        let x = two.clone().with(&Fault::SwapChannels).with(&Fault::Invert { channel: 1 });
        assert_eq!(x.channels, [[3.0, -4.0], [-1.0, -2.0]]);
        assert_eq!(two.with(&Fault::SumChannels).channels, [[2.0, -1.0], [2.0, -1.0]]);
    }

    #[test]
    fn gain_riders_ride() {
        let loud: Vec<f64> = (0..48_000).map(|n| 0.9 * (TAU * f64::from(n) / 48.0).sin()).collect();
        let quiet: Vec<f64> = loud.iter().map(|x| x / 30.0).collect();
        let both = Recording::mono(48_000, [loud, quiet].concat());
        let peak = |x: &[f64]| x.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        let limited = both.clone().with(&Fault::Limiter { peak: 0.3, release_seconds: 0.05 });
        assert!(peak(&limited.channels[0]) <= 0.3 + 1e-12);
        let gated =
            both.clone().with(&Fault::Gate { peak: 0.05, hold_seconds: 0.01, range_db: f64::INFINITY });
        assert!(peak(&gated.channels[0][50_000..]) == 0.0 && peak(&gated.channels[0][..47_000]) > 0.89);
        let ridden = both.with(&Fault::Agc {
            target_rms: 0.1,
            attack_seconds: 0.02,
            release_seconds: 0.05,
            part: 1.0,
        });
        let (a, b) = (peak(&ridden.channels[0][40_000..48_000]), peak(&ridden.channels[0][88_000..]));
        // 29.5 dB apart before; a rider that settles brings them within 3 dB.
        assert!(a / b < 1.41 && b / a < 1.41, "{a} {b}");
    }

    #[test]
    fn sixteen_bits_leave_the_last_eight_empty() {
        let x = ramp().with(&Fault::SixteenBit).channels.remove(0);
        assert!(x.iter().all(|x| (x * 32_768.0).fract() == 0.0));
        assert_ne!(x, ramp().channels[0]);
    }
}
