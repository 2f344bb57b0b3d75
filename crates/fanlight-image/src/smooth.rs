//! Smoothing: a Gaussian that fills gaps, its Laplacian, and the 3 × 3 median.

mod decimated;
mod laplacian;

pub use laplacian::laplacian;

use crate::{Image, robust, wide};
use decimated::Decimated;
use rayon::prelude::*;

/// Full width at half maximum of a Gaussian of unit standard deviation, √(8 ln 2).
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// The Gaussian is cut at this many sigmas, where it has fallen to 3e-4 of its peak.
const GAUSSIAN_REACH_SIGMA: f64 = 4.0;
/// From this width on a Gaussian goes by way of a coarse grid; there both ways take about as long.
const DECIMATE_FROM_PX: f64 = 6.0;

/// Convolves an image with a round Gaussian of standard deviation `sigma_px`.
///
/// Missing (non-finite) pixels and those beyond the edge have weight 0 and the rest is normalised, so a constant stays
/// constant and gaps are filled from around them; NaN is left where nothing lies within 4σ along the axes. A sigma that is not above 0
/// returns the image as it is.
///
/// # Accuracy
/// Single precision; compared with scipy.ndimage's `gaussian_filter` in `tests/it/smooth.rs`. From 6 px on by way of a
/// coarse grid, at a cost that no longer grows with the width: within 1e-5 of the largest value.
pub fn gaussian(image: &Image, sigma_px: f64) -> Image {
    if !(sigma_px > 0.0 && sigma_px.is_finite()) || image.data.is_empty() {
        return image.clone();
    }
    let filter = Separable::new(sigma_px, [Shape::Gaussian; 2], GAUSSIAN_REACH_SIGMA, image.width.max(image.height));
    if is_complete(image) {
        let mut values = filter.apply(image);
        let (columns, rows) = (filter.of_ones(image.width, 0), filter.of_ones(image.height, 1));
        values.par_chunks_mut(image.width).zip(&rows).for_each(|(line, row)| {
            line.iter_mut().zip(&columns).for_each(|(v, column)| *v /= column * row);
        });
        return Image { data: values, ..*image };
    }
    let (mut values, mut weights) = values_and_weights(image);
    (values.data, weights.data) = (filter.apply(&values), filter.apply(&weights));
    values.data.par_chunks_mut(AT_ONCE).zip(weights.data.par_chunks(AT_ONCE)).for_each(|(values, weights)| {
        for (value, weight) in values.iter_mut().zip(weights) {
            *value = if *weight > 0.0 { *value / *weight } else { f32::NAN };
        }
    });
    values
}

/// Pixels that one parallel task goes through.
const AT_ONCE: usize = 1 << 14;

/// Whether every pixel has a value.
fn is_complete(image: &Image) -> bool {
    // no end at the first gap inside a chunk: so it is many pixels at once
    image.data.par_chunks(AT_ONCE).all(|values| values.iter().fold(true, |all, v| all & v.is_finite()))
}

/// An image with gaps as two without: its values, 0 in gaps, and 1 where there is a value.
fn values_and_weights(image: &Image) -> (Image, Image) {
    let (mut values, mut weights) = (image.clone(), Image::filled(image.width, image.height, 0.0));
    values.data.par_chunks_mut(AT_ONCE).zip(weights.data.par_chunks_mut(AT_ONCE)).for_each(|(values, weights)| {
        for (value, weight) in values.iter_mut().zip(weights) {
            let there = value.is_finite();
            *weight = if there { 1.0 } else { 0.0 };
            *value = if there { *value } else { 0.0 };
        }
    });
    (values, weights)
}

/// A Gaussian of sum 1 from its centre out, `reach` pixels far.
pub(crate) fn gaussian_kernel(sigma_px: f64, reach: usize) -> Vec<f64> {
    let weights: Vec<f64> = (0..=reach).map(|i| (-0.5 * (i as f64 / sigma_px).powi(2)).exp()).collect();
    let sum = weights[0] + 2.0 * weights[1..].iter().sum::<f64>();
    weights.iter().map(|w| w / sum).collect()
}

/// The kernel of one axis of a separable filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    /// A Gaussian of sum 1.
    Gaussian,
    /// The second derivative of that Gaussian.
    SecondDerivative,
}

