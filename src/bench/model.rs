//! A bench: one piece of work, as bench.toml tells it.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::error::BenchError;
use super::rig::Rig;
use crate::finding::Finding;
use crate::takes::Scale;

/// The file that makes a folder a bench.
pub const FILE_NAME: &str = "bench.toml";

/// Nobody types four megabytes.
const LARGEST_BYTES: u64 = 4 << 20;

/// One piece of work: a rig, builds, settings, and the takes made of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// The bench's folder.
    pub dir: PathBuf,
    /// Title of the report.
    pub title: String,
    /// Mains frequency; `None`: to be found in the recordings.
    pub mains_hz: Option<f64>,
    /// The amp's sine power, for the warning of heat in the load.
    pub amp_watts: Option<f64>,
    /// The data was made by `demo`, not by an amp.
    pub simulated: bool,
    /// What stands between the amp and the file.
    pub rig: Rig,
    /// The builds, in the order of the file; the first is the reference.
    pub builds: Vec<Build>,
    /// The settings, in the order of the file.
    pub settings: Vec<Setting>,
    /// The takes, in the order of the file.
    pub takes: Vec<TakeEntry>,
    /// What is unusual or missing, though possible (design §11).
    pub findings: Vec<Finding>,
}

/// One version of the amp.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Build {
    /// Its name, unique in the bench.
    pub name: String,
    /// What it is, what was changed.
    pub note: Option<String>,
    /// Type of the output valve.
    pub output_valve: Option<String>,
    /// Output valves that share the cathode resistor; 1 where nothing is said.
    pub valves: u32,
    /// The cathode resistor, or the one-ohm resistor that stands in for it.
    pub cathode_ohms: Option<f64>,
    /// The screen resistor.
    pub screen_ohms: Option<f64>,
    /// DC resistance of the output transformer's primary, one half of it for a push-pull one.
    pub primary_ohms: Option<f64>,
    /// Screen current as a share of cathode current, where the person knows it.
    pub screen_share_percent: Option<f64>,
    /// The person's own limits, over those of the table.
    pub limits: Limits,
    /// The voltage chart.
    pub dc: Vec<DcPoint>,
}

/// Limits of one valve; `None`: as in the table.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// `design-centre`, `design-maximum` or `absolute`.
    pub rating_system: Option<String>,
    /// Plate dissipation.
    pub plate_watts: Option<f64>,
    /// Plate to cathode.
    pub plate_volts: Option<f64>,
    /// Screen dissipation.
    pub screen_watts: Option<f64>,
    /// Screen to cathode.
    pub screen_volts: Option<f64>,
    /// Cathode current.
    pub cathode_milliamperes: Option<f64>,
}

/// One line of a build's voltage chart. Volts are to ground unless the point's name says otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct DcPoint {
    /// Where: `plate`, `screen`, `cathode`, `grid`, `heater`, `mains`, a node of B+, …
    pub point: String,
    /// Measured.
    pub volts: Option<f64>,
    /// What the schematic says.
    pub expected_volts: Option<f64>,
    /// A remark.
    pub note: Option<String>,
}

/// Positions of the controls.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Its name, unique in the bench.
    pub name: String,
    /// Control and position, in the order of the file.
    pub controls: Vec<(String, String)>,
}

impl Setting {
    /// The controls in words: "volume 10, tone 5".
    #[must_use]
    pub fn words(&self) -> String {
        let words: Vec<_> = self.controls.iter().map(|(control, at)| format!("{control} {at}")).collect();
        words.join(", ")
    }
}

/// What a take is a recording of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TakeKind {
    /// The programme, or a segment of it, through a build.
    #[default]
    Programme,
    /// The interface into itself.
    Loopback,
    /// No drive, for hum and noise.
    Quiet,
    /// Music, for listening.
    Listening,
}

impl TakeKind {
    /// Every kind with its word in bench.toml.
    pub const WORDS: [(&'static str, Self); 4] = [
        ("programme", Self::Programme),
        ("loopback", Self::Loopback),
        ("quiet", Self::Quiet),
        ("listening", Self::Listening),
    ];

    /// Its word in bench.toml.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(_, kind)| *kind == self).map_or("programme", |(word, _)| word)
    }
}

/// What was connected in a quiet take, in the order in which hum gains ways to enter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum QuietCondition {
    /// The cable and pad, no amp.
    CableOnly,
    /// The amp connected and off.
    AmpOff,
    /// The amp on, its volume control at zero.
    VolumeDown,
    /// The amp on, its input shorted.
    InputShorted,
    /// The amp on, at the setting of the take.
    AtSetting,
}

impl QuietCondition {
    /// Every condition with its words in bench.toml.
    pub const WORDS: [(&'static str, Self); 5] = [
        ("cable only", Self::CableOnly),
        ("amp off", Self::AmpOff),
        ("volume down", Self::VolumeDown),
        ("input shorted", Self::InputShorted),
        ("at setting", Self::AtSetting),
    ];

    /// Its words in bench.toml.
    #[must_use]
    pub fn words(self) -> &'static str {
        Self::WORDS.iter().find(|(_, condition)| *condition == self).map_or("at setting", |(words, _)| words)
    }
}

