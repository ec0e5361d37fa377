//! What a panel shows, drawn: curves with their intervals, bars, marks.

use plotters::element::{Circle, PathElement, Polygon, Rectangle};
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::backend::{Sheet, fine};
use super::clip::{Place, cut_area, cut_curve};
use super::draw::{Area, Fault, Paper, dashed, stroke, text};
use super::layout::{NOTE_SIZE, PanelPlan, WIDTH, block_rect, mark_place, on_paper};
use super::palette::{self, look};
use super::{Block, Mark, Panel, Series, Shape, Weight, font};

pub(crate) fn draw_series(
    sheet: &Sheet,
    area: &Area,
    panel: &Panel,
    series: &Series,
    stretches: &[Vec<Place>],
) -> Result<(), Fault> {
    let colour = look(series.build).colour;
    let to_data = |&(x, y): &Place| (panel.x.value(x), panel.y.value(y));
    sheet.with(r#"class="band""#);
    for run in interval_runs(panel, series) {
        let corners: Vec<_> = cut_area(&run).iter().map(to_data).collect();
        if !corners.is_empty() {
            area.draw(&Polygon::new(corners, colour.mix(0.16).filled()))?;
        }
    }
    let (width, solid) = match series.weight {
        Weight::Main => (2.0, false),
        Weight::Second => (1.2, false),
        Weight::Heavy => (4.2, true),
    };
    sheet.with(&if solid { r#"class="curve""#.to_owned() } else { dashed("curve", series.build) });
    for part in stretches {
        let line: Vec<_> = part.iter().map(to_data).collect();
        area.draw(&PathElement::new(line, stroke(colour, width)))?;
    }
    Ok(())
}

pub(crate) fn draw_block(
    sheet: &Sheet,
    root: &Paper,
    area: &Area,
    plan: &PanelPlan,
    block: &Block,
) -> Result<(), Fault> {
    let panel = plan.panel;
    let Some(rect) = block_rect(panel, &plan.frame, block) else { return Ok(()) };
    let colour = look(block.build).colour;
    let corners = [(block.x.0, block.y.0), (block.x.1, block.y.1)].map(|(x, y)| {
        // Beyond the frame means up to the frame, zero on a log axis too.
        let x = panel.x.place(x).map_or(panel.x.low, |p| panel.x.value(p.clamp(0.0, 1.0)));
        let y = panel.y.place(y).map_or(panel.y.low, |p| panel.y.value(p.clamp(0.0, 1.0)));
        (x, y)
    });
    // The grid does not show through.
    sheet.with(r#"class="paper""#);
    area.draw(&Rectangle::new(corners, palette::PAPER.filled()))?;
    sheet.with(r#"class="block""#);
    if block.fill > 0.0 {
        area.draw(&Rectangle::new(corners, colour.mix(block.fill.min(1.0)).filled()))?;
    }
    sheet.with(&dashed("block", block.build));
    area.draw(&Rectangle::new(corners, stroke(colour, 1.2)))?;
    if let Some((low, high)) = block.interval
        && let Some(place) = panel.x.place((block.x.0 + block.x.1) / 2.0)
    {
        // An interval that reaches zero has no lower end on a log axis: down to the frame.
        let ends = [panel.y.place(low).unwrap_or(0.0), panel.y.place(high).unwrap_or(0.0)];
        sheet.with(r#"class="rule""#);
        for part in cut_curve(ends.map(|end| Some((place, end)))) {
            let line: Vec<_> = part.iter().map(|&(x, y)| (panel.x.value(x), panel.y.value(y))).collect();
            area.draw(&PathElement::new(line, stroke(palette::INK, 1.2)))?;
        }
    }
    if let Some(place) = block.floor.and_then(|f| panel.y.place(f)).filter(|p| (0.0..=1.0).contains(p)) {
        sheet.with(r#"class="rule""#);
        let line: Vec<_> = [block.x.0, block.x.1].map(|x| (x, panel.y.value(place))).to_vec();
        area.draw(&PathElement::new(line, stroke(palette::INK, 1.6)))?;
    }
    if let Some(label) = &block.label
        && font::width(label, NOTE_SIZE) + 6.0 <= rect.right - rect.left
    {
        // White on a dark fill, the build's colour on a light one.
        let on_dark = block.fill > 0.55;
        sheet.with(if on_dark { r#"class="reversed""# } else { r#"class="inside""# });
        let ink = if on_dark { palette::PAPER } else { palette::INK };
        let at = ((rect.left + rect.right) / 2.0, (rect.top + rect.bottom) / 2.0 + 0.365 * NOTE_SIZE);
        text(root, label, NOTE_SIZE, ink, at, HPos::Center)?;
    }
    Ok(())
}

/// Writes under the right ends of a build's blocks, from the right to the left;
/// what would lie on its neighbour is left to the data table.
pub(crate) fn draw_ends(sheet: &Sheet, root: &Paper, plan: &PanelPlan, build: usize) -> Result<(), Fault> {
    sheet.with(r#"class="label""#);
    let mut free_until = f64::INFINITY;
    for block in plan.panel.blocks.iter().rev().filter(|b| b.build == build) {
        let (Some(end), Some(rect)) = (&block.end, block_rect(plan.panel, &plan.frame, block)) else {
            continue;
        };
        let widest = end.lines().map(|line| font::width(line, NOTE_SIZE)).fold(0.0, f64::max);
        let half = widest / 2.0;
        let x = rect.right.clamp(plan.frame.left + half, (WIDTH - half - 2.0).max(plan.frame.left + half));
        if x + half > free_until {
            continue;
        }
        free_until = x - half - 4.0;
        for (line, words) in end.lines().enumerate() {
            let at = (x, rect.bottom + 4.0 + (0.8 + 1.15 * line as f64) * NOTE_SIZE);
            text(root, words, NOTE_SIZE, look(build).colour, at, HPos::Center)?;
        }
    }
    Ok(())
}

pub(crate) fn draw_mark(sheet: &Sheet, root: &Paper, plan: &PanelPlan, mark: &Mark) -> Result<(), Fault> {
    let Some((x, y)) = mark_place(plan.panel, mark).map(|p| on_paper(&plan.frame, p)) else { return Ok(()) };
    let colour = look(mark.build).colour;
    let corner = |dx: f64, dy: f64| (fine(x + dx), fine(y + dy));
    sheet.with(r#"class="mark""#);
    match mark.shape {
        Shape::Up => {
            let corners = vec![corner(0.0, -5.5), corner(5.0, 3.5), corner(-5.0, 3.5)];
            root.draw(&Polygon::new(corners, colour.filled()))
        }
        Shape::Down => {
            let corners = vec![corner(0.0, 5.5), corner(5.0, -3.5), corner(-5.0, -3.5)];
            root.draw(&Polygon::new(corners, colour.filled()))
        }
        Shape::Dot => root.draw(&Circle::new(corner(0.0, 0.0), fine(3.2), colour.filled())),
        Shape::Level => {
            let line = vec![corner(-6.0, 0.0), corner(6.0, 0.0)];
            root.draw(&PathElement::new(line, stroke(colour, 1.6)))
        }
        Shape::Ring => root.draw(&Circle::new(corner(0.0, 0.0), fine(3.6), stroke(colour, 1.6))),
    }
}

/// Closed areas between the ends of the intervals, one for each run without a gap.
fn interval_runs(panel: &Panel, series: &Series) -> Vec<Vec<Place>> {
    let mut runs = Vec::new();
    let (mut lower, mut upper): (Vec<Place>, Vec<Place>) = (Vec::new(), Vec::new());
    let mut end_run = |lower: &mut Vec<Place>, upper: &mut Vec<Place>| {
        if lower.len() > 1 {
            lower.extend(upper.iter().rev());
            runs.push(std::mem::take(lower));
        }
        lower.clear();
        upper.clear();
    };
    let series = &*super::smooth::drawn(panel, series);
    for (&(x, y), interval) in series.points.iter().zip(&series.interval) {
        let corner = y.and(*interval).and_then(|(low, high)| {
            // An interval that reaches zero has no lower end on a log axis: far below the frame.
            let low = panel.y.place(low).unwrap_or(-1.0);
            Some((panel.x.place(x)?, low, panel.y.place(high)?))
        });
        match corner {
            Some((x, low, high)) => {
                lower.push((x, low));
                upper.push((x, high));
            }
            None => end_run(&mut lower, &mut upper),
        }
    }
    end_run(&mut lower, &mut upper);
    runs
}
