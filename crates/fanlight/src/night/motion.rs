//! How the comet moves during the night.

use super::notes::Notes;
use crate::geometry;
use fanlight_sky::{Motion, OrbitElements, UtcInstant};

/// Followed before the first frame and after the last: where a clock is wrong by hours, the comet is sought there.
const SPARE_S: f64 = 2.0 * 86_400.0;

/// The motion with the planets' pull over frames of these mid-times; about the Sun alone, with a warning, where planets cannot be
/// followed.
pub fn over_the_night(orbit: OrbitElements, mids: impl Iterator<Item = UtcInstant>, notes: &mut Notes) -> Motion {
    let instants: Vec<UtcInstant> = mids.flat_map(|mid| [-SPARE_S, SPARE_S].map(|s| mid.plus_seconds(s))).collect();
    match geometry::perturbed(orbit.clone(), &instants) {
        Ok(motion) => motion,
        Err(e) => {
            notes.warn(format!("The planets' pull was not followed, the comet moves about the Sun alone: {e}."));
            Motion::two_body(orbit)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::expected;

    #[test]
    fn planets_are_followed_where_they_are_known() {
        let (motion, site) = expected::an_orbit_and_a_site();
        let orbit = motion.elements().clone();
        let mid = UtcInstant::parse("2031-05-20T00:00:00Z").unwrap();
        for (epoch_jd_tdb, model, warnings) in [(orbit.epoch_jd_tdb, "perturbed", 0), (2_363_000.5, "two_body", 1)] {
            let mut notes = Notes::default();
            let orbit = OrbitElements { epoch_jd_tdb, ..orbit.clone() };
            let motion = over_the_night(orbit, [mid].into_iter(), &mut notes);
            assert_eq!(motion.model(), model);
            for hours in [-30.0, 0.0, 30.0] {
                assert!(fanlight_sky::comet_position(&motion, &site, mid.plus_seconds(3600.0 * hours)).is_ok());
            }
            let (said, n_warnings) = notes.into_list();
            assert_eq!(n_warnings, warnings, "{said:?}");
        }
    }
}
