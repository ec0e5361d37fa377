//! A gain that rides: automatic gain, a limiter, a gate. An amp that gives less gain distorts by it;
//! a gain control does not.

use crate::figure::Curves;
use crate::finding::{Finding, Severity};

/// Loss of gain and the distortion that a memoryless stage has at least when it loses that much.
/// A cubic stage has 4 % at 1 dB, a hard clip 11 % (closed forms); half of the cubic's is asked.
const PAIRS: [(f64, f64); 3] = [(1.0, 2.0), (2.0, 4.0), (4.0, 7.0)];
/// Gain that rises with drive by this much at little distortion: a gate or an expander.
const RISE_DB: f64 = 1.5;
/// Little distortion, %.
const CLEAN_PERCENT: f64 = 2.0;

/// Looks at the rising ladder of a measured take.
#[must_use]
pub fn riding(curves: &Curves) -> Option<Finding> {
    let ladder = curves.get("ladder_up")?;
    let (drive, gain) = (ladder.column("drive")?, ladder.column("gain")?);
    let (thd, floor) = (ladder.column("thd")?, ladder.column("thd_floor")?);
    let steps: Vec<(f64, f64, f64)> = (0..drive.len())
        .filter_map(|k| {
            let distortion = thd[k].unwrap_or(0.0);
            // A step whose distortion is not known to better than a per cent says nothing.
            (floor[k].unwrap_or(0.0) < 1.0).then_some((drive[k]?, gain[k]?, distortion))
        })
        .collect();
    let top = steps.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max);
    let top_at = steps.iter().position(|s| s.1 == top)?;
    let lost = steps.iter().skip(top_at).find(|(_, gain, thd)| {
        PAIRS.iter().any(|&(loss_db, least_percent)| top - gain >= loss_db && *thd < least_percent)
    });
    if let Some((drive, gain, thd)) = lost {
        return Some(finding(
            format!(
                "gain is {:.1} dB down at drive {drive:.1} dB while distortion is only {thd:.2} %",
                top - gain
            ),
            "an automatic gain or a limiter works in recorder, system or interface",
        ));
    }
    let rises =
        steps.iter().take(top_at).find(|(_, gain, thd)| top - gain >= RISE_DB && *thd < CLEAN_PERCENT);
    rises.map(|(drive, gain, _)| {
        finding(
            format!("gain at drive {drive:.1} dB is {:.1} dB below that of louder steps", top - gain),
            "a noise gate or an expander works in recorder, system or interface",
        )
    })
}

fn finding(saw: String, cause: &str) -> Finding {
    Finding::new(
        "gain_rides",
        Severity::Redo,
        format!("{saw}: {cause}"),
        "headroom, compression and power are those of the gain control, not of the amp",
        "switch off automatic gain, limiter, gate and noise reduction, and record again",
    )
    .in_segment("ladder_up")
}

/// A wire: gain the same within this and distortion under that over the whole ladder.
const WIRE_DB: f64 = 0.05;
const WIRE_PERCENT: f64 = 0.05;
/// Steps that must be known that well.
const WIRE_STEPS: usize = 8;

/// Whether what was measured beside another live channel is the drive itself.
#[must_use]
pub fn wire(curves: &Curves, channel: u32) -> Option<Finding> {
    let ladder = curves.get("ladder_up")?;
    let (gain, thd, floor) = (ladder.column("gain")?, ladder.column("thd")?, ladder.column("thd_floor")?);
    let clear: Vec<(f64, f64)> = (0..gain.len())
        .filter(|&k| floor[k].is_some_and(|floor| floor < WIRE_PERCENT))
        .filter_map(|k| Some((gain[k]?, thd[k].unwrap_or(0.0))))
        .collect();
    let (low, high) =
        clear.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| (l.min(c.0), h.max(c.0)));
    if clear.len() < WIRE_STEPS || high - low > WIRE_DB || clear.iter().any(|c| c.1 > WIRE_PERCENT) {
        return None;
    }
    Some(Finding::new(
        "channel_is_drive",
        Severity::Limit,
        format!("channel {channel} holds no distortion at any drive: it looks like the drive itself"),
        "the amp is not measured at all",
        "if the amp is on the other channel, choose that one; this is right for a loopback only",
    ))
}
