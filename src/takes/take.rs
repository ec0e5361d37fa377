//! A take: a recording of a known plan, found, timed and ready to be cut.

use super::clock::{self, Clock, Timed};
use super::detect::{Hit, SURE};
use super::tape::Tape;
use crate::finding::{Finding, Severity};
use crate::measure::{Cut, Plans, fit};
use crate::signals::plan::{MarkerAt, Plan, Segment, Signal};
use crate::signals::{Code, Identity};

/// A recording of a known plan.
#[derive(Debug, Clone)]
pub struct Take {
    /// Sample rate by the recorder's clock.
    pub rate_hz: f64,
    /// The samples, with the signal's own sign.
    pub tape: Tape,
    /// The channel that holds the drive (from 1) and its samples, where one was asked for; `None`: the file lacks it.
    pub drive: Option<(u32, Option<Tape>)>,
    /// From the recorder's time to the player's.
    pub clock: Clock,
    /// The recording's sign re the signal.
    pub polarity: i8,
    /// What was played.
    pub plan: Plan,
    /// What the identity row said, where it could be read.
    pub identity: Option<Identity>,
    /// The markers found.
    pub markers: Vec<Timed>,
    /// What was seen while finding them.
    pub findings: Vec<Finding>,
}

/// Why markers do not lead to a take.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FindError {
    /// The identity row names a plan that is not known here.
    #[error(
        "this is a recording of another programme (its identity is {found}; known here: {known}); \
         give its plan.json with --plan, or record this bench's programme"
    )]
    OtherPlan {
        /// Identity read from the recording.
        found: String,
        /// Identities known.
        known: String,
    },
}

/// The code of the finding that says that nobody knows what was played, and from where.
pub const START_MISSING: &str = "start_missing";

/// What is left out at both ends of a silence: what sounds before it may ring, the clock may be off.
const EDGE_SECONDS: f64 = 0.1;
/// Steps of the ladder that must tell the clock alike for it to be the ladder.
const LEAST_STEPS: usize = 3;
/// How far half of them may lie apart: one is known to about 0.01 ppm, in noise to 10 (methods §2.4).
const STEPS_AGREE: f64 = 50e-6;

/// Segments whose samples end up to this long before their end are still taken: the last gap does not matter.
const MISSING_SECONDS: f64 = 0.004;

impl Take {
    /// Finds a take of one of `plans` by its markers (`plans` are whole programmes, the likeliest first).
    /// `None`: no marker of any of them is there.
    ///
    /// # Errors
    /// [`FindError::OtherPlan`] if the recording says it belongs to a plan that is not among them.
    pub fn find(tape: Tape, rate_hz: f64, hits: &[Hit], plans: &[Plan]) -> Result<Option<Self>, FindError> {
        let mut tape = tape;
        tape.settle(false);
        let Some((plan, identity, findings)) = choose(&tape, rate_hz, hits, plans)? else {
            return Ok(None);
        };
        if identity.is_some() || clock::place(hits, &plan, rate_hz).len() > 1 {
            return Ok(Self::of_plan(tape, rate_hz, hits, plan, identity, findings));
        }
        // A lone marker that several plans have: that plan was played of which the ladder is found.
        let mut first = None;
        for plan in plans.iter().filter(|plan| !clock::place(hits, plan, rate_hz).is_empty()) {
            let findings = vec![identity_unread(plan)];
            let take = Self::of_plan(tape.clone(), rate_hz, hits, plan.clone(), None, findings);
            match take {
                Some(take) if take.findings.iter().all(|f| f.code != "clock_unknown") => {
                    return Ok(Some(take));
                }
                take => first = first.or(take),
            }
        }
        Ok(first.map(|mut take| {
            take.findings = vec![Finding::new(
                START_MISSING,
                Severity::Redo,
                "one marker only: neither the row of chirps that names the programme nor its ladder was found",
                "it may be a level check or a programme without its start; nothing can be measured",
                "play it again, and start recording before you start playing",
            )];
            take
        }))
    }

