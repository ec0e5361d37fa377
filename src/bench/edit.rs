//! bench.toml is changed under a lock and put in its place whole.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use toml_edit::Value;

use super::error::BenchError;
use super::model::{Bench, FILE_NAME, folder_of, read_text};
use super::splice::{self, Place, SpliceError};

/// Beside bench.toml: whoever writes holds a lock on it. It is empty and stays.
pub const LOCK_NAME: &str = ".bench.lock";

/// How long another twinload is waited for. It writes in milliseconds; a copy of a long take
/// from a slow disk may need some seconds.
const PATIENCE: Duration = Duration::from_secs(20);
const PAUSE: Duration = Duration::from_millis(50);

/// A bench open for writing. Nothing is on disk before [`Editor::save`]; the lock goes with it.
#[derive(Debug)]
pub struct Editor {
    path: PathBuf,
    source: String,
    bench: Bench,
    _lock: File,
}

impl Editor {
    /// Opens the bench in `dir` for writing; waits while another process writes to it.
    ///
    /// # Errors
    /// As [`Bench::open`], or the lock can't be had.
    pub fn open(dir: &Path) -> Result<Self, BenchError> {
        Self::open_within(dir, PATIENCE)
    }

    /// As [`Editor::open`], waiting no longer than `patience`.
    ///
    /// # Errors
    /// As [`Editor::open`].
    pub fn open_within(dir: &Path, patience: Duration) -> Result<Self, BenchError> {
        let dir = folder_of(dir);
        let path = dir.join(FILE_NAME);
        if !path.is_file() {
            return Err(BenchError::NotABench { dir });
        }
        let lock_file = crate::files::inside(&dir, LOCK_NAME)
            .map_err(|source| BenchError::Write { path: dir.join(LOCK_NAME), source })?;
        let lock = lock(&lock_file, patience)?;
        // Whoever holds the lock is the only one that writes here: what is unfinished was left by a kill.
        for folder in [".", "takes"].into_iter().filter_map(|name| crate::files::inside(&dir, name).ok()) {
            crate::files::clear_unfinished(&folder, Duration::ZERO);
        }
        // Read under the lock: what stood there before may be out of date.
        let source = read_text(&path)?;
        let bench = Bench::parse(&dir, &path, &source)?;
        Ok(Self { path, source, bench, _lock: lock })
    }

    /// The bench as it stands, changes included.
    #[must_use]
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// Sets a key of the rig.
    ///
    /// # Errors
    /// When the text can't be changed, or would no longer be a bench.
    pub fn set_rig(&mut self, key: &str, value: impl Into<Value>) -> Result<(), BenchError> {
        self.change(|source| splice::set(source, Place::Rig, key, &value.into()))
    }

    /// Adds a take at the end.
    ///
    /// # Errors
    /// As [`Editor::set_rig`].
    pub fn add_take(&mut self, keys: &[(&str, Value)]) -> Result<(), BenchError> {
        self.change(|source| splice::with_take(source, keys))
    }

    /// Sets keys of a take (index from 0); `None` takes the key away.
    ///
    /// # Errors
    /// As [`Editor::set_rig`].
    pub fn change_take(&mut self, index: usize, keys: &[(&str, Option<Value>)]) -> Result<(), BenchError> {
        self.change(|source| {
            keys.iter().try_fold(source.to_owned(), |text, (key, value)| match value {
                Some(value) => splice::set(&text, Place::Take(index), key, value),
                None => splice::remove(&text, Place::Take(index), key),
            })
        })
    }

    fn change(&mut self, change: impl FnOnce(&str) -> Result<String, SpliceError>) -> Result<(), BenchError> {
        let source =
            change(&self.source).map_err(|source| BenchError::Splice { path: self.path.clone(), source })?;
        // What is written must be a bench, or it is not written.
        self.bench = Bench::parse(&self.bench.dir, &self.path, &source)?;
        self.source = source;
        Ok(())
    }

    /// Puts the changed file in place of the old one.
    ///
    /// # Errors
    /// When it can't be written; the old file stays then.
    pub fn save(self) -> Result<Bench, BenchError> {
        crate::files::write(&self.path, self.source.as_bytes())
            .map_err(|source| BenchError::Write { path: self.path, source })?;
        Ok(self.bench)
    }
}

fn lock(path: &Path, patience: Duration) -> Result<File, BenchError> {
    let failed = |source| BenchError::Write { path: path.to_owned(), source };
    let file = File::options().create(true).truncate(false).write(true).open(path).map_err(failed)?;
    let start = Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            Err(TryLockError::WouldBlock) if start.elapsed() < patience => std::thread::sleep(PAUSE),
            Err(TryLockError::WouldBlock) => {
                return Err(BenchError::Busy { path: path.to_owned(), seconds: patience.as_secs() });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
    }
}
