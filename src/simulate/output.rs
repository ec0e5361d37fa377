//! The output stage: a cathode-biased pentode in single-ended class A, with the triode that drives it
//! and feedback from the load to that triode's cathode.

use std::f64::consts::FRAC_PI_2;

use super::preamp::{TriodeStage, grid_volts};
use super::supply::{Rails, Supply};
use super::table::Table;
use super::transformer::{Transformer, Winding};
use super::valves::{Pentode, root};

/// Values of the output stage's parts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputParts {
    /// The valve.
    pub valve: Pentode,
    /// Coupling capacitor at its grid.
    pub coupling_farads: f64,
    /// Grid leak.
    pub grid_leak_ohms: f64,
    /// Cathode resistor.
    pub cathode_ohms: f64,
    /// Capacitor across it.
    pub cathode_farads: f64,
    /// Part of the load's voltage that is fed back to the driver.
    pub feedback_ratio: f64,
    /// The transformer.
    pub transformer: Transformer,
    /// The supply.
    pub supply: Supply,
}

/// DC voltages re ground and currents, mean over whole mains periods.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct OperatingPoint {
    /// At the reservoir.
    pub supply_volts: f64,
    /// At the plate.
    pub plate_volts: f64,
    /// At the screen.
    pub screen_volts: f64,
    /// At the cathode.
    pub cathode_volts: f64,
    /// Plate current.
    pub plate_amps: f64,
    /// Screen current.
    pub screen_amps: f64,
}

impl OperatingPoint {
    /// Heat at the plate: (V_a − V_k) I_a (reference §10).
    #[must_use]
    pub fn plate_watts(&self) -> f64 {
        (self.plate_volts - self.cathode_volts) * self.plate_amps
    }

    /// Heat at the screen: (V_g2 − V_k) I_g2 (reference §10).
    #[must_use]
    pub fn screen_watts(&self) -> f64 {
        (self.screen_volts - self.cathode_volts) * self.screen_amps
    }
}

/// The operating point without any time in it: the cathode voltage at which the valve's current through
/// the cathode resistor meets itself, for given supplies and a grid at ground.
#[must_use]
pub fn bias(parts: &OutputParts, supply_volts: f64, screen_volts: f64) -> OperatingPoint {
    let at = |cathode_volts: f64| {
        let screen_amps = parts.valve.screen(screen_volts - cathode_volts, -cathode_volts);
        let wanted = (cathode_volts / parts.cathode_ohms - screen_amps).max(0.0);
        let plate_volts = supply_volts - parts.transformer.primary_ohms * wanted;
        let plate_amps =
            parts.valve.plate(plate_volts - cathode_volts, screen_volts - cathode_volts, -cathode_volts);
        OperatingPoint { supply_volts, plate_volts, screen_volts, cathode_volts, plate_amps, screen_amps }
    };
    at(root(0.0, 100.0, |vk| vk - parts.cathode_ohms * (at(vk).plate_amps + at(vk).screen_amps)))
}

/// Driver and output stage at work: volts at the driver's grid in, volts at the load out.
#[derive(Debug, Clone)]
pub struct OutputStage {
    driver: TriodeStage,
    grid: Table<1>,
    /// Plate current but for its arctan, and screen current, over grid voltage by screen voltage.
    currents: Table<2>,
    arctan: Table<1>,
    winding: Winding,
    rails: Rails,
    /// Plate voltage re cathode in knees of the valve: now and a sample before.
    knees: [f64; 2],
    knees_per_volt: f64,
    knees_per_amp: f64,
    exponent: f64,
    /// Screen voltage about which its power law is expanded, and the power there.
    usual_screen: f64,
    usual_power: f64,
    primary_ohms: f64,
    divider: f64,
    to_coupling: f64,
    coupling_volts: f64,
    grid_volts: f64,
    to_cathode: f64,
    per_cathode_ohm: f64,
    cathode_volts: f64,
    plate_amps: f64,
    screen_amps: f64,
    feedback_ratio: f64,
    /// The load's last voltages, so that feedback is [`FEEDBACK_SECONDS`] late at any rate.
    load_volts: [f64; RING],
    count: usize,
    slow: Slow,
    /// Mean of plate and screen current since the supplies were last looked at.
    group_amps: [f64; 2],
    feedback_lag: usize,
}

