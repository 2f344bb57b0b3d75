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

/// The fitted sky: a plane, or a surface of the second order where the data ask for one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkySurface {
    /// Level at the optocentre, per pixel. Its error holds the noise, the surface and the coma's outer slope, as far as
    /// the fitted form can follow the coma.
    pub level: Measured,
    /// Change per pixel along x.
    pub slope_x: f64,
    /// Change per pixel along y.
    pub slope_y: f64,
    /// Coefficients of x², xy and y² about the optocentre, per pixel and square pixel; `None` for a plane.
    pub second_order: Option<[f64; 3]>,
    /// Outer slope of the coma, as in ρ^−slope.
    pub outer_slope: Measured,
    /// The coma's light per pixel at the outermost cells, by the fit: what a sky read there would take for sky.
    pub coma_at_edge: f64,
    /// Share of the innermost fitted light that is left at the outermost cells, by the fit: how far the coma fills the
    /// image.
    pub coma_left_at_edge: f64,
    /// Error that the level would have, were the coma known.
    pub level_sigma_without_coma: f64,
    /// Light per pixel over the clipped level that the stars too faint to be taken out give in the mean: it is part of `level`.
    pub unseen_stars: Measured,
    /// Covariance of the level with the mean of the x² and y² coefficients, and the variance of that mean.
    bowl_covariance: [f64; 2],
}

impl SkySurface {
    /// The sky per pixel at a distance from the optocentre.
    pub fn at(&self, dx_px: f64, dy_px: f64) -> f64 {
        let plane = self.level.value + self.slope_x * dx_px + self.slope_y * dy_px;
        let [xx, xy, yy] = self.second_order.unwrap_or_default();
        plane + xx * dx_px * dx_px + xy * dx_px * dy_px + yy * dy_px * dy_px
    }

    /// Error of the mean sky per pixel on a circle about the optocentre, where x² and y² have a mean of R²/2.
    pub fn mean_sigma_at(&self, radius_px: f64) -> f64 {
        self.mean_sigma_within(std::f64::consts::SQRT_2 * radius_px)
    }

