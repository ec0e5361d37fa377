//! Changes to the text of bench.toml that leave every other byte as it is.
//!
//! `toml_edit` says where a value stands; the text itself is spliced. (Writing its document back
//! would turn CRLF into LF, and drop the comment behind a changed value.)

use std::ops::Range;

use toml_edit::{Document, InlineTable, Item, Table, Value};

/// The table in which a key is set or removed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// `[rig]`.
    Rig,
    /// The take with this index, from 0.
    Take(usize),
}

/// Why a text could not be changed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SpliceError {
    /// The text is not TOML.
    #[error("it is not TOML: {0}")]
    Syntax(String),
    /// There is no such take.
    #[error("it has no take {}", .0 + 1)]
    NoTake(usize),
    /// The takes stand in a list on one line.
    #[error("its takes stand in `take = […]`: write each as [[take]] on lines of its own")]
    InlineTakes,
    /// The rig is no table.
    #[error("its `rig` is not a table: write [rig] on a line of its own")]
    OddRig,
}

/// `source` with `key = value` in `place`: a value that is there is replaced, comments behind it
/// stay; a new key goes below the last one of its table.
///
/// # Errors
/// When the text is not TOML or the place does not exist and can't be made.
pub fn set(source: &str, place: Place, key: &str, value: &Value) -> Result<String, SpliceError> {
    let document = parse(source)?;
    let literal = value.to_string();
    let literal = literal.trim();
    match find(&document, place)? {
        Some(Found::Inline(table)) => {
            if let Some(span) = table.get(key).and_then(Value::span) {
                return Ok(spliced(source, span, literal));
            }
            let last = table.iter().filter_map(|(_, v)| v.span()).map(|s| s.end).max();
            let start = table.span().map_or(0, |s| s.start + 1);
            let (at, text) = match last {
                Some(at) => (at, format!(", {key} = {literal}")),
                None => (start, format!(" {key} = {literal} ")),
            };
            Ok(spliced(source, at..at, &text))
        }
        Some(Found::Table(table)) => {
            if let Some(span) = table.get(key).and_then(Item::span) {
                return Ok(spliced(source, span, literal));
            }
            let dotted = if table.is_dotted() { "rig." } else { "" };
            let last = last_value_end(table).or_else(|| table.span().map(|s| s.end));
            let at = last.map_or(source.len(), |end| end_of_line(source, end));
            let line = line_to_insert(source, at, &format!("{dotted}{key} = {literal}"));
            Ok(spliced(source, at..at, &line))
        }
        None => Ok(appended(source, &format!("[rig]\n{key} = {literal}\n"))),
    }
}

/// `source` without `key` in `place`, its line gone; unchanged if it is not there.
///
/// # Errors
/// As [`set`].
pub fn remove(source: &str, place: Place, key: &str) -> Result<String, SpliceError> {
    let document = parse(source)?;
    let Some(Found::Table(table)) = find(&document, place)? else { return Ok(source.to_owned()) };
    let Some((name, item)) = table.get_key_value(key) else { return Ok(source.to_owned()) };
    let (Some(start), Some(end)) = (name.span().map(|s| s.start), item.span().map(|s| s.end)) else {
        return Ok(source.to_owned());
    };
    let start = source.get(..start).and_then(|s| s.rfind('\n')).map_or(0, |k| k + 1);
    Ok(spliced(source, start..end_of_line(source, end), ""))
}

/// `source` with `block` (lines ended by `\n`) below its end, one blank line between.
#[must_use]
pub fn appended(source: &str, block: &str) -> String {
    let newline = newline_of(source);
    let mut text = source.to_owned();
    if !text.is_empty() && !text.ends_with('\n') {
        text.push_str(newline);
    }
    if !text.trim_start_matches('\u{feff}').is_empty() && !text.ends_with(&newline.repeat(2)) {
        text.push_str(newline);
    }
    text.push_str(&block.replace('\n', newline));
    text
}

/// A `[[take]]` block with these keys.
///
/// # Errors
/// [`SpliceError::InlineTakes`], or the text is not TOML.
pub fn with_take(source: &str, keys: &[(&str, Value)]) -> Result<String, SpliceError> {
    let document = parse(source)?;
    if document.as_table().get("take").is_some_and(|t| !t.is_array_of_tables()) {
        return Err(SpliceError::InlineTakes);
    }
    let mut block = String::from("[[take]]\n");
    for (key, value) in keys {
        block.push_str(&format!("{key} = {}\n", value.to_string().trim()));
    }
    Ok(appended(source, &block))
}

enum Found<'a> {
    Table(&'a Table),
    Inline(&'a InlineTable),
}

fn parse(source: &str) -> Result<Document<&str>, SpliceError> {
    Document::parse(source).map_err(|e| SpliceError::Syntax(e.message().to_owned()))
}

/// The table; `None` if it is the rig and has no header of its own yet.
fn find<'a>(document: &'a Document<&str>, place: Place) -> Result<Option<Found<'a>>, SpliceError> {
    let root = document.as_table();
    match place {
        Place::Rig => match root.get("rig") {
            None => Ok(None),
            Some(Item::Table(table)) if table.is_implicit() && !table.is_dotted() => Ok(None),
            Some(Item::Table(table)) => Ok(Some(Found::Table(table))),
            Some(Item::Value(Value::InlineTable(table))) => Ok(Some(Found::Inline(table))),
            Some(_) => Err(SpliceError::OddRig),
        },
        Place::Take(index) => match root.get("take") {
            None => Err(SpliceError::NoTake(index)),
            Some(Item::ArrayOfTables(takes)) => {
                takes.get(index).map(|t| Some(Found::Table(t))).ok_or(SpliceError::NoTake(index))
            }
            Some(_) => Err(SpliceError::InlineTakes),
        },
    }
}

/// End of the last value that stands under the table's own header.
fn last_value_end(table: &Table) -> Option<usize> {
    table
        .iter()
        .filter_map(|(_, item)| match item {
            Item::Table(inner) if inner.is_dotted() => last_value_end(inner),
            Item::Value(value) => value.span().map(|s| s.end),
            _ => None,
        })
        .max()
}

/// The byte after the line break that ends the line of byte `at`.
fn end_of_line(source: &str, at: usize) -> usize {
    source.get(at..).and_then(|s| s.find('\n')).map_or(source.len(), |k| at + k + 1)
}

/// A line to stand at `at`, which is the begin of a line or the end of an unfinished one.
fn line_to_insert(source: &str, at: usize, line: &str) -> String {
    let newline = newline_of(source);
    let unfinished = at > 0 && !source.get(..at).is_some_and(|s| s.ends_with('\n'));
    let before = if unfinished { newline } else { "" };
    format!("{before}{line}{newline}")
}

fn newline_of(source: &str) -> &'static str {
    match source.find('\n') {
        Some(at) if source.get(..at).is_some_and(|s| s.ends_with('\r')) => "\r\n",
        _ => "\n",
    }
}

fn spliced(source: &str, at: Range<usize>, text: &str) -> String {
    let before = source.get(..at.start).unwrap_or(source);
    let after = source.get(at.end..).unwrap_or("");
    format!("{before}{text}{after}")
}
