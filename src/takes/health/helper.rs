//! What a helper tells of a recorder: the drive recorded beside the amp, or a loopback at the level of the takes.
//! Neither went through the amp, so whatever changes with level in it is the recorder's doing.

use crate::finding::{Finding, Severity};
use crate::measure::ladder;
use crate::measure::sweep::Arrival;
use crate::measure::{self, Plans};
use crate::takes::{Scale, Take};
use crate::units::{self, DB_PER_CHANGE};

use super::{programme, spectrum};

/// Gain of a recorder that moves by less than this over the ladder, beyond its noise, is steady: converters keep
/// theirs ten times better (from memory), and a course that is extrapolated, such as a sag, makes 0.1 dB of it.
const STEADY_DB: f64 = 0.01;
/// A gain that moves by more than this moves figures that stand at once for their level (0.1 dB).
const RIDES_DB: f64 = 0.1;
/// Errors of a step's gain that count, in standard deviations.
const SIGMAS: f64 = 4.0;
/// Distortion of an interface from which it spoils an amp's (%): a tenth of the least THD limit that is quoted.
const OVERLOADED_PERCENT: f64 = 0.1;
/// And from which it does where it comes steeply: 1 % of a THD of 1.5 %.
const STEEP_PERCENT: f64 = 0.015;
/// Steeply: this many times what it is 6 dB below. A square law gives 2, a cube 4, clipping more.
const STEEP: f64 = 2.5;
/// More than this is no interface but an amp (%).
const AMP_PERCENT: f64 = 10.0;
/// Noise that is this much more under quiet tones than in the silence, in power: 0.2 dB, four times the scatter of
/// the short programme.
const OPENS: f64 = 1.047;
/// Tones that are quiet: converters have more noise under loud ones (dB re top).
const QUIET_DB: f64 = -10.0;
/// Steps that must be known.
const LEAST_STEPS: usize = 6;

/// A step of the helper's ladder: drive and gain in dB, distortion and its floor in per cent.
struct Step {
    drive_db: f64,
    gain_db: f64,
    thd: f64,
    floor: f64,
}

impl Step {
    /// Standard deviation of its gain by its noise, at most.
    fn error_db(&self) -> f64 {
        DB_PER_CHANGE * self.floor / 100.0
    }
}

/// The rising ladder of a helper's take, where enough of it is known.
pub struct Rising {
    steps: Vec<Step>,
    /// Noise under quiet tones over that of the silence, in power, if it is known.
    opened: Option<f64>,
    /// What was played arriving a second time.
    second: Option<Arrival>,
    /// The sign that its markers came back with.
    polarity: i8,
}

impl Rising {
    /// Measures it; `None` if too few steps stand clear of the noise.
    #[must_use]
    pub fn of(take: &Take, plans: &mut Plans) -> Option<Self> {
        let rising = measure::steps_of(take, "ladder_up", &[], plans);
        let curve = ladder::ladder_curve(&rising, &Scale::default());
        let column = |name: &str| curve.column(name);
        let (drive, gain) = (column("drive")?, column("gain")?);
        let (thd, floor) = (column("thd")?, column("thd_floor")?);
        let step = |k: usize| {
            let floor = floor[k].filter(|floor| *floor < 1.0)?;
            Some(Step { drive_db: drive[k]?, gain_db: gain[k]?, thd: thd[k].unwrap_or(0.0), floor })
        };
        let steps: Vec<Step> = (0..drive.len()).filter_map(step).collect();
        let noise = spectrum::noise_played_and_silent(take, |level_db, _| level_db <= QUIET_DB, plans);
        let opened = noise.filter(|(_, silent)| *silent > 0.0).map(|(playing, silent)| playing / silent);
        let second = programme::second_arrival(take, plans);
        let is_known = steps.len() >= LEAST_STEPS;
        is_known.then_some(Self { steps, opened, second, polarity: take.polarity })
    }

    /// Whether it looks like the drive itself: hardly any distortion.
    #[must_use]
    pub fn is_drive(&self) -> bool {
        self.steps.iter().all(|s| s.thd < 0.5)
    }

