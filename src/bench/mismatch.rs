//! A full scale that is not what it should be, and the slips that would explain it.

use super::rig::{CalibratedAt, Pad, Rig};
use crate::figure::Unit;
use crate::finding::{Finding, Severity};
use crate::rounding;
use crate::units::db;

/// Within this the expectation is met: data sheets and 1 % resistors are no better (common practice).
const AGREES_DB: f64 = 0.5;
/// A slip explains a difference if it comes this near: half the distance between neighbours in the list of 3 dB steps
/// would be 1.5; tolerances of pad and meter need about this.
const EXPLAINS_DB: f64 = 0.3;

/// Beyond this it is no tolerance of pad, meter or data sheet: nothing is written unasked (common practice, no source).
const REFUSED_DB: f64 = 1.0;

/// A slip that would read this many decibels more than is there.
struct Slip {
    excess_db: f64,
    words: String,
}

fn slip(excess_db: f64, words: impl Into<String>) -> Slip {
    Slip { excess_db, words: words.into() }
}

/// Slips of level that need no resistors: 3.01, 6.02, 9.03, 60 dB.
fn of_level() -> Vec<Slip> {
    let pairs = [
        (db(2f64.sqrt()), "a peak value taken for RMS"),
        (db(2.0), "a balanced level taken for a single-ended one"),
        (db(8f64.sqrt()), "a peak-to-peak value taken for RMS"),
        (db(1000.0), "millivolts taken for volts"),
    ];
    pairs
        .into_iter()
        .flat_map(|(size, words)| [slip(size, words), slip(-size, format!("{words}, in the expected value"))])
        .collect()
}

/// Slips of the pad: the ratio that would be there instead, re the one that was computed.
fn of_pad(rig: &Rig) -> Vec<Slip> {
    let Some(Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent }) = rig.pad else {
        return Vec::new();
    };
    let input = rig.interface_input_ohms;
    let computed = rig.pad_ratio().unwrap_or(f64::NAN);
    let with = |top_ohms: f64, bottom_ohms: f64, input: Option<f64>| {
        db(computed / Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent }.ratio(input))
    };
    let mut slips = vec![
        slip(with(bottom_ohms, top_ohms, input), "top and bottom resistor exchanged"),
        slip(with(top_ohms * 10.0, bottom_ohms, input), "a top resistor ten times as large as written"),
        slip(with(top_ohms / 10.0, bottom_ohms, input), "a top resistor a tenth of what is written"),
        slip(with(top_ohms, bottom_ohms * 10.0, input), "a bottom resistor ten times as large as written"),
        slip(with(top_ohms, bottom_ohms / 10.0, input), "a bottom resistor a tenth of what is written"),
        slip(db(computed), "no pad in the way at all"),
    ];
    // Open ground leg: only the input's impedance is left below.
    if let Some(ohms) = input {
        slips.push(slip(
            with(top_ohms, ohms, None),
            "a bottom resistor that is not connected: check the solder joint",
        ));
        slips.push(slip(
            with(top_ohms, bottom_ohms, None),
            "an input impedance far higher than interface_input_ohms",
        ));
        slips.push(slip(
            with(top_ohms, bottom_ohms, Some(ohms / 10.0)),
            "an input impedance a tenth of interface_input_ohms",
        ));
    } else {
        slips.push(slip(with(top_ohms, bottom_ohms, Some(10_000.0)), "an input of 10 kΩ that loads the pad"));
    }
    slips
}

/// Compares the interface input's full scale with what was expected of it.
#[must_use]
pub fn input(rig: &Rig, at: CalibratedAt, measured_volts: f64, expected_volts: f64) -> Option<Finding> {
    let mut slips = of_level();
    if at == CalibratedAt::Load {
        slips.extend(of_pad(rig));
    }
    let unexplained = "measure volts across the load and at the interface's input with the same tone: \
                       their ratio is the pad's";
    compare("input_mismatch", measured_volts, expected_volts, slips, unexplained)
}

/// Compares the output's full scale at the amp's input with what was expected of it.
#[must_use]
pub fn output(measured_volts: f64, expected_volts: f64) -> Option<Finding> {
    let unexplained = "check the output's level control and the drive pad's resistors";
    compare("output_mismatch", measured_volts, expected_volts, of_level(), unexplained)
}

fn compare(code: &str, measured: f64, expected: f64, slips: Vec<Slip>, unexplained: &str) -> Option<Finding> {
    let excess_db = db(measured / expected);
    if excess_db.abs() <= AGREES_DB {
        return None;
    }
    let mut near: Vec<Slip> =
        slips.into_iter().filter(|s| (s.excess_db - excess_db).abs() <= EXPLAINS_DB).collect();
    near.sort_by(|a, b| (a.excess_db - excess_db).abs().total_cmp(&(b.excess_db - excess_db).abs()));
    let saw = format!(
        "full scale comes out at {} RMS, {excess_db:+.2} dB from the {} expected",
        rounding::plain(measured, Unit::Volts),
        rounding::plain(expected, Unit::Volts)
    );
    let effect = "every volt, and every watt, is off by so many decibels if this is a slip";
    let mut advice = if near.is_empty() {
        format!("no usual slip explains it; {unexplained}")
    } else {
        let words: Vec<String> = near.into_iter().map(|s| s.words).collect();
        format!("this is what it looks like with {}", words.join("; or with "))
    };
    if excess_db.abs() <= REFUSED_DB {
        return Some(Finding::new(code, Severity::Limit, saw, effect, advice));
    }
    advice.push_str("; if the gain was changed on purpose, write it with --anyway");
    Some(Finding::new(code, Severity::Redo, saw, effect, advice))
}
