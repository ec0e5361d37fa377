//! What the quiet segment's spectrum says of the path: a band that was cut off, an oscillation that
//! nobody hears.

use crate::finding::{Finding, Severity};
use crate::measure::Plans;
use crate::signals::plan::Signal;
use crate::takes::Take;
use crate::units;

/// Length of the pieces that are averaged.
const PIECE: usize = 4096;
/// From here on nobody hears it.
const AUDIBLE_HZ: f64 = 20_000.0;
/// A line stands this far over the noise beside it (20 dB).
const LINE: f64 = 100.0;
/// And is at least this large (−80 dBFS), to move any figure.
const LINE_PEAK: f64 = 1e-4;
/// Noise that falls by this much within 600 Hz was filtered by a steep filter (15 dB).
const CLIFF: f64 = 31.6;
/// The cliff is looked for below this share of the rate: converters have their own above it.
const CONVERTER: f64 = 0.475;

/// Hum and rumble from here to there are weighed against the whole take.
const HUM_HZ: (f64, f64) = (40.0, 1000.0);
/// Hum within this of the take's RMS (34 dB) is more than an amp's own (common practice, no source).
const HUM: f64 = 4e-4;

/// Looks at the quiet segment of a take whose whole has this RMS.
pub(super) fn quiet(take: &Take, rms: f64, plans: &mut Plans) -> Vec<Finding> {
    let segment = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}));
    let cut = segment.and_then(|s| Some((s, take.cut(s)?)));
    let Some((segment, cut)) = cut else { return Vec::new() };
    let part = cut.part(0.1 * segment.length_seconds, 0.97 * segment.length_seconds);
    let Some(density) = density(part.samples, 4, plans) else { return Vec::new() };
    let bin_hz = take.rate_hz / PIECE as f64;
    let mut findings = Vec::new();
    findings.extend(hum(&density, bin_hz, rms));
    findings.extend(oscillation(&density, bin_hz));
    findings.extend(cliff(&density, bin_hz, take.rate_hz));
    for finding in &mut findings {
        finding.segment = Some(segment.id.clone());
    }
    findings
}

/// RMS of the noise between the lines of the quiet segment, of full scale; `None` without such a segment.
pub(super) fn noise(take: &Take, plans: &mut Plans) -> Option<f64> {
    let segment = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}))?;
    let cut = take.cut(segment)?.part(0.1 * segment.length_seconds, 0.97 * segment.length_seconds);
    let density = density(cut.samples, 4, plans)?;
    // A median of squared peaks, over Hann's 1.5 bins of noise width, in all bins.
    Some((median(&density) / 1.5 / 2.0 * density.len() as f64).sqrt())
}

/// Mean power spectrum, each bin as the squared peak of a sine that would give it.
fn density(samples: &[f32], least_pieces: u32, plans: &mut Plans) -> Option<Vec<f64>> {
    let hann = plans.hann(PIECE);
    let mut sum = vec![0.0; PIECE / 2 + 1];
    let mut count = 0.0;
    let mut start = 0;
    while let Some(piece) = samples.get(start..start + PIECE) {
        let mut windowed: Vec<f64> = piece.iter().zip(hann.iter()).map(|(&x, w)| f64::from(x) * w).collect();
        let scale = (4.0 / PIECE as f64).powi(2);
        for (sum, bin) in sum.iter_mut().zip(plans.transform(&mut windowed)) {
            *sum += bin.norm_sqr() * scale;
        }
        count += 1.0;
        start += PIECE / 2;
    }
    (count >= f64::from(least_pieces)).then(|| sum.into_iter().map(|s| s / count).collect())
}

