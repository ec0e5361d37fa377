//! Is a difference larger than what the interface does by itself? Only a loopback tells.

use super::document::{Row, Standing, Suspect};
use super::words;
use crate::figure::{Quantity, Unit};
use crate::rounding;

const NOT_ALLOWED: &str = "the interface's floor does not allow this claim";

/// Why the floor does not allow a row's claim, where [`judge`] marked it.
pub(super) fn told(row: &Row) -> Option<&str> {
    row.difference.note.as_deref().filter(|note| note.starts_with(NOT_ALLOWED))
}

/// Marks the rows whose claim the floor does not allow, and gives one suspect for each pair of builds and setting.
pub(super) fn judge(rows: &mut [Row], shown: impl Fn(&str) -> String) -> Vec<Suspect> {
    let mut suspects: Vec<(Vec<String>, Suspect)> = Vec::new();
    for row in rows.iter_mut() {
        let Some(why) = why_not(row, &shown) else { continue };
        let key = [row.setting.clone(), row.builds[1].clone()].to_vec();
        let told = format!("{} ({why})", words::lower_first(&row.label));
        row.difference.note = Some(format!("{NOT_ALLOWED}: {why}"));
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

/// What is claimed though the floor could make all of it; `None` where nothing is claimed, or more than that.
fn why_not(row: &Row, shown: &dyn Fn(&str) -> String) -> Option<String> {
    let claimed =
        matches!(row.standing, Standing::Real | Standing::OneTakeOnly) && row.relevant != Some(false);
    if !claimed {
        return None;
    }
    let [reference, other] = row.values.as_slice() else { return None };
    let [a, b] = [range(row, reference)?, range(row, other)?];
    let (higher, lower) = if a.high > b.high { (a, b) } else { (b, a) };
    if higher.low > lower.high {
        return None;
    }
    let told = |value: &Quantity, build: &str| {
        format!("{} of {}", rounding::plain(value.value.unwrap_or_default(), value.unit), shown(build))
    };
    let both: Vec<String> = row.values.iter().zip(&row.builds).map(|(v, b)| told(v, b)).collect();
    let own = [reference, other].into_iter().find_map(rounding::floor)?;
    Some(format!("{} may differ by it alone: {own}", words::list(&both)))
}

/// Where the amp's own may lie, linear.
struct Range {
    low: f64,
    high: f64,
}

/// Distortion and hum of the interface add to the amp's with a phase that nobody knows, noise adds as power.
fn range(row: &Row, quantity: &Quantity) -> Option<Range> {
    let linear = |x: f64| match quantity.unit {
        Unit::DbFullScale | Unit::DbVolt | Unit::DbWatt | Unit::Decibels => crate::units::from_db(x),
        _ => x,
    };
    let (measured, own) = (linear(quantity.value?), linear(quantity.floor?));
    Some(if row.quantity.starts_with("noise") {
        Range { low: (measured * measured - own * own).max(0.0).sqrt(), high: measured }
    } else {
        Range { low: measured - own, high: measured + own }
    })
}
