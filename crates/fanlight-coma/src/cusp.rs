//! A steep coma as the stack shows it: powers of the distance with low azimuthal orders, blurred by the kernel.
//!
//! These are the functions that [`crate::optocentre`] fits. They are made on a fine grid about the nucleus and looked up
//! at any place.

use crate::kernel::KernelPart;
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex};

/// Fine cells per pixel.
const FINE: usize = 3;
/// Half-width of the kernel's grid, fine cells: 21 px, beyond which a star image holds under 1 % of its light.
const KERNEL_HALF: usize = 64;

/// Azimuthal dependence of one component.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Azimuth {
    /// The same all round.
    Round,
    /// cos mθ.
    Cos(i32),
    /// sin mθ.
    Sin(i32),
}

/// One component: ρ^−slope times its azimuthal dependence; `None` as slope is a point at the nucleus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Power of the distance, or a point.
    pub slope: Option<f64>,
    /// Azimuthal dependence.
    pub azimuth: Azimuth,
}

/// Blurred components on a fine grid, integrated over pixels.
pub struct Blurred {
    side: usize,
    maps: Vec<Vec<f32>>,
}

impl Blurred {
    /// Blurs components by the frames' kernel, good to `reach_px` from the nucleus.
    pub fn new(components: &[Component], parts: &[KernelPart], reach_px: f64) -> Self {
        let half = (reach_px * FINE as f64).ceil() as usize + KERNEL_HALF + FINE;
        let side = 2 * half;
        let mut planner = FftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(side);
        let backward = planner.plan_fft_inverse(side);
        let transform = |data: &mut Vec<Complex<f32>>, plan: &std::sync::Arc<dyn rustfft::Fft<f32>>| {
            plan.process(data);
            let mut turned = transpose(data, side);
            plan.process(&mut turned);
            *data = transpose(&turned, side);
        };
        let mut kernel = kernel_grid(parts, side);
        transform(&mut kernel, &forward);
        let scale = 1.0 / (side * side) as f32;
        let maps = components
            .par_iter()
            .map(|c| {
                let mut grid = component_grid(c, side, half);
                transform(&mut grid, &forward);
                grid.iter_mut().zip(&kernel).for_each(|(g, k)| *g *= k);
                transform(&mut grid, &backward);
                let fine: Vec<f32> = grid.iter().map(|g| g.re * scale).collect();
                box_mean(&fine, side)
            })
            .collect();
        Self { side, maps }
    }

    /// A component at `(dx, dy)` pixels from the nucleus, cubic between grid points; 0 outside the grid.
    pub fn at(&self, component: usize, dx_px: f64, dy_px: f64) -> f64 {
        let map = &self.maps[component];
        let half = (self.side / 2) as f64;
        let (u, v) = (dx_px * FINE as f64 + half, dy_px * FINE as f64 + half);
        let (i, j) = (u.floor(), v.floor());
        if i < 1.0 || j < 1.0 || i + 2.0 >= self.side as f64 || j + 2.0 >= self.side as f64 {
            return 0.0;
        }
        let (wu, wv) = (cubic(u - i), cubic(v - j));
        let (i, j) = (i as usize - 1, j as usize - 1);
        let row = |k: usize| (0..4).map(|l| wu[l] * f64::from(map[(j + k) * self.side + i + l])).sum::<f64>();
        (0..4).map(|k| wv[k] * row(k)).sum()
    }
}

/// Weights of four neighbours for a place between the middle two (Catmull–Rom).
fn cubic(t: f64) -> [f64; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

fn transpose(data: &[Complex<f32>], side: usize) -> Vec<Complex<f32>> {
    let mut out = vec![Complex::default(); data.len()];
    out.par_chunks_mut(side).enumerate().for_each(|(x, column)| {
        for (y, value) in column.iter_mut().enumerate() {
            *value = data[y * side + x];
        }
    });
    out
}

/// The kernel, its sum 1, centred on the grid's first cell as a convolution needs it.
fn kernel_grid(parts: &[KernelPart], side: usize) -> Vec<Complex<f32>> {
    // a night's frames are alike: eight of them, spread over it, make the mean
    let step = parts.len().div_ceil(8).max(1);
    let chosen: Vec<_> = parts.iter().step_by(step).map(KernelPart::density).collect();
    let width = 2 * KERNEL_HALF + 1;
    let mut cells = vec![0.0f64; width * width];
    cells.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let dy = (y as f64 - KERNEL_HALF as f64) / FINE as f64;
        for (x, value) in row.iter_mut().enumerate() {
            let dx = (x as f64 - KERNEL_HALF as f64) / FINE as f64;
            *value = chosen.iter().map(|density| density(dx, dy)).sum();
        }
    });
    let total: f64 = cells.iter().sum();
    let mut grid = vec![Complex::default(); side * side];
    for (i, value) in cells.iter().enumerate() {
        let wrap = |c: usize| (c + side - KERNEL_HALF) % side;
        grid[wrap(i / width) * side + wrap(i % width)] = Complex::new((value / total) as f32, 0.0);
    }
    grid
}

