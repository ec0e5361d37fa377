//! One take unlike its repeats: in gain, hum and noise alike, as a moved input knob of the interface makes it.

use super::document::Suspect;
use super::group::{Group, Member, Selection};
use crate::figure::{Quantity, Unit};
use crate::rounding;

/// The suspect's stable name.
pub const CODE: &str = "odd_take";

/// Least difference of gain: takes of one evening repeat within a tenth of it (methods §9: 0.03 dB).
const LEAST_DB: f64 = 0.5;
/// Hum and noise moved with gain: apart from it by half of the difference at most, and by this (design choice, no
/// source: mains and noise scatter by some tenths of a decibel).
const TOGETHER_DB: f64 = 1.0;

/// One suspect for each odd take; `names` are the builds' as shown.
pub fn of(selection: &Selection, names: &[String]) -> Vec<Suspect> {
    let in_group = |group| of_group(group, names);
    selection.groups.iter().flat_map(in_group).collect()
}

fn of_group(group: &Group, names: &[String]) -> Vec<Suspect> {
    let mut suspects = Vec::new();
    for (members, name) in group.builds.iter().zip(names) {
        // Of two it cannot be told which is the odd one: the later is named beside the earlier.
        let first = usize::from(members.len() == 2);
        for at in first..members.len() {
            let Some(member) = members.get(at) else { continue };
            let others: Vec<&Member> =
                members.iter().enumerate().filter(|(k, _)| *k != at).map(|(_, m)| m).collect();
            suspects.extend(odd(member, &others).map(|moved| suspect(group, name, member, &others, &moved)));
        }
    }
    suspects
}

/// How far gain, hum and noise of a take lie from its repeats, dB.
struct Moved {
    gain: f64,
    hum: Option<f64>,
    noise: f64,
}

fn odd(member: &Member, others: &[&Member]) -> Option<Moved> {
    let apart = |figure: &str| {
        let own = level_db(member, figure)?;
        let mut levels: Vec<f64> = others.iter().filter_map(|m| level_db(m, figure)).collect();
        levels.sort_by(f64::total_cmp);
        let (low, high) = (levels.first()?, levels.last()?);
        Some((own - (low + high) / 2.0, high - low))
    };
    let (gain, spread) = apart("gain")?;
    if gain.abs() < LEAST_DB || spread > gain.abs() / 2.0 {
        return None;
    }
    let together = |moved: f64| (moved - gain).abs() <= (gain.abs() / 2.0).min(TOGETHER_DB);
    let noise = apart("noise")?.0;
    let hum = apart("hum_total").map(|(moved, _)| moved);
    (together(noise) && hum.is_none_or(together)).then_some(Moved { gain, hum, noise })
}

/// A figure of a take in decibels of whatever its unit.
fn level_db(member: &Member, figure: &str) -> Option<f64> {
    let quantity = member.take.figures.get(figure)?;
    let value = quantity.value?;
    let db = match quantity.unit {
        Unit::Volts | Unit::Millivolts | Unit::FullScale => 20.0 * value.log10(),
        _ => value,
    };
    db.is_finite().then_some(db)
}

fn suspect(group: &Group, name: &str, member: &Member, others: &[&Member], moved: &Moved) -> Suspect {
    let db = |v: f64| rounding::signed(&Quantity::new(v, Unit::Decibels));
    let beside = match others {
        [one] => format!("{}, the other take of {name}", one.entry.file),
        more => format!("the {} other takes of {name}", more.len()),
    };
    let hum = moved.hum.map_or(String::new(), |hum| format!(", hum by {}", db(hum)));
    let saw = format!(
        "recording {} differs from {beside} by {} in gain{hum}, noise by {}, all alike",
        member.entry.file,
        db(moved.gain),
        db(moved.noise)
    );
    Suspect {
        code: CODE.to_owned(),
        title: "One take unlike its repeats".to_owned(),
        setting: Some(group.setting.name.clone()),
        saw,
        means: "looks like the interface's input gain, not the amp: was its knob moved? Record that take again, or leave \
                it out (use = false); until then nothing small can be told apart"
            .to_owned(),
    }
}
