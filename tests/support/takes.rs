//! The simulated takes that both implementations measure.

use twinload::signals::{Choices, Plan, Signal};
use twinload::simulate::decimate::Decimator;
use twinload::simulate::{Band, Chain, Device, HardClip, Hum, Polynomial, Recorder, Tanh, take};

use super::Stored;

/// A take: its name, the plan it plays, how it is stored, its samples.
pub struct Simulated {
    /// Name of its file, without the ending.
    pub name: &'static str,
    /// What it plays.
    pub plan: Plan,
    /// How it is stored.
    pub stored: Stored,
    /// Samples within -1..1.
    pub samples: Vec<f64>,
}

/// Sag of [`sagging`] in dB, its time constant, dip after the burst in dB, its time constant.
pub const SAG: [f64; 4] = [2.0, 0.1, 0.5, 0.2];

/// All of them. What they are through is chosen to reach every figure: a crossing of each THD limit, a clip
/// point on one side or both, 1 dB of compression, both corners, hum of 50 and 60 Hz, drift either way, sag.
pub fn all() -> Vec<Simulated> {
    let short = Plan::short(&Choices::default());
    let stage = |seed| Recorder {
        latency_seconds: 0.31,
        tail_seconds: 0.4,
        bits: Some(24),
        seed,
        ..Recorder::default()
    };
    vec![
        simulated(
            "clean-polynomial",
            short.clone(),
            &mut Polynomial(vec![1.0, 0.1, -0.05]),
            &Recorder { units_per_output: 0.7, ..stage(1) },
        ),
        simulated(
            "bench-asymmetric-clip",
            short.clone(),
            &mut Chain(vec![
                Box::new(Polynomial(vec![1.0, 0.04, -0.02])),
                Box::new(HardClip { low: -0.45, high: 0.35 }),
                Box::new(Band::new(80.0, 8000.0)),
            ]),
            &Recorder {
                units_per_output: -1.5,
                oversample: 8,
                clock_ppm: 137.0,
                noise_rms: 1e-4,
                hum: hum(50.03),
                dc: 0.003,
                ..stage(2)
            },
        ),
        simulated(
            "tanh-44100",
            short,
            &mut Chain(vec![Box::new(Tanh(3.0)), Box::new(Band::new(60.0, 6000.0))]),
            &Recorder {
                rate_hz: 44_100,
                oversample: 8,
                units_per_output: 0.6,
                clock_ppm: -200.0,
                noise_rms: 1e-4,
                hum: hum(59.97),
                ..stage(3)
            },
        ),
        sagging(),
    ]
}

/// Mains hum of the bench condition (methods: 12 lines, root-sum of peaks −60 dB).
fn hum(mains_hz: f64) -> Option<Hum> {
    Some(Hum { mains_hz, peak: 1e-3, lines: 12 })
}

/// The whole programme through a gentle curve that sags while a burst lasts and recovers after it, by known amounts.
fn sagging() -> Simulated {
    let plan = Plan::programme(&Choices::default());
    let recorder = Recorder {
        // Low enough that the burst, which begins 2 dB louder, does not clip in the recorder.
        units_per_output: 0.85,
        noise_rms: 1e-4,
        hum: hum(50.03),
        bits: Some(24),
        seed: 4,
        ..Recorder::default()
    };
    let mut device = Chain(vec![
        Box::new(Polynomial(vec![1.0, 0.03, -0.02])),
        Box::new(Sag::of(&plan, &recorder)),
        Box::new(Band::new(70.0, 9000.0)),
    ]);
    simulated("programme-sag", plan, &mut device, &recorder)
}

/// A gain that is a function of time: in each burst it falls from `SAG[0]` dB to 0 dB, after it rises from −`SAG[2]` dB.
pub struct Sag {
    bursts: Vec<f64>,
    high_seconds: f64,
    after_seconds: f64,
    next: f64,
    ratio: f64,
}

impl Sag {
    /// For the bursts of this plan, as this recorder hears them.
    pub fn of(plan: &Plan, recorder: &Recorder) -> Self {
        let segment = plan.segment("burst").unwrap();
        let Signal::Burst { before_seconds, high_seconds, after_seconds, times, .. } = segment.signal else {
            panic!("the burst segment is no burst")
        };
        let once = before_seconds + high_seconds + after_seconds;
        let bursts =
            (0..times).map(|k| segment.start_seconds + before_seconds + f64::from(k) * once).collect();
        // The recorder starts early by its filter's delay and its latency.
        let early = recorder.latency_seconds * f64::from(recorder.rate_hz) * recorder.oversample as f64;
        let next = -early - Decimator::new(recorder.oversample).delay() as f64;
        let ratio = 1.0 + recorder.clock_ppm * 1e-6;
        Self { bursts, high_seconds, after_seconds, next, ratio }
    }

    fn gain(&self, t: f64) -> f64 {
        let part = |db: f64| 10.0_f64.powf(db / 20.0) - 1.0;
        for &on in &self.bursts {
            let off = on + self.high_seconds;
            if (on..off).contains(&t) {
                return 1.0 + part(SAG[0]) * (-(t - on) / SAG[1]).exp();
            }
            if (off..off + self.after_seconds).contains(&t) {
                return 1.0 + part(-SAG[2]) * (-(t - off) / SAG[3]).exp();
            }
        }
        1.0
    }
}

impl Device for Sag {
    fn process(&mut self, block: &mut [f64], rate_hz: f64) {
        for x in block {
            *x *= self.gain(self.ratio * self.next / rate_hz);
            self.next += 1.0;
        }
    }
}

fn simulated(name: &'static str, plan: Plan, device: &mut dyn Device, recorder: &Recorder) -> Simulated {
    let (rate, samples) = take(&plan, device, recorder);
    // A converter's full scale lies just below 1.
    let samples = samples.into_iter().map(|s| s.clamp(-0.999_999, 0.999_999)).collect();
    Simulated { name, plan, stored: Stored { rate, bits: 24, float: false }, samples }
}
