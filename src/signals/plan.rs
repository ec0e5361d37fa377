//! The plan: what a programme plays and when. It is data; the WAV files are
//! made from it and the analysis knows everything from it (methods §1).

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::marker::Code;

/// Name and version of `plan.json`'s form.
pub const SCHEMA: &str = "twinload/plan/1";

/// What is played, in seconds from the first frame of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// [`SCHEMA`].
    pub schema: String,
    /// A name for people.
    pub name: String,
    /// 0 for the whole programme; n for the file that holds only segment n (from 1).
    pub part: u8,
    /// Peak of the loudest tone ("0 dB" of all levels) in dB re full scale.
    pub top_dbfs: f64,
    /// Level of markers and identity, dB re top.
    pub marker_db: f64,
    /// The markers, in order of time.
    pub markers: Vec<MarkerAt>,
    /// Where the row of chirps begins that spells the plan's identity.
    pub identity_seconds: f64,
    /// The segments, in order of time.
    pub segments: Vec<Segment>,
    /// Length of the whole file in seconds.
    pub length_seconds: f64,
}

/// A marker and its place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkerAt {
    /// Which marker.
    pub code: Code,
    /// Where its first chirp begins.
    pub start_seconds: f64,
}

/// One test inside the programme.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Segment {
    /// Unique within the plan: `quiet`, `ladder_up`, `sweep_low`, …
    pub id: String,
    /// Where it begins.
    pub start_seconds: f64,
    /// How long it is, with the gap that belongs to it.
    pub length_seconds: f64,
    /// What it plays.
    pub signal: Signal,
}

/// What a segment plays. All levels are peaks in dB re the programme's top.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Signal {
    /// No drive; dither at the last bit only.
    Quiet {},
    /// A steady tone.
    Tone {
        /// Frequency in Hz.
        frequency_hz: f64,
        /// Peak, dB re top.
        level_db: f64,
    },
    /// A tone whose level goes in steps, phase continuous.
    Ladder {
        /// Frequency in Hz.
        frequency_hz: f64,
        /// Length of each step.
        step_seconds: f64,
        /// The levels in order, dB re top.
        levels_db: Vec<f64>,
    },
    /// A synchronised exponential sweep (methods §5.1).
    Sweep {
        /// Frequency at its begin.
        start_hz: f64,
        /// Frequency at its end.
        end_hz: f64,
        /// L of methods §5.1: time in which the frequency grows e-fold.
        growth_seconds: f64,
        /// Peak, dB re top.
        level_db: f64,
        /// The fade-in ends when the sweep passes this frequency.
        full_from_hz: f64,
        /// The fade-out begins when the sweep passes this frequency.
        full_until_hz: f64,
    },
    /// Two tones at once.
    Pair {
        /// The lower frequency.
        low_hz: f64,
        /// The higher frequency.
        high_hz: f64,
        /// Peak of the lower over the peak of the higher: 4 or 1.
        low_over_high: f64,
        /// Sum of both peaks, dB re top.
        level_db: f64,
        /// Length of the tones; the rest of the segment is gap.
        tone_seconds: f64,
    },
    /// A tone that steps low, high, low, several times over.
    Burst {
        /// Frequency in Hz.
        frequency_hz: f64,
        /// Level before and after, dB re top.
        low_db: f64,
        /// Level of the burst, dB re top.
        high_db: f64,
        /// Low before the burst.
        before_seconds: f64,
        /// The burst.
        high_seconds: f64,
        /// Low after the burst.
        after_seconds: f64,
        /// How many times.
        times: u32,
    },
    /// A tone that rises steadily in level (dB per second constant), for setting up.
    Rise {
        /// Frequency in Hz.
        frequency_hz: f64,
        /// Level at its begin, dB re top.
        from_db: f64,
        /// Level at its end, dB re top.
        to_db: f64,
    },
}

