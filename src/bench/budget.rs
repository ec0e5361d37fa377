//! How well volts and watts are known: an uncertainty budget after the GUM (JCGM 100:2008).
//!
//! Every input is a relative standard uncertainty with its sensitivity, so that
//! `(u_P/P)² = Σ (c_i·u_i)²` (5.1.2 in its relative form). What belongs to the rig is common to
//! all builds measured on it, and cancels in their difference as long as nothing was re-plugged.

use crate::bench::rig::{CalibratedAt, Pad, Rig};
use crate::compare::document::BudgetLine;
use crate::figure::CONFIDENCE;
use crate::statistics::t_quantile;

/// Pad and load resistors of which nobody said how good they are.
pub(crate) const ASSUMED_RESISTOR_PERCENT: f64 = 5.0;
/// An input impedance out of a data sheet ("10 kΩ" means little more; common practice, no source).
const ASSUMED_INPUT_PERCENT: f64 = 20.0;
/// A full scale that nobody measured was typed from a data sheet; those hold within 0.5 dB (common practice, no source).
pub(crate) const TYPED_FULL_SCALE_PERCENT: f64 = 6.0;
/// A divider measured with a meter of which nobody said how good it is.
const ASSUMED_RATIO_PERCENT: f64 = 2.0;

/// From a power ratio's relative uncertainty to decibels: 10/ln 10 (reference §11).
const DB_PER_POWER: f64 = 4.342_944_819_032_518;

/// What is known of an input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Knowledge {
    /// Anywhere within ± this many per cent: u = a/√3 (GUM 4.3.7).
    Within(f64),
    /// ± this many per cent with 95 % confidence: u = a/1.96 (GUM 4.3.4).
    Ninety5(f64),
    /// One standard uncertainty, per cent.
    Standard(f64),
    /// Scatter of repeats: standard uncertainty of their mean in per cent, and degrees of freedom (GUM 4.2.3).
    Repeats(f64, f64),
}

impl Knowledge {
    /// Relative standard uncertainty, per cent.
    #[must_use]
    pub fn standard_percent(self) -> f64 {
        match self {
            Self::Within(half_width) => half_width / 3f64.sqrt(),
            Self::Ninety5(half_width) => half_width / 1.959_963_984_540_054,
            Self::Standard(standard) | Self::Repeats(standard, _) => standard,
        }
    }

    /// Degrees of freedom; what was not estimated from few readings has infinitely many (GUM G.4.2).
    #[must_use]
    pub fn freedom(self) -> f64 {
        match self {
            Self::Repeats(_, freedom) => freedom,
            _ => f64::INFINITY,
        }
    }
}

/// One line of a budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Component {
    /// Where it comes from: `load resistance`, `pad, top resistor`, …
    pub source: String,
    /// In words: limits, and whether they were assumed.
    pub detail: String,
    /// What is known of the input.
    pub knowledge: Knowledge,
    /// Relative change of the result for a relative change of the input.
    pub sensitivity: f64,
    /// It is the same for every build, so it cancels in a difference.
    pub common: bool,
}

impl Component {
    /// What it adds to the result: relative standard uncertainty, per cent.
    #[must_use]
    pub fn contribution_percent(&self) -> f64 {
        (self.sensitivity * self.knowledge.standard_percent()).abs()
    }
}

/// What a budget is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// Volts at the load.
    Volts,
    /// Watts into the load.
    Watts,
}

/// All that is known of how well a figure is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Volts or watts.
    pub of: Of,
    /// The lines.
    pub components: Vec<Component>,
    /// What is not in it, and why.
    pub left_out: Vec<String>,
}

impl Budget {
    /// Combined relative standard uncertainty, per cent (GUM 5.1.2).
    #[must_use]
    pub fn standard_percent(&self) -> f64 {
        self.components.iter().map(|c| c.contribution_percent().powi(2)).sum::<f64>().sqrt()
    }

    /// Effective degrees of freedom (GUM G.2b); infinite if nothing was estimated from repeats.
    #[must_use]
    pub fn freedom(&self) -> f64 {
        let shares: f64 =
            self.components.iter().map(|c| c.contribution_percent().powi(4) / c.knowledge.freedom()).sum();
        if shares > 0.0 { self.standard_percent().powi(4) / shares } else { f64::INFINITY }
    }

