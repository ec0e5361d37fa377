//! Gain, delay, polarity, DC, leading silence, the other channel, the clock and the sample rate change no figure that
//! they should not: one amp, recorded in ten ways, each through a file.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::path::Path;

use support::Stored;
use twinload::analyse;
use twinload::analysis::TakeAnalysis;
use twinload::bench::Bench;
use twinload::figure::{Quantity, Unit};
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Band, Chain, HardClip, Hum, Polynomial, Recorder, take};

/// One half clips before the other, harmonics of both kinds, corners inside the band.
fn amp() -> Chain {
    Chain(vec![
        Box::new(Polynomial(vec![1.0, 0.05, -0.03])),
        Box::new(HardClip { low: -0.4, high: 0.33 }),
        Box::new(Band::new(80.0, 8000.0)),
    ])
}

fn recorder() -> Recorder {
    Recorder {
        oversample: 8,
        latency_seconds: 0.31,
        tail_seconds: 0.4,
        units_per_output: 1.4,
        noise_rms: 1e-5,
        hum: Some(Hum { mains_hz: 50.03, peak: 1e-3, lines: 12 }),
        bits: Some(24),
        ..Recorder::default()
    }
}

/// What stands on the channels of the file.
#[derive(Clone, Copy)]
enum Channels {
    /// The amp alone.
    One,
    /// The amp first, something loud beside it.
    First,
    /// Something loud first, the amp beside it.
    Second,
}

fn analysed(recorder: &Recorder, channels: Channels) -> TakeAnalysis {
    // The same noise in every hertz, whatever the rate.
    let noise_rms = recorder.noise_rms * (f64::from(recorder.rate_hz) / 48_000.0).sqrt();
    let own = Recorder { noise_rms, ..recorder.clone() };
    let (rate, samples) = take(&Plan::short(&Choices::default()), &mut amp(), &own);
    let samples: Vec<f64> = samples.into_iter().map(|s| s.clamp(-0.999_999, 0.999_999)).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let stored = Stored { rate, bits: 24, float: false };
    match channels {
        Channels::One => support::write_wav(&path, &samples, stored),
        Channels::First => two_channels(&path, &samples, 0, rate),
        Channels::Second => two_channels(&path, &samples, 1, rate),
    }
    // The rig knows its gain: volts and watts stay.
    let channel = if matches!(channels, Channels::Second) { 2 } else { 1 };
    let text = format!(
        "[bench]\ntitle = \"One amp\"\n[rig]\nload_ohms = 8.0\nchannel = {channel}\n\
         pad = {{ divides_by = 10.0, measured_with_interface = true }}\ninput_full_scale_volts = {:.9}\n\
         output_full_scale_volts = 1.0\n\
         [[build]]\nname = \"a\"\n[setting.full]\nvolume = \"10\"\n\
         [[take]]\nfile = \"take.wav\"\nbuild = \"a\"\nsetting = \"full\"\n",
        2.0 / recorder.units_per_output.abs()
    );
    std::fs::write(folder.path().join("bench.toml"), text).unwrap();
    analyse::bench(&Bench::open(folder.path()).unwrap()).unwrap().takes.remove(0)
}

