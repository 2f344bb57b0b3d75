//! The coma's radial profile and the sky under it.
//!
//! A coma has no edge: where a frame ends it may still be a per cent of its brightness at 10″, and a sky read there
//! would take that much light from every aperture. So the sky is not read but fitted, together with the coma's own
//! fall-off, to all of the stack outside the condensation.

use crate::ComaError;
use fanlight_image::polar::{self, Ring};
use fanlight_image::robust::{self, ClipConfig};
use fanlight_image::{Image, Mask, Measured};
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DVector, Dyn, Owned, SMatrix, SVector};

/// The fitted sky: a plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyPlane {
    /// Level at the optocentre, per pixel. Its error holds the noise, the plane and the coma's outer slope, as far as
    /// the fitted form can follow the coma.
    pub level: Measured,
    /// Change per pixel along x.
    pub slope_x: f64,
    /// Change per pixel along y.
    pub slope_y: f64,
    /// Outer slope of the coma, as in ρ^−slope.
    pub outer_slope: Measured,
    /// Share of the innermost fitted light that is left at the outermost cells, by the fit: how far the coma fills the
    /// image.
    pub coma_left_at_edge: f64,
}

/// What the sky fit needs to know.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyFitConfig {
    /// Column of the optocentre.
    pub x_px: f64,
    /// Row of the optocentre.
    pub y_px: f64,
    /// Kernel width.
    pub fwhm_px: f64,
    /// Error of a cell's level that does not fall with its number of pixels (flat field), in the stack's unit.
    pub cell_floor: f64,
}

/// Outer slope expected of a dust coma, and how loosely: radiation pressure steepens ρ^−1 to ρ^−1.5 (Jewitt & Meech
/// 1987, ApJ 317, 992), observed comae run from 1.2 to 2. Where the data say more they win; where the coma fills the
/// image this is what holds the sky. A wrong value moves the largest aperture by the light left at the edge.
const OUTER_SLOPE: (f64, f64) = (1.6, 0.3);
/// Inner slope expected: near 1 with a spread seen in comae.
const INNER_SLOPE: (f64, f64) = (1.1, 0.3);
/// The break between the two, as a share of the largest radius, and its spread in ln.
const BREAK: (f64, f64) = (0.6, 0.8);
/// Sectors per ring.
const SECTORS: usize = 12;
/// Largest residual in sigmas that counts in full; beyond, cells (a tail, a bright star's halo) count less and less.
const HUBER: f64 = 2.0;

struct Cell {
    x: f64,
    y: f64,
    rho: f64,
    value: f64,
    sigma: f64,
}

/// Fits plane and coma to the stack's light outside the condensation.
///
/// The coma is a smoothly broken power law, the same all round; a tail or a jet is met by weighing cells that do not
/// fit less.
///
/// # Errors
/// When there are too few cells to fit.
pub fn fit_sky(image: &Image, mask: &Mask, config: &SkyFitConfig) -> Result<SkyPlane, ComaError> {
    let cells = cells(image, mask, config);
    if cells.len() < 40 {
        return Err(ComaError::TooFew { what: "cells for the sky fit", found: cells.len(), needed: 40 });
    }
    let rho_max = cells.iter().map(|c| c.rho).fold(0.0, f64::max);
    let rho_min = cells.iter().map(|c| c.rho).fold(f64::INFINITY, f64::min);
    let mut far: Vec<f64> = cells.iter().filter(|c| c.rho > 0.8 * rho_max).map(|c| c.value).collect();
    let mut near: Vec<f64> = cells.iter().filter(|c| c.rho < 1.5 * rho_min).map(|c| c.value).collect();
    let level = robust::median_f64(&mut far).unwrap_or(0.0);
    let inner = (robust::median_f64(&mut near).unwrap_or(level) - level).max(1e-9);

    let mut weights = vec![1.0; cells.len()];
    let mut parameters =
        SVector::<f64, 7>::from([level, 0.0, 0.0, inner.ln(), INNER_SLOPE.0, OUTER_SLOPE.0, BREAK.0.ln()]);
    let mut covariance = SMatrix::<f64, 7, 7>::zeros();
    let mut chi2_reduced = 1.0;
    for _ in 0..6 {
        let problem = SkyProblem { cells: &cells, weights: &weights, rho_min, rho_max, parameters };
        let (solved, report) = LevenbergMarquardt::new().minimize(problem);
        if !report.termination.was_successful() && !solved.parameters.iter().all(|p| p.is_finite()) {
            return Err(ComaError::NoConvergence { what: "sky and coma" });
        }
        parameters = solved.parameters;
        let jacobian = solved.jacobian().ok_or(ComaError::NoConvergence { what: "sky and coma" })?;
        let normal = jacobian.transpose() * &jacobian;
        covariance = SMatrix::<f64, 7, 7>::from_fn(|i, j| normal[(i, j)])
            .try_inverse()
            .ok_or(ComaError::NoConvergence { what: "sky and coma" })?;
        let mut sizes: Vec<f64> = cells.iter().map(|c| ((c.value - model(&parameters, c, rho_min, rho_max)) / c.sigma).abs()).collect();
        let mut sorted = sizes.clone();
        let scale = (robust::median_f64(&mut sorted).unwrap_or(1.0) / 0.6745).max(1.0);
        chi2_reduced = scale * scale;
        for (w, size) in weights.iter_mut().zip(&mut sizes) {
            let in_sigmas = *size / scale;
            *w = if in_sigmas <= HUBER { 1.0 } else { (HUBER / in_sigmas).powi(2) };
        }
    }
    let sigma = |i: usize| (covariance[(i, i)] * chi2_reduced).max(0.0).sqrt();
    let shape = |rho: f64| shape(&parameters, rho, rho_min, rho_max);
    Ok(SkyPlane {
        level: Measured::new(parameters[0], sigma(0)),
        slope_x: parameters[1] / rho_max,
        slope_y: parameters[2] / rho_max,
        outer_slope: Measured::new(parameters[5], sigma(5)),
        coma_left_at_edge: shape(rho_max) / shape(rho_min),
    })
}

