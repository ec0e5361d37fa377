//! Where each mains line enters, from silences with more and more connected.
//!
//! Between two recordings the phase of a line is not known, so that what is added from one silence to the next is
//! the root of the difference of squares (right on average over all phases), between |b − a| and b + a (right for
//! any). No source: common practice is to compare the hum by ear.

use crate::analysis::{HumLine, HumOriginLine};
use crate::figure::{Quantity, Unit};
use crate::rounding;
use crate::units::{db, from_db};

/// The mains and its harmonics wander from one recording to the next; differences under this are not counted, dB
/// (a choice, no source).
const WANDER_DB: f64 = 1.0;
/// A place with more than this share of a line's power at the setting is where the line enters.
const MOST: f64 = 0.5;
/// Places with more than this share, where none has most, are named together.
const MUCH: f64 = 0.25;

/// The line of one order in the recordings of one silence.
pub type Recordings<'a> = Vec<&'a HumLine>;

/// What is known of a line's amplitude in one silence.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Level {
    /// `None` where noise hides it in one of the recordings.
    value: Option<f64>,
    low: f64,
    high: f64,
}

/// Follows one line through `silences`, each with its condition, its place and its recordings, from the least
/// connected to the whole. `None` if no recording shows the line, a silence has none, or units differ.
#[must_use]
pub fn line(silences: &[(&str, &str, Recordings<'_>)]) -> Option<HumOriginLine> {
    let all = || silences.iter().flat_map(|s| s.2.iter());
    let unit = all().next()?.limit.unit;
    if all().any(|l| l.limit.unit != unit) || all().all(|l| l.level.value.is_none()) {
        return None;
    }
    let levels: Vec<Level> =
        silences.iter().map(|(_, _, recordings)| Level::of(recordings, unit)).collect::<Option<_>>()?;
    let nothing = Level::exactly(0.0);
    let before = || std::iter::once(&nothing).chain(&levels);
    let (enters, why) = verdict(silences, &levels, unit);
    // The frequency is that of the last silence which shows the line: most of it is there.
    let shown = silences.iter().rev().find_map(|s| s.2.iter().find(|l| l.level.value.is_some()))?;
    Some(HumOriginLine {
        order: shown.order,
        frequency: shown.frequency.clone(),
        levels: levels.iter().map(|l| l.quantity(unit)).collect(),
        added: before().zip(&levels).map(|(a, b)| added(*a, *b, unit)).collect(),
        enters,
        why,
    })
}

impl Level {
    fn exactly(value: f64) -> Self {
        Self { value: Some(value), low: value, high: value }
    }

    /// The mean of the recordings, between the lowest and the highest end of their intervals.
    fn of(recordings: &[&HumLine], unit: Unit) -> Option<Self> {
        let ends: Vec<(Option<f64>, f64, f64)> =
            recordings.iter().filter_map(|line| ends(line, unit)).collect();
        if ends.is_empty() || ends.len() != recordings.len() {
            return None;
        }
        let values: Option<Vec<f64>> = ends.iter().map(|e| e.0).collect();
        Some(Self {
            value: values.map(|v| v.iter().sum::<f64>() / v.len() as f64),
            low: ends.iter().map(|e| e.1).fold(f64::INFINITY, f64::min),
            high: ends.iter().map(|e| e.2).fold(0.0, f64::max),
        })
    }

    fn quantity(self, unit: Unit) -> Quantity {
        match self.value {
            Some(value) => Quantity::new(of_amplitude(value, unit), unit)
                .between(of_amplitude(self.low, unit), of_amplitude(self.high, unit)),
            None => below(self.high, unit),
        }
    }
}

/// Value and both ends of a line's amplitude; the limit where it was not seen.
fn ends(line: &HumLine, unit: Unit) -> Option<(Option<f64>, f64, f64)> {
    match line.level.value {
        Some(value) => {
            let [low, high] = line.level.interval.unwrap_or([value, value]);
            Some((Some(amplitude(value, unit)), amplitude(low, unit).max(0.0), amplitude(high, unit)))
        }
        None => Some((None, 0.0, amplitude(line.limit.value?, unit))),
    }
}

fn amplitude(value: f64, unit: Unit) -> f64 {
    if unit == Unit::DbFullScale { from_db(value) } else { value }
}

fn of_amplitude(value: f64, unit: Unit) -> f64 {
    if unit == Unit::DbFullScale { db(value) } else { value }
}

fn below(high: f64, unit: Unit) -> Quantity {
    let limit = rounding::plain(of_amplitude(high, unit), unit);
    Quantity::missing(unit, format!("below {limit}: the noise hides it"))
}

/// What comes from `a` to `b`, whatever the phases.
fn added(a: Level, b: Level, unit: Unit) -> Quantity {
    let low = (b.low - a.high).max(a.low - b.high).max(0.0);
    let high = a.high + b.high;
    let most = || rounding::plain(of_amplitude(high, unit), unit);
    match (a.value, b.value) {
        (_, None) => below(high, unit),
        (Some(a), Some(b)) if b <= a => {
            Quantity::missing(unit, format!("the line did not rise; at most {}", most()))
        }
        (a, Some(b)) => {
            let a = a.unwrap_or(0.0);
            let value = Quantity::new(of_amplitude((b * b - a * a).sqrt(), unit), unit);
            match unit {
                // No decibels for nothing: the lower end is left open.
                Unit::DbFullScale if low == 0.0 => value.noted(format!("at most {}", most())),
                _ => value.between(of_amplitude(low, unit), of_amplitude(high, unit)),
            }
        }
    }
}

/// Where the line enters, and why, or why that cannot be told.
fn verdict(
    silences: &[(&str, &str, Recordings<'_>)],
    levels: &[Level],
    unit: Unit,
) -> (Option<String>, String) {
    let (Some(whole), Some((last, _, _))) = (levels.last(), silences.last()) else {
        return (None, "there is no silence".to_owned());
    };
    if whole.value.is_none() || whole.low <= 0.0 {
        let limit = rounding::plain(of_amplitude(whole.high, unit), unit);
        return (None, format!("{last}, the line is below {limit}: the noise hides it"));
    }
    let wander = from_db(WANDER_DB);
    // Where the line fell: something cancels, or the wiring was changed.
    let fell = (1..levels.len()).rev().find(|&at| match (levels.get(at - 1), levels.get(at)) {
        (Some(a), Some(b)) => a.low > wander * b.high,
        _ => false,
    });
    let place = |at: usize| silences.get(at).map_or("", |s| s.1);
    let condition = |at: usize| silences.get(at).map_or("", |s| s.0);
    let most = (0..levels.len()).rev().find(|&at| least_share(levels, at, wander) > MOST);
    if let Some(at) = most.filter(|at| fell.is_none_or(|fell| fell < *at)) {
        let why = match at.checked_sub(1) {
            None => format!("most of it is there already with {}", condition(at)),
            Some(before) => {
                format!("over half of its power comes between {} and {}", condition(before), condition(at))
            }
        };
        return (Some(place(at).to_owned()), why);
    }
    if let Some(at) = fell {
        let why = format!(
            "the line is lower with {} than with {}: what enters there cancels part of it, or the wiring was changed",
            condition(at),
            condition(at - 1)
        );
        return (None, why);
    }
    if levels.iter().any(|l| l.value.is_none() && share_of(l.high, whole.low) > MUCH) {
        return (None, "the noise of a silence hides too much of it".to_owned());
    }
    let middle: Vec<Level> = levels.iter().map(|l| Level::exactly(l.value.unwrap_or(0.0))).collect();
    let much: Vec<&str> =
        (0..levels.len()).filter(|&at| least_share(&middle, at, 1.0) > MUCH).map(place).collect();
    let why = if much.len() > 1 {
        format!("it enters in more than one place: {}", much.join("; "))
    } else {
        format!("no place has more than half of it if hum wanders by {WANDER_DB:.0} dB between recordings")
    };
    (None, why)
}

/// The least that a place can have of the line's power at the setting.
fn least_share(levels: &[Level], at: usize, wander: f64) -> f64 {
    let level = |at: Option<usize>| at.and_then(|at| levels.get(at)).copied().unwrap_or(Level::exactly(0.0));
    let (before, own, whole) =
        (level(at.checked_sub(1)), level(Some(at)), level(levels.len().checked_sub(1)));
    if at + 1 == levels.len() {
        // Of the whole itself there is all.
        return 1.0 - share_of(before.high * wander, whole.low);
    }
    share_of(own.low / wander, whole.high) - share_of(before.high * wander, whole.high)
}

fn share_of(part: f64, whole: f64) -> f64 {
    (part / whole).powi(2)
}
