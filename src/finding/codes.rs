//! Every code that a finding may have: stable names for other programs. `docs/findings.md` is this list, and
//! `tests/findings.rs` holds code, list and page to each other.

use super::Severity::{self, Limit, Note, Redo};

/// A code and what stands behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    /// The stable name.
    pub code: &'static str,
    /// How much it may matter.
    pub weights: &'static [Severity],
    /// What was seen.
    pub means: &'static str,
    /// What it does to the result, and what to do.
    pub then: &'static str,
}

/// Codes by where they come from, in the order of the page.
pub const GROUPS: [(&str, &[Known]); 6] = [
    ("The file", &FILE),
    ("The samples", &SAMPLES),
    ("The programme in the recording", &PROGRAMME),
    ("What was measured", &MEASURED),
    ("Drive channel and loopback", &HELPERS),
    ("What the person wrote, and calibration", &WRITTEN),
];

/// The entry of a code; figures that are unusual share one, `unusual_` and the figure's name.
#[must_use]
pub fn of(code: &str) -> Option<&'static Known> {
    let all = || GROUPS.iter().flat_map(|(_, group)| group.iter());
    let figures = || all().find(|k| k.code == UNUSUAL_FIGURE && code.starts_with("unusual_"));
    all().find(|k| k.code == code).or_else(figures)
}

/// Stands for `unusual_` and the name of any figure that has a usual range.
pub const UNUSUAL_FIGURE: &str = "unusual_…";

const fn k(
    code: &'static str,
    weights: &'static [Severity],
    means: &'static str,
    then: &'static str,
) -> Known {
    Known { code, weights, means, then }
}

const N: &[Severity] = &[Note];
const L: &[Severity] = &[Limit];
const R: &[Severity] = &[Redo];
const NL: &[Severity] = &[Note, Limit];
const NR: &[Severity] = &[Note, Redo];
const LR: &[Severity] = &[Limit, Redo];
const NLR: &[Severity] = &[Note, Limit, Redo];

const FILE: [Known; 24] = [
    k("block_align_zero", N, "the block size is 0", "taken from bits and channels; nothing to do"),
    k(
        "bytes_after_end",
        L,
        "bytes follow the last chunk",
        "left out; if they are audio, export as one piece",
    ),
    k(
        "bytes_before_start",
        N,
        "bytes precede the header",
        "skipped; keep recordings out of programs that add tags",
    ),
    k(
        "checksum_wrong",
        R,
        "FLAC: the audio is not what was packed",
        "some samples are wrong; copy the file again",
    ),
    k("chunk_cut_short", N, "a chunk after the audio is cut", "nothing: the audio stands before it"),
    k(
        "code_position_by_samples",
        L,
        "header and samples disagree about the place of the bits",
        "a wrong choice puts the level far out; compare it, or export packed 24 bits",
    ),
    k("few_bits", N, "few significant bits", "noise floor of so many bits; record with 24"),
    k(
        "file_cut_short",
        L,
        "the file ends before its data should",
        "the end is missing; copy it again or record again",
    ),
    k(
        "header_never_finished",
        N,
        "the data size is 0",
        "length by the file size; stop the recorder before copying",
    ),
    k(
        "header_placeholder",
        N,
        "the data size is a streaming placeholder",
        "length by the file size; stop the recorder before copying",
    ),
    k(
        "misaligned",
        R,
        "samples stand a byte off their place",
        "everything measured is noise; copy or export again",
    ),
    k("pad_byte_missing", N, "an odd chunk has no pad byte", "no figure suffers"),
    k("partial_frame", N, "a part of a frame at the end", "left out; see whether the end is missing"),
    k(
        "rf64_sizes_disagree",
        N,
        "data chunk and ds64 disagree",
        "the data chunk is followed; check that it is complete",
    ),
    k(
        "rf64_without_ds64",
        N,
        "RF64 without its ds64 chunk",
        "length by the file size; stop the recorder before copying",
    ),
    k("riff_size_wrong", N, "the RIFF size is not the file's", "the chunks were followed; no figure suffers"),
    k("second_data_chunk", L, "a second data chunk", "left out; export as one piece"),
    k(
        "several_takes",
        N,
        "several takes in one recording",
        "each is measured by itself; log each from a file of its own",
    ),
    k(
        "sizes_wrapped",
        L,
        "sizes wrapped at 4 GiB",
        "length by the file size; let the recorder split or write RF64",
    ),
    k("stream_damaged", R, "FLAC: the stream breaks off", "the rest is missing; copy the file again"),
    k("sub_format_missing", N, "extensible without a sub-format", "read as integers; compare the level"),
    k("too_short", R, "too few frames", "nothing can be measured; record longer"),
    k("two_fmt_chunks", N, "two fmt chunks, both the same", "nothing"),
    k("valid_bits_wrong", N, "the valid bits cannot be so", "all bits are taken; compare the level"),
];

