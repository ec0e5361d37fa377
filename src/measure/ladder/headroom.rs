//! Where on the ladder limits are passed: THD, compression, the clip point of each half-cycle.

use super::between::{Between, GRID_DB, State};
use super::{LeftOut, Step, small_signal_gain};
use crate::units::{db, from_db};

/// THD limits, per cent.
pub const LIMITS_PERCENT: [f64; 4] = [1.0, 3.0, 5.0, 10.0];
/// A value must stay past its limit for this much more drive (methods §4.1).
const STAYS_DB: f64 = 0.5;
/// Step of the grid on which crests are followed; the crossing is interpolated.
const CREST_GRID_DB: f64 = 0.1;
/// A crest grows freely while its growth is over half of the small-signal growth (methods §4.2).
const CLIP_GROWTH: f64 = 0.5;

/// Where a limit is passed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// At this drive, dB re top. `dips`: the value falls back by 0.5 dB or more later on.
    At {
        /// Drive in dB re top.
        drive_db: f64,
        /// It falls back under the limit by 0.5 dB or more at a higher drive.
        dips: bool,
    },
    /// The lowest step is past it already.
    BelowLadder,
    /// The highest step does not reach it.
    NotReached,
    /// Noise hides where it lies: distortion below this many per cent is not seen there.
    Hidden(f64),
    /// It lies at steps that are struck out, and why they are.
    StruckOut(&'static str),
}

impl Crossing {
    /// The drive, where there is one.
    #[must_use]
    pub fn drive_db(self) -> Option<f64> {
        match self {
            Self::At { drive_db, .. } => Some(drive_db),
            _ => None,
        }
    }

    /// The same, where some steps of the ladder are struck out: what lies beyond the outermost step that is
    /// left, or between two that are not neighbours, is not known.
    pub(super) fn without(self, measured_db: &[f64], left_out: &LeftOut) -> Self {
        let struck_db = &left_out.drives_db;
        let (low, high) = (measured_db.first().copied(), measured_db.last().copied());
        let (Some(low), Some(high)) = (low, high) else { return self };
        let unknown = match self {
            Self::NotReached => struck_db.iter().any(|&s| s > high),
            Self::BelowLadder => struck_db.iter().any(|&s| s < low),
            Self::At { drive_db, .. } => {
                let below = measured_db.iter().copied().rfind(|&m| m <= drive_db).unwrap_or(low);
                let above = measured_db.iter().copied().find(|&m| m >= drive_db).unwrap_or(high);
                struck_db.iter().any(|&s| below < s && s < above)
            }
            Self::Hidden(_) => false,
            Self::StruckOut(_) => true,
        };
        if unknown { Self::StruckOut(left_out.why) } else { self }
    }
}

/// Everything about headroom.
#[derive(Debug, Clone)]
pub struct Headroom {
    /// Small-signal gain, ratio of sample units.
    pub gain: f64,
    /// THD limits of 1, 3, 5 and 10 %.
    pub thd: [Crossing; 4],
    /// 1 dB compression of the fundamental re small-signal gain.
    pub compression: Crossing,
    /// Clip point of the positive half-cycle.
    pub clip_positive: Crossing,
    /// Clip point of the negative half-cycle.
    pub clip_negative: Crossing,
    /// The gain rises by this much over its small-signal value first, dB.
    pub gain_rise_db: f64,
}

impl Headroom {
    /// From a rising ladder, some steps of which may be left out; `None` if no step is clear of noise or there
    /// are fewer than two.
    #[must_use]
    pub fn of(between: &Between, steps: &[Step], left_out: &LeftOut) -> Option<Self> {
        let gain = small_signal_gain(steps)?.0;
        let (low, high) = between.range();
        let states: Vec<State> = between.grid(low, high, GRID_DB).collect();
        let drives: Vec<f64> = states.iter().map(|s| s.drive_db).collect();
        let thd: Vec<f64> = states.iter().map(|s| 100.0 * s.thd()).collect();
        let fall: Vec<f64> = states.iter().map(|s| db(gain) - s.gain_db()).collect();
        let half_db = from_db(0.5);
        let seen_from: Vec<f64> = states.iter().map(|s| 100.0 * s.thd_limit()).collect();
        let thd = LIMITS_PERCENT.map(|limit| {
            let found = crossing(&drives, &thd, limit, |later| later < limit / half_db);
            hidden(found, &drives, &thd, &seen_from, limit)
        });
        let compression = crossing(&drives, &fall, 1.0, |later| later < 0.5);
        let gain_rise_db = fall.iter().copied().fold(0.0, |m: f64, f| m.max(-f));
        let (positive, negative) = clip_points(between, gain, low, high);
        let measured_db: Vec<f64> = steps.iter().map(|s| s.drive_db).collect();
        let known = |crossing: Crossing| crossing.without(&measured_db, left_out);
        Some(Self {
            gain,
            thd: thd.map(known),
            compression: known(compression),
            clip_positive: known(positive),
            clip_negative: known(negative),
            gain_rise_db,
        })
    }
}

