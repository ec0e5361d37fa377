//! The analysis document: what was measured from each take. It is what
//! `analyse` writes as JSON and what [`crate::compare`] reads (design §4a).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::figure::{Curves, Quantity};
use crate::finding::{Finding, Fitness};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/analysis/1";

/// All takes of a bench, or one recording on its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Analysis {
    /// [`SCHEMA`].
    pub schema: String,
    /// Version of twinload that measured.
    pub version: String,
    /// The bench's title, where there is a bench.
    pub bench: Option<String>,
    /// One entry a recording, in the order of bench.toml.
    pub takes: Vec<TakeAnalysis>,
    /// Where hum enters, for each build and setting of which there are extra silences.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hum_origins: Vec<HumOrigin>,
}

/// What kind of recording it turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RecordingKind {
    /// A whole programme, or what is left of one.
    Programme,
    /// One segment between its markers.
    Segment,
    /// A plain steady tone from any generator.
    Tone,
    /// Two steady tones at once from any generator.
    TwoTones,
    /// No drive: noise and hum only.
    Quiet,
    /// The level check signal.
    LevelCheck,
    /// None of these: only level and health are given.
    Other,
}

/// One recording, measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakeAnalysis {
    /// The file as the person named it, or as bench.toml has it.
    pub file: String,
    /// SHA-256 of the file, lower-case hexadecimal.
    pub sha256: Option<String>,
    /// The build recorded, where a bench says so.
    pub build: Option<String>,
    /// The setting recorded, where a bench says so.
    pub setting: Option<String>,
    /// Which repeat of the same build, setting and load, from 1.
    pub repeat: Option<u32>,
    /// Load for this take.
    pub load_ohms: Option<f64>,
    /// What it is a recording of.
    pub kind: RecordingKind,
    /// Identity of the plan it was measured by, e.g. `"3fa2"`.
    pub plan: Option<String>,
    /// Sample rate of the file in Hz.
    pub rate: Option<f64>,
    /// Length of the file in seconds.
    pub seconds: Option<f64>,
    /// The channel measured, from 1.
    pub channel: Option<u32>,
    /// May it be used?
    pub fitness: Fitness,
    /// Why it could not be measured at all, if so.
    pub failure: Option<String>,
    /// What was seen.
    pub findings: Vec<Finding>,
    /// What is left out of the figures, and why.
    pub struck: Vec<Strike>,
    /// Recorder's clock re player's, in ppm.
    pub clock_drift: Option<Quantity>,
    /// +1 or −1: sign of the recording re the signal; `None` if not known.
    pub polarity: Option<i8>,
    /// Every channel of the file.
    pub channels: Vec<ChannelLevel>,
    /// Single figures by name, and the lists.
    pub figures: Figures,
    /// Curves by name.
    pub curves: Curves,
}

/// A stretch that is left out of the figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Strike {
    /// The segment's id.
    pub segment: String,
    /// Step or part of it, from 0, where it has parts.
    pub part: Option<usize>,
    /// Drive of that step, dB re the programme's top.
    pub drive: Option<f64>,
    /// The code of the finding that struck it out.
    pub because: String,
}

impl Strike {
    /// Why, in words.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match self.because.as_str() {
            "clipped_input" => "clipped in the recorder",
            "recording_breaks" => "the recording breaks there",
            "zeroed" => "part of it is zeros",
            "segment_missing" => "the recording does not hold it",
            _ => "the take's findings say why",
        }
    }

    /// What these strike out, one line a segment and cause: "7 steps of ladder up, −6 to 0 dB of drive".
    #[must_use]
    pub fn told(strikes: &[Self]) -> Vec<(String, &Self)> {
        let mut groups: Vec<Vec<&Self>> = Vec::new();
        for strike in strikes {
            let same = |g: &&mut Vec<&Self>| {
                g.first().is_some_and(|s| s.segment == strike.segment && s.because == strike.because)
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.push(strike),
                None => groups.push(vec![strike]),
            }
        }
        let told = groups.into_iter().filter_map(|group| {
            let first = *group.first()?;
            let name = first.segment.replace('_', " ");
            let mut drives: Vec<f64> = group.iter().filter_map(|s| s.drive).collect();
            drives.sort_by(f64::total_cmp);
            let words = match drives.as_slice() {
                [] => name,
                [only] => format!("the step of {name} at {only} dB of drive"),
                [low, .., high] => {
                    format!("{} steps of {name}, {low} to {high} dB of drive", drives.len())
                }
            };
            Some((crate::rounding::minus(&words), first))
        });
        told.collect()
    }
}

