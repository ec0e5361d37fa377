//! What may be wrong with a bench, drawn with file, line and a marker.

use std::fmt::Write as _;
use std::ops::Range;
use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// Why a bench could not be opened or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BenchError {
    /// There is no bench.toml where one was looked for.
    #[error(
        "no bench.toml in {}: name the folder of a bench, or start one with `twinload new DIR`",
        .dir.display()
    )]
    NotABench {
        /// The folder.
        dir: PathBuf,
    },
    /// There is a bench already.
    #[error("{} is there already: a bench is never overwritten", .path.display())]
    Exists {
        /// Its bench.toml.
        path: PathBuf,
    },
    /// A file of the bench could not be read.
    #[error("cannot read {}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// bench.toml is far larger than anybody writes by hand.
    #[error("{} has {bytes} bytes, more than the {limit} that a bench.toml may have", .path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
        /// The most that is read.
        limit: u64,
    },
    /// bench.toml is not text.
    #[error("{} is not UTF-8 text (byte {at}): save it as UTF-8", .path.display())]
    NotText {
        /// The file.
        path: PathBuf,
        /// The first byte that is not UTF-8.
        at: usize,
    },
    /// bench.toml says something that can't be so; all faults, drawn.
    #[error("{drawn}")]
    Faults {
        /// The file.
        path: PathBuf,
        /// Each fault.
        faults: Vec<Fault>,
        /// All of them as text with line and marker.
        drawn: String,
    },
    /// Another process is writing to the bench.
    #[error(
        "another twinload has been writing to this bench for {seconds} s (it holds {}): \
         try again when it is done",
        .path.display()
    )]
    Busy {
        /// The lock.
        path: PathBuf,
        /// How long it was waited for.
        seconds: u64,
    },
    /// bench.toml is written in a way that can't be added to.
    #[error("cannot change {}", .path.display())]
    Splice {
        /// The file.
        path: PathBuf,
        /// Why.
        source: super::splice::SpliceError,
    },
    /// A file of the bench could not be written.
    #[error("cannot write {}", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

/// One thing wrong in bench.toml.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The bytes of the file concerned.
    pub span: Range<usize>,
    /// What is wrong.
    pub what: String,
    /// What to do, short: it stands beside the marker.
    pub advice: String,
}

impl Fault {
    /// A fault at these bytes.
    pub(crate) fn new(span: Range<usize>, what: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { span, what: what.into(), advice: advice.into() }
    }

    /// Line of the fault in `source`, from 1.
    #[must_use]
    pub fn line(&self, source: &str) -> usize {
        line_of(source, self.span.start)
    }
}

/// The line, from 1, that holds byte `at`.
pub(super) fn line_of(source: &str, at: usize) -> usize {
    1 + source.bytes().take(at).filter(|b| *b == b'\n').count()
}

/// More faults than this at once help nobody.
const MOST_DRAWN: usize = 8;

/// All faults of a file as one error.
pub(super) fn faults(path: &Path, source: &str, mut faults: Vec<Fault>) -> BenchError {
    faults.sort_by_key(|f| f.span.start);
    let mut drawn = String::new();
    for fault in faults.iter().take(MOST_DRAWN) {
        if !drawn.is_empty() {
            drawn.push_str("\n\n");
        }
        drawn.push_str(&draw(path, source, fault));
    }
    if let Some(more) = faults.len().checked_sub(MOST_DRAWN).filter(|n| *n > 0) {
        let _ = write!(drawn, "\n\nand {more} more");
    }
    BenchError::Faults { path: path.to_owned(), faults, drawn }
}

fn draw(path: &Path, source: &str, fault: &Fault) -> String {
    let end = source.len();
    // A marker of no width, or past the end (an unfinished last line), still needs a place.
    let start = floor_boundary(source, fault.span.start.min(end));
    let stop = ceil_boundary(source, fault.span.end.clamp(start, end));
    let snippet = Snippet::source(source)
        .path(path.display().to_string())
        .annotation(AnnotationKind::Primary.span(start..stop).label(fault.advice.as_str()));
    let report = [Level::ERROR.no_name().primary_title(fault.what.as_str()).element(snippet)];
    Renderer::plain().render(&report)
}

fn floor_boundary(source: &str, at: usize) -> usize {
    (0..=at).rev().find(|k| source.is_char_boundary(*k)).unwrap_or(0)
}

fn ceil_boundary(source: &str, at: usize) -> usize {
    (at..=source.len()).find(|k| source.is_char_boundary(*k)).unwrap_or(source.len())
}
