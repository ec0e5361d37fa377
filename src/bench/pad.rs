//! The pad from load to interface input: preferred resistors out of amp, load and interface.
//!
//! Formulas: reference §8 (divider with loading), §1 (a fully squared wave carries twice the power
//! of the sine it was clipped from, at the same peak).

use super::rig::{Pad, parallel_ohms};
use super::series::Series;
use crate::units::{db, from_db};

/// Kept free between the loudest peak and the interface's full scale (reference §8, common practice).
pub const HEADROOM_DB: f64 = 6.0;
/// Volts across an open output over those across the load: a pentode stage without feedback has
/// a source impedance of several times its load. Assumed, no source; an arc may put more.
pub const OPEN_LOAD_FACTOR: f64 = 5.0;
/// How far the interface's input impedance may be off its data sheet, per cent.
pub const INPUT_SPREAD_PERCENT: f64 = 20.0;
/// The pad may take this much of the load's resistance away before it counts as a second load.
const MOST_LOADING: f64 = 0.01;
/// Below this the top resistor would no longer protect the input.
const LEAST_TOP_OHMS: f64 = 100.0;
/// Ratings that shops sell, watts.
const RATINGS_WATTS: [f64; 8] = [0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0];
/// Resistors live long at half their rating (common practice).
const DERATING: f64 = 0.5;
/// 4·k_B·T at 20 °C; k_B by definition of the SI.
const FOUR_KT: f64 = 4.0 * 1.380_649e-23 * 293.15;
/// The band of the noise figure (reference §8).
const NOISE_BAND_HZ: f64 = 20_000.0;

/// What the pad is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadTask {
    /// The amp's sine power into the load, just unclipped.
    pub amp_watts: f64,
    /// The load.
    pub load_ohms: f64,
    /// Volts RMS of the sine that reads full scale at the interface.
    pub limit_volts: f64,
    /// The interface's input impedance.
    pub input_ohms: f64,
    /// Resistor values to choose from.
    pub series: Series,
    /// Kept free between the loudest peak and full scale.
    pub headroom_db: f64,
}

/// Powers for those who don't know theirs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AmpSize {
    /// One output valve: 1 to 15 W (design §11), so 15.
    SmallSingleEnded,
    /// Two output valves: mostly 10 to 50 W (from memory), so 50.
    TwoOutputValves,
}

impl AmpSize {
    /// The power to plan for.
    #[must_use]
    pub fn watts(self) -> f64 {
        match self {
            Self::SmallSingleEnded => 15.0,
            Self::TwoOutputValves => 50.0,
        }
    }
}

/// One pad and everything that follows from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadDesign {
    /// From load to interface input.
    pub top_ohms: f64,
    /// From interface input to ground.
    pub bottom_ohms: f64,
    /// Volts at the load over volts at the input, loading included.
    pub divides_by: f64,
    /// Heat in the top resistor while the amp is fully squared.
    pub top_watts: f64,
    /// Heat in the bottom resistor then.
    pub bottom_watts: f64,
    /// The rating to buy for each: half of it bears the squared wave, all of it the load gone. Where no resistor bears
    /// that, half of it the squared wave; `None` if none does.
    pub top_rating_watts: Option<f64>,
    /// As for the top.
    pub bottom_rating_watts: Option<f64>,
    /// Heat in the top resistor with the load gone (see [`OPEN_LOAD_FACTOR`]) and the input clamped near ground.
    pub top_open_load_watts: f64,
    /// Some resistor of the shop's list bears that at its rating.
    pub top_survives: bool,
    /// Peak of the unclipped sine, dB re full scale; that of a fully squared wave is the same.
    pub peak_dbfs: f64,
    /// RMS of the fully squared wave in dBFS (sine-referred), 3.01 dB over the sine's.
    pub squared_dbfs: f64,
    /// Peak if the load falls off while playing (see [`OPEN_LOAD_FACTOR`]), dB re full scale.
    pub open_load_dbfs: f64,
    /// Current into the input's protection then, if it clamps near ground.
    pub open_load_milliamperes: f64,
    /// From the loudest peak on the load to full scale.
    pub margin_db: f64,
    /// What the amp sees: load beside pad.
    pub seen_ohms: f64,
    /// By how much that is less than the load, per cent.
    pub loading_percent: f64,
    /// Resistance that the interface's input sees.
    pub source_ohms: f64,
    /// Thermal noise of it, 20 kHz wide, at 20 °C.
    pub noise_microvolts: f64,
    /// The same, re full scale.
    pub noise_dbfs: f64,
    /// Error in volts if the input impedance is 20 % lower than said, dB; under 0.
    pub input_low_db: f64,
    /// The same for 20 % higher.
    pub input_high_db: f64,
}

