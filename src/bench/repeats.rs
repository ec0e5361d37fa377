//! Scatter from take to take of one figure, for the uncertainty budget.

use crate::analysis::{Analysis, TakeAnalysis};
use crate::finding::Fitness;
use crate::statistics::Mean;

/// Takes of one build at one setting and load.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeats {
    /// The build.
    pub build: String,
    /// The setting.
    pub setting: String,
    /// Mean of the figure.
    pub mean: f64,
    /// How many takes have it.
    pub count: usize,
    /// Standard deviation of the mean, per cent of it; `None` for one take.
    pub mean_percent: Option<f64>,
}

/// Repeats of the figure `name` in this analysis, in the order of the takes. Takes that can't be used are left out.
#[must_use]
pub fn of(analysis: &Analysis, name: &str) -> Vec<Repeats> {
    let key = |t: &TakeAnalysis| Some((t.build.clone()?, t.setting.clone()?, t.load_ohms.map(f64::to_bits)));
    let usable = || analysis.takes.iter().filter(|t| t.fitness != Fitness::Redo && t.failure.is_none());
    let mut seen = Vec::new();
    let mut all = Vec::new();
    for take in usable() {
        let Some(group) = key(take).filter(|k| !seen.contains(k)) else { continue };
        let values: Vec<f64> = usable()
            .filter(|t| key(t).as_ref() == Some(&group))
            .filter_map(|t| t.figures.value(name))
            .collect();
        if let Some(mean) = Mean::of(&values).filter(|m| m.value != 0.0) {
            let mean_percent = mean.uncertainty.map(|u| 100.0 * (u / mean.value).abs());
            let (build, setting) = (group.0.clone(), group.1.clone());
            all.push(Repeats { build, setting, mean: mean.value, count: mean.count, mean_percent });
        }
        seen.push(group);
    }
    all
}
