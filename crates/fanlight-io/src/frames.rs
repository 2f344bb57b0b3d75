//! Finding frames in a folder and sorting them by what their headers say. Only headers are read.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use fanlight_sky::UtcInstant;
use rayon::prelude::*;

use crate::error::IoError;
use crate::fits_read::read_header;
use crate::header::Header;

/// Endings of FITS files, in lower case; files with other endings are not looked at.
const ENDINGS: [&str; 8] = [".fits", ".fit", ".fts", ".fz", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz"];

/// Keywords that say what kind of frame a file is, the contract's own first.
const KIND_KEYS: [&str; 4] = ["IMAGETYP", "OBSTYPE", "FRAMETYP", "FRAME"];

/// Keywords that hold the time of day where `DATE-OBS` is a date alone.
const TIME_KEYS: [&str; 4] = ["TIME-OBS", "UT", "UTSTART", "UT-START"];

/// Longest exposure that is believed: a day.
const LONGEST_EXPOSURE_S: f64 = 86_400.0;

/// What a frame was taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FrameKind {
    /// The sky.
    Light,
    /// No light, shortest exposure.
    Bias,
    /// No light, some exposure.
    Dark,
    /// An evenly lit field.
    Flat,
}

impl FrameKind {
    /// The kind that an `IMAGETYP` value names: in any case, with or without the noun (`Light Frame`, `FLAT`,
    /// `Flat Field`, `master bias`, `zero`, `object`); `None` when it names none of them.
    pub fn from_imagetyp(text: &str) -> Option<Self> {
        let letters: String = text.chars().filter(|c| c.is_alphabetic()).collect::<String>().to_lowercase();
        let mut word = letters.strip_prefix("master").unwrap_or(&letters);
        for noun in ["frame", "field", "image", "exposure", "exp", "sub"] {
            word = word.strip_suffix(noun).filter(|rest| !rest.is_empty()).unwrap_or(word);
        }
        match word {
            "light" | "object" | "science" | "target" => Some(Self::Light),
            "bias" | "zero" | "offset" => Some(Self::Bias),
            "dark" | "darkflat" | "flatdark" => Some(Self::Dark),
            "flat" | "skyflat" | "domeflat" | "twilightflat" | "panelflat" | "twilight" => Some(Self::Flat),
            _ => None,
        }
    }
}

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
    /// `EXPTIME`, else `EXPOSURE`; between 0 and a day.
    pub exposure_s: Option<f64>,
    /// `FILTER`, trimmed.
    pub filter: Option<String>,
    /// Start of the exposure: `DATE-AVG` less half the exposure, else `DATE-BEG`, else `DATE-OBS` (with the time of
    /// day from `TIME-OBS` or `UT` where it is a date alone).
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
    /// Flat fields.
    pub flats: Vec<FrameFile>,
    /// Files that were looked at and left out.
    pub skipped: Vec<Skipped>,
}

impl FrameSet {
    /// Whether there is no usable frame of any kind.
    pub fn is_empty(&self) -> bool {
        self.lights.is_empty() && self.biases.is_empty() && self.darks.is_empty() && self.flats.is_empty()
    }
}

/// Finds the FITS files under a folder and sorts them by kind. Sub-folders are searched; names that begin with a dot
/// are not; a folder reached twice through links is searched once. The order is the same every time.
///
/// # Errors
/// The folder itself is missing, is a file or cannot be listed. Anything wrong below it is in `skipped`.
pub fn find_frames(folder: &Path) -> Result<FrameSet, IoError> {
    let Search { files, skipped, .. } = Search::of(folder)?;
    let looked_at: Vec<Result<FrameFile, Skipped>> =
        files.par_iter().map(|(name, path)| frame(name, path).map_err(|reason| skip(name, reason))).collect();
    let mut set = FrameSet { skipped, ..FrameSet::default() };
    for frame in looked_at {
        match frame {
            Ok(frame) => match frame.kind {
                FrameKind::Light => set.lights.push(frame),
                FrameKind::Bias => set.biases.push(frame),
                FrameKind::Dark => set.darks.push(frame),
                FrameKind::Flat => set.flats.push(frame),
            },
            Err(skipped) => set.skipped.push(skipped),
        }
    }
    set.skipped.sort_by(|a, b| a.file.cmp(&b.file));
    Ok(set)
}

