//! The interface's distortion and noise, set beside every figure that they may hide.

use super::{Loopback, Own};
use crate::analysis::Figures;
use crate::figure::{Curve, Quantity, Unit};
use crate::finding::{Finding, Severity};
use crate::measure::ladder::Step;
use crate::measure::{Measured, pair, quiet};
use crate::takes::Scale;

/// An amp's distortion nearer than this to the interface's may be the interface's own.
const CLEAR: f64 = 2.0;
/// A loop recorded this much lower than the take says nothing about the take's loudest steps.
const LOWER_DB: f64 = 1.0;

impl Loopback {
    /// Puts the interface's own distortion and noise beside the figures of a take (as [`Quantity::floor`]), its
    /// distortion as a curve, and what it hides as findings. `steps` is the take's rising ladder, `low_e` that at the
    /// guitar's low E.
    pub fn put_floors(&self, measured: &mut Measured, steps: &[Step], low_e: &[Step], scale: &Scale) {
        if !low_e.is_empty() && !self.low_e.is_empty() {
            let curve = curve(&self.low_e, low_e);
            measured.curves.insert("interface_distortion_low_e".to_owned(), curve);
        }
        if !steps.is_empty() {
            measured.curves.insert("interface_distortion".to_owned(), curve(&self.steps, steps));
            measured.findings.extend(self.near_floor(steps));
            measured.findings.extend(self.lower_than(steps));
        }
        let figures = &mut measured.figures;
        if let Some(own) =
            at_one_watt(steps, scale).and_then(|(drive_db, peak)| own(&self.steps, drive_db, peak))
        {
            set(figures, "thd_at_1_watt", Some(100.0 * own.thd));
            set(figures, "harmonic_2_at_1_watt", own.percent(2));
            set(figures, "harmonic_3_at_1_watt", own.percent(3));
        }
        if let Some(own) = steps.last().and_then(|top| own(&self.steps, top.drive_db, top.tone.peak())) {
            set(figures, "cranked_thd", Some(100.0 * own.thd));
            set(figures, "cranked_thd_r", Some(100.0 * own.thd / own.thd.hypot(1.0)));
            for harmonic in figures.harmonics.iter_mut().filter(|h| h.order > 1) {
                harmonic.ratio.floor = own.percent(harmonic.order as usize);
            }
        }
        self.put_pairs(figures);
        for (id, _, own) in &self.pairs {
            let plain = (id == "modulation_high").then_some("products");
            for name in plain.into_iter().chain([format!("products_{id}").as_str()]) {
                if let Some(curve) = measured.curves.get_mut(name) {
                    pair::put_interface(curve, own);
                }
            }
        }
        if let Some(own) = &self.quiet {
            let mut alone = Figures::default();
            quiet::put(&mut alone, own, scale);
            for name in
                ["noise", "noise_a_weighted", "noise_468", "hum_total", "hum_mains", "hum_twice_mains"]
            {
                let like = |q: &&Quantity| figures.get(name).is_some_and(|f| f.unit == q.unit);
                let floor = alone.get(name).filter(like).and_then(|q| q.value);
                set(figures, name, floor);
            }
        }
    }

    fn put_pairs(&self, figures: &mut Figures) {
        for (id, level_db, own) in &self.pairs {
            let [d2, d3, total] = pair::floors_percent(own);
            for entry in &mut figures.intermodulation {
                let same = entry.pair == own.frequencies_hz
                    && entry.level.is_some_and(|l| (l - level_db).abs() < 1e-9);
                if same {
                    (entry.d2.floor, entry.d3.floor, entry.total.floor) = (d2, d3, total);
                }
            }
            match id.as_str() {
                "modulation_high" => {
                    set(figures, "modulation_distortion", d2.zip(d3).map(|(a, b)| a.hypot(b)))
                }
                "difference_mid_high" => {
                    set(figures, "difference_distortion_2", d2);
                    set(figures, "difference_distortion_3", d3);
                }
                "chord_high" => set(figures, "chord_distortion", total),
                _ => {}
            }
        }
    }

