//! What a person does not expect: a kill, two at once, a full disk, a folder that is none, a recording that is gone,
//! a closed pipe, Ctrl-C. Nothing is lost, nothing is half-written, and one line says what happened.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::collections::BTreeMap;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::bench::Bench;
use twinload::signals::{Choices, Plan};
use twinload::simulate::{Band, Chain, HardClip, Hum, Polynomial, Recorder, take};

const BINARY: &str = env!("CARGO_BIN_EXE_twinload");

fn twinload(args: &[&str]) -> Command {
    let mut command = Command::new(BINARY);
    command.args(args).stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// One clear line, exit code 1.
fn fails_in_one_line(output: &Output, says: &str) {
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{:?} {stderr}", output.status);
    assert_eq!(stderr.trim_end().lines().count(), 1, "{stderr}");
    assert!(stderr.starts_with("error: ") && stderr.contains(says), "{stderr}");
}

struct Desk(tempfile::TempDir);

impl Desk {
    fn new() -> Self {
        let desk = Self(tempfile::tempdir().unwrap());
        assert!(twinload(&["new", text(&desk.bench())]).output().unwrap().status.success());
        desk
    }

    fn bench(&self) -> PathBuf {
        self.0.path().join("bench")
    }

    fn toml(&self) -> String {
        std::fs::read_to_string(self.bench().join("bench.toml")).unwrap()
    }

    /// A short tone at 275 Hz (what `calibrate` wants), a little different with each `seed`.
    fn tone(&self, seed: u32, seconds: f64) -> PathBuf {
        let path = self.0.path().join(format!("tone-{seed}.wav"));
        let samples: Vec<f64> = (0..(seconds * 48_000.0) as u32)
            .map(|n| {
                0.3 * (std::f64::consts::TAU * 275.0 * f64::from(n) / 48_000.0).sin()
                    + f64::from(seed) / 8_388_608.0
            })
            .collect();
        support::write_wav(&path, &samples, support::Stored { rate: 48_000, bits: 24, float: false });
        path
    }

    fn log(&self, recording: &Path) -> Command {
        twinload(&[
            "log",
            text(&self.bench()),
            text(recording),
            "--anyway",
            "--build",
            "as-drawn",
            "--setting",
            "full",
        ])
    }
}

/// Takes of a bench by their file, each file being there.
fn takes(bench: &Path) -> Vec<String> {
    let bench = Bench::open(bench).expect("bench.toml is whole at any moment");
    bench.takes.iter().for_each(|t| assert!(bench.path_of(t).is_file(), "{}", t.file));
    bench.takes.iter().map(|t| t.file.clone()).collect()
}

fn unfinished(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_dir() {
            found.extend(unfinished(&entry.path()));
        } else if entry.file_name().to_string_lossy().ends_with(".part") {
            found.push(entry.path());
        }
    }
    found
}

/// Lets it run for a while, then kills it if it still runs; whether it ended well before.
fn killed_after(mut child: Child, wait: Duration) -> bool {
    std::thread::sleep(wait);
    child.kill().unwrap();
    child.wait().unwrap().success()
}

#[test]
fn a_kill_at_any_moment_loses_no_line_of_the_bench() {
    let desk = Desk::new();
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let bench = desk.bench();
    let (mut known, mut kills) = (takes(&bench), 0);
    let tone = desk.tone(9999, 2.0);
    for round in 0..220 {
        let wait = Duration::from_micros(u64::from(random.next_u32() % 60_000));
        let mut command = if round % 3 == 0 {
            twinload(&["calibrate", text(&bench), text(&tone), "--volts", "2.830", "--at", "load"])
        } else {
            desk.log(&desk.tone(round, 0.1))
        };
        let well = killed_after(command.spawn().unwrap(), wait);
        kills += u32::from(!well);
        let now = takes(&bench);
        // All that was there is there, in its place; at most one line more; a good end means it is written.
        assert!(now.starts_with(&known) && now.len() <= known.len() + 1, "{round}: {known:?} {now:?}");
        assert!(round % 3 == 0 || !well || now.len() == known.len() + 1, "{round}");
        known = now;
    }
    // Both happened, or the test has shown nothing.
    assert!(kills > 20, "{kills} kills");
    // The next one that writes clears away what kills left.
    let output = desk.log(&desk.tone(5000, 0.1)).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(takes(&bench).len(), known.len() + 1);
    assert_eq!(unfinished(&bench), [""; 0].map(PathBuf::from));
}