/// What may be chosen when a programme is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Choices {
    /// Peak of "0 dB" re full scale (methods §1: −1 dBFS).
    pub top_dbfs: f64,
    /// Ladder, reference tones and bursts (methods §3.3: why 1010).
    pub frequency_hz: f64,
}

impl Default for Choices {
    fn default() -> Self {
        Self { top_dbfs: -1.0, frequency_hz: 1010.0 }
    }
}

/// Seconds that a marker and the silence round it take.
const MARKER_SLOT: f64 = 1.0;
/// Seconds from a first marker's begin to the first segment: marker, identity, decay.
const OPENING_SLOT: f64 = 2.0;
/// Seconds from a first marker's begin to the identity row.
const IDENTITY_OFFSET: f64 = 0.60;
/// Silence before the first marker: player and relays settle.
const LEAD_IN: f64 = 1.0;

/// Puts segments and markers one after the other.
struct Builder {
    plan: Plan,
    now: f64,
}

impl Builder {
    fn new(name: &str, part: u8, top_dbfs: f64, first: Code) -> Self {
        let plan = Plan {
            schema: SCHEMA.to_owned(),
            name: name.to_owned(),
            part,
            top_dbfs,
            marker_db: -12.0,
            markers: vec![MarkerAt { code: first, start_seconds: LEAD_IN }],
            identity_seconds: LEAD_IN + IDENTITY_OFFSET,
            segments: Vec::new(),
            length_seconds: 0.0,
        };
        Self { plan, now: LEAD_IN + OPENING_SLOT }
    }

    fn add(&mut self, id: &str, length_seconds: f64, signal: Signal) -> &mut Self {
        // Times are kept to the microsecond, so that plan.json reads well.
        let start_seconds = (self.now * 1e6).round() / 1e6;
        self.plan.segments.push(Segment { id: id.to_owned(), start_seconds, length_seconds, signal });
        self.now = start_seconds + length_seconds;
        self
    }

    fn gap(&mut self, seconds: f64) -> &mut Self {
        self.now += seconds;
        self
    }

    fn marker(&mut self, code: Code) -> &mut Self {
        let start_seconds = (self.now * 1e6).round() / 1e6;
        self.plan.markers.push(MarkerAt { code, start_seconds });
        self.now = start_seconds + MARKER_SLOT;
        self
    }

    fn finish(&mut self) -> Plan {
        self.marker(Code::DownUp);
        self.plan.length_seconds = self.plan.markers.last().map_or(self.now, |m| m.start_seconds) + 1.5;
        self.plan.clone()
    }
}

fn ladder_levels() -> Vec<f64> {
    let coarse = (-45..=-21).map(f64::from);
    let fine = (-40..=0).map(|half| f64::from(half) * 0.5);
    coarse.chain(fine).collect()
}

/// The sweep of methods §5.2, recommended row: 10 Hz to 22 kHz, 12.314 s.
fn sweep(level_db: f64, nominal_seconds: f64) -> Signal {
    let (start_hz, end_hz) = (10.0_f64, 22_000.0_f64);
    let growth_seconds = growth_seconds(start_hz, end_hz, nominal_seconds);
    Signal::Sweep { start_hz, end_hz, growth_seconds, level_db, full_from_hz: 13.0, full_until_hz: 21_300.0 }
}

/// Time of e-fold growth of a sweep of about this length; `f1 L` is whole, so that it begins on a zero crossing
/// (reference §6: L = round(f1 T'/ln(f2/f1))/f1).
pub(crate) fn growth_seconds(start_hz: f64, end_hz: f64, nominal_seconds: f64) -> f64 {
    (start_hz * nominal_seconds / (end_hz / start_hz).ln()).round() / start_hz
}

fn pair(low_hz: f64, high_hz: f64, low_over_high: f64, level_db: f64, tone_seconds: f64) -> Signal {
    Signal::Pair { low_hz, high_hz, low_over_high, level_db, tone_seconds }
}

