//! Intermodulation as figures, a list of products and a curve (design §4a, §12).

use super::{Line, Pair, Ratio};
use crate::analysis::{Figures, Intermodulation, Product};
use crate::figure::{Column, Curve, Quantity, Unit};
use crate::measure::tone_figures::{Z95, frequency_sd_hz};
use crate::rounding::two_digits;
use crate::takes::Scale;
use crate::units::{db, dbfs_of_peak};

/// Puts the headline figure that belongs to a pair of the programme (by its segment's id) into `figures`.
pub fn put(figures: &mut Figures, id: &str, pair: &Pair) {
    match id {
        "modulation_high" => {
            let both = rss(pair.second(), pair.third());
            let note = "70 Hz and 7 kHz, 4:1, at −10 dB re top: √(d2² + d3²) re the 7 kHz tone";
            figures.set("modulation_distortion", quantity(both, note));
        }
        "difference_mid_high" => {
            let note = "5 and 6 kHz, 1:1, at −10 dB re top, re the sum of both tones";
            figures.set("difference_distortion_2", quantity(pair.second(), note));
            figures.set("difference_distortion_3", quantity(pair.third(), note));
        }
        "chord_high" => {
            let note =
                "82.4 and 125.1 Hz at −10 dB re top: all products to fifth order, RSS, re both tones, RSS";
            figures.set("chord_distortion", quantity(pair.total(), note));
        }
        _ => {}
    }
}

/// d2, d3 and the sum of one pair at one level (dB re top; `None` outside a programme).
#[must_use]
pub fn intermodulation(pair: &Pair, level: Option<f64>) -> Intermodulation {
    let base = if pair.is_modulation() { "re the higher tone" } else { "re the sum of both tones" };
    Intermodulation {
        pair: pair.frequencies_hz,
        level,
        d2: quantity(pair.second(), base),
        d3: quantity(pair.third(), base),
        total: quantity(pair.total(), "all products of both tones to fifth order, RSS, re both tones, RSS"),
    }
}

/// What a pair shows at most, per cent: d2, d3 and all products; `None` where its lines lie beyond the band.
#[must_use]
pub fn floors_percent(pair: &Pair) -> [Option<f64>; 3] {
    [pair.second(), pair.third(), pair.total()].map(|ratio| match ratio {
        Ratio::Is { value, .. } | Ratio::Below(value) => Some(100.0 * value),
        Ratio::OutOfBand => None,
    })
}

fn rss(a: Ratio, b: Ratio) -> Ratio {
    use Ratio::{Below, Is, OutOfBand};
    match (a, b) {
        (Is { value: x, sd: s, missing: k }, Is { value: y, sd: t, missing: l }) => {
            let value = x.hypot(y);
            Is { value, sd: (x * s).hypot(y * t) / value, missing: k + l }
        }
        // What is hidden in one order is small beside the other, or both are hidden.
        (Is { value, sd, missing }, Below(limit)) | (Below(limit), Is { value, sd, missing }) => {
            Is { value, sd: sd.hypot(value.hypot(limit) - value), missing }
        }
        (Below(x), Below(y)) => Below(x.hypot(y)),
        (OutOfBand, other) | (other, OutOfBand) => other,
    }
}

/// Per cent with its interval.
fn quantity(ratio: Ratio, note: &str) -> Quantity {
    match ratio {
        Ratio::Is { value, sd, missing } => {
            let left_out = match missing {
                0 => String::new(),
                n => format!("; {n} of the lines lie beyond the band or on others and are left out"),
            };
            // A sum of magnitudes cannot be under zero.
            let (low, high) = (100.0 * (value - Z95 * sd).max(0.0), 100.0 * (value + Z95 * sd));
            Quantity::new(100.0 * value, Unit::Percent).between(low, high).noted(format!("{note}{left_out}"))
        }
        Ratio::Below(limit) => Quantity::missing(
            Unit::Percent,
            format!("below {} %: the noise floor hides it", two_digits(100.0 * limit)),
        ),
        Ratio::OutOfBand => {
            Quantity::missing(Unit::Percent, "its lines lie beyond the band of the recording")
        }
    }
}

