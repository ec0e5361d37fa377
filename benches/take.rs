//! Writes the take that the benches measure, and its plan: `cargo bench --bench take -- RATE FILE.wav PLAN.json`.

#![allow(clippy::unwrap_used, clippy::print_stderr, missing_docs)]

mod recorded;

use std::path::Path;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let [rate, file, plan] = words.as_slice() else {
        eprintln!("usage: cargo bench --bench take -- RATE FILE.wav PLAN.json");
        return;
    };
    let rate_hz = rate.parse().unwrap();
    let (played, samples) = recorded::samples(rate_hz);
    recorded::write_wav(Path::new(file), &samples, rate_hz);
    std::fs::write(plan, serde_json::to_vec_pretty(&played).unwrap()).unwrap();
}