/// Robust levels of ring sectors from four kernel widths outward.
fn cells(image: &Image, mask: &Mask, config: &SkyFitConfig) -> Vec<Cell> {
    let corner = [0.0, image.width as f64 - 1.0]
        .iter()
        .flat_map(|x| [0.0, image.height as f64 - 1.0].map(|y| (x - config.x_px).hypot(y - config.y_px)))
        .fold(0.0, f64::max);
    let inner = (4.0 * config.fwhm_px).max(8.0);
    let mut edges = vec![inner];
    while let Some(last) = edges.last().copied().filter(|e| *e < corner) {
        edges.push(last * 1.12);
    }
    let rings = edges.len() - 1;
    let mut members: Vec<Vec<f32>> = vec![Vec::new(); rings * SECTORS];
    let mut places = vec![(0.0, 0.0, 0.0); rings * SECTORS];
    let log_step = 1.12f64.ln();
    for y in 0..image.height {
        for x in 0..image.width {
            let value = image.at(x, y);
            let (dx, dy) = (x as f64 - config.x_px, y as f64 - config.y_px);
            let rho = dx.hypot(dy);
            if rho < inner || !mask.is_good(x, y) || !value.is_finite() {
                continue;
            }
            let ring = (((rho / inner).ln() / log_step) as usize).min(rings - 1);
            let turn = (dy.atan2(dx) / std::f64::consts::TAU).rem_euclid(1.0);
            let cell = ring * SECTORS + ((turn * SECTORS as f64) as usize).min(SECTORS - 1);
            members[cell].push(value);
            let place = &mut places[cell];
            *place = (place.0 + dx, place.1 + dy, place.2 + rho.ln());
        }
    }
    let clip = ClipConfig { kappa: 3.0, rounds: 5 };
    members
        .iter()
        .zip(&places)
        .filter(|(m, _)| m.len() >= 20)
        .filter_map(|(m, place)| {
            let stats = robust::clipped(m, clip)?;
            let n = m.len() as f64;
            // pixels of a resampled stack are correlated: about two of them make one independent value
            let noise = stats.sigma * (2.0 / stats.n as f64).sqrt();
            Some(Cell {
                x: place.0 / n,
                y: place.1 / n,
                rho: (place.2 / n).exp(),
                value: stats.mean,
                sigma: noise.hypot(config.cell_floor).max(1e-12),
            })
        })
        .collect()
}

/// The broken power law, 1 at the innermost radius: slope p[4] inside, p[5] outside, break at exp(p[6]) · ρ_max.
fn shape(p: &SVector<f64, 7>, rho: f64, rho_min: f64, rho_max: f64) -> f64 {
    let rho_break = p[6].exp() * rho_max;
    // sharpness 4: the slope turns within a factor of 1.6 in radius
    let bend = |r: f64| (1.0 + (r / rho_break).powi(4)).powf((p[4] - p[5]) / 4.0);
    (rho / rho_min).powf(-p[4]) * bend(rho) / bend(rho_min)
}

fn model(p: &SVector<f64, 7>, cell: &Cell, rho_min: f64, rho_max: f64) -> f64 {
    p[0] + (p[1] * cell.x + p[2] * cell.y) / rho_max + p[3].exp() * shape(p, cell.rho, rho_min, rho_max)
}

struct SkyProblem<'a> {
    cells: &'a [Cell],
    weights: &'a [f64],
    rho_min: f64,
    rho_max: f64,
    parameters: SVector<f64, 7>,
}

impl SkyProblem<'_> {
    fn residuals_at(&self, p: &SVector<f64, 7>) -> DVector<f64> {
        let priors = [
            (p[4] - INNER_SLOPE.0) / INNER_SLOPE.1,
            (p[5] - OUTER_SLOPE.0) / OUTER_SLOPE.1,
            (p[6] - BREAK.0.ln()) / BREAK.1,
        ];
        let fits = self
            .cells
            .iter()
            .zip(self.weights)
            .map(|(c, w)| w.sqrt() * (model(p, c, self.rho_min, self.rho_max) - c.value) / c.sigma);
        DVector::from_iterator(self.cells.len() + priors.len(), fits.chain(priors))
    }
}

