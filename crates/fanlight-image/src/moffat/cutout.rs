//! The good pixels around a star, and the fit of one star to a shape that is held.

use super::NoiseModel;
use super::profile::StarProfile;
use crate::{Image, ImageError, Mask, PixelBox};
use nalgebra::{Matrix4, Vector4};

/// One pixel near a star.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StarPixel {
    pub x_px: f64,
    pub y_px: f64,
    pub value: f64,
}

/// Parameters of one star.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Star {
    pub x_px: f64,
    pub y_px: f64,
    pub flux: f64,
    pub background: f64,
}

impl Star {
    pub(crate) fn at(x_px: f64, y_px: f64) -> Self {
        Self { x_px, y_px, flux: 0.0, background: 0.0 }
    }
}

/// Fewest pixels for a fit of eight parameters that also says how good it is.
pub(crate) const MIN_PIXELS: usize = 12;

/// The pixels about a star that take part in a fit: all whose centres lie near enough to its trail, or to its place where
/// it has none.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reach {
    pub radius_px: f64,
    pub trail_px: (f64, f64),
}

impl Reach {
    /// Squared distance of an offset from the star's place from the trail.
    #[inline]
    pub(crate) fn distance2(&self, dx: f64, dy: f64) -> f64 {
        let (tx, ty) = self.trail_px;
        let square = tx * tx + ty * ty;
        let share = if square > 0.0 { ((dx * tx + dy * ty) / square).clamp(-0.5, 0.5) } else { 0.0 };
        (dx - share * tx).powi(2) + (dy - share * ty).powi(2)
    }

    /// Columns within reach in the row `dy` above the star's, of a range of them: the first and the one behind the last.
    pub(crate) fn columns(&self, dy: f64, x_px: f64, (from, to): (usize, usize)) -> Option<(usize, usize)> {
        let near = |x: usize| self.distance2(x as f64 - x_px, dy) <= self.radius_px * self.radius_px;
        // what is within reach of a point or a segment has no gap along a row
        let first = (from..to).find(|x| near(*x))?;
        let last = (first..to).rev().find(|x| near(*x))?;
        Some((first, last + 1))
    }

    /// The furthest that a pixel may be along either axis.
    pub(crate) fn half_side_px(&self) -> f64 {
        self.radius_px + 0.5 * self.trail_px.0.hypot(self.trail_px.1)
    }
}

/// Good finite pixels within reach of a star's place.
pub(crate) fn collect(
    image: &Image,
    mask: &Mask,
    (x_px, y_px): (f64, f64),
    reach: Reach,
) -> Result<Vec<StarPixel>, ImageError> {
    let too_few = |good: usize| ImageError::TooFewPixels { x_px, y_px, good, needed: MIN_PIXELS };
    let half_side_px = reach.half_side_px();
    let area = PixelBox::around(x_px, y_px, half_side_px, image.width, image.height).ok_or(too_few(0))?;
    let mut pixels = Vec::with_capacity(area.width() * area.height());
    for y in area.y0..area.y1 {
        let dy = y as f64 - y_px;
        for x in area.x0..area.x1 {
            let dx = x as f64 - x_px;
            let value = image.at(x, y);
            let near = reach.distance2(dx, dy) <= reach.radius_px * reach.radius_px;
            if near && mask.is_good(x, y) && value.is_finite() {
                pixels.push(StarPixel { x_px: x as f64, y_px: y as f64, value: f64::from(value) });
            }
        }
    }
    if pixels.len() < MIN_PIXELS { Err(too_few(pixels.len())) } else { Ok(pixels) }
}

/// Where the weights of a fit come from.
#[derive(Clone, Copy)]
pub(crate) enum Weights<'a> {
    /// One per pixel, held.
    Held(&'a [f64]),
    /// One over the variance of the model's own signal. Weights from the data would pull the flux low, since pixels
    /// that fluctuate low would count more.
    Model(NoiseModel),
}

/// How one star is fitted.
#[derive(Clone, Copy)]
pub(crate) struct StarSolver<'a> {
    pub profile: &'a StarProfile,
    pub weights: Weights<'a>,
    /// Width that bounds the steps of the centre, px.
    pub fwhm_px: f64,
    pub max_rounds: usize,
}

/// A fitted star.
pub(crate) struct Solved {
    pub star: Star,
    /// Normal matrix of (x, y, flux, background) at the answer.
    pub normal: Matrix4<f64>,
    pub chi2: f64,
    pub converged: bool,
}

