//! The cautions, in one place: each is shown where the act is done.
//!
//! Worded after reference §13. twinload measures; it makes no amplifier safe.

/// Where a caution is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Starting a bench.
    New,
    /// Building and connecting the pads.
    Pad,
    /// Putting a meter across the load while a tone plays.
    Calibrate,
    /// Taking or planning voltages inside the amp.
    Bias,
    /// Playing a programme through an amp.
    Play,
}

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// Stable name.
    pub code: &'static str,
    /// The words.
    pub text: &'static str,
    acts: &'static [Act],
}

/// Above all the others, everywhere.
pub const FIRST: &str = "Local codes, the maker's instructions and licensed practice come before anything \
said here. twinload measures; it does not make an amplifier safe.";

/// Every caution, the gravest first.
pub const ALL: [Caution; 9] = [
    Caution {
        code: "lethal_voltage",
        text: "The voltages inside a valve amp can kill, also after it is unplugged: the reservoir \
               capacitors hold their charge. If you are not trained for it, have work inside done by \
               someone who is. Unplug, discharge through a suitable resistor, and confirm with a meter \
               rated for the voltage, every time.",
        acts: &[Act::New, Act::Bias],
    },
    Caution {
        code: "one_hand",
        text: "Measuring live: one hand only, no jewellery, dry floor, never alone. Clip the probe on \
               with the power off and the capacitors discharged, then switch on and keep clear.",
        acts: &[Act::Bias],
    },
    Caution {
        code: "load_first",
        text: "Never run a valve output stage without its load. Connect and check the dummy load before \
               power-on, on the right tap; never change loads or taps while a signal plays. An open \
               circuit can destroy the output transformer and the valves, a short can too.",
        acts: &[Act::New, Act::Pad, Act::Calibrate, Act::Play],
    },
    Caution {
        code: "load_heat",
        text: "The load must take the clipped power continuously, which can be twice the power of a sine: \
               rate it at twice the amp's power or more, on a heatsink, in moving air, away from anything \
               that burns. It stays hot, and so do valves.",
        acts: &[Act::New, Act::Pad, Act::Calibrate, Act::Play],
    },
    Caution {
        code: "output_ground",
        text: "Find out first what the speaker output's return is tied to. Interface ground is usually \
               mains earth, through the computer: if neither speaker terminal is at chassis, or the output \
               is bridged, the pad's ground would short part of the output. In doubt pick the signal off \
               through a transformer or a differential input. Never lift a safety earth to cure hum.",
        acts: &[Act::New, Act::Pad],
    },
    Caution {
        code: "interface_input",
        text: "Know the interface input's limit, use the pad, and solder it: a loose ground leg puts the \
               full output on the input. Phantom power off. Begin with the level all the way down.",
        acts: &[Act::New, Act::Pad, Act::Calibrate],
    },
    Caution {
        code: "meter_range",
        text: "Use a meter and leads rated for the voltage, in a volts range: AC across the load, DC inside \
               the amp. In a current range the meter is a short circuit.",
        acts: &[Act::Calibrate, Act::Bias],
    },
    Caution {
        code: "watch",
        text: "While a programme plays, stay with the amp. Glowing plates, smell or smoke: switch off. \
               Mute monitors and headphones first, and protect your ears.",
        acts: &[Act::New, Act::Play],
    },
    Caution {
        code: "data_sheet",
        text: "Limits from the built-in table are guidance, read at second hand, and may be wrong for the \
               valve in the socket. Check its data sheet.",
        acts: &[Act::Bias],
    },
];

/// The cautions to show where this is done, the gravest first.
pub fn of(act: Act) -> impl Iterator<Item = &'static Caution> {
    ALL.iter().filter(move |c| c.acts.contains(&act))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reference §13 and issue 4 ask for these at these places.
    #[test]
    fn each_act_shows_what_can_hurt_in_it() {
        let has = |act, code| of(act).any(|c| c.code == code);
        assert!(has(Act::New, "lethal_voltage") && has(Act::Bias, "lethal_voltage"));
        for act in [Act::New, Act::Pad, Act::Calibrate, Act::Play] {
            assert!(has(act, "load_first") && has(act, "load_heat"), "{act:?}");
        }
        assert!(has(Act::Pad, "output_ground") && has(Act::Pad, "interface_input"));
        assert!(has(Act::Play, "watch"));
        let codes: std::collections::BTreeSet<_> = ALL.iter().map(|c| c.code).collect();
        assert_eq!(codes.len(), ALL.len());
    }
}
