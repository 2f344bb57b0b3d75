//! Comae as the stack shows them: any light on the sky, blurred by the night's kernel and integrated over pixels.
//!
//! Two cells per pixel along each axis, on the stack's own lattice: a pixel is the mean of its four cells, and nothing is
//! interpolated. The cusp is integrated inside the cells next to the nucleus.

use crate::kernel::KernelPart;
use rayon::prelude::*;
use rustfft::{Fft, FftPlanner, num_complex::Complex};
use std::sync::Arc;

/// Cells per pixel.
const FINE: usize = 2;
/// Half-width of the kernel's grid in px: beyond it a star image holds under 1 % of its light.
const KERNEL_HALF_PX: usize = 24;
/// Cells within this distance of the nucleus, in px, are integrated, the others taken at their middle.
const INTEGRATED_PX: f64 = 3.0;

/// A square of the stack about the nucleus, on which comae are imaged.
pub struct Imager {
    /// Half-width in px: columns and rows from the nucleus' pixel minus this to plus this.
    half_px: usize,
    /// The nucleus within its pixel: offset from the pixel's middle, −0.5 to 0.5 each.
    off_px: (f64, f64),
    side: usize,
    forward: Arc<dyn Fft<f32>>,
    backward: Arc<dyn Fft<f32>>,
}

/// A transformed grid of cells, ready to be multiplied.
pub struct Spectrum(Vec<Complex<f32>>);

/// Pixels of the square, row by row, `2 * half_px + 1` a side.
pub type Square = Vec<f32>;

impl Imager {
    /// A square reaching `half_px` from the pixel that holds the nucleus.
    pub fn new(half_px: usize, off_px: (f64, f64)) -> Self {
        let side = even_size(FINE * (2 * half_px + 1 + KERNEL_HALF_PX));
        let mut planner = FftPlanner::<f32>::new();
        Self {
            half_px,
            off_px,
            side,
            forward: planner.plan_fft_forward(side),
            backward: planner.plan_fft_inverse(side),
        }
    }

    /// Pixels along a side of what is imaged.
    pub fn width(&self) -> usize {
        2 * self.half_px + 1
    }

    /// The nucleus within its pixel.
    pub fn off(&self) -> (f64, f64) {
        self.off_px
    }

    /// Two lights at once, in the real and the imaginary part; `light(dx_px, dy_px)` is surface brightness per square pixel at
    /// a place from the nucleus, and finite but at the nucleus itself.
    pub fn light(&self, light: impl Fn(f64, f64) -> (f64, f64) + Sync) -> Spectrum {
        let n = FINE * self.width();
        let mut cells = vec![Complex::default(); self.side * self.side];
        let cell_px = 1.0 / FINE as f64;
        let at = |i: usize, off: f64| (i as f64 + 0.5) * cell_px - 0.5 - self.half_px as f64 - off;
        cells.par_chunks_mut(self.side).take(n).enumerate().for_each(|(j, row)| {
            let y = at(j, self.off_px.1);
            for (i, cell) in row.iter_mut().take(n).enumerate() {
                let x = at(i, self.off_px.0);
                let points = match x.abs().max(y.abs()) {
                    d if d < cell_px => 16,
                    d if d < INTEGRATED_PX => 4,
                    _ => 1,
                };
                let sub = |k: usize| ((k as f64 + 0.5) / points as f64 - 0.5) * cell_px;
                let (mut re, mut im) = (0.0, 0.0);
                for b in 0..points {
                    for a in 0..points {
                        let (u, v) = light(x + sub(a), y + sub(b));
                        (re, im) = (re + u, im + v);
                    }
                }
                let n = (points * points) as f64;
                *cell = Complex::new((re / n) as f32, (im / n) as f32);
            }
        });
        self.transform(&mut cells, &self.forward);
        Spectrum(cells)
    }

    /// Two kernels at once, in the real and the imaginary part, each per square pixel; not normalised.
    pub fn kernel(&self, density: impl Fn(f64, f64) -> (f64, f64) + Sync) -> Spectrum {
        let half = FINE * KERNEL_HALF_PX;
        let cell_px = 1.0 / FINE as f64;
        let area = (cell_px * cell_px) as f32;
        let width = 2 * half + 1;
        let mut values = vec![Complex::default(); width * width];
        values.par_chunks_mut(width).enumerate().for_each(|(j, row)| {
            let y = (j as f64 - half as f64) * cell_px;
            for (i, value) in row.iter_mut().enumerate() {
                let (u, v) = density((i as f64 - half as f64) * cell_px, y);
                *value = Complex::new(u as f32 * area, v as f32 * area);
            }
        });
        let mut cells = vec![Complex::default(); self.side * self.side];
        let wrap = |c: usize| (c + self.side - half) % self.side;
        for (i, value) in values.into_iter().enumerate() {
            cells[wrap(i / width) * self.side + wrap(i % width)] = value;
        }
        self.transform(&mut cells, &self.forward);
        Spectrum(cells)
    }

    /// Light through a kernel; the real and the imaginary part as pixels (of two lights through a real kernel, or one real
    /// light through two kernels).
    pub fn image(&self, light: &Spectrum, kernel: &Spectrum) -> (Square, Square) {
        let mut cells: Vec<Complex<f32>> = light.0.par_iter().zip(&kernel.0).map(|(a, b)| a * b).collect();
        self.transform(&mut cells, &self.backward);
        let width = self.width();
        let scale = 1.0 / (self.side * self.side * FINE * FINE) as f32;
        let pixel = |i: usize| {
            let (x, y) = (FINE * (i % width), FINE * (i / width));
            let sum: Complex<f32> =
                (0..FINE * FINE).map(|k| cells[(y + k / FINE) * self.side + x + k % FINE]).sum::<Complex<f32>>();
            sum * scale
        };
        (0..width * width).map(pixel).map(|c| (c.re, c.im)).unzip()
    }

