//! The joint fit of one shape to any number of stars.
//!
//! The shape's four numbers are fitted by Levenberg-Marquardt; each star's centre, flux and background are refitted
//! inside for every trial shape, and projected out of the Jacobian (variable projection: Golub & Pereyra 1973, SIAM
//! J. Numer. Anal. 10, 413; the projection without second derivatives is Kaufman 1975, BIT 15, 49). So thirty stars
//! cost a fit of four parameters, not of 124.

use super::cutout::{self, Solved, Star, StarPixel, StarSolver, Weights};
use super::profile::{PixelProfile, PixelSlope, ShapeSlope};
use super::shape::ShapeVector;
use super::shape_fit::ShapeFit;
use super::star_fit::StarFit;
use super::{BETA_LIMITS, NoiseModel};
use crate::Measured;
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Matrix4, Matrix4xX, Owned, Vector4};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Error of the profile itself, as a share of a pixel's signal: real star images are Moffat profiles to a per cent or
/// so. Without it a few very bright stars would decide, and every bright star would look like an outlier.
const PROFILE_ERROR: f64 = 0.01;
/// The wing exponent is held where its relative error is larger.
const BETA_MAX_ERROR: f64 = 0.2;
/// Rounds of a star's inner fit per trial shape; it starts from the last answer.
const INNER_ROUNDS: usize = 3;
/// Relative change of chi squared, and of the parameters, at which the outer fit rests: the last step then changed a
/// chi squared of 20 000 by 0.02, a seventh of an error, and what is left is far smaller.
const FIT_TOLERANCE: f64 = 1e-6;
/// Evaluations of the outer fit: this times the number of its parameters plus one.
const PATIENCE: usize = 12;

/// A star that may take part.
#[derive(Clone)]
pub(super) struct Candidate {
    pub pixels: Vec<StarPixel>,
    pub star: Star,
    /// Flux over its error.
    pub significance: f64,
    /// Chi squared per degree of freedom in the last fit.
    pub chi2_reduced: f64,
    /// Its own shape, where it was fitted alone.
    pub shape: Option<ShapeVector>,
}

/// Whether the wing exponent takes part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wings {
    Held,
    Fitted,
}

impl Wings {
    fn n_parameters(self) -> usize {
        if self == Wings::Held { 3 } else { 4 }
    }
}

/// A shape with the stars that made it.
pub(super) struct Joint {
    pub vector: ShapeVector,
    pub wings: Wings,
    pub stars: Vec<Candidate>,
    /// Covariance of the shape's numbers, the rest projected out; row and column 3 are zero with held wings.
    covariance: Matrix4<f64>,
    /// Per star: normal matrix, and the product of its and the shape's derivatives.
    blocks: Vec<StarBlock>,
    chi2_reduced: f64,
}

impl Joint {
    pub(super) fn beta_is_known(&self) -> bool {
        let sigma = self.beta_sigma();
        let beta = self.vector.beta();
        let (low, high) = BETA_LIMITS;
        sigma < BETA_MAX_ERROR * beta && beta > 1.02 * low && beta < 0.95 * high
    }

    fn beta_sigma(&self) -> f64 {
        self.widening() * self.covariance[(3, 3)].sqrt() * self.vector.beta_slope().abs()
    }

    /// Errors grow where the stars scatter more than their noise, and never shrink.
    fn widening(&self) -> f64 {
        self.chi2_reduced.max(1.0).sqrt()
    }

    pub(super) fn report(&self) -> ShapeFit {
        let shape = self.vector.shape();
        let widening = self.widening();
        let [e1, e2] = self.vector.ellipticity;
        let eta = e1.hypot(e2);
        // along and across the ellipticity; for a round star the two directions are alike
        let (c, s) = if eta > 0.0 { (e1 / eta, e2 / eta) } else { (1.0, 0.0) };
        let form = |a: f64, b: f64| {
            let m = &self.covariance;
            (a * a * m[(1, 1)] + 2.0 * a * b * m[(1, 2)] + b * b * m[(2, 2)]).max(0.0).sqrt() * widening
        };
        let unknown_angle = PI / 12f64.sqrt();
        let angle_sigma = if eta > 0.0 { form(-s, c) / (2.0 * eta) } else { unknown_angle };
        ShapeFit {
            shape,
            fwhm_sigma_px: widening * self.covariance[(0, 0)].sqrt() * shape.fwhm_px(),
            elongation_sigma: 2.0 * shape.elongation() * form(c, s),
            angle_sigma_rad: if angle_sigma < unknown_angle { angle_sigma } else { unknown_angle },
            beta_sigma: (self.wings == Wings::Fitted).then(|| self.beta_sigma()),
            beta_fitted: self.wings == Wings::Fitted,
            n_stars: self.stars.len(),
        }
    }

