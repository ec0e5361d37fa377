//! What is struck out says so: a figure that would have come from there is there without a value, with the reason.

use super::ladder::LeftOut;
use crate::analysis::{Figures, Intermodulation, Strike};
use crate::figure::{Quantity, Unit};
use crate::signals::{Plan, Segment, Signal};

/// Whether this strikes out all of the segment: of a ladder single steps may be, anything else only as a whole.
pub(super) fn whole(segment: &Segment, strike: &Strike) -> bool {
    let in_steps = matches!(segment.signal, Signal::Ladder { .. });
    strike.segment == segment.id && (strike.part.is_none() || !in_steps)
}

/// The steps of a ladder that are struck out one by one.
pub(super) fn steps(plan: &Plan, id: &str, struck: &[Strike]) -> LeftOut {
    let Some(Signal::Ladder { levels_db, .. }) = plan.segment(id).map(|s| &s.signal) else {
        return LeftOut::default();
    };
    let here: Vec<&Strike> = struck.iter().filter(|s| s.segment == id && s.part.is_some()).collect();
    LeftOut {
        drives_db: here.iter().filter_map(|s| levels_db.get(s.part?).copied()).collect(),
        why: here.first().map_or("", |s| s.words()),
    }
}

/// Puts every figure that is not there because its segment is struck out, without a value.
pub(super) fn put(figures: &mut Figures, plan: &Plan, struck: &[Strike]) {
    for segment in &plan.segments {
        let in_part = struck.iter().find(|s| s.segment == segment.id);
        let Some(strike) = struck.iter().find(|s| whole(segment, s)).or(in_part) else { continue };
        let what = if whole(segment, strike) { "is" } else { "is in part" };
        let reason = format!("{} {what} struck out: {}", segment.id.replace('_', " "), strike.words());
        for (name, unit) in names(segment) {
            if figures.get(&name).is_none() {
                figures.set(&name, Quantity::missing(unit, &reason));
            }
        }
        if let Signal::Pair { low_hz, high_hz, level_db, .. } = segment.signal {
            let missing = || Quantity::missing(Unit::Percent, &reason);
            let pair = [low_hz, high_hz];
            let there = |i: &Intermodulation| i.pair == pair && i.level == Some(level_db);
            if !figures.intermodulation.iter().any(there) {
                let (d2, d3, total) = (missing(), missing(), missing());
                figures.intermodulation.push(Intermodulation { pair, level: Some(level_db), d2, d3, total });
            }
        }
    }
}

/// The figures that come from a segment, in the units that they have without a rig.
fn names(segment: &Segment) -> Vec<(String, Unit)> {
    use Unit::{DbFullScale, Decibels, Hertz, Percent, Seconds};
    let fixed: &[(&str, Unit)] = match (&segment.signal, segment.id.as_str()) {
        (Signal::Quiet {}, _) => &[
            ("noise", DbFullScale),
            ("noise_a_weighted", DbFullScale),
            ("noise_468", DbFullScale),
            ("noise_at_input", Unit::Millivolts),
            ("hum_total", DbFullScale),
            ("hum_mains", DbFullScale),
            ("hum_twice_mains", DbFullScale),
            ("mains_frequency", Hertz),
            ("signal_to_noise_1_watt", Decibels),
            ("signal_to_noise_clean_power", Decibels),
        ],
        (Signal::Ladder { .. }, "ladder_up") => return of_the_ladder(),
        (Signal::Ladder { .. }, "ladder_down") => &[("hysteresis", Decibels)],
        (Signal::Sweep { .. }, "sweep_low") => &[
            ("low_corner", Hertz),
            ("high_corner", Hertz),
            ("low_corner_re_peak", Hertz),
            ("high_corner_re_peak", Hertz),
            ("ripple", Decibels),
        ],
        (Signal::Sweep { .. }, _) => &[
            ("power_bandwidth_low", Hertz),
            ("power_bandwidth_high", Hertz),
            ("thd_100_hz", Percent),
            ("thd_5_khz", Percent),
        ],
        (Signal::Pair { .. }, "modulation_high") => &[("modulation_distortion", Percent)],
        (Signal::Pair { .. }, "difference_mid_high") => {
            &[("difference_distortion_2", Percent), ("difference_distortion_3", Percent)]
        }
        (Signal::Pair { .. }, "chord_high") => &[("chord_distortion", Percent)],
        (Signal::Burst { .. }, _) => &[
            ("sag", Decibels),
            ("sag_time", Seconds),
            ("recovery_dip", Decibels),
            ("recovery_time", Seconds),
            ("burst_margin", Decibels),
            ("burst_immediate", DbFullScale),
            ("burst_sustained", DbFullScale),
        ],
        (Signal::Tone { .. }, id) if id.starts_with("reference_") => &[("reference_shift", Decibels)],
        _ => &[],
    };
    fixed.iter().map(|&(name, unit)| (name.to_owned(), unit)).collect()
}

fn of_the_ladder() -> Vec<(String, Unit)> {
    use Unit::{DbFullScale, Decibels, One, Percent, Watts};
    let mut names: Vec<(String, Unit)> = [
        ("cranked_thd", Percent),
        ("cranked_thd_r", Percent),
        ("cranked_thd_n", Percent),
        ("thd_highest_order", One),
        ("gain", Decibels),
        ("onset_span", Decibels),
        ("sensitivity", Decibels),
        ("clip_drive_positive", Decibels),
        ("clip_drive_negative", Decibels),
        ("thd_at_1_watt", Percent),
        ("harmonic_2_at_1_watt", Percent),
        ("harmonic_3_at_1_watt", Percent),
    ]
    .map(|(name, unit)| (name.to_owned(), unit))
    .into();
    let limits = ["thd_1_percent", "thd_3_percent", "thd_5_percent", "thd_10_percent", "1_db_compression"];
    for limit in limits {
        names.push((format!("drive_at_{limit}"), Decibels));
        names.push((format!("output_at_{limit}"), DbFullScale));
    }
    let powers = limits.map(|limit| format!("power_at_{limit}")).into_iter();
    let others = ["cranked_power", "clip_power", "clip_power_positive", "clip_power_negative"];
    for power in powers.chain(others.map(str::to_owned)) {
        names.push((format!("{power}_fundamental"), Watts));
        names.push((power, Watts));
    }
    names
}
