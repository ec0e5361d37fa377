//! Was it a fair comparison? One line a question, each with the numbers seen.

use super::document::{FairnessLine, Match, Row};
use super::group::{Group, Member, Selection};
use super::words;
use crate::bench::Bench;
use crate::figure::{Quantity, Unit};
use crate::rounding;
use crate::statistics::Mean;

/// Mains voltages alike (design §7).
const MAINS_PERCENT: f64 = 2.0;
/// Reference tones within this: the amp had settled (design §12).
const SETTLED_DB: f64 = 0.1;
/// Drives at the programme's top alike: what counts as settled counts here too.
const DRIVE_DB: f64 = 0.1;
/// Warm-up alike: within this many minutes … (design §12).
const WARM_UP_WITHIN_MINUTES: f64 = 5.0;
/// … or all over this many.
const WARMED_UP_MINUTES: f64 = 20.0;

/// All lines, in the order of print.
#[must_use]
pub fn of(bench: &Bench, selection: &Selection, names: &[String], rows: &[Row]) -> Vec<FairnessLine> {
    let view = View { bench, selection, names, rows };
    let mut lines = vec![
        view.repeats(),
        view.programme(),
        view.settings(),
        view.load(),
        view.calibration(),
        view.mains(),
        view.rate(),
        view.settled(),
        view.clipped_input(),
        view.warm_up(),
    ];
    lines.extend(view.recorder());
    lines.extend(view.drive());
    lines.extend(view.brackets());
    lines
}

struct View<'a> {
    bench: &'a Bench,
    selection: &'a Selection<'a>,
    names: &'a [String],
    rows: &'a [Row],
}

fn line(code: &str, title: &str, kept: Option<bool>, saw: String, effect: &str) -> FairnessLine {
    let effect = (kept != Some(true)).then(|| effect.to_owned());
    FairnessLine { code: code.to_owned(), title: title.to_owned(), kept, saw, effect }
}

