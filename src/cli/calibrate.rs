//! `twinload calibrate`: full-scale volts from a tone and a meter's reading.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::{Args, ValueEnum};

use super::{Outcome, words};
use crate::analyse::plans_of;
use crate::bench::calibrate::{self, Calibration, Circumstances, MeterReading};
use crate::bench::calibration_document::CalibrationDocument;
use crate::bench::cautions::Act;
use crate::bench::plausible;
use crate::bench::typed::{self, Level};
use crate::bench::{Bench, CalibratedAt, Editor};
use crate::figure::{Quantity, Unit};
use crate::finding::Fitness;
use crate::measure::Plans;
use crate::measure::reading::ToneReading;
use crate::rounding;
use crate::signals::write::{CALIBRATION_DB, CALIBRATION_HZ};
use crate::takes::{self, Ask};

/// What was typed.
#[derive(Debug, Args)]
pub struct CalibrateArgs {
    /// The bench
    dir: PathBuf,
    /// Recording of the tone, made while the meter was read
    #[arg(required_unless_present = "output", conflicts_with = "output")]
    recording: Option<PathBuf>,
    /// The meter's reading, volts RMS, every digit as shown: 2.830
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true)]
    volts: String,
    /// Where the meter stood
    #[arg(long, value_enum, default_value_t = At::Load)]
    at: At,
    /// A second recording, at another level, to check that interface and meter are straight
    #[arg(long, value_name = "RECORDING", requires = "second_volts", conflicts_with = "output")]
    second: Option<PathBuf>,
    /// The meter's reading for the second recording
    #[arg(long, value_name = "VOLTS", requires = "second", allow_negative_numbers = true)]
    second_volts: Option<String>,
    /// Calibrates the output instead: the meter stood at the amp's input, drive pad in place
    #[arg(long)]
    output: bool,
    /// Calibrates drive_channel instead: the meter stood at the amp's input while the tone was recorded there
    #[arg(long, conflicts_with = "output")]
    drive: bool,
    /// With --output: level of the tone that played, dBFS [default: that of calibration-tone.wav]
    #[arg(long, value_name = "DBFS", requires = "output", allow_negative_numbers = true, value_parser = typed::number)]
    played_dbfs: Option<f64>,
    /// With --output: frequency of the tone that played
    #[arg(long, value_name = "HZ", requires = "output", default_value_t = CALIBRATION_HZ, allow_negative_numbers = true, value_parser = typed::number)]
    played_hz: f64,
    /// The meter's accuracy in its AC range, ± per cent of reading [default: meter_percent of bench.toml, or 2]
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true, value_parser = typed::number)]
    meter_percent: Option<f64>,
    /// The meter reads true up to this frequency
    #[arg(long, value_name = "HZ", default_value_t = calibrate::METER_LIMIT_HZ, allow_negative_numbers = true, value_parser = typed::number)]
    meter_limit_hz: f64,
    /// Full scale from the data sheet, to compare with: 10dBu [default: what bench.toml has]
    #[arg(long, value_name = "LEVEL", allow_hyphen_values = true)]
    limit: Option<Level>,
    /// Work it out and write nothing
    #[arg(long)]
    dry_run: bool,
    /// Write it even if a warning says to record again
    #[arg(long)]
    anyway: bool,
    /// One JSON document instead of words
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum At {
    /// Across the load, the pad in place
    Load,
    /// At the interface's input
    Interface,
}

impl CalibrateArgs {
    /// Which full scale it is of, as its key begins.
    fn end(&self) -> &'static str {
        match (self.output, self.drive) {
            (true, _) => "output",
            (_, true) => "drive",
            _ => "input",
        }
    }
}

