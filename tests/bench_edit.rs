//! Changing bench.toml: everything but what is changed stays byte for byte; nothing is ever half-written.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::time::Duration;

use proptest::prelude::*;
use toml_edit::Value;
use twinload::bench::splice::{self, Place, SpliceError};
use twinload::bench::{Bench, BenchError, Editor};

const EXAMPLE: &str = include_str!("bench/example.toml");

/// What was taken out of `old` and put in to make `new`, as one stretch each.
fn one_change<'a>(old: &'a str, new: &'a str) -> (&'a str, &'a str) {
    let prefix = old.bytes().zip(new.bytes()).take_while(|(a, b)| a == b).count();
    let rest = old.len().min(new.len()) - prefix;
    let suffix = old.bytes().rev().zip(new.bytes().rev()).take(rest).take_while(|(a, b)| a == b).count();
    (&old[prefix..old.len() - suffix], &new[prefix..new.len() - suffix])
}

fn rig_value(source: &str, key: &str) -> f64 {
    let table: toml::Table = toml::from_str(source).unwrap();
    table["rig"][key].as_float().unwrap()
}

/// Ways in which a person may write the rig.
fn a_rig() -> impl Strategy<Value = String> {
    let comment = "( *# [ -~äΩ]{0,20})?";
    let standard = (comment, comment, prop::bool::ANY, prop::bool::ANY).prop_map(|(a, b, has, more)| {
        let full_scale = if has { format!("input_full_scale_volts =  1.9{a}\n") } else { String::new() };
        let more = if more { "meter_percent = 0.5\n\n# about the pad\n" } else { "" };
        format!("[rig]{b}\nload_ohms=8.0{a}\n{full_scale}pad = {{ top_ohms = 10000, bottom_ohms = 1000 }}{b}\n{more}")
    });
    prop_oneof![
        4 => standard,
        1 => Just("rig = { load_ohms = 8.0 } # one line\n".to_owned()),
        1 => Just("rig = {}\n".to_owned()),
        1 => Just("rig.load_ohms = 8.0 # dotted\nrig.channel = 1\n".to_owned()),
        1 => Just("[rig.pad] # implicit rig\ndivides_by = 25.0\n".to_owned()),
        1 => Just("[rig]\n[rig.pad]\ndivides_by = 25.0\n".to_owned()),
        1 => Just("# no rig yet\n".to_owned()),
    ]
}

fn a_bench() -> impl Strategy<Value = String> {
    let take = "[[take]]\nfile = \"takes/l.wav\" # first\nkind = \"loopback\"\n# between\n";
    (a_rig(), "(# [ -~ü]{0,30}\n){0,3}", prop::bool::ANY, prop::bool::ANY, prop::bool::ANY, prop::bool::ANY)
        .prop_map(move |(rig, comments, with_take, crlf, bom, unfinished)| {
            let tail = if with_take { take } else { "" };
            let mut text = format!("{comments}{rig}{comments}{tail}{comments}");
            if unfinished {
                text.truncate(text.trim_end().len());
            }
            if crlf {
                text = text.replace('\n', "\r\n");
            }
            if bom { format!("\u{feff}{text}") } else { text }
        })
}

