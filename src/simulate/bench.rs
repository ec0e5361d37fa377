//! The demo's bench: which takes are made of the two builds, on which rig, and its bench.toml.

use super::amp::{Amp, Circuit};
use super::heron;
use super::noise::{Hum, White};
use super::preamp::Controls;
use super::recorder::{Recorder, take};
use crate::signals::{Identity, Plan};
use crate::units::from_db;

const TEMPLATE: &str = include_str!("../../assets/demo-bench.toml");

/// RMS volts at the interface's input of a sine that reads full scale, as the template says.
const INPUT_FULL_SCALE_VOLTS: f64 = 1.9;
/// Volts at the load over volts at the interface's input: 10 kΩ over 1 kΩ ∥ 10 kΩ.
const PAD_DIVIDES_BY: f64 = 12.0;
/// The rig is not quite what its owner believes: parts have tolerances (0.3 % here).
const RIG_IS_OFF_BY: f64 = 1.003;
/// Mains voltage and level wander from take to take by this much (methods §9, "bench").
const MAINS_WANDER: f64 = 0.005;
const DRIVE_WANDER_DB: f64 = 0.02;

/// A build of the demo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Build {
    /// The reference.
    AsDrawn,
    /// The other one.
    Rework,
}

impl Build {
    /// Its name in bench.toml.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::AsDrawn => "as-drawn",
            Self::Rework => "rework",
        }
    }

    /// Its circuit.
    #[must_use]
    pub fn circuit(self) -> Circuit {
        match self {
            Self::AsDrawn => heron::as_drawn(),
            Self::Rework => heron::rework(),
        }
    }
}

/// One take to be made, and what its maker notes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// File in the bench.
    pub file: String,
    /// The build.
    pub build: Build,
    /// Name of the setting.
    pub setting: &'static str,
    /// The load, where it differs from the rig's.
    pub load_ohms: Option<f64>,
    /// The one segment that is played; `None`: the whole programme.
    pub part: Option<&'static str>,
    /// Place in the order of recording, from 1.
    pub order: u32,
    /// Mains voltage, as a meter with a tenth of a volt shows it.
    pub mains_volts: f64,
    /// Minutes since power-on.
    pub warm_up_minutes: f64,
}

/// The takes in the order in which they are logged. They were recorded in another one: the reference
/// once more at the end, so that a drift of the bench would show.
#[must_use]
pub fn sessions() -> Vec<Session> {
    use Build::{AsDrawn, Rework};
    let planned = [
        (AsDrawn, "full", None, 1, 24.0),
        (AsDrawn, "full", None, 2, 27.0),
        (AsDrawn, "full", None, 10, 25.0),
        (AsDrawn, "noon", None, 3, 30.0),
        (AsDrawn, "full", Some(16.0), 4, 34.0),
        (Rework, "full", None, 5, 24.0),
        (Rework, "full", None, 6, 27.0),
        (Rework, "full", None, 7, 29.0),
        (Rework, "noon", None, 8, 32.0),
        (Rework, "full", Some(16.0), 9, 36.0),
    ];
    let mut repeats = std::collections::BTreeMap::new();
    planned
        .into_iter()
        .map(|(build, setting, load_ohms, order, warm_up_minutes): (Build, _, Option<f64>, u32, f64)| {
            let load = load_ohms.map(|ohms| format!("-{ohms}-ohm")).unwrap_or_default();
            let stem = format!("{}-{setting}{load}", build.name());
            let repeat = repeats.entry(stem.clone()).or_insert(0);
            *repeat += 1;
            let mains_volts = heron::MAINS_VOLTS * (1.0 + MAINS_WANDER * wander(order).value());
            Session {
                file: format!("takes/{stem}-{repeat}.wav"),
                build,
                setting,
                load_ohms,
                // Output impedance needs the low-drive sweep alone.
                part: load_ohms.map(|_| "sweep_low"),
                order,
                mains_volts: (mains_volts * 10.0).round() / 10.0,
                warm_up_minutes,
            }
        })
        .collect()
}

/// What differs from take to take, always the same for the same take.
fn wander(order: u32) -> White {
    White::new(0x4865_726f_6e36 ^ u64::from(order) << 8)
}

impl Session {
    fn controls(&self) -> Controls {
        if self.setting == "noon" { heron::NOON } else { heron::FULL }
    }

