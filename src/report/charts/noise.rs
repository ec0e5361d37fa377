//! The noise spectrum with the mains lines marked.

use super::Missing;
use super::source::{Source, series, unit};
use crate::compare::document::Match;
use crate::figure::Unit;
use crate::report::chart::{Axis, Chart, Panel, Series, Tick};

/// Its title: the table of hum's origins stands under it.
pub(crate) const TITLE: &str = "Noise and hum";
/// Mains lines marked above the frame.
const LINES: u32 = 20;

pub(crate) fn spectrum(source: &Source) -> Result<Chart, Missing> {
    let curves = source.need(TITLE, "noise_spectrum", "the quiet segment")?;
    let all: Vec<Series> =
        curves.iter().filter_map(|(build, c)| series(*build, "", c, "frequency", "level")).collect();
    if all.is_empty() {
        return Err(Missing::new(TITLE, "The quiet segment gave no spectrum at this setting."));
    }
    let x = Axis::audio_band();
    let seen: Vec<f64> = all
        .iter()
        .flat_map(|s| s.present())
        .filter(|(f, _)| (x.low..=x.high).contains(f))
        .map(|(_, y)| y)
        .collect();
    let unit = unit(&curves, "level").map_or("", Unit::symbol);
    let y = if unit.starts_with("dB") {
        Axis::linear("level", unit, seen)
    } else {
        Axis::log("level", unit, seen, 6.0)
    };
    let mut panel = Panel::new(x, y);
    panel.series = all;
    let mains = (0..source.comparison.builds.len())
        .find_map(|build| source.figure(build, "mains_frequency", Match::Whole)?.value())
        .filter(|hz| (10.0..1000.0).contains(hz));
    if let Some(hz) = mains {
        panel.top =
            (1..=LINES).map(|n| f64::from(n) * hz).map(|at| Tick { at, label: format!("{at:.0}") }).collect();
    }
    let mut chart = source.chart("noise", TITLE);
    chart.panels.push(panel);
    chart.finding = source.told(&["hum_total", "noise", "noise_a_weighted"].map(|q| (q, Match::Whole)));
    let lines = if mains.is_some() { " Ticks above: the first 20 lines of the mains." } else { "" };
    chart.caption = format!("No drive; levels in bands of 1/48 octave, mains lines among them.{lines}");
    Ok(chart)
}
