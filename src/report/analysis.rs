//! The analysis for people and programs: a table on the terminal, every figure
//! as CSV (long form), the whole document as JSON.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::table::{Table, wrapped};
use super::text::{for_spreadsheet, for_terminal, shortened};
use crate::analysis::{Analysis, RecordingKind, Strike, TakeAnalysis};
use crate::figure::Quantity;
use crate::files;
use crate::finding::Fitness;
use crate::measure::loopback::response_words;
use crate::rounding;

/// Columns of the summary: head, figure.
const SUMMARY: [(&str, &str); 9] = [
    ("W 5%", "power_at_thd_5_percent"),
    ("W 10%", "power_at_thd_10_percent"),
    ("gain", "gain"),
    ("THD 1W", "thd_at_1_watt"),
    ("low Hz", "low_corner"),
    ("high Hz", "high_corner"),
    ("hum", "hum_total"),
    ("sag", "sag"),
    ("drift", ""),
];

/// Figures of one recording come in this order; what is not named follows by name.
const ORDER: [&str; 24] = [
    "frequency",
    "level",
    "output",
    "power",
    "power_fundamental",
    "thd",
    "thd_r",
    "thd_n",
    "sinad",
    "even_harmonics",
    "odd_harmonics",
    "gain",
    "power_at_thd_1_percent",
    "power_at_thd_3_percent",
    "power_at_thd_5_percent",
    "power_at_thd_10_percent",
    "power_at_1_db_compression",
    "cranked_power",
    "clip_drive_positive",
    "clip_drive_negative",
    "clip_power",
    "sensitivity",
    "onset_span",
    "thd_at_1_watt",
];

