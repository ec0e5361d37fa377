//! Tables for the terminal: at most 80 columns wide, numbers aligned at the
//! decimal point, long text wrapped.

use std::io::{self, Write};

use unicode_width::UnicodeWidthStr;

use super::text::for_terminal;

/// Widest line, unless [`Table::width`] says otherwise.
const DEFAULT_WIDTH: usize = 80;
/// Blanks between columns.
const GAP: usize = 2;
/// What is given up, one after the other, to fit a width: numbers aligned or not, how narrow a column of text may
/// become, and words left whole or broken.
const ATTEMPTS: [(bool, usize, bool); 6] = [
    (true, 12, true),
    (false, 12, true),
    (false, 8, true),
    (true, 12, false),
    (false, 12, false),
    (false, 8, false),
];

/// A table for people. A column in which every cell begins with a number is
/// aligned at its decimal point; all others begin at the left.
///
/// ```
/// # fn main() -> std::io::Result<()> {
/// use twinload::report::table::Table;
///
/// let mut out = Vec::new();
/// Table::new(["quantity", "as-drawn"])
///     .row(["gain", "31.24 dB"])
///     .row(["clean power", "4.6 W"])
///     .write(&mut out)?;
/// let text = String::from_utf8(out).expect("tables are UTF-8");
/// assert_eq!(text, "\
/// quantity     as-drawn
/// ───────────  ────────
/// gain         31.24 dB
/// clean power   4.6  W
/// ");
/// # Ok(()) }
/// ```
#[derive(Debug, Clone)]
pub struct Table {
    headers: Vec<String>,
    rows: Vec<Vec<String>>,
    width: usize,
}

impl Table {
    /// An empty table with these column heads.
    #[must_use]
    pub fn new<S: AsRef<str>>(headers: impl IntoIterator<Item = S>) -> Self {
        Self { headers: clean(headers), rows: Vec::new(), width: DEFAULT_WIDTH }
    }

    /// Adds a row. Cells beyond the last head are dropped, missing ones are empty.
    pub fn row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>) -> &mut Self {
        let mut cells = clean(cells);
        cells.resize(self.headers.len(), String::new());
        self.rows.push(cells);
        self
    }

    /// The widest line allowed, 80 by default.
    pub fn width(&mut self, columns: usize) -> &mut Self {
        self.width = columns;
        self
    }

    /// Whether no row was added.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Writes the table. One that cannot be squeezed into its width is written
    /// as a list of "head: cell" lines instead.
    ///
    /// # Errors
    /// What the writer gives.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        let fitting = ATTEMPTS.iter().find_map(|&(align, narrowest, whole)| {
            let columns: Vec<Column> = (0..self.headers.len()).map(|at| self.column(at, align)).collect();
            let widths = fitted(&columns, narrowest, whole, self.width)?;
            Some((columns, widths))
        });
        let Some((columns, widths)) = fitting else { return self.write_list(out) };
        let heads: Vec<_> = columns.iter().zip(&widths).map(|(c, &w)| wrapped(&c.head, w)).collect();
        write_lines(out, &heads, &widths)?;
        let rules: Vec<_> = widths.iter().map(|&w| vec!["─".repeat(w)]).collect();
        write_lines(out, &rules, &widths)?;
        for at in 0..self.rows.len() {
            let cells: Vec<_> = columns
                .iter()
                .zip(&widths)
                .map(|(c, &w)| c.cells.get(at).map_or_else(Vec::new, |cell| wrapped(cell, w)))
                .collect();
            write_lines(out, &cells, &widths)?;
        }
        Ok(())
    }

    fn column(&self, at: usize, align: bool) -> Column {
        let cells: Vec<&str> = self.rows.iter().map(|row| row.get(at).map_or("", String::as_str)).collect();
        let numeric = cells.iter().any(|c| NumberShape::of(c).is_some())
            && cells.iter().all(|c| is_blank(c) || NumberShape::of(c).is_some());
        let cells =
            if numeric && align { aligned(&cells) } else { cells.iter().map(|&c| c.to_owned()).collect() };
        Column { head: self.headers.get(at).cloned().unwrap_or_default(), cells, numeric }
    }

    fn write_list(&self, out: &mut dyn Write) -> io::Result<()> {
        for (number, row) in self.rows.iter().enumerate() {
            if number > 0 {
                writeln!(out)?;
            }
            for (head, cell) in self.headers.iter().zip(row) {
                for (at, line) in wrapped(&format!("{head}: {cell}"), self.width.max(20)).iter().enumerate() {
                    writeln!(out, "{}{line}", if at == 0 { "" } else { "  " })?;
                }
            }
        }
        Ok(())
    }
}

