//! A chart description drawn by plotters into SVG: paper, head, axes, guides.

use std::convert::Infallible;
use std::ops::Range;

use plotters::coord::Shift;
use plotters::coord::cartesian::Cartesian2d;
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged};
use plotters::drawing::DrawingAreaErrorKind;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use plotters::element::{PathElement, Rectangle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoFont, RGBColor, ShapeStyle, TextStyle};

use super::backend::{FINE, Sheet, SvgBackend, fine};
use super::content::{draw_block, draw_ends, draw_mark, draw_series};
use super::layout::{
    KEY_ROW, MARGIN_LEFT, NAME_LIMIT, NOTE_SIZE, PanelPlan, Placed, Plan, TEXT_SIZE, TICK_LINE, TICK_SIZE,
    TITLE_HEIGHT, TITLE_SIZE, key_places, tick_lines,
};
use super::palette::{self, look};
use super::{Axis, Chart, ChartError, Scale, Tick, font};
use crate::report::text::{for_markup, xml};

pub use super::layout::WIDTH;

pub(crate) type Fault = DrawingAreaErrorKind<Infallible>;
/// The whole paper, in plotters' whole numbers.
pub(crate) type Paper = DrawingArea<SvgBackend, Shift>;
/// One frame, in the units of its axes.
pub(crate) type Area = DrawingArea<SvgBackend, Cartesian2d<Along, Along>>;

/// An SVG file, and where things lie in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// The file.
    pub svg: String,
    /// Its height in chart units.
    pub height: f64,
    /// Height of title and subtitle, which a page that prints its own title leaves out.
    pub head: f64,
}

