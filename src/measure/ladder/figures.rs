//! The ladder as figures and curves (design §4a, §12).

use std::f64::consts::SQRT_2;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use realfft::num_complex::Complex;

use super::between::{Between, CYCLE, Cycle, State};
use super::headroom::{Crossing, Headroom, LIMITS_PERCENT, clip_points, crossing};
use super::{LeftOut, Step, small_signal_gain};
use crate::analysis::Figures;
use crate::figure::{CONFIDENCE, Curve, Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::measure::tone;
use crate::measure::tone_figures::{Z95, counted, harmonics, put_distortion, thd, thd_r};
use crate::rounding::two_digits;
use crate::statistics::t_quantile;
use crate::takes::Scale;
use crate::units::{DB_PER_CHANGE, db, dbfs_of_rms};

/// Draws of the noise for figures that are not linear in it; seeded, so that a take always gives the same interval.
const DRAWS: usize = 48;
/// Crests cost a cycle a point: this many draws tell their scatter.
const CLIP_DRAWS: usize = 10;
/// How far from its best value a draw's crossing is looked for, dB of drive.
const REACH_DB: f64 = 0.75;
/// Harmonics in the curves.
const LISTED: usize = 10;

/// Puts headroom figures of a rising ladder into `figures`; what should be known of them comes back.
pub fn put(
    figures: &mut Figures,
    steps: &[Step],
    left_out: &LeftOut,
    rate_hz: f64,
    scale: &Scale,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    // The top step is that of the programme: where it is struck out, no other stands for it.
    let top = steps.last().filter(|top| !left_out.any_over(top.drive_db));
    if let Some(top) = top {
        figures.harmonics = harmonics(&top.tone, rate_hz);
        put_distortion(figures, "cranked_", &top.tone);
        let noise = top.tone.lines.iter().zip(&top.tone.noise);
        let whole = noise.map(|(c, n)| c.norm_sqr() * n * n / 2.0).sum::<f64>().sqrt();
        let fundamental = top.tone.peak() * top.tone.noise.first().copied().unwrap_or(0.0) / SQRT_2;
        let halves = [whole, fundamental].map(|sd| Some(Z95 * sd));
        let power = Power { state: &top_state(top), rest: top.tone.rest_mean_square, halves };
        put_power(figures, "cranked_power", scale, &power, "at the top step");
    }
    if let Some(step) = steps.iter().min_by_key(|s| s.tone.lines.len()) {
        let words = format!("THD on the ladder is THD_F: {} re the fundamental", counted(&step.tone));
        figures.set("thd_highest_order", Quantity::new(step.tone.lines.len() as f64, Unit::One).noted(words));
    }
    let (Some(between), Some((gain, gain_error))) = (Between::new(steps), small_signal_gain(steps)) else {
        return findings;
    };
    let Some(headroom) = Headroom::of(&between, steps, left_out) else { return findings };
    figures.set("gain", gain_quantity(gain, gain_error, steps, scale));

    let draws = Draws::of(steps, &headroom);
    let counts = steps.first().map_or_else(String::new, |s| format!(" (THD_F, {})", counted(&s.tone)));
    for (k, limit) in LIMITS_PERCENT.into_iter().enumerate() {
        let name = format!("thd_{limit:.0}_percent");
        put_crossing(
            figures,
            &name,
            &format!("{limit} % THD{counts}"),
            headroom.thd[k],
            &draws.thd[k],
            &between,
            scale,
        );
        if let Crossing::At { drive_db, dips: true } = headroom.thd[k] {
            findings.push(Finding::new(
                "thd_dips_back",
                Severity::Note,
                format!("THD passes {limit} % at {drive_db:.1} dB of drive and falls back under it by 0.5 dB or more later"),
                "power at this limit is that of the first crossing",
                "look at the chart of THD against power before you quote the figure",
            ));
        }
    }
    let what = "1 dB compression";
    put_crossing(
        figures,
        "1_db_compression",
        what,
        headroom.compression,
        &draws.compression,
        &between,
        scale,
    );
    if headroom.gain_rise_db > 0.1 {
        let rise = headroom.gain_rise_db;
        findings.push(Finding::new(
            "gain_rises",
            Severity::Note,
            format!("gain rises by {rise:.2} dB over its small-signal value before it falls"),
            "compression is counted from the small-signal value",
            "nothing: usual where the operating point moves with the signal",
        ));
    }
    put_clip(figures, &headroom, &draws, &between, left_out, scale);
    put_at_one_watt(figures, &between, steps, left_out, scale);
    let clean = headroom.thd[2];
    figures.set(
        "sensitivity",
        match (clean, clean.drive_db().and_then(|d| scale.drive_volts(d))) {
            (_, Some(volts)) => with_draws(
                Quantity::new(1000.0 * volts, Unit::Millivolts).noted("drive for clean power (5 % THD), RMS"),
                &draws.thd[2],
                |d| 1000.0 * volts * d.0 / DB_PER_CHANGE,
            ),
            (Crossing::At { drive_db, .. }, None) => with_draws(
                Quantity::new(drive_db, Unit::Decibels)
                    .noted("drive for clean power (5 % THD), dB re the programme's top"),
                &draws.thd[2],
                |d| d.0,
            ),
            (other, None) => no_crossing(other, Unit::Decibels, "5 % THD"),
        },
    );
    figures.set(
        "onset_span",
        match (headroom.thd[0], headroom.thd[3]) {
            (Crossing::At { drive_db: one, .. }, Crossing::At { drive_db: ten, .. }) => {
                let span = Quantity::new(ten - one, Unit::Decibels).noted("drive from 1 % to 10 % THD");
                match half_width(&draws.thd[0], |d| d.0).zip(half_width(&draws.thd[3], |d| d.0)) {
                    Some((one, ten)) => span.plus_minus(one.hypot(ten)),
                    None => span.without_interval(WANDERS),
                }
            }
            (Crossing::At { .. }, ten) => no_crossing(ten, Unit::Decibels, "10 % THD"),
            (one, _) => no_crossing(one, Unit::Decibels, "1 % THD"),
        },
    );
    findings
}

/// Gain with its interval: volts at the load over volts at the input where both are known.
fn gain_quantity(gain: f64, error: f64, steps: &[Step], scale: &Scale) -> Quantity {
    let spread = Z95 * db(1.0 + error / gain);
    let top = steps.last().map(|s| s.input_peak / crate::units::from_db(s.drive_db));
    match (scale.load_volts_per_unit, scale.drive_volts_at_top, top) {
        (Some(load), Some(drive), Some(top)) => {
            // A peak of `top` in the file is √2 · drive volts at the input.
            let ratio = gain * load * top / (drive * std::f64::consts::SQRT_2);
            Quantity::new(db(ratio), Unit::Decibels)
                .plus_minus(spread)
                .noted("volts at the load over volts at the input")
        }
        _ => Quantity::new(db(gain), Unit::Decibels)
            .plus_minus(spread)
            .noted("recording over signal, both re full scale: drive in volts is not calibrated"),
    }
}

fn top_state(step: &Step) -> State {
    State {
        drive_db: step.drive_db,
        input_peak: step.input_peak,
        lines: step.tone.lines.clone(),
        noise_power: 0.0,
        noise_power_of: [0.0; 2],
        rest_mean_square: step.tone.rest_mean_square,
    }
}

/// Drive, output and power where a limit is passed: `drive_at_…`, `output_at_…`, `power_at_…`, `power_at_…_fundamental`.
fn put_crossing(
    figures: &mut Figures,
    name: &str,
    what: &str,
    crossing: Crossing,
    draws: &[(f64, f64, f64)],
    between: &Between,
    scale: &Scale,
) {
    let state = crossing.drive_db().map(|d| between.at(d));
    let drive = match &state {
        Some(state) => with_draws(Quantity::new(state.drive_db, Unit::Decibels), draws, |d| d.0),
        None => no_crossing(crossing, Unit::Decibels, what),
    };
    figures.set(&format!("drive_at_{name}"), drive);
    let output = match &state {
        Some(state) => output(scale, state.mean_square(), draws),
        None => no_crossing(crossing, output_unit(scale), what),
    };
    figures.set(&format!("output_at_{name}"), output);
    let name = format!("power_at_{name}");
    match &state {
        Some(state) => put_power(figures, &name, scale, &Power::with_draws(state, draws), what),
        None => {
            figures.set(&name, no_crossing(crossing, Unit::Watts, what));
            figures.set(&format!("{name}_fundamental"), no_crossing(crossing, Unit::Watts, what));
        }
    }
}

/// What a power is told of.
struct Power<'a> {
    state: &'a State,
    /// Mean square beside the harmonics: at the top step all that is there counts, at a limit the harmonics do
    /// (methods §4.3).
    rest: f64,
    /// Half of the interval of the mean square, of the whole waveform and of the fundamental, where it is known.
    halves: [Option<f64>; 2],
}

