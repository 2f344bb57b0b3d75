//! What persons measured by hand: sectors of a night's coma.
//!
//! A measurement is a person's work, which no program can make again: nothing deletes one. Undoing marks it, measuring its night again leaves it
//! as it is, and forgetting the night only takes the night from it. It keeps the checksums of the night's light frames, and is
//! that night's again as soon as one with a frame in common is taken in, in the same band.

use fanlight_sky::UtcInstant;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, named_params, params};
use serde::Serialize;

use super::error::{About, LedgerError};
use super::rows::NightRow;
use super::{Ledger, read};

/// A measurement to be kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NewMeasurement<'a> {
    /// Who made it.
    pub person: &'a str,
    /// What that person wants to say about it.
    pub note: Option<&'a str>,
    /// Position angle of the sector's middle.
    pub pa_deg: f64,
    /// Its full width.
    pub width_deg: f64,
    /// Where it begins.
    pub inner_arcsec: f64,
    /// Where it ends.
    pub outer_arcsec: f64,
    /// How much brighter it is than the rest of its rings, as a share of the coma.
    pub contrast: f64,
    /// Its error, 1σ.
    pub contrast_err: f64,
    /// Contrast over its error by noise.
    pub significance: Option<f64>,
    /// Chance of as much at this place, had it been named before anyone looked.
    pub probability_alone: Option<f64>,
    /// Chance of as much anywhere.
    pub probability_by_eye: Option<f64>,
    /// Checksum of the record that it was measured on.
    pub record_sha256: &'a str,
    /// Program and version that measured it.
    pub program: &'a str,
    /// Now.
    pub now: UtcInstant,
}

/// A measurement as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "as in NewMeasurement")]
pub struct MeasurementRow {
    /// Its number in this ledger.
    pub id: i64,
    /// Its night; `None` while that is forgotten.
    pub night_id: Option<i64>,
    /// Middle of that night as it was then.
    pub night_mid_utc: String,
    pub band: Option<String>,
    pub record_sha256: String,
    pub person: String,
    pub made_utc: String,
    pub note: Option<String>,
    pub pa_deg: f64,
    pub width_deg: f64,
    pub inner_arcsec: f64,
    pub outer_arcsec: f64,
    pub contrast: f64,
    pub contrast_err: f64,
    pub significance: Option<f64>,
    pub probability_alone: Option<f64>,
    pub probability_by_eye: Option<f64>,
    pub program: String,
    /// When it was undone; `None` where it stands.
    pub undone_utc: Option<String>,
}

impl Ledger {
    /// Keeps a person's measurement of a night.
    ///
    /// # Errors
    /// There is no such night, the measurement is none (an empty name, a number that cannot be), or the file cannot be written.
    pub fn add_measurement(&mut self, night: i64, new: &NewMeasurement<'_>) -> Result<MeasurementRow, LedgerError> {
        let Self { connection, path, folder } = self;
        if let Some(problem) = problem_of(new) {
            return Err(LedgerError::BadMeasurement { problem });
        }
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).about(path)?;
        let found = read::nights(&transaction, folder, Some(night)).about(path)?.pop();
        let found = found.ok_or_else(|| LedgerError::NoNight { path: path.clone(), id: night })?;
        let id = insert(&transaction, &found, new).about(path)?;
        let row = rows(&transaction, Which::One(id)).about(path)?.pop();
        let row = row.ok_or_else(|| LedgerError::damaged(path, format!("measurement {id} is not there")))?;
        transaction.commit().about(path)?;
        Ok(row)
    }

    /// Measurements of a night in the order in which they were made, those undone among them.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn measurements(&self, night: i64) -> Result<Vec<MeasurementRow>, LedgerError> {
        rows(&self.connection, Which::OfNight(night)).about(&self.path)
    }

    /// Every measurement in the order in which they were made, those undone and those of forgotten nights among them.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn all_measurements(&self) -> Result<Vec<MeasurementRow>, LedgerError> {
        rows(&self.connection, Which::All).about(&self.path)
    }

    /// Marks a measurement as undone. One that was undone before keeps the time of that.
    ///
    /// # Errors
    /// There is no such measurement, or the file cannot be written.
    pub fn undo_measurement(&mut self, id: i64, now: UtcInstant) -> Result<MeasurementRow, LedgerError> {
        self.mark(id, "UPDATE measurements SET undone_utc = coalesce(undone_utc, ?2) WHERE id = ?1", Some(now))
    }

    /// Takes that mark away again.
    ///
    /// # Errors
    /// As [`Ledger::undo_measurement`].
    pub fn restore_measurement(&mut self, id: i64) -> Result<MeasurementRow, LedgerError> {
        self.mark(id, "UPDATE measurements SET undone_utc = ?2 WHERE id = ?1", None)
    }

    fn mark(&mut self, id: i64, sql: &str, at: Option<UtcInstant>) -> Result<MeasurementRow, LedgerError> {
        let Self { connection, path, .. } = self;
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).about(path)?;
        transaction.execute(sql, params![id, at.map(|at| at.to_iso())]).about(path)?;
        let row = rows(&transaction, Which::One(id)).about(path)?.pop();
        let row = row.ok_or_else(|| LedgerError::NoMeasurement { path: path.clone(), id })?;
        transaction.commit().about(path)?;
        Ok(row)
    }
}

