//! What is unusual about a build: its voltage chart, resistors, valves and limits.

use super::Range;
use crate::bench::bias::{BiasTask, Given};
use crate::bench::model::{Build, DcPoint, Limits};
use crate::bench::syntax;
use crate::bench::valves::{self, Valve};
use crate::finding::{Finding, Severity};

// Ranges of this file: output stages of 1 to 50 W, from memory.

const DISSIPATION: &str = "dissipation goes with it";
const CHECK_VOLTS: &str = "check the decimal point, and that it is DC to ground";

const PLATE: Range = Range {
    code: "unusual_plate_volts",
    what: "plate",
    unit: "V",
    low: 40.0,
    high: 650.0,
    effect: DISSIPATION,
    advice: CHECK_VOLTS,
};
const SCREEN: Range = Range {
    code: "unusual_screen_volts",
    what: "screen",
    unit: "V",
    low: 40.0,
    high: 600.0,
    effect: "screen dissipation goes with it",
    advice: CHECK_VOLTS,
};
const SUPPLY: Range = Range {
    code: "unusual_supply_volts",
    what: "B+",
    unit: "V",
    low: 40.0,
    high: 750.0,
    effect: "the two builds' supplies are compared by it",
    advice: CHECK_VOLTS,
};
/// Across a resistor that sets the bias; a one-ohm resistor shows millivolts.
const CATHODE: Range = Range {
    code: "unusual_cathode_volts",
    what: "cathode",
    unit: "V",
    low: 2.0,
    high: 80.0,
    effect: DISSIPATION,
    advice: CHECK_VOLTS,
};
const CATHODE_CURRENT: Range = Range {
    code: "unusual_cathode_current",
    what: "cathode current of each valve, by its resistor,",
    unit: "mA",
    low: 5.0,
    high: 200.0,
    effect: DISSIPATION,
    advice: "check volts at the cathode, cathode_ohms, and valves = … for those that share the resistor",
};
const GRID: Range = Range {
    code: "unusual_grid_volts",
    what: "grid",
    unit: "V",
    low: -120.0,
    high: 2.0,
    effect: "bias is judged by it",
    advice: "is the minus sign of a fixed bias missing? A grid that is truly positive means a leaking coupling capacitor",
};
const CATHODE_OHMS: Range = Range {
    code: "unusual_cathode_ohms",
    what: "cathode_ohms",
    unit: "ohms",
    low: 0.5,
    high: 2500.0,
    effect: "cathode current and dissipation go with 1 over it",
    advice: "measure it with the amp off and discharged",
};
const SCREEN_OHMS: Range = Range {
    code: "unusual_screen_ohms",
    what: "screen_ohms",
    unit: "ohms",
    low: 20.0,
    high: 15_000.0,
    effect: "a measured screen current goes with 1 over it",
    advice: "check k and plain ohms; measure it with the amp off and discharged",
};
const PRIMARY_OHMS: Range = Range {
    code: "unusual_primary_ohms",
    what: "primary_ohms",
    unit: "ohms",
    low: 10.0,
    high: 1500.0,
    effect: "plate current by its drop goes with 1 over it",
    advice: "it is the DC resistance of the winding (one half of a push-pull one), not the impedance of its data sheet",
};
const SCREEN_SHARE: Range = Range {
    code: "unusual_screen_share",
    what: "screen_share_percent",
    unit: "%",
    low: 1.0,
    high: 25.0,
    effect: "plate dissipation goes with what it leaves",
    advice: "it is per cent of the cathode's current; leave it out to have that of the type assumed",
};
const VALVES: Range = Range {
    code: "unusual_valves",
    what: "valves",
    unit: "on one cathode resistor",
    low: 1.0,
    high: 4.0,
    effect: "the current of each goes with 1 over it",
    advice: "count those that share the cathode resistor, not all of the amp",
};

