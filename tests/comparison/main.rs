//! Comparisons of benches made by hand: rows, matches, sentences, fairness, suspects.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fair;
mod fixture;
mod rows;
mod shown;
mod telling;