    /// ± this many per cent with 95 % confidence: Student's t at the effective degrees of freedom
    /// (GUM G.6.4); `None` if there is no line at all.
    #[must_use]
    pub fn expanded_percent(&self) -> Option<f64> {
        if self.components.is_empty() {
            return None;
        }
        Some(t_quantile(CONFIDENCE, self.freedom())? * self.standard_percent())
    }

    /// The same in decibels of the result's level.
    #[must_use]
    pub fn expanded_db(&self) -> Option<f64> {
        let per_percent = match self.of {
            Of::Volts => 2.0 * DB_PER_POWER,
            Of::Watts => DB_PER_POWER,
        };
        Some(self.expanded_percent()? / 100.0 * per_percent)
    }

    /// What is left for a difference of two builds measured on one rig: all that is not common.
    #[must_use]
    pub fn of_difference(&self) -> Self {
        let components = self.components.iter().filter(|c| !c.common).cloned().collect();
        Self { of: self.of, components, left_out: self.left_out.clone() }
    }

    /// With the scatter of repeats: standard deviation of the mean of `count` takes, per cent of the
    /// result. One take tells nothing of scatter and adds a remark instead.
    #[must_use]
    pub fn with_repeats(mut self, mean_percent: f64, count: usize) -> Self {
        if count < 2 || !mean_percent.is_finite() {
            self.left_out.push("scatter from take to take: one take tells nothing of it".to_owned());
            return self;
        }
        self.components.push(Component {
            source: "repeats".to_owned(),
            detail: format!("standard deviation of the mean of {count} takes"),
            knowledge: Knowledge::Repeats(mean_percent.abs(), (count - 1) as f64),
            sensitivity: 1.0,
            common: false,
        });
        self
    }

    /// As lines of the comparison document.
    #[must_use]
    pub fn lines(&self) -> Vec<BudgetLine> {
        self.components
            .iter()
            .map(|c| BudgetLine {
                source: c.source.clone(),
                power_percent: c.contribution_percent(),
                detail: c.detail.clone(),
            })
            .collect()
    }
}

/// What the rig alone leaves unknown of volts or watts; `None` if it is not calibrated at all.
#[must_use]
pub fn of_rig(rig: &Rig, of: Of) -> Option<Budget> {
    rig.load_full_scale_volts()?;
    // P = V²/R (reference §11).
    let power = match of {
        Of::Volts => 1.0,
        Of::Watts => 2.0,
    };
    let mut budget = Budget { of, components: vec![full_scale(rig, power)], left_out: Vec::new() };
    if rig.input_calibrated_at == Some(CalibratedAt::Load) {
        budget.left_out.push(
            "pad and input impedance: full scale was calibrated across the load, where their errors cancel"
                .to_owned(),
        );
    } else if let Some(pad) = rig.pad {
        pad_components(&pad, rig, power, &mut budget);
    }
    if of == Of::Watts {
        let (percent, said) = or_assumed(rig.load_tolerance_percent, ASSUMED_RESISTOR_PERCENT);
        let detail = format!("± {percent} %, rectangular, {said}; measure the load hot");
        budget.components.push(common("load resistance", detail, Knowledge::Within(percent), -1.0));
    }
    Some(budget)
}

fn common(source: &str, detail: String, knowledge: Knowledge, sensitivity: f64) -> Component {
    Component { source: source.to_owned(), detail, knowledge, sensitivity, common: true }
}

fn or_assumed(percent: Option<f64>, assumed: f64) -> (f64, &'static str) {
    percent.map_or((assumed, "assumed"), |percent| (percent, "as in bench.toml"))
}

fn full_scale(rig: &Rig, power: f64) -> Component {
    let (knowledge, detail) = match (rig.input_full_scale_uncertainty_percent, rig.meter_percent) {
        (Some(percent), _) => {
            (Knowledge::Ninety5(percent), format!("± {percent} % (95 %), from the calibration"))
        }
        (None, Some(percent)) => {
            (Knowledge::Within(percent), format!("± {percent} %, rectangular, the meter's accuracy"))
        }
        (None, None) => (
            Knowledge::Within(TYPED_FULL_SCALE_PERCENT),
            "± 6 %, rectangular, assumed of a data sheet: calibrate, or write meter_percent".to_owned(),
        ),
    };
    common("full scale (meter)", detail, knowledge, power)
}