/// A column as it will be printed.
struct Column {
    head: String,
    cells: Vec<String>,
    numeric: bool,
}

impl Column {
    fn natural_width(&self) -> usize {
        self.cells.iter().chain([&self.head]).map(|c| c.width()).max().unwrap_or(0)
    }

    /// How far it may be squeezed: numbers are never broken.
    fn least_width(&self, narrowest: usize, whole: bool) -> usize {
        let longest_word =
            |text: &String| text.split_whitespace().map(UnicodeWidthStr::width).max().unwrap_or(0);
        if self.numeric {
            let cells = self.cells.iter().map(|c| c.width()).max().unwrap_or(0);
            return cells.max(longest_word(&self.head));
        }
        let words = self.cells.iter().chain([&self.head]).map(longest_word).max().unwrap_or(0);
        self.natural_width().min(if whole { narrowest.max(words) } else { narrowest })
    }
}

fn clean<S: AsRef<str>>(cells: impl IntoIterator<Item = S>) -> Vec<String> {
    cells.into_iter().map(|c| for_terminal(c.as_ref()).into_owned()).collect()
}

fn is_blank(cell: &str) -> bool {
    matches!(cell, "" | "–" | "—" | "-" | "not measured")
}

/// Where the parts of a cell that begins with a number lie.
struct NumberShape {
    /// Characters before the decimal point (or before what follows the number).
    whole: usize,
    /// Characters of the point and the decimals.
    decimals: usize,
}

impl NumberShape {
    fn of(cell: &str) -> Option<Self> {
        let mut characters = cell.chars().peekable();
        let mut whole = usize::from(characters.next_if(|c| matches!(c, '+' | '-' | '−' | '±')).is_some());
        let digits = std::iter::from_fn(|| characters.next_if(char::is_ascii_digit)).count();
        whole += digits;
        let mut decimals = 0;
        if characters.next_if_eq(&'.').is_some() {
            decimals = 1 + std::iter::from_fn(|| characters.next_if(char::is_ascii_digit)).count();
        }
        // What follows must be the end or a blank: "6L6GC" and "3fa2" are no numbers.
        let ends = matches!(characters.peek(), None | Some(' ' | '%'));
        (digits > 0 && ends).then_some(Self { whole, decimals })
    }
}

/// Pads the cells so that their decimal points stand below each other, and what
/// follows the numbers too.
fn aligned(cells: &[&str]) -> Vec<String> {
    let shapes: Vec<_> = cells.iter().map(|c| NumberShape::of(c)).collect();
    let whole = shapes.iter().flatten().map(|s| s.whole).max().unwrap_or(0);
    let decimals = shapes.iter().flatten().map(|s| s.decimals).max().unwrap_or(0);
    cells
        .iter()
        .zip(&shapes)
        .map(|(cell, shape)| match shape {
            Some(shape) => {
                let number: String = cell.chars().take(shape.whole + shape.decimals).collect();
                let rest: String = cell.chars().skip(shape.whole + shape.decimals).collect();
                let before = " ".repeat(whole - shape.whole);
                let after = if rest.is_empty() { 0 } else { decimals - shape.decimals };
                format!("{before}{number}{}{rest}", " ".repeat(after))
            }
            None => format!("{}{cell}", " ".repeat(whole.saturating_sub(cell.width()))),
        })
        .collect()
}

/// The widths that fit into `limit`: the widest text column gives way first.
/// `None` if even the narrowest do not fit.
fn fitted(columns: &[Column], narrowest: usize, whole: bool, limit: usize) -> Option<Vec<usize>> {
    let gaps = GAP * columns.len().saturating_sub(1);
    let mut widths: Vec<usize> = columns.iter().map(Column::natural_width).collect();
    while widths.iter().sum::<usize>() + gaps > limit {
        let (_, width) = columns
            .iter()
            .zip(widths.iter_mut())
            .filter(|(column, width)| **width > column.least_width(narrowest, whole))
            .max_by_key(|(_, width)| **width)?;
        *width -= 1;
    }
    Some(widths)
}

