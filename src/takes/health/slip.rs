//! Channels that change places in the middle: one sample lost from an interleaved stream.

use std::collections::VecDeque;

use crate::finding::{Finding, Severity};

/// Length of the stretches whose levels are compared.
const WINDOW_SECONDS: f64 = 0.05;
/// Steady stretches asked for on each side.
const SIDE: usize = 3;
/// Levels agree within a factor of this (0.5 dB), and differ by at least that (3 dB), in power.
const ALIKE: f64 = 1.122;
const APART: f64 = 2.0;
/// With more channels than this nothing is looked for.
const MOST: usize = 8;

struct Window {
    frame: u64,
    samples: Vec<f64>,
    power: Vec<f64>,
}

/// Watches the levels of all channels side by side.
pub(super) struct Slip {
    channels: usize,
    rate_hz: f64,
    length: usize,
    frame: u64,
    filling: Vec<f64>,
    recent: VecDeque<Window>,
    /// Where each slip happened, and how many places the channels moved on.
    slips: Vec<(u64, usize)>,
}

impl Slip {
    pub(super) fn new(channels: usize, rate_hz: f64) -> Self {
        let length = ((WINDOW_SECONDS * rate_hz) as usize).max(1) * channels;
        Self {
            channels,
            rate_hz,
            length,
            frame: 0,
            filling: Vec::new(),
            recent: VecDeque::new(),
            slips: Vec::new(),
        }
    }

    pub(super) fn feed(&mut self, block: &[f64]) {
        if !(2..=MOST).contains(&self.channels) {
            return;
        }
        let mut block = block;
        while !block.is_empty() {
            let take = (self.length - self.filling.len()).min(block.len());
            let (now, later) = block.split_at(take);
            self.filling.extend_from_slice(now);
            block = later;
            if self.filling.len() == self.length {
                self.close_window();
            }
        }
    }

    fn close_window(&mut self) {
        let mut power = vec![0.0; self.channels];
        for frame in self.filling.chunks_exact(self.channels) {
            for (sum, x) in power.iter_mut().zip(frame) {
                *sum += x * x;
            }
        }
        let reuse = if self.recent.len() > 2 * SIDE { self.recent.pop_front() } else { None };
        let mut samples = reuse.map_or_else(Vec::new, |w| w.samples);
        std::mem::swap(&mut samples, &mut self.filling);
        self.filling.clear();
        let frame = self.frame;
        self.frame += (self.length / self.channels) as u64;
        self.recent.push_back(Window { frame, samples, power });
        if self.recent.len() == 2 * SIDE + 1 && self.slips.len() < super::MOST_STRETCHES {
            self.look();
        }
    }

    /// Judges the middle window: steady before, steady after, and the levels have moved on.
    fn look(&mut self) {
        let (middle, sides) = (SIDE, [0..SIDE, SIDE + 1..2 * SIDE + 1]);
        let level = |windows: std::ops::Range<usize>| -> Option<Vec<f64>> {
            let rows: Vec<&Vec<f64>> = self.recent.range(windows).map(|w| &w.power).collect();
            (0..self.channels)
                .map(|c| {
                    let values = rows.iter().map(|row| row[c]);
                    let (low, high) = values.fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(v), h.max(v)));
                    (low > 0.0 && high <= low * ALIKE).then_some((low * high).sqrt())
                })
                .collect()
        };
        let [Some(before), Some(after)] = sides.map(level) else { return };
        let alike = |a: f64, b: f64| a <= b * ALIKE && b <= a * ALIKE;
        let moved = (1..self.channels)
            .find(|&by| (0..self.channels).all(|c| alike(after[c], before[(c + by) % self.channels])));
        let changed =
            (0..self.channels).any(|c| after[c] > before[c] * APART || before[c] > after[c] * APART);
        let Some(by) = moved.filter(|_| changed) else { return };
        // Only the window in which it happens is judged; its neighbours see a whole window of one side.
        let Some(window) = self.recent.get(middle) else { return };
        if self.slips.last().is_some_and(|&(frame, _)| window.frame < frame + self.rate_hz as u64 / 10) {
            return;
        }
        let at = self.place(&before, &after);
        self.slips.push((at, by));
    }

    /// The frame that parts the two orders best: the largest sum, up to it, of how much better each
    /// frame fits the levels before than those after (two zero-mean normal variates for each channel).
    fn place(&self, before: &[f64], after: &[f64]) -> u64 {
        let per_frame = self.length as f64 / self.channels as f64;
        let (mut sum, mut best, mut place) = (0.0, f64::NEG_INFINITY, 0);
        for window in self.recent.range(SIDE - 1..SIDE + 2) {
            for (k, frame) in window.samples.chunks_exact(self.channels).enumerate() {
                if sum > best {
                    (best, place) = (sum, window.frame + k as u64);
                }
                for ((x, b), a) in frame.iter().zip(before).zip(after) {
                    sum += x * x * per_frame * (1.0 / a - 1.0 / b) + (a / b).ln();
                }
            }
        }
        place
    }

    pub(super) fn findings(&self) -> Vec<Finding> {
        let Some(&(frame, _)) = self.slips.first() else { return Vec::new() };
        let more = match self.slips.len() {
            1 => String::new(),
            n => format!(" and {} more times", n - 1),
        };
        vec![
            Finding::new(
                "channels_change_places",
                Severity::Redo,
                format!("the channels change places at frame {frame}{more}"),
                "a sample was lost from the stream of all channels: from there on another channel is measured",
                "use a larger buffer or another driver, and record again",
            )
            .at(frame as f64 / self.rate_hz),
        ]
    }
}
