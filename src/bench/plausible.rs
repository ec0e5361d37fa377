//! Numbers outside what is usual for valve guitar amps of 1 to 50 W: said, never refused.
//!
//! Ranges: design §11, mostly from memory. So the word is "unusual", not "wrong".

mod build;

use super::bias::{BiasTask, Given};
use super::calibrate::on_mains;
use super::drive_pad::DriveTask;
use super::model::{Bench, QuietCondition, TakeKind};
use super::pad::PadTask;
use super::rig::{Pad, Rig};
use super::valves::Valve;
use crate::figure::Unit;
use crate::finding::{Finding, Severity};
use crate::rounding;

/// A usual range and what a number outside it may mean.
struct Range {
    code: &'static str,
    what: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
    /// What a value outside would do or mean.
    effect: &'static str,
    advice: &'static str,
}

const LOAD: Range = Range {
    code: "unusual_load",
    what: "the load",
    unit: "ohms",
    low: 2.0,
    high: 32.0,
    effect: "watts go with 1 over the load: a slip here is a slip in every power",
    advice: "measure the load with everything else disconnected",
};
const LOAD_WATTS: Range = Range {
    code: "unusual_load_watts",
    what: "the load's rating",
    unit: "W",
    low: 5.0,
    high: 1000.0,
    effect: "the heat warnings rest on it",
    advice: "read the rating off the load, on the heatsink that it has",
};
const PAD_RATIO: Range = Range {
    code: "unusual_pad",
    what: "the pad's division",
    unit: "to 1",
    low: 2.0,
    high: 1000.0,
    effect: "volts go with it, watts with its square",
    advice: "check that top and bottom resistor are not exchanged and that k and plain ohms are right",
};
const FULL_SCALE: Range = Range {
    code: "unusual_full_scale",
    what: "the interface input's full scale",
    unit: "V RMS",
    low: 0.3,
    high: 15.0,
    effect: "volts go with it, watts with its square",
    advice: "check that it is RMS, of the level at the interface's input, and not before the pad",
};
const OUTPUT_FULL_SCALE: Range = Range {
    code: "unusual_output_full_scale",
    what: "the drive at the amp's input for full scale",
    unit: "V RMS",
    low: 0.005,
    high: 15.0,
    effect: "sensitivity and input-referred noise go with it",
    advice: "check that it is RMS, at the amp's input, with the drive pad in place",
};
const DRIVE_FULL_SCALE: Range = Range {
    code: "unusual_drive_full_scale",
    what: "the drive at the amp's input that reads full scale in drive_channel",
    unit: "V RMS",
    low: 0.005,
    high: 15.0,
    effect: "sensitivity and input-referred noise go with it",
    advice: "check that it is RMS, at the amp's input, with the drive pad in place",
};
const AMP: Range = Range {
    code: "unusual_power",
    what: "the amp's power",
    unit: "W",
    low: 0.5,
    high: 100.0,
    effect: "the pad is designed for it",
    advice: "give the sine power into the load, in watts",
};
const INPUT: Range = Range {
    code: "unusual_input_impedance",
    what: "the interface's input impedance",
    unit: "ohms",
    low: 1000.0,
    high: 2e6,
    effect: "it loads the pad",
    advice: "take the line input's figure from the interface's data sheet",
};
const DRIVE: Range = Range {
    code: "unusual_drive",
    what: "the wanted drive",
    unit: "V RMS",
    low: 0.02,
    high: 1.0,
    effect: "the amp may be clipped at every step, or at none",
    advice: "guitar amps clip from 20 mV to 1 V at their input",
};
const HEADROOM: Range = Range {
    code: "unusual_headroom",
    what: "the room between the loudest peak and full scale",
    unit: "dB",
    low: 3.0,
    high: 20.0,
    effect: "too little and a louder amp clips the recorder; too much and noise comes near",
    advice: "6 dB serve most amps",
};
const OUTPUT_LIMIT: Range = Range {
    code: "unusual_output_limit",
    what: "the interface output's full scale",
    unit: "V RMS",
    low: 0.3,
    high: 15.0,
    effect: "the drive at the amp's input goes with it",
    advice: "check dBu against dBV, and that it is the line output's, not the headphones'",
};
const OUTPUT_OHMS: Range = Range {
    code: "unusual_output_impedance",
    what: "the interface output's own impedance",
    unit: "ohms",
    low: 5.0,
    high: 2000.0,
    effect: "it stands in row with the pad's top resistor",
    advice: "take the line output's figure from the interface's data sheet",
};
const AMP_OHMS: Range = Range {
    code: "unusual_amp_impedance",
    what: "the amp's input impedance",
    unit: "ohms",
    low: 20_000.0,
    high: 5e6,
    effect: "it loads the pad's bottom resistor",
    advice: "a valve amp's is its first grid leak, mostly 1M; 68k and more in its low input",
};
const TOP: Range = Range {
    code: "unusual_top",
    what: "the peak of the programme's top",
    unit: "dB re full scale",
    low: -20.0,
    high: -0.1,
    effect: "the drive at the amp's input goes with it",
    advice: "give what `twinload signals` was given; it makes −1 unless told otherwise",
};
const LADDER: Range = Range {
    code: "unusual_frequency",
    what: "the ladder's frequency",
    unit: "Hz",
    low: 80.0,
    high: 2000.0,
    effect: "under a guitar's lowest note the output transformer is measured; over 2 kHz the higher harmonics leave \
             the band",
    advice: "leave it at 1010 Hz, unless that is what you want to see",
};
const MAINS_VOLTS: Range = Range {
    code: "unusual_mains",
    what: "mains voltage",
    unit: "V",
    low: 90.0,
    high: 260.0,
    effect: "output power follows roughly its square",
    advice: "measure at the socket that feeds the amp",
};
const WARM_UP: Range = Range {
    code: "unusual_warm_up",
    what: "warm-up",
    unit: "minutes",
    low: 0.0,
    high: 600.0,
    effect: "takes are compared by it",
    advice: "write minutes since power-on",
};

