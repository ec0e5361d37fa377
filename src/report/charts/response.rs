//! Frequency response of all builds on one chart, their difference, and output impedance.

use super::Missing;
use super::source::{Source, band_words, heights, series, unit};
use crate::compare::document::Match;
use crate::figure::Unit;
use crate::report::chart::{Axis, Chart, Guide, Panel, Series, Tick};

/// Notes of a guitar in standard tuning (equal temperament, a' = 440 Hz): the
/// open strings, the twelfth fret of the first and its 24th.
const NOTES: [(f64, &str); 8] = [
    (82.41, "E2"),
    (110.0, "A2"),
    (146.83, "D3"),
    (196.0, "G3"),
    (246.94, "B3"),
    (329.63, "E4"),
    (659.26, "E5"),
    (1318.51, "E6"),
];

/// How far below the loudest point a response is shown, in dB.
const SHOWN_BELOW_DB: f64 = 30.0;

pub(crate) fn response(source: &Source) -> Result<Chart, Missing> {
    let title = "Frequency response";
    let curves = source.need(title, "response_low_drive", "the low-drive sweep")?;
    let all = of(&curves, "magnitude");
    if all.is_empty() {
        return Err(Missing::new(title, "The low-drive sweep gave no magnitude at this setting."));
    }
    let seen = heights(&all);
    let top = seen.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let seen = seen.into_iter().filter(|v| *v > top - SHOWN_BELOW_DB);
    let magnitude_unit = unit(&curves, "magnitude").map_or("dB", Unit::symbol);
    let mut panel = Panel::new(Axis::audio_band(), Axis::linear("level re 1 kHz", magnitude_unit, seen));
    panel.top = NOTES.map(|(at, note)| Tick { at, label: note.to_owned() }).to_vec();
    panel.height = 230.0;
    panel.series = all;
    let mut chart = source.chart("response", title);
    chart.panels.push(panel);
    let differences: Vec<Series> = source
        .curves("response_difference")
        .iter()
        .filter_map(|(build, c)| {
            let column = c.columns.get(1)?.name.clone();
            series(*build, "difference", c, "frequency", &column)
        })
        .collect();
    let reference = chart.builds.first().cloned().unwrap_or_default();
    if !differences.is_empty() {
        // A flat difference still gets an axis on which a tenth of a dB is seen for what it is.
        let seen = heights(&differences).into_iter().filter(|v| v.abs() < SHOWN_BELOW_DB).chain([-0.5, 0.5]);
        let name = format!("difference: other less {}", crate::report::text::shortened(&reference, 24));
        let mut panel = Panel::new(Axis::audio_band(), Axis::linear(&name, "dB", seen));
        panel.height = 130.0;
        panel.guides.push(Guide { at: 0.0, level: true, label: String::new() });
        panel.series = differences;
        chart.panels.push(panel);
    }
    chart.finding = source.told(&[("low_corner", Match::Whole), ("high_corner", Match::Whole)]);
    chart.caption = format!(
        "From the low-drive sweep, level at 1 kHz put to 0 dB, not smoothed. Ticks above: open strings of a guitar and the first string's 12th and 24th fret.{}",
        band_words(&chart.panels)
    );
    Ok(chart)
}

pub(crate) fn output_impedance(source: &Source) -> Result<Chart, Missing> {
    let title = "Output impedance";
    let curves = source.need(title, "output_impedance", "takes with two different loads")?;
    let all = of(&curves, "magnitude");
    if all.is_empty() {
        return Err(Missing::new(title, "The takes with two loads gave no magnitude."));
    }
    let unit = unit(&curves, "magnitude").map_or("Ω", Unit::symbol);
    let y = Axis::linear("magnitude", unit, heights(&all).into_iter().chain([0.0]));
    let mut panel = Panel::new(Axis::audio_band(), y);
    panel.height = 220.0;
    panel.series = all;
    let mut chart = source.chart("output-impedance", title);
    chart.panels.push(panel);
    chart.finding = source.told(&[("output_impedance", Match::Whole), ("damping_factor", Match::Whole)]);
    chart.caption = format!("From the same sweep into two loads.{}", band_words(&chart.panels));
    Ok(chart)
}

fn of(curves: &[(usize, &crate::figure::Curve)], column: &str) -> Vec<Series> {
    curves.iter().filter_map(|(build, curve)| series(*build, "", curve, "frequency", column)).collect()
}
