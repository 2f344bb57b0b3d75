//! Published places, orbits, sites and geometry.

use fanlight_sky::{
    OrbitElements, Site, SkyPosition, TdbInstant, UtcInstant, ViewingGeometry, airmass, comet_position, orbit_warnings,
    parse_one_line_orbit, viewing_geometry,
};

/// The centre of the Earth as a site: one equatorial radius under the equator.
const GEOCENTRE: Site = Site { longitude_deg: 0.0, latitude_deg: 0.0, height_m: -6_378_137.0 };

fn orbit(perihelion_jd_tdb: f64, [q_au, e]: [f64; 2], [peri, node, inclination]: [f64; 3]) -> OrbitElements {
    OrbitElements {
        epoch_jd_tdb: perihelion_jd_tdb,
        perihelion_jd_tdb,
        q_au,
        e,
        inclination_deg: inclination,
        node_deg: node,
        argument_of_perihelion_deg: peri,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    }
}

/// 2P/Encke of 1990, Meeus, Astronomical Algorithms (2nd ed.), example 33.b.
fn encke() -> OrbitElements {
    orbit(2_448_193.04502, [2.2091404 * (1.0 - 0.8502196), 0.8502196], [186.23352, 334.75006, 11.94524])
}

/// C/2013 A1, the Minor Planet Center's first elements.
fn siding_spring() -> OrbitElements {
    orbit(2_456_955.58285, [1.3921432, 0.9995246], [2.54133, 300.85326, 128.96230])
}

/// A UTC instant by its Julian date TT (TDB differs by 2 ms).
fn at_tt(jd: f64, leap_seconds: f64) -> UtcInstant {
    UtcInstant::from_jd(jd).plus_seconds(-(leap_seconds + 32.184))
}

fn hms(h: f64, m: f64, s: f64) -> f64 {
    15.0 * (h + m / 60.0 + s / 3600.0)
}

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got} against {expected} ± {tolerance}");
}

/// Meeus, example 33.b: heliocentric place to his seven digits without light time; place, elongation and phase with it.
/// Distances and position angles with light time were computed from the same elements by other code.
#[test]
fn encke_of_meeus() {
    let state = encke().state_at(TdbInstant::from_jd(2_448_170.5)).unwrap();
    for (i, expected) in [0.2508066, 0.4849175, 0.3573373].into_iter().enumerate() {
        near("heliocentric", state.position_au[i], expected, 1e-7);
    }
    let got = viewing_geometry(&encke(), &GEOCENTRE, at_tt(2_448_170.5, 25.0)).unwrap();
    near("ra_deg", got.ra_deg, 158.558965, 1e-5);
    near("dec_deg", got.dec_deg, 19.158495, 1e-5);
    near("elongation_deg", got.elongation_deg, 40.51, 0.01);
    near("phase_deg", got.phase_deg, 84.36, 0.01);
    near("delta_au", got.delta_au, 0.824281, 1e-6);
    near("r_au", got.r_au, 0.652575, 1e-6);
    near("sunward_pa_deg", got.sunward_pa_deg, 123.25, 0.02);
    near("antisolar_pa_deg", got.antisolar_pa_deg, 303.25, 0.02);
    near("negative_velocity_pa_deg", got.negative_velocity_pa_deg, 312.08, 0.02);
    near("orbit_plane_angle_deg", got.orbit_plane_angle_deg, -8.86, 0.02);
    assert_eq!(got.delta_au, got.earth_distance_au);
}

