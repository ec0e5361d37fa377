//! What is known of each figure: its name for people, how a difference of it is
//! told, from what size it matters, and which part of the rig's error is in it.

use super::document::{Expressed, Match, Row};
use super::words::capital;
use crate::figure::{Quantity, Unit};

/// Which of the rig's errors a figure of this kind carries, the same for every build.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Common {
    /// None: a ratio, a frequency, a time.
    Nothing,
    /// The error of watts into the load.
    Power,
    /// The error of volts across the load.
    Volts,
    /// The error of volts at the amp's input.
    Drive,
    /// The errors of volts at both ends.
    Gain,
    /// The error of both loads, as an output impedance has it.
    Impedance,
    /// The same of a damping factor.
    Damping,
}

/// How sentences speak of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Telling {
    /// "B gives 0.4 dB more clean power than A."
    Gives,
    /// "B has 0.4 dB more hum than A."
    Has,
    /// "The upper corner of B lies 3 % higher than that of A."
    Place,
    /// "B takes 0.6 dB more drive to clip than A": `noun` is what the drive is for.
    Drive,
}

/// A difference from which on it matters (design §12: common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Threshold {
    /// In decibels.
    Decibels(f64),
    /// As a factor either way.
    Factor(f64),
}

impl Threshold {
    /// The threshold in words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Decibels(db) => format!("{db} dB"),
            Self::Factor(factor) => format!("a factor of {factor}"),
        }
    }
}

/// One figure as the comparison treats it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Name in the JSON (design §4a).
    pub quantity: String,
    /// Name in tables.
    pub label: String,
    /// Name within a sentence, without article.
    pub noun: String,
    /// How sentences speak of it.
    pub telling: Telling,
    /// How a difference is told.
    pub expressed: Expressed,
    /// From what difference on it matters.
    pub threshold: Option<Threshold>,
    /// What the rig's error adds to absolute values.
    pub common: Common,
    /// Among the headline figures of design §12.
    pub headline: bool,
}

/// Level and power: 0.5 dB.
const LEVEL: Option<Threshold> = Some(Threshold::Decibels(0.5));
/// Distortion: a factor of 1.3.
const DISTORTION: Option<Threshold> = Some(Threshold::Factor(1.3));
/// Hum and noise: 2 dB.
const HUM: Option<Threshold> = Some(Threshold::Decibels(2.0));
/// Response in a third of an octave: 1 dB.
const RESPONSE: Option<Threshold> = Some(Threshold::Decibels(1.0));

/// Figures that are conditions of a take, not properties of a build.
const NOT_COMPARED: [&str; 5] = ["frequency", "reference_shift", "level", "dc", "thd_highest_order"];

/// Figures that stand in the rows of a match instead of among those of the whole.
fn belongs_to_a_match(name: &str) -> bool {
    let at_limit = ["drive_at_thd_", "output_at_"].iter().any(|start| name.starts_with(start));
    at_limit || (name.ends_with("_at_1_watt") && name != "thd_at_1_watt")
}

