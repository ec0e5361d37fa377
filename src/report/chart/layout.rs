//! What must be known before a chart is drawn: where the frames lie, which
//! stretches of curves are seen, where labels find room.

use super::clip::{Place, cut_curve};
use super::label::{Placer, Rect};
use super::{Axis, Block, Chart, Guide, Mark, Panel, Series, font};
use crate::report::text::for_markup;

/// Width of every chart in chart units; at 600 pixels wide the smallest text is 9 pixels high.
pub const WIDTH: f64 = 640.0;

pub(crate) const TITLE_SIZE: f64 = 15.0;
pub(crate) const TEXT_SIZE: f64 = 11.5;
pub(crate) const TICK_SIZE: f64 = 11.0;
pub(crate) const NOTE_SIZE: f64 = 10.0;
pub(crate) const MARGIN_LEFT: f64 = 8.0;
const MARGIN_RIGHT: f64 = 18.0;
/// Longest name on a chart.
pub(crate) const NAME_LIMIT: f64 = 150.0;
/// Distance of lines of tick labels.
pub(crate) const TICK_LINE: f64 = 13.0;
/// Height of title and subtitle.
pub(crate) const TITLE_HEIGHT: f64 = 40.0;
/// Distance of rows of the key.
pub(crate) const KEY_ROW: f64 = 16.0;

/// A label that found its place.
pub(crate) struct Placed {
    pub build: usize,
    pub text: String,
    pub size: f64,
    pub rect: Rect,
}

/// A panel with its frame and all that had to be decided before drawing.
pub(crate) struct PanelPlan<'a> {
    pub panel: &'a Panel,
    pub frame: Rect,
    /// For each series, its visible stretches in places.
    pub stretches: Vec<Vec<Vec<Place>>>,
    /// What stands on the guides; of no build.
    pub guides: Vec<Placed>,
    pub labels: Vec<Placed>,
    /// The title of the x axis is written.
    pub titled: bool,
}

/// A chart with its frames and labels.
pub(crate) struct Plan<'a> {
    pub chart: &'a Chart,
    /// The builds' names as they are written on the chart.
    pub names: Vec<String>,
    /// The names stand in a key above instead of beside curves.
    pub key: bool,
    /// Height of it all.
    pub height: f64,
    pub panels: Vec<PanelPlan<'a>>,
    /// Builds whose name stands beside a curve.
    named: Vec<bool>,
}

impl<'a> Plan<'a> {
    /// With names beside the curves if all find room, with a key above otherwise.
    pub(crate) fn new(chart: &'a Chart) -> Self {
        let plan = Self::with_key(chart, false);
        if plan.named.iter().all(|&named| named) { plan } else { Self::with_key(chart, true) }
    }

    fn with_key(chart: &'a Chart, key: bool) -> Self {
        let names: Vec<String> =
            chart.builds.iter().map(|n| font::fitted(&for_markup(n), TEXT_SIZE, NAME_LIMIT)).collect();
        let rows = key_places(&names).last().map_or(0, |(_, row)| row + 1);
        let head = TITLE_HEIGHT + 4.0 + if key { rows as f64 * KEY_ROW } else { 0.0 };
        // Builds that stand on the axis need no other name.
        let named = chart.builds.iter().map(|name| stands_on_axis(chart, name)).collect();
        let mut plan = Self { chart, names, key, height: head, panels: Vec::new(), named };
        let left = MARGIN_LEFT
            + chart.panels.iter().map(|p| widest_label(&p.y)).fold(24.0, f64::max).min(NAME_LIMIT)
            + 8.0;
        for (at, panel) in chart.panels.iter().enumerate() {
            let top = plan.height + if panel.top.is_empty() { 22.0 } else { 36.0 };
            let frame = Rect { left, top, right: WIDTH - MARGIN_RIGHT, bottom: top + panel.height };
            let titled = chart.panels.get(at + 1).is_none_or(|next| next.x.title() != panel.x.title());
            let title = if titled && !panel.x.title().is_empty() { 18.0 } else { 0.0 };
            plan.height = frame.bottom + 10.0 + TICK_LINE * tick_lines(&panel.x) + title;
            let panel = plan.panel(panel, frame, titled);
            plan.panels.push(panel);
        }
        plan.height = (plan.height + 4.0).ceil();
        plan
    }

