//! Published numbers: worked examples of Meeus, ephemerides and lists of the Minor Planet Center.

use fanlight_sky::earth::AU_KM;
use fanlight_sky::orbit::OBLIQUITY_ARCSEC;
use fanlight_sky::{
    Motion, OrbitElements, PositionAngle, Site, TdbInstant, UtcInstant, ViewingGeometry, earth_heliocentric_au,
    parse_one_line_orbit, viewing_geometry,
};

/// The centre of the Earth, as a place an equatorial radius below the equator (WGS 84). Its horizon means nothing.
const GEOCENTRE: Site = Site { longitude_deg: 0.0, latitude_deg: 0.0, height_m: -6_378_137.0 };

/// TT − UTC, seconds: 32.184 and the leap seconds of the time.
const TT_MINUS_UTC_1990_S: f64 = 57.184;
const TT_MINUS_UTC_2013_S: f64 = 67.184;

fn two_body(q_au: f64, e: f64, perihelion_jd_tdb: f64, angles_deg: [f64; 3]) -> OrbitElements {
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

fn from_geocentre(orbit: &OrbitElements, jd_tt: f64, tt_minus_utc_s: f64) -> ViewingGeometry {
    viewing_geometry(
        &Motion::two_body(orbit.clone()),
        &GEOCENTRE,
        UtcInstant::from_jd(jd_tt).plus_seconds(-tt_minus_utc_s),
    )
    .unwrap()
}

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got}, published {expected} ± {tolerance}");
}

#[test]
fn the_geocentre_is_the_geocentre() {
    for axis in GEOCENTRE.earth_fixed_au().unwrap() {
        near("geocentre, km", axis * AU_KM, 0.0, 1e-6);
    }
}

/// Meeus, Astronomical Algorithms (2nd ed.), example 33.b: 2P/Encke, 1990 October 6.0 TD. The last four numbers are not
/// Meeus's: they were computed with ERFA's Earth by other code, to the digits given.
#[test]
fn encke_1990() {
    let (a, e) = (2.209_140_4, 0.850_219_6);
    let orbit = two_body(a * (1.0 - e), e, 2_448_193.045_02, [186.233_52, 334.750_06, 11.945_24]);
    let jd = 2_448_170.5;

    // without light time, to the digits printed
    let at_once = orbit.state_at(TdbInstant::from_jd(jd)).unwrap().position_au;
    for (got, expected) in at_once.into_iter().zip([0.250_806_6, 0.484_917_5, 0.357_337_3]) {
        near("heliocentric place, au", got, expected, 1e-7);
    }
    let r = at_once.iter().map(|v| v * v).sum::<f64>().sqrt();
    near("r, au", r, 0.652_486_7, 1e-7);
    let (p, q) = orbit.perihelion_axes();
    let along = |axis: [f64; 3]| (0..3).map(|i| axis[i] * at_once[i]).sum::<f64>();
    near("true anomaly, deg", along(q).atan2(along(p)).to_degrees(), -94.163_310, 2e-6);
    let eccentric = (along(q) / (1.0 - e * e).sqrt()).atan2(along(p) + a * e);
    near("eccentric anomaly, deg", eccentric.to_degrees(), -34.026_714, 2e-6);
    near("mean anomaly, deg", (eccentric - e * eccentric.sin()).to_degrees(), -6.767_367, 2e-6);

    // the Sun's coordinates that Meeus starts from are VSOP87's
    let earth = earth_heliocentric_au(TdbInstant::from_jd(jd)).unwrap();
    for (got, expected) in earth.into_iter().zip([0.975_673_2, 0.200_325_4, 0.086_856_6]) {
        near("Earth, au", got, expected, 2e-7);
    }

    let got = from_geocentre(&orbit, jd, TT_MINUS_UTC_1990_S);
    near("right ascension, deg", got.ra_deg, 158.558_965, 1e-5);
    near("declination, deg", got.dec_deg, 19.158_495, 1e-5);
    near("elongation, deg", got.elongation_deg, 40.51, 0.006);
    near("phase, deg", got.phase_deg, 84.36, 0.006);
    near("Δ, au", got.delta_au, 0.824_281, 1e-6);
    near("r, au", got.r_au, 0.652_575, 1e-6);
    near("sunward PA, deg", got.sunward_pa_deg, 123.25, 0.02);
    near("antisolar PA, deg", got.antisolar_pa_deg, 303.25, 0.02);
    near("PA of minus velocity, deg", got.negative_velocity_pa_deg, 312.08, 0.02);
    near("Earth over the orbit's plane, deg", got.orbit_plane_angle_deg, -8.86, 0.02);
}

