//! Finding frames in a folder and sorting them by what their headers say. Only headers are read.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use fanlight_sky::UtcInstant;
use rayon::prelude::*;

use crate::error::IoError;
use crate::fits_read::{read_frame_header, with_source};
use crate::frame_kind::{self, FrameKind};
use crate::frame_times;
use crate::hdu::walk;
use crate::header::Header;

/// Endings of FITS files, in lower case; files with other endings are not looked at.
const ENDINGS: [&str; 8] = [".fits", ".fit", ".fts", ".fz", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz"];

/// Keywords of the filter's name.
const FILTER_KEYS: [&str; 3] = ["FILTER", "FILTNAM", "FILTER1"];

/// A frame that can be used, with what its header says.
#[derive(Debug, Clone)]
pub struct FrameFile {
    /// The file.
    pub path: PathBuf,
    /// Its path relative to the folder searched, with `/` on every system.
    pub name: String,
    /// What it was taken for.
    pub kind: FrameKind,
    /// Pixels along a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `EXPTIME`, else `EXPOSURE` or `XPOSURE`, in seconds whatever the unit in the file; between 0 and a day.
    pub exposure_s: Option<f64>,
    /// `FILTER`, else `FILTNAM` or `FILTER1`, trimmed and without quotes.
    pub filter: Option<String>,
    /// Start of the exposure, from `DATE-AVG`, `MJD-AVG`, `DATE-BEG`, `MJD-BEG`, `DATE-OBS` (with the time of day from
    /// `TIME-OBS` or `UT` where it is a date alone; the middle or the end where its comment says so), `DATE-END`,
    /// `MJD-OBS`, `MJD-END`, `MJD`, `JD-OBS` or `JD`, the first that is there.
    pub start: Option<UtcInstant>,
    /// Why there is no `start`.
    pub start_problem: Option<String>,
    /// What deserves a look though the frame can be used.
    pub notes: Vec<String>,
    /// The whole header.
    pub header: Header,
}

impl FrameFile {
    /// The middle of the exposure, where both its start and its length are known.
    pub fn mid(&self) -> Option<UtcInstant> {
        Some(self.start?.plus_seconds(self.exposure_s? / 2.0))
    }
}

/// A file that is left out, with the reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// Its path relative to the folder searched, with `/` on every system.
    pub file: String,
    /// Why, in one sentence that says what to do where something can be done.
    pub reason: String,
    /// What stands behind it.
    pub kind: SkippedKind,
}

/// What a file that is left out is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SkippedKind {
    /// No frame: not FITS, without an image, or of no kind that is known.
    NoFrame,
    /// A frame that cannot be read (empty, cut short, damaged, not to be opened), with the kind that its header names
    /// where that much can be read.
    Unreadable(Option<FrameKind>),
}

/// The frames of a folder, each list sorted by path.
#[derive(Debug, Clone, Default)]
pub struct FrameSet {
    /// Frames of the sky.
    pub lights: Vec<FrameFile>,
    /// Bias frames.
    pub biases: Vec<FrameFile>,
    /// Dark frames.
    pub darks: Vec<FrameFile>,
    /// Dark frames of the flats' exposure.
    pub flat_darks: Vec<FrameFile>,
    /// Flat fields.
    pub flats: Vec<FrameFile>,
    /// Files that were looked at and left out.
    pub skipped: Vec<Skipped>,
}

impl FrameSet {
    /// Whether there is no usable frame of any kind.
    pub fn is_empty(&self) -> bool {
        [&self.lights, &self.biases, &self.darks, &self.flat_darks, &self.flats].iter().all(|list| list.is_empty())
    }
}

/// Finds the FITS files under a folder and sorts them by kind. Sub-folders are searched; names that begin with a dot
/// are not; a folder reached twice through links is searched once. The order is the same every time.
///
/// # Errors
/// The folder itself is missing, is a file or cannot be listed. Anything wrong below it is in `skipped`.
pub fn find_frames(folder: &Path) -> Result<FrameSet, IoError> {
    list_frames(folder).map(FrameList::sort_out)
}

/// The FITS files of a folder, none of them opened.
#[derive(Debug, Clone, Default)]
pub struct FrameList {
    files: Vec<(String, PathBuf)>,
    skipped: Vec<Skipped>,
}

/// Lists what [`find_frames`] would look at, sorted.
///
/// # Errors
/// As [`find_frames`].
pub fn list_frames(folder: &Path) -> Result<FrameList, IoError> {
    let Search { files, skipped, .. } = Search::of(folder)?;
    Ok(FrameList { files, skipped })
}

