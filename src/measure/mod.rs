//! What is in a take: figures and curves out of segments, one file a kind of segment.

pub mod burst;
pub mod cut;
mod decimate;
pub mod drive;
pub mod error;
pub mod fit;
pub mod impedance;
pub mod ladder;
mod left_out;
pub mod loopback;
pub mod pair;
pub mod pchip;
pub mod plain;
pub mod plans;
pub mod quiet;
pub mod reading;
pub mod rise;
pub mod series;
pub mod sweep;
pub mod tone;
pub mod tone_figures;
pub mod weighting;

pub use cut::Cut;
pub use error::MeasureError;
pub use loopback::Loopback;
pub use plans::Plans;

use crate::analysis::{Figures, Strike};
use crate::figure::{Curves, Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::signals::{Segment, Signal};
use crate::takes::{Scale, Take};
use crate::units;

/// What a take gave.
#[derive(Debug, Clone, Default)]
pub struct Measured {
    /// Single figures and lists.
    pub figures: Figures,
    /// Curves by name.
    pub curves: Curves,
    /// What was seen while measuring.
    pub findings: Vec<Finding>,
    /// What is left out.
    pub struck: Vec<Strike>,
}

/// Measures every segment that the recording holds.
#[must_use]
pub fn take(take: &Take, scale: &Scale, plans: &mut Plans) -> Measured {
    take_with(take, scale, None, plans)
}

/// The same, with what a loopback tells of the interface.
#[must_use]
pub fn take_with(take: &Take, scale: &Scale, loopback: Option<&Loopback>, plans: &mut Plans) -> Measured {
    take_without(take, scale, loopback, &[], plans)
}

/// The same; what is `struck` is left out: steps of a ladder one by one, every other segment as a whole.
#[must_use]
pub fn take_without(
    take: &Take,
    scale: &Scale,
    loopback: Option<&Loopback>,
    struck: &[Strike],
    plans: &mut Plans,
) -> Measured {
    let mut measured = begin(take, struck);
    let (rising, low_e) = ladders(take, scale, plans, &mut measured);
    references(take, plans, &mut measured);
    let mains_hz = quiet_segments(take, scale, plans, &mut measured);
    sweeps(take, scale, mains_hz, loopback, plans, &mut measured);
    pairs(take, mains_hz, plans, &mut measured);
    bursts(take, scale, &mut measured);
    left_out::put(&mut measured.figures, &take.plan, &measured.struck);
    if let Some(loopback) = loopback {
        loopback.put_floors(&mut measured, &rising, &low_e, scale);
    }
    measured
}

/// Only what the health of a recording is judged by: which segments are there, the rising ladder, and whether the
/// amp had settled. No figure comes of it but the reference tones' shift.
#[must_use]
pub fn for_health(take: &Take, scale: &Scale, struck: &[Strike], plans: &mut Plans) -> Measured {
    let mut measured = begin(take, struck);
    let rising = steps_of(take, "ladder_up", &measured.struck, plans);
    if !rising.is_empty() {
        measured.curves.insert("ladder_up".to_owned(), ladder::ladder_curve(&rising, scale));
    }
    references(take, plans, &mut measured);
    measured
}

/// What is struck out, segments that the recording does not hold among it.
fn begin(take: &Take, struck: &[Strike]) -> Measured {
    let mut measured = Measured { struck: struck.to_vec(), ..Measured::default() };
    let mut gone = Vec::new();
    for segment in &take.plan.segments {
        if take.cut(segment).is_none() {
            gone.push(segment);
            measured.struck.push(Strike {
                segment: segment.id.clone(),
                part: None,
                drive: None,
                because: "segment_missing".to_owned(),
            });
        }
    }
    measured.findings.extend(missing(take, &gone));
    measured
}

/// The samples of a segment, unless it is not in the recording or struck out.
fn cut_of<'a>(take: &'a Take, segment: &Segment, struck: &[Strike]) -> Option<Cut<'a>> {
    if struck.iter().any(|strike| left_out::whole(segment, strike)) { None } else { take.cut(segment) }
}

