//! Places of planets against JPL DE421: `reference/planets_de421.py`.

use fanlight_sky::planets::{DAYS_OF_JUPITER, JUPITER_CORRECTION_AU};
use fanlight_sky::{AU_KM, Planet, TdbInstant};
use nalgebra::{DMatrix, DVector};

const BY_DE421: &str = include_str!("../data/planets.csv");

/// Dates and places of a planet.
fn rows(planet: Planet) -> Vec<(TdbInstant, [f64; 3])> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(BY_DE421.as_bytes());
    let rows = reader.records().map(|r| r.unwrap()).filter(|r| r[0] == format!("{planet:?}"));
    rows.map(|r| {
        let number = |i: usize| -> f64 { r[i].parse().unwrap() };
        (TdbInstant::from_jd(number(1)), [number(2), number(3), number(4)])
    })
    .collect()
}

/// What each theory is said to be good to, km.
#[test]
fn theories_are_as_good_as_is_said() {
    for (planet, limit_km) in [
        (Planet::Mercury, 15.0),
        (Planet::Venus, 20.0),
        (Planet::Earth, 0.9),
        (Planet::Moon, 30.0),
        (Planet::Mars, 80.0),
        (Planet::Jupiter, 350.0),
        (Planet::Saturn, 3000.0),
        (Planet::Uranus, 30_000.0),
        (Planet::Neptune, 80_000.0),
    ] {
        let rows = rows(planet);
        assert_eq!(rows.len(), 120);
        let off_km = rows.iter().map(|(at, place)| {
            let got = planet.heliocentric_au(*at).unwrap();
            (0..3).map(|i| (got[i] - place[i]).powi(2)).sum::<f64>().sqrt() * AU_KM
        });
        let worst = off_km.fold(0.0, f64::max);
        assert!(worst < limit_km && worst > 0.2 * limit_km, "{planet:?}: {worst:.0} km");
    }
}

/// The correction of Jupiter is what least squares find between DE421 and the theory.
#[test]
fn jupiters_correction_is_the_fitted_one() {
    let rows = rows(Planet::Jupiter);
    let terms = |at: &TdbInstant| {
        let days = at.days_after(2_451_545.0);
        let (sin, cos) = (std::f64::consts::TAU * days / DAYS_OF_JUPITER).sin_cos();
        let centuries = days / 36_525.0;
        [1.0, centuries, cos, sin, centuries * cos, centuries * sin]
    };
    let matrix = DMatrix::from_fn(rows.len(), 6, |i, j| terms(&rows[i].0)[j]);
    for axis in 0..3 {
        let missing = DVector::from_fn(rows.len(), |i, _| {
            let (at, place) = &rows[i];
            let corrected: f64 = terms(at).iter().zip(JUPITER_CORRECTION_AU[axis]).map(|(t, c)| t * c).sum();
            place[axis] - (Planet::Jupiter.heliocentric_au(*at).unwrap()[axis] - corrected)
        });
        let fitted = matrix.clone().svd(true, true).solve(&missing, 1e-12).unwrap();
        for (fit, used) in fitted.iter().zip(JUPITER_CORRECTION_AU[axis]) {
            assert!((fit - used).abs() < 1e-9, "axis {axis}: {fit:e} against {used:e}");
        }
    }
}

#[test]
fn masses_add_up() {
    // DE421 (Folkner, Williams & Boggs 2009, IPN Progress Report 42-178; from memory), km³/s²
    let sun = 132_712_440_040.944;
    for (planet, gm) in [
        (Planet::Mercury, 22_032.09),
        (Planet::Venus, 324_858.592),
        (Planet::Earth, 398_600.436_233),
        (Planet::Moon, 4_902.800_076),
        (Planet::Mars, 42_828.375_214),
        (Planet::Jupiter, 126_712_764.8),
        (Planet::Saturn, 37_940_585.2),
        (Planet::Uranus, 5_794_548.6),
        (Planet::Neptune, 6_836_535.0),
    ] {
        let share = planet.sun_mass_ratio() * gm / sun - 1.0;
        assert!(share.abs() < 2e-6, "{planet:?}: {share:e}");
    }
}
