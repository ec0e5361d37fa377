//! Samples cut at the wrong bytes, or read in the wrong order, sound like noise at full level; read
//! another way they are a signal again.

use std::io::{Read, Seek};

use super::Bytes;
use super::coding::Coding;
use super::fmt::Format;
use crate::finding::{Finding, Severity};
use crate::takes::source::Fault;

/// Frames looked at.
const FRAMES: u64 = 8192;
/// Mean square of the steps from frame to frame, re that of the samples: 2 for white noise, under 1
/// for any signal whose power lies below a sixth of the rate.
const NOISY: f64 = 1.0;
/// How much smoother another reading must be.
const SMOOTHER: f64 = 0.1;
/// Mean square under which noise is only noise (−12 dBFS): misread bytes fill the whole range.
const LOUD: f64 = 0.03;

/// Looks at the middle of the file.
pub(super) fn look<R: Read + Seek>(
    bytes: &mut Bytes<R>,
    format: &Format,
    data_start: u64,
    frames: u64,
) -> Result<Option<Finding>, Fault> {
    let Coding::Integer { bytes: width, big_endian, .. } = format.coding else { return Ok(None) };
    let looked = frames.min(FRAMES);
    let block = u64::from(format.block_bytes);
    let start = data_start + (frames - looked) / 2 * block;
    let mut raw = vec![0; usize::try_from(looked * block).unwrap_or(0)];
    let got = bytes.read_at(start, &mut raw).map_err(|error| Fault::io(&error))?;
    raw.truncate(got);
    let channels = usize::from(format.channels);
    let mut samples = Vec::new();
    let mut judge = |coding: Coding, offset: usize| {
        samples.clear();
        coding.decode(raw.get(offset..).unwrap_or_default(), &mut samples);
        let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64;
        let steps: f64 =
            samples.iter().zip(samples.iter().skip(channels)).map(|(a, b)| (b - a).powi(2)).sum();
        let steps = steps / samples.len().saturating_sub(channels).max(1) as f64;
        (power, if power > 0.0 { steps / power } else { f64::INFINITY })
    };
    let (power, roughness) = judge(format.coding, 0);
    if power < LOUD || roughness < NOISY {
        return Ok(None);
    }
    let Coding::Integer { shift, keep, .. } = format.coding else { return Ok(None) };
    let turned = Coding::Integer { bytes: width, big_endian: !big_endian, shift, keep };
    // The order within a sample first, then cuts at other bytes; the smoothest reading is the true one.
    let others = std::iter::once((turned, 0)).chain((1..usize::from(width)).map(|k| (format.coding, k)));
    let tried = others.map(|(coding, offset)| (judge(coding, offset).1, offset));
    let Some((smoothest, offset)) = tried.min_by(|a, b| a.0.total_cmp(&b.0)) else { return Ok(None) };
    if smoothest > roughness * SMOOTHER {
        return Ok(None);
    }
    let how = match offset {
        0 => "with the bytes of each sample in the other order they would be smooth".to_owned(),
        1 => "cut 1 byte later they would be smooth".to_owned(),
        _ => format!("cut {offset} bytes later they would be smooth"),
    };
    Ok(Some(Finding::new(
        "misaligned",
        Severity::Redo,
        format!("the samples look misaligned: they are noise at full level, but {how}"),
        "nothing can be measured: what is read is not what was recorded",
        "copy the file again from the recorder, or record again",
    )))
}
