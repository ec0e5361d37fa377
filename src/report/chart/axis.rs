//! Axes: range, ticks at round numbers, and how numbers on them are written.

/// How values lie along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Equal steps are equally long.
    Linear,
    /// Equal ratios are equally long.
    Log,
}

/// A place on an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Where, in the unit of the axis.
    pub at: f64,
    /// What is written there; a tick without a label has only its line.
    pub label: String,
}

/// One axis: what runs along it, from where to where.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// The quantity: "total harmonic distortion".
    pub quantity: String,
    /// Its unit's symbol; empty for a pure number or for names.
    pub unit: String,
    /// How values lie along it.
    pub scale: Scale,
    /// Its left or lower end.
    pub low: f64,
    /// Its right or upper end, above `low`.
    pub high: f64,
    /// Its ticks, in order.
    pub ticks: Vec<Tick>,
}

impl Axis {
    /// A linear axis that holds all of `values`, with round ends.
    #[must_use]
    pub fn linear(quantity: &str, unit: &str, values: impl IntoIterator<Item = f64>) -> Self {
        let (mut low, mut high) = span(values).unwrap_or((0.0, 1.0));
        if high - low < 1e-9 * high.abs().max(1e-3) {
            // All the same: some room on both sides.
            let room = if low == 0.0 { 1.0 } else { low.abs() * 0.1 };
            (low, high) = (low - room, high + room);
        }
        Self::linear_between(quantity, unit, low, high)
    }

    /// A linear axis over `low` to `high`, its ends rounded outwards to ticks.
    #[must_use]
    pub fn linear_between(quantity: &str, unit: &str, low: f64, high: f64) -> Self {
        let step = round_step((high - low) / 5.0);
        // The rounding error of a division must not add a step.
        let first = (low / step + 1e-9).floor();
        let last = (high / step - 1e-9).ceil().max(first + 1.0);
        let count = (last - first).min(50.0) as i64;
        let ticks = (0..=count)
            .map(|k| {
                let at = (first + k as f64) * step;
                Tick { at, label: number(at, step) }
            })
            .collect();
        Self {
            quantity: quantity.to_owned(),
            unit: unit.to_owned(),
            scale: Scale::Linear,
            low: first * step,
            high: last * step,
            ticks,
        }
    }

    /// A linear axis that ends exactly where the values end, with round ticks between.
    #[must_use]
    pub fn linear_tight(quantity: &str, unit: &str, values: impl IntoIterator<Item = f64>) -> Self {
        let values: Vec<f64> = values.into_iter().collect();
        let mut axis = Self::linear(quantity, unit, values.iter().copied());
        if let Some((low, high)) = span(values)
            && high - low > 1e-9 * high.abs().max(1e-3)
        {
            (axis.low, axis.high) = (low, high);
            let slack = (high - low) * 1e-9;
            axis.ticks.retain(|t| (low - slack..=high + slack).contains(&t.at));
        }
        axis
    }

    /// A logarithmic axis that holds all positive `values`, ends at 1, 2 or 5
    /// times a power of ten, over at most `decades` below the largest.
    #[must_use]
    pub fn log(quantity: &str, unit: &str, values: impl IntoIterator<Item = f64>, decades: f64) -> Self {
        let (low, high) = span(values.into_iter().filter(|v| *v > 0.0)).unwrap_or((0.1, 10.0));
        let high = high.clamp(1e-12, 1e12);
        let low = low.max(high * 10f64.powf(-decades)).clamp(1e-12, high);
        Self::log_between(quantity, unit, floor_125(low), ceil_125(high))
    }

    /// A logarithmic axis from `low` to `high`, both positive.
    #[must_use]
    pub fn log_between(quantity: &str, unit: &str, low: f64, high: f64) -> Self {
        let high = if high > low { high } else { low * 10.0 };
        let decades = (high / low).log10();
        let mut ticks = Vec::new();
        let first = low.log10().floor() as i32;
        let last = high.log10().ceil() as i32;
        for power in first..=last {
            for digit in 1..10 {
                let at = f64::from(digit) * 10f64.powi(power);
                if at < low * (1.0 - 1e-9) || at > high * (1.0 + 1e-9) {
                    continue;
                }
                let named = match digit {
                    1 => true,
                    2 | 5 => decades < 3.6,
                    _ => decades < 0.8,
                };
                let label = if named { log_number(at) } else { String::new() };
                ticks.push(Tick { at, label });
            }
        }
        Self { quantity: quantity.to_owned(), unit: unit.to_owned(), scale: Scale::Log, low, high, ticks }
    }

    /// The audio band, 20 Hz to 20 kHz, with labels at 20, 50, 100 … 20k.
    #[must_use]
    pub fn audio_band() -> Self {
        Self::log_between("frequency", "Hz", 20.0, 20_000.0)
    }

    /// An axis of names: the k-th stands at k + 1.
    #[must_use]
    pub fn names<S: Into<String>>(quantity: &str, names: impl IntoIterator<Item = S>) -> Self {
        let ticks: Vec<Tick> = names
            .into_iter()
            .enumerate()
            .map(|(k, name)| Tick { at: (k + 1) as f64, label: name.into() })
            .collect();
        let high = ticks.len().max(1) as f64 + 0.5;
        Self {
            quantity: quantity.to_owned(),
            unit: String::new(),
            scale: Scale::Linear,
            low: 0.5,
            high,
            ticks,
        }
    }

