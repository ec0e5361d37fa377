//! What is in a take: figures and curves out of segments, one file a kind of segment.

pub mod cut;
pub mod error;
pub mod fit;
pub mod pchip;
pub mod plain;
pub mod plans;
pub mod sweep;
pub mod tone;
pub mod tone_figures;

pub use cut::Cut;
pub use error::MeasureError;
pub use plans::Plans;

use crate::analysis::{Figures, Strike};
use crate::figure::{Curves, Quantity, Unit};
use crate::finding::Finding;
use crate::takes::{Scale, Take};

/// What a take gave.
#[derive(Debug, Clone, Default)]
pub struct Measured {
    /// Single figures and lists.
    pub figures: Figures,
    /// Curves by name.
    pub curves: Curves,
    /// What was seen while measuring.
    pub findings: Vec<Finding>,
    /// What is left out.
    pub struck: Vec<Strike>,
}

/// Measures every segment that the recording holds.
#[must_use]
pub fn take(_take: &Take, _scale: &Scale, _plans: &mut Plans) -> Measured {
    Measured::default()
}

/// The recorder's clock re the player's.
#[must_use]
pub fn clock_drift(take: &Take) -> Quantity {
    let drift = Quantity::new(take.clock.drift_ppm(), Unit::PartsPerMillion);
    match take.markers.len() {
        0 | 1 => drift.noted("from the ladder's tone: one marker only"),
        n => drift.noted(format!("from {n} markers")),
    }
}
