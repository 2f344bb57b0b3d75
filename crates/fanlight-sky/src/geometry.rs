//! Viewing geometry: where the comet is and how it is seen from a site.

use crate::angle::{ARCSEC_PER_RAD, Vector, angle_between, cross, dot, minus, norm, scale, sum};
use crate::earth::{self, AU_KM, LIGHT_AU_D, Observer};
use crate::motion::Motion;
use crate::orbit::OrbitState;
use crate::{PositionAngle, Site, SkyError, SkyPosition, UtcInstant};

/// Viewing geometry at one instant; everything about the comet is taken when its light left it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewingGeometry {
    /// Right ascension, ICRS, topocentric astrometric.
    pub ra_deg: f64,
    /// Declination.
    pub dec_deg: f64,
    /// Distance from the Sun.
    pub r_au: f64,
    /// Distance from the observer.
    pub delta_au: f64,
    /// Sun–comet–observer angle.
    pub phase_deg: f64,
    /// Sun–observer–comet angle.
    pub elongation_deg: f64,
    /// Motion along a great circle, as seen from the site.
    pub motion_arcsec_per_min: f64,
    /// Its position angle.
    pub motion_pa_deg: f64,
    /// Position angle toward the Sun.
    pub sunward_pa_deg: f64,
    /// Position angle away from the Sun.
    pub antisolar_pa_deg: f64,
    /// Position angle of minus the heliocentric velocity.
    pub negative_velocity_pa_deg: f64,
    /// Angle of the observer over the orbit's plane, positive on the side of r × v.
    pub orbit_plane_angle_deg: f64,
    /// Kilometres at the comet per arcsecond.
    pub km_per_arcsec: f64,
    /// Airless altitude of the comet.
    pub altitude_deg: f64,
    /// Its azimuth, north through east.
    pub azimuth_deg: f64,
    /// Airless altitude of the Sun's centre.
    pub sun_altitude_deg: f64,
    /// Airless altitude of the Moon's centre.
    pub moon_altitude_deg: f64,
    /// Angle between Moon and comet.
    pub moon_separation_deg: f64,
    /// Illuminated fraction of the Moon's disc.
    pub moon_illuminated_fraction: f64,
    /// Distance of the comet from the Earth's centre.
    pub earth_distance_au: f64,
}

impl ViewingGeometry {
    fn is_finite(&self) -> bool {
        let places = [self.ra_deg, self.dec_deg, self.r_au, self.delta_au, self.earth_distance_au, self.km_per_arcsec];
        let angles = [self.phase_deg, self.elongation_deg, self.orbit_plane_angle_deg, self.moon_separation_deg];
        let position_angles = [self.sunward_pa_deg, self.antisolar_pa_deg, self.negative_velocity_pa_deg];
        let motion = [self.motion_arcsec_per_min, self.motion_pa_deg];
        let horizon = [self.altitude_deg, self.azimuth_deg, self.sun_altitude_deg, self.moon_altitude_deg];
        let all = [&places[..], &angles, &position_angles, &motion, &horizon, &[self.moon_illuminated_fraction]];
        all.iter().copied().flatten().all(|v| v.is_finite())
    }
}

/// The comet as its light shows it.
struct Seen {
    /// Heliocentric state when the light left.
    state: OrbitState,
    /// From the observer to the comet, au.
    line: Vector,
}

/// The comet at t − τ, with c τ = |comet(t − τ) − observer(t)|, barycentric.
fn seen(motion: &Motion, observer: &Observer) -> Result<Seen, SkyError> {
    // the Sun moves by 1e-5 au in a day and turns slowly: its place at t − τ is followed along its velocity
    let [sun, sun_velocity] = observer.sun_barycentric;
    let mut delay_d = 0.0;
    for _ in 0..20 {
        let state = motion.state_at(observer.tdb.minus_days(delay_d))?;
        let sun_then = minus(sun, scale(sun_velocity, delay_d));
        let line = minus(sum(state.position_au, sun_then), observer.barycentric_au);
        let next = norm(line) / LIGHT_AU_D;
        if (next - delay_d).abs() < 1e-12 * (1.0 + delay_d) {
            return Ok(Seen { state, line });
        }
        delay_d = next;
    }
    Err(SkyError::NoOrbitSolution { days: observer.tdb.days_after(motion.elements().epoch_jd_tdb) })
}

/// Topocentric astrometric place: light-time corrected, without aberration.
///
/// # Errors
/// When an element or the site is impossible, the year is outside 1900 to 2100, or the motion was not computed for it.
///
/// # Accuracy
/// See [`viewing_geometry`].
pub fn comet_position(motion: &Motion, site: &Site, utc: UtcInstant) -> Result<SkyPosition, SkyError> {
    let observer = earth::observer(site, utc)?;
    Ok(SkyPosition::from_vector(seen(motion, &observer)?.line))
}

/// Half the interval over which the motion is taken. Long against rounding, short against the Earth's rotation, whose
/// share is then right to 3e-6 of itself.
const MOTION_HALF_S: f64 = 60.0;