const SAMPLES: [Known; 19] = [
    k(
        "channel_copied",
        NL,
        "a channel is a copy of channel 1",
        "a mono sum mixes the drive into the amp's sound: redo if so, mono off",
    ),
    k(
        "channel_inverted",
        NL,
        "a channel is another one upside down, or a helper comes back so",
        "clip points of the halves change places; mend the cable",
    ),
    k(
        "channel_silent",
        NR,
        "a channel carries nothing",
        "if it is the measured one: choose the other, or plug in",
    ),
    k(
        "channels_change_places",
        R,
        "the channels change places in the middle",
        "another channel is measured from there on; larger buffer, record again",
    ),
    k("clipped_input", NLR, "the recorder cut the peaks", "those steps are struck out; turn the input down"),
    k("dc_offset", NL, "DC", "out of all figures, eats headroom; look for its cause"),
    k(
        "few_bits_captured",
        N,
        "the low bits are always 0",
        "noise floor of so many bits; set recorder and driver",
    ),
    k("integers_as_float", NR, "a float file that holds integers", "levels are meaningless; export again"),
    k(
        "leading_silence",
        N,
        "nothing at the start but the last bit",
        "a level over the file is too low; start recording earlier",
    ),
    k(
        "leading_zeros",
        N,
        "exact zeros at the start",
        "a level over the file is too low; start recording earlier",
    ),
    k(
        "level_not_steady",
        LR,
        "a tone's level moves",
        "levels depend on the moment; automatic gain off, let the amp warm up",
    ),
    k("no_signal", R, "every sample is 0", "nothing can be measured; is the right input chosen?"),
    k("no_steady_tone", LR, "neither markers nor a steady tone", "nothing but levels; record the programme"),
    k("not_finite", NR, "samples that are no numbers", "no figure from that channel; export again"),
    k("over_full_scale", N, "float samples over full scale", "read as they stand; keep it as float"),
    k("phase_jump", R, "a tone's phase jumps", "figures across it are wrong; larger buffer, record again"),
    k(
        "rate_label",
        LR,
        "another rate than the label says",
        "every frequency is off by that ratio; mend the label or record again",
    ),
    k(
        "tone_may_be_hum",
        NL,
        "a plain recording's tone lies at the mains",
        "the figures may be hum's; was such a tone played?",
    ),
    k(
        "zeroed",
        NL,
        "exact zeros in the middle of a signal",
        "those steps are struck out; larger buffer, no gate, record again",
    ),
];