/// Up to three pads, best first. Empty if none of the series meets the task.
///
/// What is weighed, in decibels: level given away, error from the input impedance, loading,
/// resistors that need more than a quarter watt, and the current that the input would have to
/// bear if the load fell off.
#[must_use]
pub fn design(task: &PadTask) -> Vec<PadDesign> {
    let sane = [task.amp_watts, task.load_ohms, task.limit_volts, task.input_ohms];
    if sane.iter().any(|v| !(v.is_finite() && *v > 0.0)) || !task.headroom_db.is_finite() {
        return Vec::new();
    }
    let sine_volts = (task.amp_watts * task.load_ohms).sqrt();
    let largest_ratio = task.limit_volts / (sine_volts * from_db(task.headroom_db));
    let mut candidates: Vec<(f64, PadDesign)> = Vec::new();
    for bottom_ohms in task.series.between(10.0, 100_000.0) {
        let shunt = parallel_ohms(bottom_ohms, Some(task.input_ohms));
        let least_top = shunt * (1.0 / largest_ratio - 1.0);
        // Even where the interface would bear the full output, the pad stays: it protects the input.
        let least_top = least_top.max(LEAST_TOP_OHMS).max(shunt);
        let tops = task.series.between(least_top, least_top * 2.0);
        let Some(&top_ohms) = tops.first() else { continue };
        let design = consequences(task, top_ohms, bottom_ohms);
        if let Some(cost) = cost(task, &design) {
            candidates.push((cost, design));
        }
    }
    candidates.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut chosen: Vec<PadDesign> = Vec::new();
    for (_, design) in candidates {
        // An alternative is another resistance, not the neighbour in the series.
        let other = |c: &PadDesign| !(0.4..2.5).contains(&(design.bottom_ohms / c.bottom_ohms));
        if chosen.len() < 3 && chosen.iter().all(other) {
            chosen.push(design);
        }
    }
    chosen
}

/// Everything that follows from a pair of resistors.
#[must_use]
pub fn consequences(task: &PadTask, top_ohms: f64, bottom_ohms: f64) -> PadDesign {
    let pad = Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent: None };
    let ratio = pad.ratio(Some(task.input_ohms));
    let shunt = parallel_ohms(bottom_ohms, Some(task.input_ohms));
    let sine_volts = (task.amp_watts * task.load_ohms).sqrt();
    let squared_volts = sine_volts * std::f64::consts::SQRT_2;
    let current = squared_volts / (top_ohms + shunt);
    let top_watts = current * current * top_ohms;
    let bottom_watts = (current * shunt).powi(2) / bottom_ohms;
    let open_volts = squared_volts * OPEN_LOAD_FACTOR;
    // Clamped, all of the volts stand across the top; not clamped, each resistor gets its share.
    let top_open_load_watts = open_volts * open_volts / top_ohms;
    let bottom_open_load_watts = bottom_watts * OPEN_LOAD_FACTOR * OPEN_LOAD_FACTOR;
    let survives = |watts: f64, fault_watts: f64| rating(watts.max(fault_watts * DERATING));
    let top_survives = survives(top_watts, top_open_load_watts).is_some();
    let seen_ohms = parallel_ohms(task.load_ohms, Some(top_ohms + shunt));
    let source_ohms = parallel_ohms(top_ohms, Some(bottom_ohms));
    let noise_volts = (FOUR_KT * parallel_ohms(source_ohms, Some(task.input_ohms)) * NOISE_BAND_HZ).sqrt();
    let off_by = |factor: f64| db(pad.ratio(Some(task.input_ohms * factor)) / ratio);
    let spread = INPUT_SPREAD_PERCENT / 100.0;
    let peak_dbfs = db(sine_volts * ratio / task.limit_volts);
    PadDesign {
        top_ohms,
        bottom_ohms,
        divides_by: 1.0 / ratio,
        top_watts,
        bottom_watts,
        top_rating_watts: survives(top_watts, top_open_load_watts).or(rating(top_watts)),
        bottom_rating_watts: survives(bottom_watts, bottom_open_load_watts).or(rating(bottom_watts)),
        top_open_load_watts,
        top_survives,
        peak_dbfs,
        squared_dbfs: peak_dbfs + db(std::f64::consts::SQRT_2),
        open_load_dbfs: peak_dbfs + db(OPEN_LOAD_FACTOR),
        open_load_milliamperes: open_volts / top_ohms * 1000.0,
        margin_db: -peak_dbfs,
        seen_ohms,
        loading_percent: 100.0 * (1.0 - seen_ohms / task.load_ohms),
        source_ohms,
        noise_microvolts: noise_volts * 1e6,
        noise_dbfs: db(noise_volts / task.limit_volts),
        input_low_db: off_by(1.0 - spread),
        input_high_db: off_by(1.0 + spread),
    }
}

