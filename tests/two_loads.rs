//! Output impedance from two loads, from bench.toml to the figures: a simulated amp that is a voltage source behind a
//! known impedance, recorded into 8 and into 16 Ω with noise, hum, drift and latency of their own (reference.md §8).

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::f64::consts::TAU;
use std::path::Path;

use rayon::prelude::*;
use support::{Stored, write_wav};
use twinload::analyse;
use twinload::analysis::TakeAnalysis;
use twinload::bench::Bench;
use twinload::compare;
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Band, Chain, Device, HardClip, Hum, Recorder, take};

/// The nominal load and the other.
const LOADS_OHMS: [f64; 2] = [8.0, 16.0];

/// What is between the voltage source and the load: a resistance and an inductance in series, as a transformer has
/// them. `L di/dt = v − i (R + load)`, by the trapezoid rule.
struct Source {
    ohms: f64,
    henries: f64,
    load_ohms: f64,
    amperes: f64,
    volts: f64,
}

impl Source {
    fn new(ohms: f64, henries: f64, load_ohms: f64) -> Self {
        Self { ohms, henries, load_ohms, amperes: 0.0, volts: 0.0 }
    }
}

impl Device for Source {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        let all = self.ohms + self.load_ohms;
        let lag = 2.0 * self.henries * rate_hz;
        for x in block {
            self.amperes = (self.volts + *x + self.amperes * (lag - all)) / (lag + all);
            self.volts = *x;
            *x = self.load_ohms * self.amperes;
        }
    }
}

/// One amp: what it does after its source, and the source's impedance.
#[derive(Clone, Copy)]
struct Amp {
    build: &'static str,
    ohms: f64,
    henries: f64,
    /// Peak at the load beyond which nothing passes, whatever the load.
    clips_at: f64,
}

/// Records each amp into each load and gives the bench.
fn bench(folder: &Path, amps: &[Amp]) -> Bench {
    let plan = Plan::short(&Choices::default());
    let mut text = "[bench]\ntitle = \"Two loads\"\n[rig]\nload_ohms = 8.0\ninput_full_scale_volts = 1.0\n\
                    pad = { divides_by = 10.0, measured_with_interface = true }\n[setting.full]\nvolume = \"10\"\n"
        .to_owned();
    amps.iter().for_each(|amp| text += &format!("[[build]]\nname = \"{}\"\n", amp.build));
    let all: Vec<(Amp, f64)> = amps.iter().flat_map(|amp| LOADS_OHMS.map(|ohms| (*amp, ohms))).collect();
    let file = |amp: &Amp, ohms: f64| format!("{}-{ohms:.0}.wav", amp.build);
    all.par_iter().enumerate().for_each(|(n, (amp, ohms))| {
        let mut device = Chain(vec![
            Box::new(Band::new(70.0, 9000.0)),
            Box::new(Source::new(amp.ohms, amp.henries, *ohms)),
            Box::new(HardClip::symmetric(amp.clips_at)),
        ]);
        let recorder = Recorder {
            clock_ppm: 37.0 + n as f64,
            latency_seconds: 0.25 + 0.0123 * n as f64,
            tail_seconds: 0.3,
            units_per_output: 0.7,
            noise_rms: 1e-5,
            hum: Some(Hum { mains_hz: 50.02, peak: 1e-4, lines: 8 }),
            bits: Some(24),
            seed: 70 + n as u64,
            ..Recorder::default()
        };
        let (rate, samples) = take(&plan, &mut device, &recorder);
        write_wav(&folder.join(file(amp, *ohms)), &samples, Stored { rate, bits: 24, float: false });
    });
    for (amp, ohms) in &all {
        text += &format!(
            "[[take]]\nfile = \"{}\"\nbuild = \"{}\"\nsetting = \"full\"\nload_ohms = {ohms:.1}\n",
            file(amp, *ohms),
            amp.build
        );
    }
    std::fs::write(folder.join("bench.toml"), text).unwrap();
    Bench::open(folder).unwrap()
}

fn take_of<'a>(takes: &'a [TakeAnalysis], build: &str) -> &'a TakeAnalysis {
    let at_nominal =
        |t: &&TakeAnalysis| t.build.as_deref() == Some(build) && t.load_ohms == Some(LOADS_OHMS[0]);
    takes.iter().find(at_nominal).unwrap()
}

