//! The geometry record: where the comet is, seen from the site at one instant.

use serde::{Deserialize, Serialize};

/// Viewing geometry at one instant. Angles in degrees, position angles north through east in `[0, 360)`, distances
/// in au; the comet is taken at the instant its light left it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GeometryRecord {
    /// The instant asked for: UTC, ISO 8601 with a trailing `Z`.
    pub utc: String,
    /// Right ascension, ICRS, topocentric astrometric.
    pub ra_deg: f64,
    /// Declination, ICRS, topocentric astrometric.
    pub dec_deg: f64,
    /// Distance from the Sun.
    pub r_au: f64,
    /// Distance from the observer.
    pub delta_au: f64,
    /// Sun–comet–observer angle.
    pub phase_deg: f64,
    /// Sun–observer–comet angle.
    pub elongation_deg: f64,
    /// Apparent motion along a great circle.
    pub motion_arcsec_per_min: f64,
    /// Position angle of the apparent motion.
    pub motion_pa_deg: f64,
    /// Position angle from the comet toward the Sun.
    pub sunward_pa_deg: f64,
    /// Position angle of the extended radius vector.
    pub antisolar_pa_deg: f64,
    /// Position angle of minus the heliocentric velocity, projected on the sky.
    pub negative_velocity_pa_deg: f64,
    /// Angle of the observer above the comet's orbit plane, positive on the side of r × v.
    pub orbit_plane_angle_deg: f64,
    /// Kilometres at the comet per arcsecond.
    pub km_per_arcsec: f64,
    /// Airless altitude of the comet.
    pub altitude_deg: f64,
    /// Azimuth of the comet, north through east.
    pub azimuth_deg: f64,
    /// Airless altitude of the Sun's centre.
    pub sun_altitude_deg: f64,
    /// Angle between Moon and comet as seen from the site.
    pub moon_separation_deg: f64,
    /// Illuminated fraction of the Moon's disc, 0 to 1.
    pub moon_illuminated_fraction: f64,
    /// `two_body` or `perturbed`.
    pub orbit_model: String,
}
