//! Least squares: linear maps of the plane, and weighted polynomials with their covariance.

use nalgebra::{DMatrix, Matrix3, SMatrix, Vector3};

/// `offset + matrix · p`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Affine {
    pub offset: [f64; 2],
    pub matrix: [[f64; 2]; 2],
}

impl Affine {
    /// The image of a point.
    pub fn of(&self, p: [f64; 2]) -> [f64; 2] {
        let [[a, b], [c, d]] = self.matrix;
        [self.offset[0] + a * p[0] + b * p[1], self.offset[1] + c * p[0] + d * p[1]]
    }

    /// Squared distance from the image of `p` to `q`.
    pub fn miss2(&self, p: [f64; 2], q: [f64; 2]) -> f64 {
        let at = self.of(p);
        (at[0] - q[0]).powi(2) + (at[1] - q[1]).powi(2)
    }

    fn determinant(&self) -> f64 {
        self.matrix[0][0] * self.matrix[1][1] - self.matrix[0][1] * self.matrix[1][0]
    }

    /// Area of a unit square's image.
    pub fn area(&self) -> f64 {
        self.determinant().abs()
    }

    /// Share by which it differs from a turn, a stretch and perhaps a reflection: half the difference of its two
    /// stretches over their mean.
    pub fn shear(&self) -> f64 {
        let [[a, b], [c, d]] = self.matrix;
        let (same, other) = ((a + d).hypot(c - b), (a - d).hypot(c + b));
        same.min(other) / same.max(other)
    }

    /// `None` where it has none.
    pub fn inverse(&self) -> Option<Self> {
        let d = self.determinant();
        if !(d.abs() > 1e-12) {
            return None;
        }
        let [[a, b], [c, e]] = self.matrix;
        let matrix = [[e / d, -b / d], [-c / d, a / d]];
        let turned = Self { offset: [0.0; 2], matrix }.of(self.offset);
        Some(Self { offset: [-turned[0], -turned[1]], matrix })
    }

    /// The turn, stretch and, where it fits better, reflection nearest to pairs of points.
    pub fn similar(pairs: impl Iterator<Item = ([f64; 2], [f64; 2])> + Clone) -> Option<Self> {
        let n = pairs.clone().count() as f64;
        let (mut p0, mut q0) = ([0.0; 2], [0.0; 2]);
        for (p, q) in pairs.clone() {
            for axis in 0..2 {
                p0[axis] += p[axis] / n;
                q0[axis] += q[axis] / n;
            }
        }
        let (mut size, mut direct, mut mirrored) = (0.0, [0.0; 2], [0.0; 2]);
        for (p, q) in pairs {
            let (x, y, u, v) = (p[0] - p0[0], p[1] - p0[1], q[0] - q0[0], q[1] - q0[1]);
            size += x * x + y * y;
            direct = [direct[0] + x * u + y * v, direct[1] + x * v - y * u];
            mirrored = [mirrored[0] + x * u - y * v, mirrored[1] + x * v + y * u];
        }
        if !(size > 0.0) {
            return None;
        }
        let matrix = if direct[0].hypot(direct[1]) >= mirrored[0].hypot(mirrored[1]) {
            let (c, s) = (direct[0] / size, direct[1] / size);
            [[c, -s], [s, c]]
        } else {
            let (c, s) = (mirrored[0] / size, mirrored[1] / size);
            [[c, s], [s, -c]]
        };
        let turned = Self { offset: [0.0; 2], matrix }.of(p0);
        Some(Self { offset: [q0[0] - turned[0], q0[1] - turned[1]], matrix })
    }

    /// The linear map nearest to pairs of points; `None` where they do not fix one.
    pub fn linear(pairs: impl Iterator<Item = ([f64; 2], [f64; 2])>) -> Option<Self> {
        let mut normal = Matrix3::zeros();
        let mut right = [Vector3::zeros(); 2];
        for (p, q) in pairs {
            let row = Vector3::new(1.0, p[0], p[1]);
            normal += row * row.transpose();
            right[0] += row * q[0];
            right[1] += row * q[1];
        }
        // points on a line leave a pivot of rounding errors
        let solver = normal.cholesky().filter(|c| {
            let pivots = c.l_dirty().diagonal();
            (1..3).all(|i| pivots[i] * pivots[i] > 1e-9 * normal[(i, i)])
        })?;
        let [x, y] = right.map(|r| solver.solve(&r));
        Some(Self { offset: [x[0], y[0]], matrix: [[x[1], x[2]], [y[1], y[2]]] })
    }
}

