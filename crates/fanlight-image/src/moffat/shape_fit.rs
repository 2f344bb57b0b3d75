//! One shape fitted to one star or to many.
//!
//! The shape's four numbers are fitted by Levenberg-Marquardt; each star's centre, flux and background are refitted
//! inside for every trial shape, and projected out of the Jacobian (variable projection: Golub & Pereyra 1973, SIAM
//! J. Numer. Anal. 10, 413; the projection without second derivatives is Kaufman 1975, BIT 15, 49). So thirty stars
//! cost a fit of four parameters, not of 124.

use super::cutout::{self, Solved, Star, StarPixel, StarSolver, Weights, collect};
use super::profile::{PixelProfile, ShapeSlope};
use super::shape::ShapeVector;
use super::star_fit::{StarFit, StarFitConfig};
use super::{Moffat, NoiseModel};
use crate::{Image, ImageError, Mask, Measured, robust};
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Matrix4, Matrix4xX, Owned, Vector4};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Wing exponent where the stars cannot tell it: between the 2.5 that is common for telescopes on the ground and the
/// 4.765 of ideal turbulence (Trujillo et al. 2001, MNRAS 328, 977). A wrong one moves a fitted FWHM by 2 to 3 %.
pub const HELD_BETA: f64 = 3.0;

/// How a frame's star image is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShapeFitConfig {
    /// Noise of a pixel.
    pub noise: NoiseModel,
    /// Width expected, px; within a factor of two.
    pub initial_fwhm_px: f64,
    /// Pixels within this many FWHM of a star take part.
    pub radius_fwhm: f64,
    /// Most stars used, the brightest first.
    pub max_stars: usize,
    /// Fewest stars that make an answer.
    pub min_stars: usize,
    /// Stars under this signal to noise are left out.
    pub min_significance: f64,
}

impl Default for ShapeFitConfig {
    /// FWHM of 3 px, four widths of reach, 1 to 30 stars over 20σ, and unit sky variance, which a caller replaces.
    fn default() -> Self {
        Self {
            noise: NoiseModel { sky_variance: 1.0, variance_per_unit: 0.0 },
            initial_fwhm_px: 3.0,
            radius_fwhm: 4.0,
            max_stars: 30,
            min_stars: 1,
            min_significance: 20.0,
        }
    }
}

/// A frame's star image. Errors are the covariance's, widened where the stars scatter more than their noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShapeFit {
    /// The shape.
    pub shape: Moffat,
    /// Error of the geometric mean FWHM, px.
    pub fwhm_sigma_px: f64,
    /// Error of the elongation.
    pub elongation_sigma: f64,
    /// Error of the angle, radians; at most that of an angle of which nothing is known, π/√12.
    pub angle_sigma_rad: f64,
    /// Error of the wing exponent; `None` where it was held.
    pub beta_sigma: Option<f64>,
    /// Whether the wing exponent was fitted; else it is [`HELD_BETA`].
    pub beta_fitted: bool,
    /// Stars that took part to the end.
    pub n_stars: usize,
}

/// Error of the profile itself, as a share of a pixel's signal: real star images are Moffat profiles to a per cent or
/// so. Without it a few very bright stars would decide, and every bright star would look like an outlier.
const PROFILE_ERROR: f64 = 0.01;
/// The wing exponent is held where its relative error is larger.
const BETA_MAX_ERROR: f64 = 0.2;
/// The wing exponent is held with fewer stars: one blend or one defect would decide it.
const BETA_MIN_STARS: usize = 3;
/// Stars whose own shape is off the median by more than this many scatters, and by [`SHAPE_FLOOR`], are left out.
const SHAPE_KAPPA: f64 = 4.0;
/// See [`SHAPE_KAPPA`]: 6 % in width or axis ratio, which an unresolved pair or a cosmic ray exceeds.
const SHAPE_FLOOR: f64 = 0.06;
/// Stars whose chi squared is over this many times the median are left out after the first joint fit.
const CHI2_RATIO: f64 = 3.0;
/// Rounds of a star's inner fit per trial shape; it starts from the last answer.
const INNER_ROUNDS: usize = 3;
/// Evaluations of the outer fit: this times the number of its parameters plus one.
const PATIENCE: usize = 12;

