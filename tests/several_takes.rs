//! Several takes in one file: each is measured as if it stood in a file of its own.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use support::{Stored, write_wav};
use twinload::analyse::{self, Options};
use twinload::analysis::TakeAnalysis;
use twinload::signals::{Choices, Plan};
use twinload::simulate::{self, HardClip, Recorder};

fn take(plan: &Plan, level: f64, seed: u64) -> Vec<f64> {
    let recorder = Recorder {
        oversample: 2,
        latency_seconds: 0.4,
        tail_seconds: 0.7,
        noise_rms: 1e-5,
        seed,
        units_per_output: level,
        ..Recorder::default()
    };
    simulate::take(plan, &mut HardClip { low: -0.4, high: 0.5 }, &recorder).1
}

fn analysed(folder: &std::path::Path, name: &str, samples: &[f64], plan: &Plan) -> Vec<TakeAnalysis> {
    let path = folder.join(name);
    write_wav(&path, samples, Stored { rate: 48_000, bits: 24, float: false });
    analyse::file(&path, &Options { plans: vec![plan.clone()], ..Options::default() }).unwrap()
}

#[test]
fn each_take_of_a_file_is_measured_as_if_it_stood_alone() {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan::short(&Choices::default());
    let single = [(0.9, 1), (0.45, 2), (0.7, 3)].map(|(level, seed)| take(&plan, level, seed));
    let joined = analysed(folder.path(), "joined.wav", &single.concat(), &plan);
    assert_eq!(joined.len(), 3);
    for (n, (samples, joined)) in single.iter().zip(&joined).enumerate() {
        let alone = &analysed(folder.path(), "alone.wav", samples, &plan)[0];
        let mut compared = 0;
        for (name, quantity) in &alone.figures.quantities {
            let other = joined.figures.get(name).and_then(|q| q.value);
            match (quantity.value, other) {
                (Some(a), Some(b)) => {
                    // The same samples at another place of the file: frames are numbers of 53 bits.
                    assert!((a - b).abs() <= 1e-6 * a.abs().max(1e-6), "take {n}: {name}: {a} {b}");
                    compared += 1;
                }
                (a, b) => assert_eq!(a, b, "take {n}: {name}"),
            }
        }
        assert!(compared > 30, "{compared}");
        let said = |take: &TakeAnalysis| -> Vec<String> {
            take.findings.iter().map(|f| f.code.clone()).filter(|c| c != "several_takes").collect()
        };
        assert_eq!(said(alone), said(joined), "take {n}");
        assert!(joined.findings.iter().any(|f| f.code == "several_takes"));
    }
}
