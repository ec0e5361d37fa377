//! Published closed forms through the whole path: a WAV file goes in, figures come out.
//!
//! Sources: Fourier series of any signals textbook, clip series and polynomial products as in the first
//! lines of `tests/reference/*.csv`. Every wave is made from its series, never by clipping samples.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use support::waves::{self, Line, Wave};
use support::{FORMS, Row, Stored, Table, clean_harmonic_tolerance_db, db, measure, turn};
use twinload::analysis::{RecordingKind, TakeAnalysis};
use twinload::simulate::noise::White;

/// Length of the files of steady tones.
const SECONDS: f64 = 1.0;
/// methods §11: THD, clean, relative.
const THD_RELATIVE: f64 = 1e-4;
/// methods §11: level H1, clean.
const LEVEL_DB: f64 = 1e-6;

/// Five times the standard deviation of a fitted amplitude (methods §3.2: σ √(3/N)) that the file's rounding
/// brings, over half of the file, since the tool may keep away from its ends.
fn rounding(stored: Stored) -> f64 {
    5.0 * stored.rounding_rms() * (3.0 / (0.5 * SECONDS * f64::from(stored.rate))).sqrt()
}

fn value(take: &TakeAnalysis, name: &str) -> f64 {
    take.figures.value(name).unwrap_or_else(|| panic!("no {name}: {:?}", take.figures.get(name)))
}

/// Measures the wave and holds every figure against its series; `last` is the highest harmonic up to 20 kHz.
fn agrees(what: &str, wave: &Wave, stored: Stored, last: u32) {
    let take = measure(&wave.samples(stored.rate, SECONDS), stored);
    let what = format!("{what} at {} Hz in {stored:?}", wave.frequency_hz);
    assert_eq!(take.kind, RecordingKind::Tone, "{what}");
    let fundamental = wave.gain.abs() * wave.ratio(1) * amplitude(wave, 1);
    let spread = rounding(stored) / fundamental;

    let frequency = value(&take, "frequency");
    // Four-parameter fit (reference.md §5): σ_f = √24 σ / (2π A T √N) = 0.78 σ / (A √N) for T = 1 s; `spread`
    // is 12 σ / (A √N), which leaves room for a window and for five times σ.
    let slack = 1e-9 * wave.frequency_hz + spread / SECONDS;
    assert!((frequency - wave.frequency_hz).abs() < slack, "{what}: {frequency} Hz");

    let level = value(&take, "level");
    let expected = db(fundamental);
    let allowed = LEVEL_DB + db(1.0 + spread);
    assert!((level - expected).abs() <= allowed, "{what}: level {level}, {expected} ± {allowed}");

    let thd = value(&take, "thd") / 100.0;
    let expected = wave.thd(last);
    let allowed = THD_RELATIVE * expected + spread * f64::from(last).sqrt();
    assert!((thd - expected).abs() <= allowed, "{what}: THD {thd}, {expected} ± {allowed}");

    for (name, parity) in [("even_harmonics", 0), ("odd_harmonics", 1)] {
        let of = (2..=last).filter(|n| n % 2 == parity);
        let expected = of.map(|n| wave.ratio(n).powi(2)).sum::<f64>().sqrt();
        let allowed = THD_RELATIVE * expected + spread * f64::from(last).sqrt();
        let Some(found) = take.figures.value(name).map(|v| v / 100.0) else {
            // "Below the floor" may be said of nothing, and of what rounding reaches.
            assert!(
                expected <= 10.0 * spread * f64::from(last).sqrt(),
                "{what}: no {name}, {expected} expected"
            );
            continue;
        };
        assert!((found - expected).abs() <= allowed, "{what}: {name} {found}, {expected} ± {allowed}");
    }

    let harmonics = &take.figures.harmonics;
    for order in 2..=last.min(10) {
        let harmonic = harmonics.iter().find(|h| h.order == order);
        let expected = wave.ratio(order);
        if expected < 1e-6 {
            // Nothing is there: either "below the floor", or no more than what rounding leaves.
            let found = harmonic.and_then(|h| h.ratio.value).unwrap_or(0.0) / 100.0;
            assert!(found <= 1e-6 + spread, "{what}: H{order} {found}, expected none");
            continue;
        }
        // Ten times over the rounding's reach a number is due; below that "under the floor" may be said.
        let due = expected > 10.0 * spread;
        let Some(harmonic) = harmonic else { panic!("{what}: H{order} is not listed") };
        let Some(found) = harmonic.ratio.value else {
            assert!(!due, "{what}: H{order} is missing: {:?}", harmonic.ratio);
            continue;
        };
        let off = db(found / 100.0 / expected);
        let relative = 10.0_f64.powf(clean_harmonic_tolerance_db(db(expected)) / 20.0) - 1.0;
        let allowed = relative + spread / expected;
        assert!(off.abs() <= db(1.0 + allowed), "{what}: H{order} is off by {off} dB, {allowed} allowed");
        if due {
            let phase = harmonic.phase.value.unwrap();
            let off = turn(phase, wave.theta(order)).abs();
            // The same error vector at right angles; the fundamental's own counts n times.
            let allowed = (allowed + f64::from(order) * spread).to_degrees();
            assert!(off <= allowed, "{what}: H{order} phase {phase} off by {off}, {allowed} allowed");
        }
    }
}

