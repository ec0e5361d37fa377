//! `pad`, `bias` and `analyse --budget` as a person meets them.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use assert_cmd::Command;
use twinload::bench::bias_document::BiasDocument;
use twinload::bench::pad_document::PadDocument;
use twinload::signals::{Choices, Plan};
use twinload::simulate::device::HardClip;
use twinload::simulate::recorder::{Recorder, take};

fn run(args: &[&str]) -> assert_cmd::assert::Assert {
    Command::cargo_bin("twinload").unwrap().args(args).assert()
}

fn said(assert: assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.success().get_output().stdout.clone()).unwrap()
}

fn fits(text: &str) {
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{} columns: {line}", line.chars().count());
    }
}

const PAD: [&str; 5] = ["pad", "--watts", "5", "--limit", "10dBu"];

#[test]
fn pad_shows_cautions_levels_wiring_and_heat() {
    let both = [&PAD[..], &["--drive", "200mV", "--output-limit", "4dBu"]].concat();
    let text = said(run(&both));
    fits(&text);
    for expected in [
        "without its load",
        "one speaker terminal at chassis?",
        "2.449 V RMS = +10.00 dBu = +7.78 dBV",
        "margin to full scale",
        "if the load falls off",
        "thermal noise",
        "input 20 % lower",
        "Into the load: this programme puts up to",
        "C: from interface to amp",
        "output_full_scale_volts = ",
    ] {
        assert!(text.contains(expected), "{expected:?} is not in\n{text}");
    }
    assert!(!text.contains("Unusual"), "{text}");
    let odd = said(run(&[&PAD[..], &["--load-ohms", "80"]].concat()));
    assert!(odd.contains("the load of 80 ohms is unusual"), "{odd}");
    fits(&odd);
}

#[test]
fn pad_as_json_is_its_documented_form() {
    let text = said(run(&[&PAD[..], &["--json"]].concat()));
    let document: PadDocument = serde_json::from_str(&text).unwrap();
    assert_eq!(document.schema, "twinload/pad/1");
    let input = document.input.unwrap();
    assert_eq!(input.alternatives.len(), 3);
    assert!(input.alternatives.iter().all(|a| a.margin.value.unwrap() >= 6.0));
    assert_eq!(document.output, None);
    let stranger = text.replacen("\"schema\"", "\"stranger\": 1, \"schema\"", 1);
    assert!(serde_json::from_str::<PadDocument>(&stranger).is_err());
}

#[test]
fn pad_says_what_is_missing_or_impossible() {
    for (args, code, expected) in [
        (&["pad"][..], 2, "how strong the amp is"),
        (&["pad", "--watts", "5"], 2, "--limit is missing"),
        (&["pad", "--watts", "-5", "--limit", "10dBu"], 1, "--watts: -5 must be over 0"),
        (&["pad", "--watts", "5", "--load-ohms", "-8", "--limit", "10dBu"], 2, "must be over 0.001"),
        (&["bias", "--valve", "EL84", "--plate-volts", "-3", "--watts", "9"], 1, "must be a number over 0"),
        (&["pad", "--watts", "0", "--limit", "10dBu"], 1, "must be over 0"),
        (&["pad", "--watts", "5", "--limit", "10"], 2, "dBu"),
        (&["pad", "--watts", "1e9", "--limit", "1mV"], 1, "no two resistors"),
        (&["pad", "--drive", "2V", "--output-limit", "1V"], 1, "not enough"),
    ] {
        let assert = run(args).code(code);
        let error = String::from_utf8(assert.get_output().stderr.clone()).unwrap();
        assert!(error.starts_with("error: ") && error.contains(expected), "{args:?}: {error}");
    }
}

#[test]
fn the_top_resistor_is_rated_for_the_load_that_falls_off() {
    let row = |text: &str, label: &str| -> String {
        let line = text
            .lines()
            .find(|line| line.trim_start().starts_with(label))
            .unwrap_or_else(|| panic!("{text}"));
        line.to_owned()
    };
    // 50 W in 8 ohms: 28.28 V squared, five times that 141.4 V with the load gone; U²/R in the top.
    let text = said(run(&["pad", "--watts", "50", "--limit", "10dBu"]));
    fits(&text);
    let document = said(run(&["pad", "--watts", "50", "--limit", "10dBu", "--json"]));
    let document: PadDocument = serde_json::from_str(&document).unwrap();
    for pad in document.input.unwrap().alternatives {
        let heat = pad.top_heat_load_open.value.unwrap();
        approx::assert_relative_eq!(heat, 20_000.0 / pad.top.value.unwrap(), max_relative = 1e-9);
        assert!(pad.top_rating.value.unwrap() >= heat * (1.0 - 1e-9), "{pad:?}");
        assert!(row(&text, "and with the load gone *").contains(&format!("{heat:.2} W")), "{text}");
    }
    assert!(text.contains("the rating to buy bears that"), "{text}");
}

