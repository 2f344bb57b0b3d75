//! Rings about a centre: azimuthal profiles, bilinear samples, and images unrolled in angle and radius.

use crate::robust::{self, ClipConfig};
use crate::{Image, Mask, PixelBox};
use rayon::prelude::*;

/// One ring of an azimuthal profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// Inner edge (pixel centres on it belong to the ring).
    pub inner_px: f64,
    /// Outer edge (pixel centres on it do not).
    pub outer_px: f64,
    /// Mean distance from the centre of the pixels kept.
    pub mean_radius_px: f64,
    /// Mean of the pixels kept by clipping.
    pub mean: f64,
    /// 1σ error of the mean: the larger of what the variances and what the scatter of the pixels kept say; `None` for
    /// a single pixel without a variance. Correlation between neighbours is not in it.
    pub sigma_of_mean: Option<f64>,
    /// Median of the pixels kept.
    pub median: f64,
    /// Sample standard deviation of the pixels kept; 0 for a single one.
    pub scatter: f64,
    /// Pixels kept.
    pub n_good: usize,
    /// Pixels with centres in the ring, flagged and cut ones too.
    pub n_total: usize,
}

/// Clipped statistics of the pixels in rings about (`x_px`, `y_px`), between neighbouring `edges_px` (ascending).
///
/// A pixel belongs to the ring that its centre lies in, so every pixel is used once and rings may be narrower than a
/// pixel. Rings without a good pixel are left out of the list. Empty unless the
/// edges are finite and ascending and the layers have one size.
pub fn azimuthal_profile(
    image: &Image,
    variance: Option<&Image>,
    mask: &Mask,
    x_px: f64,
    y_px: f64,
    edges_px: &[f64],
    clip: ClipConfig,
) -> Vec<Ring> {
    let ascending = edges_px.windows(2).all(|e| e[0] < e[1]) && edges_px.iter().all(|e| e.is_finite());
    let same_size = mask.bits.len() == image.data.len() && variance.is_none_or(|v| v.data.len() == image.data.len());
    let Some(&outermost) = edges_px.last().filter(|_| same_size && ascending && edges_px.len() > 1) else {
        return Vec::new();
    };
    let Some(area) = PixelBox::around(x_px, y_px, outermost, image.width, image.height) else { return Vec::new() };

    let mut pixels: Vec<Vec<RingPixel>> = vec![Vec::new(); edges_px.len() - 1];
    let mut totals = vec![0usize; edges_px.len() - 1];
    for y in area.y0..area.y1 {
        // Along a row the ring changes slowly: start from the last one.
        let mut ring = 0usize;
        for x in area.x0..area.x1 {
            let radius = ((x as f64 - x_px).powi(2) + (y as f64 - y_px).powi(2)).sqrt();
            if !(radius >= edges_px[0] && radius < outermost) {
                continue;
            }
            while radius < edges_px[ring] {
                ring -= 1;
            }
            while radius >= edges_px[ring + 1] {
                ring += 1;
            }
            totals[ring] += 1;
            let index = y * image.width + x;
            let value = image.data[index];
            let variance = variance.map_or(0.0, |v| v.data[index]);
            if value.is_finite() && variance.is_finite() && mask.bits[index] == 0 {
                pixels[ring].push(RingPixel { value, variance, radius: radius as f32 });
            }
        }
    }
    let with_variance = variance.is_some();
    let rings = pixels.into_par_iter().zip(totals).enumerate().filter_map(|(i, (pixels, n_total))| {
        ring_of(pixels, with_variance, clip).map(|ring| Ring {
            inner_px: edges_px[i],
            outer_px: edges_px[i + 1],
            n_total,
            ..ring
        })
    });
    rings.collect()
}

#[derive(Debug, Clone, Copy)]
struct RingPixel {
    value: f32,
    variance: f32,
    radius: f32,
}

