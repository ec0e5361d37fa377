//! The voltage chart: what was measured at the valves, beside what was expected.

use super::Missing;
use crate::compare::document::{ChartLine, Comparison};
use crate::report::chart::{Axis, Chart, Guide, Mark, Panel, Shape};

const TITLE: &str = "Voltage chart";

pub(crate) fn voltage_chart(comparison: &Comparison) -> Result<Chart, Missing> {
    if comparison.builds.iter().all(|b| b.chart.is_empty()) {
        return Err(Missing::new(TITLE, "bench.toml gives no DC voltages for these builds."));
    }
    let both = |line: &ChartLine| Some((line.measured.value?, line.expected.value.filter(|v| *v != 0.0)?));
    let mut points: Vec<&str> = Vec::new();
    for line in comparison.builds.iter().flat_map(|b| &b.chart) {
        if both(line).is_some() && !points.contains(&line.point.as_str()) {
            points.push(&line.point);
        }
    }
    if points.is_empty() {
        return Err(Missing::new(
            TITLE,
            "bench.toml says of no voltage what it should be; the table of the builds has what was measured.",
        ));
    }
    let builds: Vec<String> = comparison.builds.iter().map(|b| b.name.clone()).collect();
    let mut heights = vec![95.0, 105.0];
    let mut marks = Vec::new();
    for (build, summary) in comparison.builds.iter().enumerate() {
        // Builds stand beside each other within a point's column.
        let aside = (build as f64 - (builds.len() as f64 - 1.0) / 2.0) * 0.5 / builds.len() as f64;
        for line in &summary.chart {
            let (Some(at), Some((measured, expected))) =
                (points.iter().position(|p| *p == line.point), both(line))
            else {
                continue;
            };
            // How high the mark stands, not a figure: the figure is written beside it.
            let height = measured / expected * 100.0;
            heights.push(height);
            marks.push(Mark {
                build,
                name: line.point.clone(),
                at: ((at + 1) as f64 + aside, height),
                shape: if build == 0 { Shape::Dot } else { Shape::Ring },
                label: Some(format!("{measured} {}", line.measured.unit.symbol())),
            });
        }
    }
    let mut panel = Panel::new(Axis::names("", points), Axis::linear("of what was expected", "%", heights));
    panel.height = 180.0;
    panel.marks = marks;
    panel.guides.push(Guide { at: 100.0, level: true, label: "as expected".to_owned() });
    let simulated = if comparison.simulated { " · simulated data" } else { "" };
    Ok(Chart {
        id: "voltages".to_owned(),
        title: TITLE.to_owned(),
        subtitle: format!("{}{simulated}", comparison.title),
        caption:
            "Heights: per cent of what the schematic or data sheet says. Beside the marks: what was measured."
                .to_owned(),
        finding:
            "The table of the builds gives every voltage with what was expected and what follows from it."
                .to_owned(),
        builds,
        panels: vec![panel],
    })
}
