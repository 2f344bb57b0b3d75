//! Wide Gaussians on a coarse grid, at a cost that does not grow with their width.
//!
//! A Gaussian of σ is one of σ/√2 after another of σ/√2. After the first the image is smooth enough to be known from its
//! values at every few pixels, and the second is taken from those alone: one pass down to a coarse grid, one up again.

use super::{Shape, kernel};
use crate::{Image, wide};
use rayon::prelude::*;

/// Widths σ per coarse pixel. What the grid folds over is at most exp(−(π·1.7)²/2) = 6e-7 of the image; a smaller number
/// makes the grid visible (at 1 it is 0.7 %), a larger one costs time in proportion.
const SIGMA_PER_STEP: f64 = 1.7;
/// Pixels summed side by side, in registers.
const LANES: usize = 16;

/// A separable filter of one scale, one kernel for each axis.
pub(super) struct Decimated {
    /// Pixels from one node of the coarse grid to the next.
    step: usize,
    /// Nodes before the image's first pixel and at least as many after its last.
    pad: usize,
    /// Kernel of the way down, at each whole distance from −reach to +reach.
    down: Vec<f32>,
    /// Weight of the nodes on the way up, along x and along y: `[node − pad][pixel past a node]`.
    up: [Vec<Vec<f32>>; 2],
}

impl Decimated {
    pub(super) fn new(sigma_px: f64, shapes: [Shape; 2], reach_sigma: f64) -> Self {
        let step = ((sigma_px / SIGMA_PER_STEP) as usize).max(1);
        let half = sigma_px * std::f64::consts::FRAC_1_SQRT_2;
        let reach = (reach_sigma * half).ceil() as usize;
        let pad = reach.div_ceil(step);
        let outward = kernel(Shape::Gaussian, half, reach);
        let down = (0..2 * reach + 1).map(|i| outward[i.abs_diff(reach)] as f32).collect();
        let up = shapes.map(|shape| {
            let outward = kernel(shape, half, reach);
            let weight = |node: usize, pixel: usize| {
                let distance = (node * step).abs_diff(pad * step + pixel);
                outward.get(distance).map_or(0.0, |k| (step as f64 * k) as f32)
            };
            (0..2 * pad + 2).map(|node| (0..step).map(|pixel| weight(node, pixel)).collect()).collect()
        });
        Self { step, pad, down, up }
    }

    fn n_nodes(&self, n: usize) -> usize {
        n.saturating_sub(1) / self.step + 2 * self.pad + 2
    }

    /// The pixels of an axis of `n` that the way down takes to a node, and their weights.
    fn taken(&self, node: usize, n: usize) -> (std::ops::Range<usize>, &[f32]) {
        let reach = self.down.len() / 2;
        // places from `pad` nodes and one reach before the first pixel, so that none is negative
        let origin = self.pad * self.step + reach;
        let first = node * self.step;
        let (start, end) = (first.max(origin), (first + self.down.len()).min(origin + n));
        if start >= end {
            return (0..0, &[]);
        }
        (start - origin..end - origin, &self.down[start - first..end - first])
    }

    /// The filtered image; zero beyond its edge.
    pub(super) fn apply(&self, image: &Image) -> Vec<f32> {
        let (width, height) = (image.width, image.height);
        let mut out = vec![0.0_f32; width * height];
        if out.is_empty() {
            return out;
        }
        let (columns, rows) = (self.n_nodes(width), self.n_nodes(height));
        let mut coarse = vec![0.0_f32; columns * rows];
        coarse.par_chunks_mut(columns).enumerate().for_each_init(
            || vec![0.0_f32; width],
            |sums, (j, nodes)| {
                let (lines, weights) = self.taken(j, height);
                let taps: Vec<Tap> = weights.iter().zip(lines).map(|(w, y)| (*w, image.row(y))).collect();
                wide(
                    #[inline(always)]
                    || {
                        blend(sums, &taps);
                        for (i, node) in nodes.iter_mut().enumerate() {
                            let (pixels, weights) = self.taken(i, width);
                            *node = dot(&sums[pixels], weights);
                        }
                    },
                );
            },
        );
        let mut along = vec![0.0_f32; width * rows];
        along.par_chunks_mut(width).zip(coarse.par_chunks(columns)).for_each(|(line, nodes)| {
            for (m, block) in line.chunks_mut(self.step).enumerate() {
                let taps: Vec<Tap> = self.up[0].iter().zip(&nodes[m..]).map(|(w, node)| (*node, &w[..])).collect();
                wide(
                    #[inline(always)]
                    || blend(block, &taps),
                );
            }
        });
        out.par_chunks_mut(width).enumerate().for_each(|(y, line)| {
            let (m, pixel) = (y / self.step, y % self.step);
            let lines = along[m * width..].chunks_exact(width);
            let taps: Vec<Tap> = self.up[1].iter().zip(lines).map(|(w, nodes)| (w[pixel], nodes)).collect();
            wide(
                #[inline(always)]
                || blend(line, &taps),
            );
        });
        out
    }

