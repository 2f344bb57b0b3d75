//! The optocentre of the comet-registered stack, with its error.
//!
//! A centroid follows whatever light is not symmetric: a tail of ordinary brightness pulls it by a third of a pixel. So
//! the coma's steep centre is fitted as it is imaged, with its asymmetry beside it: the lopsidedness that is seen a few
//! star widths out says how much of the shift at the centre is its own.

use crate::ComaError;
use crate::cusp::{Azimuth, Blurred, Component};
use crate::kernel::KernelPart;
use crate::measure::RingProfile;
use fanlight_image::{Image, Mask, PixelBox};
use nalgebra::{DMatrix, DVector};

/// The centre of the coma's steep rise as the stack shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Optocentre {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Covariance `[xx, yy, xy]`, px²: noise and the scatter of the fit, and a floor for what the model leaves out.
    pub covariance_px2: [f64; 3],
}

impl Optocentre {
    /// Error per axis: the root of the mean of the two variances.
    pub fn sigma_px(&self) -> f64 {
        (0.5 * (self.covariance_px2[0] + self.covariance_px2[1])).sqrt()
    }
}

/// Where to look and how far the fit reaches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OptocentreConfig {
    /// First guess of the column.
    pub x_px: f64,
    /// First guess of the row.
    pub y_px: f64,
    /// Kernel width.
    pub fwhm_px: f64,
}

/// Reach of the fit in kernel widths: far enough to see the asymmetry beside the blur, near enough for one power law.
const REACH_FWHM: f64 = 6.0;
/// Reach in pixels at least and at most.
const REACH_PX: (f64, f64) = (10.0, 28.0);
/// Share of the light that the model may miss in a pixel: keeps the bright core from ruling alone.
const MODEL_ERROR: f64 = 0.01;
/// Error per axis that is always there: sub-pixel response, resampling. Chosen from simulated nights of both simulators.
const FLOOR_PX: f64 = 0.012;

/// Components fitted besides a constant and the shift: round coma with two fall-offs (its slope may change), nucleus,
/// first azimuthal order with three fall-offs (a tail sets in away from the nucleus), second order. With fewer a broad
/// tail pulls the centre by 0.14 px, with these by 0.06 px (rms over 50 simulated nights).
fn components(slope: f64) -> Vec<Component> {
    let part = |slope, azimuth| Component { slope, azimuth };
    vec![
        part(Some(slope), Azimuth::Round),
        part(None, Azimuth::Round),
        part(Some(slope), Azimuth::Cos(1)),
        part(Some(slope), Azimuth::Sin(1)),
        part(Some(slope - 1.0), Azimuth::Cos(1)),
        part(Some(slope - 1.0), Azimuth::Sin(1)),
        part(Some(slope), Azimuth::Cos(2)),
        part(Some(slope), Azimuth::Sin(2)),
        part(Some(slope - 2.0), Azimuth::Cos(1)),
        part(Some(slope - 2.0), Azimuth::Sin(1)),
        part(Some(slope - 1.0), Azimuth::Round),
    ]
}

/// Fits the optocentre of a stack.
///
/// # Errors
/// When the window leaves the image or nothing stands over its surroundings.
///
/// # Accuracy
/// See the tests of the command: within 0.1 px of the simulators' truth, with a tail too.
pub fn optocentre(
    stack: &Image,
    variance: &Image,
    mask: &Mask,
    kernel: &[KernelPart],
    config: &OptocentreConfig,
) -> Result<Optocentre, ComaError> {
    let reach_px = (REACH_FWHM * config.fwhm_px).clamp(REACH_PX.0, REACH_PX.1);
    let not_found = ComaError::CometNotFound { search_arcsec: 0.0 };
    let profile = RingProfile::measure(stack, mask, (config.x_px, config.y_px), 1.5 * reach_px);
    let slope = slope(&profile, config.fwhm_px, reach_px).ok_or(not_found.clone())?;
    let blurred = Blurred::new(&components(slope), kernel, reach_px + 3.0);
    let (mut x, mut y) = (config.x_px, config.y_px);
    let mut round = [1.0, 0.0];
    let mut window = Window { x_px: x, y_px: y, reach_px };
    for turn in 0..25 {
        // a pixel that enters and leaves the fit as the centre moves would keep it from settling
        if turn < FREE_WINDOW_TURNS {
            window = Window { x_px: x, y_px: y, reach_px };
        }
        let fit = step(stack, variance, mask, &blurred, (x, y), window, round).ok_or(not_found.clone())?;
        let stands_out = fit.round[0] > 5.0 * fit.round_sigma;
        // a hole at the nucleus: the fit has lost itself beside a faint or smeared condensation
        let peak = fit.round[0] * blurred.at(0, 0.0, 0.0);
        let hollow = fit.round[1] * blurred.at(1, 0.0, 0.0) < -0.5 * peak;
        if !stands_out || (hollow && turn > 3) {
            return Err(not_found);
        }
        // coefficients of the shift's columns are the shift itself once the round part is known
        let (dx, dy) = (fit.shift[0].clamp(-0.7, 0.7), fit.shift[1].clamp(-0.7, 0.7));
        let settled = dx.hypot(dy) < 2e-4 && round[0] != 1.0;
        round = fit.round;
        x += dx;
        y += dy;
        if (x - config.x_px).hypot(y - config.y_px) > config.fwhm_px.max(2.0) {
            return Err(not_found);
        }
        if settled {
            let floor = FLOOR_PX * FLOOR_PX;
            let [xx, yy, xy] = fit.covariance;
            return Ok(Optocentre { x_px: x, y_px: y, covariance_px2: [xx + floor, yy + floor, xy] });
        }
    }
    Err(ComaError::NoConvergence { what: "the optocentre" })
}

