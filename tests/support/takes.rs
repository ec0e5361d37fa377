//! The simulated takes that both implementations measure.

use twinload::signals::{Choices, Plan};
use twinload::simulate::{Band, Chain, Device, HardClip, Hum, Polynomial, Recorder, Tanh, take};

use super::Stored;

/// A take: its name, how it is stored, its samples.
pub struct Simulated {
    /// Name of its file, without the ending.
    pub name: &'static str,
    /// How it is stored.
    pub stored: Stored,
    /// Samples within -1..1.
    pub samples: Vec<f64>,
}

/// The plan that they all play: 20 s, every kind of segment.
pub fn plan() -> Plan {
    Plan::short(&Choices::default())
}

/// All of them. What they are through is chosen to reach every figure: a crossing of each THD limit, a clip
/// point on one side or both, 1 dB of compression, both corners, hum of 50 and 60 Hz, drift either way.
pub fn all() -> Vec<Simulated> {
    let hum = |mains_hz| Some(Hum { mains_hz, peak: 1e-3, lines: 12 });
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
            &mut Polynomial(vec![1.0, 0.1, -0.05]),
            &Recorder { units_per_output: 0.7, ..stage(1) },
        ),
        simulated(
            "bench-asymmetric-clip",
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
    ]
}

fn simulated(name: &'static str, device: &mut dyn Device, recorder: &Recorder) -> Simulated {
    let (rate, samples) = take(&plan(), device, recorder);
    // A converter's full scale lies just below 1.
    let samples = samples.into_iter().map(|s| s.clamp(-0.999_999, 0.999_999)).collect();
    Simulated { name, stored: Stored { rate, bits: 24, float: false }, samples }
}
