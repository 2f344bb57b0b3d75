//! Where the comet is against its ephemeris: the frames' votes, and the stack's last word.

use super::circumstances::can_speak_alone;
use super::expected::Expected;
use super::first_pass::{self, FirstLook};
use super::measure_stack::MeasuredStack;
use super::moving;
use super::notes::Notes;
use fanlight_coma::register::{self, Offset, Vote};
use fanlight_coma::zero_point::FrameZeroPoint;
use fanlight_record::NearStarRecord;
use fanlight_sky::UtcInstant;

/// The night's offset from the ephemeris by the frames that are good; `shared` is where the frames together show a condensation.
pub fn night_offset(
    looks: &[FirstLook],
    (rejected, beside): (&[Option<String>], &[Option<NearStarRecord>]),
    (expected, shared): (&Expected, Option<(f64, f64)>),
    notes: &mut Notes,
) -> Option<Offset> {
    let good: Vec<&FirstLook> = looks.iter().zip(rejected).filter(|(_, r)| r.is_none()).map(|(l, _)| l).collect();
    let placed = || looks.iter().zip(rejected).zip(beside).filter(|((l, r), _)| r.is_none() && l.place.is_some());
    let vote = |((l, _), _): ((&FirstLook, _), _)| l.place.map(|(_, vote)| vote);
    let votes: Vec<Vote> = placed().filter_map(vote).collect();
    let undisturbed: Vec<Vote> = placed().filter(|(_, star)| star.is_none()).filter_map(vote).collect();
    match register::night_offset(&votes) {
        Ok(offset) => {
            let offset = if offset.agree { offset } else { shared_or(offset, &votes, looks, rejected) };
            if !offset.agree {
                notes.warn(UNCERTAIN);
                notes.warn(not_where_expected(&good, expected));
            } else if moving::is_a_star(&good, (offset.east_arcsec, offset.north_arcsec)) {
                notes.warn(not_where_expected(&good, expected));
                return None;
            }
            let offset = without_disturbed(offset, &undisturbed, votes.len(), notes);
            let dropped = offset.kept.iter().filter(|k| !**k).count();
            if dropped > 0 {
                let frames = if dropped == 1 { "1 frame".to_string() } else { format!("{dropped} frames") };
                notes.warn(format!(
                    "In {frames} the comet's measured place was off the night's motion (a star or a defect near it); the \
                     motion was followed there."
                ));
            }
            Some(offset)
        }
        Err(_) => {
            // a saturated centre has no centroid
            let saturated = good.iter().any(|l| l.saturated_centre);
            let found = shared.filter(|o| saturated && !moving::is_a_star(&good, *o));
            if found.is_none() {
                notes.warn(not_where_expected(&good, expected));
            }
            let scale_arcsec = good.iter().map(|l| l.scale_arcsec).fold(0.0, f64::max);
            found.map(|o| of_condensations(o, scale_arcsec, Vec::new()))
        }
    }
}

/// The offset by the frames without a star beside the nucleus, where there are enough of them.
fn without_disturbed(offset: Offset, undisturbed: &[Vote], all: usize, notes: &mut Notes) -> Offset {
    let disturbed = all - undisturbed.len();
    if disturbed == 0 || !offset.agree {
        return offset;
    }
    if !can_speak_alone(undisturbed.len(), all) {
        notes.warn(format!(
            "A star stands within the seeing disc of the nucleus in {disturbed} of {all} frames: they had to say where the comet \
             is, and its place may be pulled toward the star."
        ));
        return offset;
    }
    register::night_offset(undisturbed).ok().filter(|o| o.agree).unwrap_or(offset)
}

const UNCERTAIN: &str = "The comet's place differs from frame to frame by more than its errors allow, and no place is \
    shared by a third of the frames: the offset from the ephemeris is uncertain by that scatter unless the stack shows the \
    comet.";

