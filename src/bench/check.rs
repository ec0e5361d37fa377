//! From what was typed to a [`Bench`], or to every fault in it.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use toml::{Spanned, Value};

use super::error::{self, BenchError, Fault};
use super::model::{Bench, Build, DcPoint, Limits, QuietCondition, Setting, TakeEntry, TakeKind};
use super::rig::{CalibratedAt, Pad, Rig};
use super::{names, raw, syntax};

/// Reads and checks; all faults that are not of syntax are reported together.
pub(super) fn bench(dir: &Path, path: &Path, source: &str) -> Result<Bench, BenchError> {
    let file: raw::File =
        toml::from_str(source).map_err(|e| error::faults(path, source, vec![syntax::fault(source, &e)]))?;
    let mut check = Check::default();
    let title = check.text(file.bench.title).unwrap_or_else(|| "Untitled bench".to_owned());
    let mains_hz = check.positive("mains_hz", file.bench.mains_hz);
    let amp_watts = check.positive("amp_watts", file.bench.amp_watts);
    let rig = check.rig(file.rig);
    let builds = check.builds(file.build);
    let settings = check.settings(file.setting);
    let takes = check.takes(file.take, &builds, &settings, source);
    if !check.faults.is_empty() {
        return Err(error::faults(path, source, check.faults));
    }
    let mut bench = Bench {
        dir: dir.to_owned(),
        title,
        mains_hz,
        amp_watts,
        simulated: file.bench.simulated.unwrap_or(false),
        rig,
        builds,
        settings,
        takes,
        findings: Vec::new(),
    };
    bench.findings = super::plausible::of_bench(&bench);
    Ok(bench)
}

/// Gathers faults while the values are taken over.
#[derive(Default)]
struct Check {
    faults: Vec<Fault>,
}

impl Check {
    fn fault(&mut self, span: Range<usize>, what: impl Into<String>, advice: impl Into<String>) {
        self.faults.push(Fault::new(span, what, advice));
    }

    fn text(&mut self, text: Option<Spanned<String>>) -> Option<String> {
        text.map(Spanned::into_inner).filter(|t| !t.trim().is_empty())
    }

    fn finite(&mut self, key: &str, number: Option<Spanned<f64>>) -> Option<f64> {
        let number = number?;
        if !number.get_ref().is_finite() {
            self.fault(number.span(), format!("{key} must be a number"), "not infinite, not NaN");
            return None;
        }
        Some(number.into_inner())
    }

    fn positive(&mut self, key: &str, number: Option<Spanned<f64>>) -> Option<f64> {
        let span = number.as_ref().map(Spanned::span)?;
        let value = self.finite(key, number)?;
        if value <= 0.0 {
            self.fault(span, format!("{key} is {value}"), "must be over 0");
            return None;
        }
        Some(value)
    }

    fn percent(&mut self, key: &str, number: Option<Spanned<f64>>) -> Option<f64> {
        let span = number.as_ref().map(Spanned::span)?;
        let value = self.finite(key, number)?;
        if !(0.0..=100.0).contains(&value) {
            self.fault(span, format!("{key} is {value}"), "must lie between 0 and 100 per cent");
            return None;
        }
        Some(value)
    }

    /// A whole number from 1 to `most`.
    fn count(&mut self, key: &str, number: Option<Spanned<i64>>, most: u32) -> Option<u32> {
        let number = number?;
        let value = u32::try_from(*number.get_ref()).ok().filter(|n| (1..=most).contains(n));
        if value.is_none() {
            let what = format!("{key} is {}", number.get_ref());
            self.fault(number.span(), what, format!("must be a whole number from 1 to {most}"));
        }
        value
    }

    /// One of a few words.
    fn word<T: Copy>(&mut self, key: &str, text: Option<Spanned<String>>, words: &[(&str, T)]) -> Option<T> {
        let text = text?;
        let found = words.iter().find(|(word, _)| word == text.get_ref()).map(|(_, value)| *value);
        if found.is_none() {
            let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            let advice = syntax::suggestion(text.get_ref(), &known)
                .unwrap_or_else(|| format!("one of: {}", known.join(", ")));
            self.fault(text.span(), format!("{key} has no {:?}", text.get_ref()), advice);
        }
        found
    }

