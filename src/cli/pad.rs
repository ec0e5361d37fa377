//! `twinload pad`: designs the pads at both ends of the amp.

use std::io::Write;

use clap::{Args, ValueEnum};

use super::{Outcome, words};
use crate::bench::cautions::Act;
use crate::bench::drive_pad::{self, DriveDesign, DriveTask};
use crate::bench::heat::{self, Drive};
use crate::bench::pad::{self, AmpSize, PadDesign, PadTask};
use crate::bench::pad_document::PadDocument;
use crate::bench::plausible;
use crate::bench::series::{Series, ohms_text};
use crate::bench::typed::{self, Level, Ohms};
use crate::bench::wiring;
use crate::report::table::Table;
use crate::rounding;
use crate::signals::{Choices, Plan};

/// What was typed.
#[derive(Debug, Args)]
pub struct PadArgs {
    /// The amp's power into the load, watts
    #[arg(long, conflicts_with = "amp", allow_negative_numbers = true, value_parser = typed::number)]
    watts: Option<f64>,
    /// Instead of --watts: what kind of amp it is (plans for 15 or 50 W)
    #[arg(long, value_enum)]
    amp: Option<Amp>,
    /// The dummy load: 8, 16, 4 …
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, default_value = "8")]
    load_ohms: Ohms,
    /// The interface input's full scale for a sine: 10dBu, 8dBV or 2.4V (RMS)
    #[arg(long, value_name = "LEVEL", allow_hyphen_values = true)]
    limit: Option<Level>,
    /// The interface input's impedance: 10k, 1M …
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, default_value = "10k")]
    input_ohms: Ohms,
    /// Kept free between the loudest peak and full scale, dB
    #[arg(long, value_name = "DB", default_value_t = pad::HEADROOM_DB, allow_negative_numbers = true, value_parser = typed::number)]
    headroom: f64,
    /// Wanted drive at the amp's input for the programme's top: 100mV, 1V …
    #[arg(long, value_name = "LEVEL", allow_hyphen_values = true, requires = "output_limit")]
    drive: Option<Level>,
    /// The interface output's full scale for a sine: 10dBu, 2V …
    #[arg(long, value_name = "LEVEL", allow_hyphen_values = true, requires = "drive")]
    output_limit: Option<Level>,
    /// The interface output's own impedance
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, default_value = "100")]
    output_ohms: Ohms,
    /// The amp's input impedance
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, default_value = "1M")]
    amp_ohms: Ohms,
    /// Peak of the programme's top, dB re full scale (as given to `signals`)
    #[arg(long, default_value_t = -1.0, value_name = "DB", allow_negative_numbers = true, value_parser = typed::number)]
    top_dbfs: f64,
    /// Resistor values to choose from
    #[arg(long, value_enum, default_value_t = SeriesName::E24)]
    series: SeriesName,
    /// One JSON document instead of tables
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Amp {
    SmallSingleEnded,
    TwoOutputValves,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum SeriesName {
    E24,
    E96,
}

/// Designs what was asked for.
///
/// # Errors
/// Nothing was asked for, or no resistors will do.
pub fn run(args: &PadArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let series = match args.series {
        SeriesName::E24 => Series::E24,
        SeriesName::E96 => Series::E96,
    };
    let watts = args.watts.or(args.amp.map(|amp| {
        match amp {
            Amp::SmallSingleEnded => AmpSize::SmallSingleEnded,
            Amp::TwoOutputValves => AmpSize::TwoOutputValves,
        }
        .watts()
    }));
    let input = match (watts, args.limit) {
        (Some(amp_watts), Some(limit)) => {
            anyhow::ensure!(amp_watts.is_finite() && amp_watts > 0.0, "--watts: {amp_watts} must be over 0");
            anyhow::ensure!(
                (0.0..=60.0).contains(&args.headroom),
                "--headroom: {} must lie between 0 and 60 dB",
                args.headroom
            );
            Some(PadTask {
                amp_watts,
                load_ohms: args.load_ohms.0,
                limit_volts: limit.volts,
                input_ohms: args.input_ohms.0,
                series,
                headroom_db: args.headroom,
            })
        }
        (None, None) if args.drive.is_some() => None,
        (Some(_), None) => {
            return Err(super::usage(
                "--limit is missing: the input's full scale from the interface's data sheet, such as --limit 10dBu",
            ));
        }
        _ => {
            return Err(super::usage(
                "say how strong the amp is: --watts 5, or --amp small-single-ended; and --limit 10dBu",
            ));
        }
    };
    let output = match (args.drive, args.output_limit) {
        (Some(drive), Some(limit)) => {
            anyhow::ensure!(
                (-60.0..=0.0).contains(&args.top_dbfs),
                "--top-dbfs: {} must lie between -60 and 0",
                args.top_dbfs
            );
            Some(DriveTask {
                output_volts: limit.volts,
                output_ohms: args.output_ohms.0,
                drive_volts: drive.volts,
                top_dbfs: args.top_dbfs,
                amp_ohms: args.amp_ohms.0,
                series,
            })
        }
        _ => None,
    };
    let mut findings = input.as_ref().map(plausible::of_pad).unwrap_or_default();
    findings.extend(output.as_ref().map(plausible::of_drive).unwrap_or_default());
    let designs = input.map(|task| (task, pad::design(&task)));
    let drives = output.map(|task| (task, drive_pad::design(&task)));
    if let Some((_, found)) = &designs {
        anyhow::ensure!(
            !found.is_empty(),
            "no two resistors of the series bring this amp under this limit without loading it: \
             check the units of --watts and --limit, or use a lower-impedance, higher-wattage pad{}",
            words::perhaps(&findings)
        );
    }
    if let Some((task, found)) = &drives {
        let [output, wanted] = [task.output_volts, task.drive_volts].map(|volts| Level { volts });
        let hints = words::perhaps(&findings);
        anyhow::ensure!(
            !found.is_empty() || drive_pad::has_enough(task),
            "the interface's output gives {output} at full scale: not enough for {wanted} at the amp{hints}"
        );
        anyhow::ensure!(
            !found.is_empty(),
            "no two resistors bring {output} at full scale to {wanted} at the amp without loading the output of \
             {} ohms down or standing with too much before the amp: use an output of lower impedance{hints}",
            task.output_ohms
        );
        findings.extend(found.first().and_then(|best| drive_pad::compromise(task, best)));
    }
    if args.json {
        let document = PadDocument::new(
            designs.as_ref().map(|(task, found)| (task, found.as_slice())),
            drives.as_ref().map(|(task, found)| (task, found.as_slice())),
            &findings,
        );
        serde_json::to_writer_pretty(&mut *out, &document)?;
        writeln!(out)?;
        return Ok(Outcome::Done);
    }
    words::caution(out, Act::Pad)?;
    if let Some((task, found)) = &designs {
        input_words(task, found, out)?;
    }
    if let Some((task, found)) = &drives {
        output_words(task, found, out)?;
    }
    words::unusual(out, &findings)?;
    Ok(Outcome::Done)
}

fn input_words(task: &PadTask, designs: &[PadDesign], out: &mut dyn Write) -> anyhow::Result<()> {
    writeln!(out, "\nFROM LOAD TO INTERFACE")?;
    writeln!(
        out,
        "  amp        {} W into {} (a fully squared wave: {} W)",
        short(task.amp_watts),
        ohms_text(task.load_ohms),
        short(2.0 * task.amp_watts)
    )?;
    writeln!(out, "  full scale {}", Level { volts: task.limit_volts })?;
    writeln!(out, "  input      {}\n", ohms_text(task.input_ohms))?;
    let heads = ["1st", "2nd", "3rd"];
    let mut table = Table::new(std::iter::once("").chain(heads.iter().take(designs.len()).copied()));
    let mut row = |label: &str, text: &dyn Fn(&PadDesign) -> String| {
        table.row(std::iter::once(label.to_owned()).chain(designs.iter().map(text)));
    };
    row("top resistor", &|d| ohms_text(d.top_ohms));
    row("bottom resistor", &|d| ohms_text(d.bottom_ohms));
    row("divides by (input connected)", &|d| format!("{:.3}", d.divides_by));
    row("peak of sine and of squared wave", &|d| format!("{} dBFS", signed(d.peak_dbfs, 1)));
    row("margin to full scale", &|d| format!("{:.1} dB", d.margin_db));
    row("squared wave, RMS", &|d| format!("{} dBFS", signed(d.squared_dbfs, 1)));
    row("peak if the load falls off *", &|d| format!("{} dBFS", signed(d.open_load_dbfs, 1)));
    row("  and current into the input", &|d| format!("{:.1} mA", d.open_load_milliamperes));
    row("top: heat, squared wave", &|d| milliwatts(d.top_watts));
    row("  and with the load gone *", &|d| milliwatts(d.top_open_load_watts));
    row("top: buy", &|d| {
        let flame_proof = if d.top_survives { "" } else { ", flame-proof" };
        format!("{}{flame_proof}", bought(d.top_rating_watts))
    });
    row("bottom: heat, squared wave", &|d| milliwatts(d.bottom_watts));
    row("bottom: buy", &|d| bought(d.bottom_rating_watts));
    row("the amp's load becomes", &|d| format!("{:.4} Ω", d.seen_ohms));
    row("  that is lower by", &|d| format!("{:.3} %", d.loading_percent));
    row("input 20 % lower: reads", &|d| format!("{} dB", signed(d.input_low_db, 3)));
    row("input 20 % higher: reads", &|d| format!("{} dB", signed(d.input_high_db, 3)));
    row("thermal noise, 20 kHz", &|d| format!("{:.2} µV", d.noise_microvolts));
    row("  re full scale", &|d| format!("{} dBFS", signed(d.noise_dbfs, 0)));
    table.write(out)?;
    words::paragraph(
        out,
        "* ",
        &format!(
            "With the load gone the volts may rise {}-fold (assumed; an arc may put more) until the amp is \
             switched off. The top resistor limits what reaches the input, and the rating to buy bears that \
             (“flame-proof” where none sold does: it goes open).",
            pad::OPEN_LOAD_FACTOR
        ),
    )?;
    let heat = heat::of_plan(&Plan::programme(&Choices::default()), &Drive::worst_aimed_at(task.amp_watts));
    let load = format!(
        "Into the load: {}. Rate it at {} W or more, continuously, on a heatsink.",
        heat.words(),
        short(2.0 * task.amp_watts)
    );
    writeln!(out)?;
    words::paragraph(out, "", &load)?;
    if let Some(best) = designs.first() {
        writeln!(out, "\n{}", wiring::FIRST_QUESTION)?;
        writeln!(out, "{}", wiring::grounded(best.top_ohms, best.bottom_ohms))?;
        writeln!(out, "{}", wiring::floating(best.top_ohms, best.bottom_ohms))?;
        writeln!(out, "In bench.toml, under [rig], with the resistors as you measure them:")?;
        writeln!(out, "  interface_input_ohms = {}", task.input_ohms)?;
        writeln!(
            out,
            "  pad = {{ top_ohms = {}, bottom_ohms = {}, tolerance_percent = 1.0 }}",
            best.top_ohms, best.bottom_ohms
        )?;
    }
    Ok(())
}

fn output_words(task: &DriveTask, designs: &[DriveDesign], out: &mut dyn Write) -> anyhow::Result<()> {
    writeln!(out, "\nFROM INTERFACE TO AMP")?;
    writeln!(out, "  full scale {}", Level { volts: task.output_volts })?;
    writeln!(out, "  wanted     {} at the programme's top", Level { volts: task.drive_volts })?;
    writeln!(out, "  output     {}, amp input {}\n", ohms_text(task.output_ohms), ohms_text(task.amp_ohms))?;
    let heads = ["1st", "2nd", "3rd"];
    let mut table = Table::new(std::iter::once("").chain(heads.iter().take(designs.len()).copied()));
    let mut row = |label: &str, text: &dyn Fn(&DriveDesign) -> String| {
        table.row(std::iter::once(label.to_owned()).chain(designs.iter().map(text)));
    };
    row("top resistor", &|d| ohms_text(d.top_ohms));
    row("bottom resistor", &|d| ohms_text(d.bottom_ohms));
    row("at the amp, programme's top", &|d| format!("{} mV", rounding::digits(d.drive_volts * 1e3, 4)));
    row("  re what was wanted", &|d| format!("{} dB", signed(d.off_db, 2)));
    row("at the amp, full scale", &|d| format!("{} mV", rounding::digits(d.full_scale_volts * 1e3, 4)));
    row("the output feeds", &|d| ohms_text(d.output_sees_ohms.round()));
    row("the amp sees", &|d| ohms_text(d.source_ohms.round()));
    row("top: heat at full scale", &|d| milliwatts(d.top_watts));
    table.write(out)?;
    if let Some(best) = designs.first() {
        writeln!(out, "\n{}", wiring::drive(best.top_ohms, best.bottom_ohms))?;
        words::paragraph(
            out,
            "",
            "Aim: the amp clips 5 to 15 dB below the programme's top. Play level-check.wav, record it, and \
             `twinload check` says how far to turn.",
        )?;
        writeln!(out, "In bench.toml, under [rig], until `twinload calibrate --output` has measured it:")?;
        writeln!(out, "  output_full_scale_volts = {}", rounding::digits(best.full_scale_volts, 4))?;
    }
    Ok(())
}

fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn signed(value: f64, decimals: usize) -> String {
    crate::rounding::minus(&format!("{value:+.decimals$}"))
}

fn milliwatts(watts: f64) -> String {
    if watts < 0.1 { format!("{:.1} mW", watts * 1e3) } else { format!("{watts:.2} W") }
}

fn bought(rating: Option<f64>) -> String {
    rating.map_or_else(|| "none sold".to_owned(), |w| format!("≥ {w} W"))
}
