//! One cycle of each build at the same power, with the clipped part marked.

use super::curves;
use super::group::Member;
use super::ladder::Ladder;
use super::rows::MatchPoints;
use crate::figure::{Curve, Quantity, Unit};
use crate::statistics::Mean;

/// Name of the curve in takes (long form: drive, phase, output) and here.
pub const CURVE: &str = "waveform";
/// A half past its clip point is marked where it lies within this share of the crest it had there, or above
/// (our own definition: a hard clip's flat top lies within 2 % of that crest, methods §4.2).
const FLAT_FROM: f64 = 0.97;

/// The cycle at the largest power that all builds reach, averaged over takes: columns `phase`
/// (degrees), `output`, its interval, and `clipped` (1 where the half is past its clip point).
#[must_use]
pub fn at_same_power(members: &[Member], points: &MatchPoints) -> Option<(Quantity, Curve)> {
    let output = points.outputs.iter().copied().reduce(f64::max)?;
    let cycles: Vec<Curve> = members.iter().filter_map(|m| cycle(m, output)).collect();
    let cycles: Vec<&Curve> = cycles.iter().collect();
    let mut mean = curves::average(&cycles)?;
    let mean_drive = Mean::of(&members.iter().filter_map(|m| drive(m, output)).collect::<Vec<_>>())?.value;
    let half = |sign: &str, positive: bool| {
        let of = |m: &Member| {
            let clip = m.take.figures.value(&format!("clip_drive_{sign}"))?;
            let ladder = m.take.curves.get("ladder_up")?;
            let crest = Ladder::of(ladder)?.at_drive(&format!("crest_{sign}"), clip).ok()?.value?.abs();
            Some((clip, crest))
        };
        let found: Vec<(f64, f64)> = members.iter().filter_map(of).collect();
        let clip = Mean::of(&found.iter().map(|f| f.0).collect::<Vec<_>>())?.value;
        let crest = Mean::of(&found.iter().map(|f| f.1).collect::<Vec<_>>())?.value;
        (mean_drive >= clip).then_some(if positive { FLAT_FROM * crest } else { -FLAT_FROM * crest })
    };
    let (above, below) = (half("positive", true), half("negative", false));
    let outputs = mean.column("output")?;
    mean.columns.push(crate::figure::Column { name: "clipped".to_owned(), unit: Unit::One });
    for (row, value) in mean.rows.iter_mut().zip(outputs) {
        let clipped = value.map(|v| above.is_some_and(|a| v >= a) || below.is_some_and(|b| v <= b));
        row.push(clipped.map(|c| if c { 1.0 } else { 0.0 }));
    }
    Some((Quantity::new(output, points.unit), mean))
}

fn drive(member: &Member, output: f64) -> Option<f64> {
    Ladder::of(member.take.curves.get("ladder_up")?)?.drive_at_output(output).ok()
}

/// One take's cycle at this output: a straight line between the two steps beside it.
fn cycle(member: &Member, output: f64) -> Option<Curve> {
    let drive = drive(member, output)?;
    let all = member.take.curves.get(CURVE)?;
    let unit = all.columns.iter().find(|c| c.name == "output")?.unit;
    let (drives, phases, outputs) = (all.column("drive")?, all.column("phase")?, all.column("output")?);
    let steps = || drives.iter().flatten().copied();
    let below = steps().filter(|d| *d <= drive).reduce(f64::max)?;
    let above = steps().filter(|d| *d >= drive).reduce(f64::min)?;
    let share = if above > below { (drive - below) / (above - below) } else { 0.0 };
    let step = |at: f64| -> Vec<(f64, f64)> {
        let rows = drives.iter().zip(&phases).zip(&outputs);
        rows.filter(|((d, _), _)| **d == Some(at)).filter_map(|((_, p), o)| Some(((*p)?, (*o)?))).collect()
    };
    let mut curve = Curve::new(&[("phase", Unit::Degrees), ("output", unit)]);
    for ((phase, low), (_, high)) in step(below).into_iter().zip(step(above)) {
        curve.push([phase, low + share * (high - low)]);
    }
    (!curve.rows.is_empty()).then_some(curve)
}
