//! Bursts as figures and a curve (design §4a, §12).

use super::{Burst, Bursts, Exponential};
use crate::analysis::Figures;
use crate::figure::{CONFIDENCE, Curve, Quantity, Unit};
use crate::measure::tone_figures::Z95;
use crate::statistics::t_quantile;
use crate::takes::Scale;
use crate::units::{DB_PER_CHANGE, db, dbfs_of_peak};

/// Under this much sag a time constant means nothing (methods §8).
const NO_SAG_DB: f64 = 0.1;
/// What the method itself errs (methods §11, clean: 0.02 dB of sag, 2 % of its time constant).
const STEP_ERROR_DB: f64 = 0.005;
const TAU_ERROR: f64 = 0.002;
/// The first 20 ms are a plain average, in which a falling level leaves some of the doubled frequency.
const MARGIN_ERROR_DB: f64 = 0.01;

/// Scatter of three over their own noise that chance exceeds once in twenty: √3.0 (F table, 2 and ∞ degrees).
const SCATTERED: f64 = 1.73;

/// Puts sag, recovery and burst margin into `figures`: medians over the bursts.
pub fn put(figures: &mut Figures, bursts: &Bursts, scale: &Scale) {
    let sags: Vec<Exponential> = bursts.bursts.iter().filter_map(|b| b.sag).collect();
    let recoveries: Vec<Exponential> = bursts.bursts.iter().filter_map(|b| b.recovery).collect();
    let count = bursts.bursts.len();
    let note = match count {
        1 => "one burst".to_owned(),
        n => format!("median of {n} bursts"),
    };
    put_course(
        figures,
        ["sag", "sag_time"],
        &sags,
        1.0,
        &format!("level extrapolated to the step up over the level it settles to; {note}"),
        "no sag",
    );
    put_course(
        figures,
        ["recovery_dip", "recovery_time"],
        &recoveries,
        -1.0,
        &format!("level it settles to over the level extrapolated to the step down; {note}"),
        "no dip after the burst",
    );
    let margins: Vec<f64> = bursts.bursts.iter().map(|b| db(b.first / b.sustained)).collect();
    let own = |of: fn(&Burst) -> f64| median(&bursts.bursts.iter().map(of).collect::<Vec<f64>>());
    let margin_sd = DB_PER_CHANGE * own(|b| (b.first_sd / b.first).hypot(b.sustained_sd / b.sustained));
    figures.set(
        "burst_margin",
        spread_quantity(&margins, margin_sd, MARGIN_ERROR_DB, Unit::Decibels)
            .noted(format!("first 20 ms over the last 0.2 s of the burst, both at the same drive; {note}")),
    );
    for (name, peaks, sd, window) in [
        (
            "burst_immediate",
            bursts.bursts.iter().map(|b| b.immediate).collect::<Vec<f64>>(),
            own(|b| b.immediate_sd),
            "6 to 16 ms after the step up",
        ),
        (
            "burst_sustained",
            bursts.bursts.iter().map(|b| b.sustained).collect(),
            own(|b| b.sustained_sd),
            "last 0.2 s of the burst",
        ),
    ] {
        let told =
            |peak: f64| scale.volts(peak / std::f64::consts::SQRT_2).unwrap_or_else(|| dbfs_of_peak(peak));
        let unit = if scale.load_volts_per_unit.is_some() { Unit::Volts } else { Unit::DbFullScale };
        let values: Vec<f64> = peaks.iter().copied().map(told).collect();
        // A decibel of the level, in the unit.
        let middle = median(&values);
        let per_db = if unit == Unit::Volts { middle / DB_PER_CHANGE } else { 1.0 };
        let relative = sd / median(&peaks);
        let quantity =
            spread_quantity(&values, DB_PER_CHANGE * relative * per_db, STEP_ERROR_DB * per_db, unit);
        figures.set(name, quantity.noted(format!("fundamental, RMS, {window}")));
    }
}