/// Usual ± per cent of `what`; the budget rests on each.
const fn known_within(what: &'static str, high: f64) -> Range {
    Range {
        code: "unusual_uncertainty",
        what,
        unit: "%",
        low: 0.1,
        high,
        effect: "the uncertainty of volts and watts rests on it",
        advice: "write per cent, so 5 for 5 %; what nobody knows is better left out, and assumed",
    }
}
const LOAD_TOLERANCE: Range = known_within("load_tolerance_percent", 20.0);
const PAD_TOLERANCE: Range = known_within("the pad's tolerance_percent", 20.0);
// "10 kΩ" in a data sheet means little more.
const INPUT_TOLERANCE: Range = known_within("interface_input_tolerance_percent", 50.0);
const INPUT_UNCERTAINTY: Range = known_within("input_full_scale_uncertainty_percent", 15.0);
const OUTPUT_UNCERTAINTY: Range = known_within("output_full_scale_uncertainty_percent", 15.0);
const DRIVE_UNCERTAINTY: Range = known_within("drive_full_scale_uncertainty_percent", 15.0);
const METER: Range = known_within("meter_percent", 10.0);
const METER_LIMIT: Range = Range {
    code: "unusual_meter_limit",
    what: "the meter's upper frequency",
    unit: "Hz",
    low: 50.0,
    high: 100_000.0,
    effect: "the warning that a tone is too high for the meter rests on it",
    advice: "it is the top of the AC range in the meter's data sheet",
};

impl Range {
    fn of(&self, value: f64, at: &str) -> Option<Finding> {
        self.named(value, &format!("{at}{}", self.what))
    }