/// Lowest drive at which `values` pass `limit` upwards and stay there for [`STAYS_DB`] more;
/// `dips(later)` tells whether a later value counts as fallen back.
#[must_use]
pub fn crossing(drives_db: &[f64], values: &[f64], limit: f64, dips: impl Fn(f64) -> bool) -> Crossing {
    let stays = |from: usize| {
        let end = drives_db[from] + STAYS_DB;
        drives_db[from..]
            .iter()
            .zip(&values[from..])
            .take_while(|(d, _)| **d <= end)
            .all(|(_, v)| *v >= limit)
    };
    let Some(first) = (0..values.len()).find(|&k| values[k] >= limit && stays(k)) else {
        return Crossing::NotReached;
    };
    if first == 0 {
        return Crossing::BelowLadder;
    }
    let (before, here) = (values[first - 1], values[first]);
    let part = if here > before { (limit - before) / (here - before) } else { 1.0 };
    let drive_db = drives_db[first - 1] + part.clamp(0.0, 1.0) * (drives_db[first] - drives_db[first - 1]);
    Crossing::At { drive_db, dips: values[first..].iter().any(|&v| dips(v)) }
}

/// The same, unless noise hides where the limit is passed: a THD of 0 stands for one that is not seen (below
/// `seen_from` at that drive). What first rises out of the noise beyond the limit passed it unseen.
fn hidden(found: Crossing, drives_db: &[f64], thd: &[f64], seen_from: &[f64], limit: f64) -> Crossing {
    let before = match found {
        Crossing::NotReached => thd.len().checked_sub(1),
        Crossing::At { drive_db, .. } => {
            drives_db.iter().position(|d| *d >= drive_db).and_then(|k| k.checked_sub(1))
        }
        _ => None,
    };
    match before {
        Some(k) if thd[k] == 0.0 && seen_from[k] >= limit => Crossing::Hidden(seen_from[k]),
        _ => found,
    }
}

/// Clip points of both halves between two drives: where the growth of the crest over 1 dB falls to half of
/// what small signals do, and stays there for 0.5 dB.
#[must_use]
pub fn clip_points(between: &Between, gain: f64, low_db: f64, high_db: f64) -> (Crossing, Crossing) {
    let states: Vec<State> = between.grid(low_db, high_db, CREST_GRID_DB).collect();
    let reach = (0.5 / CREST_GRID_DB).round() as usize;
    if states.len() <= 2 * reach + 2 {
        return (Crossing::NotReached, Crossing::NotReached);
    }
    let crests: Vec<(f64, f64)> = states.iter().map(State::crests).collect();
    let inner = reach..states.len() - reach;
    let drives: Vec<f64> = states[inner.clone()].iter().map(|s| s.drive_db).collect();
    let loss = |of: &dyn Fn(&(f64, f64)) -> f64| -> Vec<f64> {
        inner
            .clone()
            .map(|k| {
                let grown = of(&crests[k + reach]) - of(&crests[k - reach]);
                let played = states[k + reach].input_peak - states[k - reach].input_peak;
                1.0 - grown / (gain * played)
            })
            .collect()
    };
    let limit = 1.0 - CLIP_GROWTH;
    let dips = |later: f64| later < limit / 2.0;
    let of = |losses: Vec<f64>| crossing(&drives, &losses, limit, dips);
    (of(loss(&|c| c.0)), of(loss(&|c| c.1)))
}
