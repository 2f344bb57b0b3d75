//! Output files that appear whole or not at all.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Component, Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::IoError;

/// Names of files that are being written.
const PART_PREFIX: &str = ".fanlight-";
const PART_SUFFIX: &str = ".part";

/// A folder that products are written into. Nothing in it is touched but the files that are written.
#[derive(Debug, Clone)]
pub struct OutputFolder {
    folder: PathBuf,
}

impl OutputFolder {
    /// Opens a folder, making it and its parents where they are missing.
    ///
    /// # Errors
    /// The path is a file, or the folder cannot be made.
    pub fn create_or_open(folder: &Path) -> Result<Self, IoError> {
        if folder.exists() && !folder.is_dir() {
            return Err(IoError::Folder { path: folder.to_owned(), problem: "is a file, not a folder".to_owned() });
        }
        fs::create_dir_all(folder).map_err(|e| IoError::write(folder, e))?;
        Ok(Self { folder: folder.to_owned() })
    }

    /// Whether the folder holds nothing yet.
    ///
    /// # Errors
    /// The folder cannot be listed.
    pub fn is_empty(&self) -> Result<bool, IoError> {
        let mut entries = fs::read_dir(&self.folder).map_err(|e| IoError::read(&self.folder, e))?;
        Ok(entries.next().is_none())
    }

    /// Where a product of this name lies. The name may hold `/` for sub-folders.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Writes a product whole: beside its place first, then renamed, replacing an older one.
    ///
    /// # Errors
    /// A name that leads out of the folder, or a disk that is full or cannot be written to.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), IoError> {
        let inside = !name.is_empty() && Path::new(name).components().all(|c| matches!(c, Component::Normal(_)));
        let path = self.path(name);
        if !inside {
            return Err(IoError::BadData { path, problem: "the name leads out of the output folder".to_owned() });
        }
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(|e| IoError::write(parent, e))?;
        }
        write_whole(&path, |out| out.write_all(bytes))
    }

    /// Removes a product of an earlier run, where there is one.
    ///
    /// # Errors
    /// It is there and cannot be removed.
    pub fn remove(&self, name: &str) -> Result<(), IoError> {
        let path = self.path(name);
        match fs::remove_file(&path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => Err(IoError::write(&path, e)),
            _ => Ok(()),
        }
    }

    /// Removes what a killed run left beside its products before it could rename it.
    pub fn remove_leftovers(&self, sub_folder: &str) {
        let Ok(entries) = fs::read_dir(self.path(sub_folder)) else { return };
        for entry in entries.flatten() {
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if name.starts_with(PART_PREFIX) && name.ends_with(PART_SUFFIX) {
                // what cannot be removed is only untidy
                let _ = fs::remove_file(entry.path());
            }
        }
    }

    /// Writes a record as indented JSON with a newline at its end.
    ///
    /// # Errors
    /// As [`OutputFolder::write`], and a record that JSON cannot hold.
    pub fn write_json<T: Serialize>(&self, name: &str, record: &T) -> Result<(), IoError> {
        let mut bytes = serde_json::to_vec_pretty(record)
            .map_err(|e| IoError::BadData { path: self.path(name), problem: e.to_string() })?;
        bytes.push(b'\n');
        self.write(name, &bytes)
    }
}

/// Reads a JSON file.
///
/// # Errors
/// The file cannot be read, or does not hold what is expected.
pub fn read_json<T: DeserializeOwned>(path: &Path) -> Result<T, IoError> {
    let bytes = fs::read(path).map_err(|e| IoError::read(path, e))?;
    serde_json::from_slice(&bytes).map_err(|e| IoError::Damaged { path: path.to_owned(), problem: e.to_string() })
}

/// Fills a temporary file in the folder of `path` and renames it to `path`; on any error it is removed and what was
/// at `path` stays.
pub(crate) fn write_whole(path: &Path, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), IoError> {
    write_whole_file(path, |file| fill_buffered(file, fill).map_err(|e| IoError::write(path, e)))
}

/// As [`write_whole`], for what must go back in the file or can fail otherwise than by writing.
pub(crate) fn write_whole_file(
    path: &Path,
    fill: impl FnOnce(&mut fs::File) -> Result<(), IoError>,
) -> Result<(), IoError> {
    let error = |e| IoError::write(path, e);
    let mut builder = tempfile::Builder::new();
    builder.prefix(PART_PREFIX).suffix(PART_SUFFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // The usual mode of a new file, which the user's umask then narrows; the default here is owner only.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder_of(path)).map_err(error)?;
    fill(file.as_file_mut())?;
    file.persist(path).map_err(|e| error(e.error))?;
    Ok(())
}

/// The folder that a file lies in.
pub(crate) fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn fill_buffered<W: Write>(file: W, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(64 * 1024, file);
    fill(&mut out)?;
    out.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_replace_and_leave_nothing_beside() {
        let dir = tempfile::tempdir().unwrap();
        let out = OutputFolder::create_or_open(&dir.path().join("a/b")).unwrap();
        assert!(out.is_empty().unwrap());
        out.write("night.json", b"old").unwrap();
        out.write("night.json", b"new").unwrap();
        out.write("figures/light.png", b"png").unwrap();
        assert_eq!(fs::read(out.path("night.json")).unwrap(), b"new");
        assert_eq!(fs::read_dir(dir.path().join("a/b")).unwrap().count(), 2);
    }

    #[test]
    fn a_failed_write_keeps_the_old_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("report.html");
        fs::write(&path, "old").unwrap();
        let result = write_whole(&path, |out| {
            out.write_all(b"half")?;
            Err(io::ErrorKind::StorageFull.into())
        });
        let error = result.unwrap_err();
        assert!(error.to_string().contains("report.html"));
        assert!(error.hint().unwrap().contains("disk is full"));
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn the_systems_own_full_device_is_told_as_a_full_disk() {
        // /dev/full answers every write with "no space left on device".
        let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let error = fill_buffered(full, |out| out.write_all(&[0; 1000])).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::StorageFull);
        assert!(IoError::write(Path::new("out/comet.fits"), error).hint().unwrap().contains("free some space"));
    }

    #[test]
    fn names_stay_inside_the_folder() {
        let dir = tempfile::tempdir().unwrap();
        let out = OutputFolder::create_or_open(dir.path()).unwrap();
        for name in ["", "../x", "/x", "a/../../x"] {
            assert!(out.write(name, b"").is_err(), "{name}");
        }
        let file = dir.path().join("file");
        fs::write(&file, "").unwrap();
        assert!(OutputFolder::create_or_open(&file).unwrap_err().to_string().contains("is a file"));
    }
}
