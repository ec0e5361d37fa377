//! From a recorded steady tone and a meter's reading to the volts of full scale.

use super::mismatch;
use super::rig::{CalibratedAt, Rig};
use crate::finding::{Finding, Severity};
use crate::measure::Plans;
use crate::measure::plain::{self, Plain};
use crate::measure::reading::{self, ToneReading};
use crate::units::{db, from_db};

/// Accuracy of a plain digital multimeter in its AC range, per cent of reading (common practice, no source).
pub const ASSUMED_METER_PERCENT: f64 = 2.0;
/// Above this an ordinary meter's AC range may read low (issue 4; from memory: many are specified to 400 Hz).
pub const METER_LIMIT_HZ: f64 = 400.0;
/// A tone meant to be at the limit lies over it by its clock and by the noise of its frequency.
const SAME_FREQUENCY: f64 = 1e-3;
/// Nearer than this, hum rules what a meter shows: volts by 5 % and watts by 10 %.
const HUM_RULES_DB: f64 = 10.0;
/// A meter needs a second or so to settle, and what is shorter shows no wander (common practice, no source).
const LEAST_SECONDS: f64 = 2.0;
/// Two readings nearer to each other say nothing of straightness: half the volts, less what a control set by ear
/// is off.
const LEAST_APART_DB: f64 = 5.5;
/// Nearer to a line of the mains than this, hum beats with the tone.
const MAINS_GUARD_HZ: f64 = 5.0;
/// Beyond this distortion an average-reading meter errs by up to a third of it (for a third harmonic).
const MOST_THD: f64 = 0.02;
/// Below this the recording's noise and the meter's last digit take over (common practice, no source).
const LEAST_DBFS: f64 = -45.0;
/// At or above this peak the input was probably clipped.
const CLIPPED_DBFS: f64 = -0.1;
/// A steady tone's level stays within this over the recording.
const MOST_WANDER_DB: f64 = 0.1;
/// Beyond this the meter was read at one of too many levels: an amp that warms up moves by about 0.1 dB (from memory).
const REFUSED_WANDER_DB: f64 = 0.3;
/// Coarser than this the reading's last digit alone costs more than a good meter.
const COARSEST_READING: f64 = 0.01;
/// 95 % of a normal distribution.
const K95: f64 = 1.959_963_984_540_054;

/// What the meter showed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeterReading {
    /// Volts RMS.
    pub volts: f64,
    /// One step of the last digit read.
    pub step_volts: f64,
    /// Accuracy, ± per cent of reading.
    pub percent: f64,
}

impl MeterReading {
    /// From the text as read off the meter: its last digit tells the step. `None` if it is no
    /// plain positive number.
    #[must_use]
    pub fn typed(text: &str, percent: f64) -> Option<Self> {
        let text = text.trim();
        if !text.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
            return None;
        }
        let volts: f64 = text.parse().ok().filter(|v: &f64| v.is_finite() && *v > 0.0)?;
        let decimals = text.split_once('.').map_or(0, |(_, d)| d.len());
        let step_volts = 10f64.powi(-i32::try_from(decimals).ok()?);
        Some(Self { volts, step_volts, percent })
    }

    /// Relative standard uncertainty, per cent: accuracy and last digit, both rectangular.
    fn standard_percent(&self) -> f64 {
        let digit = 100.0 * self.step_volts / 2.0 / self.volts;
        (self.percent / 3f64.sqrt()).hypot(digit / 3f64.sqrt())
    }
}

/// A calibration and what must be known of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Volts RMS of the sine that reads (or is played at) 0 dBFS.
    pub full_scale_volts: f64,
    /// ± per cent with 95 % confidence.
    pub uncertainty_percent: f64,
    /// How two readings at two levels agree; `None` of a single one.
    pub pair: Option<Pair>,
    /// Warnings.
    pub findings: Vec<Finding>,
}

/// Two readings at two levels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Decibels between their levels, by the meter.
    pub apart_db: f64,
    /// Full scale by the second re that by the first.
    pub difference_db: f64,
    /// The difference that last digits and the meter's ranges may make.
    pub allowed_db: f64,
}

