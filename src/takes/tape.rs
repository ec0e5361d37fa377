//! The samples of one channel that are kept, and nothing outside them.

use std::collections::VecDeque;

/// A stretch of a recording in memory. While it is filled it forgets what is older than asked for.
#[derive(Debug, Clone, Default)]
pub struct Tape {
    samples: VecDeque<f32>,
    first_frame: u64,
    keep: Option<usize>,
}

impl Tape {
    /// A tape that keeps the last `keep` frames while it grows.
    #[must_use]
    pub fn keeping(keep: usize) -> Self {
        Self { keep: Some(keep), ..Self::default() }
    }

    /// The same tape, its first frame being this one of the file.
    #[must_use]
    pub fn beginning(self, first_frame: u64) -> Self {
        Self { first_frame, ..self }
    }

    /// Makes room for this many frames, as far as it keeps them.
    pub fn expect(&mut self, frames: u64) {
        let most = self.keep.unwrap_or(0);
        self.samples.reserve_exact(usize::try_from(frames).map_or(most, |f| f.min(most)));
    }

    /// All of these samples, the first being frame 0.
    #[must_use]
    pub fn of(samples: Vec<f32>) -> Self {
        Self { samples: samples.into(), first_frame: 0, keep: None }
    }

    /// Adds samples at the end. What is too old goes first, so that the tape never grows past what it keeps.
    pub fn push(&mut self, samples: impl IntoIterator<Item = f32>) {
        let samples = samples.into_iter();
        self.forget(samples.size_hint().0);
        self.samples.extend(samples);
        self.forget(0);
    }

    /// Forgets what is too old when this many samples are to come.
    fn forget(&mut self, coming: usize) {
        let Some(keep) = self.keep else { return };
        let old = (self.samples.len() + coming).saturating_sub(keep).min(self.samples.len());
        if old > 0 {
            self.samples.drain(..old);
            self.first_frame += old as u64;
        }
    }

    /// From here on it forgets nothing.
    pub fn keep_all(&mut self) {
        self.keep = None;
    }

    /// Puts the samples in one piece, with their sign turned if asked; after this [`Tape::part`] works.
    pub fn settle(&mut self, invert: bool) {
        self.samples.shrink_to_fit();
        for sample in self.samples.make_contiguous() {
            if invert {
                *sample = -*sample;
            }
        }
    }

    /// Frame in the file of the first sample kept.
    #[must_use]
    pub fn first_frame(&self) -> u64 {
        self.first_frame
    }

    /// Frame in the file after the last sample kept.
    #[must_use]
    pub fn end_frame(&self) -> u64 {
        self.first_frame + self.samples.len() as u64
    }

    /// All samples kept; empty before [`Tape::settle`].
    #[must_use]
    pub fn all(&self) -> &[f32] {
        let (samples, rest) = self.samples.as_slices();
        if rest.is_empty() { samples } else { &[] }
    }

    /// The samples from one frame of the file up to another; `None` unless all of them are kept.
    #[must_use]
    pub fn part(&self, from: i64, to: i64) -> Option<&[f32]> {
        let first = i64::try_from(self.first_frame).ok()?;
        let from = usize::try_from(from.checked_sub(first)?).ok()?;
        let to = usize::try_from(to.checked_sub(first)?).ok()?;
        self.all().get(from..to)
    }
}
