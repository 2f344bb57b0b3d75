//! Stamps of files: what tells that a file is still the one that was read, without reading it again.

use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

/// A file as the file system describes it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileStamp {
    /// The file.
    pub path: PathBuf,
    /// Its length.
    pub bytes: u64,
    /// Its time of change: whole seconds since 1970 and nanoseconds.
    pub changed: (u64, u32),
}

impl FileStamp {
    /// The stamp of a file; `None` when there is none, or its time of change is not known.
    pub fn of(path: &Path) -> Option<Self> {
        let metadata = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?;
        let changed = metadata.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        let changed = (changed.as_secs(), changed.subsec_nanos());
        Some(Self { path: path.to_owned(), bytes: metadata.len(), changed })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stamp_follows_its_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("frame.fits");
        assert_eq!(FileStamp::of(&path), None);
        assert_eq!(FileStamp::of(folder.path()), None, "a folder is no file");
        std::fs::write(&path, "abc").unwrap();
        let first = FileStamp::of(&path).unwrap();
        assert_eq!(FileStamp::of(&path), Some(first.clone()));
        std::fs::write(&path, "abcd").unwrap();
        assert_ne!(FileStamp::of(&path), Some(first.clone()));
        std::fs::write(&path, "abd").unwrap();
        let later = UNIX_EPOCH + std::time::Duration::from_secs(1_900_000_000);
        std::fs::File::options().write(true).open(&path).unwrap().set_modified(later).unwrap();
        let touched = FileStamp::of(&path).unwrap();
        assert_eq!((touched.bytes, touched.changed), (3, (1_900_000_000, 0)));
    }
}