const PROGRAMME: [Known; 20] = [
    k(
        "band_cut",
        L,
        "the noise ends steeply under the file's band",
        "a codec or resampler in the path spoils distortion; one rate, WAV or FLAC",
    ),
    k("clock_drift", N, "the clocks of player and recorder differ much", "corrected; is the rate right?"),
    k(
        "clock_jumps",
        L,
        "the markers do not fit one clock",
        "segments are cut in the wrong place; larger buffer, record again",
    ),
    k(
        "clock_unknown",
        L,
        "one marker and no tone to take the clock from",
        "times may be off by the drift; record all markers",
    ),
    k(
        "gain_rides",
        LR,
        "gain changes without distortion",
        "headroom is the gain control's; automatic gain, limiter, gate off",
    ),
    k(
        "hum_high",
        L,
        "hum near the level of the take",
        "buries quiet steps; record once with the amp off to find whose it is",
    ),
    k(
        "identity_unread",
        N,
        "the plan's name after the marker cannot be read",
        "the likeliest plan is taken; record from the start",
    ),
    k(
        "level_low",
        L,
        "the whole recording is quiet",
        "the interface's noise limits the figures; turn the input up",
    ),
    k(
        "marker_missing",
        L,
        "a marker was not found",
        "segments near it may be missing; record from before to after",
    ),
    k(
        "monitoring_on",
        LR,
        "what was played arrives twice",
        "ripples over frequency, hides distortion; direct monitoring off",
    ),
    k("no_programme", R, "no markers of the programme", "not measured as one; record the programme"),
    k(
        "noise_gated",
        L,
        "less noise in the silence than under quiet tones",
        "noise and hum are the gate's; switch it off",
    ),
    k(
        "normalised_export",
        L,
        "the largest sample stands at a round level",
        "volts are the export's; switch normalising off",
    ),
    k(
        "recording_breaks",
        LR,
        "samples lost, repeated, zeroed or a click",
        "that step is struck out; larger buffer, or the amp crackles",
    ),
    k(
        "samples_lost",
        L,
        "the tones disagree with the clock of the markers",
        "segments behind are cut late; larger buffer, record again",
    ),
    k(
        "segment_missing",
        L,
        "segments are not in the recording",
        "their figures are missing; record all of the programme",
    ),
    k(
        "start_missing",
        R,
        "the start of the programme is missing",
        "where anything stands is a guess; record again",
    ),
    k(
        "ultrasonic",
        L,
        "a tone over 20 kHz in the silence",
        "the amp may oscillate; record once with the amp off",
    ),
    k("level_right", N, "the level check: the amp clips where it should", "nothing"),
    k(
        "level_to_set",
        L,
        "the level check: how far to turn the level",
        "turn it so far, then record the programme",
    ),
];

const MEASURED: [Known; 7] = [
    k("gain_rises", N, "gain rises before it falls", "1 dB of compression is told from the highest gain"),
    k(
        "near_interface_floor",
        N,
        "distortion near the interface's own",
        "it may be the interface's; mind the floor",
    ),
    k("not_settled", NL, "the reference tones differ", "the amp was still warming up; let it settle"),
    k("output_impedance_moves", N, "output impedance differs with frequency", "see its curve"),
    k("segment_not_measured", L, "a segment could not be measured", "its figures are missing"),
    k("thd_dips_back", N, "THD falls back under a limit", "the first crossing is told; see the curve"),
    k(UNUSUAL_FIGURE, N, "a figure outside the usual range", "nothing, if it is what you expect"),
];

const HELPERS: [Known; 11] = [
    k(
        "channel_is_drive",
        L,
        "the measured channel holds no distortion",
        "the amp is not measured; choose its channel",
    ),
    k(
        "drive_channel_silent",
        N,
        "the drive channel carries nothing",
        "drive is told by the plan; check its cable",
    ),
    k(
        "drive_moved",
        N,
        "the drive is not the same throughout",
        "levels against drive are off; leave the controls alone",
    ),
    k(
        "drive_not_straight",
        L,
        "the drive channel is not straight",
        "the player compresses or clips; turn it down",
    ),
    k(
        "interface_overloaded",
        L,
        "a helper distorts without an amp",
        "the interface adds its own distortion; larger pad, turn down",
    ),
    k(
        "loopback_incomplete",
        N,
        "segments are not in the loopback",
        "the interface's part is not told there; record all of it",
    ),
    k(
        "loopback_lower",
        N,
        "the loopback is quieter than the takes",
        "the interface may do more at their level; record it louder",
    ),
    k(
        "loopback_not_straight",
        L,
        "the loopback's gain is not the same at all levels",
        "a limiter, automatic gain or gate works on the takes too",
    ),
    k(
        "loopback_not_used",
        N,
        "the loopback could not be used",
        "the interface stays in the figures; record it again",
    ),
    k(
        "loopback_overloaded",
        N,
        "the loopback itself overloads",
        "its floor is too high from there; record it at the takes' level",
    ),
    k(
        "wrong_channel",
        R,
        "another channel holds the programme",
        "the amp is not measured; choose that channel",
    ),
];

