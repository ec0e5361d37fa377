//! `new` and `log` as a person runs them.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use twinload::bench::Bench;

fn twinload(args: &[&str]) -> Command {
    let mut command = Command::cargo_bin("twinload").unwrap();
    command.args(args);
    command
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A folder with a fresh bench, and a recording beside it.
struct Desk {
    dir: tempfile::TempDir,
}

impl Desk {
    fn new() -> Self {
        let desk = Self { dir: tempfile::tempdir().unwrap() };
        twinload(&["new", text(&desk.bench())]).assert().success();
        desk
    }

    fn bench(&self) -> PathBuf {
        self.dir.path().join("bench")
    }

    /// A short plain recording; another `seed` is another recording.
    fn recording(&self, name: &str, seed: i32) -> PathBuf {
        let path = self.dir.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for k in 0..4800 {
            let phase = f64::from(k) * 0.1;
            writer.write_sample((phase.sin() * 1e6) as i32 + seed).unwrap();
        }
        writer.finalize().unwrap();
        path
    }

    fn log(&self, recording: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
        // A plain tone is no programme: the check may say so, and this test is not about it.
        let bench = self.bench();
        let mut args = vec!["log", text(&bench), text(recording), "--anyway"];
        args.extend(more);
        twinload(&args).assert()
    }

    fn toml(&self) -> String {
        std::fs::read_to_string(self.bench().join("bench.toml")).unwrap()
    }
}

fn stdout(assert: assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.get_output().stdout.clone()).unwrap()
}

fn stderr(assert: assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.get_output().stderr.clone()).unwrap()
}

const FULL: [&str; 4] = ["--build", "as-drawn", "--setting", "full"];

#[test]
fn a_new_bench_has_folders_cautions_and_is_not_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let bench = dir.path().join("my bench");
    let said = stdout(twinload(&["new", text(&bench)]).assert().success());
    for expected in ["CAUTION", "can kill", "without its load", "Local codes"] {
        assert!(said.contains(expected), "{said}");
    }
    let too_wide = said.lines().find(|l| l.chars().count() > 80 && !l.contains(text(dir.path())));
    assert_eq!(too_wide, None);
    assert_eq!(Bench::open(&bench).unwrap().title, "my bench");
    for folder in ["takes", "reports", "test-signals"] {
        assert!(bench.join(folder).is_dir());
    }
    let again = stderr(twinload(&["new", text(&bench)]).assert().code(1));
    assert!(again.contains("never overwritten"), "{again}");
}

#[test]
fn a_recording_outside_is_copied_and_written_down() {
    let desk = Desk::new();
    let recording = desk.recording("rec 01.WAV", 0);
    let before = desk.toml();
    let said = stdout(
        desk.log(
            &recording,
            &[&FULL[..], &["--mains-volts", "231", "--note", "warm # not a comment"]].concat(),
        )
        .success(),
    );
    assert!(said.contains("copied and logged: take 1, takes/as-drawn-full-1.wav"), "{said}");
    assert!(desk.toml().starts_with(&before), "comments must stay");
    let bench = Bench::open(&desk.bench()).unwrap();
    let take = &bench.takes[0];
    assert_eq!((take.build.as_deref(), take.setting.as_deref()), (Some("as-drawn"), Some("full")));
    assert_eq!((take.mains_volts, take.note.as_deref()), (Some(231.0), Some("warm # not a comment")));
    assert_eq!(take.sha256.as_ref().map(String::len), Some(64));
    assert_eq!(std::fs::read(bench.path_of(take)).unwrap(), std::fs::read(&recording).unwrap());
    // A second repeat gets the next number.
    let said = stdout(desk.log(&desk.recording("rec 02.wav", 1), &FULL).success());
    assert!(said.contains("as-drawn-full-2.wav") && said.contains("repeat 2"), "{said}");
}