/// That the comet is not where it was expected, and where in the frames something is that moves as it should.
fn not_where_expected(good: &[&FirstLook], expected: &Expected) -> String {
    let scale_arcsec = good.iter().map(|l| l.scale_arcsec).fold(0.0, f64::max);
    let whose = if expected.offset_arcsec == (0.0, 0.0) { "its ephemeris place" } else { "the place given with --at" };
    let first = format!(
        "The comet was not found within {:.0}″ of {whose}: frames were registered by the orbit's motion alone, and brightness \
         inside the apertures may be a limit.",
        first_pass::SEARCH_ARCSEC
    );
    let Some(moving) = moving::find(good) else {
        return format!(
            "{first} Nothing else that moves as the comet should was found in the part of the frames that was read: is the \
             orbit this comet's, and DATE-OBS in UTC?"
        );
    };
    let (east, north) = moving.offset_arcsec;
    let mid = mean_mid(good);
    let across_arcsec = first_pass::shared_tolerance_arcsec(scale_arcsec);
    let cause = match moving::clock_behind_s(expected, mid, moving.offset_arcsec, across_arcsec) {
        Some(s) => format!("that is along the motion, as if the camera's clock were {}", moving::clock_in_words(s)),
        None => {
            "that is not along the motion, so no clock explains it: the orbit is old, or another comet's".to_owned()
        }
    };
    let at = expected.orbit_place(mid).map(|p| p.offset_by_arcsec(east, north));
    let hint = at.map_or_else(
        |_| String::new(),
        |p| format!(" --at {:.5},{:+.5} measures it there, with the orbit's motion.", p.ra_deg, p.dec_deg),
    );
    format!(
        "{first} The brightest source that moves as the comet should (in {} of {} frames) is {:.0}″ away, {} in right \
         ascension times cos δ and {} in declination; {cause}.{hint}",
        moving.seen,
        moving.frames,
        east.hypot(north),
        super::record::signed(east, 0),
        super::record::signed(north, 0)
    )
}

/// Exposure-weighted mean of the mid-times.
fn mean_mid(looks: &[&FirstLook]) -> UtcInstant {
    let first = looks[0].light.mid;
    let total: f64 = looks.iter().map(|l| l.light.exposure_s).sum();
    first
        .plus_seconds(looks.iter().map(|l| l.light.exposure_s * l.light.mid.seconds_since(&first)).sum::<f64>() / total)
}

/// Where the frames' places disagree (a bright star near a faint comet), the offset that their condensations share.
fn shared_or(votes: Offset, all: &[Vote], looks: &[FirstLook], rejected: &[Option<String>]) -> Offset {
    let good = || looks.iter().zip(rejected).filter(|(_, r)| r.is_none()).map(|(l, _)| l);
    let scale_arcsec = good().map(|l| l.scale_arcsec).fold(0.0, f64::max);
    let candidates: Vec<Vec<(f64, f64)>> = good().map(|l| l.candidates_arcsec.clone()).collect();
    let tolerance_arcsec = first_pass::shared_tolerance_arcsec(scale_arcsec);
    let Some((east_arcsec, north_arcsec)) = register::shared_offset(&candidates, tolerance_arcsec) else {
        return votes;
    };
    let near = |v: &Vote| (v.east_arcsec - east_arcsec).hypot(v.north_arcsec - north_arcsec) <= tolerance_arcsec;
    of_condensations((east_arcsec, north_arcsec), scale_arcsec, all.iter().map(near).collect())
}

/// An offset that frames' condensations share: they are known to the pixel.
fn of_condensations((east_arcsec, north_arcsec): (f64, f64), scale_arcsec: f64, kept: Vec<bool>) -> Offset {
    Offset { east_arcsec, north_arcsec, sigma_arcsec: 0.5 * scale_arcsec, kept, agree: true }
}