impl Pair {
    /// Full scale is the same by both.
    #[must_use]
    pub fn agrees(&self) -> bool {
        self.difference_db.abs() <= self.allowed_db
    }
}

/// Circumstances of a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circumstances {
    /// The meter reads true up to here.
    pub meter_limit_hz: f64,
    /// Mains frequency; `None`: 50 or 60.
    pub mains_hz: Option<f64>,
    /// What full scale should be, from the data sheet or an earlier calibration.
    pub expected_volts: Option<f64>,
}

impl Default for Circumstances {
    fn default() -> Self {
        Self { meter_limit_hz: METER_LIMIT_HZ, mains_hz: None, expected_volts: None }
    }
}

/// Why a calibration could not be worked out.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CalibrateError {
    /// The meter stood across the load and the pad is not known.
    #[error(
        "the meter stood across the load, and bench.toml has no pad: write its resistors under [rig] \
         (their tolerance cancels), or measure at the interface's input and say --at interface; where no pad is \
         used, write pad = {{ divides_by = 1.0, measured_with_interface = true }}"
    )]
    NoPad,
    /// The recording holds no steady tone.
    #[error(
        "no steady tone in it: record calibration-tone.wav, or a steady sine under 400 Hz, for 10 s or more"
    )]
    NoTone,
    /// Two tones where one should be.
    #[error("it holds two tones, {:.1} and {:.1} Hz: play calibration-tone.wav alone, and record again", .0[0], .0[1])]
    TwoTones([f64; 2]),
}

/// The steady tone of a recording; hum beside it is let pass, and told of in its reading.
///
/// # Errors
/// [`CalibrateError::NoTone`], or two tones of which the weaker is no hum.
pub fn read(
    samples: &[f32],
    rate_hz: f64,
    mains_hz: Option<f64>,
    plans: &mut Plans,
) -> Result<ToneReading, CalibrateError> {
    match plain::measure(samples, rate_hz, plans) {
        Plain::Tone(tone) => Ok(reading::of(samples, rate_hz, &tone, plans)),
        Plain::None => Err(CalibrateError::NoTone),
        Plain::TwoTones(omegas) => {
            let is_hum = |hz: f64| on_mains(hz, mains_hz).is_some();
            reading::of_stronger(samples, rate_hz, omegas, plans)
                .filter(|tone| !is_hum(tone.frequency_hz))
                .filter(|tone| tone.beside.is_some_and(|beside| is_hum(beside.frequency_hz)))
                .ok_or(CalibrateError::TwoTones(omegas.map(|omega| omega * rate_hz / std::f64::consts::TAU)))
        }
    }
}

/// Full scale of the interface's input from one reading.
///
/// # Errors
/// [`CalibrateError::NoPad`].
pub fn input(
    rig: &Rig,
    at: CalibratedAt,
    tone: &ToneReading,
    meter: &MeterReading,
    circumstances: &Circumstances,
) -> Result<Calibration, CalibrateError> {
    let ratio = match at {
        CalibratedAt::Interface => 1.0,
        CalibratedAt::Load => rig.pad_ratio().ok_or(CalibrateError::NoPad)?,
    };
    let full_scale_volts = meter.volts * ratio / from_db(tone.level_dbfs);
    let mut findings = of_tone(tone, circumstances);
    findings.extend(of_meter(meter));
    if let Some(expected) = circumstances.expected_volts {
        findings.extend(mismatch::input(rig, at, full_scale_volts, expected));
    }
    // A wandering level: the meter was read at some moment of it.
    let wander = 100.0 * (from_db(tone.wander_db) - 1.0) / 2.0 / 3f64.sqrt();
    // Hum may be at the meter as well, or come in behind it.
    let hum = 100.0 * tone.beside.map_or(0.0, |beside| beside.adds) / 3f64.sqrt();
    let uncertainty_percent = K95 * meter.standard_percent().hypot(wander).hypot(hum);
    Ok(Calibration { full_scale_volts, uncertainty_percent, pair: None, findings })
}

