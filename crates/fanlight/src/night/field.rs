//! The star catalogue of the night's field.

use super::expected::Expected;
use super::first_pass::FieldEntry;
use super::inputs::Inputs;
use super::second_pass::SkyStar;
use super::{Colour, camera};
use crate::Failure;
use fanlight_coma::band_transforms::{self, COMMON_SIGMA_MAG, Transformation};
use fanlight_coma::bands;
use fanlight_coma::solar;
use fanlight_coma::zero_point::NightZeroPoint;
use fanlight_image::Measured;
use fanlight_io::{Campaign, CatalogueStar, Cone};
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
    /// How the catalogue's magnitudes are brought to it, where the catalogue has others only.
    pub transform: Option<&'static Transformation>,
}

impl Field {
    /// The bands of the colour that goes with the zero point: the transformation's, or the band's own.
    fn colour_bands(&self) -> Option<(&'static str, &'static str)> {
        self.transform.map(|t| t.colour).or_else(|| solar::colour_bands(&self.band))
    }

    /// The colour of the band's zero point, where the catalogue has both bands.
    pub fn colour(&self) -> Option<Colour> {
        let (blue, red) = self.colour_bands()?;
        let both = self.column(blue).is_some() && self.column(red).is_some();
        let solar_mag = solar::solar_colour(blue, red)?.value;
        both.then(|| Colour { name: format!("{blue}-{red}"), solar_mag })
    }

    /// The stars at an epoch that have a magnitude in the band, transformed where the catalogue has others only.
    pub fn at(&self, epoch: UtcInstant) -> Vec<FieldEntry> {
        let own = self.column(&self.band);
        let transformed = self.transform.map(|t| Transformer::of(t, &self.catalogue.bands));
        let colour = self.colour_bands().and_then(|(blue, red)| Some((self.column(blue)?, self.column(red)?)));
        let epoch_yr = epoch.julian_year();
        let entry = |s: &CatalogueStar| {
            let magnitude = match &transformed {
                None => s.mags.get(own?).copied().flatten()?,
                Some(transformer) => transformer.magnitude(s)?,
            };
            Some(FieldEntry::new(s, epoch_yr, magnitude, colour))
        };
        self.catalogue.stars.iter().filter_map(entry).collect()
    }

    fn column(&self, band: &str) -> Option<usize> {
        column_of(&self.catalogue.bands, band)
    }

    /// What a reader must know where the band is not the catalogue's own.
    pub fn note(&self) -> Option<String> {
        let t = self.transform?;
        Some(format!(
            "The catalogue has no band {}: its stars' magnitudes were transformed from {} with the colour {} − {} ({}; scatter {} mag, \
             and {} mag of error that all share).",
            self.band, t.base, t.colour.0, t.colour.1, t.source, t.scatter_mag, COMMON_SIGMA_MAG
        ))
    }

    /// Error of the band itself that all stars share.
    pub fn band_sigma_mag(&self) -> f64 {
        if self.transform.is_some() { COMMON_SIGMA_MAG } else { 0.0 }
    }
}

/// A transformation with the catalogue's columns that it takes.
struct Transformer {
    by: &'static Transformation,
    columns: [(&'static str, Option<usize>); 3],
}

impl Transformer {
    fn of(by: &'static Transformation, catalogue_bands: &[String]) -> Self {
        let (blue, red) = by.colour;
        Self { by, columns: [by.base, blue, red].map(|band| (band, column_of(catalogue_bands, band))) }
    }

    /// A star's magnitude in the night's band with the error of its base and the transformation's scatter.
    fn magnitude(&self, star: &CatalogueStar) -> Option<(f64, Option<f64>)> {
        let known = |band: &str| {
            let column = self.columns.iter().find(|(name, _)| *name == band)?.1?;
            let (mag, err) = star.mags.get(column).copied().flatten()?;
            Some(Measured::new(mag, err.unwrap_or(0.0)))
        };
        let magnitude = self.by.apply(&known).ok()?.mag;
        Some((magnitude.value, Some(magnitude.sigma)))
    }
}

/// The column of a band, which catalogues may name otherwise (`phot_g_mean_mag` is G).
fn column_of(columns: &[String], band: &str) -> Option<usize> {
    columns.iter().position(|c| c == band).or_else(|| {
        let name = bands::canonical(band)?;
        columns.iter().position(|c| bands::canonical(c) == Some(name))
    })
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

/// The campaign's catalogue, known to have the band or others that give it; the stars of a star list are still to be read.
pub struct FieldFile {
    path: PathBuf,
    band: String,
    transform: Option<&'static Transformation>,
    whole: Option<fanlight_io::Catalogue>,
}

/// Opens the campaign's catalogue; a catalogue without the band is the campaign file's fault.
pub fn open_field(campaign: &Campaign) -> Result<Option<FieldFile>, Failure> {
    let Some(path) = &campaign.photometry.catalogue else { return Ok(None) };
    let band = campaign.photometry.band.clone().ok_or_else(|| {
        Failure::call(format!("{}: photometry.catalogue is given, photometry.band is not", campaign.path().display()))
            .hint("set band to the catalogue's column to calibrate to")
    })?;
    let (columns, whole) = match fanlight_io::star_list_bands(path).map_err(wrong_catalogue)? {
        Some(bands) => (bands, None),
        None => {
            let whole = fanlight_io::load_catalogue(path, None).map_err(wrong_catalogue)?;
            (whole.bands.clone(), Some(whole))
        }
    };
    let has = |band: &str| column_of(&columns, band).is_some();
    let transform = match has(&band) {
        true => None,
        false => Some(band_transforms::best(&band, &has).map_err(|reason| {
            Failure::call(format!(
                "{}: no column \"{band}\" for photometry.band; the catalogue has {}",
                path.display(),
                columns.join(", ")
            ))
            .hint(format!("set photometry.band to one of the catalogue's bands ({reason})"))
        })?),
    };
    Ok(Some(FieldFile { path: path.clone(), band, transform, whole }))
}

impl FieldFile {
    /// The stars: all of a table, those in a part of the sky of a star list.
    pub fn read(self, part: &Cone) -> Result<Field, Failure> {
        let catalogue = match self.whole {
            Some(whole) => whole,
            None => fanlight_io::load_catalogue(&self.path, Some(part)).map_err(wrong_catalogue)?,
        };
        Ok(Field { catalogue, path: self.path, band: self.band, transform: self.transform })
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