/// The pairs of methods §6, with the names that their segments bear.
const PAIRS: [(&str, f64, f64, f64); 4] = [
    ("modulation", 70.0, 7000.0, 4.0),
    ("difference_mid", 5000.0, 6000.0, 1.0),
    ("difference_high", 19_000.0, 20_000.0, 1.0),
    ("chord", 82.4, 125.1, 1.0),
];

impl Plan {
    /// The default programme (methods §1, with the identity row of design §12 after marker A).
    #[must_use]
    pub fn programme(choices: &Choices) -> Self {
        let frequency_hz = choices.frequency_hz;
        let reference = Signal::Tone { frequency_hz, level_db: -20.0 };
        let mut b = Builder::new("programme", 0, choices.top_dbfs, Code::UpDown);
        b.add("quiet", 4.5, Signal::Quiet {});
        b.add("reference_1", 0.5, reference.clone());
        let levels_db = ladder_levels();
        b.add("ladder_up", 33.0, Signal::Ladder { frequency_hz, step_seconds: 0.5, levels_db });
        let levels_db = (1..=10).map(|k| f64::from(k) * -2.0).collect();
        b.add("ladder_down", 5.5, Signal::Ladder { frequency_hz, step_seconds: 0.5, levels_db });
        b.add("sweep_low", 14.0, sweep(-26.0, 12.0));
        b.marker(Code::DownDown);
        b.add("reference_2", 0.5, reference.clone()).gap(0.5);
        b.add("sweep_high", 14.0, sweep(-6.0, 12.0));
        for (suffix, level_db) in [("low", -20.0), ("high", -10.0)] {
            for (name, low, high, ratio) in PAIRS {
                b.add(&format!("{name}_{suffix}"), 1.8, pair(low, high, ratio, level_db, 1.6));
            }
        }
        b.add(
            "burst",
            9.3,
            Signal::Burst {
                frequency_hz,
                low_db: -26.0,
                high_db: 0.0,
                before_seconds: 0.5,
                high_seconds: 1.0,
                after_seconds: 1.5,
                times: 3,
            },
        );
        let levels_db = (0..=10).map(|k| -20.0 + 2.0 * f64::from(k)).collect();
        b.add("low_e_ladder", 8.0, Signal::Ladder { frequency_hz: 82.4, step_seconds: 0.7, levels_db });
        b.add("reference_3", 0.5, reference).gap(0.5);
        b.finish()
    }

    /// A programme of about 15 s with the same kinds of segment, for tests and trials.
    /// Its ladder has fewer steps, its sweeps are shorter: its figures are coarser.
    #[must_use]
    pub fn short(choices: &Choices) -> Self {
        let frequency_hz = choices.frequency_hz;
        let reference = Signal::Tone { frequency_hz, level_db: -20.0 };
        let mut b = Builder::new("short programme", 0, choices.top_dbfs, Code::UpDown);
        b.add("quiet", 1.4, Signal::Quiet {});
        b.add("reference_1", 0.3, reference.clone());
        let levels_db = (-15..=0).map(|k| f64::from(k) * 2.0).collect();
        b.add("ladder_up", 4.0, Signal::Ladder { frequency_hz, step_seconds: 0.25, levels_db });
        let levels_db = (1..=4).map(|k| f64::from(k) * -4.0).collect();
        b.add("ladder_down", 1.2, Signal::Ladder { frequency_hz, step_seconds: 0.25, levels_db });
        b.add("sweep_low", 2.6, sweep(-26.0, 1.6));
        b.add("sweep_high", 2.6, sweep(-6.0, 1.6));
        b.add("modulation_high", 0.9, pair(70.0, 7000.0, 4.0, -10.0, 0.8));
        b.add("difference_mid_high", 0.9, pair(5000.0, 6000.0, 1.0, -10.0, 0.8));
        b.add(
            "burst",
            1.6,
            Signal::Burst {
                frequency_hz,
                low_db: -26.0,
                high_db: 0.0,
                before_seconds: 0.3,
                high_seconds: 0.6,
                after_seconds: 0.6,
                times: 1,
            },
        );
        b.add("reference_3", 0.3, reference).gap(0.2);
        b.finish()
    }

