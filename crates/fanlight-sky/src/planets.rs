//! Where the bodies are that pull at a comet beside the Sun, and how heavy they are.

use crate::angle::{Vector, sum};
use crate::{SkyError, TdbInstant, earth};
use vsop87::{RectangularCoordinates, vsop87a};

/// A body that pulls at comets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planet {
    /// Mercury.
    Mercury,
    /// Venus.
    Venus,
    /// The Earth without the Moon.
    Earth,
    /// The Moon.
    Moon,
    /// Mars and its moons.
    Mars,
    /// Jupiter and its moons.
    Jupiter,
    /// Saturn and its moons.
    Saturn,
    /// Uranus and its moons.
    Uranus,
    /// Neptune and its moons.
    Neptune,
}

impl Planet {
    /// All of them, inmost first.
    pub const ALL: [Self; 9] = [
        Self::Mercury,
        Self::Venus,
        Self::Earth,
        Self::Moon,
        Self::Mars,
        Self::Jupiter,
        Self::Saturn,
        Self::Uranus,
        Self::Neptune,
    ];

    /// Mass of the Sun in masses of the body.
    ///
    /// # Source
    /// IAU 2009 system of astronomical constants (Luzum et al. 2011, Celest. Mech. Dyn. Astr. 110, 293): planets with their
    /// moons; Earth and Moon together 328 900.5596, the Moon 0.012 300 0371 of the Earth.
    pub fn sun_mass_ratio(self) -> f64 {
        const EARTH_AND_MOON: f64 = 328_900.559_6;
        const MOON_IN_EARTHS: f64 = 0.012_300_037_1;
        match self {
            Self::Mercury => 6_023_600.0,
            Self::Venus => 408_523.719,
            Self::Earth => EARTH_AND_MOON * (1.0 + MOON_IN_EARTHS),
            Self::Moon => EARTH_AND_MOON * (1.0 + MOON_IN_EARTHS) / MOON_IN_EARTHS,
            Self::Mars => 3_098_703.59,
            Self::Jupiter => 1_047.348_644,
            Self::Saturn => 3_497.901_8,
            Self::Uranus => 22_902.98,
            Self::Neptune => 19_412.26,
        }
    }

    /// Heliocentric position, ICRS axes, au.
    ///
    /// # Errors
    /// For Earth and Moon outside the years 1900 to 2100.
    ///
    /// # Accuracy
    /// Worst of 120 dates against JPL DE421, 1900 to 2053: Mercury and Venus 12 km, Earth 0.6, Moon 23, Mars 49, Jupiter 280,
    /// Saturn 1900, Uranus 22 000 and Neptune 49 000 km.
    ///
    /// # Source
    /// VSOP87A (Bretagnon & Francou 1988, A&A 202, 309) turned from the dynamical ecliptic of J2000 to FK5 by the rotation
    /// published with it; FK5 is within 0.03″ of ICRS. Jupiter is corrected toward DE421. SOFA's `epv00`, corrected
    /// toward DE423, and `moon98` for Earth and Moon.
    pub fn heliocentric_au(self, at: TdbInstant) -> Result<Vector, SkyError> {
        let by_vsop = |theory: fn(f64) -> RectangularCoordinates| Ok(equatorial(theory(at.jd())));
        match self {
            Self::Mercury => by_vsop(vsop87a::mercury),
            Self::Venus => by_vsop(vsop87a::venus),
            Self::Earth => earth::earth_heliocentric_au(at),
            Self::Moon => Ok(sum(earth::earth_heliocentric_au(at)?, earth::moon_geocentric(at)[0])),
            Self::Mars => by_vsop(vsop87a::mars),
            Self::Jupiter => Ok(sum(equatorial(vsop87a::jupiter(at.jd())), jupiter_correction_au(at))),
            Self::Saturn => by_vsop(vsop87a::saturn),
            Self::Uranus => by_vsop(vsop87a::uranus),
            Self::Neptune => by_vsop(vsop87a::neptune),
        }
    }

