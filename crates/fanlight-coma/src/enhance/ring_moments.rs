//! Means and scatters of rings, added up without sorting pixels.

use super::rings::{Grid, Ring};
use crate::ComaError;
use fanlight_image::{Image, wide};
use fanlight_sky::PixelXy;
use rayon::prelude::*;

/// Rows added up by one parallel task.
const STRIP_ROWS: usize = 64;

/// What the good pixels of a ring add up to.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Moments {
    n: f64,
    radii: f64,
    values: f64,
    squares: f64,
}

impl Moments {
    fn add(&mut self, other: &Self) {
        self.n += other.n;
        self.radii += other.radii;
        self.values += other.values;
        self.squares += other.squares;
    }

    /// How many pixels.
    pub fn n(&self) -> f64 {
        self.n
    }

    /// Their mean distance from the centre.
    pub fn radius_px(&self) -> f64 {
        self.radii / self.n
    }

    /// Mean of their values.
    pub fn mean(&self) -> f64 {
        self.values / self.n
    }

    /// Sample standard deviation of their values.
    pub fn deviation(&self) -> f64 {
        let squares = self.squares - self.values * self.values / self.n;
        if squares > 0.0 { (squares / (self.n - 1.0)).sqrt() } else { 0.0 }
    }
}

/// The moments of each ring; rings with too few good pixels are left out. `change` is given a row's radii and pixels and
/// room for as many numbers, and makes the radii and values that are added up of them; what is not finite does not count.
///
/// # Errors
/// As [`Grid::new`].
pub(super) fn ring_moments(
    image: &Image,
    centre: PixelXy,
    width_px: f64,
    change: impl Fn(&mut [f32], &mut [f32], &mut [f32]) + Sync,
) -> Result<Vec<Ring<Moments>>, ComaError> {
    let grid = Grid::new(image, centre, width_px)?;
    let width = image.width.max(1);
    let strip = |(strip, pixels): (usize, &[f32])| {
        // neighbours in a row are mostly of one ring: two sums each, so that one need not wait for the other
        let mut sums = vec![[Moments::default(); 2]; grid.n + 1];
        let mut rings = vec![0; width];
        let [mut radii, mut values, mut room] = [const { Vec::new() }; 3].map(|_: Vec<f32>| vec![0.0; width]);
        for (y, row) in pixels.chunks(width).enumerate() {
            values.copy_from_slice(row);
            wide(
                #[inline(always)]
                || {
                    grid.fill(strip * STRIP_ROWS + y, &mut radii, &mut rings);
                    change(&mut radii, &mut values, &mut room);
                    for (ring, value) in rings.iter_mut().zip(&values) {
                        *ring = if value.is_finite() { *ring } else { grid.n as u32 };
                    }
                    for (i, ((ring, radius), value)) in rings.iter().zip(&radii).zip(&values).enumerate() {
                        let (radii, values) = (f64::from(*radius), f64::from(*value));
                        let one = Moments { n: 1.0, radii, values, squares: values * values };
                        sums[*ring as usize][i % 2].add(&one);
                    }
                },
            );
        }
        sums
    };
    let strips: Vec<Vec<[Moments; 2]>> = image.data.par_chunks(STRIP_ROWS * width).enumerate().map(strip).collect();
    let ring = |ring: usize| {
        let mut sum = Moments::default();
        strips.iter().flat_map(|s| &s[ring]).for_each(|part| sum.add(part));
        grid.is_covered(ring, sum.n).then_some(Ring { inner_px: grid.inner_px(ring), value: sum })
    };
    Ok((0..grid.n).filter_map(ring).collect())
}