    /// The same, of what the person calls otherwise.
    fn named(&self, value: f64, subject: &str) -> Option<Finding> {
        if (self.low..=self.high).contains(&value) {
            return None;
        }
        let Self { unit, low, high, .. } = self;
        let rounded = rounding::digits(value, DIGITS);
        let value = if (*low..=*high).contains(&rounded) { value } else { rounded };
        let saw = format!("{subject} of {value} {unit} is unusual (usual: {low} to {high})");
        Some(Finding::new(self.code, Severity::Note, saw, self.effect, self.advice))
    }
}

/// As a good meter shows.
const DIGITS: usize = 4;

/// So many times over the usual range a calibrated full scale is a slip until the person says otherwise.
const FAR_OUTSIDE: f64 = 3.0;

/// What is unusual about a full scale that a calibration gave: at the amp's input, or else at the interface's.
#[must_use]
pub fn of_calibration(at_amp: bool, volts: f64) -> Option<Finding> {
    let range = if at_amp { &OUTPUT_FULL_SCALE } else { &FULL_SCALE };
    let mut finding = range.of(rounding::digits(volts, DIGITS), "")?;
    finding.severity = Severity::Limit;
    if volts > FAR_OUTSIDE * range.high {
        finding.severity = Severity::Redo;
        if (range.low..=range.high).contains(&(volts / 1000.0)) {
            finding.advice = format!("did you type millivolts as volts? {}", finding.advice);
        }
    }
    Some(finding)
}

/// What is unusual in what was said of the meter: its accuracy with where that was written, and its limit.
#[must_use]
pub fn of_meter((from, percent): (&str, f64), limit_hz: f64) -> Vec<Finding> {
    let said = [METER.named(percent, from), METER_LIMIT.named(limit_hz, "--meter-limit-hz")];
    said.into_iter().flatten().collect()
}

/// What is unusual about a rig.
#[must_use]
pub fn of_rig(rig: &Rig) -> Vec<Finding> {
    let checks = [
        (&LOAD, rig.load_ohms),
        (&LOAD_WATTS, rig.load_watts),
        (&INPUT, rig.interface_input_ohms),
        (&FULL_SCALE, rig.input_full_scale_volts),
        (&OUTPUT_FULL_SCALE, rig.output_full_scale_volts),
        (&DRIVE_FULL_SCALE, rig.drive_full_scale_volts),
        (&LOAD_TOLERANCE, rig.load_tolerance_percent),
        (&PAD_TOLERANCE, rig.pad.and_then(Pad::tolerance_percent)),
        (&INPUT_TOLERANCE, rig.interface_input_tolerance_percent),
        (&INPUT_UNCERTAINTY, rig.input_full_scale_uncertainty_percent),
        (&OUTPUT_UNCERTAINTY, rig.output_full_scale_uncertainty_percent),
        (&DRIVE_UNCERTAINTY, rig.drive_full_scale_uncertainty_percent),
        (&METER, rig.meter_percent),
    ];
    let mut findings: Vec<Finding> =
        checks.into_iter().filter_map(|(range, value)| range.of(value?, "")).collect();
    match rig.pad {
        Some(Pad::Resistors { .. }) if rig.interface_input_ohms.is_none() => findings.push(loading_unknown(
            "the pad is given by its resistors, and interface_input_ohms is not given",
            "write the line input's impedance from the interface's data sheet",
        )),
        Some(Pad::Measured { measured_with_interface: false, .. }) => findings.push(loading_unknown(
            "the pad's ratio was measured without the interface",
            "measure it with the interface connected, and write measured_with_interface = true",
        )),
        _ => {}
    }
    // A pad of 1:1 says that there is none, which is a plain statement.
    if let Some(ratio) = rig.pad_ratio().filter(|k| *k < 1.0) {
        findings.extend(PAD_RATIO.of(1.0 / ratio, ""));
    }
    findings
}

