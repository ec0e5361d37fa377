//! The ends of a channel's range: how often the very largest value comes, and how often its neighbours do.
//!
//! Noise spreads whatever an amp does over several codes, so that the largest code of all is reached once or twice.
//! A converter at its end gives one code again and again, and seldom those just under it.

use std::ops::Range;

use super::MOST_STRETCHES;

/// Codes that are counted.
const CODES: usize = 4;
/// How often the largest code must come at least to be an end.
const LEAST: u64 = 6;
/// And how many times as often as the three under it together. Under Gaussian noise each code of the tail comes
/// more often than the next larger one: the ratio is under 1.
const OVER: u64 = 6;

/// One end: the largest values (of the bottom end their negatives), each with its count.
#[derive(Debug, Clone)]
pub(super) struct End {
    codes: [(f64, u64); CODES],
    stretches: Vec<Range<u64>>,
    merge: u64,
}

impl End {
    /// Stretches nearer than `merge` frames are told as one.
    pub(super) fn new(merge: u64) -> Self {
        Self { codes: [(f64::NEG_INFINITY, 0); CODES], stretches: Vec::new(), merge }
    }

    /// Takes a sample.
    #[inline]
    pub(super) fn see(&mut self, x: f64, frame: u64) {
        if x >= self.codes[CODES - 1].0 {
            self.count(x, frame);
        }
    }

    fn count(&mut self, x: f64, frame: u64) {
        if let Some(at) = self.codes.iter().position(|code| code.0 == x) {
            self.codes[at].1 += 1;
        } else {
            let at = self.codes.iter().position(|code| code.0 < x).unwrap_or(CODES - 1);
            self.codes[at..].rotate_right(1);
            self.codes[at] = (x, 1);
            if at == 0 {
                self.stretches.clear();
            }
        }
        if x == self.codes[0].0 {
            let merge = self.merge;
            if let Some(last) = self.stretches.last_mut().filter(|last| frame <= last.end + merge) {
                last.end = frame + 1;
            } else if self.stretches.len() < MOST_STRETCHES {
                self.stretches.push(frame..frame + 1);
            }
        }
    }

    /// Where the largest value stands.
    pub(super) fn stretches(&self) -> &[Range<u64>] {
        &self.stretches
    }

    /// The largest value and how often it comes, if that is more than noise of a code or more would let it;
    /// `step` is that of the codes. Whether there is such noise, the caller must know.
    pub(super) fn piled_up(&self, step: f64) -> Option<(f64, u64)> {
        let (largest, count) = self.codes[0];
        let near: u64 =
            self.codes[1..].iter().filter(|code| largest - code.0 < 3.5 * step).map(|code| code.1).sum();
        (count >= LEAST && count >= OVER * near && largest > 0.0).then_some((largest, count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::noise::White;
    use std::f64::consts::TAU;

    const STEP: f64 = 1.0 / 8_388_608.0;

    fn end_of(noise_codes: f64, ceiling: f64, amp: fn(f64) -> f64) -> End {
        let mut random = White::new(5);
        let mut end = End::new(2880);
        for n in 0..48_000u32 {
            let x = amp(0.5 * (TAU * 1010.0 * f64::from(n) / 48_000.0).sin());
            let x = (x + noise_codes * STEP * random.value()).min(ceiling);
            end.see((x / STEP).round() * STEP, u64::from(n));
        }
        end
    }

    #[test]
    fn a_ceiling_is_seen_a_hair_under_the_crest_and_an_amps_own_is_not() {
        // 0.01 dB under the crest.
        let clipped = end_of(20.0, 0.5 * 0.99885, |x| x);
        assert!(clipped.piled_up(STEP).is_some_and(|(_, count)| count > 500), "{:?}", clipped.codes);
        assert_eq!(clipped.stretches().len(), 1);
        for noise_codes in [1.0, 3.0, 20.0, 300.0] {
            for amp in [|x: f64| x, |x: f64| x.clamp(-0.3, 0.3)] {
                let end = end_of(noise_codes, 1.0, amp);
                assert_eq!(end.piled_up(STEP), None, "{noise_codes}: {:?}", end.codes);
            }
        }
    }
}