/// How the rated volts of heaters lie: within a tenth, as data sheets allow (common practice, no source).
const HEATERS_VOLTS: [f64; 3] = [5.0, 6.3, 12.6];
const HEATER_WITHIN: f64 = 0.1;

/// A resistor up to this only shows the current and sets no bias.
const SENSES_OHMS: f64 = 20.0;

/// What is unusual about a build.
pub(super) fn of(build: &Build) -> Vec<Finding> {
    let name = &build.name;
    let mut findings: Vec<Finding> = build.dc.iter().flat_map(|dc| of_point(build, dc)).collect();
    let numbers = [
        (&CATHODE_OHMS, build.cathode_ohms),
        (&SCREEN_OHMS, build.screen_ohms),
        (&PRIMARY_OHMS, build.primary_ohms),
        // A share of 0 is a triode's; of a pentode the voltage chart says it.
        (&SCREEN_SHARE, build.screen_share_percent.filter(|share| *share > 0.0)),
        (&VALVES, Some(f64::from(build.valves.max(1)))),
    ];
    findings.extend(numbers.into_iter().filter_map(|(range, value)| range.of(value?, &format!("{name}: "))));
    findings.extend(of_limits(build));
    findings.extend(build.dc.iter().filter_map(|dc| misspelt(name, dc)));
    findings
}

/// The names by which points are known to what is worked out.
const POINTS: [&str; 16] = [
    "plate",
    "anode",
    "screen",
    "g2",
    "grid",
    "g1",
    "cathode",
    "screen supply",
    "plate supply",
    "b+",
    "b+ 1",
    "heater",
    "heaters",
    "filament",
    "mains",
    "node",
];

/// A point that bears no known name and nearly one.
fn misspelt(build: &str, dc: &DcPoint) -> Option<Finding> {
    let point = dc.point.trim().to_lowercase();
    // A number tells a second such point, not a slip.
    let bare = point.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end();
    if POINTS.contains(&point.as_str()) || POINTS.contains(&bare) || point.starts_with("b+") {
        return None;
    }
    let is_near = |known: &&&str| {
        let letters = strsim::osa_distance(&point, known);
        let most = if known.len() < 4 { 0 } else { 1 + usize::from(known.len() >= 6) };
        letters <= most && known.split(' ').count() == point.split_whitespace().count()
    };
    let near: Vec<&str> = POINTS.iter().filter(is_near).copied().collect();
    let meant = syntax::suggestion(&point, &near)?;
    let saw = format!("{build}: the voltage chart has a point {:?}, which is no known name", dc.point);
    let effect = "it is shown as it stands, and nothing is worked out from it";
    Some(Finding::new("point_unknown", Severity::Note, saw, effect, meant))
}

/// Measured and expected volts of one point.
fn of_point(build: &Build, dc: &DcPoint) -> Vec<Finding> {
    let point = dc.point.trim().to_lowercase();
    let name = &build.name;
    let typed = [("", dc.volts), ("expected ", dc.expected_volts)];
    let each = typed
        .into_iter()
        .filter_map(|(which, value)| Some((format!("{name}: {which}{}", dc.point.trim()), value?)));
    each.flat_map(|(subject, volts)| of_volts(build, &point, &subject, volts)).collect()
}

fn of_volts(build: &Build, point: &str, subject: &str, volts: f64) -> Vec<Finding> {
    let mut words = point.split_whitespace();
    let has = |names: &[&str]| point.split_whitespace().any(|word| names.contains(&word));
    let range = if has(&["screen", "g2"]) {
        &SCREEN
    } else if has(&["plate", "anode"]) {
        &PLATE
    } else if words.next().is_some_and(|word| word.starts_with("b+")) {
        &SUPPLY
    } else if has(&["mains"]) {
        &super::MAINS_VOLTS
    } else if has(&["heater", "heaters", "filament"]) {
        return heater(subject, volts).into_iter().collect();
    } else if matches!(point, "grid" | "g1") {
        &GRID
    } else if point == "cathode" {
        // A preamp's cathodes (another name) may stand at 1 V, or at 200 V in a follower.
        return cathode(build, subject, volts).into_iter().collect();
    } else {
        return Vec::new();
    };
    range.named(volts, subject).into_iter().collect()
}

