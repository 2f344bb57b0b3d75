//! What the sky was like when each frame was taken: heights of comet, Sun and Moon, and the stars beside the nucleus.

use super::first_pass::FirstLook;
use super::second_pass::SkyStar;
use fanlight_coma::zero_point::{self, FrameZeroPoint};
use fanlight_record::NearStarRecord;
use fanlight_sky::{Motion, Site, SkyPosition};

/// Heights at a frame's middle, degrees, airless.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circumstances {
    /// The comet's.
    pub altitude_deg: f64,
    /// Its airmass; absent under the horizon.
    pub airmass: Option<f64>,
    /// The Sun's.
    pub sun_altitude_deg: f64,
    /// The Moon's.
    pub moon_altitude_deg: f64,
}

/// The circumstances of each look; absent where the ephemeris cannot be computed.
pub fn of_all(looks: &[FirstLook], motion: &Motion, site: &Site) -> Vec<Option<Circumstances>> {
    let at = |look: &FirstLook| {
        let g = fanlight_sky::viewing_geometry(motion, site, look.light.mid).ok()?;
        Some(Circumstances {
            altitude_deg: g.altitude_deg,
            airmass: fanlight_sky::airmass(g.altitude_deg),
            sun_altitude_deg: g.sun_altitude_deg,
            moon_altitude_deg: g.moon_altitude_deg,
        })
    };
    looks.iter().map(at).collect()
}

/// Undisturbed frames that can say alone where the comet is, if they are a third of all.
const FEWEST_VOTES: usize = 3;

/// Whether so many frames without a star beside the nucleus can say where the comet is without the others.
pub fn can_speak_alone(undisturbed: usize, all: usize) -> bool {
    undisturbed >= FEWEST_VOTES && 3 * undisturbed >= all
}

/// A star that gives less than this share of the comet's light in the seeing disc moves no centre by a hundredth of the
/// disc's width.
const LEAST_SHARE: f64 = 0.01;

/// For each look the star, if any, that stands within one star width of the nucleus and gives over one per cent of the light
/// there: the one with the most light. Stars come with their flux at the stack's zero point.
pub fn stars_near_nucleus(
    looks: &[FirstLook],
    zero_points: &[Option<FrameZeroPoint>],
    stack_zero_point_mag: Option<f64>,
    stars: &[SkyStar],
    nucleus: impl Fn(&FirstLook) -> SkyPosition,
) -> Vec<Option<NearStarRecord>> {
    let Some(stack_zero_point) = stack_zero_point_mag else { return vec![None; looks.len()] };
    looks
        .iter()
        .zip(zero_points)
        .map(|(look, zero_point)| {
            let scale = zero_point::scale_to_stack(stack_zero_point_mag, Some((*zero_point)?));
            let width_px = look.shape.as_ref()?.shape.fwhm_px();
            let coma = look.coma.light_within(width_px).max(0.0) * scale / look.light.exposure_s;
            let place = nucleus(look);
            let radius_arcsec = width_px * look.scale_arcsec;
            let near = stars.iter().filter_map(|s| {
                let distance_arcsec = place.separation_arcsec(&s.place);
                let light_share = s.flux_e_per_s / (coma + s.flux_e_per_s);
                let counts = distance_arcsec <= radius_arcsec && s.flux_e_per_s > 0.0 && light_share >= LEAST_SHARE;
                counts.then(|| NearStarRecord {
                    mag: stack_zero_point - 2.5 * s.flux_e_per_s.log10(),
                    distance_arcsec,
                    light_share,
                })
            });
            near.max_by(|a, b| a.light_share.total_cmp(&b.light_share))
        })
        .collect()
}
