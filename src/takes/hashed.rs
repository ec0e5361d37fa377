//! The fingerprint of a file, taken from the very bytes that are measured: while they are read, not by reading again.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sha2::{Digest, Sha256};

/// What a reader skips is read at once for the fingerprint if it is no longer than this: chunks before the audio.
const MOST_CAUGHT_UP_BYTES: u64 = 1 << 20;
/// Read at once.
const BLOCK_BYTES: usize = 1 << 16;

/// A file that is hashed as far as it is read in order. Clones share file and fingerprint.
#[derive(Debug, Clone)]
pub(super) struct Hashed {
    file: Arc<File>,
    at: u64,
    done: Arc<Mutex<Done>>,
}

#[derive(Debug, Default)]
struct Done {
    hasher: Sha256,
    /// The bytes before this one are hashed.
    to: u64,
}

impl Done {
    /// `bytes` stand at `at`; what of them comes next is hashed.
    fn take(&mut self, at: u64, bytes: &[u8]) {
        let known = self.to.checked_sub(at).and_then(|known| usize::try_from(known).ok());
        if let Some(new) = known.and_then(|known| bytes.get(known..)) {
            self.hasher.update(new);
            self.to += new.len() as u64;
        }
    }

    /// Reads and hashes what comes next, up to `end` or the end of the file.
    fn read_to(&mut self, mut file: &File, end: u64) -> io::Result<()> {
        file.seek(SeekFrom::Start(self.to))?;
        let mut rest = file.take(end.saturating_sub(self.to));
        let mut buffer = vec![0; BLOCK_BYTES];
        loop {
            match rest.read(&mut buffer) {
                Ok(0) => return Ok(()),
                Ok(got) => self.take(self.to, buffer.get(..got).unwrap_or_default()),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}

impl Hashed {
    /// A file from its begin.
    pub(super) fn new(file: File) -> Self {
        Self { file: Arc::new(file), at: 0, done: Arc::default() }
    }

    fn done(&self) -> MutexGuard<'_, Done> {
        self.done.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// SHA-256 of the whole file in lower-case hexadecimal; what nobody has read yet is read now. Whoever reads on
    /// must seek first.
    ///
    /// # Errors
    /// What the operating system gives.
    pub(super) fn sha256(&self) -> io::Result<String> {
        let mut done = self.done();
        done.read_to(&self.file, u64::MAX)?;
        Ok(done.hasher.clone().finalize().iter().map(|byte| format!("{byte:02x}")).collect())
    }
}

impl Read for Hashed {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        let skipped = self.at.saturating_sub(done.to);
        if (1..=MOST_CAUGHT_UP_BYTES).contains(&skipped) {
            done.read_to(&self.file, self.at)?;
            (&*self.file).seek(SeekFrom::Start(self.at))?;
        }
        let got = (&*self.file).read(buffer)?;
        done.take(self.at, buffer.get(..got).unwrap_or_default());
        self.at += got as u64;
        Ok(got)
    }
}

impl Seek for Hashed {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = (&*self.file).seek(to)?;
        Ok(self.at)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::io::Write;

    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{RngCore, SeedableRng};

    use super::*;

    #[test]
    fn however_a_file_is_read_its_fingerprint_is_the_same() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mut bytes = vec![0; 3_000_000];
        random.fill_bytes(&mut bytes);
        let whole: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        for _ in 0..20 {
            let mut file = tempfile::tempfile().unwrap();
            file.write_all(&bytes).unwrap();
            let mut hashed = Hashed::new(file);
            for _ in 0..random.next_u32() % 12 {
                let to = u64::from(random.next_u32() % 3_200_000);
                hashed.seek(SeekFrom::Start(to)).unwrap();
                let mut got = vec![0; (random.next_u32() % 900_000) as usize];
                let many = hashed.read(&mut got).unwrap();
                let from = (to as usize).min(bytes.len());
                // The reader gets what stands there, whatever was caught up meanwhile.
                assert!(got[..many] == bytes[from..from + many]);
            }
            assert_eq!(hashed.sha256().unwrap(), whole);
        }
    }

    #[test]
    fn what_was_read_in_order_is_not_read_again() {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(b"abc").unwrap();
        let other = file.try_clone().unwrap();
        let mut hashed = Hashed::new(file);
        hashed.seek(SeekFrom::Start(0)).unwrap();
        assert_eq!(hashed.read(&mut [0; 8]).unwrap(), 3);
        // The same bytes are no longer there; the fingerprint is of those that were read (FIPS 180-2, B.1).
        let mut other = other;
        other.seek(SeekFrom::Start(0)).unwrap();
        other.write_all(b"xyz").unwrap();
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(hashed.sha256().unwrap(), abc);
    }
}
