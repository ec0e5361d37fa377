//! The voltage chart of a build: what was measured, what was expected, and what follows from it.

use super::model::{Build, Limits};
use super::operating::{OperatingPoint, Readings};
use super::plausible;
use super::valves::{self, Valve};
use crate::compare::document::ChartLine;
use crate::figure::{Quantity, Unit};
use crate::finding::{Finding, Severity};

/// A build's voltage chart, worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct VoltageChart {
    /// The points as written down, then what follows from them.
    pub lines: Vec<ChartLine>,
    /// Of each output valve; `None` if the readings do not suffice.
    pub point: Option<OperatingPoint>,
    /// Plate dissipation in per cent of its limit.
    pub plate_percent: Option<f64>,
    /// The rating system of that limit.
    pub rating_system: Option<String>,
    /// What stands out.
    pub findings: Vec<Finding>,
}

/// Deviations from the expected chart that are marked, per cent (issue 4; common practice).
const MARKS_PERCENT: [f64; 3] = [5.0, 10.0, 20.0];

/// Works out the chart of a build.
#[must_use]
pub fn of(build: &Build) -> VoltageChart {
    let mut chart = VoltageChart {
        lines: build
            .dc
            .iter()
            .map(|dc| point_line(&dc.point, dc.volts, dc.expected_volts, dc.note.as_deref()))
            .collect(),
        point: None,
        plate_percent: None,
        rating_system: None,
        findings: far_off(build),
    };
    if build.dc.iter().all(|dc| dc.volts.is_none()) {
        return chart;
    }
    let valve = build.output_valve.as_deref().and_then(valves::find);
    let mut limits = valve.as_ref().map_or_else(|| build.limits.clone(), |v| v.limits(&build.limits));
    if limits.rating_system.is_none() && limits.plate_watts.is_some() {
        limits.rating_system = Some(valves::OWN.to_owned());
    }
    if let Some(name) =
        build.output_valve.as_deref().filter(|_| valve.is_none() && limits.plate_watts.is_none())
    {
        chart.findings.push(unknown_valve(build, name));
    }
    match readings(build, valve.as_ref()) {
        Ok((readings, share_words)) => operating(build, &readings, &share_words, &limits, &mut chart),
        Err(Some(finding)) => chart.findings.push(*finding),
        Err(None) => {}
    }
    chart
}

fn point_line(point: &str, volts: Option<f64>, expected: Option<f64>, note: Option<&str>) -> ChartLine {
    let quantity = |value: Option<f64>, missing: &str| match value {
        Some(value) => Quantity::new(value, Unit::Volts),
        None => Quantity::missing(Unit::Volts, missing),
    };
    let deviation = deviation_percent(volts, expected).and_then(mark);
    let notes: Vec<String> = deviation.into_iter().chain(note.map(str::to_owned)).collect();
    ChartLine {
        point: point.to_owned(),
        measured: quantity(volts, "not measured"),
        expected: quantity(expected, "nothing expected"),
        note: (!notes.is_empty()).then(|| notes.join("; ")),
    }
}

fn deviation_percent(volts: Option<f64>, expected: Option<f64>) -> Option<f64> {
    let expected = expected.filter(|e| *e != 0.0)?;
    Some((volts? - expected) / expected.abs() * 100.0)
}

/// `+12 % re expected (over 10 %)`; `None` within the first mark.
fn mark(percent: f64) -> Option<String> {
    let over = MARKS_PERCENT.into_iter().rev().find(|m| percent.abs() > *m)?;
    Some(crate::rounding::minus(&format!("{percent:+.0} % re expected (over {over} %)")))
}

fn far_off(build: &Build) -> Vec<Finding> {
    let far: Vec<String> = build
        .dc
        .iter()
        .filter_map(|dc| {
            let percent = deviation_percent(dc.volts, dc.expected_volts)?;
            (percent.abs() > MARKS_PERCENT[2]).then(|| format!("{} {percent:+.0} %", dc.point))
        })
        .collect();
    if far.is_empty() {
        return Vec::new();
    }
    let saw = format!("{}: far from the expected chart: {}", build.name, far.join(", "));
    let effect = "the amp may have a fault, or the schematic is of another version";
    let advice = "check these readings, mains voltage and valves before comparing sound";
    vec![Finding::new("chart_far_off", Severity::Note, saw, effect, advice)]
}

