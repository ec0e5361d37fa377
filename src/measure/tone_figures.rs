//! A steady tone as figures (design §4a).

use super::tone::{HIGHEST_HZ, HIGHEST_RATE, Tone, count};
use crate::analysis::{Figures, Harmonic};
use crate::figure::{Quantity, Unit};
use crate::takes::Scale;
use crate::units;

/// Normal quantile of a 95 % interval.
pub const Z95: f64 = 1.959_964;
/// Harmonics that are listed even where none is measured.
const LISTED: usize = 10;

/// Puts a steady tone's figures into `figures`.
pub fn put(figures: &mut Figures, tone: &Tone, rate_hz: f64, scale: &Scale) {
    let peak = tone.peak();
    let noise = tone.noise.first().copied().unwrap_or(0.0);
    let relative = noise / peak;
    let frequency = Quantity::new(tone.frequency_hz, Unit::Hertz)
        .plus_minus(Z95 * frequency_sd_hz(peak / noise, tone.seconds));
    figures.set("frequency", frequency);
    let level = Quantity::new(units::dbfs_of_peak(peak), Unit::DbFullScale)
        .plus_minus(Z95 * units::db(1.0 + relative / 2f64.sqrt()))
        .noted("fundamental; a full-scale sine is 0 dBFS");
    figures.set("level", level);
    put_distortion(figures, "", tone);
    let sinad_half = Z95 * units::db(1.0 + tone.thd_n_uncertainty() / tone.thd_n());
    figures.set("sinad", Quantity::new(-units::db(tone.thd_n()), Unit::Decibels).plus_minus(sinad_half));
    for (name, sum, even) in [("even_harmonics", tone.even(), true), ("odd_harmonics", tone.odd(), false)] {
        let half = Z95 * 100.0 * tone.half_uncertainty(even);
        figures.set(name, floored(sum, tone.thd_floor()).plus_minus(half));
    }
    figures.set("dc", percent(tone.dc).plus_minus(Z95 * 100.0 * tone.dc_sd).noted("of full scale"));
    if let Some(volts) = scale.volts((tone.mean_square() + tone.rest_mean_square).sqrt()) {
        let output = Quantity::new(volts, Unit::Volts).plus_minus(Z95 * volts * relative / 2f64.sqrt());
        figures.set("output", output.noted("RMS of the whole waveform"));
    }
    if let (Some(whole), Some(fundamental)) =
        (scale.watts(tone.mean_square() + tone.rest_mean_square), scale.watts(peak * peak / 2.0))
    {
        let power =
            |watts: f64| Quantity::new(watts, Unit::Watts).plus_minus(Z95 * watts * relative * 2f64.sqrt());
        figures.set("power", power(whole).noted("whole waveform"));
        figures.set("power_fundamental", power(fundamental));
    }
    figures.harmonics = harmonics(tone, rate_hz);
}

/// Standard deviation of the frequency that a Hann-weighted fit over this time finds, from the line's amplitude over
/// the RMS noise in it. var ω = 2σ²/A² · Σw²t²/(Σwt²)² with moments 0.0075028 T³ and 0.0163364 T³ (least squares);
/// with ρ = |c|²/n² that is var f = 0.237/(ρT²).
#[must_use]
pub fn frequency_sd_hz(amplitude_over_noise: f64, seconds: f64) -> f64 {
    0.237f64.sqrt() / (amplitude_over_noise * seconds.max(1e-9))
}

/// Which harmonics THD counts: "H2 to H19 (to 19190 Hz)".
#[must_use]
pub fn counted(tone: &Tone) -> String {
    let lines = tone.lines.len();
    format!("H2 to H{lines} (to {:.0} Hz)", tone.frequency_hz * lines as f64)
}