/// The star image shared by isolated unsaturated stars of a frame, from rough places of them.
///
/// The faint, the partly masked and those unlike the rest (blends, galaxies, cosmic rays) are left out. The pixel's own
/// blurring is in the model.
///
/// # Errors
/// Too few usable stars, settings out of range, sizes that do not match.
///
/// # Accuracy
/// On simulated stars of S/N ≥ 100 and FWHM 1.7 to 6 px: FWHM and elongation within 1 %, β within 5 % (tests).
pub fn fit_shape(
    image: &Image,
    mask: &Mask,
    stars: &[(f64, f64)],
    config: &ShapeFitConfig,
) -> Result<ShapeFit, ImageError> {
    ImageError::check_size("mask", (image.width, image.height), (mask.width, mask.height))?;
    ImageError::check_positive("initial_fwhm_px", config.initial_fwhm_px)?;
    ImageError::check_positive("sky_variance", config.noise.sky_variance)?;
    ImageError::check_positive("radius_fwhm", config.radius_fwhm)?;
    let too_few =
        |usable| ImageError::TooFewStars { usable, given: stars.len(), needed: config.min_stars.max(1) };
    let first = Moffat::round(config.initial_fwhm_px, HELD_BETA);

    // each star alone, β held: places to start from, and who is unlike the rest
    let mut alone = brightest(image, mask, stars, &first, config);
    alone = alone
        .into_par_iter()
        .filter_map(|c| {
            let fit = fit_weighted(vec![c], ShapeVector::from_shape(&first), Wings::Held, &config.noise)?;
            let candidate = Candidate { shape: Some(fit.vector), ..fit.stars.into_iter().next()? };
            fit.vector.is_sane().then_some(candidate)
        })
        .collect();
    if alone.len() < config.min_stars.max(1) {
        return Err(too_few(alone.len()));
    }
    let (start, alike) = reject_unlike(alone);

    // all together, cut out again at the width found
    let radius_px = config.radius_fwhm * start.shape().fwhm_px();
    let recut = |c: Candidate| {
        let pixels = collect(image, mask, (c.star.x_px, c.star.y_px), radius_px).ok()?;
        Some(Candidate { pixels, ..c })
    };
    let together: Vec<Candidate> = alike.into_iter().filter_map(recut).collect();
    if together.len() < config.min_stars.max(1) {
        return Err(too_few(together.len()));
    }
    let wings = if together.len() >= BETA_MIN_STARS { Wings::Fitted } else { Wings::Held };
    let joint = fit_weighted(together, start, wings, &config.noise).ok_or(too_few(0))?;
    let kept = reject_misfits(joint.stars);
    let joint = fit_weighted(kept, joint.vector, wings, &config.noise).ok_or(too_few(0))?;
    if wings == Wings::Held || joint.beta_is_known() {
        return Ok(joint.report());
    }
    let held = ShapeVector { beta_coordinate: ShapeVector::from_shape(&first).beta_coordinate, ..joint.vector };
    fit_weighted(joint.stars, held, Wings::Held, &config.noise).map(|f| f.report()).ok_or(too_few(0))
}

/// One star with its shape free; the wing exponent is held where the star cannot tell it.
///
/// # Errors
/// Too few good pixels, settings out of range, or no answer.
pub fn fit_star(image: &Image, mask: &Mask, config: &StarFitConfig) -> Result<StarFit, ImageError> {
    ImageError::check_size("mask", (image.width, image.height), (mask.width, mask.height))?;
    ImageError::check_positive("sky_variance", config.gain_noise.sky_variance)?;
    ImageError::check_positive("radius_px", config.radius_px)?;
    let (x_px, y_px) = (config.x_px, config.y_px);
    let no_fit = |reason| ImageError::NoFit { x_px, y_px, reason };
    let pixels = collect(image, mask, (x_px, y_px), config.radius_px)?;
    let first = Moffat::round(0.3 * config.radius_px, HELD_BETA);
    let candidate = Candidate::from_pixels(pixels, (x_px, y_px), &first, &config.gain_noise)
        .ok_or(no_fit("no light stands out there"))?;
    let fit = |candidate, start, wings| {
        fit_weighted(vec![candidate], start, wings, &config.gain_noise)
            .filter(|f| f.vector.is_sane())
            .ok_or(no_fit("no star image fits its pixels"))
    };
    let held = fit(candidate, ShapeVector::from_shape(&first), Wings::Held)?;
    let again = Candidate { ..held.stars[0].clone() };
    let fitted = fit(again, held.vector, Wings::Fitted).ok().filter(Joint::beta_is_known);
    let answer = fitted.unwrap_or(held);
    let moved = (answer.stars[0].star.x_px - x_px).hypot(answer.stars[0].star.y_px - y_px);
    if moved > 0.5 * config.radius_px {
        return Err(no_fit("its centre wanders off by more than half the radius"));
    }
    answer.report_star().ok_or(no_fit("its pixels do not tell flux from background"))
}

