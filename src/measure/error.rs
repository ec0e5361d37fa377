//! Why a segment could not be measured.

/// One sentence a reader of the report understands; it becomes the note of every figure that is missing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MeasureError {
    /// The recording ends before the segment does, or begins after it.
    #[error("the recording holds only {held_seconds:.2} s of this segment, {needed_seconds:.2} s are needed")]
    TooShort {
        /// What is there.
        held_seconds: f64,
        /// What the method needs.
        needed_seconds: f64,
    },
    /// Nothing but zeros.
    #[error("the segment holds no signal")]
    Silent,
    /// A sample that is no number: a broken float file.
    #[error("a sample of this segment is not a finite number")]
    NotFinite,
    /// The plan or the time map holds values that no measurement can be made with.
    #[error("{0}")]
    Parameters(&'static str),
}
