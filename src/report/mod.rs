//! What a person gets to see: the published report and the terminal's tables.
//!
//! The report is given a finished [`crate::compare::document::Comparison`] and
//! computes nothing but places on the paper.

pub mod chart;
pub mod charts;
pub mod table;
pub mod text;
