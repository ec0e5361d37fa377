//! The map from what was asked to what shows it (`tests/reference/README.md`) names tests that are there, and leaves no
//! line without one.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::Path;

/// Methods' own tests, the measurement core's requirements, its proof: so many lines of each.
const LINES: [(char, usize); 3] = [('M', 8), ('C', 8), ('P', 6)];

/// `path::function` in backticks.
fn named(cell: &str) -> Vec<(&str, &str)> {
    cell.split('`').skip(1).step_by(2).filter_map(|code| code.split_once("::")).collect()
}

/// A function of this name that is a test.
fn is_test(text: &str, function: &str) -> bool {
    let Some(at) = text.find(&format!("fn {function}(")) else { return false };
    // The attributes stand right above it.
    let Some((above, _)) = text[..at].rsplit_once('\n') else { return false };
    let above = above.lines().rev().map(str::trim);
    above.take_while(|l| l.starts_with("#[") || l.starts_with("//")).any(|l| l == "#[test]")
}

#[test]
fn every_line_names_tests_that_exist() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let map = std::fs::read_to_string(root.join("tests/reference/README.md")).unwrap();
    let mut lines: BTreeMap<String, usize> = BTreeMap::new();
    let mut faults = Vec::new();
    for row in map.lines().filter(|l| l.starts_with("| ")) {
        let mut cells = row.split('|').map(str::trim).skip(1);
        let line = cells.next().unwrap_or_default().to_owned();
        let tests = named(row);
        for (path, function) in &tests {
            let text = std::fs::read_to_string(root.join(path)).unwrap_or_default();
            if !is_test(&text, function) {
                faults.push(format!("{line}: {path} has no test {function}"));
            }
        }
        *lines.entry(line).or_default() += tests.len();
    }
    for (letter, count) in LINES {
        for line in (1..=count).map(|k| format!("{letter}{k}")) {
            if lines.get(&line).copied().unwrap_or(0) == 0 {
                faults.push(format!("{line} names no test"));
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn a_test_is_known_by_its_attribute() {
    let text =
        "#[test]\nfn one() {}\nfn helper() {}\n    #[test]\n    #[ignore = \"long\"]\n    fn two() {}\n";
    assert!(is_test(text, "one") && is_test(text, "two"));
    assert!(!is_test(text, "helper") && !is_test(text, "three"));
}
