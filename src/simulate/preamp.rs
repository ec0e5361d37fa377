//! Triode stages and what lies between them.

use std::f64::consts::TAU;

use super::table::Table;
use super::valves::{GRID_OHMS, Triode, grid_current, root};

/// A common-cathode triode stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TriodeParts {
    /// The valve.
    pub valve: Triode,
    /// Supply voltage of the stage. It is taken as stiff: what ripple and sag are left behind the
    /// last smoothing resistor are far below those of the output stage.
    pub supply_volts: f64,
    /// Plate resistor.
    pub plate_ohms: f64,
    /// Cathode resistor.
    pub cathode_ohms: f64,
    /// Capacitor across it, 0 for none.
    pub cathode_farads: f64,
    /// Resistance that the grid is driven from.
    pub source_ohms: f64,
}

/// A triode stage at work: voltage at the grid's source in, plate voltage less its idle value out.
#[derive(Debug, Clone)]
pub struct TriodeStage {
    parts: TriodeParts,
    /// Plate current over the drive re a bypassed cathode, or re ground when the cathode follows.
    current: Table<1>,
    idle_current: f64,
    last_amps: f64,
    cathode_volts: f64,
    /// Small-signal resistance that the plate drives the next stage from.
    pub source_ohms: f64,
    /// Idle plate voltage re ground.
    pub idle_plate_volts: f64,
    /// Idle cathode voltage.
    pub idle_cathode_volts: f64,
}

impl TriodeStage {
    /// Solves the stage for its idle state and tabulates it.
    #[must_use]
    pub fn new(parts: &TriodeParts) -> Self {
        let p = *parts;
        let bypassed = p.cathode_farads > 0.0;
        // Kirchhoff round plate resistor, valve and cathode resistor.
        let idle_current = root(0.0, p.supply_volts / p.plate_ohms, |i| {
            let cathode = i * p.cathode_ohms;
            i - p.valve.plate(p.supply_volts - p.plate_ohms * i - cathode, -cathode)
        });
        let idle_cathode = idle_current * p.cathode_ohms;
        let grid = Table::new(-3.0, 3.0, 300, |open| [grid_volts(open, p.source_ohms)]);
        let current_at = |drive: f64| {
            root(0.0, p.supply_volts / p.plate_ohms, |i| {
                let cathode = if bypassed { idle_cathode } else { i * p.cathode_ohms };
                let open = if bypassed { drive } else { drive - cathode };
                i - p.valve.plate(p.supply_volts - p.plate_ohms * i - cathode, grid.at(open)[0])
            })
        };
        let idle_drive = if bypassed { -idle_cathode } else { 0.0 };
        let (low, high) = (idle_drive - 8.0, idle_drive + 8.0);
        Self {
            current: Table::new(low, high, 800, |drive| [current_at(drive)]),
            last_amps: idle_current,
            idle_current,
            cathode_volts: idle_cathode,
            source_ohms: output_resistance(&p, idle_current, idle_cathode),
            idle_plate_volts: p.supply_volts - p.plate_ohms * idle_current,
            idle_cathode_volts: idle_cathode,
            parts: p,
        }
    }

    /// Plate volts less idle of a stage whose cathode is not bypassed.
    #[inline]
    #[must_use]
    pub fn plate_volts(&self, drive: f64) -> f64 {
        self.parts.plate_ohms * (self.idle_current - self.current.at(drive)[0])
    }

    /// Input volts become plate volts less idle.
    pub fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        if self.parts.cathode_farads <= 0.0 {
            block.iter_mut().for_each(|x| *x = self.plate_volts(*x));
            return;
        }
        let charge = 1.0 / (rate_hz * self.parts.cathode_farads);
        let conductance = 1.0 / self.parts.cathode_ohms;
        for x in block {
            let [amps] = self.current.at(*x - self.cathode_volts);
            *x = self.parts.plate_ohms * (self.idle_current - amps);
            // The capacitor is slow: moving it by the last sample's current lets two samples overlap.
            self.cathode_volts += charge * (self.last_amps - self.cathode_volts * conductance);
            self.last_amps = amps;
        }
    }
}

/// Voltage of a grid re cathode that is driven from `open` volts through `source_ohms`.
pub(crate) fn grid_volts(open: f64, source_ohms: f64) -> f64 {
    if open < -3.0 {
        return open;
    }
    root(-3.1, open.max(0.0) + 0.1, |v| v - open + source_ohms * grid_current(v))
}

/// Plate resistor in parallel with the valve's own resistance, raised by a cathode resistor that is
/// not bypassed: r_a + (µ + 1) R_k (textbook).
fn output_resistance(p: &TriodeParts, idle_current: f64, idle_cathode: f64) -> f64 {
    let volts = p.supply_volts - p.plate_ohms * idle_current - idle_cathode;
    let slope = (p.valve.plate(volts + 1.0, -idle_cathode) - p.valve.plate(volts - 1.0, -idle_cathode)) / 2.0;
    let follows = if p.cathode_farads > 0.0 { 0.0 } else { (p.valve.mu + 1.0) * p.cathode_ohms };
    let valve = 1.0 / slope.max(1e-9) + follows;
    valve * p.plate_ohms / (valve + p.plate_ohms)
}

