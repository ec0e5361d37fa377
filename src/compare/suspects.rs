//! Simpler causes than the change that was made, each with the numbers that raised it.
//!
//! A suspect is a question to the person, never a verdict. Its limits are
//! design choices of this file (no source): wide enough that scatter of good
//! repeats raises none.

use super::curves;
use super::document::{Match, Row, Standing, Suspect};
use super::group::{Group, Member, Selection};
use super::ladder::Ladder;
use super::words;
use crate::bench::QuietCondition;
use crate::bench::chart::VoltageChart;
use crate::figure::{Curve, Quantity, Unit};
use crate::rounding;
use crate::statistics::Mean;

/// A difference of gain from which on a cause ahead of the output stage is looked for, dB.
const GAIN_DB: f64 = 0.3;
/// THD against output lies on one line: within this many dB of each other everywhere.
const SAME_CURVE_DB: f64 = 1.0;
/// Levels that moved together, within this many dB, point to what they share.
const TOGETHER_DB: f64 = 0.3;
/// Noise that moved together with them: its own scatter is larger.
const NOISE_TOGETHER_DB: f64 = 1.0;
/// A difference of response from which on a tone control is asked for, dB (design §12).
const RESPONSE_DB: f64 = 1.0;
/// Hum with the amp off within this many dB of the hum at the setting: most of it is not the amp's.
const LOOP_DB: f64 = 6.0;
/// Difference of dissipation from which on bias may be the cause, percentage points of the limit (design §7).
const DISSIPATION_POINTS: f64 = 10.0;

/// What one rating system's limit may differ from the next one's for the same valve (`valves`), so that this much more
/// is asked where two builds' limits are of different systems.
const SYSTEMS_POINTS: f64 = 10.0;

/// All suspects, setting by setting, then those of the whole bench. `names` are the builds' names as shown;
/// `charts` are their voltage charts.
#[must_use]
pub fn of(selection: &Selection, names: &[String], rows: &[Row], charts: &[VoltageChart]) -> Vec<Suspect> {
    let mut suspects = Vec::new();
    for group in &selection.groups {
        for index in 1..selection.builds.len() {
            let Some(view) = View::of(selection, group, names, rows, index) else { continue };
            suspects.extend(view.mains());
            let level = view.interface_gain();
            // A moved input gain shows as a gain ahead of everything, too.
            suspects.extend(level.or_else(|| view.gain_ahead()));
            suspects.extend(view.tone_control());
        }
        suspects.extend(hum_loop(selection, group, names));
    }
    suspects.extend(recorder(selection));
    suspects.extend(bias(names, charts));
    suspects.extend(one_sample(selection, names));
    suspects
}

/// Code of [`recorder`].
pub(super) const RECORDER: &str = "recorder";

/// A recorder whose gain is not the same at all levels makes headroom, compression and power of its own.
fn recorder(selection: &Selection) -> Option<Suspect> {
    let bent = super::of_loopback(selection).into_iter().find(|f| f.code == "loopback_not_straight")?;
    Some(suspect(RECORDER, "The recorder", None, bent.saw.clone(), &bent.effect))
}

fn suspect(code: &str, title: &str, setting: Option<&str>, saw: String, means: &str) -> Suspect {
    Suspect {
        code: code.to_owned(),
        title: title.to_owned(),
        setting: setting.map(str::to_owned),
        saw,
        means: means.to_owned(),
    }
}

struct View<'a> {
    setting: &'a str,
    names: [&'a str; 2],
    members: [&'a [Member<'a>]; 2],
    rows: Vec<&'a Row>,
}

impl<'a> View<'a> {
    fn of(
        selection: &'a Selection,
        group: &'a Group,
        names: &'a [String],
        rows: &'a [Row],
        index: usize,
    ) -> Option<Self> {
        let other = &selection.builds.get(index)?.name;
        let setting = &group.setting.name;
        Some(Self {
            setting,
            names: [names.first()?, names.get(index)?],
            members: [group.builds.first()?, group.builds.get(index)?],
            rows: rows.iter().filter(|r| r.setting == *setting && r.builds[1] == *other).collect(),
        })
    }

