//! Harmonics: as bars at a match, and against frequency.

use super::Missing;
use super::source::{Source, heights, plain_series, series};
use crate::compare::document::Match;
use crate::figure::Quantity;
use crate::report::chart::{Axis, Block, Chart, Panel, Series, Weight};
use crate::report::numbers::short;
use crate::rounding;

/// Harmonics against frequency are drawn over this part of an octave: noise moves each point by itself.
const DRAWN_OVER: u32 = 12;

/// The interval that each harmonic adds above the note played (just intonation,
/// from the ratio n: 2 is an octave, 3 an octave and a fifth, …; common practice).
const INTERVALS: [(u32, &str); 9] = [
    (2, "octave"),
    (3, "octave\n+ fifth"),
    (4, "two\noctaves"),
    (5, "two oct.\n+ maj. 3rd"),
    (6, "two oct.\n+ fifth"),
    (7, "two oct.\n+ flat 7th"),
    (8, "three\noctaves"),
    (9, "three oct.\n+ maj. 2nd"),
    (10, "three oct.\n+ maj. 3rd"),
];

pub(crate) fn bars(source: &Source) -> Result<Chart, Missing> {
    let title = "Harmonics at the same power";
    let quantities: Vec<String> = INTERVALS.iter().map(|(order, _)| format!("harmonic_{order}")).collect();
    let mut powers: Vec<&Quantity> = Vec::new();
    for row in quantities.iter().flat_map(|q| source.rows(q, Match::SamePower)) {
        powers.extend(row.matched_at.as_ref().filter(|at| !powers.contains(at)));
    }
    let panels: Vec<Panel> = powers.iter().filter_map(|at| bars_at(source, at)).collect();
    if panels.is_empty() {
        return Err(Missing::new(
            title,
            "No harmonic was measured in both builds at a power that both reach at this setting.",
        ));
    }
    let mut chart = source.chart("harmonics", title);
    chart.panels = panels;
    chart.finding =
        source.told_of(|row| row.matched == Match::SamePower && quantities.contains(&row.quantity));
    let floors = chart.panels.iter().flat_map(|p| &p.blocks).any(|b| b.floor.is_some());
    let floor_words = if floors {
        " A line across a bar: what the interface alone shows, from the loopback; where none is seen, it lies below the chart."
    } else {
        ""
    };
    chart.caption = format!(
        "Each harmonic is also named as the musical interval that it adds above the note played (just intonation). \
         A bar that is missing stands for a harmonic below the noise; the thin line at its end is the 95 % interval.\
         {floor_words}"
    );
    Ok(chart)
}

/// The bars of all builds at one power.
fn bars_at(source: &Source, at: &Quantity) -> Option<Panel> {
    let builds = source.builds();
    let mut blocks = Vec::new();
    for (group, (order, _)) in INTERVALS.iter().enumerate() {
        for build in 0..builds.len() {
            let figure = source.figure_at(build, &format!("harmonic_{order}"), Match::SamePower, Some(at));
            let Some((figure, value)) = figure.and_then(|f| Some((f.clone(), f.value()?))) else {
                continue;
            };
            blocks.push((group, build, *order, value, figure));
        }
    }
    blocks.retain(|b| b.3 > 0.0);
    let least = blocks.iter().map(|b| b.3).reduce(f64::min)?;
    let x = Axis::names("", INTERVALS.map(|(order, interval)| format!("H{order}\n{interval}")));
    let up = blocks.iter().map(|b| b.3).chain([least / 2.0]);
    let y = Axis::log(&format!("at {}, re the fundamental", place(at)), "%", up, 4.0);
    let low = y.low;
    let mut panel = Panel::new(x, y);
    panel.height = 190.0;
    let width = 0.8 / builds.len().max(1) as f64;
    for (group, build, order, value, figure) in blocks {
        let left = (group + 1) as f64 - 0.4 + width * build as f64;
        panel.blocks.push(Block {
            build,
            name: format!("H{order} at {}", place(at)),
            x: (left + 0.06 * width, left + 0.94 * width),
            y: (low, value),
            fill: if build == 0 { 0.85 } else { 0.25 },
            interval: figure.quantity.interval.map(|[low, high]| (low, high)),
            floor: figure.quantity.floor,
            label: None,
            end: None,
            value: match rounding::floor(figure.quantity) {
                Some(own) => format!("{}; {own}", figure.text),
                None => figure.text.to_owned(),
            },
        });
    }
    Some(panel)
}

/// Where builds were matched: "1 W". It is a number that was chosen, so all its digits are meant.
fn place(at: &Quantity) -> String {
    at.value.map_or_else(String::new, |value| format!("{} {}", short(value), at.unit.symbol()))
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
        // The axis is that of the harmonics; a floor far below them stays out of sight.
        let floors = curves.iter().filter_map(|(build, c)| {
            plain_series(*build, &format!("floor of H{order}"), c, "frequency", &format!("floor_{order}"))
        });
        let floors = floors.map(|s| s.weighing(Weight::Second));
        panel.series = all.into_iter().chain(floors).map(|s| s.drawn_over(DRAWN_OVER)).collect();
        panels.push(panel);
    }
    if panels.is_empty() {
        return Err(Missing::new(title, "The high-drive sweep gave no harmonics at this setting."));
    }
    // The picture by itself must say so too.
    let title = format!("{title}, drawn smoothed over 1/{DRAWN_OVER} octave");
    let mut chart = source.chart("harmonics-frequency", &title);
    chart.panels = panels;
    chart.finding =
        source.told(&[("power_bandwidth_low", Match::Whole), ("power_bandwidth_high", Match::Whole)]);
    chart.caption = format!(
        "From the high-drive sweep, drawn smoothed over 1/{DRAWN_OVER} octave (power mean); the data, here and in the \
         files, are not. Thin lines: the floor, which is the noise or, where a loopback shows it to be higher, the \
         interface's own harmonic; a floor below the chart is not seen. A gap is where the harmonic lies beyond the band \
         or less than 10 dB over its floor."
    );
    Ok(chart)
}
