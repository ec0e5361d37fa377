//! Benches and takes by hand, all invented: what `compare` is given in these tests.

use std::path::Path;

use twinload::analysis::{Analysis, Figures, RecordingKind, SCHEMA, TakeAnalysis};
use twinload::bench::Bench;
use twinload::compare::{self, Comparison};
use twinload::figure::{Curve, Curves, Quantity, Unit};
use twinload::finding::Fitness;

/// An invented amp, as few numbers as make all figures.
#[derive(Debug, Clone, Copy)]
pub struct Amp {
    /// Watts at 0 dB of drive if nothing compressed, in dBW: moves with gain.
    pub gain_db: f64,
    /// Watts at which it limits.
    pub limit_watts: f64,
    /// H2 at 1 W, per cent.
    pub h2: f64,
    /// H3 at 1 W, per cent.
    pub h3: f64,
    /// Hum, mV.
    pub hum: f64,
    /// Noise, mV.
    pub noise: f64,
    /// Sag, dB.
    pub sag: f64,
    /// Lower and upper corner, Hz.
    pub corners: (f64, f64),
    /// Lift at 2.5 kHz, dB.
    pub presence: f64,
}

/// The reference of all cases.
pub const HERON: Amp = Amp {
    gain_db: 30.0,
    limit_watts: 5.0,
    h2: 2.4,
    h3: 1.3,
    hum: 1.9,
    noise: 0.42,
    sag: 0.62,
    corners: (72.0, 8969.0),
    presence: 0.0,
};

/// Watts and THD (per cent) at this drive.
fn at_drive(amp: &Amp, drive_db: f64) -> (f64, f64) {
    let asked = 10f64.powf((drive_db + amp.gain_db - 20.0) / 10.0);
    let over = (asked / amp.limit_watts).powi(3);
    let watts = asked / (1.0 + over).powf(1.0 / 3.0);
    let low = amp.h2.hypot(amp.h3) * watts.sqrt();
    (watts, low.hypot(30.0 * over / (1.0 + over)))
}

fn drive_at(amp: &Amp, reached: impl Fn((f64, f64)) -> bool) -> Option<f64> {
    (0..=4500).map(|k| -45.0 + 0.01 * f64::from(k)).find(|d| reached(at_drive(amp, *d)))
}

