//! Where the time of an analysis goes: each part by itself, then a take, then a bench.
//!
//! `cargo bench --bench parts`. The takes are simulated: the default programme, 48 kHz, 24 bits.

#![allow(clippy::unwrap_used, missing_docs)]

mod recorded;

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use twinload::analyse;
use twinload::bench::Bench;
use twinload::measure::{self, Plans, ladder, sweep};
use twinload::signals::Signal;
use twinload::takes::detect::Detector;
use twinload::takes::tape::Tape;
use twinload::takes::{Source, Take};

const RATE_HZ: u32 = 48_000;

fn parts(c: &mut Criterion) {
    let folder = tempfile::tempdir().unwrap();
    let (plan, samples) = recorded::samples(RATE_HZ);
    let path = folder.path().join("take.wav");
    recorded::write_wav(&path, &samples, RATE_HZ);
    let single: Vec<f32> = samples.iter().map(|&s| s as f32).collect();
    let rate_hz = f64::from(RATE_HZ);

    let mut group = c.benchmark_group("take");
    group.sample_size(10);
    group.bench_function("decode", |b| {
        b.iter(|| {
            let mut source = Source::open(&path).unwrap();
            let (mut block, mut frames) = (Vec::new(), 0);
            loop {
                match source.read(&mut block).unwrap() {
                    0 => break black_box(frames),
                    n => frames += n,
                }
            }
        });
    });
    group.bench_function("marker search", |b| {
        b.iter(|| {
            let mut detector = Detector::new(rate_hz);
            for block in single.chunks(16_384) {
                detector.feed(block);
            }
            black_box(detector.finish())
        });
    });

    let mut detector = Detector::new(rate_hz);
    detector.feed(&single);
    let hits = detector.finish();
    let found = Take::find(Tape::of(single.clone()), rate_hz, &hits, &[plan]).unwrap().unwrap();
    let segment = found.plan.segment("ladder_up").unwrap();
    let Signal::Ladder { frequency_hz, step_seconds, ref levels_db } = segment.signal else { unreachable!() };
    let cut = found.cut(segment).unwrap();
    group.bench_function("ladder", |b| {
        let mut plans = Plans::default();
        b.iter(|| {
            let top = found.plan.top_dbfs;
            black_box(ladder::measure(&cut, frequency_hz, step_seconds, levels_db, top, &[], &mut plans))
        });
    });
    let segment = found.plan.segment("sweep_high").unwrap();
    let signal = sweep::Sweep::of(&found.plan, &segment.signal).unwrap();
    let cut = found.cut(segment).unwrap();
    group.bench_function("sweep", |b| {
        let mut plans = Plans::default();
        b.iter(|| black_box(sweep::measure(&cut, &signal, Some(50.02), &mut plans).unwrap()));
    });
    group.bench_function("all segments", |b| {
        let mut plans = Plans::default();
        b.iter(|| black_box(measure::take(&found, &twinload::takes::Scale::default(), &mut plans)));
    });
    group.bench_function("file to figures", |b| {
        b.iter(|| black_box(analyse::file(&path, &analyse::Options::default()).unwrap()));
    });
    group.finish();

    let mut group = c.benchmark_group("bench of six takes");
    group.sample_size(10);
    let bench = bench_of(folder.path(), &path, 6);
    group.bench_function("analyse", |b| b.iter(|| black_box(analyse::bench(&bench).unwrap())));
    group.finish();
}

/// A bench with two builds and this many takes, all the same recording.
fn bench_of(folder: &Path, take: &Path, count: usize) -> Bench {
    std::fs::create_dir_all(folder.join("takes")).unwrap();
    let mut text = String::from(
        "[bench]\ntitle = \"Timing\"\nmains_hz = 50\n[rig]\nload_ohms = 8.0\ninput_full_scale_volts = 1.0\n\
         pad = { divides_by = 25.0, measured_with_interface = true }\n[[build]]\nname = \"one\"\n[[build]]\nname = \"two\"\n\
         [setting.full]\nvolume = \"10\"\n",
    );
    for k in 0..count {
        let name = format!("takes/take-{k}.wav");
        std::fs::copy(take, folder.join(&name)).unwrap();
        let build = if k % 2 == 0 { "one" } else { "two" };
        text += &format!("[[take]]\nfile = \"{name}\"\nbuild = \"{build}\"\nsetting = \"full\"\n");
    }
    std::fs::write(folder.join("bench.toml"), text).unwrap();
    Bench::open(folder).unwrap()
}

criterion_group!(benches, parts);
criterion_main!(benches);