    /// The take of this plan, if one of its markers can be timed.
    fn of_plan(
        mut tape: Tape,
        rate_hz: f64,
        hits: &[Hit],
        plan: Plan,
        identity: Option<Identity>,
        mut findings: Vec<Finding>,
    ) -> Option<Self> {
        let placed = clock::place(hits, &plan, rate_hz);
        let chirps = clock::Chirps::of_markers(rate_hz);
        let time =
            |&(at, hit): &(usize, Hit)| clock::time(&tape, &chirps, &hit, plan.markers[at].start_seconds);
        let markers: Vec<Timed> = placed.iter().filter_map(time).collect();
        let clock = clock::map(&markers, rate_hz)?;
        let polarity = if markers.iter().map(|m| m.sign).sum::<f64>() < 0.0 { -1 } else { 1 };
        tape.settle(polarity < 0);
        findings.extend(missing_markers(&plan, &markers));
        let mut take =
            Self { rate_hz, tape, drive: None, clock, polarity, plan, identity, markers, findings };
        if take.markers.len() == 1 {
            take.ratio_from_ladder();
        } else {
            // Where samples were lost or put in no noise tells how far off the ratio is.
            let whole = take.clock.worst_frames.is_none_or(|worst| worst <= clock::ALARM_SAMPLES);
            let noise = take.noise_of_markers(&chirps).filter(|_| whole);
            take.clock.ratio_sd = noise.and_then(|noise| clock::ratio_sd(&take.markers, noise));
        }
        take.judge_clock();
        Some(take)
    }

