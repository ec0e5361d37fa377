//! Bytes to samples: one plain loop for each width, so that decoding runs near memory speed.

/// Which bits of the integer codes a file uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CodeBits {
    /// Bits that the header says are significant.
    pub declared: u16,
    /// OR of all codes, left-justified in 32 bits.
    pub seen: u32,
}

impl CodeBits {
    /// Significant bits that were ever set: 16 for a 16-bit path behind a 24-bit file; 0 for silence.
    #[must_use]
    pub fn used(self) -> u16 {
        if self.seen == 0 { 0 } else { 32 - self.seen.trailing_zeros() as u16 }
    }
}

/// How a sample is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// 8 bits around 128.
    Unsigned8 { keep: u32 },
    /// Two's complement in 2, 3 or 4 bytes. The code is shifted left by `shift` to stand at the
    /// top of 32 bits, and only the bits in `keep` count.
    Integer { bytes: u16, big_endian: bool, shift: u32, keep: u32 },
    /// IEEE 754 in 4 or 8 bytes.
    Float { bytes: u16, big_endian: bool },
}

/// Full scale of a 32-bit code. A power of two: the division is exact.
const FULL_SCALE: f64 = 2_147_483_648.0;

impl Coding {
    /// Bytes of one sample.
    pub(super) fn bytes(self) -> u16 {
        match self {
            Self::Unsigned8 { .. } => 1,
            Self::Integer { bytes, .. } | Self::Float { bytes, .. } => bytes,
        }
    }

    /// Appends the samples in `bytes` to `out`; returns the OR of the codes (0 for float).
    pub(super) fn decode(self, bytes: &[u8], out: &mut Vec<f64>) -> u32 {
        match self {
            Self::Unsigned8 { keep } => {
                integers::<1>(bytes, out, |[a]| i32::from_be_bytes([a ^ 0x80, 0, 0, 0]) & keep as i32)
            }
            Self::Integer { bytes: width, big_endian, shift, keep } => {
                let fit = move |code: i32| (code << (shift & 31)) & keep as i32;
                match (width, big_endian) {
                    (2, false) => integers::<2>(bytes, out, |[a, b]| fit(i32::from_le_bytes([0, 0, a, b]))),
                    (2, true) => integers::<2>(bytes, out, |[a, b]| fit(i32::from_be_bytes([a, b, 0, 0]))),
                    (3, false) => {
                        integers::<3>(bytes, out, |[a, b, c]| fit(i32::from_le_bytes([0, a, b, c])))
                    }
                    (3, true) => integers::<3>(bytes, out, |[a, b, c]| fit(i32::from_be_bytes([a, b, c, 0]))),
                    (_, false) => integers::<4>(bytes, out, |code| fit(i32::from_le_bytes(code))),
                    (_, true) => integers::<4>(bytes, out, |code| fit(i32::from_be_bytes(code))),
                }
            }
            Self::Float { bytes: width, big_endian } => {
                match (width, big_endian) {
                    (4, false) => floats::<4>(bytes, out, |b| f64::from(f32::from_le_bytes(b))),
                    (4, true) => floats::<4>(bytes, out, |b| f64::from(f32::from_be_bytes(b))),
                    (_, false) => floats::<8>(bytes, out, f64::from_le_bytes),
                    (_, true) => floats::<8>(bytes, out, f64::from_be_bytes),
                }
                0
            }
        }
    }
}

fn integers<const N: usize>(bytes: &[u8], out: &mut Vec<f64>, code: impl Fn([u8; N]) -> i32) -> u32 {
    let mut seen = 0;
    out.extend(bytes.as_chunks::<N>().0.iter().map(|&sample| {
        let code = code(sample);
        seen |= code as u32;
        f64::from(code) / FULL_SCALE
    }));
    seen
}

fn floats<const N: usize>(bytes: &[u8], out: &mut Vec<f64>, value: impl Fn([u8; N]) -> f64) {
    out.extend(bytes.as_chunks::<N>().0.iter().map(|&sample| value(sample)));
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn read(coding: Coding, bytes: &[u8]) -> Vec<f64> {
        let mut out = Vec::new();
        coding.decode(bytes, &mut out);
        out
    }

    #[test]
    fn both_ends_of_every_width_are_exact() {
        let all = u32::MAX;
        assert_eq!(read(Coding::Unsigned8 { keep: all }, &[0, 128, 255]), [-1.0, 0.0, 127.0 / 128.0]);
        for width in [2u16, 3, 4] {
            let top = 2f64.powi(i32::from(width) * 8 - 1);
            let (mut low, mut high) = (vec![0u8; width.into()], vec![0xffu8; width.into()]);
            *low.last_mut().unwrap() = 0x80;
            *high.last_mut().unwrap() = 0x7f;
            let little = Coding::Integer { bytes: width, big_endian: false, shift: 0, keep: all };
            let big = Coding::Integer { bytes: width, big_endian: true, shift: 0, keep: all };
            let wanted = [-1.0, (top - 1.0) / top];
            assert_eq!(read(little, &[low.clone(), high.clone()].concat()), wanted);
            low.reverse();
            high.reverse();
            assert_eq!(read(big, &[low, high].concat()), wanted);
        }
    }

    #[test]
    fn a_right_justified_code_is_extended_from_its_own_sign() {
        let coding = Coding::Integer { bytes: 4, big_endian: false, shift: 8, keep: 0xffff_ff00 };
        // −1/2 once with the sign above it and once with zeros above it.
        assert_eq!(read(coding, &[0, 0, 0xc0, 0xff, 0, 0, 0xc0, 0]), [-0.5, -0.5]);
    }

    #[test]
    fn used_bits_are_counted_from_the_top() {
        assert_eq!(CodeBits { declared: 24, seen: 0xffff_0000 }.used(), 16);
        assert_eq!(CodeBits { declared: 24, seen: 0x0000_0100 }.used(), 24);
        assert_eq!(CodeBits { declared: 24, seen: 0 }.used(), 0);
    }
}
