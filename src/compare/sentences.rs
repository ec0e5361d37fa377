//! Three to seven plain sentences: what differs, by how much, and what may be said of it.
//!
//! They are chosen from the headline figures: clean power and gain always, then what is
//! real, then what could not be measured in one build only; what is within repeats is
//! gathered into one sentence. No sentence rates anything.

use super::catalogue::{self, Telling};
use super::document::{Expressed, Match, Row, Sentence, Standing};
use super::{floor, words};
use crate::figure::{Quantity, Unit};
use crate::rounding;

/// Most sentences, all settings together.
const MOST: usize = 7;
/// Most sentences on settings beside the one with most repeats.
const MOST_OF_OTHERS: usize = 2;
/// Figures in the sentence of what is within repeats.
const MOST_GATHERED: usize = 4;

/// Headline figures in the order of telling, each with its subject. A subject is told once before any is
/// told twice, in the order of their numbers where there is no room for all: what a player hears first.
const ORDER: [(&str, u8); 13] = [
    ("power_at_thd_5_percent", 0),
    ("gain", 1),
    ("power_at_thd_10_percent", 5),
    ("clip_drive_positive", 4),
    ("clip_drive_negative", 4),
    ("onset_span", 5),
    ("harmonic_2", 2),
    ("harmonic_3", 2),
    ("low_corner", 6),
    ("high_corner", 6),
    ("hum_total", 3),
    ("noise", 3),
    ("sag", 7),
];

/// The builds, as named in bench.toml and as shown; reference first.
#[derive(Debug, Clone, Copy)]
pub struct Names<'a> {
    /// As in bench.toml and in rows.
    pub known: &'a [String],
    /// As they stand in running text.
    pub shown: &'a [String],
}

impl<'a> Names<'a> {
    fn of(&self, known: &str) -> &'a str {
        let at = self.known.iter().position(|n| n == known);
        at.and_then(|i| self.shown.get(i)).map_or("", String::as_str)
    }
}

/// Most sentences on builds without takes and on odd takes.
const MOST_FIRST: usize = 2;

/// What is told beside the rows.
#[derive(Debug, Clone, Default)]
pub struct Remarks {
    /// What puts the comparison itself in doubt; told first.
    pub first: Vec<String>,
    /// Builds that idle at different dissipation; told last.
    pub bias: Option<String>,
}

/// The sentences; `settings` in the order of bench.toml, each with its fewest takes a build.
#[must_use]
pub fn of(rows: &[Row], settings: &[(&str, usize)], names: Names, remarks: &Remarks) -> Vec<Sentence> {
    // Of equals the first: `max_by_key` would take the last.
    let Some((lead, _)) = settings.iter().rev().max_by_key(|(_, takes)| *takes) else { return Vec::new() };
    let others: Vec<Sentence> = settings
        .iter()
        .filter(|(setting, _)| setting != lead)
        .filter_map(|(setting, _)| {
            let topics = topics(rows, setting);
            topics
                .iter()
                .find(|t| t.standing() != Standing::NotMeasured)
                .or(topics.first())
                .map(|t| t.sentence(names))
        })
        .take(MOST_OF_OTHERS)
        .collect();
    let beside = |text: &String, quantity: &str| Sentence {
        text: text.clone(),
        quantity: quantity.to_owned(),
        setting: String::new(),
        standing: None,
    };
    let bias = remarks.bias.as_ref().map(|text| beside(text, "plate_dissipation"));
    let mut sentences: Vec<Sentence> =
        remarks.first.iter().take(MOST_FIRST).map(|text| beside(text, "gain")).collect();
    let room = MOST - others.len() - usize::from(bias.is_some()) - sentences.len();
    let tested = rows.iter().filter(|r| r.headline && r.p_value.is_some()).count();
    sentences.extend(lead_sentences(lead, &topics(rows, lead), room, names, tested));
    sentences.extend(others);
    sentences.extend(bias);
    sentences
}

