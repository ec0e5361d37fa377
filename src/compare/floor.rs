//! Is a difference larger than what the interface does by itself? Only a loopback tells.

use super::document::{Row, Standing, Suspect};
use super::words;
use crate::figure::Unit;
use crate::rounding;

/// Distortion and hum of the interface add to the amp's with a phase that nobody knows. At a third of the amp's they
/// change it by up to a factor of 1.33 either way, which is what counts as a difference (design §12: 1.3).
const COHERENT: f64 = 3.0;
/// Noise adds as power: at 1/1.6 of what was measured it makes 2.1 dB of it, and 2 dB count (design §12).
const NOISE: f64 = 1.6;

/// Marks the rows whose claim the floor does not allow, and gives one suspect for each pair of builds and setting.
pub(super) fn judge(rows: &mut [Row], shown: impl Fn(&str) -> String) -> Vec<Suspect> {
    let mut suspects: Vec<(Vec<String>, Suspect)> = Vec::new();
    for row in rows.iter_mut() {
        let Some(why) = why_not(row, &shown) else { continue };
        let key = [row.setting.clone(), row.builds[1].clone()].to_vec();
        let told = format!("{} ({why})", words::lower_first(&row.label));
        row.difference.note = Some(format!("the interface's floor does not allow this claim: {why}"));
        match suspects.iter_mut().find(|(k, _)| *k == key) {
            Some((_, suspect)) => {
                suspect.saw.push_str("; ");
                suspect.saw.push_str(&told);
            }
            None => suspects.push((key, suspect(row, told))),
        }
    }
    suspects.into_iter().map(|(_, suspect)| suspect).collect()
}

fn suspect(row: &Row, saw: String) -> Suspect {
    Suspect {
        code: "interface_floor".to_owned(),
        title: "The interface's own distortion or noise".to_owned(),
        setting: Some(row.setting.clone()),
        saw,
        means: "the difference may be the interface's, not the amp's: a better level into the interface, or a better \
                interface, would tell"
            .to_owned(),
    }
}

/// What is claimed and too near to the floor; `None` where nothing is claimed, or it stands clear.
fn why_not(row: &Row, shown: &dyn Fn(&str) -> String) -> Option<String> {
    let claimed =
        matches!(row.standing, Standing::Real | Standing::OneTakeOnly) && row.relevant != Some(false);
    if !claimed {
        return None;
    }
    let times = if row.quantity.starts_with("noise") { NOISE } else { COHERENT };
    let too_near = row.values.iter().zip(&row.builds).find_map(|(value, build)| {
        let (measured, own) = (value.value?, value.floor?);
        let over = match value.unit {
            Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt | Unit::Decibels => {
                crate::units::from_db(measured - own)
            }
            _ => measured / own,
        };
        (over < times).then(|| (rounding::plain(measured, value.unit), rounding::floor(value), shown(build)))
    });
    let (measured, own, build) = too_near?;
    Some(format!("{measured} of {build} stands less than {times} times over it: {}", own?))
}
