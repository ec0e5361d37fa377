//! Text made safe for where it goes: a terminal, SVG and HTML, a spreadsheet.
//! Names come from bench.toml and may hold anything.

use std::borrow::Cow;

/// Stands for a character that must not be passed on.
const REPLACEMENT: char = '\u{FFFD}';

/// For a terminal: no control characters (they could move the cursor or change
/// colours) and no characters that turn the direction of the text beside them.
#[must_use]
pub fn for_terminal(text: &str) -> Cow<'_, str> {
    replaced(text, |c| c.is_control() || turns_direction(c))
}

/// For SVG and HTML text: only characters that XML 1.0 (section 2.2) allows, and
/// none that turns direction beyond its own text. `<`, `&` and quotes are the
/// writer's to escape.
#[must_use]
pub fn for_markup(text: &str) -> Cow<'_, str> {
    replaced(text, |c| {
        let allowed =
            matches!(c, '\t' | '\n' | '\r' | '\u{20}'..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..);
        !allowed || ('\u{7F}'..='\u{9F}').contains(&c) || turns_direction(c)
    })
}

/// Escapes text for an SVG text node or attribute, after [`for_markup`].
#[must_use]
pub fn xml(text: &str) -> String {
    let safe = for_markup(text);
    let mut out = String::with_capacity(safe.len());
    for c in safe.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            _ => out.push(c),
        }
    }
    out
}

/// For a CSV cell that a spreadsheet will open: text that it would run as a
/// formula gets an apostrophe before it (common practice: a spreadsheet reads a
/// cell that begins with `=`, `+`, `-`, `@`, tab or carriage return as one).
/// Numbers are never passed through here.
#[must_use]
pub fn for_spreadsheet(text: &str) -> Cow<'_, str> {
    // Spreadsheets skip blanks before the sign, and know the full-width signs too.
    let first = text.trim_start_matches([' ', '\u{A0}', '\n']).chars().next();
    match first {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '|' | '%' | '＝' | '＋' | '－' | '＠') => {
            Cow::Owned(format!("'{text}"))
        }
        _ => Cow::Borrowed(text),
    }
}

/// At most `limit` characters, the last of them "…" where something was cut off.
#[must_use]
pub fn shortened(text: &str, limit: usize) -> Cow<'_, str> {
    if text.chars().count() <= limit {
        return Cow::Borrowed(text);
    }
    let kept: String = text.chars().take(limit.saturating_sub(1)).collect();
    Cow::Owned(format!("{}…", kept.trim_end()))
}

fn turns_direction(c: char) -> bool {
    matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' | '\u{061C}')
}

fn replaced(text: &str, forbidden: impl Fn(char) -> bool) -> Cow<'_, str> {
    if text.contains(&forbidden) {
        Cow::Owned(text.chars().map(|c| if forbidden(c) { REPLACEMENT } else { c }).collect())
    } else {
        Cow::Borrowed(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_terminal_gets_no_escape_sequences() {
        assert_eq!(for_terminal("a\u{1b}[31mb\u{202E}c"), "a\u{FFFD}[31mb\u{FFFD}c");
        assert_eq!(for_terminal("Röhre 6Ω"), "Röhre 6Ω");
    }

    #[test]
    fn markup_is_escaped_and_legal() {
        assert_eq!(xml("<b a='1'>&\"\u{0}"), "&lt;b a=&#39;1&#39;&gt;&amp;&quot;\u{FFFD}");
    }

    #[test]
    fn formulas_are_defused_and_plain_text_is_left_alone() {
        for bad in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "  =1", "＝1"] {
            assert!(for_spreadsheet(bad).starts_with('\''), "{bad:?}");
        }
        for good in ["as-drawn", "6L6GC = better", "", "5 % THD"] {
            assert_eq!(for_spreadsheet(good), good);
        }
    }

    #[test]
    fn shortening_marks_what_is_cut() {
        assert_eq!(shortened("abcdef", 4), "abc…");
        assert_eq!(shortened("abcd", 4), "abcd");
    }
}
