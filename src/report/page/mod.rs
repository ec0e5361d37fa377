//! The page: one HTML file that needs nothing beside it.

mod data;
mod view;

use askama::Template;
use sha2::{Digest, Sha256};

use super::ReportError;
use super::chart::Chart;
use super::chart::draw::Drawing;
use crate::bench::cautions;
use crate::compare::document::{Comparison, Match};

/// Style and script, kept as files of their own so that an editor knows them.
const STYLE: &str = include_str!("../../../templates/page.css");
const SCRIPT: &str = include_str!("../../../templates/page.js");

/// A chart with its drawing, or why there is none.
#[derive(Debug, Clone)]
pub enum Figure {
    /// Drawn.
    Drawn(Box<Chart>, Drawing),
    /// Left out: its title and why.
    LeftOut(String, String),
}

/// The figures of one setting.
#[derive(Debug, Clone)]
pub struct SettingFigures {
    /// The setting's place in [`Comparison::settings`].
    pub setting: usize,
    /// Its figures in order.
    pub figures: Vec<Figure>,
}

#[derive(Template)]
#[template(path = "page.html")]
struct Page<'a> {
    c: &'a Comparison,
    tables: Vec<view::PairTable<'a>>,
    settings: Vec<view::SettingView<'a>>,
    voltages: view::FigureView<'a>,
    definitions: Vec<(&'static str, &'static str)>,
    remarks: &'a [String],
    style: &'a str,
    script: &'a str,
    /// The only script that the page lets run, by its SHA-256.
    script_hash: String,
    first_caution: &'a str,
    cautions: Vec<&'a str>,
}

impl Page<'_> {
    fn build_name(&self, at: usize) -> &str {
        self.c.builds.get(at).map_or("", |b| &b.name)
    }
}

/// Renders the page. Every text of `comparison` must be fit for markup already
/// ([`super::text::for_markup`]); escaping is done here.
///
/// # Errors
/// The template could not be written out.
pub fn render(
    comparison: &Comparison,
    settings: &[SettingFigures],
    voltages: &Figure,
    remarks: &[String],
) -> Result<String, ReportError> {
    let page = Page {
        c: comparison,
        tables: view::pair_tables(comparison),
        settings: settings.iter().map(|s| view::SettingView::new(comparison, s)).collect(),
        voltages: view::FigureView::new(voltages),
        definitions: view::definitions(comparison),
        remarks,
        style: STYLE,
        script: SCRIPT,
        script_hash: base64(&Sha256::digest(SCRIPT.as_bytes())),
        first_caution: cautions::FIRST,
        cautions: cautions::ALL.iter().map(|c| c.text).collect(),
    };
    page.render().map_err(|error| ReportError::Page { why: error.to_string() })
}

/// The words over a group of rows.
pub(crate) fn match_words(matched: Match) -> &'static str {
    match matched {
        Match::Whole => "As a whole",
        Match::SameDrive => "At the same drive: what the player's hand gets",
        Match::SamePower => "At the same power: what the ear gets",
        Match::SameDistortion => "At the same distortion: what the circuit gets",
    }
}

/// Base64 (RFC 4648, section 4), as a content security policy wants its hashes.
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for group in bytes.chunks(3) {
        let bits = group.iter().fold(0_u32, |bits, &b| bits << 8 | u32::from(b)) << (8 * (3 - group.len()));
        for at in 0..4 {
            let sign = SIGNS[(bits >> (18 - 6 * at) & 63) as usize];
            out.push(if at <= group.len() { char::from(sign) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::base64;

    /// The test vectors of RFC 4648, section 10.
    #[test]
    fn base64_as_in_its_standard() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
