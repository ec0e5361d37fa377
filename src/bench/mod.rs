//! What the person wrote down: `bench.toml`, the rig, builds, settings and takes.
//!
//! ```text
//! bench.toml ──► raw (as typed, with places) ──► check ──► Bench ──► Scale: samples to volts and watts
//! ```

mod check;
mod error;
mod model;
pub mod names;
mod raw;
mod rig;
mod syntax;

pub use error::{BenchError, Fault};
pub use model::{Bench, Build, DcPoint, FILE_NAME, Limits, QuietCondition, Setting, TakeEntry, TakeKind};
pub use rig::{CalibratedAt, Pad, Rig};