/// Works the calibration out, says what it found, and writes it to bench.toml.
///
/// # Errors
/// No steady tone, no readable reading, no pad; or the bench can't be read or written.
pub fn run(args: &CalibrateArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let bench = Bench::open(&args.dir)?;
    let percent = args.meter_percent.or(bench.rig.meter_percent).unwrap_or(calibrate::ASSUMED_METER_PERCENT);
    let meter_from =
        if args.meter_percent.is_some() { "--meter-percent" } else { "meter_percent of bench.toml" };
    anyhow::ensure!((0.0..=100.0).contains(&percent), "{meter_from}: {percent} must lie between 0 and 100");
    anyhow::ensure!(
        args.meter_limit_hz >= 0.0,
        "--meter-limit-hz: {} must not be negative",
        args.meter_limit_hz
    );
    let earlier = match args.end() {
        "output" => bench.rig.output_full_scale_volts,
        "drive" => bench.rig.drive_full_scale_volts,
        _ => bench.rig.input_full_scale_volts,
    };
    let circumstances = Circumstances {
        meter_limit_hz: args.meter_limit_hz,
        mains_hz: bench.mains_hz,
        expected_volts: args.limit.map(|l| l.volts).or(earlier),
    };
    let meter = reading("--volts", &args.volts, percent)?;
    let (mut calibration, tones) = if args.output {
        (of_output(args, &bench, &meter, &circumstances)?, Vec::new())
    } else {
        of_input(args, &bench, &meter, percent, &circumstances)?
    };
    let at_amp = args.output || args.drive;
    calibration.findings.extend(plausible::of_calibration(at_amp, calibration.full_scale_volts));
    calibration.findings.extend(plausible::of_meter((meter_from, percent), args.meter_limit_hz));
    let compared = circumstances.expected_volts.is_some();
    let usable = Fitness::of(&calibration.findings) != Fitness::Redo || args.anyway;
    let write = usable && !args.dry_run;
    if args.json {
        let document = CalibrationDocument::new(&calibration, &tones, args.end(), write);
        serde_json::to_writer_pretty(&mut *out, &document)?;
        writeln!(out)?;
    } else {
        say(args, &calibration, &tones, percent, out)?;
        if !compared && args.end() == "input" {
            words::paragraph(out, "", NOT_COMPARED)?;
        }
    }
    if write {
        save(args, &calibration)?;
        if !args.json {
            let before = earlier.filter(|volts| *volts > 0.0).map(|volts| {
                let by_db = crate::units::db(calibration.full_scale_volts / volts);
                let by = crate::rounding::signed(&Quantity::new(by_db, Unit::Decibels));
                format!(", in place of {} V ({by})", rounded(volts))
            });
            let file = args.dir.join(crate::bench::FILE_NAME);
            writeln!(out, "written to {}{}", file.display(), before.unwrap_or_default())?;
        }
    } else if !args.json {
        let why = if args.dry_run { "--dry-run" } else { "see above; --anyway writes it all the same" };
        writeln!(out, "nothing written: {why}")?;
    }
    if !args.json {
        writeln!(out)?;
        words::caution(out, Act::Calibrate)?;
    }
    Ok(if usable { Outcome::Done } else { Outcome::Partly })
}

/// Said where there is nothing to hold the result against.
const NOT_COMPARED: &str = "Nothing was known to compare it with: with --limit, from the interface's data sheet, slips \
    of 3, 6 and 9 dB and of the pad's resistors are looked for.";

fn reading(option: &str, text: &str, percent: f64) -> anyhow::Result<MeterReading> {
    // The comma and the unit are named before all else.
    let volts = typed::number(text).map_err(|why| anyhow::anyhow!("{option}: {why}"))?;
    anyhow::ensure!(volts > 0.0, "{option}: {volts} must be over 0");
    MeterReading::typed(text, percent).with_context(|| {
        format!("{option}: {text:?} is not a reading: type the digits that the meter shows, in volts, such as 2.830")
    })
}

fn of_output(
    args: &CalibrateArgs,
    bench: &Bench,
    meter: &MeterReading,
    circumstances: &Circumstances,
) -> anyhow::Result<Calibration> {
    let played_dbfs = match args.played_dbfs {
        Some(dbfs) => dbfs,
        // calibration-tone.wav was made with the programme, so with its top.
        None => plans_of(&bench.dir)?.first().map_or(-1.0, |plan| plan.top_dbfs) + CALIBRATION_DB,
    };
    anyhow::ensure!(
        (-100.0..=0.0).contains(&played_dbfs),
        "--played-dbfs: {played_dbfs} must lie between -100 and 0"
    );
    anyhow::ensure!(
        (5.0..=100_000.0).contains(&args.played_hz),
        "--played-hz: {} is no audio frequency",
        args.played_hz
    );
    Ok(calibrate::output(played_dbfs, args.played_hz, meter, circumstances))
}

fn of_input(
    args: &CalibrateArgs,
    bench: &Bench,
    meter: &MeterReading,
    percent: f64,
    circumstances: &Circumstances,
) -> anyhow::Result<(Calibration, Vec<ToneReading>)> {
    let at = match args.at {
        // No pad stands between the amp's input and the channel that holds the drive, or it is calibrated with it.
        _ if args.drive => CalibratedAt::Interface,
        At::Load => CalibratedAt::Load,
        At::Interface => CalibratedAt::Interface,
    };
    let channel = if args.drive {
        bench.rig.drive_channel.context("--drive: bench.toml has no drive_channel under [rig]")?
    } else {
        bench.channel()
    };
    let recording = args.recording.as_deref().context("a recording of the tone is needed")?;
    let tone = tone_of(recording, bench, channel)?;
    let first = calibrate::input(&bench.rig, at, &tone, meter, circumstances)?;
    let (Some(second), Some(volts)) = (&args.second, &args.second_volts) else {
        return Ok((first, vec![tone]));
    };
    let second_meter = reading("--second-volts", volts, percent)?;
    let second_tone = tone_of(second, bench, channel)?;
    let second = calibrate::input(&bench.rig, at, &second_tone, &second_meter, circumstances)?;
    Ok((calibrate::two_points(&first, &second, [meter, &second_meter]), vec![tone, second_tone]))
}

