//! Is the loop's ladder straight? A wire gives the same gain at every level; a limiter or an automatic gain does not.

use super::Own;
use crate::finding::{Finding, Severity};

/// Gain may differ by this from its median: converters are straight to a hundredth of a decibel (common practice,
/// no source); noise comes on top, four standard deviations of it.
const STRAIGHT_DB: f64 = 0.05;
const NOISE_SDS: f64 = 4.0;
/// Steps whose noise makes their gain less certain than this say nothing.
const CERTAIN_DB: f64 = 0.02;
/// Fewer steps than this are no ladder.
const LEAST_STEPS: usize = 6;

/// What is not straight.
pub(super) fn inspect(rising: &[Own], falling: &[Own]) -> Vec<Finding> {
    let clear =
        |steps: &[Own]| -> Vec<Own> { steps.iter().filter(|s| s.gain_sd_db < CERTAIN_DB).cloned().collect() };
    let (rising, falling) = (clear(rising), clear(falling));
    if rising.len() < LEAST_STEPS {
        return Vec::new();
    }
    let mut gains: Vec<f64> = rising.iter().map(|s| s.gain_db).collect();
    gains.sort_by(f64::total_cmp);
    let usual = gains[gains.len() / 2];
    let off = |s: &Own| s.gain_db - usual;
    let bent = |s: &&Own| off(s).abs() > STRAIGHT_DB + NOISE_SDS * s.gain_sd_db;
    if let Some(overload) = rising.iter().find(|s| bent(s) && off(s) < 0.0 && distorts(s, usual)) {
        return vec![overloaded(overload, off(overload))];
    }
    let worst = rising.iter().filter(bent).max_by(|a, b| off(a).abs().total_cmp(&off(b).abs()));
    if let Some(worst) = worst {
        let (low, high) = ends(&rising, usual);
        return vec![not_straight(
            format!(
                "the loopback's gain is not the same at all levels: at drive {:.1} dB it is {:+.2} dB from the rest, \
                 with {:.3} % of distortion only",
                worst.drive_db,
                off(worst),
                100.0 * worst.thd
            ),
            cause(low, high),
        )];
    }
    moved(&rising, &falling).into_iter().collect()
}

/// A stage without memory that loses gain distorts: a cubic one, the gentlest, by a third of the loss (H1 = A − ¾a₃A³,
/// H3 = ¼a₃A³: reference §1). Half of that is asked.
fn distorts(step: &Own, usual_db: f64) -> bool {
    let loss = 1.0 - crate::units::from_db(step.gain_db - usual_db);
    step.thd >= loss / (1.0 - loss) / 6.0
}

/// Mean departure of the lowest and of the highest third.
fn ends(steps: &[Own], usual_db: f64) -> (f64, f64) {
    let third = (steps.len() / 3).max(1);
    let mean = |part: &[Own]| part.iter().map(|s| s.gain_db - usual_db).sum::<f64>() / part.len() as f64;
    (mean(&steps[..third]), mean(&steps[steps.len() - third..]))
}

fn cause(low_db: f64, high_db: f64) -> &'static str {
    if low_db < high_db {
        "a noise gate or an expander works in recorder, system or interface"
    } else {
        "a limiter or an automatic gain works in recorder, system or interface"
    }
}

/// The same drive, another gain on the way down: what rides the gain has a memory.
fn moved(rising: &[Own], falling: &[Own]) -> Option<Finding> {
    let moves = falling.iter().filter_map(|down| {
        let up = rising.iter().find(|up| (up.drive_db - down.drive_db).abs() < 1e-6)?;
        let moved = down.gain_db - up.gain_db;
        let limit = STRAIGHT_DB + NOISE_SDS * up.gain_sd_db.hypot(down.gain_sd_db);
        (moved.abs() > limit).then_some((down.drive_db, moved))
    });
    let (drive_db, moved) = moves.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    Some(not_straight(
        format!(
            "the loopback's gain at drive {drive_db:.1} dB is {moved:+.2} dB on the way down from what it was on the \
             way up"
        ),
        "an automatic gain works in recorder, system or interface, or a level was moved",
    ))
}

fn not_straight(saw: String, cause: &str) -> Finding {
    Finding::new(
        "loopback_not_straight",
        Severity::Limit,
        format!("{saw}: {cause}"),
        "it works on the takes as well: headroom, compression and power may be the recorder's, not the amp's",
        "switch off automatic gain, limiter, gate and noise reduction, then record loopback and takes again",
    )
    .in_segment("ladder_up")
}

fn overloaded(step: &Own, off_db: f64) -> Finding {
    Finding::new(
        "loopback_overloaded",
        Severity::Note,
        format!(
            "the loopback overloads: at drive {:.1} dB its gain is {:.2} dB down with {:.1} % of distortion",
            step.drive_db,
            -off_db,
            100.0 * step.thd
        ),
        "from there up its distortion is that of an overload which the takes need not have",
        "record the loopback again at the level of the takes: turn down the input, or use a pad",
    )
    .in_segment("ladder_up")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 60 steps of a wire with this gain and distortion at each drive.
    fn ladder(gain_db: impl Fn(f64) -> f64, thd: impl Fn(f64) -> f64) -> Vec<Own> {
        (0..60)
            .map(|k| {
                let drive_db = f64::from(k) - 59.0;
                let gain_db = gain_db(drive_db);
                Own {
                    drive_db,
                    peak: crate::units::from_db(drive_db + gain_db),
                    gain_db,
                    gain_sd_db: 1e-5 * crate::units::from_db(-drive_db),
                    thd: thd(drive_db),
                    noise: 0.0,
                    harmonics: Vec::new(),
                }
            })
            .collect()
    }

    fn codes(rising: &[Own], falling: &[Own]) -> Vec<String> {
        inspect(rising, falling).into_iter().map(|f| f.code).collect()
    }

    #[test]
    fn a_straight_ladder_raises_nothing() {
        let straight = ladder(|_| -3.0, |_| 2e-5);
        assert_eq!(codes(&straight, &straight), [""; 0]);
        // A hundredth of a decibel of bend is a good converter's.
        let nearly = ladder(|d| -3.0 + 1.5e-4 * d, |_| 2e-5);
        assert_eq!(codes(&nearly, &[]), [""; 0]);
        assert_eq!(codes(&[], &[]), [""; 0]);
    }

    #[test]
    fn a_limiter_a_gate_an_automatic_gain_and_an_overload_are_told_apart() {
        // 2:1 over −12 dB without distortion.
        let limiter = ladder(|d| -(d + 12.0).max(0.0) / 2.0, |_| 2e-5);
        let found = inspect(&limiter, &[]);
        assert!(found[0].code == "loopback_not_straight" && found[0].saw.contains("limiter"), "{found:?}");
        let gate = ladder(|d| -(-40.0 - d).max(0.0), |_| 2e-5);
        assert!(inspect(&gate, &[])[0].saw.contains("gate"));
        // A slow one: up it is still straight, down it is not yet back.
        let (up, down) = (ladder(|_| 0.0, |_| 2e-5), ladder(|_| -0.4, |_| 2e-5));
        assert!(inspect(&up, &down)[0].saw.contains("way down"));
        // A hard clip: 1 % at 0.05 dB, 9.3 % at 1 dB (reference §1).
        let clip = ladder(|d| -(d + 1.0).max(0.0), |d| 0.093 * (d + 1.0).max(0.0) + 2e-5);
        assert_eq!(codes(&clip, &[]), ["loopback_overloaded"]);
    }
}
