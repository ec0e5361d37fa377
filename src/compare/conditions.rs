//! What a reader must know of bench and rig, in words; and the voltage charts.

use super::document::{BuildSummary, Condition, Match, Row};
use super::words;
use crate::bench::budget::Budget;
use crate::bench::chart::VoltageChart;
use crate::bench::{Bench, Build, Pad, Rig};
use crate::figure::Unit;
use crate::finding::Finding;
use crate::measure::loopback::response_words;
use crate::rounding;

/// The conditions, in the order of print.
#[must_use]
pub fn of(
    bench: &Bench,
    charts: &[VoltageChart],
    budget: Option<&Budget>,
    rows: &[Row],
    thd: Option<&str>,
    loopback: &[&Finding],
) -> Vec<Condition> {
    let rig = &bench.rig;
    let mut conditions = Vec::new();
    let mut add = |label: &str, text: String| conditions.push(Condition { label: label.to_owned(), text });
    let load = rig.load_ohms.map(|ohms| {
        let tolerance = rig.load_tolerance_percent.map_or(String::new(), |t| format!(" ± {t} %"));
        let rating = rig.load_watts.map_or(String::new(), |w| format!(", rated {w} W"));
        format!("{ohms} Ω{tolerance}{rating}")
    });
    add("Dummy load", load.unwrap_or_else(|| "not noted".to_owned()));
    add("Pad", rig.pad.map_or("not noted".to_owned(), |pad| pad_words(&pad, rig.pad_ratio())));
    let input = rig.input_full_scale_volts.map(|volts| {
        let load = rig
            .load_full_scale_volts()
            .map_or(String::new(), |v| format!(", so {} across the load", rounding::plain(v, Unit::Volts)));
        format!("0 dBFS is {} RMS at the interface's input{load}", rounding::plain(volts, Unit::Volts))
    });
    add(
        "Input calibration",
        input.unwrap_or_else(|| {
            "none: levels are in dBFS, and nothing is claimed in volts or watts".to_owned()
        }),
    );
    let output = rig
        .output_full_scale_volts
        .map(|v| format!("0 dBFS is {} RMS at the amp's input", rounding::plain(v, Unit::Volts)));
    add(
        "Output calibration",
        output.unwrap_or_else(|| "none: drive is in dB re the programme's top".to_owned()),
    );
    if let Some(channel) = rig.drive_channel {
        add("Drive channel", drive_words(channel, rig, rows));
    }
    add("Interface alone", interface_words(rows, loopback));
    add(
        "Mains",
        bench.mains_hz.map_or("frequency found from the recordings".to_owned(), |hz| format!("{hz} Hz")),
    );
    if let Some(thd) = thd {
        add("Distortion", thd.to_owned());
    }
    for setting in &bench.settings {
        let controls = setting.words();
        let text = if controls.is_empty() { "controls not noted".to_owned() } else { controls };
        add(&format!("Setting {}", words::name(&setting.name)), text);
    }
    for left_out in budget.iter().flat_map(|b| &b.left_out) {
        add("Not in the uncertainty", left_out.clone());
    }
    let noticed = |findings: &[Finding]| -> Vec<String> {
        findings.iter().map(|f| format!("{}; {}; {}", f.saw, f.effect, f.advice)).collect()
    };
    for text in noticed(&bench.findings) {
        add("Worth a look", text);
    }
    for text in charts.iter().flat_map(|c| noticed(&c.findings)) {
        add("Voltage chart", text);
    }
    conditions
}

/// How the drive itself was recorded, and what reached the amp's input.
fn drive_words(channel: u32, rig: &Rig, rows: &[Row]) -> String {
    let volts = rig.drive_full_scale_volts.map_or(
        "not calibrated, so it tells no volts: twinload calibrate --drive".to_owned(),
        |v| {
            let known = rig
                .drive_full_scale_uncertainty_percent
                .map_or(String::new(), |p| format!(" ± {p} % (95 %)"));
            format!("0 dBFS is {}{known} RMS at the amp's input", rounding::plain(v, Unit::Volts))
        },
    );
    let row = rows.iter().find(|r| r.quantity == "drive_at_top");
    let seen = row.map_or(String::new(), |row| {
        let each: Vec<String> = row
            .builds
            .iter()
            .zip(&row.value_texts)
            .map(|(b, text)| format!("{} {text}", words::name(b)))
            .collect();
        format!("; at the programme's top: {}", words::list(&each))
    });
    format!("channel {channel}: {volts}{seen}")
}

/// What the loopback says of the interface, or that nobody knows.
fn interface_words(rows: &[Row], loopback: &[&Finding]) -> String {
    let told = |name: &str, words: &str| {
        let of_it = |r: &&Row| r.quantity == name && r.matched == Match::Whole;
        let values = || rows.iter().filter(of_it).flat_map(|r| &r.values);
        let largest = values().filter(|q| q.floor.is_some()).max_by(|a, b| {
            a.floor.unwrap_or(f64::NEG_INFINITY).total_cmp(&b.floor.unwrap_or(f64::NEG_INFINITY))
        })?;
        rounding::floor(largest)
            .map(|text| format!("{words} {}", text.trim_start_matches("interface alone ")))
    };
    let known: Vec<String> = [
        ("thd_at_1_watt", "THD where the amp gives 1 W"),
        ("modulation_distortion", "modulation distortion"),
        ("noise", "noise"),
        ("hum_total", "hum"),
    ]
    .into_iter()
    .filter_map(|(name, words)| told(name, words))
    .collect();
    if let Some(why) = loopback.iter().find(|f| f.code == "loopback_not_used") {
        return format!("not known: {}; {}", why.saw, why.effect);
    }
    if known.is_empty() {
        return "not known, there is no loopback: its distortion, noise and response are in the figures"
            .to_owned();
    }
    let response = response_words(loopback.iter().copied());
    format!("by the loopback: {}; {response}", known.join(", "))
}

fn pad_words(pad: &Pad, ratio: Option<f64>) -> String {
    let divides =
        ratio.map_or(String::new(), |r| format!(", divides by {}", rounding::plain(1.0 / r, Unit::One)));
    match pad {
        Pad::Resistors { top_ohms, bottom_ohms, tolerance_percent } => {
            let tolerance = tolerance_percent.map_or(String::new(), |t| format!(" (± {t} %)"));
            format!("{top_ohms} Ω over {bottom_ohms} Ω{tolerance}{divides} with the input's loading")
        }
        Pad::Measured { measured_with_interface, .. } => {
            let how = if *measured_with_interface {
                "with the interface connected"
            } else {
                "without the interface"
            };
            format!("measured {how}{divides}")
        }
    }
}

/// A build with its voltage chart.
#[must_use]
pub fn build_summary(build: &Build, chart: &VoltageChart) -> BuildSummary {
    BuildSummary {
        name: build.name.clone(),
        note: build.note.clone(),
        output_valve: build.output_valve.clone(),
        chart: chart.lines.clone(),
    }
}
