//! A night's record as it comes to the ledger: the file's text, byte for byte, and what it says.

use std::fs;
use std::path::{Path, PathBuf};

use fanlight_record::{NIGHT_SCHEMA, NightRecord};
use fanlight_sky::UtcInstant;
use serde::Deserialize;

use super::error::LedgerError;
use super::is_same_object;
use crate::checksum::sha256_bytes;

/// The record's usual name.
const USUAL_NAME: &str = "night.json";
/// By how much a night's middle may lie outside its frames' middles: rounding to the millisecond, with room.
const ROUNDING_S: f64 = 1.0;

/// A night's record, read and checked.
#[derive(Debug, Clone)]
pub struct NightFile {
    path: PathBuf,
    text: String,
    sha256: String,
    record: NightRecord,
    times: Times,
}

/// A night's instants.
#[derive(Debug, Clone, Copy)]
pub(super) struct Times {
    pub(super) first: UtcInstant,
    pub(super) mid: UtcInstant,
    pub(super) last: UtcInstant,
}

/// What tells the kind of a record.
#[derive(Deserialize)]
struct Kind {
    schema: String,
}

impl NightFile {
    /// Reads a `night.json`, or that of a night's folder.
    ///
    /// # Errors
    /// It is not there, is no record of a night, contradicts itself in time, or lists no light frame with a checksum, by
    /// which the ledger tells nights apart.
    pub fn read(path: &Path) -> Result<Self, LedgerError> {
        let path = if path.is_dir() { path.join(USUAL_NAME) } else { path.to_owned() };
        let bad = |problem: String| LedgerError::BadRecord { path: path.clone(), problem };
        let bytes = fs::read(&path).map_err(|e| bad(format!("cannot be read: {e}")))?;
        let sha256 = sha256_bytes(&bytes);
        let text = String::from_utf8(bytes).map_err(|_| bad("is not UTF-8 text".to_owned()))?;
        let kind: Kind = serde_json::from_str(&text).map_err(|e| bad(format!("is not the record of a night: {e}")))?;
        if kind.schema != NIGHT_SCHEMA {
            return Err(bad(format!("has the schema \"{}\"; the ledger takes \"{NIGHT_SCHEMA}\"", kind.schema)));
        }
        let record: NightRecord = serde_json::from_str(&text).map_err(|e| {
            bad(format!("is not a whole record of a night: {e}, behind `{}`", text_before(&text, e.line(), e.column())))
        })?;
        let times = Times::of(&record).map_err(bad)?;
        if record.light_checksums().next().is_none() {
            return Err(bad(
                "lists no light frame with its checksum, so it cannot be told from other nights".to_owned()
            ));
        }
        Ok(Self { text, sha256, record, times, path })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What it says.
    pub fn record(&self) -> &NightRecord {
        &self.record
    }

    /// SHA-256 of the file, hexadecimal.
    pub fn sha256(&self) -> &str {
        &self.sha256
    }

    /// The exposure-weighted middle of the night.
    pub fn mid(&self) -> UtcInstant {
        self.times.mid
    }

    /// Refuses a night of another comet than this one.
    ///
    /// # Errors
    /// It is of another one.
    pub fn must_be_of(&self, object: &str) -> Result<(), LedgerError> {
        if is_same_object(object, &self.record.object) {
            return Ok(());
        }
        let problem = format!("is a night of {}, not of {object}", self.record.object);
        Err(LedgerError::BadRecord { path: self.path.clone(), problem })
    }

    pub(super) fn text(&self) -> &str {
        &self.text
    }

    pub(super) fn times(&self) -> Times {
        self.times
    }

    /// The folder of the night's products; `None` of a record that lies by itself under another name.
    pub(super) fn folder(&self) -> Option<&Path> {
        let is_usual = self.path.file_name().is_some_and(|name| name == USUAL_NAME);
        self.path.parent().filter(|_| is_usual)
    }
}

/// The end of what stands before a place in a text, within its line: the key whose value is wrong.
fn text_before(text: &str, line: usize, column_bytes: usize) -> String {
    const LONGEST_BYTES: usize = 60;
    let line = text.lines().nth(line.saturating_sub(1)).unwrap_or_default().as_bytes();
    let end = column_bytes.min(line.len());
    String::from_utf8_lossy(&line[end.saturating_sub(LONGEST_BYTES)..end]).trim().to_owned()
}

impl Times {
    pub(super) fn of(record: &NightRecord) -> Result<Self, String> {
        let instant = |key: &str, text: &str| UtcInstant::parse(text).map_err(|e| format!("{key}: {e}"));
        let times = Self {
            first: instant("stack.first_utc", &record.stack.first_utc)?,
            mid: instant("mid_utc", &record.mid_utc)?,
            last: instant("stack.last_utc", &record.stack.last_utc)?,
        };
        let [first, mid, last] = [times.first, times.mid, times.last].map(|t| t.to_iso());
        if times.last.seconds_since(&times.first) < 0.0 {
            return Err(format!("its last frame ({last}) is earlier than its first ({first})"));
        }
        let too_early = times.first.seconds_since(&times.mid) > ROUNDING_S;
        if too_early || times.mid.seconds_since(&times.last) > ROUNDING_S {
            return Err(format!("its middle ({mid}) is not between its first frame ({first}) and its last ({last})"));
        }
        Ok(times)
    }
}