/// Why a measurement is none.
fn problem_of(new: &NewMeasurement<'_>) -> Option<String> {
    if new.person.trim().is_empty() {
        return Some("it does not say who made it".into());
    }
    let given = |value: Option<f64>| value.unwrap_or(0.0);
    let numbers = Numbers {
        sector: [new.pa_deg, new.width_deg, new.inner_arcsec, new.outer_arcsec],
        contrast: (new.contrast, new.contrast_err),
        significance: given(new.significance),
        probabilities: [given(new.probability_alone), given(new.probability_by_eye)],
    };
    numbers.problem()
}

/// What of a measurement can be wrong by itself.
struct Numbers {
    /// Position angle, width and radii.
    sector: [f64; 4],
    contrast: (f64, f64),
    significance: f64,
    probabilities: [f64; 2],
}

impl Numbers {
    fn problem(&self) -> Option<String> {
        let [pa_deg, width_deg, inner_arcsec, outer_arcsec] = self.sector;
        let (contrast, error) = self.contrast;
        let problem = if !(0.0..360.0).contains(&pa_deg) {
            format!("its position angle, {pa_deg}°, is not between 0° and 360°")
        } else if !(width_deg > 0.0 && width_deg <= 180.0) {
            format!("its width, {width_deg}°, is not between 0° and 180°")
        } else if !(inner_arcsec >= 0.0 && outer_arcsec > inner_arcsec && outer_arcsec.is_finite()) {
            format!("its radii, {inner_arcsec}″ and {outer_arcsec}″, are no sector's")
        } else if !(contrast.is_finite() && error > 0.0 && error.is_finite()) {
            format!("its contrast, {contrast} ± {error}, is no measurement")
        } else if !(self.significance.is_finite() && self.probabilities.iter().all(|p| (0.0..=1.0).contains(p))) {
            "its significance or a probability of it cannot be".into()
        } else {
            return None;
        };
        Some(problem)
    }
}

fn insert(transaction: &Transaction<'_>, night: &NightRow, new: &NewMeasurement<'_>) -> rusqlite::Result<i64> {
    transaction.execute(
        "INSERT INTO measurements (night_id, night_mid_utc, band, record_sha256, person, made_utc, note, pa_deg, width_deg, inner_arcsec,
            outer_arcsec, contrast, contrast_err, significance, probability_alone, probability_by_eye, program)
         VALUES (:night_id, :night_mid_utc, :band, :record_sha256, :person, :made_utc, :note, :pa_deg, :width_deg, :inner_arcsec,
            :outer_arcsec, :contrast, :contrast_err, :significance, :probability_alone, :probability_by_eye, :program)",
        named_params! {
            ":night_id": night.id,
            ":night_mid_utc": night.mid_utc,
            ":band": night.band,
            ":record_sha256": new.record_sha256,
            ":person": new.person,
            ":made_utc": new.now.to_iso(),
            ":note": new.note,
            ":pa_deg": new.pa_deg,
            ":width_deg": new.width_deg,
            ":inner_arcsec": new.inner_arcsec,
            ":outer_arcsec": new.outer_arcsec,
            ":contrast": new.contrast,
            ":contrast_err": new.contrast_err,
            ":significance": new.significance,
            ":probability_alone": new.probability_alone,
            ":probability_by_eye": new.probability_by_eye,
            ":program": new.program,
        },
    )?;
    let id = transaction.last_insert_rowid();
    let sql = "INSERT OR IGNORE INTO measured_frames SELECT ?1, sha256 FROM inputs WHERE night_id = ?2 AND role = 'light' AND sha256 <> ''";
    transaction.execute(sql, params![id, night.id])?;
    Ok(id)
}