/// One recording and what the person noted of it.
#[derive(Debug, Clone, PartialEq)]
pub struct TakeEntry {
    /// Its file, relative to the bench, with `/`.
    pub file: String,
    /// What it is a recording of.
    pub kind: TakeKind,
    /// The build; always there for programme and listening takes, and then one of the bench's.
    pub build: Option<String>,
    /// The setting; always there for programme and listening takes, and then one of the bench's.
    pub setting: Option<String>,
    /// The load of this take, where it differs from the rig's.
    pub load_ohms: Option<f64>,
    /// Mains voltage during the take.
    pub mains_volts: Option<f64>,
    /// Minutes since power-on.
    pub warm_up_minutes: Option<f64>,
    /// What was connected, for a quiet take.
    pub quiet_condition: Option<QuietCondition>,
    /// Place in the order of recording.
    pub order: Option<u32>,
    /// When it was recorded, as written.
    pub date: Option<String>,
    /// A remark.
    pub note: Option<String>,
    /// May it go into the figures?
    pub used: bool,
    /// Why not.
    pub why: Option<String>,
    /// SHA-256 of the file when it was logged, lower-case hexadecimal.
    pub sha256: Option<String>,
}

impl Bench {
    /// Reads the bench in `dir` (or the one whose bench.toml `dir` is).
    ///
    /// # Errors
    /// No bench there, or bench.toml can't be read or says what can't be so: every fault is
    /// drawn with file, line and marker.
    pub fn open(dir: &Path) -> Result<Self, BenchError> {
        let dir = folder_of(dir);
        let path = dir.join(FILE_NAME);
        let source = read_text(&path)?;
        Self::parse(&dir, &path, &source)
    }

    /// The bench that `source` tells, as if it stood in `dir`; `path` is for messages.
    ///
    /// # Errors
    /// As [`Bench::open`].
    pub fn parse(dir: &Path, path: &Path, source: &str) -> Result<Self, BenchError> {
        super::check::bench(dir, path, source)
    }

    /// Channel of the recordings that holds the amp, counted from 1.
    #[must_use]
    pub fn channel(&self) -> u32 {
        self.rig.channel.unwrap_or(1)
    }

    /// What one unit of sample value means in this take. `top_dbfs` is the plan's: the peak of
    /// the programme's top re full scale.
    #[must_use]
    pub fn scale_of(&self, take: &TakeEntry, top_dbfs: f64) -> Scale {
        Scale {
            // A full-scale sine has a peak of 1 and √2 times its RMS in volts.
            load_volts_per_unit: self.rig.load_full_scale_volts().map(|v| v * std::f64::consts::SQRT_2),
            load_ohms: self.load_ohms_of(take),
            drive_volts_at_top: self.rig.drive_volts_at_top(top_dbfs),
            drive_full_scale_volts: self.rig.drive_full_scale_volts,
            drive_uncertainty_percent: self.rig.drive_uncertainty_percent(),
            mains_hz: self.mains_hz,
        }
    }

    /// The load of this take.
    #[must_use]
    pub fn load_ohms_of(&self, take: &TakeEntry) -> Option<f64> {
        take.load_ohms.or(self.rig.load_ohms)
    }

    /// Where the take's file lies.
    #[must_use]
    pub fn path_of(&self, take: &TakeEntry) -> PathBuf {
        self.dir.join(&take.file)
    }

    /// The build of this name.
    #[must_use]
    pub fn build(&self, name: &str) -> Option<&Build> {
        self.builds.iter().find(|b| b.name == name)
    }

    /// The setting of this name.
    #[must_use]
    pub fn setting(&self, name: &str) -> Option<&Setting> {
        self.settings.iter().find(|s| s.name == name)
    }

    /// Which repeat this take is, from 1, among those in use of the same kind, build, setting
    /// and load before it in the file; `None` if it is not in use.
    #[must_use]
    pub fn repeat_of(&self, index: usize) -> Option<u32> {
        let take = self.takes.get(index).filter(|t| t.used)?;
        let key = |t: &TakeEntry| (t.kind, t.build.clone(), t.setting.clone());
        let load = self.load_ohms_of(take);
        let before = self.takes.iter().take(index);
        let alike = before.filter(|t| t.used && key(t) == key(take) && self.load_ohms_of(t) == load);
        u32::try_from(alike.count() + 1).ok()
    }
}

/// The bench's folder, whether it or its bench.toml was named.
pub(super) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if path.file_name().is_some_and(|n| n == FILE_NAME) && path.is_file() => {
            if parent.as_os_str().is_empty() { PathBuf::from(".") } else { parent.to_owned() }
        }
        _ => path.to_owned(),
    }
}

/// The text of bench.toml.
pub(super) fn read_text(path: &Path) -> Result<String, BenchError> {
    let read = |source| BenchError::Read { path: path.to_owned(), source };
    let file = match std::fs::File::open(path) {
        Ok(file) => file,
        Err(e)
            if e.kind() == std::io::ErrorKind::NotFound || e.kind() == std::io::ErrorKind::NotADirectory =>
        {
            let dir = path.parent().unwrap_or(path).to_owned();
            return Err(BenchError::NotABench { dir });
        }
        Err(e) => return Err(read(e)),
    };
    let mut bytes = Vec::new();
    file.take(LARGEST_BYTES + 1).read_to_end(&mut bytes).map_err(read)?;
    if bytes.len() as u64 > LARGEST_BYTES {
        let bytes = std::fs::metadata(path).map(|m| m.len()).map_err(read)?;
        return Err(BenchError::TooLarge { path: path.to_owned(), bytes, limit: LARGEST_BYTES });
    }
    String::from_utf8(bytes)
        .map_err(|e| BenchError::NotText { path: path.to_owned(), at: e.utf8_error().valid_up_to() })
}