fn amplitude(wave: &Wave, order: u32) -> f64 {
    wave.lines.iter().filter(|l| l.order == order).map(|l| l.amplitude.abs()).sum()
}

/// The series must be the published one before it may prove anything.
fn holds_the_table(what: &str, found: f64, published: f64) {
    // The tables have ten digits.
    assert!(
        (found - published).abs() <= 1e-9 * published.abs().max(1e-3),
        "{what}: {found}, table {published}"
    );
}

/// The table prints 1/√2 with ten digits, which is not enough for the ten digits beside it.
fn clip_level(row: Row<'_>) -> f64 {
    let c = row.number("clip_level_c");
    let exact = std::f64::consts::FRAC_1_SQRT_2;
    if (c - exact).abs() < 1e-9 { exact } else { c }
}

/// A form for the nth case, so that the grid covers all forms without running all of them for each row.
fn form(n: usize) -> Stored {
    FORMS[n % FORMS.len()]
}

/// Fundamentals in Hz that leave this many harmonics within 20 kHz and share no simple ratio with any rate.
const KEEPS_20: f64 = 997.3;
const KEEPS_9: f64 = 2101.7;
const KEEPS_6: f64 = 3001.3;

#[test]
fn square_triangle_sawtooth_and_rectified_sines_read_as_their_series() {
    let table = Table::read("reference/fourier_waveforms.csv");
    for (n, row) in table.rows().enumerate() {
        let name = row.text("waveform");
        let (lines, dc) = match name {
            "square_pm1" => (waves::square(), 0.0),
            "triangle_pm1" => (waves::triangle(), 0.0),
            "sawtooth_pm1" => (waves::sawtooth(), 0.0),
            "half_wave_rectified_sine_peak1" => waves::half_wave(),
            "full_wave_rectified_sine_peak1" => waves::full_wave(),
            other => panic!("{other}: no series for it"),
        };
        // Gibbs' overshoot of a band-limited jump stays under 0.5 × 1.2 of full scale.
        let wave = |gain, lead| Wave { lines: lines.clone(), dc, gain, frequency_hz: KEEPS_20, lead };
        let upright = wave(0.5, 0.7);
        holds_the_table(name, upright.dc, row.number("dc"));
        for order in 1..=10 {
            holds_the_table(name, amplitude(&upright, order), row.number(&format!("H{order}")));
        }
        holds_the_table(name, upright.thd(20), row.number("THD_F_20"));
        for (k, stored) in FORMS.into_iter().enumerate() {
            let wave = wave(if (n + k) % 2 == 0 { 0.5 } else { -0.5 }, 0.7 + k as f64);
            agrees(name, &wave, stored, 20);
        }
    }
}

