//! One kernel for two nights: each image through the filter that turns its own image of a point into the common one.
//!
//! The image of a point is an elliptical Moffat function seen by a square pixel. Its Fourier transform is known, and so is the filter:
//! the common image's transform over the night's own.

use crate::evidence::imaging::{even_size, transposed};
use fanlight_image::smooth::FWHM_PER_SIGMA;
use fanlight_image::{Image, Mask};
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex};
use std::f64::consts::{LN_2, TAU};

/// A symmetric 2 × 2 matrix: east–east, east–north, north–north.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    pub ee: f64,
    pub en: f64,
    pub nn: f64,
}

impl Spread {
    /// Of a Gaussian with a kernel's widths at half maximum.
    pub fn of_kernel(fwhm: f64, elongation: f64, pa_deg: f64) -> Self {
        let squared = (fwhm / FWHM_PER_SIGMA).powi(2);
        let (major, minor) = (squared * elongation, squared / elongation);
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        Self {
            ee: major * sin * sin + minor * cos * cos,
            en: (major - minor) * sin * cos,
            nn: major * cos * cos + minor * sin * sin,
        }
    }

    /// The larger of the two variances along its axes.
    pub fn largest(self) -> f64 {
        let (mean, half) = (0.5 * (self.ee + self.nn), 0.5 * (self.ee - self.nn));
        mean + half.hypot(self.en)
    }

    /// kᵀ S k.
    fn of(self, east: f64, north: f64) -> f64 {
        self.ee * east * east + 2.0 * self.en * east * north + self.nn * north * north
    }
}

/// How a night images a point, in px of the grid that it is laid on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointImage {
    /// Of the Gaussian with the star image's widths at half maximum.
    pub spread: Spread,
    /// Wings of the star image: Moffat's exponent.
    pub beta: f64,
    /// Side of the pixel that saw it.
    pub pixel_px: f64,
}

/// Exponents that are told apart: under the least a star image would have no end, over the most it is a Gaussian.
const BETAS: (f64, f64) = (1.5, 12.0);

impl PointImage {
    /// The round image of a width and exponent on the grid's own pixels.
    pub fn round(fwhm_px: f64, beta: f64) -> Self {
        Self { spread: Spread::of_kernel(fwhm_px, 1.0, 0.0), beta, pixel_px: 1.0 }
    }

    /// Full width at half maximum along the longest axis, of the star image and what its pixel adds beyond one of the grid's.
    pub fn widest_px(&self) -> f64 {
        FWHM_PER_SIGMA * (self.spread.largest() + self.pixel_variance()).max(0.0).sqrt()
    }

    /// With another width, as a share.
    pub fn wider(self, by: f64) -> Self {
        let factor = (1.0 + by).powi(2);
        let Spread { ee, en, nn } = self.spread;
        Self { spread: Spread { ee: ee * factor, en: en * factor, nn: nn * factor }, ..self }
    }

    /// With another ratio of its axes, as a share: drawn out along north, or along the north-east.
    pub fn drawn_out(self, along_north: f64, along_north_east: f64) -> Self {
        let Spread { ee, en, nn } = self.spread;
        let squared = (ee * nn - en * en).max(0.0).sqrt();
        let spread = Spread {
            ee: ee - squared * along_north,
            en: en + squared * along_north_east,
            nn: nn + squared * along_north,
        };
        Self { spread, ..self }
    }

    fn pixel_variance(&self) -> f64 {
        (self.pixel_px * self.pixel_px - 1.0) / 12.0
    }
}

/// Logarithms of the Fourier transform of a Moffat function of unit light, x^ν K_ν(x) 2^(1−ν) / Γ(ν) with ν = β − 1, on a table of x.
struct MoffatTransform(Vec<f64>);

const TABLE_STEP: f64 = 0.02;
const TABLE_TO: f64 = 24.0;