/// Turns of the fit in which its pixels follow the centre.
const FREE_WINDOW_TURNS: usize = 6;

/// The pixels that take part in a fit.
#[derive(Clone, Copy)]
struct Window {
    x_px: f64,
    y_px: f64,
    reach_px: f64,
}

/// Slope of the coma outside the blur, from its rings.
fn slope(profile: &RingProfile, fwhm_px: f64, reach_px: f64) -> Option<f64> {
    let (inner, outer) = (1.5 * fwhm_px, reach_px);
    let (low, high) = (profile.at(outer), profile.at(inner));
    let beyond = profile.at(1.4 * reach_px);
    // the level far out is not the sky: a coma of slope near 1 has 0.7 of its light at the reach left at 1.4 reaches
    let ratio = (high - beyond) / (low - beyond);
    if !(ratio.is_finite() && ratio > 1.0) {
        return None;
    }
    // solve for the power whose differences between the three radii have this ratio
    let of = |g: f64| {
        let power = |r: f64| r.powf(-g);
        (power(inner) - power(1.4 * reach_px)) / (power(outer) - power(1.4 * reach_px)) - ratio
    };
    let (mut a, mut b) = (0.3, 1.8);
    if of(a) > 0.0 {
        return Some(a);
    }
    for _ in 0..40 {
        let m = 0.5 * (a + b);
        if of(m) < 0.0 { a = m } else { b = m }
    }
    Some(0.5 * (a + b))
}

struct Fit {
    round: [f64; 2],
    round_sigma: f64,
    shift: [f64; 2],
    covariance: [f64; 3],
}

/// One linear fit about a centre; `round` holds the coma's and the nucleus's strength that the shift acts on.
fn step(
    stack: &Image,
    variance: &Image,
    mask: &Mask,
    blurred: &Blurred,
    centre: (f64, f64),
    window: Window,
    round: [f64; 2],
) -> Option<Fit> {
    let area = PixelBox::around(window.x_px, window.y_px, window.reach_px, stack.width, stack.height)?;
    let n = components(1.0).len();
    let columns = n + 3;
    let mut normal = DMatrix::<f64>::zeros(columns, columns);
    let mut right = DVector::<f64>::zeros(columns);
    let mut rows: Vec<(DVector<f64>, f64)> = Vec::new();
    let model = |x: f64, y: f64| round[0] * blurred.at(0, x, y) + round[1] * blurred.at(1, x, y);
    for y in area.y0..area.y1 {
        for x in area.x0..area.x1 {
            let i = y * stack.width + x;
            let (dx, dy) = (x as f64 - centre.0, y as f64 - centre.1);
            let (value, noise) = (f64::from(stack.data[i]), f64::from(variance.data[i]));
            let outside = (x as f64 - window.x_px).hypot(y as f64 - window.y_px) > window.reach_px;
            if outside || mask.bits[i] != 0 || !value.is_finite() || !noise.is_finite() {
                continue;
            }
            let sigma = (noise + (MODEL_ERROR * value).powi(2)).sqrt().max(1e-12);
            let mut row = DVector::<f64>::zeros(columns);
            for c in 0..n {
                row[c] = blurred.at(c, dx, dy);
            }
            row[n] = 1.0;
            // moving the centre by +s moves the model by +s: its value changes by −s ∂M/∂x
            const H: f64 = 0.1;
            row[n + 1] = -(model(dx + H, dy) - model(dx - H, dy)) / (2.0 * H);
            row[n + 2] = -(model(dx, dy + H) - model(dx, dy - H)) / (2.0 * H);
            row /= sigma;
            let scaled = value / sigma;
            normal.syger(1.0, &row, &row, 1.0);
            right.axpy(scaled, &row, 1.0);
            rows.push((row, scaled));
        }
    }
    if rows.len() < 4 * columns {
        return None;
    }
    normal.fill_upper_triangle_with_lower_triangle();
    let inverse = normal.clone().try_inverse()?;
    let solution = &inverse * &right;
    let chi2: f64 = rows.iter().map(|(row, value)| (row.dot(&solution) - value).powi(2)).sum();
    let excess = (chi2 / (rows.len() - columns) as f64).max(1.0);
    let covariance =
        [inverse[(n + 1, n + 1)] * excess, inverse[(n + 2, n + 2)] * excess, inverse[(n + 1, n + 2)] * excess];
    Some(Fit {
        round: [solution[0], solution[1]],
        round_sigma: (inverse[(0, 0)] * excess).sqrt(),
        shift: [solution[n + 1], solution[n + 2]],
        covariance,
    })
}