/// Puts `thd`, `thd_r` and `thd_n` under these names with a beginning of their own, each with what it counts.
pub fn put_distortion(figures: &mut Figures, beginning: &str, tone: &Tone) {
    let counted = counted(tone);
    let mut set = |name: &str, quantity: Quantity, note: String| {
        figures.set(&format!("{beginning}{name}"), quantity.noted(note));
    };
    set("thd", thd(tone), format!("THD_F: {counted} re the fundamental"));
    set("thd_r", thd_r(tone), format!("THD_R: {counted} re fundamental and harmonics together"));
    let band = tone.band_hz;
    let words = format!("all but the fundamental, 20 Hz to {band:.0} Hz, re the fundamental");
    let half = Z95 * 100.0 * tone.thd_n_uncertainty();
    set("thd_n", percent(tone.thd_n()).plus_minus(half), words);
}

/// THD_F in per cent with its interval, or "below" where the noise floor hides it (methods §3.2).
#[must_use]
pub fn thd(tone: &Tone) -> Quantity {
    let (value, floor) = (tone.thd(), tone.thd_floor());
    if value < 2.0 * floor {
        return below(2.0 * floor);
    }
    percent(value).plus_minus(Z95 * 100.0 * tone.thd_uncertainty())
}

/// THD_R = THD_F/√(1+THD_F²) (reference §1).
#[must_use]
pub fn thd_r(tone: &Tone) -> Quantity {
    let of = |f: f64| f / (1.0 + f * f).sqrt();
    let (value, floor) = (tone.thd(), tone.thd_floor());
    if value < 2.0 * floor {
        return below(of(2.0 * floor));
    }
    percent(of(value)).plus_minus(Z95 * 100.0 * tone.thd_uncertainty() / (1.0 + value * value).powf(1.5))
}

fn floored(value: f64, floor: f64) -> Quantity {
    if value < floor { below(floor) } else { percent(value) }
}

fn percent(ratio: f64) -> Quantity {
    Quantity::new(100.0 * ratio, Unit::Percent)
}

fn below(ratio: f64) -> Quantity {
    Quantity::missing(Unit::Percent, format!("below {:.2e} %: the noise floor hides it", 100.0 * ratio))
}

/// H1 to at least H10, those that cannot be seen with the reason.
#[must_use]
pub fn harmonics(tone: &Tone, rate_hz: f64) -> Vec<Harmonic> {
    let aligned = tone.aligned();
    let within = count(tone.frequency_hz, rate_hz);
    let relative = tone.noise.first().copied().unwrap_or(0.0) / tone.peak();
    (1..=within.max(LISTED))
        .map(|order| {
            let (ratio, phase) = if order > within {
                let highest = HIGHEST_HZ.min(HIGHEST_RATE * rate_hz);
                let reason = format!("above {highest:.0} Hz, the band's end at this sample rate");
                (Quantity::missing(Unit::Percent, &reason), Quantity::missing(Unit::Degrees, reason))
            } else {
                match tone.ratio(order) {
                    Ok(ratio) if order == 1 => {
                        let itself = "the others are counted from it";
                        (
                            percent(ratio).without_interval(itself),
                            Quantity::new(0.0, Unit::Degrees).without_interval(itself),
                        )
                    }
                    Ok(ratio) => {
                        let own = tone.noise[order - 1] / 2f64.sqrt();
                        // The fundamental's noise moves what is counted from it: θₙ = φₙ − nφ₁.
                        let fundamental = relative / 2f64.sqrt();
                        let angle = aligned[order - 1].arg().to_degrees();
                        let error = (own / aligned[order - 1].norm()).hypot(order as f64 * fundamental);
                        (
                            percent(ratio)
                                .plus_minus(Z95 * 100.0 * (own / tone.peak()).hypot(ratio * fundamental)),
                            Quantity::new(angle, Unit::Degrees).plus_minus(Z95 * error.to_degrees()),
                        )
                    }
                    Err(limit) => {
                        (below(limit), Quantity::missing(Unit::Degrees, "the noise floor hides it"))
                    }
                }
            };
            Harmonic { order: order as u32, ratio, phase }
        })
        .collect()
}
