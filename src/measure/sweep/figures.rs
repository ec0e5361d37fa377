//! The sweep as figures and curves (design §4a, §12).

use super::{Corner, ORDERS, Response, corners, power_bandwidth};
use crate::analysis::Figures;
use crate::figure::{CONFIDENCE, Curve, Quantity, Unit};
use crate::measure::tone_figures::Z95;
use crate::rounding::two_digits;
use crate::statistics::t_quantile;
use crate::takes::Scale;
use crate::units::{DB_PER_CHANGE, db, dbfs_of_peak};

/// Where the response is 0 dB and corners are counted from.
pub const REFERENCE_HZ: f64 = 1000.0;
/// The grid's and the method's own error of a corner: at most 0.003 % without noise (tests/reference/ACCURACY.md),
/// three times that for steeper ends. The rest is noise, which the interval has from the response itself.
const CORNER_ERROR: f64 = 0.0001;
/// A harmonic is drawn only this far over the level found between the responses (methods §5.4: 10 dB).
const HARMONIC_OVER: f64 = 3.162_277_66;
/// Distortion that ends the power bandwidth (design §12).
const DISTORTION_LIMIT: f64 = 0.1;
/// Band over which ripple is counted: inside that of any guitar amp.
const RIPPLE_BAND_HZ: [f64; 2] = [100.0, 5000.0];

/// Puts the corners and the ripple of a low-drive sweep into `figures`.
pub fn put_response(figures: &mut Figures, response: &Response) {
    for (suffix, reference_hz, words) in
        [("", Some(REFERENCE_HZ), "re 1 kHz"), ("_re_peak", None, "re the response's maximum")]
    {
        let found = corners(response, reference_hz);
        for (name, corner) in [("low_corner", found.map(|c| c.low)), ("high_corner", found.map(|c| c.high))] {
            let note = format!("half-power point (−3.01 dB) {words}");
            figures.set(&format!("{name}{suffix}"), corner_quantity(corner, &note, "the response"));
        }
    }
    figures.set("ripple", ripple(response));
}

/// Highest less lowest level of the response inside the band. Its interval is that of all levels at once
/// (C. E. Bonferroni's inequality: each of n holds with 1 − 0.05/n), so that it holds whichever are the extremes.
fn ripple(response: &Response) -> Quantity {
    let values = response.frequencies_hz.iter().zip(response.order(1));
    let levels: Vec<(f64, f64)> = values
        .filter(|(f, _)| in_band(**f, RIPPLE_BAND_HZ))
        .filter_map(|(_, v)| v.as_ref())
        .map(|v| (db(v.response.norm()), DB_PER_CHANGE * v.magnitude_sd() / v.response.norm()))
        .collect();
    let wide = t_quantile(1.0 - (1.0 - CONFIDENCE) / levels.len().max(1) as f64, f64::INFINITY);
    let widest = |shift: f64| {
        let top = levels.iter().map(|(level, sd)| level + shift * sd).fold(f64::NEG_INFINITY, f64::max);
        let foot = levels.iter().map(|(level, sd)| level - shift * sd).fold(f64::INFINITY, f64::min);
        top - foot
    };
    let words = "highest less lowest level from 100 Hz to 5 kHz; noise makes it look larger";
    let ripple = Quantity::new(widest(0.0), Unit::Decibels).noted(words);
    match wide {
        Some(wide) => ripple.between(widest(-wide).max(0.0), widest(wide)),
        None => ripple,
    }
}

/// Puts the power bandwidth of a sweep at this drive into `figures`.
pub fn put_power_bandwidth(figures: &mut Figures, response: &Response, drive_db: f64) {
    let found = power_bandwidth(response, REFERENCE_HZ, DISTORTION_LIMIT);
    let note = format!(
        "output within 3 dB of that at 1 kHz and H2 to H5 under 10 %, at a drive of {drive_db:.0} dB re top"
    );
    for (name, corner) in
        [("power_bandwidth_low", found.map(|c| c.low)), ("power_bandwidth_high", found.map(|c| c.high))]
    {
        let quantity = if found.is_none() {
            Quantity::missing(
                Unit::Hertz,
                format!("distortion at 1 kHz is over 10 % already, at a drive of {drive_db:.0} dB re top"),
            )
        } else {
            corner_quantity(corner, &note, "the power band")
        };
        figures.set(name, quantity);
    }
}