    fn path(&mut self, key: &str, text: &Spanned<String>) -> Option<String> {
        if text.get_ref().contains(char::is_control) {
            self.fault(
                text.span(),
                format!("{key} holds a control character"),
                "in double quotes a backslash begins an escape: write / between folder and file",
            );
            return None;
        }
        let inside = names::path_inside(text.get_ref());
        let Some(inside) = inside else {
            self.fault(
                text.span(),
                format!("{key} must lie in the bench's folder"),
                "a path below this file, without `..`, drive or leading `/`",
            );
            return None;
        };
        Some(inside.to_string_lossy().replace('\\', "/"))
    }

    fn rig(&mut self, rig: raw::Rig) -> Rig {
        let places = [("load", CalibratedAt::Load), ("interface", CalibratedAt::Interface)];
        let channel_span = rig.channel.as_ref().map(Spanned::span);
        let drive_span = rig.drive_channel.as_ref().map(Spanned::span);
        let checked = Rig {
            load_ohms: self.positive("load_ohms", rig.load_ohms),
            load_watts: self.positive("load_watts", rig.load_watts),
            load_tolerance_percent: self.percent("load_tolerance_percent", rig.load_tolerance_percent),
            interface_input_ohms: self.positive("interface_input_ohms", rig.interface_input_ohms),
            interface_input_tolerance_percent: self
                .percent("interface_input_tolerance_percent", rig.interface_input_tolerance_percent),
            pad: rig.pad.and_then(|pad| self.pad(pad)),
            input_full_scale_volts: self.positive("input_full_scale_volts", rig.input_full_scale_volts),
            input_full_scale_uncertainty_percent: self
                .percent("input_full_scale_uncertainty_percent", rig.input_full_scale_uncertainty_percent),
            input_calibrated_at: self.word("input_calibrated_at", rig.input_calibrated_at, &places),
            output_full_scale_volts: self.positive("output_full_scale_volts", rig.output_full_scale_volts),
            output_full_scale_uncertainty_percent: self
                .percent("output_full_scale_uncertainty_percent", rig.output_full_scale_uncertainty_percent),
            meter_percent: self.percent("meter_percent", rig.meter_percent),
            channel: self.count("channel", rig.channel, MOST_CHANNELS),
            drive_channel: self.count("drive_channel", rig.drive_channel, MOST_CHANNELS),
            drive_full_scale_volts: self.positive("drive_full_scale_volts", rig.drive_full_scale_volts),
            drive_full_scale_uncertainty_percent: self
                .percent("drive_full_scale_uncertainty_percent", rig.drive_full_scale_uncertainty_percent),
            loopback: rig.loopback.and_then(|text| self.path("loopback", &text)),
        };
        if let Some(span) = drive_span.or(channel_span)
            && checked.drive_channel.is_some_and(|d| d == checked.channel.unwrap_or(1))
        {
            self.fault(
                span,
                "channel and drive_channel are the same",
                "the amp and its drive need a channel each",
            );
        }
        checked
    }

    fn pad(&mut self, pad: Spanned<raw::Pad>) -> Option<Pad> {
        let span = pad.span();
        let pad = pad.into_inner();
        let both = (pad.top_ohms.is_some() || pad.bottom_ohms.is_some()) && pad.divides_by.is_some();
        let none = pad.top_ohms.is_none() && pad.bottom_ohms.is_none() && pad.divides_by.is_none();
        if both || none {
            let advice = "give top_ohms and bottom_ohms, or divides_by";
            self.fault(span, "the pad is either its two resistors or its measured ratio", advice);
            return None;
        }
        let tolerance_percent = self.percent("tolerance_percent", pad.tolerance_percent);
        if let Some(divides_by) = pad.divides_by {
            let at = divides_by.span();
            let divides_by = self.positive("divides_by", Some(divides_by))?;
            if divides_by < 1.0 {
                let advice = "volts at the load over volts at the interface: 1 or more";
                self.fault(at, format!("divides_by is {divides_by}"), advice);
                return None;
            }
            let measured_with_interface = pad.measured_with_interface.unwrap_or(false);
            return Some(Pad::Measured { divides_by, measured_with_interface, tolerance_percent });
        }
        // 0 ohms on top is a wire: allowed, since "no pad" must be sayable.
        let top_ohms = match pad.top_ohms {
            Some(top) if *top.get_ref() == 0.0 => Some(0.0),
            Some(top) => self.positive("top_ohms", Some(top)),
            None => {
                self.fault(span.clone(), "the pad has no top_ohms", "the resistor from load to interface");
                None
            }
        };
        if pad.bottom_ohms.is_none() {
            self.fault(span, "the pad has no bottom_ohms", "the resistor from interface input to ground");
        }
        let bottom_ohms = self.positive("bottom_ohms", pad.bottom_ohms);
        Some(Pad::Resistors { top_ohms: top_ohms?, bottom_ohms: bottom_ohms?, tolerance_percent })
    }

