//! Listening pairs: alignment, loudness, blind sets, tally. All sounds are synthetic and seeded.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::Path;

use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::listen::align::{self, Between};
use twinload::listen::coded::{self, Side};
use twinload::listen::{ListenError, Sound, loudness, make, tally};
use twinload::measure::Plans;

const RATE: u32 = 48_000;

struct Lot(ChaCha8Rng);

impl Lot {
    fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    fn uniform(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 4_294_967_296.0
    }
}

/// A tune of plucked strings: notes of a minor pentatonic with decaying harmonics, as a function of time.
struct Tune {
    notes: Vec<(f64, f64, f64)>,
}

impl Tune {
    fn new(seed: u64, seconds: f64) -> Self {
        let mut lot = Lot::new(seed);
        let steps = [0.0, 3.0, 5.0, 7.0, 10.0, 12.0, 15.0];
        let mut notes = Vec::new();
        let mut start = 0.1;
        while start < seconds {
            let step = steps[(lot.uniform() * 7.0) as usize % 7];
            notes.push((start, 110.0 * 2f64.powf(step / 12.0), 0.3 + 0.7 * lot.uniform()));
            start += 0.12 + 0.5 * lot.uniform();
        }
        Self { notes }
    }

    fn at(&self, seconds: f64) -> f64 {
        let sounding = self.notes.iter().filter(|n| (0.0..1.5).contains(&(seconds - n.0)));
        sounding
            .map(|(start, hz, level)| {
                let age = seconds - start;
                let harmonics = (1..=6).map(|k| {
                    let k = f64::from(k);
                    (std::f64::consts::TAU * hz * k * age).sin() * (-age * (2.0 + k)).exp() / k
                });
                0.2 * level * harmonics.sum::<f64>()
            })
            .sum()
    }

    /// Recorded from `lag` seconds before the tune begins, by a clock that runs `ppm` fast, through `amp`.
    fn recorded(&self, seconds: f64, lag: f64, ppm: f64, noise: f64, amp: impl Fn(f64) -> f64) -> Sound {
        let mut lot = Lot::new(99);
        let frames = (seconds * f64::from(RATE)) as usize;
        let samples = (0..frames)
            .map(|n| {
                let time = n as f64 / f64::from(RATE) / (1.0 + 1e-6 * ppm) - lag;
                (amp(self.at(time)) + noise * (2.0 * lot.uniform() - 1.0)) as f32
            })
            .collect();
        Sound { file: "take.wav".to_owned(), samples, rate_hz: RATE, sha256: None }
    }
}

fn clipped(x: f64) -> f64 {
    (6.0 * x).clamp(-0.35, 0.25)
}

#[test]
fn a_clean_and_a_clipped_recording_are_laid_on_each_other() {
    let tune = Tune::new(5, 9.0);
    for (lag, ppm, sign) in [(0.4, 0.0, 1.0), (0.7123, 120.0, -1.0), (-0.25, -180.0, 1.0)] {
        let a = tune.recorded(9.0, 0.3, 0.0, 1e-4, |x| x);
        let b = tune.recorded(9.0, 0.3 + lag, ppm, 1e-4, |x| sign * clipped(x));
        let found = align::align(&a.samples, &b.samples, f64::from(RATE), &mut Plans::default()).unwrap();
        // b hears the tune's time t at frame (t + 0.3 + lag)(1 + ppm)·rate, a at (t + 0.3)·rate.
        let truth = |frame: f64| (frame / f64::from(RATE) + lag) * (1.0 + 1e-6 * ppm) * f64::from(RATE);
        for frame in [48_000.0, 380_000.0] {
            // Within what the aligner itself allows a window: 3 frames, 0.06 ms.
            let error = found.place(frame) - truth(frame);
            assert!(error.abs() < 3.0, "lag {lag}, {ppm} ppm: {error} frames at {frame}");
        }
        assert!((1e6 * found.drift - ppm).abs() < 6.0, "{} ppm, not {ppm}", 1e6 * found.drift);
        assert_eq!(found.sign, sign);
        assert!(found.similarity > 0.7, "{}", found.similarity);
    }
}

#[test]
fn two_pieces_of_music_are_refused() {
    let a = Tune::new(1, 8.0).recorded(8.0, 0.2, 0.0, 1e-4, |x| x);
    let b = Tune::new(2, 8.0).recorded(8.0, 0.4, 0.0, 1e-4, |x| x);
    let result = make(["a", "b"], &a, &b);
    assert!(matches!(result, Err(ListenError::NotTheSame { .. })), "{result:?}");
}

