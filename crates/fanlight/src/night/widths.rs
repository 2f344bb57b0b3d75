//! How the width of star images changes over the detector, and what hangs on it.

use super::first_pass::{FieldEntry, FirstLook};
use fanlight_coma::zero_point::{self, FrameFluxes};
use fanlight_image::moffat::{self, FieldShape, NoiseModel, StarImage, WidthPattern, WidthSample};
use fanlight_image::robust;
use fanlight_sky::{PixelXy, SkyPosition};

/// Places this near to each other, in star widths, are one star.
const SAME_STAR_FWHM: f64 = 1.5;

/// The pattern that the frames share; `None` where their stars do not show one.
pub fn pattern(looks: &[FirstLook]) -> Option<WidthPattern> {
    let mut known: Vec<SkyPosition> = Vec::new();
    let mut samples = Vec::new();
    for (frame, look) in looks.iter().enumerate() {
        let Some(shape) = &look.shape else { continue };
        let near_arcsec = SAME_STAR_FWHM * shape.shape.fwhm_px() * look.scale_arcsec;
        for own in of_frame(look) {
            let place = look.wcs.sky_from_pixel(PixelXy { x_px: own.x_px, y_px: own.y_px });
            let star = known.iter().position(|k| k.separation_arcsec(&place) < near_arcsec).unwrap_or_else(|| {
                known.push(place);
                known.len() - 1
            });
            samples.push(WidthSample { width: own, frame, star });
        }
    }
    moffat::width_pattern(&samples)
}

/// A frame's star widths, by places on the whole detector.
fn of_frame(look: &FirstLook) -> impl Iterator<Item = moffat::StarWidth> {
    let (x0, y0) = (look.window.x0 as f64, look.window.y0 as f64);
    look.widths.iter().map(move |w| moffat::StarWidth { x_px: w.x_px + x0, y_px: w.y_px + y0, ..*w })
}

/// Star images over a frame's window.
pub fn over_frame(typical: StarImage, pattern: Option<&WidthPattern>, look: &FirstLook) -> FieldShape {
    let Some(pattern) = pattern else { return typical.into() };
    let stars: Vec<(f64, f64)> = of_frame(look).map(|w| (w.x_px, w.y_px)).collect();
    FieldShape::new(typical, pattern, &stars, (look.window.x0 as f64, look.window.y0 as f64))
}

/// The frames' fluxes, each star measured with its own width; as they are without a pattern.
pub fn fluxes(looks: &[FirstLook], pattern: Option<&WidthPattern>, field: &[FieldEntry]) -> Vec<FrameFluxes> {
    let corrected = |look: &FirstLook| {
        let shape = look.shape.as_ref()?.shape;
        let over = over_frame(shape, Some(pattern?), look);
        let mut own: Vec<f64> =
            look.fluxes.stars.iter().map(|s| s.flux_e_per_s.value * look.light.exposure_s).collect();
        let noise = NoiseModel { sky_variance: look.sky_variance_e2, variance_per_unit: 1.0 };
        let typical_e = robust::median_f64(&mut own)?;
        let change = moffat::flux_change_with_width(&shape, typical_e, &zero_point::flux_fit(&shape, noise))?;
        let wcs = look.window_wcs();
        Some(look.fluxes.at_own_width(change, |i| {
            let at = wcs.pixel_from_sky(field[i].place).ok()?;
            Some(over.ln_factor(at.x_px, at.y_px))
        }))
    };
    looks.iter().map(|l| corrected(l).unwrap_or_else(|| l.fluxes.clone())).collect()
}

/// What is said of it.
pub fn note(pattern: &WidthPattern) -> String {
    format!(
        "The width of star images changes over the detector by {:.0}\u{202f}% in all, as {} stars show; each star, and the \
         comet, has the width of its own place.",
        100.0 * (pattern.range() - 1.0),
        pattern.n_stars
    )
}