/// One word on all segments that the recording does not hold; the take must be played again if what a comparison
/// rests on is among them: the rising ladder, both sweeps, or all there is.
fn missing(take: &Take, gone: &[&Segment]) -> Option<Finding> {
    let (first, last) = (gone.first()?, gone.last()?);
    let all = take.plan.segments.len();
    let is_gone = |segment: &Segment| gone.iter().any(|g| g.id == segment.id);
    let mut sweeps =
        take.plan.segments.iter().filter(|s| matches!(s.signal, Signal::Sweep { .. })).peekable();
    let no_sweep = sweeps.peek().is_some() && sweeps.all(is_gone);
    let redo = gone.len() == all || no_sweep || take.plan.segment("ladder_up").is_some_and(is_gone);
    let end_seconds = take.tape.end_frame() as f64 / take.rate_hz;
    let cut = if take.file_seconds(last.start_seconds + last.length_seconds) > end_seconds {
        format!("the recording stops after {end_seconds:.1} s; ")
    } else if take.file_seconds(first.start_seconds) < 0.0 {
        "the recording begins too late; ".to_owned()
    } else {
        String::new()
    };
    let names: Vec<&str> = gone.iter().map(|segment| segment.id.as_str()).collect();
    let finding = Finding::new(
        "segment_missing",
        if redo { Severity::Redo } else { Severity::Limit },
        format!("{cut}{} of {all} segments are missing or cut: {}", gone.len(), names.join(", ")),
        if redo { "too little is left to compare" } else { "their figures are left out" },
        "record from before the first chirps until after the last",
    );
    Some(if gone.len() == 1 {
        finding.in_segment(&first.id).at(take.file_seconds(first.start_seconds).max(0.0))
    } else {
        finding
    })
}

/// Ladder steps of a segment in order of rising drive; empty if it is not there.
pub(crate) fn steps_of(take: &Take, id: &str, struck: &[Strike], plans: &mut Plans) -> Vec<ladder::Step> {
    let Some(segment) = take.plan.segment(id) else { return Vec::new() };
    let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = segment.signal else {
        return Vec::new();
    };
    let Some(cut) = cut_of(take, segment, struck) else { return Vec::new() };
    let top_dbfs = take.plan.top_dbfs;
    let struck: Vec<usize> = struck.iter().filter(|s| s.segment == id).filter_map(|s| s.part).collect();
    ladder::sorted(ladder::measure(&cut, frequency_hz, step_seconds, levels_db, top_dbfs, &struck, plans))
}

/// Headroom, hysteresis and the ladders' curves; gives the steps of the rising ladder and of that at the low E.
fn ladders(
    take: &Take,
    scale: &Scale,
    plans: &mut Plans,
    measured: &mut Measured,
) -> (Vec<ladder::Step>, Vec<ladder::Step>) {
    let rising = steps_of(take, "ladder_up", &measured.struck, plans);
    let falling = steps_of(take, "ladder_down", &measured.struck, plans);
    if !rising.is_empty() {
        let left_out = left_out::steps(&take.plan, "ladder_up", &measured.struck);
        let said = ladder::put(&mut measured.figures, &rising, &left_out, take.rate_hz, scale);
        measured.findings.extend(said);
        measured.curves.insert("ladder_up".to_owned(), ladder::ladder_curve(&rising, scale));
        measured.curves.insert("waveform".to_owned(), ladder::waveform_curve(&rising, -30.0, scale));
    }
    if !falling.is_empty() {
        measured.curves.insert("ladder_down".to_owned(), ladder::ladder_curve(&falling, scale));
        let hysteresis = match ladder::hysteresis_db(&rising, &falling) {
            // The floor of the method itself: methods §3.4.
            Some((db, sd)) => Quantity::new(db, Unit::Decibels)
                .plus_minus(0.02f64.hypot(tone_figures::Z95 * sd))
                .noted("fundamental falling less rising at equal drive, where they differ most"),
            None => Quantity::missing(Unit::Decibels, "no drive was measured both rising and falling"),
        };
        measured.figures.set("hysteresis", hysteresis);
    }
    let low = steps_of(take, "low_e_ladder", &measured.struck, plans);
    if !low.is_empty() {
        measured.curves.insert("low_e_ladder".to_owned(), ladder::ladder_curve(&low, scale));
    }
    (rising, low)
}