#[test]
fn reading_between_frames_is_exact_for_a_sine() {
    let between = Between::default();
    for hz in [100.0, 1010.0, 10_000.0, 16_000.0] {
        let sine = |n: f64| (std::f64::consts::TAU * hz * n / f64::from(RATE)).sin();
        let samples: Vec<f32> = (0..4000).map(|n| sine(f64::from(n)) as f32).collect();
        for place in [2000.0, 2000.25, 1999.5001, 2047.937] {
            // −90 dB: the window's stop band; f32 lies 50 dB under that.
            let error = (between.at(&samples, place) - sine(place)).abs();
            assert!(error < 3.2e-5, "{hz} Hz at {place}: {error}");
        }
    }
    assert_eq!(between.at(&[], 3.5), 0.0);
}

#[test]
fn a_full_scale_sine_has_the_loudness_that_the_standard_states() {
    // ITU-R BS.1770, Annex 1: 997 Hz at 0 dBFS in one channel is −3.01 LKFS; 0.01 for the crate's filter at 48 kHz.
    let sine: Vec<f32> = (0..RATE * 4)
        .map(|n| (std::f64::consts::TAU * 997.0 * f64::from(n) / f64::from(RATE)).sin() as f32)
        .collect();
    assert!((loudness::integrated(&sine, RATE).unwrap() + 3.01).abs() < 0.01);
    assert_eq!(loudness::integrated(&vec![0.0; 96_000], RATE), None);
    assert_eq!(loudness::integrated(&[0.5], RATE), None);
}

#[test]
fn both_files_are_equally_loud_and_never_near_full_scale() {
    let tune = Tune::new(8, 7.0);
    let a = tune.recorded(7.0, 0.2, 0.0, 1e-4, |x| 0.05 * x);
    let b = tune.recorded(7.0, 0.5, 40.0, 1e-4, clipped);
    let (pair, parts) = make(["as-drawn", "rework"], &a, &b).unwrap();
    let loud: Vec<f64> = parts.iter().map(|p| loudness::integrated(p, RATE).unwrap()).collect();
    assert!((loud[0] - loud[1]).abs() < loudness::WITHIN_LU, "{loud:?}");
    assert!(loud[0] <= loudness::TARGET_LUFS + 0.05);
    let peak = parts.iter().flatten().fold(0.0f32, |p, v| p.max(v.abs()));
    assert!(20.0 * f64::from(peak).log10() <= loudness::MOST_PEAK_DB + 0.01);
    assert_eq!(parts[0].len(), parts[1].len());
    assert!(pair.findings.is_empty(), "{:?}", pair.findings);
    assert!((pair.lag.value.unwrap() - 0.3).abs() < 1e-4, "{:?}", pair.lag);
    let json = serde_json::to_string(&pair).unwrap();
    let _: twinload::listen::Pair = serde_json::from_str(&json).unwrap();
}

proptest! {
    #[test]
    fn gains_make_any_two_equal_and_leave_room(l in -60.0..-5.0f64, m in -60.0..-5.0f64, p in -40.0..0.0f64, q in -40.0..0.0f64) {
        let peaks = [p, q].map(|db| 10f64.powf(db / 20.0));
        let gains = loudness::gains([l, m], peaks);
        prop_assert!(((l + gains[0]) - (m + gains[1])).abs() < 1e-9);
        prop_assert!(l + gains[0] <= loudness::TARGET_LUFS + 1e-9);
        prop_assert!(p + gains[0] <= loudness::MOST_PEAK_DB + 1e-9 && q + gains[1] <= loudness::MOST_PEAK_DB + 1e-9);
    }

    #[test]
    fn answer_sheets_of_any_text_give_an_answer_or_a_reason(text in "[ -~\n]{0,80}") {
        let key = coded::draw(["a", "b"], [None, None], 4, 1);
        if let Ok(answers) = tally::answers("answers.csv", &text, &key) {
            let counted = tally::tally(&key, &answers);
            prop_assert!(counted.right <= counted.answers && counted.answers + counted.unanswered == 4);
        }
    }
}