/// The amp on channel `at`, from 0; on the other a loud sawtooth that has nothing to do with it.
fn two_channels(path: &Path, samples: &[f64], at: usize, rate: u32) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for (n, sample) in samples.iter().enumerate() {
        let other = 0.8 * ((n as f64 * 0.003_71).fract() - 0.5);
        for value in if at == 0 { [*sample, other] } else { [other, *sample] } {
            writer.write_sample((value * 8_388_608.0).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// All single figures, the intermodulation of each pair and the mains lines.
fn figures(take: &TakeAnalysis) -> Vec<(String, Quantity)> {
    let mut all: Vec<(String, Quantity)> =
        take.figures.quantities.iter().map(|(n, q)| (n.clone(), q.clone())).collect();
    for i in &take.figures.intermodulation {
        for (name, q) in [("d2", &i.d2), ("d3", &i.d3), ("total", &i.total)] {
            all.push((format!("{name} of {:?} at {:?}", i.pair, i.level), q.clone()));
        }
    }
    all.extend(
        take.figures.hum_lines.iter().take(12).map(|l| (format!("line {}", l.order), l.level.clone())),
    );
    all
}

/// What the method itself may err by, beside the interval from noise: methods §11, "bench".
fn method(name: &str, value: f64, unit: Unit) -> f64 {
    match unit {
        _ if name.contains("corner") || name.contains("bandwidth") => 3e-3 * value,
        // The quiet of the short programme has 1.1 s instead of 4.
        Unit::Hertz => 50e-6 * value,
        // Drive at 1 % THD in steps of the short programme's ladder; elsewhere finer.
        Unit::Decibels | Unit::DbFullScale if name.contains("1_percent") || name.contains("clip") => 0.08,
        Unit::Decibels | Unit::DbFullScale => 0.03,
        // The same as watts, volts and millivolts.
        Unit::Watts if name.contains("1_percent") || name.contains("clip") => 0.02 * value,
        Unit::Watts => 0.007 * value,
        Unit::Volts | Unit::Millivolts => 0.0035 * value,
        Unit::Percent => 5e-3 * value + 1e-3,
        Unit::Seconds => 0.05 * value,
        // A count of harmonics.
        Unit::One => 0.0,
        unit => panic!("{name}: {unit:?}"),
    }
}

#[test]
fn no_figure_moves_that_should_not() {
    let first = analysed(&recorder(), Channels::One);
    let quiet = 0.25 / 1.4;
    let hum = |peak: f64| Some(Hum { mains_hz: 50.03, peak, lines: 12 });
    let ways: [(&str, Recorder, Channels); 11] = [
        (
            "gain",
            Recorder {
                units_per_output: 0.25,
                noise_rms: 1e-5 * quiet,
                hum: hum(1e-3 * quiet),
                ..recorder()
            },
            Channels::One,
        ),
        ("polarity", Recorder { units_per_output: -1.4, ..recorder() }, Channels::One),
        ("delay", Recorder { latency_seconds: 0.312_345_6, ..recorder() }, Channels::One),
        ("leading silence", Recorder { latency_seconds: 12.7, ..recorder() }, Channels::One),
        ("an offset", Recorder { dc: 0.02, ..recorder() }, Channels::One),
        ("another clock", Recorder { clock_ppm: -173.0, ..recorder() }, Channels::One),
        ("44.1 kHz", Recorder { rate_hz: 44_100, ..recorder() }, Channels::One),
        ("96 kHz", Recorder { rate_hz: 96_000, oversample: 4, ..recorder() }, Channels::One),
        ("192 kHz", Recorder { rate_hz: 192_000, oversample: 2, ..recorder() }, Channels::One),
        ("a second channel", recorder(), Channels::First),
        ("the other channel", recorder(), Channels::Second),
    ];
    let mut moved = Vec::new();
    let known = figures(&first);
    let missing: Vec<_> = known.iter().filter(|(_, q)| q.value.is_none()).collect();
    assert!(known.len() - missing.len() > 60, "{missing:#?}");
    for (what, recorder, channels) in ways {
        let other = analysed(&recorder, channels);
        let found = figures(&other);
        let names = |all: &[(String, Quantity)]| all.iter().map(|f| f.0.clone()).collect::<Vec<_>>();
        assert_eq!(names(&known), names(&found), "{what}");
        for ((name, a), (_, b)) in known.iter().zip(&found) {
            if matches!(channels, Channels::First | Channels::Second) {
                // The same samples: the same to the last bit.
                assert_eq!(a, b, "{what}: {name}");
                continue;
            }
            let (Some(from), Some(to)) = (a.value, b.value) else {
                if a.value.is_some() != b.value.is_some() {
                    moved.push(format!("{what}: {name} went from {a:?} to {b:?}"));
                }
                continue;
            };
            // Two takes of one amp, each with its own noise: three half widths of 95 % are four standard deviations.
            let noise = 1.5 * (a.half_width().unwrap_or(0.0) + b.half_width().unwrap_or(0.0));
            let allowed = noise + method(name, from.abs(), a.unit);
            if (to - from).abs() > allowed {
                moved.push(format!("{what}: {name} went from {from} to {to}, {allowed} allowed ({a:?})"));
            }
        }
        // Harmonics with their phases, at the top step: a change of polarity turns nothing (methods: the amp's sign
        // is taken out first).
        for (a, b) in first.figures.harmonics.iter().zip(&other.figures.harmonics).take(10) {
            let (Some(ra), Some(rb)) = (a.ratio.value, b.ratio.value) else { continue };
            if (rb / ra - 1.0).abs() > 0.01 {
                moved.push(format!("{what}: H{} went from {ra} to {rb} %", a.order));
            }
            let (Some(pa), Some(pb)) = (a.phase.value, b.phase.value) else { continue };
            if support::turn(pb, pa).abs() > 1.0 {
                moved.push(format!("{what}: phase of H{} went from {pa} to {pb}", a.order));
            }
        }
        assert_eq!(other.polarity, Some(if what == "polarity" { -1 } else { 1 }), "{what}");
    }
    assert!(moved.is_empty(), "{moved:#?}");
}