fn loading_unknown(saw: &str, advice: &str) -> Finding {
    // 10k over 1k into 10k: reference §8.
    let effect = "loading by the interface is left out; into 10 kΩ a 10k/1k pad reads power 16 % too low";
    Finding::new("pad_loading_unknown", Severity::Note, saw, effect, advice)
}

/// What is unusual in a whole bench.
#[must_use]
pub fn of_bench(bench: &Bench) -> Vec<Finding> {
    let mut findings = of_rig(&bench.rig);
    findings.extend(bench.amp_watts.and_then(|watts| AMP.of(watts, "")));
    if let Some(hz) = bench.mains_hz
        && !(49.5..=50.5).contains(&hz)
        && !(59.5..=60.5).contains(&hz)
    {
        let saw = format!("mains_hz of {hz} is unusual (usual: 50 or 60)");
        let effect = "where a recording shows no hum, its floor is told at multiples of it";
        let advice = "leave it out to have it found in the recordings";
        findings.push(Finding::new("unusual_mains_frequency", Severity::Note, saw, effect, advice));
    }
    findings.extend(bench.builds.iter().flat_map(build::of));
    for take in &bench.takes {
        let at = format!("{}: ", take.file);
        let checks =
            [(&LOAD, take.load_ohms), (&MAINS_VOLTS, take.mains_volts), (&WARM_UP, take.warm_up_minutes)];
        findings.extend(checks.into_iter().filter_map(|(range, value)| range.of(value?, &at)));
        if !take.used && take.why.is_none() {
            let saw = format!("{at}it is kept out of the figures and no reason is given");
            let effect = "a reader can't tell a fault from a choice";
            findings.push(Finding::new(
                "left_out_without_reason",
                Severity::Note,
                saw,
                effect,
                "add why = \"…\"",
            ));
        }
        if take.kind == TakeKind::Quiet && take.quiet_condition.is_none() {
            let saw = format!("{at}this quiet take does not say what was connected");
            let words: Vec<_> = QuietCondition::WORDS.iter().map(|(word, _)| format!("{word:?}")).collect();
            let advice = format!("add quiet_condition = one of {}", words.join(", "));
            let effect = "hum of the cable can't be told from hum of the amp";
            findings.push(Finding::new("quiet_condition_unknown", Severity::Note, saw, effect, advice));
        }
    }
    findings
}

/// What is unusual in the task of a pad.
#[must_use]
pub fn of_pad(task: &PadTask) -> Vec<Finding> {
    let checks = [
        (&AMP, task.amp_watts),
        (&LOAD, task.load_ohms),
        (&FULL_SCALE, task.limit_volts),
        (&INPUT, task.input_ohms),
        (&HEADROOM, task.headroom_db),
    ];
    checks.into_iter().filter_map(|(range, value)| range.of(value, "")).collect()
}

/// What is unusual in the task of a drive pad.
#[must_use]
pub fn of_drive(task: &DriveTask) -> Vec<Finding> {
    let checks = [
        (&DRIVE, task.drive_volts),
        (&OUTPUT_LIMIT, task.output_volts),
        (&OUTPUT_OHMS, task.output_ohms),
        (&AMP_OHMS, task.amp_ohms),
        (&TOP, task.top_dbfs),
    ];
    checks.into_iter().filter_map(|(range, value)| range.of(value, "")).collect()
}

/// The methods' §3.3: a tone of the bottom step at 1000 Hz and hum 8 dB under it.
const ON_MAINS_EFFECT: &str = "hum adds to the quiet steps or takes from them: with hum 8 dB under a step its level moves \
    by up to 0.14 dB, and no THD under 0.5 % is seen";