    /// The level check: a safe start and a slow rise, ten seconds (design §12).
    #[must_use]
    pub fn level_check(choices: &Choices) -> Self {
        let mut b = Builder::new("level check", 0, choices.top_dbfs, Code::UpUp);
        b.add("rise", 10.0, Signal::Rise { frequency_hz: choices.frequency_hz, from_db: -50.0, to_db: 0.0 });
        b.finish()
    }

    /// The plan of the file that holds segment `index` alone, between a marker UU and the closing one.
    /// `None` if there is no such segment.
    #[must_use]
    pub fn part(&self, index: usize) -> Option<Self> {
        let segment = self.segments.get(index)?;
        let part = u8::try_from(index + 1).ok()?;
        let mut b = Builder::new(&self.name, part, self.top_dbfs, Code::UpUp);
        b.plan.marker_db = self.marker_db;
        b.add(&segment.id, segment.length_seconds, segment.signal.clone());
        Some(b.finish())
    }

    /// The segment with this id.
    #[must_use]
    pub fn segment(&self, id: &str) -> Option<&Segment> {
        self.segments.iter().find(|s| s.id == id)
    }

    /// Peak in sample units of a level in dB re top.
    #[must_use]
    pub fn peak(&self, level_db: f64) -> f64 {
        super::render::peak_of_level(self.top_dbfs, level_db)
    }

    /// The 16 bits that a recording carries: the first two bytes of the SHA-256 of the plan's
    /// compact JSON. A part bears the identity of the programme it was cut from, so this is
    /// asked of the programme.
    #[must_use]
    pub fn identity(&self) -> u16 {
        // A plan is plain data without maps or non-finite floats made by us; what cannot be
        // written as JSON hashes as the empty text and matches nothing.
        let text = serde_json::to_vec(self).unwrap_or_default();
        let digest = Sha256::digest(&text);
        u16::from_be_bytes([digest[0], digest[1]])
    }

    /// Checks what a plan.json from outside must hold before anything is measured by it.
    ///
    /// # Errors
    /// The first thing that is wrong, with the segment it concerns.
    pub fn validate(&self) -> Result<(), PlanError> {
        let fault = |at: &str, what: String| Err(PlanError { at: at.to_owned(), what });
        if self.schema != SCHEMA {
            return fault("schema", format!("is {:?}, this version reads {SCHEMA:?}", self.schema));
        }
        let limit = 3600.0;
        if !(self.length_seconds > 0.0 && self.length_seconds <= limit) {
            return fault(
                "length_seconds",
                format!("is {}, must be over 0 and at most {limit}", self.length_seconds),
            );
        }
        if !(-120.0..=0.0).contains(&self.top_dbfs) || !(-120.0..=0.0).contains(&self.marker_db) {
            return fault("top_dbfs, marker_db", "must lie between -120 and 0".to_owned());
        }
        if self.markers.is_empty() || self.markers.len() > 64 || self.segments.len() > 255 {
            return fault("markers, segments", "needs 1 to 64 markers and at most 255 segments".to_owned());
        }
        if !self.markers.windows(2).all(|w| w[0].start_seconds < w[1].start_seconds) {
            return fault("markers", "must stand in order of time".to_owned());
        }
        let inside = |from: f64, length: f64| {
            from >= 0.0 && length > 0.0 && from + length <= self.length_seconds + 1e-6
        };
        if !self.markers.iter().all(|m| inside(m.start_seconds, super::marker::LENGTH_SECONDS)) {
            return fault("markers", "one lies outside the programme".to_owned());
        }
        if !inside(self.identity_seconds, super::identity::LENGTH_SECONDS) {
            return fault("identity_seconds", "lies outside the programme".to_owned());
        }
        let mut seen = std::collections::BTreeSet::new();
        for segment in &self.segments {
            if segment.id.is_empty() || !seen.insert(segment.id.as_str()) {
                return fault(&segment.id, "its id is empty or stands twice".to_owned());
            }
            if !inside(segment.start_seconds, segment.length_seconds) {
                return fault(&segment.id, "lies outside the programme".to_owned());
            }
            if let Err(what) = segment.signal.validate(segment.length_seconds) {
                return fault(&segment.id, what);
            }
        }
        // What plays at the same time adds up, over full scale too, and cannot be told apart.
        let markers = self.markers.iter().map(|m| {
            (m.start_seconds, super::marker::LENGTH_SECONDS, format!("the marker at {} s", m.start_seconds))
        });
        let identity = (self.identity_seconds, super::identity::LENGTH_SECONDS, "the identity".to_owned());
        let segments = self.segments.iter().map(|s| (s.start_seconds, s.length_seconds, s.id.clone()));
        let mut all: Vec<(f64, f64, String)> = markers.chain([identity]).chain(segments).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        for pair in all.windows(2) {
            if let [(start, length, first), (next, _, second)] = pair
                && start + length > next + 1e-6
            {
                return fault(second, format!("begins at {next} s, before the end of {first}"));
            }
        }
        Ok(())
    }
}

