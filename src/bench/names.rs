//! File names out of what people type: safe on every system, and no two alike.

use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};

/// Longest name made here, in bytes: room for a prefix, a number and an ending in the 255 of most systems.
const LONGEST: usize = 80;

/// Names of devices, which Windows keeps for itself with any ending (from memory).
const RESERVED: [&str; 6] = ["con", "prn", "aux", "nul", "conin$", "conout$"];

/// One file name (without ending) out of a name that a person chose.
///
/// Letters and digits of any script, `-` and `_` stay; anything else becomes `-`. Never empty,
/// never a device's name, never with a dot or space at its end.
#[must_use]
pub fn safe_file_name(name: &str) -> String {
    let mut safe = String::new();
    for c in name.chars() {
        let c = if c.is_alphanumeric() || c == '_' { c } else { '-' };
        if safe.len() + c.len_utf8() > LONGEST {
            break;
        }
        // "tone: noon" should not read "tone--noon".
        if !(c == '-' && safe.ends_with('-')) {
            safe.push(c);
        }
    }
    let trimmed = safe.trim_matches('-');
    let safe = if trimmed.is_empty() { "unnamed" } else { trimmed };
    if is_reserved(safe) { format!("{safe}-") } else { safe.to_owned() }
}

fn is_reserved(name: &str) -> bool {
    let lower = name.to_lowercase();
    let port = ["com", "lpt"].iter().any(|p| {
        let digit = lower.strip_prefix(p).map(|rest| rest.chars().collect::<Vec<_>>());
        matches!(digit.as_deref(), Some(['0'..='9' | '¹' | '²' | '³']))
    });
    port || RESERVED.contains(&lower.as_str())
}

/// A safe file name for each name, in order, no two the same even where case does not count.
#[must_use]
pub fn safe_file_names<S: AsRef<str>>(names: &[S]) -> Vec<String> {
    distinct(names.iter().map(|name| safe_file_name(name.as_ref())))
}

/// The same names, those that were there before with a number behind them; case does not count.
#[must_use]
pub fn distinct(names: impl IntoIterator<Item = String>) -> Vec<String> {
    let mut taken = BTreeSet::new();
    names
        .into_iter()
        .map(|base| {
            let mut candidate = base.clone();
            let mut number = 2u32;
            while !taken.insert(candidate.to_lowercase()) {
                candidate = format!("{base}-{number}");
                number += 1;
            }
            candidate
        })
        .collect()
}

/// A path of bench.toml below the bench's folder, tidied (`./` and doubled separators gone);
/// `None` if it is empty, absolute, or climbs out with `..`.
///
/// Both separators count on every system, so that a bench may travel.
#[must_use]
pub fn path_inside(text: &str) -> Option<PathBuf> {
    let text = text.replace('\\', "/");
    // "C:takes" is a drive on Windows and a harmless name elsewhere: refused for both.
    if text.starts_with('/') || text.contains(':') || text.contains('\0') {
        return None;
    }
    let mut inside = PathBuf::new();
    for part in Path::new(&text).components() {
        match part {
            Component::Normal(part) => inside.push(part),
            Component::CurDir => {}
            Component::ParentDir | Component::RootDir | Component::Prefix(_) => return None,
        }
    }
    (!inside.as_os_str().is_empty()).then_some(inside)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_of_devices_are_not_used() {
        for name in ["CON", "nul", "Com1", "LPT9", "aux.", "com²"] {
            assert!(!is_reserved(&safe_file_name(name)), "{name}");
        }
        assert_eq!(safe_file_name("console"), "console");
    }

    #[test]
    fn paths_stay_in_the_bench() {
        for bad in [
            "",
            ".",
            "/etc/passwd",
            "../a.wav",
            "takes/../../a.wav",
            "C:\\a.wav",
            "\\\\host\\a",
            "a\\..\\..\\b",
        ] {
            assert_eq!(path_inside(bad), None, "{bad}");
        }
        assert_eq!(path_inside("./takes//a 1.wav"), Some(PathBuf::from("takes/a 1.wav")));
        assert_eq!(path_inside("takes\\a.wav"), Some(PathBuf::from("takes/a.wav")));
    }

    proptest! {
        #[test]
        fn safe_names_are_safe_and_distinct(names in proptest::collection::vec("\\PC{0,12}|(?i)a[ .:]b", 0..8)) {
            let safe = safe_file_names(&names);
            let distinct: BTreeSet<_> = safe.iter().map(|s| s.to_lowercase()).collect();
            prop_assert_eq!(distinct.len(), names.len());
            for name in safe {
                prop_assert!(!name.is_empty() && name.len() <= LONGEST + 12);
                prop_assert!(!name.ends_with(['.', ' ']) && !is_reserved(&name));
                prop_assert!(!name.chars().any(|c| "<>:\"/\\|?*".contains(c) || c.is_control()));
            }
        }
    }
}