/// Which measurements.
#[derive(Clone, Copy)]
pub(super) enum Which {
    One(i64),
    OfNight(i64),
    All,
}

pub(super) fn rows(connection: &Connection, which: Which) -> rusqlite::Result<Vec<MeasurementRow>> {
    let (clause, key) = match which {
        Which::One(id) => ("WHERE id = ?1", Some(id)),
        Which::OfNight(night) => ("WHERE night_id = ?1", Some(night)),
        Which::All => ("", None),
    };
    let mut statement = connection.prepare(&format!("SELECT * FROM measurements {clause} ORDER BY id"))?;
    let from = |row: &Row<'_>| {
        Ok(MeasurementRow {
            id: row.get("id")?,
            night_id: row.get("night_id")?,
            night_mid_utc: row.get("night_mid_utc")?,
            band: row.get("band")?,
            record_sha256: row.get("record_sha256")?,
            person: row.get("person")?,
            made_utc: row.get("made_utc")?,
            note: row.get("note")?,
            pa_deg: row.get("pa_deg")?,
            width_deg: row.get("width_deg")?,
            inner_arcsec: row.get("inner_arcsec")?,
            outer_arcsec: row.get("outer_arcsec")?,
            contrast: row.get("contrast")?,
            contrast_err: row.get("contrast_err")?,
            significance: row.get("significance")?,
            probability_alone: row.get("probability_alone")?,
            probability_by_eye: row.get("probability_by_eye")?,
            program: row.get("program")?,
            undone_utc: row.get("undone_utc")?,
        })
    };
    statement.query_map(rusqlite::params_from_iter(key), from)?.collect()
}

/// The measurements of nights that are about to be replaced.
pub(super) fn of_nights(connection: &Connection, nights: &[i64]) -> rusqlite::Result<Vec<i64>> {
    let mut statement = connection.prepare("SELECT id FROM measurements WHERE night_id = ?1")?;
    let mut out = Vec::new();
    for night in nights {
        for id in statement.query_map([night], |row| row.get(0))? {
            out.push(id?);
        }
    }
    Ok(out)
}

/// Gives a night that was taken in its measurements: those of the nights that it replaces, and those of forgotten nights of its band with
/// a light frame in common.
pub(super) fn attach(
    connection: &Connection,
    night: i64,
    replaced: &[i64],
    light_checksums: impl Iterator<Item = impl AsRef<str>>,
) -> rusqlite::Result<()> {
    let mut own = connection.prepare("UPDATE measurements SET night_id = ?1 WHERE id = ?2")?;
    for id in replaced {
        own.execute(params![night, id])?;
    }
    let mut by_content = connection.prepare(
        "UPDATE measurements SET night_id = ?1 WHERE night_id IS NULL AND band IS (SELECT band FROM nights WHERE id = ?1)
         AND id IN (SELECT measurement_id FROM measured_frames WHERE sha256 = ?2)",
    )?;
    for sha256 in light_checksums {
        by_content.execute(params![night, sha256.as_ref()])?;
    }
    Ok(())
}