/// Level of one channel of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelLevel {
    /// From 1.
    pub channel: u32,
    /// RMS of the whole file, dBFS (sine-referred).
    pub level: Quantity,
    /// Largest absolute sample, dB re full scale (a peak of 1 is 0).
    pub peak: Quantity,
    /// Mean of all samples, per cent of full scale.
    pub dc: Quantity,
}

/// Figures of a take: single quantities by name (design §4a) and lists.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Harmonics of a steady tone, or of the ladder's top step.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub harmonics: Vec<Harmonic>,
    /// Mains lines found in the quiet segment.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hum_lines: Vec<HumLine>,
    /// Two-tone products of a plain two-tone recording.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub products: Vec<Product>,
    /// Intermodulation, one entry a pair and level.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub intermodulation: Vec<Intermodulation>,
    /// Everything that is one quantity.
    #[serde(flatten)]
    pub quantities: BTreeMap<String, Quantity>,
}

impl Figures {
    /// Puts a quantity under its name.
    pub fn set(&mut self, name: &str, quantity: Quantity) {
        self.quantities.insert(name.to_owned(), quantity);
    }

    /// The quantity of this name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Quantity> {
        self.quantities.get(name)
    }

    /// The number of this name, where there is one.
    #[must_use]
    pub fn value(&self, name: &str) -> Option<f64> {
        self.get(name)?.value
    }
}

/// One harmonic of a steady tone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Harmonic {
    /// 1 is the fundamental.
    pub order: u32,
    /// Amplitude re the fundamental, per cent.
    pub ratio: Quantity,
    /// Phase re the fundamental, θₙ = φₙ − n φ₁ of the cosine form, degrees.
    pub phase: Quantity,
}

/// One line of the mains.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HumLine {
    /// Multiple of the mains frequency.
    pub order: u32,
    /// Frequency in Hz.
    pub frequency: Quantity,
    /// Level: mV across the load where the rig is calibrated, dBFS otherwise.
    pub level: Quantity,
    /// A line under this is not told from the noise: its `level` has no number then.
    pub limit: Quantity,
}

/// Where the hum of one build at one setting enters: the same lines in silences with more and more connected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HumOrigin {
    /// The build.
    pub build: String,
    /// The setting.
    pub setting: String,
    /// The silences, from the least connected to the whole.
    pub silences: Vec<Silence>,
    /// Lines that were seen in any of them, by their order.
    pub lines: Vec<HumOriginLine>,
}

/// One condition in which no drive was played.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Silence {
    /// As in bench.toml: `"cable only"`, `"amp off"`, `"volume down"`, `"input shorted"`, `"at setting"`.
    pub condition: String,
    /// Its recordings; for `"at setting"` the programme's own quiet segments too.
    pub files: Vec<String>,
    /// What hum can enter by here and not in the silence before: `"loop"`, `"amp"`.
    pub place: String,
}

/// One mains line in all silences.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HumOriginLine {
    /// Multiple of the mains frequency.
    pub order: u32,
    /// Frequency in Hz.
    pub frequency: Quantity,
    /// Its level in each silence, in the unit of [`HumLine::level`].
    pub levels: Vec<Quantity>,
    /// What each silence's place adds: root of the difference of squares, between the ends that the unknown phase
    /// allows.
    pub added: Vec<Quantity>,
    /// The place that adds more than half of the line's power at the setting; `None`: it cannot be told.
    pub enters: Option<String>,
    /// Why it enters there, or why that cannot be told: one sentence.
    pub why: String,
}

/// One line of a two-tone spectrum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Product {
    /// `[n, m]`: the line at |n f₁ + m f₂|.
    pub orders: [i32; 2],
    /// Frequency in Hz.
    pub frequency: Quantity,
    /// Level in dBFS, or volts peak where the rig is calibrated.
    pub level: Quantity,
}

/// Intermodulation of one pair at one level (reference §2 for the definitions).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Intermodulation {
    /// Both frequencies in Hz, the lower first.
    pub pair: [f64; 2],
    /// Peak sum of the pair, dB re the programme's top; `None` outside a programme.
    pub level: Option<f64>,
    /// Second order, per cent.
    pub d2: Quantity,
    /// Third order, per cent.
    pub d3: Quantity,
    /// All products to fifth order re both tones, RSS, per cent.
    pub total: Quantity,
}