/// Noise and hum of the quiet segment; gives the mains frequency by the recorder's clock where one was found.
fn quiet_segments(take: &Take, scale: &Scale, plans: &mut Plans, measured: &mut Measured) -> Option<f64> {
    let segment = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}))?;
    let cut = cut_of(take, segment, &measured.struck)?;
    let cut = quiet::usable(&cut, segment.length_seconds);
    match quiet::measure(&cut, scale.expected_mains_hz(), plans) {
        Ok(quiet) => {
            quiet::put(&mut measured.figures, &quiet, scale);
            measured.curves.insert("noise_spectrum".to_owned(), quiet::noise_curve(&quiet, scale));
            quiet.mains.map(|m| m.0)
        }
        Err(error) => {
            measured.findings.push(not_measured(segment, &error));
            None
        }
    }
}

/// Measures a segment's sweep; `None` if it is none, not in the recording or struck out.
fn sweep_of(
    take: &Take,
    segment: &Segment,
    struck: &[Strike],
    mains_hz: Option<f64>,
    plans: &mut Plans,
) -> Option<Result<sweep::Response, MeasureError>> {
    let sweep = sweep::Sweep::of(&take.plan, &segment.signal)?;
    Some(sweep::measure(&cut_of(take, segment, struck)?, &sweep, mains_hz, plans))
}

/// Response from the low-drive sweep, harmonics and power bandwidth from the high-drive one.
fn sweeps(
    take: &Take,
    scale: &Scale,
    mains_hz: Option<f64>,
    loopback: Option<&Loopback>,
    plans: &mut Plans,
    measured: &mut Measured,
) {
    for segment in &take.plan.segments {
        let Signal::Sweep { level_db, .. } = segment.signal else { continue };
        let response = match sweep_of(take, segment, &measured.struck, mains_hz, plans) {
            Some(Ok(response)) => response,
            Some(Err(error)) => {
                measured.findings.push(not_measured(segment, &error));
                continue;
            }
            None => continue,
        };
        let response = match loopback {
            Some(loopback) => loopback.correct(&segment.id, response),
            None => response,
        };
        let low = segment.id == "sweep_low";
        let name = if low { "response_low_drive" } else { "response_high_drive" };
        measured.curves.insert(name.to_owned(), sweep::response_curve(&response, scale));
        if low {
            sweep::put_response(&mut measured.figures, &response);
        } else {
            sweep::put_power_bandwidth(&mut measured.figures, &response, level_db);
            sweep::put_distortion(&mut measured.figures, &response, level_db);
            let harmonics = sweep::harmonics_curve(&response);
            measured.curves.insert("harmonics_by_frequency".to_owned(), harmonics);
        }
    }
}

/// Intermodulation of every pair at its level; the spectra of all, the 70 Hz and 7 kHz one at the higher level by
/// the plain name `products`.
fn pairs(take: &Take, mains_hz: Option<f64>, plans: &mut Plans, measured: &mut Measured) {
    for segment in &take.plan.segments {
        let Signal::Pair { low_hz, high_hz, level_db, tone_seconds, .. } = segment.signal else { continue };
        let Some(cut) = cut_of(take, segment, &measured.struck) else { continue };
        match pair::measure(&pair::usable(&cut, tone_seconds), [low_hz, high_hz], mains_hz, plans) {
            Ok(pair) => {
                pair::put(&mut measured.figures, &segment.id, &pair);
                measured.figures.intermodulation.push(pair::intermodulation(&pair, Some(level_db)));
                let curve = pair::products_curve(&pair);
                if segment.id == "modulation_high" {
                    measured.curves.insert("products".to_owned(), curve.clone());
                }
                measured.curves.insert(format!("products_{}", segment.id), curve);
            }
            Err(error) => measured.findings.push(not_measured(segment, &error)),
        }
    }
}