/// A frame without a zero point cannot be scaled; one whose WCS is untied and whose comet is elsewhere is misplaced.
pub fn leave_out_lost_frames(
    looks: &[FirstLook],
    zero_points: &[Option<FrameZeroPoint>],
    calibrated: bool,
    offset: Option<&Offset>,
    rejected: &mut [Option<String>],
) {
    for ((look, zero_point), reason) in looks.iter().zip(zero_points).zip(rejected).filter(|(_, r)| r.is_none()) {
        if calibrated && zero_point.is_none() {
            *reason = Some("fewer than three catalogue stars could be measured in it".into());
        } else if let (Some(offset), Some((_, vote)), None) = (offset, look.place, look.solution.as_ref()) {
            let away = (vote.east_arcsec - offset.east_arcsec).hypot(vote.north_arcsec - offset.north_arcsec);
            if away > (5.0 * look.scale_arcsec).max(10.0 * offset.sigma_arcsec) {
                *reason = Some(format!(
                    "its WCS could not be tied to stars and puts the comet {away:.0}″ from the night's motion"
                ));
            }
        }
    }
}

/// The night's final offset and the frames' final places.
///
/// The stack's fitted optocentre gives the offset. The frames' centroids, taken again after the stars were removed, are
/// pulled by a lopsided coma, all alike: their mean is brought to the same offset, and their scatter is in their errors.
pub fn centre_on_optocentre(
    offset: Option<Offset>,
    stack: &MeasuredStack,
    looks: &mut [FirstLook],
    rejected: &[Option<String>],
) -> Option<Offset> {
    let votes: Vec<Vote> = looks
        .iter()
        .zip(rejected)
        .filter(|(_, r)| r.is_none())
        .filter_map(|(l, _)| l.place.map(|(_, vote)| vote))
        .collect();
    let Some(optocentre) = &stack.optocentre else { return lopsidedness_unknown(offset, stack, looks) };
    let local = &stack.grid.local;
    let (east, north) =
        fanlight_coma::stack::apply(local.arcsec_per_px, (optocentre.x_px - local.x_px, optocentre.y_px - local.y_px));
    let registered = offset.as_ref().map_or((0.0, 0.0), |o| (o.east_arcsec, o.north_arcsec));
    let (east_arcsec, north_arcsec) = (registered.0 + east, registered.1 + north);
    let own_sigma = optocentre.sigma_px() * stack.scale_arcsec();
    let alone =
        Offset { east_arcsec, north_arcsec, sigma_arcsec: own_sigma, kept: vec![false; votes.len()], agree: true };
    let Ok(centroids) = register::night_offset(&votes) else { return Some(alone) };
    let pull = (east_arcsec - centroids.east_arcsec, north_arcsec - centroids.north_arcsec);
    if !centroids.agree || pull.0.hypot(pull.1) > width_arcsec(stack) {
        // no coma is so lopsided: these are places of a star, but for those that the blur allows
        forget_strays(looks, &alone, width_arcsec(stack));
        for (_, vote) in looks.iter_mut().filter_map(|l| l.place.as_mut()) {
            let away = (vote.east_arcsec - east_arcsec).hypot(vote.north_arcsec - north_arcsec);
            vote.sigma_arcsec = vote.sigma_arcsec.hypot(UNKNOWN_PULL_PX * stack.scale_arcsec()).max(away);
        }
        return Some(alone);
    }
    // a lopsided coma is corrected for, by a model that need not be its own
    let model_sigma = LOPSIDED_ERROR * pull.0.hypot(pull.1);
    let shared_sigma = own_sigma.hypot(model_sigma);
    let excess_sigma = excess_scatter(&votes, &centroids);
    for look in looks.iter_mut() {
        if let Some((place, vote)) = &mut look.place {
            *place = place.offset_by_arcsec(pull.0, pull.1);
            vote.east_arcsec += pull.0;
            vote.north_arcsec += pull.1;
            let away = (vote.east_arcsec - east_arcsec).hypot(vote.north_arcsec - north_arcsec);
            vote.sigma_arcsec =
                [vote.sigma_arcsec, excess_sigma, shared_sigma].iter().map(|s| s * s).sum::<f64>().sqrt();
            // a frame off the night's motion (a star or a defect near the nucleus) is as wrong as it is far off
            if away > OFF_MOTION_SIGMA * vote.sigma_arcsec {
                vote.sigma_arcsec = away;
            }
        }
    }
    let sigma_arcsec = centroids.sigma_arcsec.hypot(shared_sigma);
    let offset = Offset { east_arcsec, north_arcsec, sigma_arcsec, ..centroids };
    forget_strays(looks, &offset, width_arcsec(stack));
    Some(offset)
}

