//! The path of the comet's image over the pixels during one exposure.
//!
//! Stars are drawn out along the drift of the field; the comet moves over the pixels by that drift and its own motion on
//! the sky together. A star image does not say at which end of its trail the exposure began: the sign comes from the
//! field's motion between exposures where the mount drifts steadily, or from the comet's motion where the mount followed
//! it.

use crate::kernel::KernelPart;
use fanlight_image::moffat::{HalfMaximum, Moffat, StarImage, TrailError};

/// What the mount followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Followed {
    /// The stars.
    Stars,
    /// The comet.
    Comet,
}

/// Motion of the field from one frame to the next, brought to the length of the exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldStep {
    /// Change of the pixel place of one point of the sky, over the time between, times the exposure.
    pub px: (f64, f64),
    /// Error per axis.
    pub sigma_px: f64,
}

/// Drift of the field during an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drift {
    /// The stars are not measurably trailed.
    None,
    /// From where to where stars moved.
    Known((f64, f64)),
    /// That or its reverse.
    Either((f64, f64)),
}

/// How a point at the comet is imaged in one frame, weight 1, and what the drift was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameKernel {
    /// The kernel in the frame's pixels.
    pub part: KernelPart,
    /// The drift that it holds.
    pub drift: Drift,
}

/// Share of a trail by which the drift of one exposure may differ from that between two frames: worms and gears are not
/// perfectly steady.
const UNSTEADY: f64 = 0.15;

/// The kernel of one frame from its star image and the comet's motion on the sky during the exposure, in its pixels.
pub fn frame_kernel(
    stars: &StarImage,
    trail: Option<TrailError>,
    motion_px: (f64, f64),
    followed: Followed,
    steps: &[FieldStep],
) -> FrameKernel {
    let drift = match (trail, followed) {
        (None, _) => Drift::None,
        (Some(error), Followed::Stars) => signed_drift(stars.trail_px(), sigma_px(&error), steps),
        (Some(_), Followed::Comet) => Drift::Known(against(stars.trail_px(), motion_px)),
    };
    let plus = |a: (f64, f64), b: (f64, f64)| (a.0 + b.0, a.1 + b.1);
    let (seeing, paths_px) = match (drift, followed) {
        (Drift::Known(drift), _) => (stars.seeing(), [plus(motion_px, drift); 2]),
        (Drift::Either(drift), _) => (stars.seeing(), [plus(motion_px, drift), plus(motion_px, (-drift.0, -drift.1))]),
        (Drift::None, Followed::Stars) => (stars.seeing(), [motion_px; 2]),
        (Drift::None, Followed::Comet) => {
            (seeing_under(&stars.half_maximum(), stars.seeing().beta, motion_px), [(0.0, 0.0); 2])
        }
    };
    FrameKernel { part: KernelPart { seeing, paths_px, weight: 1.0 }, drift }
}

/// The trail with the sign that the field's motion before or after the exposure gives.
///
/// A step speaks for a sign where it agrees with the trail, so turned, in length and direction within three errors and a
/// share for unsteadiness. No step that agrees (dithered, re-pointed, turned over), or steps that contradict each other,
/// leave both signs.
pub fn signed_drift(trail_px: (f64, f64), trail_sigma_px: f64, steps: &[FieldStep]) -> Drift {
    let length = trail_px.0.hypot(trail_px.1);
    let agrees = |step: &FieldStep, sign: f64| {
        let off = (step.px.0 - sign * trail_px.0).hypot(step.px.1 - sign * trail_px.1);
        let tolerance = 3.0 * trail_sigma_px.hypot(step.sigma_px) + UNSTEADY * length;
        // a tolerance as long as the trail would take a field at rest for either
        off < tolerance && tolerance < 0.8 * length
    };
    let any = |sign: f64| steps.iter().any(|s| agrees(s, sign));
    match (any(1.0), any(-1.0)) {
        (true, false) => Drift::Known(trail_px),
        (false, true) => Drift::Known((-trail_px.0, -trail_px.1)),
        _ => Drift::Either(trail_px),
    }
}

/// Whether a trail is the comet's motion, taken from the stars by a mount that followed it.
pub fn follows_comet(trail_px: (f64, f64), motion_px: (f64, f64)) -> bool {
    let drift = against(trail_px, motion_px);
    let left = (drift.0 + motion_px.0).hypot(drift.1 + motion_px.1);
    left < 0.2 * motion_px.0.hypot(motion_px.1)
}

/// The trail turned so that it runs against the motion.
fn against(trail_px: (f64, f64), motion_px: (f64, f64)) -> (f64, f64) {
    let along = trail_px.0 * motion_px.0 + trail_px.1 * motion_px.1;
    if along > 0.0 { (-trail_px.0, -trail_px.1) } else { trail_px }
}

fn sigma_px(error: &TrailError) -> f64 {
    error.length_sigma_px.max(error.across_sigma_px)
}