#[test]
fn a_symmetric_clip_reads_as_its_series() {
    let table = Table::read("reference/clipped_sine_harmonics.csv");
    for (n, row) in table.rows().enumerate() {
        let c = clip_level(row);
        let lines = waves::symmetric_clip(c);
        let wave = |frequency_hz, gain| Wave { lines: lines.clone(), dc: 0.0, gain, frequency_hz, lead: 0.3 };
        for order in [3, 5, 7, 9] {
            let line = lines.iter().find(|l| l.order == order).unwrap();
            holds_the_table("clip", line.amplitude, row.number(&format!("C{order}")));
        }
        let gain = 0.8 / (1.0 + lines[0].amplitude);
        holds_the_table("clip", wave(KEEPS_20, gain).thd(20), row.number("THD_F_20"));
        holds_the_table("clip", wave(KEEPS_9, gain).thd(9), row.number("THD_F_9"));
        agrees(&format!("clip at {c}"), &wave(KEEPS_20, gain), form(n), 20);
        agrees(&format!("clip at {c}, inverted"), &wave(KEEPS_9, -gain), form(n + 1), 9);
    }
}

#[test]
fn a_one_sided_clip_reads_as_its_series() {
    let table = Table::read("reference/one_sided_clip_harmonics.csv");
    for (n, row) in table.rows().enumerate() {
        let c = clip_level(row);
        let (lines, dc) = waves::one_sided_clip(c);
        holds_the_table("one-sided clip", dc, row.number("dc"));
        for line in lines.iter().take(8) {
            holds_the_table("one-sided clip", line.amplitude, row.number(&format!("A{}", line.order)));
        }
        let wave = |gain| Wave { lines: lines.clone(), dc, gain, frequency_hz: KEEPS_6, lead: 1.9 };
        holds_the_table("one-sided clip", wave(0.5).thd(6), row.number("THD_F_6"));
        agrees(&format!("one-sided clip at {c}"), &wave(0.5), form(n), 6);
        agrees(&format!("one-sided clip at {c}, inverted"), &wave(-0.5), form(n + 3), 6);
    }
}

#[test]
fn a_polynomial_reads_as_its_products() {
    let table = Table::read("reference/polynomial_harmonics.csv");
    for (n, row) in table.rows().enumerate() {
        let lines: Vec<Line> = (1..=5)
            .map(|order| Line { order, amplitude: row.number(&format!("H{order}")), phase: 0.0 })
            .collect();
        let dc = row.number("dc");
        let wave = |gain| Wave { lines: lines.clone(), dc, gain, frequency_hz: KEEPS_20, lead: -1.1 };
        let what = format!("polynomial row {n}");
        holds_the_table(&what, wave(0.8).thd(5), row.number("THD_F"));
        // 24 bits and up: the smallest of these harmonics lie under the rounding of 16.
        agrees(&what, &wave(0.8), form(n % 5), 20);
        agrees(&format!("{what}, inverted"), &wave(-0.8), FORMS[0], 20);
    }
}

#[test]
fn a_soft_clip_reads_as_its_series() {
    let table = Table::read("reference/tanh_harmonics.csv");
    for (n, row) in table.rows().enumerate() {
        let g = row.number("drive_g");
        let lines = waves::of_curve(|x| (g * x).tanh(), 99);
        for order in [1, 3, 5, 7, 9] {
            holds_the_table("tanh", lines[order - 1].amplitude, row.number(&format!("H{order}")));
        }
        // At 401.3 Hz 49 harmonics lie within 20 kHz; what is beyond is under 1e-6 of the fundamental at g ≤ 4.
        let wave = Wave { lines, dc: 0.0, gain: 0.7, frequency_hz: 401.3, lead: 0.1 };
        let beyond = (wave.thd(49) / row.number("THD_F_inf") - 1.0).abs();
        assert!(beyond < 1e-8, "tanh {g}: {beyond}");
        agrees(&format!("tanh at {g}"), &wave, form(n), 49);
    }
}

