//! `twinload bias`: current, dissipation and cathode resistor, before power-on.

use std::io::Write;

use anyhow::Context;
use clap::{ArgGroup, Args};

use super::{Outcome, words};
use crate::bench::Limits;
use crate::bench::bias::{self, BiasTask, Given};
use crate::bench::bias_document::BiasDocument;
use crate::bench::cautions::Act;
use crate::bench::plausible;
use crate::bench::series::ohms_text;
use crate::bench::typed::{self, Ohms};
use crate::bench::valves::{self, Valve};
use crate::finding::{Finding, Severity};
use crate::report::table::Table;
use crate::rounding;

/// What was typed.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("chosen").required(true)))]
pub struct BiasArgs {
    /// Type of the output valve, such as EL84
    #[arg(long, value_name = "TYPE")]
    valve: String,
    /// Plate to ground, volts
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true, value_parser = typed::number)]
    plate_volts: f64,
    /// Screen to ground, volts [default: as the plate]
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true, value_parser = typed::number)]
    screen_volts: Option<f64>,
    /// The cathode resistor: 130, 470 …
    #[arg(long, value_name = "OHMS", allow_negative_numbers = true, group = "chosen")]
    cathode_ohms: Option<Ohms>,
    /// Or the plate dissipation wanted, per cent of the limit
    #[arg(long, group = "chosen", allow_negative_numbers = true, value_parser = typed::number)]
    percent: Option<f64>,
    /// Or the plate dissipation wanted, watts a valve
    #[arg(long, group = "chosen", allow_negative_numbers = true, value_parser = typed::number)]
    watts: Option<f64>,
    /// Volts at the cathode, measured or from the data sheet [default: estimated by a model]
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true, value_parser = typed::number)]
    cathode_volts: Option<f64>,
    /// Valves on the cathode resistor
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=16))]
    valves: u32,
    /// Screen current, per cent of the cathode's [default: typical of the type]
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true, value_parser = typed::number)]
    screen_share_percent: Option<f64>,
    /// Your own limit of plate dissipation, from the data sheet of the very valve
    #[arg(long, value_name = "WATTS", allow_negative_numbers = true, value_parser = typed::number)]
    limit_watts: Option<f64>,
    /// A plate dissipation that you worked out or read somewhere: which slip explains it?
    #[arg(long, value_name = "WATTS", allow_negative_numbers = true, value_parser = typed::number)]
    claimed_watts: Option<f64>,
    /// One JSON document instead of a table
    #[arg(long)]
    json: bool,
}

/// Works it out and says so.
///
/// # Errors
/// A type that is not in the table, or numbers that can't be.
pub fn run(args: &BiasArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let valve = valves::find(&args.valve).with_context(|| {
        let names: Vec<String> = valves::all().into_iter().map(|v| v.name).collect();
        format!("--valve: the table has no type {:?}; it has {}", args.valve, names.join(", "))
    })?;
    let own = Limits { plate_watts: args.limit_watts, ..Limits::default() };
    let limits = valve.limits(&own);
    let limit_watts = limits.plate_watts.unwrap_or(valve.plate_watts);
    let given = match (args.cathode_ohms, args.watts, args.percent) {
        (Some(ohms), _, _) => Given::CathodeOhms(ohms.0),
        (None, Some(watts), _) => Given::PlateWatts(watts),
        (None, None, percent) => Given::PlateWatts(limit_watts * percent.unwrap_or(0.0) / 100.0),
    };
    let task = BiasTask {
        plate_volts: args.plate_volts,
        screen_volts: args.screen_volts,
        valves: args.valves,
        given,
        cathode_volts: args.cathode_volts,
        screen_share_percent: args.screen_share_percent,
    };
    let unusual = plausible::of_bias(&valve, &task, args.limit_watts);
    let bias = bias::bias(&valve, &task).map_err(|e| anyhow::anyhow!("{e}{}", words::perhaps(&unusual)))?;
    let slips = args.claimed_watts.map(|watts| bias.readings.slips_behind(watts)).unwrap_or_default();
    let over = bias::over_limits(&valve, &limits, &task, &bias);
    let mut findings = over;
    findings.extend(unusual);
    findings.extend(plausible::of_bias_point(&task, bias.point.plate_watts, limit_watts));
    let document = BiasDocument::new(&valve, &limits, &bias, findings, slips);
    if args.json {
        serde_json::to_writer_pretty(&mut *out, &document)?;
        writeln!(out)?;
        return Ok(Outcome::Done);
    }
    let (unusual, over): (Vec<Finding>, Vec<Finding>) =
        document.findings.iter().cloned().partition(|f| f.severity == Severity::Note);
    for over in &over {
        let first = if over.code == "too_hot" { "TOO HOT: " } else { "OVER THE LIMIT: " };
        words::paragraph(out, first, &format!("{}; {}", over.saw, over.advice))?;
    }
    words::caution(out, Act::Bias)?;
    writeln!(out)?;
    say(args, &valve, &document, limit_watts, out)?;
    if bias.estimated {
        writeln!(out)?;
        words::paragraph(
            out,
            "",
            "ESTIMATE: the cathode's volts come from a published model of a typical valve. A real one may \
             differ by 20 % or more. Start with the next larger resistor, measure, then trim.",
        )?;
    }
    words::unusual(out, &unusual)?;
    Ok(Outcome::Done)
}

