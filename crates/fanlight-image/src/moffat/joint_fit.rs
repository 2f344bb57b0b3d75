//! The joint fit of one shape to any number of stars.
//!
//! The shape's three to six numbers are fitted by Levenberg-Marquardt; each star's centre, flux and background are refitted
//! inside for every trial shape, and projected out of the Jacobian (variable projection: Golub & Pereyra 1973, SIAM
//! J. Numer. Anal. 10, 413; the projection without second derivatives is Kaufman 1975, BIT 15, 49). So thirty stars
//! cost a fit of four parameters, not of 124.

use super::cutout::{self, Solved, Star, StarPixel, StarSolver, Weights};
use super::half_maximum::HalfMaximum;
use super::profile::{PixelSlope, ShapeSlope};
use super::shape::ShapeVector;
use super::shape_fit::{ShapeFit, TrailError, unlike_error};
use super::star_fit::StarFit;
use super::{BETA_LIMITS, NoiseModel};
use crate::Measured;
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{
    Const, DMatrix, DVector, Dyn, Matrix4, Matrix4x6, Matrix4xX, Matrix6, OMatrix, Owned, SMatrix, SVector, Vector4,
    Vector6,
};
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

/// What draws a star out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// An elliptical profile.
    Ellipse,
    /// A trail of a round profile.
    Trail,
    /// A trail of an elliptical one.
    TrailedEllipse,
}

/// A shape with the stars that made it.
pub(super) struct Joint {
    pub vector: ShapeVector,
    pub form: Form,
    pub wings: Wings,
    pub stars: Vec<Candidate>,
    /// Covariance of the shape's numbers, the rest projected out; rows and columns of what was held are zero.
    covariance: Matrix6<f64>,
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
        let shape = self.vector.image();
        let widening = self.widening();
        let sigma_of =
            |gradient: &Vector6<f64>| widening * (gradient.dot(&(self.covariance * gradient))).max(0.0).sqrt();
        let [ln_fwhm, ln_elongation, angle] = match self.form {
            Form::Ellipse => self.ellipse_gradients(),
            Form::Trail | Form::TrailedEllipse => self.numeric_gradients(),
        };
        let n_stars = self.stars.len();
        let unlike = unlike_error(n_stars as f64);
        let unknown_angle = PI / 12f64.sqrt();
        let angle_sigma = angle.map_or(unknown_angle, |g| sigma_of(&g));
        ShapeFit {
            shape,
            fwhm_sigma_px: sigma_of(&ln_fwhm.unwrap_or_default()).hypot(unlike) * shape.fwhm_px(),
            elongation_sigma: sigma_of(&ln_elongation.unwrap_or_default()).hypot(unlike) * shape.elongation(),
            angle_sigma_rad: if angle_sigma < unknown_angle { angle_sigma } else { unknown_angle },
            trail: (self.form != Form::Ellipse).then(|| self.trail_error(sigma_of)),
            beta_sigma: (self.wings == Wings::Fitted).then(|| self.beta_sigma()),
            beta_fitted: self.wings == Wings::Fitted,
            n_stars,
        }
    }

    /// Derivatives of ln FWHM, ln elongation and angle with the shape's numbers. A round star has no angle; the
    /// directions along and across its ellipticity are then alike.
    fn ellipse_gradients(&self) -> [Option<Vector6<f64>>; 3] {
        let [e1, e2] = self.vector.ellipticity;
        let eta = e1.hypot(e2);
        let (c, s) = if eta > 0.0 { (e1 / eta, e2 / eta) } else { (1.0, 0.0) };
        let of = |a: f64, b: f64, c: f64| Vector6::new(a, b, c, 0.0, 0.0, 0.0);
        let angle = (eta > 0.0).then(|| of(0.0, -s, c) / (2.0 * eta));
        [Some(of(1.0, 0.0, 0.0)), Some(2.0 * of(0.0, c, s)), angle]
    }

    /// The same of a trailed image, by differences of its contour.
    fn numeric_gradients(&self) -> [Option<Vector6<f64>>; 3] {
        const STEP: f64 = 2e-3;
        let scale = Vector6::new(1.0, 1.0, 1.0, 1.0, self.vector.ln_fwhm.exp(), self.vector.ln_fwhm.exp());
        let mut gradients = [Vector6::zeros(); 3];
        for k in (0..6).filter(|k| self.covariance[(*k, *k)] > 0.0) {
            let step = STEP * scale[k];
            let at = |by: f64| -> HalfMaximum {
                let mut v = self.vector.to_array();
                v[k] += by;
                ShapeVector::from_array(v).image().half_maximum()
            };
            let (before, after) = (at(-step), at(step));
            let turn = (after.angle_rad - before.angle_rad + 0.5 * PI).rem_euclid(PI) - 0.5 * PI;
            gradients[0][k] = (after.fwhm_px() / before.fwhm_px()).ln() / (2.0 * step);
            gradients[1][k] = (after.elongation() / before.elongation()).ln() / (2.0 * step);
            gradients[2][k] = turn / (2.0 * step);
        }
        gradients.map(Some)
    }

    fn trail_error(&self, sigma_of: impl Fn(&Vector6<f64>) -> f64) -> TrailError {
        let [tx, ty] = self.vector.trail_px;
        let length = tx.hypot(ty);
        let of = |x: f64, y: f64| Vector6::new(0.0, 0.0, 0.0, 0.0, x / length, y / length);
        TrailError {
            length_sigma_px: sigma_of(&of(tx, ty)),
            across_sigma_px: sigma_of(&of(-ty, tx)),
            seeing_sigma_px: sigma_of(&Vector6::new(1.0, 0.0, 0.0, 0.0, 0.0, 0.0)) * self.vector.ln_fwhm.exp(),
        }
    }

    /// Chi squared of each star with given weights: comparable between fits of the same stars.
    pub(super) fn misfits(&self, weights: &[Vec<f64>]) -> Vec<f64> {
        let profile = self.vector.profile();
        let one = |(c, weights): (&Candidate, &Vec<f64>)| -> f64 {
            let s = &c.star;
            let residual =
                |p: &StarPixel| p.value - s.background - s.flux * profile.value(p.x_px - s.x_px, p.y_px - s.y_px);
            c.pixels.iter().zip(weights).map(|(p, w)| w * residual(p).powi(2)).sum()
        };
        self.stars.par_iter().zip(weights).map(one).collect()
    }

    /// Weights of the stars' pixels as this fit sees them.
    pub(super) fn weights(&self, noise: &NoiseModel) -> Vec<Vec<f64>> {
        weights_of(&self.stars, &self.vector, noise)
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
            shape: self.vector.image(),
            chi2_reduced: candidate.chi2_reduced,
        })
    }
}

