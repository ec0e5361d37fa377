//! The pad from the interface's output to the amp's input, for a wanted drive.

use super::rig::parallel_ohms;
use super::series::Series;
use crate::finding::{Finding, Severity};
use crate::units::{db, from_db};

/// What the pad is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveTask {
    /// Volts RMS of a full-scale sine at the interface's output, unloaded.
    pub output_volts: f64,
    /// The output's own impedance.
    pub output_ohms: f64,
    /// Wanted volts RMS at the amp's input for the programme's top.
    pub drive_volts: f64,
    /// Peak of the programme's top re full scale.
    pub top_dbfs: f64,
    /// The amp's input impedance.
    pub amp_ohms: f64,
    /// Resistor values to choose from.
    pub series: Series,
}

/// One pad for the drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveDesign {
    /// From the interface's output.
    pub top_ohms: f64,
    /// From the amp's input to ground.
    pub bottom_ohms: f64,
    /// Volts RMS at the amp's input of a full-scale sine: `output_full_scale_volts`.
    pub full_scale_volts: f64,
    /// Volts RMS at the amp's input at the programme's top.
    pub drive_volts: f64,
    /// That, re the drive that was wanted.
    pub off_db: f64,
    /// What the interface's output has to feed.
    pub output_sees_ohms: f64,
    /// Resistance that the amp's input sees: the lower, the less noise and hum.
    pub source_ohms: f64,
    /// Heat in the top resistor at full scale.
    pub top_watts: f64,
}

/// Line outputs are content with this; less loads them down (common practice).
const LEAST_LOAD_OHMS: f64 = 600.0;
/// And with this many times their own impedance (common practice).
const LEAST_LOAD_TIMES: f64 = 10.0;
/// A source of more than this adds noise and lets the amp's grid current bend the drive: a
/// clipping grid draws some 0.1 mA, here 0.1 V (common practice, no source).
const MOST_SOURCE_OHMS: f64 = 1000.0;
/// Where no pad keeps both rules: an output that feeds this many times its own impedance still gives half of its volts, …
const COMPROMISE_LOAD_TIMES: f64 = 2.0;
/// … and from this source a clipping grid bends the drive by half a volt: no pad is better then.
const COMPROMISE_SOURCE_OHMS: f64 = 4700.0;

/// Up to three pads, the nearest to the wanted drive and the quietest first; empty if the output
/// can't give so much or the values are no numbers. Where no pad keeps the rules of load and source, those that come
/// nearest; [`compromise`] says so.
#[must_use]
pub fn design(task: &DriveTask) -> Vec<DriveDesign> {
    let kept = within(task, LEAST_LOAD_TIMES, MOST_SOURCE_OHMS);
    if kept.is_empty() { within(task, COMPROMISE_LOAD_TIMES, COMPROMISE_SOURCE_OHMS) } else { kept }
}

/// Whether the output has the wanted drive to give, into nothing but the amp.
#[must_use]
pub fn has_enough(task: &DriveTask) -> bool {
    let share = task.amp_ohms / (task.amp_ohms + task.output_ohms);
    task.output_volts * from_db(task.top_dbfs) * share >= task.drive_volts
}

/// Which rule the best pad breaks, if it does.
#[must_use]
pub fn compromise(task: &DriveTask, design: &DriveDesign) -> Option<Finding> {
    let finding = |saw: String, effect: &str| {
        let advice = "an output of lower impedance, or more volts through more pad, would serve better";
        Some(Finding::new("pad_compromise", Severity::Note, saw, effect, advice))
    };
    if design.source_ohms > MOST_SOURCE_OHMS {
        let saw =
            format!("the amp sees {:.0} ohms through the pad, over {MOST_SOURCE_OHMS}", design.source_ohms);
        return finding(saw, "the amp's grid current bends the drive where it clips, and noise and hum grow");
    }
    let times = design.output_sees_ohms / task.output_ohms;
    (times < LEAST_LOAD_TIMES).then_some(())?;
    let saw = format!("the interface's output feeds only {times:.1} times its own impedance");
    finding(saw, "its volts depend on what it feeds: calibrate the output with pad and amp connected")
}

fn within(task: &DriveTask, least_times: f64, most_source_ohms: f64) -> Vec<DriveDesign> {
    let sane = [task.output_volts, task.drive_volts, task.amp_ohms];
    if sane.iter().any(|v| !(v.is_finite() && *v > 0.0))
        || !(task.output_ohms.is_finite() && task.output_ohms >= 0.0 && task.top_dbfs.is_finite())
    {
        return Vec::new();
    }
    let wanted_ratio = task.drive_volts / (task.output_volts * from_db(task.top_dbfs));
    let mut candidates: Vec<(f64, DriveDesign)> = Vec::new();
    for bottom_ohms in task.series.between(10.0, 10_000.0) {
        let shunt = parallel_ohms(bottom_ohms, Some(task.amp_ohms));
        let top_ideal = shunt * (1.0 / wanted_ratio - 1.0) - task.output_ohms;
        let Some(top_ohms) = task.series.nearest(top_ideal) else { continue };
        let design = consequences(task, top_ohms, bottom_ohms);
        let loads = design.output_sees_ohms < LEAST_LOAD_OHMS.max(least_times * task.output_ohms);
        if loads || design.source_ohms > most_source_ohms {
            continue;
        }
        // Half a decibel off and three times the source resistance weigh the same.
        let cost = design.off_db.abs() / 0.5 + (design.source_ohms / 100.0).max(1.0).ln() / 3f64.ln();
        candidates.push((cost, design));
    }
    candidates.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Alternatives worth the name differ much; where there are none such, little.
    let mut chosen: Vec<DriveDesign> = Vec::new();
    for apart in [1.8, 1.3, 1.01] {
        for (_, design) in &candidates {
            let ratio = |c: &DriveDesign| design.bottom_ohms / c.bottom_ohms;
            let other = |c: &DriveDesign| ratio(c).max(1.0 / ratio(c)) > apart;
            if chosen.len() < if apart > 1.5 { 3 } else { 2 } && chosen.iter().all(other) {
                chosen.push(*design);
            }
        }
    }
    chosen
}

