//! Puts the whole report into a folder.

use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::chart::draw::Drawing;
use super::chart::{ChartError, draw, font, png};
use super::charts::{self, Shown};
use super::page::{self, Figure, SettingFigures};
use super::{clean, csv, summary};
use crate::bench::names::{distinct, safe_file_name};
use crate::compare::document::{BuildCurve, Comparison};
use crate::files;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The page to open.
    pub page: PathBuf,
    /// Every file, the page among them, in the order of writing.
    pub files: Vec<PathBuf>,
    /// What could not be shown everywhere, for the person: characters that pictures lack, charts left out.
    pub remarks: Vec<String>,
}

/// Why a report could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// A file or folder refused.
    #[error("cannot write {}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A chart could not be drawn.
    #[error(transparent)]
    Chart(#[from] ChartError),
    /// The page could not be put together.
    #[error("the page could not be put together: {why}")]
    Page {
        /// Why.
        why: String,
    },
    /// A CSV file could not be put together.
    #[error("the CSV could not be put together: {why}")]
    Csv {
        /// Why.
        why: String,
    },
    /// The comparison could not be written as JSON.
    #[error("the comparison could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

impl From<::csv::Error> for ReportError {
    fn from(error: ::csv::Error) -> Self {
        Self::Csv { why: error.to_string() }
    }
}

/// What is written beside the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choices {
    /// Charts as PNG too: most of the time that a report takes.
    pub pictures: bool,
}

impl Default for Choices {
    fn default() -> Self {
        Self { pictures: true }
    }
}

/// Writes the report into `dir`, which is made if it is not there:
/// `report.html`, `report.json`, `report.csv`, `summary.txt`, `summary.md`,
/// `charts/` (SVG and PNG) and `data/` (one CSV a curve). Every file is written
/// beside its place and renamed, the page last. The same comparison gives the
/// same bytes.
///
/// # Errors
/// See [`ReportError`]; files written before the fault stay.
pub fn write(dir: &Path, comparison: &Comparison, choices: Choices) -> Result<Written, ReportError> {
    let clean = clean::cleaned(comparison)?;
    let shown = charts::all(&clean);
    let voltages = charts::voltages(&clean);
    let settings: Vec<SettingFigures> = shown
        .into_iter()
        .map(|s| {
            let figures = s.charts.into_par_iter().map(drawn).collect::<Result<_, _>>()?;
            Ok(SettingFigures { setting: s.setting, figures })
        })
        .collect::<Result<_, ChartError>>()?;
    let voltages = drawn(voltages)?;
    let remarks = remarks(&clean);

    let mut folder = Folder::new(dir)?;
    folder.put("report.json", &json(comparison)?)?;
    let mut long = Vec::new();
    csv::long_form(comparison, &mut long)?;
    folder.put("report.csv", &long)?;
    let drawings: Vec<(&str, &Drawing)> = settings
        .iter()
        .flat_map(|s| &s.figures)
        .chain([&voltages])
        .filter_map(|figure| match figure {
            Figure::Drawn(chart, drawing) => Some((chart.id.as_str(), drawing)),
            Figure::LeftOut(..) => None,
        })
        .collect();
    for (id, drawing) in &drawings {
        folder.put(&format!("charts/{id}.svg"), drawing.svg.as_bytes())?;
    }
    let mut picture = None;
    if choices.pictures {
        let pictures: Vec<(&str, Vec<u8>)> = drawings
            .par_iter()
            .map(|(id, drawing)| Ok((*id, png::picture(id, &drawing.svg, png::WIDTH)?)))
            .collect::<Result<_, ChartError>>()?;
        for (id, bytes) in &pictures {
            let name = format!("charts/{id}.png");
            folder.put(&name, bytes)?;
            picture = picture.or_else(|| id.starts_with("distortion-power-").then_some(name));
        }
    }
    write_curves(&mut folder, comparison)?;
    folder.put("summary.txt", summary::plain(comparison, picture.as_deref()).as_bytes())?;
    folder.put("summary.md", summary::markdown(comparison, picture.as_deref()).as_bytes())?;
    let page = page::render(&clean, &settings, &voltages, &remarks)?;
    let page = folder.put("report.html", page.as_bytes())?;
    Ok(Written { page, files: folder.written, remarks })
}

fn drawn(shown: Shown) -> Result<Figure, ChartError> {
    Ok(match shown {
        Shown::Chart(chart) => {
            let drawing = draw::draw(&chart)?;
            Figure::Drawn(chart, drawing)
        }
        Shown::LeftOut { title, why } => Figure::LeftOut(title, why),
    })
}

/// One CSV a curve, its name made of build, setting and curve.
fn write_curves(folder: &mut Folder, comparison: &Comparison) -> Result<(), ReportError> {
    let stem = |c: &BuildCurve| {
        [&c.build, &c.setting, &c.curve.replace('_', "-")].map(|t| safe_file_name(t)).join("-")
    };
    let names = distinct(comparison.curves.iter().map(stem));
    for (curve, name) in comparison.curves.iter().zip(names) {
        let mut bytes = Vec::new();
        csv::curve(&curve.data, &mut bytes)?;
        folder.put(&format!("data/{name}.csv"), &bytes)?;
    }
    Ok(())
}

fn json(comparison: &Comparison) -> Result<Vec<u8>, ReportError> {
    let mut bytes = serde_json::to_vec_pretty(comparison)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// What a reader must know of the report itself.
fn remarks(comparison: &Comparison) -> Vec<String> {
    let names = comparison.builds.iter().map(|b| &b.name);
    let texts = names.chain(comparison.settings.iter().map(|s| &s.name)).chain([&comparison.title]);
    let mut lacking: Vec<char> = Vec::new();
    for text in texts {
        for c in font::lacking(text) {
            if !lacking.contains(&c) {
                lacking.push(c);
            }
        }
    }
    if lacking.is_empty() {
        return Vec::new();
    }
    let list: Vec<String> = lacking.iter().map(|c| format!("{c} (U+{:04X})", u32::from(*c))).collect();
    vec![format!(
        "The pictures (PNG) cannot show these characters, for which their font has no shape: {}. \
         The page and the SVG files can, where the reader's machine has them.",
        list.join(", ")
    )]
}

/// A folder that is being filled.
struct Folder {
    dir: PathBuf,
    written: Vec<PathBuf>,
}

impl Folder {
    fn new(dir: &Path) -> Result<Self, ReportError> {
        for path in [dir.to_owned(), dir.join("charts"), dir.join("data")] {
            std::fs::create_dir_all(&path).map_err(|source| ReportError::File { path, source })?;
        }
        Ok(Self { dir: dir.to_owned(), written: Vec::new() })
    }

    fn put(&mut self, name: &str, bytes: &[u8]) -> Result<PathBuf, ReportError> {
        let path = self.dir.join(name);
        files::write(&path, bytes).map_err(|source| ReportError::File { path: path.clone(), source })?;
        self.written.push(path.clone());
        Ok(path)
    }
}
