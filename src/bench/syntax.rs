//! What TOML itself refuses, in words that help: the nearest known key, the decimal comma.

use std::ops::Range;

use super::error::Fault;

/// The fault behind an error of the TOML reader.
pub(super) fn fault(source: &str, error: &toml::de::Error) -> Fault {
    let span = error.span().unwrap_or(0..0);
    if let Some(fault) = decimal_comma(source, &span) {
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

/// `8,0` for `8.0`: the commonest slip of those who write numbers with a comma.
fn decimal_comma(source: &str, span: &Range<usize>) -> Option<Fault> {
    let at = span.start.min(source.len());
    let start = source.get(..at)?.rfind('\n').map_or(0, |k| k + 1);
    let line = source.get(start..)?.lines().next()?;
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