    /// Error of the mean sky per pixel in a circle about the optocentre: slopes cancel there, x² and y² have a mean of R²/4.
    pub fn mean_sigma_within(&self, radius_px: f64) -> f64 {
        let half_square = 0.5 * radius_px * radius_px;
        let [with_level, own] = self.bowl_covariance;
        (self.level.sigma.powi(2) + 2.0 * half_square * with_level + half_square.powi(2) * own).max(0.0).sqrt()
    }
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
/// Scatter of the slopes of comae, for the error: that of slopes spread evenly from 0.9 to 2.
const SLOPE_SCATTER: f64 = 0.32;
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

/// Most sectors in which a surface of the second order may predict the sky worse than a plane does and still be taken: a
/// tail or a bright star's halo is in a few sectors, a gradient in all.
const WORSE_SECTORS: usize = SECTORS / 4;
/// By how much it must lower the cross-validated misfit, in units of χ² per cell's own scatter: three terms fitted to
/// noise lower it by nothing on average, and by this in under 1 of 1000 cases.
const CLEARLY_BETTER: f64 = 12.0;

struct Cell {
    /// Mean of all pixels less the clipped one.
    clipped_off: f64,
    n_pixels: f64,
    x: f64,
    y: f64,
    rho: f64,
    value: f64,
    sigma: f64,
    sector: usize,
}

/// Fits sky and coma to the stack's light outside the condensation.
///
/// The coma's slope may change with radius and is the same all round; a tail or a jet is met by weighing cells that do not
/// fit less. The sky is a plane, or a surface of the second order where that predicts sectors that were left out of the fit
/// clearly better, nearly all of them.
///
/// # Errors
/// When there are too few cells to fit.
pub fn fit_sky(image: &Image, mask: &Mask, config: &SkyFitConfig) -> Result<SkySurface, ComaError> {
    let mut cells = cells(image, mask, config);
    if cells.len() < 40 {
        return Err(ComaError::TooFew { what: "cells for the sky fit", found: cells.len(), needed: 40 });
    }
    let rho_max = cells.iter().map(|c| c.rho).fold(0.0, f64::max);
    let rho_min = cells.iter().map(|c| c.rho).fold(f64::INFINITY, f64::min);
    let segments = ((rho_max / rho_min).ln() / SEGMENT.ln()).ceil().max(1.0) as usize;
    let plane = Form { rho_min, rho_max, segments, second_order: false };
    let mut far: Vec<f64> = cells.iter().filter(|c| c.rho > 0.8 * rho_max).map(|c| c.value).collect();
    let mut near: Vec<f64> = cells.iter().filter(|c| c.rho < 1.5 * rho_min).map(|c| c.value).collect();
    let level = robust::median_f64(&mut far).unwrap_or(0.0);
    let inner = (robust::median_f64(&mut near).unwrap_or(level) - level).max(1e-9);
    let mut start = DVector::from_element(plane.n_parameters(), SLOPE.0);
    start.rows_mut(0, FIRST_SLOPE).copy_from_slice(&[level, 0.0, 0.0, inner.ln()]);

    let weights = vec![1.0; cells.len()];
    let first = solve(&cells, plane, Start { parameters: start, weights, excess: 1.0, rounds: 1 })?;
    for c in &mut cells {
        c.sigma = c.sigma.hypot(SHAPE_ERROR * plane.coma(&first.parameters, c.rho));
    }
    let mut fit = solve(&cells, plane, first.again(plane, 5))?;
    if asks_for_second_order(&cells, &fit) {
        let surface = Form { second_order: true, ..plane };
        fit = solve(&cells, surface, fit.again(surface, 5))?;
    }
    let mut surface = fit.surface();
    let unseen = unseen_stars(&cells, 0.5 * rho_max);
    surface.unseen_stars = unseen;
    surface.level = Measured::new(surface.level.value + unseen.value, surface.level.sigma.hypot(unseen.sigma));
    Ok(surface)
}

/// Cells further than this many of their own scatters from the rest hold a star that was not found, or a satellite.
const LONE_SIGMA: f64 = 5.0;

/// What clipping takes off the mean of the outer cells, by their pixels.
///
/// A clipped level leaves out the light of stars just over the noise, which an aperture sums: in a crowded field the sky
/// would be too dark and the comet too bright.
fn unseen_stars(cells: &[Cell], outside_px: f64) -> Measured {
    let outer: Vec<&Cell> = cells.iter().filter(|c| c.rho > outside_px).collect();
    let mut values: Vec<f64> = outer.iter().map(|c| c.clipped_off).collect();
    let (Some(middle), Some(scatter)) = (robust::median_f64(&mut values.clone()), robust::mad_sigma_f64(&mut values))
    else {
        return Measured::new(0.0, 0.0);
    };
    let kept: Vec<&&Cell> = outer.iter().filter(|c| (c.clipped_off - middle).abs() <= LONE_SIGMA * scatter).collect();
    let total: f64 = kept.iter().map(|c| c.n_pixels).sum();
    if kept.len() < 2 || total <= 0.0 {
        return Measured::new(0.0, 0.0);
    }
    let mean = kept.iter().map(|c| c.n_pixels * c.clipped_off).sum::<f64>() / total;
    let variance = kept.iter().map(|c| (c.n_pixels * (c.clipped_off - mean)).powi(2)).sum::<f64>() / (total * total);
    Measured::new(mean, variance.sqrt())
}

/// Where a fit starts.
struct Start {
    parameters: DVector<f64>,
    weights: Vec<f64>,
    excess: f64,
    rounds: usize,
}

/// A converged fit.
struct Solved {
    form: Form,
    parameters: DVector<f64>,
    weights: Vec<f64>,
    excess: f64,
    /// Weighted residuals of the cells, then of the expectations.
    residuals: DVector<f64>,
    jacobian: DMatrix<f64>,
    covariance: DMatrix<f64>,
}

/// Fits in rounds, after each of which the cells are weighed anew by how well they fit.
fn solve(cells: &[Cell], form: Form, start: Start) -> Result<Solved, ComaError> {
    let failed = || ComaError::NoConvergence { what: "sky and coma" };
    let Start { mut parameters, mut weights, mut excess, rounds } = start;
    let mut last = None;
    for _ in 0..rounds {
        let problem = SkyProblem { cells, weights: &weights, form, excess, parameters };
        let (solved, _) = LevenbergMarquardt::new().minimize(problem);
        if !solved.parameters.iter().all(|p| p.is_finite()) {
            return Err(failed());
        }
        let jacobian = solved.jacobian().ok_or_else(failed)?;
        let residuals = solved.residuals().ok_or_else(failed)?;
        parameters = solved.parameters;
        last = Some((residuals, jacobian));
        let sizes: Vec<f64> = cells.iter().map(|c| ((c.value - form.model(&parameters, c)) / c.sigma).abs()).collect();
        excess = (robust::median_f64(&mut sizes.clone()).unwrap_or(1.0) / 0.6745).max(1.0);
        for (w, size) in weights.iter_mut().zip(&sizes) {
            *w = (HUBER * excess / size).min(1.0);
        }
    }
    let (residuals, jacobian) = last.ok_or_else(failed)?;
    let covariance = covariance(&jacobian, cells.len(), form.segments).ok_or_else(failed)?;
    Ok(Solved { form, parameters, weights, excess, residuals, jacobian, covariance })
}

/// Covariance of the parameters when the slopes are off the expected one together.
///
/// The fit takes the expectations of the segments' slopes as independent, which holds their mean too tightly: a coma that is
/// steeper than expected is so in all segments. The error is that of this fit for comae whose slopes have the expected
/// scatter each and are correlated from segment to segment as the expected change says (an autoregressive sequence).
fn covariance(jacobian: &DMatrix<f64>, n_cells: usize, segments: usize) -> Option<DMatrix<f64>> {
    let n = jacobian.ncols();
    let normal = jacobian.transpose() * jacobian;
    let cells = jacobian.rows(0, n_cells);
    let from_cells = cells.transpose() * cells;
    let expected = &normal - &from_cells;
    let memory = 1.0 - 0.5 * (SLOPE_CHANGE / SLOPE_SCATTER).powi(2);
    let slopes = FIRST_SLOPE..FIRST_SLOPE + segments;
    let together = DMatrix::from_fn(n, n, |i, j| match slopes.contains(&i) && slopes.contains(&j) {
        true => SLOPE_SCATTER.powi(2) * memory.powi(i.abs_diff(j) as i32),
        false => 0.0,
    });
    let inverse = normal.try_inverse()?;
    Some(&inverse * (from_cells + &expected * together * &expected) * &inverse)
}

impl Solved {
    /// A start from here, with the terms that another form has more at nothing.
    fn again(&self, form: Form, rounds: usize) -> Start {
        let n = form.n_parameters();
        let parameters = DVector::from_fn(n, |i, _| self.parameters.get(i).copied().unwrap_or(0.0));
        Start { parameters, weights: self.weights.clone(), excess: self.excess, rounds }
    }