    /// The samples of a segment; `None` if the recording does not hold all of it.
    #[must_use]
    pub fn cut(&self, segment: &Segment) -> Option<Cut<'_>> {
        self.stretch(
            segment.start_seconds,
            segment.start_seconds + segment.length_seconds,
            segment.start_seconds,
        )
    }

    /// The same of the channel that holds the drive.
    #[must_use]
    pub fn cut_drive(&self, segment: &Segment) -> Option<Cut<'_>> {
        let (from, to) = (segment.start_seconds, segment.start_seconds + segment.length_seconds);
        self.stretch_of(self.drive.as_ref()?.1.as_ref()?, from, to, from)
    }

    /// The samples between two times of the plan, with times counted from `origin_seconds`.
    #[must_use]
    pub fn stretch(&self, from_seconds: f64, to_seconds: f64, origin_seconds: f64) -> Option<Cut<'_>> {
        self.stretch_of(&self.tape, from_seconds, to_seconds, origin_seconds)
    }

    fn stretch_of<'a>(
        &self,
        tape: &'a Tape,
        from_seconds: f64,
        to_seconds: f64,
        origin_seconds: f64,
    ) -> Option<Cut<'a>> {
        let frame = |t: f64| self.clock.recorder_seconds(t) * self.rate_hz;
        let first = frame(from_seconds).ceil() as i64;
        let end = frame(to_seconds).ceil() as i64;
        let slack = (MISSING_SECONDS * self.rate_hz) as i64;
        let kept = i64::try_from(tape.end_frame()).ok()?;
        let end = if end > kept && end - kept <= slack { kept } else { end };
        let samples = tape.part(first, end)?;
        let player = (first as f64 / self.rate_hz - self.clock.start_seconds) * self.clock.ratio;
        Some(Cut {
            samples,
            rate_hz: self.rate_hz,
            ratio: self.clock.ratio,
            start_seconds: player - origin_seconds,
        })
    }

    /// Seconds from the file's first frame at which something of the plan stands in the recording.
    #[must_use]
    pub fn file_seconds(&self, player_seconds: f64) -> f64 {
        self.clock.recorder_seconds(player_seconds)
    }

    /// Noise in the correlation with a marker's chirp, from the quiet segment.
    fn noise_of_markers(&self, chirps: &clock::Chirps) -> Option<f64> {
        let quiet = self.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}))?;
        clock::noise(self.cut(quiet)?.part(EDGE_SECONDS, quiet.length_seconds - EDGE_SECONDS).samples, chirps)
    }

    /// One marker gives no ratio; the ladder's tone does (methods §2.4).
    fn ratio_from_ladder(&mut self) {
        let Some(marker) = self.markers.first().copied() else { return };
        let mut plans = Plans::default();
        let mut ratios = Vec::new();
        for segment in self.plan.segments.clone() {
            let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = segment.signal else {
                continue;
            };
            // The loudest twenty steps, all but their first fifth and last tenth: the cut is up to 20 ms off.
            let mut steps: Vec<usize> = (0..levels_db.len()).collect();
            steps.sort_by(|&a, &b| levels_db[b].total_cmp(&levels_db[a]));
            for step in steps.into_iter().take(20) {
                let begin = segment.start_seconds + step_seconds * step as f64;
                let cut = self.stretch(begin + 0.2 * step_seconds, begin + 0.9 * step_seconds, begin);
                let Some(cut) = cut else { continue };
                let nominal = cut.omega(frequency_hz);
                if let Some(seen) = fit::refine(cut.samples, nominal, &mut plans)
                    && (seen / nominal - 1.0).abs() < 2.0 * clock::MAX_DRIFT
                {
                    ratios.push(self.clock.ratio * seen / nominal);
                }
            }
            break;
        }
        ratios.sort_by(f64::total_cmp);
        // Whatever else stands there gives no frequency again and again.
        let quarter = |part: usize| ratios.get(ratios.len() * part / 4).copied();
        let agree = quarter(1).zip(quarter(3)).is_some_and(|(low, high)| high - low < STEPS_AGREE);
        let Some(&ratio) = ratios.get(ratios.len() / 2).filter(|_| agree && ratios.len() >= LEAST_STEPS)
        else {
            self.findings.push(Finding::new(
                "clock_unknown",
                Severity::Limit,
                "one marker only and no ladder from which the clocks could be compared",
                "phase and time constants may be off by the recorder's clock error, up to 0.02 %",
                "record the whole programme, from before its first to after its last chirps",
            ));
            return;
        };
        // A median of n is 1.253 times less sure than their mean; half of a normal spread lies within 1.349 sd.
        let spread = quarter(1).zip(quarter(3)).map(|(low, high)| (high - low) / 1.349);
        self.clock.ratio_sd = spread.map(|sd| 1.253 * sd / (ratios.len() as f64).sqrt());
        self.clock.ratio = ratio;
        self.clock.start_seconds = marker.recorder_seconds - marker.player_seconds / ratio;
    }

    fn judge_clock(&mut self) {
        if let Some(worst) = self.clock.worst_frames
            && worst > clock::ALARM_SAMPLES
        {
            self.findings.push(Finding::new(
                "clock_jumps",
                Severity::Limit,
                format!("the markers do not lie on one clock: the worst is off by {worst:.1} samples"),
                "samples were lost or put in between the markers; the segment where it happened is wrong",
                "look for dropouts in the recorder's settings (larger buffer) and record again",
            ));
        }
        let drift = self.clock.drift_ppm();
        if drift.abs() > 205.0 {
            self.findings.push(Finding::new(
                "clock_drift",
                Severity::Note,
                format!("the recorder's clock differs from the player's by {drift:.0} ppm"),
                "corrected; more than 200 ppm is unusual for a working interface",
                "check that player and recorder run at the rates that their files say",
            ));
        }
    }
}

/// Which plan a recording is of, with what was seen while deciding.
type Choice = (Plan, Option<Identity>, Vec<Finding>);

