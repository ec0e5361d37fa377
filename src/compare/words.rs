//! Small words: lists, names of builds, counts.

use std::collections::BTreeSet;

/// Longest name in running text, in characters.
const LONGEST_NAME: usize = 40;

/// "a", "a and b", "a, b and c".
#[must_use]
pub fn list<S: AsRef<str>>(items: &[S]) -> String {
    match items {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [first @ .., last] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", first.join(", "), last.as_ref())
        }
    }
}

/// "1 take", "3 takes", "no take".
#[must_use]
pub fn count(number: usize, noun: &str) -> String {
    match number {
        0 => format!("no {noun}"),
        1 => format!("1 {noun}"),
        n => format!("{n} {noun}s"),
    }
}

/// Names as they stand in running text: control characters become spaces, long ones are
/// cut (unless that would make two the same), and each that holds right-to-left letters is
/// isolated, so that it does not turn the words beside it (Unicode, UAX #9: U+2068, U+2069).
#[must_use]
pub fn names<S: AsRef<str>>(names: &[S]) -> Vec<String> {
    let clean: Vec<String> = names.iter().map(|n| plain(n.as_ref())).collect();
    let cut: Vec<String> = clean.iter().map(|n| shortened(n)).collect();
    let distinct: BTreeSet<&String> = cut.iter().collect();
    let chosen = if distinct.len() == cut.len() { cut } else { clean };
    chosen.into_iter().map(|n| if turns(&n) { format!("\u{2068}{n}\u{2069}") } else { n }).collect()
}

/// One name alone, as [`names`] writes it.
#[must_use]
pub fn name(name: &str) -> String {
    names(&[name]).pop().unwrap_or_default()
}

fn plain(name: &str) -> String {
    name.chars().map(|c| if c.is_control() || is_direction_mark(c) { ' ' } else { c }).collect()
}

fn shortened(name: &str) -> String {
    if name.chars().count() <= LONGEST_NAME {
        return name.to_owned();
    }
    let start: String = name.chars().take(LONGEST_NAME - 1).collect();
    format!("{}…", start.trim_end())
}

/// Embeddings, overrides and isolates: a name has no need of them.
fn is_direction_mark(c: char) -> bool {
    matches!(c, '\u{200E}' | '\u{200F}' | '\u{061C}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Does the name hold letters of a script that runs from right to left?
fn turns(name: &str) -> bool {
    name.chars().any(|c| {
        matches!(c, '\u{0590}'..='\u{08FF}' | '\u{FB1D}'..='\u{FDFF}' | '\u{FE70}'..='\u{FEFF}' | '\u{10800}'..='\u{10FFF}' | '\u{1E800}'..='\u{1EFFF}')
    })
}

/// The first letter a capital.
#[must_use]
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The first letter small, unless the word is an abbreviation ("THD") or a name of a harmonic ("H2").
#[must_use]
pub fn lower_first(words: &str) -> String {
    let mut letters = words.chars();
    match (letters.next(), letters.clone().next()) {
        (Some(first), Some(second)) if second.is_lowercase() || second == ' ' => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => words.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_and_counts() {
        assert_eq!(list::<&str>(&[]), "");
        assert_eq!(list(&["a"]), "a");
        assert_eq!(list(&["a", "b"]), "a and b");
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(
            (count(0, "take"), count(1, "take"), count(2, "take")),
            ("no take".into(), "1 take".into(), "2 takes".into())
        );
        assert_eq!(capital("élan"), "Élan");
    }

    #[test]
    fn hostile_names_stay_names() {
        let long = "x".repeat(200);
        assert_eq!(name(&long).chars().count(), LONGEST_NAME);
        // Two that differ only at their ends keep them.
        let two = names(&[format!("{long}1"), format!("{long}2")]);
        assert!(two[0].ends_with('1') && two[1].ends_with('2'));
        assert_eq!(name("a\nb\u{202E}c"), "a b c");
        assert_eq!(name("אבג"), "\u{2068}אבג\u{2069}");
        assert_eq!(name("<b>🎸</b>"), "<b>🎸</b>");
    }
}
