//! Convolution of a square scene with a kernel in Fourier space.

use rustfft::{Fft, FftPlanner, num_complex::Complex};
use std::f64::consts::PI;
use std::sync::Arc;

/// Transforms of an n × n grid.
pub(crate) struct Grid {
    n: usize,
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
}

/// The transform of a real n × n field, stored by column of the input (transposed).
pub(crate) type Spectrum = Vec<Complex<f64>>;

impl Grid {
    /// A grid of n × n cells; `n` should be a product of small primes.
    pub fn new(n: usize) -> Self {
        let mut planner = FftPlanner::new();
        Self { n, forward: planner.plan_fft_forward(n), inverse: planner.plan_fft_inverse(n) }
    }

    /// Cells along a side.
    pub fn side(&self) -> usize {
        self.n
    }

    /// Transforms of two real fields at once.
    pub fn spectra(&self, a: &[f64], b: &[f64]) -> (Spectrum, Spectrum) {
        let n = self.n;
        let mut z: Spectrum = a.iter().zip(b).map(|(re, im)| Complex::new(*re, *im)).collect();
        self.forward.process(&mut z);
        let mut z = transposed(&z, n);
        self.forward.process(&mut z);
        // The transform of a + ib splits by symmetry: A = (Z(k) + Z*(−k))/2, B = (Z(k) − Z*(−k))/2i.
        let (mut sa, mut sb) = (Vec::with_capacity(n * n), Vec::with_capacity(n * n));
        for u in 0..n {
            let mirror_row = ((n - u) % n) * n;
            for v in 0..n {
                let here = z[u * n + v];
                let there = z[mirror_row + (n - v) % n].conj();
                sa.push((here + there) * 0.5);
                sb.push((here - there) * Complex::new(0.0, -0.5));
            }
        }
        (sa, sb)
    }

    /// The real field of a spectrum.
    pub fn field(&self, mut spectrum: Spectrum) -> Vec<f64> {
        let n = self.n;
        self.inverse.process(&mut spectrum);
        let mut z = transposed(&spectrum, n);
        self.inverse.process(&mut z);
        let scale = 1.0 / (n * n) as f64;
        z.into_iter().map(|c| c.re * scale).collect()
    }

    /// Angular frequency of a spectral index, in radians per cell, in (−π, π].
    pub fn frequency(&self, index: usize) -> f64 {
        let k = if 2 * index > self.n { index as f64 - self.n as f64 } else { index as f64 };
        2.0 * PI * k / self.n as f64
    }

    /// Smears a spectrum along a straight segment given in cells: its transform is sin(k·l/2)/(k·l/2).
    pub fn smear(&self, spectrum: &mut Spectrum, segment_cells: [f64; 2]) {
        if segment_cells[0].hypot(segment_cells[1]) < 1e-6 {
            return;
        }
        for u in 0..self.n {
            let along_x = 0.5 * self.frequency(u) * segment_cells[0];
            for v in 0..self.n {
                spectrum[u * self.n + v] *= sinc(along_x + 0.5 * self.frequency(v) * segment_cells[1]);
            }
        }
    }

    /// Takes away what a grid of one-pixel cells cannot hold of a narrow kernel and a cusp, which would ring along rows
    /// and columns; structures longer than about four cells pass.
    pub fn taper(&self, spectrum: &mut Spectrum) {
        let pass: Vec<f64> = (0..self.n).map(|i| (-(self.frequency(i) / 2.6).powi(8)).exp()).collect();
        for (row, u) in spectrum.chunks_exact_mut(self.n).zip(&pass) {
            row.iter_mut().zip(&pass).for_each(|(value, v)| *value *= u * v);
        }
    }

    /// Takes back the averaging over a cell's box that sums over cells carry.
    pub fn sharpen(&self, spectrum: &mut Spectrum) {
        let boxes: Vec<f64> = (0..self.n).map(|i| sinc(0.5 * self.frequency(i))).collect();
        for (row, u) in spectrum.chunks_exact_mut(self.n).zip(&boxes) {
            row.iter_mut().zip(&boxes).for_each(|(value, v)| *value /= u * v);
        }
    }

