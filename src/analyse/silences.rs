//! Which silences of a bench belong together, so that hum can be followed through them.

use crate::analysis::{HumLine, HumOrigin, HumOriginLine, RecordingKind, Silence, TakeAnalysis};
use crate::bench::QuietCondition::{self, AmpOff, AtSetting, CableOnly, InputShorted, VolumeDown};
use crate::bench::{Bench, TakeKind};
use crate::finding::Fitness;
use crate::measure::quiet;
use crate::measure::quiet::origin;

/// What hum can enter by in each condition and in none before it.
const PLACES: [(QuietCondition, &str); 5] = [
    (CableOnly, "cable and interface"),
    (AmpOff, "loop through the amp's connections"),
    (VolumeDown, "amp, from the volume control onward"),
    (InputShorted, "amp, ahead of the volume control"),
    (AtSetting, "input: the drive's cable and its ground"),
];

/// Two recordings of one mains agree within this part of its frequency.
const SAME_MAINS: f64 = 0.02;

/// Follows the hum of every build at every setting through the bench's extra silences. Empty without any.
pub(super) fn origins(bench: &Bench, takes: &[TakeAnalysis]) -> Vec<HumOrigin> {
    let mut origins = Vec::new();
    for build in &bench.builds {
        for setting in &bench.settings {
            origins.extend(origin_of(bench, takes, &build.name, &setting.name));
        }
    }
    origins
}

fn origin_of(bench: &Bench, takes: &[TakeAnalysis], build: &str, setting: &str) -> Option<HumOrigin> {
    let mut silences: Vec<(QuietCondition, Vec<&TakeAnalysis>)> = PLACES
        .iter()
        .map(|(condition, _)| (*condition, of(bench, takes, *condition, build, setting)))
        .collect();
    silences.retain(|(_, takes)| !takes.is_empty());
    let last = silences.last()?;
    if silences.len() < 2 || last.0 != AtSetting {
        return None;
    }
    let mut before = None;
    let mut named: Vec<(&str, String, &Vec<&TakeAnalysis>)> = Vec::new();
    for (condition, takes) in &silences {
        named.push((condition.words(), place(before, *condition), takes));
        before = Some(*condition);
    }
    let lines = (1..=quiet::LINES as u32).filter_map(|order| {
        let silences: Vec<(&str, &str, origin::Recordings<'_>)> = named
            .iter()
            .map(|(condition, place, takes)| (*condition, place.as_str(), of_order(takes, order)))
            .collect();
        origin::line(&silences)
    });
    let mut lines: Vec<HumOriginLine> = lines.collect();
    if mixed_mains(&silences) {
        for line in &mut lines {
            line.enters = None;
            "the silences were recorded on mains of different frequency".clone_into(&mut line.why);
        }
    }
    Some(HumOrigin {
        build: build.to_owned(),
        setting: setting.to_owned(),
        lines,
        silences: named
            .iter()
            .map(|(condition, place, takes)| Silence {
                condition: (*condition).to_owned(),
                files: takes.iter().map(|t| t.file.clone()).collect(),
                place: place.clone(),
            })
            .collect(),
    })
}

fn of_order<'a>(takes: &[&'a TakeAnalysis], order: u32) -> Vec<&'a HumLine> {
    takes.iter().filter_map(|t| t.figures.hum_lines.iter().find(|l| l.order == order)).collect()
}

/// What hum can enter by between two conditions; what lies between others is named together.
fn place(before: Option<QuietCondition>, now: QuietCondition) -> String {
    let new = |c: QuietCondition| c <= now && before.is_none_or(|before| c > before);
    let whole_amp = new(VolumeDown) && new(InputShorted);
    let words = PLACES.iter().filter(|(c, _)| new(*c)).filter_map(|(c, words)| match c {
        VolumeDown if whole_amp => Some("amp"),
        InputShorted if whole_amp => None,
        _ => Some(*words),
    });
    words.collect::<Vec<_>>().join(", or ")
}

/// Usable recordings of one condition that hold for this build and setting.
fn of<'a>(
    bench: &Bench,
    takes: &'a [TakeAnalysis],
    condition: QuietCondition,
    build: &str,
    setting: &str,
) -> Vec<&'a TakeAnalysis> {
    let entries = bench.takes.iter().filter(|entry| {
        let of_build = entry.build.as_deref().is_none_or(|b| b == build);
        let of_setting = entry.setting.as_deref().is_none_or(|s| s == setting);
        match entry.kind {
            // The programme begins with a silence of its own.
            TakeKind::Programme => condition == AtSetting && of_build && of_setting,
            TakeKind::Quiet => {
                // The controls matter from where the amp is on and its volume is up.
                let setting_counts = matches!(condition, InputShorted | AtSetting);
                entry.quiet_condition == Some(condition) && of_build && (of_setting || !setting_counts)
            }
            TakeKind::Loopback | TakeKind::Listening => false,
        }
    });
    let found = entries.flat_map(|entry| takes.iter().filter(|t| t.file == entry.file)).filter(|t| {
        let has_silence = !t.figures.hum_lines.is_empty() && t.kind != RecordingKind::LevelCheck;
        // Hum across another load is another hum.
        let at_load = t.load_ohms == bench.rig.load_ohms;
        has_silence && at_load && t.failure.is_none() && t.fitness != Fitness::Redo
    });
    found.collect()
}

/// The mains frequencies found do not belong to one mains, e.g. 50 and 60 Hz.
fn mixed_mains(silences: &[(QuietCondition, Vec<&TakeAnalysis>)]) -> bool {
    let mut found = silences.iter().flat_map(|s| &s.1).filter_map(|t| t.figures.value("mains_frequency"));
    let first = found.next();
    first.is_some_and(|first| found.any(|hz| (hz / first - 1.0).abs() > SAME_MAINS))
}