    fn builds(&mut self, builds: Vec<raw::Build>) -> Vec<Build> {
        let mut seen = BTreeMap::new();
        let mut checked = Vec::with_capacity(builds.len());
        for build in builds {
            self.name("build", &build.name, &mut seen);
            checked.push(Build {
                name: build.name.into_inner(),
                note: self.text(build.note),
                output_valve: self.text(build.output_valve),
                valves: self.count("valves", build.valves, 16).unwrap_or(1),
                cathode_ohms: self.positive("cathode_ohms", build.cathode_ohms),
                screen_ohms: self.positive("screen_ohms", build.screen_ohms),
                primary_ohms: self.positive("primary_ohms", build.primary_ohms),
                screen_share_percent: self.percent("screen_share_percent", build.screen_share_percent),
                limits: build.limits.map(|l| self.limits(l)).unwrap_or_default(),
                dc: build.dc.into_iter().filter_map(|dc| self.dc(dc)).collect(),
            });
        }
        checked
    }

    /// A name that is not empty, has no control characters and stands once.
    fn name(&mut self, kind: &str, name: &Spanned<String>, seen: &mut BTreeMap<String, ()>) {
        let text = name.get_ref();
        if text.trim().is_empty() || text.trim() != text || text.chars().any(char::is_control) {
            let advice = "needs a visible name without spaces at its ends";
            self.fault(name.span(), format!("this {kind} has no usable name"), advice);
        } else if seen.insert(text.clone(), ()).is_some() {
            self.fault(
                name.span(),
                format!("two {kind}s are called {text:?}"),
                "give each a name of its own",
            );
        }
    }

    fn limits(&mut self, limits: raw::Limits) -> Limits {
        let systems = ["design-centre", "design-maximum", "absolute"].map(|s| (s, s));
        Limits {
            rating_system: self.word("rating_system", limits.rating_system, &systems).map(str::to_owned),
            plate_watts: self.positive("plate_watts", limits.plate_watts),
            plate_volts: self.positive("plate_volts", limits.plate_volts),
            screen_watts: self.positive("screen_watts", limits.screen_watts),
            screen_volts: self.positive("screen_volts", limits.screen_volts),
            cathode_milliamperes: self.positive("cathode_milliamperes", limits.cathode_milliamperes),
        }
    }

    fn dc(&mut self, dc: Spanned<raw::Dc>) -> Option<DcPoint> {
        let dc = dc.into_inner();
        let span = dc.point.span();
        let point = dc.point.into_inner();
        if dc.volts.is_none() && dc.expected_volts.is_none() {
            self.fault(span, "this point has no voltage", "give volts (measured) or expected_volts, or both");
            return None;
        }
        Some(DcPoint {
            point,
            volts: self.finite("volts", dc.volts),
            expected_volts: self.finite("expected_volts", dc.expected_volts),
            note: self.text(dc.note),
        })
    }

    fn settings(
        &mut self,
        settings: BTreeMap<Spanned<String>, Spanned<BTreeMap<Spanned<String>, Value>>>,
    ) -> Vec<Setting> {
        // A map forgets the order of the file; the places in it do not.
        let mut ordered: Vec<_> = settings.into_iter().collect();
        ordered.sort_by_key(|(name, _)| name.span().start);
        let mut seen = BTreeMap::new();
        let mut checked = Vec::with_capacity(ordered.len());
        for (name, controls) in ordered {
            self.name("setting", &name, &mut seen);
            let mut controls: Vec<_> = controls.into_inner().into_iter().collect();
            controls.sort_by_key(|(control, _)| control.span().start);
            let mut positions = Vec::with_capacity(controls.len());
            for (control, at) in controls {
                match position(&at) {
                    Some(at) => positions.push((control.into_inner(), at)),
                    None => {
                        self.fault(control.span(), "a control stands at one position", "a text or a number")
                    }
                }
            }
            checked.push(Setting { name: name.into_inner(), controls: positions });
        }
        checked
    }

