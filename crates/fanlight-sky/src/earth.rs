//! The Earth, the Moon and the observer.

use crate::angle::{Vector, cross, minus, scale, sum, times, transpose_times};
use crate::earth_correction::earth_correction;
use crate::{SkyError, TdbInstant, UtcInstant};

/// Kilometres in an astronomical unit (IAU 2012 Resolution B2).
pub const AU_KM: f64 = 149_597_870.7;
/// Speed of light, au/day (299 792 458 m/s).
pub const LIGHT_AU_D: f64 = 173.144_632_674_240_3;
/// Rotation of the Earth, radians per day of UT1 (IERS Conventions 2010).
const EARTH_SPIN_RAD_D: f64 = 1.002_737_811_911_354_6 * std::f64::consts::TAU;

/// A place on the Earth, WGS 84.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Site {
    /// Geodetic longitude, east positive.
    pub longitude_deg: f64,
    /// Geodetic latitude.
    pub latitude_deg: f64,
    /// Height above the ellipsoid.
    pub height_m: f64,
}

impl Site {
    /// Geocentric position on Earth-fixed axes, au.
    ///
    /// # Errors
    /// When the latitude is outside ±90° or a number is not finite.
    ///
    /// # Source
    /// SOFA `gd2gc`, WGS 84.
    pub fn earth_fixed_au(&self) -> Result<Vector, SkyError> {
        let bad = |name, value, range| Err(SkyError::BadElement { name, value, range });
        if !(-90.0..=90.0).contains(&self.latitude_deg) {
            return bad("latitude_deg", self.latitude_deg, "-90 to 90");
        }
        if !self.longitude_deg.is_finite() {
            return bad("longitude_deg", self.longitude_deg, "the finite numbers");
        }
        if !self.height_m.is_finite() {
            return bad("height_m", self.height_m, "the finite numbers");
        }
        let (longitude, latitude) = (self.longitude_deg.to_radians(), self.latitude_deg.to_radians());
        let metres = sofars::coords::gd2gc(1, longitude, latitude, self.height_m).map_err(|_| {
            SkyError::BadElement { name: "height_m", value: self.height_m, range: "heights of places on the Earth" }
        })?;
        Ok(scale(metres, 1e-3 / AU_KM))
    }

    /// Unit vectors east, north and up (geodetic) on Earth-fixed axes.
    pub(crate) fn horizon(&self) -> [Vector; 3] {
        let (sl, cl) = self.longitude_deg.to_radians().sin_cos();
        let (sp, cp) = self.latitude_deg.to_radians().sin_cos();
        [[-sl, cl, 0.0], [-sp * cl, -sp * sl, cp], [cp * cl, cp * sl, sp]]
    }
}

/// Position and velocity of the Earth's centre, ICRS axes, au and au/day.
pub(crate) struct Earth {
    pub heliocentric: [Vector; 2],
    pub barycentric: [Vector; 2],
}

/// # Accuracy
/// Heliocentric see [`earth_correction`]; barycentric what the Sun's place is off besides, 7 km. That counts only by how the
/// Sun moves during the light time, see [`crate::geometry`].
///
/// # Source
/// SOFA `epv00`, corrected toward JPL DE423.
pub(crate) fn earth(at: TdbInstant) -> Result<Earth, SkyError> {
    let (day, share) = at.parts();
    let (heliocentric, barycentric) =
        sofars::eph::epv00(day, share).ok_or(SkyError::OutsideEphemeris { jd: at.jd() })?;
    let correction = earth_correction(at);
    // the Sun's place from the barycentre, the difference of the two, stays SOFA's
    let corrected = |state: [Vector; 2]| [0, 1].map(|i| sum(state[i], correction[i]));
    Ok(Earth { heliocentric: corrected(heliocentric), barycentric: corrected(barycentric) })
}

/// Heliocentric position of the Earth, ICRS axes, au.
///
/// # Errors
/// Outside the years 1900 to 2100.
///
/// # Accuracy
/// 0.53 km against JPL DE423 (1900–2099), rms 0.14; 0.85 km against DE421 (1900–2053), which is the older one.
pub fn earth_heliocentric_au(at: TdbInstant) -> Result<Vector, SkyError> {
    Ok(earth(at)?.heliocentric[0])
}

/// Geocentric position and velocity of the Moon, ICRS axes, au and au/day.
///
/// # Source
/// SOFA `moon98`; 32 km against DE423 (1900–2099), rms 6.
pub(crate) fn moon_geocentric(at: TdbInstant) -> [Vector; 2] {
    let (day, share) = at.parts();
    sofars::eph::moon98(day, share)
}

/// An observer at an instant, ICRS axes.
pub(crate) struct Observer {
    /// The instant.
    pub tdb: TdbInstant,
    /// Position and velocity of the Sun from the barycentre, au and au/day.
    pub sun_barycentric: [Vector; 2],
    /// Rotation from ICRS axes to Earth-fixed ones.
    pub to_earth_fixed: [[f64; 3]; 3],
    /// From the Earth's centre, au.
    pub geocentric_au: Vector,
    /// From the solar system's barycentre, au.
    pub barycentric_au: Vector,
    /// From the Sun, au.
    pub heliocentric_au: Vector,
    /// Barycentric velocity, the Earth's rotation included, au/day.
    pub velocity_au_d: Vector,
    /// Barycentric velocity of the Earth's centre, au/day.
    earth_velocity_au_d: Vector,
}

