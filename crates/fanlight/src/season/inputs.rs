//! The nights of a season: folders that `fanlight night` wrote, sorted out.

use crate::Failure;
use crate::night::finished;
use fanlight_coma::bands;
use fanlight_io::ledger::is_same_object;
use fanlight_io::{Ledger, LedgerError};
use fanlight_record::{NightRecord, SeasonNight, sentences};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A night of the season.
pub struct NightIn {
    /// Its record.
    pub record: NightRecord,
    /// Its folder, where there is one.
    pub folder: Option<PathBuf>,
    /// `pre` or `post` perihelion.
    pub side: Option<&'static str>,
    /// Days from 1970-01-01T00:00 UTC to its middle.
    pub days: f64,
    /// SHA-256 of its record.
    pub sha256: String,
}

/// A record with its checksum and its folder.
pub struct Read {
    record: NightRecord,
    sha256: String,
    folder: Option<PathBuf>,
}

impl NightIn {
    /// The catalogue's band by its usual name; the filter where nothing was calibrated.
    pub fn band(&self) -> Option<String> {
        let band = self.record.zero_point.as_ref().map(|z| z.band.clone());
        let band = band.map(|b| bands::canonical(&b).map_or(b.clone(), str::to_string));
        band.or_else(|| self.record.setup.filter.clone())
    }

    /// The site's name, or where it is.
    pub fn site(&self) -> String {
        let setup = &self.record.setup;
        setup.site.clone().unwrap_or_else(|| format!("{:.3}°, {:.3}°", setup.longitude_deg, setup.latitude_deg))
    }

    /// The night as the season's record lists it.
    pub fn listed(&self) -> SeasonNight {
        let NightRecord { geometry: g, stack, setup, morphology, .. } = &self.record;
        SeasonNight {
            mid_utc: self.record.mid_utc.clone(),
            site: self.site(),
            band: self.band(),
            r_au: g.r_au,
            side: self.side.map(str::to_string),
            delta_au: g.delta_au,
            phase_deg: g.phase_deg,
            sunward_pa_deg: g.sunward_pa_deg,
            antisolar_pa_deg: g.antisolar_pa_deg,
            negative_velocity_pa_deg: g.negative_velocity_pa_deg,
            km_per_arcsec: g.km_per_arcsec,
            fwhm_arcsec: morphology.psf.as_ref().map(|p| p.fwhm_arcsec),
            telescope: setup.telescope.clone(),
            exposure_s: stack.exposure_s,
            n_frames: stack.n_frames,
            folder: self.folder.as_ref().map(|f| f.display().to_string()),
            simulated: setup.simulated,
        }
    }
}

/// Nights that can be used, in order of time, and what was left out with the reason.
pub struct Nights {
    /// The nights.
    pub nights: Vec<NightIn>,
    /// Sentences.
    pub left_out: Vec<String>,
}

/// Reads the records of folders; of one that cannot be read, the reason.
pub fn of_folders(folders: &[PathBuf]) -> Vec<Result<Read, String>> {
    folders.iter().map(|named| read_one(named)).collect()
}

/// Reads the records that a ledger holds.
///
/// # Errors
/// When the ledger cannot be read.
pub fn of_ledger(ledger: &Ledger) -> Result<Vec<Result<Read, String>>, LedgerError> {
    let rows = ledger.nights()?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let mut record = ledger.record(row.id).map_err(|e| e.to_string())?;
            lighten(&mut record);
            Ok(Read { record, sha256: row.record_sha256, folder: row.out_dir })
        })
        .collect())
}

/// Drops what a season does not use of a record: a thousand of them fit in memory.
fn lighten(record: &mut NightRecord) {
    record.profile = Vec::new();
    record.curve_of_growth = Vec::new();
    record.sectors = Vec::new();
    record.notes = Vec::new();
    record.provenance.methods = Vec::new();
    record.provenance.inputs.retain(|i| i.role == "light");
    if let Some(zero_point) = &mut record.zero_point {
        zero_point.stars = Vec::new();
    }
    for feature in &mut record.morphology.features {
        (feature.challenges, feature.ridge) = (Vec::new(), Vec::new());
    }
}

fn read_one(named: &Path) -> Result<Read, String> {
    let record = finished::read(named).map_err(|e| e.to_string())?;
    let path = finished::path(named);
    let sha256 = fanlight_io::sha256_file(&path).map_err(|e| e.to_string())?;
    Ok(Read { record, sha256, folder: path.parent().map(Path::to_path_buf) })
}

/// Sorts nights out: one comet, each night once, in order of time; `side` says of an instant on which side of perihelion it is.
///
/// # Errors
/// When none is left.
pub fn sort_out(
    object: &str,
    side: impl Fn(&str) -> Option<&'static str>,
    read: Vec<Result<Read, String>>,
) -> Result<Nights, Failure> {
    let mut nights: Vec<NightIn> = Vec::new();
    let mut left_out = Vec::new();
    // light frames with the night that brought them first
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for one in read {
        let Read { record, sha256, folder } = match one {
            Ok(one) => one,
            Err(reason) => {
                left_out.push(reason);
                continue;
            }
        };
        let name = folder.as_ref().map_or_else(|| record.mid_utc.clone(), |f| f.display().to_string());
        if !is_same_object(&record.object, object) {
            left_out.push(format!("{name}: a night of {}, not of {object}", record.object));
            continue;
        }
        let Some(days) = sentences::utc_days(&record.mid_utc) else {
            left_out.push(format!("{name}: its time, {}, is no UTC time", record.mid_utc));
            continue;
        };
        if record.frames.iter().all(|f| !f.used) {
            left_out.push(format!("{name}: no frame of the night of {} could be used", record.mid_utc));
            continue;
        }
        let own: Vec<String> = record.light_checksums().map(str::to_owned).collect();
        if let Some(first) = own.iter().find_map(|sum| nights.get(*seen.get(sum)?)) {
            let first = first.folder.as_ref().map_or_else(|| first.record.mid_utc.clone(), |f| f.display().to_string());
            left_out.push(format!("{name}: the same frames as {first}; each night counts once"));
            continue;
        }
        seen.extend(own.into_iter().map(|sum| (sum, nights.len())));
        let side = side(&record.mid_utc);
        nights.push(NightIn { record, folder, side, days, sha256 });
    }
    if nights.is_empty() {
        let mut failure = Failure::data("there is no night to put together");
        if let Some(first) = left_out.first() {
            failure = failure.hint(first.clone());
        }
        return Err(failure);
    }
    nights.sort_by(|a, b| a.days.total_cmp(&b.days));
    Ok(Nights { nights, left_out })
}