/// What moves so slowly that it is worked out once for a group of samples.
#[derive(Debug, Clone, Copy, Default)]
struct Slow {
    per_screen_volt: f64,
    power: f64,
}

/// Samples between two looks at the supplies: their steps lie at 48 kHz and more, where nothing is
/// recorded.
const GROUP: usize = 4;
/// How late the feedback comes: two samples at 192 kHz. A real loop is not late, but it has the lag of
/// its leads and windings; what matters is that it does not depend on the simulation's rate.
const FEEDBACK_SECONDS: f64 = 2.0 / 192_000.0;
/// Share of the current that a bottomed plate misses and the screen takes (our choice, of the order
/// that makers' sheets show for the screen current at full drive).
const SCREEN_TAKES: f64 = 0.5;
/// Voltages of the load that are remembered.
const RING: usize = 8;
/// Lowest grid voltage over screen voltage that is tabulated; the valve is long cut off there.
const LOWEST_RATIO: f64 = -0.6;
/// Highest plate voltage in knees: several times any supply.
const HIGHEST_KNEES: f64 = 120.0;

impl OutputStage {
    /// Into this load. It starts near its idle state; half a second of silence brings it there.
    #[must_use]
    pub fn new(parts: &OutputParts, driver: TriodeStage, load_ohms: f64, rate_hz: f64) -> Self {
        let valve = parts.valve;
        let (source, leak) = (driver.source_ohms, parts.grid_leak_ohms);
        let grid_source = source * leak / (source + leak);
        let rails = Rails::new(&parts.supply, rate_hz / GROUP as f64);
        let idle = bias(parts, rails.plate_volts, rails.screen_volts);
        let usual_screen = idle.screen_volts - idle.cathode_volts;
        let knees = (idle.plate_volts - idle.cathode_volts) / valve.kvb;
        let winding = Winding::new(&parts.transformer, load_ohms, idle.plate_amps, rate_hz);
        let mut stage = Self {
            grid: Table::new(-2.5, 3.5, 300, |open| [grid_volts(open, grid_source)]),
            currents: Table::new(LOWEST_RATIO, 0.05, 2000, |r| {
                [valve.space_current(r), valve.screen_current(r)]
            }),
            arctan: Table::new(-0.1, HIGHEST_KNEES, 4000, |x| [x.atan()]),
            winding,
            rails,
            knees: [knees; 2],
            knees_per_volt: 1.0 / valve.kvb,
            knees_per_amp: (winding.ohms + parts.transformer.primary_ohms) / valve.kvb,
            exponent: valve.ex,
            usual_screen,
            usual_power: usual_screen.powf(valve.ex),
            primary_ohms: parts.transformer.primary_ohms,
            divider: leak / (source + leak),
            to_coupling: 1.0 / (parts.coupling_farads * source * rate_hz),
            coupling_volts: 0.0,
            grid_volts: -idle.cathode_volts,
            to_cathode: 1.0 / (parts.cathode_farads * rate_hz),
            per_cathode_ohm: 1.0 / parts.cathode_ohms,
            cathode_volts: idle.cathode_volts,
            plate_amps: idle.plate_amps,
            screen_amps: idle.screen_amps,
            feedback_ratio: parts.feedback_ratio,
            load_volts: [0.0; RING],
            count: 0,
            slow: Slow::default(),
            group_amps: [0.0; 2],
            feedback_lag: ((FEEDBACK_SECONDS * rate_hz).round() as usize).clamp(1, RING - 1),
            driver,
        };
        stage.slow = stage.slow();
        stage
    }

    /// Input volts become load volts.
    pub fn process(&mut self, block: &mut [f64]) {
        for x in block {
            *x = self.step(*x);
            self.group_amps[0] += self.plate_amps / GROUP as f64;
            self.group_amps[1] += self.screen_amps / GROUP as f64;
            if self.count.is_multiple_of(GROUP) {
                let [plate_amps, screen_amps] = std::mem::take(&mut self.group_amps);
                self.rails.advance(plate_amps, screen_amps);
                self.slow = self.slow();
            }
        }
        self.rails.trim();
    }

    /// What a meter would show now.
    #[must_use]
    pub fn now(&self) -> OperatingPoint {
        OperatingPoint {
            supply_volts: self.rails.plate_volts,
            plate_volts: self.rails.plate_volts - self.primary_ohms * self.plate_amps,
            screen_volts: self.rails.screen_volts,
            cathode_volts: self.cathode_volts,
            plate_amps: self.plate_amps,
            screen_amps: self.screen_amps,
        }
    }

