//! Reading nights: light rows for a whole campaign, and whole records.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use fanlight_record::NightRecord;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row};

use super::error::{About, LedgerError};
use super::rows::*;
use super::{Ledger, Side};

impl Ledger {
    /// Every night in order of time, without its measurements.
    ///
    /// # Errors
    /// The file cannot be read.
    ///
    /// # Accuracy
    /// 4 ms for 1000 nights (`benches/records/ledger.md`).
    pub fn nights(&self) -> Result<Vec<NightRow>, LedgerError> {
        nights(&self.connection, &self.folder, None).about(&self.path)
    }

    /// Apertures of every night, nights in order of their numbers, apertures as in their records.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn photometry(&self) -> Result<Vec<PhotometryRow>, LedgerError> {
        photometry(&self.connection, None).about(&self.path)
    }

    /// Features of every night with their challenges, nights in order of their numbers, features as in their records.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn features(&self) -> Result<Vec<FeatureRow>, LedgerError> {
        features(&self.connection, None).about(&self.path)
    }

    /// Light frames of a night.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn frames(&self, id: i64) -> Result<Vec<FrameRow>, LedgerError> {
        frames(&self.connection, Some(id)).about(&self.path)
    }

    /// The files that a night was made from.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn inputs(&self, id: i64) -> Result<Vec<InputRow>, LedgerError> {
        inputs(&self.connection, Some(id)).about(&self.path)
    }

    /// The whole record of a night.
    ///
    /// # Errors
    /// There is no such night, or what it holds is no record of one.
    pub fn record(&self, id: i64) -> Result<NightRecord, LedgerError> {
        let text = record_text(&self.connection, id).about(&self.path)?;
        let text = text.ok_or_else(|| LedgerError::NoNight { path: self.path.clone(), id })?;
        serde_json::from_str(&text)
            .map_err(|e| LedgerError::damaged(&self.path, format!("the record of night {id} cannot be read: {e}")))
    }
}

/// A night's record as it was taken in.
pub(super) fn record_text(connection: &Connection, id: i64) -> rusqlite::Result<Option<String>> {
    connection.query_row("SELECT json FROM records WHERE night_id = ?1", [id], |row| row.get(0)).optional()
}

/// Nights in order of time; one or all.
pub(super) fn nights(connection: &Connection, folder: &Path, id: Option<i64>) -> rusqlite::Result<Vec<NightRow>> {
    let from = |row: &Row<'_>| {
        let out_dir: Option<String> = row.get("out_dir")?;
        Ok(NightRow {
            id: row.get("id")?,
            mid_utc: row.get("mid_utc")?,
            first_utc: row.get("first_utc")?,
            last_utc: row.get("last_utc")?,
            site: row.get("site")?,
            longitude_deg: row.get("longitude_deg")?,
            latitude_deg: row.get("latitude_deg")?,
            telescope: row.get("telescope")?,
            band: row.get("band")?,
            r_au: row.get("r_au")?,
            delta_au: row.get("delta_au")?,
            phase_deg: row.get("phase_deg")?,
            sunward_pa_deg: row.get("sunward_pa_deg")?,
            side: row.get("side")?,
            n_frames: row.get("n_frames")?,
            exposure_s: row.get("exposure_s")?,
            analysed: row.get("analysed")?,
            simulated: row.get("simulated")?,
            out_dir: out_dir.map(|text| folder_from_text(folder, &text)),
            record_sha256: row.get("record_sha256")?,
            program: row.get("program")?,
            recorded_utc: row.get("recorded_utc")?,
        })
    };
    all(connection, "nights", "id", id, "mid_utc, id", from)
}

pub(super) fn frames(connection: &Connection, night: Option<i64>) -> rusqlite::Result<Vec<FrameRow>> {
    all(connection, "frames", "night_id", night, IN_RECORDS_ORDER, |row| {
        Ok(FrameRow {
            night_id: row.get("night_id")?,
            file: row.get("file")?,
            sha256: row.get("sha256")?,
            mid_utc: row.get("mid_utc")?,
            exposure_s: row.get("exposure_s")?,
            filter: row.get("filter")?,
            used: row.get("used")?,
            rejected_because: row.get("rejected_because")?,
        })
    })
}