impl LeastSquaresProblem<f64, Dyn, nalgebra::U7> for SkyProblem<'_> {
    type ParameterStorage = Owned<f64, nalgebra::U7>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, nalgebra::U7>;

    fn set_params(&mut self, p: &SVector<f64, 7>) {
        self.parameters = *p;
    }

    fn params(&self) -> SVector<f64, 7> {
        self.parameters
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let residuals = self.residuals_at(&self.parameters);
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<nalgebra::OMatrix<f64, Dyn, nalgebra::U7>> {
        let rows = self.cells.len() + 3;
        let mut jacobian = nalgebra::OMatrix::<f64, Dyn, nalgebra::U7>::zeros(rows);
        for i in 0..7 {
            let step = 1e-5 * self.parameters[i].abs().max(if i < 3 { 1e-3 * self.parameters[3].exp() } else { 0.1 });
            let mut shifted = self.parameters;
            shifted[i] += step;
            let high = self.residuals_at(&shifted);
            shifted[i] -= 2.0 * step;
            let low = self.residuals_at(&shifted);
            jacobian.set_column(i, &((high - low) / (2.0 * step)));
        }
        Some(jacobian)
    }
}

/// Takes the fitted plane off an image.
pub fn subtract_plane(image: &mut Image, plane: &SkyPlane, x_px: f64, y_px: f64) {
    let width = image.width;
    for (i, value) in image.data.iter_mut().enumerate() {
        let (dx, dy) = ((i % width) as f64 - x_px, (i / width) as f64 - y_px);
        *value -= (plane.level.value + plane.slope_x * dx + plane.slope_y * dy) as f32;
    }
}

/// Rings about the optocentre: two-pixel steps near it, 10 % steps outward, to the farthest full ring.
pub fn rings(image: &Image, variance: &Image, mask: &Mask, x_px: f64, y_px: f64) -> Vec<Ring> {
    let to_edge =
        [x_px, y_px, image.width as f64 - 1.0 - x_px, image.height as f64 - 1.0 - y_px].into_iter().fold(f64::INFINITY, f64::min);
    let mut edges = vec![0.0, 1.0];
    while let Some(last) = edges.last().copied().filter(|e| e * 1.1 < to_edge) {
        edges.push(last + (0.1 * last).max(1.0));
    }
    edges.retain(|e| *e <= to_edge);
    if edges.len() < 2 {
        return Vec::new();
    }
    // wide clipping: what deviates from the ring's mean by less is the coma's own shape and belongs in the mean
    let clip = ClipConfig { kappa: 8.0, rounds: 2 };
    polar::azimuthal_profile(image, Some(variance), mask, x_px, y_px, &edges, clip)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A coma that fills the frame, steepening at 60 % of its radius, on a tilted sky: the level comes back to a small
    /// part of the light left at the edge.
    #[test]
    fn finds_the_sky_under_a_coma_that_fills_the_frame() {
        let n = 401usize;
        let (cx, cy) = (205.0, 190.0);
        let mut image = Image::filled(n, n, 0.0);
        let mut state = 7u64;
        for y in 0..n {
            for x in 0..n {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                let noise = ((state >> 33) as f64 / (1u64 << 31) as f64 - 0.5) * 0.6;
                let (dx, dy) = (x as f64 - cx, y as f64 - cy);
                let rho = dx.hypot(dy).max(1.0);
                let coma = 300.0 * rho.powf(-1.08) * if rho > 130.0 { (rho / 130.0).powf(-0.6) } else { 1.0 };
                image.data[y * n + x] = (2.0 + 0.0005 * dx - 0.0003 * dy + coma + noise) as f32;
            }
        }
        let config = SkyFitConfig { x_px: cx, y_px: cy, fwhm_px: 3.0, cell_floor: 0.002 };
        let got = fit_sky(&image, &Mask::clear(n, n), &config).unwrap();
        let left_at_200 = 300.0 * 200f64.powf(-1.08) * (200f64 / 130.0).powf(-0.6);
        assert!((got.level.value - 2.0).abs() < 0.12 * left_at_200, "{got:?}, {left_at_200}");
        assert!((got.level.value - 2.0).abs() < 3.0 * got.level.sigma, "{got:?}");
        assert!((got.slope_x - 0.0005).abs() < 5e-5 && (got.slope_y + 0.0003).abs() < 5e-5);
    }

    #[test]
    fn refuses_an_image_too_small() {
        let config = SkyFitConfig { x_px: 10.0, y_px: 10.0, fwhm_px: 3.0, cell_floor: 0.0 };
        let got = fit_sky(&Image::filled(21, 21, 1.0), &Mask::clear(21, 21), &config);
        assert!(matches!(got, Err(ComaError::TooFew { .. })));
    }
}