    fn surface(&self) -> SkySurface {
        let Form { rho_min, rho_max, segments, second_order } = self.form;
        let p = &self.parameters;
        let sigma = |i: usize| self.covariance[(i, i)].max(0.0).sqrt();
        let last_slope = FIRST_SLOPE + segments - 1;
        let bowl = FIRST_SLOPE + segments;
        let area = rho_max * rho_max;
        let coma_at_edge = self.form.coma(p, rho_max);
        SkySurface {
            level: Measured::new(p[0], sigma(0)),
            unseen_stars: Measured::new(0.0, 0.0),
            slope_x: p[1] / rho_max,
            slope_y: p[2] / rho_max,
            second_order: second_order.then(|| {
                let (round, along, across) = (p[bowl] / area, p[bowl + 1] / area, p[bowl + 2] / area);
                [round + along, across, round - along]
            }),
            outer_slope: Measured::new(p[last_slope], sigma(last_slope)),
            coma_at_edge,
            coma_left_at_edge: coma_at_edge / self.form.coma(p, rho_min),
            level_sigma_without_coma: self.level_sigma_without_coma(),
            bowl_covariance: match second_order {
                true => [self.covariance[(0, bowl)] / area, self.covariance[(bowl, bowl)] / (area * area)],
                false => [0.0; 2],
            },
        }
    }

