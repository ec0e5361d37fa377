//! The answer to a level check: where the amp clips, how far to turn, whether the input has room.

use crate::finding::{Finding, Severity};
use crate::measure::rise::RisePoint;

/// Clipping is where THD passes this: what "clean power" means without a number (design §12).
const CLIPPED_THD: f64 = 0.05;
/// The amp should clip here, dB re the programme's top: the middle of 5 to 15 dB below (design §12).
pub const AIM_DB: f64 = -10.0;
/// Between these nothing need be turned.
const IDEAL_DB: std::ops::RangeInclusive<f64> = -15.0..=-5.0;
/// How far the output is turned up where the amp does not clip at all.
const TURN_UP_DB: f64 = 10.0;
/// At or over this the recorder's input clips, whatever the amp does.
const INPUT_FULL_DBFS: f64 = -0.3;
/// Peaks should stay under this: bursts and low notes may go over the rise's (common practice).
const INPUT_ROOM_DBFS: f64 = -3.0;
/// Peaks under this give away too much to the interface's noise (common practice, no source).
const INPUT_LOW_DBFS: f64 = -24.0;
/// What the input should peak at.
const INPUT_AIM_DBFS: f64 = -8.0;

/// What the rise tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Drive at which THD passes 5 %, dB re the programme's top; `None` if it does not.
    pub clips_at_db: Option<f64>,
    /// How far to turn the interface's output, dB; 0: leave it. `None`: can't be told.
    pub turn_output_db: Option<f64>,
    /// Largest peak in the recording, dB re full scale.
    pub input_peak_dbfs: f64,
    /// How far to turn the interface's input, dB; 0: leave it.
    pub turn_input_db: f64,
    /// The recorder's input clips, so that the amp's clipping can't be seen.
    pub input_clips: bool,
}

/// What these points tell; `None` if there are too few.
#[must_use]
pub fn answer(points: &[RisePoint]) -> Option<Answer> {
    if points.len() < 10 {
        return None;
    }
    let input_peak_dbfs = points.iter().map(|p| p.peak_dbfs).fold(f64::NEG_INFINITY, f64::max);
    let input_clips = input_peak_dbfs >= INPUT_FULL_DBFS;
    // Noise looks like distortion where the tone is still weak.
    let clipped = |p: &RisePoint| p.thd > CLIPPED_THD && p.thd_floor < CLIPPED_THD / 2.0;
    let at = points.windows(3).find(|w| w.iter().all(clipped)).and_then(|w| w.first());
    // If the peaks stand at full scale there, it is the recorder that clips.
    let by_amp = at.filter(|p| p.peak_dbfs < INPUT_FULL_DBFS);
    let clips_at_db = by_amp.map(|p| p.drive_db);
    let turn_output_db = match clips_at_db {
        Some(db) if IDEAL_DB.contains(&db) => Some(0.0),
        Some(db) => Some(db - AIM_DB),
        None => None,
    };
    // What is turned up ahead of an amp that does not clip comes out of it: the input must have room for that too.
    let louder_db = if clips_at_db.is_none() && !input_clips { TURN_UP_DB } else { 0.0 };
    let expected_dbfs = input_peak_dbfs + louder_db;
    let turn_input_db = if input_clips || expected_dbfs > INPUT_ROOM_DBFS {
        // Beyond full scale nobody knows by how much: a fair step down.
        INPUT_AIM_DBFS - expected_dbfs - if input_clips { 6.0 } else { 0.0 }
    } else if expected_dbfs < INPUT_LOW_DBFS {
        INPUT_AIM_DBFS - expected_dbfs
    } else {
        0.0
    };
    Some(Answer { clips_at_db, turn_output_db, input_peak_dbfs, turn_input_db, input_clips })
}

impl Answer {
    /// The answer as a finding of `check`.
    #[must_use]
    pub fn finding(&self) -> Finding {
        let clips = match self.clips_at_db {
            Some(db) => format!("the amp clips (5 % THD) {:.0} dB below the programme's top", -db),
            None if self.input_clips => "the recorder's input clips before the amp is seen to".to_owned(),
            None => "the amp does not clip up to the programme's top".to_owned(),
        };
        let saw = format!("{clips}; the recording peaks at {:.1} dBFS", self.input_peak_dbfs);
        let output = match self.turn_output_db {
            Some(turn) if turn < -0.5 => Some(format!("turn the interface's output down by {:.0} dB", -turn)),
            Some(turn) if turn > 0.5 => Some(format!("turn the interface's output up by {turn:.0} dB")),
            None if !self.input_clips => {
                Some(format!("turn the interface's output up by {TURN_UP_DB:.0} dB, or use less drive pad"))
            }
            _ => None,
        };
        let input = if self.turn_input_db < -0.5 {
            Some(format!("turn the interface's input down by {:.0} dB, or use more pad", -self.turn_input_db))
        } else if self.turn_input_db > 0.5 {
            Some(format!("turn the interface's input up by {:.0} dB, or use less pad", self.turn_input_db))
        } else {
            None
        };
        let todo: Vec<String> = [output, input].into_iter().flatten().collect();
        if todo.is_empty() {
            let effect = "the fine steps of the ladder cover the knee, and the input has room";
            return Finding::new(
                "level_right",
                Severity::Note,
                saw,
                effect,
                "leave the levels, record the programme",
            );
        }
        let effect = if self.input_clips {
            "nothing can be measured where the input clips"
        } else {
            "the amp should clip 5 to 15 dB below the top, where the ladder's steps are fine, and peaks stay under −3 dBFS"
        };
        let advice = format!("{}; then play level-check.wav again", todo.join(" and "));
        Finding::new("level_to_set", Severity::Limit, saw, effect, advice)
    }
}