pub(super) fn photometry(connection: &Connection, night: Option<i64>) -> rusqlite::Result<Vec<PhotometryRow>> {
    all(connection, "photometry", "night_id", night, IN_RECORDS_ORDER, |row| {
        Ok(PhotometryRow {
            night_id: row.get("night_id")?,
            aperture_km: row.get("aperture_km")?,
            aperture_arcsec: row.get("aperture_arcsec")?,
            band: row.get("band")?,
            mag: row.get("mag")?,
            mag_err: row.get("mag_err")?,
            limit_3sigma_mag: row.get("limit_3sigma_mag")?,
            brighter_than_mag: row.get("brighter_than_mag")?,
            afrho_cm: row.get("afrho_cm")?,
            afrho_err_cm: row.get("afrho_err_cm")?,
            a0frho_cm: row.get("a0frho_cm")?,
            a0frho_err_cm: row.get("a0frho_err_cm")?,
        })
    })
}

pub(super) fn features(connection: &Connection, night: Option<i64>) -> rusqlite::Result<Vec<FeatureRow>> {
    let mut challenges: BTreeMap<(i64, i64), Vec<ChallengeRow>> = BTreeMap::new();
    let order = "night_id, feature, position";
    for (feature, challenge) in all(connection, "challenges", "night_id", night, order, challenge)? {
        challenges.entry(feature).or_default().push(challenge);
    }
    let mut features = all(connection, "features", "night_id", night, IN_RECORDS_ORDER, |row| {
        Ok(FeatureRow {
            night_id: row.get("night_id")?,
            position: row.get("position")?,
            kind: row.get("kind")?,
            pa_deg: row.get("pa_deg")?,
            pa_err_deg: row.get("pa_err_deg")?,
            width_deg: row.get("width_deg")?,
            width_err_deg: row.get("width_err_deg")?,
            curvature_deg_per_arcsec: row.get("curvature_deg_per_arcsec")?,
            inner_arcsec: row.get("inner_arcsec")?,
            outer_arcsec: row.get("outer_arcsec")?,
            inner_km: row.get("inner_km")?,
            outer_km: row.get("outer_km")?,
            contrast: row.get("contrast")?,
            contrast_err: row.get("contrast_err")?,
            contrast_intrinsic: row.get("contrast_intrinsic")?,
            significance: row.get("significance")?,
            false_alarm_probability: row.get("false_alarm_probability")?,
            verdict: row.get("verdict")?,
            offset_from_sunward_deg: row.get("offset_from_sunward_deg")?,
            challenges: Vec::new(),
        })
    })?;
    for feature in &mut features {
        feature.challenges = challenges.remove(&(feature.night_id, feature.position)).unwrap_or_default();
    }
    Ok(features)
}

fn challenge(row: &Row<'_>) -> rusqlite::Result<((i64, i64), ChallengeRow)> {
    let of = (row.get("night_id")?, row.get("feature")?);
    let challenge = ChallengeRow {
        name: row.get("name")?,
        outcome: row.get("outcome")?,
        statistic: row.get("statistic")?,
        threshold: row.get("threshold")?,
    };
    Ok((of, challenge))
}

pub(super) fn inputs(connection: &Connection, night: Option<i64>) -> rusqlite::Result<Vec<InputRow>> {
    all(connection, "inputs", "night_id", night, IN_RECORDS_ORDER, |row| {
        Ok(InputRow {
            night_id: row.get("night_id")?,
            file: row.get("file")?,
            role: row.get("role")?,
            sha256: row.get("sha256")?,
        })
    })
}

/// The order of most tables.
const IN_RECORDS_ORDER: &str = "night_id, position";

/// Rows of a table: those of one night, or all.
fn all<T>(
    connection: &Connection,
    table: &str,
    key: &str,
    night: Option<i64>,
    order: &str,
    from: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    let which = if night.is_some() { format!("WHERE {key} = ?1 ") } else { String::new() };
    let mut statement = connection.prepare(&format!("SELECT * FROM {table} {which}ORDER BY {order}"))?;
    let parameters = rusqlite::params_from_iter(night);
    statement.query_map(parameters, from)?.collect()
}

impl FromSql for Side {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        match value.as_str()? {
            "pre" => Ok(Self::Pre),
            "post" => Ok(Self::Post),
            _ => Err(FromSqlError::InvalidType),
        }
    }
}

/// The folder of a night's products as the ledger keeps it: relative to its own folder where it lies in it, so that a campaign can be
/// moved as a whole; `None` of a name that is not Unicode.
pub(super) fn folder_to_text(ledgers: &Path, nights: &Path) -> Option<String> {
    let whole = nights.canonicalize().or_else(|_| std::path::absolute(nights)).ok()?;
    let Ok(inside) = whole.strip_prefix(ledgers) else { return whole.to_str().map(str::to_owned) };
    let parts: Option<Vec<&str>> = inside.components().map(|c| c.as_os_str().to_str()).collect();
    Some(parts?.join("/"))
}

/// The folder again.
pub(super) fn folder_from_text(ledgers: &Path, text: &str) -> PathBuf {
    ledgers.join(text)
}