/// The Minor Planet Center's ephemeris of C/2013 A1 from its own elements, geocentric, 0h TT, to its last digit.
#[test]
fn an_ephemeris_of_the_minor_planet_center() {
    for (jd, ra, dec, delta, r, elongation, phase) in [
        (2_456_267.5, hms(5.0, 33.0, 40.2), -(20.0 + 53.0 / 60.0 + 19.0 / 3600.0), 6.6962, 7.4299, 135.4, 5.3),
        (2_456_290.5, hms(5.0, 16.0, 17.6), -(21.0 + 30.0 / 60.0 + 35.0 / 3600.0), 6.5543, 7.2441, 131.6, 5.8),
        (2_456_296.5, hms(5.0, 11.0, 50.5), -(21.0 + 29.0 / 60.0 + 45.0 / 3600.0), 6.5404, 7.1953, 128.6, 6.1),
        (2_456_297.5, hms(5.0, 11.0, 6.8), -(21.0 + 29.0 / 60.0 + 11.0 / 3600.0), 6.5390, 7.1872, 128.1, 6.2),
        (2_456_298.5, hms(5.0, 10.0, 23.4), -(21.0 + 28.0 / 60.0 + 31.0 / 3600.0), 6.5378, 7.1790, 127.5, 6.2),
        (2_456_312.5, hms(5.0, 0.0, 54.9), -(21.0 + 7.0 / 60.0 + 23.0 / 3600.0), 6.5444, 7.0646, 118.3, 7.0),
    ] {
        let got = viewing_geometry(&siding_spring(), &GEOCENTRE, at_tt(jd, 35.0)).unwrap();
        near("ra, s", got.ra_deg * 240.0, ra * 240.0, 0.1);
        near("dec, arcsec", got.dec_deg * 3600.0, dec * 3600.0, 1.0);
        near("delta_au", got.delta_au, delta, 1e-4);
        near("r_au", got.r_au, r, 1e-4);
        near("elongation_deg", got.elongation_deg, elongation, 0.1);
        near("phase_deg", got.phase_deg, phase, 0.1);
    }
    // motion of 2013 January 5, computed by other code: −25.33″ and +1.54″ an hour east and north
    let got = viewing_geometry(&siding_spring(), &GEOCENTRE, at_tt(2_456_297.5, 35.0)).unwrap();
    let (sin, cos) = got.motion_pa_deg.to_radians().sin_cos();
    near("east, arcsec/h", got.motion_arcsec_per_min * 60.0 * sin, -25.33, 0.02);
    near("north, arcsec/h", got.motion_arcsec_per_min * 60.0 * cos, 1.54, 0.02);
}

/// P and Q of C/2013 A1 and C/2009 P1 as the Minor Planet Center printed them; the elements are rounded to 1e-5 degree.
#[test]
fn vectors_of_the_minor_planet_center() {
    let p1 = orbit(2_455_919.0, [1.55, 1.0], [90.74770, 325.99770, 106.17749]);
    for (elements, p, q) in [
        (siding_spring(), [0.48840090, -0.81370167, -0.31520492], [-0.56203058, -0.56964491, 0.59968851]),
        (p1, [-0.16661319, -0.58719595, 0.79211171], [-0.82691127, 0.52078702, 0.21212879]),
    ] {
        let (got_p, got_q) = elements.perihelion_axes();
        for i in 0..3 {
            near("P", got_p[i], p[i], 2e-7);
            near("Q", got_q[i], q[i], 2e-7);
        }
    }
}

/// C/1995 O1 from its one-line orbit: place of the Minor Planet Center for 2020 May 31.0 UTC, geocentric.
#[test]
fn a_one_line_orbit_gives_the_published_place() {
    let line = "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200224  -2.0  4.0  \
                C/1995 O1 (Hale-Bopp)                                    MPC106342";
    let elements = parse_one_line_orbit(line).unwrap().elements;
    let utc = UtcInstant::parse("2020-05-31T00:00:00Z").unwrap();
    let got = viewing_geometry(&elements, &GEOCENTRE, utc).unwrap();
    near("ra, s", got.ra_deg * 240.0, hms(23.0, 59.0, 16.6) * 240.0, 0.15);
    near("dec, arcsec", got.dec_deg * 3600.0, -(84.0 * 3600.0 + 46.0 * 60.0 + 58.0), 1.0);
    near("delta_au", got.delta_au, 43.266, 5e-4);
}

