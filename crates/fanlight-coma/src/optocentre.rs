//! The optocentre of the comet-registered stack, with its error.
//!
//! A centroid follows whatever light is not symmetric: a tail of ordinary brightness pulls it by a third of a pixel. So
//! the coma's steep centre is fitted as it is imaged, with its asymmetry beside it: the lopsidedness that is seen a few
//! star widths out says how much of the shift at the centre is its own.

use crate::ComaError;
use crate::cusp::{Azimuth, Blurred, Component};
use crate::kernel::KernelPart;
use crate::measure::RingProfile;
use crate::register::{self, CondensationSearch};
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
/// first azimuthal order with three fall-offs (a tail sets in away from the nucleus), second order.
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

/// How much of the coma's light its first and second azimuthal orders may be, 1σ: at the nucleus, and for those that set
/// in away from it at the fit's reach.
///
/// Lopsidedness at the nucleus and a shift of it look alike under the blur: only the tail's onset tells them apart, and a
/// free fit, which cannot follow every onset, misses the centre of a coma with a tail by as much as a centroid does.
/// A jet 40° wide that is a fifth brighter than the coma has a first order of 0.045, a tail of 0.3 at the reach is as
/// bright as the coma there. The simulator's features end short of the nucleus, so 0.03 would fit its nights better
/// still; real ones do not.
const LOPSIDED_AT_NUCLEUS: f64 = 0.05;
/// See [`LOPSIDED_AT_NUCLEUS`].
const LOPSIDED_AT_REACH: f64 = 0.3;

/// Expected size of a component's coefficient over that of the round coma; `None` where anything is as likely.
fn expected(component: &Component, slope: f64, reach_px: f64) -> Option<f64> {
    let later = slope - component.slope?;
    match component.azimuth {
        Azimuth::Round => None,
        Azimuth::Cos(1) | Azimuth::Sin(1) if later == 0.0 => Some(LOPSIDED_AT_NUCLEUS),
        _ => Some(LOPSIDED_AT_REACH / reach_px.powf(later)),
    }
}

/// Pixels further than this many sigmas from the model weigh less, in proportion (Huber 1964, Ann. Math. Stat. 35, 73):
/// what a star leaves beside the nucleus would pull the centre.
const HUBER_SIGMA: f64 = 2.0;
/// Rounds of weighing.
const HUBER_ROUNDS: usize = 3;

/// Most peaks tried by [`find_optocentre`].
const MAX_STARTS: usize = 5;
/// How far from the registered place a condensation is sought, in kernel widths.
const SEARCH_FWHM: f64 = 3.0;