fn ring_of(mut pixels: Vec<RingPixel>, with_variance: bool, clip: ClipConfig) -> Option<Ring> {
    pixels.sort_unstable_by(|a, b| a.value.total_cmp(&b.value).then(a.radius.total_cmp(&b.radius)));
    let reach = |_, mad: f64| f64::from(clip.kappa) * robust::MAD_TO_SIGMA * mad;
    let cut = robust::clip_sorted(pixels.len(), |i| pixels[i].value, clip.rounds, reach)?;
    let kept = &pixels[cut.start..cut.end];
    let n = kept.len() as f64;
    let mean_of = |f: fn(&RingPixel) -> f64| kept.iter().map(f).sum::<f64>() / n;
    let mean = mean_of(|p| f64::from(p.value));
    let squares: f64 = kept.iter().map(|p| (f64::from(p.value) - mean).powi(2)).sum();
    let scatter = if kept.len() > 1 { (squares / (n - 1.0)).sqrt() } else { 0.0 };
    let propagated = with_variance.then(|| (mean_of(|p| f64::from(p.variance)) / n).sqrt());
    let empirical = (kept.len() > 1).then(|| scatter / n.sqrt());
    let sigma_of_mean = match (propagated, empirical) {
        (Some(a), Some(b)) => Some(if a > b { a } else { b }),
        (a, b) => a.or(b),
    };
    Some(Ring {
        inner_px: 0.0,
        outer_px: 0.0,
        mean_radius_px: mean_of(|p| f64::from(p.radius)),
        mean,
        sigma_of_mean,
        median: cut.median,
        scatter,
        n_good: kept.len(),
        n_total: 0,
    })
}

/// The image between pixels, linear along both axes; `None` outside the pixel centres or where any of the pixels used
/// is not finite.
#[inline]
pub fn sample_bilinear(image: &Image, x_px: f64, y_px: f64) -> Option<f32> {
    let (column, row) = cell(image, x_px, y_px)?;
    let (u, v) = ((x_px - column as f64) as f32, (y_px - row as f64) as f32);
    let value = bilinear(image, column, row, u, v);
    value.is_finite().then_some(value)
}

/// The cell of four pixels that a place lies in; the last row and column belong to the cells before them.
#[inline]
fn cell(image: &Image, x_px: f64, y_px: f64) -> Option<(usize, usize)> {
    let inside = |p: f64, n: usize| n > 0 && p >= 0.0 && p <= (n - 1) as f64;
    let first = |p: f64, n: usize| (p as usize).min(n.saturating_sub(2));
    (inside(x_px, image.width) && inside(y_px, image.height))
        .then(|| (first(x_px, image.width), first(y_px, image.height)))
}

/// Bilinear value in a cell; pixels of weight 0 are not looked at.
#[inline]
fn bilinear(image: &Image, column: usize, row: usize, u: f32, v: f32) -> f32 {
    let at = |y: usize| {
        let start = y * image.width + column;
        if u == 0.0 { image.data[start] } else { image.data[start] + u * (image.data[start + 1] - image.data[start]) }
    };
    let low = at(row);
    if v == 0.0 { low } else { low + v * (at(row + 1) - low) }
}