/// Powers (p, q) of x^p y^q up to an order: constant, x, y, then the rest.
pub(super) fn powers(order: u8) -> Vec<(i32, i32)> {
    let order = i32::from(order);
    (0..=order).flat_map(|sum| (0..=sum).rev().map(move |p| (p, sum - p))).collect()
}

/// Highest order that can be fitted, and its number of terms.
pub(super) const HIGHEST_ORDER: u8 = 6;
const MOST_TERMS: usize = 28;

/// A pair of polynomials of the frame's place, fitted with weights.
#[derive(Clone, Debug)]
pub(super) struct Polynomials {
    /// The order.
    pub order: u8,
    /// Coefficients of (east, north) in the order of [`powers`], for places divided by `unit_px`.
    pub terms: Vec<[f64; 2]>,
    /// Covariance of either axis's coefficients where the weights are inverse variances.
    pub covariance: DMatrix<f64>,
    /// What places are divided by, px.
    pub unit_px: f64,
}

/// A star of the fit: place in the frame, place on the plane, weight.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pair {
    pub at: [f64; 2],
    pub to: [f64; 2],
    pub weight: f64,
}

impl Polynomials {
    /// The terms' values, in the order of [`powers`].
    fn row(order: u8, unit_px: f64, at: [f64; 2]) -> ([f64; MOST_TERMS], usize) {
        let (x, y) = (at[0] / unit_px, at[1] / unit_px);
        let mut row = [1.0; MOST_TERMS];
        let (mut n, mut before) = (1, 0);
        for _ in 0..order {
            // the terms of one sum of powers are x times those of the sum before, and y times the last of them
            let last = n - 1;
            for i in before..=last {
                row[n] = row[i] * x;
                n += 1;
            }
            row[n] = row[last] * y;
            n += 1;
            before = last + 1;
        }
        (row, n)
    }

    /// `None` where the pairs do not fix the coefficients.
    pub fn fit(pairs: &[Pair], order: u8, unit_px: f64) -> Option<Self> {
        Sums::of(pairs.iter(), order, unit_px).solved(order)
    }

    /// The place on the plane.
    pub fn of(&self, at: [f64; 2]) -> [f64; 2] {
        let (row, _) = Self::row(self.order, self.unit_px, at);
        let mut to = [0.0; 2];
        for (value, term) in row.iter().zip(&self.terms) {
            to = [to[0] + value * term[0], to[1] + value * term[1]];
        }
        to
    }

    /// Squared distance from a pair's place on the plane.
    pub fn miss2(&self, pair: &Pair) -> f64 {
        let to = self.of(pair.at);
        (to[0] - pair.to[0]).powi(2) + (to[1] - pair.to[1]).powi(2)
    }

    /// Mean square of the four slopes in the frame's middle, and of their errors.
    pub fn mean_slope2(&self) -> (f64, f64) {
        let per_px2 = 1.0 / (self.unit_px * self.unit_px);
        let slope2 = self.terms[1..3].iter().flatten().map(|s| s * s).sum::<f64>() / 4.0;
        let error2 = (self.covariance[(1, 1)] + self.covariance[(2, 2)]) / 2.0;
        (slope2 * per_px2, error2 * per_px2)
    }

    /// Variance per axis at a place.
    pub fn variance_at(&self, at: [f64; 2]) -> f64 {
        let (row, n) = Self::row(self.order, self.unit_px, at);
        (0..n).map(|i| (0..n).map(|j| row[i] * self.covariance[(i, j)] * row[j]).sum::<f64>()).sum()
    }
}

/// The sums of a fit by least squares: those of a lower order are among them, and those of some of the stars can be taken
/// off again.
#[derive(Clone, Debug)]
pub(super) struct Sums {
    /// Lower triangle.
    normal: SMatrix<f64, MOST_TERMS, MOST_TERMS>,
    right: SMatrix<f64, MOST_TERMS, 2>,
    unit_px: f64,
}

