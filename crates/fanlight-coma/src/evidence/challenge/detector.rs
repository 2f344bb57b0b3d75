//! Could the detector have made it? Rows, columns and the rays of bright stars keep their direction on the chip.

use super::{Challenge, Challenged, short};
use crate::evidence::feature_fit::Shape;

/// Directions that the instrument draws, and whether the comet moved against them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Instrument {
    /// Position angles, modulo 180°, of rows and columns, in the frame that is the stack's reference.
    pub axes_deg: Vec<f64>,
    /// Position angles of the rays of bright stars, where they were measured.
    pub rays_deg: Vec<f64>,
    /// Range over which the frames' orientations spread (modulo 90°): field rotation.
    pub rotation_deg: f64,
    /// How far the comet moved over the chip, by dithers and its own motion.
    pub moved_px: f64,
}

/// Features this near an axis or a ray are suspect.
const ALIGNED_DEG: f64 = 3.0;
/// The comet has moved enough over the chip when it did by this many kernel widths.
const MOVED_FWHM: f64 = 4.0;

pub(super) fn challenge(c: &Challenged, instrument: &Instrument) -> Challenge {
    let (from, to) = c.extent_px();
    let ridge = c.fitted().pa_at((from * to).sqrt()).0.to_degrees();
    let off = |axis: &f64| {
        let d = (ridge - axis).rem_euclid(180.0);
        d.min(180.0 - d)
    };
    let nearest = |list: &[f64]| list.iter().map(off).fold(f64::INFINITY, f64::min);
    let (axis, ray) = (nearest(&instrument.axes_deg), nearest(&instrument.rays_deg));
    let aligned = axis.min(ray);
    let moved = instrument.moved_px / c.model.fwhm_px;
    if matches!(c.fitted().shape, Shape::Arc(_)) {
        let explanation = format!(
            "An arc follows neither rows nor columns; the comet moved by {} kernel widths over the chip.",
            short(moved)
        );
        return Challenge::judged("detector", true, (moved, MOVED_FWHM), explanation);
    }
    let what = if ray < axis { "the rays of bright stars" } else { "the detector's rows or columns" };
    let turned = instrument.rotation_deg > ALIGNED_DEG;
    if !(aligned.is_finite()) {
        return Challenge::not_tested("detector", "The detector's orientation on the sky is not known.");
    }
    if aligned > ALIGNED_DEG {
        let explanation = format!(
            "It is {}° off {what}, and the comet moved by {} kernel widths over the chip.",
            short(aligned),
            short(moved)
        );
        return Challenge::judged("detector", true, (aligned, ALIGNED_DEG), explanation);
    }
    // a ray turns with the telescope only; a defect of the chip stays behind when the comet moves
    if turned || (ray > ALIGNED_DEG && moved > MOVED_FWHM) {
        let explanation = format!(
            "It is within {ALIGNED_DEG:.0}° of {what}, but the comet moved by {} kernel widths over the chip and the field turned by {}°.",
            short(moved),
            short(instrument.rotation_deg)
        );
        return Challenge::judged("detector", true, (moved, MOVED_FWHM), explanation);
    }
    Challenge::not_tested(
        "detector",
        format!(
            "It lies within {ALIGNED_DEG:.0}° of {what}, and nothing moved against the chip by which to tell the two apart."
        ),
    )
}