fn lead_sentences(
    setting: &str,
    topics: &[Topic],
    room: usize,
    names: Names,
    tested: usize,
) -> Vec<Sentence> {
    let (always, rest): (Vec<&Topic>, Vec<&Topic>) = topics.iter().partition(|t| t.subject < 2);
    let gathered: Vec<&Topic> =
        rest.iter().copied().filter(|t| t.standing() == Standing::WithinRepeats).collect();
    let room = room.saturating_sub(usize::from(!gathered.is_empty()));
    let mut ranked: Vec<(u8, &Topic)> = rest.iter().filter_map(|t| Some((t.class()?, *t))).collect();
    ranked.sort_by_key(|(class, topic)| (*class, topic.subject, topic.place));
    let mut told = always;
    for once in [true, false] {
        for (_, topic) in &ranked {
            let already = told.iter().any(|t| std::ptr::eq(*t, *topic));
            let subject_told = told.iter().any(|t| t.subject == topic.subject);
            if told.len() < room && !already && !(once && subject_told) {
                told.push(topic);
            }
        }
    }
    told.sort_by_key(|t| t.place);
    told.truncate(room);
    let mut sentences = absent(setting, topics);
    sentences.extend(told.iter().map(|t| t.sentence(names)));
    sentences.extend(no_difference(&gathered, names, tested));
    sentences
}

/// Clean power and gain are told even where no take of any build has the figure.
fn absent(setting: &str, topics: &[Topic]) -> Vec<Sentence> {
    [("power_at_thd_5_percent", "clean power (5 % THD)"), ("gain", "small-signal gain")]
        .into_iter()
        .enumerate()
        .filter(|(subject, _)| !topics.iter().any(|t| usize::from(t.subject) == *subject))
        .map(|(_, (quantity, noun))| Sentence {
            text: format!(
                "At setting {}, {noun} was not measured: no usable take holds a rising ladder.",
                words::name(setting)
            ),
            quantity: quantity.to_owned(),
            setting: setting.to_owned(),
            standing: Some(Standing::NotMeasured),
        })
        .collect()
}

/// One headline figure at one setting, of all builds beside the reference.
struct Topic<'a> {
    rows: Vec<&'a Row>,
    subject: u8,
    place: usize,
}

fn topics<'a>(rows: &'a [Row], setting: &str) -> Vec<Topic<'a>> {
    let here: Vec<&Row> = rows.iter().filter(|r| r.setting == setting).collect();
    let mut topics = Vec::new();
    for (place, (quantity, subject)) in ORDER.into_iter().enumerate() {
        let mut rows: Vec<&Row> =
            here.iter().copied().filter(|r| r.headline && r.quantity == quantity).collect();
        let nothing = rows.iter().all(|r| r.values.iter().all(|v| v.value.is_none()));
        if nothing && quantity == "power_at_thd_5_percent" {
            // Without a calibrated rig the output at that distortion serves, in dBFS.
            let output = |r: &&Row| {
                r.quantity == "output"
                    && r.matched == Match::SameDistortion
                    && r.matched_at.as_ref().and_then(|q| q.value) == Some(5.0)
            };
            let instead: Vec<&Row> = here.iter().copied().filter(output).collect();
            if instead.iter().any(|r| r.difference.value.is_some()) {
                rows = instead;
            }
        }
        if !rows.is_empty() {
            topics.push(Topic { rows, subject, place });
        }
    }
    topics
}

impl Topic<'_> {
    /// The strongest standing of its rows.
    fn standing(&self) -> Standing {
        let strength = |s: &Standing| match s {
            Standing::Real => 3,
            Standing::OneTakeOnly => 2,
            Standing::WithinRepeats => 1,
            Standing::NotMeasured => 0,
        };
        self.rows.iter().map(|r| r.standing).max_by_key(strength).unwrap_or(Standing::NotMeasured)
    }

    /// How early it is told; `None`: not by itself.
    fn class(&self) -> Option<u8> {
        let relevant = self.rows.iter().any(|r| r.relevant == Some(true));
        let under = self.rows.iter().all(|r| r.relevant == Some(false));
        let in_one = self.rows.iter().any(|r| r.values.iter().filter(|v| v.value.is_some()).count() == 1);
        match self.standing() {
            Standing::Real if relevant => Some(0),
            Standing::Real if !under => Some(1),
            Standing::Real => Some(2),
            Standing::OneTakeOnly if relevant => Some(3),
            Standing::NotMeasured if in_one => Some(4),
            Standing::OneTakeOnly => Some(5),
            Standing::NotMeasured => Some(6),
            Standing::WithinRepeats => None,
        }
    }

    fn sentence(&self, names: Names) -> Sentence {
        let (quantity, setting) = self
            .rows
            .first()
            .map_or((String::new(), String::new()), |r| (r.quantity.clone(), r.setting.clone()));
        let text = match self.rows.as_slice() {
            [row] => pair(row, names),
            rows => many(rows, names),
        };
        let text = format!("At setting {}, {text}.", words::name(&setting));
        Sentence { text, quantity, setting, standing: Some(self.standing()) }
    }
}