    /// What the screen's voltage makes of the valve. Currents scale with a power of it; as a quadratic
    /// that is good to 1e-4 for changes of 10 %.
    #[inline]
    fn slow(&self) -> Slow {
        let screen_volts = self.rails.screen_volts - self.cathode_volts;
        let change = screen_volts / self.usual_screen - 1.0;
        let ex = self.exponent;
        Slow {
            per_screen_volt: 1.0 / screen_volts,
            power: self.usual_power * (1.0 + ex * change * (1.0 + 0.5 * (ex - 1.0) * change)),
        }
    }

    /// One sample. What changes slowly (capacitors) is moved by the currents of the sample before, so
    /// that the processor need not wait for this one's.
    #[inline]
    fn step(&mut self, x: f64) -> f64 {
        let fed_back = self.load_volts[self.count.wrapping_sub(self.feedback_lag) % RING];
        let driver = self.driver.plate_volts(x + self.feedback_ratio * fed_back);

        // Grid: what source and leak would give, less what the grid draws.
        let [grid] = self.grid.at((driver - self.coupling_volts) * self.divider - self.cathode_volts);
        self.coupling_volts +=
            self.to_coupling * (driver - self.coupling_volts - self.grid_volts - self.cathode_volts);
        self.grid_volts = grid;

        // Valve.
        let [space, screen] = self.currents.at(grid * self.slow.per_screen_volt).map(|i| i * self.slow.power);

        // Plate: supply − winding − cathode, in knees.
        let history = self.winding.history();
        let level =
            (self.rails.plate_volts - self.cathode_volts - self.winding.ohms * history) * self.knees_per_volt;
        let (knees, angle) = self.plate(level, self.knees_per_amp * space);
        self.knees = [knees, self.knees[0]];

        self.cathode_volts += self.to_cathode
            * (self.plate_amps + self.screen_amps - self.cathode_volts * self.per_cathode_ohm);
        self.plate_amps = space * angle;
        // What the plate no longer takes under its knee, the screen takes in part. The published
        // equations leave that out; it is what sags a screen supply.
        let missed = FRAC_PI_2 - angle;
        self.screen_amps = screen + SCREEN_TAKES * space * missed * missed;
        let load = self.winding.advance(self.plate_amps, history);
        self.load_volts[self.count % RING] = load;
        self.count = self.count.wrapping_add(1);
        load
    }

    /// Solves x = level − slope · arctan x and gives x and arctan x; both 0 if the winding pulls the
    /// plate under its cathode, where the valve does not conduct.
    ///
    /// Newton's step from where the last two samples point, with one look-up; the second step takes
    /// arctan from its Taylor series there. Where the first step is too wide for that, plain Newton.
    #[inline]
    fn plate(&self, level: f64, slope: f64) -> (f64, f64) {
        if level <= 0.0 {
            return (0.0, 0.0);
        }
        let x = (2.0 * self.knees[0] - self.knees[1]).max(0.0);
        let [angle] = self.arctan.at(x);
        let u = 1.0 / (1.0 + x * x);
        let per_slope = 1.0 / (1.0 + slope * u);
        let first = (level - x - slope * angle) * per_slope;
        if first * first * u < 0.01 {
            // arctan(x + d) − arctan x − u d, to the third order.
            let bend = |d: f64| d * d * u * u * (d * u * (x * x - 1.0 / 3.0) - x);
            let whole = first - slope * bend(first) * per_slope;
            let angle = angle + u * whole + bend(whole);
            if whole > -x { (x + whole, angle) } else { (0.0, 0.0) }
        } else {
            self.plate_by_newton(level, slope, (x + first).max(0.0))
        }
    }

    /// The function is concave, so every step from the second on lands at or under the root.
    #[cold]
    fn plate_by_newton(&self, level: f64, slope: f64, start: f64) -> (f64, f64) {
        let mut x = start;
        for _ in 0..20 {
            let [angle] = self.arctan.at(x);
            let next = (x + (level - x - slope * angle) / (1.0 + slope / (1.0 + x * x))).max(0.0);
            let moved = (next - x).abs();
            x = next;
            // The next error is about the square of this step: 1e-5 knees leave 1e-10.
            if moved < 1e-5 {
                break;
            }
        }
        (x, self.arctan.at(x)[0])
    }
}