/// The optocentre at the place the frames were registered on; where nothing is there, at the highest peak nearby that
/// is a coma.
///
/// A star that passed the nucleus can draw the frames' places after it. The frames are laid by the ephemeris' motion all
/// the same, so the comet stands in the stack sharp but beside its place.
///
/// # Errors
/// As [`optocentre`] at the registered place.
pub fn find_optocentre(
    stack: &Image,
    variance: &Image,
    mask: &Mask,
    kernel: &[KernelPart],
    config: &OptocentreConfig,
) -> Result<Optocentre, ComaError> {
    let at = |config: &OptocentreConfig| optocentre(stack, variance, mask, kernel, config);
    let registered = at(config);
    if registered.is_ok() {
        return registered;
    }
    let search = CondensationSearch {
        x_px: config.x_px,
        y_px: config.y_px,
        radius_px: SEARCH_FWHM * config.fwhm_px,
        margin_px: 3.0 * config.fwhm_px,
        smoothing_px: config.fwhm_px / 2.355,
    };
    let starts = register::condensations(stack, mask, &search).into_iter().take(MAX_STARTS);
    let mut fits = starts.filter_map(|(x_px, y_px)| at(&OptocentreConfig { x_px, y_px, fwhm_px: config.fwhm_px }).ok());
    fits.next().map_or(registered, Ok)
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
    let not_found = ComaError::CometNotFound { x_px: config.x_px, y_px: config.y_px };
    let profile = RingProfile::measure(stack, mask, (config.x_px, config.y_px), 1.5 * reach_px);
    let slope = slope(&profile, config.fwhm_px, reach_px).ok_or(not_found.clone())?;
    let components = components(slope);
    let blurred = Blurred::new(&components, kernel, reach_px + 3.0);
    let expected = components.iter().map(|c| expected(c, slope, reach_px)).collect();
    let basis = Basis { blurred, expected };
    let (mut x, mut y) = (config.x_px, config.y_px);
    let mut round = None;
    let mut window = Window { x_px: x, y_px: y, reach_px };
    for turn in 0..25 {
        // a pixel that enters and leaves the fit as the centre moves would keep it from settling
        if turn < FREE_WINDOW_TURNS {
            window = Window { x_px: x, y_px: y, reach_px };
        }
        let fit = step(stack, variance, mask, &basis, (x, y), window, round).ok_or(not_found.clone())?;
        let stands_out = fit.round[0] > 5.0 * fit.round_sigma;
        // a hole at the nucleus: the fit has lost itself beside a faint or smeared condensation
        let peak = fit.round[0] * basis.blurred.at(0, 0.0, 0.0);
        let hollow = fit.round[1] * basis.blurred.at(1, 0.0, 0.0) < -0.5 * peak;
        if !stands_out || (hollow && turn > 3) {
            return Err(not_found);
        }
        // coefficients of the shift's columns are the shift itself once the round part is known
        let (dx, dy) = (fit.shift[0].clamp(-0.7, 0.7), fit.shift[1].clamp(-0.7, 0.7));
        let settled = dx.hypot(dy) < 2e-4 && round.is_some();
        round = Some(fit.round);
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

/// The components, and how large each is expected to be as a share of the round coma.
struct Basis {
    blurred: Blurred,
    expected: Vec<Option<f64>>,
}

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

/// One linear fit about a centre; `round` holds the coma's and the nucleus's strength that the shift acts on, and that
/// the `expected` sizes of the other components are shares of.
fn step(
    stack: &Image,
    variance: &Image,
    mask: &Mask,
    basis: &Basis,
    centre: (f64, f64),
    window: Window,
    round: Option<[f64; 2]>,
) -> Option<Fit> {
    let area = PixelBox::around(window.x_px, window.y_px, window.reach_px, stack.width, stack.height)?;
    let Basis { blurred, expected } = basis;
    let n = expected.len();
    let columns = n + 3;
    let mut rows: Vec<(DVector<f64>, f64)> = Vec::new();
    let strength = round.unwrap_or([1.0, 0.0]);
    let model = |x: f64, y: f64| strength[0] * blurred.at(0, x, y) + strength[1] * blurred.at(1, x, y);
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
            rows.push((row, scaled));
        }
    }
    if rows.len() < 4 * columns {
        return None;
    }
    let mut prior = DMatrix::<f64>::zeros(columns, columns);
    // before the coma's strength is known there is nothing to take a share of
    if let Some([coma, _]) = round {
        let sizes = expected.iter().enumerate().filter_map(|(c, share)| Some((c, share.as_ref()? * coma)));
        sizes.for_each(|(c, size)| prior[(c, c)] = size.powi(-2));
    }
    let mut inverse = DMatrix::<f64>::zeros(columns, columns);
    let mut solution = DVector::<f64>::zeros(columns);
    let mut chi2: f64 = 0.0;
    for turn in 0..=HUBER_ROUNDS {
        let mut normal = prior.clone();
        let mut right = DVector::<f64>::zeros(columns);
        let weight = |row: &DVector<f64>, value: f64, solution: &DVector<f64>| {
            if turn == 0 { 1.0 } else { (HUBER_SIGMA / (row.dot(solution) - value).abs()).min(1.0) }
        };
        for (row, value) in &rows {
            let w = weight(row, *value, &solution);
            normal.syger(w, row, row, 1.0);
            right.axpy(w * value, row, 1.0);
        }
        normal.fill_upper_triangle_with_lower_triangle();
        inverse = normal.try_inverse()?;
        let found = &inverse * &right;
        // with the far pixels in full: they are part of the scatter that the error is for
        chi2 = rows.iter().map(|(r, v)| (r.dot(&found) - v).powi(2)).sum();
        solution = found;
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::Moffat;

    const SIDE: usize = 91;
    const CENTRE: (f64, f64) = (45.3, 44.6);
    const NOISE: f64 = 0.02;

    fn kernel() -> Vec<KernelPart> {
        vec![KernelPart { seeing: Moffat::round(3.4, 3.5), paths_px: [(0.0, 0.0); 2], weight: 1.0 }]
    }

    /// A coma of slope 1.05 with noise, and what else is added to it (from the offset to the nucleus and the coma there).
    fn stack(more: impl Fn(f64, f64, f64) -> f64) -> (Image, Image, Mask) {
        let coma = Component { slope: Some(1.05), azimuth: Azimuth::Round };
        let blurred = Blurred::new(&[coma], &kernel(), 70.0);
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        let mut state = 7u64;
        for (i, value) in image.data.iter_mut().enumerate() {
            let (dx, dy) = ((i % SIDE) as f64 - CENTRE.0, (i / SIDE) as f64 - CENTRE.1);
            let coma = 10.0 * blurred.at(0, dx, dy);
            // a sum of four uniform numbers is near enough to Gaussian; its variance is 1/3
            let uniform = (0..4).map(|_| {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                (state >> 33) as f64 / (1u64 << 31) as f64 - 0.5
            });
            let noise = NOISE * uniform.sum::<f64>() * 3f64.sqrt();
            *value = (coma + more(dx, dy, coma) + noise) as f32;
        }
        (image, Image::filled(SIDE, SIDE, (NOISE * NOISE) as f32), Mask::clear(SIDE, SIDE))
    }

    fn start(dx: f64, dy: f64) -> OptocentreConfig {
        OptocentreConfig { x_px: CENTRE.0 + dx, y_px: CENTRE.1 + dy, fwhm_px: 3.4 }
    }

    fn miss(found: &Optocentre) -> f64 {
        (found.x_px - CENTRE.0).hypot(found.y_px - CENTRE.1)
    }

    #[test]
    fn a_round_coma_is_centred_within_its_error() {
        let (image, variance, mask) = stack(|_, _, _| 0.0);
        let found = optocentre(&image, &variance, &mask, &kernel(), &start(0.4, -0.3)).unwrap();
        // two axes: 3σ is 3 in 100, the seed is fixed
        assert!(miss(&found) < 3.0 * found.sigma_px() && found.sigma_px() < 0.06, "{found:?}");
    }

    /// A tail that sets in one and a half star widths out, half as bright as the coma. Free asymmetries,
    /// which cannot follow its onset, miss by 0.25 px; expected ones by 0.16 px.
    #[test]
    fn a_tail_that_sets_in_away_from_the_nucleus_moves_it_little() {
        let tail = |dx: f64, dy: f64, coma: f64| {
            let onset = ((dx.hypot(dy) - 5.0) / 8.0).clamp(0.0, 1.0);
            let (along, width) = (dy.atan2(dx) - 0.6, 0.45);
            0.5 * coma * onset * onset * (3.0 - 2.0 * onset) * (-0.5 * (along / width).powi(2)).exp()
        };
        let (image, variance, mask) = stack(tail);
        let found = optocentre(&image, &variance, &mask, &kernel(), &start(0.1, 0.1)).unwrap();
        assert!(miss(&found) < 0.2, "{:.3} px: {found:?}", miss(&found));
    }

    /// What is left of a star beside the nucleus, a bright and a dark half: 0.33 px without weights by distance from the
    /// model.
    #[test]
    fn a_stars_remains_do_not_pull() {
        let remains = |dx: f64, dy: f64, _: f64| {
            let (u, v) = (dx - 5.0, dy + 2.0);
            1.5 * u * (-(u * u + v * v) / 3.0).exp() + 0.8 * (-(u * u + v * v) / 3.0).exp()
        };
        let (image, variance, mask) = stack(remains);
        let found = optocentre(&image, &variance, &mask, &kernel(), &start(0.1, 0.1)).unwrap();
        assert!(miss(&found) < 0.15 && miss(&found) < 3.0 * found.sigma_px(), "{:.3} px: {found:?}", miss(&found));
    }

    #[test]
    fn a_comet_beside_the_registered_place_is_found() {
        let (image, variance, mask) = stack(|_, _, _| 0.0);
        let beside = start(-5.0, 4.0);
        let at_place = optocentre(&image, &variance, &mask, &kernel(), &beside);
        assert!(matches!(at_place, Err(ComaError::CometNotFound { .. })), "{at_place:?}");
        let found = find_optocentre(&image, &variance, &mask, &kernel(), &beside).unwrap();
        assert!(miss(&found) < 3.0 * found.sigma_px(), "{found:?}");
        let flat = Image::filled(SIDE, SIDE, 1.0);
        assert!(find_optocentre(&flat, &variance, &mask, &kernel(), &beside).is_err());
    }
}