/// A take of this amp, all levels `shift` dB up (that is what scatters from take to take).
pub fn take(file: &str, build: &str, setting: &str, amp: &Amp, shift: f64) -> TakeAnalysis {
    let amp =
        Amp { gain_db: amp.gain_db + shift, limit_watts: amp.limit_watts * 10f64.powf(shift / 20.0), ..*amp };
    // A slightly different scatter for what has its own.
    let own = |share: f64| 1.0 + share * shift;
    let mut figures = Figures::default();
    let missing =
        |unit, what: &str| Quantity::missing(unit, format!("{what} is not reached at the ladder's top"));
    for limit in [1.0, 3.0, 5.0, 10.0] {
        let drive = drive_at(&amp, |(_, thd)| thd >= limit);
        let (name, what) = (format!("thd_{limit}_percent"), format!("{limit} % THD"));
        let watts = drive.map(|d| at_drive(&amp, d).0);
        let quantity = |v: Option<f64>, unit| {
            v.map_or_else(|| missing(unit, &what), |v| Quantity::new(v, unit).plus_minus(0.001))
        };
        figures.set(&format!("power_at_{name}"), quantity(watts, Unit::Watts));
        figures.set(&format!("drive_at_{name}"), quantity(drive, Unit::Decibels));
    }
    let drive = |limit: f64| drive_at(&amp, |(_, thd)| thd >= limit);
    figures.set(
        "onset_span",
        match (drive(1.0), drive(10.0)) {
            (Some(one), Some(ten)) => Quantity::new(ten - one, Unit::Decibels),
            _ => missing(Unit::Decibels, "10 % THD"),
        },
    );
    figures.set("gain", Quantity::new(amp.gain_db, Unit::Decibels));
    figures.set("cranked_power", Quantity::new(at_drive(&amp, 0.0).0, Unit::Watts));
    figures.set("clip_drive_positive", Quantity::new(drive(7.0).unwrap_or(-1.0) * own(0.4), Unit::Decibels));
    figures.set("clip_drive_negative", Quantity::new(drive(8.0).unwrap_or(-0.5) * own(0.5), Unit::Decibels));
    figures.set("thd_at_1_watt", Quantity::new(amp.h2.hypot(amp.h3) * own(0.1), Unit::Percent));
    figures.set("harmonic_2_at_1_watt", Quantity::new(amp.h2 * own(0.1), Unit::Percent));
    figures.set("harmonic_3_at_1_watt", Quantity::new(amp.h3 * own(-0.2), Unit::Percent));
    figures.set("hum_total", Quantity::new(amp.hum * own(0.05), Unit::Millivolts));
    figures.set("noise", Quantity::new(amp.noise * own(-0.07), Unit::Millivolts));
    figures.set("sag", Quantity::new(amp.sag * own(0.09), Unit::Decibels));
    figures.set("low_corner", Quantity::new(amp.corners.0 * own(0.02), Unit::Hertz));
    figures.set("high_corner", Quantity::new(amp.corners.1 * own(-0.03), Unit::Hertz));
    figures.set("reference_shift", Quantity::new(0.03, Unit::Decibels));
    let mut curves = Curves::new();
    curves.insert("ladder_up".to_owned(), ladder(&amp));
    curves.insert("response_low_drive".to_owned(), response(&amp, shift));
    TakeAnalysis {
        file: file.to_owned(),
        sha256: Some(format!("{file:0>64}")),
        build: Some(build.to_owned()),
        setting: Some(setting.to_owned()),
        repeat: None,
        load_ohms: Some(8.0),
        kind: RecordingKind::Programme,
        plan: Some("3fa2".to_owned()),
        rate: Some(48_000.0),
        seconds: Some(113.7),
        channel: Some(1),
        fitness: Fitness::Fit,
        failure: None,
        findings: Vec::new(),
        struck: Vec::new(),
        clock_drift: None,
        polarity: Some(1),
        channels: Vec::new(),
        figures,
        curves,
    }
}

fn ladder(amp: &Amp) -> Curve {
    let mut curve = Curve::new(&[
        ("drive", Unit::Decibels),
        ("output", Unit::Volts),
        ("power", Unit::Watts),
        ("gain", Unit::Decibels),
        ("thd", Unit::Percent),
        ("harmonic_2", Unit::Percent),
        ("harmonic_3", Unit::Percent),
    ]);
    let drives = (0..25).map(|k| -45.0 + f64::from(k)).chain((0..=40).map(|k| -20.0 + 0.5 * f64::from(k)));
    for drive in drives {
        let (watts, thd) = at_drive(amp, drive);
        let gain = 10.0 * watts.log10() - drive + 20.0;
        curve.push([
            drive,
            (watts * 8.0).sqrt(),
            watts,
            gain,
            thd,
            amp.h2 * watts.sqrt(),
            amp.h3 * watts.sqrt(),
        ]);
    }
    curve
}

fn response(amp: &Amp, shift: f64) -> Curve {
    let mut curve = Curve::new(&[("frequency", Unit::Hertz), ("magnitude", Unit::Decibels)]);
    for step in 0..=120 {
        let hz = 20.0 * 1000f64.powf(f64::from(step) / 120.0);
        let corner = |ratio: f64| -10.0 * (1.0 + ratio * ratio).log10();
        let lift = amp.presence * (-(hz / 2500.0).log2().powi(2)).exp();
        let level = amp.gain_db + corner(amp.corners.0 / hz) + corner(hz / amp.corners.1) + lift;
        curve.push([hz, level + 0.05 * shift * (hz / 1000.0).log2()]);
    }
    curve
}

