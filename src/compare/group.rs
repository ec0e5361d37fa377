//! Which takes go into the comparison: chosen builds, settings, and the usable
//! takes of each; what is left out stays on the list of recordings with its reason.

use std::collections::BTreeMap;

use super::document::{Recording, Struck};
use super::{CompareError, copy, words};
use crate::analysis::{Analysis, Strike, TakeAnalysis};
use crate::bench::{Bench, Build, Setting, TakeEntry, TakeKind};
use crate::figure::Curve;
use crate::finding::Fitness;

/// Fewest and most builds in one comparison.
const BUILDS: std::ops::RangeInclusive<usize> = 2..=8;

/// One take with what the person noted of it.
#[derive(Debug, Clone, Copy)]
pub struct Member<'a> {
    /// What the person wrote down.
    pub entry: &'a TakeEntry,
    /// What was measured.
    pub take: &'a TakeAnalysis,
}

/// The usable takes of one setting, build by build.
#[derive(Debug, Clone)]
pub struct Group<'a> {
    /// The setting.
    pub setting: &'a Setting,
    /// Takes at one load, the one that all builds share if there is one, in the order of the chosen builds.
    pub builds: Vec<Vec<Member<'a>>>,
    /// Usable takes at another load, in the order of the chosen builds: for output impedance only.
    pub other_loads: Vec<Vec<Member<'a>>>,
}

/// Everything that goes in, and the list of recordings.
#[derive(Debug, Clone)]
pub struct Selection<'a> {
    /// The builds, reference first.
    pub builds: Vec<&'a Build>,
    /// Settings at which a chosen build has a take, in the order of bench.toml.
    pub groups: Vec<Group<'a>>,
    /// Takes without drive, of chosen builds or of no build.
    pub quiet: Vec<Member<'a>>,
    /// All recordings of the chosen builds, used or not.
    pub recordings: Vec<Recording>,
    /// Builds of which no take can be used, each as a sentence without its full stop.
    pub absent: Vec<String>,
}

/// Chooses builds by name (all of the bench if none is named) and sorts their takes.
///
/// # Errors
/// Fewer than two or more than eight builds; a name that is not in the bench, or named twice;
/// no usable take at all.
pub fn select<'a>(
    bench: &'a Bench,
    analysis: &'a Analysis,
    chosen: &[String],
) -> Result<Selection<'a>, CompareError> {
    let builds = choose(bench, chosen)?;
    let mut recordings = Vec::new();
    let mut usable: Vec<Member<'a>> = Vec::new();
    let mut quiet = Vec::new();
    let mut seen = Seen::default();
    for entry in &bench.takes {
        let of_chosen = entry.build.as_ref().is_none_or(|name| builds.iter().any(|b| b.name == *name));
        if !of_chosen || !matches!(entry.kind, TakeKind::Programme | TakeKind::Quiet | TakeKind::Loopback) {
            continue;
        }
        // One file may hold several takes, one after the other.
        let takes: Vec<&TakeAnalysis> = analysis.takes.iter().filter(|t| t.file == entry.file).collect();
        if takes.is_empty() {
            recordings.push(recording(entry, None, Some(reason_without_take(entry))));
        }
        for take in takes {
            let reason = reason_to_leave_out(entry, take, &mut seen);
            recordings.push(recording(entry, Some(take), reason.clone()));
            match entry.kind {
                _ if reason.is_some() => {}
                TakeKind::Programme => usable.push(Member { entry, take }),
                TakeKind::Quiet => quiet.push(Member { entry, take }),
                TakeKind::Loopback | TakeKind::Listening => {}
            }
        }
    }
    let has_take = |b: &&&Build| usable.iter().any(|m| m.entry.build.as_deref() == Some(b.name.as_str()));
    let absent: Vec<String> =
        builds.iter().filter(|b| !has_take(b)).map(|b| why_absent(bench, b, &recordings)).collect();
    if builds.len() - absent.len() < 2 {
        return Err(CompareError::NothingUsable { why: absent.join("; ") });
    }
    let has_take = |s: &Setting| {
        bench.takes.iter().any(|t| {
            t.kind == TakeKind::Programme
                && t.setting.as_deref() == Some(s.name.as_str())
                && t.build.as_ref().is_some_and(|name| builds.iter().any(|b| b.name == *name))
        })
    };
    let groups = bench.settings.iter().filter(|s| has_take(s)).map(|s| group(s, &builds, &usable)).collect();
    Ok(Selection { builds, groups, quiet, recordings, absent })
}