    /// The first star's own parameters, the shape's errors included.
    pub(super) fn report_star(&self) -> Option<StarFit> {
        let (candidate, block) = (self.stars.first()?, self.blocks.first()?);
        let inverse = block.normal.try_inverse()?;
        let through_shape = inverse * block.cross;
        let covariance = inverse + through_shape * self.covariance * through_shape.transpose();
        let star = candidate.star;
        Some(StarFit {
            x_px: star.x_px,
            y_px: star.y_px,
            x_sigma_px: Some(covariance[(0, 0)].sqrt()),
            y_sigma_px: Some(covariance[(1, 1)].sqrt()),
            flux: Measured::new(star.flux, covariance[(2, 2)].sqrt()),
            background: star.background,
            shape: self.vector.shape(),
            chi2_reduced: candidate.chi2_reduced,
        })
    }
}

/// Fits one shape to stars, weights held at the model of the start.
pub(super) fn fit_weighted(
    mut stars: Vec<Candidate>,
    start: ShapeVector,
    wings: Wings,
    noise: &NoiseModel,
) -> Option<Joint> {
    if stars.is_empty() {
        return None;
    }
    let shape = start.shape();
    let weights: Vec<Vec<f64>> =
        stars.par_iter().map(|c| cutout::model_weights(&c.pixels, &shape, &c.star, noise, PROFILE_ERROR)).collect();
    let problem = SharedShape::new(&stars, &weights, start, wings)?;
    let solver = LevenbergMarquardt::new().with_ftol(FIT_TOLERANCE).with_xtol(FIT_TOLERANCE).with_patience(PATIENCE);
    let (solved, _) = solver.minimize(problem);
    let (vector, at) = (solved.vector, solved.at?);
    if !vector.is_sane() || at.iter().any(|a| a.solved.star.flux <= 0.0) {
        return None;
    }
    let mut curvature = Matrix4::<f64>::zeros();
    let (mut chi2, mut freedom) = (0.0, -(wings.n_parameters() as f64));
    for a in &at {
        curvature += &a.by_shape * a.by_shape.transpose();
        chi2 += a.residuals.norm_squared();
        freedom += a.residuals.len() as f64 - 4.0;
    }
    if wings == Wings::Held {
        for k in 0..4 {
            curvature[(3, k)] = 0.0;
            curvature[(k, 3)] = 0.0;
        }
        curvature[(3, 3)] = 1.0;
    }
    let mut covariance = curvature.try_inverse()?;
    if wings == Wings::Held {
        covariance[(3, 3)] = 0.0;
    }
    let blocks = stars
        .iter_mut()
        .zip(at)
        .map(|(candidate, a)| {
            candidate.star = a.solved.star;
            candidate.chi2_reduced = a.chi2_reduced(wings);
            a.block
        })
        .collect();
    Some(Joint { vector, wings, stars, covariance, blocks, chi2_reduced: chi2 / freedom.max(1.0) })
}

/// The least-squares problem of the outer fit.
struct SharedShape<'a> {
    stars: &'a [Candidate],
    weights: &'a [Vec<f64>],
    wings: Wings,
    vector: ShapeVector,
    at: Option<Vec<StarAtShape>>,
}

/// A star fitted with a trial shape.
struct StarAtShape {
    solved: Solved,
    residuals: DVector<f64>,
    /// Derivatives of the residuals with the shape (one column a pixel), the star's own parameters projected out.
    by_shape: Matrix4xX<f64>,
    block: StarBlock,
}