#[test]
fn silence_short_files_and_other_rates_are_refused_by_name() {
    let tune = Tune::new(8, 3.0);
    let good = tune.recorded(3.0, 0.2, 0.0, 1e-4, |x| x);
    let of = |samples: Vec<f32>, rate_hz| Sound { file: "b.wav".to_owned(), samples, rate_hz, sha256: None };
    for bad in [of(vec![0.0; 144_000], RATE), of(vec![], RATE), of(vec![0.3], RATE)] {
        let error = make(["a", "b"], &good, &bad).unwrap_err().to_string();
        assert!(error.starts_with("b.wav: nothing to hear"), "{error}");
    }
    let error = make(["a", "b"], &good, &of(good.samples.clone(), 44_100)).unwrap_err();
    assert!(matches!(error, ListenError::Rates { a_hz: 48_000, b_hz: 44_100 }));
}

#[test]
fn the_key_is_by_lot_and_can_be_drawn_again() {
    let draw = |seed| coded::draw(["as-drawn", "rework"], [Some("aa"), Some("bb")], 200, seed);
    assert_eq!(draw(1), draw(1));
    assert_ne!(draw(1).trials, draw(2).trials);
    // 200 fair draws: 100 ± 7.1; five of those are passed once in a million.
    let of_a = draw(1).trials.iter().filter(|s| **s == Side::A).count();
    assert!((65..=135).contains(&of_a), "{of_a}");
    // Which build is A is drawn, too.
    let firsts: Vec<String> = (0..20).map(|seed| draw(seed).builds[0].clone()).collect();
    assert!(firsts.iter().any(|b| b == "rework") && firsts.iter().any(|b| b == "as-drawn"));
}

#[test]
fn the_tally_agrees_with_scipy() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/statistics_binomial.csv");
    let mut rows = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    let mut count = 0;
    for row in rows.records().map(Result::unwrap) {
        let (answers, right): (u64, u64) = (row[0].parse().unwrap(), row[1].parse().unwrap());
        let expected: f64 = row[2].parse().unwrap();
        let got = tally::probability_by_guessing(right, answers).unwrap();
        // Both are exact sums in f64; 1e-9 is far finer than what is printed.
        assert!((got - expected).abs() <= 1e-9 * expected + 1e-300, "{right} of {answers}: {got} {expected}");
        count += 1;
    }
    assert!(count > 30);
    assert_eq!(tally::probability_by_guessing(3, 2), None);
}

#[test]
fn answers_are_counted_and_told() {
    let mut key = coded::draw(["as-drawn", "rework"], [None, None], 4, 3);
    key.trials = vec![Side::A, Side::B, Side::B, Side::A];
    let read = |text: &str| tally::answers("answers.csv", text, &key);
    let answers = read("trial,answer\n1,a\n2;B\n3, A \n4,\n").unwrap();
    assert_eq!(answers, BTreeMap::from([(1, Side::A), (2, Side::B), (3, Side::A)]));
    let counted = tally::tally(&key, &answers);
    assert_eq!((counted.answers, counted.right, counted.unanswered), (3, 2, 1));
    // 3/8 + 1/8 by hand; the beta function behind it is good to twelve digits.
    assert!((counted.probability - 0.5).abs() < 1e-12);
    let words = tally::words(&counted);
    assert_eq!(
        words,
        "2 of 3 answers are right (1 trial was left open); guessing alone gives as many or more with a chance of 50.0 %"
    );
    for bad in ["5,A\n", "0,A\n", "1,C\n", "1,A\n1,B\n", "one,A\n"] {
        assert!(matches!(read(bad), Err(ListenError::Coded { .. })), "{bad}");
    }
    assert_eq!(tally::words(&tally::tally(&key, &BTreeMap::new())), "no trial was answered");
}

