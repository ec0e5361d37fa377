//! The faults, each with its strength.

use twinload::signals::{Identity, Player};
use twinload::simulate::Fault;
use twinload::simulate::noise::White;

use super::takes::{Amp, LATENCY_SECONDS};

/// Faults to put in, and the seconds of the recording at one of which one must be placed, if they have places.
pub type Made = (Vec<Fault>, Vec<f64>);

/// What tells a fault that one channel of an amp does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Helper {
    /// Nothing is needed: the bound is where it moves a figure.
    NotNeeded,
    /// Nothing is needed, but the drive on the other channel or a loopback tells that it is not the amp's doing.
    Confirms,
    /// The drive on the other channel, or a loopback.
    DriveOrLoopback,
    /// A loopback at the level of the takes.
    Loopback,
}

/// A kind of fault.
pub struct Kind {
    pub name: &'static str,
    /// Findings that name it.
    pub codes: &'static [&'static str],
    /// It does not make the take unfit.
    pub is_note: bool,
    /// What its strength is told in.
    pub unit: &'static str,
    /// Least and most strength, where it has one.
    pub range: Option<(f64, f64)>,
    /// Strength from which it must be found, where that is not where it moves a figure (docs/checks.md tells why).
    pub from: Option<f64>,
    /// Without regard to where.
    pub is_without_place: bool,
    /// On which amps it is told from that strength.
    pub from_on: fn(&Amp) -> bool,
    /// What tells it where one channel alone does not, or not below `from` (tests/fault_helpers.rs).
    pub helper: Helper,
    /// Strength from which that tells it, if that is more than where it moves a figure (docs/checks.md tells why).
    pub helped_from: f64,
    /// On which amps it can be told.
    pub on: fn(&Amp) -> bool,
    pub make: fn(&Amp, &mut White, f64) -> Made,
}

impl Kind {
    /// Whether one channel tells it where it moves a figure.
    pub fn is_told_alone(&self) -> bool {
        matches!(self.helper, Helper::NotNeeded | Helper::Confirms)
    }

    /// The least strength whose movement is 1 or more, and of what; `None` if even the most moves nothing.
    pub fn critical(&self, movement: impl Fn(f64) -> (f64, String)) -> Option<(f64, String)> {
        let (mut low, mut high) = self.range?;
        let (moved, mut what) = movement(high);
        if moved < 1.0 {
            return None;
        }
        if movement(low).0 >= 1.0 {
            return Some((low, movement(low).1));
        }
        while high / low > 1.15 {
            let middle =
                if self.unit == "samples" { (low * high).sqrt().round() } else { (low * high).sqrt() };
            if middle <= low || middle >= high {
                break;
            }
            let (moved, of) = movement(middle);
            if moved >= 1.0 {
                (high, what) = (middle, of);
            } else {
                low = middle;
            }
        }
        Some((high, what))
    }
}

fn any(_: &Amp) -> bool {
    true
}

/// A place in the louder steps of the rising ladder, away from their edges.
fn in_ladder(amp: &Amp, random: &mut White) -> f64 {
    let step = 6 + (random.uniform() * 10.0) as usize;
    amp.at("ladder_up", 0.25 * step as f64 + 0.06 + 0.16 * random.uniform())
}

/// A place in a segment, away from its ends: a sweep ends at six tenths of its segment.
fn within(amp: &Amp, random: &mut White, id: &str) -> f64 {
    let length = amp.plan.segment(id).unwrap().length_seconds;
    let most = if id.starts_with("sweep") { 0.4 } else { 0.5 };
    amp.at(id, length * (0.15 + most * random.uniform()))
}

fn lost(at_seconds: f64, frames: f64) -> Vec<Fault> {
    vec![Fault::Dropout { at_seconds, frames: frames as usize }]
}

const NONE: Kind = Kind {
    name: "",
    codes: &[],
    is_note: false,
    unit: "",
    range: None,
    from: None,
    is_without_place: false,
    from_on: any,
    helper: Helper::NotNeeded,
    helped_from: 0.0,
    on: any,
    make: |_, _, _| (Vec::new(), Vec::new()),
};

const BROKEN: &[&str] = &["recording_breaks", "zeroed"];
/// Where the place of a break cannot be told, the clock tells that there is one.
const BROKEN_ANYWHERE: &[&str] = &["recording_breaks", "samples_lost", "clock_jumps", "zeroed"];

pub fn kinds() -> Vec<Kind> {
    let mut kinds = breaks();
    kinds.extend(levels());
    kinds.extend(others());
    kinds
}

