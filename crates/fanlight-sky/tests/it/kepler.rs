//! Two-body motion against many-digit arithmetic: `reference/kepler_decimal.py`.

use crate::worst::Worst;
use fanlight_sky::orbit::GAUSS_K;
use fanlight_sky::{OrbitElements, TdbInstant};

const BY_DECIMAL: &str = include_str!("../data/kepler.csv");

/// Kepler's and Barker's equations at 80 digits, e from 0 to 40, within 100 years of perihelion.
#[test]
fn agrees_with_many_digit_arithmetic() {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(BY_DECIMAL.as_bytes());
    let (mut worst, mut n) = (Worst::default(), 0);
    for row in reader.records() {
        let row = row.unwrap();
        let [q_au, e, days, x, y] = [0, 1, 2, 3, 4].map(|i| row[i].parse::<f64>().unwrap());
        let elements = OrbitElements {
            epoch_jd_tdb: 0.0,
            perihelion_jd_tdb: 0.0,
            q_au,
            e,
            inclination_deg: 10.0,
            node_deg: 20.0,
            argument_of_perihelion_deg: 30.0,
            a1_au_d2: 0.0,
            a2_au_d2: 0.0,
            a3_au_d2: 0.0,
        };
        let at = elements.state_at(TdbInstant::from_jd(days)).unwrap().position_au;
        let (toward, ahead) = elements.perihelion_axes();
        let along = |axis: [f64; 3]| (0..3).map(|i| axis[i] * at[i]).sum::<f64>();
        let miss_au = (along(toward) - x).hypot(along(ahead) - y);
        let place = format!("q {q_au} e {e} t {days}");
        // whole turns of a short period carry the rounding of the time, at the speed of perihelion
        let rounding_au = f64::EPSILON * days.abs() * GAUSS_K * ((1.0 + e) / q_au).sqrt();
        worst.take(
            "place beyond the time's rounding, share of r",
            (miss_au - rounding_au).max(0.0) / x.hypot(y),
            &place,
        );
        worst.take("place, au", miss_au, &place);
        n += 1;
    }
    assert_eq!(n, 45);
    // some roundings of f64; 1e-11 au is reached at 2600 au from the Sun
    worst.judge(&[("place beyond the time's rounding, share of r", 5e-15), ("place, au", 1e-11)]);
}
