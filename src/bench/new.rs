//! A bench's beginning: folders and a bench.toml that explains itself.

use std::path::{Path, PathBuf};

use toml_edit::Value;

use super::error::BenchError;
use super::model::{Bench, FILE_NAME};

/// The bench.toml that a new bench gets; `{TITLE}` stands where the title goes.
const TEMPLATE: &str = include_str!("../../assets/new-bench.toml");

/// The folders of a bench.
pub const FOLDERS: [&str; 3] = ["test-signals", "takes", "reports"];

/// Makes `dir` a bench: folders and a commented bench.toml; returns what was made.
///
/// # Errors
/// There is a bench.toml already, or something can't be written.
pub fn create(dir: &Path, title: &str) -> Result<Vec<PathBuf>, BenchError> {
    let path = dir.join(FILE_NAME);
    // A link that leads nowhere is there too.
    if path.symlink_metadata().is_ok() {
        return Err(BenchError::Exists { path });
    }
    let source = filled_in(title);
    // What a new bench begins with must be a bench.
    Bench::parse(dir, &path, &source)?;
    let mut made = Vec::new();
    for folder in FOLDERS {
        let folder = dir.join(folder);
        std::fs::create_dir_all(&folder)
            .map_err(|source| BenchError::Write { path: folder.clone(), source })?;
        made.push(folder);
    }
    crate::files::write(&path, source.as_bytes())
        .map_err(|source| BenchError::Write { path: path.clone(), source })?;
    made.push(path);
    Ok(made)
}

fn filled_in(title: &str) -> String {
    TEMPLATE.replace("\"{TITLE}\"", Value::from(title).to_string().trim())
}

/// A title out of the folder's name.
#[must_use]
pub fn title_of(dir: &Path) -> String {
    let full = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
    let name = full.file_name().map(|n| n.to_string_lossy().into_owned());
    name.filter(|n| !n.trim().is_empty()).unwrap_or_else(|| "Untitled bench".to_owned())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// The commented lines are examples to be uncommented: each must be a key that is known.
    #[test]
    fn every_example_in_the_template_is_valid() {
        let mut uncommented = String::new();
        let mut pads = 0;
        for line in filled_in("a \"quoted\" title").lines() {
            let Some(example) = line.strip_prefix("# ").filter(|l| l.contains(" = ") || l.starts_with("[["))
            else {
                uncommented.push_str(&format!("{line}\n"));
                continue;
            };
            // The two ways to write the pad are alternatives.
            pads += usize::from(example.starts_with("pad"));
            if pads < 2 || !example.starts_with("pad") {
                uncommented.push_str(&format!("{example}\n"));
            }
        }
        let bench = Bench::parse(Path::new("."), Path::new(FILE_NAME), &uncommented).unwrap();
        assert_eq!(pads, 2);
        assert_eq!(bench.title, "a \"quoted\" title");
        assert_eq!(bench.rig.drive_channel, Some(2));
        assert_eq!(bench.builds[0].dc[0].volts, Some(321.0));
        assert!(bench.rig.load_full_scale_volts().is_some());
    }

    #[test]
    fn an_existing_bench_is_never_overwritten() {
        let dir = tempfile::tempdir().unwrap();
        let made = create(dir.path(), "one").unwrap();
        assert!(made.iter().all(|p| p.exists()));
        let before = std::fs::read(dir.path().join(FILE_NAME)).unwrap();
        let error = create(dir.path(), "two").unwrap_err();
        assert!(matches!(error, BenchError::Exists { .. }));
        assert_eq!(std::fs::read(dir.path().join(FILE_NAME)).unwrap(), before);
    }
}