    /// What the filter makes of an axis of `n` ones.
    pub(super) fn of_ones(&self, n: usize, axis: usize) -> Vec<f32> {
        let node = |i: usize| self.taken(i, n).1.iter().map(|w| f64::from(*w)).sum::<f64>();
        let nodes: Vec<f64> = (0..self.n_nodes(n)).map(node).collect();
        let value = |i: usize| {
            let near = &nodes[i / self.step..];
            let terms = self.up[axis].iter().zip(near).map(|(w, node)| f64::from(w[i % self.step]) * node);
            terms.sum::<f64>() as f32
        };
        (0..n).map(value).collect()
    }
}

/// A weight and the pixels it is for.
type Tap<'a> = (f32, &'a [f32]);

/// Sum of the taps' pixels times their weights; each tap has at least as many as `out`.
#[inline(always)]
fn blend(out: &mut [f32], taps: &[Tap]) {
    let n = out.len();
    let mut blocks = out.chunks_exact_mut(LANES);
    let mut first = 0;
    for block in &mut blocks {
        let mut sum = [0.0_f32; LANES];
        for (weight, pixels) in taps {
            let pixels = &pixels[first..first + LANES];
            for i in 0..LANES {
                sum[i] += weight * pixels[i];
            }
        }
        block.copy_from_slice(&sum);
        first += LANES;
    }
    for (value, i) in blocks.into_remainder().iter_mut().zip(first..n) {
        *value = taps.iter().map(|(weight, pixels)| weight * pixels[i]).sum();
    }
}

#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sum = [0.0_f32; LANES];
    let (a_blocks, b_blocks) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest: f32 = a_blocks.remainder().iter().zip(b_blocks.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a_blocks.zip(b_blocks) {
        for i in 0..LANES {
            sum[i] += a[i] * b[i];
        }
    }
    sum.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use super::super::{GAUSSIAN_REACH_SIGMA, Separable};
    use super::*;

    /// Against the direct sums, impulses and a rough image, well inside and at the edges; σ from the least used on.
    #[test]
    fn the_coarse_way_equals_the_direct_one() {
        let (width, height) = (160, 131);
        let rough = |i: usize| ((37 * (i % width) + 101 * (i / width)) % 64) as f32 - 20.0;
        let mut image = Image { width, height, data: (0..width * height).map(rough).collect() };
        for (x, y) in [(0, 0), (80, 60), (159, 40), (33, 130)] {
            image.data[y * width + x] = 40_000.0;
        }
        for sigma in [6.0, 7.3, 11.0, 24.5] {
            for shapes in [[Shape::Gaussian; 2], [Shape::SecondDerivative, Shape::Gaussian]] {
                // Cut where nothing is left, so that only the way is compared.
                let direct = Separable::direct(sigma, shapes, 6.0, 200).apply(&image);
                let coarse = Decimated::new(sigma, shapes, 6.0).apply(&image);
                // Folding, and single-precision sums; those of a derivative cancel.
                let tolerance = if shapes[0] == Shape::Gaussian { 1e-5 } else { 4e-5 };
                let largest = direct.iter().fold(0.0_f32, |m, v| m.max(v.abs()));
                for (a, b) in direct.iter().zip(&coarse) {
                    assert!((a - b).abs() < tolerance * largest, "sigma {sigma}: {b} for {a} of {largest}");
                }
            }
        }
    }

    /// With the cut that is used, 4σ, an image of impulses on a level agrees to the cut.
    #[test]
    fn ones_stay_ones() {
        for (n, sigma) in [(1, 6.0), (50, 9.0), (300, 40.0), (200, 700.0)] {
            let filter = Decimated::new(sigma, [Shape::Gaussian; 2], GAUSSIAN_REACH_SIGMA);
            let ones = filter.apply(&Image::filled(n, 1, 1.0));
            let (along, across) = (filter.of_ones(n, 0), filter.of_ones(1, 1));
            for (a, b) in ones.iter().zip(&along) {
                assert!((a - b * across[0]).abs() < 2e-6, "{a} for {b}");
            }
        }
    }
}
