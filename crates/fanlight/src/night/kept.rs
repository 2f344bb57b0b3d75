//! The frames of the stack, with what places and scales them.

use super::circumstances::Circumstances;
use super::expected::Expected;
use super::first_pass::{FIRST_FWHM_ARCSEC, FirstLook};
use super::notes::Notes;
use super::second_pass::Kept;
use super::widths;
use crate::Failure;
use fanlight_coma::drift::{self, Drift, FieldStep, Followed};
use fanlight_coma::register::Offset;
use fanlight_coma::stack;
use fanlight_coma::zero_point::{self, FrameZeroPoint};
use fanlight_image::moffat::{FEW_STARS, Moffat, ShapeFit, StarImage, UNLIKE_SHARE, WidthPattern};
use fanlight_image::robust;
use fanlight_io::Campaign;
use fanlight_io::campaign::Tracking;
use fanlight_sky::{PixelXy, SkyPosition, UtcInstant};

/// What was found out about the looks, one entry each.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// Zero points.
    pub zero_points: &'a [Option<FrameZeroPoint>],
    /// Weights.
    pub weights: &'a [f64],
    /// Heights.
    pub circumstances: &'a [Option<Circumstances>],
    /// How the width of stars changes over the detector.
    pub widths: Option<&'a WidthPattern>,
}

/// The frames of the stack with what places and scales them.
pub fn kept_frames<'a>(
    looks: &'a [FirstLook],
    rejected: &[Option<String>],
    known: Known,
    stack_zero_point_mag: Option<f64>,
    (expected, offset): (&Expected, Option<&Offset>),
    campaign: &Campaign,
    notes: &mut Notes,
) -> Result<Vec<Kept<'a>>, Failure> {
    let good: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let typical = typical_fit(good.iter().map(|i| &looks[*i]));
    if typical.is_none() {
        notes.warn("No star image could be fitted: a star width of 3.5″ was assumed, and stars were not removed.");
    }
    let counts: Vec<Option<usize>> = good.iter().map(|i| looks[*i].shape.as_ref().map(|s| s.n_stars)).collect();
    notes.extend(few_stars_notes(&counts));
    let followed = followed(campaign, good.iter().map(|i| &looks[*i]), expected)?;
    if followed == Followed::Comet {
        notes.push(followed_note(good.iter().map(|i| &looks[*i])));
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
            let typical: StarImage =
                fit.map_or(Moffat::round(FIRST_FWHM_ARCSEC / look.scale_arcsec, 3.0).into(), |f| f.shape);
            let shape = widths::over_frame(typical, known.widths, look);
            let comet_px = look.window_wcs().pixel_from_sky(comet).map_err(Failure::data)?;
            let at_comet = shape.at(comet_px.x_px, comet_px.y_px);
            let motion_px = motion_px(expected, look)?;
            let steps = field_steps(looks, *i);
            let kernel = drift::frame_kernel(&at_comet, fit.and_then(|f| f.trail), motion_px, followed, &steps);
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

/// What is said of frames whose star image few stars made, or none: the number of stars of each frame's, `None` where there
/// is no star image.
fn few_stars_notes(counts: &[Option<usize>]) -> Vec<String> {
    let frames = |n: usize| format!("In {n} of {} frames", counts.len());
    let few = counts.iter().flatten().filter(|n| **n < FEW_STARS).count();
    let none = counts.iter().filter(|n| n.is_none()).count();
    let mut notes = Vec::new();
    if few > 0 {
        let percent = 100.0 * UNLIKE_SHARE;
        notes.push(format!(
            "{} fewer than {FEW_STARS} stars could be used for the star image: it may be off by what stars differ over a \
             field, about {percent:.0}\u{202f}% in width, and so may the seeing's share in the centre's surroundings.",
            frames(few)
        ));
    }
    if none > 0 && none < counts.len() {
        notes.push(format!(
            "{} no star could be used for the star image: the one of the night's median width was taken.",
            frames(none)
        ));
    }
    notes
}

const FOLLOWED_NOTE: &str = "The frames follow the comet: the stars are trailed by its motion, the comet is not. Its \
    kernel is the seeing without that trail.";

/// The same with the trail's length and the seeing under it, where they were measured.
fn followed_note<'a>(looks: impl Iterator<Item = &'a FirstLook>) -> String {
    let trailed =
        looks.filter_map(|l| l.shape.as_ref().filter(|s| s.trail.is_some()).map(|s| (l.scale_arcsec, s.shape)));
    let (mut lengths, mut widths): (Vec<f64>, Vec<f64>) =
        trailed.map(|(scale, s)| (scale * s.trail_length_px(), scale * s.seeing().fwhm_px())).unzip();
    match robust::median_f64(&mut lengths).zip(robust::median_f64(&mut widths)) {
        Some((length, width)) => {
            format!(
                "{FOLLOWED_NOTE} In the median frame the trails are {length:.1}″ long in seeing of {width:.1}″. Between \
                 long trails faint tracks of satellites are not sought; what is bright in one frame alone was clipped."
            )
        }
        None => FOLLOWED_NOTE.into(),
    }
}

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