fn hum(density: &[f64], bin_hz: f64, rms: f64) -> Option<Finding> {
    let (first, last) = ((HUM_HZ.0 / bin_hz) as usize, (HUM_HZ.1 / bin_hz).ceil() as usize);
    // Squared peaks over Hann's 1.5 bins of noise width; half the squared peak is the mean square.
    let power = density.get(first..last)?.iter().sum::<f64>() / 1.5 / 2.0;
    (power > HUM * rms * rms && rms > 0.0).then(|| {
        Finding::new(
            "hum_high",
            Severity::Limit,
            format!(
                "hum of {:.0} dBFS while nothing is played, only {:.0} dB under the take as a whole",
                units::dbfs_of_rms(power.sqrt()),
                -units::power_db(power / (rms * rms))
            ),
            "it buries the quiet steps and adds to their THD+N; lines near harmonics add to THD",
            "record once with the amp off and the cable in: if it stays it is a ground loop, else it is the amp's",
        )
    })
}

/// Noise that rises by this much as soon as something is played (0.5 dB, in power).
const GATED: f64 = 1.122;
/// Quiet steps that are looked at.
const GATE_STEPS: usize = 6;
/// Where: clear of most hum, inside every recorder's band.
const GATE_HZ: (f64, f64) = (2_000.0, 18_000.0);
/// Bins beside a harmonic in which Hann's main lobe and the clock's error may lie.
const LOBE: f64 = 3.0;
/// Places of the silence that are looked at.
const SILENT_PLACES: usize = 6;

/// Noise that is there under the quietest tones but not in the silence: something closes when nothing is played.
/// `step` is the smallest step of the codes.
pub(super) fn gate(take: &Take, step: f64, plans: &mut Plans) -> Option<Finding> {
    let (playing, silent) = noise_played_and_silent(take, |_, at| at < GATE_STEPS, plans)?;
    // Squared peaks of noise of one code's rounding: step²/12, over all bins, Hann's 1.5 bins wide.
    let rounding = 2.0 * 1.5 * step * step / 12.0 / (PIECE / 2) as f64;
    let silence = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}))?;
    (playing > GATED * silent && playing > 8.0 * rounding).then(|| {
        Finding::new(
            "noise_gated",
            Severity::Limit,
            format!(
                "the noise from 2 to 18 kHz is {:.1} dB lower while nothing is played than under the quietest tones",
                units::power_db(playing / silent.max(1e-30)).min(99.9)
            ),
            "a noise gate or an expander closes in the silence: noise and hum are its own, not the amp's",
            "switch off gate, expander and noise reduction in recorder and system, and record again",
        )
        .in_segment(&silence.id)
    })
}

/// Mean power density of the noise between the harmonics under some steps of the rising ladder, and while nothing is
/// played; `wanted` is given a step's level in dB re top and its place in their order from the quietest.
pub(super) fn noise_played_and_silent(
    take: &Take,
    wanted: impl Fn(f64, usize) -> bool,
    plans: &mut Plans,
) -> Option<(f64, f64)> {
    let bin_hz = take.rate_hz / PIECE as f64;
    let silence = take.plan.segments.iter().find(|s| matches!(s.signal, Signal::Quiet {}))?;
    let ladder = take.plan.segment("ladder_up")?;
    let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = ladder.signal else { return None };
    let away = |k: usize| {
        let harmonics = k as f64 * bin_hz / frequency_hz;
        (harmonics - harmonics.round()).abs() * frequency_hz > LOBE * bin_hz
    };
    let band: Vec<usize> =
        ((GATE_HZ.0 / bin_hz) as usize..(GATE_HZ.1 / bin_hz) as usize).filter(|&k| away(k)).collect();
    // Pieces of one length, so that few averages err alike in both.
    let length = (0.7 * step_seconds).min(0.2 * silence.length_seconds);
    let mut level = |from: f64| -> Option<f64> {
        let cut = take.stretch(from, from + length, from)?;
        let density = density(cut.samples, 2, plans)?;
        let values: Vec<f64> = band.iter().filter_map(|&k| density.get(k).copied()).collect();
        // A line of its own does not count.
        let most = 4.0 * median(&values);
        let (sum, count) =
            values.iter().filter(|v| **v < most).fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
        (count > 0.0).then(|| sum / count)
    };
    let mut order: Vec<usize> = (0..levels_db.len()).collect();
    order.sort_by(|&a, &b| levels_db[a].total_cmp(&levels_db[b]));
    let steps: Vec<f64> = order
        .into_iter()
        .enumerate()
        .filter(|&(at, k)| wanted(levels_db[k], at))
        .filter_map(|(_, k)| level(ladder.start_seconds + (k as f64 + 0.25) * step_seconds))
        .collect();
    let room = 0.82 * silence.length_seconds - length;
    let quiet: Vec<f64> = (0..SILENT_PLACES)
        .map(|k| 0.15 * silence.length_seconds + room * k as f64 / (SILENT_PLACES - 1) as f64)
        .filter_map(|at| level(silence.start_seconds + at))
        .collect();
    (steps.len() >= GATE_STEPS && quiet.len() == SILENT_PLACES).then(|| (middle(steps), middle(quiet)))
}

