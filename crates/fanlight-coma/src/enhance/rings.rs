//! The pixels of an image ring by ring.

use super::{check, check_centre};
use crate::ComaError;
use fanlight_image::Image;
use fanlight_sky::PixelXy;
use rayon::prelude::*;
use std::f64::consts::PI;

/// Share of a ring's area that must be on good pixels: from less, an average holds one side of the coma only.
const MIN_COVERAGE: f64 = 0.25;
/// Narrowest ring: narrower ones hold too few pixels to be an average.
const MIN_WIDTH_PX: f64 = 0.5;

/// Rings gathered in one walk over the image: each walk pays for finding its pixels in every row.
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

/// Calls `work` with the good pixels of each ring out to the farthest corner, rings from `k` to `k + 1` widths; rings with
/// too few good pixels, or for which there is no answer, are left out.
pub(super) fn over_rings<T: Send>(
    image: &Image,
    centre: PixelXy,
    width_px: f64,
    work: impl Fn(&mut [RingPixel]) -> Option<T> + Sync,
) -> Result<Vec<Ring<T>>, ComaError> {
    check("ring_width_px", width_px, |w| w.is_finite() && w >= MIN_WIDTH_PX, "the numbers from 0.5")?;
    check_centre(image, centre)?;
    let farthest = corners(image, centre).fold(0.0, f64::max);
    let n = if image.data.is_empty() { 0 } else { (farthest / width_px) as usize + 1 };
    let band = |band: usize| -> Vec<Ring<T>> {
        let first = band * RINGS_AT_ONCE;
        let mut rings: Vec<Vec<RingPixel>> = vec![Vec::new(); RINGS_AT_ONCE.min(n - first)];
        gather(image, centre, width_px, first, &mut rings);
        let made = rings.iter_mut().enumerate().filter_map(|(i, pixels)| {
            let (inner, outer) = ((first + i) as f64 * width_px, (first + i + 1) as f64 * width_px);
            let area = PI * (outer * outer - inner * inner);
            if pixels.is_empty() || (pixels.len() as f64) < MIN_COVERAGE * area {
                return None;
            }
            work(pixels).map(|value| Ring { inner_px: inner, value })
        });
        made.collect()
    };
    let bands: Vec<Vec<Ring<T>>> = (0..n.div_ceil(RINGS_AT_ONCE)).into_par_iter().map(band).collect();
    Ok(bands.into_iter().flatten().collect())
}

/// The distances that rings cover: from the inner edge of the first to the outer edge of the last.
pub(super) fn range<T>(rings: &[Ring<T>], width_px: f64) -> (f64, f64) {
    let first = rings.first().map_or(0.0, |r| r.inner_px);
    let last = rings.last().map_or(0.0, |r| r.inner_px + width_px);
    (first, last)
}

/// Distances of the image's corner pixels from the centre.
pub(super) fn corners(image: &Image, centre: PixelXy) -> impl Iterator<Item = f64> {
    let (x1, y1) = (image.width as f64 - 1.0, image.height as f64 - 1.0);
    [(0.0, 0.0), (x1, 0.0), (0.0, y1), (x1, y1)].into_iter().map(move |(x, y)| {
        let (dx, dy) = (x - centre.x_px, y - centre.y_px);
        (dx * dx + dy * dy).sqrt()
    })
}

/// Adds the finite pixels of the rings from number `first` on, as many as `rings`, row by row.
fn gather(image: &Image, centre: PixelXy, width_px: f64, first: usize, rings: &mut [Vec<RingPixel>]) {
    let (inner, outer) = (first as f64 * width_px, (first + rings.len()) as f64 * width_px);
    let (last_x, last_y) = (image.width as isize - 1, image.height as isize - 1);
    let low = ((centre.y_px - outer).floor() as isize).max(0);
    let high = ((centre.y_px + outer).ceil() as isize).min(last_y);
    for y in low..=high {
        let dy = y as f64 - centre.y_px;
        let half = |radius: f64| (radius * radius - dy * dy).max(0.0).sqrt();
        let (outer_half, inner_half) = (half(outer), half(inner));
        let line = image.row(y as usize);
        let mut take = |from: isize, to: isize| {
            for x in from.max(0)..=to.min(last_x) {
                let dx = x as f64 - centre.x_px;
                let radius = (dx * dx + dy * dy).sqrt();
                let value = line[x as usize];
                if radius >= inner && radius < outer && value.is_finite() {
                    let ring = ((radius - inner) / width_px) as u32 as usize;
                    rings[ring.min(rings.len() - 1)].push(RingPixel { value, radius_px: radius as f32 });
                }
            }
        };
        // One pixel more at each end, since chords are rounded; what does not belong is not taken.
        let (left, right) = ((centre.x_px - outer_half).floor() as isize, (centre.x_px + outer_half).ceil() as isize);
        let left_end = (centre.x_px - inner_half).ceil() as isize;
        let right_start = ((centre.x_px + inner_half).floor() as isize).max(left_end + 1);
        take(left, left_end);
        take(right_start, right);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every pixel is in exactly one ring, wherever the centre is.
    #[test]
    fn rings_part_the_image() {
        let image = Image { width: 37, height: 29, data: (0..37 * 29).map(|i| i as f32).collect() };
        for (x_px, y_px) in [(18.0, 14.0), (0.0, 0.0), (36.4, -0.4), (11.3, 20.7)] {
            for width in [0.5, 1.0, 2.3] {
                let mut seen = vec![0; 37 * 29];
                for first in (0..200).step_by(7) {
                    let mut rings = vec![Vec::new(); 7];
                    gather(&image, PixelXy { x_px, y_px }, width, first, &mut rings);
                    for (i, ring) in rings.iter().enumerate() {
                        let inner = (first + i) as f64 * width;
                        for p in ring {
                            seen[p.value as usize] += 1;
                            let radius = f64::from(p.radius_px);
                            assert!(radius > inner - 1e-5 && radius < inner + width + 1e-5);
                        }
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
        let rings = over_rings(&image, centre, 1.0, |p| Some(p.len())).unwrap();
        // the corners are 28 px away; rings past 25 px or so are less than a quarter inside
        assert!((20..27).contains(&rings.len()), "{}", rings.len());
        assert_eq!((rings[0].value, rings[1].value), (1, 8));
        assert!(over_rings(&image, centre, 0.1, |_| Some(())).is_err());
        assert!(over_rings(&image, PixelXy { x_px: -3.0, y_px: 0.0 }, 1.0, |_| Some(())).is_err());
    }
}
