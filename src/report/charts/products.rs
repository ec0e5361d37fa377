//! Two tones at once and what the amp adds to them: one panel a pair.

use super::Missing;
use super::source::Source;
use crate::figure::{Curve, Unit};
use crate::report::chart::{Axis, Chart, Mark, Panel, Series, Shape, Weight};

const TITLE: &str = "Two tones at once";

/// Lines further than this below the larger tone are not drawn.
const SHOWN_BELOW_DB: f64 = 100.0;
/// Sidebands shown on either side of the upper tone, in steps of the lower.
const SIDEBANDS: f64 = 4.5;

/// One line of the spectrum.
struct Line {
    build: usize,
    frequency: f64,
    level: f64,
    order: u32,
    /// What the interface alone shows for it.
    interface: Option<f64>,
}

pub(crate) fn two_tones(source: &Source) -> Result<Chart, Missing> {
    let mut names = source.curve_names("products");
    // A programme plays each pair at two levels; the louder tells more.
    let louder: Vec<&str> = names.iter().copied().filter(|n| n.ends_with("_high")).collect();
    if !louder.is_empty() {
        names = louder;
    }
    let panels: Vec<Panel> = names.iter().filter_map(|name| panel(source, name)).collect();
    if panels.is_empty() {
        return Err(Missing::new(
            TITLE,
            "No take at this setting gave it: it needs a pair of tones, recorded and not struck out.",
        ));
    }
    let mut chart = source.chart("two-tones", TITLE);
    chart.panels = panels;
    chart.finding = source.told_of(|row| row.quantity.starts_with("intermodulation_"));
    chart.caption = "Each stem is one line of the spectrum that stands clear of the noise: the tones played (their order is 1) \
        and the products up to fifth order. Dots: the reference; rings: the others."
        .to_owned();
    if names.iter().any(|name| source.curves(name).iter().any(|(_, c)| c.column("interface").is_some())) {
        chart.caption += " Short lines across: what the interface alone shows for that product, from the loopback; where \
            none is seen, it lies below the chart.";
    }
    Ok(chart)
}

fn panel(source: &Source, name: &str) -> Option<Panel> {
    let curves = source.curves(name);
    let lines: Vec<Line> = curves.iter().flat_map(|(build, curve)| lines(*build, curve)).collect();
    let top = lines.iter().map(|l| l.level).reduce(f64::max)?;
    let unit = super::source::unit(&curves, "level").map_or("dB", Unit::symbol);
    let (x, tones) = along(&lines);
    let seen =
        lines.iter().filter(|l| l.level > top - SHOWN_BELOW_DB && x.place(l.frequency).is_some_and(inside));
    let low = seen.map(|l| l.level).reduce(f64::min).unwrap_or(top);
    // Room for the shortest stem.
    let y = Axis::linear_between(&format!("{tones}: level re the larger tone"), unit, low - 10.0, top);
    let floor = y.low;
    let mut panel = Panel::new(x, y);
    panel.height = 130.0;
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
        panel.marks.extend(own.iter().filter_map(|l| {
            let name = format!("interface alone, order {}", l.order);
            Some(Mark { build, name, at: (l.frequency, l.interface?), shape: Shape::Level, label: None })
        }));
    }
    Some(panel)
}

fn inside(place: f64) -> bool {
    (0.0..=1.0).contains(&place)
}

/// The axis that shows what matters of a pair, and the pair's name: sidebands of
/// the upper tone where the tones lie far apart, everything where they do not.
fn along(lines: &[Line]) -> (Axis, String) {
    let tones: Vec<f64> = lines.iter().filter(|l| l.order == 1).map(|l| l.frequency).collect();
    let all = || lines.iter().map(|l| l.frequency);
    let (Some(lower), Some(upper)) =
        (tones.iter().copied().reduce(f64::min), tones.iter().copied().reduce(f64::max))
    else {
        return (Axis::linear("frequency", "Hz", all().chain([0.0])), "pair".to_owned());
    };
    let name = format!("{} and {} Hz", rounded(lower), rounded(upper));
    let apart = upper > 10.0 * lower;
    let axis = if apart {
        Axis::linear_tight("frequency", "Hz", [upper - SIDEBANDS * lower, upper + SIDEBANDS * lower])
    } else {
        Axis::linear("frequency", "Hz", all().chain([0.0]))
    };
    (axis, name)
}

/// A frequency as people name the tone: 82.4, 7000.
fn rounded(hz: f64) -> f64 {
    (hz * 10.0).round() / 10.0
}

fn lines(build: usize, curve: &Curve) -> Vec<Line> {
    let (Some(frequency), Some(level)) = (curve.column("frequency"), curve.column("level")) else {
        return Vec::new();
    };
    let order = curve.column("order").unwrap_or_else(|| vec![None; frequency.len()]);
    let interface = curve.column("interface").unwrap_or_else(|| vec![None; frequency.len()]);
    frequency
        .iter()
        .zip(&level)
        .zip(order.iter().zip(interface))
        .filter_map(|((f, l), (o, interface))| {
            let order = o.filter(|o| (0.0..100.0).contains(o)).unwrap_or(0.0).round() as u32;
            Some(Line { build, frequency: (*f)?, level: (*l)?, order, interface })
        })
        .collect()
}