/// What is unusual in the choices for test signals; `mains_hz` where the bench says it.
#[must_use]
pub fn of_signals(top_dbfs: f64, frequency_hz: f64, mains_hz: Option<f64>) -> Vec<Finding> {
    let mut findings: Vec<Finding> = [
        TOP.named(top_dbfs, "--top-dbfs").map(|finding| Finding {
            effect:
                "under −20 the interface's noise comes near; at 0 a converter may clip between its samples"
                    .to_owned(),
            advice: "−1 serves most; turn the level with the interface's output".to_owned(),
            ..finding
        }),
        LADDER.named(frequency_hz, "--frequency"),
    ]
    .into_iter()
    .flatten()
    .collect();
    if let Some(hz) = on_mains(frequency_hz, mains_hz) {
        let saw = format!("--frequency {frequency_hz} lies within 5 Hz of a multiple of {hz} Hz mains");
        let advice = "leave it at 1010 Hz, which keeps 10 Hz from every multiple of 50 and of 60 Hz";
        findings.push(Finding::new("frequency_on_mains", Severity::Note, saw, ON_MAINS_EFFECT, advice));
    }
    findings
}

/// What is unusual in the task of a bias; `own_limit_watts` is a limit that the person gave.
#[must_use]
pub fn of_bias(valve: &Valve, task: &BiasTask, own_limit_watts: Option<f64>) -> Vec<Finding> {
    build::of_bias(valve, task, own_limit_watts)
}

/// What is unusual in the answer: a cathode resistor with which the valve idles colder than any does.
#[must_use]
pub fn of_bias_point(task: &BiasTask, plate_watts: f64, limit_watts: f64) -> Option<Finding> {
    match task.given {
        Given::CathodeOhms(ohms) => build::of_bias_point(ohms, plate_watts, limit_watts),
        Given::PlateWatts(_) => None,
    }
}

