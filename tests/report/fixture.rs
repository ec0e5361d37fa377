//! An invented comparison of two builds with believable curves: a static stage
//! with a soft, lopsided limit, worked out harmonic by harmonic. Nothing here
//! was measured.

use std::f64::consts::{SQRT_2, TAU};

use twinload::compare::document::*;
use twinload::figure::{Curve, Quantity, Unit};
use twinload::units::{db, from_db};

pub const FULL: &str = "full";
pub const NOON: &str = "noon";
const LOAD_OHMS: f64 = 8.0;

/// One invented build: gain, limits of the two halves in volts peak, how hard they are.
#[derive(Clone, Copy)]
struct Stage {
    gain: f64,
    up_volts: f64,
    down_volts: f64,
    hardness: f64,
    low_hz: f64,
    high_hz: f64,
    output_ohms: f64,
    sag_db: f64,
}

const AS_DRAWN: Stage = Stage {
    gain: 40.0,
    up_volts: 9.6,
    down_volts: 8.2,
    hardness: 3.0,
    low_hz: 70.0,
    high_hz: 9000.0,
    output_ohms: 9.5,
    sag_db: 1.3,
};
const REWORK: Stage = Stage {
    gain: 36.0,
    up_volts: 10.4,
    down_volts: 10.0,
    hardness: 4.5,
    low_hz: 58.0,
    high_hz: 10_500.0,
    output_ohms: 6.8,
    sag_db: 0.7,
};

impl Stage {
    fn out(&self, volts: f64) -> f64 {
        let y = self.gain * volts;
        let limit = if y > 0.0 { self.up_volts } else { self.down_volts };
        let y = y + 0.004 * y * y;
        y / (1.0 + (y.abs() / limit).powf(self.hardness)).powf(1.0 / self.hardness)
    }

    fn cycle(&self, peak: f64, points: usize) -> Vec<f64> {
        (0..points).map(|k| self.out(peak * (TAU * k as f64 / points as f64).sin())).collect()
    }

    /// Peak amplitudes of DC and the first ten harmonics.
    fn harmonics(&self, peak: f64) -> Vec<f64> {
        let cycle = self.cycle(peak, 512);
        (0..=10)
            .map(|n| {
                let (mut re, mut im) = (0.0, 0.0);
                for (k, y) in cycle.iter().enumerate() {
                    let angle = TAU * (n * k) as f64 / 512.0;
                    re += y * angle.cos();
                    im += y * angle.sin();
                }
                re.hypot(im) / 256.0
            })
            .collect()
    }
}

pub fn name(build: usize) -> &'static str {
    ["as-drawn", "rework"][build]
}

fn ladder(stage: Stage, offset_db: f64, from_db_: i32, repeats: bool) -> Curve {
    let mut columns = vec![
        ("drive", Unit::Decibels),
        ("drive_volts", Unit::Volts),
        ("output", Unit::Volts),
        ("power", Unit::Watts),
        ("gain", Unit::Decibels),
        ("thd", Unit::Percent),
    ];
    let names: Vec<String> = (2..=10).map(|n| format!("harmonic_{n}")).collect();
    columns.extend(names.iter().map(|n| (n.as_str(), Unit::Percent)));
    if repeats {
        columns.push(("thd_low", Unit::Percent));
        columns.push(("thd_high", Unit::Percent));
    }
    let mut curve = Curve::new(&columns);
    for half in 2 * from_db_..=0 {
        let drive = f64::from(half) * 0.5;
        let peak = 1.2 * SQRT_2 * from_db(drive + offset_db);
        let h = stage.harmonics(peak);
        let rms = h[1..].iter().map(|a| a * a / 2.0).sum::<f64>().sqrt();
        let thd = 100.0 * h[2..].iter().map(|a| a * a).sum::<f64>().sqrt() / h[1];
        let mut row = vec![drive, peak / SQRT_2, rms, rms * rms / LOAD_OHMS, db(h[1] / peak), thd];
        row.extend(h[2..].iter().map(|a| 100.0 * a / h[1]));
        if repeats {
            row.extend([thd * 0.96, thd * 1.04]);
        }
        curve.push(row);
    }
    curve
}

