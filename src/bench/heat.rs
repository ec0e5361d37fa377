//! Heat of a programme in the load, before anybody plays it.
//!
//! Every segment's mean square re a sine at the programme's top is known from the plan; the amp
//! turns it into watts up to where it clips. The worst that it can do is a fully squared wave:
//! twice the power of its largest sine (reference §1).

use crate::finding::{Finding, Severity};
use crate::signals::{Plan, Signal};
use crate::units::from_db;

/// Heat of a plan in the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heat {
    /// Over the whole programme, watts.
    pub average_watts: f64,
    /// Over the hottest stretch of [`STRETCH_SECONDS`], watts.
    pub hottest_watts: f64,
    /// The most at any moment (over a cycle), watts.
    pub peak_watts: f64,
    /// Length of the programme.
    pub seconds: f64,
}

/// A wire-wound resistor on a heatsink follows its power within about this (common practice, no source).
pub const STRETCH_SECONDS: f64 = 10.0;

/// How hard the amp is driven.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    /// Its largest sine into the load, just unclipped.
    pub amp_watts: f64,
    /// Drive at which that is reached, dB re the programme's top: −15 to −5 after a level check.
    pub clips_at_db: f64,
}

impl Drive {
    /// When nothing is known: the amp clips 15 dB below top, the hottest of what is aimed at (design §12).
    #[must_use]
    pub fn worst_aimed_at(amp_watts: f64) -> Self {
        Self { amp_watts, clips_at_db: -15.0 }
    }

    /// Watts that a tone of this level (dB re top) makes; squared well above clipping.
    ///
    /// Between the largest sine and twice that: a hard clipper's power at this overdrive (reference
    /// §1), which an amp with sag stays under.
    #[must_use]
    pub fn watts(&self, level_db: f64) -> f64 {
        let over = from_db(level_db - self.clips_at_db);
        if over <= 1.0 {
            return self.amp_watts * over * over;
        }
        // y = clip(sin, c) with c = 1/over; its mean square re that of a sine of peak c.
        let c = 1.0 / over;
        let alpha = c.asin();
        let mean_square = 2.0 / std::f64::consts::PI
            * (alpha / 2.0 - (2.0 * alpha).sin() / 4.0 + c * c * (std::f64::consts::FRAC_PI_2 - alpha));
        self.amp_watts * mean_square / (c * c / 2.0)
    }
}

/// The level of a plan's signal over time: stretches of seconds and dB re top.
fn stretches(plan: &Plan) -> Vec<(f64, f64, f64)> {
    let mut all = Vec::new();
    for segment in &plan.segments {
        let mut at = segment.start_seconds;
        let end = segment.start_seconds + segment.length_seconds;
        let mut add = |seconds: f64, level_db: f64| {
            let seconds = seconds.min(end - at).max(0.0);
            all.push((at, seconds, level_db));
            at += seconds;
        };
        match &segment.signal {
            Signal::Quiet {} => {}
            Signal::Tone { level_db, .. } => add(segment.length_seconds, *level_db),
            Signal::Ladder { step_seconds, levels_db, .. } => {
                levels_db.iter().for_each(|level| add(*step_seconds, *level));
            }
            Signal::Sweep { growth_seconds, start_hz, end_hz, level_db, .. } => {
                add(growth_seconds * (end_hz / start_hz).ln(), *level_db);
            }
            // Two tones whose peaks add up to the level: no hotter than one tone of it.
            Signal::Pair { level_db, tone_seconds, .. } => add(*tone_seconds, *level_db),
            Signal::Burst { low_db, high_db, before_seconds, high_seconds, after_seconds, times, .. } => {
                for _ in 0..*times {
                    add(*before_seconds, *low_db);
                    add(*high_seconds, *high_db);
                    add(*after_seconds, *low_db);
                }
            }
            Signal::Rise { from_db, to_db, .. } => {
                // A hundred steps: within 0.5 dB of the steady rise.
                let step = segment.length_seconds / 100.0;
                (0..100).for_each(|k| add(step, from_db + (to_db - from_db) * (f64::from(k) + 1.0) / 100.0));
            }
        }
    }
    all
}

/// Heat of this plan through this amp into its load.
#[must_use]
pub fn of_plan(plan: &Plan, drive: &Drive) -> Heat {
    let powers: Vec<(f64, f64, f64)> =
        stretches(plan).into_iter().map(|(at, seconds, level)| (at, seconds, drive.watts(level))).collect();
    let joules: f64 = powers.iter().map(|(_, seconds, watts)| seconds * watts).sum();
    let within = |from: f64| -> f64 {
        let to = from + STRETCH_SECONDS;
        powers
            .iter()
            .map(|(at, seconds, watts)| (to.min(at + seconds) - from.max(*at)).max(0.0) * watts)
            .sum()
    };
    // The hottest window begins or ends where a stretch does.
    let starts = powers.iter().flat_map(|(at, seconds, _)| [*at, at + seconds - STRETCH_SECONDS]);
    let hottest = starts.map(within).fold(0.0, f64::max) / STRETCH_SECONDS;
    Heat {
        average_watts: joules / plan.length_seconds.max(f64::MIN_POSITIVE),
        hottest_watts: hottest,
        peak_watts: powers.iter().map(|(_, _, watts)| *watts).fold(0.0, f64::max),
        seconds: plan.length_seconds,
    }
}

impl Heat {
    /// The numbers in words.
    #[must_use]
    pub fn words(&self) -> String {
        format!(
            "this programme puts up to {:.1} W into the load on average over its {:.0} s, {:.1} W in its \
             hottest {STRETCH_SECONDS:.0} s, {:.1} W at most",
            self.average_watts, self.seconds, self.hottest_watts, self.peak_watts
        )
    }
}

