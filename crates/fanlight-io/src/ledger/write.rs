//! Taking nights in and forgetting them.
//!
//! # When is it the same night?
//! A night replaces those of its band that share a light frame with it, by checksum: the same frames measured again, whatever became of
//! folder, site and telescope names or the choice of frames. Beside that it replaces a night of its band, site, telescope,
//! evening (of the local mean noon before) and folder: frames calibrated anew have other checksums. Nothing else is replaced. A
//! folder used again for another night costs that night's row only the folder.

use std::path::Path;

use fanlight_sky::UtcInstant;
use rusqlite::{Connection, TransactionBehavior, named_params, params};

use super::error::{About, LedgerError};
use super::night_file::NightFile;
use super::rows::*;
use super::{Ledger, Side, is_same_object, measurements, object, read};

/// A night to be taken in.
#[derive(Debug, Clone, Copy)]
pub struct Entry<'a> {
    /// Its record.
    pub night: &'a NightFile,
    /// The band measured in, where it is known.
    pub band: Option<&'a str>,
    /// On which side of perihelion it was, where that is known.
    pub side: Option<Side>,
    /// Name of the campaign file, kept where this night is the ledger's first.
    pub campaign: Option<&'a str>,
    /// Now.
    pub now: UtcInstant,
}

/// What became of a night.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Its number.
    pub id: i64,
    /// Whether it is new.
    pub outcome: Outcome,
    /// Sentences about what looks wrong.
    pub notes: Vec<String>,
}

/// Whether a night is new.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It was not there.
    New,
    /// It took the place of these.
    Replaced(Vec<i64>),
    /// The same record was there.
    Unchanged,
}

impl Ledger {
    /// Takes a night in, whole or not at all. A replaced night's number passes to it (the smallest, of several).
    ///
    /// # Errors
    /// It is a night of another comet, or the file cannot be written; the ledger is then as it was.
    pub fn record_night(&mut self, entry: &Entry<'_>) -> Result<Recorded, LedgerError> {
        let Self { connection, path, folder } = self;
        let record = entry.night.record();
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).about(path)?;
        match object(&transaction).about(path)? {
            Some(object) if !is_same_object(&object, &record.object) => {
                let other = record.object.clone();
                return Err(LedgerError::OtherObject { path: path.clone(), object, other });
            }
            Some(_) => {}
            None => {
                let sql = "INSERT INTO meta (id, object, campaign, created_utc) VALUES (1, ?1, ?2, ?3)";
                let row = params![record.object, entry.campaign, entry.now.to_iso()];
                transaction.execute(sql, row).about(path)?;
            }
        }
        let out_dir = entry.night.folder().and_then(|nights| read::folder_to_text(folder, nights));
        let before = same_night(&transaction, folder, entry, out_dir.as_deref()).about(path)?;
        let mut notes = displace(&transaction, &before, out_dir.as_deref()).about(path)?;
        let mut by_hand = Vec::new();
        let is_same_record = before.len() == 1 && before[0].record_sha256 == entry.night.sha256();
        let (id, outcome) = if is_same_record {
            let id = before[0].id;
            add_what_was_unknown(&transaction, id, entry, out_dir.as_deref()).about(path)?;
            (id, Outcome::Unchanged)
        } else {
            let ids: Vec<i64> = before.iter().map(|night| night.id).collect();
            by_hand = measurements::of_nights(&transaction, &ids).about(path)?;
            // what hangs on a night goes with it, but for what persons measured
            ids.iter().try_for_each(|id| delete(&transaction, *id)).about(path)?;
            let id = insert(&transaction, entry, ids.iter().min().copied(), out_dir.as_deref()).about(path)?;
            (id, if ids.is_empty() { Outcome::New } else { Outcome::Replaced(ids) })
        };
        measurements::attach(&transaction, id, &by_hand, record.light_checksums()).about(path)?;
        notes.extend(odd_times(&transaction, entry, id).about(path)?);
        transaction.commit().about(path)?;
        Ok(Recorded { id, outcome, notes })
    }

    /// Forgets nights, all or none, and returns what went. What persons measured on them stays, and is theirs again when they are taken in again.
    ///
    /// # Errors
    /// There is none of a number, or the file cannot be written.
    pub fn forget(&mut self, ids: &[i64]) -> Result<Vec<NightRow>, LedgerError> {
        let Self { connection, path, folder } = self;
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).about(path)?;
        let mut gone: Vec<NightRow> = Vec::new();
        for id in ids {
            if gone.iter().any(|night| night.id == *id) {
                continue;
            }
            let mut night = read::nights(&transaction, folder, Some(*id)).about(path)?;
            let night = night.pop().ok_or_else(|| LedgerError::NoNight { path: path.clone(), id: *id })?;
            delete(&transaction, *id).about(path)?;
            gone.push(night);
        }
        transaction.commit().about(path)?;
        Ok(gone)
    }
}