/// Recordings that are named where none of a build can be used.
const MOST_NAMED: usize = 3;

/// Why no take of this build goes in, and what to do.
fn why_absent(bench: &Bench, build: &Build, recordings: &[Recording]) -> String {
    let shown = words::name(&build.name);
    let of_build =
        |t: &&TakeEntry| t.kind == TakeKind::Programme && t.build.as_deref() == Some(build.name.as_str());
    let files: Vec<&str> = bench.takes.iter().filter(of_build).map(|t| t.file.as_str()).collect();
    if files.is_empty() {
        let typed = |name: &str| {
            if name.contains(char::is_whitespace) { format!("\"{name}\"") } else { name.to_owned() }
        };
        let setting = bench.settings.first().map_or("SETTING".to_owned(), |s| typed(&words::name(&s.name)));
        let dir = crate::takes::shown::path(&bench.dir);
        return format!(
            "build {shown} has no take yet: twinload log {dir} WAV --build {} --setting {setting}",
            typed(&shown)
        );
    }
    let of_files = recordings.iter().filter(|r| files.contains(&r.file.as_str()));
    let mut told: Vec<String> =
        of_files.take(MOST_NAMED).map(|r| format!("{}: {}", r.file, r.state)).collect();
    if files.len() > MOST_NAMED {
        told.push(format!("and {} more", files.len() - MOST_NAMED));
    }
    format!(
        "no take of build {shown} can be used ({}); twinload check says what is wrong with a file",
        told.join("; ")
    )
}

fn choose<'a>(bench: &'a Bench, chosen: &[String]) -> Result<Vec<&'a Build>, CompareError> {
    let mut builds: Vec<&Build> = Vec::new();
    for name in chosen {
        let Some(build) = bench.build(name) else {
            return Err(CompareError::UnknownBuild { name: name.clone(), known: known(bench, name) });
        };
        if builds.iter().any(|b| b.name == build.name) {
            return Err(CompareError::NamedTwice { name: name.clone() });
        }
        builds.push(build);
    }
    if chosen.is_empty() {
        builds = bench.builds.iter().collect();
    }
    if BUILDS.contains(&builds.len()) {
        Ok(builds)
    } else {
        Err(CompareError::HowMany { count: builds.len() })
    }
}

/// The names of the bench's builds, the nearest to `name` first.
fn known(bench: &Bench, name: &str) -> String {
    let mut names: Vec<&str> = bench.builds.iter().map(|b| b.name.as_str()).collect();
    names.sort_by(|a, b| strsim::jaro_winkler(b, name).total_cmp(&strsim::jaro_winkler(a, name)));
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

fn reason_without_take(entry: &TakeEntry) -> String {
    if entry.used {
        return "not analysed".to_owned();
    }
    let why = entry.why.as_deref().unwrap_or("no reason noted");
    format!("left out in bench.toml: {why}")
}

/// What of earlier takes tells a later one to be a copy.
#[derive(Debug, Default)]
struct Seen<'a> {
    /// File of each fingerprint.
    hashes: BTreeMap<&'a str, &'a str>,
    /// File and noise of each take.
    noises: Vec<(&'a str, &'a Curve)>,
}

/// Why a take does not count.
fn reason_to_leave_out<'a>(
    entry: &'a TakeEntry,
    take: &'a TakeAnalysis,
    seen: &mut Seen<'a>,
) -> Option<String> {
    if !entry.used {
        return Some(reason_without_take(entry));
    }
    if let Some(failure) = &take.failure {
        return Some(format!("failed: {failure}"));
    }
    if take.fitness == Fitness::Redo {
        return Some(Fitness::Redo.words().to_owned());
    }
    // A copy of a take would count as a repeat that agrees to the last bit.
    if let Some(sha256) = take.sha256.as_deref() {
        let first = *seen.hashes.entry(sha256).or_insert(&entry.file);
        if first != entry.file {
            return Some(format!("the same recording as {first} (same SHA-256), so no repeat"));
        }
    }
    let noise = take.curves.get("noise_spectrum").filter(|_| entry.kind == TakeKind::Programme)?;
    let is_copy =
        |(file, earlier): &&(&str, &Curve)| *file != entry.file && copy::is_one_recording(earlier, noise);
    if let Some((first, _)) = seen.noises.iter().find(is_copy) {
        return Some(format!(
            "the same recording as {first}, trimmed or written anew (their noise is the same in every band), so no repeat"
        ));
    }
    seen.noises.push((&entry.file, noise));
    None
}