/// Every line with its level: volts peak across the load where the rig is calibrated, dBFS otherwise.
#[must_use]
pub fn products(pair: &Pair, scale: &Scale) -> Vec<Product> {
    // The tones' own frequencies were found, each with its noise; a product has n and m times that.
    let sd = |n: i32, m: i32| {
        pair.line(n, m)
            .map_or(f64::NAN, |tone| frequency_sd_hz(tone.amplitude.norm() / tone.noise, pair.seconds))
    };
    let [low_sd, high_sd] = [sd(1, 0), sd(0, 1)];
    let frequency_sd = |[n, m]: [i32; 2]| (f64::from(n) * low_sd).hypot(f64::from(m) * high_sd);
    let product = |line: &Line| Product {
        orders: line.orders,
        frequency: Quantity::new(line.frequency_hz, Unit::Hertz).plus_minus(Z95 * frequency_sd(line.orders)),
        level: level(line, scale),
    };
    pair.lines.iter().map(product).collect()
}

fn level(line: &Line, scale: &Scale) -> Quantity {
    let size = line.amplitude.norm();
    let sd = line.noise / std::f64::consts::SQRT_2;
    match scale.load_volts_per_unit {
        Some(volts) if line.seen() => {
            Quantity::new(size * volts, Unit::Volts).plus_minus(Z95 * sd * volts).noted("peak")
        }
        Some(volts) => Quantity::missing(
            Unit::Volts,
            format!("below {:.2e} V peak: the noise floor hides it", super::SEEN * line.noise * volts),
        ),
        None if line.seen() => {
            Quantity::new(dbfs_of_peak(size), Unit::DbFullScale).plus_minus(Z95 * db(1.0 + sd / size))
        }
        None => Quantity::missing(
            Unit::DbFullScale,
            format!("below {:.0} dBFS: the noise floor hides it", dbfs_of_peak(super::SEEN * line.noise)),
        ),
    }
}

/// The spectrum's lines that stand clear of the noise, dB re the larger tone.
#[must_use]
pub fn products_curve(pair: &Pair) -> Curve {
    let mut curve = Curve::new(&[
        ("frequency", Unit::Hertz),
        ("level", Unit::Decibels),
        ("order", Unit::One),
        ("n", Unit::One),
        ("m", Unit::One),
        ("floor", Unit::Decibels),
    ]);
    let largest = pair.lines.iter().map(|l| l.amplitude.norm()).fold(0.0, f64::max);
    for line in pair.lines.iter().filter(|l| l.seen()) {
        let [n, m] = line.orders;
        curve.push([
            line.frequency_hz,
            db(line.amplitude.norm() / largest),
            f64::from(line.order()),
            f64::from(n),
            f64::from(m),
            db(line.noise / largest),
        ]);
    }
    curve
}

/// Puts beside each product what the interface alone shows for it, dB re the larger tone: its own line, or the noise
/// that hides that. `own` is the same pair in the loopback; a product that it lacks is a gap.
pub fn put_interface(curve: &mut Curve, own: &Pair) {
    let largest = own.lines.iter().map(|l| l.amplitude.norm()).fold(0.0, f64::max);
    let (Some(n), Some(m)) = (curve.column("n"), curve.column("m")) else { return };
    curve.columns.push(Column { name: "interface".to_owned(), unit: Unit::Decibels });
    for ((row, n), m) in curve.rows.iter_mut().zip(n).zip(m) {
        let line = n.zip(m).and_then(|(n, m)| own.line(n as i32, m as i32)).filter(|l| l.order() > 1);
        let level = line.map(|l| if l.seen() { l.amplitude.norm() } else { super::SEEN * l.noise });
        row.push(level.map(|level| db(level / largest)).filter(|db| db.is_finite()));
    }
}
