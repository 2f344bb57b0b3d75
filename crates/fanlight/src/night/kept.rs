//! The frames of the stack, with what places and scales them.

use super::first_pass::FirstLook;
use super::record;
use super::second_pass::Kept;
use crate::{Failure, geometry};
use fanlight_coma::register::Offset;
use fanlight_coma::zero_point::FrameZeroPoint;
use fanlight_image::moffat::Moffat;
use fanlight_io::Campaign;
use fanlight_io::campaign::Tracking;
use fanlight_sky::{OrbitElements, SkyPosition, UtcInstant};

/// The frames of the stack with what places and scales them.
pub fn kept_frames<'a>(
    looks: &'a [FirstLook],
    rejected: &[Option<String>],
    zero_points: &[Option<FrameZeroPoint>],
    stack_zero_point_mag: Option<f64>,
    offset: Option<&Offset>,
    campaign: &Campaign,
    notes: &mut Vec<String>,
) -> Result<Vec<Kept<'a>>, Failure> {
    let good: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let typical = typical_shape(good.iter().map(|i| &looks[*i]));
    if typical.is_none() {
        notes.push(
            "No star image could be fitted: a star width of 3.5″ was assumed, and stars were not removed.".into(),
        );
    }
    let orbit = campaign.orbit().map_err(geometry::campaign_failure)?;
    let site = campaign.site().map_err(geometry::campaign_failure)?;
    let tracked_on_comet = tracked_on_comet(campaign, good.iter().map(|i| &looks[*i]), &orbit, &site)?;
    if tracked_on_comet {
        notes.push(
            "The frames follow the comet: the trail is in the stars, and the width across it was taken for the seeing."
                .into(),
        );
    }
    good.iter()
        .map(|i| {
            let look = &looks[*i];
            let scale = match (stack_zero_point_mag, zero_points[*i]) {
                (Some(stack), Some(frame)) => 10f64.powf(0.4 * (stack - frame.zero_point_mag.value)),
                _ => 1.0,
            };
            let comet =
                offset.map_or(look.predicted, |o| look.predicted.offset_by_arcsec(o.east_arcsec, o.north_arcsec));
            let fallback = 3.5 / look.scale_arcsec;
            let shape = look.shape.as_ref().map(|s| s.shape).or(typical).unwrap_or(Moffat {
                fwhm_major_px: fallback,
                fwhm_minor_px: fallback,
                angle_rad: 0.0,
                beta: 3.0,
            });
            let motion_arcsec = if tracked_on_comet { (0.0, 0.0) } else { motion_during(&orbit, &site, look)? };
            Ok(Kept { look, comet, scale, shape, motion_arcsec })
        })
        .collect()
}

/// Path of the comet on the sky during an exposure, (east, north) arcsec.
fn motion_during(orbit: &OrbitElements, site: &fanlight_sky::Site, look: &FirstLook) -> Result<(f64, f64), Failure> {
    let half = 0.5 * look.light.exposure_s;
    let at = |seconds: f64| -> Result<SkyPosition, Failure> {
        fanlight_sky::comet_position(orbit, site, look.light.mid.plus_seconds(seconds)).map_err(Failure::data)
    };
    Ok(at(-half)?.tangent_offset_arcsec(&at(half)?))
}

/// Whether the mount followed the comet: as the campaign says, else as the stars' trails show.
fn tracked_on_comet<'a>(
    campaign: &Campaign,
    looks: impl Iterator<Item = &'a FirstLook>,
    orbit: &OrbitElements,
    site: &fanlight_sky::Site,
) -> Result<bool, Failure> {
    if let Some(tracking) = campaign.telescope.tracking {
        return Ok(tracking == Tracking::Comet);
    }
    let mut votes = (0usize, 0usize);
    for look in looks {
        let Some(shape) = look.shape.as_ref().map(|s| s.shape) else { continue };
        let (east, north) = motion_during(orbit, site, look)?;
        let path_px = east.hypot(north) / look.scale_arcsec;
        let pa = record::sky_angle_deg(look, shape.angle_rad);
        let off = (pa - east.atan2(north).to_degrees()).rem_euclid(180.0);
        let along = off.min(180.0 - off) < 12.0;
        votes.1 += 1;
        votes.0 += usize::from(path_px > shape.fwhm_minor_px && shape.elongation() > 1.25 && along);
    }
    Ok(votes.0 * 2 > votes.1)
}

/// Median star image of the night.
pub fn typical_shape<'a>(looks: impl Iterator<Item = &'a FirstLook>) -> Option<Moffat> {
    let mut shapes: Vec<Moffat> = looks.filter_map(|l| l.shape.as_ref().map(|s| s.shape)).collect();
    shapes.sort_by(|a, b| a.fwhm_px().total_cmp(&b.fwhm_px()));
    shapes.get(shapes.len() / 2).copied()
}

/// Exposure-weighted mean of the mid-times.
pub fn mean_mid(kept: &[Kept]) -> UtcInstant {
    let first = kept[0].look.light.mid;
    let total: f64 = kept.iter().map(|k| k.look.light.exposure_s).sum();
    let seconds: f64 =
        kept.iter().map(|k| k.look.light.exposure_s * k.look.light.mid.seconds_since(&first)).sum::<f64>() / total;
    first.plus_seconds(seconds)
}
