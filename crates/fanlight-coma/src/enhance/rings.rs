//! The pixels of an image ring by ring.

use super::{Distances, check, check_centre};
use crate::ComaError;
use fanlight_image::{Image, wide};
use fanlight_sky::PixelXy;
use rayon::prelude::*;
use std::f64::consts::PI;

/// Share of a ring's area that must be on good pixels: from less, an average holds one side of the coma only.
const MIN_COVERAGE: f64 = 0.25;
/// Narrowest ring: narrower ones hold too few pixels to be an average.
const MIN_WIDTH_PX: f64 = 0.5;

/// Rows sorted by one parallel task: what it writes, 12 bytes a pixel, stays in the cache.
const STRIP_ROWS: usize = 32;
/// Rings worked on by one parallel task.
const RINGS_AT_ONCE: usize = 16;

/// What stands for a ring.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Statistic {
    /// The mean: least noise, but stars and jets pull it.
    Mean,
    /// The median: what covers less than half of a ring hardly moves it.
    Median,
}

/// How rings are averaged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingConfig {
    /// What stands for a ring.
    pub statistic: Statistic,
    /// Width of a ring, px; at least 0.5.
    pub ring_width_px: f64,
}

impl Default for RingConfig {
    fn default() -> Self {
        Self { statistic: Statistic::Median, ring_width_px: 1.0 }
    }
}

/// One good pixel of a ring.
#[derive(Debug, Clone, Copy)]
pub(super) struct RingPixel {
    pub value: f32,
    pub radius_px: f32,
}

/// What was made of one ring.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ring<T> {
    pub inner_px: f64,
    pub value: T,
}

/// Rings from `k` to `k + 1` widths out to the farthest corner.
pub(super) struct Grid {
    distances: Distances,
    width_px: f64,
    /// How many.
    pub n: usize,
}

impl Grid {
    /// # Errors
    /// When the centre is outside the image or the rings are narrower than 0.5 px.
    pub fn new(image: &Image, centre: PixelXy, width_px: f64) -> Result<Self, ComaError> {
        check("ring_width_px", width_px, |w| w.is_finite() && w >= MIN_WIDTH_PX, "the numbers from 0.5")?;
        check_centre(image, centre)?;
        let n = if image.data.is_empty() { 0 } else { (farthest(image, centre) / width_px) as usize + 1 };
        Ok(Self { distances: Distances::new(image.width, centre), width_px, n })
    }

    /// Distances and rings of a row's pixels.
    #[inline(always)]
    pub fn fill(&self, y: usize, radii_px: &mut [f32], rings: &mut [u32]) {
        self.distances.fill(y, radii_px);
        let (per_px, last) = ((1.0 / self.width_px) as f32, self.n as u32 - 1);
        for (ring, radius) in rings.iter_mut().zip(radii_px) {
            *ring = ((*radius * per_px) as i32 as u32).min(last);
        }
    }

    /// Inner edge of a ring.
    pub fn inner_px(&self, ring: usize) -> f64 {
        ring as f64 * self.width_px
    }

    /// Whether so many good pixels are enough of a ring.
    pub fn is_covered(&self, ring: usize, n: f64) -> bool {
        let (inner, outer) = (self.inner_px(ring), self.inner_px(ring + 1));
        n > 0.0 && n >= MIN_COVERAGE * PI * (outer * outer - inner * inner)
    }
}

/// The good pixels of an image ring by ring.
pub(super) struct Rings {
    grid: Grid,
    /// Of strips of rows from the first on: joined strip by strip, a ring's pixels stand row by row.
    strips: Vec<Strip>,
}

/// The good pixels of some rows.
struct Strip {
    /// Sorted by their rings.
    pixels: Vec<RingPixel>,
    /// Where each ring begins among them, and where the last one ends.
    starts: Vec<u32>,
}

impl Rings {
    /// Sorts the finite pixels.
    ///
    /// # Errors
    /// As [`Grid::new`].
    pub fn of(image: &Image, centre: PixelXy, width_px: f64) -> Result<Self, ComaError> {
        let grid = Grid::new(image, centre, width_px)?;
        let rows = image.data.par_chunks(STRIP_ROWS * image.width.max(1)).enumerate();
        let strips = rows.map(|(i, pixels)| Strip::of(pixels, image.width, i * STRIP_ROWS, &grid)).collect();
        Ok(Self { grid, strips })
    }

    /// Calls `work` with the pixels of each ring and with room of its own, kept from ring to ring of some neighbours; rings with
    /// too few good pixels, or for which there is no answer, are left out.
    pub fn map<T: Send, R: Default>(
        &self,
        work: impl Fn(&[RingPixel], f64, &mut R) -> Option<T> + Sync,
    ) -> Vec<Ring<T>> {
        let band = |band: usize| -> Vec<Ring<T>> {
            let (mut pixels, mut room): (Vec<RingPixel>, R) = Default::default();
            let made = (band * RINGS_AT_ONCE..((band + 1) * RINGS_AT_ONCE).min(self.grid.n)).filter_map(|ring| {
                pixels.clear();
                self.strips.iter().for_each(|s| pixels.extend_from_slice(s.ring(ring)));
                if !self.grid.is_covered(ring, pixels.len() as f64) {
                    return None;
                }
                let inner_px = self.grid.inner_px(ring);
                work(&pixels, inner_px, &mut room).map(|value| Ring { inner_px, value })
            });
            made.collect()
        };
        let bands: Vec<Vec<Ring<T>>> = (0..self.grid.n.div_ceil(RINGS_AT_ONCE)).into_par_iter().map(band).collect();
        bands.into_iter().flatten().collect()
    }
}