impl FrameList {
    /// The files.
    pub fn paths(&self) -> impl Iterator<Item = &Path> {
        self.files.iter().map(|(_, path)| path.as_path())
    }

    /// Reads the headers and sorts the files by kind.
    pub fn sort_out(self) -> FrameSet {
        let looked_at: Vec<Result<FrameFile, Skipped>> =
            self.files.par_iter().map(|(name, path)| frame(name, path)).collect();
        let mut set = FrameSet { skipped: self.skipped, ..FrameSet::default() };
        for frame in looked_at {
            match frame {
                Ok(frame) => match frame.kind {
                    FrameKind::Light => set.lights.push(frame),
                    FrameKind::Bias => set.biases.push(frame),
                    FrameKind::Dark => set.darks.push(frame),
                    FrameKind::FlatDark => set.flat_darks.push(frame),
                    FrameKind::Flat => set.flats.push(frame),
                },
                Err(skipped) => set.skipped.push(skipped),
            }
        }
        set.skipped.sort_by(|a, b| a.file.cmp(&b.file));
        set
    }
}

/// Keywords of a stack's whole exposure, before those of a frame's.
const TOTAL_EXPOSURE_KEYS: [&str; 3] = ["TOTALEXP", "EXPTOTAL", "TOTEXP"];

/// One ready-made stack as a light frame, whatever kind its header names. Its exposure is the total that `TOTALEXP`,
/// `EXPTOTAL` or `TOTEXP` give, else that of a frame's keywords; without any it is taken for 1 s, which the notes say.
///
/// # Errors
/// Why the file is none that can be measured.
pub fn stack_file(path: &Path) -> Result<FrameFile, Skipped> {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let (header, alike) = read_frame_header(path).map_err(|e| unreadable(&name, path, &e))?;
    let mut notes = Vec::new();
    let total = TOTAL_EXPOSURE_KEYS.iter().find_map(|key| header.number(key)).filter(|s| *s > 0.0 && s.is_finite());
    let exposure_s = total.or_else(|| frame_times::exposure_s(&header, &mut notes)).filter(|s| *s > 0.0);
    if exposure_s.is_none() {
        notes.push(
            "no exposure time in the header; 1 s was taken, so rates and zero points are in arbitrary units, and magnitudes \
             tied to stars in the same image are not touched"
                .to_owned(),
        );
    }
    let exposure_s = exposure_s.unwrap_or(1.0);
    of_kind(&name, path, (header, alike), (FrameKind::Light, Some(exposure_s)), notes).map_err(|r| no_frame(&name, r))
}

struct Search<'a> {
    root: &'a Path,
    seen: BTreeSet<PathBuf>,
    files: Vec<(String, PathBuf)>,
    skipped: Vec<Skipped>,
}

impl<'a> Search<'a> {
    fn of(folder: &'a Path) -> Result<Self, IoError> {
        if !folder.exists() {
            return Err(IoError::Folder { path: folder.to_owned(), problem: "does not exist".to_owned() });
        }
        if !folder.is_dir() {
            return Err(IoError::Folder { path: folder.to_owned(), problem: "is a file, not a folder".to_owned() });
        }
        let mut search = Self { root: folder, seen: BTreeSet::new(), files: Vec::new(), skipped: Vec::new() };
        search.folder(folder).map_err(|e| IoError::read(folder, e))?;
        search.files.sort();
        Ok(search)
    }

    fn folder(&mut self, folder: &Path) -> std::io::Result<()> {
        if !self.seen.insert(fs::canonicalize(folder)?) {
            return Ok(());
        }
        let mut paths = fs::read_dir(folder)?.map(|e| Ok(e?.path())).collect::<std::io::Result<Vec<_>>>()?;
        paths.sort();
        for path in paths {
            let file_name = path.file_name().map(|n| n.to_string_lossy().to_lowercase()).unwrap_or_default();
            if file_name.starts_with('.') {
                continue;
            }
            let name = relative(self.root, &path);
            if path.is_dir() {
                if let Err(error) = self.folder(&path) {
                    self.skipped.push(no_frame(&name, format!("the folder cannot be listed: {error}")));
                }
            } else if ENDINGS.iter().any(|e| file_name.ends_with(e)) {
                self.files.push((name, path));
            }
        }
        Ok(())
    }
}