    /// Says at which drives the amp's distortion may be the interface's.
    fn near_floor(&self, steps: &[Step]) -> Option<Finding> {
        let near: Vec<f64> = steps
            .iter()
            .filter(|s| s.tone.thd() > 2.0 * s.tone.thd_floor())
            .filter(|s| {
                own(&self.steps, s.drive_db, s.tone.peak()).is_some_and(|own| s.tone.thd() < CLEAR * own.thd)
            })
            .map(|s| s.drive_db)
            .collect();
        let (first, last) = (near.first()?, near.last()?);
        Some(
            Finding::new(
                "near_interface_floor",
                Severity::Note,
                format!(
                    "at {} ladder step{} between {first:.0} and {last:.0} dB the distortion is within twice what \
                     the interface shows by itself",
                    near.len(),
                    if near.len() == 1 { "" } else { "s" }
                ),
                "distortion there may be the interface's, not the amp's",
                "read the curve only where it lies well over the interface's; a better level into the interface helps",
            )
            .in_segment("ladder_up"),
        )
    }

    /// A loop that never reached the take's level tells nothing of the input there.
    fn lower_than(&self, steps: &[Step]) -> Option<Finding> {
        let loudest = |peaks: &mut dyn Iterator<Item = f64>| peaks.reduce(f64::max).map(crate::units::db);
        let own = loudest(&mut self.steps.iter().map(|s| s.peak))?;
        let take = loudest(&mut steps.iter().map(|s| s.tone.peak()))?;
        (take - own > LOWER_DB).then(|| {
            Finding::new(
                "loopback_lower",
                Severity::Note,
                format!("the loopback was recorded {:.0} dB lower than this take", take - own),
                "what the interface's input adds at the take's loudest levels is not known",
                "record the loopback again, at the level of the takes",
            )
        })
    }
}

/// The interface's distortion, the noise under it and its harmonics from H2 up, as ratios.
#[derive(Debug, Clone, PartialEq)]
struct Floor {
    thd: f64,
    noise: f64,
    harmonics: Vec<f64>,
}

impl Floor {
    fn larger(self, other: Self) -> Self {
        Self {
            thd: self.thd.max(other.thd),
            noise: self.noise.max(other.noise),
            harmonics: self.harmonics.iter().zip(other.harmonics).map(|(a, b)| a.max(b)).collect(),
        }
    }

    /// One harmonic, per cent of the fundamental; of those not told one by one, what all of them are.
    fn percent(&self, order: usize) -> Option<f64> {
        Some(100.0 * self.harmonics.get(order.checked_sub(2)?).copied().unwrap_or(self.thd))
    }
}

/// The interface's distortion where it plays `drive_db` and records `peak`: the larger of what the loop shows at
/// that drive (the output's share) and at that recorded level (the input's); `None` where it shows neither.
fn own(ladder: &[Own], drive_db: f64, peak: f64) -> Option<Floor> {
    let here = [
        beside(ladder, |s| s.drive_db, drive_db),
        beside(ladder, |s| crate::units::db(s.peak), crate::units::db(peak)),
    ];
    here.into_iter().flatten().reduce(Floor::larger)
}

/// The larger of both neighbours of `x` on the ladder; `None` outside it.
fn beside(steps: &[Own], at: impl Fn(&Own) -> f64, x: f64) -> Option<Floor> {
    const SAME_DB: f64 = 0.01;
    let below = steps.iter().filter(|s| at(s) <= x + SAME_DB).max_by(|a, b| at(a).total_cmp(&at(b)))?;
    let above = steps.iter().filter(|s| at(s) >= x - SAME_DB).min_by(|a, b| at(a).total_cmp(&at(b)))?;
    let floor = |s: &Own| Floor { thd: s.thd, noise: s.noise, harmonics: s.harmonics.clone() };
    Some(floor(below).larger(floor(above)))
}

