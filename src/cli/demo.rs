//! `twinload demo`: a bench of two simulated builds, from the takes to the report.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;
use rayon::prelude::*;

use super::Outcome;
use crate::bench::log::{Request, log};
use crate::bench::{Bench, FILE_NAME, TakeKind, new};
use crate::report::analysis as screen;
use crate::signals::write::{Form, write_wav};
use crate::signals::{Choices, Plan};
use crate::simulate::bench::{Session, bench_toml, sessions};
use crate::{analyse, compare, files, report};

/// What was typed.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// The folder to make; it may hold an earlier demo, which is made anew
    #[arg(default_value = "twinload-demo")]
    dir: PathBuf,
    /// Play the short programme: a quicker, coarser demo
    #[arg(long)]
    short: bool,
}

/// Makes the bench, plays the programme through both builds, and reports.
///
/// # Errors
/// The folder holds something else, or something could not be written or measured.
pub fn run(args: &DemoArgs, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let dir = args.dir.as_path();
    refuse_foreign(dir)?;
    writeln!(out, "Simulated data: two builds of an invented amp; no amp and no interface are needed.")?;
    let choices = Choices::default();
    let plan = if args.short { Plan::short(&choices) } else { Plan::programme(&choices) };
    begin(dir, &plan)?;
    let sessions = sessions();
    writeln!(
        out,
        "Playing a programme of {:.0} s through them, {} takes …",
        plan.length_seconds,
        sessions.len()
    )?;
    out.flush()?;
    sessions.par_iter().try_for_each(|session| record(dir, session, &plan))?;
    // The same check that `twinload log` makes, of all takes at once.
    let bench = Bench::open(dir)?;
    let check = |s: &Session| super::log::check(&dir.join(&s.file), &bench, TakeKind::Programme);
    let checked: Vec<_> = sessions.par_iter().map(check).collect();
    for (session, checked) in sessions.iter().zip(checked) {
        log(dir, &request(dir, session), |_, _, _| checked)
            .with_context(|| format!("log {}", session.file))?;
    }
    writeln!(out, "Measuring and comparing …")?;
    out.flush()?;
    write_report(dir, out)
}

/// Only an empty folder or an earlier demo is written to.
fn refuse_foreign(dir: &Path) -> anyhow::Result<()> {
    let Ok(mut entries) = std::fs::read_dir(dir) else {
        anyhow::ensure!(!dir.exists(), "{}: this is not a folder", dir.display());
        return Ok(());
    };
    let earlier = Bench::open(dir).is_ok_and(|bench| bench.simulated);
    anyhow::ensure!(
        earlier || entries.next().is_none(),
        "{}: this folder holds something else; name a folder that is empty or not there yet",
        dir.display()
    );
    Ok(())
}

fn begin(dir: &Path, plan: &Plan) -> anyhow::Result<()> {
    for folder in new::FOLDERS {
        let folder = files::inside(dir, folder).with_context(|| format!("write into {folder}"))?;
        std::fs::create_dir_all(&folder).with_context(|| format!("make {}", folder.display()))?;
    }
    let put = |name: &str, bytes: &[u8]| {
        let path = dir.join(name);
        files::write(&path, bytes).with_context(|| format!("write {}", path.display()))
    };
    put("test-signals/plan.json", &serde_json::to_vec_pretty(plan)?)?;
    put(FILE_NAME, bench_toml().as_bytes())
}

fn record(dir: &Path, session: &Session, plan: &Plan) -> anyhow::Result<()> {
    let (rate_hz, samples) = session.record(plan);
    let form = Form { rate_hz, ..Form::default() };
    write_wav(&dir.join(&session.file), form, samples.len(), |block, first| {
        block.copy_from_slice(&samples[first..first + block.len()]);
    })?;
    Ok(())
}

fn request(dir: &Path, session: &Session) -> Request {
    Request {
        recording: dir.join(&session.file),
        build: Some(session.build.name().to_owned()),
        setting: Some(session.setting.to_owned()),
        load_ohms: session.load_ohms,
        mains_volts: Some(session.mains_volts),
        warm_up_minutes: Some(session.warm_up_minutes),
        order: Some(session.order),
        note: Some(session.part.map_or("simulated".to_owned(), |id| format!("simulated; {id} alone"))),
        ..Request::default()
    }
}

/// The same calls as `twinload analyse` and `twinload compare`, with one analysis for both.
fn write_report(dir: &Path, out: &mut dyn Write) -> anyhow::Result<Outcome> {
    let bench = Bench::open(dir)?;
    let reports = super::reports(&bench.dir)?;
    let analysis = analyse::bench(&bench)?;
    screen::write(&reports, &analysis)
        .map_err(|(path, error)| anyhow::Error::new(error).context(format!("write {}", path.display())))?;
    let comparison = compare::compare(&bench, &analysis, &[])?;
    let written = report::write(&reports, &comparison, report::Choices::default())?;
    super::compare::tell(&comparison, &written, out)?;
    let failed = analysis.takes.iter().any(|t| t.failure.is_some());
    Ok(if failed { Outcome::Partly } else { Outcome::Done })
}