/// A centre that moves by less has settled, px. With ten times as much the fit is 3 % of a night faster, but the weights, which
/// follow the model, have not settled: fluxes in crowded fields were off by up to a thousandth.
const SETTLED_PX: f64 = 1e-3;

impl StarSolver<'_> {
    /// Flux and background at the star's own place: one linear step.
    pub(crate) fn solve_linear(&self, pixels: &[StarPixel], star: Star) -> Option<Solved> {
        self.round(pixels, star, Centre::Held)
    }

    /// All four parameters by Gauss-Newton steps. The start needs a flux.
    pub(crate) fn solve_free(&self, pixels: &[StarPixel], start: Star) -> Option<Solved> {
        let mut star = start;
        for _ in 0..self.max_rounds.saturating_sub(1) {
            let solved = self.round(pixels, star, Centre::Free)?;
            let moved = (solved.star.x_px - star.x_px).hypot(solved.star.y_px - star.y_px);
            if moved < SETTLED_PX {
                return Some(Solved { converged: true, ..solved });
            }
            star = solved.star;
        }
        self.round(pixels, star, Centre::Free)
    }

    fn round(&self, pixels: &[StarPixel], star: Star, centre: Centre) -> Option<Solved> {
        // lower triangle by rows: sums in plain variables stay in registers
        let mut sums = [0.0; 10];
        let mut gradient = [0.0; 4];
        let mut chi2 = 0.0;
        for (i, p) in pixels.iter().enumerate() {
            let [v, vx, vy] = self.profile.value_and_centre_slope(p.x_px - star.x_px, p.y_px - star.y_px);
            let signal = star.flux * v;
            let weight = match self.weights {
                Weights::Held(weights) => weights[i],
                Weights::Model(noise) => 1.0 / noise.variance(signal),
            };
            let (x, y) = (star.flux * vx, star.flux * vy);
            let (wx, wy, wv) = (weight * x, weight * y, weight * v);
            let residual = p.value - signal - star.background;
            let wr = weight * residual;
            chi2 += wr * residual;
            let terms = [wx * x, wy * x, wy * y, wv * x, wv * y, wv * v, wx, wy, wv, weight];
            sums.iter_mut().zip(terms).for_each(|(sum, term)| *sum += term);
            gradient.iter_mut().zip([wr * x, wr * y, wr * v, wr]).for_each(|(sum, term)| *sum += term);
        }
        let [xx, yx, yy, vx, vy, vv, ox, oy, ov, oo] = sums;
        let mut normal = Matrix4::new(xx, yx, vx, ox, yx, yy, vy, oy, vx, vy, vv, ov, ox, oy, ov, oo);
        let mut gradient = Vector4::from(gradient);
        if let Centre::Held = centre {
            for a in 0..2 {
                for b in 0..4 {
                    normal[(a, b)] = 0.0;
                    normal[(b, a)] = 0.0;
                }
                normal[(a, a)] = 1.0;
                gradient[a] = 0.0;
            }
        }
        let mut step = normal.cholesky()?.solve(&gradient);
        let length = step[0].hypot(step[1]);
        let limit = 0.4 * self.fwhm_px;
        if length > limit {
            step *= limit / length;
        }
        let predicted = gradient.dot(&step);
        let next = Star {
            x_px: star.x_px + step[0],
            y_px: star.y_px + step[1],
            flux: star.flux + step[2],
            background: star.background + step[3],
        };
        let finite = next.x_px.is_finite() && next.y_px.is_finite() && next.flux.is_finite();
        finite.then_some(Solved { star: next, normal, chi2: (chi2 - predicted).abs(), converged: false })
    }
}

#[derive(Clone, Copy)]
enum Centre {
    Held,
    Free,
}

/// Weights of pixels from a star's model, with an error of the profile itself as a share of the signal.
pub(crate) fn model_weights(
    pixels: &[StarPixel],
    profile: &StarProfile,
    star: &Star,
    noise: &NoiseModel,
    profile_error: f64,
) -> Vec<f64> {
    let weight = |p: &StarPixel| {
        let signal = star.flux * profile.value(p.x_px - star.x_px, p.y_px - star.y_px);
        1.0 / (noise.variance(signal) + (profile_error * signal).powi(2))
    };
    pixels.iter().map(weight).collect()
}