/// The whole geometry.
///
/// # Errors
/// When an element or the site is impossible, the year is outside 1900 to 2100, or the motion was not computed for it.
///
/// # Accuracy
/// Worst of 225 cases, 2005 to 2044, against skyfield with JPL DE421 and two-body motion by another integrator, UT1 = UTC in
/// both: place 0.012″ down to 0.05 au (0.6 km across the line), r 1e-11 au, Δ 4e-9 au, position angles 2e-5°, altitudes 1e-5°,
/// Moon's separation 0.0022°, its illuminated fraction 2e-5. UT1 is taken equal to UTC: up to 0.9 s, 14″ in hour angle, and
/// 0.4 km in the site's place, 0.02″ at 0.03 au. What planets do to the comet is as good as [`Motion::perturbed`] says, or left out, see [`orbit_warnings`].
///
/// # Source
/// The definitions of the project's conventions; SOFA's Earth, Moon and Earth rotation.
pub fn viewing_geometry(motion: &Motion, site: &Site, utc: UtcInstant) -> Result<ViewingGeometry, SkyError> {
    let observer = earth::observer(site, utc)?;
    let Seen { state, line } = seen(motion, &observer)?;
    let place = SkyPosition::from_vector(line);
    let delta_au = norm(line);
    let (r, v) = (state.position_au, state.velocity_au_d);
    let to_sun = scale(r, -1.0);
    let to_observer = scale(line, -1.0);
    let sun_line = scale(observer.heliocentric_au, -1.0);

    let moved = |seconds: f64| comet_position(motion, site, utc.plus_seconds(seconds));
    let (east0, north0) = place.tangent_offset_arcsec(&moved(-MOTION_HALF_S)?);
    let (east1, north1) = place.tangent_offset_arcsec(&moved(MOTION_HALF_S)?);
    let (east, north) = (east1 - east0, north1 - north0);

    let normal = cross(r, v);
    let sunward = place.position_angle_of(to_sun);
    let moon = observer.moon_line_au();
    let moon_phase = angle_between(minus(sun_line, moon), scale(moon, -1.0));
    let (altitude_deg, azimuth_deg) = observer.altitude_azimuth_deg(site, line);
    let (sun_altitude_deg, _) = observer.altitude_azimuth_deg(site, sun_line);
    let (moon_altitude_deg, _) = observer.altitude_azimuth_deg(site, moon);
    let geometry = ViewingGeometry {
        ra_deg: place.ra_deg,
        dec_deg: place.dec_deg,
        r_au: norm(r),
        delta_au,
        phase_deg: angle_between(to_sun, to_observer).to_degrees(),
        elongation_deg: angle_between(sun_line, line).to_degrees(),
        motion_arcsec_per_min: east.hypot(north) / (2.0 * MOTION_HALF_S / 60.0),
        motion_pa_deg: PositionAngle::of(east, north).deg(),
        sunward_pa_deg: sunward.deg(),
        antisolar_pa_deg: PositionAngle::from_deg(sunward.deg() + 180.0).deg(),
        negative_velocity_pa_deg: place.position_angle_of(scale(v, -1.0)).deg(),
        orbit_plane_angle_deg: (dot(normal, to_observer) / (norm(normal) * delta_au))
            .clamp(-1.0, 1.0)
            .asin()
            .to_degrees(),
        km_per_arcsec: delta_au * AU_KM / ARCSEC_PER_RAD,
        altitude_deg,
        azimuth_deg,
        sun_altitude_deg,
        moon_altitude_deg,
        moon_separation_deg: angle_between(moon, line).to_degrees(),
        moon_illuminated_fraction: 0.5 * (1.0 + moon_phase.cos()),
        earth_distance_au: norm(sum(line, observer.geocentric_au)),
    };
    // distances whose squares leave the range of numbers
    if geometry.is_finite() {
        Ok(geometry)
    } else {
        Err(SkyError::NoOrbitSolution { days: observer.tdb.days_after(motion.elements().epoch_jd_tdb) })
    }
}

/// Two-body places this far from the epoch carry a warning.
const FAR_FROM_EPOCH_DAYS: f64 = 30.0;
/// So do places this near the Earth.
const NEAR_EARTH_AU: f64 = 0.3;
/// Elongation under which the Sun endangers eyes and cameras.
const NEAR_SUN_DEG: f64 = 30.0;

/// The warning about people's safety alone: for a comet near the Sun on the sky.
pub fn sun_warning(elongation_deg: f64) -> Option<String> {
    (elongation_deg < NEAR_SUN_DEG).then(|| {
        format!(
            "the comet is {elongation_deg:.1}° from the Sun: never point unfiltered optics, finders or cameras near the Sun, \
             and watch slews and unattended frames; the site's own rules come first"
        )
    })
}

/// What a person must know beside a geometry: how far the orbit can be trusted, and danger from the Sun.
pub fn orbit_warnings(motion: &Motion, geometry: &ViewingGeometry, utc: UtcInstant) -> Vec<String> {
    let mut warnings: Vec<String> = sun_warning(geometry.elongation_deg).into_iter().collect();
    if motion.is_perturbed() {
        return warnings;
    }
    let days = utc.tdb().days_after(motion.elements().epoch_jd_tdb);
    if days.abs() > FAR_FROM_EPOCH_DAYS {
        warnings.push(format!(
            "the instant is {:.0} days from the orbit's epoch: planets are not followed, the place may be off",
            days.abs()
        ));
    }
    if geometry.earth_distance_au < NEAR_EARTH_AU {
        warnings.push(format!(
            "the comet is {:.2} au from the Earth, whose pull is not followed: the place may be off",
            geometry.earth_distance_au
        ));
    }
    warnings
}