fn say(
    args: &BiasArgs,
    valve: &Valve,
    document: &BiasDocument,
    limit_watts: f64,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let system = document.rating_system.as_deref().unwrap_or("rating system not known");
    let mut table = Table::new(["each valve", document.valve.as_str(), "remark"]);
    let estimate = document.cathode_voltage.note.as_deref().is_some_and(|n| n.starts_with("estimate"));
    let rows = [
        (
            "cathode",
            &document.cathode_voltage,
            if estimate { "estimate".to_owned() } else { "as given".to_owned() },
        ),
        ("plate to cathode", &document.plate_to_cathode, String::new()),
        ("cathode current", &document.cathode_current, String::new()),
        (
            "screen current",
            &document.screen_current,
            document.screen_current.note.clone().unwrap_or_default(),
        ),
        ("plate current", &document.plate_current, String::new()),
        ("plate dissipation", &document.plate_dissipation, format!("limit {limit_watts} W, {system}")),
        (
            "  of its limit",
            &document.plate_dissipation_of_limit,
            if args.limit_watts.is_some() {
                "that limit: your own".to_owned()
            } else {
                format!("that limit: {}", valve.status)
            },
        ),
        ("screen dissipation", &document.screen_dissipation, String::new()),
    ];
    for (label, quantity, remark) in rows {
        table.row([label.to_owned(), rounding::text(quantity), remark]);
    }
    table.write(out)?;
    writeln!(out)?;
    let ohms = |quantity: &crate::figure::Quantity| ohms_text(quantity.value.unwrap_or(f64::NAN));
    let shared = if args.valves > 1 { format!(" for all {} valves", args.valves) } else { String::new() };
    let too_hot = document.findings.iter().any(|f| f.code == "too_hot");
    let rating = match document.cathode_resistor_rating.value {
        Some(watts) => format!("{watts} W or more"),
        None => "more than any usual resistor".to_owned(),
    };
    if too_hot {
        let resistor = match args.cathode_ohms {
            Some(_) => ohms(&document.cathode_resistor),
            None => rounding::text(&document.cathode_resistor),
        };
        writeln!(out, "cathode resistor{shared}: {resistor} would give that; do not build it")?;
    } else if args.cathode_ohms.is_none() {
        writeln!(
            out,
            "cathode resistor{shared}: {} exactly; buy {} (E24, on the cold side), {rating}",
            rounding::text(&document.cathode_resistor),
            ohms(&document.cathode_resistor_e24)
        )?;
        if let Some(bought) = &document.with_e24 {
            writeln!(
                out,
                "  with {}: {} and {} at the plate of each valve, {} of its limit",
                ohms(&document.cathode_resistor_e24),
                rounding::text(&bought.cathode_current),
                rounding::text(&bought.plate_dissipation),
                rounding::text(&bought.plate_dissipation_of_limit)
            )?;
        }
    } else {
        writeln!(
            out,
            "cathode resistor{shared}: {} takes {}; it should be rated {rating}",
            ohms(&document.cathode_resistor),
            rounding::text(&document.cathode_resistor_heat)
        )?;
    }
    if let Some(claimed) = args.claimed_watts {
        let said = match document.slips.first() {
            Some(slip) => format!("{claimed} W is what comes out if {slip}."),
            None => format!("No usual slip lies between {claimed} W and this."),
        };
        words::paragraph(out, "", &said)?;
    }
    Ok(())
}
