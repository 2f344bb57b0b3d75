//! Which frames are good enough, by rules that the page states.

use super::first_pass::FirstLook;
use fanlight_coma::zero_point::FrameZeroPoint;
use fanlight_image::robust;

/// A frame with stars wider than this times the night's median is left out.
const WIDEST_FWHM: f64 = 1.5;
/// A frame less transparent than the night's median by more than this is left out.
const DEEPEST_CLOUD_MAG: f64 = 0.5;
/// A frame with stars more elongated than this times the night's median is left out.
const WORST_ELONGATION: f64 = 1.35;

/// The rules as the page states them.
pub fn rules() -> String {
    format!(
        "Frames were left out where stars are wider than {WIDEST_FWHM} times the night's median, where the sky is less \
         transparent than the median by over {DEEPEST_CLOUD_MAG} mag, or where stars are more elongated than \
         {WORST_ELONGATION} times the median."
    )
}

/// For each frame, why it is not good enough; `None` for a good one.
pub fn judge(looks: &[&FirstLook], zero_points: &[Option<FrameZeroPoint>]) -> Vec<Option<String>> {
    let fwhm = |l: &FirstLook| Some(l.shape.as_ref()?.shape.fwhm_px() * l.scale_arcsec);
    let elongation = |l: &FirstLook| Some(l.shape.as_ref()?.shape.elongation());
    let median = |values: Vec<f64>| robust::median_f64(&mut values.clone());
    let median_fwhm = median(looks.iter().filter_map(|l| fwhm(l)).collect());
    let median_elongation = median(looks.iter().filter_map(|l| elongation(l)).collect());
    let median_zero_point = median(zero_points.iter().flatten().map(|z| z.zero_point_mag.value).collect());
    looks
        .iter()
        .zip(zero_points)
        .map(|(look, zero_point)| {
            if let (Some(f), Some(m)) = (fwhm(look), median_fwhm)
                && f > WIDEST_FWHM * m
            {
                return Some(format!("stars are {f:.1}″ wide, the night's median is {m:.1}″"));
            }
            if let (Some(z), Some(m)) = (zero_point, median_zero_point)
                && z.zero_point_mag.value < m - DEEPEST_CLOUD_MAG
            {
                let loss = m - z.zero_point_mag.value;
                return Some(format!("{loss:.2} mag less transparent than the night's median (cloud)"));
            }
            if let (Some(e), Some(m)) = (elongation(look), median_elongation)
                && e > WORST_ELONGATION * m
            {
                return Some(format!("stars are elongated by {e:.2}, the night's median is {m:.2}"));
            }
            None
        })
        .collect()
}