    /// Length of a table's piece in days and the terms that keep it within 1e-10 au of the theory, for Neptune 1e-8 au (a
    /// test holds them to it).
    fn piece(self) -> (f64, usize) {
        match self {
            Self::Mercury => (16.0, 15),
            Self::Venus => (32.0, 11),
            Self::Earth => (16.0, 14),
            Self::Moon => (8.0, 13),
            Self::Mars => (64.0, 12),
            Self::Jupiter | Self::Saturn | Self::Uranus | Self::Neptune => (64.0, 16),
        }
    }
}

/// The dynamical ecliptic and equinox J2000 of VSOP87 turned to the equator of FK5 (Bretagnon & Francou 1988; the theory's
/// notes).
fn equatorial(p: RectangularCoordinates) -> Vector {
    [
        p.x + 0.000_000_440_360 * p.y - 0.000_000_190_919 * p.z,
        -0.000_000_479_966 * p.x + 0.917_482_137_087 * p.y - 0.397_776_982_902 * p.z,
        0.397_776_982_902 * p.y + 0.917_482_137_087 * p.z,
    ]
}

/// Period of Jupiter's correction.
pub const DAYS_OF_JUPITER: f64 = 4_332.59;
/// What DE421's Jupiter differs from VSOP87A's by, which rests on DE200, along x, y and z: a constant, a drift per century
/// from J2000, cosine and sine of the planet's period, and the same per century. Least squares over 1900 to 2053; leaves
/// 280 km of 1100. It counts for comets that pass Jupiter within 0.1 au: 0.1″ on the sky a month later.
pub const JUPITER_CORRECTION_AU: [[f64; 6]; 3] = [
    [-0.4134e-6, 0.0845e-6, 1.8960e-6, 2.8038e-6, 3.0730e-6, 4.5449e-6],
    [0.4699e-6, 0.0115e-6, -1.6187e-6, 1.5977e-6, -4.1162e-6, 2.9901e-6],
    [0.3952e-6, -0.0066e-6, -3.2170e-6, 1.2618e-6, -1.9726e-6, 0.9656e-6],
];

fn jupiter_correction_au(at: TdbInstant) -> Vector {
    let days = at.days_after(2_451_545.0);
    let (sin, cos) = (std::f64::consts::TAU * days / DAYS_OF_JUPITER).sin_cos();
    let centuries = days / 36_525.0;
    JUPITER_CORRECTION_AU.map(|[c, d, cc, cs, dc, ds]| c + cc * cos + cs * sin + centuries * (d + dc * cos + ds * sin))
}

/// A planet's path over an interval in Chebyshev pieces: the theories are sums of thousands of terms.
#[derive(Debug, Clone)]
pub(crate) struct PlanetTable {
    /// Start of the first piece.
    start_jd_tdb: f64,
    piece_days: f64,
    n_terms: usize,
    /// Pieces one after another.
    terms_au: Vec<Vector>,
}

/// Pieces begin at whole multiples of their length from here, so that a table's numbers do not depend on its interval; the
/// Earth's theory begins here too.
const GRID_START_JD_TDB: f64 = 2_415_020.0;
/// The last piece of the Earth that ends within its theory ends here, in December 2099.
const GRID_END_JD_TDB: f64 = GRID_START_JD_TDB + 16.0 * 4565.0;