fn heater(subject: &str, volts: f64) -> Option<Finding> {
    if HEATERS_VOLTS.iter().any(|rated| (volts.abs() / rated - 1.0).abs() <= HEATER_WITHIN) {
        return None;
    }
    let saw = format!("{subject} of {volts} V is unusual (usual: 6.3, 12.6 or 5 V, each within 10 %)");
    let effect = "a valve heated too little gives less, one heated too much does not live long";
    let advice = "measure between the heater's two pins, not to ground; AC heaters in the AC range";
    Some(Finding::new("unusual_heater_volts", Severity::Note, saw, effect, advice))
}

fn cathode(build: &Build, subject: &str, volts: f64) -> Option<Finding> {
    match build.cathode_ohms {
        Some(ohms) => over_resistor(subject, volts, ohms, build.valves),
        // At ground, or nobody said what it stands on.
        None => CATHODE.named(volts, subject).filter(|_| !(0.0..=CATHODE.high).contains(&volts)),
    }
}

/// Volts at a cathode on a resistor that so many valves share.
fn over_resistor(subject: &str, volts: f64, ohms: f64, valves: u32) -> Option<Finding> {
    let sets_bias = ohms > SENSES_OHMS;
    CATHODE.named(volts, subject).filter(|_| sets_bias).or_else(|| {
        let milliamperes = 1000.0 * volts / ohms / f64::from(valves.max(1));
        let rounded = (milliamperes * 10.0).round() / 10.0;
        CATHODE_CURRENT.named(rounded, &format!("{subject} of {volts} V: {}", CATHODE_CURRENT.what))
    })
}

/// What is typed to work out a bias before power-on, by its option.
pub(super) fn of_bias(valve: &Valve, task: &BiasTask, own_limit_watts: Option<f64>) -> Vec<Finding> {
    let (cathode_ohms, plate_watts) = match task.given {
        Given::CathodeOhms(ohms) => (Some(ohms), None),
        Given::PlateWatts(watts) => (None, Some(watts)),
    };
    let typed = [
        (&PLATE, Some(task.plate_volts), "--plate-volts"),
        (&SCREEN, task.screen_volts, "--screen-volts"),
        (&CATHODE_OHMS, cathode_ohms, "--cathode-ohms"),
        (&SCREEN_SHARE, task.screen_share_percent.filter(|share| *share > 0.0), "--screen-share-percent"),
        (&VALVES, Some(f64::from(task.valves.max(1))), "--valves"),
    ];
    let mut findings: Vec<Finding> =
        typed.into_iter().filter_map(|(range, value, option)| range.named(value?, option)).collect();
    let at_cathode = task.cathode_volts.and_then(|volts| match cathode_ohms {
        Some(ohms) => over_resistor("--cathode-volts", volts, ohms, task.valves),
        None => CATHODE.named(volts, "--cathode-volts"),
    });
    findings.extend(at_cathode);
    let limit_watts = own_limit_watts.unwrap_or(valve.plate_watts);
    // Too hot is said by itself.
    findings.extend(plate_watts.and_then(|watts| {
        let wanted = format!("{watts} W wanted at the plate");
        cold(wanted, watts, limit_watts, "write 90 for 90 %, and watts of one valve")
    }));
    findings.extend(limit(own_limit_watts, Some(valve.plate_watts), [0.0; 2], "W", "--limit-watts"));
    findings
}

/// What follows from a cathode resistor is colder than any output valve runs.
pub(super) fn of_bias_point(cathode_ohms: f64, plate_watts: f64, limit_watts: f64) -> Option<Finding> {
    let saw = format!(
        "{plate_watts:.1} W at the plate by --cathode-ohms {}",
        crate::bench::series::ohms_text(cathode_ohms)
    );
    cold(saw, plate_watts, limit_watts, "check --cathode-ohms (k and plain ohms) and --valves")
}