fn breaks() -> Vec<Kind> {
    vec![
        Kind {
            name: "samples lost in a step",
            codes: BROKEN,
            unit: "samples",
            range: Some((1.0, 40.0)),
            make: |amp, random, s| {
                let at = in_ladder(amp, random);
                (lost(at, s), vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples repeated in a step",
            codes: BROKEN,
            unit: "samples",
            range: Some((1.0, 40.0)),
            make: |amp, random, s| {
                let at = in_ladder(amp, random);
                (vec![Fault::Repeat { at_seconds: at, frames: s as usize }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples zeroed in a step",
            codes: BROKEN,
            unit: "samples",
            range: Some((1.0, 300.0)),
            make: |amp, random, s| {
                let at = in_ladder(amp, random);
                (vec![Fault::Zeroed { at_seconds: at, frames: s as usize }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "a click in a step",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            make: |amp, random, s| {
                let at = in_ladder(amp, random);
                (vec![Fault::Click { at_seconds: at, peak: s }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "a click in the low sweep",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            make: |amp, random, s| {
                let at = within(amp, random, "sweep_low");
                (vec![Fault::Click { at_seconds: at, peak: s }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "a click in the high sweep",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            from: Some(0.1),
            make: |amp, random, s| {
                let at = within(amp, random, "sweep_high");
                (vec![Fault::Click { at_seconds: at, peak: s }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "a click in the burst",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            from: Some(0.05),
            make: |amp, random, s| {
                let at = amp.at("burst", 0.35 + 0.5 * random.uniform());
                (vec![Fault::Click { at_seconds: at, peak: s }], vec![at])
            },
            ..NONE
        },
        Kind {
            name: "three clicks in the quiet",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            make: |amp, random, s| {
                let places = [0.25, 0.45, 0.65].map(|share| {
                    let length = amp.plan.segment("quiet").unwrap().length_seconds;
                    amp.at("quiet", length * (share + 0.1 * random.uniform()))
                });
                (places.map(|at_seconds| Fault::Click { at_seconds, peak: s }).to_vec(), places.to_vec())
            },
            ..NONE
        },
        Kind {
            name: "sixty clicks anywhere",
            codes: BROKEN,
            unit: "of full scale",
            range: Some((1e-4, 0.5)),
            make: |_, random, s| {
                let seed = (random.uniform() * 1e9) as u64;
                (vec![Fault::Clicks { count: 60, peak: s, seed }], Vec::new())
            },
            ..NONE
        },
        Kind {
            name: "samples lost in the low sweep",
            codes: BROKEN_ANYWHERE,
            is_without_place: true,
            unit: "samples",
            range: Some((1.0, 400.0)),
            make: |amp, random, s| {
                let at = within(amp, random, "sweep_low");
                (lost(at, s), vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples lost in the high sweep",
            codes: BROKEN_ANYWHERE,
            is_without_place: true,
            unit: "samples",
            range: Some((1.0, 400.0)),
            make: |amp, random, s| {
                let at = within(amp, random, "sweep_high");
                (lost(at, s), vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples lost in two tones",
            codes: BROKEN_ANYWHERE,
            is_without_place: true,
            unit: "samples",
            range: Some((1.0, 400.0)),
            from: Some(8.0),
            make: |amp, random, s| {
                let at = within(amp, random, "modulation_high");
                (lost(at, s), vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples lost in the burst",
            codes: BROKEN_ANYWHERE,
            is_without_place: true,
            unit: "samples",
            range: Some((1.0, 400.0)),
            make: |amp, random, s| {
                let at = amp.at("burst", 0.4 + 0.4 * random.uniform());
                (lost(at, s), vec![at])
            },
            ..NONE
        },
        Kind {
            name: "samples lost in the quiet",
            codes: BROKEN_ANYWHERE,
            is_without_place: true,
            unit: "samples",
            range: Some((1.0, 4000.0)),
            from: Some(4.0),
            make: |amp, random, s| {
                let at = within(amp, random, "quiet");
                (lost(at, s), vec![at])
            },
            ..NONE
        },
    ]
}

fn levels() -> Vec<Kind> {
    vec![
        Kind {
            name: "clipped under the largest peak",
            codes: &["clipped_input"],
            unit: "dB",
            range: Some((0.001, 6.0)),
            make: |_, _, s| (vec![Fault::ClipUnderPeak { depth_db: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "automatic gain",
            codes: &["gain_rides"],
            unit: "of full action",
            range: Some((1e-4, 1.0)),
            from: Some(0.5),
            helper: Helper::DriveOrLoopback,
            make: |_, _, s| {
                let agc =
                    Fault::Agc { target_rms: 0.1, attack_seconds: 0.02, release_seconds: 0.05, part: s };
                (vec![agc], Vec::new())
            },
            ..NONE
        },
        Kind {
            name: "limiter under the largest peak",
            codes: &["gain_rides"],
            unit: "dB",
            range: Some((0.01, 20.0)),
            from: Some(6.0),
            // Elsewhere the amp distorts by as much as it loses gain.
            from_on: |amp| amp.name == "wire",
            helper: Helper::DriveOrLoopback,
            make: |_, _, s| (vec![Fault::LimitUnderPeak { depth_db: s, release_seconds: 0.2 }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "interface overloaded",
            codes: &["interface_overloaded"],
            unit: "dB lost at the peak",
            range: Some((0.000_1, 2.0)),
            helper: Helper::Loopback,
            make: |_, _, s| (vec![Fault::SoftenUnderPeak { loss_db: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "gate or expander in the silence",
            codes: &["noise_gated", "zeroed"],
            unit: "dB",
            range: Some((0.05, 60.0)),
            from: Some(1.0),
            helper: Helper::DriveOrLoopback,
            helped_from: 0.35,
            make: |_, _, s| (vec![Fault::Gate { peak: 0.006, hold_seconds: 0.05, range_db: s }], Vec::new()),
            // Its quietest tones must open the gate, its noise and hum must not.
            on: |amp| !amp.name.starts_with("valves"),
            ..NONE
        },
        Kind {
            name: "recorded too low, by",
            codes: &["level_low"],
            unit: "dB",
            from: Some(45.0),
            make: |_, _, s| (vec![Fault::Level { gain_db: -s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "DC",
            codes: &["dc_offset"],
            is_note: true,
            unit: "of full scale",
            from: Some(0.006),
            make: |_, _, s| (vec![Fault::Dc { offset: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "export normalised to",
            codes: &["normalised_export"],
            unit: "dBFS",
            from: Some(0.3),
            make: |_, _, s| (vec![Fault::Normalise { peak_db: -s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "direct monitoring 4 ms early",
            codes: &["monitoring_on"],
            unit: "of what is played",
            range: Some((1e-4, 0.3)),
            helper: Helper::Confirms,
            make: |amp, _, s| (vec![monitor(amp, 0.004, s)], Vec::new()),
            ..NONE
        },
        Kind {
            name: "direct monitoring 3 ms late",
            codes: &["monitoring_on"],
            unit: "of what is played",
            range: Some((1e-4, 0.3)),
            helper: Helper::Confirms,
            make: |amp, _, s| (vec![monitor(amp, -0.003, s)], Vec::new()),
            ..NONE
        },
    ]
}

/// The programme itself beside the amp, at this part of its own level.
fn monitor(amp: &Amp, early_seconds: f64, part: f64) -> Fault {
    let rate_hz = f64::from(amp.rate_hz);
    let mut dry = vec![0.0; (amp.plan.length_seconds * rate_hz) as usize];
    let said = Identity { plan: amp.plan.identity(), part: 0 };
    Player::new(&amp.plan, said).fill(&mut dry, 0.0, 1.0 / rate_hz);
    // Frame 0 of `dry` is the programme's begin, which the recording holds after its latency.
    Fault::Monitor { dry, early_seconds: early_seconds - LATENCY_SECONDS, level_db: 20.0 * part.log10() }
}

fn others() -> Vec<Kind> {
    vec![
        Kind {
            name: "hum",
            codes: &["hum_high"],
            unit: "of full scale",
            from: Some(0.03),
            make: |_, _, s| (vec![Fault::Tone { frequency_hz: 50.0, peak: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "tone of 22 kHz",
            codes: &["ultrasonic"],
            unit: "of full scale",
            from: Some(0.003),
            make: |_, _, s| (vec![Fault::Tone { frequency_hz: 22_000.0, peak: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "16-bit path behind 24 bits",
            codes: &["few_bits_captured"],
            is_note: true,
            from: Some(16.0),
            unit: "bits",
            make: |_, _, _| (vec![Fault::SixteenBit], Vec::new()),
            ..NONE
        },
        Kind {
            name: "wrong rate label",
            codes: &["rate_label"],
            from: Some(44_100.0),
            unit: "Hz",
            make: |_, _, s| (vec![Fault::WrongRate { rate_hz: s as u32 }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "start cut off",
            codes: &["marker_missing"],
            from: Some(2.5),
            unit: "s",
            make: |_, _, s| (vec![Fault::CutStart { seconds: s }], Vec::new()),
            ..NONE
        },
        Kind {
            name: "end cut off",
            codes: &["marker_missing"],
            from: Some(2.0),
            unit: "s",
            make: |_, _, s| (vec![Fault::CutEnd { seconds: s }], Vec::new()),
            ..NONE
        },
    ]
}
