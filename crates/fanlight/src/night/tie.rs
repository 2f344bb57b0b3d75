//! Tying a frame's WCS to the catalogue.

use super::first_pass::FieldEntry;
use fanlight_sky::{ImageStar, PixelXy, SkyError, SkyStar, Solution, SolveConfig, Wcs};

/// How far off a header's WCS may be and still be tied.
pub const SEARCH_ARCSEC: f64 = 45.0;
/// Error per axis taken for the place of a catalogue star that states none: what common catalogues of this century have
/// some years after their epoch.
pub const CATALOGUE_SIGMA_ARCSEC: f64 = 0.03;
/// No place is taken to be better than this: parallaxes and the errors of proper motions are in no stated error.
pub const CATALOGUE_FLOOR_ARCSEC: f64 = 0.01;
/// Brightest stars of a frame that take part in a tie: more add cost and no accuracy.
const MOST_STARS: usize = 800;
/// Error per axis of a bright star's centroid: sub-pixel response, and blends that no one sees.
const CENTROID_FLOOR_PX: f64 = 0.05;
/// Error per axis of a star's centroid in widths over its significance.
const CENTROID_WIDTHS: f64 = 0.6;

/// The catalogue as the solver takes it.
pub fn catalogue(field: &[FieldEntry]) -> Vec<SkyStar> {
    let star = |e: &FieldEntry| SkyStar {
        place: e.place,
        magnitude: e.standard.magnitude,
        sigma_arcsec: e.place_sigma_arcsec.map(|s| s.max(CATALOGUE_FLOOR_ARCSEC)),
    };
    field.iter().map(star).collect()
}

/// Error per axis of the centroid of a star found at a significance.
pub fn centroid_sigma_px(fwhm_px: f64, significance: f64) -> f64 {
    CENTROID_FLOOR_PX.hypot(CENTROID_WIDTHS * fwhm_px / significance)
}

/// The WCS of an image of this size tied to the catalogue by the stars found in it, the brightest first.
///
/// # Errors
/// Too few stars, or no match that is sure; the WCS is then as good as it was.
pub fn tied(wcs: &Wcs, size: (usize, usize), stars: &[ImageStar], field: &[FieldEntry]) -> Result<Solution, SkyError> {
    let (width, height) = size;
    let middle = PixelXy { x_px: 0.5 * width as f64, y_px: 0.5 * height as f64 };
    let scale_arcsec = wcs.pixel_scale_arcsec(middle);
    let config = SolveConfig {
        catalogue_sigma_arcsec: CATALOGUE_SIGMA_ARCSEC,
        search_px: (SEARCH_ARCSEC / scale_arcsec).clamp(1.0, 1000.0),
        ..SolveConfig::new(width, height, wcs.sky_from_pixel(middle), scale_arcsec)
    };
    fanlight_sky::refine(wcs, &stars[..stars.len().min(MOST_STARS)], &catalogue(field), &config)
}
