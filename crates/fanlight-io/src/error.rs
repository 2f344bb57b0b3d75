//! What can go wrong with a file.

use std::io;
use std::path::{Path, PathBuf};

/// A file that could not be read or written, with the reason. [`IoError::hint`] says what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum IoError {
    /// The operating system refused to open or read a file.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The operating system refused to create, fill or rename a file.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The first bytes are not those of a FITS file.
    #[error("{} is not a FITS file: {found}", path.display())]
    NotFits {
        /// The file.
        path: PathBuf,
        /// What it begins with instead.
        found: String,
    },
    /// The file ends before its header says it should.
    #[error("{} is truncated: {missing_bytes} bytes are missing of the {expected_bytes} that its header announces", path.display())]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Bytes that should be there and are not.
        missing_bytes: u64,
        /// Bytes up to the end of the image's data.
        expected_bytes: u64,
    },
    /// A FITS header that ends nowhere.
    #[error("{} is truncated or damaged: a header that begins at byte {start} has no END card", path.display())]
    EndlessHeader {
        /// The file.
        path: PathBuf,
        /// Where the header begins.
        start: u64,
    },
    /// A FITS keyword that must be there is missing or has an impossible value.
    #[error("{}: keyword {keyword} {problem}", path.display())]
    Keyword {
        /// The file.
        path: PathBuf,
        /// The keyword.
        keyword: String,
        /// What is wrong with it.
        problem: String,
    },
    /// No HDU holds a two-dimensional image.
    #[error("{} holds no two-dimensional image ({found})", path.display())]
    NoImage {
        /// The file.
        path: PathBuf,
        /// What it holds.
        found: String,
    },
    /// An image with more than two axes longer than one pixel.
    #[error("{} holds a cube of {shape} pixels, not one image", path.display())]
    Cube {
        /// The file.
        path: PathBuf,
        /// Its axes.
        shape: String,
    },
    /// A part of an image that the image does not have.
    #[error("{} is {width} x {height} px; columns up to {columns} and rows up to {rows} were expected", path.display())]
    OutsideImage {
        /// The file.
        path: PathBuf,
        /// Columns that it has.
        width: usize,
        /// Rows that it has.
        height: usize,
        /// Columns needed.
        columns: usize,
        /// Rows needed.
        rows: usize,
    },
    /// Compressed data or a table that does not decode.
    #[error("{} is damaged: {problem}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the decoder said.
        problem: String,
    },
    /// A header card that FITS cannot hold.
    #[error("cannot write card {keyword} to {}: {problem}", path.display())]
    BadCard {
        /// The file.
        path: PathBuf,
        /// The card's keyword.
        keyword: String,
        /// Why it cannot be written.
        problem: String,
    },
    /// Data to write that contradict themselves.
    #[error("cannot write {}: {problem}", path.display())]
    BadData {
        /// The file.
        path: PathBuf,
        /// What does not fit.
        problem: String,
    },
    /// A folder that is not one, or is empty.
    #[error("{} {problem}", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A star catalogue that cannot be used.
    #[error("catalogue {}: {problem}", path.display())]
    Catalogue {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A list of other comets that cannot be used.
    #[error("{}: {problem}", path.display())]
    Reference {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// The band asked for is not in the catalogue.
    #[error("catalogue {} has no band `{band}`; it has {}", path.display(), list(available))]
    NoBand {
        /// The file.
        path: PathBuf,
        /// The band asked for.
        band: String,
        /// The bands there are.
        available: Vec<String>,
        /// The nearest of them, where one is near.
        nearest: Option<String>,
    },
    /// A spool asked for rows or frames that it does not hold.
    #[error("temporary file in {}: {problem}", path.display())]
    Spool {
        /// The folder of the temporary file.
        path: PathBuf,
        /// What is wrong with the request.
        problem: String,
    },
}

impl IoError {
    /// What the user can do about it, in one sentence; `None` where the message says all.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Write { path, source } => Some(write_hint(path, source)),
            Self::Read { source, .. } => match source.kind() {
                io::ErrorKind::NotFound => Some("check the path".to_owned()),
                io::ErrorKind::PermissionDenied => Some("make the file readable for this user".to_owned()),
                _ => None,
            },
            Self::NotFits { .. } => Some("leave other files out of the folder, or rename them".to_owned()),
            Self::Truncated { .. } | Self::EndlessHeader { .. } | Self::Damaged { .. } => {
                Some("copy the file again from where it was taken; the rest of the night can be used without it".into())
            }
            Self::Cube { .. } => Some("split the cube into one file per image".to_owned()),
            Self::NoBand { nearest: Some(name), .. } => Some(format!("did you mean `{name}`?")),
            Self::NoBand { .. } => {
                Some("set photometry.band in the campaign file to one of these, or add the column".to_owned())
            }
            _ => None,
        }
    }

    pub(crate) fn read(path: &Path, source: io::Error) -> Self {
        Self::Read { path: path.to_owned(), source }
    }

    pub(crate) fn write(path: &Path, source: io::Error) -> Self {
        Self::Write { path: path.to_owned(), source }
    }

    pub(crate) fn damaged(path: &Path, problem: impl Into<String>) -> Self {
        Self::Damaged { path: path.to_owned(), problem: problem.into() }
    }

    pub(crate) fn keyword(path: &Path, keyword: impl Into<String>, problem: impl Into<String>) -> Self {
        Self::Keyword { path: path.to_owned(), keyword: keyword.into(), problem: problem.into() }
    }

    pub(crate) fn reference(path: &Path, problem: impl Into<String>) -> Self {
        Self::Reference { path: path.to_owned(), problem: problem.into() }
    }

    pub(crate) fn catalogue(path: &Path, problem: impl Into<String>) -> Self {
        Self::Catalogue { path: path.to_owned(), problem: problem.into() }
    }
}

