//! Files are written beside their place and renamed: a kill at any moment
//! leaves the old file or the new one, never half of one.

use std::io::{self, Write};
use std::path::Path;

use tempfile::NamedTempFile;

/// A temporary file in the folder of `path`.
///
/// # Errors
/// When the folder cannot be written to.
pub fn beside(path: &Path) -> io::Result<NamedTempFile> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".twinload-").suffix(".part");
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