impl PlanetTable {
    /// Tabulates a planet.
    ///
    /// # Errors
    /// Where the interval leaves the years 1900 to 2100.
    pub fn new(planet: Planet, from_jd_tdb: f64, to_jd_tdb: f64) -> Result<Self, SkyError> {
        for jd in [from_jd_tdb, to_jd_tdb] {
            if !(GRID_START_JD_TDB..GRID_END_JD_TDB).contains(&jd) {
                return Err(SkyError::OutsideEphemeris { jd });
            }
        }
        let (piece_days, n_terms) = planet.piece();
        let first = ((from_jd_tdb - GRID_START_JD_TDB) / piece_days).floor();
        let pieces = ((to_jd_tdb - GRID_START_JD_TDB) / piece_days).floor() - first + 1.0;
        let start_jd_tdb = GRID_START_JD_TDB + first * piece_days;
        // the angles of the nodes, and with them every cosine of the transform
        let cosine = |k: f64| (std::f64::consts::PI * k / n_terms as f64).cos();
        let mut terms_au = Vec::with_capacity(pieces as usize * n_terms);
        for piece in 0..pieces as usize {
            let middle = start_jd_tdb + (piece as f64 + 0.5) * piece_days;
            let places = (0..n_terms)
                .map(|i| {
                    let days = 0.5 * piece_days * cosine(i as f64 + 0.5);
                    planet.heliocentric_au(TdbInstant::from_jd(middle).minus_days(-days))
                })
                .collect::<Result<Vec<_>, _>>()?;
            terms_au.extend((0..n_terms).map(|j| {
                let weight = if j == 0 { 1.0 } else { 2.0 } / n_terms as f64;
                let term = |c: usize| -> f64 {
                    places.iter().enumerate().map(|(i, p)| p[c] * cosine(j as f64 * (i as f64 + 0.5))).sum()
                };
                [0, 1, 2].map(|c| weight * term(c))
            }));
        }
        Ok(Self { start_jd_tdb, piece_days, n_terms, terms_au })
    }

    /// Heliocentric position, ICRS axes, au; outside the interval the nearest piece is continued.
    pub fn at(&self, jd_tdb: f64, days_after: f64) -> Vector {
        let along = ((jd_tdb - self.start_jd_tdb) + days_after) / self.piece_days;
        let last = self.terms_au.len() / self.n_terms - 1;
        let piece = (along.max(0.0) as usize).min(last);
        let x = 2.0 * (along - piece as f64) - 1.0;
        let terms = &self.terms_au[piece * self.n_terms..(piece + 1) * self.n_terms];
        // Clenshaw's recurrence
        let (mut b1, mut b2) = ([0.0; 3], [0.0; 3]);
        for term in terms[1..].iter().rev() {
            let b0 = [0, 1, 2].map(|c| 2.0 * x * b1[c] - b2[c] + term[c]);
            (b1, b2) = (b0, b1);
        }
        [0, 1, 2].map(|c| x * b1[c] - b2[c] + terms[0][c])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::{minus, norm};

    #[test]
    fn tables_keep_to_the_theories() {
        for planet in Planet::ALL {
            let (from, to) = (2_459_000.5, 2_459_300.5);
            let table = PlanetTable::new(planet, from, to).unwrap();
            let mut worst: f64 = 0.0;
            for i in 0..=97 {
                let days = 300.0 * f64::from(i) / 97.0;
                let direct = planet.heliocentric_au(TdbInstant::from_jd(from).minus_days(-days)).unwrap();
                worst = worst.max(norm(minus(table.at(from, days), direct)));
            }
            let limit = if planet == Planet::Neptune { 1e-8 } else { 1e-10 };
            assert!(worst < limit, "{planet:?}: {worst:e} au");
        }
    }

    #[test]
    fn a_table_does_not_depend_on_its_interval() {
        let [short, long] =
            [2_459_100.5, 2_459_400.5].map(|to| PlanetTable::new(Planet::Mars, 2_459_000.5, to).unwrap());
        assert_eq!(short.at(2_459_050.5, 0.3), long.at(2_459_050.5, 0.3));
    }

    #[test]
    fn says_where_the_earth_is_not_known() {
        for (from, to) in [(2_415_000.5, 2_415_100.5), (2_488_000.5, 2_488_100.5)] {
            let got = PlanetTable::new(Planet::Earth, from, to);
            assert!(matches!(got, Err(SkyError::OutsideEphemeris { .. })), "{from}");
        }
    }
}