/// A star that may take part.
#[derive(Clone)]
struct Candidate {
    pixels: Vec<StarPixel>,
    star: Star,
    significance: f64,
    chi2_reduced: f64,
    shape: Option<ShapeVector>,
}

impl Candidate {
    /// Flux and centre with a first shape; `None` for what is no star.
    fn from_pixels(pixels: Vec<StarPixel>, at: (f64, f64), first: &Moffat, noise: &NoiseModel) -> Option<Self> {
        let profile = PixelProfile::new(first);
        let solver = StarSolver {
            profile: &profile,
            weights: Weights::Model(*noise),
            fwhm_px: first.fwhm_px(),
            max_rounds: 6,
        };
        let linear = solver.solve_linear(&pixels, Star::at(at.0, at.1))?;
        if linear.star.flux <= 0.0 {
            return None;
        }
        let solved = solver.solve_free(&pixels, linear.star).filter(|s| s.star.flux > 0.0).unwrap_or(linear);
        let significance = solved.star.flux / solved.normal.try_inverse()?[(2, 2)].sqrt();
        Some(Self { pixels, star: solved.star, significance, chi2_reduced: 1.0, shape: None })
    }
}

/// The most significant stars with whole cores.
fn brightest(
    image: &Image,
    mask: &Mask,
    stars: &[(f64, f64)],
    first: &Moffat,
    config: &ShapeFitConfig,
) -> Vec<Candidate> {
    let fwhm_px = first.fwhm_px();
    let candidate = |&at: &(f64, f64)| {
        let pixels = collect(image, mask, at, config.radius_fwhm * fwhm_px).ok()?;
        let core = pixels.iter().filter(|p| (p.x_px - at.0).abs() < 1.5 && (p.y_px - at.1).abs() < 1.5).count();
        // all nine pixels about the centre must be good: without its peak a star's width is a guess
        let whole = core >= 9 || ((at.0.fract() - 0.5).abs() < 1e-9 || (at.1.fract() - 0.5).abs() < 1e-9) && core >= 4;
        let candidate = whole.then(|| Candidate::from_pixels(pixels, at, first, &config.noise))??;
        let moved = (candidate.star.x_px - at.0).hypot(candidate.star.y_px - at.1);
        (candidate.significance >= config.min_significance && moved < fwhm_px.max(2.0)).then_some(candidate)
    };
    let mut found: Vec<Candidate> = stars.par_iter().filter_map(candidate).collect();
    found.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    found.truncate(config.max_stars);
    found
}

/// Median shape of stars fitted alone, and the stars that agree with it.
fn reject_unlike(stars: Vec<Candidate>) -> (ShapeVector, Vec<Candidate>) {
    let shapes: Vec<[f64; 4]> = stars.iter().filter_map(|c| c.shape.map(ShapeVector::to_array)).collect();
    let median = |k: usize| robust::median_f64(&mut shapes.iter().map(|s| s[k]).collect::<Vec<_>>()).unwrap_or(0.0);
    let middle: [f64; 4] = std::array::from_fn(median);
    let off = |s: &[f64; 4]| (0..3).map(|k| (s[k] - middle[k]).powi(2)).sum::<f64>().sqrt();
    let scatter = robust::median_f64(&mut shapes.iter().map(off).collect::<Vec<_>>()).unwrap_or(0.0);
    let limit = (SHAPE_KAPPA * scatter).max(SHAPE_FLOOR);
    let alike = stars.into_iter().filter(|c| c.shape.is_some_and(|s| off(&s.to_array()) <= limit)).collect();
    (ShapeVector::from_array(middle), alike)
}

/// The stars that the shared shape fits about as well as it fits most.
fn reject_misfits(stars: Vec<Candidate>) -> Vec<Candidate> {
    let mut all: Vec<f64> = stars.iter().map(|c| c.chi2_reduced).collect();
    let limit = CHI2_RATIO * robust::median_f64(&mut all).unwrap_or(1.0).max(1.0);
    stars.into_iter().filter(|c| c.chi2_reduced <= limit).collect()
}