impl Drawing {
    /// The SVG for a page: title and subtitle cut off, size left to the page.
    #[must_use]
    pub fn without_head(&self) -> String {
        let (height, head) = (self.height, self.head);
        let whole = format!(r#"width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}""#);
        let shown = format!(r#"viewBox="0 {head} {WIDTH} {}" data-height="{height}""#, height - head);
        self.svg.replacen(&whole, &shown, 1)
    }
}

/// Draws a chart.
///
/// # Errors
/// plotters refused; not known to happen with a description made by [`Axis`]'s constructors.
pub fn draw(chart: &Chart) -> Result<Drawing, ChartError> {
    Plan::new(chart)
        .draw()
        .map_err(|fault| ChartError::Drawing { id: chart.id.clone(), why: fault.to_string() })
}

/// An [`Axis`] as plotters wants it.
pub(crate) struct Along(Axis);

impl Ranged for Along {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let place = self.0.place(*value).unwrap_or(0.0).clamp(0.0, 1.0);
        (f64::from(limit.0) + place * f64::from(limit.1 - limit.0)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<f64> {
        self.0.ticks.iter().map(|t| t.at).collect()
    }

    fn range(&self) -> Range<f64> {
        self.0.low..self.0.high
    }
}

impl Plan<'_> {
    fn draw(&self) -> Result<Drawing, Fault> {
        let sheet = Sheet::default();
        let root = SvgBackend::new(sheet.clone(), WIDTH, self.height).into_drawing_area();
        let chart = self.chart;
        let height = self.height;
        sheet.raw(&format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"chart\" role=\"img\" \
             aria-labelledby=\"{id}-t {id}-d\" width=\"{WIDTH}\" height=\"{height}\" \
             viewBox=\"0 0 {WIDTH} {height}\" font-family=\"'{}', sans-serif\">\n\
             <title id=\"{id}-t\">{}</title>\n<desc id=\"{id}-d\">{}</desc>\n",
            font::FAMILY,
            xml(&chart.title),
            xml(&chart.finding),
            id = xml(&chart.id),
        ));
        sheet.with(r#"class="paper""#);
        let corner = (fine(WIDTH), fine(height));
        root.draw(&Rectangle::new([(0, 0), corner], palette::PAPER.filled()))?;
        self.draw_head(&sheet, &root)?;
        for (at, panel) in self.panels.iter().enumerate() {
            sheet.open(&panel_attributes(at, panel));
            self.draw_panel(&sheet, &root, panel)?;
            sheet.close();
        }
        sheet.raw("</svg>\n");
        Ok(Drawing { svg: sheet.take(), height, head: TITLE_HEIGHT })
    }

    fn draw_head(&self, sheet: &Sheet, root: &Paper) -> Result<(), Fault> {
        sheet.open(r#"class="head""#);
        sheet.with(r#"class="ink""#);
        let title = font::fitted(&for_markup(&self.chart.title), TITLE_SIZE, WIDTH - 2.0 * MARGIN_LEFT);
        text(root, &title, TITLE_SIZE, palette::INK, (MARGIN_LEFT, 19.0), HPos::Left)?;
        sheet.with(r#"class="soft""#);
        let subtitle = font::fitted(&for_markup(&self.chart.subtitle), NOTE_SIZE, WIDTH - 2.0 * MARGIN_LEFT);
        text(root, &subtitle, NOTE_SIZE, palette::SOFT, (MARGIN_LEFT, 35.0), HPos::Left)?;
        if self.key {
            for (build, (x, row)) in key_places(&self.names).into_iter().enumerate() {
                let y = TITLE_HEIGHT + 14.0 + KEY_ROW * row as f64;
                sheet.open(&build_attributes(build));
                let line = [(x, y - 4.0), (x + 28.0, y - 4.0)].map(|(x, y)| (fine(x), fine(y)));
                sheet.with(&dashed("curve", build));
                root.draw(&PathElement::new(line.to_vec(), stroke(look(build).colour, 2.2)))?;
                sheet.with(r#"class="label""#);
                text(root, self.name(build), TEXT_SIZE, look(build).colour, (x + 34.0, y), HPos::Left)?;
                sheet.close();
            }
        }
        sheet.with("");
        sheet.close();
        Ok(())
    }

    fn draw_panel(&self, sheet: &Sheet, root: &Paper, plan: &PanelPlan) -> Result<(), Fault> {
        let panel = plan.panel;
        let area = root.apply_coord_spec(Cartesian2d::new(
            Along(panel.x.clone()),
            Along(panel.y.clone()),
            (fine(plan.frame.left)..fine(plan.frame.right), fine(plan.frame.bottom)..fine(plan.frame.top)),
        ));
        draw_axes(sheet, root, &area, plan)?;
        draw_guides(sheet, root, &area, plan)?;
        let builds = self.chart.builds.len();
        for build in 0..builds {
            sheet.open(&build_attributes(build));
            for block in panel.blocks.iter().filter(|b| b.build == build) {
                draw_block(sheet, root, &area, plan, block)?;
            }
            draw_ends(sheet, root, plan, build)?;
            for (series, stretches) in panel.series.iter().zip(&plan.stretches) {
                if series.build == build {
                    draw_series(sheet, &area, panel, series, stretches)?;
                }
            }
            for mark in panel.marks.iter().filter(|m| m.build == build) {
                draw_mark(sheet, root, plan, mark)?;
            }
            sheet.close();
        }
        // Labels last, above every curve.
        for build in 0..builds {
            sheet.open(&build_attributes(build));
            sheet.with(HALO);
            for label in plan.labels.iter().filter(|l| l.build == build) {
                let at = (label.rect.left + 1.0, label.rect.bottom - 3.0);
                text(root, &label.text, label.size, look(build).colour, at, HPos::Left)?;
            }
            sheet.close();
        }
        sheet.with("");
        Ok(())
    }
}

/// A rim in the paper's colour keeps text on a curve readable.
const HALO: &str =
    r##"class="label" paint-order="stroke" stroke="#ffffff" stroke-width="3" stroke-linejoin="round""##;

fn draw_axes(sheet: &Sheet, root: &Paper, area: &Area, plan: &PanelPlan) -> Result<(), Fault> {
    let (panel, frame) = (plan.panel, &plan.frame);
    sheet.open(r#"class="grid""#);
    let named = |ticks: &[Tick], width: f64| -> Vec<(f64, f64)> {
        ticks.iter().map(|t| (t.at, if t.label.is_empty() { 0.5 } else { width })).collect()
    };
    let names = panel.x.scale == Scale::Linear && panel.x.low == 0.5;
    if !names {
        for (at, width) in named(&panel.x.ticks, 1.0) {
            let line = vec![(at, panel.y.low), (at, panel.y.high)];
            area.draw(&PathElement::new(line, stroke(palette::GRID, width)))?;
        }
    }
    for (at, width) in named(&panel.y.ticks, 1.0) {
        let line = vec![(panel.x.low, at), (panel.x.high, at)];
        area.draw(&PathElement::new(line, stroke(palette::GRID, width)))?;
    }
    sheet.close();
    sheet.open(r#"class="axes""#);
    sheet.with(r#"class="rule""#);
    let floor = vec![(panel.x.low, panel.y.low), (panel.x.high, panel.y.low)];
    area.draw(&PathElement::new(floor, stroke(palette::INK, 1.0)))?;
    sheet.with(r#"class="ink""#);
    let mut free_from = f64::NEG_INFINITY;
    for tick in panel.x.ticks.iter().filter(|t| !t.label.is_empty()) {
        let Some(place) = panel.x.place(tick.at).filter(|p| (-1e-9..=1.0 + 1e-9).contains(p)) else {
            continue;
        };
        let x = frame.left + place * (frame.right - frame.left);
        let size_of = |line: usize| if line == 0 { TICK_SIZE } else { NOTE_SIZE };
        let widest =
            tick.label.lines().enumerate().map(|(at, l)| font::width(l, size_of(at))).fold(0.0, f64::max);
        if x - widest / 2.0 < free_from {
            continue;
        }
        free_from = x + widest / 2.0 + 4.0;
        for (line, part) in tick.label.lines().enumerate() {
            let (size, y) = (size_of(line), 15.0 + TICK_LINE * line as f64);
            // The outermost labels stay on the paper.
            let half = font::width(part, size) / 2.0;
            let x = x.clamp(half + 2.0, (WIDTH - half - 2.0).max(half + 2.0));
            text(root, part, size, palette::INK, (x, frame.bottom + y), HPos::Center)?;
        }
    }
    for tick in panel.y.ticks.iter().filter(|t| !t.label.is_empty()) {
        let Some(place) = panel.y.place(tick.at).filter(|p| (-1e-9..=1.0 + 1e-9).contains(p)) else {
            continue;
        };
        let y = frame.bottom - place * (frame.bottom - frame.top);
        let label = font::fitted(&for_markup(&tick.label), TICK_SIZE, NAME_LIMIT);
        text(root, &label, TICK_SIZE, palette::INK, (frame.left - 7.0, y + 0.365 * TICK_SIZE), HPos::Right)?;
    }
    sheet.with(r#"class="soft""#);
    if plan.titled && !panel.x.title().is_empty() {
        let y = frame.bottom + 18.0 + TICK_LINE * tick_lines(&panel.x);
        text(root, &panel.x.title(), TEXT_SIZE, palette::SOFT, (frame.right, y), HPos::Right)?;
    }
    let above = if panel.top.is_empty() { 8.0 } else { 22.0 };
    text(root, &panel.y.title(), TEXT_SIZE, palette::SOFT, (MARGIN_LEFT, frame.top - above), HPos::Left)?;
    let mut free_from = f64::NEG_INFINITY;
    for tick in &panel.top {
        let Some(place) = panel.x.place(tick.at).filter(|p| (0.0..=1.0).contains(p)) else { continue };
        let x = frame.left + place * (frame.right - frame.left);
        let line = [(x, frame.top), (x, frame.top + 5.0)].map(|(x, y)| (fine(x), fine(y)));
        sheet.with(r#"class="guide""#);
        root.draw(&PathElement::new(line.to_vec(), stroke(palette::GUIDE, 1.0)))?;
        let half = font::width(&tick.label, NOTE_SIZE) / 2.0;
        if x - half >= free_from {
            free_from = x + half + 2.0;
            sheet.with(r#"class="soft""#);
            text(root, &tick.label, NOTE_SIZE, palette::SOFT, (x, frame.top - 4.0), HPos::Center)?;
        }
    }
    sheet.with("");
    sheet.close();
    Ok(())
}

fn draw_guides(sheet: &Sheet, root: &Paper, area: &Area, plan: &PanelPlan) -> Result<(), Fault> {
    let panel = plan.panel;
    sheet.open(r#"class="guides""#);
    for guide in &panel.guides {
        let axis = if guide.level { &panel.y } else { &panel.x };
        if axis.place(guide.at).is_none_or(|p| !(0.0..=1.0).contains(&p)) {
            continue;
        }
        let line = if guide.level {
            vec![(panel.x.low, guide.at), (panel.x.high, guide.at)]
        } else {
            vec![(guide.at, panel.y.low), (guide.at, panel.y.high)]
        };
        sheet.with(r#"class="guide""#);
        area.draw(&PathElement::new(line, stroke(palette::GUIDE, 0.8)))?;
    }
    sheet.with(&HALO.replace("label", "soft halo"));
    for Placed { text: words, size, rect, .. } in &plan.guides {
        text(root, words, *size, palette::SOFT, (rect.left + 1.0, rect.bottom - 3.0), HPos::Left)?;
    }
    sheet.with("");
    sheet.close();
    Ok(())
}

/// Writes a line of text; `at` is on its baseline.
pub(crate) fn text(
    root: &Paper,
    words: &str,
    size: f64,
    colour: RGBColor,
    at: (f64, f64),
    anchor: HPos,
) -> Result<(), Fault> {
    let style =
        TextStyle::from((font::FAMILY, size).into_font()).color(&colour).pos(Pos::new(anchor, VPos::Bottom));
    root.draw_text(words, &style, (fine(at.0), fine(at.1)))
}

/// A line of this width in chart units.
pub(crate) fn stroke(colour: RGBColor, width: f64) -> ShapeStyle {
    colour.stroke_width((width * FINE) as u32)
}

/// Attributes of a line in the build's dash pattern.
pub(crate) fn dashed(class: &str, build: usize) -> String {
    match look(build).dash {
        "" => format!(r#"class="{class}""#),
        dash => format!(r#"class="{class}" stroke-dasharray="{dash}""#),
    }
}

fn build_attributes(build: usize) -> String {
    format!(r#"class="build b{build}" data-build="{build}""#)
}

/// Where the frame lies and what its axes mean, for whoever reads values under a pointer.
fn panel_attributes(at: usize, plan: &PanelPlan) -> String {
    let axis = |axis: &Axis| {
        let scale = if axis.scale == Scale::Log { "log" } else { "linear" };
        format!("{scale} {} {}", axis.low, axis.high)
    };
    let frame = &plan.frame;
    format!(
        r#"class="panel" data-panel="{at}" data-frame="{:.2} {:.2} {:.2} {:.2}" data-x="{}" data-y="{}""#,
        frame.left,
        frame.top,
        frame.right,
        frame.bottom,
        axis(&plan.panel.x),
        axis(&plan.panel.y)
    )
}
