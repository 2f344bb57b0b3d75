//! What filling masked pixels from the azimuthal profile may get wrong.
//!
//! A hole is filled as if the coma were alike all round. How far it is not shows in the same rings where they are not masked: the sectors of a ring
//! stand off the profile by the coma's own structure and by noise. A hole may be anywhere in that, holes apart from each other independently; what all
//! sectors have in common, and the error of the profile itself, all holes have.

use crate::measure::RingProfile;
use crate::photometry::Stack;
use fanlight_image::pixels_within;
use std::f64::consts::TAU;

/// Error of the light filled in where no sector tells, as a share of it: jets and tails of common contrast are within it.
const UNKNOWN_SHARE: f64 = 0.1;
/// The same of a pixel nearer to the centre than any good one, where the profile goes on level and the light rises: a point half
/// a width nearer to the centre of a star image is twice as bright.
const AT_CENTRE_SHARE: f64 = 0.5;
/// Sectors of a ring: narrower than a jet, wider than a hole.
const SECTORS: usize = 16;
/// Fewest sectors that tell how unlike they are.
const FEWEST_SECTORS: usize = 6;
/// Width of a ring: at least so many pixels, and so large a share of its radius.
const RING_PX: f64 = 2.0;
const RING_SHARE: f64 = 0.15;
/// A pixel's light is this many times its ring's mean at most.
const STEEPEST: f64 = 3.0;

/// A masked pixel, the share of it that is summed and the light filled in for a whole one.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FilledPixel {
    pub index: usize,
    pub share: f64,
    pub light: f64,
}

/// How far the sectors of a ring stand off the profile, in light per pixel.
#[derive(Debug, Clone, Copy)]
struct Unlike {
    /// Mean of the profile.
    level: f64,
    /// Root mean square about their mean that noise does not explain.
    structure: f64,
    /// Mean of all sectors.
    common: f64,
    /// Error of that mean.
    common_sigma: f64,
}

/// Error of all light filled in; `apart` whether the holes are strewn all round, not in one sector whose structure they share.
pub(crate) fn error(stack: &Stack, profile: &RingProfile, filled: &[FilledPixel], apart: bool) -> f64 {
    let width = stack.image.width;
    let radius_of = |index: usize| {
        let (x, y) = ((index % width) as f64, (index / width) as f64);
        (x - stack.x_px).hypot(y - stack.y_px)
    };
    let reach = filled.iter().map(|p| radius_of(p.index)).fold(0.0, f64::max);
    let edges = edges(reach);
    let rings = unlike(stack, profile, &edges);
    let first_px = profile.radius_px.first().copied().unwrap_or(0.0);
    let mut common = vec![0.0; rings.len()];
    let mut holes = vec![0.0; filled.len()];
    for (pixel, hole) in filled.iter().zip(holes_of(filled, width)) {
        let radius_px = radius_of(pixel.index);
        let ring = edges.partition_point(|e| *e <= radius_px) - 1;
        holes[hole] += pixel.share
            * match rings[ring] {
                _ if radius_px < first_px => AT_CENTRE_SHARE * pixel.light.abs(),
                None => UNKNOWN_SHARE * pixel.light.abs(),
                Some(u) => {
                    let steeper = if u.level > 0.0 { (pixel.light / u.level).clamp(0.0, STEEPEST) } else { 1.0 };
                    common[ring] += pixel.share * steeper;
                    steeper * u.structure
                }
            };
    }
    let of_rings = || rings.iter().zip(&common).filter_map(|(u, n)| u.map(|u| (u, n)));
    let together = of_rings().map(|(u, n)| u.common * n).sum::<f64>();
    let profiles = of_rings().map(|(u, n)| (u.common_sigma * n).powi(2)).sum::<f64>();
    let structure = match apart {
        true => holes.iter().map(|h| h * h).sum::<f64>().sqrt(),
        false => holes.iter().sum(),
    };
    (together * together + profiles + structure * structure).sqrt()
}

