//! Two implementations measure the same takes: this one, and NumPy/SciPy (`tests/reference/measure.py`), whose
//! results are committed in `tests/reference/takes.csv`.
//!
//! To run the other one again: `cargo test --release --test witness -- --ignored`, then
//! `python3 tests/reference/tabulate.py target/witness-takes tests/reference/takes.csv`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::path::Path;

use support::{takes, write_wav};

#[test]
#[ignore = "writes the takes for the other implementation"]
fn the_takes_are_written_for_the_other_implementation() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/witness-takes");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("plan.json"), serde_json::to_vec_pretty(&takes::plan()).unwrap()).unwrap();
    for take in takes::all() {
        write_wav(&folder.join(format!("{}.wav", take.name)), &take.samples, take.stored);
    }
}
