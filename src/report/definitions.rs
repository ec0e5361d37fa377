//! Definitions as the report prints them: short, and the same for everybody.

/// A term and what twinload means by it.
pub(crate) struct Definition {
    pub term: &'static str,
    pub text: &'static str,
    /// Beginnings of the quantities it explains; empty for what concerns every report.
    pub quantities: &'static [&'static str],
}

pub(crate) const DEFINITIONS: &[Definition] = &[
    Definition {
        term: "Drive",
        text: "Level at the amp's input: decibels below the programme's top, and volts where the interface's output is calibrated.",
        quantities: &[],
    },
    Definition {
        term: "Interval",
        text: "What stands after ± holds the true value with 95 % confidence (Student's t over the repeats). In a difference, what both builds share (load, pad, calibration) cancels; in watts and volts on their own it does not.",
        quantities: &[],
    },
    Definition {
        term: "Real, within repeats, one take only",
        text: "Real: the difference is larger than the scatter of repeats explains; over the headline figures together the chance of one false 'real' is held to 5 % (Holm); the other figures are judged one by one at 1 %, so that about one in a hundred of those that do not differ is called real by chance. Within repeats: not told apart from that scatter. One take only: a build has a single take at this setting, so scatter is not known and nothing is claimed.",
        quantities: &[],
    },
    Definition {
        term: "THD",
        text: "Total harmonic distortion: root sum of squares of the harmonics, the noise in each taken off. Unless THD_R is said it is THD_F, over the fundamental; THD_R is over fundamental and harmonics together. Which harmonics count stands in the conditions: those up to 20 kHz, and up to 0.45 of the sample rate.",
        quantities: &["thd", "cranked_thd", "power_at_thd", "onset_span"],
    },
    Definition {
        term: "Clean power",
        text: "Power of the whole waveform into the load at the lowest drive where THD passes the stated limit upwards and stays above it for half a decibel. Without a limit it means 5 %.",
        quantities: &["power_at_thd", "sensitivity"],
    },
    Definition {
        term: "Cranked power",
        text: "Power of the whole waveform at the programme's top drive.",
        quantities: &["cranked_power"],
    },
    Definition {
        term: "Clip point",
        text: "The drive at which the growth of a half-cycle's peak over a decibel falls to half of its growth at small signals, each half by itself.",
        quantities: &["clip_"],
    },
    Definition {
        term: "Onset span",
        text: "Decibels of drive from 1 % to 10 % THD: small means that distortion sets in suddenly.",
        quantities: &["onset_span"],
    },
    Definition {
        term: "Compression",
        text: "Where the gain of the fundamental is 1 dB below that at small signals.",
        quantities: &["power_at_1_db_compression"],
    },
    Definition {
        term: "Hysteresis",
        text: "Largest difference of level between the falling and the rising ladder at the same drive: bias shift or heat.",
        quantities: &["hysteresis"],
    },
    Definition {
        term: "Corners",
        text: "Frequencies where the low-drive response is 3 dB below its value at the reference frequency.",
        quantities: &["low_corner", "high_corner"],
    },
    Definition {
        term: "Hum",
        text: "Root sum of squares of the first 20 mains lines with no drive.",
        quantities: &["hum"],
    },
    Definition {
        term: "Noise",
        text: "20 Hz to 20 kHz with no drive, mains lines taken out; A-weighted by IEC 61672-1, or weighted by the curve of ITU-R BS.468-4 and read as RMS.",
        quantities: &["noise"],
    },
    Definition {
        term: "Sag and recovery",
        text: "Sag: how far the output falls from the step to its final level in a burst. Recovery: how deep the small signal lies after it, and the time constant with which it comes back.",
        quantities: &["sag", "recovery"],
    },
    Definition {
        term: "Burst margin",
        text: "Decibels between the first 20 ms of a burst and its sustained level at the same drive. This is not the dynamic headroom of the standards, which needs their burst.",
        quantities: &["burst_margin"],
    },
    Definition {
        term: "Intermodulation",
        text: "What two tones at once add: modulation distortion re the upper tone (70 Hz and 7 kHz, 4:1), difference-frequency distortion re both tones (1:1), second and third order apart; for the chord, all products to fifth order over both tones.",
        quantities: &["modulation_distortion", "difference_distortion", "chord_distortion"],
    },
    Definition {
        term: "Output impedance, damping factor",
        text: "From the same sweep into two known loads; damping factor is the load over it.",
        quantities: &["output_impedance", "damping_factor"],
    },
];