/// The noun of a row with the place of its match: "second harmonic at 1 W".
fn noun(row: &Row) -> String {
    let entry = catalogue::of_row(row);
    match (&row.matched_at, entry.telling) {
        // For what the drive is needed says the place already.
        (_, Telling::Drive) | (None, _) => entry.noun,
        (Some(at), _) => format!("{} {}", entry.noun, super::row::at_words(row.matched, at)),
    }
}

/// The noun as the thing itself: drives are "drive for …".
fn thing(row: &Row) -> String {
    let noun = noun(row);
    if catalogue::of_row(row).telling == Telling::Drive { format!("drive for {noun}") } else { noun }
}

/// Two builds.
fn pair(row: &Row, names: Names) -> String {
    let [a, b] = [names.of(&row.builds[0]), names.of(&row.builds[1])];
    let [value_a, value_b] = texts(row);
    let thing = thing(row);
    let values = format!("{b} {value_b}, {a} {value_a}");
    match row.standing {
        Standing::Real => format!("{} ({values}): {}{}", clause(row, a, b), real_words(row), but_floor(row)),
        Standing::WithinRepeats => {
            format!(
                "no difference in {thing} is shown ({values}, difference {}): within repeats",
                row.difference_text
            )
        }
        Standing::OneTakeOnly if shows_nothing(row) => {
            format!(
                "{thing} reads the same in both ({values}): one take only, so nothing is known of scatter"
            )
        }
        Standing::OneTakeOnly => {
            let clause = clause(row, a, b);
            format!("{clause} ({values}): one take only, so nothing is known of scatter{}", but_floor(row))
        }
        Standing::NotMeasured => not_measured(row, a, b),
    }
}

fn texts(row: &Row) -> [&str; 2] {
    let text = |at: usize| row.value_texts.get(at).map_or(rounding::NOT_MEASURED, String::as_str);
    [text(0), text(1)]
}

fn not_measured(row: &Row, a: &str, b: &str) -> String {
    let reason = |at: usize| {
        let note = row.values.get(at).and_then(|v| v.note.as_deref()).unwrap_or("no reason given");
        note.trim_end_matches('.').to_owned()
    };
    let has = |at: usize| row.values.get(at).is_some_and(|v| v.value.is_some());
    let [value_a, value_b] = texts(row);
    let thing = thing(row);
    match (has(0), has(1)) {
        (true, true) => format!("{thing} cannot be compared: the two builds' figures have different units"),
        (true, false) => format!("{thing} was not measured in {b} ({}); in {a} it is {value_a}", reason(1)),
        (false, true) => format!("{thing} was not measured in {a} ({}); in {b} it is {value_b}", reason(0)),
        (false, false) if reason(0) == reason(1) => {
            format!("{thing} was measured in neither build ({})", reason(0))
        }
        (false, false) => {
            format!("{thing} was measured in neither build ({a}: {}; {b}: {})", reason(0), reason(1))
        }
    }
}

/// "rework gives 0.37 ± 0.09 dB more clean power (5 % THD) than as-drawn".
fn clause(row: &Row, a: &str, b: &str) -> String {
    let entry = catalogue::of_row(row);
    let noun = noun(row);
    let more = row.difference.value.is_some_and(|v| v > 0.0);
    let size = size(row);
    match (entry.telling, row.expressed) {
        (Telling::Gives, Expressed::Ratio) => format!("{b} gives {size} times the {noun} that {a} gives"),
        (Telling::Has, Expressed::Ratio) => format!("{b} has {size} times the {noun} that {a} has"),
        (_, Expressed::Ratio) => format!("{} of {b} is {size} times that of {a}", with_article(&noun)),
        (Telling::Gives, _) => format!("{b} gives {size} {} {noun} than {a}", pick(more, "more", "less")),
        (Telling::Has, _) => format!("{b} has {size} {} {noun} than {a}", pick(more, "more", "less")),
        (Telling::Drive, _) => {
            format!("{b} takes {size} {} drive for {noun} than {a}", pick(more, "more", "less"))
        }
        (Telling::Place, _) => {
            let word = match (row.values.first().map(|v| v.unit), row.quantity.as_str()) {
                (_, "onset_span") => pick(more, "wider", "narrower"),
                (Some(Unit::Seconds), _) => pick(more, "longer", "shorter"),
                _ => pick(more, "higher", "lower"),
            };
            format!("{} of {b} is {size} {word} than that of {a}", with_article(&noun))
        }
    }
}

