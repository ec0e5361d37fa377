//! Noise and hum as figures and a curve (design §4a, §12).

use std::f64::consts::SQRT_2;

use super::{Level, Quiet};
use crate::analysis::{Figures, HumLine};
use crate::figure::{Curve, Quantity, Unit};
use crate::measure::tone_figures::Z95;
use crate::rounding::two_digits;
use crate::takes::Scale;
use crate::units::{DB_PER_CHANGE, db, dbfs_of_rms, from_db, power_db};

/// Puts noise, hum and signal-to-noise ratios into `figures`. Clean power is taken from what the ladder put
/// there before (`power_at_thd_5_percent`).
pub fn put(figures: &mut Figures, quiet: &Quiet, scale: &Scale) {
    let band = format!("20 Hz to {:.0} Hz, mains lines taken out", quiet.band_hz);
    for (name, level, how) in [
        ("noise", quiet.noise, "RMS"),
        ("noise_a_weighted", quiet.noise_a, "A-weighted, RMS"),
        ("noise_468", quiet.noise_468, "weighting network of ITU-R BS.468, RMS (not its quasi-peak reading)"),
    ] {
        figures.set(name, quantity(level, scale).noted(format!("{how}, {band}")));
    }
    put_signal_to_noise(figures, quiet.noise, scale);
    let at_input = at_input(figures, quiet.noise, scale);
    figures.set("noise_at_input", at_input);

    figures.set(
        "mains_frequency",
        match quiet.mains {
            Some((hz, sd)) => Quantity::new(hz, Unit::Hertz)
                .plus_minus(Z95 * sd)
                .noted("found in the quiet segment, by the recorder's clock"),
            None => Quantity::missing(Unit::Hertz, "no mains line stands clear of the noise"),
        },
    );
    for (name, wanted, what) in [
        ("hum_total", (|_| true) as fn(usize) -> bool, "RSS of the first 20 mains lines"),
        (
            "hum_mains",
            |k| !k.is_multiple_of(2),
            "RSS of odd multiples of the mains: induction, heaters, loops",
        ),
        ("hum_twice_mains", |k| k.is_multiple_of(2), "RSS of even multiples of the mains: rectified supply"),
    ] {
        figures.set(
            name,
            match quiet.hum(wanted) {
                Ok((peak, sd)) => quantity(Level { rms: peak / SQRT_2, sd: sd / SQRT_2 }, scale)
                    .noted(format!("{what}, RMS")),
                Err(limit) => below(limit, scale),
            },
        );
    }
    figures.hum_lines = quiet
        .lines
        .iter()
        .map(|line| HumLine {
            order: line.order as u32,
            frequency: match quiet.mains {
                Some((_, sd)) => {
                    Quantity::new(line.frequency_hz, Unit::Hertz).plus_minus(Z95 * sd * line.order as f64)
                }
                None => Quantity::new(line.frequency_hz, Unit::Hertz)
                    .without_interval("where a line was looked for; no mains line stands clear of the noise"),
            },
            level: if line.seen {
                // Of complex noise of power n² half lies along the line.
                quantity(Level { rms: line.peak / SQRT_2, sd: line.noise / 2.0 }, scale)
            } else {
                below(line.limit(), scale)
            },
            limit: bare(line.limit() / SQRT_2, scale)
                .without_interval("a limit, three times the noise that would be taken for a line"),
        })
        .collect();
}

fn put_signal_to_noise(figures: &mut Figures, noise: Level, scale: &Scale) {
    let spread = Z95 * db(1.0 + noise.sd / noise.rms);
    let over = |db: f64, what: &str| {
        Quantity::new(db, Unit::Decibels).plus_minus(spread).noted(format!("unweighted, re {what}"))
    };
    figures.set(
        "signal_to_noise_1_watt",
        match scale.watts(noise.rms * noise.rms) {
            Some(watts) => over(-power_db(watts), "1 W into the load"),
            None => Quantity::missing(Unit::Decibels, "watts need a calibrated rig"),
        },
    );
    // Output where clean power is reached: volts with a rig, dBFS without.
    let clean = figures.get("output_at_thd_5_percent");
    figures.set(
        "signal_to_noise_clean_power",
        match clean.and_then(|q| Some((q.value?, q.unit))) {
            Some((volts, Unit::Volts)) => match scale.volts(noise.rms) {
                Some(own) => over(db(volts / own), "clean power (5 % THD)"),
                None => Quantity::missing(Unit::Decibels, "volts need a calibrated rig"),
            },
            Some((dbfs, Unit::DbFullScale)) => over(dbfs - dbfs_of_rms(noise.rms), "clean power (5 % THD)"),
            _ => Quantity::missing(Unit::Decibels, "clean power (5 % THD) was not reached or not measured"),
        },
    );
}

