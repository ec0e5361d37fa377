//! twinload measures how two builds of a valve guitar amplifier differ.
//!
//! Data flows one way, and each module is one arrow of it:
//!
//! ```text
//! bench.toml ──► signals ──► (interface, amp, load, pad) ──► takes ──► measure ──► compare ──► report
//!   bench/        signals/                                   takes/    measure/    compare/    report/
//! ```
//!
//! - [`signals`]: what is played. A [`signals::Plan`] is data; WAV files are made from it.
//! - [`takes`]: what was recorded. Files are read, markers found, clocks mapped, segments cut.
//! - [`analysis`]: the document that measuring a bench gives.
//! - [`compare`]: which differences between builds are real.
//! - [`report`]: what a person gets to see of it.
//! - [`simulate`]: virtual amps and a virtual recorder, for the demo and the tests; nothing else uses it.
//!
//! Figures carry unit and uncertainty ([`figure::Quantity`]); what a person must know about a
//! recording is a [`finding::Finding`].

pub mod analyse;
pub mod analysis;
pub mod bench;
pub mod check;
pub mod cli;
pub mod compare;
pub mod figure;
pub mod files;
pub mod finding;
pub mod listen;
pub mod measure;
pub mod report;
pub mod rounding;
pub mod signals;
pub mod simulate;
pub mod statistics;
pub mod takes;
pub mod units;