#[test]
fn a_small_drive_is_written_with_digits_that_matter() {
    let text = said(run(&["pad", "--drive", "0.1mV", "--output-limit", "10dBu"]));
    let volts = text.split("output_full_scale_volts = ").nth(1).unwrap().lines().next().unwrap();
    let document = said(run(&["pad", "--drive", "0.1mV", "--output-limit", "10dBu", "--json"]));
    let document: PadDocument = serde_json::from_str(&document).unwrap();
    let exact = document.output.unwrap().alternatives[0].drive_at_full_scale.value.unwrap();
    // Four digits: half of the last is 5e-4 at most.
    let shown = text.lines().find(|line| line.starts_with("at the amp, full scale")).unwrap();
    let shown: f64 =
        shown["at the amp, full scale".len()..].split_whitespace().next().unwrap().parse().unwrap();
    approx::assert_relative_eq!(shown / 1e3, exact, max_relative = 5e-4);
    approx::assert_relative_eq!(volts.parse::<f64>().unwrap(), exact, max_relative = 5e-4);
}

#[test]
fn signals_says_what_is_unusual_in_what_was_asked() {
    let dir = tempfile::tempdir().unwrap();
    let signals = |more: &[&str]| {
        let args = [&["signals", dir.path().to_str().unwrap(), "--short", "--replace"], more].concat();
        said(run(&args)).split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(!signals(&[]).contains("unusual"));
    for (option, value, words) in [
        ("--top-dbfs", "-35", "--top-dbfs of −35 dB re full scale is unusual"),
        ("--top-dbfs", "0", "--top-dbfs of 0 dB re full scale is unusual"),
        ("--frequency", "20", "--frequency of 20 Hz is unusual"),
        ("--frequency", "1000", "--frequency 1000 lies within 5 Hz of a multiple of 50 Hz mains"),
    ] {
        let text = signals(&[option, value]);
        assert!(text.contains(words), "{words:?} is not in\n{text}");
    }
}

#[test]
fn bias_says_what_the_bought_resistor_gives_and_what_runs_cold() {
    let args = ["bias", "--valve", "EL84", "--plate-volts", "310"];
    let wanted = said(run(&[&args[..], &["--percent", "70"]].concat()));
    fits(&wanted);
    let (_, line) = wanted.split_once("\n  with ").unwrap_or_else(|| panic!("{wanted}"));
    let ohms = line.split(' ').next().unwrap();
    let bought = said(run(&[&args[..], &["--cathode-ohms", ohms]].concat()));
    // What the line says of it is what the table says of the resistor by itself.
    let number = line.split(" valve, ").nth(1).unwrap().split(' ').next().unwrap();
    let of_limit = |text: &str| text.lines().find(|line| line.contains("of its limit")).unwrap().to_owned();
    assert!(of_limit(&bought).contains(number) && !of_limit(&wanted).contains(number), "{wanted}\n{bought}");
    let cold = said(run(&[&args[..], &["--cathode-ohms", "2000"]].concat()));
    fits(&cold);
    assert!(cold.contains("Unusual:") && cold.contains("% of the limit"), "{cold}");
    assert!(!bought.contains("Unusual:") && !bought.contains("\n  with "), "{bought}");
    let hot = said(run(&[&args[..], &["--cathode-ohms", "13"]].concat()));
    assert!(hot.contains("do not build it") && !hot.contains("should be rated"), "{hot}");
    let own = said(run(&[&args[..], &["--percent", "70", "--limit-watts", "13.2"]].concat()));
    assert!(own.contains("limit 13.2 W, your own") && !own.contains("design-centre"), "{own}");
}

#[test]
fn bias_answers_with_the_cautions_of_an_open_chassis() {
    let args = [
        "bias",
        "--valve",
        "6l6gc",
        "--plate-volts",
        "340",
        "--cathode-volts",
        "19",
        "--cathode-ohms",
        "470",
    ];
    let text = said(run(&[&args[..], &["--screen-share-percent", "5", "--claimed-watts", "13.06"]].concat()));
    fits(&text);
    for expected in ["can kill", "12.3", "design-maximum", "read at second hand", "plate to ground was taken"]
    {
        assert!(text.contains(expected), "{expected:?} is not in\n{text}");
    }
    assert!(!text.contains("ESTIMATE"), "{text}");
    let estimate = said(run(&["bias", "--valve", "6V6GT", "--plate-volts", "285", "--percent", "90"]));
    fits(&estimate);
    assert!(estimate.contains("ESTIMATE") && estimate.contains("on the cold side"), "{estimate}");
    let json = said(run(&[&args[..], &["--json"]].concat()));
    let document: BiasDocument = serde_json::from_str(&json).unwrap();
    assert_eq!(document.cathode_resistor.value, Some(470.0));
    run(&["bias", "--valve", "nonesuch", "--plate-volts", "300", "--percent", "90"]).code(1);
    run(&["bias", "--valve", "6V6GT", "--plate-volts", "nan", "--percent", "90"]).code(1);
    run(&["bias", "--valve", "6V6GT", "--plate-volts", "300"]).code(2);
}

#[test]
fn numbers_unlikely_in_a_valve_amp_are_named_where_they_are_typed() {
    let bias = |volts, cathode| {
        run(&[
            "bias",
            "--valve",
            "6V6GT",
            "--plate-volts",
            volts,
            "--cathode-volts",
            cathode,
            "--cathode-ohms",
            "470",
        ])
    };
    assert!(!said(bias("285", "19")).contains("Unusual"));
    let slip = said(bias("28.5", "19"));
    fits(&slip);
    assert!(slip.contains("Unusual:") && slip.contains("--plate-volts of 28.5 V is unusual"), "{slip}");
    // Where there is no answer, the slip stands in the error.
    for (args, expected) in [
        (
            &["bias", "--valve", "6V6GT", "--plate-volts", "2.85", "--cathode-volts", "19", "--watts", "9"][..],
            "--plate-volts of 2.85",
        ),
        (&["pad", "--drive", "20V", "--output-limit", "10dBu"], "the wanted drive of 20 V RMS is unusual"),
        (&["pad", "--watts", "5000000", "--limit", "0.001V"], "the amp's power of 5000000 W is unusual"),
    ] {
        let refused = run(args).code(1);
        let error = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
        assert!(error.contains(expected), "{error}");
    }
    let close = said(run(&["pad", "--watts", "15", "--limit", "4dBV", "--headroom", "0"]));
    assert!(close.contains("the room between the loudest peak and full scale of 0 dB is unusual"), "{close}");
    assert!(!close.contains("−0.0 "), "{close}");
}

#[test]
fn bias_over_the_limit_says_so_before_all_else() {
    let args = ["bias", "--valve", "EL84", "--plate-volts", "310"];
    let hot = said(run(&[&args[..], &["--cathode-ohms", "130"]].concat()));
    fits(&hot);
    let first = hot.lines().next().unwrap();
    assert!(first.starts_with("TOO HOT: ") && first.contains("% of the limit of 12 W"), "{hot}");
    assert!(
        hot.contains("Ω or more") && hot.contains("2.15 W at the screen is over the limit of 2 W"),
        "{hot}"
    );
    let wanted = said(run(&[&args[..], &["--percent", "200"]].concat()));
    assert!(wanted.starts_with("TOO HOT: ") && !wanted.contains("buy "), "{wanted}");
    let volts = said(run(&["bias", "--valve", "EL84", "--plate-volts", "3100", "--cathode-ohms", "130"]));
    assert!(volts.contains("OVER THE LIMIT: ") && !volts.contains("none sold"), "{volts}");
    // Of three ways to say what is wanted all are named, and of a slip the right number.
    for (more, expected) in [
        (&[][..], "--cathode-ohms <OHMS>|--percent <PERCENT>|--watts <WATTS>"),
        (&["--percent", "90", "--cathode-volts", "7,5V"], "write 7.5"),
    ] {
        let refused = run(&[&args[..], more].concat()).code(2);
        let error = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
        assert!(error.contains(expected), "{error}");
    }
}

#[test]
fn the_budget_names_its_sources_and_what_cancels() {
    let dir = tempfile::tempdir().unwrap();
    let example = include_str!("bench/example.toml");
    // The rig and builds of the example; takes of our own.
    let (rig, _) = example.split_once("[[take]]").unwrap();
    let mut toml = rig.replace("loopback = ", "# loopback = ").replace("drive_channel", "# drive_channel");
    std::fs::create_dir(dir.path().join("takes")).unwrap();
    let plan = Plan::short(&Choices::default());
    for number in 1..=3u32 {
        // A clipper at 12 V, its threshold a little different from take to take.
        let mut device = HardClip::symmetric(12.0 + 0.1 * f64::from(number));
        let recorder = Recorder {
            drive_per_unit: 40.0,
            units_per_output: 1.0 / (22.8 * 2f64.sqrt()),
            noise_rms: 1e-5,
            latency_seconds: 0.1,
            tail_seconds: 0.1,
            seed: number.into(),
            ..Recorder::default()
        };
        let (rate, samples) = take(&plan, &mut device, &recorder);
        let file = format!("takes/{number}.wav");
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(dir.path().join(&file), spec).unwrap();
        for x in samples {
            writer.write_sample((x * f64::from((1 << 23) - 1)) as i32).unwrap();
        }
        writer.finalize().unwrap();
        toml.push_str(&format!("[[take]]\nfile = \"{file}\"\nbuild = \"as-drawn\"\nsetting = \"full\"\n\n"));
    }
    std::fs::write(dir.path().join("bench.toml"), toml).unwrap();
    let text = said(run(&["analyse", dir.path().to_str().unwrap(), "--budget"]));
    let budget = text.split("UNCERTAINTY").nth(1).expect("a budget");
    let budget = budget.split("\nwrote ").next().unwrap();
    fits(budget);
    for expected in [
        "full scale (meter)",
        "pad, top resistor",
        "interface input",
        "± 20 %, rectangular, assumed",
        "load resistance",
        "together (95 %)",
        "it cancels in their difference",
        "3 takes",
        "one sigma of their mean",
    ] {
        assert!(budget.contains(expected), "{expected:?} is not in\n{budget}");
    }
}
