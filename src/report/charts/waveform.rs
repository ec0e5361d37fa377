//! One cycle of each build at the same power.

use super::Missing;
use super::source::{Source, heights, series, unit};
use crate::compare::document::Match;
use crate::figure::{Curve, Unit};
use crate::report::chart::{Axis, Chart, Panel, Series, Tick, Weight};

const TITLE: &str = "One cycle at the same power";

pub(crate) fn one_cycle(source: &Source) -> Result<Chart, Missing> {
    let curves = source.need(TITLE, "waveform", "the ladder in both builds, with a power that both reach")?;
    let mut all = Vec::new();
    for (build, curve) in &curves {
        let Some(column) = output_column(curve) else { continue };
        let Some(cycle) = series(*build, "", curve, "phase", column) else { continue };
        let flat = clipped_part(&cycle, curve);
        all.push(cycle);
        all.extend(flat);
    }
    if all.is_empty() {
        return Err(Missing::new(TITLE, "The waveforms hold no output over phase."));
    }
    let name = curves.first().and_then(|(_, c)| output_column(c)).unwrap_or("output");
    let mut x = Axis::linear_between("phase", "°", 0.0, 360.0);
    x.high = 360.0;
    x.ticks = (0..=4).map(|k| 90.0 * f64::from(k)).map(|at| Tick { at, label: format!("{at}") }).collect();
    let unit = unit(&curves, name).map_or("", Unit::symbol);
    let mut panel = Panel::new(x, Axis::linear("output", unit, heights(&all)));
    let clipped = all.iter().any(|s| s.weight == Weight::Heavy);
    panel.series = all;
    let at = source.matched_at("waveform");
    let title = at.map_or_else(|| TITLE.to_owned(), |at| format!("{TITLE} ({at})"));
    let mut chart = source.chart("one-cycle", &title);
    chart.panels.push(panel);
    chart.finding =
        source.told(&[("clip_drive_positive", Match::Whole), ("clip_drive_negative", Match::Whole)]);
    chart.caption = if clipped {
        "Rebuilt from the harmonics at that power. Heavy: the stretch where a half is past its clip point."
    } else {
        "Rebuilt from the harmonics at that power."
    }
    .to_owned();
    Ok(chart)
}

/// The column that holds the output: the one of that name, or the first beside the phase.
fn output_column(curve: &Curve) -> Option<&str> {
    let named = curve.columns.iter().find(|c| matches!(c.name.as_str(), "output" | "level"));
    named.or_else(|| curve.columns.get(1).filter(|c| c.name != "clipped")).map(|c| c.name.as_str())
}

/// The stretches that column `clipped` marks with 1.
fn clipped_part(cycle: &Series, curve: &Curve) -> Option<Series> {
    let clipped = curve.column("clipped")?;
    let points: Vec<_> = cycle
        .points
        .iter()
        .zip(&clipped)
        .map(|(&(x, y), c)| (x, y.filter(|_| c.is_some_and(|c| c > 0.5))))
        .collect();
    let any = points.iter().any(|(_, y)| y.is_some());
    any.then(|| Series::new(cycle.build, "clipped part", points).weighing(Weight::Heavy))
}