    /// The row of a figure of the whole, if its difference may be told: real, or of one take only.
    fn told(&self, quantity: &str) -> Option<&'a Row> {
        let whole = |r: &&&Row| r.quantity == quantity && r.matched == Match::Whole;
        let row = self.rows.iter().find(whole)?;
        matches!(row.standing, Standing::Real | Standing::OneTakeOnly).then_some(*row)
    }

    /// The difference of a figure of the whole, whatever its standing.
    fn difference(&self, quantity: &str) -> Option<f64> {
        let whole = |r: &&&Row| r.quantity == quantity && r.matched == Match::Whole;
        self.rows.iter().find(whole)?.difference.value
    }

    fn gain(&self) -> Option<(f64, String)> {
        let row = self.told("gain")?;
        let gain = row.difference.value.filter(|g| g.abs() >= GAIN_DB)?;
        Some((gain, row.difference_text.clone()))
    }

    /// Gain differs, yet THD at the same output does not.
    fn gain_ahead(&self) -> Option<Suspect> {
        let (gain, text) = self.gain()?;
        let found = same_thd_against_output(self.members)?;
        if found.largest_db > SAME_CURVE_DB {
            return None;
        }
        let saw = format!(
            "small-signal gain differs by {text}, while THD at the same output differs by at most {} between {} and {}",
            rounding::plain(found.largest_db, Unit::Decibels),
            rounding::plain(found.from, found.unit),
            rounding::plain(found.to, found.unit)
        );
        let [_, other] = self.names;
        let more = if gain > 0.0 { "more" } else { "less" };
        let means = format!(
            "looks like {} {more} gain ahead of the output stage of {other}: was a control moved, or a coupling stage or its valve changed?",
            rounding::plain(gain.abs(), Unit::Decibels)
        );
        Some(suspect(
            "gain_ahead",
            "A gain change ahead of the output stage",
            Some(self.setting),
            saw,
            &means,
        ))
    }

    /// Everything after the amp's output moved by the same decibels.
    fn interface_gain(&self) -> Option<Suspect> {
        let (gain, text) = self.gain()?;
        let power = self.difference("power_at_thd_5_percent")?;
        let drive = self.drive_at_clean_power()?;
        let noise = self.difference("noise")?;
        let together = (power - gain).abs() <= TOGETHER_DB
            && drive.abs() <= TOGETHER_DB
            && (noise - gain).abs() <= NOISE_TOGETHER_DB;
        if !together {
            return None;
        }
        let db = |v: f64| rounding::signed(&Quantity::new(v, Unit::Decibels));
        let saw = format!(
            "gain ({text}), clean power ({}) and noise ({}) moved together, while clean power takes the same drive ({})",
            db(power),
            db(noise),
            db(drive)
        );
        let means = "looks like the interface's input gain or the pad, not the amp: was its knob moved between the builds?";
        Some(suspect("interface_gain", "The interface's input gain", Some(self.setting), saw, means))
    }

    fn drive_at_clean_power(&self) -> Option<f64> {
        let is_it = |r: &&&Row| {
            r.quantity == "drive"
                && r.matched == Match::SameDistortion
                && r.matched_at.as_ref().and_then(|q| q.value) == Some(5.0)
        };
        self.rows.iter().find(is_it)?.difference.value
    }

    fn tone_control(&self) -> Option<Suspect> {
        let bands = self.rows.iter().filter(|r| {
            r.quantity.starts_with("response_")
                && matches!(r.standing, Standing::Real | Standing::OneTakeOnly)
        });
        let size = |r: &&&Row| r.difference.value.map_or(0.0, f64::abs);
        let largest = bands.max_by(|a, b| size(a).total_cmp(&size(b)))?;
        if size(&largest) < RESPONSE_DB {
            return None;
        }
        let saw = format!(
            "at low drive the response differs most in one band: {} ({})",
            largest.difference_text,
            words::lower_first(&largest.label)
        );
        let means = "looks like a tone control, a coupling or bypass capacitor, or the transformer: was a control moved?";
        Some(suspect("tone_control", "A tone control", Some(self.setting), saw, means))
    }

    /// Power differs as the mains voltage alone would make it.
    fn mains(&self) -> Option<Suspect> {
        let power = self.told("power_at_thd_5_percent")?.difference.value?;
        let volts = |members: &[Member]| {
            let noted: Option<Vec<f64>> = members.iter().map(|m| m.entry.mains_volts).collect();
            Some(Mean::of(&noted?)?.value)
        };
        let [a, b] = [volts(self.members[0])?, volts(self.members[1])?];
        let expected = 20.0 * (b / a).log10();
        let explains =
            expected.abs() >= 0.05 && expected * power > 0.0 && expected.abs() >= power.abs() / 2.0;
        if !explains {
            return None;
        }
        let db = |v: f64| rounding::signed(&Quantity::new(v, Unit::Decibels));
        let [reference, other] = self.names;
        let saw = format!(
            "mains was {a:.1} V for {reference} and {b:.1} V for {other}: power would follow by about {}; clean power changed by {}",
            db(expected),
            db(power)
        );
        let means = "half or more of the change of power may be the mains: record again at one voltage, or take more takes in turn";
        Some(suspect("mains_voltage", "Mains voltage", Some(self.setting), saw, means))
    }
}

