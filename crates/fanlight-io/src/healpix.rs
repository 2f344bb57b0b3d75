//! Cells of equal area on the sphere: HEALPix in its nested order, as far as a sky index needs it.
//!
//! # Accuracy
//! A place that lies within rounding of a cell's edge may be given to either neighbour; [`cells_within`] never leaves
//! out a cell that holds a place inside the circle.
//!
//! # Source
//! Górski et al. 2005, ApJ 622, 759: section 4 (the base cells), 4.1 (the nested order) and 5 (places to cells).

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};
use std::ops::Range;

use fanlight_sky::SkyPosition;

/// Finest order: cells of 0.05″, whose numbers still fit 64 bits with room to spare.
pub(crate) const MAX_ORDER: u8 = 20;

/// Number of cells of an order.
pub(crate) fn n_cells(order: u8) -> u64 {
    12 << (2 * order)
}

/// The cell that holds a place.
pub(crate) fn cell_of(place: SkyPosition, order: u8) -> u64 {
    let side = 1u64 << order;
    let n = side as f64;
    let z = place.dec_deg.to_radians().sin();
    let quarters = (place.ra_deg / 90.0).rem_euclid(4.0);
    // Rounding may lift the remainder to 4 itself.
    let quarters = if quarters < 4.0 { quarters } else { 0.0 };
    if z.abs() <= 2.0 / 3.0 {
        let along = n * (0.5 + quarters);
        let up = n * 0.75 * z;
        // The numbers of the ascending and the descending edge line below the place.
        let (down_line, up_line) = ((along - up) as u64, (along + up) as u64);
        let (down_face, up_face) = (down_line >> order, up_line >> order);
        let face = match down_face.cmp(&up_face) {
            std::cmp::Ordering::Equal => (down_face & 3) + 4,
            std::cmp::Ordering::Less => down_face & 3,
            std::cmp::Ordering::Greater => (up_face & 3) + 8,
        };
        return nested(face, up_line & (side - 1), side - 1 - (down_line & (side - 1)), order);
    }
    let quarter = quarters.floor();
    let within = quarters - quarter;
    // n·sqrt(3 (1 - |z|)), written so that it keeps its digits at the pole.
    let reach = n * place.dec_deg.to_radians().cos() / ((1.0 + z.abs()) / 3.0).sqrt();
    let line = |share: f64| ((share * reach) as u64).min(side - 1);
    let (down_line, up_line) = (line(within), line(1.0 - within));
    let quarter = quarter as u64;
    if z > 0.0 {
        nested(quarter, side - 1 - up_line, side - 1 - down_line, order)
    } else {
        nested(quarter + 8, down_line, up_line, order)
    }
}

/// The cells that may hold a place within `radius_deg` of `centre`, as ranges in ascending order that do not touch.
pub(crate) fn cells_within(centre: SkyPosition, radius_deg: f64, order: u8) -> Vec<Range<u64>> {
    let mut ranges: Vec<Range<u64>> = Vec::new();
    // Cells still to look at, the next one last: nested order makes the output ascend.
    let mut open: Vec<(u64, u8)> = (0..12).rev().map(|face| (face, 0)).collect();
    while let Some((cell, at)) = open.pop() {
        let reach_deg = widest_radius_deg(at);
        let away_deg = centre.separation_arcsec(&centre_of(cell, at)) / 3600.0;
        if away_deg > radius_deg + reach_deg {
            continue;
        }
        if at < order && away_deg + reach_deg > radius_deg {
            open.extend((0..4).rev().map(|child| (4 * cell + child, at + 1)));
            continue;
        }
        let depth = 2 * (order - at);
        let (first, last) = (cell << depth, (cell + 1) << depth);
        match ranges.last_mut() {
            Some(range) if range.end == first => range.end = last,
            _ => ranges.push(first..last),
        }
    }
    ranges
}

/// The middle of a cell.
fn centre_of(cell: u64, order: u8) -> SkyPosition {
    let side = 1i64 << order;
    let face = (cell >> (2 * order)) as i64;
    let within = cell & ((1 << (2 * order)) - 1);
    let (x, y) = (even_bits(within) as i64, even_bits(within >> 1) as i64);
    // Rings count from the north pole; a ring of the polar caps has 4 cells more than the one before.
    let ring = (2 + face / 4) * side - x - y - 1;
    let n = side as f64;
    let cap = |ring: i64| 1.0 - (ring * ring) as f64 / (3.0 * n * n);
    let (per_quarter, z) = if ring < side {
        (ring, cap(ring))
    } else if ring > 3 * side {
        (4 * side - ring, -cap(4 * side - ring))
    } else {
        (side, (2 * side - ring) as f64 * 2.0 / (3.0 * n))
    };
    let face_column = if face / 4 == 1 { 2 * (face % 4) } else { 2 * (face % 4) + 1 };
    let eighths = (face_column * per_quarter + x - y) as f64 / per_quarter as f64;
    SkyPosition::new((FRAC_PI_4 * eighths).to_degrees().rem_euclid(360.0), z.asin().to_degrees())
}

