//! How the night's zero points go with the airmass.

use super::Night;
use super::notes::Notes;
use fanlight_coma::extinction::{self, ExtinctionFit, ZeroPointAt};
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
    let ExtinctionFit { airmass, line, scatter_mag, is_photometric } = extinction::fit(&frames)?;
    if !is_photometric {
        notes.push(format!(
            "The night was not photometric: the frames' zero points scatter by {scatter_mag:.3} mag. Each frame is tied by the \
             catalogue's stars in it, so that magnitudes do not suffer from it; no extinction is given."
        ));
    }
    let line = line.filter(|_| is_photometric);
    if let (Some((k, _)), Some((least, greatest))) =
        (line, night.campaign.photometry.band.as_deref().and_then(extinction::at_dark_sites))
        && (k.value + 3.0 * k.sigma < least || k.value - 3.0 * k.sigma > 3.0 * greatest)
    {
        notes.warn(format!(
            "The extinction, {:.3} ± {:.3} mag per airmass, is not what clear skies have in this band ({least} to {greatest} at dark \
             sites): the transparency changed during the night, or the band is another.",
            k.value, k.sigma
        ));
    }
    Some(ExtinctionRecord {
        airmass: [airmass.0, airmass.1],
        mag_per_airmass: line.map(|l| l.0.value),
        mag_per_airmass_err: line.map(|l| l.0.sigma),
        zero_point_outside_mag: line.map(|l| l.1.value),
        scatter_mag,
        is_photometric,
        n_frames: frames.len(),
    })
}
