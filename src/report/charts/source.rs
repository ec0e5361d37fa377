//! What charts take out of a comparison: curves by name, figures as text.

use super::Missing;
use crate::compare::document::{Comparison, Match, Row, Standing};
use crate::figure::{Curve, Quantity, Unit};
use crate::report::chart::{Chart, Panel, Series};
use crate::report::numbers::short;

/// One setting of a comparison, as charts see it.
pub struct Source<'a> {
    /// The whole document.
    pub comparison: &'a Comparison,
    setting: &'a str,
    stem: String,
}

impl<'a> Source<'a> {
    /// Setting number `setting`; `stem` names its files.
    #[must_use]
    pub fn new(comparison: &'a Comparison, setting: usize, stem: String) -> Self {
        let setting = comparison.settings.get(setting).map_or("", |s| s.name.as_str());
        Self { comparison, setting, stem }
    }

    /// Names of the builds, reference first.
    pub(crate) fn builds(&self) -> Vec<String> {
        self.comparison.builds.iter().map(|b| b.name.clone()).collect()
    }

    /// The curve of this name, of every build that has one.
    pub(crate) fn curves(&self, name: &str) -> Vec<(usize, &'a Curve)> {
        let has = |build: &str| {
            self.comparison
                .curves
                .iter()
                .find(|c| c.build == build && c.setting == self.setting && c.curve == name)
        };
        self.comparison
            .builds
            .iter()
            .enumerate()
            .filter_map(|(at, build)| Some((at, &has(&build.name)?.data)))
            .collect()
    }

    /// The curves of this name, or why there is no chart of them.
    pub(crate) fn need(
        &self,
        title: &str,
        name: &str,
        segment: &str,
    ) -> Result<Vec<(usize, &'a Curve)>, Missing> {
        let curves = self.curves(name);
        if curves.iter().all(|(_, c)| c.rows.is_empty()) {
            return Err(Missing::new(
                title,
                format!("No take at this setting gave it: it needs {segment}, recorded and not struck out."),
            ));
        }
        Ok(curves)
    }

    /// What is struck out of this segment in the takes that went in: the build, the drives, and words.
    pub(crate) fn struck(&self, segment: &str) -> Vec<(usize, &'a [f64], String)> {
        let here = self.comparison.recordings.iter().filter(|r| r.used && r.setting == self.setting);
        here.flat_map(|r| {
            let build = self.comparison.builds.iter().position(|b| b.name == r.build);
            let struck = r.struck.iter().filter(|s| s.segment == segment);
            struck.filter_map(move |s| Some((build?, s.drives.as_slice(), format!("{}: {}", r.file, s.told))))
        })
        .collect()
    }

    /// The same as a sentence for captions; nothing where nothing is struck out.
    pub(crate) fn struck_words(&self, segment: &str) -> String {
        let told: Vec<String> = self.struck(segment).into_iter().map(|(_, _, told)| told).collect();
        if told.is_empty() { String::new() } else { format!(" Struck out: {}.", told.join("; ")) }
    }

    /// Rows of this setting with this quantity and match, in the order of the document.
    pub(crate) fn rows(&self, quantity: &str, matched: Match) -> impl Iterator<Item = &'a Row> {
        let (setting, quantity) = (self.setting, quantity.to_owned());
        self.comparison
            .rows
            .iter()
            .filter(move |r| r.setting == setting && r.quantity == quantity && r.matched == matched)
    }

    /// The figure of one build, where a row has it.
    pub(crate) fn figure(&self, build: usize, quantity: &str, matched: Match) -> Option<Figure<'a>> {
        self.figure_at(build, quantity, matched, None)
    }

    /// The figure of one build where builds were matched `at` this.
    pub(crate) fn figure_at(
        &self,
        build: usize,
        quantity: &str,
        matched: Match,
        at: Option<&Quantity>,
    ) -> Option<Figure<'a>> {
        let name = &self.comparison.builds.get(build)?.name;
        self.rows(quantity, matched).filter(|row| row.matched_at.as_ref() == at).find_map(|row| {
            let at = row.builds.iter().position(|b| b == name)?;
            let text = row.value_texts.get(at).map_or("", String::as_str);
            Some(Figure { quantity: row.values.get(at)?, text })
        })
    }

    /// Rows of this setting that `wanted` picks, as sentences.
    pub(crate) fn told_of(&self, wanted: impl Fn(&Row) -> bool) -> String {
        sentences(self.comparison.rows.iter().filter(|r| r.setting == self.setting && wanted(r)))
    }

    /// Where builds were matched for the curve of this name: "5 W".
    pub(crate) fn matched_at(&self, name: &str) -> Option<String> {
        let curve = self.comparison.curves.iter().find(|c| c.setting == self.setting && c.curve == name)?;
        let at = curve.matched_at.as_ref()?;
        Some(format!("{} {}", short(at.value?), at.unit.symbol()))
    }

    /// Names of the curves of this setting that begin so, each once, in the order of the document.
    pub(crate) fn curve_names(&self, beginning: &str) -> Vec<&'a str> {
        let mut names: Vec<&str> = Vec::new();
        for curve in self.comparison.curves.iter().filter(|c| c.setting == self.setting) {
            if curve.curve.starts_with(beginning) && !names.contains(&curve.curve.as_str()) {
                names.push(&curve.curve);
            }
        }
        names
    }

    /// What rows say, as sentences for a text alternative: label, both values, difference, standing.
    pub(crate) fn told(&self, quantities: &[(&str, Match)]) -> String {
        sentences(quantities.iter().flat_map(|(quantity, matched)| self.rows(quantity, *matched)))
    }

    /// An empty chart of this setting.
    pub(crate) fn chart(&self, kind: &str, title: &str) -> Chart {
        let simulated = if self.comparison.simulated { " · simulated data" } else { "" };
        Chart {
            id: format!("{kind}-{}", self.stem),
            title: title.to_owned(),
            subtitle: format!("{} · setting {}{simulated}", self.comparison.title, self.setting),
            caption: String::new(),
            finding: String::new(),
            builds: self.builds(),
            panels: Vec::new(),
        }
    }
}