/// A step in dB and its time constant; `sign` −1 counts a fall as positive.
fn put_course(
    figures: &mut Figures,
    [step_name, time_name]: [&str; 2],
    courses: &[Exponential],
    sign: f64,
    note: &str,
    nothing: &str,
) {
    if courses.is_empty() {
        figures.set(step_name, Quantity::missing(Unit::Decibels, "the envelope could not be fitted"));
        figures.set(time_name, Quantity::missing(Unit::Seconds, "the envelope could not be fitted"));
        return;
    }
    let steps: Vec<f64> = courses.iter().map(|c| sign * c.step_db()).collect();
    let own_sd = median(&courses.iter().map(|c| c.step_sd_db).collect::<Vec<f64>>());
    let step = median(&steps);
    if !step.is_finite() {
        let reason = "the tone all but vanished at the step: blocked altogether, see the envelope";
        figures.set(step_name, Quantity::missing(Unit::Decibels, reason));
        figures.set(time_name, Quantity::missing(Unit::Seconds, reason));
        return;
    }
    let hidden = step.abs() < NO_SAG_DB.max(3.0 * own_sd);
    let words = if hidden { format!("{nothing}; {note}") } else { note.to_owned() };
    figures.set(step_name, spread_quantity(&steps, own_sd, STEP_ERROR_DB, Unit::Decibels).noted(words));
    let time = if hidden {
        Quantity::missing(Unit::Seconds, format!("{nothing}: a time constant would mean nothing"))
    } else if courses.iter().filter(|c| c.at_edge).count() * 2 > courses.len() {
        Quantity::missing(Unit::Seconds, "outside 4 ms to 1 s, which is what the burst can show")
    } else {
        let times: Vec<f64> = courses.iter().map(|c| c.tau_seconds).collect();
        let tau = median(&times);
        let own_sd = median(&courses.iter().map(|c| c.tau_sd).collect::<Vec<f64>>()) * tau;
        spread_quantity(&times, own_sd, TAU_ERROR * tau, Unit::Seconds)
            .noted("time constant of the exponential")
    };
    figures.set(time_name, time);
}

/// Median with an interval from the noise of each, or from how the bursts differ if that is more.
fn spread_quantity(values: &[f64], own_sd: f64, method_error: f64, unit: Unit) -> Quantity {
    let n = values.len() as f64;
    if !own_sd.is_finite() && values.len() < 2 {
        let alone = Quantity::new(median(values), unit);
        return alone
            .without_interval("one burst, and no course could be fitted from which its noise follows");
    }
    // Without a course only the bursts themselves tell.
    let own_sd = own_sd.max(0.0);
    let mean = values.iter().sum::<f64>() / n;
    let seen_sd = if n > 1.5 {
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
    } else {
        0.0
    };
    // Where the bursts differ by more than their own noise explains, only they tell how much: Student's t.
    let scattered = seen_sd > SCATTERED * own_sd;
    let times = if scattered { t_quantile(CONFIDENCE, n - 1.0).unwrap_or(Z95) } else { Z95 };
    let sd = if scattered { seen_sd } else { own_sd } / n.sqrt();
    // The median of three is 1.16 times less sure than their mean.
    let half = times * sd * if n > 2.5 { 1.16 } else { 1.0 };
    Quantity::new(median(values), unit).plus_minus(half.hypot(method_error))
}

fn median(values: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => sorted[n / 2],
        n => 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]),
    }
}

/// Envelope of the bursts: seconds from the step up, level of the fundamental (dBV across the load, or dBFS).
#[must_use]
pub fn envelope_curve(bursts: &Bursts, scale: &Scale) -> Curve {
    let unit = if scale.load_volts_per_unit.is_some() { Unit::DbVolt } else { Unit::DbFullScale };
    let mut curve = Curve::new(&[("time", Unit::Seconds), ("level", unit)]);
    for &(t, peak) in &bursts.envelope {
        let level = scale.volts(peak / std::f64::consts::SQRT_2).map_or_else(|| dbfs_of_peak(peak), db);
        curve.push([t, level]);
    }
    curve
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn bursts_that_differ_by_more_than_noise_have_students_interval() {
        // t(2) = 4.302653 (JCGM 100 table G.2), of a scatter of 1; the noise says a tenth.
        let scattered = spread_quantity(&[1.0, 2.0, 3.0], 0.1, 0.0, Unit::Decibels);
        let expected = 4.302_653 * 1.16 / 3f64.sqrt();
        approx::assert_relative_eq!(scattered.half_width().unwrap(), expected, max_relative = 1e-6);
        // As far apart as their noise lets expect: the noise is known far better than three show it.
        let alike = spread_quantity(&[1.0, 2.0, 3.0], 1.0, 0.0, Unit::Decibels);
        let expected = Z95 * 1.16 / 3f64.sqrt();
        approx::assert_relative_eq!(alike.half_width().unwrap(), expected, max_relative = 1e-6);
        let alone = spread_quantity(&[2.0], 0.1, 0.0, Unit::Decibels);
        approx::assert_relative_eq!(alone.half_width().unwrap(), Z95 * 0.1, max_relative = 1e-12);
    }
}