fn response(stage: Stage, repeats: bool) -> Curve {
    let mut columns = vec![
        ("frequency", Unit::Hertz),
        ("magnitude", Unit::Decibels),
        ("phase", Unit::Degrees),
        ("group_delay", Unit::Seconds),
    ];
    if repeats {
        columns.push(("magnitude_low", Unit::Decibels));
        columns.push(("magnitude_high", Unit::Decibels));
    }
    let mut curve = Curve::new(&columns);
    let at = |f: f64| {
        let bump = 3.0 * (-((f / 110.0).ln() / 0.5).powi(2)).exp() * stage.output_ohms / 10.0;
        -db((1.0 + (stage.low_hz / f).powi(2)).sqrt()) - db((1.0 + (f / stage.high_hz).powi(4)).sqrt()) + bump
    };
    for k in 0..240 {
        let f = 20.0 * 1000f64.powf(f64::from(k) / 239.0);
        let magnitude = at(f) - at(1000.0);
        let phase = ((stage.low_hz / f).atan() - 2.0 * (f / stage.high_hz).atan()).to_degrees();
        let mut row = vec![f, magnitude, phase, 1e-4];
        if repeats {
            let half = 0.05 + 0.4 * (60.0 / f).min(1.0);
            row.extend([magnitude - half, magnitude + half]);
        }
        curve.push(row);
    }
    curve
}

fn difference(a: &Curve, b: &Curve) -> Curve {
    let mut curve = Curve::new(&[
        ("frequency", Unit::Hertz),
        ("difference", Unit::Decibels),
        ("difference_low", Unit::Decibels),
        ("difference_high", Unit::Decibels),
    ]);
    for ((f, x), (_, y)) in a.points("frequency", "magnitude").iter().zip(b.points("frequency", "magnitude"))
    {
        let half = 0.08 + 0.5 * (60.0 / f).min(1.0);
        curve.push([*f, y - x, y - x - half, y - x + half]);
    }
    curve
}

fn harmonics_by_frequency(stage: Stage) -> Curve {
    let mut curve = Curve::new(&[
        ("frequency", Unit::Hertz),
        ("harmonic_2", Unit::Percent),
        ("harmonic_3", Unit::Percent),
        ("harmonic_4", Unit::Percent),
        ("harmonic_5", Unit::Percent),
    ]);
    for k in 0..150 {
        let f = 20.0 * 1000f64.powf(f64::from(k) / 149.0);
        let h = stage.harmonics(0.25 * (1.0 + (90.0 / f).powi(2)));
        let mut row = vec![f];
        row.extend((2..=5).map(|n| if f * n as f64 > 20_000.0 { f64::NAN } else { 100.0 * h[n] / h[1] }));
        curve.push(row);
    }
    curve
}

fn noise_spectrum(build: usize) -> Curve {
    let mut curve = Curve::new(&[("frequency", Unit::Hertz), ("level", Unit::DbVolt)]);
    for k in 0..600 {
        let f = 10.0 * 2000f64.powf(f64::from(k) / 599.0);
        let mut level = -98.0 - 6.0 * (f / 100.0).log10() + 2.0 * (f64::from(k * 7919 % 101) / 101.0 - 0.5);
        for line in 1..=12 {
            let centre = 50.0 * f64::from(line);
            let tall = if line % 2 == 0 { 38.0 } else { 22.0 } - 1.8 * f64::from(line) - 4.0 * build as f64;
            let width: f64 = (f - centre) / (0.012 * centre);
            level = level.max(-98.0 + tall - 6.0 * width * width);
        }
        curve.push([f, level]);
    }
    curve
}

fn burst(stage: Stage) -> Curve {
    let mut curve = Curve::new(&[("time", Unit::Seconds), ("level", Unit::Decibels)]);
    for k in 0..600 {
        let t = f64::from(k) * 0.005 - 0.5;
        let level = if t < 0.0 {
            -24.0
        } else if t < 1.0 {
            stage.sag_db * (-t / 0.12).exp()
        } else {
            -24.0 - 0.5 * stage.sag_db * (-(t - 1.0) / 0.25).exp()
        };
        curve.push([t, level]);
    }
    curve
}

fn impedance(stage: Stage) -> Curve {
    let mut curve =
        Curve::new(&[("frequency", Unit::Hertz), ("magnitude", Unit::Ohms), ("phase", Unit::Degrees)]);
    for k in 0..120 {
        let f = 40.0 * 200f64.powf(f64::from(k) / 119.0);
        let z = stage.output_ohms * (1.0 + (60.0 / f).powi(2)).sqrt() / (1.0 + (f / 12_000.0).powi(2)).sqrt();
        curve.push([f, z, -(f / 12_000.0).atan().to_degrees()]);
    }
    curve
}

