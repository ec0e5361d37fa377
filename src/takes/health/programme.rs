//! Faults that show when it is known what was played: where the recording breaks, what was clipped,
//! which steps are struck out for it.

use std::f64::consts::TAU;
use std::ops::Range;

use super::{MOST_STRETCHES, Report, breaks, channel, jump, spectrum};
use crate::analysis::Strike;
use crate::finding::{Finding, Severity};
use crate::measure::sweep::{self, Arrival, Sweep};
use crate::measure::{Plans, fit};
use crate::signals::plan::{Segment, Signal};
use crate::takes::Take;
use crate::takes::detect::{Detector, SURE};
use crate::units;

/// What was seen before anything is measured.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Judgement {
    /// What a person must know.
    pub findings: Vec<Finding>,
    /// What must not be measured.
    pub struck: Vec<Strike>,
}

/// After a change of signal an amp needs this long before what it does repeats.
const SETTLE_SECONDS: f64 = 0.015;
/// And this much is left before the next change: tones end in a fade of 10 ms.
const GUARD_SECONDS: f64 = 0.014;
/// Breaks told one by one; more are counted.
const MOST_TOLD: usize = 6;
/// Samples lost in all from which the clock of the markers is not believed.
const LOST_SAMPLES: f64 = 0.6;

/// A stretch of the programme in which one thing goes on.
struct Span<'a> {
    segment: &'a Segment,
    part: Option<usize>,
    /// Seconds of the plan.
    from: f64,
    to: f64,
    /// Frequency if it is a lone steady tone.
    tone_hz: Option<f64>,
}

/// Judges a take; `measured` is the channel it was taken from (from 0).
#[must_use]
pub fn judge(take: &Take, health: &Report, measured: usize, plans: &mut Plans) -> Judgement {
    let mut judgement = Judgement::default();
    let spans: Vec<Span<'_>> = take.plan.segments.iter().flat_map(spans_of).collect();
    // Whether the noise spreads over codes.
    let noisy = spectrum::noise(take, plans).is_some_and(|rms| rms > health.step);
    let of_channel = |all: &'_ [Vec<Range<u64>>]| all.get(measured).cloned().unwrap_or_default();
    let mut clipped = of_channel(&health.clipped);
    if clipped.is_empty()
        && let Some(piled) = health.piled_up.get(measured).and_then(Option::as_ref)
        && noisy
    {
        judgement.findings.push(channel::piled(piled, take.rate_hz));
        clipped.clone_from(&piled.stretches);
    }
    judgement.spoilt(take, &spans, &clipped, "clipped_input");
    judgement.spoilt(take, &spans, &of_channel(&health.gaps), "zeroed");
    judgement.breaks(take, &spans, health.step);
    if let Some((samples, finding)) = lost(take, &spans, plans) {
        judgement.jumps(take, &spans, -samples);
        judgement.findings.push(finding);
    }
    // A break in the sweep would look like a second arrival.
    if judgement.findings.iter().all(|f| f.code != "samples_lost" && f.code != "recording_breaks") {
        let arrival = second_arrival(take, plans);
        judgement.findings.extend(arrival.map(|arrival| monitored("what was played", &arrival)));
    }
    let rms = health.rms.get(measured).copied().unwrap_or(0.0);
    judgement.findings.extend(spectrum::quiet(take, rms, plans));
    judgement.findings.extend(spectrum::gate(take, health.step, plans));
    if noisy && judgement.struck.is_empty() {
        judgement.findings.extend(normalised(take, health));
    }
    judgement
}

/// The stretches of a segment.
fn spans_of(segment: &Segment) -> Vec<Span<'_>> {
    let start = segment.start_seconds;
    let one = |part: Option<usize>, from: f64, to: f64, tone_hz: Option<f64>| Span {
        segment,
        part,
        from: start + from,
        to: start + to,
        tone_hz,
    };
    match segment.signal {
        Signal::Quiet {} => vec![one(None, 0.0, segment.length_seconds, None)],
        Signal::Tone { frequency_hz, .. } => vec![one(None, 0.0, segment.length_seconds, Some(frequency_hz))],
        Signal::Rise { .. } => vec![one(None, 0.0, segment.length_seconds, None)],
        Signal::Ladder { frequency_hz, step_seconds, ref levels_db } => (0..levels_db.len())
            .map(|k| {
                let from = step_seconds * k as f64;
                one(Some(k), from, from + step_seconds, Some(frequency_hz))
            })
            .collect(),
        Signal::Sweep { start_hz, end_hz, growth_seconds, .. } => {
            vec![one(None, 0.0, growth_seconds * (end_hz / start_hz).ln(), None)]
        }
        Signal::Pair { tone_seconds, .. } => vec![one(None, 0.0, tone_seconds, None)],
        Signal::Burst { frequency_hz, before_seconds, high_seconds, after_seconds, times, .. } => {
            let once = before_seconds + high_seconds + after_seconds;
            (0..times)
                .flat_map(|k| {
                    let at = once * f64::from(k);
                    let edges = [at, at + before_seconds, at + before_seconds + high_seconds, at + once];
                    [0, 1, 2].map(|e| one(None, edges[e], edges[e + 1], Some(frequency_hz)))
                })
                .collect()
        }
    }
}