impl<'a> Power<'a> {
    /// Draws are (drive, mean square, fundamental's mean square).
    fn with_draws(state: &'a State, draws: &[(f64, f64, f64)]) -> Self {
        Self { state, rest: 0.0, halves: [half_width(draws, |d| d.1), half_width(draws, |d| d.2)] }
    }
}

/// Power of the whole waveform and of the fundamental.
fn put_power(figures: &mut Figures, name: &str, scale: &Scale, power: &Power<'_>, what: &str) {
    let whole = power.state.mean_square() + power.rest;
    let fundamental = power.state.peak().powi(2) / 2.0;
    for (name, mean_square, half, of) in [
        (name.to_owned(), whole, power.halves[0], "whole waveform"),
        (format!("{name}_fundamental"), fundamental, power.halves[1], "fundamental"),
    ] {
        let quantity = match scale.watts(mean_square) {
            Some(watts) => {
                let quantity = Quantity::new(watts, Unit::Watts).noted(format!("{of}, {what}"));
                match half {
                    Some(half) => quantity.plus_minus(watts * half / mean_square),
                    None => quantity.without_interval(WANDERS),
                }
            }
            None => Quantity::missing(Unit::Watts, "watts need a calibrated rig and the load's ohms"),
        };
        figures.set(&name, quantity);
    }
}