fn waveform(stage: Stage, peak: f64) -> Curve {
    let mut curve = Curve::new(&[("phase", Unit::Degrees), ("output", Unit::Volts), ("clipped", Unit::One)]);
    for (k, y) in stage.cycle(peak, 180).into_iter().cycle().take(181).enumerate() {
        let clipped = y > 0.88 * stage.up_volts || y < -0.88 * stage.down_volts;
        curve.push([2.0 * k as f64, y, f64::from(u8::from(clipped))]);
    }
    curve
}

fn chord(build: usize) -> Curve {
    let mut curve =
        Curve::new(&[("frequency", Unit::Hertz), ("level", Unit::Decibels), ("order", Unit::One)]);
    let less = 5.0 * build as f64;
    for (f, level, order) in [
        (82.4, 0.0, 1.0),
        (125.1, -0.4, 1.0),
        (42.7, -31.0 - less, 2.0),
        (207.5, -29.0 - less, 2.0),
        (39.7, -41.0 - less, 3.0),
        (167.8, -39.5 - less, 3.0),
        (289.9, -43.0, 3.0),
        (332.6, -44.0, 3.0),
        (250.2, -52.0, 4.0),
    ] {
        curve.push([f, level, order]);
    }
    curve
}

fn products(build: usize) -> Curve {
    let mut curve =
        Curve::new(&[("frequency", Unit::Hertz), ("level", Unit::Decibels), ("order", Unit::One)]);
    let less = 4.0 * build as f64;
    for (f, level, order) in [
        (70.0, 0.0, 1.0),
        (7000.0, -12.0, 1.0),
        (6930.0, -34.0 - less, 2.0),
        (7070.0, -34.6 - less, 2.0),
        (6860.0, -48.0 - 0.5 * less, 3.0),
        (7140.0, -48.4 - 0.5 * less, 3.0),
        (6790.0, -61.0, 4.0),
        (7210.0, -61.5, 4.0),
    ] {
        curve.push([f, level, order]);
    }
    curve
}

/// A row with texts as the comparison would round them.
#[allow(clippy::too_many_arguments)]
fn row(
    quantity: &str,
    label: &str,
    setting: &str,
    matched: Match,
    at: Option<Quantity>,
    values: [f64; 2],
    unit: Unit,
    standing: Standing,
) -> Row {
    let decimals = if unit == Unit::Hertz { 0 } else { 2 };
    let difference = values[1] - values[0];
    let half = 0.04 * values[0].abs();
    let one = setting == NOON;
    let quantity_of =
        |v: f64| if one { Quantity::new(v, unit) } else { Quantity::new(v, unit).plus_minus(half / 2.0) };
    let text = |v: f64| {
        let number = format!("{v:.decimals$}").replace('-', "−");
        if one {
            format!("{number} {}", unit.symbol())
        } else {
            format!("{number} ± {:.decimals$} {}", half / 2.0, unit.symbol())
        }
    };
    Row {
        quantity: quantity.into(),
        label: label.into(),
        setting: setting.into(),
        matched,
        matched_at: at,
        builds: [name(0).into(), name(1).into()],
        values: values.map(quantity_of).to_vec(),
        takes: if one { [1, 1] } else { [3, 3] },
        difference: Quantity::new(difference, unit),
        expressed: Expressed::Plain,
        standing,
        relevant: Some(difference.abs() > half),
        threshold: Some("0.5 dB".into()),
        headline: matched == Match::Whole,
        p_value: (!one).then_some(0.003),
        value_texts: values.map(text).to_vec(),
        difference_text: text(difference),
    }
}

fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    for setting in [FULL, NOON] {
        let usual = if setting == FULL { Standing::Real } else { Standing::OneTakeOnly };
        let mut whole = |quantity: &str, label: &str, values, unit, standing| {
            rows.push(row(quantity, label, setting, Match::Whole, None, values, unit, standing));
        };
        whole("gain", "Gain at small signals", [32.04, 31.13], Unit::Decibels, usual);
        whole("power_at_thd_1_percent", "Clean power (1 % THD)", [0.61, 1.42], Unit::Watts, usual);
        whole("power_at_thd_3_percent", "Clean power (3 % THD)", [1.9, 2.9], Unit::Watts, usual);
        whole("power_at_thd_5_percent", "Clean power (5 % THD)", [2.7, 3.9], Unit::Watts, usual);
        whole("power_at_thd_10_percent", "Power at 10 % THD", [3.9, 5.1], Unit::Watts, usual);
        whole("cranked_power", "Cranked power", [6.6, 8.9], Unit::Watts, usual);
        let within = if setting == FULL { Standing::WithinRepeats } else { Standing::OneTakeOnly };
        whole("clip_drive_positive", "Clip point, positive half", [-16.1, -13.9], Unit::Decibels, usual);
        whole("clip_drive_negative", "Clip point, negative half", [-17.4, -14.2], Unit::Decibels, usual);
        whole("low_corner", "Low corner", [49.0, 44.0], Unit::Hertz, within);
        whole("sag", "Sag", [1.3, 0.7], Unit::Decibels, usual);
        whole("hum_total", "Hum", [2.1, 1.4], Unit::Millivolts, within);
        let at = |watts: f64| Some(Quantity::new(watts, Unit::Watts));
        for (n, a, b) in [
            (2, 1.9, 0.9),
            (3, 0.8, 0.35),
            (4, 0.21, 0.08),
            (5, 0.12, 0.03),
            (6, 0.04, 0.02),
            (7, 0.02, 0.01),
        ] {
            for watts in [1.0, 5.0] {
                rows.push(row(
                    &format!("harmonic_{n}"),
                    &format!("H{n} at {watts} W"),
                    setting,
                    Match::SamePower,
                    at(watts),
                    [a * watts, b * watts.sqrt()],
                    Unit::Percent,
                    usual,
                ));
            }
        }
    }
    rows
}