fn choose(tape: &Tape, rate_hz: f64, hits: &[Hit], plans: &[Plan]) -> Result<Option<Choice>, FindError> {
    let mut stranger = None;
    for plan in plans {
        let Some(first) = plan.markers.first() else { continue };
        let offset = plan.identity_seconds - first.start_seconds;
        for hit in hits.iter().filter(|h| h.rho >= SURE && matches!(h.code, Code::UpDown | Code::UpUp)) {
            let here =
                Clock { ratio: 1.0, start_seconds: hit.frame / rate_hz, worst_frames: None, ratio_sd: None };
            let Some(said) = clock::read_identity(tape, rate_hz, &here, offset) else { continue };
            if said.plan != plan.identity() {
                stranger = stranger.or(Some(said));
                continue;
            }
            let found =
                if said.part == 0 { Some(plan.clone()) } else { plan.part(usize::from(said.part) - 1) };
            if let Some(found) = found {
                return Ok(Some((found, Some(said), Vec::new())));
            }
        }
    }
    if let Some(said) = stranger {
        let known: Vec<String> = plans.iter().map(|p| format!("{:04x}", p.identity())).collect();
        return Err(FindError::OtherPlan { found: said.words(), known: known.join(", ") });
    }
    // Without identity only markers that fit the plan's spacing, or one that no other file has, will do.
    let fitting = plans.iter().find(|plan| {
        let placed = clock::place(hits, plan, rate_hz);
        placed.len() > 1 || placed.iter().any(|(_, h)| h.code == Code::DownDown)
    });
    let lone = || plans.iter().find(|plan| !clock::place(hits, plan, rate_hz).is_empty());
    Ok(fitting.or_else(lone).map(|plan| (plan.clone(), None, vec![identity_unread(plan)])))
}

fn identity_unread(plan: &Plan) -> Finding {
    Finding::new(
        "identity_unread",
        Severity::Note,
        "the row of chirps that names the programme is missing or damaged",
        format!("the recording is taken for the programme {:04x} by its markers alone", plan.identity()),
        "start recording before you start playing",
    )
}