fn relative(root: &Path, path: &Path) -> String {
    let parts = path.strip_prefix(root).unwrap_or(path).components();
    parts.map(|c| c.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

fn no_frame(name: &str, reason: String) -> Skipped {
    Skipped { file: name.to_owned(), reason, kind: SkippedKind::NoFrame }
}

/// Why a file could not be read as a frame. The reason does not repeat the file's path.
fn unreadable(name: &str, path: &Path, error: &IoError) -> Skipped {
    let reason = error.to_string().replace(&path.display().to_string(), "the file");
    let is_empty = fs::metadata(path).is_ok_and(|m| m.len() == 0);
    let no_frame = match error {
        IoError::NotFits { .. } => !is_empty,
        IoError::NoImage { .. } | IoError::Cube { .. } => true,
        _ => false,
    };
    let kind = if no_frame { SkippedKind::NoFrame } else { SkippedKind::Unreadable(kind_of_damaged(name, path)) };
    Skipped { file: name.to_owned(), reason, kind }
}

/// The kind that the first header of a damaged file names; `None` where there is none to read.
fn kind_of_damaged(name: &str, path: &Path) -> Option<FrameKind> {
    let kind = |header: &Header| frame_kind::kind(header, name, &mut Vec::new()).ok();
    with_source(path, |source, len| walk(source, len, path, |hdu| Ok(kind(&hdu.header)))).ok().flatten()
}

/// One frame from its header, or why it is left out.
fn frame(name: &str, path: &Path) -> Result<FrameFile, Skipped> {
    let read = read_frame_header(path).map_err(|e| unreadable(name, path, &e))?;
    of_header(name, path, read).map_err(|reason| no_frame(name, reason))
}

fn of_header(name: &str, path: &Path, (header, alike): (Header, usize)) -> Result<FrameFile, String> {
    let mut notes = Vec::new();
    let kind = frame_kind::kind(&header, name, &mut notes)?;
    let exposure_s = frame_times::exposure_s(&header, &mut notes);
    of_kind(name, path, (header, alike), (kind, exposure_s), notes)
}

fn of_kind(
    name: &str,
    path: &Path,
    (header, alike): (Header, usize),
    (kind, exposure_s): (FrameKind, Option<f64>),
    mut notes: Vec<String>,
) -> Result<FrameFile, String> {
    let size = |key| header.integer(key).and_then(|n| usize::try_from(n).ok()).ok_or(format!("{key} is not a size"));
    let (width, height) = (size("NAXIS1")?, size("NAXIS2")?);
    if alike > 0 {
        let taken = header.text("EXTNAME").map_or_else(|| "the first".to_owned(), |n| format!("the first, \"{n}\","));
        notes.push(format!("the file holds {} images of one size; {taken} was taken", alike + 1));
    }
    let (start, start_problem) = match frame_times::start(&header, exposure_s, &mut notes) {
        Ok(start) => (Some(start), None),
        Err(problem) => (None, Some(problem)),
    };
    let filter = FILTER_KEYS.iter().find_map(|key| filter_name(&header.text(key)?));
    let (path, name) = (path.to_owned(), name.to_owned());
    Ok(FrameFile { path, name, kind, width, height, exposure_s, filter, start, start_problem, notes, header })
}

/// A filter's name without the quotes that some programs put round it, and with single spaces.
fn filter_name(text: &str) -> Option<String> {
    let mut name = text.trim();
    for quote in ['\'', '"'] {
        // a trailing quote alone belongs to the name: r'
        if let Some(inner) = name.strip_prefix(quote).and_then(|n| n.strip_suffix(quote)) {
            name = inner;
        }
    }
    let name = name.split_whitespace().collect::<Vec<_>>().join(" ");
    (!name.is_empty()).then_some(name)
}

/// Whether two filter names mean one filter: alike but for case and for blanks, hyphens and underscores; names of one letter
/// only when they are the same, since r and R, i and I are different filters.
pub fn same_filter(a: &str, b: &str) -> bool {
    let letters = |name: &str| name.chars().filter(|c| !matches!(c, ' ' | '-' | '_')).collect::<String>();
    let (a, b) = (letters(a), letters(b));
    let is_long = |name: &str| name.chars().filter(|c| c.is_alphanumeric()).count() > 1;
    a == b || (is_long(&a) && is_long(&b) && a.to_lowercase() == b.to_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filter_names_as_programs_write_them() {
        for (written, name) in [
            (" Sloan  r ", Some("Sloan r")),
            ("'R'", Some("R")),
            ("\"Lum\"", Some("Lum")),
            ("r'", Some("r'")),
            ("''", None),
            ("  ", None),
        ] {
            assert_eq!(filter_name(written).as_deref(), name, "{written}");
        }
        for (a, b, same) in [
            ("Sloan r", "SLOAN_R", true),
            ("Luminance", "luminance", true),
            ("r", "R", false),
            ("r'", "r'", true),
            ("r'", "R'", false),
            ("V", "V", true),
            ("Red", "R", false),
        ] {
            assert_eq!(same_filter(a, b), same, "{a} {b}");
        }
    }
}