/// Drive and recorded peak where the take first gives 1 W; `None` where it does not or the rig is not calibrated.
fn at_one_watt(steps: &[Step], scale: &Scale) -> Option<(f64, f64)> {
    let watts = |s: &Step| scale.watts(s.tone.mean_square());
    let at = steps.iter().position(|s| watts(s).is_some_and(|w| w >= 1.0))?;
    let (above, below) = (steps.get(at)?, steps.get(at.checked_sub(1)?)?);
    let share = -watts(below)?.ln() / (watts(above)?.ln() - watts(below)?.ln());
    let between = |a: f64, b: f64| a + share * (b - a);
    Some((between(below.drive_db, above.drive_db), between(below.tone.peak(), above.tone.peak())))
}

fn set(figures: &mut Figures, name: &str, floor: Option<f64>) {
    if let Some(quantity) = figures.quantities.get_mut(name) {
        quantity.floor = floor.filter(|f| f.is_finite());
    }
}

/// The interface's distortion, by its own `ladder`, at the drive and level of each step: sum, noise under it, H2 and up.
fn curve(ladder: &[Own], steps: &[Step]) -> Curve {
    let harmonics: Vec<String> = (2..=super::LISTED).map(|order| format!("harmonic_{order}")).collect();
    let mut columns = vec![("drive", Unit::Decibels), ("thd", Unit::Percent), ("thd_floor", Unit::Percent)];
    columns.extend(harmonics.iter().map(|name| (name.as_str(), Unit::Percent)));
    let mut curve = Curve::new(&columns);
    for step in steps {
        if let Some(own) = own(ladder, step.drive_db, step.tone.peak()) {
            let sums = [step.drive_db, 100.0 * own.thd, 100.0 * own.noise];
            curve.push(sums.into_iter().chain(own.harmonics.iter().map(|ratio| 100.0 * ratio)));
        }
    }
    curve
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::measure::{Plans, tone};

    /// A ladder of 6 dB steps at which the second harmonic is `h2` times the fundamental at the top, and falls with it.
    fn ladder(h2: f64, frequency_hz: f64) -> Vec<Step> {
        let omega = std::f64::consts::TAU * frequency_hz / 48_000.0;
        (0..4)
            .map(|k| {
                let drive_db = f64::from(k) * 6.0 - 18.0;
                let peak = 0.5 * crate::units::from_db(drive_db);
                let wave = |n: i32| {
                    let t = omega * f64::from(n);
                    peak * (t.cos() + 2.0 * h2 * peak * (2.0 * t).cos())
                };
                let samples: Vec<f32> = (0..24_000).map(|n| wave(n) as f32).collect();
                let tone = tone::measure(&samples, omega, 48_000.0, &mut Plans::default()).unwrap();
                Step { drive_db, input_peak: peak, tone }
            })
            .collect()
    }

    #[test]
    fn each_ladder_has_the_interfaces_own_distortion_at_its_frequency() {
        let own = |h2: f64, hz: f64| ladder(h2, hz).iter().map(Own::of).collect::<Vec<_>>();
        let loopback = Loopback { steps: own(1e-4, 1010.0), low_e: own(1e-3, 82.4), ..Loopback::default() };
        let mut measured = Measured::default();
        let amp = [1010.0, 82.4].map(|hz| ladder(0.05, hz));
        loopback.put_floors(&mut measured, &amp[0], &amp[1], &Scale::default());
        for (name, h2) in [("interface_distortion", 1e-4), ("interface_distortion_low_e", 1e-3)] {
            let points = measured.curves[name].points("drive", "thd");
            assert_eq!(points.len(), 4, "{name}");
            for (drive_db, thd) in points {
                // Single precision leaves 1e-7 of the fundamental.
                let expected = 100.0 * h2 * crate::units::from_db(drive_db);
                assert!((thd / expected - 1.0).abs() < 0.01, "{name} at {drive_db}: {thd} {expected}");
            }
        }
    }
}