    fn panel(&mut self, panel: &'a Panel, frame: Rect, titled: bool) -> PanelPlan<'a> {
        let mut placer = Placer::new(frame);
        let stretches: Vec<Vec<Vec<Place>>> = panel.series.iter().map(|s| visible(panel, s)).collect();
        for (at, parts) in stretches.iter().enumerate() {
            for part in parts {
                let on_paper: Vec<_> = part.iter().map(|&p| on_paper(&frame, p)).collect();
                placer.curve(at, &on_paper);
            }
        }
        let mut guides = Vec::new();
        for guide in &panel.guides {
            if let Some(rect) = placer.freest(&guide_places(panel, &frame, guide)) {
                guides.push(Placed { build: 0, text: guide.label.clone(), size: NOTE_SIZE, rect });
            }
        }
        let marks: Vec<_> =
            panel.marks.iter().filter_map(|m| Some((m, on_paper(&frame, mark_place(panel, m)?)))).collect();
        for &(_, (x, y)) in &marks {
            placer.reserve(Rect { left: x - 5.0, top: y - 5.0, right: x + 5.0, bottom: y + 5.0 });
        }
        let mut labels = Vec::new();
        for (at, series) in panel.series.iter().enumerate() {
            let Some((text, names)) = self.words(series) else { continue };
            let size = (font::width(&text, TEXT_SIZE) + 2.0, TEXT_SIZE + 2.0);
            if let Some(rect) = placer.beside_curve(at, size) {
                if names && let Some(named) = self.named.get_mut(series.build) {
                    *named = true;
                }
                labels.push(Placed { build: series.build, text, size: TEXT_SIZE, rect });
            }
        }
        for (mark, at) in marks {
            let Some(text) = &mark.label else { continue };
            let size = (font::width(text, NOTE_SIZE) + 2.0, NOTE_SIZE + 2.0);
            if let Some(rect) = placer.beside_point(at, size) {
                labels.push(Placed { build: mark.build, text: text.clone(), size: NOTE_SIZE, rect });
            }
        }
        PanelPlan { panel, frame, stretches, guides, labels, titled }
    }

    /// What is written beside a curve, and whether that names its build.
    fn words(&self, series: &Series) -> Option<(String, bool)> {
        let names = !self.key && self.named.get(series.build) == Some(&false);
        let name = self.name(series.build);
        match (&series.label, names) {
            (Some(label), true) => Some((format!("{name}: {label}"), true)),
            (None, true) => Some((name.to_owned(), true)),
            (Some(label), false) => Some((label.clone(), false)),
            (None, false) => None,
        }
    }

    /// The name of a build as it is written on the chart.
    pub(crate) fn name(&self, build: usize) -> &str {
        self.names.get(build).map_or("", String::as_str)
    }
}

/// Where each name of the key begins, and in which row.
pub(crate) fn key_places(names: &[String]) -> Vec<(f64, usize)> {
    let (mut x, mut row) = (MARGIN_LEFT, 0);
    names
        .iter()
        .map(|name| {
            let width = 34.0 + font::width(name, TEXT_SIZE) + 22.0;
            if x > MARGIN_LEFT && x + width > WIDTH {
                (x, row) = (MARGIN_LEFT, row + 1);
            }
            let place = (x, row);
            x += width;
            place
        })
        .collect()
}

fn stands_on_axis(chart: &Chart, name: &str) -> bool {
    chart.panels.first().is_some_and(|p| p.y.ticks.iter().any(|t| t.label == name))
}

fn widest_label(axis: &Axis) -> f64 {
    axis.ticks.iter().map(|t| font::width(&for_markup(&t.label), TICK_SIZE)).fold(0.0, f64::max)
}

/// Lines that the labels of an axis need.
pub(crate) fn tick_lines(axis: &Axis) -> f64 {
    axis.ticks.iter().map(|t| t.label.lines().count()).max().unwrap_or(0).max(1) as f64
}

/// Visible stretches of a curve, in places.
fn visible(panel: &Panel, series: &Series) -> Vec<Vec<Place>> {
    let series = super::smooth::drawn(panel, series);
    cut_curve(series.points.iter().map(|&(x, y)| Some((panel.x.place(x)?, panel.y.place(y?)?))))
}

/// Where a mark lies, if it is seen.
pub(crate) fn mark_place(panel: &Panel, mark: &Mark) -> Option<Place> {
    let place = (panel.x.place(mark.at.0)?, panel.y.place(mark.at.1)?);
    let inside = (0.0..=1.0).contains(&place.0) && (0.0..=1.0).contains(&place.1);
    inside.then_some(place)
}

/// The rectangle of a block, if anything of it is seen.
pub(crate) fn block_rect(panel: &Panel, frame: &Rect, block: &Block) -> Option<Rect> {
    let along = |axis: &Axis, value: f64| axis.place(value).unwrap_or(0.0).clamp(0.0, 1.0);
    let (x0, x1) = (along(&panel.x, block.x.0), along(&panel.x, block.x.1));
    let (y0, y1) = (along(&panel.y, block.y.0), along(&panel.y, block.y.1));
    let ((left, bottom), (right, top)) = (on_paper(frame, (x0, y0)), on_paper(frame, (x1, y1)));
    (right - left > 0.01 && bottom - top > 0.01).then_some(Rect { left, top, right, bottom })
}

/// Where a guide's label may stand, the usual place first; empty if it has none or the guide is not seen.
fn guide_places(panel: &Panel, frame: &Rect, guide: &Guide) -> Vec<Rect> {
    let axis = if guide.level { &panel.y } else { &panel.x };
    let place = axis.place(guide.at).filter(|p| !guide.label.is_empty() && (0.0..=1.0).contains(p));
    let Some(place) = place else { return Vec::new() };
    let (width, height) = (font::width(&guide.label, NOTE_SIZE) + 2.0, NOTE_SIZE + 2.0);
    let at = |left: f64, top: f64| Rect { left, top, right: left + width, bottom: top + height };
    if guide.level {
        let y = frame.bottom - place * (frame.bottom - frame.top);
        let top = (y - height).max(frame.top);
        vec![at(frame.left + 4.0, top), at(frame.right - width - 4.0, top)]
    } else {
        let x = frame.left + place * (frame.right - frame.left) + 3.0;
        vec![at(x.min(frame.right - width), frame.top + 3.0)]
    }
}

/// A place in the frame, in chart units.
pub(crate) fn on_paper(frame: &Rect, (x, y): Place) -> (f64, f64) {
    (frame.left + x * (frame.right - frame.left), frame.bottom - y * (frame.bottom - frame.top))
}
