//! What the template prints, put in order; nothing is worked out here.

use super::data::tables;
use super::{Figure, SettingFigures, match_words};
use crate::compare::document::{Comparison, Match, Row, SettingSummary, Standing};
use crate::report::charts::noise::TITLE;
use crate::report::definitions::DEFINITIONS;
use crate::report::origins::OriginTable;
use crate::rounding;

/// One table: a build beside the reference, at one setting.
pub(crate) struct PairTable<'a> {
    pub setting: &'a str,
    pub builds: &'a [String; 2],
    /// The headline figures, by match; everything, if none is marked so.
    pub headline: Groups<'a>,
    /// All others, by match.
    pub others: Groups<'a>,
}

/// Rows by what the builds were matched at.
type Groups<'a> = Vec<(&'static str, Vec<RowView<'a>>)>;

/// One line of it.
pub(crate) struct RowView<'a> {
    pub row: &'a Row,
    pub values: [&'a str; 2],
    pub takes: String,
    /// What is said of the difference's size, and why a value is missing; each once.
    pub remarks: Vec<String>,
}

impl<'a> RowView<'a> {
    fn new(row: &'a Row) -> Self {
        let value = |at: usize| row.value_texts.get(at).map_or("not measured", String::as_str);
        let threshold = row.threshold.as_deref();
        let mut remarks: Vec<String> = Vec::new();
        if let (Some(false), Some(threshold), Standing::Real) = (row.relevant, threshold, row.standing) {
            remarks.push(format!("smaller than {threshold}, below which few would notice (common practice)"));
        }
        match row.values.as_slice() {
            // What is the same for both is said once; that there is one take, the standing says.
            [a, b] if a.note == b.note => {
                let note = a.note.clone().filter(|_| row.standing != Standing::OneTakeOnly);
                remarks.extend(note);
            }
            values => {
                for (name, value) in row.builds.iter().zip(values) {
                    remarks.extend(value.note.as_ref().map(|note| format!("{name}: {note}")));
                }
            }
        }
        let floors: Vec<Option<String>> = row.values.iter().map(rounding::floor).collect();
        match floors.as_slice() {
            [Some(a), Some(b)] if a == b => remarks.push(a.clone()),
            floors => {
                for (name, floor) in row.builds.iter().zip(floors) {
                    remarks.extend(floor.as_ref().map(|floor| format!("{name}: {floor}")));
                }
            }
        }
        if row.difference.value.is_some() {
            // Of a difference that is there a note says how far it may be trusted.
            remarks.extend(row.difference.note.clone());
        }
        // Where both values are missing, the difference says nothing new.
        if let Some(note) = row
            .difference
            .note
            .as_ref()
            .filter(|_| remarks.is_empty() && row.standing != Standing::OneTakeOnly)
        {
            remarks.push(note.clone());
        }
        let takes = format!("{} and {} takes", row.takes[0], row.takes[1]);
        Self { row, values: [value(0), value(1)], takes, remarks }
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
            let of_pair: Vec<&Row> = rows.iter().copied().filter(|r| r.builds == *builds).collect();
            let any = of_pair.iter().any(|r| r.headline);
            let (headline, others) = of_pair.into_iter().partition(|r: &&Row| r.headline || !any);
            let (headline, others) = (groups(headline), groups(others));
            tables.push(PairTable { setting: &setting.name, builds, headline, others });
        }
    }
    tables
}

fn groups(rows: Vec<&Row>) -> Groups<'_> {
    [Match::Whole, Match::SameDrive, Match::SamePower, Match::SameDistortion]
        .into_iter()
        .map(|matched| {
            let of_group = rows.iter().filter(|r| r.matched == matched);
            (match_words(matched), of_group.map(|r| RowView::new(r)).collect::<Vec<_>>())
        })
        .filter(|(_, rows)| !rows.is_empty())
        .collect()
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
            figures: figures.figures.iter().map(|f| Self::figure(comparison, figures.setting, f)).collect(),
        }
    }

    /// A chart, under that of noise the tables of where hum enters.
    fn figure(comparison: &'a Comparison, setting: usize, figure: &'a Figure) -> FigureView<'a> {
        let mut view = FigureView::new(figure);
        if view.title == TITLE {
            let setting = comparison.settings.get(setting).map_or("", |s| &s.name);
            let of_setting = comparison.hum_origins.iter().filter(|o| o.setting == setting);
            view.origins = of_setting.map(OriginTable::new).collect();
        }
        view
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
    /// Where hum enters, build by build.
    pub origins: Vec<OriginTable<'a>>,
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
                origins: Vec::new(),
            },
            Figure::LeftOut(title, why) => Self {
                id: "",
                title,
                caption: "",
                finding: "",
                svg: String::new(),
                tables: String::new(),
                why,
                origins: Vec::new(),
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