/// What is wrong with a plan from outside.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("plan: {at}: {what}")]
pub struct PlanError {
    /// The field or segment at fault.
    pub at: String,
    /// What is wrong with it.
    pub what: String,
}

impl Signal {
    fn validate(&self, length_seconds: f64) -> Result<(), String> {
        let tone = |hz: f64| (1.0..=96_000.0).contains(&hz);
        let level = |db: f64| (-150.0..=0.0).contains(&db);
        let ok = match self {
            Self::Quiet {} => true,
            Self::Tone { frequency_hz, level_db } => tone(*frequency_hz) && level(*level_db),
            Self::Ladder { frequency_hz, step_seconds, levels_db } => {
                let time = *step_seconds * levels_db.len() as f64;
                tone(*frequency_hz)
                    && (0.1..=60.0).contains(step_seconds)
                    && !levels_db.is_empty()
                    && time <= length_seconds + 1e-6
                    && levels_db.iter().all(|&l| level(l))
            }
            Self::Sweep { start_hz, end_hz, growth_seconds, level_db, full_from_hz, full_until_hz } => {
                let time = growth_seconds * (end_hz / start_hz).ln();
                tone(*start_hz)
                    && tone(*end_hz)
                    && (0.05..=60.0).contains(growth_seconds)
                    && level(*level_db)
                    && start_hz <= full_from_hz
                    && full_from_hz < full_until_hz
                    && full_until_hz <= end_hz
                    && time <= length_seconds + 1e-6
            }
            Self::Pair { low_hz, high_hz, low_over_high, level_db, tone_seconds } => {
                tone(*low_hz)
                    && tone(*high_hz)
                    && low_hz < high_hz
                    && (0.01..=100.0).contains(low_over_high)
                    && level(*level_db)
                    && (0.2..=length_seconds + 1e-6).contains(tone_seconds)
            }
            Self::Burst {
                frequency_hz,
                low_db,
                high_db,
                before_seconds,
                high_seconds,
                after_seconds,
                times,
            } => {
                let once = before_seconds + high_seconds + after_seconds;
                tone(*frequency_hz)
                    && level(*low_db)
                    && level(*high_db)
                    && [before_seconds, high_seconds, after_seconds]
                        .iter()
                        .all(|s| (0.05..=60.0).contains(*s))
                    && (1..=100).contains(times)
                    && once * f64::from(*times) <= length_seconds + 1e-6
            }
            Self::Rise { frequency_hz, from_db, to_db } => {
                tone(*frequency_hz) && level(*from_db) && level(*to_db)
            }
        };
        if ok {
            Ok(())
        } else {
            Err("its frequencies, levels or times are out of range or do not fit its length".to_owned())
        }
    }
}
