//! Which frames are good enough, by rules that the page states.

use super::circumstances::Circumstances;
use super::first_pass::FirstLook;
use fanlight_coma::zero_point::FrameZeroPoint;
use fanlight_image::robust;

/// A frame of whose brightest stars more than this share has a second image at one and the same distance is left out …
const DOUBLE_SHARE: f64 = 0.5;
/// … unless more than this share of the frames is like it: then it is no jump of the mount.
const MOST_DOUBLE: f64 = 1.0 / 3.0;
/// A frame with stars wider than this times the night's median is left out.
const WIDEST_FWHM: f64 = 1.5;
/// A frame less transparent than the night's median by more than this is left out.
const DEEPEST_CLOUD_MAG: f64 = 0.5;
/// A frame with fewer stars than this share of the median is left out …
const FEWEST_STARS: f64 = 0.25;
/// … where the median is at least this, and the exposure no shorter than half the median one.
const ENOUGH_STARS: f64 = 20.0;
/// A frame with stars more elongated than this times the night's median is left out.
const WORST_ELONGATION: f64 = 1.35;
/// A frame whose weight for its exposure time is under this share of the median is left out.
const LEAST_WEIGHT: f64 = 0.1;

/// The rules as the page states them.
pub fn rules() -> String {
    format!(
        "Frames were left out where over {:.0} % of the brightest stars have a second image at the same distance while few \
         frames are like it (a jump of the mount), where stars are wider than {WIDEST_FWHM} times the night's median, where \
         the sky is less transparent than the median by over {DEEPEST_CLOUD_MAG} mag, where under {:.0} % of the median \
         number of stars were found, where stars are more elongated than {WORST_ELONGATION} times the median, where a \
         second of exposure has under {:.0} % of the median weight (a sky too bright to add anything), or where the comet's \
         centre is saturated while it is not in most frames.",
        100.0 * DOUBLE_SHARE,
        100.0 * FEWEST_STARS,
        100.0 * LEAST_WEIGHT
    )
}

/// What frames are judged by.
#[derive(Clone, Copy)]
pub struct Evidence<'a> {
    /// The first looks.
    pub looks: &'a [FirstLook],
    /// Per look.
    pub zero_points: &'a [Option<FrameZeroPoint>],
    /// Per look.
    pub weights: &'a [f64],
    /// Per look.
    pub circumstances: &'a [Option<Circumstances>],
}

/// Leaves out the good frames in which the comet's centre is saturated, where it is not in most of them: the others show it. Where
/// it is in most, they are kept, and what that means is told.
pub fn leave_out_saturated(looks: &[FirstLook], rejected: &mut [Option<String>]) -> Option<String> {
    let good: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let saturated: Vec<usize> = good.iter().copied().filter(|i| looks[*i].saturated_centre).collect();
    if saturated.is_empty() {
        return None;
    }
    if 2 * saturated.len() <= good.len() {
        saturated.iter().for_each(|i| rejected[*i] = Some("the comet's centre is saturated in it".into()));
        return None;
    }
    Some(format!(
        "In {} of {} frames the comet's centre is saturated: how bright it is there is not known, and the comet is only said to \
         be brighter than the light around it. Shorter exposures would show it.",
        saturated.len(),
        good.len()
    ))
}

/// For each frame, why it is not good enough; `None` for a good one.
pub fn judge(evidence: &Evidence) -> Vec<Option<String>> {
    let Evidence { looks, zero_points, weights, circumstances } = evidence;
    let elongation = |l: &FirstLook| Some(l.shape.as_ref()?.shape.elongation());
    let sky = |l: &FirstLook| l.sky_e / l.light.exposure_s / l.scale_arcsec.powi(2);
    let is_double = |l: &FirstLook| l.double.filter(|d| d.share > DOUBLE_SHARE);
    let median = |values: Vec<f64>| robust::median_f64(&mut values.clone());
    let median_fwhm = median(looks.iter().filter_map(FirstLook::fwhm_arcsec).collect());
    let median_elongation = median(looks.iter().filter_map(elongation).collect());
    let median_zero_point = median(zero_points.iter().flatten().map(|z| z.zero_point_mag.value).collect());
    let median_stars = median(looks.iter().map(|l| l.n_stars as f64).collect()).unwrap_or(0.0);
    let median_exposure = median(looks.iter().map(|l| l.light.exposure_s).collect()).unwrap_or(0.0);
    let per_second: Vec<f64> = looks.iter().zip(*weights).map(|(l, w)| w / l.light.exposure_s).collect();
    let median_weight = median(per_second.iter().copied().filter(|w| *w > 0.0).collect()).unwrap_or(0.0);
    let median_sky = median(looks.iter().map(sky).collect()).unwrap_or(0.0);
    let doubles = looks.iter().filter(|l| is_double(l).is_some()).count();
    let jumps = doubles as f64 <= MOST_DOUBLE * looks.len() as f64;
    (0..looks.len())
        .map(|i| {
            let look = &looks[i];
            if let (Some(d), true) = (is_double(look), jumps) {
                return Some(format!(
                    "{:.0} % of its brightest stars stand twice, {:.1}″ apart (limit {:.0} %): the mount jumped",
                    100.0 * d.share,
                    d.separation_px * look.scale_arcsec,
                    100.0 * DOUBLE_SHARE
                ));
            }
            if let (Some(f), Some(m)) = (look.fwhm_arcsec(), median_fwhm)
                && f > WIDEST_FWHM * m
            {
                return Some(format!(
                    "stars are {f:.1}″ wide, the night's median is {m:.1}″ (limit {WIDEST_FWHM} times that)"
                ));
            }
            if let (Some(z), Some(m)) = (&zero_points[i], median_zero_point)
                && z.zero_point_mag.value < m - DEEPEST_CLOUD_MAG
            {
                let loss = m - z.zero_point_mag.value;
                return Some(format!(
                    "{loss:.2} mag less transparent than the night's median (limit {DEEPEST_CLOUD_MAG}): cloud"
                ));
            }
            let (stars, long_enough) = (look.n_stars as f64, look.light.exposure_s >= 0.5 * median_exposure);
            if median_stars >= ENOUGH_STARS && long_enough && stars < FEWEST_STARS * median_stars {
                return Some(format!(
                    "{stars:.0} stars were found, the night's median is {median_stars:.0} (limit {:.0} % of that): cloud or a \
                     bright sky",
                    100.0 * FEWEST_STARS
                ));
            }
            if let (Some(e), Some(m)) = (elongation(look), median_elongation)
                && e > WORST_ELONGATION * m
            {
                return Some(format!(
                    "stars are elongated by {e:.2}, the night's median is {m:.2} (limit {WORST_ELONGATION} times that)"
                ));
            }
            // 0 stands for a frame that was not weighed
            if per_second[i] > 0.0 && per_second[i] < LEAST_WEIGHT * median_weight {
                let sun = circumstances[i].map_or(String::new(), |c| format!(", with the Sun at {:.1}°", c.sun_altitude_deg));
                return Some(format!(
                    "its weight is {:.1} % of the night's median (limit {:.0} %): its sky is {:.1} times as bright as the \
                     median{}",
                    100.0 * per_second[i] / median_weight,
                    100.0 * LEAST_WEIGHT,
                    sky(look) / median_sky.max(f64::MIN_POSITIVE),
                    sun.replace('-', "−")
                ));
            }
            None
        })
        .collect()
}