/// What the load's rating means for this heat; empty where it has room.
#[must_use]
pub fn warnings(heat: &Heat, load_watts: Option<f64>) -> Vec<Finding> {
    let numbers = heat.words();
    let Some(rating) = load_watts else {
        return vec![Finding::new(
            "load_rating_unknown",
            Severity::Note,
            format!("{numbers}; bench.toml does not say what the load may take"),
            "an overheated load changes its value, burns, or opens, and an open load destroys the amp",
            "write load_watts under [rig]",
        )];
    };
    let (code, severity, how) = if heat.hottest_watts > rating {
        ("load_overheats", Severity::Limit, "more than")
    } else if heat.peak_watts > rating {
        ("load_peaks_over_rating", Severity::Limit, "at its peaks more than")
    } else if heat.peak_watts > rating / 2.0 {
        ("load_runs_hot", Severity::Note, "at its peaks over half of")
    } else {
        return Vec::new();
    };
    let saw = format!("{numbers}: {how} its {rating} W");
    let (effect, advice) = if severity == Severity::Note {
        let cool = (2.0 * heat.peak_watts).ceil();
        (
            "it bears that, but its value drifts as it heats, and watts with it",
            format!("let it cool between takes; one rated {cool} W or more would stay at half of its rating"),
        )
    } else {
        (
            "the load's value drifts as it heats, and watts with it; it may burn or open",
            "use a load rated at twice the amp's power or more, let it cool between takes".to_owned(),
        )
    };
    vec![Finding::new(code, severity, saw, effect, advice)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signals::{Choices, Segment};

    fn plan(signal: Signal, length_seconds: f64) -> Plan {
        let mut plan = Plan::programme(&Choices::default());
        plan.segments = vec![Segment { id: "only".to_owned(), start_seconds: 0.0, length_seconds, signal }];
        plan.length_seconds = length_seconds;
        plan
    }

    #[test]
    fn a_hard_clippers_power_is_that_of_the_reference() {
        let drive = Drive { amp_watts: 1.0, clips_at_db: 0.0 };
        // Reference §1, clip thresholds: overdrive dB and power ratio.
        for (over_db, ratio) in [(0.251_261, 1.047_506), (2.173_141, 1.287_762), (2.004_254, 1.270_985)] {
            approx::assert_relative_eq!(drive.watts(over_db), ratio, max_relative = 2e-6);
        }
        approx::assert_relative_eq!(drive.watts(-10.0), 0.1, max_relative = 1e-12);
        approx::assert_relative_eq!(drive.watts(120.0), 2.0, max_relative = 1e-4);
        let steps: Vec<f64> = (-60..60).map(|db| drive.watts(f64::from(db))).collect();
        assert!(steps.windows(2).all(|w| w[0] <= w[1]) && steps.iter().all(|w| w.is_finite()));
    }

    #[test]
    fn average_and_peak_of_simple_plans() {
        let drive = Drive { amp_watts: 5.0, clips_at_db: 0.0 };
        let tone = plan(Signal::Tone { frequency_hz: 1010.0, level_db: 0.0 }, 20.0);
        let heat = of_plan(&tone, &drive);
        for watts in [heat.average_watts, heat.hottest_watts, heat.peak_watts] {
            approx::assert_relative_eq!(watts, 5.0, max_relative = 1e-12);
        }
        // One second in three at the top, the rest at −20 dB: (5 + 2·0.05)/3.
        let burst = Signal::Burst {
            frequency_hz: 1010.0,
            low_db: -20.0,
            high_db: 0.0,
            before_seconds: 1.0,
            high_seconds: 1.0,
            after_seconds: 1.0,
            times: 4,
        };
        let heat = of_plan(&plan(burst, 12.0), &drive);
        approx::assert_relative_eq!(heat.average_watts, 1.7, max_relative = 1e-12);
        // The hottest 10 s hold all four bursts: 4·5 + 6·0.05 joules.
        approx::assert_relative_eq!(heat.hottest_watts, 2.03, max_relative = 1e-12);
        assert_eq!(of_plan(&plan(Signal::Quiet {}, 5.0), &drive).average_watts, 0.0);
    }

    #[test]
    fn the_programme_of_a_squared_amp() {
        let programme = Plan::programme(&Choices::default());
        let heat = of_plan(&programme, &Drive::worst_aimed_at(5.0));
        assert!(heat.average_watts < heat.hottest_watts && heat.hottest_watts <= heat.peak_watts);
        // 15 dB over a hard clipper's threshold: 1.8486 times its largest sine (reference §1, mean square at c = 0.17783).
        approx::assert_relative_eq!(heat.peak_watts, 5.0 * 1.848_57, max_relative = 1e-5);
    }

    #[test]
    fn each_warning_has_its_cause() {
        let heat = Heat { average_watts: 3.0, hottest_watts: 8.0, peak_watts: 10.0, seconds: 110.0 };
        let code = |rating| warnings(&heat, rating).first().map(|f| f.code.clone());
        assert_eq!(code(None).as_deref(), Some("load_rating_unknown"));
        assert_eq!(code(Some(5.0)).as_deref(), Some("load_overheats"));
        assert_eq!(code(Some(9.0)).as_deref(), Some("load_peaks_over_rating"));
        assert_eq!(code(Some(15.0)).as_deref(), Some("load_runs_hot"));
        assert_eq!(code(Some(20.0)), None);
        // Rated as the advice for too small a load says, nothing is advised against.
        let hot = warnings(&heat, Some(10.0)).remove(0);
        assert_eq!((hot.code.as_str(), hot.severity), ("load_runs_hot", Severity::Note));
        assert!(hot.advice.contains("20 W or more") && !hot.advice.contains("twice"), "{}", hot.advice);
    }
}