fn unknown_valve(build: &Build, name: &str) -> Finding {
    let all = valves::all();
    let names: Vec<&str> = all.iter().map(|v| v.name.as_str()).collect();
    let near = super::syntax::suggestion(name, &names).map(|s| format!("; {s}")).unwrap_or_default();
    let saw = format!("{}: the table has no valve type {name:?}{near}", build.name);
    let effect = "dissipation can't be given in per cent of its limit";
    let advice = "add limits = { plate_watts = …, rating_system = \"…\" } from its data sheet";
    Finding::new("valve_unknown", Severity::Note, saw, effect, advice)
}

/// The volts of a point, by any of its names.
fn volts(build: &Build, names: &[&str]) -> Option<f64> {
    let is = |point: &str| names.contains(&point.trim().to_lowercase().as_str());
    build.dc.iter().find(|dc| is(&dc.point)).and_then(|dc| dc.volts)
}

/// What the chart says of the output stage, and how the screen's current is known; or why it does
/// not suffice (nothing to say if no output valve is named).
fn readings(build: &Build, valve: Option<&Valve>) -> Result<(Readings, String), Option<Box<Finding>>> {
    let plate = volts(build, &["plate", "anode"]);
    let cathode = volts(build, &["cathode"]);
    let screen = volts(build, &["screen", "g2"]);
    let at_cathode = cathode.zip(build.cathode_ohms);
    let by_primary = by_primary(build).filter(|_| at_cathode.is_none());
    // Without a cathode resistor the cathode stands at ground.
    let at_cathode = at_cathode.or(by_primary.map(|_| (cathode.unwrap_or(0.0), 0.0)));
    let (Some(plate_volts), Some((cathode_volts, cathode_ohms))) = (plate, at_cathode) else {
        let missing = [("plate", plate), ("cathode", cathode), ("cathode_ohms", build.cathode_ohms)];
        let missing: Vec<&str> =
            missing.into_iter().filter(|(_, v)| v.is_none()).map(|(name, _)| name).collect();
        return Err(build.output_valve.as_ref().map(|_| {
            let saw = format!("{}: the voltage chart has no {}", build.name, missing.join(", no "));
            let effect = "cathode current and dissipation can't be worked out";
            Box::new(Finding::new(
                "operating_point_unknown",
                Severity::Note,
                saw,
                effect,
                "add what is missing, if it was measured",
            ))
        }));
    };
    let measured_screen = match (volts(build, &["screen supply"]), screen, build.screen_ohms) {
        (Some(supply), Some(screen), Some(ohms)) => Some((supply - screen) / ohms * 1000.0),
        _ => None,
    };
    let (share, words) = match (measured_screen, build.screen_share_percent, valve) {
        (Some(_), _, _) => (0.0, "screen current measured across its resistor".to_owned()),
        (None, Some(share), _) => (share, format!("screen share {share} %, as in bench.toml")),
        (None, None, Some(valve)) => {
            let (share, words) = valve.screen_share();
            (share, format!("screen share {share} %, {words}"))
        }
        (None, None, None) => (5.0, "screen share 5 %, assumed: common practice, no source".to_owned()),
    };
    let readings = Readings {
        plate_volts,
        screen_volts: screen,
        cathode_volts,
        cathode_ohms,
        valves: build.valves,
        screen_milliamperes: measured_screen,
        screen_share_percent: share,
        plate_milliamperes: by_primary.map(|drop| drop.milliamperes),
    };
    Ok((readings, words))
}

/// Plate current of one valve by the drop across the primary's resistance (reference §10).
#[derive(Debug, Clone, Copy)]
struct PrimaryDrop {
    milliamperes: f64,
    /// Both ends ± 0.5 % the wrong way round, re the drop (common practice, no source).
    within: f64,
}

fn by_primary(build: &Build) -> Option<PrimaryDrop> {
    let supply = volts(build, &["b+", "b+ 1", "plate supply"])?;
    let plate = volts(build, &["plate", "anode"])?;
    let drop = Some(supply - plate).filter(|d| *d > 0.0)?;
    // In push-pull each half of the primary feeds half of the valves.
    let on_half = if build.valves > 1 { f64::from(build.valves) / 2.0 } else { 1.0 };
    let milliamperes = drop / build.primary_ohms? / on_half * 1000.0;
    Some(PrimaryDrop { milliamperes, within: 0.005 * (supply + plate) / drop })
}

