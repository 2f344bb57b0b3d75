//! The star catalogue of the night's field.

use super::expected::Expected;
use super::first_pass::FieldEntry;
use super::inputs::Inputs;
use super::second_pass::SkyStar;
use super::{Colour, camera};
use crate::Failure;
use fanlight_coma::solar;
use fanlight_coma::zero_point::NightZeroPoint;
use fanlight_io::{Campaign, Cone};
use fanlight_sky::{PixelXy, UtcInstant};
use std::path::PathBuf;

/// The catalogue with the file it came from and the band that the night is tied to.
pub struct Field {
    /// The stars.
    pub catalogue: fanlight_io::Catalogue,
    /// The file.
    pub path: PathBuf,
    /// The band that the night is tied to.
    pub band: String,
}

impl Field {
    /// The colour of the band's zero point, where the catalogue has both bands.
    pub fn colour(&self) -> Option<Colour> {
        let (blue, red) = solar::colour_bands(&self.band)?;
        let both = self.catalogue.band(blue).is_some() && self.catalogue.band(red).is_some();
        let solar_mag = solar::solar_colour(blue, red)?;
        both.then(|| Colour { name: format!("{blue}-{red}"), solar_mag })
    }

    /// The stars at an epoch that have a magnitude in the band.
    pub fn at(&self, epoch: UtcInstant) -> Vec<FieldEntry> {
        let Some(band) = self.catalogue.band(&self.band) else { return Vec::new() };
        let colour = solar::colour_bands(&self.band)
            .and_then(|(blue, red)| Some((self.catalogue.band(blue)?, self.catalogue.band(red)?)));
        let epoch_yr = epoch.julian_year();
        self.catalogue.stars.iter().filter_map(|s| FieldEntry::new(s, epoch_yr, band, colour)).collect()
    }
}

/// How far from the ephemeris place stars are wanted beyond the frame: solving looks 2° about it.
const BEYOND_FRAME_DEG: f64 = 2.5;

/// The part of the sky whose stars the night may need: about the comet's expected place in the first frame, with the
/// comet's path, half the diagonal of a frame and what solving looks beyond it.
///
/// # Errors
/// When the ephemeris cannot be computed.
pub fn part_of_sky(inputs: &Inputs, campaign: &Campaign, expected: &Expected<'_>) -> Result<Cone, Failure> {
    let place = |utc| expected.place(utc).map_err(Failure::data);
    let centre = place(inputs.first_mid())?;
    let mut path_arcsec = 0f64;
    for mid in inputs.lights.iter().map(|l| l.mid).chain(inputs.unsolved.iter().map(|u| u.mid)) {
        path_arcsec = path_arcsec.max(place(mid)?.separation_arcsec(&centre));
    }
    let (width, height) = (inputs.size.0 as f64, inputs.size.1 as f64);
    let middle = PixelXy { x_px: 0.5 * width, y_px: 0.5 * height };
    let by_header = inputs.lights.iter().map(|l| l.wcs.pixel_scale_arcsec(middle));
    let scales = by_header.chain(camera::stated_scales_arcsec(campaign, inputs)).filter(|s| s.is_finite());
    let half_diagonal_arcsec = 0.5 * scales.fold(0.0, f64::max) * width.hypot(height);
    let radius_deg = BEYOND_FRAME_DEG + (path_arcsec + half_diagonal_arcsec) / 3600.0;
    Ok(Cone { centre, radius_deg: radius_deg.min(180.0) })
}

/// The campaign's catalogue, known to have the band; the stars of a star list are still to be read.
pub struct FieldFile {
    path: PathBuf,
    band: String,
    whole: Option<fanlight_io::Catalogue>,
}

/// Opens the campaign's catalogue; a catalogue without the band is the campaign file's fault.
pub fn open_field(campaign: &Campaign) -> Result<Option<FieldFile>, Failure> {
    let Some(path) = &campaign.photometry.catalogue else { return Ok(None) };
    let band = campaign.photometry.band.clone().ok_or_else(|| {
        Failure::call(format!("{}: photometry.catalogue is given, photometry.band is not", campaign.path().display()))
            .hint("set band to the catalogue's column to calibrate to")
    })?;
    let (bands, whole) = match fanlight_io::star_list_bands(path).map_err(wrong_catalogue)? {
        Some(bands) => (bands, None),
        None => {
            let whole = fanlight_io::load_catalogue(path, None).map_err(wrong_catalogue)?;
            (whole.bands.clone(), Some(whole))
        }
    };
    if !bands.contains(&band) {
        return Err(Failure::call(format!(
            "{}: no column \"{band}\" for photometry.band; the catalogue has {}",
            path.display(),
            bands.join(", ")
        ))
        .hint("set photometry.band to one of the catalogue's bands"));
    }
    Ok(Some(FieldFile { path: path.clone(), band, whole }))
}

impl FieldFile {
    /// The stars: all of a table, those in a part of the sky of a star list.
    pub fn read(self, part: &Cone) -> Result<Field, Failure> {
        let catalogue = match self.whole {
            Some(whole) => whole,
            None => fanlight_io::load_catalogue(&self.path, Some(part)).map_err(wrong_catalogue)?,
        };
        Ok(Field { catalogue, path: self.path, band: self.band })
    }
}

fn wrong_catalogue(error: fanlight_io::IoError) -> Failure {
    Failure::call(error).hint("photometry.catalogue in the campaign file names this catalogue, relative to the file")
}

/// Catalogue stars with the flux that their magnitude and colour give in the stack; none without a zero point.
pub fn catalogue_stars(
    field: &[FieldEntry],
    colour: Option<&Colour>,
    solution: Option<&NightZeroPoint>,
    stack_zero_point_mag: Option<f64>,
) -> Vec<SkyStar> {
    let Some(zero_point) = stack_zero_point_mag else { return Vec::new() };
    let term = solution.and_then(|s| s.colour_term).map_or(0.0, |t| t.value);
    let flux = |e: &FieldEntry| {
        let shift = colour.zip(e.standard.colour).map_or(0.0, |(c, own)| term * (own - c.solar_mag));
        10f64.powf(-0.4 * (e.standard.magnitude - shift - zero_point))
    };
    field.iter().map(|e| SkyStar { place: e.place, flux_e_per_s: flux(e) }).collect()
}