fn bursts(take: &Take, scale: &Scale, measured: &mut Measured) {
    for segment in &take.plan.segments {
        let Signal::Burst { frequency_hz, before_seconds, high_seconds, after_seconds, times, .. } =
            segment.signal
        else {
            continue;
        };
        let Some(cut) = cut_of(take, segment, &measured.struck) else { continue };
        let plan = burst::Plan { frequency_hz, before_seconds, high_seconds, after_seconds, times };
        match burst::measure(&cut, &plan) {
            Ok(bursts) => {
                burst::put(&mut measured.figures, &bursts, scale);
                measured.curves.insert("burst_envelope".to_owned(), burst::envelope_curve(&bursts, scale));
            }
            Err(error) => measured.findings.push(not_measured(segment, &error)),
        }
    }
}

fn not_measured(segment: &Segment, error: &MeasureError) -> Finding {
    Finding::new(
        "segment_not_measured",
        Severity::Limit,
        error.to_string(),
        "its figures are left out",
        "record the whole programme again, with the signal reaching the interface",
    )
    .in_segment(&segment.id)
}

/// Reference tones within this of each other: the amp had settled (design §12).
const SETTLED_DB: f64 = 0.1;
/// Beyond this the take tells little of small differences (common practice, no source).
const UNSETTLED_DB: f64 = 0.5;

fn references(take: &Take, plans: &mut Plans, measured: &mut Measured) {
    let mut levels = Vec::new();
    for segment in take.plan.segments.iter().filter(|s| s.id.starts_with("reference_")) {
        let Signal::Tone { frequency_hz, .. } = segment.signal else { continue };
        let Some(cut) = cut_of(take, segment, &measured.struck) else { continue };
        let part = cut.part(0.2 * segment.length_seconds, 0.96 * segment.length_seconds);
        let tone = tone::measure(part.samples, part.omega(frequency_hz), part.rate_hz, plans);
        if let Some(tone) = tone.filter(|t| t.peak() > 0.0) {
            levels.push((units::db(tone.peak()), tone.noise[0] / tone.peak()));
        }
    }
    let [(first, noise), rest @ ..] = levels.as_slice() else { return };
    let moved = rest.iter().map(|(l, _)| l - first).max_by(|a, b| a.abs().total_cmp(&b.abs()));
    let Some(moved) = moved else { return };
    let shift = Quantity::new(moved, Unit::Decibels)
        .plus_minus(tone_figures::Z95 * units::db(1.0 + noise))
        .noted("largest change of the reference tone from the programme's start");
    measured.figures.set("reference_shift", shift);
    if moved.abs() > SETTLED_DB {
        measured.findings.push(Finding::new(
            "not_settled",
            if moved.abs() > UNSETTLED_DB { Severity::Limit } else { Severity::Note },
            format!("the reference tone moved by {moved:+.2} dB during the programme"),
            format!(
                "the amp was still warming up or its supply moved; differences under {:.1} dB mean little",
                moved.abs()
            ),
            "let the amp warm up for 20 minutes, then record again",
        ));
    }
}

/// The recorder's clock re the player's.
#[must_use]
pub fn clock_drift(take: &Take) -> Quantity {
    let drift = Quantity::new(take.clock.drift_ppm(), Unit::PartsPerMillion);
    match (take.clock.ratio_sd, take.markers.len()) {
        (None, 0 | 1) => Quantity::missing(
            Unit::PartsPerMillion,
            "one marker only, and no ladder whose tone tells the clock",
        ),
        (Some(sd), count) => {
            let from = match count {
                0 | 1 => "from the ladder's tone: one marker only".to_owned(),
                n => format!("from {n} markers"),
            };
            drift.plus_minus(tone_figures::Z95 * 1e6 * sd).noted(from)
        }
        (None, count) => {
            let jumps = take.clock.worst_frames.is_some_and(|w| w > crate::takes::clock::ALARM_SAMPLES);
            drift.noted(format!("from {count} markers")).without_interval(if jumps {
                "the markers do not lie on one clock"
            } else {
                "the recording holds no silence that tells the markers' noise"
            })
        }
    }
}