impl Strip {
    /// Sorts the finite ones of rows from `first_row` on by counting.
    fn of(values: &[f32], width: usize, first_row: usize, grid: &Grid) -> Self {
        let n = grid.n;
        let mut rings = vec![0_u32; values.len()];
        let mut radii = vec![0.0_f32; values.len()];
        let rows = values.chunks(width).zip(rings.chunks_mut(width)).zip(radii.chunks_mut(width)).enumerate();
        for (y, ((values, rings), radii)) in rows {
            wide(
                #[inline(always)]
                || {
                    grid.fill(first_row + y, radii, rings);
                    for (ring, value) in rings.iter_mut().zip(values) {
                        // missing pixels stand behind the last ring
                        *ring = if value.is_finite() { *ring } else { n as u32 };
                    }
                },
            );
        }
        let mut starts = vec![0_u32; n + 2];
        rings.iter().for_each(|ring| starts[*ring as usize + 1] += 1);
        (1..starts.len()).for_each(|i| starts[i] += starts[i - 1]);
        let mut next = starts.clone();
        let mut pixels = vec![RingPixel { value: 0.0, radius_px: 0.0 }; starts[n] as usize];
        for ((ring, value), radius_px) in rings.iter().zip(values).zip(&radii) {
            let place = &mut next[*ring as usize];
            if let Some(pixel) = pixels.get_mut(*place as usize) {
                *pixel = RingPixel { value: *value, radius_px: *radius_px };
                *place += 1;
            }
        }
        starts.truncate(n + 1);
        Self { pixels, starts }
    }

    fn ring(&self, ring: usize) -> &[RingPixel] {
        &self.pixels[self.starts[ring] as usize..self.starts[ring + 1] as usize]
    }
}

/// The distances that rings cover: from the inner edge of the first to the outer edge of the last.
pub(super) fn range<T>(rings: &[Ring<T>], width_px: f64) -> (f64, f64) {
    let first = rings.first().map_or(0.0, |r| r.inner_px);
    let last = rings.last().map_or(0.0, |r| r.inner_px + width_px);
    (first, last)
}

/// Distance of the image's farthest pixel, a corner, from the centre.
pub(super) fn farthest(image: &Image, centre: PixelXy) -> f64 {
    let (x1, y1) = (image.width as f64 - 1.0, image.height as f64 - 1.0);
    let squares = [(0.0, 0.0), (x1, 0.0), (0.0, y1), (x1, y1)].map(|(x, y)| {
        let (dx, dy) = (x - centre.x_px, y - centre.y_px);
        dx * dx + dy * dy
    });
    squares.into_iter().fold(0.0, f64::max).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every pixel is in exactly one ring, wherever the centre is.
    #[test]
    fn rings_part_the_image() {
        let image = Image { width: 29, height: 37, data: (0..37 * 29).map(|i| i as f32).collect() };
        for (x_px, y_px) in [(14.0, 18.0), (0.0, 0.0), (-0.4, 36.4), (20.7, 11.3)] {
            for width in [0.5, 1.0, 2.3] {
                let mut seen = vec![0; 37 * 29];
                let rings = Rings::of(&image, PixelXy { x_px, y_px }, width).unwrap();
                assert_eq!(rings.strips.len(), 37_usize.div_ceil(STRIP_ROWS).max(1));
                for (k, strip) in (0..rings.grid.n).flat_map(|k| rings.strips.iter().map(move |s| (k, s))) {
                    let inner = k as f64 * width;
                    for p in strip.ring(k) {
                        seen[p.value as usize] += 1;
                        let radius = f64::from(p.radius_px);
                        assert!(radius > inner - 1e-5 && radius < inner + width + 1e-5);
                    }
                }
                assert!(seen.iter().all(|n| *n == 1), "centre {x_px} {y_px}, width {width}");
            }
        }
    }

    #[test]
    fn rings_of_one_side_only_are_left_out() {
        let image = Image::filled(41, 41, 1.0);
        let centre = PixelXy { x_px: 20.0, y_px: 20.0 };
        let rings = Rings::of(&image, centre, 1.0).unwrap().map(|p, _, _: &mut ()| Some(p.len()));
        // the corners are 28 px away; rings past 25 px or so are less than a quarter inside
        assert!((20..27).contains(&rings.len()), "{}", rings.len());
        assert_eq!((rings[0].value, rings[1].value), (1, 8));
        assert!(Rings::of(&image, centre, 0.1).is_err());
        assert!(Rings::of(&image, PixelXy { x_px: -3.0, y_px: 0.0 }, 1.0).is_err());
    }
}