/// Node passages of Meeus, examples 39.a (1P/Halley) and 39.b (a parabola): there the comet is in the ecliptic.
#[test]
fn node_passages_of_meeus() {
    let halley = orbit(2_446_470.95891, [17.9400782 * (1.0 - 0.96727426), 0.96727426], [111.84644, 0.0, 90.0]);
    let parabola = orbit(2_447_758.791, [1.324502, 1.0], [154.9103, 0.0, 90.0]);
    for (elements, jd, r, tolerance) in [
        (&halley, 2_446_378.66, 1.8045, 5e-4),
        (&halley, 2_446_499.87, 0.8493, 5e-4),
        // the date is given to 0.1 d, in which r changes by 4e-4 au
        (&parabola, 2_443_404.1, 28.07, 5.4e-3),
        (&parabola, 2_447_787.136, 1.3901, 5e-4),
    ] {
        let state = elements.state_at(TdbInstant::from_jd(jd)).unwrap();
        let [x, y, z] = state.position_au;
        near("r_au", (x * x + y * y + z * z).sqrt(), r, tolerance);
        let (sin, cos) = (84_381.448_f64 / 3600.0).to_radians().sin_cos();
        // the dates are given to 0.01 d and 0.1 d
        near("height over the ecliptic", cos * z - sin * y, 0.0, 0.01 * r);
    }
}

/// Observatory codes of the Minor Planet Center: longitude, ρ cos φ′, ρ sin φ′ in radii of 6378.14 km. A geodetic site
/// from them and back through the crate's own ellipsoid gives the constants again.
#[test]
fn parallax_constants_of_observatories() {
    let (a, f) = (6_378_137.0, 1.0 / 298.257223563);
    let e2 = f * (2.0 - f);
    for (longitude_deg, cos, sin) in [
        (0.0, 0.62411, 0.77873),
        (204.5278, 0.94171, 0.33725),
        (243.13746, 0.836357, 0.546831),
        (289.26626, 0.87344, -0.486052),
    ] {
        let (p, z): (f64, f64) = (cos * 6_378_140.0, sin * 6_378_140.0);
        let mut latitude = z.atan2(p * (1.0 - e2));
        let mut height_m = 0.0;
        for _ in 0..20 {
            let n = a / (1.0 - e2 * latitude.sin().powi(2)).sqrt();
            height_m = p / latitude.cos() - n;
            latitude = z.atan2(p * (1.0 - e2 * n / (n + height_m)));
        }
        // codes have five digits: 30 m of height. All four stand between the sea and 4300 m
        assert!((-100.0..4300.0).contains(&height_m), "{height_m} m");
        let site = Site { longitude_deg, latitude_deg: latitude.to_degrees(), height_m };
        let [x, y, z] = site.earth_fixed_au().unwrap().map(|v| v * 149_597_870_700.0 / 6_378_140.0);
        near("rho cos", x.hypot(y), cos, 1e-8);
        near("rho sin", z, sin, 1e-8);
        near("longitude_deg", y.atan2(x).to_degrees().rem_euclid(360.0), longitude_deg, 1e-9);
    }
}

/// Meeus, example 40.a: parallax of Mars on 2003 August 28, 3h17m UT, from Palomar: +1.29 s in right ascension and
/// −14.14″ in declination. Here of a body at Mars's distance and apparent place; precession and nutation, left out of an
/// ICRS place, turn the offset by 0.05°.
#[test]
fn parallax_of_meeus() {
    let palomar = Site {
        longitude_deg: -(7.0 + 47.0 / 60.0 + 27.0 / 3600.0) * 15.0,
        latitude_deg: 33.0 + 21.0 / 60.0 + 22.0 / 3600.0,
        height_m: 1706.0,
    };
    let utc = UtcInstant::parse("2003-08-28T03:17:00Z").unwrap();
    let earth = fanlight_sky::earth_heliocentric_au(utc.tdb()).unwrap();
    let mars = SkyPosition::new(339.530208, -15.771083).unit_vector();
    let place: Vec<f64> = (0..3).map(|i| earth[i] + 0.37276 * mars[i]).collect();
    // a circular orbit through that place: node under it, a quarter turn from the highest point
    let (sin, cos) = (84_381.448_f64 / 3600.0).to_radians().sin_cos();
    let ecliptic = [place[0], cos * place[1] + sin * place[2], cos * place[2] - sin * place[1]];
    let r = place.iter().map(|x| x * x).sum::<f64>().sqrt();
    let inclination = (ecliptic[2] / r).asin().abs();
    let longitude = ecliptic[1].atan2(ecliptic[0]);
    let argument = if ecliptic[2] < 0.0 { 270.0 } else { 90.0 };
    let node = longitude.to_degrees() - argument;
    let light_days = 0.37276 / 173.1446;
    let body = orbit(utc.tdb().jd() - light_days, [r, 0.0], [argument, node, inclination.to_degrees()]);
    let centre = viewing_geometry(&body, &GEOCENTRE, utc).unwrap();
    near("the body stands where Mars does, RA", centre.ra_deg, 339.530208, 0.01);
    near("the body stands where Mars does, Dec", centre.dec_deg, -15.771083, 0.01);
    let seen = comet_position(&body, &palomar, utc).unwrap();
    near("RA, s", (seen.ra_deg - centre.ra_deg) * 240.0, 1.29, 0.015);
    near("Dec, arcsec", (seen.dec_deg - centre.dec_deg) * 3600.0, -14.14, 0.05);
}

