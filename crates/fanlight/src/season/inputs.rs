//! The nights of a season: folders that `fanlight night` wrote, sorted out.

use crate::Failure;
use crate::night::products::RECORD;
use fanlight_coma::bands;
use fanlight_record::{NIGHT_SCHEMA, NightRecord, SeasonNight, sentences};
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

/// Reads the records of folders; one that cannot be read, is another comet's or came before is left out with a reason.
pub fn read(folders: &[PathBuf]) -> Vec<Result<(NightRecord, PathBuf), String>> {
    folders.iter().map(|named| read_one(named)).collect()
}

fn read_one(named: &Path) -> Result<(NightRecord, PathBuf), String> {
    let folder = match named.is_file() {
        true => named.parent().map_or_else(PathBuf::new, Path::to_path_buf),
        false => named.to_path_buf(),
    };
    let path = folder.join(RECORD);
    if !path.is_file() {
        return Err(format!(
            "{}: there is no {RECORD} in it; is it a folder that fanlight night wrote?",
            folder.display()
        ));
    }
    let record: NightRecord = fanlight_io::read_json(&path).map_err(|e| e.to_string())?;
    if record.schema != NIGHT_SCHEMA {
        return Err(format!("{}: its schema is {}, not {NIGHT_SCHEMA}", path.display(), record.schema));
    }
    Ok((record, folder))
}

/// Sorts nights out: one comet, each night once, in order of time.
///
/// # Errors
/// When none is left.
pub fn sort_out(
    object: &str,
    perihelion_days: Option<f64>,
    read: Vec<Result<(NightRecord, Option<PathBuf>), String>>,
) -> Result<Nights, Failure> {
    let mut nights: Vec<NightIn> = Vec::new();
    let mut left_out = Vec::new();
    for one in read {
        let (record, folder) = match one {
            Ok(one) => one,
            Err(reason) => {
                left_out.push(reason);
                continue;
            }
        };
        let name = folder.as_ref().map_or_else(|| record.mid_utc.clone(), |f| f.display().to_string());
        if record.object != object {
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
        if let Some(first) = nights.iter().find(|n| same_frames(&n.record, &record)) {
            let first = first.folder.as_ref().map_or_else(|| first.record.mid_utc.clone(), |f| f.display().to_string());
            left_out.push(format!("{name}: the same frames as {first}; each night counts once"));
            continue;
        }
        let side = perihelion_days.map(|p| if days < p { "pre" } else { "post" });
        nights.push(NightIn { record, folder, side, days });
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

/// Whether two records share a light frame that both used.
fn same_frames(a: &NightRecord, b: &NightRecord) -> bool {
    let lights = |n: &NightRecord| -> Vec<String> {
        n.provenance.inputs.iter().filter(|i| i.role == "light").map(|i| i.sha256.clone()).collect()
    };
    let theirs = lights(b);
    lights(a).iter().any(|sum| theirs.contains(sum))
}