impl MoffatTransform {
    fn new(beta: f64) -> Self {
        let order = beta - 1.0;
        // K_ν(x) = ∫ exp(−x cosh t) cosh νt dt: for such integrands the trapezoid rule is exact but for rounding
        let value = |x: f64| {
            const STEP: f64 = 0.08;
            let terms = (1..200)
                .map(|i| f64::from(i) * STEP)
                .map(|t| (order * t - x * t.cosh()).exp() * 0.5 * (1.0 + (-2.0 * order * t).exp()));
            x.powf(order) * (0.5 * (-x).exp() + terms.sum::<f64>())
        };
        let first = value(1e-3);
        let n = (TABLE_TO / TABLE_STEP) as usize;
        Self((0..=n).map(|i| if i == 0 { 0.0 } else { (value(i as f64 * TABLE_STEP) / first).ln() }).collect())
    }

    fn at(&self, x: f64) -> f64 {
        let place = x / TABLE_STEP;
        let below = (place as usize).min(self.0.len() - 2);
        let t = (place - below as f64).min(1.0);
        (self.0[below] * (1.0 - t) + self.0[below + 1] * t).exp()
    }
}

/// The filter that turns one image of a point into another.
pub struct Filter {
    own: (PointImage, f64, MoffatTransform),
    common: (PointImage, f64, MoffatTransform),
}

/// No wave is made stronger than by this: what a night's image of a point has lost is not brought back from its noise.
const MOST_RAISED: f64 = 1.25;

impl Filter {
    /// From a night's own image of a point to the common one.
    pub fn between(own: PointImage, common: PointImage) -> Self {
        let ready = |image: PointImage| {
            let beta = image.beta.clamp(BETAS.0, BETAS.1);
            // half of the width at half maximum over Moffat's radius, squared
            let squared = (LN_2 / beta).exp_m1();
            (image, (FWHM_PER_SIGMA * FWHM_PER_SIGMA / (4.0 * squared)).sqrt(), MoffatTransform::new(beta))
        };
        Self { own: ready(own), common: ready(common) }
    }

    /// The factor of a wave, radians per px.
    pub fn at(&self, east: f64, north: f64) -> f64 {
        let seen = |(image, radius, transform): &(PointImage, f64, MoffatTransform)| {
            let pixel = (-0.5 * image.pixel_variance() * (east * east + north * north)).exp();
            pixel * transform.at(radius * image.spread.of(east, north).max(0.0).sqrt())
        };
        (seen(&self.common) / seen(&self.own).max(1e-9)).min(MOST_RAISED)
    }

    /// The share of white noise' variance that is left of waves across a ray, all rays alike.
    pub fn passed(&self, per_px: f64) -> f64 {
        const DIRECTIONS: u32 = 8;
        let turns = (0..DIRECTIONS).map(|i| 0.5 * TAU * f64::from(i) / f64::from(DIRECTIONS));
        turns.map(|t| self.at(per_px * t.sin(), per_px * t.cos()).powi(2)).sum::<f64>() / f64::from(DIRECTIONS)
    }

    /// Variance that white noise of unit variance a pixel has behind this filter and a Gaussian of a standard deviation: one over an area in px.
    pub fn variance_behind(&self, gaussian_sigma_px: f64) -> f64 {
        // ∫ |F|² exp(−σ²k²) d²k / (2π)²; filter and Gaussian are smooth, and leave nothing of waves shorter than two pixels
        let (steps, longest) = (60, std::f64::consts::PI);
        let step = longest / f64::from(steps);
        let rings = (0..steps).map(|i| (f64::from(i) + 0.5) * step);
        rings.map(|k| k * step * self.passed(k) * (-(gaussian_sigma_px * k).powi(2)).exp()).sum::<f64>() / TAU
    }
}

/// An image on a grid with north up and east left, and its mask, ready for any filter. Pixels outside the mask must have been filled.
///
/// The edge is met by dividing by what of the filter lies on the image: light that falls outward stays what it is to a small part.
pub struct Filtered<'a> {
    image: &'a Image,
    mask: &'a Mask,
    size: (usize, usize),
    /// Transform of the light with the filled pixels in the imaginary part, and of an even area.
    light: Vec<Complex<f64>>,
    even: Vec<Complex<f64>>,
}

