//! What a person gets to see: the published report and the terminal's tables.
//!
//! The report is given a finished [`crate::compare::document::Comparison`] and
//! computes nothing but places on the paper.
//!
//! ```text
//! Comparison ──► charts (descriptions) ──► chart (SVG, PNG) ──► page (HTML) ──► files
//!                                                   csv, json, summary ──────────┘
//! ```

pub mod analysis;
pub mod chart;
pub mod charts;
mod clean;
pub mod csv;
mod definitions;
pub mod numbers;
mod origins;
pub mod page;
pub mod summary;
pub mod table;
pub mod text;
mod write;

pub use write::{Choices, ReportError, Written, write};