/// A kernel from its centre out, `reach` pixels far.
fn kernel(shape: Shape, sigma_px: f64, reach: usize) -> Vec<f64> {
    let square = sigma_px * sigma_px;
    let value = |(i, g): (usize, f64)| match shape {
        Shape::Gaussian => g,
        Shape::SecondDerivative => g * ((i * i) as f64 / square - 1.0) / square,
    };
    gaussian_kernel(sigma_px, reach).into_iter().enumerate().map(value).collect()
}

/// A filter of one kernel along x and one along y; zero beyond the edge.
enum Separable {
    Direct([Vec<f32>; 2]),
    Decimated(Decimated),
}

impl Separable {
    /// For images of at most `longest_px` pixels along an axis.
    fn new(sigma_px: f64, shapes: [Shape; 2], reach_sigma: f64, longest_px: usize) -> Self {
        // Much wider than the image a coarse grid would be wider than the image too.
        match (DECIMATE_FROM_PX..4.0 * longest_px as f64).contains(&sigma_px) {
            true => Self::Decimated(Decimated::new(sigma_px, shapes, reach_sigma)),
            false => Self::direct(sigma_px, shapes, reach_sigma, longest_px),
        }
    }

    fn direct(sigma_px: f64, shapes: [Shape; 2], reach_sigma: f64, longest_px: usize) -> Self {
        // No reach need go beyond the image itself.
        let reach = ((reach_sigma * sigma_px).ceil() as usize).min(longest_px);
        Self::Direct(shapes.map(|shape| kernel(shape, sigma_px, reach).iter().map(|k| *k as f32).collect()))
    }

    fn apply(&self, image: &Image) -> Vec<f32> {
        match self {
            Self::Direct([along_x, along_y]) => convolve(image, along_x, along_y),
            Self::Decimated(filter) => filter.apply(image),
        }
    }

    /// What the filter makes of an axis (0 for x, 1 for y) of `n` ones.
    fn of_ones(&self, n: usize, axis: usize) -> Vec<f32> {
        match self {
            Self::Direct(kernels) => edge_sums(n, &kernels[axis]),
            Self::Decimated(filter) => filter.of_ones(n, axis),
        }
    }
}

/// Replaces each pixel by the median of the finite ones among it and its eight neighbours; NaN where there is none.
pub fn median3(image: &Image) -> Image {
    let (width, height) = (image.width, image.height);
    let mut out = image.clone();
    if out.data.is_empty() {
        return out;
    }
    out.data.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let inner = y > 0 && y + 1 < height && width > 2;
        let finite = |y: usize| image.row(y).iter().all(|v| v.is_finite());
        if inner && finite(y - 1) && finite(y) && finite(y + 1) {
            let rows = [image.row(y - 1), image.row(y), image.row(y + 1)];
            for (x, value) in row[1..width - 1].iter_mut().enumerate() {
                *value = median_of_nine(std::array::from_fn(|i| rows[i / 3][x + i % 3]));
            }
            row[0] = median_near(image, 0, y);
            row[width - 1] = median_near(image, width - 1, y);
        } else {
            row.iter_mut().enumerate().for_each(|(x, value)| *value = median_near(image, x, y));
        }
    });
    out
}

/// The plain way: collect, then select.
fn median_near(image: &Image, x: usize, y: usize) -> f32 {
    let mut near = [f32::NAN; 9];
    let mut n = 0;
    for row in y.saturating_sub(1)..(y + 2).min(image.height) {
        for column in x.saturating_sub(1)..(x + 2).min(image.width) {
            let value = image.at(column, row);
            if value.is_finite() {
                near[n] = value;
                n += 1;
            }
        }
    }
    robust::median(&mut near[..n]).unwrap_or(f32::NAN)
}

/// Median of nine without a branch: sort the columns of the 3 × 3 square; the median is that of the largest minimum,
/// the median middle and the least maximum.
#[inline(always)]
pub(crate) fn median_of_nine(v: [f32; 9]) -> f32 {
    let a = sort3(v[0], v[3], v[6]);
    let b = sort3(v[1], v[4], v[7]);
    let c = sort3(v[2], v[5], v[8]);
    sort3(sort3(a.0, b.0, c.0).2, sort3(a.1, b.1, c.1).1, sort3(a.2, b.2, c.2).0).1
}

