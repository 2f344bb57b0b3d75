//! The comet's and the Earth's paths for the small plan of the orbit.

use super::Night;
use fanlight_present::OrbitPlan;
use fanlight_sky::TdbInstant;

/// Days before and after the night that the paths cover.
const REACH_DAYS: f64 = 200.0;
const STEPS: usize = 160;

/// Paths seen from the ecliptic's north pole; `None` where the orbit cannot be followed.
pub fn orbit_plan(night: &Night) -> Option<OrbitPlan> {
    let orbit = night.campaign.orbit().ok()?;
    let now = night.mid.tdb().jd();
    let comet =
        |jd: f64| -> Option<[f64; 2]> { Some(ecliptic(orbit.state_at(TdbInstant::from_jd(jd)).ok()?.position_au)) };
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

/// Equatorial axes turned to the ecliptic of J2000 (obliquity 84381.448″, IAU 1976), seen from its north pole.
fn ecliptic(v: [f64; 3]) -> [f64; 2] {
    let (sin, cos) = (84_381.448f64 / 3600.0).to_radians().sin_cos();
    [v[0], cos * v[1] + sin * v[2]]
}