fn cold(subject: String, watts: f64, limit_watts: f64, advice: &str) -> Option<Finding> {
    (watts < COLDEST * limit_watts).then(|| {
        let percent = (100.0 * watts / limit_watts).round();
        let saw = format!("{subject}, {percent} % of the limit, is unusual (usual: 30 to 100 %)");
        let effect = "so cold a valve distorts early: crossover in a push-pull stage";
        Finding::new("unusual_dissipation", Severity::Note, saw, effect, advice)
    })
}

/// Under this share of its limit no output valve is biased (design §11, from memory).
const COLDEST: f64 = 0.3;

/// A limit of one's own against that of the type where the table has it, else against what is usual.
fn limit(
    own: Option<f64>,
    of_type: Option<f64>,
    usual: [f64; 2],
    unit: &str,
    subject: &str,
) -> Option<Finding> {
    let own = own?;
    // Makers' limits for one type lie within a factor of two (from memory).
    let [low, high] = of_type.map_or(usual, |limit| [limit / 2.0, limit * 2.0]);
    if (low..=high).contains(&own) {
        return None;
    }
    let against = match of_type {
        Some(limit) => format!("the table has {limit} {unit} for this type"),
        None => format!("usual: {low} to {high}"),
    };
    let saw = format!("{subject} of {own} {unit} is unusual ({against})");
    let effect = "per cent of the limit, and the warning over it, go by this number";
    let advice = "read it again in the data sheet of the very valve";
    Some(Finding::new("unusual_limit", Severity::Note, saw, effect, advice))
}

