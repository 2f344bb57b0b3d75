//! The star catalogue of the night's field.

use super::Colour;
use super::first_pass::FieldEntry;
use super::second_pass::SkyStar;
use crate::Failure;
use fanlight_coma::solar;
use fanlight_coma::zero_point::NightZeroPoint;
use fanlight_io::Campaign;
use fanlight_sky::UtcInstant;
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
        let solar_mag = solar::solar_magnitude(blue)? - solar::solar_magnitude(red)?;
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

/// Loads the campaign's catalogue; a catalogue without the band is the campaign file's fault.
pub fn load_field(campaign: &Campaign) -> Result<Option<Field>, Failure> {
    let Some(path) = &campaign.photometry.catalogue else { return Ok(None) };
    let band = campaign.photometry.band.clone().ok_or_else(|| {
        Failure::call(format!("{}: photometry.catalogue is given, photometry.band is not", campaign.path().display()))
            .hint("set band to the catalogue's column to calibrate to")
    })?;
    let catalogue = fanlight_io::load_catalogue(path).map_err(|e| {
        Failure::call(e).hint("photometry.catalogue in the campaign file names this catalogue, relative to the file")
    })?;
    if catalogue.band(&band).is_none() {
        return Err(Failure::call(format!(
            "{}: no column \"{band}\" for photometry.band; the catalogue has {}",
            path.display(),
            catalogue.bands.join(", ")
        ))
        .hint("set photometry.band to one of the catalogue's bands"));
    }
    Ok(Some(Field { catalogue, path: path.clone(), band }))
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
