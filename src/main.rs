//! The `twinload` command: parse, dispatch, exit code.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use twinload::cli::{self, Outcome};

/// Once a large piece of memory has been freed, glibc keeps what is freed later instead of handing it back to the kernel
/// and asking anew: a fifth of the page faults of `analyse` (mallopt(3), M_MMAP_THRESHOLD: 32 MiB at most). The piece is
/// never touched, so it costs nothing; other allocators do not mind.
const KEEP_FREED_BYTES: usize = (32 << 20) - 65_536;

fn main() -> ExitCode {
    drop(std::hint::black_box(Vec::<u8>::with_capacity(KEEP_FREED_BYTES)));
    let cli = cli::Cli::parse();
    let mut out = std::io::BufWriter::new(anstream::stdout().lock());
    let result = cli::run(cli, &mut out).and_then(|outcome| Ok(out.flush().map(|()| outcome)?));
    match result {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::Partly) => ExitCode::FAILURE,
        // Whoever read our output has seen enough: a good end.
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) if error.downcast_ref::<clap::Error>().is_some() => {
            // Nothing is left to do if even this cannot be written.
            let _ = write!(anstream::stderr(), "{error}");
            ExitCode::from(2)
        }
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
