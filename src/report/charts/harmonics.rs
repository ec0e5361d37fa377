//! Harmonics: as bars at a match, and against frequency.

use super::Missing;
use super::source::{Source, heights, series};
use crate::compare::document::Match;
use crate::report::chart::{Axis, Block, Chart, Panel, Series};

/// The interval that each harmonic adds above the note played (just intonation,
/// from the ratio n: 2 is an octave, 3 an octave and a fifth, …; common practice).
const INTERVALS: [(u32, &str); 9] = [
    (2, "octave"),
    (3, "octave\n+ fifth"),
    (4, "two\noctaves"),
    (5, "two oct.\n+ maj. third"),
    (6, "two oct.\n+ fifth"),
    (7, "two oct.\n+ flat seventh"),
    (8, "three\noctaves"),
    (9, "three oct.\n+ second"),
    (10, "three oct.\n+ maj. third"),
];

pub(crate) fn bars(source: &Source) -> Result<Chart, Missing> {
    let title = "Harmonics at the same power";
    let builds = source.builds();
    let mut blocks = Vec::new();
    let mut at_power = None;
    let mut orders = Vec::new();
    for (order, _) in INTERVALS {
        let quantity = format!("harmonic_{order}");
        let mut any = false;
        for build in 0..builds.len() {
            let Some(figure) = source.figure(build, &quantity, Match::SamePower) else { continue };
            let Some(value) = figure.value().filter(|v| *v > 0.0) else { continue };
            at_power = at_power.or(figure.row.matched_at.as_ref());
            any = true;
            blocks.push((orders.len(), build, order, value, figure.text.to_owned()));
        }
        if any {
            orders.push(order);
        }
    }
    if blocks.is_empty() {
        return Err(Missing::new(
            title,
            "No harmonic was measured in both builds at a power that both reach at this setting.",
        ));
    }
    let names = orders.iter().filter_map(|n| INTERVALS.iter().find(|(order, _)| order == n));
    let x = Axis::names("", names.map(|(order, interval)| format!("H{order}\n{interval}")));
    let least = blocks.iter().map(|b| b.3).fold(f64::INFINITY, f64::min);
    let up = blocks.iter().map(|b| b.3).chain([least / 2.0]);
    let y = Axis::log("re the fundamental", "%", up, 4.0);
    let low = y.low;
    let mut panel = Panel::new(x, y);
    let width = 0.8 / builds.len().max(1) as f64;
    for (group, build, order, value, text) in blocks {
        let left = (group + 1) as f64 - 0.4 + width * build as f64;
        panel.blocks.push(Block {
            build,
            name: format!("H{order}"),
            x: (left + 0.06 * width, left + 0.94 * width),
            y: (low, value),
            fill: if build == 0 { 0.85 } else { 0.25 },
            label: None,
            end: None,
            value: text,
        });
    }
    let at = at_power.and_then(|q| Some(format!(" ({} {})", q.value?, q.unit.symbol()))).unwrap_or_default();
    let mut chart = source.chart("harmonics", &format!("{title}{at}"));
    chart.panels.push(panel);
    let quantities: Vec<_> = orders.iter().map(|n| format!("harmonic_{n}")).collect();
    let quantities: Vec<_> = quantities.iter().map(|q| (q.as_str(), Match::SamePower)).collect();
    chart.finding = source.told(&quantities);
    chart.caption =
        "Each harmonic is also named as the musical interval that it adds above the note played (just intonation)."
            .to_owned();
    Ok(chart)
}

pub(crate) fn against_frequency(source: &Source) -> Result<Chart, Missing> {
    let title = "Harmonics against frequency";
    let curves = source.need(title, "harmonics_by_frequency", "the high-drive sweep")?;
    let mut panels = Vec::new();
    let ordinal = [(2, "2nd"), (3, "3rd"), (4, "4th"), (5, "5th")];
    for (order, ordinal) in ordinal {
        let column = format!("harmonic_{order}");
        let all: Vec<Series> = curves
            .iter()
            .filter_map(|(build, c)| series(*build, &format!("H{order}"), c, "frequency", &column))
            .collect();
        if all.is_empty() {
            continue;
        }
        let unit = super::source::unit(&curves, &column).map_or("", crate::figure::Unit::symbol);
        let name = format!("{ordinal} harmonic re the fundamental");
        let y = if unit == "%" {
            Axis::log(&name, unit, heights(&all), 2.5)
        } else {
            Axis::linear(&name, unit, heights(&all))
        };
        let mut panel = Panel::new(Axis::audio_band(), y);
        panel.x.quantity = "frequency of the fundamental".to_owned();
        panel.height = 130.0;
        panel.series = all;
        panels.push(panel);
    }
    if panels.is_empty() {
        return Err(Missing::new(title, "The high-drive sweep gave no harmonics at this setting."));
    }
    let mut chart = source.chart("harmonics-frequency", title);
    chart.panels = panels;
    chart.finding = source.told(&[("thd_100_hz", Match::SameDrive), ("thd_5_khz", Match::SameDrive)]);
    chart.caption =
        "From the high-drive sweep. A gap is where the harmonic lies beyond the band or in the noise."
            .to_owned();
    Ok(chart)
}