fn weights_of(stars: &[Candidate], vector: &ShapeVector, noise: &NoiseModel) -> Vec<Vec<f64>> {
    let profile = vector.profile();
    stars.par_iter().map(|c| cutout::model_weights(&c.pixels, &profile, &c.star, noise, PROFILE_ERROR)).collect()
}

/// Fits one shape to stars, weights held at the model of the start.
pub(super) fn fit_weighted(
    stars: Vec<Candidate>,
    start: ShapeVector,
    (form, wings): (Form, Wings),
    noise: &NoiseModel,
) -> Option<Joint> {
    // places in the shape's vector: width 0, ellipticity 1 and 2, wings 3, trail 4 and 5
    let free = match (form, wings) {
        (Form::Ellipse, Wings::Held) => return fit_free(stars, start, [0, 1, 2], noise, (form, wings)),
        (Form::Ellipse, Wings::Fitted) => [0, 1, 2, 3],
        (Form::Trail, Wings::Held) => return fit_free(stars, start, [0, 4, 5], noise, (form, wings)),
        (Form::Trail, Wings::Fitted) => [0, 3, 4, 5],
        (Form::TrailedEllipse, Wings::Held) => return fit_free(stars, start, [0, 1, 2, 4, 5], noise, (form, wings)),
        (Form::TrailedEllipse, Wings::Fitted) => {
            return fit_free(stars, start, [0, 1, 2, 3, 4, 5], noise, (form, wings));
        }
    };
    fit_free(stars, start, free, noise, (form, wings))
}

fn fit_free<const N: usize>(
    mut stars: Vec<Candidate>,
    start: ShapeVector,
    free: [usize; N],
    noise: &NoiseModel,
    (form, wings): (Form, Wings),
) -> Option<Joint> {
    if stars.is_empty() {
        return None;
    }
    let weights = weights_of(&stars, &start, noise);
    let problem = SharedShape::new(&stars, &weights, start, free)?;
    let solver = LevenbergMarquardt::new().with_ftol(FIT_TOLERANCE).with_xtol(FIT_TOLERANCE).with_patience(PATIENCE);
    let (solved, _) = solver.minimize(problem);
    let (vector, at) = (solved.vector, solved.at?);
    if !vector.is_sane() || at.iter().any(|a| a.solved.star.flux <= 0.0) {
        return None;
    }
    let mut curvature = SMatrix::<f64, N, N>::zeros();
    let (mut chi2, mut freedom) = (0.0, -(N as f64));
    for a in &at {
        for i in 0..N {
            for j in 0..=i {
                curvature[(i, j)] += a.by_shape.row(i).dot(&a.by_shape.row(j));
            }
        }
        chi2 += a.residuals.norm_squared();
        freedom += a.residuals.len() as f64 - 4.0;
    }
    let inverse = curvature.cholesky()?.inverse();
    let mut covariance = Matrix6::zeros();
    for (i, k) in free.iter().enumerate() {
        for (j, l) in free.iter().enumerate() {
            covariance[(*k, *l)] = inverse[(i, j)];
        }
    }
    let blocks = stars
        .iter_mut()
        .zip(at)
        .map(|(candidate, a)| {
            candidate.star = a.solved.star;
            candidate.chi2_reduced = a.chi2_reduced();
            let mut cross = Matrix4x6::zeros();
            free.iter().enumerate().for_each(|(i, k)| cross.set_column(*k, &a.cross.column(i)));
            StarBlock { normal: a.normal, cross }
        })
        .collect();
    Some(Joint { vector, form, wings, stars, covariance, blocks, chi2_reduced: chi2 / freedom.max(1.0) })
}