/// Full scale of the interface's output, at the amp's input, from one reading while a tone of known
/// level plays.
#[must_use]
pub fn output(
    played_dbfs: f64,
    frequency_hz: f64,
    meter: &MeterReading,
    circumstances: &Circumstances,
) -> Calibration {
    let full_scale_volts = meter.volts / from_db(played_dbfs);
    let mut findings = of_frequency(frequency_hz, circumstances);
    findings.extend(of_meter(meter));
    if let Some(expected) = circumstances.expected_volts {
        findings.extend(mismatch::output(full_scale_volts, expected));
    }
    let uncertainty_percent = K95 * meter.standard_percent();
    Calibration { full_scale_volts, uncertainty_percent, pair: None, findings }
}

/// Two readings at two levels: their mean, and whether interface and meter are straight.
///
/// The meter's accuracy is common to both, so it neither explains a difference nor averages out;
/// last digits do.
#[must_use]
pub fn two_points(first: &Calibration, second: &Calibration, readings: [&MeterReading; 2]) -> Calibration {
    let difference_db = db(second.full_scale_volts / first.full_scale_volts);
    let digits = readings.map(|r| 50.0 * r.step_volts / r.volts);
    // Both last digits the wrong way round, and 0.1 dB for the meter's ranges (common practice).
    let allowed_db = 0.1 + db(1.0 + (digits[0] + digits[1]) / 100.0);
    let mut findings = first.findings.clone();
    findings.extend(second.findings.iter().filter(|f| !first.findings.contains(f)).cloned());
    let apart_db = db(readings[0].volts / readings[1].volts).abs();
    let pair = Pair { apart_db, difference_db, allowed_db };
    if apart_db < LEAST_APART_DB {
        findings.push(Finding::new(
            "readings_too_close",
            Severity::Note,
            format!("the two readings lie {apart_db:.1} dB apart"),
            "so near to each other they say nothing of how straight interface and meter are",
            "take the second one at least 6 dB from the first, better 20: a half to a tenth of its volts",
        ));
    }
    if !pair.agrees() {
        findings.push(Finding::new(
            "not_straight",
            Severity::Redo,
            format!("the two readings give full scales {difference_db:+.2} dB apart (allowed: {allowed_db:.2} dB)"),
            "volts are right at one level only: the interface limits or has automatic level, or the meter changed range",
            "switch off limiter and automatic level, keep the meter in one range, record both again",
        ));
    }
    // Half the difference as the limits of a rectangle (GUM 4.3.7).
    let spread = 100.0 * (from_db(difference_db.abs()) - 1.0) / 2.0 / 3f64.sqrt();
    let meter = first.uncertainty_percent.max(second.uncertainty_percent);
    Calibration {
        full_scale_volts: (first.full_scale_volts * second.full_scale_volts).sqrt(),
        uncertainty_percent: meter.hypot(K95 * spread),
        pair: Some(pair),
        findings,
    }
}