    /// Whether this step distorts by more than an amp's figures bear.
    fn is_overloaded(&self, step: &Step) -> bool {
        let below = |s: &&Step| s.drive_db < step.drive_db - 5.5;
        let below = self.steps.iter().filter(below).max_by(|a, b| a.drive_db.total_cmp(&b.drive_db));
        let is_steep = below.is_some_and(|below| step.thd > STEEP * below.thd.max(below.floor));
        step.thd > OVERLOADED_PERCENT || (step.thd > STEEP_PERCENT && is_steep)
    }

    /// Judges it; `name` says what it is: "the drive on channel 2", "the loopback".
    #[must_use]
    pub fn judge(&self, name: &str) -> Vec<Finding> {
        let steps = &self.steps;
        if steps.iter().any(|s| s.thd > AMP_PERCENT) {
            return Vec::new();
        }
        let mut findings = Vec::new();
        if self.polarity < 0 {
            findings.push(Finding::new(
            "channel_inverted",
            Severity::Limit,
            format!("{name} comes back upside down: interface or cable turns the sign"),
            "which half of the wave clips first is told the wrong way round for every take through it",
            "use a cable that does not turn the sign, or switch the channel's polarity off; then record again",
        ));
        }
        // The ladder's gain, low and high, as far as the noise of its steps lets it be known.
        let (low, high) = steps.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), step| {
            let error = SIGMAS * step.error_db();
            (f64::min(low, step.gain_db + error), f64::max(high, step.gain_db - error))
        });
        // A cubic stage that loses a gain of x distorts by x/3 (closed form); a gain control distorts by none of it.
        let owed = 100.0 * (1.0 - 10f64.powf((low - high) / 20.0)) / 3.0;
        let worst = steps.iter().filter(|s| s.thd > 2.0 * s.floor).max_by(|a, b| a.thd.total_cmp(&b.thd));
        let most = worst.map_or(0.0, |s| s.thd);
        if high - low > STEADY_DB && most < 0.4 * owed {
            findings.push(
            Finding::new(
                "gain_rides",
                if high - low > RIDES_DB { Severity::Redo } else { Severity::Limit },
                format!(
                    "the gain of {name} moves by {:.3} dB over the ladder while it distorts by {most:.3} % at most: \
                     an automatic gain or a limiter works in recorder, system or interface",
                    high - low
                ),
                "headroom, compression and power are those of the gain control, not of the amp",
                "switch off automatic gain, limiter, gate and noise reduction, and record again",
            )
            .in_segment("ladder_up"),
        );
        } else if let Some(step) = worst.filter(|s| self.is_overloaded(s)) {
            findings.push(
            Finding::new(
                "interface_overloaded",
                Severity::Limit,
                format!(
                    "{name} distorts by {:.3} % at {:.0} dB of drive without any amp in between",
                    step.thd, step.drive_db
                ),
                "at that level the interface's input or output adds its own distortion and compression to the amp's",
                "use a larger pad or turn the interface's input and output down, then record again",
            )
            .in_segment("ladder_up"),
        );
        }
        findings.extend(self.opened.filter(|opened| *opened > OPENS).map(|opened| {
            Finding::new(
                "noise_gated",
                Severity::Limit,
                format!(
                    "the noise of {name} is {:.2} dB lower while nothing is played than under quiet tones",
                    units::power_db(opened)
                ),
                "a noise gate or an expander closes in the silence: noise and hum are its own, not the amp's",
                "switch off gate, expander and noise reduction in recorder, player and system, and record again",
            )
        }));
        findings.extend(self.second.map(|arrival| programme::monitored(name, &arrival)));
        findings
    }
}

/// The measured channel holds no programme, another one does.
#[must_use]
pub fn wrong_channel(measured: u32, other: u32) -> Finding {
    Finding::new(
        "wrong_channel",
        Severity::Redo,
        format!("channel {measured} holds no markers of the programme, channel {other} does"),
        "the amp is not measured at all",
        format!("measure channel {other}: --channel {other}, or channel = {other} in bench.toml"),
    )
}