const WRITTEN: [Known; 75] = [
    k("chart_far_off", N, "a voltage is far from the chart", "see whether it was read right"),
    k("clipped_tone", R, "the calibration tone is clipped", "volts are wrong; turn the level down"),
    k("coarse_reading", L, "a reading with few digits", "volts are uncertain by that much; read more digits"),
    k("currents_disagree", N, "two ways to the current disagree", "one reading is off; measure again"),
    k("date_not_ordered", N, "dates are not in the order of the takes", "check what was written"),
    k(
        "distorted_tone",
        L,
        "the calibration tone is distorted",
        "the meter may read something else; turn the level down",
    ),
    k(
        "frequency_on_mains",
        N,
        "the programme's tone lies on a mains line",
        "hum spoils the quiet steps; leave it at 1010 Hz",
    ),
    k("grid_positive", N, "a grid is positive", "a coupling capacitor may leak; see to it"),
    k(
        "input_mismatch",
        LR,
        "the input's full scale is not what was expected",
        "volts and watts are off if it is a slip; see the advice",
    ),
    k(
        "hum_beside_tone",
        LR,
        "hum near the calibration tone's level",
        "volts may be off by what the finding says; mend the hum",
    ),
    k("left_out_without_reason", N, "a take is left out and nothing says why", "write why"),
    k(
        "level_changed",
        R,
        "the level moved between two recordings",
        "volts are uncertain; leave the controls alone",
    ),
    k("load_not_given", R, "a take's load is not written", "the rig's is taken; write it"),
    k("load_overheats", L, "the load gets more than it is rated for", "it burns; a larger load"),
    k(
        "load_peaks_over_rating",
        L,
        "the load gets more at peaks than it is rated for",
        "pause between takes, or a larger load",
    ),
    k(
        "load_rating_unknown",
        N,
        "the load's rating is not written",
        "its heat was not checked; write load_watts",
    ),
    k("load_runs_hot", N, "the load runs over half of its rating", "let it cool; do not touch it"),
    k("loose_alignment", N, "two listening takes align loosely", "they may flutter against each other"),
    k("low_tone", L, "the calibration tone is quiet", "volts are uncertain; turn it up"),
    k("millivolts_for_volts", N, "a reading looks like millivolts", "check the unit"),
    k(
        "not_matched",
        L,
        "two listening takes differ in level",
        "they were turned to one loudness as far as it went",
    ),
    k(
        "not_straight",
        R,
        "two calibration readings disagree",
        "right at one level only; limiter off, one meter range",
    ),
    k("odd_screen_current", N, "a screen current is unusual", "check the reading"),
    k("odd_voltages", N, "voltages that cannot be together", "check the readings"),
    k("operating_point_unknown", N, "too little to tell the operating point", "write the missing voltages"),
    k("order_twice", N, "two takes have one order", "check what was written"),
    k(
        "output_mismatch",
        LR,
        "the output's full scale is not what was expected",
        "drive is off if it is a slip; see the advice",
    ),
    k(
        "over_limit",
        L,
        "dissipation over the data sheet's limit",
        "the valve wears fast; set the bias colder",
    ),
    k(
        "pad_compromise",
        N,
        "no drive pad keeps both rules",
        "an output of lower impedance would serve better",
    ),
    k(
        "pad_loading_unknown",
        N,
        "what loads the pad is not written",
        "volts may be off; write interface_input_ohms",
    ),
    k(
        "point_unknown",
        N,
        "a point of the voltage chart is nearly a known one",
        "nothing is worked out from it; write the name meant",
    ),
    k(
        "quiet_condition_unknown",
        N,
        "a silence without its condition",
        "hum's origin cannot be told; write quiet_condition",
    ),
    k(
        "readings_too_close",
        N,
        "two calibration readings at nearly one level",
        "they say nothing of straightness; take them 6 dB apart or more",
    ),
    k(
        "screen_not_subtracted",
        N,
        "screen current stands in the plate's",
        "dissipation is told a little high",
    ),
    k("shared_resistor", N, "valves share a resistor", "each is told by the mean"),
    k("short_tone", L, "the calibration tone is short", "the meter hardly settled; record 10 s or more"),
    k("tone_on_mains", L, "the calibration tone lies on a mains line", "hum adds to it; use 275 Hz"),
    k("tone_too_high", L, "the calibration tone is higher than meters read well", "use 275 Hz"),
    k("too_hot", R, "bias too hot", "the valve wears fast; set it colder"),
    k("unsteady_tone", LR, "the calibration tone's level moves", "volts are uncertain; automatic gain off"),
    k("unusual_amp_impedance", N, "the amp's input impedance is unusual", "mostly the first grid leak, 1M"),
    k(
        "unusual_cathode_current",
        N,
        "current by the cathode resistor is unusual",
        "check volts, cathode_ohms, valves",
    ),
    k(
        "unusual_cathode_ohms",
        N,
        "the cathode resistor is unusual",
        "measure it with the amp off and discharged",
    ),
    k("unusual_cathode_volts", N, "volts at the cathode are unusual", "check the decimal point"),
    k(
        "unusual_dissipation",
        N,
        "the dissipation wanted is unusual",
        "write 90 for 90 %, and watts of one valve",
    ),
    k("unusual_drive", N, "the wanted drive is unusual", "amps clip from 20 mV to 1 V"),
    k(
        "unusual_drive_full_scale",
        N,
        "full scale of the drive channel is unusual",
        "check that it is RMS at the amp's input",
    ),
    k("unusual_frequency", N, "the ladder's frequency is unusual", "leave it at 1010 Hz"),
    k("unusual_full_scale", N, "the interface's full scale is unusual", "check that it is RMS"),
    k("unusual_grid_volts", N, "volts at the grid are unusual", "is the minus sign of a fixed bias missing?"),
    k("unusual_headroom", N, "the room kept under full scale is unusual", "6 dB serve most amps"),
    k("unusual_heater_volts", N, "volts of the heaters are unusual", "measure between the heater's two pins"),
    k("unusual_input_impedance", N, "the input impedance is unusual", "take it from the data sheet"),
    k(
        "unusual_limit",
        N,
        "a limit in bench.toml is unusual for the type",
        "read the data sheet of the very valve",
    ),
    k("unusual_load", N, "the load is unusual", "check its ohms"),
    k("unusual_load_watts", N, "the load's rating is unusual", "check its watts"),
    k("unusual_mains", N, "the mains voltage is unusual", "measure at the socket"),
    k("unusual_mains_frequency", N, "the mains frequency is unusual", "50 or 60 Hz"),
    k(
        "unusual_meter_limit",
        N,
        "the meter's upper frequency is unusual",
        "take it from the meter's data sheet",
    ),
    k(
        "unusual_output_full_scale",
        N,
        "the drive at full scale is unusual",
        "check that it is RMS at the amp's input",
    ),
    k("unusual_output_limit", N, "the interface output's full scale is unusual", "check dBu against dBV"),
    k("unusual_output_impedance", N, "the output's impedance is unusual", "take it from the data sheet"),
    k("unusual_pad", N, "the pad's ratio is unusual", "check its resistors"),
    k("unusual_plate_volts", N, "volts at a plate are unusual", "check the decimal point"),
    k("unusual_power", N, "the amp's power is unusual", "sine power in watts"),
    k("unusual_primary_ohms", N, "the primary's resistance is unusual", "it is the winding's DC resistance"),
    k("unusual_screen_ohms", N, "the screen resistor is unusual", "check k and plain ohms"),
    k("unusual_screen_share", N, "the screen's share is unusual", "per cent of the cathode's current"),
    k("unusual_screen_volts", N, "volts at the screen are unusual", "check the decimal point"),
    k("unusual_supply_volts", N, "volts of B+ are unusual", "check the decimal point"),
    k("unusual_top", N, "the peak of the programme's top is unusual", "what `twinload signals` was given"),
    k("unusual_uncertainty", N, "a tolerance or uncertainty is unusual", "write per cent, so 5 for 5 %"),
    k("unusual_valves", N, "many valves on one cathode resistor", "count those that share it"),
    k("unusual_warm_up", N, "the warm-up is unusual", "minutes since power-on"),
    k("valve_unknown", N, "the valve's limits are not known", "write limits"),
];
