//! All rows of one setting: figures of the builds as a whole, and the three matches.

use std::collections::BTreeMap;

use super::catalogue::{self, Entry};
use super::curves;
use super::document::{Match, Row};
use super::group::{Group, Member};
use super::ladder::Ladder;
use super::row::{self, CommonUncertainty, Repeats, Subject};
use crate::analysis::Intermodulation;
use crate::figure::{Quantity, Unit};
use crate::statistics::Mean;

/// Drives of the same-drive match, dB re the programme's top; those outside the ladder fall away.
const DRIVES_DB: [f64; 3] = [-20.0, -10.0, 0.0];
/// Distortions of the same-distortion match, per cent (design §2).
const DISTORTIONS: [f64; 4] = [1.0, 3.0, 5.0, 10.0];
/// Harmonics compared at a match.
const HARMONICS: std::ops::RangeInclusive<u32> = 2..=10;
/// Centres of the third octaves in which responses are compared, Hz (IEC 61260-1 nominal
/// values; the choice covers a guitar's fundamentals and what a loudspeaker passes).
const BANDS_HZ: [f64; 7] = [80.0, 160.0, 315.0, 630.0, 2500.0, 5000.0, 8000.0];
/// The power that has a place among the headline figures, where both builds reach it.
const ONE_WATT: f64 = 1.0;

/// All rows of a group for the builds `names`, the first being the reference.
#[must_use]
pub fn of(group: &Group, names: &[&str], common: &CommonUncertainty) -> Vec<Row> {
    let mut rows = Vec::new();
    let points = MatchPoints::of(group);
    for (index, other) in names.iter().enumerate().skip(1) {
        let (Some(a), Some(b), Some(reference)) =
            (group.builds.first(), group.builds.get(index), names.first())
        else {
            continue;
        };
        let pair = Pair { members: [a, b], names: [reference, other], setting: &group.setting.name, common };
        pair.figures(&mut rows);
        pair.matches(&points, &mut rows);
        pair.bands(&mut rows);
        pair.intermodulation(&mut rows);
    }
    rows
}

/// Where the builds of a group are compared.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchPoints {
    /// Drives, dB.
    pub drives_db: Vec<f64>,
    /// Outputs in `unit`, the one nearest to 1 W first.
    pub outputs: Vec<f64>,
    /// Watts with a calibrated rig, else volts or level.
    pub unit: Unit,
}

impl MatchPoints {
    /// Drives and powers that every usable take of every build reaches.
    #[must_use]
    pub fn of(group: &Group) -> Self {
        let ladders: Vec<Ladder> = group.builds.iter().flatten().filter_map(|m| ladder(m)).collect();
        let unit = ladders.first().map_or(Unit::Watts, |l| l.strength().unit);
        let ranges: Vec<(f64, f64)> = ladders.iter().filter_map(Ladder::drives).collect();
        let low = ranges.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
        let high = ranges.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
        let drives_db =
            DRIVES_DB.into_iter().filter(|d| !ranges.is_empty() && (low..=high).contains(d)).collect();
        let alike = || ladders.iter().filter(|l| l.strength().unit == unit);
        let least = alike().filter_map(Ladder::smallest).fold(f64::NEG_INFINITY, f64::max);
        let most = alike().filter_map(Ladder::largest).fold(f64::INFINITY, f64::min);
        Self { drives_db, outputs: outputs(unit, least, most), unit }
    }
}

/// Round values between `least` and `most`: 1 W first where it lies between, then the
/// largest step of 1–2–5 that does. Levels: the highest multiple of 5 dB.
fn outputs(unit: Unit, least: f64, most: f64) -> Vec<f64> {
    if !(least.is_finite() && most.is_finite() && least < most) {
        return Vec::new();
    }
    if matches!(unit, Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt | Unit::Decibels) {
        let level = (most / 5.0).floor() * 5.0;
        return if level > least { vec![level] } else { Vec::new() };
    }
    let mut found = Vec::new();
    if unit == Unit::Watts && (least..most).contains(&ONE_WATT) {
        found.push(ONE_WATT);
    }
    let steps = (-6..=6).flat_map(|decade| [1.0, 2.0, 5.0].map(|step| round_step(step, decade)));
    // A match at the very top of one build would compare a cranked amp with a clean one only there.
    if let Some(largest) = steps.filter(|s| *s > least && *s <= 0.9 * most).reduce(f64::max)
        && !found.contains(&largest)
    {
        found.push(largest);
    }
    found
}