/// A component's mean over each fine cell, nucleus at cell `half`.
fn component_grid(component: &Component, side: usize, half: usize) -> Vec<Complex<f32>> {
    let mut grid = vec![Complex::default(); side * side];
    let cell_px = 1.0 / FINE as f64;
    let Some(slope) = component.slope else {
        grid[half * side + half] = Complex::new((1.0 / (cell_px * cell_px)) as f32, 0.0);
        return grid;
    };
    let value = |x: f64, y: f64| -> f64 {
        let around = match component.azimuth {
            Azimuth::Round => 1.0,
            Azimuth::Cos(m) => (f64::from(m) * y.atan2(x)).cos(),
            Azimuth::Sin(m) => (f64::from(m) * y.atan2(x)).sin(),
        };
        x.hypot(y).powf(-slope) * around
    };
    for j in 0..side {
        for i in 0..side {
            let (u, v) = (i as f64 - half as f64, j as f64 - half as f64);
            let mean = if u == 0.0 && v == 0.0 {
                match component.azimuth {
                    // the mean of ρ^−γ over a disc of the cell's area
                    Azimuth::Round => 2.0 / (2.0 - slope) * (cell_px / std::f64::consts::PI.sqrt()).powf(-slope),
                    _ => 0.0,
                }
            } else {
                // the curvature of a steep power matters in the innermost cells only
                let points = if u.abs().max(v.abs()) <= 4.0 { 5 } else { 1 };
                let at = |k: i32| (f64::from(k) + 0.5) / f64::from(points) - 0.5;
                let sum: f64 = (0..points)
                    .flat_map(|a| (0..points).map(move |b| (a, b)))
                    .map(|(a, b)| value((u + at(a)) * cell_px, (v + at(b)) * cell_px))
                    .sum();
                sum / f64::from(points * points)
            };
            grid[j * side + i] = Complex::new(mean as f32, 0.0);
        }
    }
    grid
}

/// Mean over a pixel's worth of fine cells about each cell.
fn box_mean(fine: &[f32], side: usize) -> Vec<f32> {
    let reach = FINE / 2;
    let along = |data: &[f32], stride: usize, other: usize| -> Vec<f32> {
        let mut out = data.to_vec();
        for k in 0..side {
            for i in reach..side - reach {
                let sum: f32 = (i - reach..=i + reach).map(|l| data[l * stride + k * other]).sum();
                out[i * stride + k * other] = sum / FINE as f32;
            }
        }
        out
    };
    let rows = along(fine, 1, side);
    along(&rows, side, 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::Moffat;

    fn parts(fwhm: f64) -> Vec<KernelPart> {
        vec![KernelPart { seeing: Moffat::round(fwhm, 3.5), paths_px: [(0.0, 0.0); 2], weight: 1.0 }]
    }

    /// Far from the nucleus blurring changes a power by little: the second-order term of the kernel's width.
    #[test]
    fn far_out_a_power_stays_a_power() {
        let component = Component { slope: Some(1.0), azimuth: Azimuth::Round };
        let blurred = Blurred::new(&[component], &parts(2.0), 20.0);
        for r in [8.0, 12.0, 18.0] {
            let got = blurred.at(0, r * 0.6, r * 0.8) * r;
            assert!((got - 1.0).abs() < 0.04, "at {r}: {got}");
        }
        // the peak of 1/ρ under a round kernel: the kernel's mean of 1/ρ, 1.73 / FWHM for this one within the pixel's share
        let peak = blurred.at(0, 0.0, 0.0);
        assert!(peak > 0.9 && peak < 1.7, "{peak}");
    }

    #[test]
    fn a_point_gives_the_kernel() {
        let point = Component { slope: None, azimuth: Azimuth::Round };
        let parts = parts(3.0);
        let blurred = Blurred::new(&[point], &parts, 15.0);
        for (x, y) in [(0.0, 0.0), (1.3, -0.4), (3.0, 2.0)] {
            let expected = parts[0].seeing.pixel_value(x, y);
            assert!((blurred.at(0, x, y) - expected).abs() < 0.01 * parts[0].seeing.pixel_value(0.0, 0.0));
        }
    }
}