fn siding_spring_2013() -> OrbitElements {
    two_body(1.392_143_2, 0.999_524_6, 2_456_955.582_85, [2.541_33, 300.853_26, 128.962_30])
}

/// The Minor Planet Center's first ephemeris of C/2013 A1 (geocentric, 0h TT): right ascension to 0.1 s, declination to 1″,
/// Δ and r to 1e-4 au, angles to 0.1°; half of the last digit, and a little for the place of the Earth.
#[test]
fn ephemeris_of_c_2013_a1() {
    let hours = |h: f64, m: f64, s: f64| (h + m / 60.0 + s / 3600.0) * 15.0;
    let degrees = |d: f64, m: f64, s: f64| -(d + m / 60.0 + s / 3600.0);
    for (jd, ra, dec, delta, r, elongation, phase) in [
        (2_456_267.5, hours(5.0, 33.0, 40.2), degrees(20.0, 53.0, 19.0), 6.6962, 7.4299, 135.4, 5.3),
        (2_456_290.5, hours(5.0, 16.0, 17.6), degrees(21.0, 30.0, 35.0), 6.5543, 7.2441, 131.6, 5.8),
        (2_456_296.5, hours(5.0, 11.0, 50.5), degrees(21.0, 29.0, 45.0), 6.5404, 7.1953, 128.6, 6.1),
        (2_456_297.5, hours(5.0, 11.0, 6.8), degrees(21.0, 29.0, 11.0), 6.5390, 7.1872, 128.1, 6.2),
        (2_456_298.5, hours(5.0, 10.0, 23.4), degrees(21.0, 28.0, 31.0), 6.5378, 7.1790, 127.5, 6.2),
        (2_456_312.5, hours(5.0, 0.0, 54.9), degrees(21.0, 7.0, 23.0), 6.5444, 7.0646, 118.3, 7.0),
    ] {
        let got = from_geocentre(&siding_spring_2013(), jd, TT_MINUS_UTC_2013_S);
        near(&format!("{jd}: right ascension, s"), got.ra_deg * 240.0, ra * 240.0, 0.06);
        near(&format!("{jd}: declination, arcsec"), got.dec_deg * 3600.0, dec * 3600.0, 0.6);
        near(&format!("{jd}: Δ"), got.delta_au, delta, 0.6e-4);
        near(&format!("{jd}: r"), got.r_au, r, 0.6e-4);
        near(&format!("{jd}: elongation"), got.elongation_deg, elongation, 0.06);
        near(&format!("{jd}: phase"), got.phase_deg, phase, 0.06);
    }
}

/// Motion of the same ephemeris on 2013 January 5.0, from other code with ERFA's Earth: −25.33″ and +1.54″ an hour.
#[test]
fn motion_of_c_2013_a1() {
    let got = from_geocentre(&siding_spring_2013(), 2_456_297.5, TT_MINUS_UTC_2013_S);
    let (sin, cos) = got.motion_pa_deg.to_radians().sin_cos();
    near("eastward, arcsec/h", 60.0 * got.motion_arcsec_per_min * sin, -25.33, 0.02);
    near("northward, arcsec/h", 60.0 * got.motion_arcsec_per_min * cos, 1.54, 0.02);
}

