//! The data table behind a chart. It is what a screen reader reads, what the
//! page's script reads values from, and what it saves as CSV.

use std::fmt::Write as _;

use crate::report::chart::{Chart, Panel, Series};
use crate::report::numbers::short;
use crate::report::text::xml;

/// The tables of a chart as HTML: one for the curves of each panel, one for its
/// single values.
pub(crate) fn tables(chart: &Chart) -> String {
    let mut out = String::new();
    for (at, panel) in chart.panels.iter().enumerate() {
        if !panel.series.is_empty() {
            curves(&mut out, chart, at, panel);
        }
        if !panel.blocks.is_empty() || !panel.marks.is_empty() {
            values(&mut out, chart, panel);
        }
    }
    out
}

fn name(chart: &Chart, build: usize) -> &str {
    chart.builds.get(build).map_or("", String::as_str)
}

/// A column of the table.
enum Column<'a> {
    X(&'a Series),
    Y(&'a Series),
    Low(&'a Series),
    High(&'a Series),
}

impl Column<'_> {
    fn cell(&self, row: usize) -> Option<f64> {
        match self {
            Self::X(s) => s.points.get(row).map(|p| p.0),
            Self::Y(s) => s.points.get(row)?.1,
            Self::Low(s) => s.interval.get(row).copied().flatten().map(|i| i.0),
            Self::High(s) => s.interval.get(row).copied().flatten().map(|i| i.1),
        }
    }
}

/// Curves side by side; those that share their places along x share that column.
fn curves(out: &mut String, chart: &Chart, at: usize, panel: &Panel) {
    let mut columns: Vec<(Column, usize)> = Vec::new();
    let mut x_of: Option<(usize, &Series)> = None;
    for series in &panel.series {
        let shared = x_of.filter(|(_, x)| {
            x.points.len() == series.points.len()
                && x.points.iter().zip(&series.points).all(|(a, b)| a.0 == b.0)
        });
        let x = match shared {
            Some((x, _)) => x,
            None => {
                columns.push((Column::X(series), 0));
                x_of = Some((columns.len() - 1, series));
                columns.len() - 1
            }
        };
        columns.push((Column::Y(series), x));
        if series.interval.iter().any(Option::is_some) {
            columns.push((Column::Low(series), x));
            columns.push((Column::High(series), x));
        }
    }
    let _ = write!(out, "<table class=\"data\" data-panel=\"{at}\"><thead><tr>");
    for (column, x) in &columns {
        let _ = match column {
            Column::X(_) => write!(out, "<th scope=col>{}", xml(&panel.x.title())),
            Column::Y(s) => write!(
                out,
                "<th scope=col data-build=\"{}\" data-x=\"{x}\" data-unit=\"{}\">{}",
                s.build,
                xml(&panel.y.unit),
                xml(&head(chart, panel, s, ""))
            ),
            Column::Low(s) => write!(out, "<th scope=col>{}", xml(&head(chart, panel, s, "interval from"))),
            Column::High(s) => write!(out, "<th scope=col>{}", xml(&head(chart, panel, s, "interval to"))),
        };
    }
    out.push_str("</thead><tbody>\n");
    let rows = panel.series.iter().map(|s| s.points.len()).max().unwrap_or(0);
    for row in 0..rows {
        out.push_str("<tr>");
        for (column, _) in &columns {
            out.push_str("<td>");
            if let Some(value) = column.cell(row).filter(|v| v.is_finite()) {
                out.push_str(&short(value));
            }
        }
        out.push('\n');
    }
    out.push_str("</tbody></table>\n");
}

fn head(chart: &Chart, panel: &Panel, series: &Series, what: &str) -> String {
    let parts = [name(chart, series.build), series.name.as_str(), &panel.y.title(), what];
    parts.into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(": ")
}

/// Bars, zones and marks, one a line.
fn values(out: &mut String, chart: &Chart, panel: &Panel) {
    out.push_str("<table class=\"data values\"><thead><tr><th scope=col>build<th scope=col>what<th scope=col>value</thead><tbody>\n");
    for block in &panel.blocks {
        let (build, what) = (xml(name(chart, block.build)), xml(&block.name));
        let _ = writeln!(out, "<tr><th scope=row>{build}<td>{what}<td>{}", xml(&block.value));
    }
    for mark in &panel.marks {
        let (build, what) = (xml(name(chart, mark.build)), xml(&mark.name));
        let value = match (&mark.label, panel.x.unit.as_str()) {
            (Some(label), _) => label.clone(),
            (None, x_unit) => {
                format!("{} {x_unit}, {} {}", short(mark.at.0), short(mark.at.1), panel.y.unit)
            }
        };
        let _ = writeln!(out, "<tr><th scope=row>{build}<td>{what}<td>{}", xml(&value));
    }
    out.push_str("</tbody></table>\n");
}
