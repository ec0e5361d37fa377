//! The comparison document: what the report shows and what other programs
//! read. It is finished: whoever draws or prints it computes nothing.

use serde::{Deserialize, Serialize};

use crate::analysis::HumOrigin;
use crate::figure::{Curve, Quantity};

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/comparison/1";

/// Builds compared at every setting; the first build is the reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Comparison {
    /// [`SCHEMA`].
    pub schema: String,
    /// Version of twinload.
    pub version: String,
    /// The bench's title.
    pub title: String,
    /// The data was made by `demo`, not by an amp.
    pub simulated: bool,
    /// The builds, reference first.
    pub builds: Vec<BuildSummary>,
    /// The settings, in the order of bench.toml.
    pub settings: Vec<SettingSummary>,
    /// Every quantity compared.
    pub rows: Vec<Row>,
    /// Three to seven plain sentences.
    pub sentences: Vec<Sentence>,
    /// Was it a fair comparison?
    pub fairness: Vec<FairnessLine>,
    /// Simpler causes that would explain what was seen.
    pub suspects: Vec<Suspect>,
    /// Curves ready to draw.
    pub curves: Vec<BuildCurve>,
    /// Where hum enters, for each build and setting of which there are extra silences.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hum_origins: Vec<HumOrigin>,
    /// The recordings that went in.
    pub recordings: Vec<Recording>,
    /// What a reader must know of bench and rig: load, mains, calibration, valves; in order of print.
    pub conditions: Vec<Condition>,
    /// The uncertainty that is common to all builds, so in every absolute value and in no difference.
    pub budget: Vec<BudgetLine>,
    /// Volts at the amp's input are known within ± this many per cent (95 %): sensitivity and gain in volts rest on it.
    /// `None`: they are not calibrated, or nobody said how well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_uncertainty_percent: Option<f64>,
}

/// One condition of the work, as a label and its text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// "Dummy load".
    pub label: String,
    /// "8.0 Ω ± 1 %, rated 50 W".
    pub text: String,
}

/// One line of the uncertainty budget (JCGM 100:2008).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BudgetLine {
    /// Where it comes from: "load resistance", "pad", "meter".
    pub source: String,
    /// Standard uncertainty (one sigma) of the power into the load that it causes, per cent.
    pub power_percent: f64,
    /// The same in words: limits, distribution, what was assumed.
    pub detail: String,
}

/// One build as the report names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BuildSummary {
    /// Its name in bench.toml.
    pub name: String,
    /// The person's note on it.
    pub note: Option<String>,
    /// Its output valve.
    pub output_valve: Option<String>,
    /// The voltage chart: measured, expected, and what follows from it.
    pub chart: Vec<ChartLine>,
}

/// One line of a voltage chart or of what follows from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChartLine {
    /// `plate`, `cathode`, … or `cathode current`, `plate dissipation`.
    pub point: String,
    /// Measured or computed.
    pub measured: Quantity,
    /// What the schematic or data sheet expects.
    pub expected: Quantity,
    /// A remark: deviation, assumption, caution.
    pub note: Option<String>,
}

/// One setting as the report names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SettingSummary {
    /// Its name in bench.toml.
    pub name: String,
    /// Its controls, in words: "volume 10, tone 5".
    pub controls: String,
    /// Usable takes of each build, in the order of `builds`.
    pub takes: Vec<u32>,
}

/// What the builds are compared at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Match {
    /// The same drive: what the player's hand gets.
    SameDrive,
    /// The same power: what the ear gets.
    SamePower,
    /// The same distortion: what the circuit gets.
    SameDistortion,
    /// The figure stands for the build as a whole (hum, response, power at a THD limit).
    Whole,
}

/// What may be said of a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Larger than repeats and rig explain.
    Real,
    /// Not told apart from the scatter of repeats.
    WithinRepeats,
    /// A build has only one take: nothing can be said of scatter.
    OneTakeOnly,
    /// One of the builds has no such figure.
    NotMeasured,
}

impl Standing {
    /// The words for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Real => "real",
            Self::WithinRepeats => "within repeats",
            Self::OneTakeOnly => "one take only",
            Self::NotMeasured => "not measured",
        }
    }
}

/// How a row tells its difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Expressed {
    /// Decibels: other over reference. No difference is 0.
    Decibels,
    /// Other divided by reference, unit `"1"`. No difference is 1.
    Ratio,
    /// Per cent of the reference: (other / reference − 1) · 100. No difference is 0.
    Percent,
    /// Other less reference in the figure's own unit (percentage points where that is per cent). No difference is 0.
    Plain,
}

