//! What else could have made a structure: directions in the space of the search, each with how large it may be.
//!
//! Data are the sum of noise, of unit variance in every direction, and of nuisances with Gaussian priors. Everything is
//! generalised least squares with the covariance C = I + N P Nᵀ, whose inverse is I − N G Nᵀ with G = (NᵀN + P⁻¹)⁻¹ (Woodbury 1950).

use nalgebra::{DMatrix, DVector};

/// Where a direction comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// A misplaced centre, along x or y.
    Centre,
    /// The kernel's elongation, in one of two directions, or its skew.
    Kernel,
    /// The sky's plane or bend.
    Sky,
    /// Lopsidedness of the coma, smooth in ρ, of this azimuthal order.
    Broad(usize),
    /// Another feature, its amplitude or its shape.
    Feature(usize),
    /// A star that was taken out.
    Star,
}

/// One direction.
#[derive(Debug, Clone)]
pub struct Nuisance {
    /// Where it comes from.
    pub source: Source,
    /// Its vector per unit of its parameter.
    pub direction: DVector<f64>,
    /// Prior standard deviation of the parameter.
    pub sigma: f64,
}

impl Nuisance {
    /// Whether it can be at all.
    pub fn is_used(&self) -> bool {
        self.sigma > 0.0 && self.direction.norm_squared() > 0.0
    }
}

/// Directions ready for use: C⁻¹ = I − Q Qᵀ, with as many columns of Q as there are directions, none longer than 1, so that
/// even a direction without any prior is taken out in single precision.
#[derive(Debug, Clone)]
pub struct Nuisances {
    /// Q.
    pub taken_out: DMatrix<f64>,
    /// Sources of the directions.
    pub sources: Vec<Source>,
    /// Parameters, in the directions' own units, per product with Q.
    parameters: DMatrix<f64>,
}

/// Directions before anything is known of how large they are.
struct Directions {
    /// Of unit length, so that the normal matrix is as well conditioned as their angles allow.
    unit: DMatrix<f64>,
    lengths: Vec<f64>,
    sources: Vec<Source>,
    /// Products of the unit directions with each other.
    normal: DMatrix<f64>,
}

/// Directions under priors: the Cholesky factor of NᵀN + P⁻¹ in unit directions, and half the logarithm of C's determinant, negative.
struct Weighed {
    lower: DMatrix<f64>,
    half_log_det: f64,
}

impl Directions {
    /// Of `dim` components.
    fn new(dim: usize, all: &[&Nuisance]) -> Self {
        let lengths: Vec<f64> = all.iter().map(|n| n.direction.norm()).collect();
        let mut unit = DMatrix::zeros(dim, all.len());
        for ((mut column, n), length) in unit.column_iter_mut().zip(all).zip(&lengths) {
            column.zip_apply(&n.direction, |u, d| *u = d / length);
        }
        // by general multiplication, which is several times faster than products of columns
        let normal = unit.transpose() * &unit;
        Self { unit, lengths, sources: all.iter().map(|n| n.source).collect(), normal }
    }

    /// Those chosen, under priors of these standard deviations; `None` only where a direction is not finite.
    fn weighed(&self, chosen: &[(usize, f64)]) -> Option<Weighed> {
        let precision = |(j, sigma): (usize, f64)| (self.lengths[j] * sigma).powi(-2);
        let mut normal = DMatrix::from_fn(chosen.len(), chosen.len(), |i, j| self.normal[(chosen[i].0, chosen[j].0)]);
        // a part in 10¹⁰ keeps directions that are the same from having no inverse
        chosen.iter().enumerate().for_each(|(i, c)| normal[(i, i)] += precision(*c) + 1e-10);
        let half_log_prior: f64 = chosen.iter().map(|c| 0.5 * precision(*c).ln()).sum();
        let lower = normal.cholesky()?.l();
        let half_log_det = half_log_prior - lower.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        Some(Weighed { lower, half_log_det })
    }
}

/// The evidence of one vector for directions of which only the priors change.
pub struct Evidence {
    directions: Directions,
    /// Products of the unit directions with the data, and the data's square.
    products: DVector<f64>,
    square: f64,
}

impl Evidence {
    /// Of directions in data; their own priors do not count.
    pub fn new(all: &[Nuisance], data: &DVector<f64>) -> Self {
        let directions = Directions::new(data.len(), &all.iter().collect::<Vec<_>>());
        Self { products: directions.unit.tr_mul(data), square: data.norm_squared(), directions }
    }

    /// Logarithm of the probability density of the data where the directions have these prior standard deviations, but for a constant;
    /// those of 0, and those of no length, are left out.
    pub fn log_density(&self, sigmas: &[f64]) -> f64 {
        let chosen: Vec<(usize, f64)> = sigmas
            .iter()
            .enumerate()
            .filter(|(j, sigma)| **sigma > 0.0 && self.directions.lengths[*j] > 0.0)
            .map(|(j, sigma)| (j, *sigma))
            .collect();
        let products = DVector::from_iterator(chosen.len(), chosen.iter().map(|c| self.products[c.0]));
        let found = self.directions.weighed(&chosen).and_then(|w| {
            let solved = w.lower.solve_lower_triangular(&products)?;
            Some(0.5 * (solved.norm_squared() - self.square) + w.half_log_det)
        });
        found.unwrap_or(f64::NEG_INFINITY)
    }
}