/// Where on the tape a stretch of the programme lies.
fn indices(take: &Take, from: f64, to: f64) -> Range<usize> {
    let index = |t: f64| {
        let frame = (take.file_seconds(t) * take.rate_hz).round().max(0.0) as u64;
        let index = usize::try_from(frame.saturating_sub(take.tape.first_frame())).unwrap_or(usize::MAX);
        index.min(take.tape.all().len())
    };
    index(from)..index(to)
}

impl Judgement {
    fn strike(&mut self, span: &Span<'_>, because: &str) {
        let drive = match (&span.segment.signal, span.part) {
            (Signal::Ladder { levels_db, .. }, Some(part)) => levels_db.get(part).copied(),
            _ => None,
        };
        let strike =
            Strike { segment: span.segment.id.clone(), part: span.part, drive, because: because.to_owned() };
        if !self.struck.contains(&strike) {
            self.struck.push(strike);
        }
    }

    /// Strikes out every stretch of the programme that holds one of these frames.
    fn spoilt(&mut self, take: &Take, spans: &[Span<'_>], frames: &[Range<u64>], because: &str) {
        for span in spans {
            let frame = |t: f64| (take.file_seconds(t) * take.rate_hz).max(0.0) as u64;
            let (from, to) = (frame(span.from), frame(span.to));
            if frames.iter().any(|stretch| stretch.start < to && from < stretch.end) {
                self.strike(span, because);
            }
        }
    }

    fn breaks(&mut self, take: &Take, spans: &[Span<'_>], step: f64) {
        let samples = take.tape.all();
        let first = take.tape.first_frame();
        let all = breaks::of_any(samples, take.rate_hz);
        let mut found: Vec<(usize, Finding)> = Vec::new();
        for (at, span) in spans.iter().enumerate() {
            let inside = indices(take, span.from + SETTLE_SECONDS, span.to - GUARD_SECONDS);
            let mut here: Vec<usize> = all.iter().copied().filter(|n| inside.contains(n)).collect();
            let period = span.tone_hz.map(|hz| take.rate_hz / (hz * take.clock.ratio));
            // Looked at from edge to edge, so that what an amp does after a change is not taken for a break.
            let whole = indices(take, span.from, span.to);
            let seen = match (&span.segment.signal, period) {
                (_, Some(period)) => {
                    breaks::of_tone(samples.get(whole.clone()).unwrap_or_default(), take.rate_hz, period)
                }
                (&Signal::Sweep { start_hz, end_hz, growth_seconds, .. }, _) => {
                    let turn = |n: usize| {
                        let seconds = n as f64 / take.rate_hz * take.clock.ratio;
                        let hz = (start_hz * (seconds / growth_seconds).exp()).min(end_hz);
                        TAU * hz * take.clock.ratio / take.rate_hz
                    };
                    breaks::of_sweep(samples.get(whole.clone()).unwrap_or_default(), take.rate_hz, turn)
                }
                (Signal::Quiet {}, _) => {
                    let part = samples.get(inside.clone()).unwrap_or_default();
                    let seen = breaks::of_silence(part, take.rate_hz, step);
                    seen.into_iter().map(|n| n + inside.start - whole.start).collect()
                }
                _ => Vec::new(),
            };
            here.extend(seen.into_iter().map(|n| n + whole.start).filter(|n| inside.contains(n)));
            for broken in breaks::merge(here, take.rate_hz) {
                let turn = period.and_then(|period| turn(samples, &inside, &broken, period));
                let told = told(take, span, first, &broken, turn.zip(period));
                found.push((at, told));
            }
        }
        self.tell_breaks(spans, found);
    }

    /// So many samples were lost somewhere: in a sweep, where nothing but its phase shows it?
    fn jumps(&mut self, take: &Take, spans: &[Span<'_>], lost: f64) {
        if self.findings.iter().any(|f| f.code == "recording_breaks") {
            return;
        }
        let (samples, first) = (take.tape.all(), take.tape.first_frame());
        let mut found: Vec<(usize, Finding)> = Vec::new();
        for (at, span) in spans.iter().enumerate() {
            let Signal::Sweep { start_hz, growth_seconds, .. } = span.segment.signal else { continue };
            let inside = indices(take, span.from, span.to);
            let played = jump::Played {
                start_hz: start_hz * take.clock.ratio,
                growth_seconds: growth_seconds / take.clock.ratio,
                rate_hz: take.rate_hz,
            };
            let place = jump::of_sweep(samples.get(inside.clone()).unwrap_or_default(), &played, lost);
            found.extend(place.map(|n| {
                let at_index = n + inside.start;
                (at, told(take, span, first, &(at_index..at_index), None))
            }));
        }
        self.tell_breaks(spans, found);
    }

    fn tell_breaks(&mut self, spans: &[Span<'_>], found: Vec<(usize, Finding)>) {
        let count = found.len();
        for (at, finding) in found {
            if let Some(span) = spans.get(at) {
                self.strike(span, "recording_breaks");
            }
            if self.findings.len() < MOST_TOLD {
                self.findings.push(finding);
            }
        }
        if count > MOST_TOLD {
            self.findings.push(Finding::new(
                "recording_breaks",
                Severity::Redo,
                format!("the recording breaks at {} more places", count - MOST_TOLD),
                "so many steps are struck out that the figures rest on little",
                "use a larger buffer, close other programs, and record again",
            ));
        }
    }
}

/// Steps of the rising ladder that must be left for a take with clipped input to be of use: as many as the
/// small-signal gain rests on.
const LEAST_STEPS: usize = 10;

/// Says of clipped input what it strikes out: where the rest can be measured the take is fit with limits.
/// `health` found it on `channel` (from 0).
pub fn weigh_clipping(
    findings: &mut [Finding],
    take: &Take,
    struck: &[Strike],
    health: &Report,
    channel: usize,
) {
    let clipped: Vec<Strike> = struck.iter().filter(|s| s.because == "clipped_input").cloned().collect();
    let of_runs = health.clipped.get(channel).map_or(0, Vec::len);
    let piled = health.piled_up.get(channel).and_then(Option::as_ref).map_or(0, |p| p.stretches.len());
    let stretches = of_runs.max(piled);
    let left = |segment: &Segment| match &segment.signal {
        Signal::Ladder { levels_db, .. } => {
            levels_db.len() - clipped.iter().filter(|s| s.segment == segment.id && s.part.is_some()).count()
        }
        _ => usize::from(clipped.iter().all(|s| s.segment != segment.id)),
    };
    let enough = match take.plan.segment("ladder_up") {
        Some(ladder) => {
            let Signal::Ladder { levels_db, .. } = &ladder.signal else { return };
            left(ladder) >= LEAST_STEPS.min(levels_db.len().div_ceil(2))
        }
        None => take.plan.segments.iter().any(|segment| left(segment) > 0),
    };
    // Past the end of the list nothing is known of where it clipped.
    let enough = enough && stretches < MOST_STRETCHES;
    for finding in findings.iter_mut().filter(|f| f.code == "clipped_input" && f.severity == Severity::Redo) {
        let told: Vec<String> = Strike::told(&clipped).into_iter().map(|(words, _)| words).collect();
        finding.segment = clipped.first().map(|s| s.segment.clone());
        let effect = "the recorder, not the amp, cut the peaks";
        if told.is_empty() {
            finding.effect = format!("{effect}; nothing that is measured lies there");
        } else {
            finding.effect = format!("{effect}; struck out: {}", told.join("; "));
        }
        if enough {
            finding.severity = if told.is_empty() { Severity::Note } else { Severity::Limit };
        } else {
            finding.effect.push_str("; too little is left to measure");
        }
    }
}

/// The segment that stands at this second of the recording.
#[must_use]
pub fn segment_at(take: &Take, seconds: f64) -> Option<&str> {
    let within = |s: &&Segment| {
        let (from, to) = (s.start_seconds, s.start_seconds + s.length_seconds);
        (take.file_seconds(from)..take.file_seconds(to)).contains(&seconds)
    };
    take.plan.segments.iter().find(within).map(|s| s.id.as_str())
}

/// Radians by which a tone's phase moves across a break; `None` if a side is too short.
fn turn(samples: &[f32], inside: &Range<usize>, broken: &Range<usize>, period: f64) -> Option<f64> {
    let length = (8.0 * period).ceil() as usize;
    let guard = (1.5 * period).ceil() as usize;
    let before_end = broken.start.checked_sub(guard).filter(|end| *end >= inside.start + length)?;
    let after = broken.end + guard;
    if after + length > inside.end {
        return None;
    }
    let omega = TAU / period;
    let side =
        |from: usize| samples.get(from..from + length).map(|part| super::tone::look(part, omega, from));
    Some((side(after)? * side(before_end - length)?.conj()).arg())
}

fn told(
    take: &Take,
    span: &Span<'_>,
    first: u64,
    broken: &Range<usize>,
    turn: Option<(f64, f64)>,
) -> Finding {
    let frame = first + broken.start as u64;
    let seconds = frame as f64 / take.rate_hz;
    let how = match turn {
        Some((turn, period)) if (turn / TAU * period).abs() > 0.4 => {
            let missing = (turn / TAU * period).rem_euclid(period);
            format!(
                "samples lost or repeated: the phase moves by {:+.0}°, as if {missing:.0} were missing or {:.0} came twice",
                turn.to_degrees(),
                period - missing
            )
        }
        Some(_) => "a gap or a click: the phase goes on as before".to_owned(),
        None => "samples lost, repeated or zeroed, or a click".to_owned(),
    };
    let length = (broken.end - broken.start) as f64 / take.rate_hz;
    let until = if length > 0.001 { format!(", over {:.0} ms", 1e3 * length) } else { String::new() };
    Finding::new(
        "recording_breaks",
        Severity::Limit,
        format!("the recording breaks at frame {frame} ({seconds:.3} s){until}: {how}"),
        "the step or segment is struck out",
        "use a larger buffer and close other programs; if it is the amp that crackles, mend that first",
    )
    .at(seconds)
    .in_segment(&span.segment.id)
}

/// From this size on (−50 dB) it moves the response itself, by 0.03 dB; a smaller one moves the quiet after a burst.
const RIPPLES: f64 = 0.003;

/// A second way of the signal into the recording, past the amp.
pub(super) fn second_arrival(take: &Take, plans: &mut Plans) -> Option<Arrival> {
    let segment = take.plan.segment("sweep_low")?;
    let sweep = Sweep::of(&take.plan, &segment.signal)?;
    sweep::second_arrival(&take.cut(segment)?, &sweep, plans)
}

/// Says that something, `what`, arrives twice.
pub(super) fn monitored(what: &str, arrival: &Arrival) -> Finding {
    let side = if arrival.seconds < 0.0 { "before" } else { "after" };
    let (ratio_db, worst_db) = (units::db(arrival.ratio), units::db(1.0 + arrival.ratio));
    Finding::new(
        "monitoring_on",
        if arrival.ratio > RIPPLES { Severity::Redo } else { Severity::Limit },
        format!(
            "{what} arrives twice: {:.1} ms {side} the main sound, {ratio_db:.0} dB re that",
            1e3 * arrival.seconds.abs()
        ),
        format!("the sum ripples by ±{worst_db:.3} dB over frequency and hides distortion"),
        "switch off direct monitoring, loop-back recording and software monitoring; an echo or reverb in the \
         amp looks the same: turn it off too",
    )
    .in_segment("sweep_low")
}

/// Levels that exports are normalised to, dB re full scale (common practice, no source).
const NORMALISED_DB: [f64; 7] = [0.0, -0.1, -0.2, -0.3, -0.5, -1.0, -3.0];

/// The largest sample of all channels stands at a round level, to the code: chance would do that once in a million
/// takes at 24 bits, once in some thousand at 16.
fn normalised(take: &Take, health: &Report) -> Option<Finding> {
    let peak = health.levels.iter().filter_map(|l| l.peak.value).reduce(f64::max)?;
    let codes = |db: f64| units::from_db(db) / health.step;
    let wide = if health.step < 1e-6 { 1.01 } else { 0.51 };
    // The programme itself, or a digital copy of it, ends at its own top.
    let targets = NORMALISED_DB.iter().filter(|&&db| (db - take.plan.top_dbfs).abs() > 0.01);
    let at = targets.copied().find(|&db| {
        let full = if db == 0.0 { 1.0 / health.step - 1.0 } else { codes(db) };
        (codes(peak) - full).abs() <= wide
    })?;
    Some(Finding::new(
        "normalised_export",
        Severity::Limit,
        format!(
            "the largest sample is at {at:.1} dB re full scale to the last code: the export was normalised"
        ),
        "volts, watts and gain are those of the export, not of the amp; ratios such as THD still hold",
        "switch off normalising in the editor's export, and export again",
    ))
}

/// The clock that the markers give against the one that the tones give: samples lost anywhere between
/// the markers make them differ, also where nothing is played. How many are too many (negative: missing).
fn lost(take: &Take, spans: &[Span<'_>], plans: &mut Plans) -> Option<(f64, Finding)> {
    let [first, .., last] = take.markers.as_slice() else { return None };
    let seconds = last.recorder_seconds - first.recorder_seconds;
    // Tones in the middle of the ladder: loud enough, and not so loud that the bias moves their phase.
    let mut tones: Vec<(&Span<'_>, f64, f64)> = spans
        .iter()
        .filter_map(|span| match (&span.segment.signal, span.part) {
            (Signal::Ladder { levels_db, .. }, Some(k)) => Some((span, span.tone_hz?, *levels_db.get(k)?)),
            _ => None,
        })
        .filter(|(.., level_db)| (-26.0..=-8.0).contains(level_db))
        .collect();
    tones.sort_by(|a, b| b.2.total_cmp(&a.2));
    let mut off: Vec<f64> = tones
        .iter()
        .take(7)
        .filter_map(|(span, hz, _)| {
            let length = span.to - span.from;
            let cut = take.stretch(span.from + 0.2 * length, span.from + 0.96 * length, span.from)?;
            let nominal = cut.omega(*hz);
            Some(fit::refine(cut.samples, nominal, plans)? / nominal - 1.0)
        })
        .collect();
    off.sort_by(f64::total_cmp);
    if off.len() < 3 {
        return None;
    }
    // Where samples are missing the markers seem too near each other, and by that clock the tones too low.
    let median = off[off.len() / 2];
    let spread = off[off.len() * 3 / 4] - off[off.len() / 4];
    let samples = median * seconds * take.rate_hz;
    if samples.abs() < LOST_SAMPLES || median.abs() < 3.0 * spread {
        return None;
    }
    let what = if samples < 0.0 { "missing" } else { "too many" };
    let finding = Finding::new(
        "samples_lost",
        Severity::Limit,
        format!(
            "about {:.0} samples are {what} between the markers: the tones run {:+.2} ppm off the clock that the markers give",
            samples.abs(),
            1e6 * median
        ),
        "segments after the place are cut late or early by that much; phase, sweeps and time constants suffer",
        "use a larger buffer and close other programs, then record again",
    );
    Some((samples, finding))
}

/// Level of the loudest tone under which a recording is too quiet (dBFS): common practice, no source.
const QUIET_DBFS: f64 = -40.0;

/// Whether the whole recording is too quiet.
#[must_use]
pub fn level(peak_dbfs: Option<f64>) -> Option<Finding> {
    let peak = peak_dbfs.filter(|peak| *peak < QUIET_DBFS && *peak > units::db(1e-6))?;
    Some(Finding::new(
        "level_low",
        Severity::Limit,
        format!("the largest sample is at {peak:.1} dB re full scale"),
        "the interface's own noise and hum limit the figures of all but the loudest steps",
        format!("turn the input gain up by about {:.0} dB, or use a smaller pad", -6.0 - peak),
    ))
}

/// Rates that a label may be mistaken for.
const RATES_HZ: [f64; 6] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0];

/// A recording without markers that has them when another rate is taken: its rate label is wrong.
#[must_use]
pub fn rate_label(samples: &[f32], rate_hz: f64) -> Option<Finding> {
    let others = RATES_HZ.into_iter().filter(|other| (other - rate_hz).abs() > 1.0);
    let right = others.into_iter().find(|&other| {
        let mut detector = Detector::new(other);
        detector.feed(samples);
        detector.finish().iter().any(|hit| hit.rho >= SURE)
    })?;
    Some(Finding::new(
        "rate_label",
        Severity::Redo,
        format!(
            "this is the programme, recorded at {right} Hz and labelled {rate_hz} Hz: its markers are found at {right}"
        ),
        "every frequency and time would be off by that ratio",
        "correct the rate in the recorder and record again, or mend the label with an editor",
    ))
}