#[test]
fn the_command_writes_a_pair_and_a_blind_set_with_its_key_apart() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let builds =
        "[[build]]\nname = \"as-drawn\"\n[[build]]\nname = \"rework\"\n[setting.full]\nvolume = \"10\"\n";
    let take = |file: &str, build: &str| {
        format!(
            "[[take]]\nfile = \"{file}\"\nkind = \"listening\"\nbuild = \"{build}\"\nsetting = \"full\"\n"
        )
    };
    let toml =
        format!("[bench]\ntitle = \"t\"\n{builds}{}{}", take("a.wav", "as-drawn"), take("b.wav", "rework"));
    std::fs::write(dir.join("bench.toml"), toml).unwrap();
    let tune = Tune::new(4, 4.0);
    let sounds = [tune.recorded(4.0, 0.2, 0.0, 1e-4, |x| x), tune.recorded(4.0, 0.3, 20.0, 1e-4, clipped)];
    for (name, sound) in ["a.wav", "b.wav"].iter().zip(&sounds) {
        twinload::listen::write(&dir.join(name), &sound.samples, RATE).unwrap();
    }
    let run = |args: &[&str]| {
        let output = assert_cmd::cargo::cargo_bin_cmd!("twinload").args(args).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let bench = dir.to_str().unwrap();
    let said = run(&["listen", bench, "as-drawn", "rework"]);
    assert!(
        said.contains("as-drawn: gain") && said.contains("CAUTION") && said.contains("hearing"),
        "{said}"
    );
    let listening = dir.join("reports/listening");
    for build in ["as-drawn", "rework"] {
        let wav = hound::WavReader::open(listening.join(format!("full/{build}.wav"))).unwrap();
        assert_eq!((wav.spec().bits_per_sample, wav.spec().sample_rate), (24, RATE));
    }
    let said = run(&["listen", bench, "as-drawn", "rework", "--coded", "--trials", "6"]);
    assert!(said.contains("blind set"), "{said}");
    let set = listening.join("full-coded");
    let key: coded::Key =
        serde_json::from_slice(&std::fs::read(listening.join("keys/full.json")).unwrap()).unwrap();
    let bytes = |name: &str| std::fs::read(set.join(name)).unwrap();
    for (index, side) in key.trials.iter().enumerate() {
        let own = bytes(if *side == Side::A { "a.wav" } else { "b.wav" });
        assert!(bytes(&coded::file_name(index + 1)) == own, "trial {}", index + 1);
    }
    assert!(!set.join("full.json").exists());
    let named = std::fs::read(listening.join(format!("full/{}.wav", key.builds[0]))).unwrap();
    assert!(named == bytes("a.wav"));
    let answers: String =
        key.trials.iter().enumerate().map(|(i, s)| format!("{},{}\n", i + 1, s.letter())).collect();
    std::fs::write(set.join("answers.csv"), answers).unwrap();
    let path = |p: &Path| p.to_str().unwrap().to_owned();
    let said = run(&[
        "listen",
        "--tally",
        &path(&listening.join("keys/full.json")),
        &path(&set.join("answers.csv")),
    ]);
    let swapped = assert_cmd::cargo::cargo_bin_cmd!("twinload")
        .args([
            "listen",
            "--tally",
            &path(&set.join("answers.csv")),
            &path(&listening.join("keys/full.json")),
        ])
        .output()
        .unwrap();
    let refused = String::from_utf8(swapped.stderr).unwrap();
    assert!(refused.contains("full.json is the key: name it first"), "{refused}");
    // One half to the sixth is 1.5625 %.
    assert!(said.contains("6 of 6 answers are right") && said.contains("1.56 %"), "{said}");
    // A second set has places and a draw of its own, and the answers of the first stay.
    let answered = bytes("answers.csv");
    let said = run(&["listen", bench, "as-drawn", "rework", "--coded", "--trials", "6"]);
    assert!(said.contains("full-coded-2"), "{said}");
    assert_eq!(bytes("answers.csv"), answered);
    let second = path(&listening.join("keys/full-2.json"));
    let other: coded::Key = serde_json::from_slice(&std::fs::read(&second).unwrap()).unwrap();
    // Alike by chance once in four thousand million.
    assert_ne!(other.seed, key.seed);
    // The key says how to draw the set again.
    let drawn = coded::draw(
        ["as-drawn", "rework"],
        if other.builds[0] == "as-drawn" {
            [other.recordings[0].as_deref(), other.recordings[1].as_deref()]
        } else {
            [other.recordings[1].as_deref(), other.recordings[0].as_deref()]
        },
        6,
        other.seed,
    );
    assert_eq!(drawn, other);
    // An unanswered sheet must not give the key away.
    let sheet = path(&listening.join("full-coded-2/answers.csv"));
    let output = assert_cmd::cargo::cargo_bin_cmd!("twinload")
        .args(["listen", "--tally", &second, &sheet])
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("6 of 6 trials have no answer yet") && !said.contains("A was"), "{said}");
    assert!(run(&["listen", "--tally", &second, &sheet, "--reveal"]).contains("A was"));
}