fn round_step(step: f64, decade: i32) -> f64 {
    if decade < 0 { step / 10f64.powi(-decade) } else { step * 10f64.powi(decade) }
}

fn ladder<'a>(member: &Member<'a>) -> Option<Ladder<'a>> {
    let curves = &member.take.curves;
    Some(Ladder::of(curves.get("ladder_up")?)?.over(curves.get("interface_distortion")))
}

struct Pair<'a, 'g> {
    members: [&'g [Member<'a>]; 2],
    names: [&'g str; 2],
    setting: &'g str,
    common: &'g CommonUncertainty,
}

impl<'a> Pair<'a, '_> {
    fn row(
        &self,
        entry: &Entry,
        matched: Match,
        at: Option<Quantity>,
        of: impl Fn(&Member<'a>) -> Option<Quantity>,
    ) -> Row {
        self.row_placed(entry, matched, at, of, |_| None)
    }

    /// The same of what is read at a place that the rig's error moves by so much in each take.
    fn row_placed(
        &self,
        entry: &Entry,
        matched: Match,
        at: Option<Quantity>,
        of: impl Fn(&Member<'a>) -> Option<Quantity>,
        moved: impl Fn(&Member<'a>) -> Option<f64>,
    ) -> Row {
        let subject = Subject { entry, setting: self.setting, builds: self.names, matched, at };
        let [a, b] = self.members.map(|members| Repeats {
            by_place: Mean::of(&members.iter().filter_map(&moved).collect::<Vec<_>>())
                .map_or(0.0, |m| m.value),
            ..Repeats::gather(members.iter().map(&of))
        });
        row::build(&subject, &a, &b, self.common)
    }

    fn figures(&self, rows: &mut Vec<Row>) {
        let mut units: BTreeMap<&str, Unit> = BTreeMap::new();
        for member in self.members.iter().copied().flatten() {
            for (name, quantity) in &member.take.figures.quantities {
                units.entry(name).or_insert(quantity.unit);
            }
        }
        let mut names: Vec<(&str, Unit)> = units.into_iter().collect();
        names.sort_by_key(|(name, _)| (catalogue::rank(name), *name));
        for (name, unit) in names {
            let Some(entry) = catalogue::of_figure(name, unit) else { continue };
            let share = if name == "thd_at_1_watt" { self.common.power } else { 0.0 };
            let of = |m: &Member<'a>| m.take.figures.get(name).cloned();
            let moved = |m: &Member<'a>| moved(&ladder(m)?, ONE_WATT, share, |l, at| l.at_output("thd", at));
            rows.push(self.row_placed(&entry, Match::Whole, None, of, moved));
        }
    }

    fn matches(&self, points: &MatchPoints, rows: &mut Vec<Row>) {
        if !self.members.iter().copied().flatten().any(|m| ladder(m).is_some()) {
            return;
        }
        points.drives_db.iter().for_each(|drive| self.same_drive(*drive, points.unit, rows));
        points.outputs.iter().for_each(|output| self.same_output(*output, points.unit, rows));
        DISTORTIONS.into_iter().for_each(|percent| self.same_distortion(percent, points.unit, rows));
    }

    fn same_drive(&self, drive: f64, unit: Unit, rows: &mut Vec<Row>) {
        let mut on = OnLadder {
            pair: self,
            matched: Match::SameDrive,
            at: Quantity::new(drive, Unit::Decibels),
            rows,
        };
        on.row(&catalogue::matched_output(unit), unit, None, |l, at| l.at_drive(l.strength().column, at));
        on.row(&catalogue::matched_thd(), Unit::Percent, None, |l, at| l.at_drive("thd", at));
        for order in 2..=3 {
            let column = format!("harmonic_{order}");
            on.row(&catalogue::matched_harmonic(order), Unit::Percent, None, |l, at| l.at_drive(&column, at));
        }
    }

    fn same_output(&self, output: f64, unit: Unit, rows: &mut Vec<Row>) {
        let at = Quantity::new(output, unit);
        let is_one_watt = unit == Unit::Watts && output == ONE_WATT;
        let purpose = row::place_words(&at);
        let mut on = OnLadder { pair: self, matched: Match::SamePower, at, rows };
        on.row(&catalogue::matched_drive(&purpose), Unit::Decibels, None, |l, at| {
            l.drive_at_output(at).map(|d| Quantity::new(d, Unit::Decibels))
        });
        let figure = is_one_watt.then_some("thd_at_1_watt");
        on.row(&catalogue::matched_thd(), Unit::Percent, figure, |l, at| l.at_output("thd", at));
        for order in HARMONICS {
            let (column, figure) = (format!("harmonic_{order}"), format!("harmonic_{order}_at_1_watt"));
            let entry = Entry { headline: is_one_watt && order <= 3, ..catalogue::matched_harmonic(order) };
            let figure = is_one_watt.then_some(figure.as_str());
            on.row(&entry, Unit::Percent, figure, |l, at| l.at_output(&column, at));
        }
    }

    fn same_distortion(&self, percent: f64, unit: Unit, rows: &mut Vec<Row>) {
        let at = Quantity::new(percent, Unit::Percent);
        let purpose = format!("{} THD", row::place_words(&at));
        let mut on = OnLadder { pair: self, matched: Match::SameDistortion, at, rows };
        let kind = if unit == Unit::Watts { "power" } else { "output" };
        let figure = format!("{kind}_at_thd_{percent}_percent");
        on.row(&catalogue::matched_output(unit), unit, Some(&figure), |l, at| {
            l.at_drive(l.strength().column, l.drive_at_thd(at)?)
        });
        let figure = format!("drive_at_thd_{percent}_percent");
        on.row(&catalogue::matched_drive(&purpose), Unit::Decibels, Some(&figure), |l, at| {
            l.drive_at_thd(at).map(|d| Quantity::new(d, Unit::Decibels))
        });
    }

    fn bands(&self, rows: &mut Vec<Row>) {
        let response = |m: &Member<'a>| m.take.curves.get("response_low_drive");
        if !self.members.iter().copied().flatten().any(|m| response(m).is_some()) {
            return;
        }
        for centre in BANDS_HZ {
            let entry = catalogue::response_band(centre);
            let row = self.row(&entry, Match::Whole, None, |m| {
                let level = curves::third_octave(response(m)?, centre);
                Some(level.map_or_else(
                    || Quantity::missing(Unit::Decibels, "the sweep does not cover this band"),
                    |db| Quantity::new(db, Unit::Decibels),
                ))
            });
            rows.push(row);
        }
    }

    fn intermodulation(&self, rows: &mut Vec<Row>) {
        let mut seen: Vec<([f64; 2], Option<f64>)> = Vec::new();
        for member in self.members.iter().copied().flatten() {
            for entry in &member.take.figures.intermodulation {
                if !seen.contains(&(entry.pair, entry.level)) {
                    seen.push((entry.pair, entry.level));
                }
            }
        }
        type Pick = fn(&Intermodulation) -> &Quantity;
        let kinds: [(&str, Pick); 3] = [("d2", |i| &i.d2), ("d3", |i| &i.d3), ("total", |i| &i.total)];
        for (pair, level) in seen {
            let (matched, at) = match level {
                Some(level) => (Match::SameDrive, Some(Quantity::new(level, Unit::Decibels))),
                None => (Match::Whole, None),
            };
            for (kind, pick) in kinds {
                let entry = catalogue::intermodulation(kind, pair);
                rows.push(self.row(&entry, matched, at.clone(), |m| {
                    let list = &m.take.figures.intermodulation;
                    list.iter().find(|i| i.pair == pair && i.level == level).map(|i| pick(i).clone())
                }));
            }
        }
    }
}

/// Rows of one match.
struct OnLadder<'a, 'g, 'r> {
    pair: &'r Pair<'a, 'g>,
    matched: Match,
    at: Quantity,
    rows: &'r mut Vec<Row>,
}

impl OnLadder<'_, '_, '_> {
    /// A row of what `read` finds at the match on each take's ladder, or of the take's own figure of that
    /// name, which was interpolated with phases. `unit` is for takes that have neither.
    fn row(
        &mut self,
        entry: &Entry,
        unit: Unit,
        figure: Option<&str>,
        read: impl Fn(&Ladder, f64) -> Result<Quantity, String>,
    ) {
        let at = self.at.value.unwrap_or(f64::NAN);
        let of = |m: &Member| {
            let figure = figure.and_then(|name| m.take.figures.get(name));
            Some(figure.cloned().unwrap_or_else(|| match ladder(m) {
                Some(ladder) => read(&ladder, at).unwrap_or_else(|why| Quantity::missing(unit, why)),
                None => Quantity::missing(unit, "the take has no rising ladder"),
            }))
        };
        // Drive and distortion are ratios: the rig moves only an output.
        let share = match self.matched {
            Match::SamePower => self.pair.common.of_output(self.at.unit),
            _ => 0.0,
        };
        let moved = |m: &Member| moved(&ladder(m)?, at, share, &read);
        let row = self.pair.row_placed(entry, self.matched, Some(self.at.clone()), of, moved);
        self.rows.push(row);
    }
}