/// How far THD against output of two builds lies apart.
struct Apart {
    largest_db: f64,
    from: f64,
    to: f64,
    unit: Unit,
}

/// Places at which the curves are compared.
const PLACES: usize = 24;

fn same_thd_against_output(members: [&[Member]; 2]) -> Option<Apart> {
    let average = |members: &[Member]| -> Option<Curve> {
        let takes: Vec<&Curve> = members.iter().filter_map(|m| m.take.curves.get("ladder_up")).collect();
        curves::average(&takes)
    };
    let (a, b) = (average(members[0])?, average(members[1])?);
    let (a, b) = (Ladder::of(&a)?, Ladder::of(&b)?);
    let strength = a.strength();
    if strength.unit != b.strength().unit {
        return None;
    }
    let low = strength.to_db(a.smallest()?.max(b.smallest()?));
    let high = strength.to_db(a.largest()?.min(b.largest()?)) - 0.5;
    if high - low < 10.0 {
        return None;
    }
    let thd = |l: &Ladder, output: f64| l.at_drive("thd", l.drive_at_output(output).ok()?).ok()?.value;
    let mut seen: Vec<(f64, f64)> = Vec::new();
    for place in 0..=PLACES {
        let output = strength.value_of_db(low + (high - low) * place as f64 / PLACES as f64);
        if let (Some(a), Some(b)) =
            (thd(&a, output).filter(|v| *v > 0.0), thd(&b, output).filter(|v| *v > 0.0))
        {
            seen.push((output, 20.0 * (b / a).log10()));
        }
    }
    let (from, to) = (seen.first()?.0, seen.last()?.0);
    // A handful of places near the floor would prove nothing.
    let wide = strength.to_db(to) - strength.to_db(from) >= 10.0;
    let largest_db = seen.iter().map(|s| s.1.abs()).reduce(f64::max)?;
    wide.then_some(Apart { largest_db, from, to, unit: strength.unit })
}