/// One quantity of one build beside the reference, at one setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// Its name: that of the figure (design §4a), with what it was matched at where it was.
    pub quantity: String,
    /// Its name for people: "Clean power (5 % THD)".
    pub label: String,
    /// The setting.
    pub setting: String,
    /// What the builds were compared at.
    #[serde(rename = "match")]
    pub matched: Match,
    /// The drive (dB), power (W) or distortion (%) of the match; `None` for [`Match::Whole`].
    pub matched_at: Option<Quantity>,
    /// Names of the two builds, reference first.
    pub builds: [String; 2],
    /// Mean of each build's takes with its interval, in the order of `builds`.
    pub values: Vec<Quantity>,
    /// Usable takes behind each value, in the order of `builds`.
    pub takes: [u32; 2],
    /// Other against reference with its interval, told as `expressed` says. The rig's
    /// uncertainty is in `values` and not here: it is the same for both builds.
    pub difference: Quantity,
    /// How the difference is told.
    pub expressed: Expressed,
    /// What may be said of it.
    pub standing: Standing,
    /// It is over the relevance threshold of design §12 (common practice); `None`: no threshold.
    pub relevant: Option<bool>,
    /// That threshold as text: "0.5 dB", "a factor of 1.3".
    pub threshold: Option<String>,
    /// It belongs to the headline figures (Holm-corrected together).
    pub headline: bool,
    /// p-value after correction, where there are repeats.
    pub p_value: Option<f64>,
    /// Both builds' values as text, rounded by the one rule.
    pub value_texts: Vec<String>,
    /// The difference as text, rounded by the one rule.
    pub difference_text: String,
}

/// One plain sentence of the result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sentence {
    /// The sentence, with number and interval.
    pub text: String,
    /// What it is about: a row's `quantity`.
    pub quantity: String,
    /// The setting.
    pub setting: String,
    /// The standing of the difference it tells; `None` where it tells of the voltage chart, of an odd take, or
    /// of a build without takes.
    pub standing: Option<Standing>,
}

/// One question of fairness and its answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FairnessLine {
    /// Stable name: `same_programme`, `mains_voltage`, …
    pub code: String,
    /// The question for people: "Same mains voltage".
    pub title: String,
    /// `Some(true)` kept, `Some(false)` broken, `None` not known.
    pub kept: Option<bool>,
    /// The question and what was seen, with numbers.
    pub saw: String,
    /// What a broken line may do to the result, with numbers.
    pub effect: Option<String>,
}

/// A simpler cause.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Suspect {
    /// Stable name: `gain_ahead`, `tone_control`, …
    pub code: String,
    /// The cause for people: "A gain change ahead of the output stage".
    pub title: String,
    /// The setting where it was seen, if one.
    pub setting: Option<String>,
    /// What was seen, with the numbers that raised it.
    pub saw: String,
    /// What it may mean.
    pub means: String,
}

/// One curve of one build at one setting, all takes averaged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BuildCurve {
    /// The build.
    pub build: String,
    /// The setting.
    pub setting: String,
    /// Name of the curve (design §4a), or of a difference: `response_difference`.
    pub curve: String,
    /// Where builds were matched for it, as in [`Row::matched_at`]: `waveform` is drawn at the same power.
    pub matched_at: Option<Quantity>,
    /// The curve; where takes are repeated, columns `…_low` and `…_high` hold the interval.
    pub data: Curve,
}

/// A recording that went into the comparison, or was kept out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recording {
    /// Its file.
    pub file: String,
    /// SHA-256.
    pub sha256: Option<String>,
    /// The build.
    pub build: String,
    /// The setting.
    pub setting: String,
    /// Fitness in words, or why it failed.
    pub state: String,
    /// It went into the figures.
    pub used: bool,
    /// Findings, each as one line.
    pub findings: Vec<String>,
    /// What is left out of its figures, one entry a segment and cause.
    pub struck: Vec<Struck>,
}

/// A part of a recording that is left out of the figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Struck {
    /// The segment's id.
    pub segment: String,
    /// Drives of the ladder's steps, dB re the programme's top; empty where the whole segment is left out.
    pub drives: Vec<f64>,
    /// What and why, as one line: "7 steps of ladder up, −6 to 0 dB of drive: clipped in the recorder".
    pub told: String,
}
