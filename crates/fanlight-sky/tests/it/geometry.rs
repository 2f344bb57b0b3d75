//! Viewing geometry against other code.

use crate::worst::Worst;
use fanlight_sky::{
    Motion, OrbitElements, PositionAngle, Site, SkyPosition, UtcInstant, ViewingGeometry, comet_position,
    viewing_geometry,
};
use std::collections::BTreeMap;

const BY_SKYFIELD: &str = include_str!("../data/geometry.csv");
const OTHER_NIGHTS: &str = include_str!("../data/other_nights.json");

/// One row of another program: its numbers by name.
type Numbers = BTreeMap<String, f64>;

fn number(from: &Numbers, name: &str) -> f64 {
    *from.get(name).unwrap_or_else(|| panic!("{name} is missing"))
}

fn orbit(from: &Numbers) -> Motion {
    Motion::two_body(OrbitElements {
        epoch_jd_tdb: number(from, "epoch_jd_tdb"),
        perihelion_jd_tdb: number(from, "perihelion_jd_tdb"),
        q_au: number(from, "q_au"),
        e: number(from, "e"),
        inclination_deg: number(from, "inclination_deg"),
        node_deg: number(from, "node_deg"),
        argument_of_perihelion_deg: number(from, "argument_of_perihelion_deg"),
        a1_au_d2: number(from, "a1_au_d2"),
        a2_au_d2: number(from, "a2_au_d2"),
        a3_au_d2: number(from, "a3_au_d2"),
    })
}

fn site(from: &Numbers) -> Site {
    Site {
        longitude_deg: number(from, "longitude_deg"),
        latitude_deg: number(from, "latitude_deg"),
        height_m: number(from, "height_m"),
    }
}

fn angle(a_deg: f64, b_deg: f64) -> f64 {
    PositionAngle::from_deg(a_deg).minus(PositionAngle::from_deg(b_deg))
}

/// Takes every difference between a geometry and another program's numbers.
fn compare(worst: &mut Worst, got: &ViewingGeometry, expected: &Numbers, place: &str) {
    let of = |name| number(expected, name);
    let ra_arcsec = angle(got.ra_deg, of("ra_deg")) * got.dec_deg.to_radians().cos() * 3600.0;
    let dec_arcsec = (got.dec_deg - of("dec_deg")) * 3600.0;
    worst.take("across the line, km", ra_arcsec.hypot(dec_arcsec) * got.km_per_arcsec, place);
    worst.take("ra·cos(dec), arcsec", ra_arcsec, place);
    worst.take("dec, arcsec", dec_arcsec, place);
    for (name, value) in [
        ("r_au", got.r_au),
        ("delta_au", got.delta_au),
        ("phase_deg", got.phase_deg),
        ("elongation_deg", got.elongation_deg),
        ("orbit_plane_angle_deg", got.orbit_plane_angle_deg),
        ("altitude_deg", got.altitude_deg),
        ("sun_altitude_deg", got.sun_altitude_deg),
        ("moon_separation_deg", got.moon_separation_deg),
        ("moon_illuminated_fraction", got.moon_illuminated_fraction),
    ] {
        worst.take(name, value - of(name), place);
    }
    let azimuth = angle(got.azimuth_deg, of("azimuth_deg")) * got.altitude_deg.to_radians().cos();
    worst.take("azimuth_deg·cos(altitude)", azimuth, place);
    worst.take("km_per_arcsec, share", got.km_per_arcsec / of("km_per_arcsec") - 1.0, place);
    for (name, value) in [
        ("sunward_pa_deg", got.sunward_pa_deg),
        ("antisolar_pa_deg", got.antisolar_pa_deg),
        ("negative_velocity_pa_deg", got.negative_velocity_pa_deg),
        ("motion_pa_deg", got.motion_pa_deg),
    ] {
        worst.take(name, angle(value, of(name)), place);
    }
    let motion = got.motion_arcsec_per_min - of("motion_arcsec_per_min");
    worst.take("motion, share + 1e-3 arcsec/min", motion / (of("motion_arcsec_per_min") + 1e-3), place);
}