    fn transform(&self, cells: &mut [Complex<f32>], plan: &Arc<dyn Fft<f32>>) {
        cells.par_chunks_mut(self.side).for_each(|row| plan.process(row));
        let mut turned = transposed(cells, self.side, self.side);
        turned.par_chunks_mut(self.side).for_each(|row| plan.process(row));
        cells.copy_from_slice(&transposed(&turned, self.side, self.side));
    }
}

/// Columns of rows `width` long as rows, `height` of them before.
pub(crate) fn transposed<T: Copy + Default + Send + Sync>(cells: &[T], width: usize, height: usize) -> Vec<T> {
    const TILE: usize = 16;
    let mut out = vec![T::default(); cells.len()];
    out.par_chunks_mut(height * TILE).enumerate().for_each(|(tile, rows)| {
        for y0 in (0..height).step_by(TILE) {
            for (x, row) in rows.chunks_mut(height).enumerate() {
                for y in y0..(y0 + TILE).min(height) {
                    row[y] = cells[y * width + tile * TILE + x];
                }
            }
        }
    });
    out
}

/// The next size whose transform is fast: a product of 2, 3 and 5, and even.
pub(crate) fn even_size(at_least: usize) -> usize {
    let smooth = |mut n: usize| {
        for p in [2, 3, 5] {
            while n.is_multiple_of(p) {
                n /= p;
            }
        }
        n == 1
    };
    (at_least..).find(|n| n % 2 == 0 && smooth(*n)).unwrap_or(at_least)
}

/// The mean kernel of a night's frames, its sum 1 within the grid, at any place in px.
///
/// A night's frames are alike: eight of them, spread over it, make the mean.
pub fn mean_kernel(parts: &[KernelPart]) -> Option<impl Fn(f64, f64) -> f64 + Sync + use<>> {
    let step = parts.len().div_ceil(8).max(1);
    let densities: Vec<_> = parts.iter().step_by(step).map(KernelPart::density).collect();
    let sum = move |x: f64, y: f64| densities.iter().map(|d| d(x, y)).sum::<f64>();
    let n = (KERNEL_HALF_PX * FINE) as i32;
    let cell = |i: i32| f64::from(i) / FINE as f64;
    let total: f64 = (-n..=n)
        .into_par_iter()
        .map(|j| (-n..=n).map(|i| sum(cell(i), cell(j))).sum::<f64>() / (FINE * FINE) as f64)
        .collect::<Vec<f64>>()
        .into_iter()
        .sum();
    (total.is_finite() && total > 0.0).then_some(move |x, y| sum(x, y) / total)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cusp::{Azimuth, Blurred, Component};
    use fanlight_image::moffat::Moffat;

    fn parts() -> Vec<KernelPart> {
        let seeing = Moffat { fwhm_major_px: 3.0, fwhm_minor_px: 2.6, angle_rad: 0.7, beta: 3.2 };
        vec![KernelPart { seeing, paths_px: [(0.8, -0.5); 2], weight: 1.0 }]
    }

    /// The same coma from the finer grid by which the optocentre is fitted: another lattice, another integration of the cusp.
    #[test]
    fn a_cusp_is_imaged_as_by_the_finer_grid() {
        let parts = parts();
        let imager = Imager::new(30, (0.31, -0.22));
        let kernel = mean_kernel(&parts).unwrap();
        let light = imager.light(|x, y| (x.hypot(y).powf(-1.1), 0.0));
        let (image, _) = imager.image(&light, &imager.kernel(|x, y| (kernel(x, y), 0.0)));
        let component = Component { slope: Some(1.1), azimuth: Azimuth::Round };
        let blurred = Blurred::new(&[component], &parts, 30.0);
        for (i, value) in image.iter().enumerate() {
            let (x, y) = ((i % 61) as f64 - 30.0 - 0.31, (i / 61) as f64 - 30.0 + 0.22);
            // the light ends at the square's edge
            if x.hypot(y) < 12.0 {
                let expected = blurred.at(0, x, y);
                assert!((f64::from(*value) / expected - 1.0).abs() < 0.012, "{x} {y}: {value} {expected}");
            }
        }
    }

    #[test]
    fn two_lights_and_two_kernels_stay_apart() {
        let imager = Imager::new(20, (0.0, 0.0));
        let kernel = mean_kernel(&parts()).unwrap();
        let one = imager.kernel(|x, y| (kernel(x, y), 0.0));
        let light = |x: f64, y: f64| (-(x * x + y * y) / 20.0).exp();
        let both = imager.image(&imager.light(|x, y| (light(x, y), light(x - 3.0, y))), &one);
        let alone = imager.image(&imager.light(|x, y| (light(x - 3.0, y), 0.0)), &one).0;
        assert!(both.1.iter().zip(&alone).all(|(a, b)| (a - b).abs() < 1e-5));
        let two = imager.kernel(|x, y| (kernel(x, y), kernel(-x, y)));
        let mirrored = imager.image(&imager.light(|x, y| (light(x, y), 0.0)), &two);
        let flipped = |s: &Square| -> Square { s.chunks(41).flat_map(|r| r.iter().rev().copied()).collect() };
        assert!(flipped(&mirrored.0).iter().zip(&mirrored.1).all(|(a, b)| (a - b).abs() < 1e-5));
    }

    #[test]
    fn without_a_kernel_there_is_none() {
        assert!(mean_kernel(&[]).is_none());
    }
}