/// The whole of it.
pub fn comparison() -> Comparison {
    let stages = [AS_DRAWN, REWORK];
    let mut curves = Vec::new();
    for setting in [FULL, NOON] {
        let full = setting == FULL;
        let mut add = |build: usize, curve: &str, data| {
            curves.push(BuildCurve {
                build: name(build).into(),
                setting: setting.into(),
                curve: curve.into(),
                matched_at: (curve == "waveform").then(|| Quantity::new(5.0, Unit::Watts)),
                data,
            });
        };
        for (build, stage) in stages.into_iter().enumerate() {
            add(build, "ladder_up", ladder(stage, if full { 0.0 } else { -6.0 }, -45, full));
            add(build, "ladder_down", ladder(Stage { gain: stage.gain * 0.99, ..stage }, 0.0, -20, false));
            add(build, "response_low_drive", response(stage, full));
            add(build, "harmonics_by_frequency", harmonics_by_frequency(stage));
            add(build, "noise_spectrum", noise_spectrum(build));
            add(build, "burst_envelope", burst(stage));
            add(build, "waveform", waveform(stage, if build == 0 { 0.32 } else { 0.31 }));
            if full {
                add(build, "output_impedance", impedance(stage));
                add(build, "products_modulation_high", products(build));
                add(build, "products_modulation_low", products(build));
                add(build, "products_chord_high", chord(build));
                add(
                    build,
                    "low_e_ladder",
                    ladder(Stage { up_volts: 7.9, hardness: 2.2, ..stage }, 0.0, -20, full),
                );
            }
        }
        add(1, "response_difference", difference(&response(AS_DRAWN, false), &response(REWORK, false)));
    }
    let chart_line = |point: &str, measured, expected, note: Option<&str>| ChartLine {
        point: point.into(),
        measured,
        expected,
        note: note.map(Into::into),
    };
    let build = |at: usize, note: &str, valve: &str, plate: f64, cathode: f64| BuildSummary {
        name: name(at).into(),
        note: Some(note.into()),
        output_valve: Some(valve.into()),
        chart: vec![
            chart_line("plate", Quantity::new(plate, Unit::Volts), Quantity::new(315.0, Unit::Volts), None),
            chart_line(
                "cathode",
                Quantity::new(cathode, Unit::Volts),
                Quantity::new(19.0, Unit::Volts),
                None,
            ),
            chart_line(
                "plate dissipation",
                Quantity::new(12.1 + at as f64, Unit::Watts),
                Quantity::missing(Unit::Watts, "no limit given"),
                Some("screen share assumed 5 % of cathode current (common practice, no source)"),
            ),
        ],
    };
    let recording = |build: usize, setting: &str, repeat: usize| Recording {
        file: format!("takes/{}-{setting}-{repeat}.wav", name(build)),
        sha256: Some(format!("{:064x}", 0xfeed_u64 * (build as u64 + 3) * repeat as u64)),
        build: name(build).into(),
        setting: setting.into(),
        state: "fit".into(),
        used: true,
        findings: vec![],
        struck: vec![],
    };
    Comparison {
        schema: SCHEMA.into(),
        version: "0.1.0".into(),
        title: "Heron 6: output valve and bias".into(),
        simulated: true,
        builds: vec![
            build(0, "6L6GC, cathode bias", "6L6GC", 321.0, 18.7),
            build(1, "KT66, new cathode resistor", "KT66", 318.0, 20.2),
        ],
        settings: vec![
            SettingSummary { name: FULL.into(), controls: "volume 10, tone 5".into(), takes: vec![3, 3] },
            SettingSummary { name: NOON.into(), controls: "volume 5, tone 5".into(), takes: vec![1, 1] },
        ],
        rows: rows(),
        sentences: vec![
            Sentence {
                text: "At full, rework gives 3.9 W before distortion reaches 5 %, where as-drawn gives 2.7 W: 1.6 ± 0.1 dB more.".into(),
                quantity: "power_at_thd_5_percent".into(),
                setting: FULL.into(),
                standing: Some(Standing::Real),
            },
            Sentence {
                text: "No difference in hum was shown at full: 2.1 mV and 1.4 mV lie within the scatter of the repeats.".into(),
                quantity: "hum_total".into(),
                setting: FULL.into(),
                standing: Some(Standing::WithinRepeats),
            },
            Sentence {
                text: "At noon there is one take of each build, so nothing can be said of scatter.".into(),
                quantity: "gain".into(),
                setting: NOON.into(),
                standing: Some(Standing::OneTakeOnly),
            },
        ],
        fairness: vec![
            FairnessLine {
                code: "same_programme".into(),
                title: "Same programme".into(),
                kept: Some(true),
                saw: "all 8 recordings carry the programme 3fa2".into(),
                effect: None,
            },
            FairnessLine {
                code: "mains_voltage".into(),
                title: "Same mains voltage".into(),
                kept: Some(false),
                saw: "as-drawn at 229.8 V, rework at 235.5 V: 2.5 % apart".into(),
                effect: Some("output power follows roughly the square: 0.2 dB of the difference may be the mains".into()),
            },
            FairnessLine {
                code: "warm_up".into(),
                title: "Warm-up alike".into(),
                kept: None,
                saw: "no take says how long the amp had been on".into(),
                effect: Some("an amp still warming up drifts".into()),
            },
        ],
        suspects: vec![Suspect {
            code: "one_valve".into(),
            title: "One sample of each valve".into(),
            setting: None,
            saw: "one 6L6GC and one KT66 were measured".into(),
            means: "the difference may be between these two valves, not between the types".into(),
        }],
        curves,
        hum_origins: Vec::new(),
        recordings: [FULL, FULL, FULL, NOON]
            .iter()
            .enumerate()
            .flat_map(|(at, setting)| [recording(0, setting, at + 1), recording(1, setting, at + 1)])
            .collect(),
        conditions: vec![
            Condition { label: "Dummy load".into(), text: "8.0 Ω ± 1 %, rated 50 W".into() },
            Condition { label: "Mains".into(), text: "50 Hz".into() },
        ],
        drive_uncertainty_percent: Some(2.0),
        budget: vec![BudgetLine {
            source: "load resistance".into(),
            power_percent: 0.58,
            detail: "± 1 %, rectangular".into(),
        }],
    }
}