/// The largest distance of a cell's corner from its middle, with a thousandth to spare: that of the cells which touch
/// the border of a polar cap at their middles' height (z = 2/3).
fn widest_radius_deg(order: u8) -> f64 {
    let n = f64::from(1u32 << order);
    let middle = SkyPosition::new((FRAC_PI_2 / 2.0 / n).to_degrees(), (2.0f64 / 3.0).asin().to_degrees());
    let z = 1.0 - (1.0 - 1.0 / n).powi(2) / 3.0;
    let corner = SkyPosition::new(0.0, z.asin().to_degrees());
    1.001 * middle.separation_arcsec(&corner) / 3600.0
}

fn nested(face: u64, x: u64, y: u64, order: u8) -> u64 {
    (face << (2 * order)) + spread_bits(x) + 2 * spread_bits(y)
}

/// Moves bit i to bit 2 i.
fn spread_bits(value: u64) -> u64 {
    (0..=u64::from(MAX_ORDER)).fold(0, |out, i| out | (value >> i & 1) << (2 * i))
}

/// Undoes [`spread_bits`].
fn even_bits(value: u64) -> u64 {
    (0..=u64::from(MAX_ORDER)).fold(0, |out, i| out | (value >> (2 * i) & 1) << i)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells and middles by astropy_healpix (see `reference/healpix_astropy.py`), among them both poles, the caps'
    /// borders and both sides of right ascension 0.
    #[test]
    fn cells_and_middles_of_astropy_healpix() {
        let mut n = 0;
        for line in include_str!("../tests/data/healpix.csv").lines().filter(|l| !l.starts_with(['#', 'o'])) {
            let fields: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
            let [order, ra_deg, dec_deg, cell, middle_ra_deg, middle_dec_deg] = fields[..] else { panic!("{line}") };
            let order = order as u8;
            assert_eq!(cell_of(SkyPosition::new(ra_deg, dec_deg), order), cell as u64, "{line}");
            let middle = centre_of(cell as u64, order);
            let expected = SkyPosition::new(middle_ra_deg, middle_dec_deg);
            // Rounding of f64 and of asin near the poles.
            assert!(middle.separation_arcsec(&expected) < 1e-5, "{line}: {middle:?}");
            assert!(middle.separation_arcsec(&SkyPosition::new(ra_deg, dec_deg)) / 3600.0 < widest_radius_deg(order));
            n += 1;
        }
        assert!(n > 1000, "{n}");
    }

    #[test]
    fn every_middle_lies_in_its_cell() {
        for order in [0, 1, 2, 3, 6] {
            for cell in 0..n_cells(order) {
                assert_eq!(cell_of(centre_of(cell, order), order), cell, "order {order}");
            }
        }
    }

    #[test]
    fn poles_and_right_ascensions_out_of_range_have_cells() {
        for ra_deg in [-0.0, 0.0, 90.0, 359.999999999999, 360.0, -1e-17] {
            for dec_deg in [-90.0, -41.8103149, 0.0, 41.8103149, 90.0] {
                assert!(cell_of(SkyPosition { ra_deg, dec_deg }, 6) < n_cells(6), "{ra_deg} {dec_deg}");
            }
        }
    }

    #[test]
    fn circles_take_few_cells_and_no_circle_the_whole_sky() {
        let cells = |radius_deg: f64| -> u64 {
            let ranges = cells_within(SkyPosition::new(359.9, 89.0), radius_deg, 6);
            assert!(ranges.windows(2).all(|pair| pair[0].end < pair[1].start));
            ranges.iter().map(|r| r.end - r.start).sum()
        };
        assert_eq!(cells(180.0), n_cells(6));
        // A circle of 3° has 28.3 square degrees, 34 cells of 0.84; with its border it is a few times that at most.
        assert!((34..110).contains(&cells(3.0)), "{}", cells(3.0));
        assert!((1..12).contains(&cells(0.0)), "{}", cells(0.0));
    }
}
