//! What the template prints, put in order; nothing is worked out here.

use super::data::tables;
use super::{Figure, SettingFigures, match_words};
use crate::compare::document::{Comparison, Match, Row, SettingSummary, Standing};
use crate::report::definitions::DEFINITIONS;

/// One table: a build beside the reference, at one setting.
pub(crate) struct PairTable<'a> {
    pub setting: &'a str,
    pub builds: &'a [String; 2],
    pub groups: Vec<(&'static str, Vec<RowView<'a>>)>,
}

/// One line of it.
pub(crate) struct RowView<'a> {
    pub row: &'a Row,
    pub values: [&'a str; 2],
    pub takes: String,
    /// What is said of the difference's size, where a threshold was asked.
    pub relevance: String,
    /// Why a value is missing.
    pub notes: Vec<&'a str>,
}

impl<'a> RowView<'a> {
    fn new(row: &'a Row) -> Self {
        let value = |at: usize| row.value_texts.get(at).map_or("not measured", String::as_str);
        let threshold = row.threshold.as_deref();
        let relevance = match (row.relevant, threshold, row.standing) {
            (Some(false), Some(threshold), Standing::Real) => {
                format!("smaller than {threshold}, below which few would notice (common practice)")
            }
            _ => String::new(),
        };
        let notes = row.values.iter().chain([&row.difference]).filter_map(|v| v.note.as_deref());
        let mut notes: Vec<&str> = notes.collect();
        notes.dedup();
        let takes = format!("{} and {} takes", row.takes[0], row.takes[1]);
        Self { row, values: [value(0), value(1)], takes, relevance, notes }
    }
}

/// All tables, in the order of settings, pairs as they come, matches in their order.
pub(crate) fn pair_tables(comparison: &Comparison) -> Vec<PairTable<'_>> {
    let mut tables = Vec::new();
    for setting in &comparison.settings {
        let rows: Vec<&Row> = comparison.rows.iter().filter(|r| r.setting == setting.name).collect();
        let mut pairs: Vec<&[String; 2]> = Vec::new();
        for row in &rows {
            if !pairs.contains(&&row.builds) {
                pairs.push(&row.builds);
            }
        }
        for builds in pairs {
            let groups = [Match::Whole, Match::SameDrive, Match::SamePower, Match::SameDistortion]
                .into_iter()
                .map(|matched| {
                    let of_group = rows.iter().filter(|r| r.matched == matched && r.builds == *builds);
                    (match_words(matched), of_group.map(|r| RowView::new(r)).collect::<Vec<_>>())
                })
                .filter(|(_, rows)| !rows.is_empty())
                .collect();
            tables.push(PairTable { setting: &setting.name, builds, groups });
        }
    }
    tables
}

/// A setting's charts.
pub(crate) struct SettingView<'a> {
    pub setting: &'a SettingSummary,
    pub figures: Vec<FigureView<'a>>,
}

impl<'a> SettingView<'a> {
    pub(crate) fn new(comparison: &'a Comparison, figures: &'a SettingFigures) -> Self {
        // A figure list is made from the same document; an empty name stands in if it was not.
        static NONE: SettingSummary =
            SettingSummary { name: String::new(), controls: String::new(), takes: Vec::new() };
        Self {
            setting: comparison.settings.get(figures.setting).unwrap_or(&NONE),
            figures: figures.figures.iter().map(FigureView::new).collect(),
        }
    }
}

/// A chart as the page prints it.
pub(crate) struct FigureView<'a> {
    pub id: &'a str,
    pub title: &'a str,
    pub caption: &'a str,
    pub finding: &'a str,
    /// The drawing, its own title cut off; empty if the chart was left out.
    pub svg: String,
    pub tables: String,
    /// Why it was left out.
    pub why: &'a str,
}

impl<'a> FigureView<'a> {
    pub(crate) fn new(figure: &'a Figure) -> Self {
        match figure {
            Figure::Drawn(chart, drawing) => Self {
                id: &chart.id,
                title: &chart.title,
                caption: &chart.caption,
                finding: &chart.finding,
                svg: drawing.without_head(),
                tables: tables(chart),
                why: "",
            },
            Figure::LeftOut(title, why) => Self {
                id: "",
                title,
                caption: "",
                finding: "",
                svg: String::new(),
                tables: String::new(),
                why,
            },
        }
    }
}

/// Definitions of what the page speaks of: the general ones, and those of the quantities it has.
pub(crate) fn definitions(comparison: &Comparison) -> Vec<(&'static str, &'static str)> {
    let named = |keys: &[&str]| {
        keys.is_empty() || comparison.rows.iter().any(|r| keys.iter().any(|k| r.quantity.starts_with(k)))
    };
    DEFINITIONS.iter().filter(|d| named(d.quantities)).map(|d| (d.term, d.text)).collect()
}