/// Phase and elongation follow from the three distances (Meeus, chapter 41).
#[test]
fn triangles_of_sun_comet_and_earth() {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let got = viewing_geometry(&encke(), &GEOCENTRE, utc).unwrap();
    let earth = fanlight_sky::earth_heliocentric_au(utc.tdb()).unwrap();
    let sun = earth.iter().map(|x| x * x).sum::<f64>().sqrt();
    let (r, delta) = (got.r_au, got.delta_au);
    let phase = ((r * r + delta * delta - sun * sun) / (2.0 * r * delta)).acos().to_degrees();
    let elongation = ((sun * sun + delta * delta - r * r) / (2.0 * sun * delta)).acos().to_degrees();
    // the record's triangle joins the comet at t − τ and the Sun, which moves 7 km in that time
    near("phase_deg", got.phase_deg, phase, 1e-4);
    near("elongation_deg", got.elongation_deg, elongation, 1e-4);
}

/// Kasten & Young's formula at the altitudes tabulated by other code.
#[test]
fn airmass_of_kasten_and_young() {
    for (altitude, expected) in [(45.0, 1.41260), (20.0, 2.90315), (15.0, 3.81291), (5.0, 10.3058), (2.0, 19.4332)] {
        near("airmass", airmass(altitude).unwrap() / expected, 1.0, 1e-5);
    }
}

fn warnings(change: impl Fn(&mut ViewingGeometry), days: f64) -> Vec<String> {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let elements = OrbitElements { epoch_jd_tdb: utc.jd() - days, ..encke() };
    let mut geometry = viewing_geometry(&elements, &GEOCENTRE, utc).unwrap();
    (geometry.elongation_deg, geometry.earth_distance_au) = (90.0, 1.0);
    change(&mut geometry);
    orbit_warnings(&elements, &geometry, utc)
}

#[test]
fn warns_of_the_sun_the_epoch_and_the_earth() {
    assert_eq!(warnings(|_| {}, 29.9), Vec::<String>::new());
    for (found, word) in [
        (warnings(|g| g.elongation_deg = 29.9, 0.0), "Sun"),
        (warnings(|_| {}, 30.1), "epoch"),
        (warnings(|_| {}, -30.1), "epoch"),
        (warnings(|g| g.earth_distance_au = 0.29, 0.0), "Earth"),
    ] {
        assert!(found.len() == 1 && found[0].contains(word), "{word}: {found:?}");
    }
}

#[test]
fn what_cannot_be_is_refused() {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let nowhere = Site { latitude_deg: f64::NAN, ..GEOCENTRE };
    assert!(viewing_geometry(&encke(), &nowhere, utc).unwrap_err().to_string().contains("latitude_deg"));
    let endless = OrbitElements { e: f64::INFINITY, ..encke() };
    assert!(comet_position(&endless, &GEOCENTRE, utc).unwrap_err().to_string().starts_with("e is inf"));
    let late = UtcInstant::from_jd(2_500_000.5);
    assert!(comet_position(&encke(), &GEOCENTRE, late).unwrap_err().to_string().contains("1900 to 2100"));
}
