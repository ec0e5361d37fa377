//! Charts of the ladder: distortion against power, output against drive.

use super::Missing;
use super::source::{Source, band_words, first_column, heights, on_curve, series, unit, widths};
use crate::compare::document::Match;
use crate::figure::{Curve, Unit};
use crate::report::chart::{Axis, Chart, Guide, Mark, Panel, Series, Shape, Weight};

const SEGMENT: &str = "the rising ladder";

/// Distortion limits that are drawn as lines, in per cent.
const LIMITS: [f64; 4] = [1.0, 3.0, 5.0, 10.0];

pub(crate) fn distortion_against_power(source: &Source) -> Result<Chart, Missing> {
    let mut chart = distortion(source, "distortion-power", "Distortion against power", "ladder_up", SEGMENT)?;
    chart.finding = source.told(
        &[
            "power_at_thd_1_percent",
            "power_at_thd_3_percent",
            "power_at_thd_5_percent",
            "power_at_thd_10_percent",
        ]
        .map(|quantity| (quantity, Match::Whole)),
    );
    Ok(chart)
}

/// The same at the guitar's low E, where the output transformer has its say.
pub(crate) fn distortion_at_low_e(source: &Source) -> Result<Chart, Missing> {
    let title = "Distortion against power at the low E string";
    let mut chart = distortion(source, "distortion-power-low-e", title, "low_e_ladder", "the low-E ladder")?;
    chart.finding = source.told(&[]);
    Ok(chart)
}

fn distortion(source: &Source, id: &str, title: &str, curve: &str, segment: &str) -> Result<Chart, Missing> {
    let curves = source.need(title, curve, segment)?;
    let x = first_column(&curves, &["power", "output", "level"]).unwrap_or("power");
    let series: Vec<Series> =
        curves.iter().filter_map(|(build, curve)| series(*build, "", curve, x, "thd")).collect();
    if series.is_empty() {
        return Err(Missing::new(title, "The ladder holds no distortion over output at this setting."));
    }
    let (name, scale) = match unit(&curves, x) {
        Some(Unit::Watts) => ("power into the load", "W"),
        other => ("output level", other.map_or("", Unit::symbol)),
    };
    // Levels in dB have no logarithm of their own.
    let along = if scale.starts_with("dB") {
        Axis::linear(name, scale, widths(&series))
    } else {
        Axis::log(name, scale, widths(&series), 4.0)
    };
    let up =
        Axis::log("total harmonic distortion", "%", heights(&series).into_iter().chain([0.5, 20.0]), 3.0);
    let mut panel = Panel::new(along, up);
    panel.guides = LIMITS.map(|at| Guide { at, level: true, label: format!("{at} %") }).to_vec();
    panel.series = series;
    let own = if curve == "ladder_up" { "interface_distortion" } else { "interface_distortion_low_e" };
    let floors = interface_floors(source, own, &curves, x);
    let floor_words = if floors.is_empty() {
        ""
    } else {
        " Thin lines: the interface's own distortion at the same drive, from the loopback; where none is seen, it lies \
         below the chart."
    };
    panel.series.extend(floors);
    let mut chart = source.chart(id, title);
    chart.panels.push(panel);
    chart.caption = format!(
        "A steady tone, rising in steps. Where a curve crosses a line, its power is the clean power at that limit.{floor_words}{}{}",
        band_words(&chart.panels),
        source.struck_words(curve)
    );
    Ok(chart)
}

/// The interface's own distortion over what each build gave at the same drive.
fn interface_floors(source: &Source, own: &str, ladders: &[(usize, &Curve)], x: &str) -> Vec<Series> {
    let own = source.curves(own);
    let of = |(build, ladder): &(usize, &Curve)| {
        let (_, floor) = own.iter().find(|(b, _)| b == build)?;
        let outputs = ladder.points("drive", x);
        let points: Vec<(f64, Option<f64>)> = floor
            .points("drive", "thd")
            .into_iter()
            .filter_map(|(drive, thd)| {
                let same = outputs.iter().find(|(d, _)| (d - drive).abs() < SAME_DRIVE_DB)?;
                Some((same.1, Some(thd)))
            })
            .collect();
        (points.len() > 1).then(|| Series::new(*build, "interface", points).weighing(Weight::Second))
    };
    ladders.iter().filter_map(of).collect()
}

/// Steps of one programme stand at the same drive to far less than this.
const SAME_DRIVE_DB: f64 = 0.05;

pub(crate) fn output_against_drive(source: &Source) -> Result<Chart, Missing> {
    let title = "Output against drive";
    let curves = source.need(title, "ladder_up", SEGMENT)?;
    let y = first_column(&curves, &["output", "level", "power"]).unwrap_or("output");
    let mut all: Vec<Series> =
        curves.iter().filter_map(|(build, curve)| series(*build, "", curve, "drive", y)).collect();
    if all.is_empty() {
        return Err(Missing::new(title, "The ladder holds no output over drive at this setting."));
    }
    let mut marks = Vec::new();
    for rising in &all {
        for (quantity, shape, half) in [
            ("clip_drive_positive", Shape::Up, "positive half"),
            ("clip_drive_negative", Shape::Down, "negative half"),
        ] {
            let at = source.figure(rising.build, quantity, Match::Whole).and_then(|f| f.value());
            if let Some((drive, output)) = at.and_then(|d| Some((d, on_curve(rising, d)?))) {
                let name = format!("clip point, {half}");
                marks.push(Mark { build: rising.build, name, at: (drive, output), shape, label: None });
            }
        }
    }
    for (build, curve) in source.curves("ladder_down") {
        if let Some(falling) = series(build, "falling", curve, "drive", y) {
            all.push(falling.weighing(Weight::Second));
        }
    }
    // Steps that were struck out in some take stand at the foot of the chart.
    let foot = heights(&all).into_iter().fold(f64::INFINITY, f64::min);
    let clipped = !marks.is_empty();
    for (build, drives, _) in source.struck("ladder_up") {
        let name = "struck out".to_owned();
        let ring = |&drive: &f64| Mark {
            build,
            name: name.clone(),
            at: (drive, foot),
            shape: Shape::Ring,
            label: None,
        };
        marks.extend(drives.iter().map(ring));
    }
    let unit = unit(&curves, y).map_or("", Unit::symbol);
    let up = if unit.starts_with("dB") {
        Axis::linear("output", unit, heights(&all))
    } else {
        Axis::log("output", unit, heights(&all), 3.0)
    };
    let mut panel = Panel::new(Axis::linear_tight("drive re the programme's top", "dB", widths(&all)), up);
    panel.series = all;
    panel.marks = marks;
    let mut chart = source.chart("output-drive", title);
    chart.panels.push(panel);
    chart.finding = source.told(&[
        ("clip_drive_positive", Match::Whole),
        ("clip_drive_negative", Match::Whole),
        ("power_at_1_db_compression", Match::Whole),
    ]);
    let triangles = if clipped {
        " Triangles mark the clip points: ▲ positive half, ▼ negative half."
    } else {
        " No clip point was found within the drive of the programme."
    };
    let struck = match source.struck_words("ladder_up") {
        words if words.is_empty() => words,
        words => format!(" Rings at the foot: steps struck out in a take.{words}"),
    };
    chart.caption =
        format!("Thin lines: the falling ladder.{triangles}{}{struck}", band_words(&chart.panels));
    Ok(chart)
}