fn missing_markers(plan: &Plan, found: &[Timed]) -> Vec<Finding> {
    let centre = crate::signals::marker::LENGTH_SECONDS / 2.0;
    let missing =
        |m: &&MarkerAt| !found.iter().any(|f| (f.player_seconds - m.start_seconds - centre).abs() < 1e-6);
    let last = plan.markers.len().saturating_sub(1);
    plan.markers
        .iter()
        .enumerate()
        .filter(|(_, m)| missing(m))
        .map(|(at, marker)| {
            let (place, cure) = match at {
                0 => ("start", "start recording before you start playing"),
                _ if at == last => ("end", "let the recording run until after the last chirps"),
                _ => ("middle", "look for what covered or cut it: noise, a dropout, a pause in playing"),
            };
            Finding::new(
                "marker_missing",
                Severity::Limit,
                format!("marker {} at the programme's {place} was not found", marker.code.letter()),
                "segments near it may be missing; the clock is known from what is left",
                cure,
            )
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::signals::{Choices, Player};
    use crate::takes::detect::Detector;

    const RATE_HZ: f64 = 48_000.0;

    /// The plan played at `ppm` of clock difference, `lead` seconds in, from `from` to `to` of it, clipped hard
    /// at 16 dB under the marker's peak and of this sign.
    fn recorded(plan: &Plan, said: Identity, ppm: f64, lead: f64, from: f64, to: f64, sign: f64) -> Vec<f32> {
        let step = 1.0 / RATE_HZ / (1.0 + ppm * 1e-6);
        let mut samples = vec![0.0; ((to - from + lead) * RATE_HZ) as usize];
        Player::new(plan, said).fill(&mut samples, from - lead, step);
        let limit = plan.peak(plan.marker_db) * 0.16;
        let edge = (lead * RATE_HZ) as usize;
        samples
            .iter()
            .enumerate()
            .map(|(n, x)| if n < edge { 0.0 } else { (sign * x.clamp(-limit, limit)) as f32 })
            .collect()
    }

    fn find(samples: Vec<f32>, plans: &[Plan]) -> Result<Option<Take>, FindError> {
        let mut detector = Detector::new(RATE_HZ);
        detector.feed(&samples);
        Take::find(Tape::of(samples), RATE_HZ, &detector.finish(), plans)
    }

    fn said(plan: &Plan) -> Identity {
        Identity { plan: plan.identity(), part: 0 }
    }

    #[test]
    fn clock_start_and_sign_are_found_through_clipping_drift_and_latency() {
        let plan = Plan::short(&Choices::default());
        for (ppm, lead, sign) in
            [(0.0, 0.1, 1.0), (200.0, 3.7, -1.0), (-200.0, 0.0, 1.0), (137.0, 11.03, -1.0)]
        {
            let samples = recorded(&plan, said(&plan), ppm, lead, 0.0, plan.length_seconds, sign);
            let take = find(samples, std::slice::from_ref(&plan)).unwrap().unwrap();
            // Two markers 17 s apart; 0.002 ppm over 90 s in methods §2.1 is 0.01 ppm here, times two.
            assert!((take.clock.drift_ppm() - ppm).abs() < 0.02, "{ppm} {}", take.clock.drift_ppm());
            // The markers' places to 0.1 sample, as methods §11 asks.
            let start = (take.clock.start_seconds - lead * (1.0 + ppm * 1e-6)) * RATE_HZ;
            assert!(start.abs() < 0.1, "{ppm} {lead} {start}");
            assert_eq!(f64::from(take.polarity), sign);
            assert_eq!(take.identity, Some(said(&plan)));
            assert!(take.findings.is_empty(), "{:?}", take.findings);
        }
    }

    #[test]
    fn a_recording_without_its_start_or_end_is_still_timed() {
        let plan = Plan::programme(&Choices::default());
        for (from, to, ppm) in [(30.0, plan.length_seconds, 90.0), (0.0, 80.0, -120.0), (0.0, 50.0, 180.0)] {
            let samples = recorded(&plan, said(&plan), ppm, 0.0, from, to, 1.0);
            let take = find(samples, std::slice::from_ref(&plan)).unwrap().unwrap();
            // One marker: the clock comes from the ladder (methods §2.4: ≤ 0.001 ppm; sd of a step 0.004–0.013).
            assert!((take.clock.drift_ppm() - ppm).abs() < 0.02, "{from} {to} {}", take.clock.drift_ppm());
            assert!(take.findings.iter().any(|f| f.code == "marker_missing"));
            let quiet = take.cut(plan.segment("quiet").unwrap()).is_some();
            assert_eq!(quiet, from == 0.0);
        }
    }

    #[test]
    fn another_plans_recording_is_refused_and_a_parts_recording_is_known() {
        let plan = Plan::short(&Choices::default());
        let other = Plan::short(&Choices { top_dbfs: -3.0, ..Choices::default() });
        let samples = recorded(&other, said(&other), 0.0, 0.5, 0.0, other.length_seconds, 1.0);
        let refused = find(samples, std::slice::from_ref(&plan));
        assert!(matches!(refused, Err(FindError::OtherPlan { .. })), "{refused:?}");

        let part = plan.part(2).unwrap();
        let said = Identity { plan: plan.identity(), part: 3 };
        let samples = recorded(&part, said, 50.0, 0.5, 0.0, part.length_seconds, -1.0);
        let take = find(samples, std::slice::from_ref(&plan)).unwrap().unwrap();
        assert_eq!(take.plan, part);
        assert!((take.clock.drift_ppm() - 50.0).abs() < 0.1, "{}", take.clock.drift_ppm());
    }

    #[test]
    fn silence_is_no_take() {
        let plan = Plan::short(&Choices::default());
        assert_eq!(find(vec![0.0; 100_000], std::slice::from_ref(&plan)).map(|t| t.is_none()), Ok(true));
        assert_eq!(find(Vec::new(), &[plan]).map(|t| t.is_none()), Ok(true));
    }
}