impl<'a> Filtered<'a> {
    /// `reach_px` is how far a filter spreads light.
    pub fn new(image: &'a Image, mask: &'a Mask, reach_px: f64) -> Self {
        let pad = reach_px.ceil() as usize;
        let size = [image.width, image.height].map(|n| even_size(n + pad));
        let (nx, ny) = (size[0], size[1]);
        let mut light = vec![Complex::<f64>::default(); nx * ny];
        let mut even = light.clone();
        for y in 0..image.height {
            for x in 0..image.width {
                let i = y * image.width + x;
                light[y * nx + x] = Complex::new(f64::from(image.data[i]), f64::from(u8::from(mask.bits[i] != 0)));
                even[y * nx + x] = Complex::new(1.0, 0.0);
            }
        }
        let [light, even] = [light, even].map(|cells| transform(cells, (nx, ny), false));
        Self { image, mask, size: (nx, ny), light, even }
    }

    /// The image through a filter; the mask has, too, pixels that more than `most_filled` of comes from filled ones.
    pub fn by(&self, filter: &Filter, most_filled: f32) -> (Image, Mask) {
        let (nx, ny) = self.size;
        let frequency = |i: usize, n: usize| {
            let k = if 2 * i < n { i as f64 } else { i as f64 - n as f64 };
            TAU * k / n as f64
        };
        // transforms lie column by column
        let mut factors = vec![0.0; nx * ny];
        factors.par_chunks_mut(ny).enumerate().for_each(|(i, column)| {
            // east is to the left: x runs west
            let east = -frequency(i, nx);
            for (j, f) in column.iter_mut().enumerate() {
                *f = filter.at(east, frequency(j, ny)) / (nx * ny) as f64;
            }
        });
        let [light, even] = [&self.light, &self.even].map(|cells| {
            let cells = cells.iter().zip(&factors).map(|(c, f)| c * f).collect();
            transform(cells, (ny, nx), true)
        });
        let mut out = self.image.clone();
        let mut flags = self.mask.clone();
        for y in 0..out.height {
            for x in 0..out.width {
                let (i, j) = (y * out.width + x, y * nx + x);
                let share = even[j].re.max(1e-6);
                out.data[i] = (light[j].re / share) as f32;
                if (light[j].im / share) as f32 > most_filled {
                    flags.bits[i] |= fanlight_image::flag::NO_DATA;
                }
            }
        }
        (out, flags)
    }
}

