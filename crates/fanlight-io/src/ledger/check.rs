//! Whether a ledger is whole, and still says what the nights' folders say.

use std::fmt;
use std::path::Path;

use fanlight_record::NightRecord;
use rusqlite::Connection;

use super::error::{About, LedgerError};
use super::night_file::Times;
use super::rows::{NightRow, Tables};
use super::{Ledger, is_same_object, measurements, object, read};
use crate::checksum::{sha256_bytes, sha256_file};

/// Something that is wrong with a ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The night; `None` where it is the file as a whole.
    pub night: Option<i64>,
    /// What is wrong, and what to do.
    pub what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.night {
            Some(id) => write!(f, "night {id}: {}", self.what),
            None => f.write_str(&self.what),
        }
    }
}

impl Ledger {
    /// Holds the file against SQLite's own checks, every night's rows against its record, and its record against night.json in its
    /// folder, where that is still there; and what persons measured against the night that it is kept with. Nothing is changed.
    ///
    /// # Errors
    /// The file cannot be read at all.
    pub fn check(&mut self) -> Result<Vec<Problem>, LedgerError> {
        let Self { connection, path, folder } = self;
        // one transaction: what another process writes meanwhile is not half seen
        let transaction = connection.transaction().about(path)?;
        let mut problems = of_the_file(&transaction).about(path)?;
        let nights = read::nights(&transaction, folder, None).about(path)?;
        let object = object(&transaction).about(path)?;
        if object.is_none() && !nights.is_empty() {
            problems.push(Problem { night: None, what: "it does not say which comet its nights are of".to_owned() });
        }
        for night in &nights {
            let found = of_a_night(&transaction, night, object.as_deref()).about(path)?;
            problems.extend(found.into_iter().map(|what| Problem { night: Some(night.id), what }));
        }
        for row in measurements::rows(&transaction, measurements::Which::All).about(path)? {
            let found = measurements::problem(&transaction, &row).about(path)?;
            problems.extend(found.map(|what| Problem { night: row.night_id, what }));
        }
        Ok(problems)
    }
}

/// SQLite's own checks: pages, indices and types, and rows that hang on none.
fn of_the_file(connection: &Connection) -> rusqlite::Result<Vec<Problem>> {
    let mut statement = connection.prepare("PRAGMA integrity_check")?;
    let said: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let mut problems: Vec<Problem> =
        said.into_iter().filter(|text| text != "ok").map(|what| Problem { night: None, what }).collect();
    let mut statement = connection.prepare("SELECT DISTINCT \"table\" FROM pragma_foreign_key_check")?;
    let tables: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let orphans = |table| Problem { night: None, what: format!("table {table} has rows of a night that is not there") };
    problems.extend(tables.into_iter().map(orphans));
    Ok(problems)
}

fn of_a_night(connection: &Connection, night: &NightRow, object: Option<&str>) -> rusqlite::Result<Vec<String>> {
    const AGAIN: &str = "import it again from its folder";
    let Some(text) = read::record_text(connection, night.id)? else {
        return Ok(vec![format!("its record is missing; {AGAIN}")]);
    };
    let mut problems = Vec::new();
    if sha256_bytes(text.as_bytes()) != night.record_sha256 {
        problems.push(format!("its record is not the one whose checksum was kept; {AGAIN}"));
    }
    let record: NightRecord = match serde_json::from_str(&text) {
        Ok(record) => record,
        Err(e) => {
            problems.push(format!("its record cannot be read ({e}); {AGAIN}"));
            return Ok(problems);
        }
    };
    if object.is_some_and(|object| !is_same_object(object, &record.object)) {
        problems.push(format!("it is a night of {}; forget it", record.object));
    }
    match Times::of(&record) {
        Ok(times) if NightRow::of(&record, &times, night.beside()) == *night => {}
        Ok(_) => problems.push(format!("its row is not what its record says; {AGAIN}")),
        Err(problem) => problems.push(format!("{problem}; forget it")),
    }
    let stored = Tables {
        frames: read::frames(connection, Some(night.id))?,
        photometry: read::photometry(connection, Some(night.id))?,
        features: read::features(connection, Some(night.id))?,
        inputs: read::inputs(connection, Some(night.id))?,
    };
    let due = Tables::of(&record, night.id);
    for (table, is_whole) in [
        ("frames", stored.frames == due.frames),
        ("photometry", stored.photometry == due.photometry),
        ("features", stored.features == due.features),
        ("inputs", stored.inputs == due.inputs),
    ] {
        if !is_whole {
            problems.push(format!("its {table} are not what its record says; {AGAIN}"));
        }
    }
    problems.extend(night.out_dir.as_deref().and_then(|folder| of_its_folder(folder, night)));
    Ok(problems)
}

/// A folder that is gone is no problem: the ledger holds the record.
fn of_its_folder(folder: &Path, night: &NightRow) -> Option<String> {
    let file = folder.join("night.json");
    if !file.is_file() {
        return None;
    }
    match sha256_file(&file) {
        Ok(sha256) if sha256 == night.record_sha256 => None,
        Ok(_) => Some(format!("{} is no longer the record that was taken in; import it again", file.display())),
        Err(e) => Some(e.to_string()),
    }
}