/// The smallest rating that leaves the resistor at half of it; `None` if there is none.
#[must_use]
pub fn rating(watts: f64) -> Option<f64> {
    RATINGS_WATTS.into_iter().find(|r| watts <= r * DERATING)
}

/// `None` if it can't serve.
fn cost(task: &PadTask, design: &PadDesign) -> Option<f64> {
    let top = rating(design.top_watts)?;
    let bottom = rating(design.bottom_watts)?;
    if design.loading_percent > MOST_LOADING * 100.0 {
        return None;
    }
    let given_away = design.margin_db - task.headroom_db;
    let input_error = design.input_high_db.abs().max(design.input_low_db.abs());
    let loading = -db(1.0 - design.loading_percent / 100.0);
    // A decibel for each doubling above a quarter watt: dearer, hotter, and wire-wound ones are inductive.
    let heat = (top / 0.25).log2().max(0.0) + (bottom / 0.25).log2().max(0.0);
    // And one for each doubling of what an input's protection usually bears (10 mA, from memory).
    let current = (design.open_load_milliamperes / 10.0).log2().max(0.0);
    Some(given_away + 4.0 * input_error + 10.0 * loading + heat + current)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn task() -> PadTask {
        PadTask {
            amp_watts: 5.0,
            load_ohms: 8.0,
            limit_volts: 2.449_489_743,
            input_ohms: 10_000.0,
            series: Series::E24,
            headroom_db: HEADROOM_DB,
        }
    }

    /// Eight digits in reference/divider_loading.csv.
    const TABLE_DIGITS: f64 = 1e-7;

    #[test]
    fn consequences_agree_with_the_reference_table() {
        let mut rows = 0;
        for line in include_str!("../../tests/reference/divider_loading.csv").lines().skip(2) {
            let f: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
            let task = PadTask { input_ohms: f[2], ..task() };
            let design = consequences(&task, f[0], f[1]);
            approx::assert_relative_eq!(1.0 / design.divides_by, f[5], max_relative = TABLE_DIGITS);
            approx::assert_relative_eq!(design.seen_ohms, f[10], max_relative = TABLE_DIGITS);
            approx::assert_relative_eq!(design.source_ohms, f[11], max_relative = TABLE_DIGITS);
            // The table's noise is that of R1 ∥ R2 alone; here the input stands beside it.
            let beside = (f[2] / (f[2] + f[11])).sqrt();
            approx::assert_relative_eq!(design.noise_microvolts, f[12] * beside, max_relative = 2e-6);
            rows += 1;
        }
        assert_eq!(rows, 25);
        // Z ± 20 % about 10k: −21.7627 and −21.4621 dB against −21.5836 (reference §8).
        let design = consequences(&task(), 10_000.0, 1000.0);
        approx::assert_abs_diff_eq!(design.input_low_db, -21.7627 + 21.5836, epsilon = 1e-4);
        approx::assert_abs_diff_eq!(design.input_high_db, -21.4621 + 21.5836, epsilon = 1e-4);
    }

    #[test]
    fn levels_and_heat_by_hand() {
        // 5 W in 8 ohms: 6.32456 V (reference/power_voltage.csv). Over 12: 0.527046 V; full scale 2.44949 V.
        let design = consequences(&task(), 10_000.0, 1000.0);
        approx::assert_abs_diff_eq!(design.peak_dbfs, db(0.527_046_277 / 2.449_489_743), epsilon = 1e-8);
        // Squared: 8.94427 V across 10909.09 ohms is 0.81989 mA; in 10k that is 6.7222 mW.
        approx::assert_relative_eq!(design.top_watts, 6.722_22e-3, max_relative = 1e-5);
        // On the shunt of 909.09 ohms 0.745356 V, so 0.555556 mW in 1k.
        approx::assert_relative_eq!(design.bottom_watts, 5.555_56e-4, max_relative = 1e-5);
        // Load gone: five times 8.94427 V are 44.7214 V, so 2000 V² over 10k: 0.2 W, which 0.25 W bear.
        approx::assert_relative_eq!(design.top_open_load_watts, 0.2, max_relative = 1e-9);
        assert_eq!((design.top_rating_watts, design.top_survives), (Some(0.25), true));
        // 50 W: ten times that, so 2 W, where the squared wave (67 mW) alone would have had 0.25 W.
        let large = consequences(&PadTask { amp_watts: 50.0, ..task() }, 10_000.0, 1000.0);
        approx::assert_relative_eq!(large.top_open_load_watts, 2.0, max_relative = 1e-9);
        assert_eq!((large.top_rating_watts, large.top_survives), (Some(2.0), true));
        // 100 ohms: 20000 V² make 200 W, which no resistor of a pad bears; 28.03 mA of the squared wave make 79 mW.
        let low = consequences(&PadTask { amp_watts: 50.0, ..task() }, 100.0, 1000.0);
        approx::assert_relative_eq!(low.top_open_load_watts, 200.0, max_relative = 1e-9);
        assert!(!low.top_survives && low.top_rating_watts == Some(0.25), "{low:?}");
        assert_eq!(rating(0.126), Some(0.5));
        assert_eq!(rating(13.0), None);
    }

    #[test]
    fn alternatives_differ_and_the_best_comes_first() {
        let designs = design(&task());
        assert_eq!(designs.len(), 3);
        let costs: Vec<f64> = designs.iter().map(|d| cost(&task(), d).unwrap()).collect();
        assert!(costs.windows(2).all(|w| w[0] <= w[1]), "{costs:?}");
        // It bears the usual faults: input impedance a fifth off, load gone.
        assert!(
            designs[0].input_low_db.abs() < 0.25 && designs[0].open_load_milliamperes < 15.0,
            "{:?}",
            designs[0]
        );
    }

    #[test]
    fn impossible_tasks_give_nothing() {
        for bad in [f64::NAN, 0.0, -5.0, f64::INFINITY] {
            assert_eq!(design(&PadTask { amp_watts: bad, ..task() }), []);
            assert_eq!(design(&PadTask { input_ohms: bad, ..task() }), []);
        }
        // A megawatt into a microphone input.
        assert_eq!(design(&PadTask { amp_watts: 1e9, limit_volts: 1e-3, ..task() }), []);
    }

    proptest! {
        /// No design overloads the interface: not the sine, not the squared wave, whatever the
        /// resistors' tolerance and the input's impedance do.
        #[test]
        fn no_design_overloads_the_interface(
            amp_watts in 0.1f64..200.0,
            load_ohms in 2.0f64..32.0,
            limit_volts in 0.05f64..20.0,
            input_ohms in 600.0f64..1e6,
            e96 in prop::bool::ANY,
        ) {
            let series = if e96 { Series::E96 } else { Series::E24 };
            let task = PadTask { amp_watts, load_ohms, limit_volts, input_ohms, series, headroom_db: HEADROOM_DB };
            let designs = design(&task);
            prop_assert!(!designs.is_empty());
            // Of a fully squared wave: RMS √(2PR), and peak the same.
            let squared_peak = (2.0 * amp_watts * load_ohms).sqrt();
            let full_scale_peak = limit_volts * std::f64::consts::SQRT_2;
            for d in designs {
                let nominal = squared_peak / d.divides_by;
                prop_assert!(nominal <= full_scale_peak * from_db(-HEADROOM_DB) * (1.0 + 1e-9));
                // 5 % resistors the wrong way round, and no loading at all.
                let worst = Pad::Resistors {
                    top_ohms: d.top_ohms * 0.95,
                    bottom_ohms: d.bottom_ohms * 1.05,
                    tolerance_percent: None,
                };
                let real_input = input_ohms * 1.2;
                prop_assert!(squared_peak * worst.ratio(Some(real_input)) < full_scale_peak);
                let bears = d.top_open_load_watts <= d.top_rating_watts.unwrap() * (1.0 + 1e-9);
                prop_assert!(bears == d.top_survives);
                prop_assert!(d.loading_percent <= 1.0 && d.top_watts <= 0.5 * d.top_rating_watts.unwrap());
            }
        }
    }
}