#[test]
fn the_impedance_is_found_with_an_interval_that_holds_it() {
    let folder = tempfile::tempdir().unwrap();
    let amps = [
        // Into 8 Ω a damping factor of 4; a soft source; and one that an inductance raises to |3 + j2.51| Ω at 1 kHz.
        Amp { build: "stiff", ohms: 2.0, henries: 1e-9, clips_at: 9.0 },
        Amp { build: "soft", ohms: 12.0, henries: 1e-9, clips_at: 9.0 },
        Amp { build: "reactive", ohms: 3.0, henries: 0.4e-3, clips_at: 9.0 },
    ];
    let bench = bench(folder.path(), &amps);
    let analysis = analyse::bench(&bench).unwrap();
    for amp in amps {
        let take = take_of(&analysis.takes, amp.build);
        let reactance = |hz: f64| TAU * hz * amp.henries;
        let truth = amp.ohms.hypot(reactance(1000.0));
        let found = take.figures.get("output_impedance").unwrap();
        let [low, high] = found.interval.unwrap_or_else(|| panic!("{}: {found:?}", amp.build));
        assert!((low..=high).contains(&truth), "{}: {truth}, {found:?}", amp.build);
        let damping = take.figures.get("damping_factor").unwrap();
        let [low, high] = damping.interval.unwrap();
        assert!((low..=high).contains(&(8.0 / truth)), "{}: {damping:?}", amp.build);
        // Both levels agree.
        assert!(!take.findings.iter().any(|f| f.code == "output_impedance_moves"), "{:?}", take.findings);
        // Against frequency, inside the amp's band: the curve's interval holds the truth at 95 % of the places.
        let curve = &take.curves["output_impedance"];
        let column = |name: &str| curve.column(name).unwrap();
        let (f, size) = (column("frequency"), column("magnitude"));
        let (low, high, phase) = (column("magnitude_low"), column("magnitude_high"), column("phase"));
        let (mut inside, mut count, mut off, mut turned) = (0, 0, 0.0f64, 0.0f64);
        for i in 0..f.len() {
            let (Some(hz), Some(low), Some(high)) = (f[i], low[i], high[i]) else { continue };
            if !(100.0..=5000.0).contains(&hz) {
                continue;
            }
            let truth = amp.ohms.hypot(reactance(hz));
            count += 1;
            inside += u32::from((low..=high).contains(&truth));
            off = off.max((size[i].unwrap() / truth - 1.0).abs());
            turned = turned.max((phase[i].unwrap() - reactance(hz).atan2(amp.ohms).to_degrees()).abs());
        }
        assert!(f64::from(inside) >= 0.95 * f64::from(count), "{}: {inside} of {count}", amp.build);
        // And complex: 0.03 dB in ρ is 3 % of Z at most here (methods §9), or 2° of its angle; twice that at places
        // of largest noise among 272.
        assert!(off < 0.06 && turned < 4.0, "{}: {off}, {turned}°", amp.build);
    }

    // Compared, the two builds' impedances stand in a row, from one take each.
    let comparison = compare::compare(&bench, &analysis, &[]).unwrap();
    for (quantity, truth) in [("output_impedance", [2.0, 12.0]), ("damping_factor", [4.0, 8.0 / 12.0])] {
        let row = comparison.rows.iter().find(|r| r.quantity == quantity).unwrap();
        assert_eq!(row.builds[..2], ["stiff", "soft"]);
        for (value, truth) in row.values.iter().zip(truth) {
            let [low, high] = value.interval.unwrap();
            assert!((low..=high).contains(&truth), "{quantity}: {truth}, {value:?}");
            assert!(value.note.as_deref().is_some_and(|n| n.contains("one take")), "{value:?}");
        }
    }
}

#[test]
fn an_impedance_that_moves_with_level_is_told() {
    let folder = tempfile::tempdir().unwrap();
    // At the high drive (peak 0.447) both loads reach the same limit: as if there were no impedance.
    let amps = [Amp { build: "limits", ohms: 4.0, henries: 1e-9, clips_at: 0.1 }];
    let bench = bench(folder.path(), &amps);
    let analysis = analyse::bench(&bench).unwrap();
    let take = take_of(&analysis.takes, "limits");
    let found = take.figures.get("output_impedance").unwrap();
    let [low, high] = found.interval.unwrap();
    assert!((low..=high).contains(&4.0), "{found:?}");
    let told = take.findings.iter().find(|f| f.code == "output_impedance_moves");
    assert!(told.is_some_and(|f| f.saw.contains("low-drive") && f.saw.contains("high-drive")), "{told:?}");
}