/// Transforms rows, then columns, and leaves the columns as rows; back likewise.
fn transform(mut cells: Vec<Complex<f64>>, (nx, ny): (usize, usize), back: bool) -> Vec<Complex<f64>> {
    let mut planner = FftPlanner::<f64>::new();
    let mut plan = |n: usize| if back { planner.plan_fft_inverse(n) } else { planner.plan_fft_forward(n) };
    let (rows, columns) = (plan(nx), plan(ny));
    cells.par_chunks_mut(nx).for_each(|row| rows.process(row));
    let mut turned = transposed(&cells, nx, ny);
    turned.par_chunks_mut(ny).for_each(|column| columns.process(column));
    turned
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::Moffat;

    const SIDE: usize = 161;

    /// A Moffat function on a grid with north up and east left, as pixels of a side see it.
    fn star(fwhm: f64, elongation: f64, pa_deg: f64, beta: f64, pixel_px: f64) -> Image {
        let (major, minor) = (fwhm * elongation.sqrt(), fwhm / elongation.sqrt());
        // position angles run from north (up) through east (left)
        let angle_rad = (pa_deg + 90.0).to_radians();
        let shape = Moffat { fwhm_major_px: major, fwhm_minor_px: minor, angle_rad, beta };
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        let middle = (SIDE / 2) as f64;
        const CELLS: usize = 5;
        for (i, v) in image.data.iter_mut().enumerate() {
            let (x, y) = ((i % SIDE) as f64 - middle, (i / SIDE) as f64 - middle);
            let off = |k: usize| ((k as f64 + 0.5) / CELLS as f64 - 0.5) * pixel_px;
            let cells = (0..CELLS * CELLS).map(|k| shape.density(x + off(k % CELLS), y + off(k / CELLS)));
            *v = (cells.sum::<f64>() / (CELLS * CELLS) as f64) as f32;
        }
        image
    }

    #[test]
    fn star_images_of_any_shape_become_the_common_one() {
        let mask = Mask::clear(SIDE, SIDE);
        let common = star(7.5, 1.0, 0.0, 4.0, 1.0);
        for (fwhm, elongation, pa_deg, beta, pixel_px) in
            [(5.0, 1.0, 0.0, 2.8, 1.0), (6.0, 1.3, 30.0, 3.4, 1.6), (6.0, 1.4, 120.0, 4.0, 1.0)]
        {
            let own = star(fwhm, elongation, pa_deg, beta, pixel_px);
            let point = PointImage { spread: Spread::of_kernel(fwhm, elongation, pa_deg), beta, pixel_px };
            let filter = Filter::between(point, PointImage::round(7.5, 4.0));
            let (got, _) = Filtered::new(&own, &mask, 40.0).by(&filter, 0.1);
            // wings that reach the edge are cut there, and the image made anew from what is left
            let near = |i: &usize| ((i % SIDE) as f64 - 80.0).hypot((i / SIDE) as f64 - 80.0) < 30.0;
            let worst = (0..SIDE * SIDE).filter(near).map(|i| (got.data[i] - common.data[i]).abs()).fold(0.0, f32::max);
            assert!(
                worst < 2e-3 * common.at(80, 80),
                "{fwhm} {elongation} {pa_deg} {beta}: {worst} of {}",
                common.at(80, 80)
            );
        }
    }

    #[test]
    fn what_comes_from_filled_pixels_is_flagged_and_a_constant_stays() {
        let image = Image::filled(41, 41, 3.0);
        let mut mask = Mask::clear(41, 41);
        for y in 18..23 {
            for x in 18..23 {
                mask.bits[y * 41 + x] = 1;
            }
        }
        let filter = Filter::between(PointImage::round(3.0, 4.0), PointImage::round(6.0, 4.0));
        let (smoothed, flags) = Filtered::new(&image, &mask, 24.0).by(&filter, 0.1);
        assert!(smoothed.data.iter().all(|v| (v - 3.0).abs() < 1e-3));
        assert!(!flags.is_good(20, 24) && flags.is_good(20, 32) && flags.is_good(0, 0));
    }

    /// x K₁(x) for β = 2, and (1 + x) exp(−x), which β = 2.5 has exactly.
    #[test]
    fn the_transform_of_a_moffat_function_is_known() {
        let of = MoffatTransform::new(2.5);
        for x in [0.03f64, 0.4, 1.7, 6.0, 15.0] {
            let expected = (1.0 + x) * (-x).exp();
            assert!((of.at(x) / expected - 1.0).abs() < 1e-3, "{x}: {} {expected}", of.at(x));
        }
        // K₁(1) = 0.601907230 (Abramowitz and Stegun 1964, table 9.8)
        assert!((MoffatTransform::new(2.0).at(1.0) - 0.601_907_23).abs() < 1e-4);
    }

    /// White noise through a filter keeps the share of its variance that the filter says, in waves across rays.
    #[test]
    fn noise_passes_as_the_filter_says() {
        let filter = Filter::between(PointImage::round(3.0, 3.0), PointImage::round(5.0, 3.0));
        assert!((filter.passed(0.0) - 1.0).abs() < 1e-6);
        assert!(filter.passed(0.5) < 0.7 && filter.passed(1.0) < filter.passed(0.5));
        let same = Filter::between(PointImage::round(4.0, 3.0), PointImage::round(4.0, 3.0));
        assert!((same.passed(1.0) - 1.0).abs() < 1e-6);
        // a Gaussian alone: one over 4πσ²
        let area = 4.0 * std::f64::consts::PI * 1.7f64.powi(2);
        assert!((same.variance_behind(1.7) * area - 1.0).abs() < 2e-3, "{}", same.variance_behind(1.7) * area);
    }

    #[test]
    fn spreads_have_their_axes_where_the_sky_has_them() {
        let along_north = Spread::of_kernel(FWHM_PER_SIGMA, 2.0, 0.0);
        assert!((along_north.nn - 2.0).abs() < 1e-9 && (along_north.ee - 0.5).abs() < 1e-9);
        let north_east = Spread::of_kernel(FWHM_PER_SIGMA, 2.0, 45.0);
        assert!(north_east.en > 0.7 && (north_east.largest() - 2.0).abs() < 1e-9);
    }
}