/// Everything that follows from a pair of resistors.
#[must_use]
pub fn consequences(task: &DriveTask, top_ohms: f64, bottom_ohms: f64) -> DriveDesign {
    let shunt = parallel_ohms(bottom_ohms, Some(task.amp_ohms));
    let in_all = task.output_ohms + top_ohms + shunt;
    let full_scale_volts = task.output_volts * shunt / in_all;
    let drive_volts = full_scale_volts * from_db(task.top_dbfs);
    DriveDesign {
        top_ohms,
        bottom_ohms,
        full_scale_volts,
        drive_volts,
        off_db: db(drive_volts / task.drive_volts),
        output_sees_ohms: top_ohms + shunt,
        source_ohms: parallel_ohms(bottom_ohms, Some(top_ohms + task.output_ohms)),
        top_watts: (task.output_volts / in_all).powi(2) * top_ohms,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_pad_by_hand() {
        let task = DriveTask {
            output_volts: 10.0,
            output_ohms: 100.0,
            drive_volts: 0.1,
            top_dbfs: 0.0,
            amp_ohms: 1e6,
            series: Series::E24,
        };
        // 100 ohms beside 1M is 99.990001; over 100 + 9900 + 99.990001 that is 0.0990002 V.
        let d = consequences(&task, 9900.0, 100.0);
        approx::assert_relative_eq!(
            d.full_scale_volts,
            10.0 * 99.990_001 / 10_099.990_001,
            max_relative = 1e-8
        );
        approx::assert_relative_eq!(d.off_db, db(0.990_001), max_relative = 1e-3);
        // 100 ohms beside 10k.
        approx::assert_relative_eq!(d.source_ohms, 99.009_901, max_relative = 1e-8);
    }

    #[test]
    fn more_than_the_output_gives_is_refused() {
        let task = DriveTask {
            output_volts: 1.0,
            output_ohms: 100.0,
            drive_volts: 1.0,
            top_dbfs: -1.0,
            amp_ohms: 1e6,
            series: Series::E24,
        };
        assert_eq!(design(&task), []);
        assert_eq!(design(&DriveTask { drive_volts: f64::NAN, ..task }), []);
    }

    /// Outputs of 600 ohms and 1 kilohm, as some give: possible, if not well.
    #[test]
    fn a_hard_task_gets_a_compromise_that_says_so() {
        let task = |output_volts, output_ohms, drive_volts| DriveTask {
            output_volts,
            output_ohms,
            drive_volts,
            top_dbfs: -1.0,
            amp_ohms: 1e6,
            series: Series::E24,
        };
        for hard in [task(2.449, 1000.0, 0.3), task(1.228, 600.0, 0.3), task(12.28, 1000.0, 1.2)] {
            let designs = design(&hard);
            assert!(designs.len() > 1, "{hard:?}: {designs:?}");
            assert!(has_enough(&hard) && designs[0].off_db.abs() < 0.63, "{designs:?}");
            assert_eq!(compromise(&hard, &designs[0]).unwrap().code, "pad_compromise");
        }
        let usual = task(2.449, 100.0, 0.2);
        assert_eq!(compromise(&usual, &design(&usual)[0]), None);
        assert!(!has_enough(&task(1.0, 100.0, 1.0)));
    }

    proptest! {
        /// Every drive of design §12 (20 mV to 1 V) is met within the steps of E24 from usual outputs.
        #[test]
        fn the_wanted_drive_is_met(drive in 0.02f64..1.0, output in 1.5f64..12.0, ohms in 10.0f64..300.0) {
            prop_assume!(drive < 0.4 * output);
            let task = DriveTask {
                output_volts: output, output_ohms: ohms, drive_volts: drive,
                top_dbfs: -1.0, amp_ohms: 1e6, series: Series::E24,
            };
            let designs = design(&task);
            prop_assert!(!designs.is_empty());
            for d in &designs {
                // The widest gap of E24 is from 13 to 15: half of it is 0.62 dB.
                prop_assert!(d.off_db.abs() < 0.63, "{:?}", d);
                prop_assert!(d.output_sees_ohms >= 600.0 && d.source_ohms <= 1000.0);
            }
        }
    }
}