#[test]
fn several_at_once_wait_for_each_other() {
    let desk = Desk::new();
    let before = takes(&desk.bench()).len();
    let children: Vec<Child> = (0..6).map(|k| desk.log(&desk.tone(k, 0.1)).spawn().unwrap()).collect();
    for child in children {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert_eq!(takes(&desk.bench()).len(), before + 6);
}

/// A disk that is full after `blocks` of 512 bytes: a limit on the size of files that is an error, not a signal.
fn on_a_full_disk(blocks: u32, args: &[&str]) -> Output {
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
    Command::new("sh").args(["-c", &script, BINARY]).args(args).output().unwrap()
}

#[test]
fn a_full_disk_is_one_line_and_nothing_is_lost() {
    let desk = Desk::new();
    let (bench, before) = (desk.bench(), desk.toml());
    // The copy of a long recording does not fit.
    let long = desk.tone(1, 2.0);
    let args = ["log", text(&bench), text(&long), "--anyway", "--build", "as-drawn", "--setting", "full"];
    fails_in_one_line(&on_a_full_disk(200, &args), "takes");
    assert_eq!(desk.toml(), before);
    assert_eq!(unfinished(&bench), [""; 0].map(PathBuf::from));
    // The copy fits, bench.toml does not.
    let short = desk.tone(2, 0.05);
    let filler = "# a long remark\n".repeat(4000);
    std::fs::write(bench.join("bench.toml"), format!("{before}{filler}")).unwrap();
    let args = ["log", text(&bench), text(&short), "--anyway", "--build", "as-drawn", "--setting", "full"];
    fails_in_one_line(&on_a_full_disk(60, &args), "bench.toml");
    assert_eq!(desk.toml(), format!("{before}{filler}"));
    assert_eq!(std::fs::read_dir(bench.join("takes")).unwrap().count(), 0);
    fails_in_one_line(&on_a_full_disk(100, &["signals", text(&bench)]), "test-signals");
    assert_eq!(unfinished(&bench), [""; 0].map(PathBuf::from));
    // Standard output on a full device.
    let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
    let output = twinload(&["analyse", text(&short), "--json"]).stdout(full).output().unwrap();
    fails_in_one_line(&output, "No space left");
}

#[test]
fn a_folder_that_cannot_be_written_is_one_line() {
    let desk = Desk::new();
    let (bench, before, tone) = (desk.bench(), desk.toml(), desk.tone(1, 0.1));
    // Fails for everybody, root too: a file stands where a folder should.
    std::fs::remove_dir_all(bench.join("takes")).unwrap();
    std::fs::write(bench.join("takes"), "").unwrap();
    fails_in_one_line(&desk.log(&tone).output().unwrap(), "takes");
    assert_eq!(desk.toml(), before);
    std::fs::remove_file(bench.join("takes")).unwrap();
    assert!(desk.log(&tone).output().unwrap().status.success());
    let _ = std::fs::remove_dir_all(bench.join("reports"));
    std::fs::write(bench.join("reports"), "").unwrap();
    fails_in_one_line(&twinload(&["analyse", text(&bench)]).output().unwrap(), "reports");
    // And missing permission, for whoever it binds.
    use std::os::unix::fs::PermissionsExt;
    let (open, shut) = (std::fs::Permissions::from_mode(0o755), std::fs::Permissions::from_mode(0o555));
    std::fs::set_permissions(&bench, shut).unwrap();
    let binds = std::fs::write(bench.join("probe"), "").is_err();
    let output = desk.log(&desk.tone(2, 0.1)).output().unwrap();
    std::fs::set_permissions(&bench, open).unwrap();
    if binds {
        fails_in_one_line(&output, "bench");
    }
}

#[test]
fn a_recording_that_is_gone_leaves_the_others_alone() {
    let desk = Desk::new();
    for k in 0..2 {
        assert!(desk.log(&desk.tone(k, 0.3)).output().unwrap().status.success());
    }
    let files = takes(&desk.bench());
    assert!(twinload(&["check", text(&desk.bench().join(&files[0]))]).output().is_ok());
    std::fs::remove_file(desk.bench().join(&files[0])).unwrap();
    let output = twinload(&["analyse", text(&desk.bench()), "--json"]).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let failure = document["takes"][0]["failure"].as_str().unwrap();
    assert!(failure.contains(&files[0]) && failure.contains("does not exist"), "{failure}");
    assert_eq!(document["takes"].as_array().unwrap().len(), 2);
    // A file by itself: one line.
    let gone = twinload(&["analyse", text(&desk.bench().join(&files[0]))]).output().unwrap();
    fails_in_one_line(&gone, "does not exist");
}

#[test]
fn a_closed_pipe_is_a_silent_good_end() {
    let desk = Desk::new();
    let tone = desk.tone(1, 0.3);
    for args in
        [vec!["analyse", text(&tone), "--json"], vec!["check", text(&tone)], vec!["completions", "bash"]]
    {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let output = twinload(&args).stdout(writer).output().unwrap();
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{args:?}");
        assert_eq!(output.status.code(), Some(0), "{args:?}");
    }
}

/// Every file of a folder by its name, hidden ones left out.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            all.extend(contents(&path));
        } else if !entry.file_name().to_string_lossy().starts_with('.') {
            all.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    all
}