    /// Error of the level with the coma's parameters held.
    fn level_sigma_without_coma(&self) -> f64 {
        let bowl = FIRST_SLOPE + self.form.segments;
        let sky: Vec<usize> = (0..3).chain(bowl..self.form.n_parameters()).collect();
        let columns = self.jacobian.select_columns(&sky);
        let inverse = (columns.transpose() * &columns).try_inverse();
        inverse.map_or(f64::INFINITY, |c| c[(0, 0)].max(0.0).sqrt())
    }
}

/// Whether a surface of the second order predicts sectors that are left out of the fit better than a plane, by steps of one
/// Gauss–Newton iteration from the fitted plane.
fn asks_for_second_order(cells: &[Cell], plane: &Solved) -> bool {
    let Form { rho_max, .. } = plane.form;
    let n = plane.form.n_parameters();
    let mut wide = plane.jacobian.clone().insert_columns(n, 3, 0.0);
    for (row, (c, w)) in cells.iter().zip(&plane.weights).enumerate() {
        let scale = w.sqrt() / (c.sigma * plane.excess);
        for (i, term) in second_order_terms(c, rho_max).into_iter().enumerate() {
            wide[(row, n + i)] = scale * term;
        }
    }
    let huber = |z: f64| if z.abs() < HUBER { z * z } else { HUBER * (2.0 * z.abs() - HUBER) };
    let misfit = |jacobian: &DMatrix<f64>, sector: usize| -> Option<f64> {
        let kept: Vec<usize> =
            (0..jacobian.nrows()).filter(|row| cells.get(*row).is_none_or(|c| c.sector != sector)).collect();
        let (own, residuals) = (jacobian.select_rows(&kept), plane.residuals.select_rows(&kept));
        let step = (own.transpose() * &own).cholesky()?.solve(&(own.transpose() * residuals));
        let left_out = cells.iter().enumerate().filter(|(_, c)| c.sector == sector);
        let misfits = left_out.map(|(row, _)| {
            let predicted = plane.residuals[row] - (jacobian.row(row) * &step)[0];
            huber(predicted / plane.weights[row].sqrt())
        });
        Some(misfits.sum())
    };
    let gains: Option<Vec<f64>> = (0..SECTORS).map(|s| Some(misfit(&plane.jacobian, s)? - misfit(&wide, s)?)).collect();
    gains.is_some_and(|gains| {
        let worse = gains.iter().filter(|g| **g < 0.0).count();
        worse <= WORSE_SECTORS && gains.iter().sum::<f64>() > CLEARLY_BETTER
    })
}

/// (x² + y²), (x² − y²) and xy in units of the outermost radius.
fn second_order_terms(cell: &Cell, rho_max: f64) -> [f64; 3] {
    let (x, y) = (cell.x / rho_max, cell.y / rho_max);
    [x * x + y * y, x * x - y * y, x * y]
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
        .enumerate()
        .filter(|(_, (m, _))| m.len() >= 20)
        .filter_map(|(index, (m, place))| {
            let stats = robust::clipped(m, clip)?;
            let n = m.len() as f64;
            // pixels of a resampled stack are correlated: about two of them make one independent value
            let noise = stats.sigma * (2.0 / stats.n as f64).sqrt();
            let mean_of_all = m.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
            Some(Cell {
                clipped_off: mean_of_all - stats.mean,
                n_pixels: n,
                x: place.0 / n,
                y: place.1 / n,
                rho: (place.2 / n).exp(),
                value: stats.mean,
                sigma: noise.hypot(config.cell_floor).max(1e-12),
                sector: index % SECTORS,
            })
        })
        .collect()
}

/// Parameters: level, two slopes of the plane, ln of the coma at the innermost radius, then the coma's slope in each
/// segment, then the terms of the second order, where there are any.
const FIRST_SLOPE: usize = 4;

/// How far a radius reaches into a segment, in ln ρ.
fn reach_in(segment: usize, rho: f64, rho_min: f64) -> f64 {
    let start = segment as f64 * SEGMENT.ln();
    ((rho / rho_min).ln() - start).clamp(0.0, SEGMENT.ln())
}

/// The form that is fitted.
#[derive(Debug, Clone, Copy)]
struct Form {
    rho_min: f64,
    rho_max: f64,
    segments: usize,
    second_order: bool,
}

impl Form {
    fn n_parameters(&self) -> usize {
        FIRST_SLOPE + self.segments + if self.second_order { 3 } else { 0 }
    }

