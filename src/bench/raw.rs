//! bench.toml as it is typed: every value that may be refused keeps its place in the file.
//!
//! The keys are the contract of design §3 and §12; a key that is not here is an error.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::{Spanned, Value};

type Text = Option<Spanned<String>>;
type Number = Option<Spanned<f64>>;
type Count = Option<Spanned<i64>>;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct File {
    #[serde(default)]
    pub bench: Header,
    #[serde(default)]
    pub rig: Rig,
    #[serde(default)]
    pub build: Vec<Build>,
    #[serde(default)]
    pub setting: BTreeMap<Spanned<String>, Spanned<BTreeMap<Spanned<String>, Value>>>,
    #[serde(default)]
    pub take: Vec<Spanned<Take>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Header {
    pub title: Text,
    pub mains_hz: Number,
    pub amp_watts: Number,
    pub simulated: Option<bool>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rig {
    pub load_ohms: Number,
    pub load_watts: Number,
    pub load_tolerance_percent: Number,
    pub interface_input_ohms: Number,
    pub interface_input_tolerance_percent: Number,
    pub pad: Option<Spanned<Pad>>,
    pub input_full_scale_volts: Number,
    pub input_full_scale_uncertainty_percent: Number,
    pub input_calibrated_at: Text,
    pub output_full_scale_volts: Number,
    pub output_full_scale_uncertainty_percent: Number,
    pub meter_percent: Number,
    pub channel: Count,
    pub drive_channel: Count,
    pub drive_full_scale_volts: Number,
    pub drive_full_scale_uncertainty_percent: Number,
    pub loopback: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Pad {
    pub top_ohms: Number,
    pub bottom_ohms: Number,
    pub divides_by: Number,
    pub measured_with_interface: Option<bool>,
    pub tolerance_percent: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Build {
    pub name: Spanned<String>,
    pub note: Text,
    pub output_valve: Text,
    pub valves: Count,
    pub cathode_ohms: Number,
    pub screen_ohms: Number,
    pub primary_ohms: Number,
    pub screen_share_percent: Number,
    pub limits: Option<Limits>,
    #[serde(default)]
    pub dc: Vec<Spanned<Dc>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Limits {
    pub rating_system: Text,
    pub plate_watts: Number,
    pub plate_volts: Number,
    pub screen_watts: Number,
    pub screen_volts: Number,
    pub cathode_milliamperes: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Dc {
    pub point: Spanned<String>,
    pub volts: Number,
    pub expected_volts: Number,
    pub note: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Take {
    pub file: Spanned<String>,
    pub kind: Text,
    pub build: Text,
    pub setting: Text,
    pub load_ohms: Number,
    pub mains_volts: Number,
    pub warm_up_minutes: Number,
    pub quiet_condition: Text,
    pub order: Count,
    pub date: Option<Value>,
    pub note: Text,
    #[serde(rename = "use")]
    pub used: Option<bool>,
    pub why: Text,
    pub sha256: Text,
}