/// Ring edges from the centre to beyond a radius.
fn edges(reach_px: f64) -> Vec<f64> {
    let mut edges = vec![0.0];
    while let Some(last) = edges.last().copied().filter(|e| *e <= reach_px) {
        edges.push(last + RING_PX.max(RING_SHARE * last));
    }
    edges
}

/// Every ring's sectors against the profile; `None` where too few of them show good pixels.
fn unlike(stack: &Stack, profile: &RingProfile, edges: &[f64]) -> Vec<Option<Unlike>> {
    #[derive(Clone, Copy, Default)]
    struct Sum {
        n: f64,
        off: f64,
        level: f64,
        variance: f64,
    }
    let (width, height) = (stack.image.width, stack.image.height);
    let reach = edges.last().copied().unwrap_or(0.0);
    let mut sums = vec![[Sum::default(); SECTORS]; edges.len() - 1];
    for (x, y) in pixels_within((stack.x_px, stack.y_px), reach, (width, height)) {
        let (value, variance) = (f64::from(stack.image.at(x, y)), f64::from(stack.variance.at(x, y)));
        let (dx, dy) = (x as f64 - stack.x_px, y as f64 - stack.y_px);
        let radius_px = dx.hypot(dy);
        if !stack.mask.is_good(x, y) || !value.is_finite() || !variance.is_finite() || radius_px >= reach {
            continue;
        }
        let turn = (dy.atan2(dx) / TAU).rem_euclid(1.0);
        let ring = edges.partition_point(|e| *e <= radius_px) - 1;
        let sum = &mut sums[ring][((turn * SECTORS as f64) as usize).min(SECTORS - 1)];
        let level = profile.at(radius_px);
        sum.n += 1.0;
        sum.off += value - level;
        sum.level += level;
        sum.variance += stack.correlation * variance;
    }
    let of_ring = |sectors: &[Sum; SECTORS]| {
        let shown: Vec<&Sum> = sectors.iter().filter(|s| s.n > 0.0).collect();
        let m = shown.len() as f64;
        let mean = |f: &dyn Fn(&Sum) -> f64| shown.iter().map(|s| f(s)).sum::<f64>() / m;
        (shown.len() >= FEWEST_SECTORS).then(|| {
            let common = mean(&|s| s.off / s.n);
            let scatter2 = mean(&|s| (s.off / s.n - common).powi(2)) * m / (m - 1.0);
            let noise2 = mean(&|s| s.variance / (s.n * s.n));
            // of m sectors a variance is known to √(2 / m): structure may hide under that much of the noise
            let structure2 = (scatter2 - noise2).max(0.0) + noise2 * (2.0 / m).sqrt();
            Unlike {
                level: mean(&|s| s.level / s.n),
                structure: structure2.sqrt(),
                common,
                common_sigma: (scatter2.max(noise2) / m).sqrt(),
            }
        })
    };
    sums.iter().map(of_ring).collect()
}