/// The vectors P and Q that the Minor Planet Center prints; its 8 digits come from more of the angles than the 5 decimals
/// printed beside them.
#[test]
fn perihelion_vectors() {
    let c_2009_p1 = two_body(1.55, 1.0, 2_455_918.0, [90.747_70, 325.997_70, 106.177_49]);
    for (orbit, p, q) in [
        (
            siding_spring_2013(),
            [0.488_400_90, -0.813_701_67, -0.315_204_92],
            [-0.562_030_58, -0.569_644_91, 0.599_688_51],
        ),
        (c_2009_p1, [-0.166_613_19, -0.587_195_95, 0.792_111_71], [-0.826_911_27, 0.520_787_02, 0.212_128_79]),
    ] {
        let (got_p, got_q) = orbit.perihelion_axes();
        for i in 0..3 {
            near("P", got_p[i], p[i], 2e-7);
            near("Q", got_q[i], q[i], 2e-7);
        }
    }
}

/// Height over the ecliptic and distance from the Sun, au.
fn height_and_distance(orbit: &OrbitElements, jd: f64) -> (f64, f64) {
    let [x, y, z] = orbit.state_at(TdbInstant::from_jd(jd)).unwrap().position_au;
    let (sin, cos) = (OBLIQUITY_ARCSEC / 3600.0).to_radians().sin_cos();
    (cos * z - sin * y, (x * x + y * y + z * z).sqrt())
}

/// Meeus, examples 39.a (1P/Halley 1986) and 39.b (a parabola): passages through the nodes, within half of the digit
/// printed. The plane's inclination and node do not enter; they are invented here.
#[test]
fn node_passages() {
    let (a, e) = (17.940_078_2, 0.967_274_26);
    let halley = two_body(a * (1.0 - e), e, 2_446_470.958_91, [111.846_44, 40.0, 70.0]);
    let parabola = two_body(1.324_502, 1.0, 2_447_758.791, [154.910_3, 40.0, 70.0]);
    let (day_1985_11_0, day_1986_03_0, day_1977_09_0, day_1989_09_0) =
        (2_446_369.5, 2_446_489.5, 2_443_386.5, 2_447_769.5);
    for (orbit, jd, step_days, upward, r, step_au) in [
        (&halley, day_1985_11_0 + 9.16, 0.01, true, 1.8045, 1e-4),
        (&halley, day_1986_03_0 + 10.37, 0.01, false, 0.8493, 1e-4),
        (&parabola, day_1977_09_0 + 17.6, 0.1, true, 28.07, 0.01),
        (&parabola, day_1989_09_0 + 17.636, 0.001, false, 1.3901, 1e-4),
    ] {
        let sign = if upward { 1.0 } else { -1.0 };
        let (before, _) = height_and_distance(orbit, jd - 0.55 * step_days);
        let (after, _) = height_and_distance(orbit, jd + 0.55 * step_days);
        assert!(sign * before < 0.0 && sign * after > 0.0, "{jd}: {before} to {after}");
        // r changes by less than its digit within the day's digit
        let (_, distance) = height_and_distance(orbit, jd);
        near("distance at the node", distance, r, 1.3 * step_au);
    }
}

/// The Minor Planet Center's service for C/1995 O1 on 2020 May 31.0 UTC, from its one-line elements, whose rounding limits
/// the comparison to 0.15 s, 1″ and 5e-4 au.
#[test]
fn one_line_orbit_to_place() {
    let line = "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200224  -2.0  4.0  C/1995 O1 (Hale-Bopp)                                    MPC106342";
    let orbit = parse_one_line_orbit(line).unwrap().elements;
    let got = viewing_geometry(&Motion::two_body(orbit), &GEOCENTRE, UtcInstant::parse("2020-05-31T00:00:00").unwrap())
        .unwrap();
    near("right ascension, s", got.ra_deg * 240.0, (23.0 * 60.0 + 59.0) * 60.0 + 16.6, 0.15);
    near("declination, arcsec", got.dec_deg * 3600.0, -((84.0 * 60.0 + 46.0) * 60.0 + 58.0), 1.0);
    near("Δ, au", got.delta_au, 43.266, 5e-4);
}

