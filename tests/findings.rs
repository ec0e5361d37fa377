//! The names of findings: what the code says, what the list in `src/finding/codes.rs` says, and what
//! `docs/findings.md` says are the same.
//!
//! ```sh
//! cargo test --test findings -- --ignored   # writes the page anew
//! ```
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use twinload::analyse::Options;
use twinload::check;
use twinload::finding::Severity;
use twinload::finding::codes::{GROUPS, UNUSUAL_FIGURE, of};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn page() -> String {
    let mut page = String::from(
        "# Findings\n\nEvery name that `code` of a finding may have in `--json`, by where it comes from. A name once given \
         stays. `note`: no figure suffers; `limit`: some figures are limited or left out; `redo`: the recording (or the \
         reading) cannot serve. Which of the faults of a recording can be told from what stands in \
         [checks.md](checks.md). `unusual_…` stands for `unusual_` and the name of a figure.\n\nMade from \
         `src/finding/codes.rs` by `cargo test --test findings -- --ignored`.\n",
    );
    for (name, group) in GROUPS {
        write!(page, "\n## {name}\n\n| code | weight | what was seen | what it does, what to do |\n| --- | --- | --- | --- |\n")
            .unwrap();
        for known in group {
            let weight =
                |severity: &Severity| serde_json::to_value(severity).unwrap().as_str().unwrap().to_owned();
            let weights: Vec<String> = known.weights.iter().map(weight).collect();
            writeln!(
                page,
                "| `{}` | {} | {} | {} |",
                known.code,
                weights.join(", "),
                known.means,
                known.then
            )
            .unwrap();
        }
    }
    page
}

fn sources(folder: &Path, all: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, all);
        } else if path.extension().is_some_and(|e| e == "rs") {
            all.push(path);
        }
    }
}

/// The code under `src/`, without tests and without the list itself.
fn code() -> String {
    let mut all = Vec::new();
    sources(&root().join("src"), &mut all);
    let own = |path: &PathBuf| !path.ends_with("finding/codes.rs") && !path.ends_with("tests.rs");
    let text = |path: PathBuf| {
        let text = std::fs::read_to_string(path).unwrap();
        text.split("#[cfg(test)]").next().unwrap().to_owned()
    };
    all.into_iter().filter(own).map(text).collect()
}

/// The literal that follows each of these beginnings, where one does.
fn literals_after<'a>(code: &'a str, begin: &str) -> Vec<&'a str> {
    code.match_indices(begin)
        .filter_map(|(at, _)| code[at + begin.len()..].trim_start().strip_prefix('"'))
        .filter_map(|rest| rest.split('"').next())
        .collect()
}

#[test]
fn every_finding_that_is_made_is_in_the_list() {
    let code = code();
    let mut made = BTreeSet::new();
    for begin in
        ["Finding::new(", "say(", "warn(", "compare(", "by_file_size(", "findings,", "let (code, severity) ="]
    {
        let snake = |name: &&str| {
            name.contains('_')
                && name.chars().all(|c| c.is_ascii_lowercase() || c == '_' || c.is_ascii_digit())
        };
        made.extend(literals_after(&code, begin).into_iter().filter(snake));
    }
    assert!(made.len() > 70, "{made:?}");
    let unknown: Vec<&&str> = made.iter().filter(|name| of(name).is_none()).collect();
    assert!(unknown.is_empty(), "{unknown:?}");
}

#[test]
fn every_name_in_the_list_is_made_once_listed_and_weighed() {
    let code = code();
    let mut seen = BTreeSet::new();
    for known in GROUPS.iter().flat_map(|(_, group)| group.iter()) {
        let name = known.code;
        assert!(seen.insert(name), "{name} twice");
        let literal =
            if name == UNUSUAL_FIGURE { "\"unusual_{name}\"".to_owned() } else { format!("\"{name}\"") };
        assert!(code.contains(&literal), "{name} is made nowhere");
        assert!(!known.weights.is_empty() && !known.means.is_empty() && !known.then.is_empty(), "{name}");
    }
}

#[test]
fn the_page_is_the_list() {
    let written = std::fs::read_to_string(root().join("docs/findings.md")).unwrap();
    let (written, page) = (written.lines(), page());
    let other = written.clone().zip(page.lines()).find(|(written, listed)| written != listed);
    assert_eq!(other, None, "cargo test --test findings -- --ignored");
    assert_eq!(written.count(), page.lines().count(), "cargo test --test findings -- --ignored");
}

/// What `check` says of every difficult file is in the list, with a weight that the list knows.
#[test]
fn what_is_said_of_the_zoo_is_in_the_list() {
    let mut said = BTreeSet::new();
    for entry in std::fs::read_dir(root().join("tests/zoo/files")).unwrap() {
        let check = check::file(&entry.unwrap().path(), &Options::default());
        for finding in check.findings {
            let known = of(&finding.code).unwrap_or_else(|| panic!("{finding:?}"));
            assert!(known.weights.contains(&finding.severity), "{finding:?}");
            said.insert(finding.code);
        }
    }
    assert!(said.len() > 30, "{said:?}");
}

#[test]
#[ignore = "writes docs/findings.md"]
fn the_page_is_written() {
    std::fs::write(root().join("docs/findings.md"), page()).unwrap();
}
