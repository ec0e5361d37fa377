//! What was recorded: files read, markers found, the clock mapped, segments cut.

pub mod scale;

pub use scale::Scale;
