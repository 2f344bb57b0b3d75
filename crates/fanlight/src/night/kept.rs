//! The frames of the stack, with what places and scales them.

use super::circumstances::Circumstances;
use super::first_pass::FirstLook;
use super::notes::Notes;
use super::second_pass::Kept;
use crate::{Failure, geometry};
use fanlight_coma::drift::{self, Drift, FieldStep, Followed};
use fanlight_coma::register::Offset;
use fanlight_coma::stack;
use fanlight_coma::zero_point::{self, FrameZeroPoint};
use fanlight_image::moffat::{Moffat, ShapeFit};
use fanlight_io::Campaign;
use fanlight_io::campaign::Tracking;
use fanlight_sky::{OrbitElements, PixelXy, SkyPosition, UtcInstant};

/// What was found out about the looks, one entry each.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// Zero points.
    pub zero_points: &'a [Option<FrameZeroPoint>],
    /// Weights.
    pub weights: &'a [f64],
    /// Heights.
    pub circumstances: &'a [Option<Circumstances>],
}

/// The frames of the stack with what places and scales them.
pub fn kept_frames<'a>(
    looks: &'a [FirstLook],
    rejected: &[Option<String>],
    known: Known,
    stack_zero_point_mag: Option<f64>,
    offset: Option<&Offset>,
    campaign: &Campaign,
    notes: &mut Notes,
) -> Result<Vec<Kept<'a>>, Failure> {
    let good: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let typical = typical_fit(good.iter().map(|i| &looks[*i]));
    if typical.is_none() {
        notes.warn("No star image could be fitted: a star width of 3.5″ was assumed, and stars were not removed.");
    }
    let orbit = campaign.orbit().map_err(geometry::campaign_failure)?;
    let site = campaign.site().map_err(geometry::campaign_failure)?;
    let followed = followed(campaign, good.iter().map(|i| &looks[*i]), &orbit, &site)?;
    if followed == Followed::Comet {
        notes.push(FOLLOWED_NOTE.into());
    }
    let mut drifts = Vec::with_capacity(good.len());
    let kept = good
        .iter()
        .map(|i| {
            let look = &looks[*i];
            let scale = zero_point::scale_to_stack(stack_zero_point_mag, known.zero_points[*i]);
            let comet =
                offset.map_or(look.expected, |o| look.predicted.offset_by_arcsec(o.east_arcsec, o.north_arcsec));
            let fit = look.shape.as_ref().or(typical);
            let shape = fit.map_or(Moffat::round(3.5 / look.scale_arcsec, 3.0).into(), |f| f.shape);
            let motion_px = motion_px(&orbit, &site, look)?;
            let steps = field_steps(looks, *i);
            let kernel = drift::frame_kernel(&shape, fit.and_then(|f| f.trail), motion_px, followed, &steps);
            drifts.push(kernel.drift);
            Ok(Kept {
                look,
                comet,
                scale,
                weight: known.weights[*i],
                airmass: known.circumstances[*i].and_then(|c| c.airmass),
                shape,
                kernel: kernel.part,
            })
        })
        .collect::<Result<Vec<Kept>, Failure>>()?;
    if followed == Followed::Stars {
        notes.extend(drift_note(&drifts));
    }
    Ok(kept)
}

const FOLLOWED_NOTE: &str = "The frames follow the comet: the stars are trailed by its motion, the comet is not. Its \
    kernel is the seeing without that trail.";

/// What is known of the drift that trails the stars; `None` where none is trailed.
fn drift_note(drifts: &[Drift]) -> Option<String> {
    let known = drifts.iter().filter(|d| matches!(d, Drift::Known(_))).count();
    let either = drifts.iter().filter(|d| matches!(d, Drift::Either(_))).count();
    if known + either == 0 {
        return None;
    }
    let told = match (known, either) {
        (_, 0) => "which way it drifted shows in the field's motion from frame to frame".to_string(),
        (0, _) => {
            "which way it drifted does not show, since the field does not move so from frame to frame: both ways \
                   are equally likely, and the kernel is the mean of both"
                .to_string()
        }
        _ => format!(
            "which way it drifted shows in {known} of them in the field's motion from frame to frame; in the others \
             both ways are equally likely, and the kernel is the mean of both"
        ),
    };
    Some(format!("The mount drifted: the stars of {} frames are trailed, and {told}.", known + either))
}