/// What is unusual about a measured figure, by its name in the analysis (design §4a); `None` for what is usual, has
/// no range, or stands in a unit other than the range's (an uncalibrated rig gives hum in dBFS).
#[must_use]
pub fn of_figure(name: &str, value: f64, unit: Unit, load_ohms: Option<f64>) -> Option<Finding> {
    let load = load_ohms.unwrap_or(8.0);
    let (low, high, of, effect) = match name {
        "gain" => (
            20.0,
            60.0,
            Unit::Decibels,
            "is the drive calibrated at the amp's input, and the pad as written?",
        ),
        "thd_at_1_watt" => (0.1, 8.0, Unit::Percent, "is the load right, and the amp in order?"),
        "low_corner" => (30.0, 150.0, Unit::Hertz, "the interface may set it: a loopback would tell"),
        "high_corner" => (4000.0, 40_000.0, Unit::Hertz, "the interface may set it: a loopback would tell"),
        "hum_total" => (0.1, 20.0, Unit::Millivolts, "a ground loop, or a quieter amp than most"),
        "output_impedance" => (0.05 * load, 10.0 * load, Unit::Ohms, "are both loads as written?"),
        "sag" => {
            (0.0, 3.0, Unit::Decibels, "the supply may be in trouble, or the recorder's level automatic")
        }
        "plate_dissipation" => (30.0, 105.0, Unit::Percent, "check the voltage chart"),
        _ => return None,
    };
    if unit != of || (low..=high).contains(&value) {
        return None;
    }
    let usual = if name == "plate_dissipation" { "% of the limit" } else { unit.symbol() };
    let number = rounding::plain(value, unit);
    let saw = format!("{} of {number} is unusual (usual: {low} to {high} {usual})", name.replace('_', " "));
    let code = format!("unusual_{name}");
    Some(Finding::new(&code, Severity::Note, saw, effect, "nothing, if it is what you expect"))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn codes(findings: &[Finding]) -> Vec<&str> {
        findings.iter().map(|f| f.code.as_str()).collect()
    }

    fn usual() -> Rig {
        Rig {
            load_ohms: Some(8.0),
            load_watts: Some(50.0),
            interface_input_ohms: Some(10_000.0),
            pad: Some(Pad::Resistors {
                top_ohms: 10_000.0,
                bottom_ohms: 1000.0,
                tolerance_percent: Some(1.0),
            }),
            input_full_scale_volts: Some(1.9),
            output_full_scale_volts: Some(1.2),
            load_tolerance_percent: Some(5.0),
            interface_input_tolerance_percent: Some(20.0),
            input_full_scale_uncertainty_percent: Some(1.3),
            output_full_scale_uncertainty_percent: Some(2.0),
            drive_full_scale_uncertainty_percent: Some(2.0),
            meter_percent: Some(1.0),
            ..Rig::default()
        }
    }

    #[test]
    fn each_warning_fires_on_its_cause_and_on_nothing_else() {
        assert_eq!(codes(&of_rig(&usual())), [""; 0]);
        let measured = |divides_by, with| {
            Some(Pad::Measured { divides_by, measured_with_interface: with, tolerance_percent: None })
        };
        let cases = [
            (Rig { load_ohms: Some(80.0), ..usual() }, "unusual_load"),
            (Rig { load_watts: Some(0.5), ..usual() }, "unusual_load_watts"),
            (
                Rig { interface_input_ohms: Some(10.0), pad: measured(12.0, true), ..usual() },
                "unusual_input_impedance",
            ),
            (Rig { input_full_scale_volts: Some(30.0), ..usual() }, "unusual_full_scale"),
            (Rig { output_full_scale_volts: Some(30.0), ..usual() }, "unusual_output_full_scale"),
            (Rig { drive_full_scale_volts: Some(0.001), ..usual() }, "unusual_drive_full_scale"),
            (Rig { pad: measured(2000.0, true), ..usual() }, "unusual_pad"),
            (Rig { pad: measured(1.5, true), ..usual() }, "unusual_pad"),
            (Rig { pad: measured(12.0, false), ..usual() }, "pad_loading_unknown"),
            (Rig { interface_input_ohms: None, ..usual() }, "pad_loading_unknown"),
            // A fraction where per cent are asked, and the other way round.
            (Rig { load_tolerance_percent: Some(0.05), ..usual() }, "unusual_uncertainty"),
            (Rig { interface_input_tolerance_percent: Some(80.0), ..usual() }, "unusual_uncertainty"),
            (Rig { input_full_scale_uncertainty_percent: Some(40.0), ..usual() }, "unusual_uncertainty"),
            (Rig { output_full_scale_uncertainty_percent: Some(0.0), ..usual() }, "unusual_uncertainty"),
            (Rig { drive_full_scale_uncertainty_percent: Some(0.02), ..usual() }, "unusual_uncertainty"),
            (Rig { meter_percent: Some(0.02), ..usual() }, "unusual_uncertainty"),
            (
                Rig {
                    pad: Some(Pad::Resistors {
                        top_ohms: 1e4,
                        bottom_ohms: 1e3,
                        tolerance_percent: Some(50.0),
                    }),
                    ..usual()
                },
                "unusual_uncertainty",
            ),
        ];
        for (rig, code) in cases {
            assert_eq!(codes(&of_rig(&rig)), [code]);
        }
        assert_eq!(codes(&of_rig(&Rig { pad: measured(1.0, true), ..usual() })), [""; 0]);
        assert_eq!(codes(&of_rig(&Rig::default())), [""; 0]);
    }

    /// What `pad` is asked in the README, then one slip at a time.
    #[test]
    fn each_slip_typed_for_a_pad_is_named_and_nothing_else() {
        use crate::bench::series::Series;
        let input = PadTask {
            amp_watts: 5.0,
            load_ohms: 8.0,
            limit_volts: 2.45,
            input_ohms: 10_000.0,
            series: Series::E24,
            headroom_db: 6.0,
        };
        let output = DriveTask {
            output_volts: 2.45,
            output_ohms: 100.0,
            drive_volts: 0.2,
            top_dbfs: -1.0,
            amp_ohms: 1e6,
            series: Series::E24,
        };
        assert_eq!(codes(&of_pad(&input)), [""; 0]);
        assert_eq!(codes(&of_drive(&output)), [""; 0]);
        for (task, code) in [
            (PadTask { amp_watts: 5000.0, ..input }, "unusual_power"),
            (PadTask { load_ohms: 0.8, ..input }, "unusual_load"),
            (PadTask { limit_volts: 0.0245, ..input }, "unusual_full_scale"),
            (PadTask { input_ohms: 10.0, ..input }, "unusual_input_impedance"),
            (PadTask { headroom_db: 0.0, ..input }, "unusual_headroom"),
        ] {
            assert_eq!(codes(&of_pad(&task)), [code]);
        }
        for (task, code) in [
            (DriveTask { drive_volts: 20.0, ..output }, "unusual_drive"),
            (DriveTask { output_volts: 245.0, ..output }, "unusual_output_limit"),
            (DriveTask { output_ohms: 100e3, ..output }, "unusual_output_impedance"),
            (DriveTask { amp_ohms: 1000.0, ..output }, "unusual_amp_impedance"),
            (DriveTask { top_dbfs: -40.0, ..output }, "unusual_top"),
        ] {
            assert_eq!(codes(&of_drive(&task)), [code]);
        }
    }

    #[test]
    fn each_slip_in_what_is_asked_of_signals_is_named_and_nothing_else() {
        let said =
            |top, hz, mains| of_signals(top, hz, mains).into_iter().map(|f| f.code).collect::<Vec<_>>();
        for usual in [1010.0, 82.4, 220.0 - 5.0, 440.0 - 5.0] {
            assert_eq!(said(-1.0, usual, None), [""; 0], "{usual}");
        }
        assert_eq!(said(-35.0, 1010.0, None), ["unusual_top"]);
        assert_eq!(said(0.0, 1010.0, None), ["unusual_top"]);
        assert_eq!(said(-1.0, 20.0, None), ["unusual_frequency"]);
        assert_eq!(said(-1.0, 4990.0, None), ["unusual_frequency"]);
        for hz in [1000.0, 997.0, 1020.0, 100.0] {
            assert_eq!(said(-1.0, hz, None), ["frequency_on_mains"], "{hz}");
        }
        // Where the mains is known, only its multiples count.
        assert_eq!(said(-1.0, 1020.0, Some(50.0)), [""; 0]);
        assert_eq!(said(-1.0, 1000.0, Some(50.0)), ["frequency_on_mains"]);
    }

    #[test]
    fn numbers_in_words_have_four_digits() {
        let rig = Rig {
            pad: Some(Pad::Resistors { top_ohms: 11e6, bottom_ohms: 1e3, tolerance_percent: Some(1.0) }),
            interface_input_ohms: Some(1e6),
            ..usual()
        };
        // 11 MΩ over 1k ∥ 1M (999.001 Ω): 11012 to 1.
        let said = of_rig(&rig);
        assert!(said[0].saw.contains("of 11010 to 1 is unusual"), "{said:?}");
    }

    #[test]
    fn unusual_figures_are_named() {
        assert_eq!(of_figure("gain", 34.0, Unit::Decibels, None), None);
        let finding = of_figure("gain", 74.0, Unit::Decibels, None).unwrap();
        assert_eq!(finding.code, "unusual_gain");
        assert!(finding.saw.contains("74.00 dB is unusual"), "{}", finding.saw);
        assert!(of_figure("output_impedance", 100.0, Unit::Ohms, Some(8.0)).is_some());
        assert_eq!(of_figure("output_impedance", 100.0, Unit::Ohms, Some(16.0)), None);
        assert_eq!(of_figure("something_else", 1e9, Unit::Ohms, None), None);
        // An uncalibrated rig's decibels are no millivolts.
        assert!(of_figure("hum_total", 60.0, Unit::Millivolts, None).is_some());
        assert_eq!(of_figure("hum_total", -60.0, Unit::DbFullScale, None), None);
    }
}