fn recording(entry: &TakeEntry, take: Option<&TakeAnalysis>, reason: Option<String>) -> Recording {
    let findings = take.map_or(&[][..], |t| &t.findings).iter().map(|f| {
        let place = match (&f.segment, f.at_seconds) {
            (Some(segment), Some(at)) => format!("{at:.3} s ({segment}): "),
            (Some(segment), None) => format!("{segment}: "),
            (None, Some(at)) => format!("{at:.3} s: "),
            (None, None) => String::new(),
        };
        format!("{place}{}; {}; {}", f.saw, f.effect, f.advice)
    });
    Recording {
        file: entry.file.clone(),
        sha256: take.and_then(|t| t.sha256.clone()).or_else(|| entry.sha256.clone()),
        build: entry.build.clone().unwrap_or_default(),
        setting: entry.setting.clone().unwrap_or_default(),
        used: reason.is_none(),
        state: reason.unwrap_or_else(|| take.map_or("not analysed", |t| t.fitness.words()).to_owned()),
        findings: findings.collect(),
        struck: take.map_or_else(Vec::new, struck),
    }
}

/// What of a take is left out.
fn struck(take: &TakeAnalysis) -> Vec<Struck> {
    let told = Strike::told(&take.struck).into_iter();
    told.map(|(what, strike)| {
        let here = |s: &&Strike| s.segment == strike.segment && s.because == strike.because;
        Struck {
            segment: strike.segment.clone(),
            drives: take.struck.iter().filter(here).filter_map(|s| s.drive).collect(),
            told: format!("{what}: {}", strike.words()),
        }
    })
    .collect()
}

fn group<'a>(setting: &'a Setting, builds: &[&'a Build], usable: &[Member<'a>]) -> Group<'a> {
    let of = |build: &&Build| -> Vec<Member<'a>> {
        let is_here = |m: &Member| {
            m.entry.setting.as_deref() == Some(setting.name.as_str())
                && m.entry.build.as_deref() == Some(build.name.as_str())
        };
        usable.iter().copied().filter(is_here).collect()
    };
    let all: Vec<Vec<Member<'a>>> = builds.iter().map(of).collect();
    let shared = shared_load(&all);
    let mut group = Group { setting, builds: Vec::new(), other_loads: Vec::new() };
    for members in all {
        // Without a load that all builds share, each is taken at its own, and the report says so.
        let load = shared.unwrap_or_else(|| loads_by_count(&members).first().and_then(|l| l.0));
        let (here, other) = members.into_iter().partition(|m: &Member| m.take.load_ohms == load);
        group.builds.push(here);
        group.other_loads.push(other);
    }
    group
}

/// The load at which every build that has takes has one, with most takes in all; `None` if there is none.
fn shared_load(builds: &[Vec<Member>]) -> Option<Option<f64>> {
    let everything: Vec<Member> = builds.iter().flatten().copied().collect();
    let in_all = |load: Option<f64>| {
        builds.iter().filter(|b| !b.is_empty()).all(|b| b.iter().any(|m| m.take.load_ohms == load))
    };
    loads_by_count(&everything).into_iter().map(|(load, _)| load).find(|load| in_all(*load))
}

/// Loads with their number of takes, most first; among equals the one met first.
fn loads_by_count(members: &[Member]) -> Vec<(Option<f64>, usize)> {
    let mut counts: Vec<(Option<f64>, usize)> = Vec::new();
    for member in members {
        match counts.iter_mut().find(|(load, _)| *load == member.take.load_ohms) {
            Some((_, count)) => *count += 1,
            None => counts.push((member.take.load_ohms, 1)),
        }
    }
    counts.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    counts
}
