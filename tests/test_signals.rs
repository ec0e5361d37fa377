//! The committed test signals are what this version makes and measures.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use twinload::analyse::{self, Options};
use twinload::analysis::RecordingKind;
use twinload::signals::{Choices, Plan};

#[test]
fn the_committed_set_belongs_to_this_version() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals");
    let plan = analyse::read_plan(&dir.join("plan.json")).unwrap();
    assert_eq!(plan, Plan::short(&Choices::default()));

    let takes = analyse::file(&dir.join("programme.wav"), &Options::default()).unwrap();
    let [take] = takes.as_slice() else { panic!("{} takes", takes.len()) };
    assert_eq!(take.kind, RecordingKind::Programme);
    assert_eq!(take.plan.as_deref(), Some(format!("{:04x}", plan.identity()).as_str()));
    // A signal is its own perfect recording: a gain of 0 dB, 16-bit dither the only noise.
    // Gain from steps 30 dB and more under full scale: dither of −93 dBFS in 0.19 s moves it by under 0.001 dB.
    assert!(take.figures.value("gain").unwrap().abs() < 0.002, "{:?}", take.figures.get("gain"));
    assert!(take.clock_drift.as_ref().unwrap().value.unwrap().abs() < 0.05, "{:?}", take.clock_drift);

    let takes = analyse::file(&dir.join("level-check.wav"), &Options::default()).unwrap();
    assert_eq!(takes[0].kind, RecordingKind::LevelCheck);
}

#[test]
fn a_perfect_copy_of_a_signal_has_no_fault() {
    // Digital silence with dither at the last bit holds runs of zeros by chance; they are no lost buffers.
    let dir = tempfile::TempDir::new().unwrap();
    let path = dir.path().join("copy.wav");
    let plan = Plan::short(&Choices::default());
    let identity = twinload::signals::Identity { plan: plan.identity(), part: 0 };
    twinload::signals::write::write_plan(&path, &plan, identity, twinload::signals::write::Form::default())
        .unwrap();
    let takes = analyse::file(&path, &Options::default()).unwrap();
    let codes: Vec<&str> = takes[0].findings.iter().map(|f| f.code.as_str()).collect();
    assert!(codes.is_empty(), "{codes:?}");
}