fn of_tone(tone: &ToneReading, circumstances: &Circumstances) -> Vec<Finding> {
    let mut findings = of_frequency(tone.frequency_hz, circumstances);
    let mut warn = |code: &str, severity, saw: String, effect: &str, advice: &str| {
        findings.push(Finding::new(code, severity, saw, effect, advice));
    };
    if tone.thd > MOST_THD {
        warn(
            "distorted_tone",
            Severity::Limit,
            format!("the tone has {:.1} % distortion", tone.thd * 100.0),
            "a meter that averages errs by up to a third of that; only a true-RMS meter reads it right",
            "turn down until it is under 2 %, or drive the load from another source",
        );
    }
    if tone.peak_dbfs > CLIPPED_DBFS {
        warn(
            "clipped_tone",
            Severity::Redo,
            format!("the recording peaks at {:+.2} dBFS", tone.peak_dbfs),
            "the interface's input is probably clipped: full scale would come out too high",
            "turn the input down or use more pad, and record again",
        );
    }
    if tone.level_dbfs < LEAST_DBFS {
        warn(
            "low_tone",
            Severity::Limit,
            format!("the tone was recorded at {:.1} dBFS", tone.level_dbfs),
            "noise and the meter's last digits weigh too much",
            "turn the tone up to between −30 and −6 dBFS",
        );
    }
    if tone.wander_db > MOST_WANDER_DB {
        let severity = if tone.wander_db > REFUSED_WANDER_DB { Severity::Redo } else { Severity::Limit };
        warn(
            "unsteady_tone",
            severity,
            format!("its level wanders by {:.2} dB", tone.wander_db),
            "the meter was read at some moment of that",
            "let the amp warm up, switch off automatic level, and record again",
        );
    }
    if tone.seconds < LEAST_SECONDS {
        warn(
            "short_tone",
            Severity::Limit,
            format!("the tone holds for {:.1} s only", tone.seconds),
            "a meter has hardly settled by then, and nobody sees whether the level moves",
            "record 10 s or more, and read the meter meanwhile",
        );
    }
    if let Some(hum) = tone.beside {
        let severity = if hum.under_db < HUM_RULES_DB { Severity::Redo } else { Severity::Limit };
        warn(
            "hum_beside_tone",
            severity,
            format!(
                "hum at {:.1} Hz lies {:.0} dB under the tone at {:.1} Hz",
                hum.frequency_hz, hum.under_db, tone.frequency_hz
            ),
            &format!(
                "a meter reads both: volts may be up to {:.2} % off, watts {:.2} %",
                100.0 * hum.adds,
                100.0 * ((1.0 + hum.adds).powi(2) - 1.0)
            ),
            "mend the hum or turn the tone up, and record again",
        );
    }
    if let Some(jump) = tone.jump {
        warn(
            "level_changed",
            Severity::Redo,
            format!("the tone's level changed by {:+.1} dB at {:.1} s", jump.by_db, jump.at_seconds),
            "nobody knows at which of the levels the meter was read",
            "touch nothing from begin to end, and record again",
        );
    }
    findings
}

fn of_frequency(frequency_hz: f64, circumstances: &Circumstances) -> Vec<Finding> {
    let mut findings = Vec::new();
    if frequency_hz > circumstances.meter_limit_hz * (1.0 + SAME_FREQUENCY) {
        findings.push(Finding::new(
            "tone_too_high",
            Severity::Limit,
            format!(
                "the tone is at {frequency_hz:.0} Hz, above the meter's {:.0} Hz",
                circumstances.meter_limit_hz
            ),
            "many meters read low there, some by half",
            "use calibration-tone.wav (275 Hz), or give --meter-limit-hz if yours reads true up there",
        ));
    }
    if let Some(hz) = on_mains(frequency_hz, circumstances.mains_hz) {
        findings.push(Finding::new(
            "tone_on_mains",
            Severity::Limit,
            format!("the tone at {frequency_hz:.1} Hz lies on a multiple of {hz} Hz mains"),
            "hum adds to it or takes from it",
            "use calibration-tone.wav: its 275 Hz keeps 25 Hz from every multiple of 50 Hz",
        ));
    }
    findings
}

/// The mains on a multiple of which this frequency lies; `None` for `mains_hz`: 50 or 60.
pub(super) fn on_mains(frequency_hz: f64, mains_hz: Option<f64>) -> Option<f64> {
    let mains = mains_hz.map_or(vec![50.0, 60.0], |hz| vec![hz]);
    mains.into_iter().find(|hz| {
        let order = (frequency_hz / hz).round().max(1.0);
        (frequency_hz - order * hz).abs() < MAINS_GUARD_HZ
    })
}

fn of_meter(meter: &MeterReading) -> Vec<Finding> {
    let digit = meter.step_volts / 2.0 / meter.volts;
    if digit <= COARSEST_READING {
        return Vec::new();
    }
    vec![Finding::new(
        "coarse_reading",
        Severity::Limit,
        format!("the reading {} V has too few digits (± {:.1} %)", meter.volts, digit * 100.0),
        "volts can't be better known than that",
        "use a lower range of the meter, or a louder tone, and type every digit it shows",
    )]
}
