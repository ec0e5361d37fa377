//! The written report: complete, the same each time, and safe with any name.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use resvg::usvg::roxmltree;
use twinload::compare::document::Comparison;
use twinload::report::{self, Choices};

use crate::fixture;

fn tree(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    for sub in ["", "charts", "data"] {
        for entry in fs::read_dir(dir.join(sub)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                let name = path.strip_prefix(dir).unwrap().to_str().unwrap().to_owned();
                files.insert(name, fs::read(path).unwrap());
            }
        }
    }
    files
}

fn written(comparison: &Comparison) -> BTreeMap<String, Vec<u8>> {
    let dir = tempfile::tempdir().unwrap();
    let written = report::write(dir.path(), comparison, Choices { pictures: false }).unwrap();
    let files = tree(dir.path());
    assert_eq!(files.len(), written.files.len(), "what was written is what lies there");
    files
}

fn text<'a>(files: &'a BTreeMap<String, Vec<u8>>, name: &str) -> &'a str {
    std::str::from_utf8(&files[name]).unwrap()
}

#[test]
fn the_same_comparison_gives_the_same_bytes() {
    let (a, b) = (written(&fixture::comparison()), written(&fixture::comparison()));
    assert!(a.keys().eq(b.keys()));
    for (name, bytes) in &a {
        assert!(*bytes == b[name], "{name} differs");
    }
    // 3 MB is what issue 6 allows for two builds and two settings.
    assert!(a["report.html"].len() < 3_000_000);
}

#[test]
fn the_json_is_the_document() {
    let comparison = fixture::comparison();
    let files = written(&comparison);
    let back: Comparison = serde_json::from_slice(&files["report.json"]).unwrap();
    // serde_json reads decimals back to within one unit of the last place.
    assert_eq!(back.rows.len(), comparison.rows.len());
    assert_eq!(back.sentences, comparison.sentences);
    assert_eq!(back.curves.len(), comparison.curves.len());
}

#[test]
fn hostile_names_stay_text_in_the_page() {
    let comparison = fixture::hostile();
    let files = written(&comparison);
    let page = text(&files, "report.html");
    assert_eq!(page.matches("<script").count(), 1, "one script: ours");
    for forbidden in ["<img", "<svg onload", "<td onclick", "</title><", "\u{0}", "\u{202E}"] {
        assert!(!page.contains(forbidden), "{forbidden:?} stands in the page as markup");
    }
    // They are there all the same, as text.
    assert!(page.contains("onerror=alert(2)") && page.contains("שלום 😀 日本"));
}

#[test]
fn hostile_names_stay_text_in_the_charts() {
    let files = written(&fixture::hostile());
    let mut seen = 0;
    for (name, bytes) in files.iter().filter(|(name, _)| name.ends_with(".svg")) {
        let document = roxmltree::Document::parse(std::str::from_utf8(bytes).unwrap()).expect(name);
        for node in document.descendants().filter(|n| n.is_element()) {
            let tag = node.tag_name().name();
            assert!(
                ["svg", "title", "desc", "g", "rect", "polyline", "polygon", "circle", "text"].contains(&tag),
                "{name}: <{tag}>"
            );
            assert!(node.attributes().all(|a| !a.name().starts_with("on")), "{name}: a handler");
        }
        seen +=
            usize::from(document.descendants().any(|n| n.text().is_some_and(|t| t.contains("=HYPERLINK("))));
    }
    assert!(seen > 5, "the first build's name begins on {seen} charts only");
}

#[test]
fn no_cell_is_a_formula() {
    let files = written(&fixture::hostile());
    let mut texts = 0;
    for (name, bytes) in files.iter().filter(|(name, _)| name.ends_with(".csv")) {
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(bytes.as_slice());
        for record in reader.records() {
            for cell in record.expect(name).iter() {
                texts += usize::from(cell.starts_with('\''));
                let number = cell.parse::<f64>().is_ok();
                assert!(number || !cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{name}: {cell:?}");
            }
        }
    }
    assert!(texts > 50, "only {texts} cells were defused: the fixture is not hostile");
}

#[test]
fn file_names_are_safe_whatever_the_builds_are_called() {
    let files = written(&fixture::hostile());
    for name in files.keys() {
        assert!(name.chars().all(|c| c.is_alphanumeric() || "_-./".contains(c)), "{name}");
        for part in name.split('/') {
            // 255 bytes is the limit of most systems; one dot, before the ending, for Windows.
            assert!(part.len() < 255 && part.matches('.').count() <= 1 && !part.starts_with('.'), "{name}");
        }
    }
    let distinct: std::collections::BTreeSet<String> = files.keys().map(|n| n.to_lowercase()).collect();
    assert_eq!(distinct.len(), files.len(), "two names differ in case alone");
}

#[test]
fn markdown_and_text_carry_no_markup_of_others() {
    let files = written(&fixture::hostile());
    assert!(!text(&files, "summary.md").contains("<img") && !text(&files, "summary.md").contains("<script"));
    assert!(text(&files, "summary.txt").chars().all(|c| c == '\n' || !c.is_control()));
}

#[test]
fn simulated_is_said_at_the_top_and_only_then() {
    let mut comparison = fixture::comparison();
    let said = |files: &BTreeMap<String, Vec<u8>>| {
        ["report.html", "summary.txt", "summary.md"].map(|name| text(files, name).contains("Simulated"))
    };
    assert_eq!(said(&written(&comparison)), [true; 3]);
    comparison.simulated = false;
    assert_eq!(said(&written(&comparison)), [false; 3]);
}

#[test]
fn without_curves_every_chart_is_left_out_with_its_reason() {
    let mut comparison = fixture::comparison();
    comparison.curves.clear();
    let files = written(&comparison);
    let page = text(&files, "report.html");
    for title in ["Frequency response", "Noise and hum", "One cycle at the same power"] {
        assert!(page.contains(&format!("<strong>{title}</strong> is not shown.")), "{title}");
    }
}

#[test]
fn a_comparison_of_nothing_still_gives_a_page() {
    let mut comparison = fixture::comparison();
    comparison.builds.clear();
    comparison.settings.clear();
    comparison.rows.clear();
    comparison.sentences.clear();
    comparison.curves.clear();
    comparison.recordings.clear();
    assert!(text(&written(&comparison), "report.html").contains("No figure could be compared."));
}

#[test]
fn eight_builds_are_drawn_in_eight_looks() {
    let mut comparison = fixture::comparison();
    for extra in 2..8 {
        let from = fixture::name(extra % 2);
        let name = format!("build {extra}");
        comparison.builds.push(twinload::compare::document::BuildSummary {
            name: name.clone(),
            ..comparison.builds[extra % 2].clone()
        });
        let copies: Vec<_> = comparison
            .curves
            .iter()
            .filter(|c| c.build == from)
            .map(|c| twinload::compare::document::BuildCurve { build: name.clone(), ..c.clone() })
            .collect();
        comparison.curves.extend(copies);
    }
    let files = written(&comparison);
    let svg = text(&files, "charts/response-full.svg");
    for build in 0..8 {
        assert!(svg.contains(&format!("data-build=\"{build}\"")), "build {build}");
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_an_error_that_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("taken");
    fs::write(&file, b"a file, not a folder").unwrap();
    let error = report::write(&file, &fixture::comparison(), Choices::default()).unwrap_err();
    assert!(error.to_string().contains("taken"), "{error}");
}
