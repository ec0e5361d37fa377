//! Loudness after ITU-R BS.1770 (integrated, gated), through the crate `ebur128`, and the gains that make it equal.

use ebur128::{EbuR128, Mode};

/// Loudness of both files of a pair, LUFS: the programme level of EBU R 128, which leaves 20 dB and more to full scale.
pub const TARGET_LUFS: f64 = -23.0;
/// No sample may lie higher, dB re full scale.
pub const MOST_PEAK_DB: f64 = -3.0;
/// How near to each other the two must lie, in LU.
pub const WITHIN_LU: f64 = 0.1;

/// Integrated loudness of one channel in LUFS; `None` for silence (nothing over the gate at −70 LUFS), for
/// less than a block of 0.4 s, and for rates that the crate refuses.
#[must_use]
pub fn integrated(samples: &[f32], rate_hz: u32) -> Option<f64> {
    let mut meter = EbuR128::new(1, rate_hz, Mode::I).ok()?;
    meter.add_frames_f32(samples).ok()?;
    meter.loudness_global().ok().filter(|l| l.is_finite())
}

/// Gains in dB that bring both to one loudness: [`TARGET_LUFS`], or lower where a peak would pass [`MOST_PEAK_DB`].
///
/// Peaks are never limited: the lower loudness is then given to both. `peaks` are the largest absolute samples.
#[must_use]
pub fn gains(loudness: [f64; 2], peaks: [f64; 2]) -> [f64; 2] {
    let wanted = loudness.map(|l| TARGET_LUFS - l);
    let room = [0, 1].map(|i| MOST_PEAK_DB - 20.0 * peaks[i].max(1e-9).log10() - wanted[i]);
    let back = room[0].min(room[1]).min(0.0);
    wanted.map(|gain| gain + back)
}