impl Sums {
    /// Over pairs, for orders up to one.
    pub fn of<'a>(pairs: impl Iterator<Item = &'a Pair>, order: u8, unit_px: f64) -> Self {
        debug_assert!(order <= HIGHEST_ORDER);
        let mut sums = Self { normal: SMatrix::zeros(), right: SMatrix::zeros(), unit_px };
        for pair in pairs {
            let (row, n) = Polynomials::row(order, unit_px, pair.at);
            for j in 0..n {
                let value = row[j] * pair.weight;
                for (i, other) in row.iter().enumerate().take(n).skip(j) {
                    sums.normal[(i, j)] += value * other;
                }
                sums.right[(j, 0)] += value * pair.to[0];
                sums.right[(j, 1)] += value * pair.to[1];
            }
        }
        sums
    }

    /// Without the sums of some.
    pub fn without(&self, some: &Self) -> Self {
        Self { normal: self.normal - some.normal, right: self.right - some.right, unit_px: self.unit_px }
    }

    /// The polynomials of an order; `None` where the pairs do not fix them.
    pub fn solved(&self, order: u8) -> Option<Polynomials> {
        let n = powers(order).len();
        let normal = DMatrix::from_fn(n, n, |i, j| self.normal[(i.max(j), i.min(j))]);
        let right = DMatrix::from_fn(n, 2, |i, axis| self.right[(i, axis)]);
        let solver = normal.cholesky()?;
        let solved = solver.solve(&right);
        let covariance = solver.inverse();
        let good = solved.iter().chain(covariance.iter()).all(|v| v.is_finite());
        let terms = (0..n).map(|i| [solved[(i, 0)], solved[(i, 1)]]).collect();
        good.then_some(Polynomials { order, terms, covariance, unit_px: self.unit_px })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const POINTS: [[f64; 2]; 6] =
        [[0.0, 0.0], [400.0, 30.0], [-250.0, 310.0], [90.0, -420.0], [-300.0, -200.0], [333.0, 222.0]];

    #[test]
    fn maps_are_found_again() {
        for matrix in [[[0.8, -0.6], [0.6, 0.8]], [[-0.8, 0.6], [0.6, 0.8]], [[1.0, 0.05], [-0.02, 0.9]]] {
            let map = Affine { offset: [12.0, -7.0], matrix };
            let pairs = POINTS.iter().map(|p| (*p, map.of(*p)));
            let linear = Affine::linear(pairs.clone()).unwrap();
            let back = map.inverse().unwrap();
            for p in POINTS {
                assert!(linear.miss2(p, map.of(p)) < 1e-18);
                assert!(back.miss2(map.of(p), p) < 1e-18);
            }
            let similar = Affine::similar(pairs).unwrap();
            let worst = POINTS.iter().map(|p| similar.miss2(*p, map.of(*p))).fold(0.0, f64::max);
            assert_eq!(worst < 1e-18, map.shear() < 1e-9, "{worst}");
        }
        assert_eq!(Affine::linear(POINTS[..2].iter().map(|p| (*p, *p))), None);
        assert_eq!(Affine::similar(POINTS[..1].iter().map(|p| (*p, *p))), None);
        // stretches of 1.1 and 0.9: half their difference over their mean
        let stretched = Affine { offset: [0.0; 2], matrix: [[1.1, 0.0], [0.0, 0.9]] };
        assert!((stretched.shear() - 0.1).abs() < 1e-12 && (stretched.area() - 0.99).abs() < 1e-12);
    }

    #[test]
    fn polynomials_give_back_what_made_them() {
        let made = |p: [f64; 2]| {
            let (x, y) = (p[0] / 500.0, p[1] / 500.0);
            [1.0 + 2.0 * x - y + 0.3 * x * x - 0.1 * x * y, -2.0 + x + 3.0 * y + 0.2 * y * y]
        };
        let grid = (0..25).map(|i| [f64::from(i % 5) * 200.0 - 400.0, f64::from(i / 5) * 170.0 - 300.0]);
        let pairs: Vec<Pair> = grid.map(|at| Pair { at, to: made(at), weight: 4.0 }).collect();
        let fit = Polynomials::fit(&pairs, 2, 500.0).unwrap();
        assert!(pairs.iter().all(|p| fit.miss2(p) < 1e-20));
        assert!((fit.terms[3][0] - 0.3).abs() < 1e-10 && (fit.terms[4][0] + 0.1).abs() < 1e-10, "{:?}", fit.terms);
        // of a fit of a constant to 25 values of σ = 1/2
        let constant = Polynomials::fit(&pairs, 0, 500.0).unwrap();
        assert!((constant.variance_at([100.0, 3.0]) - 0.01).abs() < 1e-12);
        assert!(Polynomials::fit(&pairs[..5], 2, 500.0).is_none());
    }
}
