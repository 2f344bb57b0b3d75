//! How much each frame counts, for the coma of this night.

use super::first_pass::{FIRST_FWHM_ARCSEC, FirstLook};
use fanlight_coma::weight::{self, ComaLight, FrameNoise};
use fanlight_coma::zero_point::{self, FrameZeroPoint};
use fanlight_image::robust;
use fanlight_record::sentences::RESOLVED_FWHM;

/// The weights of a night.
#[derive(Debug, Clone, PartialEq)]
pub struct Weights {
    /// The coma that they measure best.
    pub coma: ComaLight,
    /// One per look, in inverse (e⁻/s)²; 0 for one that has no zero point where others have.
    pub of: Vec<f64>,
}

/// Radius of the circle where the campaign has no aperture that is resolved, in star widths.
const WITHOUT_APERTURE: f64 = 3.0;

/// A zero point whose error is so many times the night's median is poor; errors of the others are taken as alike.
const POOR_ZERO_POINT: f64 = 1.5;

/// The weights that measure the light in the aperture that the summary quotes best: the middle one of those whose radius is
/// at least twice the star width.
pub fn weigh(looks: &[FirstLook], zero_points: &[Option<FrameZeroPoint>], apertures_arcsec: &[f64]) -> Weights {
    let median = |mut values: Vec<f64>| robust::median_f64(&mut values);
    let usual_width = median(looks.iter().filter_map(FirstLook::fwhm_arcsec).collect()).unwrap_or(FIRST_FWHM_ARCSEC);
    let mut resolved: Vec<f64> =
        apertures_arcsec.iter().copied().filter(|a| *a >= RESOLVED_FWHM * usual_width).collect();
    resolved.sort_by(f64::total_cmp);
    let middle = resolved.get(resolved.len().saturating_sub(1) / 2);
    let radius_arcsec = middle.copied().unwrap_or(WITHOUT_APERTURE * usual_width);

    let reference = median(zero_points.iter().flatten().map(|z| z.zero_point_mag.value).collect());
    let scales: Vec<f64> = zero_points.iter().map(|z| zero_point::scale_to_stack(reference, *z)).collect();
    let light = |(l, scale): (&FirstLook, &f64)| {
        l.coma.light_within(radius_arcsec / l.scale_arcsec) * scale / l.light.exposure_s
    };
    let light_e_per_s = median(looks.iter().zip(&scales).map(light).collect()).unwrap_or(0.0).max(0.0);
    let coma = ComaLight { radius_arcsec, light_e_per_s };
    // the scatter of a few dozen stars knows its own size to a tenth: frames differ by that for no reason
    let usual_sigma = median(zero_points.iter().flatten().map(|z| z.zero_point_mag.sigma).collect()).unwrap_or(0.0);
    let sigma = |z: FrameZeroPoint| match z.zero_point_mag.sigma {
        own if own > POOR_ZERO_POINT * usual_sigma => own,
        _ => usual_sigma,
    };
    let of = looks
        .iter()
        .zip(zero_points)
        .zip(&scales)
        .map(|((look, zero_point), scale)| {
            let beta = look.shape.as_ref().map_or(3.0, |s| s.shape.seeing().beta);
            let frame = FrameNoise {
                scale: *scale,
                exposure_s: look.light.exposure_s,
                sky_variance_e2: look.sky_variance_e2,
                scale_arcsec: look.scale_arcsec,
                zero_point_sigma_mag: zero_point.map_or(0.0, sigma),
                kept: weight::light_kept(look.fwhm_arcsec().unwrap_or(usual_width), beta, radius_arcsec),
            };
            // nobody knows how transparent a frame is of which no zero point could be measured
            if reference.is_some() && zero_point.is_none() { 0.0 } else { weight::weight(&frame, &coma) }
        })
        .collect();
    Weights { coma, of }
}
