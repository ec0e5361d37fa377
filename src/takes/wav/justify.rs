//! Codes narrower than their container: at which end do they stand?
//!
//! RIFF puts them at the top. Some recorders (ALSA's S24_LE written with a plain header) put them
//! at the bottom under the very same header, so only the samples tell; a wrong choice is a level
//! 48 dB out. The whole file is looked at, once, and only for this rare kind.

use std::io::{Read, Seek};

use super::Bytes;
use super::coding::Coding;
use super::fmt::Format;
use crate::finding::{Finding, Severity};
use crate::takes::source::{BLOCK_BYTES, Fault};

/// What the samples show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Evidence {
    /// Some code has a bit set below those that count if it stands at the top.
    low_used: bool,
    /// Some code has more than its sign above those that count if it stands at the bottom.
    high_used: bool,
}

/// Settles where the codes stand; leaves formats alone that leave no doubt.
pub(super) fn settle<R: Read + Seek>(
    bytes: &mut Bytes<R>,
    format: &mut Format,
    data_start: u64,
    frames: u64,
    findings: &mut Vec<Finding>,
) -> Result<(), Fault> {
    let Coding::Integer { bytes: width, big_endian, .. } = format.coding else {
        if format.valid_bits < 8 && format.is_integer() {
            findings.push(few_bits(format.valid_bits, 8));
        }
        return Ok(());
    };
    if !format.in_doubt {
        return Ok(());
    }
    let length = frames * u64::from(format.block_bytes);
    let evidence = look(bytes, data_start, length, width, format.valid_bits, big_endian)?;
    let (valid, container) = (format.valid_bits, width * 8);
    let spare = u32::from(container - valid);
    match evidence {
        // The bottom holds codes and the top holds only signs.
        Evidence { low_used: true, high_used: false } => {
            let keep = u32::MAX << (32 - u32::from(valid));
            format.coding = Coding::Integer { bytes: width, big_endian, shift: spare, keep };
            findings.push(taken_from("low", format.extensible, valid, container));
        }
        // The top holds codes and the bottom nothing: as RIFF defines it.
        Evidence { low_used: false, .. } => {
            if format.extensible {
                // The lawful form of narrow codes: nothing to say.
            } else if spare < 8 {
                findings.push(few_bits(valid, container));
            } else {
                findings.push(taken_from("high", false, valid, container));
            }
        }
        Evidence { low_used: true, high_used: true } => {
            if format.extensible {
                // By definition the bits below are not part of the sample, whatever they hold.
            } else if spare < 8 {
                format.valid_bits = container;
                format.coding = Coding::Integer { bytes: width, big_endian, shift: 0, keep: u32::MAX };
                findings.push(Finding::new(
                    "valid_bits_wrong",
                    Severity::Note,
                    format!("the header says {valid} significant bits, the samples use all {container}"),
                    format!("all {container} bits are taken"),
                    "check the level against what the recorder showed",
                ));
            } else {
                let reason = format!(
                    "{valid} bits in {width}-byte containers without an extensible header, and the samples use both the low and the high bytes: the level cannot be known"
                );
                return Err(Fault::at("fmt", reason));
            }
        }
    }
    Ok(())
}

fn look<R: Read + Seek>(
    bytes: &mut Bytes<R>,
    start: u64,
    length: u64,
    width: u16,
    valid: u16,
    big_endian: bool,
) -> Result<Evidence, Fault> {
    let mut evidence = Evidence::default();
    let step = BLOCK_BYTES - BLOCK_BYTES % usize::from(width);
    let mut buffer = vec![0; step];
    let mut done = 0;
    while done < length && evidence != (Evidence { low_used: true, high_used: true }) {
        let want = usize::try_from(length - done).unwrap_or(step).min(step);
        let block = buffer.get_mut(..want).unwrap_or_default();
        let got = bytes.read_at(start + done, block).map_err(|error| Fault::io(&error))?;
        if got == 0 {
            break;
        }
        for sample in block.get(..got).unwrap_or_default().chunks_exact(usize::from(width)) {
            let code = sample.iter().enumerate().fold(0u32, |code, (k, &byte)| {
                let place = if big_endian { usize::from(width) - 1 - k } else { k };
                code | u32::from(byte) << (8 * place)
            });
            let spare = u32::from(width) * 8 - u32::from(valid);
            let above = code >> valid;
            let only_sign = above == 0 || (above == (1 << spare) - 1 && code >> (valid - 1) & 1 == 1);
            evidence.low_used |= code & ((1 << spare) - 1) != 0;
            evidence.high_used |= !only_sign;
        }
        done += got as u64;
    }
    Ok(evidence)
}

fn taken_from(end: &str, extensible: bool, valid: u16, container: u16) -> Finding {
    let header = if extensible { "under an extensible header" } else { "without an extensible header" };
    let part = if valid.is_multiple_of(8) {
        format!("{end} {} bytes", valid / 8)
    } else {
        format!("{end} {valid} bits")
    };
    Finding::new(
        "code_position_by_samples",
        Severity::Limit,
        format!("{valid} bits in {}-byte containers {header}: samples taken from the {part}", container / 8),
        "header and recorders disagree about the place; the choice rests on the samples alone, and a wrong one would put the level far out",
        "compare the level with what the recorder showed; export as packed 24-bit or 32-bit float to be sure",
    )
}

fn few_bits(valid: u16, container: u16) -> Finding {
    Finding::new(
        "few_bits",
        Severity::Note,
        format!("{valid} significant bits in {container}"),
        format!(
            "the noise floor is that of {valid} bits, about {:.0} dB under full scale",
            6.02 * f64::from(valid) + 1.76
        ),
        "record with 24 bits where the recorder can",
    )
}