/// The rows that this night replaces.
fn same_night(
    connection: &Connection,
    folder: &Path,
    entry: &Entry<'_>,
    out_dir: Option<&str>,
) -> rusqlite::Result<Vec<NightRow>> {
    let mut ids: Vec<i64> = Vec::new();
    let mut by_content = connection
        .prepare("SELECT night_id FROM frames JOIN nights ON id = night_id WHERE sha256 = ?1 AND band IS ?2")?;
    for sha256 in entry.night.record().light_checksums() {
        for id in by_content.query_map(params![sha256, entry.band], |row| row.get(0))? {
            ids.push(id?);
        }
    }
    let setup = &entry.night.record().setup;
    let mut by_folder = connection.prepare(
        "SELECT id, mid_utc FROM nights WHERE out_dir = ?1 AND band IS ?2 AND site IS ?3 AND telescope IS ?4",
    )?;
    let evening = evening(entry.night.mid(), setup.longitude_deg);
    let mut rows = by_folder.query(params![out_dir, entry.band, setup.site, setup.telescope])?;
    while let Some(row) = rows.next()? {
        let mid = UtcInstant::parse(&row.get::<_, String>("mid_utc")?).ok();
        if mid.is_some_and(|mid| self::evening(mid, setup.longitude_deg) == evening) {
            ids.push(row.get("id")?);
        }
    }
    ids.sort_unstable();
    ids.dedup();
    let rows: rusqlite::Result<Vec<_>> = ids.into_iter().map(|id| read::nights(connection, folder, Some(id))).collect();
    Ok(rows?.concat())
}

/// Days, counted from local mean noon.
fn evening(mid: UtcInstant, longitude_deg: f64) -> i64 {
    let east_deg = (longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
    (mid.jd() + east_deg / 360.0).floor() as i64
}

/// Takes the folder from other nights whose products stood in it; says so.
fn displace(connection: &Connection, before: &[NightRow], out_dir: Option<&str>) -> rusqlite::Result<Vec<String>> {
    let mut notes = Vec::new();
    let mut there = connection.prepare("SELECT id, mid_utc FROM nights WHERE out_dir = ?1")?;
    let there: Vec<(i64, String)> =
        there.query_map([out_dir], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<rusqlite::Result<_>>()?;
    for (id, mid_utc) in there {
        if before.iter().all(|night| night.id != id) {
            connection.execute("UPDATE nights SET out_dir = NULL WHERE id = ?1", [id])?;
            notes.push(format!(
                "the products of night {id} ({mid_utc}) stood in the same folder; the ledger keeps that night's record"
            ));
        }
    }
    Ok(notes)
}

/// Of a record that was there already: what an earlier call did not know, and where its products are now.
fn add_what_was_unknown(
    connection: &Connection,
    id: i64,
    entry: &Entry<'_>,
    out_dir: Option<&str>,
) -> rusqlite::Result<()> {
    let sql = "UPDATE nights SET side = coalesce(?2, side), out_dir = coalesce(?3, out_dir)
               WHERE id = ?1 AND (side IS NOT coalesce(?2, side) OR out_dir IS NOT coalesce(?3, out_dir))";
    connection.execute(sql, params![id, entry.side.map(Side::as_str), out_dir]).map(drop)
}

/// What a reader of the ledger must know about a night's times.
fn odd_times(connection: &Connection, entry: &Entry<'_>, id: i64) -> rusqlite::Result<Vec<String>> {
    let mut notes = Vec::new();
    let setup = &entry.night.record().setup;
    let times = entry.night.times();
    if !setup.simulated && entry.now.seconds_since(&times.mid) < 0.0 {
        notes.push(format!(
            "the night is of {}, which is later than this computer's clock says it is ({}): one of the two clocks is wrong",
            times.mid.to_iso(),
            entry.now.to_iso()
        ));
    }
    let mut beside = connection.prepare(
        "SELECT id, mid_utc FROM nights WHERE id <> ?1 AND band IS ?2 AND site IS ?3 AND telescope IS ?4
         AND first_utc <= ?6 AND last_utc >= ?5 ORDER BY id",
    )?;
    let span = (times.first.to_iso(), times.last.to_iso());
    let mut rows = beside.query(params![id, entry.band, setup.site, setup.telescope, span.0, span.1])?;
    while let Some(row) = rows.next()? {
        notes.push(format!(
            "its frames were taken while those of night {} ({}) were, by the same telescope in the same band: if they are the same \
             frames under other contents, forget one of the two",
            row.get::<_, i64>("id")?,
            row.get::<_, String>("mid_utc")?
        ));
    }
    Ok(notes)
}

fn delete(connection: &Connection, id: i64) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM nights WHERE id = ?1", [id]).map(drop)
}

fn insert(connection: &Connection, entry: &Entry<'_>, id: Option<i64>, out_dir: Option<&str>) -> rusqlite::Result<i64> {
    let beside = Beside {
        id: id.unwrap_or_default(),
        band: entry.band.map(str::to_owned),
        side: entry.side,
        out_dir: None,
        record_sha256: entry.night.sha256().to_owned(),
        recorded_utc: entry.now.to_iso(),
    };
    let night = NightRow::of(entry.night.record(), &entry.night.times(), beside);
    connection.execute(
        "INSERT INTO nights (id, mid_utc, first_utc, last_utc, site, longitude_deg, latitude_deg, telescope, band, r_au, delta_au,
            phase_deg, sunward_pa_deg, side, n_frames, exposure_s, analysed, simulated, out_dir, record_sha256, program, recorded_utc)
         VALUES (:id, :mid_utc, :first_utc, :last_utc, :site, :longitude_deg, :latitude_deg, :telescope, :band, :r_au, :delta_au,
            :phase_deg, :sunward_pa_deg, :side, :n_frames, :exposure_s, :analysed, :simulated, :out_dir, :record_sha256, :program,
            :recorded_utc)",
        named_params! {
            ":id": id,
            ":mid_utc": night.mid_utc,
            ":first_utc": night.first_utc,
            ":last_utc": night.last_utc,
            ":site": night.site,
            ":longitude_deg": night.longitude_deg,
            ":latitude_deg": night.latitude_deg,
            ":telescope": night.telescope,
            ":band": night.band,
            ":r_au": night.r_au,
            ":delta_au": night.delta_au,
            ":phase_deg": night.phase_deg,
            ":sunward_pa_deg": night.sunward_pa_deg,
            ":side": night.side.map(Side::as_str),
            ":n_frames": night.n_frames,
            ":exposure_s": night.exposure_s,
            ":analysed": night.analysed,
            ":simulated": night.simulated,
            ":out_dir": out_dir,
            ":record_sha256": night.record_sha256,
            ":program": night.program,
            ":recorded_utc": night.recorded_utc,
        },
    )?;
    let id = connection.last_insert_rowid();
    connection.execute("INSERT INTO records (night_id, json) VALUES (?1, ?2)", params![id, entry.night.text()])?;
    insert_tables(connection, id, &Tables::of(entry.night.record(), id))?;
    Ok(id)
}