impl Nuisances {
    /// From directions of `dim` components; those whose prior is 0 are left out.
    pub fn new(dim: usize, all: &[Nuisance]) -> Self {
        let used: Vec<&Nuisance> = all.iter().filter(|n| n.is_used()).collect();
        let directions = Directions::new(dim, &used);
        let k = used.len();
        let chosen: Vec<(usize, f64)> = used.iter().map(|n| n.sigma).enumerate().collect();
        let Some(Weighed { lower, .. }) = directions.weighed(&chosen) else {
            // only a vector that is not finite gets here
            let (taken_out, parameters) = (DMatrix::zeros(dim, 0), DMatrix::zeros(k, 0));
            return Self { taken_out, sources: directions.sources, parameters };
        };
        // G = L⁻ᵀ L⁻¹, so that Q = N L⁻ᵀ
        let inverse = lower.solve_lower_triangular(&DMatrix::identity(k, k)).unwrap_or_else(|| DMatrix::zeros(k, k));
        let Directions { unit, lengths, sources, .. } = directions;
        let taken_out = unit * inverse.transpose();
        let parameters = DMatrix::from_fn(k, k, |i, j| inverse[(j, i)] / lengths[i]);
        Self { taken_out, sources, parameters }
    }

    /// C⁻¹ times a vector.
    pub fn clean(&self, vector: &DVector<f64>) -> DVector<f64> {
        if self.taken_out.ncols() == 0 {
            return vector.clone();
        }
        vector - &self.taken_out * self.taken_out.tr_mul(vector)
    }

    /// Variance of each component of cleaned data.
    pub fn variance_of_clean(&self) -> DVector<f64> {
        DVector::from_fn(self.taken_out.nrows(), |i, _| (1.0 - self.taken_out.row(i).norm_squared()).max(0.0))
    }

    /// Most likely parameters, in the directions' own units.
    pub fn parameters(&self, vector: &DVector<f64>) -> Vec<f64> {
        (&self.parameters * self.taken_out.tr_mul(vector)).iter().copied().collect()
    }

    /// B such that C^(−½) = I − Q B Qᵀ.
    pub fn root(&self) -> DMatrix<f64> {
        if self.taken_out.ncols() == 0 {
            return DMatrix::zeros(0, 0);
        }
        let eigen = self.taken_out.tr_mul(&self.taken_out).symmetric_eigen();
        let factor = eigen.eigenvalues.map(|v| {
            let v = v.clamp(0.0, 1.0);
            if v > 1e-9 { (1.0 - (1.0 - v).sqrt()) / v } else { 0.5 }
        });
        &eigen.eigenvectors * DMatrix::from_diagonal(&factor) * eigen.eigenvectors.transpose()
    }
}

/// Amplitude of a template in data, its error, and how much both change per unit of other directions.
pub(crate) struct Amplitude {
    pub value: f64,
    pub sigma: f64,
    /// C⁻¹ times the template.
    pub clean: DVector<f64>,
}

impl Amplitude {
    pub fn of(unit: &DVector<f64>, nuisances: &Nuisances, data: &DVector<f64>) -> Self {
        let clean = nuisances.clean(unit);
        let information = unit.dot(&clean);
        Self { value: clean.dot(data) / information, sigma: information.powf(-0.5), clean }
    }

    pub fn significance(&self) -> f64 {
        self.value / self.sigma
    }

    /// Change of the amplitude per unit of a direction in the data.
    pub fn per_unit(&self, direction: &DVector<f64>) -> f64 {
        self.clean.dot(direction) * self.sigma * self.sigma
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nuisance(direction: &[f64], sigma: f64) -> Nuisance {
        Nuisance { source: Source::Centre, direction: DVector::from_row_slice(direction), sigma }
    }

    /// Against the covariance written out.
    #[test]
    fn cleaning_is_the_inverse_covariance() {
        let all =
            [nuisance(&[1.0, 2.0, 0.0, -1.0], 0.7), nuisance(&[0.0, 1.0, 1.0, 1.0], 3.0), nuisance(&[1.0; 4], 0.0)];
        let n = Nuisances::new(4, &all);
        let mut covariance = DMatrix::identity(4, 4);
        for k in &all {
            covariance += k.sigma * k.sigma * &k.direction * k.direction.transpose();
        }
        let data = DVector::from_row_slice(&[0.3, -1.0, 2.0, 0.4]);
        let inverse = covariance.clone().try_inverse().unwrap();
        // a part in 10¹⁰ is added to the normal matrix
        assert!((n.clean(&data) - &inverse * &data).norm() < 1e-9);
        let log_density = -0.5 * data.dot(&(&inverse * &data)) - 0.5 * covariance.determinant().ln();
        let sigmas = all.each_ref().map(|n| n.sigma);
        assert!((Evidence::new(&all, &data).log_density(&sigmas) - log_density).abs() < 1e-8);
        assert_eq!(n.sources.len(), 2);
        let root = DMatrix::identity(4, 4) - &n.taken_out * n.root() * n.taken_out.transpose();
        assert!((&root * &root - inverse).norm() < 1e-8);
    }

    #[test]
    fn a_loose_direction_is_taken_out_and_measured() {
        let n = Nuisances::new(3, &[nuisance(&[0.0, 2.0, 0.0], 1e4)]);
        let data = DVector::from_row_slice(&[1.0, 6.0, -1.0]);
        assert!((n.clean(&data) - DVector::from_row_slice(&[1.0, 0.0, -1.0])).norm() < 1e-6);
        assert!((n.parameters(&data)[0] - 3.0).abs() < 1e-6);
        let none = Nuisances::new(3, &[]);
        assert_eq!(none.clean(&data), data);
        assert_eq!(none.root().len(), 0);
    }
}
