//! What SOFA's Earth differs from JPL's by.
//!
//! `epv00` is a sum of periodic terms of which the small ones, hundreds of them, were left out: together they come to 11 km. No
//! short list of periods holds them, nor does VSOP87A know them better (7 km beside DE421 after a fit of yearly terms, 4 km
//! after 40 periods more). They change slowly, though, and a table of one byte for 16 days and axis leaves half a kilometre.
//! At 0.03 au, where a comet's place is asked to 0.05″, that is 0.025″. It costs 0.02 µs, the theory 29.

use crate::TdbInstant;
use crate::angle::Vector;
use crate::earth::AU_KM;

/// Where the first piece starts, which is where SOFA's theory does.
const START_JD_TDB: f64 = 2_415_020.0;
/// From knot to knot; a piece of the Earth's [table](crate::planets) lies between two of them.
const KNOT_DAYS: f64 = 16.0;
/// What one unit of the table is.
const UNIT_AU: f64 = 0.1 / AU_KM;
/// Coefficients of uniform cubic B-splines, x, y and z of one after those of the other; three more than there are pieces.
/// Least squares to JPL DE423 minus `epv00` at every noon from 1900 to 2100, by `reference/earth_correction.py`.
const TABLE: &[[u8; 3]] = include_bytes!("earth_correction.bin").as_chunks().0;

/// What is to be added to SOFA's heliocentric place and velocity of the Earth, ICRS axes, au and au/day.
///
/// # Accuracy
/// The place is then within 0.53 km of DE423 (rms 0.14) and 0.85 km of DE421 (rms 0.32), which differ by 0.50 km themselves; the
/// velocity within 0.20 km/day, 1.4e-9 au/day. Worst of 23 259 dates from 1900 to 2099 that were not fitted.
///
/// # Source
/// JPL DE423 (Folkner 2010), as the Python package `de423` brings it.
pub(crate) fn earth_correction(at: TdbInstant) -> [Vector; 2] {
    let knots = at.days_after(START_JD_TDB) / KNOT_DAYS;
    let piece = knots.floor().clamp(0.0, (TABLE.len() - 4) as f64);
    let u = knots - piece;
    let left = 1.0 - u;
    let values = [
        left * left * left / 6.0,
        (4.0 + u * u * (3.0 * u - 6.0)) / 6.0,
        (4.0 + left * left * (3.0 * left - 6.0)) / 6.0,
        u * u * u / 6.0,
    ];
    let slopes = [-0.5 * left * left, 0.5 * u * (3.0 * u - 4.0), -0.5 * left * (3.0 * left - 4.0), 0.5 * u * u];
    let near = &TABLE[piece as usize..][..4];
    let weighted = |weights: [f64; 4], unit: f64| -> Vector {
        std::array::from_fn(|axis| {
            unit * near.iter().zip(weights).map(|(c, w)| w * f64::from(c[axis].cast_signed())).sum::<f64>()
        })
    };
    [weighted(values, UNIT_AU), weighted(slopes, UNIT_AU / KNOT_DAYS)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::{minus, norm, scale};

    /// The table reaches from the first day to the last that SOFA's theory knows.
    #[test]
    fn the_table_is_whole() {
        let pieces = (2_488_070.0 - START_JD_TDB) / KNOT_DAYS;
        assert_eq!(TABLE.len(), pieces.ceil() as usize + 3);
    }

    /// Place and velocity go on over the knots, and one is the slope of the other.
    #[test]
    fn is_smooth() {
        let at = |days: f64| TdbInstant::from_jd(START_JD_TDB).minus_days(-days);
        for knot in 1..TABLE.len() - 3 {
            let days = KNOT_DAYS * knot as f64;
            let [before, after] = [days - 1e-6, days + 1e-6].map(|d| earth_correction(at(d)));
            for i in 0..2 {
                assert!(norm(minus(after[i], before[i])) < 1e-13, "knot {knot}");
            }
            let [back, on] = [days + 4.9, days + 5.1].map(|d| earth_correction(at(d))[0]);
            let off = minus(scale(minus(on, back), 5.0), earth_correction(at(days + 5.0))[1]);
            assert!(norm(off) < 1e-13, "knot {knot}: {:e} au/day", norm(off));
        }
    }
}