proptest! {
    #[test]
    fn setting_a_value_leaves_every_other_byte(source in a_bench(), value in 0.01f64..100.0) {
        let new = splice::set(&source, Place::Rig, "input_full_scale_volts", &Value::from(value)).unwrap();
        prop_assert_eq!(rig_value(&new, "input_full_scale_volts"), value);
        let (out, _) = one_change(&source, &new);
        prop_assert!("1.9".contains(out), "took out {:?}", out);
        prop_assert_eq!(new.contains("\r\n"), source.contains("\r\n"));
        prop_assert!(!new.contains("\r\n") || !new.replace("\r\n", "").contains('\n'), "mixed line ends in {:?}", new);
        // Doing it again changes nothing.
        prop_assert_eq!(&splice::set(&new, Place::Rig, "input_full_scale_volts", &Value::from(value)).unwrap(), &new);
    }

    #[test]
    fn adding_a_take_only_adds_at_the_end(source in a_bench(), note in "\\PC{0,20}") {
        let keys = [("file", Value::from("takes/new.wav")), ("kind", "loopback".into()), ("note", note.as_str().into())];
        let new = splice::with_take(&source, &keys).unwrap();
        prop_assert!(new.starts_with(&source));
        let table: toml::Table = toml::from_str(&new).unwrap();
        let last = table["take"].as_array().unwrap().last().unwrap();
        prop_assert_eq!(last["note"].as_str().unwrap(), note);
    }

    #[test]
    fn what_is_set_in_a_take_can_be_removed_again(source in a_bench()) {
        let source = splice::with_take(&source, &[("file", Value::from("takes/n.wav"))]).unwrap();
        let new = splice::set(&source, Place::Take(0), "note", &Value::from("# not a comment")).unwrap();
        prop_assert_eq!(one_change(&source, &new).0, "");
        prop_assert_eq!(splice::remove(&new, Place::Take(0), "note").unwrap(), source);
    }
}

#[test]
fn places_that_are_not_there_are_said() {
    let set = |source: &str, place| splice::set(source, place, "a", &Value::from(1)).unwrap_err();
    assert_eq!(set("", Place::Take(0)), SpliceError::NoTake(0));
    assert_eq!(set("[[take]]\n", Place::Take(1)), SpliceError::NoTake(1));
    assert_eq!(set("take = []\n", Place::Take(0)), SpliceError::InlineTakes);
    assert_eq!(set("rig = 3\n", Place::Rig), SpliceError::OddRig);
    assert!(matches!(set("[rig", Place::Rig), SpliceError::Syntax(_)));
}

fn bench_dir() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("bench.toml"), EXAMPLE).unwrap();
    dir
}

#[test]
fn a_change_that_would_break_the_bench_is_not_written() {
    let dir = bench_dir();
    let mut editor = Editor::open(dir.path()).unwrap();
    assert!(matches!(editor.set_rig("load_ohms", -8.0), Err(BenchError::Faults { .. })));
    assert!(matches!(editor.set_rig("colour", 1), Err(BenchError::Faults { .. })));
    // The editor still holds the bench as it was.
    editor.set_rig("load_ohms", 8.2).unwrap();
    assert_eq!(std::fs::read_to_string(dir.path().join("bench.toml")).unwrap(), EXAMPLE);
    editor.save().unwrap();
    let written = std::fs::read_to_string(dir.path().join("bench.toml")).unwrap();
    assert_eq!(written, EXAMPLE.replace("load_ohms = 8.0", "load_ohms = 8.2"));
    assert_eq!(Bench::open(dir.path()).unwrap().rig.load_ohms, Some(8.2));
}

#[test]
fn a_second_writer_waits_or_says_so() {
    let dir = bench_dir();
    let first = Editor::open(dir.path()).unwrap();
    let second = Editor::open_within(dir.path(), Duration::ZERO);
    let error = second.expect_err("the lock is held").to_string();
    assert!(error.contains("another twinload"), "{error}");
    drop(first);
    Editor::open_within(dir.path(), Duration::ZERO).unwrap();
}

#[test]
fn writers_at_the_same_time_lose_nothing() {
    let dir = bench_dir();
    let before = Bench::open(dir.path()).unwrap().takes.len();
    std::thread::scope(|scope| {
        for k in 0..8 {
            let dir = dir.path();
            scope.spawn(move || {
                let mut editor = Editor::open(dir).unwrap();
                let file = format!("takes/{k}.wav");
                editor.add_take(&[("file", file.into()), ("kind", "loopback".into())]).unwrap();
                editor.save().unwrap();
            });
        }
    });
    assert_eq!(Bench::open(dir.path()).unwrap().takes.len(), before + 8);
}
