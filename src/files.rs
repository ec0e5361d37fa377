//! Files are written beside their place and renamed: a kill at any moment
//! leaves the old file or the new one, never half of one.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

/// How the names of files begin that are not finished yet …
const PREFIX: &str = ".twinload-";
/// … and end.
const SUFFIX: &str = ".part";
/// An unfinished file that nobody wrote to for this long was left behind by a process that was killed.
const ABANDONED: Duration = Duration::from_secs(3600);

/// Removes what killed processes left unfinished in a folder, if nobody has written to it for `idle`. Zero is for
/// whoever knows that no other process writes there. What cannot be removed stays: it harms nothing.
pub fn clear_unfinished(folder: &Path, idle: Duration) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let ours = name.to_str().is_some_and(|name| name.starts_with(PREFIX) && name.ends_with(SUFFIX));
        let age = || entry.metadata().ok()?.modified().ok()?.elapsed().ok();
        if ours && (idle.is_zero() || age().is_some_and(|age| age > idle)) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// A temporary file in the folder of `path`.
///
/// # Errors
/// When the folder cannot be written to.
pub fn beside(path: &Path) -> io::Result<NamedTempFile> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    clear_unfinished(folder, ABANDONED);
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Temporary files are private by default; what a person makes should be readable like any other file.
        builder.permissions(std::fs::Permissions::from_mode(0o644));
    }
    builder.tempfile_in(folder)
}

/// Puts a finished temporary file in its place.
///
/// # Errors
/// When the disk is full or the rename fails; the old file stays then.
pub fn put(file: NamedTempFile, path: &Path) -> io::Result<()> {
    file.as_file().sync_data()?;
    file.persist(path).map(drop).map_err(|e| e.error)
}

/// Writes `bytes` as the whole of `path`.
///
/// # Errors
/// When the disk is full, the folder is read-only, and so on; the old file stays then.
pub fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = beside(path)?;
    file.write_all(bytes)?;
    put(file, path)
}

/// The place of `below` in the folder `dir`, for writing. What is not there yet is no error.
///
/// # Errors
/// In words, when a link on the way leads out of `dir` or to nothing: whoever follows it writes where nobody looks.
pub fn inside(dir: &Path, below: impl AsRef<Path>) -> io::Result<PathBuf> {
    let dir = if dir.as_os_str().is_empty() { Path::new(".") } else { dir };
    let path = dir.join(below);
    let root = match dir.canonicalize() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(path),
        root => root?,
    };
    let Some(there) = path.ancestors().find(|part| part.symlink_metadata().is_ok()) else { return Ok(path) };
    let advice = "twinload writes inside the bench only: put a folder in the place of the link";
    match there.canonicalize() {
        Ok(real) if real.starts_with(&root) => Ok(path),
        Ok(real) => Err(io::Error::other(format!("a link leads out of the bench, to {real:?}; {advice}"))),
        Err(error) => Err(io::Error::other(format!("a link leads to nothing ({error}); {advice}"))),
    }
}