fn corner_quantity(corner: Option<Corner>, note: &str, what: &str) -> Quantity {
    match corner {
        Some(Corner::At { frequency_hz, sd_hz, comes_back }) => {
            let more = if comes_back { "; beyond it the level comes back above the limit" } else { "" };
            Quantity::new(frequency_hz, Unit::Hertz)
                .plus_minus((Z95 * sd_hz).hypot(CORNER_ERROR * frequency_hz))
                .noted(format!("{note}{more}"))
        }
        Some(Corner::Beyond { limit_hz }) => Quantity::missing(
            Unit::Hertz,
            format!("{what} goes beyond {limit_hz:.0} Hz, where the measurement ends"),
        ),
        None => Quantity::missing(Unit::Hertz, "there is no response at 1 kHz to count from"),
    }
}

fn in_band(frequency_hz: f64, band_hz: [f64; 2]) -> bool {
    (band_hz[0]..=band_hz[1]).contains(&frequency_hz)
}

/// The response: `magnitude` re 1 kHz with its 95 % interval from noise, `phase` less the mean delay from 300 Hz
/// to 3 kHz, `group_delay` less the same, `level` of the fundamental (dBV across the load, or dBFS).
#[must_use]
pub fn response_curve(response: &Response, scale: &Scale) -> Curve {
    let level_unit = if scale.load_volts_per_unit.is_some() { Unit::DbVolt } else { Unit::DbFullScale };
    let mut curve = Curve::new(&[
        ("frequency", Unit::Hertz),
        ("magnitude", Unit::Decibels),
        ("phase", Unit::Degrees),
        ("group_delay", Unit::Seconds),
        ("magnitude_low", Unit::Decibels),
        ("magnitude_high", Unit::Decibels),
        ("level", level_unit),
    ]);
    let reference = response.magnitude_at(REFERENCE_HZ).unwrap_or(f64::NAN);
    let at_reference = response.frequencies_hz.iter().position(|f| (f / REFERENCE_HZ - 1.0).abs() < 1e-6);
    let reference_sd = at_reference
        .and_then(|i| response.order(1).get(i).copied().flatten())
        .map_or(0.0, |v| v.magnitude_sd() / v.response.norm());
    let phase = response.phase_radians();
    for (i, &frequency_hz) in response.frequencies_hz.iter().enumerate() {
        let Some(Some(value)) = response.order(1).get(i) else { continue };
        let size = value.response.norm();
        let magnitude = db(size / reference);
        let half = Z95 * (value.magnitude_sd() / size).hypot(reference_sd);
        let peak = size * response.input_peak;
        let level = scale.volts(peak / std::f64::consts::SQRT_2).map_or_else(|| dbfs_of_peak(peak), db);
        curve.push([
            frequency_hz,
            magnitude,
            phase.get(i).map_or(f64::NAN, |p| p.to_degrees()),
            response.group_delay_seconds.get(i).map_or(f64::NAN, |d| d - response.mean_delay_seconds),
            // Noise as large as the response leaves no lower end.
            magnitude + db((1.0 - half).max(0.0)),
            magnitude + db(1.0 + half),
            level,
        ]);
    }
    curve
}

