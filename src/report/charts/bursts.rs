//! A tone that steps low, high, low: how far the output gives way, and how it comes back.

use super::Missing;
use super::source::{Source, series, unit};
use crate::compare::document::Match;
use crate::figure::Unit;
use crate::report::chart::{Axis, Chart, Panel, Series};

const TITLE: &str = "Sag and recovery";

/// Least height of an axis here: less would make noise look like sag.
const LEAST_SPAN_DB: f64 = 2.0;

pub(crate) fn envelopes(source: &Source) -> Result<Chart, Missing> {
    let curves = source.need(TITLE, "burst_envelope", "the bursts")?;
    let all: Vec<Series> =
        curves.iter().filter_map(|(build, c)| series(*build, "", c, "time", "level")).collect();
    if all.is_empty() {
        return Err(Missing::new(TITLE, "The bursts gave no envelope at this setting."));
    }
    let unit = unit(&curves, "level").map_or("", Unit::symbol);
    let x = Axis::linear_tight(
        "time from the step up",
        "s",
        all.iter().flat_map(|s| s.present().map(|(x, _)| x)),
    );
    // High and low part differ by 20 dB and more; each gets an axis on which a tenth of a dB is seen.
    let middle = {
        let heights: Vec<f64> = all.iter().flat_map(|s| s.present().map(|(_, y)| y)).collect();
        let low = heights.iter().copied().fold(f64::INFINITY, f64::min);
        let high = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (low + high) / 2.0
    };
    let part = |quantity: &str, keep: &dyn Fn(f64) -> bool| {
        let split: Vec<Series> = all
            .iter()
            .map(|s| {
                let mut s = s.clone();
                s.points.iter_mut().for_each(|(_, y)| *y = y.filter(|y| keep(*y)));
                s
            })
            .filter(|s| s.present().next().is_some())
            .collect();
        let mut seen: Vec<f64> = split.iter().flat_map(|s| s.present().map(|(_, y)| y)).collect();
        // Edges of the step are steep: the axis holds the middle nine tenths of the points and a little more.
        seen.sort_by(f64::total_cmp);
        let cut = seen.len() / 20;
        let seen = seen.get(cut..seen.len() - cut).unwrap_or(&[]);
        let (low, high) = (seen.first().copied().unwrap_or(0.0), seen.last().copied().unwrap_or(1.0));
        let centre = (low + high) / 2.0;
        let half = ((high - low) * 0.7).max(LEAST_SPAN_DB / 2.0);
        let mut panel =
            Panel::new(x.clone(), Axis::linear_between(quantity, unit, centre - half, centre + half));
        panel.height = 150.0;
        panel.series = split;
        // What lies outside is a gap: steps would be drawn as lines across the frame.
        let y = panel.y.clone();
        for (_, level) in panel.series.iter_mut().flat_map(|s| &mut s.points) {
            *level = level.filter(|v| y.place(*v).is_some_and(|p| (0.0..=1.0).contains(&p)));
        }
        panel
    };
    let mut chart = source.chart("bursts", TITLE);
    chart.panels = vec![
        part("level during the burst", &|y| y >= middle),
        part("level before and after", &|y| y < middle),
    ];
    chart.panels.retain(|p| !p.series.is_empty());
    chart.finding =
        source.told(&["sag", "sag_time", "recovery_dip", "recovery_time"].map(|q| (q, Match::Whole)));
    chart.caption =
        "The two parts have axes of their own; the steps between them lie outside the frames.".to_owned();
    Ok(chart)
}