fn insert_tables(connection: &Connection, id: i64, tables: &Tables) -> rusqlite::Result<()> {
    let mut frame = connection.prepare("INSERT INTO frames VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    for (position, f) in (0i64..).zip(&tables.frames) {
        let more = (&f.mid_utc, f.exposure_s, &f.filter, f.used, &f.rejected_because);
        frame.execute(params![id, position, f.file, f.sha256, more.0, more.1, more.2, more.3, more.4])?;
    }
    let mut aperture =
        connection.prepare("INSERT INTO photometry VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)")?;
    for (position, p) in (0i64..).zip(&tables.photometry) {
        aperture.execute(params![
            id,
            position,
            p.aperture_km,
            p.aperture_arcsec,
            p.band,
            p.mag,
            p.mag_err,
            p.limit_3sigma_mag,
            p.brighter_than_mag,
            p.afrho_cm,
            p.afrho_err_cm,
            p.a0frho_cm,
            p.a0frho_err_cm,
        ])?;
    }
    insert_features(connection, id, &tables.features)?;
    let mut input = connection.prepare("INSERT INTO inputs VALUES (?1, ?2, ?3, ?4, ?5)")?;
    for (position, i) in (0i64..).zip(&tables.inputs) {
        input.execute(params![id, position, i.file, i.role, i.sha256])?;
    }
    Ok(())
}

fn insert_features(connection: &Connection, id: i64, features: &[FeatureRow]) -> rusqlite::Result<()> {
    let mut feature = connection.prepare(
        "INSERT INTO features VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)",
    )?;
    let mut challenge = connection.prepare("INSERT INTO challenges VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?;
    for f in features {
        feature.execute(params![
            id,
            f.position,
            f.kind,
            f.pa_deg,
            f.pa_err_deg,
            f.width_deg,
            f.width_err_deg,
            f.curvature_deg_per_arcsec,
            f.inner_arcsec,
            f.outer_arcsec,
            f.inner_km,
            f.outer_km,
            f.contrast,
            f.contrast_err,
            f.contrast_intrinsic,
            f.significance,
            f.false_alarm_probability,
            f.verdict,
            f.offset_from_sunward_deg,
        ])?;
        for (position, c) in (0i64..).zip(&f.challenges) {
            challenge.execute(params![id, f.position, position, c.name, c.outcome, c.statistic, c.threshold])?;
        }
    }
    Ok(())
}
