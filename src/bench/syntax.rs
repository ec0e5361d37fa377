//! What TOML itself refuses, in words that help: the nearest known key, the decimal comma.

use std::ops::Range;

use super::error::Fault;
use super::typed::Ohms;

/// The fault behind an error of the TOML reader.
pub(super) fn fault(source: &str, error: &toml::de::Error) -> Fault {
    let span = error.span().unwrap_or(0..0);
    if let Some(fault) = decimal_comma(source, &span) {
        return fault;
    }
    if let Some(fault) = curly_quote(source, &span).or_else(|| with_unit(source, &span)) {
        return fault;
    }
    let message = error.message();
    if let Some((key, known)) = unknown_key(message) {
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        let advice = suggestion(&key, &known).unwrap_or_else(|| format!("known here: {}", known.join(", ")));
        return Fault::new(span, format!("bench.toml has no key `{key}` here"), advice);
    }
    if message.contains("invalid type: string") && message.contains("expected f64") {
        return Fault::new(span, "this is a text, not a number", "write the number without quotes");
    }
    if let Some(fault) = single_bracket(source, message) {
        return fault;
    }
    let first = message.lines().next().unwrap_or("not TOML");
    let rest = message.lines().nth(1).unwrap_or("");
    Fault::new(span, first, rest)
}

/// "did you mean …?", if one of the known words is near.
pub(super) fn suggestion(word: &str, known: &[&str]) -> Option<String> {
    let lower = word.to_lowercase();
    let nearest = known
        .iter()
        .map(|k| (strsim::jaro_winkler(&lower, &k.to_lowercase()), k))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    // 0.7: far enough apart that "load" still finds "load_ohms" and "colour" finds nothing (tried here).
    (nearest.0 >= 0.7).then(|| format!("did you mean `{}`?", nearest.1))
}

/// The key and the known ones in serde's "unknown field `a`, expected one of `b`, `c`".
fn unknown_key(message: &str) -> Option<(String, Vec<String>)> {
    let rest = message.strip_prefix("unknown field `")?;
    let (key, rest) = rest.split_once('`')?;
    let known = rest.split('`').skip(1).step_by(2).map(str::to_owned).collect();
    Some((key.to_owned(), known))
}

/// Start and text of the line that holds a byte.
fn line_at(source: &str, at: usize) -> Option<(usize, &str)> {
    let start = source.get(..at.min(source.len()))?.rfind('\n').map_or(0, |k| k + 1);
    Some((start, source.get(start..)?.lines().next()?))
}

/// “…” for "…": what a word processor makes of quotation marks.
fn curly_quote(source: &str, span: &Range<usize>) -> Option<Fault> {
    let (start, line) = line_at(source, span.start)?;
    let (at, mark) = line.char_indices().find(|(_, c)| matches!(c, '“' | '”' | '„' | '‘' | '’'))?;
    let from = start + at;
    Some(Fault::new(from..from + mark.len_utf8(), "a curly quotation mark", "write straight ones: \""))
}

/// `10k`, `8 ohms`: a number that is not alone.
fn with_unit(source: &str, span: &Range<usize>) -> Option<Fault> {
    let (start, line) = line_at(source, span.start)?;
    let equals = line.find('=')?;
    let value = line.get(equals + 1..)?.split('#').next()?;
    let trimmed = value.trim();
    let letters = trimmed.trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
    let is_word = |c: char| c.is_alphanumeric() || matches!(c, ' ' | 'Ω' | '%' | 'µ');
    if letters.len() == trimmed.len() || letters.is_empty() || !letters.chars().all(is_word) {
        return None;
    }
    let from = start + equals + 1 + value.find(trimmed)?;
    let advice = match trimmed.parse::<Ohms>() {
        Ok(Ohms(ohms)) if line.get(..equals)?.trim().ends_with("_ohms") => format!("write {ohms}"),
        _ => "write the number alone; the key's last word is its unit".to_owned(),
    };
    Some(Fault::new(from..from + trimmed.len(), "a number with letters behind it", advice))
}

/// `[build]` for `[[build]]`.
fn single_bracket(source: &str, message: &str) -> Option<Fault> {
    if !message.contains("duplicate key") && !message.contains("expected a sequence") {
        return None;
    }
    let mut start = 0;
    for line in source.split_inclusive('\n') {
        let name = line.trim();
        if matches!(name, "[build]" | "[take]") {
            let advice = format!("write [{name}]: there may be several");
            return Some(Fault::new(start..start + name.len(), "one bracket where two must stand", advice));
        }
        start += line.len();
    }
    None
}

/// `8,0` for `8.0`: the commonest slip of those who write numbers with a comma.
fn decimal_comma(source: &str, span: &Range<usize>) -> Option<Fault> {
    let (start, line) = line_at(source, span.start)?;
    line.match_indices('=').find_map(|(equals, _)| {
        let value = line.get(equals + 1..)?;
        let value = value.split(['#', '=', '}']).next()?;
        let trimmed = value.trim().trim_matches('"');
        let (whole, rest) = trimmed.split_once(',')?;
        let part: String = rest.chars().take_while(char::is_ascii_digit).collect();
        let after = rest.get(part.len()..)?.trim_start();
        let digits = whole.trim_start_matches(['-', '+']);
        let is_number = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit());
        if !is_number || part.is_empty() || !(after.is_empty() || after.starts_with(',')) {
            return None;
        }
        let from = start + equals + 1 + value.find(trimmed)?;
        let written = from..from + whole.len() + 1 + part.len();
        Some(Fault::new(written, "a decimal comma", format!("write {whole}.{part}")))
    })
}