/// An image in polar coordinates about (`x_px`, `y_px`): column `i` at angle 2π·i/`n_theta` from +x toward +y, row `j`
/// at `radii_px[j]`, bilinear; NaN where a pixel used is flagged, missing or outside, and everywhere when the mask has another
/// size.
pub fn unroll(image: &Image, mask: &Mask, x_px: f64, y_px: f64, n_theta: usize, radii_px: &[f64]) -> Image {
    let mut out = Image::filled(n_theta, radii_px.len(), f32::NAN);
    if n_theta == 0 || (mask.width, mask.height) != (image.width, image.height) {
        return out;
    }
    let turn = std::f64::consts::TAU / n_theta as f64;
    let directions: Vec<(f64, f64)> = (0..n_theta).map(|i| (i as f64 * turn).sin_cos()).collect();
    out.data.par_chunks_mut(n_theta).zip(radii_px).for_each(|(row, radius)| {
        for (value, (sin, cos)) in row.iter_mut().zip(&directions) {
            let (x, y) = (x_px + radius * cos, y_px + radius * sin);
            let Some((column, line)) = cell(image, x, y) else { continue };
            let (u, v) = ((x - column as f64) as f32, (y - line as f64) as f32);
            let flagged = |dx: usize, dy: usize| mask.bits[(line + dy) * mask.width + column + dx] != 0;
            let (right, up) = (u > 0.0, v > 0.0);
            let bad =
                flagged(0, 0) || (right && flagged(1, 0)) || (up && flagged(0, 1)) || (right && up && flagged(1, 1));
            let sample = bilinear(image, column, line, u, v);
            if !bad && sample.is_finite() {
                *value = sample;
            }
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag;
    use proptest::prelude::*;

    const NO_CLIP: ClipConfig = ClipConfig { kappa: 3.0, rounds: 0 };

    fn image_of(width: usize, height: usize, f: impl Fn(f64, f64) -> f64) -> Image {
        let data = (0..width * height).map(|i| f((i % width) as f64, (i / width) as f64) as f32).collect();
        Image { width, height, data }
    }

    #[test]
    fn rings_of_a_cone_have_its_height() {
        let image = image_of(101, 101, |x, y| 100.0 - (x - 50.3).hypot(y - 49.8));
        let edges: Vec<f64> = (0..160).map(|i| 0.25 * f64::from(i)).collect();
        let rings = azimuthal_profile(&image, None, &Mask::clear(101, 101), 50.3, 49.8, &edges, NO_CLIP);
        assert!(rings.iter().all(|r| (r.mean - (100.0 - r.mean_radius_px)).abs() < 1e-4));
        assert!(rings.iter().all(|r| r.mean_radius_px >= r.inner_px && r.mean_radius_px < r.outer_px + 1e-5));
        // Every pixel inside the last edge is in one ring.
        let inside = (0..101 * 101).filter(|i| ((i % 101) as f64 - 50.3).hypot((i / 101) as f64 - 49.8) < 39.75);
        assert_eq!(rings.iter().map(|r| r.n_total).sum::<usize>(), inside.count());
    }

    #[test]
    fn errors_are_the_larger_of_noise_and_scatter() {
        let image = image_of(41, 41, |x, y| if (x as i64 + y as i64) % 2 == 0 { 9.0 } else { 11.0 });
        let (mask, edges) = (Mask::clear(41, 41), [0.0, 15.0]);
        let ring =
            |variance: Option<&Image>| azimuthal_profile(&image, variance, &mask, 20.0, 20.0, &edges, NO_CLIP)[0];
        let n = ring(None).n_good as f64;
        let scatter = ring(None).scatter;
        assert!((scatter - 1.0).abs() < 0.01 && (ring(None).sigma_of_mean.unwrap() - scatter / n.sqrt()).abs() < 1e-12);
        let loud = Image::filled(41, 41, 4.0);
        assert!((ring(Some(&loud)).sigma_of_mean.unwrap() - 2.0 / n.sqrt()).abs() < 1e-12);
        let quiet = Image::filled(41, 41, 0.01);
        assert_eq!(ring(Some(&quiet)).sigma_of_mean, ring(None).sigma_of_mean);
    }

    #[test]
    fn stars_and_flags_do_not_count() {
        let mut image = Image::filled(41, 41, 10.0);
        let mut mask = Mask::clear(41, 41);
        image.data[20 * 41 + 30] = 5000.0;
        image.data[25 * 41 + 20] = f32::NAN;
        mask.bits[10 * 41 + 20] = flag::STAR;
        let clip = ClipConfig { kappa: 3.0, rounds: 3 };
        let ring = azimuthal_profile(&image, None, &mask, 20.0, 20.0, &[3.0, 12.0], clip)[0];
        assert_eq!((ring.mean, ring.scatter, ring.n_total - ring.n_good), (10.0, 0.0, 3));
        let single = azimuthal_profile(&image, None, &mask, 20.0, 20.0, &[0.0, 0.5], clip)[0];
        assert_eq!((single.n_good, single.sigma_of_mean), (1, None));
    }

    #[test]
    fn nothing_to_measure_gives_no_rings() {
        let image = Image::filled(5, 5, 1.0);
        let profile =
            |mask: &Mask, edges: &[f64]| azimuthal_profile(&image, None, mask, 2.0, 2.0, edges, NO_CLIP).len();
        let clear = Mask::clear(5, 5);
        assert_eq!(profile(&clear, &[]), 0);
        assert_eq!(profile(&clear, &[1.0]), 0);
        assert_eq!(profile(&clear, &[2.0, 1.0]), 0);
        assert_eq!(profile(&clear, &[0.0, f64::NAN]), 0);
        assert_eq!(profile(&clear, &[50.0, 60.0]), 0);
        assert_eq!(profile(&Mask { width: 5, height: 5, bits: vec![1; 25] }, &[0.0, 2.0]), 0);
        assert_eq!(profile(&Mask::clear(4, 4), &[0.0, 2.0]), 0);
        let empty = Image::default();
        assert!(azimuthal_profile(&empty, None, &Mask::default(), 0.0, 0.0, &[0.0, 2.0], NO_CLIP).is_empty());
    }

    #[test]
    fn bilinear_at_pixels_edges_and_outside() {
        let image = image_of(3, 2, |x, y| x + 10.0 * y);
        assert_eq!(sample_bilinear(&image, 2.0, 1.0), Some(12.0));
        assert_eq!(sample_bilinear(&image, 0.5, 0.25), Some(3.0));
        assert_eq!(sample_bilinear(&image, -0.01, 0.0), None);
        assert_eq!(sample_bilinear(&image, 0.0, f64::NAN), None);
        assert_eq!(sample_bilinear(&Image::filled(1, 1, 7.0), 0.0, 0.0), Some(7.0));
        let mut holed = image.clone();
        holed.data[1] = f32::NAN;
        assert_eq!((sample_bilinear(&holed, 0.5, 0.0), sample_bilinear(&holed, 0.0, 0.5)), (None, Some(5.0)));
    }

    #[test]
    fn unrolled_angles_run_from_x_toward_y() {
        let image = image_of(41, 41, |x, y| (x - 20.0) + 100.0 * (y - 20.0));
        let mut mask = Mask::clear(41, 41);
        mask.bits[20 * 41 + 10] = flag::STAR;
        let polar = unroll(&image, &mask, 20.0, 20.0, 4, &[0.0, 5.0, 10.0, 30.0]);
        let near = |a: f32, b: f32| (a - b).abs() < 1e-3;
        assert!(near(polar.at(0, 1), 5.0) && near(polar.at(1, 1), 500.0) && near(polar.at(2, 1), -5.0));
        assert!(near(polar.at(3, 2), -1000.0) && polar.at(2, 2).is_nan() && polar.at(0, 3).is_nan());
    }

    proptest! {
        #[test]
        fn bilinear_reproduces_planes(x in 0f64..30.0, y in 0f64..20.0, a in -5f64..5.0, b in -5f64..5.0) {
            let image = image_of(31, 21, |x, y| 3.0 + a * x + b * y);
            let expected = 3.0 + a * x + b * y;
            prop_assert!((f64::from(sample_bilinear(&image, x, y).unwrap()) - expected).abs() < 1e-4);
        }

        #[test]
        fn profile_ignores_flips(x in 10f64..30.0, y in 10f64..30.0) {
            let image = image_of(40, 40, |x, y| ((x * 7.0 + y * 13.0) % 17.0).floor());
            let mut flipped = image.clone();
            flipped.data.reverse();
            let (mask, edges) = (Mask::clear(40, 40), [0.0, 1.1, 4.3, 9.7]);
            let a = azimuthal_profile(&image, None, &mask, x, y, &edges, ClipConfig::default());
            let b = azimuthal_profile(&flipped, None, &mask, 39.0 - x, 39.0 - y, &edges, ClipConfig::default());
            prop_assert_eq!(a.len(), b.len());
            for (a, b) in a.iter().zip(&b) {
                prop_assert!(a.n_good == b.n_good && a.median == b.median && (a.mean - b.mean).abs() < 1e-9);
            }
        }
    }
}