/// What is wrong with a measurement, by itself and beside its night.
pub(super) fn problem(connection: &Connection, row: &MeasurementRow) -> rusqlite::Result<Option<String>> {
    let named = |problem: String| Some(format!("measurement {} of {}: {problem}", row.id, row.person));
    let given = |value: Option<f64>| value.unwrap_or(0.0);
    let numbers = Numbers {
        sector: [row.pa_deg, row.width_deg, row.inner_arcsec, row.outer_arcsec],
        contrast: (row.contrast, row.contrast_err),
        significance: given(row.significance),
        probabilities: [given(row.probability_alone), given(row.probability_by_eye)],
    };
    if let Some(problem) = numbers.problem() {
        return Ok(named(problem));
    }
    let times = [Some(&row.night_mid_utc), Some(&row.made_utc), row.undone_utc.as_ref()];
    if let Some(text) = times.into_iter().flatten().find(|text| UtcInstant::parse(text).is_err()) {
        return Ok(named(format!("`{text}` is no time")));
    }
    let Some(night) = row.night_id else { return Ok(None) };
    // frames calibrated anew have other checksums, but are of the same evening
    let sql = "SELECT band IS ?2 AND (abs(julianday(mid_utc) - julianday(?3)) < 1 OR EXISTS
                   (SELECT 1 FROM inputs JOIN measured_frames USING (sha256) WHERE night_id = ?1 AND measurement_id = ?4))
               FROM nights WHERE id = ?1";
    let key = params![night, row.band, row.night_mid_utc, row.id];
    let belongs = connection.query_row(sql, key, |row| row.get::<_, Option<bool>>(0)).optional()?.flatten();
    let belongs = belongs.unwrap_or(false);
    Ok(if belongs {
        None
    } else {
        named(format!("it was made on the night of {}, not on this one", row.night_mid_utc))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{Entry, NightFile};
    use std::path::Path;

    /// A disk that is full, played by SQLite's own limit on the file, as for nights.
    #[test]
    fn a_full_disk_costs_the_measurement_that_found_it_full_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("c.ledger.sqlite");
        let mut ledger = Ledger::open_or_create(&path).unwrap();
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/ledger/night");
        let night = NightFile::read(&file).unwrap();
        let now = night.mid();
        let entry = Entry { night: &night, band: Some("r"), side: None, campaign: None, now };
        let id = ledger.record_night(&entry).unwrap().id;
        let note = "n".repeat(50_000);
        let new = NewMeasurement {
            person: "Ada",
            note: Some(&note),
            pa_deg: 10.0,
            width_deg: 30.0,
            inner_arcsec: 5.0,
            outer_arcsec: 20.0,
            contrast: 0.02,
            contrast_err: 0.01,
            significance: None,
            probability_alone: None,
            probability_by_eye: None,
            record_sha256: night.sha256(),
            program: "fanlight test",
            now,
        };
        let first = ledger.add_measurement(id, &new).unwrap();
        let pages: i64 = ledger.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        for free in 0..10 {
            ledger.connection.pragma_update(None, "max_page_count", pages + free).unwrap();
            let error = ledger.add_measurement(id, &new).unwrap_err();
            assert!(matches!(error, LedgerError::Full { .. }), "{error}");
            assert_eq!(Ledger::open(&path).unwrap().all_measurements().unwrap(), std::slice::from_ref(&first));
        }
        // a mark may need a page
        ledger.connection.pragma_update(None, "max_page_count", pages).unwrap();
        if let Err(error) = ledger.undo_measurement(first.id, now) {
            assert!(matches!(error, LedgerError::Full { .. }), "{error}");
            assert_eq!(Ledger::open(&path).unwrap().all_measurements().unwrap(), std::slice::from_ref(&first));
        }
        assert_eq!(ledger.check().unwrap(), []);
        ledger.connection.pragma_update(None, "max_page_count", pages + 100).unwrap();
        assert_eq!(ledger.add_measurement(id, &new).unwrap().id, 2);
        assert!(ledger.undo_measurement(first.id, now).unwrap().undone_utc.is_some());
    }

    /// Another program holds the file for longer than anyone waits.
    #[test]
    fn a_locked_ledger_is_told_and_left_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("c.ledger.sqlite");
        let mut ledger = Ledger::open_or_create(&path).unwrap();
        ledger.connection.busy_timeout(std::time::Duration::from_millis(20)).unwrap();
        let other = Connection::open(&path).unwrap();
        other.execute_batch("BEGIN EXCLUSIVE").unwrap();
        let now = UtcInstant::parse("2031-06-01T12:00:00Z").unwrap();
        for error in [
            ledger.undo_measurement(1, now).unwrap_err(),
            ledger.restore_measurement(1).unwrap_err(),
            ledger.measurements(1).unwrap_err(),
        ] {
            assert!(matches!(error, LedgerError::Busy { .. }), "{error}");
            assert!(error.to_string().contains("in use by another program") && error.hint().is_some());
        }
        other.execute_batch("COMMIT").unwrap();
        assert!(matches!(ledger.undo_measurement(1, now).unwrap_err(), LedgerError::NoMeasurement { id: 1, .. }));
        assert_eq!(ledger.check().unwrap(), []);
    }
}