/// Own limits: against those of the type where the table has it, else against what output valves have.
fn of_limits(build: &Build) -> Vec<Finding> {
    let own = &build.limits;
    let valve = build.output_valve.as_deref().and_then(valves::find);
    let of_type = valve.map(|v| v.limits(&Limits::default())).unwrap_or_default();
    let limits = [
        ("plate_watts", own.plate_watts, of_type.plate_watts, [0.5, 60.0], "W"),
        ("plate_volts", own.plate_volts, of_type.plate_volts, [150.0, 1200.0], "V"),
        ("screen_watts", own.screen_watts, of_type.screen_watts, [0.2, 12.0], "W"),
        ("screen_volts", own.screen_volts, of_type.screen_volts, [100.0, 800.0], "V"),
        ("cathode_milliamperes", own.cathode_milliamperes, of_type.cathode_milliamperes, [10.0, 400.0], "mA"),
    ];
    let said = |(key, own, of_type, usual, unit): (&str, _, _, _, &str)| {
        limit(own, of_type, usual, unit, &format!("{}: limits.{key}", build.name))
    };
    limits.into_iter().filter_map(said).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn dc(point: &str, volts: f64) -> DcPoint {
        DcPoint { point: point.to_owned(), volts: Some(volts), expected_volts: None, note: None }
    }

    fn codes(build: &Build) -> Vec<String> {
        of(build).into_iter().map(|f| f.code).collect()
    }

    /// Two EL84 on one resistor: an ordinary build with every number in it.
    fn usual() -> Build {
        Build {
            name: "as-drawn".to_owned(),
            output_valve: Some("EL84".to_owned()),
            valves: 2,
            cathode_ohms: Some(130.0),
            screen_ohms: Some(100.0),
            primary_ohms: Some(120.0),
            screen_share_percent: Some(8.0),
            limits: Limits { plate_watts: Some(14.0), cathode_milliamperes: Some(70.0), ..Limits::default() },
            dc: vec![
                dc("plate", 310.0),
                dc("screen supply", 305.0),
                dc("Screen", 300.0),
                dc("cathode", 10.4),
                dc("grid", 0.0),
                dc("B+ 1", 320.0),
                dc("b+2", 260.0),
                dc("V1 plate", 150.0),
                dc("V1 cathode", 1.3),
                dc("follower cathode", 190.0),
                dc("heater", 6.2),
                dc("mains", 231.0),
                dc("bias supply", -48.0),
            ],
            ..Build::default()
        }
    }

    #[test]
    fn ordinary_builds_raise_nothing() {
        assert_eq!(of(&usual()), Vec::new());
        assert_eq!(of(&Build { name: "empty".to_owned(), ..Build::default() }), Vec::new());
        // Fixed bias: one ohm under each cathode, a negative grid; and a triode.
        let fixed = Build {
            cathode_ohms: Some(1.0),
            valves: 1,
            screen_share_percent: Some(0.0),
            dc: vec![dc("plate", 450.0), dc("cathode", 0.036), dc("grid", -38.0), dc("heater", 12.7)],
            ..usual()
        };
        assert_eq!(of(&fixed), Vec::new());
        let grounded = Build { cathode_ohms: None, dc: vec![dc("cathode", 0.0)], ..usual() };
        assert_eq!(of(&grounded), Vec::new());
    }

    #[test]
    fn each_slip_in_the_chart_is_named_measured_and_expected() {
        let cases = [
            ("plate", 31.0, "unusual_plate_volts"),
            ("V1 plate", 1500.0, "unusual_plate_volts"),
            ("screen", 3000.0, "unusual_screen_volts"),
            ("b+2", 26.0, "unusual_supply_volts"),
            ("B+ 1", -320.0, "unusual_supply_volts"),
            ("cathode", 104.0, "unusual_cathode_volts"),
            ("cathode", 1.04, "unusual_cathode_volts"),
            ("grid", 38.0, "unusual_grid_volts"),
            ("heater", 63.0, "unusual_heater_volts"),
            ("heater", 5.6, "unusual_heater_volts"),
            ("mains", 23.1, "unusual_mains"),
        ];
        for (point, volts, code) in cases {
            let mut build = usual();
            let at = build.dc.iter().position(|dc| dc.point.eq_ignore_ascii_case(point)).unwrap();
            build.dc[at].volts = Some(volts);
            assert_eq!(codes(&build), [code], "{point} {volts}");
            let measured = of(&build).remove(0).saw;
            assert!(
                measured.starts_with(&crate::rounding::minus(&format!(
                    "as-drawn: {} of {volts} V",
                    build.dc[at].point
                ))),
                "{measured}"
            );
            build.dc[at] = DcPoint { volts: None, expected_volts: Some(volts), ..build.dc[at].clone() };
            assert_eq!(codes(&build), [code], "expected {point} {volts}");
            assert!(of(&build)[0].saw.starts_with("as-drawn: expected "), "{:?}", of(&build));
        }
    }

    #[test]
    fn a_point_that_is_nearly_a_known_one_is_named() {
        let with = |point: &str| {
            let mut build = usual();
            build.dc.push(dc(point, 6.3));
            of(&build).into_iter().filter(|f| f.code == "point_unknown").map(|f| f.advice).collect::<Vec<_>>()
        };
        for (point, meant) in [
            ("screan", "screen"),
            ("Plte", "plate"),
            ("plates", "plate"),
            ("anod", "anode"),
            ("cathod", "cathode"),
            ("catohde", "cathode"),
            ("gird", "grid"),
            ("heatre", "heater"),
            ("main", "mains"),
            ("screen suply", "screen supply"),
        ] {
            assert_eq!(with(point), [format!("did you mean `{meant}`?")], "{point}");
        }
        for point in [
            "node A", "node", "Node 2", "plate 2", "screen2", "G2", "g3", "V2 anode", "bias", "choke", "B+3",
            "k",
        ] {
            assert_eq!(with(point), [""; 0], "{point}");
        }
    }

    /// Typical operation of one valve, each number typed; then one slip at a time.
    #[test]
    fn each_slip_typed_for_a_bias_is_named_and_nothing_else() {
        let valve = valves::find("6V6GT").unwrap();
        let usual = BiasTask {
            plate_volts: 285.0,
            screen_volts: Some(285.0),
            valves: 1,
            given: Given::CathodeOhms(470.0),
            cathode_volts: Some(19.0),
            screen_share_percent: Some(7.0),
        };
        let codes = |task: &BiasTask, limit| -> Vec<String> {
            of_bias(&valve, task, limit).into_iter().map(|f| f.code).collect()
        };
        assert_eq!(codes(&usual, Some(14.0)), [""; 0]);
        let wanted = |watts| BiasTask { given: Given::PlateWatts(watts), cathode_volts: None, ..usual };
        assert_eq!(codes(&wanted(10.8), None), [""; 0]);
        // Over the limit is said by itself, as too hot.
        assert_eq!(codes(&wanted(15.0), None), [""; 0]);
        for (task, limit, code) in [
            (BiasTask { plate_volts: 28.5, ..usual }, None, "unusual_plate_volts"),
            (BiasTask { screen_volts: Some(2850.0), ..usual }, None, "unusual_screen_volts"),
            (BiasTask { valves: 12, ..usual }, None, "unusual_cathode_current"),
            (BiasTask { given: Given::CathodeOhms(47.0), ..usual }, None, "unusual_cathode_current"),
            (
                BiasTask { given: Given::CathodeOhms(4700.0), cathode_volts: None, ..usual },
                None,
                "unusual_cathode_ohms",
            ),
            (BiasTask { cathode_volts: Some(190.0), ..usual }, None, "unusual_cathode_volts"),
            (BiasTask { cathode_volts: Some(1.9), ..wanted(10.8) }, None, "unusual_cathode_volts"),
            (BiasTask { screen_share_percent: Some(0.07), ..usual }, None, "unusual_screen_share"),
            (wanted(0.9 * 0.12), None, "unusual_dissipation"),
            (usual, Some(140.0), "unusual_limit"),
        ] {
            let said = codes(&task, limit);
            assert!(said.iter().any(|c| c == code) && said.len() <= 2, "{code}: {said:?}");
        }
    }

    #[test]
    fn each_slip_in_resistors_valves_and_limits_is_named() {
        let with = |change: &dyn Fn(&mut Build)| {
            let mut build = usual();
            change(&mut build);
            codes(&build)
        };
        assert_eq!(with(&|b| b.cathode_ohms = Some(13_000.0))[..1], ["unusual_cathode_current"]);
        assert!(with(&|b| b.cathode_ohms = Some(13_000.0)).contains(&"unusual_cathode_ohms".to_owned()));
        // 10.4 V over 13 Ω of two valves: 400 mA each.
        assert_eq!(with(&|b| b.cathode_ohms = Some(13.0)), ["unusual_cathode_current"]);
        assert_eq!(with(&|b| b.screen_ohms = Some(4.7)), ["unusual_screen_ohms"]);
        assert_eq!(with(&|b| b.primary_ohms = Some(8000.0)), ["unusual_primary_ohms"]);
        assert_eq!(with(&|b| b.screen_share_percent = Some(0.08)), ["unusual_screen_share"]);
        assert_eq!(with(&|b| b.screen_share_percent = Some(80.0)), ["unusual_screen_share"]);
        assert!(with(&|b| b.valves = 12).contains(&"unusual_valves".to_owned()));
        assert_eq!(with(&|b| b.limits.plate_watts = Some(140.0)), ["unusual_limit"]);
        assert_eq!(with(&|b| b.limits.cathode_milliamperes = Some(0.065)), ["unusual_limit"]);
        // A type that the table does not have.
        let unknown = |watts| {
            with(&|b| {
                b.output_valve = Some("XX99".to_owned());
                b.limits = Limits { plate_watts: Some(watts), ..Limits::default() };
            })
        };
        assert_eq!(unknown(140.0), ["unusual_limit"]);
        assert_eq!(unknown(25.0), [""; 0]);
    }
}