/// Error per axis assumed of a WCS that could not be tied.
const UNTIED_SIGMA_PX: f64 = 0.3;

/// Motion of the field over the pixels from the frame before and to the frame after, for the length of the exposure.
fn field_steps(looks: &[FirstLook], i: usize) -> Vec<FieldStep> {
    let look = &looks[i];
    let place = |l: &FirstLook| l.wcs.pixel_from_sky(look.expected).ok();
    let step = |other: &FirstLook| -> Option<FieldStep> {
        let seconds = other.light.mid.seconds_since(&look.light.mid);
        let (from, to) = (place(look)?, place(other)?);
        let share = look.light.exposure_s / seconds;
        let sigma = |l: &FirstLook| l.wcs_sigma_px.unwrap_or(UNTIED_SIGMA_PX);
        let sigma_px = share.abs() * sigma(look).hypot(sigma(other));
        let px = (share * (to.x_px - from.x_px), share * (to.y_px - from.y_px));
        (seconds != 0.0).then_some(FieldStep { px, sigma_px })
    };
    let before = i.checked_sub(1).and_then(|k| step(&looks[k]));
    let after = looks.get(i + 1).and_then(step);
    before.into_iter().chain(after).collect()
}

/// Path of the comet during an exposure over pixels that stand still on the sky.
fn motion_px(orbit: &OrbitElements, site: &fanlight_sky::Site, look: &FirstLook) -> Result<(f64, f64), Failure> {
    let at = look.wcs.pixel_from_sky(look.expected).unwrap_or(PixelXy { x_px: 0.0, y_px: 0.0 });
    let px_from_sky = stack::inverse(look.wcs.arcsec_per_px(at));
    Ok(stack::apply(px_from_sky, motion_during(orbit, site, look)?))
}

/// Path of the comet on the sky during an exposure, (east, north) arcsec.
fn motion_during(orbit: &OrbitElements, site: &fanlight_sky::Site, look: &FirstLook) -> Result<(f64, f64), Failure> {
    let half = 0.5 * look.light.exposure_s;
    let at = |seconds: f64| -> Result<SkyPosition, Failure> {
        fanlight_sky::comet_position(orbit, site, look.light.mid.plus_seconds(seconds)).map_err(Failure::data)
    };
    Ok(at(-half)?.tangent_offset_arcsec(&at(half)?))
}

/// What the mount followed: as the campaign says, else the comet where most frames' stars are trailed by its motion.
fn followed<'a>(
    campaign: &Campaign,
    looks: impl Iterator<Item = &'a FirstLook>,
    orbit: &OrbitElements,
    site: &fanlight_sky::Site,
) -> Result<Followed, Failure> {
    match campaign.telescope.tracking {
        Some(Tracking::Comet) => return Ok(Followed::Comet),
        Some(Tracking::Stars) => return Ok(Followed::Stars),
        None => {}
    }
    let mut votes = (0usize, 0usize);
    for look in looks {
        let Some(fit) = &look.shape else { continue };
        let agrees = drift::follows_comet(fit.shape.trail_px(), motion_px(orbit, site, look)?);
        votes.1 += 1;
        votes.0 += usize::from(fit.trail.is_some() && agrees);
    }
    Ok(if votes.0 * 2 > votes.1 { Followed::Comet } else { Followed::Stars })
}

/// Star image of the night's median width.
pub fn typical_fit<'a>(looks: impl Iterator<Item = &'a FirstLook>) -> Option<&'a ShapeFit> {
    let mut fits: Vec<&ShapeFit> = looks.filter_map(|l| l.shape.as_ref()).collect();
    fits.sort_by(|a, b| a.shape.fwhm_px().total_cmp(&b.shape.fwhm_px()));
    fits.get(fits.len() / 2).copied()
}

/// Exposure-weighted mean of the mid-times.
pub fn mean_mid(kept: &[Kept]) -> UtcInstant {
    let first = kept[0].look.light.mid;
    let total: f64 = kept.iter().map(|k| k.look.light.exposure_s).sum();
    let seconds: f64 =
        kept.iter().map(|k| k.look.light.exposure_s * k.look.light.mid.seconds_since(&first)).sum::<f64>() / total;
    first.plus_seconds(seconds)
}
