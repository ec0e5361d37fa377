//! The `twinload` command: parse, dispatch, exit code.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use twinload::cli::{self, Outcome};

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    let mut out = std::io::BufWriter::new(anstream::stdout().lock());
    let result = cli::run(cli, &mut out).and_then(|outcome| Ok(out.flush().map(|()| outcome)?));
    match result {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::Partly) => ExitCode::FAILURE,
        // Whoever read our output has seen enough: a good end.
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            // Nothing is left to do if even this cannot be written.
            let _ = writeln!(anstream::stderr(), "error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn is_closed_pipe(error: &anyhow::Error) -> bool {
    // serde_json keeps what writing said in an error of its own.
    let kind = |cause: &(dyn std::error::Error + 'static)| match cause.downcast_ref::<serde_json::Error>() {
        Some(json) => json.io_error_kind(),
        None => cause.downcast_ref::<std::io::Error>().map(std::io::Error::kind),
    };
    error.chain().any(|cause| kind(cause) == Some(std::io::ErrorKind::BrokenPipe))
}
