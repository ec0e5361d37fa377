//! Identity: a row of short chirps after a first marker, one a bit (up = 1),
//! by which a recording alone says to which plan it belongs (design §12).
//!
//! 16 bits of the plan's hash, 8 bits of the part's number (0: the whole
//! programme), 8 bits of check (CRC-8, polynomial x⁸+x²+x+1).

use super::marker::Direction;

/// Bits in the row.
pub const BITS: usize = 32;
/// Length of the chirp of one bit.
pub const BIT_SECONDS: f64 = 1.0 / 32.0;
/// Length of the row.
pub const LENGTH_SECONDS: f64 = 1.0;

/// What a row says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// [`crate::signals::Plan::identity`] of the programme.
    pub plan: u16,
    /// 0 for the whole programme, n for the file of segment n.
    pub part: u8,
}

impl Identity {
    /// The directions of the row's chirps.
    #[must_use]
    pub fn row(self) -> [Direction; BITS] {
        let body = u32::from(self.plan) << 8 | u32::from(self.part);
        let word = body << 8 | u32::from(check(body));
        std::array::from_fn(|k| if word >> (BITS - 1 - k) & 1 == 1 { Direction::Up } else { Direction::Down })
    }

    /// What a row of directions says; `None` if its check fails.
    #[must_use]
    pub fn read(row: &[Direction; BITS]) -> Option<Self> {
        let word = row.iter().fold(0u32, |w, d| w << 1 | u32::from(*d == Direction::Up));
        let body = word >> 8;
        let [_, high, low, part] = body.to_be_bytes();
        (u32::from(check(body)) == word & 0xff)
            .then_some(Self { plan: u16::from_be_bytes([high, low]), part })
    }

    /// For people: `3fa2` or `3fa2 part 4`.
    #[must_use]
    pub fn words(self) -> String {
        if self.part == 0 {
            format!("{:04x}", self.plan)
        } else {
            format!("{:04x} part {}", self.plan, self.part)
        }
    }

    /// The part that such words name, from 1; `None` for a whole programme.
    #[must_use]
    pub fn part_in_words(words: &str) -> Option<usize> {
        words.split_once(" part ")?.1.parse().ok()
    }
}

/// CRC-8 of the 24 bits of `body` (polynomial 0x07, start 0xff so that all zeros do not pass).
fn check(body: u32) -> u8 {
    body.to_be_bytes()[1..].iter().fold(0xff, |crc: u8, byte| {
        (0..8).fold(crc ^ byte, |c, _| if c & 0x80 == 0 { c << 1 } else { c << 1 ^ 0x07 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_single_flipped_bit_is_noticed() {
        for plan in [0u16, 1, 0x3fa2, 0xffff] {
            let said = Identity { plan, part: 7 };
            let row = said.row();
            assert_eq!(Identity::read(&row), Some(said));
            assert_eq!(Identity::part_in_words(&said.words()), Some(7));
            assert_eq!(Identity::part_in_words(&Identity { plan, part: 0 }.words()), None);
            for k in 0..BITS {
                let mut bad = row;
                bad[k] = if bad[k] == Direction::Up { Direction::Down } else { Direction::Up };
                assert_eq!(Identity::read(&bad), None, "bit {k}");
            }
        }
    }
}