/// The known name nearest to a misspelt one, if one is near enough to be meant: the same but for case, at most two
/// edits in a name of four letters or more, or a Jaro-Winkler similarity of 0.85.
pub(crate) fn nearest_name<'a>(wrong: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wrong_lower = wrong.to_lowercase();
    let score = |name: &str| {
        let name = name.to_lowercase();
        if name == wrong_lower {
            return 2.0;
        }
        let edits = strsim::damerau_levenshtein(&name, &wrong_lower);
        let similarity = strsim::jaro_winkler(&name, &wrong_lower);
        let near = similarity >= 0.85 || (edits <= 2 && name.len().min(wrong_lower.len()) >= 4);
        if near { similarity } else { 0.0 }
    };
    let mut best: Option<(f64, &str)> = None;
    for name in known {
        let s = score(name);
        if s > 0.0 && best.is_none_or(|(b, _)| s > b) {
            best = Some((s, name));
        }
    }
    best.map(|(_, name)| name)
}

fn list(names: &[String]) -> String {
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

fn write_hint(path: &Path, source: &io::Error) -> String {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match source.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => format!(
            "the disk is full: free some space on the disk of {}, or choose another folder, and run again; nothing was half-written",
            folder.display()
        ),
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            format!("choose a folder that this user may write to instead of {}", folder.display())
        }
        _ => format!("check that {} exists and can be written to", folder.display()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(wrong: &str, expected: Option<&str>) {
        let known = ["designation", "q_au", "a1_au_d2", "latitude_deg"];
        assert_eq!(nearest_name(wrong, known), expected, "{wrong}");
    }

    #[test]
    fn nearest_name_finds_relatives_and_nothing_else() {
        check("desigantion", Some("designation"));
        check("qau", Some("q_au"));
        check("a1_au_d", Some("a1_au_d2"));
        check("Latitude_Deg", Some("latitude_deg"));
        check("colour", None);
    }

    #[test]
    fn a_full_disk_says_what_to_do() {
        let error = IoError::write(Path::new("/data/out/night.json"), io::ErrorKind::StorageFull.into());
        assert!(error.to_string().contains("night.json"));
        assert!(error.hint().unwrap().contains("free some space on the disk of /data/out"));
    }
}