#[test]
fn the_same_recording_is_not_added_twice() {
    let desk = Desk::new();
    let recording = desk.recording("a.wav", 0);
    desk.log(&recording, &FULL).success();
    let before = desk.toml();
    let renamed = desk.recording("b.wav", 0);
    let said = stdout(desk.log(&renamed, &FULL).success());
    assert!(said.contains("there already: take 1") && said.contains("--replace 1"), "{said}");
    assert_eq!(desk.toml(), before);
    // Under another name it is hardly a repeat, but a wrong file.
    let said = stderr(desk.log(&renamed, &["--build", "rework", "--setting", "full"]).code(1));
    assert!(
        said.contains("take 1, takes/as-drawn-full-1.wav (build as-drawn), and you say build rework"),
        "{said}"
    );
    assert_eq!(desk.toml(), before);
    // Entries written by hand have no hash: the files are compared.
    let by_hand: String =
        before.lines().filter(|l| !l.starts_with("sha256")).map(|l| format!("{l}\n")).collect();
    std::fs::write(desk.bench().join("bench.toml"), &by_hand).unwrap();
    let said = stdout(desk.log(&renamed, &FULL).success());
    assert!(said.contains("there already"), "{said}");
    assert_eq!(std::fs::read_dir(desk.bench().join("takes")).unwrap().count(), 1);
}

#[test]
fn a_recording_inside_the_bench_stays_where_it_is() {
    let desk = Desk::new();
    let recording = desk.recording("bench/takes/mine.wav", 0);
    let said = stdout(desk.log(&recording, &FULL).success());
    assert!(said.contains("logged in place: take 1, takes/mine.wav"), "{said}");
    assert_eq!(std::fs::read_dir(desk.bench().join("takes")).unwrap().count(), 1);
}

#[test]
fn a_wrong_entry_is_mended() {
    let desk = Desk::new();
    let recording = desk.recording("a.wav", 0);
    desk.log(&recording, &[&FULL[..], &["--mains-volts", "231"]].concat()).success();
    desk.log(&recording, &["--build", "rework", "--setting", "full", "--replace", "1"]).success();
    let bench = Bench::open(&desk.bench()).unwrap();
    assert_eq!(bench.takes.len(), 1);
    // The same recording: what was not said anew stays.
    assert_eq!((bench.takes[0].build.as_deref(), bench.takes[0].mains_volts), (Some("rework"), Some(231.0)));
    // Another recording in its place has its own mains voltage.
    desk.log(&desk.recording("b.wav", 1), &[&FULL[..], &["--replace", "1"]].concat()).success();
    let bench = Bench::open(&desk.bench()).unwrap();
    assert_eq!((bench.takes[0].build.as_deref(), bench.takes[0].mains_volts), (Some("as-drawn"), None));
    let said = stderr(desk.log(&recording, &[&FULL[..], &["--replace", "7"]].concat()).code(1));
    assert!(said.contains("has 1 takes"), "{said}");
}

#[test]
fn names_that_are_not_in_the_bench_are_refused_before_anything_is_written() {
    let desk = Desk::new();
    let recording = desk.recording("a.wav", 0);
    let before = desk.toml();
    let cases: [(&[&str], &str); 4] = [
        (&["--build", "as-drwan", "--setting", "full"], "did you mean `as-drawn`?"),
        (&["--build", "as-drawn", "--setting", "zzz"], "there is: full"),
        (&["--setting", "full"], "needs --build"),
        (&["--build", "as-drawn"], "needs --setting"),
    ];
    for (args, expected) in cases {
        let said = stderr(desk.log(&recording, args).code(1));
        assert!(said.contains(expected), "{said}");
    }
    assert_eq!(desk.toml(), before);
    assert_eq!(std::fs::read_dir(desk.bench().join("takes")).unwrap().count(), 0);
}

#[test]
fn what_is_no_recording_is_refused_and_leaves_nothing_behind() {
    let desk = Desk::new();
    let before = desk.toml();
    let not_there = desk.dir.path().join("none.wav");
    desk.log(&not_there, &FULL).code(1);
    let empty = desk.dir.path().join("empty.wav");
    std::fs::write(&empty, b"").unwrap();
    desk.log(&empty, &FULL).code(1);
    // Numbers that can't be are refused before anything is copied, by the option's name.
    let said =
        stderr(desk.log(&desk.recording("a.wav", 0), &[&FULL[..], &["--load-ohms", "0"]].concat()).code(1));
    assert!(said.contains("--load-ohms: 0 must be over 0"), "{said}");
    assert_eq!(desk.toml(), before);
    assert_eq!(std::fs::read_dir(desk.bench().join("takes")).unwrap().count(), 0);
}