/// Harmonics at the frequency of the fundamental, per cent of it, and their sum (`thd`, H2 … H5 as far as the
/// band goes); gaps where a harmonic does not stand 10 dB over what lies between the responses. `floor_n` is
/// that level, or the interface's own harmonic where a loopback shows it to be higher.
#[must_use]
pub fn harmonics_curve(response: &Response) -> Curve {
    let mut columns = vec![("frequency".to_owned(), Unit::Hertz), ("thd".to_owned(), Unit::Percent)];
    for n in 2..=ORDERS {
        columns.push((format!("harmonic_{n}"), Unit::Percent));
        columns.push((format!("floor_{n}"), Unit::Percent));
    }
    let names: Vec<(&str, Unit)> = columns.iter().map(|(n, u)| (n.as_str(), *u)).collect();
    let mut curve = Curve::new(&names);
    let distortion = response.distortion();
    for (i, &frequency_hz) in response.frequencies_hz.iter().enumerate() {
        let Some(Some(first)) = response.order(1).get(i) else { continue };
        let percent = |size: f64| 100.0 * size / first.response.norm();
        let mut row = vec![frequency_hz, f64::NAN];
        let mut any = false;
        for n in 2..=ORDERS {
            let value = response.order(n).get(i).copied().flatten();
            let floor = value.map(|v| v.noise.max(v.interface));
            let seen = value.zip(floor).filter(|(v, floor)| v.response.norm() > HARMONIC_OVER * floor);
            any |= seen.is_some();
            row.push(seen.map_or(f64::NAN, |(v, _)| percent(v.magnitude_less_noise())));
            row.push(floor.map_or(f64::NAN, percent));
        }
        if any {
            row[1] = distortion.get(i).copied().flatten().map_or(f64::NAN, |d| 100.0 * d);
        }
        curve.push(row);
    }
    curve
}

/// Distortion at single frequencies of the harmonics' curve, for tables: `thd_100_hz`, `thd_5_khz`.
pub fn put_distortion(figures: &mut Figures, response: &Response, drive_db: f64) {
    let distortion = response.distortion();
    for (name, frequency_hz) in [("thd_100_hz", 100.0), ("thd_5_khz", 5000.0)] {
        let nearest = response.frequencies_hz.iter().enumerate().min_by(|a, b| {
            let off = |f: f64| (f / frequency_hz).ln().abs();
            off(*a.1).total_cmp(&off(*b.1))
        });
        let at = nearest.filter(|(_, f)| (*f / frequency_hz - 1.0).abs() < 0.02).map(|(i, _)| i);
        let value = at.and_then(|i| Some((i, distortion.get(i).copied().flatten()?)));
        let quantity = match value {
            None => Quantity::missing(Unit::Percent, "the sweep gives no harmonics there"),
            Some((i, ratio)) => {
                let (floor, sd) = noise_of_distortion(response, i, ratio);
                let interface = interface_distortion(response, i);
                let quantity = if ratio < 2.0 * floor {
                    Quantity::missing(
                        Unit::Percent,
                        format!("below {} %: the noise floor hides it", two_digits(200.0 * floor)),
                    )
                } else {
                    Quantity::new(100.0 * ratio, Unit::Percent).plus_minus(100.0 * Z95 * sd).noted(format!(
                        "H2 to H5 re the fundamental, high-drive sweep at {drive_db:.0} dB re top"
                    ))
                };
                Quantity { floor: interface.map(|own| 100.0 * own), ..quantity }
            }
        };
        figures.set(name, quantity);
    }
}

/// Root-sum of the interface's own harmonics re the fundamental; `None` without a loopback.
fn interface_distortion(response: &Response, i: usize) -> Option<f64> {
    let first = response.order(1).get(i).copied().flatten()?.response.norm();
    let own = (2..=ORDERS).filter_map(|n| response.order(n).get(i).copied().flatten());
    let sum: f64 = own.map(|v| v.interface.powi(2)).sum();
    (sum > 0.0).then(|| sum.sqrt() / first)
}

/// Root-sum of the harmonics' floors and the standard deviation of their root-sum, both re the fundamental.
fn noise_of_distortion(response: &Response, i: usize, ratio: f64) -> (f64, f64) {
    let first = response.order(1).get(i).copied().flatten().map_or(f64::NAN, |v| v.response.norm());
    let values = (2..=ORDERS).filter_map(|n| response.order(n).get(i).copied().flatten());
    let (mut floor, mut variance) = (0.0, 0.0);
    for v in values {
        floor += v.noise.max(v.interface).powi(2);
        // Variance of |c|² under complex noise of power n².
        variance += 2.0 * v.response.norm_sqr() * v.noise.powi(2) + v.noise.powi(4);
    }
    let floor = floor.sqrt() / first;
    (floor, variance.sqrt() / (2.0 * first * first * ratio.max(floor)))
}