/// Hum that is there without the amp.
fn hum_loop(selection: &Selection, group: &Group, names: &[String]) -> Vec<Suspect> {
    let hum = |m: &Member| m.take.figures.get("hum_total").cloned();
    let mut suspects = Vec::new();
    for member in &selection.quiet {
        let condition = match member.entry.quiet_condition {
            Some(QuietCondition::CableOnly) => "with the cable alone",
            Some(QuietCondition::AmpOff) => "with the amp off",
            _ => continue,
        };
        let here = member.entry.setting.as_deref().is_none_or(|s| s == group.setting.name);
        let Some(off) = hum(member).filter(|q| here && q.value.is_some()) else { continue };
        for ((takes, name), build) in group.builds.iter().zip(names).zip(&selection.builds) {
            if member.entry.build.as_deref().is_some_and(|b| b != build.name) {
                continue;
            }
            let on: Vec<f64> =
                takes.iter().filter_map(hum).filter(|q| q.unit == off.unit).filter_map(|q| q.value).collect();
            let (Some(on), Some(value)) = (Mean::of(&on), off.value) else { continue };
            let is_level = !matches!(off.unit, Unit::Volts | Unit::Millivolts | Unit::FullScale);
            let below = if is_level { on.value - value } else { 20.0 * (on.value / value).log10() };
            if below.is_finite() && below <= LOOP_DB {
                let saw = format!(
                    "hum is {} {condition} and {} with {name} on",
                    rounding::text(&off),
                    rounding::plain(on.value, off.unit)
                );
                let means = "much of the hum does not come from the amp: a ground loop or the cable; a difference of hum between builds may be one of cabling";
                suspects.push(suspect(
                    "hum_loop",
                    "Hum that enters outside the amp",
                    Some(&group.setting.name),
                    saw,
                    means,
                ));
            }
        }
    }
    suspects
}

/// Builds that idle at different dissipation.
fn bias(names: &[String], charts: &[VoltageChart]) -> Vec<Suspect> {
    let mut builds = names.iter().zip(charts);
    let Some((reference, first)) = builds.next() else { return Vec::new() };
    let system = |chart: &VoltageChart| chart.rating_system.clone().unwrap_or_else(|| "unnamed".to_owned());
    builds
        .filter_map(|(name, chart)| {
            let (of_first, of_other) = (first.plate_percent?, chart.plate_percent?);
            let points = (of_other - of_first).abs();
            let (systems, least) = if first.rating_system == chart.rating_system {
                (String::new(), DISSIPATION_POINTS)
            } else {
                let systems = format!(
                    " (one limit is {}, the other {}: those of one valve may lie 10 % apart)",
                    system(first),
                    system(chart)
                );
                (systems, DISSIPATION_POINTS + SYSTEMS_POINTS)
            };
            (points > least).then(|| {
                let saw = format!(
                    "plate dissipation at idle is {of_first:.0} % of the limit in {reference} and {of_other:.0} % in \
                     {name}: {points:.0} points apart{systems}"
                );
                let means = "bias, not the type of valve, may be the cause of what differs: compare again at the same dissipation";
                suspect("bias", "Bias", None, saw, means)
            })
        })
        .collect()
}

/// One valve stands for its type.
fn one_sample(selection: &Selection, names: &[String]) -> Option<Suspect> {
    let valves: Vec<&str> = selection.builds.iter().filter_map(|b| b.output_valve.as_deref()).collect();
    let differ = valves.windows(2).any(|pair| matches!(pair, [a, b] if a != b));
    if valves.len() < 2 || !differ {
        return None;
    }
    let each: Vec<String> = selection
        .builds
        .iter()
        .zip(names)
        .filter_map(|(b, name)| {
            let set = words::count(usize::try_from(b.valves.max(1)).unwrap_or(1), "valve");
            Some(format!("{name} one sample of {} ({set})", words::name(b.output_valve.as_deref()?)))
        })
        .collect();
    Some(suspect(
        "one_sample_each",
        "One sample of each",
        None,
        words::list(&each),
        "valves of one type differ among themselves: what differs here holds for these samples, not for the types; a second sample of each would tell",
    ))
}