/// The least-squares problem of the outer fit.
struct SharedShape<'a, const N: usize> {
    stars: &'a [Candidate],
    weights: &'a [Vec<f64>],
    /// Which numbers of the vector are fitted.
    free: [usize; N],
    vector: ShapeVector,
    at: Option<Vec<StarAtShape<N>>>,
}

/// A star fitted with a trial shape.
struct StarAtShape<const N: usize> {
    solved: Solved,
    residuals: DVector<f64>,
    /// Derivatives of the residuals with the shape (one column a pixel), the star's own parameters projected out.
    by_shape: OMatrix<f64, Const<N>, Dyn>,
    normal: Matrix4<f64>,
    cross: SMatrix<f64, 4, N>,
}

impl<const N: usize> StarAtShape<N> {
    fn chi2_reduced(&self) -> f64 {
        let freedom = self.residuals.len() as f64 - 4.0 - N as f64;
        self.residuals.norm_squared() / freedom.max(1.0)
    }
}

struct StarBlock {
    normal: Matrix4<f64>,
    cross: Matrix4x6<f64>,
}

impl<'a, const N: usize> SharedShape<'a, N> {
    fn new(stars: &'a [Candidate], weights: &'a [Vec<f64>], vector: ShapeVector, free: [usize; N]) -> Option<Self> {
        let mut problem = Self { stars, weights, free, vector, at: None };
        problem.evaluate();
        problem.at.is_some().then_some(problem)
    }

    /// Refits every star, from where the last trial shape left it.
    fn evaluate(&mut self) {
        let last = self.at.take();
        if !self.vector.is_sane() {
            return;
        }
        let profile = self.vector.profile();
        let slope = ShapeSlope::new(&self.vector);
        let (vector, free) = (self.vector, self.free);
        let one = |(i, (candidate, weights)): (usize, (&Candidate, &Vec<f64>))| {
            let solver = StarSolver {
                profile: &profile,
                weights: Weights::Held(weights),
                fwhm_px: vector.ln_fwhm.exp(),
                max_rounds: INNER_ROUNDS,
            };
            let from = last.as_ref().map_or(candidate.star, |stars| stars[i].solved.star);
            let solved = solver.solve_free(&candidate.pixels, from)?;
            let slope_at = |dx, dy| profile.value_and_slope(&vector, &slope, dx, dy);
            project(&candidate.pixels, weights, solved, free, slope_at)
        };
        self.at = self.stars.par_iter().zip(self.weights).enumerate().map(one).collect();
    }
}

/// Residuals and derivatives of one star, its own parameters projected out.
fn project<const N: usize>(
    pixels: &[StarPixel],
    weights: &[f64],
    solved: Solved,
    free: [usize; N],
    slope_at: impl Fn(f64, f64) -> PixelSlope,
) -> Option<StarAtShape<N>> {
    let star = solved.star;
    let n = pixels.len();
    let mut residuals = DVector::zeros(n);
    let mut by_shape = OMatrix::<f64, Const<N>, Dyn>::zeros(n);
    let mut by_star = Matrix4xX::zeros(n);
    let mut normal = Matrix4::<f64>::zeros();
    let mut cross = SMatrix::<f64, 4, N>::zeros();
    for (i, (p, weight)) in pixels.iter().zip(weights).enumerate() {
        let slope = slope_at(p.x_px - star.x_px, p.y_px - star.y_px);
        let root = weight.sqrt();
        residuals[i] = root * (star.flux * slope.value + star.background - p.value);
        let own = root * Vector4::new(star.flux * slope.by_centre[0], star.flux * slope.by_centre[1], slope.value, 1.0);
        let shared = root * star.flux * SVector::<f64, N>::from(free.map(|k| slope.by_shape[k]));
        normal += own * own.transpose();
        cross += own * shared.transpose();
        by_star.set_column(i, &own);
        by_shape.set_column(i, &shared);
    }
    let share = normal.cholesky()?.solve(&cross);
    by_shape -= share.transpose() * by_star;
    Some(StarAtShape { solved, residuals, by_shape, normal, cross })
}

impl<const N: usize> LeastSquaresProblem<f64, Dyn, Dyn> for SharedShape<'_, N> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        let mut all = self.vector.to_array();
        self.free.iter().zip(x.iter()).for_each(|(k, v)| all[*k] = *v);
        self.vector = ShapeVector::from_array(all);
        self.evaluate();
    }

    fn params(&self) -> DVector<f64> {
        let all = self.vector.to_array();
        DVector::from_column_slice(&self.free.map(|k| all[k]))
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
        Some(DMatrix::from_iterator(rows, N, (0..N).flat_map(column)))
    }
}
