//! The wings of the night's stars: what they add to the zero point, and what is said of them.

use super::first_pass::FirstLook;
use fanlight_coma::wings::{MIN_STARS, NoWings, Wings};
use fanlight_coma::zero_point::{FrameZeroPoint, NightZeroPoint};
use fanlight_image::moffat::StarImage;
use fanlight_image::{Measured, robust};

/// Magnitudes by which the zero points rise with the light that lies beyond the fitted images.
///
/// The night's median: wings do not change from frame to frame. `None` without a frame whose stars tell.
pub fn zero_point_step(wings: &Wings, looks: &[FirstLook], core: &StarImage) -> Option<Measured> {
    let of_frame = |l: &FirstLook| {
        let shape = l.shape.as_ref()?.shape;
        let growth = l.fluxes.total_light_factor?.value;
        Some(wings.total_light(growth, &shape.seeing(), &core.seeing()))
    };
    let totals: Vec<Measured> = looks.iter().filter_map(of_frame).collect();
    let factor = robust::median_f64(&mut totals.iter().map(|t| t.value).collect::<Vec<f64>>())?;
    let sigma = robust::median_f64(&mut totals.iter().map(|t| t.sigma).collect::<Vec<f64>>())?;
    (factor > 0.9).then(|| Measured::new(2.5 * factor.log10(), 1.0857 * sigma / factor))
}

/// Raises all zero points by a step whose error they share.
pub fn raise(step: Measured, solution: &mut NightZeroPoint, frames: &mut [Option<FrameZeroPoint>]) {
    let all = frames.iter_mut().chain(&mut solution.frames).flatten();
    all.for_each(|z| z.zero_point_mag.value += step.value);
    solution.common_sigma_mag = solution.common_sigma_mag.hypot(step.sigma);
}

/// What is said of a night's wings; nothing where they were not sought.
pub fn note(wings: Option<&Result<Wings, NoWings>>, step: Option<Measured>, scale_arcsec: f64) -> Option<String> {
    let said = match wings? {
        Err(NoWings::TooFewStars(n)) => format!(
            "Halo and rays of bright stars were not measured: {n} stars are bright enough, {MIN_STARS} are needed. Stars are \
             taken out by their cores alone."
        ),
        Err(NoWings::NoneSeen(n)) => {
            format!("Around {n} bright stars neither halo nor rays stand out of what scatters from star to star.")
        }
        Ok(w) => {
            let mut parts = Vec::new();
            if let Some(share) = w.halo_share {
                parts.push(format!(
                    "a halo of {:.1} ± {:.1}\u{202f}% of the light between {:.0}″ and {:.0}″",
                    100.0 * share.value,
                    100.0 * share.sigma,
                    w.inner_px * scale_arcsec,
                    w.outer_px * scale_arcsec
                ));
            }
            if !w.rays.is_empty() {
                let n = w.rays.len();
                parts.push(format!("{n} rays with {:.1}\u{202f}% of it", 100.0 * w.rays_share()));
            }
            let added = step.map_or(String::new(), |s| {
                format!(" With this light the zero point rises by {:.3} ± {:.3} mag.", s.value, s.sigma)
            });
            format!(
                "{} bright stars show, beyond the fitted star image, {}; this is taken out with the stars.{added}",
                w.n_stars,
                parts.join(" and ")
            )
        }
    };
    Some(said)
}
