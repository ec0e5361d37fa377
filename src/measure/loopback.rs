//! The interface alone: its output straight into its input, playing the same programme at the level of the
//! takes. What it does by itself is divided out of the responses and kept as a floor under every distortion.

use std::collections::BTreeMap;

use super::ladder::Step;
use super::sweep::{self, Response};
use super::{Plans, quiet, steps_of, sweep_of};
use crate::figure::{Curve, Unit};
use crate::finding::{Finding, Severity};
use crate::signals::Signal;
use crate::takes::Take;

/// An amp's distortion nearer than this to the interface's may be the interface's own.
const CLEAR: f64 = 2.0;

/// What the interface does by itself.
#[derive(Debug, Clone, Default)]
pub struct Loopback {
    /// Response of each sweep by its segment's id.
    responses: BTreeMap<String, Response>,
    /// Rising ladder: drive in dB re top, THD and its own noise floor as ratios.
    distortion: Vec<(f64, f64, f64)>,
}

impl Loopback {
    /// Measures a recording of the loop. Segments that it lacks are left uncorrected in the takes.
    #[must_use]
    pub fn of(take: &Take, plans: &mut Plans) -> Self {
        let quiet_segment = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}));
        let mains_hz = quiet_segment
            .and_then(|s| Some((s, take.cut(s)?)))
            .and_then(|(s, cut)| quiet::measure(&quiet::usable(&cut, s.length_seconds), 50.0, plans).ok())
            .and_then(|q| q.mains)
            .map(|m| m.0);
        let mut responses = BTreeMap::new();
        for segment in &take.plan.segments {
            if let Some(Ok(response)) = sweep_of(take, segment, &[], mains_hz, plans) {
                responses.insert(segment.id.clone(), response);
            }
        }
        let steps = steps_of(take, "ladder_up", &[], plans);
        let distortion = steps.iter().map(|s| (s.drive_db, s.tone.thd(), s.tone.thd_floor())).collect();
        Self { responses, distortion }
    }

    /// A response with the interface's own shape divided out; as it is where the loop has none.
    #[must_use]
    pub fn correct(&self, segment: &str, response: Response) -> Response {
        let own = self.responses.get(segment).or_else(|| self.responses.values().next());
        own.and_then(|own| sweep::divide(&response, own, sweep::REFERENCE_HZ)).unwrap_or(response)
    }

    /// The interface's own distortion against drive: `thd`, and the noise under it.
    #[must_use]
    pub fn curve(&self) -> Curve {
        let mut curve =
            Curve::new(&[("drive", Unit::Decibels), ("thd", Unit::Percent), ("thd_floor", Unit::Percent)]);
        for &(drive_db, thd, floor) in &self.distortion {
            curve.push([drive_db, 100.0 * thd, 100.0 * floor]);
        }
        curve
    }

    /// Says at which drives the amp's distortion may be the interface's.
    #[must_use]
    pub fn near_floor(&self, steps: &[Step]) -> Option<Finding> {
        let own = |drive_db: f64| {
            self.distortion.iter().find(|d| (d.0 - drive_db).abs() < 0.01).map(|d| d.1.max(d.2))
        };
        let near: Vec<f64> = steps
            .iter()
            .filter(|s| s.tone.thd() > 2.0 * s.tone.thd_floor())
            .filter(|s| own(s.drive_db).is_some_and(|own| s.tone.thd() < CLEAR * own))
            .map(|s| s.drive_db)
            .collect();
        let (first, last) = (near.first()?, near.last()?);
        Some(
            Finding::new(
                "near_interface_floor",
                Severity::Note,
                format!(
                    "at {} ladder steps between {first:.0} and {last:.0} dB the distortion is within twice what \
                     the interface shows by itself",
                    near.len()
                ),
                "distortion there may be the interface's, not the amp's",
                "read the curve only where it lies well over the interface's; a better level into the interface helps",
            )
            .in_segment("ladder_up"),
        )
    }
}
