//! What the person wrote down: `bench.toml`, the rig, builds, settings and takes.
//!
//! ```text
//! bench.toml ──► raw (as typed, with places) ──► check ──► Bench ──► Scale: samples to volts and watts
//! ```

pub mod bias;
pub mod bias_document;
pub mod budget;
pub mod calibrate;
pub mod calibration_document;
pub mod cautions;
pub mod chart;
mod check;
pub mod drive_pad;
pub mod edit;
mod error;
pub mod heat;
pub mod level;
pub mod log;
pub mod mismatch;
mod model;
pub mod names;
pub mod new;
pub mod operating;
pub mod pad;
pub mod pad_document;
pub mod plausible;
mod raw;
pub mod repeats;
mod rig;
pub mod series;
pub mod splice;
mod syntax;
pub mod typed;
pub mod valves;
pub mod wiring;

pub use edit::Editor;
pub use error::{BenchError, Fault};
pub use model::{Bench, Build, DcPoint, FILE_NAME, Limits, QuietCondition, Setting, TakeEntry, TakeKind};
pub use rig::{CalibratedAt, Pad, Rig};