impl<'a> View<'a> {
    fn members(&self) -> impl Iterator<Item = &'a Member<'a>> + 'a {
        self.selection.groups.iter().flat_map(|g| g.builds.iter().flatten())
    }

    fn of_build(&self, index: usize) -> impl Iterator<Item = &'a Member<'a>> + 'a {
        self.selection.groups.iter().filter_map(move |g| g.builds.get(index)).flatten()
    }

    /// "as-drawn 3fa2; rework 91bc" out of one text a build.
    fn by_build(&self, of: impl Fn(&Member) -> String) -> String {
        let of_build = |(index, name): (usize, &String)| {
            let mut seen: Vec<String> = Vec::new();
            for text in self.of_build(index).map(&of) {
                if !seen.contains(&text) {
                    seen.push(text);
                }
            }
            let seen = if seen.is_empty() { "no take".to_owned() } else { words::list(&seen) };
            format!("{name}: {seen}")
        };
        self.names.iter().enumerate().map(of_build).collect::<Vec<_>>().join("; ")
    }

    /// All values of a property; `None` where a take does not tell it.
    fn same<T: PartialEq>(&self, of: impl Fn(&Member) -> Option<T>) -> Option<bool> {
        let values: Option<Vec<T>> = self.members().map(of).collect();
        values.map(|v| v.windows(2).all(|pair| matches!(pair, [a, b] if a == b)))
    }

    fn repeats(&self) -> FairnessLine {
        let counts = |g: &Group| g.builds.iter().map(Vec::len).collect::<Vec<_>>();
        let saw: Vec<String> = self
            .selection
            .groups
            .iter()
            .map(|g| {
                let of_build = |(name, n): (&String, usize)| format!("{} of {name}", words::count(n, "take"));
                let each: Vec<String> = self.names.iter().zip(counts(g)).map(of_build).collect();
                format!("{}: {}", words::name(&g.setting.name), words::list(&each))
            })
            .collect();
        let fewest = self.selection.groups.iter().flat_map(counts).min().unwrap_or(0);
        let effect = match fewest {
            0 | 1 => {
                "one take tells nothing of scatter, so no difference there can be called real; three takes a build would tell"
            }
            _ => {
                "two takes a build show only differences over about 13 times their scatter, three over 6 times (four times in five; \
                 where many headline figures are judged together up to 20 and 9 times)"
            }
        };
        line("repeats", "Repeats", Some(fewest >= 3), saw.join("; "), effect)
    }

    /// Whether the recorder's gain is the same at all levels, as the loopback shows it; no line where there is none.
    fn recorder(&self) -> Option<FairnessLine> {
        let code = "straight_recorder";
        let bent = super::of_loopback(self.selection).into_iter().find(|f| f.code == "loopback_not_straight");
        if let Some(bent) = bent {
            return Some(line(code, "Straight recorder", Some(false), bent.saw.clone(), &bent.effect));
        }
        let has_floor = |m: &Member| m.take.figures.quantities.values().any(|q| q.floor.is_some());
        self.members().any(has_floor).then(|| {
            let saw = "the loopback's gain is the same at all levels".to_owned();
            line(code, "Straight recorder", Some(true), saw, "")
        })
    }

    /// The drive as its own channel shows it; no line where it was not recorded.
    fn drive(&self) -> Option<FairnessLine> {
        let top = |m: &Member| m.take.figures.get("drive_at_top").cloned();
        let known: Vec<Quantity> = self.members().filter_map(top).filter(|q| q.value.is_some()).collect();
        let unit = known.first()?.unit;
        let all = self.members().count();
        let level = |q: &Quantity| match (q.value, q.unit == unit) {
            (Some(value), true) if unit == Unit::Volts => Some(20.0 * value.log10()),
            (value, true) => value,
            _ => None,
        };
        let levels: Vec<f64> = known.iter().filter_map(level).collect();
        let (low, high) =
            levels.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        let kept = (levels.len() == all).then_some(high - low <= DRIVE_DB);
        let saw = format!(
            "as recorded beside the amp, drive at the programme's top differs by {:.2} dB at most ({} of {} takes)",
            high - low,
            levels.len(),
            all
        );
        Some(line(
            "same_drive",
            "Same drive",
            kept,
            saw,
            "what is compared at the same drive was not driven alike: was the interface's output moved?",
        ))
    }

    fn programme(&self) -> FairnessLine {
        let kept = self.same(|m| m.take.plan.clone());
        let saw = match (kept, self.members().find_map(|m| m.take.plan.as_ref())) {
            (Some(true), Some(plan)) => format!("all takes are of programme {plan}"),
            _ => self.by_build(|m| m.take.plan.clone().unwrap_or_else(|| "unknown".to_owned())),
        };
        line(
            "same_programme",
            "Same programme",
            kept,
            saw,
            "levels and steps of two programmes may differ, so figures at one drive are not figures at the same drive",
        )
    }

    fn settings(&self) -> FairnessLine {
        let mut missing = Vec::new();
        for group in &self.selection.groups {
            for (takes, name) in group.builds.iter().zip(self.names) {
                if takes.is_empty() {
                    missing.push(format!("{}: no usable take of {name}", words::name(&group.setting.name)));
                }
            }
        }
        let controls = self.selection.groups.iter().map(|g| match g.setting.words().as_str() {
            "" => format!("{} (controls not noted)", words::name(&g.setting.name)),
            words => format!("{} ({})", words::name(&g.setting.name), words::name(words)),
        });
        let saw =
            if missing.is_empty() { controls.collect::<Vec<_>>().join("; ") } else { missing.join("; ") };
        line(
            "same_settings",
            "Same settings",
            Some(missing.is_empty()),
            saw,
            "at a setting with takes of one build only nothing can be compared",
        )
    }

    fn load(&self) -> FairnessLine {
        let kept = self.same(|m| m.take.load_ohms);
        let ohms =
            |m: &Member| m.take.load_ohms.map_or("unknown".to_owned(), |r| rounding::plain(r, Unit::Ohms));
        let saw = match (kept, self.members().find_map(|m| m.take.load_ohms)) {
            (Some(true), Some(load)) => format!("all takes into {}", rounding::plain(load, Unit::Ohms)),
            _ => self.by_build(ohms),
        };
        let apart = self.selection.groups.iter().flat_map(|g| g.other_loads.iter().flatten()).count();
        let saw = match apart {
            0 => saw,
            n => format!("{saw}; {} at another load kept apart", words::count(n, "take")),
        };
        line(
            "same_load",
            "Same load",
            kept,
            saw,
            "power, distortion and response of a valve amp all depend on the load",
        )
    }

    fn calibration(&self) -> FairnessLine {
        let rig = &self.bench.rig;
        match rig.load_full_scale_volts() {
            Some(volts) => line(
                "same_calibration",
                "Same calibration",
                None,
                format!(
                    "one calibration is written down for all takes (full scale is {} across the load); whether a gain control moved since is not known",
                    rounding::plain(volts, Unit::Volts)
                ),
                "calibrating once more after the last take would show it",
            ),
            None => line(
                "same_calibration",
                "Same calibration",
                None,
                "the rig is not calibrated, so levels are in dBFS".to_owned(),
                "a gain control of the interface that was moved between the builds would look like a difference of the amp",
            ),
        }
    }

    fn mains(&self) -> FairnessLine {
        const TITLE: &str = "Same mains voltage";
        const CODE: &str = "mains_voltage";
        let noted = |index: usize| {
            let volts: Option<Vec<f64>> = self.of_build(index).map(|m| m.entry.mains_volts).collect();
            Some(Mean::of(&volts?)?.value)
        };
        let each: Vec<Option<f64>> = (0..self.names.len()).map(noted).collect();
        let said = |(name, volts): (&String, &Option<f64>)| {
            let volts = volts.map_or("not noted".to_owned(), |v| format!("{v:.1} V"));
            format!("{name} {volts}")
        };
        let saw: Vec<String> = self.names.iter().zip(&each).map(said).collect();
        let (Some(Some(reference)), true) = (each.first(), each.iter().all(Option::is_some)) else {
            let effect =
                "power follows the mains voltage roughly by its square: 2 % of mains is 0.17 dB of power";
            return line(CODE, TITLE, None, saw.join(", "), effect);
        };
        let mut kept = true;
        let mut effects = Vec::new();
        for (name, volts) in self.names.iter().zip(each.iter().flatten()).skip(1) {
            let percent = 100.0 * (volts / reference - 1.0);
            let expected = Quantity::new(20.0 * (volts / reference).log10(), Unit::Decibels);
            if percent.abs() > MAINS_PERCENT {
                kept = false;
                effects.push(format!(
                    "{name} had {} of the reference's mains: power would follow by about {} (roughly the square); {}",
                    rounding::plain(percent + 100.0, Unit::Percent),
                    rounding::signed(&expected),
                    self.measured_shift(name),
                ));
            }
        }
        line(CODE, TITLE, Some(kept), saw.join(", "), &effects.join("; "))
    }

    /// The measured change of clean power of this build, for comparison with what the mains would do.
    fn measured_shift(&self, shown_name: &str) -> String {
        let index = self.names.iter().position(|n| n == shown_name).unwrap_or(0);
        let name = self.selection.builds.get(index).map_or("", |b| b.name.as_str());
        let row = self.rows.iter().find(|r| {
            r.quantity == "power_at_thd_5_percent"
                && r.matched == Match::Whole
                && r.builds.last().is_some_and(|b| b == name)
                && r.difference.value.is_some()
        });
        row.map_or("clean power was not measured in both".to_owned(), |r| {
            format!("clean power at {} changed by {}", words::name(&r.setting), r.difference_text)
        })
    }

    fn rate(&self) -> FairnessLine {
        let kept = self.same(|m| m.take.rate);
        let hertz = |m: &Member| m.take.rate.map_or("unknown".to_owned(), |r| format!("{r} Hz"));
        let saw = match (kept, self.members().find_map(|m| m.take.rate)) {
            (Some(true), Some(rate)) => format!("all takes at {rate} Hz"),
            _ => self.by_build(hertz),
        };
        line(
            "same_rate",
            "Same sample rate",
            kept,
            saw,
            "the interface's own response near the band's upper end differs with its rate",
        )
    }

    fn settled(&self) -> FairnessLine {
        const TITLE: &str = "Settled while recording";
        let shift = |m: &Member| m.take.figures.value("reference_shift");
        let known: Vec<(&Member, f64)> = self.members().filter_map(|m| Some((m, shift(m)?))).collect();
        let total = self.members().count();
        let effect = "the amp was still moving during the take: differences of that size may be warm-up and not the change";
        let Some(largest) = known.iter().map(|(_, s)| s.abs()).reduce(f64::max) else {
            return line("settled", TITLE, None, "no take holds the reference tones".to_owned(), effect);
        };
        let moved: Vec<String> = known
            .iter()
            .filter(|(_, s)| s.abs() > SETTLED_DB)
            .map(|(m, s)| {
                format!("{} by {}", m.entry.file, rounding::signed(&Quantity::new(*s, Unit::Decibels)))
            })
            .collect();
        let mut saw = if moved.is_empty() {
            format!("the reference tone moved by at most {}", rounding::plain(largest, Unit::Decibels))
        } else {
            format!("the reference tone moved in {}", words::list(&moved))
        };
        if known.len() < total {
            saw = format!("{saw}; not known of {} of {total} takes", total - known.len());
        }
        let kept = if moved.is_empty() { (known.len() == total).then_some(true) } else { Some(false) };
        line("settled", TITLE, kept, saw, effect)
    }

    fn clipped_input(&self) -> FairnessLine {
        let clipped: Vec<String> = self
            .members()
            .filter_map(|m| {
                let finding = m.take.findings.iter().find(|f| f.code == "clipped_input")?;
                Some(format!("{} ({})", m.entry.file, finding.saw))
            })
            .collect();
        let total = self.members().count();
        let saw = if clipped.is_empty() {
            format!("none of {} clips the recorder's input", words::count(total, "take"))
        } else {
            format!("the recorder's input clips in {}", words::list(&clipped))
        };
        line(
            "no_clipped_input",
            "No clipped input",
            Some(clipped.is_empty()),
            saw,
            "steps that clip the recorder are struck out; turn the interface's input down and record again",
        )
    }

    fn warm_up(&self) -> FairnessLine {
        const TITLE: &str = "Similar warm-up";
        let minutes: Option<Vec<f64>> = self.members().map(|m| m.entry.warm_up_minutes).collect();
        let effect =
            "bias and gain move while an amp warms up, for 20 minutes or so (common practice, no source)";
        let Some(minutes) = minutes.filter(|m| !m.is_empty()) else {
            let noted = self.members().filter(|m| m.entry.warm_up_minutes.is_some()).count();
            let saw = format!("noted for {noted} of {} takes", self.members().count());
            return line("warm_up", TITLE, None, saw, effect);
        };
        let (low, high) =
            minutes.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), m| (l.min(*m), h.max(*m)));
        let kept = high - low <= WARM_UP_WITHIN_MINUTES || low > WARMED_UP_MINUTES;
        let span = if high > low { format!("{low} to {high}") } else { format!("{low}") };
        line("warm_up", TITLE, Some(kept), format!("{span} minutes after power-on"), effect)
    }

    fn brackets(&self) -> Vec<FairnessLine> {
        self.selection
            .groups
            .iter()
            .filter(|g| g.builds.iter().all(|b| !b.is_empty()))
            .map(|g| self.bracket(g))
            .collect()
    }

    /// A, then B, then A again: does the last A repeat the first?
    fn bracket(&self, group: &Group) -> FairnessLine {
        const TITLE: &str = "Bench stood still (A, B, A)";
        let setting = words::name(&group.setting.name);
        let give = |kept, saw: String, effect: &str| {
            line("bracket", TITLE, kept, format!("{setting}: {saw}"), effect)
        };
        let unknown = "whether the bench drifted between the builds is not known; record the reference once more at the end and note order or date of the takes";
        let Some(sequence) = in_order(group) else {
            return give(None, "the order of recording is not noted".to_owned(), unknown);
        };
        let others = |p: &(usize, &Member)| p.0 != 0;
        let (first_other, last_other) = (sequence.iter().position(others), sequence.iter().rposition(others));
        let (Some(first_other), Some(last_other)) = (first_other, last_other) else {
            return give(None, "only the reference was recorded".to_owned(), unknown);
        };
        let before = of_reference(sequence.get(..first_other).unwrap_or_default());
        let after = of_reference(sequence.get(last_other + 1..).unwrap_or_default());
        let order = self.told_order(&sequence);
        if before.is_empty() || after.is_empty() {
            return give(None, format!("recorded in the order {order}"), unknown);
        }
        let drift = |figure: &str, to_db: fn(f64) -> f64| {
            let mean = |members: &[&Member]| {
                let values: Option<Vec<f64>> =
                    members.iter().map(|m| m.take.figures.value(figure).map(to_db)).collect();
                Some(Mean::of(&values?)?.value)
            };
            Some(Quantity::new(mean(&after)? - mean(&before)?, Unit::Decibels))
        };
        let gain = drift("gain", |v| v);
        let power = drift("power_at_thd_5_percent", |v| 10.0 * v.log10());
        let told =
            |q: &Option<Quantity>| q.as_ref().map_or(rounding::NOT_MEASURED.to_owned(), rounding::signed);
        let saw = format!(
            "order {order}; from the first to the last {} gain moved by {}, clean power by {}",
            self.names.first().map_or("", String::as_str),
            told(&gain),
            told(&power)
        );
        let kept = gain.as_ref().and_then(|g| g.value).map(|g| g.abs() <= SETTLED_DB);
        let effect = match &gain {
            Some(gain) => format!(
                "the bench drifted: differences of level of about {} between the builds may be drift",
                rounding::plain(gain.value.unwrap_or_default().abs(), Unit::Decibels)
            ),
            None => unknown.to_owned(),
        };
        give(kept, saw, &effect)
    }

    /// "as-drawn, rework, as-drawn", runs of one build told once.
    fn told_order(&self, sequence: &[(usize, &Member)]) -> String {
        let mut runs: Vec<usize> = sequence.iter().map(|p| p.0).collect();
        runs.dedup();
        let named: Vec<&str> = runs.iter().filter_map(|i| self.names.get(*i)).map(String::as_str).collect();
        named.join(", ")
    }
}