    /// Plays the plan through the build and records it: the rate and the samples.
    #[must_use]
    pub fn record(&self, plan: &Plan) -> (u32, Vec<f64>) {
        let mut random = wander(self.order);
        let mut circuit = self.build.circuit();
        let supply = &mut circuit.output.supply;
        supply.mains_ratio = 1.0 + MAINS_WANDER * random.value();
        supply.mains_hz = 50.0 + 0.012 * random.value();
        let mains_hz = supply.mains_hz;
        let load_ohms = self.load_ohms.unwrap_or(8.0);
        let mut amp = Amp::new(&circuit, &self.controls(), load_ohms, u64::from(self.order));
        let full_scale_volts = INPUT_FULL_SCALE_VOLTS * std::f64::consts::SQRT_2 * PAD_DIVIDES_BY;
        let part = self.part.and_then(|id| plan.segments.iter().position(|s| s.id == id));
        let part = part.and_then(|index| plan.part(index));
        let identity = Identity { plan: plan.identity(), part: part.as_ref().map_or(0, |p| p.part) };
        let recorder = Recorder {
            identity: Some(identity),
            // The player and the recorder are two machines here, a little apart and a little unsteady.
            clock_ppm: 38.0 + 1.5 * random.value(),
            latency_seconds: 0.4 + 0.5 * random.uniform(),
            tail_seconds: 0.6 + 0.3 * random.uniform(),
            drive_per_unit: heron::DRIVE_VOLTS_PER_UNIT * from_db(DRIVE_WANDER_DB * random.value()),
            units_per_output: RIG_IS_OFF_BY / full_scale_volts,
            noise_rms: from_db(-104.0),
            hum: Some(Hum { mains_hz, peak: from_db(-106.0), lines: 8 }),
            dc: 3e-6,
            seed: u64::from(self.order) << 16,
            ..Recorder::default()
        };
        take(part.as_ref().unwrap_or(plan), &mut amp, &recorder)
    }
}

/// The bench.toml of the demo, without takes. The voltage charts are what a meter would show in the
/// simulated amps; what the drawing expects is rounded as drawings are.
#[must_use]
pub fn bench_toml() -> String {
    let output_volts = heron::DRIVE_VOLTS_PER_UNIT / std::f64::consts::SQRT_2;
    TEMPLATE
        .replace("{OUTPUT_VOLTS}", &format!("{output_volts:.4}"))
        .replace("{AS_DRAWN}", &chart(Build::AsDrawn, Some([285.0, 275.0, 15.0])))
        .replace("{REWORK}", &chart(Build::Rework, None))
}

/// Resistors and DC voltages of a build, as lines of bench.toml.
fn chart(build: Build, expected: Option<[f64; 3]>) -> String {
    let circuit = build.circuit();
    let mut amp = Amp::new(&circuit, &heron::FULL, 8.0, 1);
    let idle = amp.operating_point(4.0 * 48_000.0);
    let mut lines = format!(
        "cathode_ohms = {}\nprimary_ohms = {}\n",
        circuit.output.cathode_ohms, circuit.output.transformer.primary_ohms
    );
    let points =
        [("plate", idle.plate_volts), ("screen", idle.screen_volts), ("cathode", idle.cathode_volts)];
    for (k, (point, volts)) in points.into_iter().enumerate() {
        // A meter of three and a half digits.
        let digits = usize::from(volts < 100.0);
        lines += &format!("[[build.dc]]\npoint = \"{point}\"\nvolts = {volts:.digits$}\n");
        if let Some(volts) = expected.and_then(|e| e.get(k).copied()) {
            lines += &format!("expected_volts = {volts}\n");
        }
    }
    lines
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::bench::Bench;

    #[test]
    fn the_demos_bench_is_a_bench_and_says_that_it_is_simulated() {
        let bench = Bench::parse(Path::new("."), Path::new("bench.toml"), &bench_toml()).unwrap();
        assert!(bench.simulated && bench.findings.is_empty(), "{:?}", bench.findings);
        assert_eq!(bench.builds.iter().map(|b| b.name.as_str()).collect::<Vec<_>>(), ["as-drawn", "rework"]);
        assert!(bench.builds.iter().all(|b| b.dc.len() == 3 && b.cathode_ohms.is_some()));
        for session in sessions() {
            assert!(bench.setting(session.setting).is_some());
        }
        // What the simulation does and what its owner wrote down are the same but for the tolerance.
        let volts = bench.rig.load_full_scale_volts().unwrap();
        assert!((volts / (INPUT_FULL_SCALE_VOLTS * PAD_DIVIDES_BY) - 1.0).abs() < 1e-12, "{volts}");
    }

    #[test]
    fn takes_differ_and_repeat_themselves() {
        // One reference tone is enough.
        let plan = Plan::short(&crate::signals::Choices::default()).part(1).unwrap();
        let sessions = sessions();
        let files: std::collections::BTreeSet<&str> = sessions.iter().map(|s| s.file.as_str()).collect();
        assert_eq!(files.len(), sessions.len());
        let (_, first) = sessions[0].record(&plan);
        assert_eq!(sessions[0].record(&plan).1, first);
        assert_ne!(sessions[1].record(&plan).1, first);
    }
}