/// One line a take with the figures that the trade quotes, then every finding.
///
/// # Errors
/// What the writer gives.
pub fn summary(analysis: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let heads = ["take", "use"].into_iter().chain(SUMMARY.iter().map(|(head, _)| *head));
    let mut table = Table::new(heads);
    for (at, take) in analysis.takes.iter().enumerate() {
        let mut cells = vec![(at + 1).to_string(), short_fitness(take).to_owned()];
        for (_, name) in SUMMARY {
            let quantity = if name.is_empty() { take.clock_drift.as_ref() } else { take.figures.get(name) };
            cells.push(quantity.and_then(|q| q.value).map_or_else(|| "–".to_owned(), short));
        }
        table.row(cells);
    }
    table.write(out)?;
    writeln!(out)?;
    for (at, take) in analysis.takes.iter().enumerate() {
        let of = [take.build.as_deref(), take.setting.as_deref()].map(|t| t.unwrap_or("–"));
        writeln!(out, "{}  {}, {}: {}", at + 1, of[0], of[1], for_terminal(&take.file))?;
        faults(take, out)?;
    }
    super::origins::terminal(&analysis.hum_origins, out)?;
    drives(analysis, out)?;
    interface(analysis, out)?;
    writeln!(out)?;
    let counted = analysis.takes.iter().find_map(|t| t.figures.get("thd_highest_order")?.note.clone());
    for line in counted.iter().flat_map(|note| wrapped(&format!("{note}."), 80)) {
        writeln!(out, "{line}")?;
    }
    let in_full_scale = |t: &TakeAnalysis| {
        let level = ["hum_total", "noise"].into_iter().find_map(|name| t.figures.get(name));
        level.is_some_and(|q| q.unit == crate::figure::Unit::DbFullScale)
    };
    let words = if analysis.takes.iter().any(in_full_scale) {
        "Not calibrated: hum is dBFS, gain is recording over signal in dB, and there are no watts; twinload calibrate \
         gives volts. Sag dB, drift ppm of the recorder's clock. – means not measured; the reason is in the files."
    } else {
        "Powers are watts of the whole waveform at 5 and 10 % THD, gain dB, THD at 1 W per cent, hum mV, sag dB, \
         drift ppm of the recorder's clock. – means not measured; the reason is in the files."
    };
    for line in wrapped(words, 80) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// The drive at the programme's top where it was recorded beside the amp, takes alike together.
fn drives(analysis: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let mut told: Vec<(String, Vec<String>)> = Vec::new();
    for (at, take) in analysis.takes.iter().enumerate() {
        let Some(quantity) = take.figures.get("drive_at_top") else { continue };
        let (text, number) = (rounding::text(quantity), (at + 1).to_string());
        match told.iter_mut().find(|(t, _)| *t == text) {
            Some((_, takes)) => takes.push(number),
            None => told.push((text, vec![number])),
        }
    }
    if !told.is_empty() {
        let each: Vec<String> =
            told.iter().map(|(text, takes)| format!("{text} (take {})", takes.join(", "))).collect();
        let line = format!("drive at top, at the amp's input, as recorded: {}", each.join("; "));
        writeln!(out)?;
        for line in wrapped(&line, 80) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// What a loopback says of the interface: the least clear of each figure that is in the table.
fn interface(analysis: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let words = [("thd_at_1_watt", "THD 1W"), ("noise", "noise"), ("hum_total", "hum")];
    let told = words.into_iter().filter_map(|(name, words)| {
        let figures = analysis.takes.iter().filter_map(|t| t.figures.get(name));
        let floor = |q: &Quantity| q.floor.unwrap_or(f64::NEG_INFINITY);
        let largest = figures.filter(|q| q.floor.is_some()).max_by(|a, b| floor(a).total_cmp(&floor(b)))?;
        Some(format!("{words} {}", rounding::floor(largest)?.trim_start_matches("interface alone ")))
    });
    let told: Vec<String> = told.collect();
    if !told.is_empty() {
        writeln!(out)?;
        let all = || analysis.takes.iter().flat_map(|t| &t.findings);
        let response = response_words(all());
        let bent =
            all().find(|f| f.code == "loopback_not_straight").map(|f| format!(" {}; {}.", f.saw, f.effect));
        let line = format!(
            "interface alone, by the loopback: {}; {response}. Figure by figure in the files.{}",
            told.join(", "),
            bent.map_or_else(String::new, |bent| format!(" NOT STRAIGHT:{bent}"))
        );
        for line in wrapped(&line, 80) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// Everything of one recording.
///
/// # Errors
/// What the writer gives.
pub fn whole(take: &TakeAnalysis, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}: {}", for_terminal(&take.file), kind_words(take))?;
    faults(take, out)?;
    let mut table = Table::new(["figure", "value", "remark"]);
    let named = ORDER.iter().filter_map(|name| Some((*name, take.figures.get(name)?)));
    let rest = take
        .figures
        .quantities
        .iter()
        .filter(|(name, _)| !ORDER.contains(&name.as_str()))
        .map(|(name, quantity)| (name.as_str(), quantity));
    for (name, quantity) in named.chain(rest) {
        table.row([name.replace('_', " "), text(quantity), remark(quantity)]);
    }
    if !table.is_empty() {
        writeln!(out)?;
        table.write(out)?;
    }
    harmonics(take, out)?;
    products(take, out)?;
    let scaled =
        take.figures.quantities.values().any(|q| q.unit == crate::figure::Unit::Watts && q.value.is_some());
    if !scaled && take.failure.is_none() {
        writeln!(out)?;
        writeln!(
            out,
            "Levels are re full scale: volts and watts need a rig (twinload new, then calibrate)."
        )?;
    }
    Ok(())
}

fn harmonics(take: &TakeAnalysis, out: &mut dyn Write) -> io::Result<()> {
    if take.figures.harmonics.is_empty() {
        return Ok(());
    }
    let mut table = Table::new(["harmonic", "re fundamental", "dB", "phase"]);
    for harmonic in take.figures.harmonics.iter().take(10) {
        let db = harmonic
            .ratio
            .value
            .map_or_else(String::new, |r| rounding::minus(&format!("{:.2}", crate::units::db(r / 100.0))));
        let phase = if harmonic.phase.value.is_some() { text(&harmonic.phase) } else { String::new() };
        table.row([format!("H{}", harmonic.order), text(&harmonic.ratio), db, phase]);
    }
    writeln!(out)?;
    table.write(out)
}

fn products(take: &TakeAnalysis, out: &mut dyn Write) -> io::Result<()> {
    if take.kind == RecordingKind::TwoTones && !take.figures.products.is_empty() {
        let mut table = Table::new(["line", "frequency", "level"]);
        for product in &take.figures.products {
            let [n, m] = product.orders;
            table.row([
                format!("{n}·f1 {m:+}·f2").replace('-', "−"),
                text(&product.frequency),
                text(&product.level),
            ]);
        }
        writeln!(out)?;
        table.write(out)?;
    }
    if take.figures.intermodulation.is_empty() {
        return Ok(());
    }
    let mut table = Table::new(["pair", "level", "d2", "d3", "all to 5th order"]);
    for pair in &take.figures.intermodulation {
        let level = pair.level.map_or_else(String::new, |l| format!("{l} dB"));
        let name = format!("{} + {} Hz", short(pair.pair[0]), short(pair.pair[1]));
        table.row([name, level, text(&pair.d2), text(&pair.d3), text(&pair.total)]);
    }
    writeln!(out)?;
    table.write(out)
}

fn faults(take: &TakeAnalysis, out: &mut dyn Write) -> io::Result<()> {
    if let Some(failure) = &take.failure {
        for line in wrapped(&format!("FAILED: {}", for_terminal(failure)), 76) {
            writeln!(out, "    {line}")?;
        }
    }
    for finding in &take.findings {
        let place = finding.at_seconds.map_or_else(String::new, |t| format!("{t:.3} s: "));
        let segment =
            finding.segment.as_ref().map_or_else(String::new, |s| format!("{}: ", s.replace('_', " ")));
        let line = format!("{place}{segment}{}; {}; {}", finding.saw, finding.effect, finding.advice);
        for (k, line) in wrapped(&for_terminal(&line), 74).iter().enumerate() {
            writeln!(out, "    {} {line}", if k == 0 { "-" } else { " " })?;
        }
    }
    // What the recording does not hold is named by its finding.
    for (what, strike) in
        Strike::told(&take.struck).into_iter().filter(|(_, s)| s.because != "segment_missing")
    {
        writeln!(out, "    x struck out: {}: {}", for_terminal(&what), strike.words())?;
    }
    Ok(())
}

fn kind_words(take: &TakeAnalysis) -> String {
    let kind = match take.kind {
        RecordingKind::Programme => "a programme",
        RecordingKind::Segment => "one segment",
        RecordingKind::Tone => "a steady tone",
        RecordingKind::TwoTones => "two steady tones",
        RecordingKind::Quiet => "silence",
        RecordingKind::LevelCheck => "a level check",
        RecordingKind::Other => "no markers and no steady tone",
    };
    let plan = take.plan.as_ref().map_or_else(String::new, |p| format!(" {p}"));
    format!("{kind}{plan}, {}", take.fitness.words())
}

fn short_fitness(take: &TakeAnalysis) -> &'static str {
    if take.failure.is_some() {
        return "FAILED";
    }
    match take.fitness {
        Fitness::Fit => "fit",
        Fitness::Limited => "limits",
        Fitness::Redo => "redo",
    }
}

fn text(quantity: &Quantity) -> String {
    match (&quantity.value, &quantity.note) {
        (None, Some(note)) if note.starts_with("below") => note.split(':').next().unwrap_or(note).to_owned(),
        _ => rounding::text(quantity),
    }
}

fn remark(quantity: &Quantity) -> String {
    let note = quantity.note.as_deref().map(|n| shortened(n, 200).into_owned());
    let parts: Vec<String> = note.into_iter().chain(rounding::floor(quantity)).collect();
    parts.join("; ")
}

/// Three figures, without a unit.
fn short(value: f64) -> String {
    let decimals = match value.abs() {
        size if size >= 1000.0 => 0,
        size if size >= 100.0 => 1,
        _ => 2,
    };
    rounding::minus(&format!("{value:.decimals$}"))
}

/// Writes `analysis.json` and `figures.csv` into `dir`.
///
/// # Errors
/// What the file system gives, with the path.
pub fn write(dir: &Path, analysis: &Analysis) -> Result<Vec<PathBuf>, (PathBuf, io::Error)> {
    let fail = |path: &Path| {
        let path = path.to_owned();
        move |error: io::Error| (path, error)
    };
    std::fs::create_dir_all(dir).map_err(fail(dir))?;
    let json = dir.join("analysis.json");
    let mut text = serde_json::to_vec(analysis).map_err(|e| (json.clone(), io::Error::other(e)))?;
    text.push(b'\n');
    files::write(&json, &text).map_err(fail(&json))?;
    let table = dir.join("figures.csv");
    let bytes = figures_csv(analysis).map_err(|e| (table.clone(), io::Error::other(e)))?;
    files::write(&table, &bytes).map_err(fail(&table))?;
    Ok(vec![json, table])
}

/// Every figure of every take: one line each (RFC 4180).
fn figures_csv(analysis: &Analysis) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record([
        "build",
        "setting",
        "take",
        "file",
        "quantity",
        "value",
        "unit",
        "interval_low",
        "interval_high",
        "interface_alone",
        "note",
    ])?;
    for take in &analysis.takes {
        let what = [
            take.build.clone().unwrap_or_default(),
            take.setting.clone().unwrap_or_default(),
            take.repeat.map_or_else(String::new, |r| r.to_string()),
            take.file.clone(),
        ]
        .map(|t| for_spreadsheet(&t).into_owned());
        let mut line = |name: &str, quantity: &Quantity| {
            let full = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
            let numbers = [
                name.to_owned(),
                full(quantity.value),
                unit_name(quantity),
                full(quantity.interval.map(|i| i[0])),
                full(quantity.interval.map(|i| i[1])),
                full(quantity.floor),
                for_spreadsheet(quantity.note.as_deref().unwrap_or_default()).into_owned(),
            ];
            writer.write_record(what.iter().chain(&numbers))
        };
        for (name, quantity) in &take.figures.quantities {
            line(name, quantity)?;
        }
        for harmonic in &take.figures.harmonics {
            line(&format!("harmonic_{}", harmonic.order), &harmonic.ratio)?;
            line(&format!("phase_{}", harmonic.order), &harmonic.phase)?;
        }
        for hum in &take.figures.hum_lines {
            line(&format!("hum_line_{}", hum.order), &hum.level)?;
        }
        for pair in &take.figures.intermodulation {
            let level = pair.level.map_or_else(String::new, |l| format!("_at_{l}_db"));
            let name = format!("intermodulation_{}_{}{level}", pair.pair[0], pair.pair[1]);
            line(&format!("{name}_d2"), &pair.d2)?;
            line(&format!("{name}_d3"), &pair.d3)?;
            line(&format!("{name}_total"), &pair.total)?;
        }
    }
    writer.into_inner().map_err(|e| csv::Error::from(e.into_error()))
}

fn unit_name(quantity: &Quantity) -> String {
    serde_json::to_value(quantity.unit).ok().and_then(|u| u.as_str().map(str::to_owned)).unwrap_or_default()
}
