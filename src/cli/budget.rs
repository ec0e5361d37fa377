//! The uncertainty budget on screen, for `analyse --budget`.

use std::io::Write;

use super::words;
use crate::analysis::Analysis;
use crate::bench::budget::{self, Budget, Of};
use crate::bench::{Bench, repeats};
use crate::figure::{Quantity, Unit};
use crate::report::table::Table;
use crate::report::text::for_terminal;
use crate::rounding;

/// The figure whose scatter is set beside the rig's uncertainty: clean power (design §12).
const FIGURE: &str = "power_at_thd_5_percent";

/// Writes the budget of volts and watts, and clean power of each build with it.
///
/// # Errors
/// What the writer gives.
pub fn write(bench: &Bench, analysis: &Analysis, out: &mut dyn Write) -> std::io::Result<()> {
    let (Some(volts), Some(watts)) =
        (budget::of_rig(&bench.rig, Of::Volts), budget::of_rig(&bench.rig, Of::Watts))
    else {
        return words::paragraph(
            out,
            "",
            "No uncertainty budget: the rig is not calibrated, so nothing is claimed in volts or watts \
             (twinload calibrate).",
        );
    };
    writeln!(out, "UNCERTAINTY OF VOLTS AND WATTS (JCGM 100:2008)")?;
    let mut table = Table::new(["source", "known", "volts", "watts"]);
    for line in &watts.components {
        let in_volts = volts.components.iter().find(|c| c.source == line.source);
        let of_volts = in_volts.map_or("–".to_owned(), |c| percent(c.contribution_percent()));
        table.row([line.source.clone(), line.detail.clone(), of_volts, percent(line.contribution_percent())]);
    }
    table.row([
        "together (one sigma)",
        "",
        &percent(volts.standard_percent()),
        &percent(watts.standard_percent()),
    ]);
    let expanded = |b: &Budget| b.expanded_percent().map_or("–".to_owned(), percent);
    table.row(["together (95 %)", "", &expanded(&volts), &expanded(&watts)]);
    table.write(out)?;
    if let Some(db) = watts.expanded_db() {
        writeln!(out, "in decibels (95 %): ± {db:.2} dB")?;
    }
    if let Some(percent) = bench.rig.drive_uncertainty_percent() {
        writeln!(
            out,
            "volts at the amp's input (95 %): ± {}, {}",
            self::percent(percent),
            if bench.rig.drive_calibration_is_known() {
                "from their calibration"
            } else {
                "assumed: not calibrated"
            }
        )?;
    }
    for text in &watts.left_out {
        words::paragraph(out, "not in it: ", text)?;
    }
    words::paragraph(
        out,
        "",
        "All of this is common to every build on this rig: it cancels in their difference as long as nothing \
         was re-plugged. What is left there is the scatter of repeats:",
    )?;
    for group in repeats::of(analysis, FIGURE) {
        let whole = watts.clone().with_repeats(group.mean_percent.unwrap_or(f64::NAN), group.count);
        let said = match (group.mean_percent, whole.expanded_percent()) {
            (Some(scatter), Some(all)) => {
                let clean = Quantity::new(group.mean, Unit::Watts).plus_minus(group.mean * all / 100.0);
                format!(
                    "clean power {} (95 %, rig and {} takes); of it repeats: {} (one sigma of their mean)",
                    rounding::text(&clean),
                    group.count,
                    percent(scatter)
                )
            }
            _ => format!(
                "clean power {}, one take: nothing is known of its scatter",
                rounding::plain(group.mean, Unit::Watts)
            ),
        };
        let who = format!("{} at {}: ", for_terminal(&group.build), for_terminal(&group.setting));
        words::paragraph(out, "  ", &format!("{who}{said}"))?;
    }
    Ok(())
}

fn percent(value: f64) -> String {
    let digits = rounding::value_and_uncertainty(value, value).map(|(_, digits)| digits);
    format!("{} %", digits.unwrap_or_else(|| "0".to_owned()))
}