/// Elongation and phase of C/1996 B2 as printed beside its distances (IAU Circular 6304, 0h TT): the triangle's third side
/// is the Earth's distance from the Sun here.
#[test]
fn triangles_of_c_1996_b2() {
    for (jd, delta, r, elongation, phase) in [
        (2_450_110.5, 1.953, 2.102, 84.6, 27.8),
        (2_450_115.5, 1.788, 2.022, 88.7, 29.2),
        (2_450_120.5, 1.623, 1.941, 92.9, 30.5),
        (2_450_125.5, 1.456, 1.858, 97.1, 31.8),
    ] {
        let earth = earth_heliocentric_au(TdbInstant::from_jd(jd)).unwrap();
        let sun = earth.iter().map(|v| v * v).sum::<f64>().sqrt();
        let corner =
            |a: f64, b: f64, opposite: f64| ((a * a + b * b - opposite * opposite) / (2.0 * a * b)).acos().to_degrees();
        near("elongation", corner(delta, sun, r), elongation, 0.1);
        near("phase", corner(r, delta, sun), phase, 0.1);
    }
}

/// Parallax constants of the Minor Planet Center's list of observatories, in Earth radii of 6378.14 km. The geodetic
/// places were taken from them by ERFA's `gc2gd`; the list's digits are 60 m and 6 m.
#[test]
fn parallax_constants() {
    for (name, longitude_deg, latitude_deg, height_m, cos, sin, digit) in [
        ("000 Greenwich", 0.0, 51.477_376, 68.79, 0.62411, 0.77873, 1e-5),
        ("568 Maunakea", 204.5278, 19.826_114, 4215.36, 0.94171, 0.33725, 1e-5),
        ("675 Palomar", 243.13746, 33.354_117, 1699.06, 0.836357, 0.546831, 1e-6),
        ("809 La Silla", 289.26626, -29.258_819, 2348.36, 0.87344, -0.486052, 1e-6),
    ] {
        let [x, y, z] =
            Site { longitude_deg, latitude_deg, height_m }.earth_fixed_au().unwrap().map(|v| v * AU_KM / 6378.14);
        near(name, x.hypot(y), cos, 0.1 * digit);
        near(name, z, sin, 0.1 * digit);
        near(
            name,
            PositionAngle::from_deg(y.atan2(x).to_degrees()).minus(PositionAngle::from_deg(longitude_deg)),
            0.0,
            1e-9,
        );
    }
}

/// The same constants from a geodetic place by Meeus's formulas (chapter 11) with the flattening of WGS 84.
#[test]
fn parallax_constants_by_meeus() {
    let (radius_m, flattening) = (6_378_137.0, 1.0 / 298.257_223_563);
    for latitude_deg in [-90.0, -77.85, -24.6, 0.0, 10.0, 45.0, 60.2, 89.0, 90.0f64] {
        for height_m in [-400.0, 0.0, 2635.0, 8000.0] {
            let latitude = latitude_deg.to_radians();
            let u = ((1.0 - flattening) * latitude.tan()).atan();
            let sin = (1.0 - flattening) * u.sin() + height_m / radius_m * latitude.sin();
            let cos = u.cos() + height_m / radius_m * latitude.cos();
            let place = Site { longitude_deg: -70.0, latitude_deg, height_m }.earth_fixed_au().unwrap();
            let [x, y, z] = place.map(|v| v * AU_KM * 1000.0 / radius_m);
            near("ρ cos φ′", x.hypot(y), cos, 1e-12);
            near("ρ sin φ′", z, sin, 1e-12);
        }
    }
}