/// The same with names that try to break out of wherever they are written.
pub fn hostile() -> Comparison {
    let bad = [
        format!("=HYPERLINK(\"x\")<script>alert(1)</script>&amp;'\"{}", "x".repeat(150)),
        "\u{202E}שלום 😀 日本 --> ]]> \u{0}\u{7}</title>".to_owned(),
    ];
    let mut comparison = comparison();
    comparison.title = format!("@SUM(A1) <img src=x onerror=alert(2)> {}", bad[1]);
    let renamed = |name: &str| if name == self::name(0) { bad[0].clone() } else { bad[1].clone() };
    for build in &mut comparison.builds {
        build.name = renamed(&build.name);
        build.note = Some("-1+1|cmd' <b>".into());
    }
    for row in &mut comparison.rows {
        row.builds = [bad[0].clone(), bad[1].clone()];
        row.setting = format!("+{}", row.setting);
    }
    for curve in &mut comparison.curves {
        curve.build = renamed(&curve.build);
        curve.setting = format!("+{}", curve.setting);
    }
    for setting in &mut comparison.settings {
        setting.name = format!("+{}", setting.name);
        setting.controls = "</td><td onclick=alert(3)>".into();
    }
    for sentence in &mut comparison.sentences {
        sentence.setting = format!("+{}", sentence.setting);
        sentence.text = format!("{} {}", bad[0], sentence.text);
    }
    for recording in &mut comparison.recordings {
        recording.build = renamed(&recording.build);
        recording.setting = format!("+{}", recording.setting);
        recording.file = format!("takes/\"><svg onload=alert(4)>{}", recording.file);
    }
    comparison
}