fn operating(
    build: &Build,
    readings: &Readings,
    share_words: &str,
    limits: &Limits,
    chart: &mut VoltageChart,
) {
    let name = &build.name;
    let mut say = |code: &str, saw: String, effect: &str, advice: &str| {
        chart.findings.push(Finding::new(code, Severity::Note, format!("{name}: {saw}"), effect, advice));
    };
    let grounded = readings.plate_milliamperes.is_some() && readings.cathode_volts == 0.0;
    if readings.plate_volts <= readings.cathode_volts || (readings.cathode_volts <= 0.0 && !grounded) {
        let saw = format!(
            "plate {} V, cathode {} V: no valve runs like that",
            readings.plate_volts, readings.cathode_volts
        );
        say(
            "odd_voltages",
            saw,
            "no operating point is worked out",
            "check both readings; volts are to ground",
        );
        return;
    }
    let point = readings.operating_point();
    if let Some(screen) = readings.screen_milliamperes
        && !(0.0..point.cathode_milliamperes).contains(&screen)
    {
        let saw = format!(
            "the screen's resistor says {screen:.1} mA, and the cathode has {:.1} mA for plate and screen together",
            point.cathode_milliamperes
        );
        let effect = "no operating point is worked out";
        let advice = "check screen_ohms (47 for 470?) and the volts on both sides of that resistor";
        say("odd_screen_current", saw, effect, advice);
        return;
    }
    if point.cathode_milliamperes > 1000.0 {
        let saw = format!("{:.0} mA through the cathode", point.cathode_milliamperes);
        let effect = "no operating point is worked out";
        say(
            "millivolts_for_volts",
            saw,
            effect,
            "across one ohm the meter shows millivolts: write 0.040, not 40",
        );
        return;
    }
    if let (None, Some(drop)) = (readings.plate_milliamperes, by_primary(build)) {
        // A resistor of 5 % and copper that is warm now and was cold then (0.4 % a kelvin) make ten per cent.
        let apart = drop.milliamperes / point.plate_milliamperes - 1.0;
        if apart.abs() > 0.10 + drop.within {
            let saw = format!(
                "plate current is {:.0} mA by the cathode resistor and {:.0} mA by the drop across the primary",
                point.plate_milliamperes, drop.milliamperes
            );
            let effect = "one of the two readings or resistors is not as written, and dissipation with it";
            let advice =
                "measure cathode_ohms and primary_ohms with the amp off and discharged, warm; check valves";
            say("currents_disagree", saw, effect, advice);
        }
    }
    let has_screen = build.output_valve.as_deref().and_then(valves::find).is_none_or(|v| v.has_screen());
    if has_screen && build.screen_share_percent == Some(0.0) && readings.screen_milliamperes.is_none() {
        let effect = "plate dissipation comes out too high by the screen's share, 4 to 13 %";
        say(
            "screen_not_subtracted",
            "screen share is written as 0 %".to_owned(),
            effect,
            "leave the key out, or measure it",
        );
    }
    if let Some(grid) = volts(build, &["grid", "g1"]).filter(|v| *v > 0.5 && readings.cathode_volts > 2.0) {
        let effect = "the valve runs hotter than its cathode resistor was chosen for";
        say(
            "grid_positive",
            format!("the grid stands at {grid:+.1} V"),
            effect,
            "suspect a leaking coupling capacitor",
        );
    }
    let percent = limits.plate_watts.map(|limit| point.plate_watts / limit * 100.0);
    if build.valves == 1 && percent.is_some_and(|p| p > 150.0) {
        let saw = format!("one valve would dissipate {:.0} % of its limit", percent.unwrap_or(0.0));
        let effect = "current of two valves may have been taken for one";
        say("shared_resistor", saw, effect, "if two valves share the cathode resistor, write valves = 2");
    }
    let (own, of) = (&build.limits, systems(build));
    let checks = [
        ("plate dissipation", Some(point.plate_watts), limits.plate_watts, "W", of(own.plate_watts)),
        ("plate to cathode", Some(point.plate_volts), limits.plate_volts, "V", of(own.plate_volts)),
        ("screen dissipation", point.screen_watts, limits.screen_watts, "W", of(own.screen_watts)),
        (
            "screen to cathode",
            readings.screen_volts.map(|v| v - readings.cathode_volts),
            limits.screen_volts,
            "V",
            of(own.screen_volts),
        ),
        (
            "cathode current",
            Some(point.cathode_milliamperes),
            limits.cathode_milliamperes,
            "mA",
            of(own.cathode_milliamperes),
        ),
    ];
    for (what, value, limit, unit, system) in checks {
        if let (Some(value), Some(limit)) = (value, limit)
            && value > limit
        {
            let saw = format!(
                "{what} {value:.1} {unit} is {:.0} % of the limit of {limit} {unit} ({system})",
                value / limit * 100.0
            );
            let effect = "the valve may not live long";
            say("over_limit", saw, effect, "check the data sheet of the very valve, then bias it colder");
        }
    }
    if let Some(finding) = percent
        .filter(|p| *p < 30.0)
        .and_then(|p| plausible::of_figure("plate_dissipation", p, Unit::Percent, None))
    {
        let saw = format!("{name}: {}", finding.saw);
        chart.findings.push(Finding { saw, ..finding });
    }
    chart.lines.extend(derived(&point, share_words, limits, build));
    chart.point = Some(point);
    chart.plate_percent = percent;
    chart.rating_system = limits.rating_system.clone();
}