    fn takes(
        &mut self,
        takes: Vec<Spanned<raw::Take>>,
        builds: &[Build],
        settings: &[Setting],
        source: &str,
    ) -> Vec<TakeEntry> {
        let build_names: Vec<&str> = builds.iter().map(|b| b.name.as_str()).collect();
        let setting_names: Vec<&str> = settings.iter().map(|s| s.name.as_str()).collect();
        let mut files: BTreeMap<String, usize> = BTreeMap::new();
        let mut checked = Vec::with_capacity(takes.len());
        for take in takes {
            let take = take.into_inner();
            let span = take.file.span();
            let kind = self.word("kind", take.kind, &TakeKind::WORDS).unwrap_or_default();
            let quiet_condition = self.word("quiet_condition", take.quiet_condition, &QuietCondition::WORDS);
            let (needs_build, needs_setting) = super::log::needs(kind, quiet_condition);
            if needs_build && take.build.is_none() {
                self.fault(span.clone(), "this take names no build", "add build = \"…\"");
            }
            if needs_setting && take.setting.is_none() {
                self.fault(span.clone(), "this take names no setting", "add setting = \"…\"");
            }
            let file = self.path("file", &take.file).unwrap_or_default();
            if let Some(first) = files.insert(file.clone(), span.start).filter(|_| !file.is_empty()) {
                let line = error::line_of(source, first);
                let advice = format!("already on line {line}: one recording is not two repeats");
                self.fault(span, "this recording is listed twice", advice);
            }
            checked.push(TakeEntry {
                file,
                kind,
                build: self.known("build", take.build, &build_names),
                setting: self.known("setting", take.setting, &setting_names),
                load_ohms: self.positive("load_ohms", take.load_ohms),
                mains_volts: self.positive("mains_volts", take.mains_volts),
                warm_up_minutes: self.warm_up(take.warm_up_minutes),
                quiet_condition,
                order: self.count("order", take.order, u32::MAX),
                date: take.date.as_ref().and_then(position),
                note: self.text(take.note),
                used: take.used.unwrap_or(true),
                why: self.text(take.why),
                sha256: self.sha256(take.sha256),
            });
        }
        checked
    }

    fn warm_up(&mut self, minutes: Option<Spanned<f64>>) -> Option<f64> {
        let span = minutes.as_ref().map(Spanned::span)?;
        let value = self.finite("warm_up_minutes", minutes)?;
        if value < 0.0 {
            self.fault(span, format!("warm_up_minutes is {value}"), "must not be under 0");
            return None;
        }
        Some(value)
    }

    fn sha256(&mut self, text: Option<Spanned<String>>) -> Option<String> {
        let text = text?;
        let lower = text.get_ref().to_lowercase();
        if lower.len() != 64 || !lower.bytes().all(|b| b.is_ascii_hexdigit()) {
            self.fault(text.span(), "sha256 is not a SHA-256", "64 hexadecimal digits, or leave the key out");
            return None;
        }
        Some(lower)
    }

    /// The name of something that stands elsewhere in the file.
    fn known(&mut self, kind: &str, name: Option<Spanned<String>>, names: &[&str]) -> Option<String> {
        let name = name?;
        if !names.contains(&name.get_ref().as_str()) {
            let there = if names.is_empty() { "there is none".to_owned() } else { names.join(", ") };
            let advice = syntax::suggestion(name.get_ref(), names).unwrap_or(format!("known: {there}"));
            self.fault(name.span(), format!("no {kind} is called {:?}", name.get_ref()), advice);
        }
        Some(name.into_inner())
    }
}

/// The most channels that a recording may have (that of the WAV reader is no larger).
const MOST_CHANNELS: u32 = 64;

/// A plain value as text; `None` for lists and tables.
fn position(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => Some(text.clone()),
        Value::Integer(number) => Some(number.to_string()),
        Value::Float(number) => Some(number.to_string()),
        Value::Boolean(on) => Some(if *on { "on" } else { "off" }.to_owned()),
        Value::Datetime(date) => Some(date.to_string()),
        Value::Array(_) | Value::Table(_) => None,
    }
}
