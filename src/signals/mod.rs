//! What is played: the plan, its markers and segments, and the WAV files made from it.

pub mod identity;
pub mod marker;
pub mod plan;
pub mod render;
pub mod write;

pub use identity::Identity;
pub use marker::{Code, Direction};
pub use plan::{Choices, Plan, Segment, Signal};
pub use render::Player;
