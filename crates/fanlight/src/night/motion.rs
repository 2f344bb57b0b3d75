//! How the comet moves during the night.

use super::inputs::Inputs;
use super::notes::Notes;
use crate::geometry;
use fanlight_sky::{Motion, OrbitElements, UtcInstant};

/// Followed before the first frame and after the last: where a clock is wrong by hours, the comet is sought there.
const SPARE_S: f64 = 2.0 * 86_400.0;

/// The motion with the planets' pull over the night's frames; about the Sun alone, with a warning, where there is none.
pub fn over_the_night(orbit: OrbitElements, inputs: &Inputs, notes: &mut Notes) -> Motion {
    let mids = inputs.mids().flat_map(|mid| [-SPARE_S, SPARE_S].map(|seconds| mid.plus_seconds(seconds)));
    match geometry::perturbed(orbit.clone(), &mids.collect::<Vec<UtcInstant>>()) {
        Ok(motion) => motion,
        Err(e) => {
            notes.warn(format!(
                "The planets' pull could not be followed ({e}): the comet's orbit is that about the Sun alone."
            ));
            Motion::two_body(orbit)
        }
    }
}