#[test]
fn ctrl_c_ends_it_and_leaves_nothing_half_written() {
    let folder = tempfile::tempdir().unwrap();
    for (k, wait) in [100u64, 700, 2000].into_iter().enumerate() {
        let dir = folder.path().join(format!("demo-{k}"));
        let child = twinload(&["demo", text(&dir), "--short"]).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(wait));
        let pid = child.id().to_string();
        let told = Command::new("kill").args(["-INT", &pid]).status().unwrap();
        let output = child.wait_with_output().unwrap();
        // It was ended by the signal (2), unless it had ended already.
        assert!(
            !told.success() || output.status.signal() == Some(2) || output.status.success(),
            "{output:?}"
        );
        if !dir.exists() {
            continue;
        }
        for (path, bytes) in contents(&dir) {
            let name = path.to_string_lossy();
            if name.ends_with(".wav") {
                // What the header says is there.
                let reader = hound::WavReader::open(&path).unwrap();
                let samples = reader.len();
                assert_eq!(
                    reader.into_samples::<i32>().filter(Result::is_ok).count(),
                    samples as usize,
                    "{name}"
                );
            } else if name.ends_with(".json") {
                serde_json::from_slice::<serde_json::Value>(&bytes).expect(&name);
            } else if name.ends_with("bench.toml") {
                Bench::open(&dir).expect(&name);
            }
        }
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let desk = Desk::new();
    let bench = desk.bench();
    let plan = Plan::short(&Choices::default());
    for k in 0..3u32 {
        let recorder = Recorder {
            clock_ppm: 20.0 * f64::from(k),
            latency_seconds: 0.3,
            noise_rms: 1e-4,
            hum: Some(Hum { mains_hz: 50.02, peak: 1e-3, lines: 12 }),
            bits: Some(24),
            seed: u64::from(k),
            ..Recorder::default()
        };
        let mut amp = Chain(vec![
            Box::new(Polynomial(vec![1.0, 0.05 + 0.01 * f64::from(k), -0.03])),
            Box::new(HardClip { low: -0.5, high: 0.4 }),
            Box::new(Band::new(80.0, 8000.0)),
        ]);
        let (rate, samples) = take(&plan, &mut amp, &recorder);
        let path = desk.0.path().join(format!("take-{k}.wav"));
        support::write_wav(&path, &samples, support::Stored { rate, bits: 24, float: false });
        let build = if k < 2 { "as-drawn" } else { "rework" };
        let args = ["log", text(&bench), text(&path), "--anyway", "--build", build, "--setting", "full"];
        let output = twinload(&args).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    std::fs::create_dir_all(bench.join("test-signals")).unwrap();
    std::fs::write(bench.join("test-signals/plan.json"), serde_json::to_vec(&plan).unwrap()).unwrap();
    let runs: Vec<_> = ["1", "2", "5"]
        .into_iter()
        .map(|threads| {
            let run = |args: &[&str]| twinload(args).env("RAYON_NUM_THREADS", threads).output().unwrap();
            let _ = std::fs::remove_dir_all(bench.join("reports"));
            let analysed = run(&["analyse", text(&bench), "--json"]);
            let compared = run(&["compare", text(&bench)]);
            assert!(compared.status.success(), "{}", String::from_utf8_lossy(&compared.stderr));
            ([analysed.stdout, compared.stdout].concat(), contents(&bench.join("reports")))
        })
        .collect();
    assert!(runs[0].0.len() > 1000 && runs[0].1.len() > 10, "{} {}", runs[0].0.len(), runs[0].1.len());
    for other in &runs[1..] {
        assert!(runs[0].0 == other.0, "what is printed differs");
        assert!(runs[0].1 == other.1, "what is written differs");
    }
}

#[test]
fn names_in_the_bench_do_not_lead_out_of_it() {
    let desk = Desk::new();
    let bench = desk.bench();
    let toml = desk.toml().replace("\"as-drawn\"", "\"../../../out\"");
    std::fs::write(bench.join("bench.toml"), toml).unwrap();
    let tone = desk.tone(1, 0.1);
    let args = ["log", text(&bench), text(&tone), "--anyway", "--build", "../../../out", "--setting", "full"];
    let output = twinload(&args).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let beside: Vec<_> = std::fs::read_dir(desk.0.path()).unwrap().flatten().map(|e| e.file_name()).collect();
    assert_eq!(beside.len(), 2, "bench and the tone: {beside:?}");
    assert!(takes(&bench)[0].starts_with("takes/"), "{:?}", takes(&bench));
    // And a path that leads out by itself is refused before anything is read or written.
    for path in ["../a.wav", "/a.wav", "takes/../../a.wav", "C:\\\\a.wav"] {
        let more = format!("\n[[take]]\nfile = \"{path}\"\nbuild = \"rework\"\nsetting = \"full\"\n");
        std::fs::write(bench.join("bench.toml"), format!("{}{more}", desk.toml())).unwrap();
        let output = twinload(&["analyse", text(&bench)]).output().unwrap();
        let stderr = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{path}");
        assert!(stderr.contains("must lie in the bench's folder"), "{path}: {stderr}");
        std::fs::write(bench.join("bench.toml"), desk.toml().replace(&more, "")).unwrap();
    }
}

#[test]
fn links_do_not_lead_out_of_the_bench() {
    use std::os::unix::fs::symlink;
    let desk = Desk::new();
    let (bench, before) = (desk.bench(), desk.toml());
    let outside = desk.0.path().join("outside");
    std::fs::create_dir(&outside).unwrap();
    // What a link could have cleared away, too.
    std::fs::write(outside.join(".twinload-x.part"), "another's").unwrap();
    let untouched = || std::fs::read_dir(&outside).unwrap().count() == 1;
    let replace = |name: &str, target: &Path| {
        let _ = std::fs::remove_dir_all(bench.join(name));
        let _ = std::fs::remove_file(bench.join(name));
        symlink(target, bench.join(name)).unwrap();
    };
    let tone = desk.tone(1, 0.3);
    replace("takes", &outside);
    fails_in_one_line(&desk.log(&tone).output().unwrap(), "leads out of the bench");
    replace("takes", &desk.0.path().join("nowhere"));
    fails_in_one_line(&desk.log(&tone).output().unwrap(), "leads to nothing");
    assert!(untouched() && !desk.0.path().join("nowhere").exists());
    assert_eq!(desk.toml(), before);
    // A link that stays inside is nobody's harm; recordings may lie there.
    std::fs::create_dir(bench.join("kept")).unwrap();
    replace("takes", Path::new("kept"));
    assert!(desk.log(&tone).output().unwrap().status.success());
    assert_eq!(takes(&bench).len(), 1);
    replace("test-signals", &outside);
    fails_in_one_line(&twinload(&["signals", text(&bench)]).output().unwrap(), "leads out of the bench");
    std::fs::remove_file(bench.join("test-signals")).unwrap();
    for name in ["reports", "reports/charts", "reports/data", "reports/listening"] {
        let _ = std::fs::remove_file(bench.join("reports"));
        std::fs::create_dir_all(bench.join("reports")).unwrap();
        replace(name, &outside);
        for args in [vec!["analyse", text(&bench)], vec!["compare", text(&bench)]] {
            fails_in_one_line(&twinload(&args).output().unwrap(), "leads out of the bench");
        }
        let _ = std::fs::remove_file(bench.join(name));
    }
    assert!(untouched());
}