/// The elliptical seeing that a trail too short to be fitted draws out to the half-maximum contour seen.
fn seeing_under(seen: &HalfMaximum, beta: f64, trail_px: (f64, f64)) -> Moffat {
    // ln FWHM, and the ellipticity in doubled angles: regular for a round image
    let vector = |h: &HalfMaximum| {
        let (eta, (sin, cos)) = (0.5 * h.elongation().ln(), (2.0 * h.angle_rad).sin_cos());
        [h.fwhm_px().ln(), eta * cos, eta * sin]
    };
    let moffat = |v: [f64; 3]| {
        let (fwhm, stretch) = (v[0].exp(), v[1].hypot(v[2]).exp());
        Moffat { fwhm_major_px: fwhm * stretch, fwhm_minor_px: fwhm / stretch, angle_rad: 0.5 * v[2].atan2(v[1]), beta }
    };
    let target = vector(seen);
    if trail_px.0.hypot(trail_px.1) > seen.minor_px {
        // no such trail could have been missed: what the width across says is all there is
        return Moffat::round(seen.minor_px, beta);
    }
    let mut v = target;
    for _ in 0..ROUNDS {
        let got = vector(&StarImage::new(moffat(v), trail_px).half_maximum());
        (0..3).for_each(|k| v[k] += target[k] - got[k]);
    }
    moffat(v)
}

/// Rounds of [`seeing_under`]; a trail of half a width settles to 1e-3 in five.
const ROUNDS: usize = 12;

#[cfg(test)]
mod tests {
    use super::*;

    const ERROR: TrailError = TrailError { length_sigma_px: 0.03, across_sigma_px: 0.03, seeing_sigma_px: 0.02 };

    fn step(x: f64, y: f64) -> FieldStep {
        FieldStep { px: (x, y), sigma_px: 0.05 }
    }

    #[test]
    fn a_steady_drift_gives_its_sign() {
        let trail = (2.0, -1.0);
        assert_eq!(signed_drift(trail, 0.03, &[step(2.05, -1.1)]), Drift::Known(trail));
        assert_eq!(signed_drift(trail, 0.03, &[step(-1.9, 1.0), step(-2.1, 0.95)]), Drift::Known((-2.0, 1.0)));
        // one neighbour re-pointed
        assert_eq!(signed_drift(trail, 0.03, &[step(-14.0, 7.0), step(1.95, -1.0)]), Drift::Known(trail));
    }

    #[test]
    fn a_field_that_does_not_move_as_the_stars_do_leaves_both_signs() {
        let trail = (2.0, -1.0);
        for steps in [
            vec![],
            vec![step(0.0, 0.0)],
            // the right length across the trail
            vec![step(1.0, 2.0)],
            // the right direction, twice as far
            vec![step(4.0, -2.0)],
            // neighbours that contradict each other
            vec![step(2.0, -1.0), step(-2.0, 1.0)],
            // places too uncertain to tell one end from the other
            vec![FieldStep { px: trail, sigma_px: 1.0 }],
        ] {
            assert_eq!(signed_drift(trail, 0.03, &steps), Drift::Either(trail), "{steps:?}");
        }
    }

    #[test]
    fn the_comets_path_is_the_vector_sum() {
        let stars = StarImage::new(Moffat::round(3.0, 3.0), (3.0, 0.0));
        let motion = (0.5, 1.0);
        let kernel = |steps: &[FieldStep]| frame_kernel(&stars, Some(ERROR), motion, Followed::Stars, steps);
        assert_eq!(kernel(&[step(-3.0, 0.0)]).part.paths_px, [(-2.5, 1.0); 2]);
        assert_eq!(kernel(&[]).part.paths_px, [(3.5, 1.0), (-2.5, 1.0)]);
        assert_eq!(kernel(&[]).part.seeing, stars.seeing());
        let round = StarImage::from(Moffat::round(3.0, 3.0));
        let untrailed = frame_kernel(&round, None, motion, Followed::Stars, &[]);
        assert_eq!((untrailed.drift, untrailed.part.paths_px), (Drift::None, [motion; 2]));
    }

    #[test]
    fn a_mount_on_the_comet_leaves_the_comet_sharp() {
        let motion = (4.0, 3.0);
        for sign in [1.0, -1.0] {
            let stars = StarImage::new(Moffat::round(3.0, 3.0), (sign * 4.05, sign * 2.98));
            let kernel = frame_kernel(&stars, Some(ERROR), motion, Followed::Comet, &[]);
            let [(x, y), other] = kernel.part.paths_px;
            assert!(x.hypot(y) < 0.06 && (x, y) == other, "{kernel:?}");
            assert_eq!(kernel.part.seeing, Moffat::round(3.0, 3.0));
            assert!(follows_comet(stars.trail_px(), motion));
        }
        assert!(!follows_comet((4.0, -3.0), motion) && !follows_comet((8.0, 6.0), motion));
    }

    /// A short trail that was fitted as an ellipse is taken out of it: against the contour of the image it came from.
    #[test]
    fn a_short_trail_is_taken_out_of_an_ellipse() {
        let seeing = Moffat { fwhm_major_px: 2.6, fwhm_minor_px: 2.4, angle_rad: 0.4, beta: 3.2 };
        let motion = (-0.8, 1.1);
        let seen = StarImage::new(seeing, motion).half_maximum();
        let ellipse =
            Moffat { fwhm_major_px: seen.major_px, fwhm_minor_px: seen.minor_px, angle_rad: seen.angle_rad, beta: 3.2 };
        let kernel = frame_kernel(&ellipse.into(), None, motion, Followed::Comet, &[]);
        let got = kernel.part.seeing;
        assert!(
            (got.fwhm_major_px / 2.6 - 1.0).abs() < 0.005 && (got.fwhm_minor_px / 2.4 - 1.0).abs() < 0.005,
            "{got:?}"
        );
        assert_eq!(kernel.part.paths_px, [(0.0, 0.0); 2]);
    }
}