#[test]
fn a_loopback_needs_no_build() {
    let desk = Desk::new();
    let said = stdout(desk.log(&desk.recording("l.wav", 0), &["--kind", "loopback"]).success());
    assert!(said.contains("takes/loopback-1.wav"), "{said}");
}

#[test]
fn what_holds_no_programme_is_refused_unless_it_is_wanted() {
    let desk = Desk::new();
    let recording = desk.recording("tone.wav", 0);
    let bench = desk.bench();
    let log = |more: &[&str]| {
        let mut args = vec!["log", text(&bench), text(&recording)];
        args.extend(more);
        twinload(&args).assert()
    };
    let refused = log(&FULL).code(1);
    let said = String::from_utf8(refused.get_output().stdout.clone()).unwrap();
    assert!(said.contains("neither the programme nor a segment"), "{said}");
    assert!(stderr(refused).contains("--anyway"));
    assert!(Bench::open(&bench).unwrap().takes.is_empty());
    // Music holds no markers, and is welcome as what it is.
    log(&[&FULL[..], &["--kind", "listening"]].concat()).success();
}

#[test]
fn music_and_silence_get_no_advice_for_tones() {
    let desk = Desk::new();
    let path = desk.dir.path().join("quiet.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut random = twinload::simulate::noise::White::new(5);
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for _ in 0..48_000 * 3 {
        writer.write_sample((200.0 * random.value()) as i32).unwrap();
    }
    writer.finalize().unwrap();
    let bench = desk.bench();
    let log = |more: &[&str]| {
        let mut args = vec!["log", text(&bench), text(&path), "--build", "as-drawn"];
        args.extend(more);
        twinload(&args).assert()
    };
    let said = stdout(log(&["--kind", "quiet", "--quiet-condition", "amp-off"]).success());
    assert!(said.ends_with("\nfit\n"), "{said}");
}

#[test]
fn a_file_that_changed_after_it_was_logged_is_not_measured() {
    let desk = Desk::new();
    desk.log(&desk.recording("a.wav", 0), &FULL).success();
    let bench = desk.bench();
    let said = |code: i32| {
        let run = twinload(&["analyse", text(&bench)]).assert().code(code);
        stdout(run).split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let changed = "takes/as-drawn-full-1.wav is no longer the recording that was logged";
    assert!(!said(1).contains(changed));
    let other = desk.recording("bench/takes/as-drawn-full-1.wav", 1);
    let after = said(1);
    assert!(after.contains(changed) && after.contains("--replace 1"), "{after}");
    // Logged in its place, it is what was logged.
    desk.log(&other, &["--replace", "1"]).success();
    assert!(!said(1).contains(changed));
}

#[test]
fn the_signal_itself_is_no_recording() {
    let desk = Desk::new();
    let signal = desk.recording("bench/test-signals/programme.wav", 0);
    let copy = desk.recording("elsewhere.wav", 0);
    for own in [&signal, &copy] {
        let said = stderr(desk.log(own, &FULL).code(1));
        assert!(said.contains("is the signal that twinload wrote"), "{said}");
    }
    desk.log(&desk.recording("other.wav", 1), &FULL).success();
}

#[test]
fn another_recording_in_an_entrys_place_keeps_build_and_setting_and_names_the_old_file() {
    let desk = Desk::new();
    desk.log(&desk.recording("a.wav", 0), &FULL).success();
    desk.log(&desk.recording("b.wav", 1), &[&FULL[..], &["--mains-volts", "231"]].concat()).success();
    let said = stdout(desk.log(&desk.recording("c.wav", 2), &["--replace", "2"]).success());
    assert!(said.contains("copied and logged: take 2, takes/as-drawn-full-3.wav"), "{said}");
    assert!(said.contains("takes/as-drawn-full-2.wav is named by no take any more"), "{said}");
    let take = Bench::open(&desk.bench()).unwrap().takes[1].clone();
    assert_eq!((take.build.as_deref(), take.setting.as_deref()), (Some("as-drawn"), Some("full")));
    assert_eq!((take.mains_volts, take.file.as_str()), (None, "takes/as-drawn-full-3.wav"));
    // The entry of the same file is mended, so nothing is left over.
    let said = stdout(desk.log(&desk.recording("c.wav", 2), &["--replace", "2", "--order", "3"]).success());
    assert!(!said.contains("named by no take"), "{said}");
}

#[test]
fn what_was_hardly_meant_is_asked_about() {
    let desk = Desk::new();
    let good = ["--mains-volts", "230.2", "--order", "1", "--date", "2026-05-01T10:30"];
    let said = stdout(desk.log(&desk.recording("a.wav", 0), &[&FULL[..], &good].concat()).success());
    let odd = ["mains voltage of 2302 V is unusual", "is that of take 1", "does not begin with year"];
    assert!(odd.iter().all(|words| !said.contains(words)), "{said}");
    let bad = ["--mains-volts", "2302", "--order", "1", "--date", "yesterday"];
    let said = stdout(desk.log(&desk.recording("b.wav", 1), &[&FULL[..], &bad].concat()).success());
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in odd {
        assert!(said.contains(words), "{words:?} is not in\n{said}");
    }
}

#[test]
fn a_number_typed_is_warned_about_once_and_refused_by_its_option() {
    let desk = Desk::new();
    for (seed, (option, value)) in
        [("--mains-volts", "23"), ("--load-ohms", "80"), ("--warm-up-minutes", "9999")]
            .into_iter()
            .enumerate()
    {
        let recording = desk.recording(&format!("{seed}.wav"), i32::try_from(seed).unwrap());
        let log = |more: &[&str]| {
            stdout(desk.log(&recording, &[&FULL[..], &[option, value], more].concat()).success())
        };
        assert_eq!(log(&[]).matches("is unusual").count(), 1, "{option}");
        // And again where the entry, which says so already, is mended.
        let number = (seed + 1).to_string();
        assert_eq!(log(&["--replace", &number]).matches("is unusual").count(), 1, "{option}");
    }
    let before = desk.toml();
    let recording = desk.recording("z.wav", 9);
    for (option, value) in [
        ("--load-ohms", "0"),
        ("--load-ohms", "-8"),
        ("--mains-volts", "-5"),
        ("--warm-up-minutes", "-1"),
        ("--mains-volts", "nan"),
    ] {
        let refused = desk.log(&recording, &[&FULL[..], &[option, value]].concat()).code(1);
        let why = stderr(refused);
        assert!(why.to_lowercase().starts_with(&format!("error: {option}: {value} must ")), "{why}");
        assert!(!why.contains("bench.toml"), "{why}");
    }
    assert_eq!(desk.toml(), before);
}

#[test]
fn the_low_sweep_alone_wants_its_load() {
    use twinload::signals::{Choices, Identity, Plan};
    use twinload::simulate::device::HardClip;
    use twinload::simulate::recorder::{Recorder, take};

    let desk = Desk::new();
    let plan = Plan::short(&Choices::default());
    let index = plan.segments.iter().position(|s| s.id == "sweep_low").unwrap();
    let identity = Identity { plan: plan.identity(), part: u8::try_from(index + 1).unwrap() };
    let recorder = Recorder {
        noise_rms: 1e-5,
        latency_seconds: 0.2,
        tail_seconds: 0.2,
        identity: Some(identity),
        ..Recorder::default()
    };
    let (rate, samples) = take(&plan.part(index).unwrap(), &mut HardClip::symmetric(0.5), &recorder);
    let path = desk.dir.path().join("second-load.wav");
    let samples: Vec<f32> = samples.into_iter().map(|x| x as f32).collect();
    twinload::listen::write(&path, &samples, rate).unwrap();
    let bench = desk.bench();
    let log =
        |more: &[&str]| twinload(&[&["log", text(&bench), text(&path)], &FULL[..], more].concat()).assert();
    let said = stdout(log(&[]).code(1));
    assert!(said.contains("holds sweep_low alone"), "{said}");
    assert!(Bench::open(&bench).unwrap().takes.is_empty());
    let said = stdout(log(&["--load-ohms", "16"]).success());
    assert!(!said.contains("sweep_low alone"), "{said}");
}

#[test]
fn a_recording_of_a_bench_measured_on_its_own_points_to_its_bench() {
    let desk = Desk::new();
    let outside = desk.recording("a.wav", 0);
    desk.log(&outside, &FULL).success();
    let inside = desk.bench().join("takes/as-drawn-full-1.wav");
    let said = |path: &Path| {
        let text = stdout(twinload(&["analyse", text(path)]).assert().success());
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(said(&inside).contains("belongs to the bench"), "{}", said(&inside));
    assert!(!said(&outside).contains("belongs to the bench"));
}
