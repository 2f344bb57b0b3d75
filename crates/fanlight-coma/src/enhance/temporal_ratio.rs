//! The ratio of two images of one comet, of different times.

use super::{AT_ONCE, check, check_centre};
use crate::ComaError;
use fanlight_image::{Image, PixelBox};
use fanlight_sky::PixelXy;
use rayon::prelude::*;

/// Fewest pixels that the two images are brought to one level by.
const MIN_PIXELS: usize = 8;

/// How two images are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioConfig {
    /// Inner radius of the annulus whose mean both are scaled to, px; 0 for an aperture.
    pub inner_px: f64,
    /// Outer radius, px.
    pub outer_px: f64,
    /// Least signal per pixel, in the image's unit, of the image and of the scaled reference; with less in either the ratio is
    /// absent. A few times the noise.
    pub min_signal: f64,
}

/// Temporal ratio: the image over a reference image of the same grid, scaled to the same mean in an annulus about the nucleus. Both must be sky-subtracted
/// and registered on the nucleus.
///
/// Brightness is kept, multiplicatively, where both are calibrated alike and have one star width: the ratio times the
/// scaled reference gives the image back. Only pixels good in both count. NaN where either is missing or below `min_signal`.
///
/// Known artefacts: a difference in seeing or focus makes a ring at the nucleus, one in registration a dipole; star trails and
/// their residuals differ; a sky level that is off makes a radial ramp outward; what did not change between the two is not seen.
///
/// # Errors
/// When the sizes differ, the centre is outside the image, a number of the config is outside its range, fewer than eight pixels
/// of the annulus are good in both, or either's mean in it is not above 0.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (review of the technique and its artefacts).
pub fn temporal_ratio(
    image: &Image,
    reference: &Image,
    centre: PixelXy,
    config: &RatioConfig,
) -> Result<Image, ComaError> {
    let RatioConfig { inner_px, outer_px, min_signal } = *config;
    let (width, height) = (image.width, image.height);
    if (reference.width, reference.height) != (width, height) {
        let (found_width, found_height) = (reference.width, reference.height);
        return Err(ComaError::SizeMismatch { what: "the reference image", found_width, found_height, width, height });
    }
    check("inner_px", inner_px, |r| r.is_finite() && r >= 0.0, "the numbers from 0")?;
    check("outer_px", outer_px, |r| r.is_finite() && r > inner_px, "the numbers above inner_px")?;
    check("min_signal", min_signal, |s| s.is_finite() && s > 0.0, "the finite numbers above 0")?;
    check_centre(image, centre)?;
    if image.data.is_empty() {
        return Ok(image.clone());
    }

    let (mut n, mut sum, mut reference_sum) = (0_usize, 0.0, 0.0);
    if let Some(area) = PixelBox::around(centre.x_px, centre.y_px, outer_px, width, height) {
        for y in area.y0..area.y1 {
            let (row, reference_row) = (&image.row(y)[area.x0..area.x1], &reference.row(y)[area.x0..area.x1]);
            let dy = y as f64 - centre.y_px;
            for (i, (a, b)) in row.iter().zip(reference_row).enumerate() {
                let dx = (area.x0 + i) as f64 - centre.x_px;
                let radius = (dx * dx + dy * dy).sqrt();
                if radius >= inner_px && radius < outer_px && a.is_finite() && b.is_finite() {
                    n += 1;
                    sum += f64::from(*a);
                    reference_sum += f64::from(*b);
                }
            }
        }
    }
    if n < MIN_PIXELS {
        return Err(ComaError::TooFew { what: "pixels good in both images", found: n, needed: MIN_PIXELS });
    }
    check("the image's mean in the annulus", sum / n as f64, |m| m > 0.0, "the numbers above 0")?;
    check("the reference's mean in the annulus", reference_sum / n as f64, |m| m > 0.0, "the numbers above 0")?;
    let scale = sum / reference_sum;
    let mut out = image.clone();
    out.data.par_chunks_mut(AT_ONCE).zip(reference.data.par_chunks(AT_ONCE)).for_each(|(values, references)| {
        for (value, reference) in values.iter_mut().zip(references) {
            let (signal, scaled) = (f64::from(*value), scale * f64::from(*reference));
            let enough = signal >= min_signal && scaled >= min_signal;
            *value = if enough { (signal / scaled) as f32 } else { f32::NAN };
        }
    });
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRE: PixelXy = PixelXy { x_px: 30.0, y_px: 30.0 };
    const CONFIG: RatioConfig = RatioConfig { inner_px: 5.0, outer_px: 20.0, min_signal: 2.0 };

    fn image_of(f: impl Fn(f64, f64) -> f64) -> Image {
        let pixel = |i: usize| {
            let (dx, dy) = ((i % 61) as f64 - 30.0, (i / 61) as f64 - 30.0);
            f(dx.hypot(dy), dy.atan2(dx)) as f32
        };
        Image { width: 61, height: 61, data: (0..61 * 61).map(pixel).collect() }
    }

    fn coma(r: f64) -> f64 {
        100.0 / r.max(1.0)
    }

    #[test]
    fn what_is_new_stands_out_of_one() {
        let today = image_of(|r, t| coma(r) * if t.abs() < 0.1 && r > 20.0 { 1.4 } else { 1.0 });
        let got = temporal_ratio(&today, &image_of(|r, _| 8.0 * coma(r)), CENTRE, &CONFIG).unwrap();
        assert!((got.at(55, 30) - 1.4).abs() < 1e-6 && (got.at(30, 10) - 1.0).abs() < 1e-6);
        let same = temporal_ratio(&today, &today, CENTRE, &CONFIG).unwrap();
        assert!(same.data.iter().all(|v| *v == 1.0 || v.is_nan()));
    }

    #[test]
    fn too_little_signal_in_either_is_absent() {
        // 100/ρ falls below 2 beyond 50 px, 2.4 times fainter ones beyond 40
        let mut today = image_of(|r, _| coma(r));
        let reference = image_of(|r, _| if r > 25.0 { 0.01 } else { coma(r) });
        today.data[30 * 61 + 40] = 1.9;
        today.data[30 * 61 + 20] = f32::NAN;
        let got = temporal_ratio(&today, &reference, CENTRE, &CONFIG).unwrap();
        assert!(got.at(40, 30).is_nan() && got.at(20, 30).is_nan() && got.at(58, 30).is_nan());
        assert!(got.at(30, 41).is_finite());
    }

    #[test]
    fn what_cannot_be_compared_is_refused() {
        let image = image_of(|r, _| coma(r));
        let ratio = |reference: &Image, config: RatioConfig| temporal_ratio(&image, reference, CENTRE, &config);
        assert!(ratio(&Image::filled(60, 61, 1.0), CONFIG).is_err());
        assert!(ratio(&image_of(|_, _| -1.0), CONFIG).is_err());
        assert!(ratio(&image_of(|_, _| f64::NAN), CONFIG).is_err());
        assert!(ratio(&image, RatioConfig { outer_px: 5.0, ..CONFIG }).is_err());
        assert!(ratio(&image, RatioConfig { min_signal: 0.0, ..CONFIG }).is_err());
        assert!(ratio(&image, RatioConfig { inner_px: -1.0, ..CONFIG }).is_err());
    }
}