fn tone_of(recording: &Path, bench: &Bench, channel: u32) -> anyhow::Result<ToneReading> {
    let recorded = takes::read::read(recording, &Ask { channel, drive_channel: None, plans: &[] })?;
    let tape = recorded.plain.as_ref().ok_or(calibrate::CalibrateError::NoTone);
    tape.and_then(|tape| calibrate::read(tape.all(), recorded.rate_hz, bench.mains_hz, &mut Plans::default()))
        .map_err(|why| elsewhere(recording, &recorded, bench, channel).unwrap_or_else(|| why.into()))
        .with_context(|| recording.display().to_string())
}

/// The channel on which the tone is, if not on this one.
fn elsewhere(
    recording: &Path,
    recorded: &takes::Recorded,
    bench: &Bench,
    channel: u32,
) -> Option<anyhow::Error> {
    let mut plans = Plans::default();
    let others = recorded.health.levels.iter().map(|level| level.channel).filter(|c| *c != channel);
    for other in others {
        let Ok(there) =
            takes::read::read(recording, &Ask { channel: other, drive_channel: None, plans: &[] })
        else {
            continue;
        };
        let tape = there.plain.as_ref();
        if tape.is_some_and(|tape| {
            calibrate::read(tape.all(), there.rate_hz, bench.mains_hz, &mut plans).is_ok()
        }) {
            let key = if channel == bench.channel() { "channel" } else { "drive_channel" };
            return Some(anyhow::anyhow!(
                "no tone on channel {channel}; it is on channel {other}: set {key} = {other} under [rig]"
            ));
        }
    }
    None
}

fn say(
    args: &CalibrateArgs,
    calibration: &Calibration,
    tones: &[ToneReading],
    percent: f64,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    for (tone, volts) in tones.iter().zip([Some(&args.volts), args.second_volts.as_ref()]) {
        let said = format!(
            "tone       {:.2} Hz, {:.2} dBFS, distortion {:.2} %; meter: {} V ± {percent} %",
            tone.frequency_hz,
            tone.level_dbfs,
            tone.thd * 100.0,
            volts.map_or("", String::as_str)
        );
        writeln!(out, "{}", crate::rounding::minus(&said))?;
    }
    let document = CalibrationDocument::new(calibration, tones, args.end(), false);
    let what = match args.end() {
        "output" => "at the amp's input, of a sine played at 0 dBFS",
        "drive" => "at the amp's input, of a sine that reads 0 dBFS in drive_channel",
        _ => "at the interface's input, of a sine that reads 0 dBFS",
    };
    writeln!(out, "full scale {} RMS (95 %)", crate::rounding::text(&document.full_scale))?;
    writeln!(out, "           {what}")?;
    writeln!(out, "           = {}", Level { volts: calibration.full_scale_volts })?;
    if let Some(pair) = calibration.pair.filter(calibrate::Pair::agrees) {
        // Rounded up: a difference of nothing is never claimed.
        let within_db = ((100.0 * pair.difference_db.abs()).ceil() / 100.0).max(0.01);
        writeln!(
            out,
            "pair       the two readings, {:.1} dB apart, agree within {within_db:.2} dB",
            pair.apart_db
        )?;
    }
    if !calibration.findings.is_empty() {
        writeln!(out, "\nWarnings:")?;
        words::findings(out, &calibration.findings)?;
        writeln!(out)?;
    }
    Ok(())
}

fn save(args: &CalibrateArgs, calibration: &Calibration) -> anyhow::Result<()> {
    let mut editor = Editor::open(&args.dir)?;
    let which = args.end();
    editor.set_rig(&format!("{which}_full_scale_volts"), rounded(calibration.full_scale_volts))?;
    let key = format!("{which}_full_scale_uncertainty_percent");
    editor.set_rig(&key, rounding::digits(calibration.uncertainty_percent, 2))?;
    if which == "input" {
        let at = if args.at == At::Load { "load" } else { "interface" };
        editor.set_rig("input_calibrated_at", at)?;
    }
    if let Some(percent) = args.meter_percent {
        editor.set_rig("meter_percent", percent)?;
    }
    editor.save()?;
    Ok(())
}

/// Five digits: finer than any meter, short enough to read in bench.toml.
fn rounded(value: f64) -> f64 {
    rounding::digits(value, 5)
}
