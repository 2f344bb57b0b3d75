//! One kernel for two nights: each image smoothed by what its own kernel lacks of the common one.

use fanlight_image::{Image, Mask};
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex};

/// A symmetric 2 × 2 matrix: east–east, east–north, north–north.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    pub ee: f64,
    pub en: f64,
    pub nn: f64,
}

/// Full width at half maximum of a Gaussian of unit standard deviation.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

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

    /// A round one less this.
    pub fn taken_from_round(self, squared: f64) -> Self {
        Self { ee: squared - self.ee, en: -self.en, nn: squared - self.nn }
    }

    /// The larger of the two variances along its axes.
    pub fn largest(self) -> f64 {
        let (mean, half) = (0.5 * (self.ee + self.nn), 0.5 * (self.ee - self.nn));
        mean + half.hypot(self.en)
    }
}

/// A smoothed standard deviation under this, in px, changes nothing.
const NOTHING_PX: f64 = 0.05;

/// Smooths an image on a grid with north up and east left by a Gaussian of a spread in px². Pixels outside the mask must have
/// been filled; the mask returned has, too, those that more than `most_filled` of comes from filled ones.
///
/// The edge is met by dividing by what of the Gaussian lies on the image: light that falls outward stays what it is to a small part.
pub fn smooth(image: &Image, mask: &Mask, by: Spread, most_filled: f32) -> (Image, Mask) {
    if by.largest() < NOTHING_PX * NOTHING_PX {
        return (image.clone(), mask.clone());
    }
    let (width, height) = (image.width, image.height);
    let pad = (4.0 * by.largest().sqrt()).ceil() as usize;
    let (nx, ny) = (width + pad, height + pad);
    let mut light = vec![Complex::<f64>::default(); nx * ny];
    let mut weight = vec![Complex::<f64>::default(); nx * ny];
    for y in 0..height {
        for x in 0..width {
            let i = y * width + x;
            // the share of filled pixels rides in the imaginary part
            light[y * nx + x] = Complex::new(f64::from(image.data[i]), f64::from(u8::from(mask.bits[i] != 0)));
            weight[y * nx + x] = Complex::new(1.0, 0.0);
        }
    }
    convolve(&mut light, (nx, ny), by);
    convolve(&mut weight, (nx, ny), by);
    let mut out = image.clone();
    let mut flags = mask.clone();
    for y in 0..height {
        for x in 0..width {
            let (i, j) = (y * width + x, y * nx + x);
            let share = weight[j].re.max(1e-6);
            out.data[i] = (light[j].re / share) as f32;
            if (light[j].im / share) as f32 > most_filled {
                flags.bits[i] |= fanlight_image::flag::NO_DATA;
            }
        }
    }
    (out, flags)
}

/// Convolves a periodic grid with a Gaussian by its Fourier transform, exp(−½ kᵀ S k).
fn convolve(cells: &mut Vec<Complex<f64>>, (nx, ny): (usize, usize), by: Spread) {
    let mut planner = FftPlanner::<f64>::new();
    let rows = [planner.plan_fft_forward(nx), planner.plan_fft_inverse(nx)];
    let columns = [planner.plan_fft_forward(ny), planner.plan_fft_inverse(ny)];
    let frequency = |i: usize, n: usize| {
        let k = if 2 * i < n { i as f64 } else { i as f64 - n as f64 };
        std::f64::consts::TAU * k / n as f64
    };
    cells.par_chunks_mut(nx).for_each(|row| rows[0].process(row));
    let mut turned = transposed(cells, nx, ny);
    turned.par_chunks_mut(ny).enumerate().for_each(|(i, column)| {
        columns[0].process(column);
        // east is to the left: x runs west
        let west = frequency(i, nx);
        for (j, cell) in column.iter_mut().enumerate() {
            let north = frequency(j, ny);
            let exponent = by.ee * west * west - 2.0 * by.en * west * north + by.nn * north * north;
            *cell *= (-0.5 * exponent).exp() / (nx * ny) as f64;
        }
        columns[1].process(column);
    });
    *cells = transposed(&turned, ny, nx);
    cells.par_chunks_mut(nx).for_each(|row| rows[1].process(row));
}

fn transposed(cells: &[Complex<f64>], width: usize, height: usize) -> Vec<Complex<f64>> {
    (0..width * height).map(|i| cells[(i % height) * width + i / height]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A Gaussian on a grid with north up and east left.
    fn gaussian(side: usize, spread: Spread) -> Image {
        let determinant = spread.ee * spread.nn - spread.en * spread.en;
        let mut image = Image::filled(side, side, 0.0);
        let middle = (side / 2) as f64;
        for (i, v) in image.data.iter_mut().enumerate() {
            let (east, north) = (middle - (i % side) as f64, (i / side) as f64 - middle);
            let q = spread.nn * east * east - 2.0 * spread.en * east * north + spread.ee * north * north;
            *v = ((-0.5 * q / determinant).exp() / (std::f64::consts::TAU * determinant.sqrt())) as f32;
        }
        image
    }

    #[test]
    fn gaussians_of_any_shape_become_the_common_round_one() {
        let mask = Mask::clear(81, 81);
        let round = gaussian(81, Spread { ee: 16.0, en: 0.0, nn: 16.0 });
        for (fwhm, elongation, pa_deg) in [(5.0, 1.0, 0.0), (6.0, 1.3, 30.0), (6.0, 1.5, 120.0)] {
            let own = Spread::of_kernel(fwhm, elongation, pa_deg);
            let (smoothed, _) = smooth(&gaussian(81, own), &mask, own.taken_from_round(16.0), 0.1);
            let worst = smoothed.data.iter().zip(&round.data).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
            assert!(worst < 2e-3 * round.at(40, 40), "{fwhm} {elongation} {pa_deg}: {worst}");
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
        let (smoothed, flags) = smooth(&image, &mask, Spread { ee: 4.0, en: 0.0, nn: 4.0 }, 0.1);
        assert!(smoothed.data.iter().all(|v| (v - 3.0).abs() < 1e-4));
        assert!(!flags.is_good(20, 24) && flags.is_good(20, 30) && flags.is_good(0, 0));
    }

    #[test]
    fn spreads_have_their_axes_where_the_sky_has_them() {
        let along_north = Spread::of_kernel(FWHM_PER_SIGMA, 2.0, 0.0);
        assert!((along_north.nn - 2.0).abs() < 1e-9 && (along_north.ee - 0.5).abs() < 1e-9);
        let north_east = Spread::of_kernel(FWHM_PER_SIGMA, 2.0, 45.0);
        assert!(north_east.en > 0.7 && (north_east.largest() - 2.0).abs() < 1e-9);
    }
}
