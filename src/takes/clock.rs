//! From markers to one time map for everything: `t_player = ratio · (t_recorder − start)`
//! (methods §0, §2.2). The recording itself is never resampled.

use realfft::num_complex::Complex;

use super::detect::{Hit, SURE, UNSURE};
use super::tape::Tape;
use crate::signals::identity::{self, BIT_SECONDS, Identity};
use crate::signals::marker::{
    CHIRP_SECONDS, Code, Direction, HIGH_HZ, LENGTH_SECONDS, LOW_HZ, SPACING_SECONDS, chirp_phase, envelope,
};
use crate::signals::plan::Plan;

/// Clocks of players and recorders agree at least this well (methods §2.1).
pub const MAX_DRIFT: f64 = 250e-6;
/// A recorder whose markers do not lie on a line by more than this has lost or gained samples (methods §13).
pub const ALARM_SAMPLES: f64 = 2.0;
/// RMS bandwidth of a chirp about its centre, radians per second: that of a flat band.
const BANDWIDTH: f64 = std::f64::consts::TAU * (HIGH_HZ - LOW_HZ) / 3.464_101_615;
/// What the method itself errs by in a marker's place, seconds: both directions, where an amp's delay moves both chirps
/// alike, and one direction only (tests/reference/ACCURACY.md: 0.017 samples between the two kinds).
const METHOD_SECONDS: [f64; 2] = [3e-8, 2e-7];
/// Distance of the places at which the noise is correlated with a chirp.
const NOISE_HOP_SECONDS: f64 = 0.05;
/// Centre frequency over slope of a marker's chirp: how far clock error moves its peak (methods §2.1).
const SHIFT_SECONDS: f64 = (LOW_HZ + HIGH_HZ) / 2.0 * CHIRP_SECONDS / (HIGH_HZ - LOW_HZ);

/// A marker of the plan, found and timed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timed {
    /// Which marker.
    pub code: Code,
    /// Time of its centre by the player's clock.
    pub player_seconds: f64,
    /// Time of its centre by the recorder's clock, from the file's first frame.
    pub recorder_seconds: f64,
    /// Normalised correlation, 0…1.
    pub rho: f32,
    /// Positive if the recording has the signal's sign.
    pub sign: f64,
    /// Standard deviation of `recorder_seconds` for noise of RMS magnitude 1 in the correlation with a chirp.
    pub seconds_per_noise: f64,
}

/// The time map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Player's seconds per recorder's second.
    pub ratio: f64,
    /// Recorder's time of the plan's begin, seconds from the file's first frame.
    pub start_seconds: f64,
    /// Largest distance of a marker from the line, in frames; `None` with fewer than three.
    pub worst_frames: Option<f64>,
    /// Standard deviation of `ratio` from noise; `None` where nothing tells it.
    pub ratio_sd: Option<f64>,
}

impl Clock {
    /// Recorder's time of a player's time.
    #[must_use]
    pub fn recorder_seconds(&self, player_seconds: f64) -> f64 {
        self.start_seconds + player_seconds / self.ratio
    }

    /// Recorder's clock re player's in ppm: positive if the recorder's runs fast and so takes more
    /// samples than the signal has.
    #[must_use]
    pub fn drift_ppm(&self) -> f64 {
        (1.0 / self.ratio - 1.0) * 1e6
    }
}

/// The hits that stand where `plan` has markers, each with its index in `plan.markers`. Of several
/// places the one with most markers is taken, then the surest, then the first.
#[must_use]
pub fn place(hits: &[Hit], plan: &Plan, rate_hz: f64) -> Vec<(usize, Hit)> {
    let slack = |seconds: f64| 0.003 + seconds.abs() * MAX_DRIFT;
    let mut best: (Vec<(usize, Hit)>, f32) = (Vec::new(), 0.0);
    for anchor in hits.iter().filter(|h| h.rho >= SURE) {
        for (at, marker) in plan.markers.iter().enumerate().filter(|(_, m)| m.code == anchor.code) {
            let mut group = vec![(at, *anchor)];
            for (other, place) in plan.markers.iter().enumerate().filter(|&(k, _)| k != at) {
                let away = place.start_seconds - marker.start_seconds;
                let found = hits
                    .iter()
                    .filter(|h| h.code == place.code && h.rho >= UNSURE)
                    .filter(|h| ((h.frame - anchor.frame) / rate_hz - away).abs() <= slack(away))
                    .max_by(|a, b| a.rho.total_cmp(&b.rho));
                group.extend(found.map(|h| (other, *h)));
            }
            group.sort_by_key(|g| g.0);
            let sum = group.iter().map(|g| g.1.rho).sum();
            if (group.len(), sum) > (best.0.len(), best.1) {
                best = (group, sum);
            }
        }
    }
    best.0
}