fn put_clip(
    figures: &mut Figures,
    headroom: &Headroom,
    draws: &Draws,
    between: &Between,
    left_out: &LeftOut,
    scale: &Scale,
) {
    let halves = [
        ("positive", headroom.clip_positive, &draws.clip_positive),
        ("negative", headroom.clip_negative, &draws.clip_negative),
    ];
    for (half, crossing, draws) in halves {
        let what = format!("clipping of the {half} half-cycle");
        let drive = match crossing {
            Crossing::At { drive_db, .. } => with_draws(
                Quantity::new(drive_db, Unit::Decibels)
                    .noted("half-cycle re the signal played, dB re the programme's top"),
                draws,
                |d| d.0,
            ),
            other => no_crossing(other, Unit::Decibels, &what),
        };
        figures.set(&format!("clip_drive_{half}"), drive);
        match crossing.drive_db() {
            Some(drive_db) => {
                let state = between.at(drive_db);
                let power = Power::with_draws(&state, draws);
                put_power(figures, &format!("clip_power_{half}"), scale, &power, &what);
            }
            None => figures.set(&format!("clip_power_{half}"), no_crossing(crossing, Unit::Watts, &what)),
        }
    }
    let first = halves
        .into_iter()
        .filter_map(|(_, c, draws)| Some((c.drive_db()?, draws)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let unknown = halves.iter().map(|half| half.1).find(|c| matches!(c, Crossing::StruckOut(_)));
    // A half that clips at a step that is struck out may be the first.
    let first = first.filter(|first| unknown.is_none() || !left_out.any_under(first.0));
    match first {
        Some((drive_db, draws)) => {
            let what = "where the first half-cycle clips";
            let state = between.at(drive_db);
            put_power(figures, "clip_power", scale, &Power::with_draws(&state, draws), what);
        }
        None => {
            let neither = no_crossing(unknown.unwrap_or(Crossing::NotReached), Unit::Watts, "clipping");
            figures.set("clip_power_fundamental", neither.clone());
            figures.set("clip_power", neither);
        }
    }
}

/// THD, H2 and H3 where the output is 1 W.
fn put_at_one_watt(
    figures: &mut Figures,
    between: &Between,
    steps: &[Step],
    left_out: &LeftOut,
    scale: &Scale,
) {
    let names = ["thd_at_1_watt", "harmonic_2_at_1_watt", "harmonic_3_at_1_watt"];
    let (low, high) = between.range();
    let states: Vec<State> = between.grid(low, high, super::between::GRID_DB).collect();
    let watts: Option<Vec<f64>> = states.iter().map(|s| scale.watts(s.mean_square())).collect();
    let Some(watts) = watts else {
        for name in names {
            figures.set(
                name,
                Quantity::missing(Unit::Percent, "watts need a calibrated rig and the load's ohms"),
            );
        }
        return;
    };
    let thd_words =
        steps.first().map_or_else(String::new, |s| format!("THD_F: {} re the fundamental", counted(&s.tone)));
    let drives: Vec<f64> = states.iter().map(|s| s.drive_db).collect();
    let measured_db: Vec<f64> = steps.iter().map(|s| s.drive_db).collect();
    let at = crossing(&drives, &watts, 1.0, |_| false).without(&measured_db, left_out);
    let state = at.drive_db().map(|d| between.at(d));
    // What is read, the noise that hides it and how many times that it must be (methods §3.2: THD twice, a harmonic
    // three times), and the noise in one line, which is what moves it.
    let line = |s: &State, order: usize| s.lines.get(order - 1).map_or(0.0, |c| c.norm()) / s.peak();
    let read = |s: &State| {
        let [second, third] = s.noise_power_of;
        let each = s.noise_power / s.lines.len().saturating_sub(1).max(1) as f64;
        [
            (s.thd(), s.noise_power, 2.0, each),
            (line(s, 2), second, tone::SEEN, second),
            (line(s, 3), third, tone::SEEN, third),
        ]
        .map(|(ratio, noise, times, own)| (ratio, times * noise.sqrt() / s.peak(), own.sqrt() / s.peak()))
    };
    let read = state.as_ref().map(read);
    for (k, name) in names.into_iter().enumerate() {
        let quantity = match read.and_then(|r| r.get(k).copied()) {
            Some((ratio, limit, own)) if ratio >= limit => Quantity::new(100.0 * ratio, Unit::Percent)
                .plus_minus(Z95 * 100.0 * own / 2f64.sqrt())
                .noted(if k == 0 { thd_words.as_str() } else { "re the fundamental" }),
            Some((_, limit, _)) => Quantity::missing(
                Unit::Percent,
                format!("below {:.3} %: the noise floor hides it", 100.0 * limit),
            ),
            None => no_crossing(at, Unit::Percent, "1 W"),
        };
        figures.set(name, quantity);
    }
}

fn no_crossing(crossing: Crossing, unit: Unit, what: &str) -> Quantity {
    match crossing {
        Crossing::BelowLadder => Quantity::missing(
            unit,
            format!("{what} is passed below the ladder's lowest step: play at a lower level"),
        ),
        Crossing::Hidden(percent) => Quantity::missing(
            unit,
            format!(
                "the noise floor hides where {what} is passed: distortion below {} % is not seen there",
                two_digits(percent)
            ),
        ),
        Crossing::StruckOut(why) => {
            Quantity::missing(unit, format!("{what} lies at steps of the ladder that are struck out: {why}"))
        }
        _ => Quantity::missing(
            unit,
            format!("{what} is not reached at the ladder's top: play at a higher level"),
        ),
    }
}

fn output_unit(scale: &Scale) -> Unit {
    if scale.load_volts_per_unit.is_some() { Unit::Volts } else { Unit::DbFullScale }
}

/// RMS of this mean square, in volts or dBFS.
fn output(scale: &Scale, mean_square: f64, draws: &[(f64, f64, f64)]) -> Quantity {
    let rms = mean_square.sqrt();
    // Half of the mean square's relative change.
    let relative = |d: &(f64, f64, f64)| d.1 / (2.0 * mean_square);
    match scale.volts(rms) {
        Some(volts) => {
            with_draws(Quantity::new(volts, Unit::Volts).noted("RMS"), draws, |d| volts * relative(d))
        }
        None => {
            let level = Quantity::new(dbfs_of_rms(rms), Unit::DbFullScale).noted("RMS");
            with_draws(level, draws, |d| DB_PER_CHANGE * relative(d))
        }
    }
}

/// Why a figure of the draws has no interval.
const WANDERS: &str = "in noise of this size it moves by more than 0.75 dB of drive";

/// A figure with the interval that its draws have.
fn with_draws(
    quantity: Quantity,
    draws: &[(f64, f64, f64)],
    of: impl Fn(&(f64, f64, f64)) -> f64,
) -> Quantity {
    match half_width(draws, of) {
        Some(half) => quantity.plus_minus(half),
        None => quantity.without_interval(WANDERS),
    }
}

/// Half of the 95 % interval that this many draws tell (Student's t: their scatter is known no better); `None` where
/// most of them found nothing.
fn half_width<T>(draws: &[T], of: impl Fn(&T) -> f64) -> Option<f64> {
    if draws.len() < CLIP_DRAWS / 2 {
        return None;
    }
    let count = draws.len() as f64;
    let mean = draws.iter().map(&of).sum::<f64>() / count;
    let sd = (draws.iter().map(|d| (of(d) - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    Some(t_quantile(CONFIDENCE, count - 1.0)? * sd)
}

/// What the figures would have been with other noise of the same size: (drive, mean square, fundamental's mean square).
#[derive(Default)]
struct Draws {
    thd: [Vec<(f64, f64, f64)>; 4],
    compression: Vec<(f64, f64, f64)>,
    clip_positive: Vec<(f64, f64, f64)>,
    clip_negative: Vec<(f64, f64, f64)>,
}

impl Draws {
    fn of(steps: &[Step], headroom: &Headroom) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(0x6472_6177);
        let mut draws = Self::default();
        let mut of_gain = ChaCha8Rng::seed_from_u64(0x6761_696e);
        let gain_error = small_signal_gain(steps).map_or(0.0, |g| g.1);
        for _ in 0..DRAWS {
            // Compression and clipping are counted from the small-signal gain, which has noise of its own.
            let gain = headroom.gain + gain_error * SQRT_2 * gaussian(&mut of_gain).re;
            let noisy: Vec<Vec<Complex<f64>>> = steps.iter().map(|s| disturbed(s, &mut rng)).collect();
            let mut noisy = noisy.into_iter();
            let Some(between) =
                Between::with(steps, |s| noisy.next().unwrap_or_else(|| s.tone.lines.clone()))
            else {
                return draws;
            };
            for (k, limit) in LIMITS_PERCENT.into_iter().enumerate() {
                let value = |s: &State| 100.0 * s.thd();
                draws.thd[k].extend(near(&between, headroom.thd[k], limit, &value));
            }
            let fall = |s: &State| db(gain) - s.gain_db();
            draws.compression.extend(near(&between, headroom.compression, 1.0, &fall));
            if draws.clip_positive.len().max(draws.clip_negative.len()) < CLIP_DRAWS {
                let halves = [
                    (headroom.clip_positive, &mut draws.clip_positive, 0),
                    (headroom.clip_negative, &mut draws.clip_negative, 1),
                ];
                for (crossing, draws, half) in halves {
                    let Some(at) = crossing.drive_db() else { continue };
                    let found = clip_points(&between, gain, at - REACH_DB - 0.6, at + REACH_DB + 1.2);
                    let found = if half == 0 { found.0 } else { found.1 };
                    draws.extend(found.drive_db().map(|d| triple(&between.at(d))));
                }
            }
        }
        draws
    }
}

fn triple(state: &State) -> (f64, f64, f64) {
    (state.drive_db, state.mean_square(), state.peak().powi(2) / 2.0)
}

/// A draw's crossing near the best one.
fn near(
    between: &Between,
    best: Crossing,
    limit: f64,
    value: &dyn Fn(&State) -> f64,
) -> Option<(f64, f64, f64)> {
    let at = best.drive_db()?;
    let states: Vec<State> = between.grid(at - REACH_DB, at + REACH_DB, 0.05).collect();
    let drives: Vec<f64> = states.iter().map(|s| s.drive_db).collect();
    let values: Vec<f64> = states.iter().map(value).collect();
    // Within the reach the first passage is the crossing.
    let first = values.iter().position(|&v| v >= limit).filter(|&k| k > 0)?;
    let (a, b) = (values[first - 1], values[first]);
    let drive_db = drives[first - 1] + (limit - a) / (b - a) * (drives[first] - drives[first - 1]);
    Some(triple(&between.at(drive_db)))
}

/// A step's lines with other noise of the same size.
fn disturbed(step: &Step, rng: &mut ChaCha8Rng) -> Vec<Complex<f64>> {
    step.tone.lines.iter().zip(&step.tone.noise).map(|(line, noise)| line + gaussian(rng) * *noise).collect()
}

/// A complex Gaussian of mean square 1 (Box–Muller).
fn gaussian(rng: &mut ChaCha8Rng) -> Complex<f64> {
    let mut uniform = || (f64::from(rng.next_u32()) + 0.5) / 4_294_967_296.0;
    let radius = (-uniform().ln()).sqrt();
    Complex::from_polar(radius, std::f64::consts::TAU * uniform())
}

/// One row a step: `ladder_up`, `ladder_down`, `low_e_ladder`.
#[must_use]
pub fn ladder_curve(steps: &[Step], scale: &Scale) -> Curve {
    let output_unit = output_unit(scale);
    let crest_unit = if scale.load_volts_per_unit.is_some() { Unit::Volts } else { Unit::FullScale };
    let mut columns: Vec<(String, Unit)> = [
        ("drive", Unit::Decibels),
        ("drive_volts", Unit::Volts),
        ("output", output_unit),
        ("output_fundamental", output_unit),
        ("power", Unit::Watts),
        ("power_fundamental", Unit::Watts),
        ("gain", Unit::Decibels),
        ("thd", Unit::Percent),
        ("thd_r", Unit::Percent),
        ("thd_floor", Unit::Percent),
        ("thd_n", Unit::Percent),
        ("even_harmonics", Unit::Percent),
        ("odd_harmonics", Unit::Percent),
        ("crest_factor", Unit::Decibels),
        ("crest_positive", crest_unit),
        ("crest_negative", crest_unit),
    ]
    .map(|(name, unit)| (name.to_owned(), unit))
    .into();
    for order in 2..=LISTED {
        columns.push((format!("harmonic_{order}"), Unit::Percent));
        columns.push((format!("phase_{order}"), Unit::Degrees));
    }
    let names: Vec<(&str, Unit)> = columns.iter().map(|(n, u)| (n.as_str(), *u)).collect();
    let mut curve = Curve::new(&names);
    for step in steps {
        curve.push(ladder_row(step, scale));
    }
    curve
}

fn ladder_row(step: &Step, scale: &Scale) -> Vec<f64> {
    let tone = &step.tone;
    let level =
        |mean_square: f64| scale.volts(mean_square.sqrt()).unwrap_or_else(|| dbfs_of_rms(mean_square.sqrt()));
    let whole = tone.mean_square() + tone.rest_mean_square;
    let fundamental = tone.peak().powi(2) / 2.0;
    let aligned = tone.aligned();
    let state = State { lines: aligned.clone(), ..top_state(step) };
    let (positive, negative) = state.crests();
    let (lowest, highest) = Cycle::of(&aligned).range();
    let crest = highest.max(-lowest);
    let volts = scale.load_volts_per_unit.unwrap_or(1.0);
    let known = |ratio: f64, floor: f64| if ratio < floor { f64::NAN } else { 100.0 * ratio };
    let mut row = vec![
        step.drive_db,
        scale.drive_volts(step.drive_db).unwrap_or(f64::NAN),
        level(whole),
        level(fundamental),
        scale.watts(whole).unwrap_or(f64::NAN),
        scale.watts(fundamental).unwrap_or(f64::NAN),
        db(tone.peak() / step.input_peak),
        thd(tone).value.unwrap_or(f64::NAN),
        thd_r(tone).value.unwrap_or(f64::NAN),
        100.0 * tone.thd_floor(),
        100.0 * tone.thd_n(),
        known(tone.even(), tone.thd_floor()),
        known(tone.odd(), tone.thd_floor()),
        db(crest / tone.mean_square().sqrt()),
        positive * volts,
        negative * volts,
    ];
    for order in 2..=LISTED {
        match tone.ratio(order) {
            Ok(ratio) => row.extend([100.0 * ratio, aligned[order - 1].arg().to_degrees()]),
            Err(_) => row.extend([f64::NAN; 2]),
        }
    }
    row
}

/// Points of a cycle in the curve.
const SHOWN: usize = 60;

/// One cycle of each step from `from_db` up, in long form: drive, phase of the fundamental (0° at its rising zero), output.
#[must_use]
pub fn waveform_curve(steps: &[Step], from_db: f64, scale: &Scale) -> Curve {
    let unit = if scale.load_volts_per_unit.is_some() { Unit::Volts } else { Unit::FullScale };
    let volts = scale.load_volts_per_unit.unwrap_or(1.0);
    let mut curve = Curve::new(&[("drive", Unit::Decibels), ("phase", Unit::Degrees), ("output", unit)]);
    for step in steps.iter().filter(|s| s.drive_db >= from_db) {
        let cycle = Cycle::of(&step.tone.aligned());
        for n in 0..=SHOWN {
            let phase = 360.0 * n as f64 / SHOWN as f64;
            // The cycle begins at the crest, a quarter after the zero.
            let at = (n * CYCLE / SHOWN + CYCLE * 3 / 4) % CYCLE;
            curve.push([step.drive_db, phase, cycle.at(at) * volts]);
        }
    }
    curve
}