/// The FITS files that [`find_frames`] would look at, sorted, without opening any.
///
/// # Errors
/// As [`find_frames`].
pub fn frame_files(folder: &Path) -> Result<Vec<PathBuf>, IoError> {
    Ok(Search::of(folder)?.files.into_iter().map(|(_, path)| path).collect())
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
                    self.skipped.push(skip(&name, format!("the folder cannot be listed: {error}")));
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

fn skip(name: &str, reason: String) -> Skipped {
    Skipped { file: name.to_owned(), reason }
}

/// One frame from its header, or why it is left out.
fn frame(name: &str, path: &Path) -> Result<FrameFile, String> {
    let header = read_header(path).map_err(|e| e.to_string())?;
    let kind = kind(&header)?;
    let size = |key| header.integer(key).and_then(|n| usize::try_from(n).ok()).ok_or(format!("{key} is not a size"));
    let (width, height) = (size("NAXIS1")?, size("NAXIS2")?);
    let mut notes = Vec::new();
    let exposure_s = header.first_number(&["EXPTIME", "EXPOSURE"]).and_then(|(key, seconds)| {
        let possible = (0.0..=LONGEST_EXPOSURE_S).contains(&seconds);
        if !possible {
            notes.push(format!(
                "{key} is {seconds:?} s and was not used; an exposure lasts 0 to {LONGEST_EXPOSURE_S} s"
            ));
        }
        possible.then_some(seconds)
    });
    let (start, start_problem) = match start(&header, exposure_s, &mut notes) {
        Ok(start) => (Some(start), None),
        Err(problem) => (None, Some(problem)),
    };
    let filter = header.text("FILTER");
    let (path, name) = (path.to_owned(), name.to_owned());
    Ok(FrameFile { path, name, kind, width, height, exposure_s, filter, start, start_problem, notes, header })
}

fn kind(header: &Header) -> Result<FrameKind, String> {
    let advice = "set IMAGETYP to Light Frame, Bias Frame, Dark Frame or Flat Field";
    let Some((key, text)) = KIND_KEYS.iter().find_map(|key| Some((key, header.text(key)?))) else {
        return Err(format!("no IMAGETYP says what kind of frame this is; {advice}"));
    };
    FrameKind::from_imagetyp(&text).ok_or_else(|| format!("{key} '{text}' is no kind of frame that is known; {advice}"))
}

/// The start of the exposure, or why it is not known.
fn start(header: &Header, exposure_s: Option<f64>, notes: &mut Vec<String>) -> Result<UtcInstant, String> {
    let system = header.text("TIMESYS").unwrap_or_else(|| "UTC".to_owned()).to_uppercase();
    if !matches!(system.as_str(), "UTC" | "UT" | "UT1" | "GMT") {
        return Err(format!("TIMESYS is {system}; times must be UTC"));
    }
    if header.text("DATE-AVG").is_some() {
        let mid = instant(header, "DATE-AVG")?;
        return Ok(mid.plus_seconds(-exposure_s.unwrap_or(0.0) / 2.0));
    }
    let key = ["DATE-BEG", "DATE-OBS"].into_iter().find(|key| header.text(key).is_some());
    let Some(key) = key else {
        return Err("no DATE-OBS says when the exposure began; set it in UTC".to_owned());
    };
    let start = instant(header, key)?;
    let comment = header.comment(key).unwrap_or_default().to_lowercase();
    let said = comment.split(|c: char| !c.is_alphabetic()).find(|word| {
        matches!(*word, "mid" | "middle" | "midpoint" | "midexposure" | "end" | "ending" | "centre" | "center")
    });
    if let Some(word) = said {
        notes.push(format!(
            "the comment of {key} says \"{word}\", but it was taken for the start of the exposure; use DATE-AVG for the middle"
        ));
    }
    Ok(start)
}

fn instant(header: &Header, key: &str) -> Result<UtcInstant, String> {
    refuse_local(header, key)?;
    let mut text = header.text(key).unwrap_or_default();
    if !text.contains(':') {
        let Some(time_key) = TIME_KEYS.into_iter().find(|key| header.text(key).is_some_and(|t| t.contains(':'))) else {
            return Err(format!("{key} '{text}' is a date without a time of day, and there is no TIME-OBS or UT"));
        };
        refuse_local(header, time_key)?;
        text = format!("{text}T{}", header.text(time_key).unwrap_or_default());
    }
    UtcInstant::parse(&text).map_err(|e| format!("{key}: {e}"))
}

fn refuse_local(header: &Header, key: &str) -> Result<(), String> {
    let comment = header.comment(key).unwrap_or_default();
    let local = comment.to_lowercase().split(|c: char| !c.is_alphabetic()).any(|word| word == "local");
    match local {
        true => Err(format!("the comment of {key} says local time (\"{comment}\"); times must be UTC")),
        false => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::header::{CardValue, HeaderCard};

    #[test]
    fn kinds_by_many_names() {
        let check = |names: &[&str], kind| {
            for name in names {
                assert_eq!(FrameKind::from_imagetyp(name), kind, "{name}");
            }
        };
        check(&["Light Frame", "LIGHT", "light", "Object", "Light_Frame", "science"], Some(FrameKind::Light));
        check(&["Bias Frame", "bias", "ZERO", "Master Bias", "Zero Frame"], Some(FrameKind::Bias));
        check(&["Dark Frame", "DARK", "MasterDark", "Dark Flat"], Some(FrameKind::Dark));
        check(
            &["Flat Field", "flat", "FLATFIELD", "Flat Frame", "Sky Flat", "master flat field"],
            Some(FrameKind::Flat),
        );
        check(&["", "Frame", "test", "focus", "1", "ünknown"], None);
    }

    fn header(cards: &[(&str, &str, &str)]) -> Header {
        let card = |(key, value, comment): &(&str, &str, &str)| HeaderCard {
            key: (*key).to_owned(),
            value: Some(CardValue::Text((*value).to_owned())),
            comment: (*comment).to_owned(),
        };
        Header::from_cards(cards.iter().map(card).collect())
    }

    fn check(cards: &[(&str, &str, &str)], expected: Result<&str, &str>) {
        let mut notes = Vec::new();
        match (start(&header(cards), Some(60.0), &mut notes), expected) {
            (Ok(found), Ok(iso)) => assert_eq!(found.to_iso(), iso, "{cards:?}"),
            (Err(problem), Err(part)) => assert!(problem.contains(part), "{problem}"),
            (found, expected) => panic!("{cards:?}: {found:?}, not {expected:?}"),
        }
    }

    #[test]
    fn start_of_the_exposure_as_programs_write_it() {
        let t = "2031-03-04T21:10:00.000Z";
        check(&[("DATE-OBS", "2031-03-04T21:10:00", "UTC, start of exposure")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04T21:10:00.000Z", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04 21:10:00", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04", ""), ("TIME-OBS", "21:10:00.0", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04", ""), ("UT", "21:10:00", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04T20:00:00", ""), ("DATE-AVG", "2031-03-04T21:10:30", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04T20:00:00", ""), ("DATE-BEG", "2031-03-04T21:10:00", "")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04T21:10:00", "localised format, recommended")], Ok(t));
        check(&[("DATE-OBS", "2031-03-04T21:10:00", "Local time of exposure")], Err("local time"));
        check(&[("DATE-OBS", "2031-03-04", ""), ("TIME-OBS", "21:10:00", "local")], Err("TIME-OBS says local"));
        check(&[("DATE-OBS", "2031-03-04", "")], Err("without a time of day"));
        check(&[("DATE-OBS", "yesterday", ""), ("UT", "21:10:00", "")], Err("DATE-OBS: \"yesterdayT21:10:00\""));
        check(&[("DATE-OBS", "2031-03-04T21:10:00", ""), ("TIMESYS", "TAI", "")], Err("TIMESYS is TAI"));
        check(&[("OBJECT", "x", "")], Err("no DATE-OBS"));
    }

    #[test]
    fn a_comment_that_says_middle_is_noted() {
        let mut notes = Vec::new();
        let header = header(&[("DATE-OBS", "2031-03-04T21:10:00", "mid-exposure")]);
        assert!(start(&header, Some(60.0), &mut notes).is_ok());
        assert!(notes[0].contains("\"mid\""), "{notes:?}");
    }
}
