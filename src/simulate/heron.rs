//! "Heron 6", the invented single-ended practice amp of the demo, in its two builds.
//!
//! Its values are ours; the valves' equations and parameters are published (see [`super::valves`]).

use super::amp::Circuit;
use super::output::OutputParts;
use super::preamp::{Controls, LinkParts, TriodeParts};
use super::supply::Supply;
use super::transformer::Transformer;
use super::valves::{PENTODE_6L6GC, PENTODE_6V6GT, TRIODE_12AX7};

/// Nominal mains voltage of the demo's bench.
pub const MAINS_VOLTS: f64 = 230.0;
/// Volts at the amp's input for a programme value of 1: interface output behind its own pad.
pub const DRIVE_VOLTS_PER_UNIT: f64 = 0.21;

/// As the circuit was drawn: 6V6GT.
#[must_use]
pub fn as_drawn() -> Circuit {
    let triode = TriodeParts {
        valve: TRIODE_12AX7,
        supply_volts: 250.0,
        plate_ohms: 100e3,
        cathode_ohms: 1500.0,
        cathode_farads: 22e-6,
        source_ohms: 34e3,
    };
    Circuit {
        input: triode,
        link: LinkParts {
            farads: 22e-9,
            volume_ohms: 1e6,
            tone_ratio: 0.2,
            tone_ohms: 80e3,
            grid_farads: 80e-12,
        },
        driver: TriodeParts { cathode_farads: 0.0, ..triode },
        output: OutputParts {
            valve: PENTODE_6V6GT,
            coupling_farads: 47e-9,
            grid_leak_ohms: 330e3,
            cathode_ohms: 330.0,
            cathode_farads: 47e-6,
            feedback_ratio: 0.03,
            transformer: Transformer {
                turns_ratio: 26.0,
                primary_henries: 6.8,
                saturation_volt_seconds: 1.2,
                leakage_henries: 0.02,
                primary_ohms: 250.0,
                secondary_ohms: 250.0,
                core_ohms: 40e3,
                primary_farads: 3.9e-9,
            },
            supply: Supply {
                peak_volts: 364.0,
                source_ohms: 330.0,
                reservoir_farads: 33e-6,
                screen_ohms: 3300.0,
                screen_farads: 33e-6,
                preamp_amps: 0.002,
                mains_hz: 50.0,
                mains_ratio: 1.0,
            },
        },
        heater_volts: 5e-6,
        noise_volts: 4e-6,
        flicker_hz: 400.0,
    }
}

/// Reworked: 6L6GC with its own cathode resistor, all else equal.
#[must_use]
pub fn rework() -> Circuit {
    let mut circuit = as_drawn();
    circuit.output.valve = PENTODE_6L6GC;
    circuit.output.cathode_ohms = 390.0;
    circuit
}

/// Volume full, tone in the middle.
pub const FULL: Controls = Controls { volume: 1.0, treble_hz: 9e3 };
/// Volume in the middle of a logarithmic track, tone in the middle.
pub const NOON: Controls = Controls { volume: 0.25, treble_hz: 9e3 };
