//! How far a fault moves the figures that an amp is judged by.

use twinload::figure::Quantity;
use twinload::measure::{self, Measured, Plans};
use twinload::signals::Plan;
use twinload::simulate::Recording;
use twinload::takes::detect::Detector;
use twinload::takes::tape::Tape;
use twinload::takes::{Scale, Take};

/// Everything measured, nothing struck out; `None` if the markers are gone.
pub fn measured(recording: &Recording, plan: &Plan) -> Option<Measured> {
    let samples: Vec<f32> = recording.channels[0].iter().map(|&x| x as f32).collect();
    let rate_hz = f64::from(recording.rate_hz);
    let mut detector = Detector::new(rate_hz);
    detector.feed(&samples);
    let hits = detector.finish();
    let take = Take::find(Tape::of(samples), rate_hz, &hits, std::slice::from_ref(plan)).ok()??;
    Some(measure::take(&take, &Scale::default(), &mut Plans::default()))
}

/// Figures in dB.
const LEVELS: [&str; 15] = [
    "gain",
    "drive_at_thd_1_percent",
    "drive_at_thd_3_percent",
    "drive_at_thd_5_percent",
    "drive_at_thd_10_percent",
    "output_at_thd_1_percent",
    "output_at_thd_5_percent",
    "output_at_thd_10_percent",
    "drive_at_1_db_compression",
    "clip_drive_positive",
    "clip_drive_negative",
    "noise",
    "hum_total",
    "ripple",
    "burst_margin",
];

/// Figures in dB that are extrapolated: moved by 0.1 dB and by more than they are known to, since next to nothing makes
/// 0.1 dB of a dip of 7 ± 0.3 dB.
const COURSES: [&str; 2] = ["sag", "recovery_dip"];

/// The largest movement, 1 being 0.1 dB of a level or 1 % of a THD, and of what.
pub fn of(good: &Measured, spoilt: &Recording, plan: &Plan) -> (f64, String) {
    let Some(spoilt) = measured(spoilt, plan) else {
        return (f64::INFINITY, "nothing is found any more".to_owned());
    };
    let mut worst = (0.0, String::new());
    let mut see = |moved: f64, what: &str| {
        if moved > worst.0 {
            worst = (moved, what.to_owned());
        }
    };
    for name in LEVELS {
        match (good.figures.value(name), spoilt.figures.value(name)) {
            (Some(a), Some(b)) => see((a - b).abs() / 0.1, name),
            (Some(_), None) => see(f64::INFINITY, name),
            _ => {}
        }
    }
    for name in COURSES {
        let (Some(a), Some(b)) = (good.figures.get(name), spoilt.figures.get(name)) else { continue };
        // "No dip after the burst": too small to be told is none.
        let told = |q: &Quantity| {
            if q.note.as_ref().is_some_and(|n| n.starts_with("no ")) { 0.0 } else { q.value.unwrap_or(0.0) }
        };
        let half = a.interval.map_or(0.0, |[low, high]| 0.5 * (high - low));
        see((told(a) - told(b)).abs() / half.max(0.1), name);
    }
    let (Some(a), Some(b)) = (good.curves.get("ladder_up"), spoilt.curves.get("ladder_up")) else {
        return (f64::INFINITY, "the ladder".to_owned());
    };
    let column = |curve: &twinload::figure::Curve, name: &str| curve.column(name).unwrap();
    let (output, output_b) = (column(a, "output"), column(b, "output"));
    let (thd, thd_b, floor) = (column(a, "thd"), column(b, "thd"), column(a, "thd_floor"));
    for k in 0..output.len().min(output_b.len()) {
        if let (Some(a), Some(b)) = (output[k], output_b[k]) {
            see((a - b).abs() / 0.1, "output");
        }
        if let (Some(a), Some(b), Some(floor)) = (thd[k], thd_b[k], floor[k]) {
            // Distortion that anybody quotes, well over its noise.
            if a > 0.2 && a > 50.0 * floor {
                see((b / a - 1.0).abs() / 0.01, "thd");
            }
        }
    }
    for name in ["response_low_drive", "response_high_drive"] {
        let points = |m: &Measured| m.curves.get(name).map(|c| c.points("frequency", "magnitude"));
        let (Some(a), Some(b)) = (points(good), points(&spoilt)) else {
            see(f64::INFINITY, name);
            continue;
        };
        for ((f, a), (_, b)) in a.into_iter().zip(b) {
            if (100.0..8000.0).contains(&f) {
                see((a - b).abs() / 0.1, name);
            }
        }
    }
    worst
}