    /// The coma at a radius: straight in log–log in every segment.
    fn coma(&self, p: &DVector<f64>, rho: f64) -> f64 {
        let fall: f64 = (0..self.segments).map(|i| p[FIRST_SLOPE + i] * reach_in(i, rho, self.rho_min)).sum();
        (p[3] - fall).exp()
    }

    fn model(&self, p: &DVector<f64>, cell: &Cell) -> f64 {
        let plane = p[0] + (p[1] * cell.x + p[2] * cell.y) / self.rho_max;
        let first = FIRST_SLOPE + self.segments;
        let terms = second_order_terms(cell, self.rho_max);
        let bowl: f64 = (first..p.len()).zip(terms).map(|(i, term)| p[i] * term).sum();
        plane + bowl + self.coma(p, cell.rho)
    }
}

struct SkyProblem<'a> {
    cells: &'a [Cell],
    weights: &'a [f64],
    form: Form,
    /// Factor by which the cells scatter more than their errors say.
    excess: f64,
    parameters: DVector<f64>,
}

impl SkyProblem<'_> {
    fn rows(&self) -> usize {
        self.cells.len() + self.form.segments + (self.form.segments - 1)
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
        let slopes = &p.as_slice()[FIRST_SLOPE..FIRST_SLOPE + self.form.segments];
        let fits = self
            .cells
            .iter()
            .zip(self.weights)
            .map(|(c, w)| w.sqrt() * (self.form.model(p, c) - c.value) / (c.sigma * self.excess));
        let expected = slopes.iter().map(|s| (s - SLOPE.0) / SLOPE.1);
        let changes = slopes.windows(2).map(|s| (s[1] - s[0]) / SLOPE_CHANGE);
        let residuals = DVector::from_iterator(self.rows(), fits.chain(expected).chain(changes));
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let p = &self.parameters;
        let Form { rho_min, rho_max, segments, .. } = self.form;
        let mut jacobian = DMatrix::zeros(self.rows(), p.len());
        for (row, (c, w)) in self.cells.iter().zip(self.weights).enumerate() {
            let scale = w.sqrt() / (c.sigma * self.excess);
            let light = self.form.coma(p, c.rho);
            jacobian[(row, 0)] = scale;
            jacobian[(row, 1)] = scale * c.x / rho_max;
            jacobian[(row, 2)] = scale * c.y / rho_max;
            jacobian[(row, 3)] = scale * light;
            for i in 0..segments {
                jacobian[(row, FIRST_SLOPE + i)] = -scale * light * reach_in(i, c.rho, rho_min);
            }
            for (i, term) in (FIRST_SLOPE + segments..p.len()).zip(second_order_terms(c, rho_max)) {
                jacobian[(row, i)] = scale * term;
            }
        }
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

/// Takes the fitted sky off an image.
pub fn subtract_sky(image: &mut Image, sky: &SkySurface, x_px: f64, y_px: f64) {
    let width = image.width;
    for (i, value) in image.data.iter_mut().enumerate() {
        *value -= sky.at((i % width) as f64 - x_px, (i / width) as f64 - y_px) as f32;
    }
}

/// How far circles about a place lie wholly on an image: to the middle of its nearest edge pixel; negative outside of them.
pub fn to_edge_px(image: &Image, x_px: f64, y_px: f64) -> f64 {
    let edges = [x_px, y_px, image.width as f64 - 1.0 - x_px, image.height as f64 - 1.0 - y_px];
    edges.into_iter().fold(f64::INFINITY, f64::min)
}

/// Rings about the optocentre: two-pixel steps near it, 10 % steps outward, to the farthest full ring.
pub fn rings(image: &Image, variance: &Image, mask: &Mask, x_px: f64, y_px: f64) -> Vec<Ring> {
    let to_edge = to_edge_px(image, x_px, y_px);
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

    /// A scene of 301 px: a coma ρ^−slope that steepens, on a sky with noise of 0.17 per pixel.
    #[derive(Clone, Copy)]
    struct Scene {
        light: f64,
        slope: f64,
        steepens_at: f64,
        by: f64,
        bowl: f64,
        tail: f64,
        seed: u64,
    }

    const N: usize = 301;
    const CENTRE: (f64, f64) = (155.0, 140.0);
    const SCENE: Scene =
        Scene { light: 300.0, slope: 1.08, steepens_at: 100.0, by: 0.6, bowl: 0.0, tail: 0.0, seed: 7 };

    impl Scene {
        fn coma(&self, rho: f64) -> f64 {
            let rho = rho.max(1.0);
            let steeper = if rho > self.steepens_at { (rho / self.steepens_at).powf(-self.by) } else { 1.0 };
            self.light * rho.powf(-self.slope) * steeper
        }

        fn image(&self) -> Image {
            let mut image = Image::filled(N, N, 0.0);
            let mut state = self.seed;
            for y in 0..N {
                for x in 0..N {
                    state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                    let noise = ((state >> 33) as f64 / (1u64 << 31) as f64 - 0.5) * 0.6;
                    let (dx, dy) = (x as f64 - CENTRE.0, y as f64 - CENTRE.1);
                    let along = (0.8 * dx + 0.6 * dy) / 150.0;
                    let sky = 2.0 + 0.0005 * dx - 0.0003 * dy + self.bowl * along * along;
                    let turned = (dy.atan2(dx) - 2.0 + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU);
                    let tail = 1.0 + self.tail * (-((turned - std::f64::consts::PI) / 0.4).powi(2)).exp();
                    image.data[y * N + x] = (sky + self.coma(dx.hypot(dy)) * tail + noise) as f32;
                }
            }
            image
        }

        fn fit(&self) -> SkySurface {
            let config = SkyFitConfig { x_px: CENTRE.0, y_px: CENTRE.1, fwhm_px: 3.0, cell_floor: 0.002 };
            fit_sky(&self.image(), &Mask::clear(N, N), &config).unwrap()
        }
    }

    /// A coma that fills the frame, steepening at 60 % of its radius, on a tilted sky: the level comes back to a small
    /// part of the light left at the edge, and a plane is enough.
    #[test]
    fn finds_the_sky_under_a_coma_that_fills_the_frame() {
        let got = SCENE.fit();
        let left_at_150 = SCENE.coma(150.0);
        assert!((got.level.value - 2.0).abs() < 0.25 * left_at_150, "{got:?}, {left_at_150}");
        assert!((got.level.value - 2.0).abs() < 3.0 * got.level.sigma, "{got:?}");
        assert!((got.slope_x - 0.0005).abs() < 5e-5 && (got.slope_y + 0.0003).abs() < 5e-5);
        assert_eq!(got.second_order, None);
        assert_eq!(got.mean_sigma_within(50.0), got.level.sigma);
    }

    /// Moonlight that is bent: 3 % of the sky at 150 px. A plane would leave half of it under the coma.
    #[test]
    fn a_bent_sky_is_taken_for_one() {
        let scene = Scene { light: 10.0, by: 0.5, bowl: 0.06, ..SCENE };
        let got = scene.fit();
        let [xx, xy, yy] = got.second_order.expect("a surface of the second order");
        let unit = 0.06 / (150.0 * 150.0);
        for (found, planted) in [(xx, 0.64 * unit), (xy, 0.96 * unit), (yy, 0.36 * unit)] {
            assert!((found - planted).abs() < 0.25 * unit, "{found} {planted}: {got:?}");
        }
        assert!((got.level.value - 2.0).abs() < 3.0 * got.level.sigma, "{got:?}");
        let bend = |dx: f64, dy: f64| got.at(dx, dy) + got.at(-dx, -dy) - got.at(-dy, dx) - got.at(dy, -dx);
        let planted = 2.0 * 0.06 * ((110.0f64 / 150.0).powi(2) - (20.0f64 / 150.0).powi(2));
        assert!((bend(100.0, 50.0) - planted).abs() < 0.005, "{} {planted}", bend(100.0, 50.0));
    }

    /// A tail is brighter than any bend of the sky, but not in all sectors: with it, and without, the sky stays a plane.
    #[test]
    fn a_tail_does_not_bend_the_sky() {
        for seed in 1..9 {
            for tail in [0.0, 0.5] {
                let scene = Scene { light: 100.0, tail, seed, ..SCENE };
                assert_eq!(scene.fit().second_order, None, "seed {seed}, tail {tail}");
            }
        }
    }

    /// Light in a circle when the coma fills the frame: comae of many outer slopes, flat skies and bent ones. A sky read at
    /// the edge takes several per cent of it; fitted, the light is right within its error.
    #[test]
    fn light_under_a_filled_frame_is_within_its_error() {
        let radius: f64 = 40.0;
        let area = std::f64::consts::PI * radius * radius;
        let (mut edge, mut off, mut pulls) = (Vec::new(), Vec::new(), Vec::new());
        for i in 0..60u64 {
            // outer slopes of 0.9 to 2, steeper than the inner ones by up to 0.4; spread evenly by irrational steps
            let at = |step: f64| (step * (i + 1) as f64).fract();
            let by = 0.4 * at(0.618_034);
            let slope = 0.9 + 1.1 * at(0.414_214) - by;
            let scene = Scene {
                // of one brightness at 30 px, or ten times that
                light: (0.8 * 10f64.powf(at(0.732_051))) * 30f64.powf(slope),
                slope,
                steepens_at: 60.0 + 60.0 * at(0.236_068),
                by,
                seed: 100 + i,
                bowl: if i % 4 == 0 { 0.06 } else { 0.0 },
                ..SCENE
            };
            let got = scene.fit();
            let light: f64 = (0..4000u32)
                .map(|k| (f64::from(k) + 0.5) * radius / 4000.0)
                .map(|rho| scene.coma(rho) * std::f64::consts::TAU * rho * radius / 4000.0)
                .sum();
            edge.push(-scene.coma(200.0) * area / light);
            off.push((2.0 - got.level.value) * area / light);
            pulls.push((2.0 - got.level.value) / got.mean_sigma_within(radius));
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let rms = |v: &[f64]| mean(&v.iter().map(|x| x * x).collect::<Vec<_>>()).sqrt();
        assert!(mean(&edge) < -0.03, "a sky read at the edge: {}", mean(&edge));
        assert!(mean(&off).abs() < 0.25 * mean(&edge).abs(), "{} {}", mean(&off), mean(&edge));
        assert!(rms(&off) < 0.5 * rms(&edge), "{} {}", rms(&off), rms(&edge));
        assert!((0.8..1.2).contains(&rms(&pulls)), "pull rms {}, mean {}", rms(&pulls), mean(&pulls));
    }

    #[test]
    fn refuses_an_image_too_small() {
        let config = SkyFitConfig { x_px: 10.0, y_px: 10.0, fwhm_px: 3.0, cell_floor: 0.0 };
        let got = fit_sky(&Image::filled(21, 21, 1.0), &Mask::clear(21, 21), &config);
        assert!(matches!(got, Err(ComaError::TooFew { .. })));
    }
}