/// Noise over the amp's small-signal gain: what a silent amp of that gain would have to be given.
fn at_input(figures: &Figures, noise: Level, scale: &Scale) -> Quantity {
    let gain = figures.get("gain").filter(|_| scale.drive_volts_at_top.is_some());
    match (scale.volts(noise.rms), gain.and_then(|g| Some((g.value?, g.half_width().unwrap_or(0.0))))) {
        (Some(volts), Some((gain_db, gain_half_db))) => {
            let millivolts = 1000.0 * volts / from_db(gain_db);
            let relative = (Z95 * noise.sd / noise.rms).hypot(gain_half_db / DB_PER_CHANGE);
            Quantity::new(millivolts, Unit::Millivolts)
                .plus_minus(millivolts * relative)
                .noted("RMS, 20 Hz to 20 kHz, over the small-signal gain at the ladder's frequency")
        }
        _ => Quantity::missing(Unit::Millivolts, "it needs volts at the load and at the input, and the gain"),
    }
}

/// mV across the load where the rig is calibrated, dBFS otherwise.
fn bare(rms: f64, scale: &Scale) -> Quantity {
    match scale.volts(rms) {
        Some(volts) => Quantity::new(1000.0 * volts, Unit::Millivolts),
        None => Quantity::new(dbfs_of_rms(rms), Unit::DbFullScale),
    }
}

/// The same with its interval.
fn quantity(level: Level, scale: &Scale) -> Quantity {
    let spread = Z95 * level.sd;
    match scale.volts(spread) {
        Some(volts) => bare(level.rms, scale).plus_minus(1000.0 * volts),
        None => bare(level.rms, scale).plus_minus(Z95 * db(1.0 + level.sd / level.rms)),
    }
}

/// What is hidden under the noise, from the peak below which it lies.
fn below(peak: f64, scale: &Scale) -> Quantity {
    match scale.volts(peak / SQRT_2) {
        Some(volts) => Quantity::missing(
            Unit::Millivolts,
            format!("below {} mV: the noise hides it", two_digits(1000.0 * volts)),
        ),
        None => Quantity::missing(
            Unit::DbFullScale,
            format!("below {:.0} dBFS: the noise hides it", dbfs_of_rms(peak / SQRT_2)),
        ),
    }
}

/// The noise in bands of 1/48 octave: `level` with the mains lines that were seen, `noise` without them.
/// dBV across the load where the rig is calibrated, dBFS otherwise.
#[must_use]
pub fn noise_curve(quiet: &Quiet, scale: &Scale) -> Curve {
    let unit = if scale.load_volts_per_unit.is_some() { Unit::DbVolt } else { Unit::DbFullScale };
    let level = |rms: f64| scale.volts(rms).map_or_else(|| dbfs_of_rms(rms), db);
    let mut curve = Curve::new(&[("frequency", Unit::Hertz), ("level", unit), ("noise", unit)]);
    let half = 2f64.powf(0.5 / super::BANDS_PER_OCTAVE);
    for &(centre, rms) in &quiet.spectrum {
        let inside = |l: &&super::Line| l.seen && (centre / half..centre * half).contains(&l.frequency_hz);
        let lines: f64 = quiet.lines.iter().filter(inside).map(|l| l.peak * l.peak / 2.0).sum();
        curve.push([centre, level((rms * rms + lines).sqrt()), level(rms)]);
    }
    curve
}