#[inline(always)]
fn sort3(a: f32, b: f32, c: f32) -> (f32, f32, f32) {
    let (a, b) = if a < b { (a, b) } else { (b, a) };
    let (b, c) = if b < c { (b, c) } else { (c, b) };
    let (a, b) = if a < b { (a, b) } else { (b, a) };
    (a, b, c)
}

/// Rows of one parallel task of [`convolve`]: with those that reach in from above and below they stay in the cache.
const STRIP_ROWS: usize = 64;
/// Pixels summed side by side, in registers.
const LANES: usize = 16;

/// Unnormalised separable convolution with symmetric kernels of one length given from their centres out; zero beyond the edge.
pub(crate) fn convolve(image: &Image, along_x: &[f32], along_y: &[f32]) -> Vec<f32> {
    let (width, height) = (image.width, image.height);
    let reach = along_x.len() - 1;
    let mut out = vec![0.0_f32; image.data.len()];
    let buffers = || (vec![0.0_f32; width + 2 * reach], vec![0.0_f32; (STRIP_ROWS + 2 * reach) * width]);
    out.par_chunks_mut(STRIP_ROWS * width).enumerate().for_each_init(buffers, |(padded, along), (strip, rows)| {
        let first = strip * STRIP_ROWS;
        // rows `first − reach` to `first + n_rows + reach`, summed along; zero where the image has none
        let along = &mut along[..(rows.len() / width + 2 * reach) * width];
        wide(
            #[inline(always)]
            || {
                for (i, sums) in along.chunks_mut(width).enumerate() {
                    let Some(y) = (first + i).checked_sub(reach).filter(|y| *y < height) else {
                        sums.fill(0.0);
                        continue;
                    };
                    padded[reach..reach + width].copy_from_slice(image.row(y));
                    weighted_sum(sums, along_x, |j| (&padded[reach - j..], &padded[reach + j..]));
                }
                for (i, row) in rows.chunks_mut(width).enumerate() {
                    let rows = |j| (&along[(i + reach - j) * width..], &along[(i + reach + j) * width..]);
                    weighted_sum(row, along_y, rows);
                }
            },
        );
    });
    out
}

/// Sum of rows with the weights of a symmetric kernel; `pair(j)` are the rows `j` before and `j` after, alike for 0.
#[inline(always)]
fn weighted_sum<'a>(out: &mut [f32], kernel: &[f32], pair: impl Fn(usize) -> (&'a [f32], &'a [f32])) {
    let n = out.len();
    let mut blocks = out.chunks_exact_mut(LANES);
    let mut first = 0;
    for block in &mut blocks {
        let mut sum = [0.0_f32; LANES];
        for (s, v) in sum.iter_mut().zip(&pair(0).0[first..first + LANES]) {
            *s = kernel[0] * v;
        }
        for (j, k) in kernel.iter().enumerate().skip(1) {
            let (before, after) = pair(j);
            let (before, after) = (&before[first..first + LANES], &after[first..first + LANES]);
            for i in 0..LANES {
                sum[i] += k * (before[i] + after[i]);
            }
        }
        block.copy_from_slice(&sum);
        first += LANES;
    }
    for (value, x) in blocks.into_remainder().iter_mut().zip(first..n) {
        *value = kernel[0] * pair(0).0[x];
        for (j, k) in kernel.iter().enumerate().skip(1) {
            let (before, after) = pair(j);
            *value += k * (before[x] + after[x]);
        }
    }
}

