//! Which differences between builds are real: repeats, statistics, fairness, suspects, sentences.

pub mod document;
pub mod statistics;

pub use document::Comparison;