/// # Source
/// SOFA `c2t06a` (IAU 2006/2000A precession and nutation), UT1 = UTC, no polar motion.
pub(crate) fn observer(site: &Site, utc: UtcInstant) -> Result<Observer, SkyError> {
    let fixed = site.earth_fixed_au()?;
    let tdb = utc.tdb();
    let earth = earth(tdb)?;
    let ((tt1, tt2), (ut1, ut2)) = (utc.tt(), utc.ut1());
    let to_earth_fixed = sofars::pnp::c2t06a(tt1, tt2, ut1, ut2, 0.0, 0.0);
    let geocentric_au = transpose_times(&to_earth_fixed, fixed);
    let spin = transpose_times(&to_earth_fixed, cross([0.0, 0.0, EARTH_SPIN_RAD_D], fixed));
    let [place, speed] = [0, 1].map(|i| minus(earth.barycentric[i], earth.heliocentric[i]));
    Ok(Observer {
        tdb,
        sun_barycentric: [place, speed],
        to_earth_fixed,
        geocentric_au,
        barycentric_au: sum(earth.barycentric[0], geocentric_au),
        heliocentric_au: sum(earth.heliocentric[0], geocentric_au),
        velocity_au_d: sum(earth.barycentric[1], spin),
        earth_velocity_au_d: earth.barycentric[1],
    })
}

impl Observer {
    /// From the observer to the Moon's centre, light time taken off as for the comet, au.
    ///
    /// In the 1.3 s that its light takes, the Moon goes 38 km round the Sun with the Earth: 20″.
    pub fn moon_line_au(&self) -> Vector {
        let [place, velocity] = moon_geocentric(self.tdb);
        let now = minus(place, self.geocentric_au);
        let delay_d = crate::angle::norm(now) / LIGHT_AU_D;
        minus(now, scale(sum(self.earth_velocity_au_d, velocity), delay_d))
    }

    /// Airless altitude and azimuth (north through east) of a direction, aberration included, degrees.
    pub fn altitude_azimuth_deg(&self, site: &Site, direction: Vector) -> (f64, f64) {
        let unit = scale(direction, 1.0 / crate::angle::norm(direction));
        // to first order in v/c: 0.0005″ at most is left out
        let seen = sum(unit, scale(self.velocity_au_d, 1.0 / LIGHT_AU_D));
        let fixed = times(&self.to_earth_fixed, seen);
        let [east, north, up] = site.horizon().map(|axis| crate::angle::dot(axis, fixed));
        (up.atan2(east.hypot(north)).to_degrees(), east.atan2(north).to_degrees().rem_euclid(360.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::norm;

    /// Parallax constants ρ cos φ′, ρ sin φ′ (in Earth radii of 6378.14 km) of Meeus, example 11.a/40.a (Palomar,
    /// φ = 33°21′22″, 1706 m): +0.836339, +0.546861. Meeus's ellipsoid (IAU 1976) and WGS 84 differ by 3 m.
    #[test]
    fn parallax_constants_of_palomar() {
        let site = Site {
            longitude_deg: -(7.0 + 47.0 / 60.0 + 27.0 / 3600.0) * 15.0,
            latitude_deg: 33.0 + 21.0 / 60.0 + 22.0 / 3600.0,
            height_m: 1706.0,
        };
        let [x, y, z] = site.earth_fixed_au().unwrap().map(|v| v * AU_KM / 6378.14);
        assert!((x.hypot(y) - 0.836339).abs() < 2e-6, "{}", x.hypot(y));
        assert!((z - 0.546861).abs() < 2e-6, "{z}");
        assert!((y.atan2(x).to_degrees() - site.longitude_deg).abs() < 1e-9);
    }

    /// Velocities are how places change.
    #[test]
    fn velocities_are_those_of_the_places() {
        let half_days = 0.01;
        let mut worst: f64 = 0.0;
        for i in 1..3652 {
            let at = TdbInstant::from_jd(2_415_020.0 + 20.003 * f64::from(i));
            let [before, after] = [half_days, -half_days].map(|d| earth(at.minus_days(d)).unwrap());
            let now = earth(at).unwrap();
            for (before, now, after) in [
                (before.heliocentric, now.heliocentric, after.heliocentric),
                (before.barycentric, now.barycentric, after.barycentric),
            ] {
                let slope = scale(minus(after[0], before[0]), 0.5 / half_days);
                worst = worst.max(norm(minus(slope, now[1])));
            }
        }
        assert!(worst < 2e-10, "{worst:e} au/day");
    }

    #[test]
    fn refuses_places_off_the_earth() {
        let site = Site { longitude_deg: 0.0, latitude_deg: 91.0, height_m: 0.0 };
        assert!(matches!(site.earth_fixed_au(), Err(SkyError::BadElement { name: "latitude_deg", .. })));
        assert!(earth(TdbInstant::from_jd(2_600_000.5)).is_err());
    }
}
