//! Recordings of two amplifiers by a circuit simulator, against the simulator's own Fourier analysis.
//!
//! Source of truth and of the tolerances: `tests/recordings/README.md` (agreement that an independent
//! least-squares fit of the same files reached).

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use support::{Row, Table, analyse, db, in_tests, measure, read_wav, turn};
use twinload::analysis::{RecordingKind, TakeAnalysis};

/// Volts peak at the load of a sample of 1.0 (README).
const LOAD_VOLTS_PER_UNIT: f64 = 25.0;
/// README: "level 0.001 dB".
const LEVEL_DB: f64 = 0.001;
/// README: "THD 0.005 percentage points".
const THD_POINTS: f64 = 0.005;

/// README: how near a harmonic must come, by its level re the fundamental; `None` below −80 dBc, where the
/// simulator's own step error shows.
fn harmonic_tolerance_db(level_dbc: f64) -> Option<f64> {
    if level_dbc > -60.0 {
        Some(0.02)
    } else if level_dbc > -70.0 {
        Some(0.05)
    } else if level_dbc > -80.0 {
        Some(0.3)
    } else {
        None
    }
}

fn value(take: &TakeAnalysis, name: &str) -> f64 {
    take.figures.value(name).unwrap_or_else(|| panic!("{}: no {name}", take.file))
}

fn tone_agrees(row: Row<'_>, take: &TakeAnalysis) {
    let file = row.text("file");
    assert_eq!(take.kind, RecordingKind::Tone, "{file}");
    let frequency = value(take, "frequency");
    // One frequency drives the simulator; the fit's own uncertainty is far below a microhertz.
    assert!((frequency - 1000.0).abs() < 1e-4, "{file}: {frequency} Hz");
    let expected =
        db(row.number("load_volts_rms_fundamental") * std::f64::consts::SQRT_2 / LOAD_VOLTS_PER_UNIT);
    let level = value(take, "level");
    assert!((level - expected).abs() <= LEVEL_DB, "{file}: level {level}, {expected}");
    let thd = value(take, "thd");
    // At 1000 Hz the harmonics to 20 kHz are H2..H20.
    let expected = row.number("thd_f_percent_h2_h20");
    assert!((thd - expected).abs() <= THD_POINTS, "{file}: THD {thd}, {expected}");
    for order in 2..=10 {
        let expected = row.number(&format!("h{order}_db"));
        let Some(allowed) = harmonic_tolerance_db(expected) else { continue };
        let harmonic = take.figures.harmonics.iter().find(|h| h.order == order);
        let found =
            db(harmonic.unwrap_or_else(|| panic!("{file}: no H{order}")).ratio.value.unwrap() / 100.0);
        assert!((found - expected).abs() <= allowed, "{file}: H{order} {found} dB, {expected} dB");
    }
}

#[test]
fn simulated_tones_agree_with_the_simulators_truth() {
    let table = Table::read("recordings/tones.csv");
    for row in table.rows() {
        tone_agrees(row, &analyse(&in_tests("recordings").join(row.text("file"))));
    }
}

/// Inverting a recording turns the even harmonics by 180° and leaves everything else (reference.md §1).
#[test]
fn inverting_a_recording_turns_even_harmonics_only() {
    let table = Table::read("recordings/tones.csv");
    for row in table.rows() {
        let path = in_tests("recordings").join(row.text("file"));
        let upright = analyse(&path);
        let (samples, stored) = read_wav(&path);
        let inverted: Vec<f64> = samples.iter().map(|s| -s).collect();
        let inverted = measure(&inverted, stored);
        tone_agrees(row, &inverted);
        for (a, b) in upright.figures.harmonics.iter().zip(&inverted.figures.harmonics) {
            if !(2..=10).contains(&a.order) || row.number(&format!("h{}_db", a.order)) < -80.0 {
                continue;
            }
            let expected = if a.order % 2 == 0 { 180.0 } else { 0.0 };
            let off = turn(b.phase.value.unwrap() - a.phase.value.unwrap(), expected).abs();
            // The samples are the same but for the sign: what differs is arithmetic.
            assert!(off < 1e-6, "{}: H{} turned by {off}° too much", row.text("file"), a.order);
        }
    }
}

/// A single-ended stage whose output valve clips softly on one side has its second harmonic in phase or
/// in opposition with the fundamental's crest at moderate drive, never in quadrature: the stage has little memory
/// at 1 kHz. A wrong phase convention would put it at ±90° (reference.md §1, sine form).
#[test]
fn the_second_harmonic_of_a_nearly_memoryless_stage_lies_at_0_or_180_degrees() {
    let table = Table::read("recordings/tones.csv");
    for row in table.rows().filter(|r| r.number("drive_volts_peak") < 0.15) {
        let take = analyse(&in_tests("recordings").join(row.text("file")));
        let phase = take.figures.harmonics.iter().find(|h| h.order == 2).unwrap().phase.value.unwrap();
        let off = turn(phase, 0.0).abs().min(turn(phase, 180.0).abs());
        assert!(off < 30.0, "{}: {phase}°", row.text("file"));
    }
}

/// Volts peak at the load of a sample of 1.0 in the files of our own netlist (`tests/reference/spice/README.md`).
const STAGE_VOLTS_PER_UNIT: f64 = 20.0;

/// A second amplifier from a netlist of our own, whose truth has phases too. The tolerances are three times what a
/// plain least-squares fit of the same files reached (`tests/reference/spice/README.md`).
#[test]
fn our_own_simulated_stage_agrees_in_level_harmonics_and_phase() {
    let table = Table::read("reference/spice/tones.csv");
    for row in table.rows() {
        let file = row.text("file");
        let path = in_tests("reference/spice").join(file);
        let upright = analyse(&path);
        let (samples, stored) = read_wav(&path);
        let inverted = measure(&samples.iter().map(|s| -s).collect::<Vec<_>>(), stored);
        for (take, sign) in [(&upright, 1.0), (&inverted, -1.0)] {
            assert_eq!(take.kind, RecordingKind::Tone, "{file}");
            let level =
                value(take, "level") - db(row.number("fundamental_volts_peak") / STAGE_VOLTS_PER_UNIT);
            assert!(level.abs() <= 1.2e-4, "{file}: level is off by {level} dB");
            let thd = value(take, "thd") - row.number("thd_percent_h2_h20");
            assert!(thd.abs() <= 4.2e-4, "{file}: THD is off by {thd} points");
            for order in 2..=10 {
                let expected = row.number(&format!("h{order}_db"));
                let (allowed_db, allowed_degrees) = if expected > -60.0 {
                    (0.003, 0.015)
                } else if expected > -80.0 {
                    (0.018, 0.1)
                } else {
                    continue;
                };
                let harmonic = take.figures.harmonics.iter().find(|h| h.order == order).unwrap();
                let off = db(harmonic.ratio.value.unwrap() / 100.0) - expected;
                assert!(off.abs() <= allowed_db, "{file}: H{order} is off by {off} dB");
                let turned = if sign < 0.0 && order % 2 == 0 { 180.0 } else { 0.0 };
                let expected = row.number(&format!("h{order}_phase_deg")) + turned;
                let off = turn(harmonic.phase.value.unwrap(), expected);
                assert!(off.abs() <= allowed_degrees, "{file}: H{order}'s phase is off by {off}°");
            }
        }
    }
}