#[test]
fn sixteen_bits_leave_the_noise_that_an_ideal_quantiser_leaves() {
    // reference.md §1: 98.0905 dB for a full-scale sine in the whole band to half the rate; 20 Hz..20 kHz of
    // the 24 kHz holds 10 log10(24000/19980) less noise. The error of a rounded sine is not quite white:
    // 0.2 dB is common practice, no source.
    let expected = 98.0905 + 10.0 * (24_000.0_f64 / 19_980.0).log10();
    let stored = FORMS[5];
    let wave = Wave {
        lines: vec![Line { order: 1, amplitude: 1.0, phase: 0.0 }],
        dc: 0.0,
        gain: 32_766.0 / 32_768.0,
        frequency_hz: KEEPS_20,
        lead: 0.2,
    };
    let take = measure(&wave.samples(stored.rate, 4.0), stored);
    let sinad = value(&take, "sinad");
    assert!((sinad - expected).abs() < 0.2, "{sinad} {expected}");
    let thd_n = value(&take, "thd_n") / 100.0;
    assert!((db(thd_n) + expected).abs() < 0.2, "{} {expected}", db(thd_n));
}

#[test]
fn harmonics_beyond_the_band_have_a_reason_and_no_number() {
    // 0.45 of 44.1 kHz is 19 845 Hz: H4 of 5 kHz lies beyond; at 48 kHz 20 kHz is the end, and H4 just within.
    for (rate, last, end) in [(44_100, 3, "19845"), (48_000, 4, "20000")] {
        let wave = Wave {
            lines: waves::of_curve(|x| x + 0.1 * x * x - 0.05 * x.powi(3), 3),
            dc: 0.0,
            gain: 0.5,
            frequency_hz: 5000.0,
            lead: 0.0,
        };
        let stored = Stored { rate, bits: 24, float: false };
        let take = support::measure(&wave.samples(rate, 0.6), stored);
        let note = take.figures.get("thd").unwrap().note.clone().unwrap();
        assert_eq!(note, format!("THD_F: H2 to H{last} (to {} Hz) re the fundamental", 5000 * last));
        for harmonic in take.figures.harmonics.iter().filter(|h| h.order > last) {
            for quantity in [&harmonic.ratio, &harmonic.phase] {
                assert_eq!(quantity.value, None, "H{} at {rate} Hz", harmonic.order);
                let reason = format!("above {end} Hz, the band's end at this sample rate");
                assert_eq!(quantity.note.as_deref(), Some(reason.as_str()));
            }
        }
        assert_eq!(take.figures.harmonics.len(), 10);
    }
}

#[test]
fn the_interval_of_a_tones_frequency_is_as_wide_as_its_scatter() {
    // Longer than the ten seconds that are measured: the interval must be that of what was used.
    let (seconds, stored) = (14.0, FORMS[0]);
    let frequency_hz = 1000.25;
    let mut squares = Vec::new();
    for seed in 0..24 {
        let wave = Wave {
            lines: vec![Line { order: 1, amplitude: 1.0, phase: 0.0 }],
            dc: 0.0,
            gain: 0.5,
            frequency_hz,
            lead: 0.1,
        };
        let mut samples = wave.samples(stored.rate, seconds);
        let mut noise = White::new(seed);
        samples.iter_mut().for_each(|s| *s += 1e-3 * noise.value());
        let take = measure(&samples, stored);
        let frequency = take.figures.get("frequency").unwrap();
        let sd = frequency.half_width().unwrap() / 1.959_964;
        squares.push(((frequency.value.unwrap() - frequency_hz) / sd).powi(2));
    }
    // Chi-square of 24 degrees, 0.1 % at either end (table): 8.085 and 51.18.
    let sum: f64 = squares.iter().sum();
    assert!((8.085..51.18).contains(&sum), "{sum}: {squares:?}");
}
