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
use nalgebra::{DMatrix, DVector, Dyn, Owned};

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

/// Slope expected of a dust coma in any range of radius, and how loosely: 1 for a free outflow, 1.5 where radiation
/// pressure has taken over (Jewitt & Meech 1987, ApJ 317, 992); observed comae run from 0.9 to 2. Where the data say
/// more they win; at the edge, where sky and coma are told apart only by the fall-off, this is what holds the sky. A
/// wrong value moves the largest aperture by a part of the light left at the edge, and the error says so.
const SLOPE: (f64, f64) = (1.4, 0.35);
/// How much the slope may change from one segment to the next.
const SLOPE_CHANGE: f64 = 0.15;
/// Ratio of the radii of a segment's ends.
const SEGMENT: f64 = 1.25;
/// How far a cell's coma may be from the same all round and straight in log–log, as a share of it: jets and tails of
/// common contrast, averaged over a cell. With 0, cells of a bright coma, whose noise is next to nothing, would fix the
/// sky to digits that the coma's shape does not support.
const SHAPE_ERROR: f64 = 0.01;
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
/// The coma's slope may change with radius and is the same all round; a tail or a jet is met by weighing cells that do not
/// fit less.
///
/// # Errors
/// When there are too few cells to fit.
pub fn fit_sky(image: &Image, mask: &Mask, config: &SkyFitConfig) -> Result<SkyPlane, ComaError> {
    let mut cells = cells(image, mask, config);
    if cells.len() < 40 {
        return Err(ComaError::TooFew { what: "cells for the sky fit", found: cells.len(), needed: 40 });
    }
    let rho_max = cells.iter().map(|c| c.rho).fold(0.0, f64::max);
    let rho_min = cells.iter().map(|c| c.rho).fold(f64::INFINITY, f64::min);
    let mut far: Vec<f64> = cells.iter().filter(|c| c.rho > 0.8 * rho_max).map(|c| c.value).collect();
    let mut near: Vec<f64> = cells.iter().filter(|c| c.rho < 1.5 * rho_min).map(|c| c.value).collect();
    let level = robust::median_f64(&mut far).unwrap_or(0.0);
    let inner = (robust::median_f64(&mut near).unwrap_or(level) - level).max(1e-9);
    let segments = ((rho_max / rho_min).ln() / SEGMENT.ln()).ceil().max(1.0) as usize;

    let mut parameters = DVector::from_element(FIRST_SLOPE + segments, SLOPE.0);
    parameters.rows_mut(0, FIRST_SLOPE).copy_from_slice(&[level, 0.0, 0.0, inner.ln()]);
    let mut weights = vec![1.0; cells.len()];
    let mut covariance = DMatrix::zeros(parameters.len(), parameters.len());
    let mut excess = 1.0;
    for round in 0..6 {
        let problem = SkyProblem { cells: &cells, weights: &weights, rho_min, rho_max, excess, parameters };
        let (solved, _) = LevenbergMarquardt::new().minimize(problem);
        if !solved.parameters.iter().all(|p| p.is_finite()) {
            return Err(ComaError::NoConvergence { what: "sky and coma" });
        }
        let jacobian = solved.jacobian().ok_or(ComaError::NoConvergence { what: "sky and coma" })?;
        covariance = (jacobian.transpose() * &jacobian)
            .try_inverse()
            .ok_or(ComaError::NoConvergence { what: "sky and coma" })?;
        parameters = solved.parameters;
        if round == 0 {
            for c in &mut cells {
                c.sigma = c.sigma.hypot(SHAPE_ERROR * coma(&parameters, c.rho, rho_min));
            }
        }
        let sizes: Vec<f64> =
            cells.iter().map(|c| ((c.value - model(&parameters, c, rho_min, rho_max)) / c.sigma).abs()).collect();
        excess = (robust::median_f64(&mut sizes.clone()).unwrap_or(1.0) / 0.6745).max(1.0);
        for (w, size) in weights.iter_mut().zip(&sizes) {
            *w = (HUBER * excess / size).min(1.0);
        }
    }
    let sigma = |i: usize| covariance[(i, i)].max(0.0).sqrt();
    let last = parameters.len() - 1;
    Ok(SkyPlane {
        level: Measured::new(parameters[0], sigma(0)),
        slope_x: parameters[1] / rho_max,
        slope_y: parameters[2] / rho_max,
        outer_slope: Measured::new(parameters[last], sigma(last)),
        coma_left_at_edge: coma(&parameters, rho_max, rho_min) / coma(&parameters, rho_min, rho_min),
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

/// Parameters: level, two slopes of the plane, ln of the coma at the innermost radius, then the coma's slope in each
/// segment.
const FIRST_SLOPE: usize = 4;

/// How far a radius reaches into a segment, in ln ρ.
fn reach_in(segment: usize, rho: f64, rho_min: f64) -> f64 {
    let start = segment as f64 * SEGMENT.ln();
    ((rho / rho_min).ln() - start).clamp(0.0, SEGMENT.ln())
}

/// The coma at a radius: straight in log–log in every segment.
fn coma(p: &DVector<f64>, rho: f64, rho_min: f64) -> f64 {
    let fall: f64 = (FIRST_SLOPE..p.len()).map(|i| p[i] * reach_in(i - FIRST_SLOPE, rho, rho_min)).sum();
    (p[3] - fall).exp()
}

fn model(p: &DVector<f64>, cell: &Cell, rho_min: f64, rho_max: f64) -> f64 {
    p[0] + (p[1] * cell.x + p[2] * cell.y) / rho_max + coma(p, cell.rho, rho_min)
}

struct SkyProblem<'a> {
    cells: &'a [Cell],
    weights: &'a [f64],
    rho_min: f64,
    rho_max: f64,
    /// Factor by which the cells scatter more than their errors say.
    excess: f64,
    parameters: DVector<f64>,
}

impl SkyProblem<'_> {
    fn rows(&self) -> usize {
        let segments = self.parameters.len() - FIRST_SLOPE;
        self.cells.len() + segments + (segments - 1)
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for SkyProblem<'_> {
    type ParameterStorage = Owned<f64, Dyn>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;

    fn set_params(&mut self, p: &DVector<f64>) {
        self.parameters.copy_from(p);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let p = &self.parameters;
        let slopes = &p.as_slice()[FIRST_SLOPE..];
        let fits = self
            .cells
            .iter()
            .zip(self.weights)
            .map(|(c, w)| w.sqrt() * (model(p, c, self.rho_min, self.rho_max) - c.value) / (c.sigma * self.excess));
        let expected = slopes.iter().map(|s| (s - SLOPE.0) / SLOPE.1);
        let changes = slopes.windows(2).map(|s| (s[1] - s[0]) / SLOPE_CHANGE);
        let residuals = DVector::from_iterator(self.rows(), fits.chain(expected).chain(changes));
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let p = &self.parameters;
        let mut jacobian = DMatrix::zeros(self.rows(), p.len());
        for (row, (c, w)) in self.cells.iter().zip(self.weights).enumerate() {
            let scale = w.sqrt() / (c.sigma * self.excess);
            let light = coma(p, c.rho, self.rho_min);
            jacobian[(row, 0)] = scale;
            jacobian[(row, 1)] = scale * c.x / self.rho_max;
            jacobian[(row, 2)] = scale * c.y / self.rho_max;
            jacobian[(row, 3)] = scale * light;
            for i in FIRST_SLOPE..p.len() {
                jacobian[(row, i)] = -scale * light * reach_in(i - FIRST_SLOPE, c.rho, self.rho_min);
            }
        }
        let segments = p.len() - FIRST_SLOPE;
        for i in 0..segments {
            jacobian[(self.cells.len() + i, FIRST_SLOPE + i)] = 1.0 / SLOPE.1;
        }
        for i in 0..segments - 1 {
            let row = self.cells.len() + segments + i;
            jacobian[(row, FIRST_SLOPE + i)] = -1.0 / SLOPE_CHANGE;
            jacobian[(row, FIRST_SLOPE + i + 1)] = 1.0 / SLOPE_CHANGE;
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
    let to_edge = [x_px, y_px, image.width as f64 - 1.0 - x_px, image.height as f64 - 1.0 - y_px]
        .into_iter()
        .fold(f64::INFINITY, f64::min);
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
        assert!((got.level.value - 2.0).abs() < 0.25 * left_at_200, "{got:?}, {left_at_200}");
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
