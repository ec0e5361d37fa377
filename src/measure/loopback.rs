//! The interface alone: its output straight into its input, playing the same programme at the level of the
//! takes. What it does by itself is divided out of the responses, and stated as a floor with every distortion and
//! noise; its ladder must be straight.

mod floor;
mod straight;

use std::collections::BTreeMap;

use super::ladder::Step;
use super::pair::{self, Pair};
use super::quiet::Quiet;
use super::sweep::{self, Response};
use super::{Plans, cut_of, quiet, steps_of, sweep_of};
use crate::finding::{Finding, Severity};
use crate::signals::{Segment, Signal};
use crate::takes::Take;

/// Harmonics whose floor is told one by one.
const LISTED: usize = 10;

/// What the interface does by itself.
#[derive(Debug, Clone, Default)]
pub struct Loopback {
    /// Response of each sweep by its segment's id.
    responses: BTreeMap<String, Response>,
    /// The rising ladder.
    steps: Vec<Own>,
    /// The falling ladder.
    falling: Vec<Own>,
    /// The ladder at the guitar's low E.
    low_e: Vec<Own>,
    /// Noise and hum.
    quiet: Option<Quiet>,
    /// The pairs by their segment's id, with their level in dB re top.
    pairs: Vec<(String, f64, Pair)>,
    /// Segments of the plan that the recording does not hold.
    lacking: Vec<String>,
}

/// One step of the loop's ladder.
#[derive(Debug, Clone, PartialEq)]
struct Own {
    drive_db: f64,
    /// Fundamental as recorded, peak re full scale.
    peak: f64,
    /// The same over what was played.
    gain_db: f64,
    /// Its standard deviation from noise.
    gain_sd_db: f64,
    /// Distortion, or the noise that hides it: a ratio.
    thd: f64,
    /// That noise alone.
    noise: f64,
    /// H2 and up re the fundamental, or the noise that hides each.
    harmonics: Vec<f64>,
}

impl Own {
    fn of(step: &Step) -> Self {
        let (peak, noise) = (step.tone.peak(), step.tone.noise.first().copied().unwrap_or(0.0));
        Self {
            drive_db: step.drive_db,
            peak,
            gain_db: crate::units::db(peak / step.input_peak),
            // Of complex noise half the power lies along the line.
            gain_sd_db: crate::units::db(1.0 + noise / (std::f64::consts::SQRT_2 * peak)),
            thd: step.tone.thd().max(step.tone.thd_floor()),
            noise: step.tone.thd_floor(),
            harmonics: (2..=LISTED).map(|n| step.tone.ratio(n).unwrap_or_else(|limit| limit)).collect(),
        }
    }
}

/// Whether the interface's response is taken out, in words, from what the loopback said of itself.
#[must_use]
pub fn response_words<'a>(mut findings: impl Iterator<Item = &'a Finding>) -> String {
    match findings.find(|f| f.code == INCOMPLETE) {
        Some(incomplete) => format!("{}: {}", incomplete.saw, incomplete.effect),
        None => "its response is divided out".to_owned(),
    }
}

/// Code of the finding that says what a loopback lacks.
const INCOMPLETE: &str = "loopback_incomplete";

impl Loopback {
    /// Measures a recording of the loop. Segments that it lacks are left uncorrected in the takes.
    #[must_use]
    pub fn of(take: &Take, plans: &mut Plans) -> Self {
        let mut own = Self::default();
        let quiet_segment = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}));
        own.quiet = quiet_segment
            .and_then(|s| Some((s, take.cut(s)?)))
            .and_then(|(s, cut)| quiet::measure(&quiet::usable(&cut, s.length_seconds), 50.0, plans).ok());
        let mains_hz = own.quiet.as_ref().and_then(|q| q.mains).map(|m| m.0);
        for segment in &take.plan.segments {
            if let Some(Ok(response)) = sweep_of(take, segment, &[], mains_hz, plans) {
                own.responses.insert(segment.id.clone(), response);
            }
            let Signal::Pair { low_hz, high_hz, level_db, tone_seconds, .. } = segment.signal else {
                continue;
            };
            let Some(cut) = cut_of(take, segment, &[]) else { continue };
            let cut = pair::usable(&cut, tone_seconds);
            if let Ok(pair) = pair::measure(&cut, [low_hz, high_hz], mains_hz, plans) {
                own.pairs.push((segment.id.clone(), level_db, pair));
            }
        }
        own.steps = steps_of(take, "ladder_up", &[], plans).iter().map(Own::of).collect();
        own.falling = steps_of(take, "ladder_down", &[], plans).iter().map(Own::of).collect();
        own.low_e = steps_of(take, "low_e_ladder", &[], plans).iter().map(Own::of).collect();
        let lacks = |segment: &&Segment| match segment.signal {
            Signal::Quiet {} => own.quiet.is_none(),
            Signal::Sweep { .. } => !own.responses.contains_key(&segment.id),
            Signal::Pair { .. } => !own.pairs.iter().any(|pair| pair.0 == segment.id),
            Signal::Ladder { .. } => match segment.id.as_str() {
                "ladder_up" => own.steps.is_empty(),
                "ladder_down" => own.falling.is_empty(),
                _ => own.low_e.is_empty(),
            },
            _ => false,
        };
        own.lacking = take.plan.segments.iter().filter(lacks).map(|s| s.id.clone()).collect();
        own
    }

    /// A response with the interface's own shape divided out; as it is where the loop has none.
    #[must_use]
    pub fn correct(&self, segment: &str, response: Response) -> Response {
        let own = self.responses.get(segment).or_else(|| self.responses.values().next());
        own.and_then(|own| sweep::divide(&response, own, sweep::REFERENCE_HZ)).unwrap_or(response)
    }

    /// What is wrong with the loop itself: a limiter, an automatic gain or a gate in the recorder shows in it; and what
    /// of it is missing.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let mut findings = straight::inspect(&self.steps, &self.falling);
        findings.extend(self.incomplete());
        findings
    }

    fn incomplete(&self) -> Option<Finding> {
        let named = match self.lacking.as_slice() {
            [] => return None,
            [a] => a.clone(),
            [a, b] => format!("{a} and {b}"),
            [a, b, c] => format!("{a}, {b} and {c}"),
            [a, b, rest @ ..] => format!("{a}, {b} and {} more segments", rest.len()),
        };
        let effect = if self.responses.is_empty() {
            "the interface's response stays in the figures, and what it does there by itself is not told"
        } else {
            "what the interface does there by itself is not told"
        };
        Some(Finding::new(
            INCOMPLETE,
            Severity::Note,
            format!("the loopback does not hold {named}"),
            effect,
            "record the loopback from before the programme's first marker to after its last",
        ))
    }
}