/// Breaks text at blanks into lines of at most `width`; a longer word is cut.
/// Blanks at the begin and within a line that fits are kept.
pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    if text.width() <= width {
        return vec![text.to_owned()];
    }
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let mut word = word.to_owned();
        loop {
            let line = match lines.last_mut() {
                Some(line) => line,
                None => return lines,
            };
            let blank = usize::from(!line.is_empty());
            if line.width() + blank + word.width() <= width {
                line.push_str(&" ".repeat(blank));
                line.push_str(&word);
                break;
            }
            if line.is_empty() {
                let cut = cut_at(&word, width.max(2));
                line.push_str(&word[..cut]);
                word.drain(..cut);
            }
            lines.push(String::new());
        }
    }
    lines
}

/// Byte offset of the longest beginning of `word` that is at most `width` wide,
/// at least one character.
fn cut_at(word: &str, width: usize) -> usize {
    let mut end = 0;
    for (at, c) in word.char_indices() {
        let next = at + c.len_utf8();
        if end > 0 && word[..next].width() > width {
            break;
        }
        end = next;
    }
    end
}

fn write_lines(out: &mut dyn Write, cells: &[Vec<String>], widths: &[usize]) -> io::Result<()> {
    let height = cells.iter().map(Vec::len).max().unwrap_or(0);
    for line in 0..height {
        let mut text = String::new();
        for (at, (cell, &width)) in cells.iter().zip(widths).enumerate() {
            let part = cell.get(line).map_or("", String::as_str);
            if at > 0 {
                text.push_str(&" ".repeat(GAP));
            }
            text.push_str(part);
            text.push_str(&" ".repeat(width.saturating_sub(part.width())));
        }
        writeln!(out, "{}", text.trim_end())?;
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn text_of(table: &Table) -> String {
        let mut out = Vec::new();
        table.write(&mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn numbers_stand_at_their_decimal_point() {
        let mut table = Table::new(["quantity", "value"]);
        table
            .row(["gain", "31.24 dB"])
            .row(["low corner", "72 Hz"])
            .row(["shift", "−0.5 dB"])
            .row(["sag", "–"]);
        insta::assert_snapshot!(text_of(&table), @r"
        quantity    value
        ──────────  ────────
        gain        31.24 dB
        low corner  72    Hz
        shift       −0.5  dB
        sag          –
        ");
    }

    #[test]
    fn long_text_wraps_and_numbers_do_not() {
        let mut table = Table::new(["what was seen", "at"]);
        table.width(30);
        table.row(["the input was clipped in 14 steps of the ladder", "12.5 s"]);
        insta::assert_snapshot!(text_of(&table), @r"
        what was seen           at
        ──────────────────────  ──────
        the input was clipped   12.5 s
        in 14 steps of the
        ladder
        ");
    }

    #[test]
    fn alignment_is_given_up_before_the_table_is() {
        let mut table = Table::new(["quantity", "a"]);
        table.width(32);
        table.row(["Upper corner", "10484 ± 12 Hz"]).row(["H2 at 1 W", "2.878 ± 0.014 %"]);
        insta::assert_snapshot!(text_of(&table), @r"
        quantity      a
        ────────────  ───────────────
        Upper corner  10484 ± 12 Hz
        H2 at 1 W     2.878 ± 0.014 %
        ");
    }

    #[test]
    fn too_many_columns_become_a_list() {
        let mut table = Table::new(["first", "second", "third"]);
        table.width(22);
        table.row(["1.00000000", "2.00000000", "3.00000000"]);
        assert_eq!(text_of(&table), "first: 1.00000000\nsecond: 2.00000000\nthird: 3.00000000\n");
    }

    #[test]
    fn valve_types_are_text() {
        assert!(NumberShape::of("6L6GC").is_none());
        assert!(NumberShape::of("4.61 ± 0.05 W").is_some());
        assert!(NumberShape::of("3%").is_some());
    }

    proptest! {
        /// Whatever the cells hold, no line is wider than asked for and nothing panics.
        #[test]
        fn every_line_fits(
            cells in proptest::collection::vec(proptest::collection::vec("\\PC{0,60}", 0..5), 0..6),
            width in 24usize..100,
        ) {
            let mut table = Table::new(["a", "wide head of a column", "c"]);
            table.width(width);
            for row in &cells {
                table.row(row);
            }
            for line in text_of(&table).lines() {
                prop_assert!(line.width() <= width + GAP, "{line:?} is {} wide", line.width());
            }
        }
    }
}