    /// Quantity and unit, as written at the axis.
    #[must_use]
    pub fn title(&self) -> String {
        match (self.quantity.as_str(), self.unit.as_str()) {
            (quantity, "") => quantity.to_owned(),
            ("", unit) => unit.to_owned(),
            (quantity, unit) => format!("{quantity}, {unit}"),
        }
    }

    /// Where a value lies: 0 at the low end, 1 at the high end, beyond them
    /// outside; `None` for what has no place (not finite, or ≤ 0 on a log axis).
    #[must_use]
    pub fn place(&self, value: f64) -> Option<f64> {
        let at = match self.scale {
            Scale::Linear => (value - self.low) / (self.high - self.low),
            Scale::Log if value > 0.0 => (value / self.low).ln() / (self.high / self.low).ln(),
            Scale::Log => return None,
        };
        at.is_finite().then_some(at)
    }

    /// The value at a place: the inverse of [`Axis::place`].
    #[must_use]
    pub fn value(&self, place: f64) -> f64 {
        match self.scale {
            Scale::Linear => self.low + place * (self.high - self.low),
            Scale::Log => self.low * ((self.high / self.low).ln() * place).exp(),
        }
    }
}

fn span(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values.into_iter().filter(|v| v.is_finite() && v.abs() < 1e15).fold(None, |span, v| match span {
        None => Some((v, v)),
        Some((low, high)) => Some((low.min(v), high.max(v))),
    })
}

/// The 1, 2 or 5 times a power of ten that is not below `step`.
fn round_step(step: f64) -> f64 {
    if step.is_finite() && step > 0.0 { ceil_125(step) } else { 1.0 }
}

fn ceil_125(value: f64) -> f64 {
    let power = 10f64.powf((value.log10() + 1e-9).floor());
    let digit = value / power;
    let rounded = [1.0, 2.0, 5.0].into_iter().find(|d| digit <= d * (1.0 + 1e-9)).unwrap_or(10.0);
    rounded * power
}

fn floor_125(value: f64) -> f64 {
    let power = 10f64.powf((value.log10() + 1e-9).floor());
    let digit = value / power;
    let rounded = [5.0, 2.0, 1.0].into_iter().find(|d| digit >= d * (1.0 - 1e-9)).unwrap_or(1.0);
    rounded * power
}

/// A number on a linear axis with as many decimals as its step needs.
fn number(at: f64, step: f64) -> String {
    let decimals = (-(step.log10() + 1e-9).floor()).clamp(0.0, 9.0) as usize;
    let at = if at.abs() < step / 1e6 { 0.0 } else { at };
    crate::rounding::minus(&format!("{at:.decimals$}"))
}

/// A number on a logarithmic axis: 0.05, 2, 500, 2k.
fn log_number(at: f64) -> String {
    let (value, suffix) = if (999.0..9.99e5).contains(&at) { (at / 1000.0, "k") } else { (at, "") };
    // 1, 2 and 5 times powers of ten are exact to far more than six decimals.
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text.is_empty() || text == "0" { format!("{at:.0e}") } else { format!("{text}{suffix}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|t| t.label.as_str()).filter(|l| !l.is_empty()).collect()
    }

    #[test]
    fn the_audio_band_is_labelled_as_people_expect() {
        let expected = ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"];
        assert_eq!(labels(&Axis::audio_band()), expected);
    }

    #[test]
    fn linear_ends_are_round_and_minus_is_a_minus() {
        let axis = Axis::linear("level", "dB", [-7.3, 1.2]);
        assert_eq!((axis.low, axis.high), (-8.0, 2.0));
        assert_eq!(labels(&axis), ["−8", "−6", "−4", "−2", "0", "2"]);
        assert_eq!(
            labels(&Axis::linear("x", "", [0.0, 0.25])),
            ["0.00", "0.05", "0.10", "0.15", "0.20", "0.25"]
        );
    }

    #[test]
    fn log_ends_stand_at_one_two_or_five() {
        let axis = Axis::log("power", "W", [0.013, 7.2], 6.0);
        assert_eq!((axis.low, axis.high), (0.01, 10.0));
        assert_eq!(labels(&axis), ["0.01", "0.02", "0.05", "0.1", "0.2", "0.5", "1", "2", "5", "10"]);
        // At most so many decades under the largest.
        assert_eq!(Axis::log("power", "W", [1e-9, 8.0], 3.0).low, 0.005);
    }

    #[test]
    fn nothing_to_show_still_gives_an_axis() {
        for values in [vec![], vec![f64::NAN], vec![0.0], vec![3.0, 3.0], vec![f64::INFINITY, -1e300]] {
            for axis in [Axis::linear("a", "", values.clone()), Axis::log("a", "", values.clone(), 3.0)] {
                assert!(axis.low < axis.high && axis.low.is_finite() && axis.high.is_finite(), "{values:?}");
                assert!(axis.ticks.len() > 1 && axis.ticks.len() < 100);
            }
        }
    }

    #[test]
    fn place_and_value_are_inverse() {
        for axis in [Axis::audio_band(), Axis::linear("a", "", [-3.0, 9.0])] {
            for place in [0.0, 0.25, 1.0] {
                let back = axis.place(axis.value(place));
                // Two roundings of exp and ln.
                assert!(back.is_some_and(|b| (b - place).abs() < 1e-12));
            }
        }
        assert_eq!(Axis::audio_band().place(0.0), None);
        assert_eq!(Axis::audio_band().place(f64::NAN), None);
    }
}
