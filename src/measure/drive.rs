//! The drive itself, recorded beside the amp: what reached the amp's input, and whether the player is straight.

use super::ladder::{self, Step};
use super::tone_figures::Z95;
use super::{Measured, Plans};
use crate::figure::{Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::signals::Signal;
use crate::takes::{Scale, Take};
use crate::units::{db, dbfs_of_peak, from_db};

const RISING: &str = "ladder_up";
const FALLING: &str = "ladder_down";

/// The drive may depart by this from what was played: an interface's output is far straighter, a pad as well
/// (common practice, no source).
const STRAIGHT_DB: f64 = 0.1;
/// Steps whose level the noise leaves less certain than this say nothing.
const CERTAIN_DB: f64 = 0.05;
/// Distortion from which on the amp's own can't be told from the drive's at low levels (common practice, no source).
const DISTORTED: f64 = 0.01;

/// The drive as its channel shows it.
#[derive(Debug, Clone)]
pub struct Driven {
    /// Its channel, from 1.
    channel: u32,
    /// Steps of the rising ladder that stand clear of the noise.
    steps: Vec<Step>,
    /// Of the falling one, where the programme has it.
    falling: Vec<Step>,
    /// Level recorded for a drive of 0 dB, peak re full scale in dB: median over the steps.
    top_db: f64,
    /// Standard deviation of the steps about it.
    scatter_db: f64,
}

impl Driven {
    /// Measures the drive's channel; `None` where none was asked for, or the plan has no ladder.
    ///
    /// # Errors
    /// The finding that says why the channel tells nothing.
    pub fn of(take: &Take, plans: &mut Plans) -> Option<Result<Self, Finding>> {
        let (channel, tape) = take.drive.as_ref()?;
        if tape.is_none() {
            take.plan.segment(RISING)?;
            return Some(Err(silent(*channel, "the recording has no such channel")));
        }
        let steps = clear_steps(take, RISING, plans)?;
        let mut levels: Vec<f64> = steps.iter().map(level).collect();
        levels.sort_by(f64::total_cmp);
        // Fewer steps than these are hum or crosstalk.
        if levels.len() < 6 {
            return Some(Err(silent(*channel, "the programme's ladder is not in it")));
        }
        let top_db = levels[levels.len() / 2];
        let square: f64 = levels.iter().map(|l| (l - top_db).powi(2)).sum();
        let scatter_db = (square / (levels.len() - 1) as f64).sqrt();
        let falling = clear_steps(take, FALLING, plans).unwrap_or_default();
        Some(Ok(Self { channel: *channel, steps: ladder::sorted(steps), falling, top_db, scatter_db }))
    }

    /// Volts RMS at the amp's input at the programme's top, where the channel is calibrated.
    #[must_use]
    pub fn volts_at_top(&self, scale: &Scale) -> Option<f64> {
        Some(from_db(self.top_db) * scale.drive_full_scale_volts?)
    }

    /// Puts the drive at the programme's top among the figures, and what is wrong with the drive among the findings.
    pub fn put(&self, measured: &mut Measured, scale: &Scale) {
        let at = format!("at the programme's top, as recorded in channel {}", self.channel);
        let top = match self.volts_at_top(scale) {
            Some(volts) => {
                let scatter = 100.0 * (from_db(Z95 * self.scatter_db) - 1.0);
                let calibration = scale.drive_uncertainty_percent.unwrap_or(0.0);
                Quantity::new(volts, Unit::Volts)
                    .plus_minus(volts * scatter.hypot(calibration) / 100.0)
                    .noted(format!("RMS at the amp's input {at}; the calibration's uncertainty is in it"))
            }
            None => Quantity::new(dbfs_of_peak(from_db(self.top_db)), Unit::DbFullScale)
                .plus_minus(Z95 * self.scatter_db)
                .noted(at),
        };
        measured.figures.set("drive_at_top", top);
        measured.findings.extend(self.not_straight());
        measured.findings.extend(self.moved(scale));
    }

    /// The player's own faults: they would be taken for the amp's.
    fn not_straight(&self) -> Option<Finding> {
        let off = |s: &Step| level(s) - self.top_db;
        // What rides the gain has a memory, and may show on the way down only.
        let all = || {
            let falling = self.falling.iter().map(|s| (FALLING, s));
            self.steps.iter().map(|s| (RISING, s)).chain(falling)
        };
        let bent = all().filter(|(_, s)| off(s).abs() > STRAIGHT_DB + 4.0 * certain(s));
        let distorted = all().filter(|(_, s)| s.tone.thd() > DISTORTED + 2.0 * s.tone.thd_floor());
        let (segment, worst) = bent
            .max_by(|(_, a), (_, b)| off(a).abs().total_cmp(&off(b).abs()))
            .or_else(|| distorted.max_by(|(_, a), (_, b)| a.tone.thd().total_cmp(&b.tone.thd())))?;
        let way = if segment == FALLING { " on the way down" } else { "" };
        Some(
            Finding::new(
                "drive_not_straight",
                Severity::Limit,
                format!(
                    "the drive itself, in channel {}, is not what was played: at {:.1} dB{way} it is {:+.2} dB off with \
                     {:.2} % of distortion",
                    self.channel,
                    worst.drive_db,
                    off(worst),
                    100.0 * worst.tone.thd()
                ),
                "the amp's compression and distortion there are in part the player's",
                "turn the interface's output down and use less drive pad; switch off limiters and effects in the player",
            )
            .in_segment(segment),
        )
    }

    /// The drive that was recorded against the one that the output's calibration promises.
    fn moved(&self, scale: &Scale) -> Option<Finding> {
        let (recorded, promised) = (self.volts_at_top(scale)?, scale.drive_volts_at_top?);
        let apart_db = db(recorded / promised);
        // Two meters' readings agree within this (common practice, no source).
        (apart_db.abs() > 0.5).then(|| {
            Finding::new(
                "drive_moved",
                Severity::Note,
                format!(
                    "the drive recorded is {recorded:.3} V at the programme's top, {apart_db:+.1} dB from the \
                     {promised:.3} V of the output's calibration"
                ),
                "what was recorded is used; another take may have been driven otherwise",
                "was the output's level moved since the calibration? Calibrate the output again",
            )
        })
    }
}

/// Steps of a ladder in the drive's channel that stand clear of the noise; `None` where the plan has no such ladder.
fn clear_steps(take: &Take, id: &str, plans: &mut Plans) -> Option<Vec<Step>> {
    let segment = take.plan.segment(id)?;
    let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = segment.signal else { return None };
    let cut = take.cut_drive(segment)?;
    let top_dbfs = take.plan.top_dbfs;
    let mut steps = ladder::measure(&cut, frequency_hz, step_seconds, levels_db, top_dbfs, &[], plans);
    steps.retain(|s| certain(s) < CERTAIN_DB);
    Some(steps)
}

/// Level recorded less drive played, peak in dB.
fn level(step: &Step) -> f64 {
    db(step.tone.peak()) - step.drive_db
}

/// Standard deviation of a step's level from noise: of complex noise half the power lies along the line.
fn certain(step: &Step) -> f64 {
    let noise = step.tone.noise.first().copied().unwrap_or(f64::INFINITY);
    db(1.0 + noise / (std::f64::consts::SQRT_2 * step.tone.peak()))
}

fn silent(channel: u32, why: &str) -> Finding {
    Finding::new(
        "drive_channel_silent",
        Severity::Note,
        format!("channel {channel} should hold the drive (drive_channel): {why}"),
        "drive is that of the output's calibration, or in dB only",
        "connect the drive to that input as well, name the channel that has it, or leave drive_channel out",
    )
}