/// `reference/geometry_skyfield.py`: skyfield with JPL DE421, the comet by numerical integration, UT1 = UTC.
#[test]
fn agrees_with_skyfield_and_de421() {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(BY_SKYFIELD.as_bytes());
    let names = reader.headers().unwrap().clone();
    let (mut worst, mut kinds, mut hemispheres) = (Worst::default(), BTreeMap::<String, usize>::new(), [0, 0]);
    for (i, row) in reader.records().enumerate() {
        let row = row.unwrap();
        let expected: Numbers = names
            .iter()
            .zip(&row)
            .filter(|(name, _)| !["kind", "utc"].contains(name))
            .map(|(name, text)| (name.to_string(), text.parse().unwrap()))
            .collect();
        let utc = UtcInstant::parse(&row[names.iter().position(|n| n == "utc").unwrap()]).unwrap();
        let got = viewing_geometry(&orbit(&expected), &site(&expected), utc).unwrap();
        let place = format!("row {} ({}, {})", i + 1, &row[0], utc.to_iso());
        compare(&mut worst, &got, &expected, &place);
        let far = number(&expected, "earth_distance_au");
        worst.take("earth_distance_au", got.earth_distance_au - far, &place);
        let cheap = comet_position(&orbit(&expected), &site(&expected), utc).unwrap();
        assert_eq!(cheap, SkyPosition { ra_deg: got.ra_deg, dec_deg: got.dec_deg });
        *kinds.entry(row[0].to_string()).or_default() += 1;
        hemispheres[usize::from(number(&expected, "latitude_deg") < 0.0)] += 1;
    }
    assert!(kinds.len() == 5 && kinds.values().all(|n| *n >= 40), "{kinds:?}");
    assert!(hemispheres.iter().all(|n| *n >= 50), "{hemispheres:?}");
    // the Earth is turned by the same theory in both
    worst.judge(&tolerances(2e-5));
}

/// What the errors of the Earth (0.9 km) and of SOFA's Moon (31 km, 17″) leave between two programs; a position angle turns
/// further where the comet is near the line to the Sun.
fn tolerances(altitudes_deg: f64) -> Vec<(&'static str, f64)> {
    vec![
        ("ra·cos(dec), arcsec", 0.02),
        ("dec, arcsec", 0.02),
        ("across the line, km", 1.0),
        ("r_au", 1e-10),
        ("delta_au", 1e-8),
        ("earth_distance_au", 1e-8),
        ("phase_deg", 1e-5),
        ("elongation_deg", 1e-5),
        ("orbit_plane_angle_deg", 1e-5),
        ("altitude_deg", altitudes_deg),
        ("azimuth_deg·cos(altitude)", altitudes_deg),
        ("sun_altitude_deg", altitudes_deg),
        ("moon_separation_deg", 0.01),
        ("moon_illuminated_fraction", 1e-4),
        ("km_per_arcsec, share", 2e-7),
        ("sunward_pa_deg", 1e-4),
        ("antisolar_pa_deg", 1e-4),
        ("negative_velocity_pa_deg", 1e-4),
        ("motion_pa_deg", 1e-4),
        ("motion, share + 1e-3 arcsec/min", 2e-6),
    ]
}

/// The geometry of six simulated nights made by other code than ours.
#[test]
fn agrees_with_the_truth_of_simulated_nights() {
    let data: serde_json::Value = serde_json::from_str(OTHER_NIGHTS).unwrap();
    let mut worst = Worst::default();
    let nights = data["nights"].as_array().unwrap();
    for night in nights {
        let mut expected = Numbers::new();
        for part in ["orbit", "site", "geometry"] {
            let part = night[part].as_object().unwrap();
            expected.extend(part.iter().filter_map(|(name, v)| Some((name.clone(), v.as_f64()?))));
        }
        let utc = UtcInstant::parse(night["geometry"]["utc"].as_str().unwrap()).unwrap();
        let got = viewing_geometry(&orbit(&expected), &site(&expected), utc).unwrap();
        compare(&mut worst, &got, &expected, night["night"].as_str().unwrap());
    }
    assert_eq!(nights.len(), 6);
    // that code's clock of the Earth may differ by UT1 − UTC, up to 0.9 s, 0.004°
    let mut tolerances = tolerances(0.01);
    tolerances.retain(|(name, _)| *name != "earth_distance_au");
    worst.judge(&tolerances);
}