/// From one stage's plate to the next one's grid: coupling capacitor, tone network, volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkParts {
    /// Coupling capacitor.
    pub farads: f64,
    /// Volume potentiometer.
    pub volume_ohms: f64,
    /// Voltage ratio of the tone network before it.
    pub tone_ratio: f64,
    /// Resistance that the tone network drives the potentiometer from.
    pub tone_ohms: f64,
    /// Capacitance at the next grid: the valve's own, multiplied by its gain, and the wiring.
    pub grid_farads: f64,
}

/// Positions of the controls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Controls {
    /// Voltage ratio at the volume control's wiper, 0 to 1.
    pub volume: f64,
    /// −3 dB point of the tone control's treble cut.
    pub treble_hz: f64,
}

/// The link at work.
#[derive(Debug, Clone, Copy)]
pub struct Link {
    high_pass: f64,
    low_passes: [f64; 2],
    corners_hz: [f64; 3],
    ratio: f64,
}

impl Link {
    /// For a source of this resistance and these control positions.
    #[must_use]
    pub fn new(parts: &LinkParts, controls: &Controls, source_ohms: f64) -> Self {
        let volume = controls.volume.clamp(0.0, 1.0);
        let all = source_ohms + parts.tone_ohms + parts.volume_ohms;
        let grid_ohms = Self::grid_ohms(parts, controls);
        Self {
            high_pass: 0.0,
            low_passes: [0.0; 2],
            corners_hz: [
                1.0 / (TAU * all * parts.farads),
                1.0 / (TAU * grid_ohms * parts.grid_farads),
                controls.treble_hz,
            ],
            ratio: parts.tone_ratio * volume * parts.volume_ohms / all,
        }
    }

    /// Resistance that the next grid is driven from.
    #[must_use]
    pub fn grid_ohms(parts: &LinkParts, controls: &Controls) -> f64 {
        let below = controls.volume.clamp(0.0, 1.0) * parts.volume_ohms;
        let above = parts.volume_ohms - below + parts.tone_ohms;
        (below * above / (below + above)).max(GRID_OHMS)
    }

    /// Plate volts become the volts that drive the next grid.
    pub fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        let [high, first, second] = self.corners_hz.map(|hz| {
            // Bilinear one-pole: g / (1 + g) with g = tan(π f / rate).
            let g = (std::f64::consts::PI * (hz / rate_hz).min(0.49)).tan();
            g / (1.0 + g)
        });
        for x in block {
            let slow = low_pass(&mut self.high_pass, high, *x);
            let y = low_pass(&mut self.low_passes[0], first, (*x - slow) * self.ratio);
            *x = low_pass(&mut self.low_passes[1], second, y);
        }
    }
}

#[inline]
fn low_pass(state: &mut f64, step: f64, x: f64) -> f64 {
    let change = (x - *state) * step;
    let y = *state + change;
    *state = y + change;
    y
}

#[cfg(test)]
mod tests {
    use super::super::valves::TRIODE_12AX7;
    use super::*;

    fn parts(cathode_farads: f64) -> TriodeParts {
        TriodeParts {
            valve: TRIODE_12AX7,
            supply_volts: 300.0,
            plate_ohms: 100e3,
            cathode_ohms: 1500.0,
            cathode_farads,
            source_ohms: 68e3,
        }
    }

    #[test]
    fn a_stage_idles_and_amplifies_as_the_reference_says() {
        // reference §10, stage check: V_k 1.4557011, V_a 202.95326, gain −61.365 bypassed, −31.788 not.
        for (farads, gain) in [(22e-6, -61.365), (0.0, -31.788)] {
            let mut stage = TriodeStage::new(&parts(farads));
            assert!((stage.idle_cathode_volts - 1.455_701_1).abs() < 1e-6);
            assert!((stage.idle_plate_volts - 202.953_26).abs() < 1e-4);
            // So short that the bypassed cathode does not move.
            let mut block = [1e-3, -1e-3];
            stage.process(&mut block, 1e6);
            let measured = (block[0] - block[1]) / 2e-3;
            // Grid current of a few nA through 68 kΩ takes 1e-4 off.
            assert!((measured / gain - 1.0).abs() < 3e-4, "{measured}");
        }
    }

    #[test]
    fn silence_stays_silent() {
        let mut stage = TriodeStage::new(&parts(22e-6));
        let mut block = [0.0; 4000];
        stage.process(&mut block, 192e3);
        // The idle state is solved without grid current: 0.5 nA through 68 kΩ, times a gain of 61.
        assert!(block.iter().all(|y| y.abs() < 3e-3), "{:?}", block.last());
    }
}
