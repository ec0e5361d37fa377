//! The headroom ruler: one bar a build, from clean to cranked.

use super::Missing;
use super::source::{Source, on_curve, series};
use crate::compare::document::Match;
use crate::figure::Unit;
use crate::report::chart::{Axis, Block, Chart, Guide, Panel, Series};
use crate::rounding;

const TITLE: &str = "Headroom ruler";

/// The zones from the bottom up: the figure that ends each, its name, its share of colour.
const ZONES: [(&str, &str, f64); 4] = [
    ("power_at_thd_1_percent", "under 1 %", 0.10),
    ("power_at_thd_5_percent", "1–5 %", 0.30),
    ("power_at_thd_10_percent", "5–10 %", 0.62),
    ("cranked_power", "over 10 %", 0.92),
];

pub(crate) fn ruler(source: &Source) -> Result<Chart, Missing> {
    let builds = source.builds();
    let ends: Vec<Vec<Option<(f64, String)>>> = (0..builds.len())
        .map(|build| {
            ZONES
                .iter()
                .map(|(quantity, ..)| {
                    let figure = source.figure(build, quantity, Match::Whole)?;
                    Some((figure.value().filter(|v| *v > 0.0)?, figure.text.to_owned()))
                })
                .collect()
        })
        .collect();
    let values: Vec<f64> = ends.iter().flatten().flatten().map(|(v, _)| *v).collect();
    if values.is_empty() {
        return Err(Missing::new(
            TITLE,
            "No power at a distortion limit was measured at this setting; watts need a calibrated rig.",
        ));
    }
    let least = values.iter().copied().fold(1.0, f64::min);
    let x = Axis::log("power into the load", "W", values.iter().copied().chain([least / 5.0]), 4.0);
    let low = x.low;
    let mut y = Axis::names("", builds.iter().rev().cloned());
    // Names stand at the middle of their bar, which leaves room for the figures under it.
    y.ticks.iter_mut().for_each(|tick| tick.at += 0.14);
    let mut panel = Panel::new(x, y);
    panel.height = 20.0 + 58.0 * builds.len() as f64;
    let drives: Vec<(usize, Series)> = source
        .curves("ladder_up")
        .into_iter()
        .filter_map(|(build, curve)| Some((build, series(build, "", curve, "power", "drive_volts")?)))
        .collect();
    let drive = |build: usize, watts: f64| {
        let (_, drives) = drives.iter().find(|(of, _)| *of == build)?;
        Some(rounding::plain(1000.0 * on_curve(drives, watts)?, Unit::Millivolts))
    };
    for (build, ends) in ends.iter().enumerate() {
        let row = (builds.len() - build) as f64;
        let mut from = low;
        for ((_, zone, fill), end) in ZONES.iter().zip(ends) {
            let Some((to, text)) = end else { continue };
            if *to > from {
                panel.blocks.push(Block {
                    build,
                    name: format!("{zone} THD, up to"),
                    x: (from, *to),
                    y: (row - 0.12, row + 0.4),
                    fill: *fill,
                    interval: None,
                    floor: None,
                    label: Some((*zone).to_owned()),
                    end: Some(match drive(build, *to) {
                        Some(drive) => format!("{text}\n{drive}"),
                        None => text.clone(),
                    }),
                    value: text.clone(),
                });
                from = *to;
            }
        }
    }
    panel.guides.push(Guide { at: 1.0, level: false, label: String::new() });
    let mut chart = source.chart("headroom", TITLE);
    chart.panels.push(panel);
    chart.finding = source.told(&ZONES.map(|(quantity, ..)| (quantity, Match::Whole)));
    chart.caption =
        "Each bar begins at the quietest step and ends where the programme drove the amp hardest. \
        Zones by total harmonic distortion of the steady tone: under 1 %, 1 to 5 %, 5 to 10 %, over 10 %. \
        A zone that was not measured is joined to the next."
            .to_owned();
    Ok(chart)
}