/// The reference's takes of a stretch of the sequence.
fn of_reference<'m, 'a>(stretch: &[(usize, &'m Member<'a>)]) -> Vec<&'m Member<'a>> {
    stretch.iter().filter(|p| p.0 == 0).map(|p| p.1).collect()
}

/// Takes of a group in the order of recording, each with its build's index; `None` if neither
/// `order` nor `date` is noted of all.
fn in_order<'a>(group: &'a Group<'a>) -> Option<Vec<(usize, &'a Member<'a>)>> {
    let mut all: Vec<(usize, &Member)> =
        group.builds.iter().enumerate().flat_map(|(i, b)| b.iter().map(move |m| (i, m))).collect();
    if all.iter().all(|(_, m)| m.entry.order.is_some()) {
        all.sort_by_key(|(_, m)| m.entry.order);
        return Some(all);
    }
    if all.iter().all(|(_, m)| m.entry.date.is_some()) {
        // ISO 8601 dates sort as text.
        all.sort_by(|a, b| a.1.entry.date.cmp(&b.1.entry.date));
        let dates: Vec<_> = all.iter().map(|(_, m)| &m.entry.date).collect();
        let distinct = dates.windows(2).all(|pair| matches!(pair, [a, b] if a != b));
        return distinct.then_some(all);
    }
    None
}