fn pick(more: bool, yes: &'static str, no: &'static str) -> &'static str {
    if more { yes } else { no }
}

fn with_article(noun: &str) -> String {
    if noun.starts_with("THD") { noun.to_owned() } else { format!("the {noun}") }
}

/// The difference without its sign, which the word beside it tells.
fn size(row: &Row) -> String {
    let difference = &row.difference;
    let unsigned = match (row.expressed, difference.value) {
        (Expressed::Ratio, _) => difference.clone(),
        (_, Some(value)) if value < 0.0 => Quantity {
            value: Some(-value),
            interval: difference.interval.map(|[low, high]| [-high, -low]),
            ..difference.clone()
        },
        _ => difference.clone(),
    };
    let text = rounding::text(&unsigned);
    if row.expressed == Expressed::Plain && difference.unit == Unit::Percent {
        text.replace(" %", " percentage points")
    } else {
        text
    }
}

/// One take a side and the same number to the last bit.
fn shows_nothing(row: &Row) -> bool {
    let none = if row.expressed == Expressed::Ratio { 1.0 } else { 0.0 };
    row.difference.value == Some(none)
}

fn real_words(row: &Row) -> String {
    match (row.relevant, &row.threshold) {
        (Some(true), Some(threshold)) => {
            format!("real, and over what a listener may notice ({threshold}; common practice)")
        }
        (Some(false), Some(threshold)) => {
            format!("real, but under what a listener may notice ({threshold}; common practice)")
        }
        _ => "real".to_owned(),
    }
}

/// Three builds or more: all values in one sentence.
fn many(rows: &[&Row], names: Names) -> String {
    let Some(first) = rows.first() else { return String::new() };
    let reference = names.of(&first.builds[0]);
    // The reference's own text, where a row has it.
    let own = rows.iter().find(|r| r.values.first().is_some_and(|v| v.value.is_some())).unwrap_or(first);
    let mut parts = vec![format!("{} in {reference}", texts(own)[0])];
    for row in rows {
        let b = names.of(&row.builds[1]);
        let value = texts(row)[1];
        parts.push(match row.standing {
            Standing::NotMeasured => format!("{value} in {b}"),
            standing => format!("{value} in {b} ({}, {})", row.difference_text, standing.words()),
        });
    }
    let over_floor = |row: &&Row| Some(format!("; {}: {}", names.of(&row.builds[1]), floor::told(row)?));
    let warnings: String = rows.iter().filter_map(over_floor).collect();
    format!("{} is {}{warnings}", thing(first), words::list(&parts))
}

/// A claim smaller than the interface's own floor allows says so where it is made.
fn but_floor(row: &Row) -> String {
    floor::told(row).map(|why| format!("; but {why}")).unwrap_or_default()
}

/// All headline figures that show no difference, in one sentence.
fn no_difference(topics: &[&Topic], names: Names, tested: usize) -> Option<Sentence> {
    let rows: Vec<&Row> = topics.iter().filter_map(|t| t.rows.first().copied()).collect();
    let first = rows.first()?;
    let several_builds = topics.iter().any(|t| t.rows.len() > 1);
    let told = |topic: &&Topic| {
        let difference = |r: &&Row| {
            let build = if several_builds { format!("{} ", names.of(&r.builds[1])) } else { String::new() };
            // What its own interval shows and the correction takes back must not read like a plain null.
            let taken_back = if super::row::excludes_no_difference(r) {
                format!(" (too little with {tested} figures tested together)")
            } else {
                String::new()
            };
            format!("{build}{}{taken_back}", r.difference_text)
        };
        let differences: Vec<String> = topic.rows.iter().map(difference).collect();
        Some(format!("{} {}", thing(topic.rows.first()?), differences.join(", ")))
    };
    let mut list: Vec<String> = topics.iter().take(MOST_GATHERED).filter_map(told).collect();
    if topics.len() > MOST_GATHERED {
        list.push(format!("and {} more", topics.len() - MOST_GATHERED));
    }
    let begin = match topics.len() {
        1 => "one headline figure is within repeats, so it shows no difference",
        _ => "these headline figures are within repeats, so they show no difference",
    };
    let text = format!("At setting {}, {begin}: {}.", words::name(&first.setting), list.join("; "));
    Some(Sentence {
        text,
        quantity: first.quantity.clone(),
        setting: first.setting.clone(),
        standing: Some(Standing::WithinRepeats),
    })
}