/// How far a reading moves where its place does by this share of itself: half the way from one side to the other, or
/// the whole of one where the ladder ends.
fn moved(
    ladder: &Ladder,
    at: f64,
    share: f64,
    read: impl Fn(&Ladder, f64) -> Result<Quantity, String>,
) -> Option<f64> {
    if share <= 0.0 {
        return None;
    }
    let value = |at: f64| read(ladder, at).ok()?.value;
    match (value(at * (1.0 - share)), value(at), value(at * (1.0 + share))) {
        (Some(below), _, Some(above)) => Some((above - below).abs() / 2.0),
        (Some(side), Some(here), None) | (None, Some(here), Some(side)) => Some((side - here).abs()),
        _ => None,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Second harmonic of a softly bent stage: in proportion to the output's volts, so to the root of watts; 4 % more
    /// watts are 2 % more of it (closed form).
    #[test]
    fn what_is_read_at_a_power_moves_with_the_watts_error() {
        let percent = ("harmonic_2", Unit::Percent);
        let mut curve =
            crate::figure::Curve::new(&[("drive", Unit::Decibels), ("power", Unit::Watts), percent]);
        for db in -40..=0 {
            let watts = 4.0 * 10f64.powf(f64::from(db) / 10.0);
            curve.push([f64::from(db), watts, 3.0 * watts.sqrt()]);
        }
        let ladder = Ladder::of(&curve).unwrap();
        let by = |share, at| moved(&ladder, at, share, |l, at| l.at_output("harmonic_2", at));
        // The ladder is read between steps of 1 dB: its cubic is good to 1e-4 of that.
        approx::assert_relative_eq!(by(0.04, 1.0).unwrap(), 3.0 * 0.02, max_relative = 2e-3);
        assert_eq!(by(0.0, 1.0), None);
        // At the ladder's end only one side is known: √0.96 of it, and the cubic's end is good to 0.3 % of that.
        approx::assert_relative_eq!(
            by(0.04, 4.0).unwrap(),
            6.0 * (1.0 - 0.96f64.sqrt()),
            max_relative = 5e-3
        );
        assert_eq!(by(0.04, 40.0), None);
    }

    #[test]
    fn powers_of_a_match_are_round_and_reached_by_all() {
        assert_eq!(outputs(Unit::Watts, 0.01, 5.9), [1.0, 5.0]);
        assert_eq!(outputs(Unit::Watts, 0.01, 5.1), [1.0, 2.0]);
        assert_eq!(outputs(Unit::Watts, 0.01, 1.05), [1.0, 0.5]);
        assert_eq!(outputs(Unit::Watts, 0.01, 0.9), [0.5]);
        assert_eq!(outputs(Unit::Watts, 0.01, 60.0), [1.0, 50.0]);
        assert_eq!(outputs(Unit::DbFullScale, -60.0, -7.3), [-10.0]);
        assert_eq!(outputs(Unit::Volts, 0.1, 6.4), [5.0]);
        assert!(outputs(Unit::Watts, f64::NEG_INFINITY, f64::INFINITY).is_empty());
        assert!(outputs(Unit::Watts, 5.0, 4.0).is_empty());
    }
}
