//! What is in a take: figures and curves out of segments, one file a kind of segment.

pub mod cut;
pub mod error;
pub mod fit;
pub mod pchip;
pub mod plans;
pub mod sweep;
pub mod tone;

pub use cut::Cut;
pub use error::MeasureError;
pub use plans::Plans;