/// Times a marker at the full rate; `None` if its samples are not all on the tape.
#[must_use]
pub fn time(tape: &Tape, chirps: &Chirps, hit: &Hit, player_start_seconds: f64) -> Option<Timed> {
    let rate_hz = chirps.rate_hz;
    let mut recorder_seconds = 0.0;
    let mut sign = 0.0;
    let mut variance = 0.0;
    for (k, direction) in hit.code.directions().into_iter().enumerate() {
        let guess = hit.frame + SPACING_SECONDS * rate_hz * k as f64;
        let Peak { frame, correlation, bend } = peak(tape, chirps, direction, guess, 0.000_4)?;
        recorder_seconds += 0.5 * (frame / rate_hz + CHIRP_SECONDS / 2.0);
        sign += correlation.arg().cos();
        // |C|² falls as 1 − β²τ² about its peak; noise of the template's bandwidth β₀ and of mean square n² moves it by
        // β₀²n²/(2β⁴|C|²) (mean square; with β = β₀ that is the Cramér-Rao bound).
        let sharpness = -0.5 * bend * rate_hz * rate_hz;
        variance += BANDWIDTH * BANDWIDTH / (2.0 * sharpness * sharpness * correlation.norm_sqr());
    }
    Some(Timed {
        code: hit.code,
        player_seconds: player_start_seconds + LENGTH_SECONDS / 2.0,
        recorder_seconds,
        rho: hit.rho,
        sign,
        seconds_per_noise: 0.5 * variance.sqrt(),
    })
}

/// The chirps of one length, made once for many places.
pub struct Chirps {
    rate_hz: f64,
    up: Vec<Complex<f64>>,
    down: Vec<Complex<f64>>,
}

impl Chirps {
    /// The chirps of markers at this sample rate.
    #[must_use]
    pub fn of_markers(rate_hz: f64) -> Self {
        Self::new(CHIRP_SECONDS, rate_hz)
    }

    fn new(seconds: f64, rate_hz: f64) -> Self {
        let [up, down] = [Direction::Up, Direction::Down].map(|d| template(d, seconds, rate_hz));
        Self { rate_hz, up, down }
    }

    fn of(&self, direction: Direction) -> &[Complex<f64>] {
        match direction {
            Direction::Up => &self.up,
            Direction::Down => &self.down,
        }
    }
}

/// A chirp's place.
struct Peak {
    /// Frame, with fraction, at which it begins.
    frame: f64,
    /// Its correlation there.
    correlation: Complex<f64>,
    /// Second difference of the correlation's ln |C|² there, a frame apart.
    bend: f64,
}

/// The chirp within `slack_seconds` of `guess`.
fn peak(tape: &Tape, chirps: &Chirps, direction: Direction, guess: f64, slack_seconds: f64) -> Option<Peak> {
    let (template, rate_hz) = (chirps.of(direction), chirps.rate_hz);
    let slack = (slack_seconds * rate_hz).ceil() as i64 + 1;
    let first = guess.round() as i64 - slack;
    let samples = tape.part(first, first + 2 * slack + template.len() as i64 + 1)?;
    let at = |lag: usize| correlate(&samples[lag..], template);
    let all: Vec<Complex<f64>> = (0..=2 * slack as usize).map(at).collect();
    let best = (1..all.len() - 1).max_by(|&a, &b| all[a].norm_sqr().total_cmp(&all[b].norm_sqr()))?;
    // The logarithm of the peak is nearly a parabola (methods §2.2).
    let log = |k: usize| all[k].norm_sqr().max(f64::MIN_POSITIVE).ln();
    let (before, here, after) = (log(best - 1), log(best), log(best + 1));
    let bend = before - 2.0 * here + after;
    let lean = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-1.0, 1.0) } else { 0.0 };
    Some(Peak { frame: first as f64 + best as f64 + lean, correlation: all[best], bend })
}

/// RMS magnitude of the correlation of samples without any signal with a marker's chirp; `None` if they are too few to
/// tell it.
#[must_use]
pub fn noise(samples: &[f32], chirps: &Chirps) -> Option<f64> {
    let hop = (NOISE_HOP_SECONDS * chirps.rate_hz) as usize;
    let places = samples.len().checked_sub(chirps.up.len())? / hop.max(1);
    let power = |k: usize| correlate(&samples[k * hop..], &chirps.up).norm_sqr();
    // Each place is a complex number of its own: eight tell the noise within a factor of 1.4.
    (places >= 8).then(|| ((0..places).map(power).sum::<f64>() / places as f64).sqrt())
}