impl StarAtShape {
    fn chi2_reduced(&self, wings: Wings) -> f64 {
        let freedom = self.residuals.len() as f64 - 4.0 - wings.n_parameters() as f64;
        self.residuals.norm_squared() / freedom.max(1.0)
    }
}

struct StarBlock {
    normal: Matrix4<f64>,
    cross: Matrix4<f64>,
}

impl<'a> SharedShape<'a> {
    fn new(stars: &'a [Candidate], weights: &'a [Vec<f64>], vector: ShapeVector, wings: Wings) -> Option<Self> {
        let mut problem = Self { stars, weights, wings, vector, at: None };
        problem.evaluate();
        problem.at.is_some().then_some(problem)
    }

    /// Refits every star, from where the last trial shape left it.
    fn evaluate(&mut self) {
        let last = self.at.take();
        if !self.vector.is_sane() {
            return;
        }
        let shape = self.vector.shape();
        let profile = PixelProfile::new(&shape);
        let slope = ShapeSlope::new(&self.vector);
        let vector = self.vector;
        let one = |(i, (candidate, weights)): (usize, (&Candidate, &Vec<f64>))| {
            let solver = StarSolver {
                profile: &profile,
                weights: Weights::Held(weights),
                fwhm_px: shape.fwhm_px(),
                max_rounds: INNER_ROUNDS,
            };
            let from = last.as_ref().map_or(candidate.star, |stars| stars[i].solved.star);
            let solved = solver.solve_free(&candidate.pixels, from)?;
            project(&candidate.pixels, weights, solved, |dx, dy| profile.value_and_slope(&vector, &slope, dx, dy))
        };
        self.at = self.stars.par_iter().zip(self.weights).enumerate().map(one).collect();
    }
}

/// Residuals and derivatives of one star, its own parameters projected out.
fn project(
    pixels: &[StarPixel],
    weights: &[f64],
    solved: Solved,
    slope_at: impl Fn(f64, f64) -> PixelSlope,
) -> Option<StarAtShape> {
    let star = solved.star;
    let n = pixels.len();
    let mut residuals = DVector::zeros(n);
    let mut by_shape = Matrix4xX::zeros(n);
    let mut by_star = Matrix4xX::zeros(n);
    let mut normal = Matrix4::<f64>::zeros();
    let mut cross = Matrix4::<f64>::zeros();
    for (i, (p, weight)) in pixels.iter().zip(weights).enumerate() {
        let slope = slope_at(p.x_px - star.x_px, p.y_px - star.y_px);
        let root = weight.sqrt();
        residuals[i] = root * (star.flux * slope.value + star.background - p.value);
        let own = root * Vector4::new(star.flux * slope.by_centre[0], star.flux * slope.by_centre[1], slope.value, 1.0);
        let shared = root * star.flux * Vector4::from(slope.by_shape);
        normal += own * own.transpose();
        cross += own * shared.transpose();
        by_star.set_column(i, &own);
        by_shape.set_column(i, &shared);
    }
    let share = normal.cholesky()?.solve(&cross);
    by_shape -= share.transpose() * by_star;
    Some(StarAtShape { solved, residuals, by_shape, block: StarBlock { normal, cross } })
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for SharedShape<'_> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        let mut all = self.vector.to_array();
        all[..x.len()].copy_from_slice(x.as_slice());
        self.vector = ShapeVector::from_array(all);
        self.evaluate();
    }

    fn params(&self) -> DVector<f64> {
        DVector::from_column_slice(&self.vector.to_array()[..self.wings.n_parameters()])
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let at = self.at.as_ref()?;
        let all = at.iter().flat_map(|a| a.residuals.iter().copied());
        Some(DVector::from_iterator(at.iter().map(|a| a.residuals.len()).sum(), all))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let at = self.at.as_ref()?;
        let rows = at.iter().map(|a| a.residuals.len()).sum();
        let column = |k: usize| at.iter().flat_map(move |a| a.by_shape.row(k).iter().copied().collect::<Vec<_>>());
        let all = (0..self.wings.n_parameters()).flat_map(column);
        Some(DMatrix::from_iterator(rows, self.wings.n_parameters(), all))
    }
}
