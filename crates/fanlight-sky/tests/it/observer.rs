//! What the place of the observer does, and what an observer is warned of.

use fanlight_sky::{
    Motion, OrbitElements, Site, SkyPosition, UtcInstant, ViewingGeometry, comet_position, earth_heliocentric_au,
    orbit_warnings, viewing_geometry,
};

/// The centre of the Earth: an equatorial radius below the equator (WGS 84).
const GEOCENTRE: Site = Site { longitude_deg: 0.0, latitude_deg: 0.0, height_m: -6_378_137.0 };

fn two_body(perihelion_jd_tdb: f64, q_au: f64, e: f64, angles_deg: [f64; 3]) -> OrbitElements {
    let [argument_of_perihelion_deg, node_deg, inclination_deg] = angles_deg;
    OrbitElements {
        epoch_jd_tdb: perihelion_jd_tdb,
        perihelion_jd_tdb,
        q_au,
        e,
        inclination_deg,
        node_deg,
        argument_of_perihelion_deg,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    }
}

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got} against {expected} ± {tolerance}");
}

/// Meeus, Astronomical Algorithms (2nd ed.), example 40.a: parallax of Mars on 2003 August 28, 3h17m UT, from Palomar, by
/// his rigorous formulas: +1.29 s in right ascension, −14.14″ in declination. Here a body on a circular orbit stands at
/// Mars's apparent place and distance; that his place is of the date and ours ICRS turns the offset by 0.05°.
#[test]
fn parallax_of_mars() {
    let palomar = Site {
        longitude_deg: -(7.0 + 47.0 / 60.0 + 27.0 / 3600.0) * 15.0,
        latitude_deg: 33.0 + 21.0 / 60.0 + 22.0 / 3600.0,
        height_m: 1706.0,
    };
    let utc = UtcInstant::parse("2003-08-28T03:17:00Z").unwrap();
    let earth = earth_heliocentric_au(utc.tdb()).unwrap();
    let mars = SkyPosition::new(339.530_208, -15.771_083).unit_vector();
    let delta_au = 0.372_76;
    let place = [0, 1, 2].map(|i| earth[i] + delta_au * mars[i]);
    // the highest or lowest point of an orbit through that place
    let (sin, cos) = (84_381.448_f64 / 3600.0).to_radians().sin_cos();
    let ecliptic = [place[0], cos * place[1] + sin * place[2], cos * place[2] - sin * place[1]];
    let r = place.iter().map(|x| x * x).sum::<f64>().sqrt();
    let inclination_deg = (ecliptic[2] / r).asin().abs().to_degrees();
    let argument_deg = if ecliptic[2] < 0.0 { 270.0 } else { 90.0 };
    let node_deg = ecliptic[1].atan2(ecliptic[0]).to_degrees() - argument_deg;
    let light_left = utc.tdb().jd() - delta_au / 173.144_6;
    let body = Motion::two_body(two_body(light_left, r, 0.0, [argument_deg, node_deg, inclination_deg]));

    let from_centre = viewing_geometry(&body, &GEOCENTRE, utc).unwrap();
    near("right ascension, deg", from_centre.ra_deg, 339.530_208, 0.01);
    near("declination, deg", from_centre.dec_deg, -15.771_083, 0.01);
    let from_palomar = comet_position(&body, &palomar, utc).unwrap();
    near("parallax in right ascension, s", (from_palomar.ra_deg - from_centre.ra_deg) * 240.0, 1.29, 0.015);
    near("parallax in declination, arcsec", (from_palomar.dec_deg - from_centre.dec_deg) * 3600.0, -14.14, 0.05);
}

fn invented() -> OrbitElements {
    two_body(2_463_049.123, 1.2345, 1.0002, [230.3, 120.2, 45.1])
}

fn warnings(days_from_epoch: f64, change: impl Fn(&mut ViewingGeometry)) -> Vec<String> {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let orbit = OrbitElements { epoch_jd_tdb: utc.jd() - days_from_epoch, ..invented() };
    warnings_of(&Motion::two_body(orbit), utc, change)
}

fn warnings_of(motion: &Motion, utc: UtcInstant, change: impl Fn(&mut ViewingGeometry)) -> Vec<String> {
    let mut geometry = viewing_geometry(motion, &GEOCENTRE, utc).unwrap();
    (geometry.elongation_deg, geometry.earth_distance_au) = (90.0, 1.0);
    change(&mut geometry);
    orbit_warnings(motion, &geometry, utc)
}

/// Limits of the conventions: 30 days from the epoch, 0.3 au from the Earth, 30° from the Sun.
#[test]
fn warns_of_the_sun_the_epoch_and_the_earth() {
    let none: [String; 0] = [];
    assert_eq!(warnings(29.9, |g| (g.elongation_deg, g.earth_distance_au) = (30.1, 0.31)), none);
    for (found, word) in [
        (warnings(0.0, |g| g.elongation_deg = 29.9), "Sun"),
        (warnings(30.1, |_| {}), "epoch"),
        (warnings(-30.1, |_| {}), "epoch"),
        (warnings(0.0, |g| g.earth_distance_au = 0.29), "Earth"),
    ] {
        assert!(found.len() == 1 && found[0].contains(word), "{word}: {found:?}");
    }
    let all = warnings(400.0, |g| (g.elongation_deg, g.earth_distance_au) = (5.0, 0.1));
    assert!(all.len() == 3 && all[0].contains("Sun"), "danger comes first: {all:?}");
}

/// Planets that are followed leave only the danger to warn of.
#[test]
fn with_planets_only_the_sun_is_warned_of() {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let orbit = OrbitElements { epoch_jd_tdb: utc.jd() - 400.0, ..invented() };
    let motion = Motion::perturbed(orbit, utc.tdb(), utc.tdb()).unwrap();
    let found = warnings_of(&motion, utc, |g| (g.elongation_deg, g.earth_distance_au) = (5.0, 0.1));
    assert!(found.len() == 1 && found[0].contains("Sun"), "{found:?}");
}

#[test]
fn what_cannot_be_is_refused_by_name() {
    let utc = UtcInstant::parse("2031-03-04T21:10:00Z").unwrap();
    let nowhere = Site { latitude_deg: f64::NAN, ..GEOCENTRE };
    assert!(
        viewing_geometry(&Motion::two_body(invented()), &nowhere, utc)
            .unwrap_err()
            .to_string()
            .contains("latitude_deg")
    );
    let endless = Motion::two_body(OrbitElements { e: f64::INFINITY, ..invented() });
    assert!(comet_position(&endless, &GEOCENTRE, utc).unwrap_err().to_string().starts_with("e is inf"));
    let late = UtcInstant::from_jd(2_500_000.5);
    assert!(
        comet_position(&Motion::two_body(invented()), &GEOCENTRE, late)
            .unwrap_err()
            .to_string()
            .contains("1900 to 2100")
    );
}