/// Whether the wing exponent takes part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wings {
    Held,
    Fitted,
}

impl Wings {
    fn n_parameters(self) -> usize {
        if self == Wings::Held { 3 } else { 4 }
    }
}

/// A shape with the stars that made it.
struct Joint {
    vector: ShapeVector,
    wings: Wings,
    stars: Vec<Candidate>,
    /// Covariance of the shape's numbers, the rest projected out; row and column 3 are zero with held wings.
    covariance: Matrix4<f64>,
    /// Per star: normal matrix, and the product of its and the shape's derivatives.
    blocks: Vec<StarBlock>,
    chi2_reduced: f64,
}

impl Joint {
    fn beta_is_known(&self) -> bool {
        let sigma = self.beta_sigma();
        let beta = self.vector.beta();
        let (low, high) = super::BETA_LIMITS;
        sigma < BETA_MAX_ERROR * beta && beta > 1.02 * low && beta < 0.95 * high
    }

    fn beta_sigma(&self) -> f64 {
        self.widening() * self.covariance[(3, 3)].sqrt() * self.vector.beta_slope().abs()
    }

    /// Errors grow where the stars scatter more than their noise, and never shrink.
    fn widening(&self) -> f64 {
        self.chi2_reduced.max(1.0).sqrt()
    }

    fn report(&self) -> ShapeFit {
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
    fn report_star(&self) -> Option<StarFit> {
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

/// Fits one shape to stars, with weights from the first and then from the fitted model.
fn fit_weighted(stars: Vec<Candidate>, start: ShapeVector, wings: Wings, noise: &NoiseModel) -> Option<Joint> {
    if stars.is_empty() {
        return None;
    }
    let (mut stars, mut vector) = (stars, start);
    for _ in 0..2 {
        let shape = vector.shape();
        let weights: Vec<Vec<f64>> = stars
            .par_iter()
            .map(|c| cutout::model_weights(&c.pixels, &shape, &c.star, noise, PROFILE_ERROR))
            .collect();
        let problem = SharedShape::new(&stars, &weights, vector, wings)?;
        let (solved, _) =
            LevenbergMarquardt::new().with_ftol(1e-7).with_xtol(1e-6).with_patience(PATIENCE).minimize(problem);
        // the last trial may have been a rejected one: its stars belong to another shape
        let at = solved.at.as_ref()?;
        vector = solved.vector;
        let fitted: Vec<(Star, f64)> = at.iter().map(|a| (a.solved.star, a.chi2_reduced(wings))).collect();
        for (candidate, (star, chi2_reduced)) in stars.iter_mut().zip(fitted) {
            candidate.star = star;
            candidate.chi2_reduced = chi2_reduced;
        }
        if !vector.is_sane() || stars.iter().any(|c| c.star.flux <= 0.0) {
            return None;
        }
    }
    let shape = vector.shape();
    let weights: Vec<Vec<f64>> = stars
        .iter()
        .map(|c| cutout::model_weights(&c.pixels, &shape, &c.star, noise, PROFILE_ERROR))
        .collect();
    let last = SharedShape::new(&stars, &weights, vector, wings)?;
    let at = last.at?;
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
    let blocks = at.into_iter().map(|a| a.block).collect();
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

    fn evaluate(&mut self) {
        self.at = None;
        if !self.vector.is_sane() {
            return;
        }
        let shape = self.vector.shape();
        let profile = PixelProfile::new(&shape);
        let slope = ShapeSlope::new(&self.vector);
        let vector = self.vector;
        let one = |(candidate, weights): (&Candidate, &Vec<f64>)| {
            let solver = StarSolver {
                profile: &profile,
                weights: Weights::Held(weights),
                fwhm_px: shape.fwhm_px(),
                max_rounds: INNER_ROUNDS,
            };
            let solved = solver.solve_free(&candidate.pixels, candidate.star)?;
            project(&candidate.pixels, weights, solved, |dx, dy| profile.value_and_slope(&vector, &slope, dx, dy))
        };
        self.at = self.stars.par_iter().zip(self.weights).map(one).collect();
    }
}

/// Residuals and derivatives of one star, its own parameters projected out.
fn project(
    pixels: &[StarPixel],
    weights: &[f64],
    solved: Solved,
    slope_at: impl Fn(f64, f64) -> super::profile::PixelSlope,
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
        let own = root
            * Vector4::new(star.flux * slope.by_centre[0], star.flux * slope.by_centre[1], slope.value, 1.0);
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