/// Scatter of up to eight repeats, dB: standard deviation 0.03 (methods §9, "bench").
pub const SCATTER: [f64; 8] = [0.02, -0.035, 0.01, -0.01, 0.045, -0.03, 0.005, -0.02];

/// A bench with the takes it names, ready to compare.
pub struct Case {
    toml: String,
    takes: Vec<TakeAnalysis>,
}

/// The rig of most cases: calibrated.
pub const RIG: &str = "[rig]\nload_ohms = 8.0\nload_watts = 50\nload_tolerance_percent = 1.0\ninterface_input_ohms = 10000\n\
    pad = { top_ohms = 10000, bottom_ohms = 1000, tolerance_percent = 1.0 }\ninput_full_scale_volts = 1.9\nmeter_percent = 2.0\n";

impl Case {
    /// A bench with these builds and no takes yet; `builds` is TOML.
    pub fn new(rig: &str, builds: &str) -> Self {
        let settings =
            "[setting.full]\nvolume = \"10\"\ntone = \"5\"\n[setting.noon]\nvolume = \"5\"\ntone = \"5\"\n";
        Self {
            toml: format!("[bench]\ntitle = \"Heron 6: output valve\"\n{rig}\n{builds}\n{settings}"),
            takes: Vec::new(),
        }
    }

    /// Two builds, as most cases have them.
    pub fn two() -> Self {
        Self::new(RIG, "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n")
    }

    /// `count` takes of a build; `keys` are further lines of each take's entry in bench.toml.
    pub fn add(self, build: &str, setting: &str, amp: &Amp, count: usize, keys: &str) -> Self {
        self.with(build, setting, amp, count, keys, |_| ())
    }

    /// The same, each take changed by `change`.
    pub fn with(
        mut self,
        build: &str,
        setting: &str,
        amp: &Amp,
        count: usize,
        keys: &str,
        change: impl Fn(&mut TakeAnalysis),
    ) -> Self {
        for _ in 0..count {
            let number = self.takes.len();
            let file = format!("takes/{number}.wav");
            // Builds do not share their scatter.
            let shift = SCATTER[(number * 3 + count) % SCATTER.len()];
            let mut take = take(&file, build, setting, amp, shift);
            change(&mut take);
            self.takes.push(take);
            let quoted = |s: &str| toml::Value::String(s.to_owned()).to_string();
            self.toml += &format!(
                "[[take]]\nfile = {}\nbuild = {}\nsetting = {}\n{keys}\n",
                quoted(&file),
                quoted(build),
                quoted(setting)
            );
        }
        self
    }

    /// An entry whose recording is as `take` says, for kinds beside the programme.
    pub fn entry(mut self, toml: &str, take: TakeAnalysis) -> Self {
        self.toml += &format!("[[take]]\nfile = \"{}\"\n{toml}\n", take.file);
        self.takes.push(take);
        self
    }

    pub fn try_compare(self, chosen: &[&str]) -> Result<Comparison, compare::CompareError> {
        let bench = Bench::parse(Path::new("bench"), Path::new("bench/bench.toml"), &self.toml).unwrap();
        let analysis = Analysis {
            schema: SCHEMA.to_owned(),
            version: "0".to_owned(),
            bench: Some(bench.title.clone()),
            takes: self.takes,
            hum_origins: Vec::new(),
        };
        let chosen: Vec<String> = chosen.iter().map(|s| (*s).to_owned()).collect();
        compare::compare(&bench, &analysis, &chosen)
    }

    pub fn compare(self) -> Comparison {
        self.try_compare(&[]).unwrap()
    }
}

/// The sentences, one a line, with their standing.
pub fn told(comparison: &Comparison) -> String {
    comparison
        .sentences
        .iter()
        .map(|s| {
            let standing = s.standing.map_or("voltage chart", |standing| standing.words());
            format!("[{standing}] {}\n", s.text)
        })
        .collect()
}