/// Standard deviation of the ratio that [`map`] finds from these markers in this much [`noise`]; `None` with fewer than
/// two markers.
#[must_use]
pub fn ratio_sd(markers: &[Timed], noise: f64) -> Option<f64> {
    let mean = markers.iter().map(|m| m.player_seconds).sum::<f64>() / markers.len().max(1) as f64;
    let (mut over, mut under) = (0.0, 0.0);
    for marker in markers {
        let [first, second] = marker.code.directions();
        let method = METHOD_SECONDS[usize::from(first == second)];
        let away = (marker.player_seconds - mean).powi(2);
        over += away * ((noise * marker.seconds_per_noise).powi(2) + method * method);
        under += away;
    }
    (markers.len() > 1 && under > 0.0).then(|| over.sqrt() / under)
}

/// The analytic chirp whose real part is what is played.
fn template(direction: Direction, seconds: f64, rate_hz: f64) -> Vec<Complex<f64>> {
    let length = (seconds * rate_hz).round() as usize;
    (0..length)
        .map(|n| {
            let t = n as f64 / rate_hz;
            let phase = chirp_phase(direction, seconds, t) - std::f64::consts::FRAC_PI_2;
            Complex::from_polar(envelope(seconds, t), phase)
        })
        .collect()
}

/// In four sums side by side: one alone waits for each addition.
fn correlate(samples: &[f32], template: &[Complex<f64>]) -> Complex<f64> {
    let (samples, template) = (&samples[..template.len().min(samples.len())], template);
    let mut sums = [Complex::default(); 4];
    let ((fours, rest), (of_template, _)) = (samples.as_chunks::<4>(), template.as_chunks::<4>());
    for (x, m) in fours.iter().zip(of_template) {
        for k in 0..4 {
            sums[k] += m[k] * f64::from(x[k]);
        }
    }
    let tail = template[4 * fours.len()..].iter().zip(rest).map(|(m, &x)| m * f64::from(x));
    (sums.into_iter().sum::<Complex<f64>>() + tail.sum::<Complex<f64>>()).conj()
}

/// The map through timed markers by least squares; `None` without markers. With one marker the ratio is 1.
#[must_use]
pub fn map(markers: &[Timed], rate_hz: f64) -> Option<Clock> {
    let mut clock = line(markers, 1.0)?;
    // The shift of unpaired chirps depends on the ratio; twice is enough (methods §2.2).
    for _ in 0..2 {
        clock = line(markers, clock.ratio)?;
    }
    let off =
        |m: &Timed| (shifted(m, clock.ratio) - clock.recorder_seconds(m.player_seconds)).abs() * rate_hz;
    clock.worst_frames = (markers.len() >= 3).then(|| markers.iter().map(off).fold(0.0, f64::max));
    Some(clock)
}

/// Recorder's time of a marker's centre, freed of what the clock does to chirps of one direction.
fn shifted(marker: &Timed, ratio: f64) -> f64 {
    let lean: f64 =
        marker.code.directions().into_iter().map(|d| if d == Direction::Up { 0.5 } else { -0.5 }).sum();
    marker.recorder_seconds + (ratio - 1.0) * SHIFT_SECONDS * lean
}

fn line(markers: &[Timed], ratio: f64) -> Option<Clock> {
    let count = markers.len() as f64;
    if markers.is_empty() {
        return None;
    }
    let times = markers.iter().map(|m| shifted(m, ratio));
    let mean_recorder = times.clone().sum::<f64>() / count;
    let mean_player = markers.iter().map(|m| m.player_seconds).sum::<f64>() / count;
    let (mut over, mut under) = (0.0, 0.0);
    for (marker, t) in markers.iter().zip(times) {
        over += (marker.player_seconds - mean_player) * (t - mean_recorder);
        under += (t - mean_recorder) * (t - mean_recorder);
    }
    let ratio = if markers.len() > 1 && under > 0.0 { over / under } else { 1.0 };
    Some(Clock {
        ratio,
        start_seconds: mean_recorder - mean_player / ratio,
        worst_frames: None,
        ratio_sd: None,
    })
}

/// Reads the identity row after the plan's first marker; `None` if it is not all on the tape or its check fails.
#[must_use]
pub fn read_identity(tape: &Tape, rate_hz: f64, clock: &Clock, identity_seconds: f64) -> Option<Identity> {
    let chirps = Chirps::new(BIT_SECONDS, rate_hz);
    let mut row = [Direction::Down; identity::BITS];
    for (k, bit) in row.iter_mut().enumerate() {
        let guess = clock.recorder_seconds(identity_seconds + BIT_SECONDS * k as f64) * rate_hz;
        let strength =
            |direction| Some(peak(tape, &chirps, direction, guess, 0.000_3)?.correlation.norm_sqr());
        if strength(Direction::Up)? > strength(Direction::Down)? {
            *bit = Direction::Up;
        }
    }
    Identity::read(&row)
}