    /// Moves a field by a distance in cells, exactly for what the grid resolves.
    pub fn shift(&self, spectrum: &mut Spectrum, by_cells: [f64; 2]) {
        let phases = |by: f64| -> Vec<_> {
            (0..self.n)
                .map(|i| {
                    let k = self.frequency(i);
                    // The highest frequency has no sign of its own; half of each keeps the field real.
                    if 2 * i == self.n { Complex::new((k * by).cos(), 0.0) } else { Complex::from_polar(1.0, -k * by) }
                })
                .collect()
        };
        let (along_x, along_y) = (phases(by_cells[0]), phases(by_cells[1]));
        for (row, x) in spectrum.chunks_exact_mut(self.n).zip(&along_x) {
            for (value, y) in row.iter_mut().zip(&along_y) {
                *value *= x * y;
            }
        }
    }

    /// Adds a point of light at a place counted in cells from the centre of cell (0, 0), spread over one cell's box as
    /// the cell sums of an extended source are.
    pub fn add_point(&self, spectrum: &mut Spectrum, at_cells: [f64; 2], light: f64) {
        let factor = |index: usize, at: f64| {
            let k = self.frequency(index);
            Complex::from_polar(sinc(0.5 * k), -k * at)
        };
        let along_y: Vec<_> = (0..self.n).map(|v| factor(v, at_cells[1])).collect();
        for u in 0..self.n {
            let x = factor(u, at_cells[0]) * light;
            for v in 0..self.n {
                spectrum[u * self.n + v] += x * along_y[v];
            }
        }
    }
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-4 { 1.0 - x * x / 6.0 } else { x.sin() / x }
}

/// Transpose in tiles that stay in the cache.
fn transposed(input: &[Complex<f64>], n: usize) -> Spectrum {
    const TILE: usize = 16;
    let mut out = vec![Complex::new(0.0, 0.0); n * n];
    for y0 in (0..n).step_by(TILE) {
        for x0 in (0..n).step_by(TILE) {
            for y in y0..(y0 + TILE).min(n) {
                for x in x0..(x0 + TILE).min(n) {
                    out[x * n + y] = input[y * n + x];
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn convolution_is_the_sum_over_shifts() {
        let n = 12;
        let a: Vec<f64> = (0..n * n).map(|i| ((i * 37) % 11) as f64).collect();
        let b: Vec<f64> = (0..n * n).map(|i| ((i * 53) % 7) as f64).collect();
        let grid = Grid::new(n);
        let (sa, sb) = grid.spectra(&a, &b);
        let got = grid.field(sa.iter().zip(&sb).map(|(x, y)| x * y).collect());
        for (x, y) in [(0, 0), (3, 7), (11, 2)] {
            let mut want = 0.0;
            for j in 0..n {
                for i in 0..n {
                    want += a[j * n + i] * b[((y + n - j) % n) * n + (x + n - i) % n];
                }
            }
            assert!((got[y * n + x] - want).abs() < 1e-8);
        }
    }

    #[test]
    fn a_point_lands_where_it_was_put() {
        let n = 32;
        let grid = Grid::new(n);
        let wrapped = |i: usize| if 2 * i > n { i as f64 - n as f64 } else { i as f64 };
        let gaussian: Vec<f64> =
            (0..n * n).map(|i| (-(wrapped(i % n).powi(2) + wrapped(i / n).powi(2)) / 8.0).exp() / (8.0 * PI)).collect();
        let (response, mut point) = grid.spectra(&gaussian, &vec![0.0; n * n]);
        grid.add_point(&mut point, [15.3, 13.8], 2.0);
        let field = grid.field(point.iter().zip(&response).map(|(a, b)| a * b).collect());
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (i, v) in field.iter().enumerate() {
            sum += v;
            sx += v * (i % n) as f64;
            sy += v * (i / n) as f64;
        }
        assert!((sum - 2.0).abs() < 1e-6, "{sum}");
        assert!((sx / sum - 15.3).abs() < 1e-6 && (sy / sum - 13.8).abs() < 1e-6, "{} {}", sx / sum, sy / sum);
    }
}
