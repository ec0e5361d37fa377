//! A finding: something seen in a recording that a person must know, with what
//! it does to the result and what to do about it.

pub mod codes;

use serde::{Deserialize, Serialize};

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; no figure suffers.
    Note,
    /// Some figures are limited or left out.
    Limit,
    /// The recording cannot serve.
    Redo,
}

/// One thing seen in a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// Stable name, lower case with underscores: `clipped_input`. All of them stand in [`codes`].
    pub code: String,
    /// How much it matters.
    pub severity: Severity,
    /// Where in the recording, seconds from its first frame.
    pub at_seconds: Option<f64>,
    /// The segment concerned, by its id in the plan.
    pub segment: Option<String>,
    /// What was seen, with its numbers.
    pub saw: String,
    /// What that does to the result.
    pub effect: String,
    /// What the person should do.
    #[serde(rename = "do")]
    pub advice: String,
}

impl Finding {
    /// A finding without a place.
    #[must_use]
    pub fn new(
        code: &str,
        severity: Severity,
        saw: impl Into<String>,
        effect: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self {
            code: code.to_owned(),
            severity,
            at_seconds: None,
            segment: None,
            saw: crate::rounding::minus(&saw.into()),
            effect: crate::rounding::minus(&effect.into()),
            advice: advice.into(),
        }
    }

    /// At this time in the recording.
    #[must_use]
    pub fn at(mut self, seconds: f64) -> Self {
        self.at_seconds = seconds.is_finite().then_some(seconds);
        self
    }

    /// In this segment.
    #[must_use]
    pub fn in_segment(mut self, id: &str) -> Self {
        self.segment = Some(id.to_owned());
        self
    }
}

/// What `check` says of a recording as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Fitness {
    /// Use it.
    Fit,
    /// Use it, with the parts left out that the findings name.
    Limited,
    /// Record again.
    Redo,
}

impl Fitness {
    /// The fitness that a list of findings leaves.
    #[must_use]
    pub fn of(findings: &[Finding]) -> Self {
        match findings.iter().map(|f| f.severity).max() {
            Some(Severity::Redo) => Self::Redo,
            Some(Severity::Limit) => Self::Limited,
            _ => Self::Fit,
        }
    }

    /// The words for people: "fit", "fit with limits", "redo".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Fit => "fit",
            Self::Limited => "fit with limits",
            Self::Redo => "redo",
        }
    }
}
