//! How the night's zero points go with the airmass.

use super::Night;
use super::notes::Notes;
use fanlight_coma::extinction::{self, Extinction, ZeroPointAt};
use fanlight_image::robust;
use fanlight_record::ExtinctionRecord;

/// The extinction of the frames in the stack; `None` with too few zero points.
pub fn record(night: &Night, notes: &mut Notes) -> Option<ExtinctionRecord> {
    let frames: Vec<ZeroPointAt> = night
        .zero_points
        .iter()
        .zip(&night.circumstances)
        .zip(&night.rejected)
        .filter(|(_, rejected)| rejected.is_none())
        .filter_map(|((z, c), _)| {
            Some(ZeroPointAt { airmass: (*c)?.airmass?, zero_point_mag: z.as_ref()?.zero_point_mag })
        })
        .collect();
    let band = night.campaign.photometry.band.as_deref();
    let record = match extinction::fit_extinction(&frames) {
        Ok(found) => of_line(&found, band, notes),
        Err(_) => of_scatter(&frames)?,
    };
    if !record.is_photometric {
        notes.push(format!(
            "The night was not photometric: the frames' zero points scatter by {:.3} mag. Each frame is tied by the catalogue's \
             stars in it, so that magnitudes do not suffer from it; no extinction is given.",
            record.scatter_mag
        ));
    }
    Some(record)
}

/// A line through the zero points; it is the extinction's only in a clear sky.
fn of_line(found: &Extinction, band: Option<&str>, notes: &mut Notes) -> ExtinctionRecord {
    let k = found.coefficient_mag;
    if let Some(usual) = band.and_then(extinction::typical_extinction)
        && found.photometric
        && !usual.is_usual(k)
    {
        notes.warn(format!(
            "The extinction, {:.3} ± {:.3} mag per airmass, is not what clear skies have in this band ({} at a high site, {} at sea \
             level: {}): the transparency changed during the night, or the band is another.",
            k.value, k.sigma, usual.high_site_mag, usual.sea_level_mag, usual.source
        ));
    }
    ExtinctionRecord {
        airmass: [found.airmass_range.0, found.airmass_range.1],
        mag_per_airmass: found.photometric.then_some(k.value),
        mag_per_airmass_err: found.photometric.then_some(k.sigma),
        zero_point_outside_mag: found.photometric.then_some(found.at_zero_mag.value),
        scatter_mag: found.scatter_mag,
        is_photometric: found.photometric,
        n_frames: found.n_frames,
    }
}

/// Too little airmass for a line: what the zero points scatter by, and no extinction.
fn of_scatter(frames: &[ZeroPointAt]) -> Option<ExtinctionRecord> {
    if frames.len() < extinction::MIN_FRAMES {
        return None;
    }
    let mut zero_points: Vec<f64> = frames.iter().map(|f| f.zero_point_mag.value).collect();
    let scatter_mag = robust::mad_sigma_f64(&mut zero_points)?;
    let airmass = frames.iter().map(|f| f.airmass);
    Some(ExtinctionRecord {
        airmass: [airmass.clone().fold(f64::INFINITY, f64::min), airmass.fold(0.0, f64::max)],
        mag_per_airmass: None,
        mag_per_airmass_err: None,
        zero_point_outside_mag: None,
        scatter_mag,
        is_photometric: scatter_mag <= extinction::PHOTOMETRIC_SCATTER_MAG,
        n_frames: frames.len(),
    })
}