/// By the limit that the person wrote, if any: that it is their own, or the table's rating system.
fn systems(build: &Build) -> impl Fn(Option<f64>) -> String {
    let table = build.output_valve.as_deref().and_then(valves::find).map(|valve| valve.rating_system);
    let written = build.limits.rating_system.clone();
    move |own| match (own, &written) {
        (Some(_), Some(system)) => format!("{}, {system}", valves::OWN),
        (Some(_), None) => valves::OWN.to_owned(),
        (None, written) => written.clone().or(table.clone()).unwrap_or_default(),
    }
}

fn derived(point: &OperatingPoint, share_words: &str, limits: &Limits, build: &Build) -> Vec<ChartLine> {
    let line = |name: &str, value: f64, unit: Unit, note: Option<String>| ChartLine {
        point: name.to_owned(),
        measured: Quantity::new(value, unit),
        expected: Quantity::missing(unit, "worked out, not expected"),
        note,
    };
    let (own, system) = (&build.limits, systems(build));
    let of_limit = |value: f64, limit: Option<f64>, own: Option<f64>, unit: &str| {
        limit.map(|limit| format!("{:.0} % of {limit} {unit} ({})", value / limit * 100.0, system(own)))
    };
    let mut lines = vec![
        line(
            "cathode current",
            point.cathode_milliamperes,
            Unit::Milliamperes,
            of_limit(point.cathode_milliamperes, limits.cathode_milliamperes, own.cathode_milliamperes, "mA"),
        ),
        line("screen current", point.screen_milliamperes, Unit::Milliamperes, Some(share_words.to_owned())),
        line("plate current", point.plate_milliamperes, Unit::Milliamperes, None),
        line(
            "plate to cathode",
            point.plate_volts,
            Unit::Volts,
            of_limit(point.plate_volts, limits.plate_volts, own.plate_volts, "V"),
        ),
        line(
            "plate dissipation",
            point.plate_watts,
            Unit::Watts,
            of_limit(point.plate_watts, limits.plate_watts, own.plate_watts, "W"),
        ),
    ];
    if let Some(watts) = point.screen_watts {
        let note = of_limit(watts, limits.screen_watts, own.screen_watts, "W");
        lines.push(line("screen dissipation", watts, Unit::Watts, note));
    }
    lines
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::bench::model::DcPoint;

    fn dc(point: &str, volts: f64) -> DcPoint {
        DcPoint { point: point.to_owned(), volts: Some(volts), expected_volts: None, note: None }
    }

    /// The example of reference §10 with an EL84's limits out of the way: 6L6GC.
    fn build() -> Build {
        Build {
            name: "as-drawn".to_owned(),
            output_valve: Some("6L6GC".to_owned()),
            valves: 1,
            cathode_ohms: Some(470.0),
            screen_share_percent: Some(5.0),
            dc: vec![dc("plate", 340.0), dc("Screen", 330.0), dc("cathode", 19.0), dc("grid", 0.0)],
            ..Build::default()
        }
    }

    fn codes(chart: &VoltageChart) -> Vec<&str> {
        chart.findings.iter().map(|f| f.code.as_str()).collect()
    }

    #[test]
    fn the_example_of_the_reference_in_per_cent_of_its_limit() {
        let chart = of(&build());
        assert_eq!(codes(&chart), [""; 0]);
        // 12.3278 W of 30 W.
        approx::assert_relative_eq!(chart.plate_percent.unwrap(), 41.0926, max_relative = 4e-6);
        assert_eq!(chart.rating_system.as_deref(), Some("design-maximum"));
        let line = chart.lines.iter().find(|l| l.point == "plate dissipation").unwrap();
        assert_eq!(line.note.as_deref(), Some("41 % of 30 W (design-maximum)"));
        let screen = chart.lines.iter().find(|l| l.point == "screen current").unwrap();
        assert!(screen.note.as_deref().unwrap().contains("as in bench.toml"));
    }

    #[test]
    fn a_screen_current_that_was_measured_is_used() {
        let mut measured = build();
        measured.screen_ohms = Some(1000.0);
        measured.screen_share_percent = None;
        measured.dc.push(dc("screen supply", 332.0));
        let chart = of(&measured);
        approx::assert_relative_eq!(chart.point.unwrap().screen_milliamperes, 2.0, max_relative = 1e-12);
        let assumed = of(&Build { screen_share_percent: None, ..build() });
        let line = assumed.lines.iter().find(|l| l.point == "screen current").unwrap();
        assert_eq!(
            line.note.as_deref(),
            Some("screen share 4.4 %, assumed: typical of the type, from memory")
        );
    }

    #[test]
    fn the_primarys_drop_tells_the_plate_current_where_no_cathode_resistor_does() {
        // 10 V across 250 Ω are 40 mA of plate current; a share of 5 % makes 42.1 mA of cathode current.
        let fixed = Build {
            cathode_ohms: None,
            primary_ohms: Some(250.0),
            dc: vec![dc("b+", 350.0), dc("plate", 340.0), dc("screen", 330.0), dc("grid", -20.0)],
            ..build()
        };
        let chart = of(&fixed);
        assert_eq!(codes(&chart), [""; 0]);
        let point = chart.point.unwrap();
        approx::assert_relative_eq!(point.plate_milliamperes, 40.0, max_relative = 1e-12);
        approx::assert_relative_eq!(point.cathode_milliamperes, 40.0 / 0.95, max_relative = 1e-12);
        approx::assert_relative_eq!(point.plate_watts, 13.6, max_relative = 1e-12);
        // Two valves in push-pull have half a primary each.
        let pair = of(&Build { valves: 2, ..fixed });
        approx::assert_relative_eq!(pair.point.unwrap().plate_milliamperes, 40.0, max_relative = 1e-12);
        // The cathode's resistor goes first, and agrees: 38.4 mA of 40.4 · 0.95.
        let mut both = build();
        both.primary_ohms = Some(250.0);
        both.dc.push(dc("b+", 349.6));
        let chart = of(&both);
        assert_eq!(codes(&chart), [""; 0]);
        approx::assert_relative_eq!(chart.plate_percent.unwrap(), 41.0926, max_relative = 4e-6);
    }

    #[test]
    fn a_screen_current_that_cannot_be_gives_no_operating_point() {
        // A slip of ten in the resistor, and volts that fall the wrong way.
        for (ohms, supply) in [(20.0, 332.0), (1000.0, 300.0)] {
            let mut build = build();
            build.screen_ohms = Some(ohms);
            build.dc.push(dc("screen supply", supply));
            let chart = of(&build);
            assert!(chart.findings.iter().any(|f| f.code == "odd_screen_current"), "{:?}", chart.findings);
            assert!(chart.point.is_none() && chart.plate_percent.is_none(), "{:?}", chart.point);
        }
    }

    #[test]
    fn each_finding_has_its_one_cause() {
        let with = |change: &dyn Fn(&mut Build)| {
            let mut changed = build();
            change(&mut changed);
            of(&changed)
        };
        let set = |build: &mut Build, point: &str, volts: f64| {
            build.dc.iter_mut().find(|dc| dc.point == point).unwrap().volts = Some(volts);
        };
        let cases: Vec<(&str, VoltageChart)> = vec![
            ("odd_voltages", with(&|b| set(b, "plate", 15.0))),
            (
                "millivolts_for_volts",
                with(&|b| {
                    b.cathode_ohms = Some(1.0);
                    set(b, "cathode", 40.0)
                }),
            ),
            ("screen_not_subtracted", with(&|b| b.screen_share_percent = Some(0.0))),
            ("grid_positive", with(&|b| set(b, "grid", 3.0))),
            ("valve_unknown", with(&|b| b.output_valve = Some("6L6GX".to_owned()))),
            ("operating_point_unknown", with(&|b| b.cathode_ohms = None)),
            ("unusual_plate_dissipation", with(&|b| b.cathode_ohms = Some(1000.0))),
            ("over_limit", with(&|b| b.limits.plate_watts = Some(12.0))),
            ("chart_far_off", with(&|b| b.dc[0].expected_volts = Some(270.0))),
        ];
        for (code, chart) in cases {
            assert_eq!(codes(&chart), [code]);
        }
        // Two valves taken for one are over the limit as well: that is how it shows.
        let disagreeing = with(&|b| {
            b.primary_ohms = Some(150.0);
            b.dc.push(dc("B+", 355.0));
        });
        assert_eq!(codes(&disagreeing), ["currents_disagree"]);
        let shared = with(&|b| b.cathode_ohms = Some(110.0));
        assert_eq!(codes(&shared), ["shared_resistor", "over_limit"]);
        let told = with(&|b| {
            b.cathode_ohms = Some(110.0);
            b.valves = 2
        });
        assert_eq!(codes(&told), [""; 0]);
    }

    #[test]
    fn a_limit_of_ones_own_is_called_so_and_the_tables_are_not() {
        let notes = |limits| {
            let chart = of(&Build { limits, ..build() });
            let note = |point: &str| {
                let line = chart.lines.iter().find(|line| line.point == point).unwrap();
                line.note.clone().unwrap()
            };
            (note("plate dissipation"), note("plate to cathode"), chart.rating_system.clone().unwrap())
        };
        let (watts, volts, system) = notes(Limits::default());
        assert!(watts.ends_with("of 30 W (design-maximum)") && system == "design-maximum", "{watts}");
        assert!(volts.ends_with("(design-maximum)"), "{volts}");
        let (watts, volts, system) = notes(Limits { plate_watts: Some(27.0), ..Limits::default() });
        assert!(watts.ends_with("of 27 W (your own)") && system == "your own", "{watts}");
        assert!(volts.ends_with("(design-maximum)"), "{volts}");
        let named = Some("absolute".to_owned());
        let (watts, _, system) =
            notes(Limits { plate_watts: Some(27.0), rating_system: named, ..Limits::default() });
        assert!(watts.ends_with("of 27 W (your own, absolute)") && system == "absolute", "{watts}");
    }

    #[test]
    fn deviations_are_marked_at_5_10_and_20_per_cent() {
        let cases =
            [(104.0, None), (106.0, Some("over 5 %")), (88.0, Some("over 10 %")), (79.0, Some("over 20 %"))];
        for (volts, expected) in cases {
            let line = point_line("b+ 2", Some(volts), Some(100.0), None);
            match expected {
                None => assert_eq!(line.note, None),
                Some(words) => assert!(line.note.as_deref().unwrap().contains(words), "{volts}: {line:?}"),
            }
        }
        // A negative bias: −12 where −10 was expected is 20 % below.
        assert_eq!(deviation_percent(Some(-12.0), Some(-10.0)), Some(-20.0));
    }

    #[test]
    fn nothing_measured_says_nothing() {
        let chart = of(&Build { output_valve: Some("6L6GC".to_owned()), ..Build::default() });
        assert_eq!((chart.lines.len(), chart.findings.len()), (0, 0));
    }
}