/// Motion of the field over the pixels from the frame before and to the frame after, for the length of the exposure.
fn field_steps(looks: &[FirstLook], i: usize) -> Vec<FieldStep> {
    let look = &looks[i];
    let place = |l: &FirstLook| l.wcs.pixel_from_sky(look.expected).ok();
    let step = |other: &FirstLook| -> Option<FieldStep> {
        let seconds = other.light.mid.seconds_since(&look.light.mid);
        let (from, to) = (place(look)?, place(other)?);
        let share = look.light.exposure_s / seconds;
        let sigma = |l: &FirstLook, at: PixelXy| {
            let (x_px, y_px) = (at.x_px - l.window.x0 as f64, at.y_px - l.window.y0 as f64);
            l.wcs_sigma_px(PixelXy { x_px, y_px })
        };
        let sigma_px = share.abs() * sigma(look, from).hypot(sigma(other, to));
        let px = (share * (to.x_px - from.x_px), share * (to.y_px - from.y_px));
        (seconds != 0.0).then_some(FieldStep { px, sigma_px })
    };
    let before = i.checked_sub(1).and_then(|k| step(&looks[k]));
    let after = looks.get(i + 1).and_then(step);
    before.into_iter().chain(after).collect()
}

/// Path of the comet during an exposure over pixels that stand still on the sky.
fn motion_px(expected: &Expected, look: &FirstLook) -> Result<(f64, f64), Failure> {
    let at = look.wcs.pixel_from_sky(look.expected).unwrap_or(PixelXy { x_px: 0.0, y_px: 0.0 });
    let px_from_sky = stack::inverse(look.wcs.arcsec_per_px(at));
    Ok(stack::apply(px_from_sky, motion_during(expected, look)?))
}

/// Path of the comet on the sky during an exposure, (east, north) arcsec.
fn motion_during(expected: &Expected, look: &FirstLook) -> Result<(f64, f64), Failure> {
    let half = 0.5 * look.light.exposure_s;
    let at = |seconds: f64| -> Result<SkyPosition, Failure> {
        expected.orbit_place(look.light.mid.plus_seconds(seconds)).map_err(Failure::data)
    };
    Ok(at(-half)?.tangent_offset_arcsec(&at(half)?))
}

/// What the mount followed: as the campaign says, else the comet where most frames' stars are trailed by its motion.
fn followed<'a>(
    campaign: &Campaign,
    looks: impl Iterator<Item = &'a FirstLook>,
    expected: &Expected,
) -> Result<Followed, Failure> {
    match campaign.telescope.tracking {
        Some(Tracking::Comet) => return Ok(Followed::Comet),
        Some(Tracking::Stars) => return Ok(Followed::Stars),
        None => {}
    }
    let mut votes = (0usize, 0usize);
    for look in looks {
        let Some(fit) = &look.shape else { continue };
        let agrees = drift::follows_comet(fit.shape.trail_px(), motion_px(expected, look)?);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_stars_are_said() {
        assert!(few_stars_notes(&[Some(5), Some(20)]).is_empty());
        let said = few_stars_notes(&[Some(4), None, Some(20), Some(1)]);
        assert!(said.len() == 2 && said[0].starts_with("In 2 of 4 frames fewer than 5 stars"), "{said:?}");
        assert!(said[1].starts_with("In 1 of 4 frames no star"), "{said:?}");
        // of none at all another note speaks
        assert!(few_stars_notes(&[None, None]).is_empty());
    }
}
