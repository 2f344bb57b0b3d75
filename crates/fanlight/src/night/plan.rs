//! The comet's and the Earth's paths for the small plan of the orbit.

use super::Night;
use crate::geometry;
use fanlight_present::OrbitPlan;
use fanlight_sky::{Motion, OrbitElements, TdbInstant, UtcInstant};

/// Days before and after the night that the paths cover.
const REACH_DAYS: f64 = 200.0;
const STEPS: usize = 160;

/// Paths seen from the ecliptic's north pole; `None` where the orbit cannot be followed.
pub fn orbit_plan(night: &Night) -> Option<OrbitPlan> {
    let motion = over_the_plan(night.campaign.orbit().ok()?, night.mid);
    let now = night.mid.tdb().jd();
    let comet =
        |jd: f64| -> Option<[f64; 2]> { Some(ecliptic(motion.state_at(TdbInstant::from_jd(jd)).ok()?.position_au)) };
    let earth = |jd: f64| -> Option<[f64; 2]> {
        Some(ecliptic(fanlight_sky::earth_heliocentric_au(TdbInstant::from_jd(jd)).ok()?))
    };
    let days = |reach: f64| (0..=STEPS).map(move |i| now + reach * (2.0 * i as f64 / STEPS as f64 - 1.0));
    Some(OrbitPlan {
        comet_path_au: days(REACH_DAYS).map(comet).collect::<Option<_>>()?,
        earth_path_au: days(183.0).map(earth).collect::<Option<_>>()?,
        comet_au: comet(now)?,
        earth_au: earth(now)?,
    })
}

/// The motion with the planets' pull, which the plan shows where the elements are old: about the Sun alone the comet stands off by
/// under 0.2 of the line's width with elements of the last year, and by up to ten widths and more with those of five years ago.
/// About the Sun alone where planets cannot be followed, as the night itself is then.
fn over_the_plan(orbit: OrbitElements, mid: UtcInstant) -> Motion {
    let ends = [-1.0, 1.0].map(|side| mid.plus_seconds(side * (REACH_DAYS + 1.0) * 86_400.0));
    geometry::perturbed(orbit.clone(), &ends).unwrap_or_else(|_| Motion::two_body(orbit))
}

/// Equatorial axes turned to the ecliptic of J2000 (obliquity 84381.448″, IAU 1976), seen from its north pole.
fn ecliptic(v: [f64; 3]) -> [f64; 2] {
    let (sin, cos) = (84_381.448f64 / 3600.0).to_radians().sin_cos();
    [v[0], cos * v[1] + sin * v[2]]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Elements near those of 67P in 2015 (from memory), five years old on the night: a comet that passes Jupiter's orbit.
    #[test]
    fn the_path_is_that_of_the_night_and_not_of_old_elements() {
        let orbit = OrbitElements {
            epoch_jd_tdb: 2_457_305.5,
            perihelion_jd_tdb: 2_457_247.568_3,
            q_au: 1.243,
            e: 0.641_02,
            inclination_deg: 7.0405,
            node_deg: 50.147,
            argument_of_perihelion_deg: 12.78,
            a1_au_d2: 0.0,
            a2_au_d2: 0.0,
            a3_au_d2: 0.0,
        };
        let mid = UtcInstant::from_jd(orbit.epoch_jd_tdb + 1826.0);
        let place = |motion: &Motion, days: f64| {
            ecliptic(motion.state_at(TdbInstant::from_jd(mid.tdb().jd() + days)).unwrap().position_au)
        };
        let apart = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let drawn = over_the_plan(orbit.clone(), mid);
        let measured_with = geometry::perturbed(orbit.clone(), &[mid]).unwrap();
        assert!(apart(place(&drawn, 0.0), place(&measured_with, 0.0)) < 1e-6);
        // a line 1.6 px wide on 200 px for 6 au
        let two_body = Motion::two_body(orbit.clone());
        assert!(apart(place(&drawn, 0.0), place(&two_body, 0.0)) > 1.6 * 6.0 / 200.0);
        assert!([-REACH_DAYS, REACH_DAYS].iter().all(|days| place(&drawn, *days).iter().all(|v| v.is_finite())));
        let unknown = OrbitElements { epoch_jd_tdb: 2_363_000.5, ..orbit };
        assert_eq!(over_the_plan(unknown, mid).model(), "two_body");
    }
}
