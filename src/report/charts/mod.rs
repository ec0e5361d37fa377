//! The charts of the report, each made from the finished comparison. A chart
//! whose data is missing is left out, and the page says why.

mod bursts;
mod harmonics;
mod headroom;
mod ladder;
pub(crate) mod noise;
mod products;
mod response;
mod source;
mod voltages;
mod waveform;

pub use source::Source;

use super::chart::Chart;
use crate::bench::names::safe_file_names;
use crate::compare::document::Comparison;

/// A chart, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Shown {
    /// Here it is.
    Chart(Box<Chart>),
    /// Left out.
    LeftOut {
        /// What it would have shown.
        title: String,
        /// Why it is not here: one sentence.
        why: String,
    },
}

/// The charts of one setting, in the order of the report.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingCharts {
    /// The setting's place in [`Comparison::settings`].
    pub setting: usize,
    /// Its charts.
    pub charts: Vec<Shown>,
}

/// Makes every chart of every setting.
#[must_use]
pub fn all(comparison: &Comparison) -> Vec<SettingCharts> {
    let names: Vec<&str> = comparison.settings.iter().map(|s| s.name.as_str()).collect();
    safe_file_names(&names)
        .into_iter()
        .enumerate()
        .map(|(setting, stem)| {
            let source = Source::new(comparison, setting, stem);
            let charts = [
                headroom::ruler(&source),
                ladder::distortion_against_power(&source),
                ladder::output_against_drive(&source),
                waveform::one_cycle(&source),
                ladder::distortion_at_low_e(&source),
                harmonics::bars(&source),
                response::response(&source),
                harmonics::against_frequency(&source),
                noise::spectrum(&source),
                products::two_tones(&source),
                bursts::envelopes(&source),
                response::output_impedance(&source),
            ];
            SettingCharts { setting, charts: charts.into_iter().map(Into::into).collect() }
        })
        .collect()
}

/// The chart that belongs to the builds and to no setting.
#[must_use]
pub fn voltages(comparison: &Comparison) -> Shown {
    voltages::voltage_chart(comparison).into()
}

impl From<Result<Chart, Missing>> for Shown {
    fn from(result: Result<Chart, Missing>) -> Self {
        match result {
            Ok(chart) => Self::Chart(Box::new(chart)),
            Err(Missing { title, why }) => Self::LeftOut { title, why },
        }
    }
}

/// Why a chart is not there.
pub(crate) struct Missing {
    title: String,
    why: String,
}

impl Missing {
    fn new(title: &str, why: impl Into<String>) -> Self {
        Self { title: title.to_owned(), why: why.into() }
    }
}