/// Mean of the middle half.
fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let aside = values.len() / 4;
    let half = values.get(aside..values.len() - aside).unwrap_or_default();
    half.iter().sum::<f64>() / half.len().max(1) as f64
}

fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

fn oscillation(density: &[f64], bin_hz: f64) -> Option<Finding> {
    let first = (AUDIBLE_HZ / bin_hz).ceil() as usize;
    let beside =
        |k: usize| median(density.get(k.saturating_sub(40)..(k + 41).min(density.len())).unwrap_or_default());
    let (at, &power) = density
        .iter()
        .enumerate()
        .take(density.len().saturating_sub(4))
        .skip(first)
        .filter(|&(k, &p)| p > LINE_PEAK * LINE_PEAK && p > LINE * beside(k))
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    Some(Finding::new(
        "ultrasonic",
        Severity::Limit,
        format!(
            "a steady tone at {:.1} kHz, {:.0} dBFS, while nothing is played",
            at as f64 * bin_hz / 1e3,
            units::dbfs_of_peak(power.sqrt())
        ),
        "an amp that oscillates clips early and mixes that tone with all others; a switching supply nearby looks the same",
        "record once with the amp off: if the tone stays it is picked up, else find the oscillation first",
    ))
}

/// The lowest frequency above which the noise falls off a cliff and stays down.
fn cliff(density: &[f64], bin_hz: f64, rate_hz: f64) -> Option<Finding> {
    let width = (600.0 / bin_hz).ceil() as usize;
    let level = |from: usize, bins: usize| median(density.get(from..from + bins).unwrap_or_default());
    let last = ((CONVERTER * rate_hz) / bin_hz) as usize;
    let first = (8_000.0 / bin_hz) as usize;
    let end = density.len().saturating_sub(2 * width + 2);
    // Noise of the last bit of 24 lies at −150 dBFS in such a bin; what is above is the path's own.
    let (at, below) = (first..last.min(end)).find_map(|k| {
        let below = level(k.saturating_sub(width), width);
        let beyond = level(k + width, width);
        let rest = level(k + width, density.len() - k - width);
        (below > CLIFF * beyond.max(rest) && below > 1e-16).then_some((k, below))
    })?;
    // The edge of a filter is where it is 6 dB down.
    let edge = (at..end + width).find(|&k| level(k.saturating_sub(4), 9) < below / 4.0)?;
    let edge_hz = edge as f64 * bin_hz;
    let cause = if (edge_hz - 22_050.0).abs() < 700.0 {
        "it was taken at 44.1 kHz and resampled, or stored in a lossy form in between"
    } else if (edge_hz - 24_000.0).abs() < 700.0 {
        "it was taken at 48 kHz and resampled"
    } else {
        "a lossy codec (MP3, AAC, Bluetooth) or a resampler stands in the path"
    };
    Some(Finding::new(
        "band_cut",
        Severity::Limit,
        format!(
            "the noise ends steeply at about {:.1} kHz, though the file reaches {:.1} kHz: {cause}",
            edge_hz / 1e3,
            rate_hz / 2e3
        ),
        "a lossy codec spoils distortion and noise; a resampler adds its own and may ride the clock",
        "set player, system and recorder to one rate; record WAV or FLAC straight from the interface",
    ))
}