/// The hole that each masked pixel is in, by the index of one of its pixels: pixels that touch, corners too, are of one.
fn holes_of(filled: &[FilledPixel], width: usize) -> Vec<usize> {
    let mut hole: Vec<usize> = (0..filled.len()).collect();
    fn root(hole: &mut [usize], mut i: usize) -> usize {
        while hole[i] != i {
            hole[i] = hole[hole[i]];
            i = hole[i];
        }
        i
    }
    let place_of = |index: usize| filled.binary_search_by_key(&index, |p| p.index);
    for (i, pixel) in filled.iter().enumerate() {
        let (x, y) = (pixel.index % width, pixel.index / width);
        // those before it in the order of rows
        let mut before = Vec::with_capacity(4);
        if x > 0 {
            before.push(pixel.index - 1);
        }
        if y > 0 {
            let above = pixel.index - width;
            before.push(above);
            before.extend((x > 0).then(|| above - 1));
            before.extend((x + 1 < width).then_some(above + 1));
        }
        for other in before.into_iter().filter_map(|index| place_of(index).ok()) {
            let (a, b) = (root(&mut hole, i), root(&mut hole, other));
            hole[a.max(b)] = a.min(b);
        }
    }
    (0..filled.len()).map(|i| root(&mut hole, i)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::{Image, Mask};

    const SIDE: usize = 61;

    /// Error of holes in a coma of light 10 per pixel with a relative cosine wave round it, without noise.
    fn error_of(holes: &[(usize, usize)], wave: f64, apart: bool) -> f64 {
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        for (i, v) in image.data.iter_mut().enumerate() {
            let (dx, dy) = ((i % SIDE) as f64 - 30.0, (i / SIDE) as f64 - 30.0);
            *v = (10.0 * (1.0 + wave * dy.atan2(dx).cos())) as f32;
        }
        let mut mask = Mask::clear(SIDE, SIDE);
        let mut filled: Vec<FilledPixel> =
            holes.iter().map(|(x, y)| FilledPixel { index: y * SIDE + x, share: 1.0, light: 10.0 }).collect();
        filled.sort_by_key(|p| p.index);
        filled.iter().for_each(|p| mask.bits[p.index] = 1);
        let variance = Image::filled(SIDE, SIDE, 0.0);
        let (x_px, y_px) = (30.0, 30.0);
        let (centre_sigma_px, sky_sigma, correlation) = (0.0, 0.0, 1.0);
        let stack = Stack {
            image: &image,
            variance: &variance,
            mask: &mask,
            x_px,
            y_px,
            centre_sigma_px,
            sky_sigma,
            correlation,
        };
        let profile = RingProfile { radius_px: vec![0.0, 40.0], median: vec![10.0, 10.0] };
        error(&stack, &profile, &filled, apart)
    }

    fn check(got: f64, expected: f64) {
        // sectors of few pixels sample the wave unevenly
        assert!((got - expected).abs() < 0.1 * expected.max(1e-3), "{got}, expected {expected}");
    }

    /// A wave of 20 % is off by 0.2 × 10 / √2 a pixel, about; the mean of the sectors is off by its own error, a quarter of that.
    #[test]
    fn holes_err_by_what_the_ring_shows_elsewhere() {
        let pixel = 0.2 * 10.0 / 2f64.sqrt();
        let quarter = pixel / (SECTORS as f64).sqrt();
        check(error_of(&[(50, 30)], 0.2, true), pixel.hypot(quarter));
        // pixels that touch, also by a corner, are off together, holes apart are not; in one sector all are
        let (touching, strewn) = ([(50, 30), (51, 31)], [(50, 30), (10, 30)]);
        check(error_of(&touching, 0.2, true), (2.0 * pixel).hypot(2.0 * quarter));
        check(error_of(&strewn, 0.2, true), (2f64.sqrt() * pixel).hypot(2.0 * quarter));
        check(error_of(&strewn, 0.2, false), (2.0 * pixel).hypot(2.0 * quarter));
        check(error_of(&strewn, 0.0, true), 0.0);
    }

    /// Where a whole ring is masked nothing tells; nearer to the centre than the profile, less.
    #[test]
    fn a_ring_that_is_masked_whole_errs_by_what_is_common() {
        let ring: Vec<(usize, usize)> = (0..SIDE * SIDE)
            .map(|i| (i % SIDE, i / SIDE))
            .filter(|(x, y)| (*x as f64 - 30.0).hypot(*y as f64 - 30.0) < 6.0)
            .collect();
        let got = error_of(&ring, 0.0, true);
        assert!(
            (got / (UNKNOWN_SHARE * 10.0 * ring.len() as f64) - 1.0).abs() < 0.35,
            "{got} of {} pixels",
            ring.len()
        );
    }
}