/// Sum of the kernel that falls on an axis of `n` pixels, for a kernel centred on each.
fn edge_sums(n: usize, kernel: &[f32]) -> Vec<f32> {
    let sum = |i: usize| {
        let taps = i.saturating_sub(kernel.len() - 1)..(i + kernel.len()).min(n);
        taps.map(|j| f64::from(kernel[i.abs_diff(j)])).sum::<f64>() as f32
    };
    (0..n).map(sum).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// From the definition: two sums over the whole image in double precision, the kernel cut at the same square.
    fn slow_gaussian(image: &Image, sigma: f64) -> Vec<f64> {
        let (w, h) = (image.width as i64, image.height as i64);
        let reach = (4.0 * sigma).ceil() as i64;
        let at = |x: i64, y: i64| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for v in (y - reach).max(0)..(y + reach + 1).min(h) {
                for u in (x - reach).max(0)..(x + reach + 1).min(w) {
                    let value = f64::from(image.at(u as usize, v as usize));
                    if value.is_finite() {
                        let k = (-0.5 * ((u - x).pow(2) + (v - y).pow(2)) as f64 / (sigma * sigma)).exp();
                        sum += k * value;
                        weight += k;
                    }
                }
            }
            if weight > 0.0 { sum / weight } else { f64::NAN }
        };
        (0..w * h).map(|i| at(i % w, i / w)).collect()
    }

    fn pixel() -> impl Strategy<Value = f32> {
        prop_oneof![9 => -100f32..100.0, 1 => Just(f32::NAN)]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        #[test]
        fn gaussian_equals_the_definition(width in 1usize..18, height in 1usize..14, sigma in 0.3f64..4.0, v in prop::collection::vec(pixel(), 18 * 14), holes: bool) {
            let data = v[..width * height].iter().map(|v| if holes || v.is_finite() { *v } else { 0.0 }).collect();
            let image = Image { width, height, data };
            for (a, b) in gaussian(&image, sigma).data.iter().zip(slow_gaussian(&image, sigma)) {
                // Single-precision sums of values to 100.
                prop_assert!((a.is_nan() && b.is_nan()) || (f64::from(*a) - b).abs() < 1e-3, "{} {}", a, b);
            }
        }

        #[test]
        fn median_equals_the_plain_way(width in 1usize..9, height in 1usize..9, v in prop::collection::vec(pixel(), 81), holes: bool) {
            let data = v[..width * height].iter().map(|v| if holes || v.is_finite() { *v } else { 0.0 }).collect();
            let image = Image { width, height, data };
            for (i, a) in median3(&image).data.iter().enumerate() {
                let b = median_near(&image, i % width, i / width);
                prop_assert!(*a == b || (a.is_nan() && b.is_nan()));
            }
        }

        #[test]
        fn smoothing_commutes_with_turning(v in prop::collection::vec(pixel(), 56), sigma in 0.5f64..2.0) {
            let image = Image { width: 8, height: 7, data: v };
            let turned = |i: &Image| Image { data: i.data.iter().rev().copied().collect(), ..*i };
            let same = |a: &Image, b: &Image| a.data.iter().zip(&b.data).all(|(a, b)| (a - b).abs() < 1e-4 || (a.is_nan() && b.is_nan()));
            prop_assert!(same(&gaussian(&turned(&image), sigma), &turned(&gaussian(&image, sigma))));
            prop_assert!(same(&median3(&turned(&image)), &turned(&median3(&image))));
        }
    }

    #[test]
    fn a_constant_stays_and_gaps_are_filled() {
        let mut image = Image::filled(30, 20, 7.0);
        assert!(gaussian(&image, 2.5).data.iter().all(|v| (v - 7.0).abs() < 1e-5));
        image.data[10 * 30 + 15] = f32::NAN;
        assert!(gaussian(&image, 2.5).data.iter().all(|v| (v - 7.0).abs() < 1e-5));
        let all_missing = Image::filled(6, 6, f32::NAN);
        assert!(gaussian(&all_missing, 1.0).data.iter().chain(&median3(&all_missing).data).all(|v| v.is_nan()));
        assert_eq!(gaussian(&image, 1e9).data.len(), 600);
    }

    #[test]
    fn trivial_input_comes_back() {
        assert_eq!(gaussian(&Image::default(), 2.0), Image::default());
        assert_eq!(median3(&Image::default()), Image::default());
        let one = Image::filled(1, 1, 3.0);
        assert_eq!((gaussian(&one, 2.0), median3(&one)), (one.clone(), one.clone()));
        let image = Image::filled(3, 3, 1.0);
        assert_eq!((gaussian(&image, 0.0), gaussian(&image, f64::NAN)), (image.clone(), image.clone()));
    }
}