type Known = (&'static str, &'static str, &'static str, Telling, Expressed, Option<Threshold>, Common, bool);

#[rustfmt::skip]
const KNOWN: &[Known] = {
    use Common::{Damping, Drive as AtInput, Gain, Impedance, Nothing, Power, Volts};
    use Expressed::{Decibels, Percent, Plain, Ratio};
    use Telling::{Drive, Gives, Has, Place};
    &[
    ("power_at_thd_5_percent", "Clean power (5 % THD)", "clean power (5 % THD)", Gives, Decibels, LEVEL, Power, true),
    ("power_at_thd_10_percent", "Power at 10 % THD", "power at 10 % THD", Gives, Decibels, LEVEL, Power, true),
    ("power_at_thd_3_percent", "Power at 3 % THD", "power at 3 % THD", Gives, Decibels, LEVEL, Power, false),
    ("power_at_thd_1_percent", "Power at 1 % THD", "power at 1 % THD", Gives, Decibels, LEVEL, Power, false),
    ("cranked_power", "Cranked power (top of the programme)", "cranked power", Gives, Decibels, LEVEL, Power, false),
    ("power_at_1_db_compression", "Power at 1 dB compression", "power at 1 dB compression", Gives, Decibels, LEVEL, Power, false),
    ("gain", "Small-signal gain", "small-signal gain", Has, Decibels, LEVEL, Gain, true),
    ("sensitivity", "Sensitivity (drive for clean power)", "clean power", Drive, Decibels, LEVEL, AtInput, false),
    ("drive_at_top", "Drive at the programme's top, as recorded", "drive at the programme's top", Has, Decibels, None, AtInput, false),
    ("clip_drive_positive", "Clip point, positive half (drive)", "the positive half to clip", Drive, Decibels, LEVEL, Nothing, true),
    ("clip_drive_negative", "Clip point, negative half (drive)", "the negative half to clip", Drive, Decibels, LEVEL, Nothing, true),
    ("drive_at_1_db_compression", "1 dB compression (drive)", "1 dB compression", Drive, Decibels, LEVEL, Nothing, false),
    ("clip_power", "Power at the first clip point", "power at the first clip point", Gives, Decibels, LEVEL, Power, false),
    ("clip_power_positive", "Power at the clip point, positive half", "power where the positive half clips", Gives, Decibels, LEVEL, Power, false),
    ("clip_power_negative", "Power at the clip point, negative half", "power where the negative half clips", Gives, Decibels, LEVEL, Power, false),
    ("onset_span", "Onset span (drive from 1 % to 10 % THD)", "onset span (drive from 1 % to 10 % THD)", Place, Plain, LEVEL, Nothing, true),
    ("thd_at_1_watt", "THD at 1 W", "THD at 1 W", Place, Ratio, DISTORTION, Nothing, false),
    ("cranked_thd", "THD at the programme's top (THD_F, re the fundamental)", "THD at the programme's top", Has, Ratio, DISTORTION, Nothing, false),
    ("cranked_thd_r", "THD at the programme's top (THD_R, re fundamental and harmonics)", "THD_R at the programme's top", Has, Ratio, DISTORTION, Nothing, false),
    ("cranked_thd_n", "THD+N at the programme's top", "THD+N at the programme's top", Has, Ratio, DISTORTION, Nothing, false),
    ("hysteresis", "Hysteresis (ladder up against down)", "hysteresis", Has, Plain, LEVEL, Nothing, false),
    ("low_corner", "Lower corner (−3 dB re 1 kHz)", "lower corner (−3 dB re 1 kHz)", Place, Percent, None, Nothing, true),
    ("high_corner", "Upper corner (−3 dB re 1 kHz)", "upper corner (−3 dB re 1 kHz)", Place, Percent, None, Nothing, true),
    ("low_corner_re_peak", "Lower corner (−3 dB re the maximum)", "lower corner (−3 dB re the maximum)", Place, Percent, None, Nothing, false),
    ("high_corner_re_peak", "Upper corner (−3 dB re the maximum)", "upper corner (−3 dB re the maximum)", Place, Percent, None, Nothing, false),
    ("power_bandwidth_low", "Power bandwidth, lower end", "lower end of the power bandwidth", Place, Percent, None, Nothing, false),
    ("power_bandwidth_high", "Power bandwidth, upper end", "upper end of the power bandwidth", Place, Percent, None, Nothing, false),
    ("hum_total", "Hum", "hum", Has, Decibels, HUM, Volts, true),
    ("noise", "Noise, 20 Hz to 20 kHz", "noise (20 Hz to 20 kHz)", Has, Decibels, HUM, Volts, true),
    ("noise_a_weighted", "Noise, A-weighted", "A-weighted noise", Has, Decibels, HUM, Volts, false),
    ("noise_468", "Noise, ITU-R 468 weighting (RMS)", "noise with ITU-R 468 weighting (RMS)", Has, Decibels, HUM, Volts, false),
    ("noise_at_input", "Noise at the input (noise over gain)", "noise at the input (noise over gain)", Has, Decibels, HUM, AtInput, false),
    ("hum_mains", "Hum, odd multiples of the mains", "hum at odd multiples of the mains", Has, Decibels, HUM, Volts, false),
    ("hum_twice_mains", "Hum, even multiples of the mains", "hum at even multiples of the mains", Has, Decibels, HUM, Volts, false),
    ("signal_to_noise_1_watt", "Signal to noise, re 1 W", "signal to noise re 1 W", Has, Decibels, HUM, Power, false),
    ("signal_to_noise_clean_power", "Signal to noise, re clean power (5 % THD)", "signal to noise re clean power", Has, Decibels, HUM, Nothing, false),
    ("ripple", "Ripple of the response, 100 Hz to 5 kHz", "ripple of the response", Has, Plain, RESPONSE, Nothing, false),
    ("thd_100_hz", "THD at 100 Hz (high-drive sweep, H2 to H5)", "THD at 100 Hz in the high-drive sweep", Has, Ratio, DISTORTION, Nothing, false),
    ("thd_5_khz", "THD at 5 kHz (high-drive sweep)", "THD at 5 kHz in the high-drive sweep", Has, Ratio, DISTORTION, Nothing, false),
    ("burst_immediate", "Output just after a burst begins", "output just after a burst begins", Has, Decibels, LEVEL, Volts, false),
    ("burst_sustained", "Output sustained through a burst", "output sustained through a burst", Has, Decibels, LEVEL, Volts, false),
    ("sag", "Sag", "sag", Has, Plain, LEVEL, Nothing, true),
    ("sag_time", "Sag, time constant", "time constant of sag", Place, Percent, None, Nothing, false),
    ("recovery_dip", "Recovery, dip after a burst", "dip after a burst", Has, Plain, LEVEL, Nothing, false),
    ("recovery_time", "Recovery, time constant", "time constant of recovery", Place, Percent, None, Nothing, false),
    ("burst_margin", "Burst margin", "burst margin", Has, Plain, LEVEL, Nothing, false),
    ("mains_frequency", "Mains frequency (of the recording, not of the amp)", "mains frequency", Place, Plain, None, Nothing, false),
    ("output_impedance", "Output impedance", "output impedance", Place, Percent, None, Impedance, false),
    ("damping_factor", "Damping factor", "damping factor", Place, Percent, None, Damping, false),
    ("modulation_distortion", "Modulation distortion (70 Hz and 7 kHz, 4:1)", "modulation distortion (70 Hz and 7 kHz)", Has, Ratio, DISTORTION, Nothing, false),
    ("difference_distortion_2", "Difference-frequency distortion, 2nd order", "second-order difference-frequency distortion", Has, Ratio, DISTORTION, Nothing, false),
    ("difference_distortion_3", "Difference-frequency distortion, 3rd order", "third-order difference-frequency distortion", Has, Ratio, DISTORTION, Nothing, false),
    ("chord_distortion", "Intermodulation of a low chord (82.4 and 125.1 Hz)", "intermodulation of a low chord", Has, Ratio, DISTORTION, Nothing, false),
    ]
};

/// The entry of a take's figure; `None` for one that is a condition of the take and no property of a build.
///
/// A figure that this table does not know is compared all the same, told by its unit.
#[must_use]
pub fn of_figure(name: &str, unit: Unit) -> Option<Entry> {
    if NOT_COMPARED.contains(&name) || belongs_to_a_match(name) {
        return None;
    }
    let known = |name: &str| KNOWN.iter().find(|k| k.0 == name);
    if let Some(k) = known(name) {
        return Some(entry(k, name, ""));
    }
    if let Some(k) = name.strip_suffix("_fundamental").and_then(known) {
        return Some(Entry { headline: false, ..entry(k, name, ", fundamental only") });
    }
    let words = name.replace('_', " ");
    let (expressed, common) = by_unit(unit);
    Some(Entry {
        quantity: name.to_owned(),
        label: capital(&words),
        noun: words,
        telling: Telling::Place,
        expressed,
        threshold: None,
        common,
        headline: false,
    })
}

fn entry(known: &Known, name: &str, tail: &str) -> Entry {
    let &(_, label, noun, telling, expressed, threshold, common, headline) = known;
    Entry {
        quantity: name.to_owned(),
        label: format!("{label}{tail}"),
        noun: format!("{noun}{tail}"),
        telling,
        expressed,
        threshold,
        common,
        headline,
    }
}

fn by_unit(unit: Unit) -> (Expressed, Common) {
    match unit {
        Unit::Watts => (Expressed::Decibels, Common::Power),
        Unit::DbWatt => (Expressed::Decibels, Common::Power),
        Unit::Volts | Unit::Millivolts | Unit::DbVolt => (Expressed::Decibels, Common::Volts),
        Unit::Decibels | Unit::DbFullScale | Unit::FullScale => (Expressed::Decibels, Common::Nothing),
        Unit::Percent => (Expressed::Ratio, Common::Nothing),
        Unit::Hertz | Unit::Seconds | Unit::One => (Expressed::Percent, Common::Nothing),
        Unit::Ohms => (Expressed::Percent, Common::Impedance),
        Unit::Milliamperes | Unit::Degrees | Unit::PartsPerMillion => (Expressed::Plain, Common::Nothing),
    }
}

/// Output at the same drive.
#[must_use]
pub fn matched_output(unit: Unit) -> Entry {
    let (quantity, noun) = if unit == Unit::Watts { ("power", "power") } else { ("output", "output") };
    Entry {
        telling: Telling::Gives,
        threshold: LEVEL,
        expressed: Expressed::Decibels,
        ..named(
            quantity,
            capital(noun),
            noun,
            if unit == Unit::Watts { Common::Power } else { Common::Volts },
        )
    }
}

/// THD at a match.
#[must_use]
pub fn matched_thd() -> Entry {
    Entry {
        expressed: Expressed::Ratio,
        threshold: DISTORTION,
        ..named("thd", "THD".to_owned(), "THD", Common::Nothing)
    }
}

/// One harmonic at a match.
#[must_use]
pub fn matched_harmonic(order: u32) -> Entry {
    let noun = match order {
        2 => "second harmonic".to_owned(),
        3 => "third harmonic".to_owned(),
        n => format!("{n}th harmonic"),
    };
    Entry {
        telling: Telling::Has,
        expressed: Expressed::Ratio,
        threshold: DISTORTION,
        ..named(&format!("harmonic_{order}"), format!("H{order}"), &noun, Common::Nothing)
    }
}

/// Drive needed for what `purpose` says: "1 W", "5 % THD".
#[must_use]
pub fn matched_drive(purpose: &str) -> Entry {
    Entry {
        telling: Telling::Drive,
        expressed: Expressed::Decibels,
        threshold: LEVEL,
        ..named("drive", "Drive needed".to_owned(), purpose, Common::Nothing)
    }
}

/// Response in a third of an octave, re 1 kHz.
#[must_use]
pub fn response_band(centre_hz: f64) -> Entry {
    let words =
        if centre_hz >= 1000.0 { format!("{} kHz", centre_hz / 1000.0) } else { format!("{centre_hz} Hz") };
    let name = format!("response_{}", words.to_lowercase().replace([' ', '.'], "_"));
    Entry {
        expressed: Expressed::Plain,
        threshold: RESPONSE,
        ..named(
            &name,
            format!("Response, third octave at {words}, re 1 kHz"),
            &format!("response around {words} (third octave, re 1 kHz)"),
            Common::Nothing,
        )
    }
}

/// One order of intermodulation of a pair.
#[must_use]
pub fn intermodulation(kind: &str, pair: [f64; 2]) -> Entry {
    let words = match kind {
        "d2" => "2nd order",
        "d3" => "3rd order",
        _ => "all products to 5th order",
    };
    let [low, high] = pair;
    let name = format!("intermodulation_{kind}_{low}_{high}_hz").replace('.', "_");
    Entry {
        telling: Telling::Has,
        expressed: Expressed::Ratio,
        threshold: DISTORTION,
        ..named(
            &name,
            format!("Intermodulation of {low} and {high} Hz, {words}"),
            &format!("intermodulation of {low} and {high} Hz ({words})"),
            Common::Nothing,
        )
    }
}

/// The entry of a finished row: what sentences need to know of it.
#[must_use]
pub fn of_row(row: &Row) -> Entry {
    let unit = row.values.first().map_or(Unit::One, |v| v.unit);
    let order = row.quantity.strip_prefix("harmonic_").and_then(|n| n.parse().ok());
    let entry = match (row.quantity.as_str(), row.matched, order) {
        (_, Match::Whole, _) => of_figure(&row.quantity, unit),
        ("power" | "output", ..) => Some(matched_output(unit)),
        ("thd", ..) => Some(matched_thd()),
        ("drive", ..) => row.matched_at.as_ref().map(|at| matched_drive(&place_words(row.matched, at))),
        (_, _, Some(order)) => Some(matched_harmonic(order)),
        _ => None,
    };
    entry.unwrap_or_else(|| named(&row.quantity, row.label.clone(), &row.label, Common::Nothing))
}

/// What a drive is needed for: "1 W", "5 % THD".
fn place_words(matched: Match, at: &Quantity) -> String {
    let place = super::row::place_words(at);
    if matched == Match::SameDistortion { format!("{place} THD") } else { place }
}

fn named(quantity: &str, label: String, noun: &str, common: Common) -> Entry {
    Entry {
        quantity: quantity.to_owned(),
        label,
        noun: noun.to_owned(),
        telling: Telling::Place,
        expressed: Expressed::Plain,
        threshold: None,
        common,
        headline: false,
    }
}

/// Single products of distortion pass through nulls, where decibels of next to nothing
/// say nothing: below this many per cent they are compared in per cent (methods §6).
pub const NEAR_NULL_PERCENT: f64 = 1.0;

/// Is this figure one product or one order of products, so that it can vanish at some drive?
#[must_use]
pub fn can_vanish(quantity: &str) -> bool {
    ["harmonic_", "intermodulation_", "modulation_distortion", "difference_distortion", "chord_distortion"]
        .iter()
        .any(|start| quantity.starts_with(start))
}

/// Place of a quantity in the document: the order of [`KNOWN`], then the rest.
#[must_use]
pub fn rank(quantity: &str) -> usize {
    let base = quantity.strip_suffix("_fundamental").unwrap_or(quantity);
    KNOWN.iter().position(|k| k.0 == base).unwrap_or(KNOWN.len())
}