/// One build's value in a row.
#[derive(Clone)]
pub(crate) struct Figure<'a> {
    pub quantity: &'a Quantity,
    pub text: &'a str,
}

impl Figure<'_> {
    /// The number, where there is one.
    pub(crate) fn value(&self) -> Option<f64> {
        self.quantity.value
    }
}

fn sentences<'r>(rows: impl Iterator<Item = &'r Row>) -> String {
    let sentences: Vec<String> = rows.map(told_row).collect();
    if sentences.is_empty() {
        "No figure of the comparison belongs to this chart alone; its data stand in the table below it."
            .to_owned()
    } else {
        sentences.join(" ")
    }
}

/// A row as a sentence.
fn told_row(row: &Row) -> String {
    let value = |at: usize| row.value_texts.get(at).map_or("not measured", String::as_str);
    let [a, b] = &row.builds;
    let (a_text, b_text) = (value(0), value(1));
    match row.standing {
        Standing::NotMeasured => format!("{}: {a} {a_text}, {b} {b_text}.", row.label),
        standing => format!(
            "{}: {a} {a_text}, {b} {b_text}; difference {} ({}).",
            row.label,
            row.difference_text,
            standing.words()
        ),
    }
}

/// A series from two columns of a curve, with the interval where columns
/// `…_low` and `…_high` hold one. `None` if a column is not there or is empty.
pub(crate) fn series(build: usize, name: &str, curve: &Curve, x: &str, y: &str) -> Option<Series> {
    let (xs, ys) = (curve.column(x)?, curve.column(y)?);
    let points: Vec<_> = xs.iter().zip(&ys).filter_map(|(x, y)| Some(((*x)?, *y))).collect();
    if points.iter().all(|(_, y)| y.is_none()) {
        return None;
    }
    let mut series = Series::new(build, name, points);
    if let (Some(low), Some(high)) = (curve.column(&format!("{y}_low")), curve.column(&format!("{y}_high"))) {
        series.interval = xs
            .iter()
            .zip(low.iter().zip(&high))
            .filter(|(x, _)| x.is_some())
            .map(|(_, (low, high))| Some(((*low)?, (*high)?)))
            .collect();
    }
    Some(series)
}

/// The same without intervals, for lines that only say how far to trust others.
pub(crate) fn plain_series(build: usize, name: &str, curve: &Curve, x: &str, y: &str) -> Option<Series> {
    series(build, name, curve, x, y).map(|s| Series { interval: Vec::new(), ..s })
}

/// The unit of a column, for an axis.
pub(crate) fn unit(curves: &[(usize, &Curve)], column: &str) -> Option<Unit> {
    curves.iter().flat_map(|(_, c)| &c.columns).find(|c| c.name == column).map(|c| c.unit)
}

/// The first of these columns that any of the curves has.
pub(crate) fn first_column<'n>(curves: &[(usize, &Curve)], names: &[&'n str]) -> Option<&'n str> {
    names.iter().copied().find(|n| unit(curves, n).is_some())
}

/// All values of some series, with their intervals.
pub(crate) fn heights(series: &[Series]) -> Vec<f64> {
    series
        .iter()
        .flat_map(|s| {
            let ends = s.interval.iter().flatten().flat_map(|&(low, high)| [low, high]);
            s.present().map(|(_, y)| y).chain(ends)
        })
        .collect()
}

/// All places of some series along x.
pub(crate) fn widths(series: &[Series]) -> Vec<f64> {
    series.iter().flat_map(|s| s.present().map(|(x, _)| x)).collect()
}

/// Where a curve has the value `x`, between its points; `None` outside them.
pub(crate) fn on_curve(series: &Series, x: f64) -> Option<f64> {
    let points: Vec<_> = series.present().collect();
    points.windows(2).find_map(|pair| {
        let [(x0, y0), (x1, y1)] = *pair else { return None };
        if !(x0.min(x1)..=x0.max(x1)).contains(&x) {
            return None;
        }
        let t = if x1 == x0 { 0.0 } else { (x - x0) / (x1 - x0) };
        Some(y0 + t * (y1 - y0))
    })
}

/// The sentence on intervals, if any series has one.
pub(crate) fn band_words(panels: &[Panel]) -> &'static str {
    let any = panels.iter().flat_map(|p| &p.series).any(|s| s.interval.iter().any(Option::is_some));
    if any {
        " The shaded band is the 95 % interval: of the repeats where there are several takes, of the take's own noise where there is one."
    } else {
        ""
    }
}
