//! What was recorded: files read, markers found, the clock mapped, segments cut.

pub mod clock;
pub mod detect;
mod foreign;
mod hashed;
pub mod health;
mod packed;
pub mod read;
pub mod scale;
pub mod shown;
pub mod source;
pub mod take;
pub mod tape;
pub mod wav;

pub use read::{Ask, ReadError, Recorded};
pub use scale::Scale;
pub use source::{Source, SourceError};
pub use take::{FindError, START_MISSING, Take};