/// Width of the kernel on the sky.
fn width_arcsec(stack: &MeasuredStack) -> f64 {
    stack.kernel.map_or(3.0, |k| k.fwhm_px()) * stack.scale_arcsec()
}

/// A place further from the night's motion than the blur is wide is a star's: in that frame
/// the comet was not measured.
fn forget_strays(looks: &mut [FirstLook], offset: &Offset, width_arcsec: f64) {
    for look in looks {
        look.place = look.place.take().filter(|(_, v)| !is_stray(v, offset, width_arcsec));
    }
}

fn is_stray(vote: &Vote, offset: &Offset, width_arcsec: f64) -> bool {
    (vote.east_arcsec - offset.east_arcsec).hypot(vote.north_arcsec - offset.north_arcsec) > width_arcsec
}

/// Without a fitted optocentre nobody knows by how much a lopsided coma pulls the centroids: it is in every error.
fn lopsidedness_unknown(offset: Option<Offset>, stack: &MeasuredStack, looks: &mut [FirstLook]) -> Option<Offset> {
    let sigma_arcsec = UNKNOWN_PULL_PX * stack.scale_arcsec();
    for (_, vote) in looks.iter_mut().filter_map(|l| l.place.as_mut()) {
        vote.sigma_arcsec = vote.sigma_arcsec.hypot(sigma_arcsec);
    }
    let offset = offset.map(|o| Offset { sigma_arcsec: o.sigma_arcsec.hypot(sigma_arcsec), ..o })?;
    if offset.agree {
        forget_strays(looks, &offset, width_arcsec(stack));
    }
    Some(offset)
}

/// Pull of a centroid by a coma of common lopsidedness, per axis (0.02 to 0.5 px on simulated nights).
const UNKNOWN_PULL_PX: f64 = 0.15;

/// A frame's place further than this from the night's motion is not noise.
const OFF_MOTION_SIGMA: f64 = 3.0;

/// Error of the correction for a lopsided coma, as a share of it.
const LOPSIDED_ERROR: f64 = 0.15;

/// Scatter of the votes, per axis, beyond what their own errors give.
fn excess_scatter(votes: &[Vote], about: &Offset) -> f64 {
    let kept = || votes.iter().zip(&about.kept).filter(|(_, k)| **k).map(|(v, _)| v);
    let away = |v: &Vote| (v.east_arcsec - about.east_arcsec).powi(2) + (v.north_arcsec - about.north_arcsec).powi(2);
    let n = kept().count() as f64;
    if n < 3.0 {
        return 0.0;
    }
    let seen = kept().map(away).sum::<f64>() / (2.0 * (n - 1.0));
    let told = kept().map(|v| v.sigma_arcsec.powi(2)).sum::<f64>() / n;
    (seen - told).max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_beyond_the_blur_is_a_stars() {
        let offset = Offset { east_arcsec: 1.0, north_arcsec: -2.0, sigma_arcsec: 0.1, kept: Vec::new(), agree: true };
        let vote = |east, north| Vote { east_arcsec: east, north_arcsec: north, sigma_arcsec: 0.2 };
        assert!(!is_stray(&vote(3.0, -4.0), &offset, 4.0));
        assert!(is_stray(&vote(5.0, -2.5), &offset, 4.0));
    }
}
