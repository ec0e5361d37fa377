//! Two tones at once and what the amp adds to them.

use super::Missing;
use super::source::{Source, unit};
use crate::compare::document::Match;
use crate::figure::{Curve, Unit};
use crate::report::chart::{Axis, Chart, Mark, Panel, Series, Shape, Weight};

const TITLE: &str = "Two tones at once";

/// One line of the spectrum.
struct Line {
    build: usize,
    frequency: f64,
    level: f64,
    order: u32,
}

pub(crate) fn two_tones(source: &Source) -> Result<Chart, Missing> {
    let curves = source.need(TITLE, "products", "a pair of tones")?;
    let lines: Vec<Line> = curves.iter().flat_map(|(build, curve)| lines(*build, curve)).collect();
    if lines.is_empty() {
        return Err(Missing::new(TITLE, "The pairs gave no lines above the noise at this setting."));
    }
    let unit = unit(&curves, "level").map_or("dB", Unit::symbol);
    let levels = lines.iter().map(|l| l.level);
    let mut y = if unit.starts_with("dB") {
        let top = levels.clone().fold(f64::NEG_INFINITY, f64::max);
        Axis::linear("level", unit, levels.filter(|l| *l > top - 100.0))
    } else {
        Axis::log("level", unit, levels, 5.0)
    };
    if y.scale == crate::report::chart::Scale::Linear {
        // Room for the shortest stem.
        y = Axis::linear_between("level", unit, y.low - 5.0, y.high);
    }
    let floor = y.low;
    let mut panel = Panel::new(Axis::log_between("frequency", "Hz", 20.0, 20_000.0), y);
    for build in 0..source.comparison.builds.len() {
        let own: Vec<&Line> = lines.iter().filter(|l| l.build == build).collect();
        if own.is_empty() {
            continue;
        }
        let stems = own
            .iter()
            .flat_map(|l| [(l.frequency, Some(floor)), (l.frequency, Some(l.level)), (l.frequency, None)])
            .collect();
        panel.series.push(Series::new(build, "", stems).weighing(Weight::Second));
        let shape = if build == 0 { Shape::Dot } else { Shape::Ring };
        panel.marks.extend(own.iter().map(|l| Mark {
            build,
            name: if l.order <= 1 { "tone".to_owned() } else { format!("order {}", l.order) },
            at: (l.frequency, l.level),
            shape,
            label: None,
        }));
    }
    let mut chart = source.chart("two-tones", TITLE);
    chart.panels.push(panel);
    chart.finding = source.told(
        &["modulation_distortion", "difference_distortion_2", "difference_distortion_3", "chord_distortion"]
            .map(|q| (q, Match::SameDrive)),
    );
    chart.caption =
        "Each stem is one line of the spectrum: the tones played and the products up to fifth order."
            .to_owned();
    Ok(chart)
}

fn lines(build: usize, curve: &Curve) -> Vec<Line> {
    let (Some(frequency), Some(level)) = (curve.column("frequency"), curve.column("level")) else {
        return Vec::new();
    };
    let order = curve.column("order").unwrap_or_else(|| vec![None; frequency.len()]);
    frequency
        .iter()
        .zip(&level)
        .zip(&order)
        .filter_map(|((f, l), o)| {
            let order = o.filter(|o| (0.0..100.0).contains(o)).unwrap_or(0.0).round() as u32;
            Some(Line { build, frequency: (*f)?, level: (*l)?, order })
        })
        .collect()
}