/// Sensitivities of k = p/(R1+p), p = R2 ∥ Z: reference §8.
fn pad_components(pad: &Pad, rig: &Rig, power: f64, budget: &mut Budget) {
    match *pad {
        Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent } => {
            let k = pad.ratio(rig.interface_input_ohms);
            let over_bottom = top_ohms / bottom_ohms;
            let over_input = rig.interface_input_ohms.map_or(0.0, |z| top_ohms / z);
            let (percent, said) = or_assumed(tolerance_percent, ASSUMED_RESISTOR_PERCENT);
            let detail = format!("± {percent} %, rectangular, {said}");
            let resistors = [
                ("pad, top resistor", -k * (over_bottom + over_input)),
                ("pad, bottom resistor", k * over_bottom),
            ];
            for (source, sensitivity) in resistors {
                let within = Knowledge::Within(percent);
                budget.components.push(common(source, detail.clone(), within, -power * sensitivity));
            }
            if let Some(ohms) = rig.interface_input_ohms {
                let (percent, said) =
                    or_assumed(rig.interface_input_tolerance_percent, ASSUMED_INPUT_PERCENT);
                let detail = format!("{ohms} ohms ± {percent} %, rectangular, {said}");
                let within = Knowledge::Within(percent);
                budget.components.push(common("interface input", detail, within, -power * k * over_input));
            } else {
                budget.left_out.push(
                    "loading by the interface's input: interface_input_ohms is not in bench.toml".to_owned(),
                );
            }
        }
        Pad::Measured { measured_with_interface, tolerance_percent, .. } => {
            let (percent, said) = or_assumed(tolerance_percent, ASSUMED_RATIO_PERCENT);
            let detail = format!("± {percent} %, rectangular, {said}");
            budget.components.push(common("pad, measured ratio", detail, Knowledge::Within(percent), power));
            if !measured_with_interface {
                budget
                    .left_out
                    .push("loading by the interface's input: the pad was measured without it".to_owned());
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// The examples were computed with mpmath and printed to six digits (reference §11, tag K).
    const SIX_DIGITS: f64 = 1e-6;

    fn close(got: f64, expected: f64) {
        approx::assert_relative_eq!(got, expected, max_relative = SIX_DIGITS);
    }

    fn budget(of: Of, components: Vec<Component>) -> Budget {
        Budget { of, components, left_out: Vec::new() }
    }

    #[test]
    fn first_example_of_the_reference() {
        // V = 10.95 ± 0.5 % rect., R = 8 ± 1 % rect.: u 0.816497 %; with k = 2: 0.24475 W, 0.0709 dB.
        let budget = budget(
            Of::Watts,
            vec![
                common("volts", String::new(), Knowledge::Within(0.5), 2.0),
                common("load", String::new(), Knowledge::Within(1.0), -1.0),
            ],
        );
        close(budget.standard_percent(), 0.816_497);
        let watts: f64 = 10.95 * 10.95 / 8.0;
        approx::assert_abs_diff_eq!(
            2.0 * budget.standard_percent() / 100.0 * watts,
            0.244_75,
            epsilon = 5e-6
        );
        // 95 % of a normal distribution is k = 1.96, not 2.
        close(budget.expanded_percent().unwrap(), 1.959_964 * 0.816_496_6);
        approx::assert_abs_diff_eq!(budget.expanded_db().unwrap() * 2.0 / 1.959_964, 0.0709, epsilon = 5e-5);
    }

    fn second_example() -> Rig {
        Rig {
            load_ohms: Some(8.0),
            load_tolerance_percent: Some(1.0),
            interface_input_ohms: Some(10_000.0),
            interface_input_tolerance_percent: Some(20.0),
            pad: Some(Pad::Resistors {
                top_ohms: 10_000.0,
                bottom_ohms: 1000.0,
                tolerance_percent: Some(1.0),
            }),
            input_full_scale_volts: Some(1.9),
            // The example's calibration is 0.3 % at one sigma.
            input_full_scale_uncertainty_percent: Some(0.3 * 1.959_963_984_540_054),
            ..Rig::default()
        }
    }

    #[test]
    fn second_example_of_the_reference() {
        // u(k)/k 1.198958 % (0.715244 % without Z); u(P)/P 2.538372 %, U(k=2) 5.0767 % = 0.2205 dB.
        let rig = second_example();
        let watts = of_rig(&rig, Of::Watts).unwrap();
        close(watts.standard_percent(), 2.538_372);
        close(2.0 * watts.standard_percent(), 5.076_744);
        let pad_alone = |without: &str| {
            let volts = of_rig(&rig, Of::Volts).unwrap();
            let keep = |c: &&Component| c.source != "full scale (meter)" && c.source != without;
            let components = volts.components.iter().filter(keep).cloned().collect();
            budget(Of::Volts, components).standard_percent()
        };
        close(pad_alone(""), 1.198_958);
        close(pad_alone("interface input"), 0.715_244);
    }

    #[test]
    fn effective_degrees_of_freedom_example() {
        // u_A 0.0707107 (ν = 4) with u_B 0.10 (ν = ∞): u_c 0.122475, ν 36.0, t(36) 2.028094.
        let budget = budget(
            Of::Watts,
            vec![
                common("rig", String::new(), Knowledge::Standard(0.10), 1.0),
                common("repeats", String::new(), Knowledge::Repeats(0.070_710_7, 4.0), 1.0),
            ],
        );
        approx::assert_relative_eq!(budget.standard_percent(), 0.122_475, max_relative = 5e-6);
        approx::assert_relative_eq!(budget.freedom(), 36.0, max_relative = 2e-6);
        close(budget.expanded_percent().unwrap() / budget.standard_percent(), 2.028_094);
    }

    #[test]
    fn what_is_common_cancels_in_a_difference() {
        let budget = of_rig(&second_example(), Of::Watts).unwrap().with_repeats(0.5, 3);
        let difference = budget.of_difference();
        assert_eq!(difference.components.len(), 1);
        close(difference.standard_percent(), 0.5);
        // t(2) = 4.302653: JCGM 100 table G.2.
        close(difference.expanded_percent().unwrap(), 0.5 * 4.302_653);
        assert!(budget.standard_percent() > 2.5);
    }

    #[test]
    fn one_take_adds_a_remark_and_no_number() {
        let rig = of_rig(&second_example(), Of::Watts).unwrap();
        let one = rig.clone().with_repeats(0.0, 1);
        assert_eq!(one.components, rig.components);
        assert!(one.left_out.iter().any(|l| l.contains("one take")));
        assert_eq!(one.of_difference().expanded_percent(), None);
    }

    #[test]
    fn calibrated_across_the_load_the_pad_cancels() {
        let rig = Rig { input_calibrated_at: Some(CalibratedAt::Load), ..second_example() };
        let watts = of_rig(&rig, Of::Watts).unwrap();
        let sources: Vec<_> = watts.components.iter().map(|c| c.source.as_str()).collect();
        assert_eq!(sources, ["full scale (meter)", "load resistance"]);
        close(watts.standard_percent(), (0.6f64.powi(2) + 1.0 / 3.0).sqrt());
    }

    #[test]
    fn sensitivities_agree_with_small_changes_of_the_rig() {
        let rig = second_example();
        let pad = |top: f64, bottom: f64, input: f64| {
            let pad = Pad::Resistors {
                top_ohms: 10_000.0 * top,
                bottom_ohms: 1000.0 * bottom,
                tolerance_percent: None,
            };
            Rig { pad: Some(pad), interface_input_ohms: Some(10_000.0 * input), ..rig.clone() }
                .load_full_scale_volts()
                .unwrap()
                .ln()
        };
        let volts = of_rig(&rig, Of::Volts).unwrap();
        let sensitivity =
            |source: &str| volts.components.iter().find(|c| c.source == source).unwrap().sensitivity;
        // Central differences: error of order h² = 1e-8.
        let h = 1e-4;
        let slope = |high: f64, low: f64| (high - low) / (2.0 * h);
        let cases = [
            ("pad, top resistor", slope(pad(1.0 + h, 1.0, 1.0), pad(1.0 - h, 1.0, 1.0))),
            ("pad, bottom resistor", slope(pad(1.0, 1.0 + h, 1.0), pad(1.0, 1.0 - h, 1.0))),
            ("interface input", slope(pad(1.0, 1.0, 1.0 + h), pad(1.0, 1.0, 1.0 - h))),
        ];
        for (source, expected) in cases {
            approx::assert_relative_eq!(sensitivity(source), expected, max_relative = 1e-6);
        }
    }

    #[test]
    fn without_calibration_there_is_no_budget() {
        let rig = Rig { input_full_scale_volts: None, ..second_example() };
        assert_eq!(of_rig(&rig, Of::Watts), None);
    }
}
