//! Zero points: how electrons per second become magnitudes of the catalogue.

use crate::ComaError;
use crate::stars::{MOST_RENDER_PX, render_radius_px};
use fanlight_image::aperture::{self, Circle};
use fanlight_image::moffat::{self, FluxFitConfig, Moffat, NoiseModel, Painter, StarFit, StarImage};
use fanlight_image::robust::{self, ClipConfig};
use fanlight_image::{Image, Mask, Measured, PixelBox};
use rayon::prelude::*;
use std::f64::consts::PI;

/// A catalogue star as the zero point needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standard {
    /// Magnitude in the band.
    pub magnitude: f64,
    /// Its error, where the catalogue gives one.
    pub magnitude_err: Option<f64>,
    /// Colour for the colour term, where the catalogue has both bands.
    pub colour: Option<f64>,
}

/// A standard's flux in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarFlux {
    /// Which standard.
    pub standard: usize,
    /// Total light by the fitted star image.
    pub flux_e_per_s: Measured,
}

/// A catalogue star in a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Which standard.
    pub standard: usize,
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Catalogue magnitude, by which its neighbours' fluxes are predicted.
    pub magnitude: f64,
}

/// Stars fainter than this signal to noise add more error than they remove.
const MIN_SIGNAL_TO_NOISE: f64 = 10.0;

/// Fluxes of stars by fitting the frame's star image, centre free; [`to_total_light`] brings them to total light.
///
/// A first round of the first targets tells what flux a magnitude means; in the second every star is measured with all its catalogued
/// neighbours (`field`, in the same frame) taken off by their predicted fluxes. Stars whose fit fails or wanders off (a
/// blend, a defect) are left out.
pub fn star_fluxes(
    flattened: &Image,
    mask: &Mask,
    shape: &StarImage,
    targets: &[Target],
    field: &[Target],
    noise: NoiseModel,
    exposure_s: f64,
) -> FrameFluxes {
    let whole = |t: &Target| fit_flux(flattened, mask, shape, t, noise);
    let mut first: Vec<f64> = targets[..FIRST_ROUND.min(targets.len())]
        .par_iter()
        .filter_map(|t| Some(t.magnitude + 2.5 * whole(t)?.flux.value.log10()))
        .collect();
    let Some(zero_point) = robust::median_f64(&mut first) else { return FrameFluxes::default() };
    let predicted = |t: &Target| 10f64.powf(0.4 * (zero_point - t.magnitude));
    let growth_px = growth_radius_px(shape);
    let painter = Painter::for_many(shape);
    let half_px = 1.6 * growth_px + 4.0 + 0.5 * shape.trail_length_px();
    let sigma = noise.sky_variance.sqrt();
    let measured: Vec<(usize, StarFit, Option<f64>)> = targets
        .par_iter()
        .enumerate()
        .filter_map(|(i, t)| {
            let area = PixelBox::around(t.x_px, t.y_px, half_px, flattened.width, flattened.height)?;
            let (mut image, bits) = (flattened.crop(area), mask.crop(area));
            let (x0, y0) = (area.x0 as f64, area.y0 as f64);
            for n in field.iter().filter(|n| n.standard != t.standard) {
                let away = (n.x_px - t.x_px).abs().max((n.y_px - t.y_px).abs());
                if away > half_px + MOST_RENDER_PX + 0.5 * shape.trail_length_px() {
                    continue;
                }
                let reach = render_radius_px(predicted(n), shape, sigma);
                if away < half_px + reach + 0.5 * shape.trail_length_px() {
                    painter.add(&mut image, n.x_px - x0, n.y_px - y0, -predicted(n), reach);
                }
            }
            let own = Target { x_px: t.x_px - x0, y_px: t.y_px - y0, ..*t };
            let fit = fit_flux(&image, &bits, shape, &own, noise)?;
            let ratio = if i < GROWTH_MOST_STARS { growth(&image, &bits, shape, &fit) } else { None };
            Some((t.standard, fit, ratio))
        })
        .collect();
    let flux = |f: &StarFit| Measured::new(f.flux.value / exposure_s, f.flux.sigma / exposure_s);
    FrameFluxes {
        total_light_factor: total_light_factor(measured.iter().filter_map(|m| m.2).collect()),
        wing_share: unsummed_share(shape),
        stars: measured
            .iter()
            .map(|(standard, f, _)| StarFlux { standard: *standard, flux_e_per_s: flux(f) })
            .collect(),
    }
}

/// Stars, the first given, that tell what flux a magnitude means.
const FIRST_ROUND: usize = 40;

fn fit_flux(image: &Image, mask: &Mask, shape: &StarImage, target: &Target, noise: NoiseModel) -> Option<StarFit> {
    let fwhm_px = shape.seeing().fwhm_px();
    let config = flux_fit(shape, noise);
    let fit = moffat::fit_flux(image, mask, shape, target.x_px, target.y_px, &config).ok()?;
    let moved = (fit.x_px - target.x_px).hypot(fit.y_px - target.y_px);
    let good = fit.flux.value > MIN_SIGNAL_TO_NOISE * fit.flux.sigma
        && moved < 0.5 * fwhm_px + 0.1 * shape.trail_length_px()
        && fit.flux.sigma.is_finite();
    good.then_some(fit)
}

/// Fluxes of one frame's stars by the fitted star image.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameFluxes {
    /// By how much the frame's stars hold more light than the fitted image says, where its bright stars show it.
    pub total_light_factor: Option<Measured>,
    /// Share of a star's light that the wide aperture does not hold over its ring: only the fitted image tells it.
    pub wing_share: f64,
    /// The stars.
    pub stars: Vec<StarFlux>,
}

impl FrameFluxes {
    /// Fluxes as they would be with every star's own width in the fit: `ln_factor` tells by how much a standard's is wider
    /// than the fitted image (natural logarithm), `change` is [`moffat::flux_change_with_width`].
    pub fn at_own_width(&self, change: f64, ln_factor: impl Fn(usize) -> Option<f64>) -> Self {
        let corrected = |s: &StarFlux| {
            let factor = (-change * ln_factor(s.standard).unwrap_or(0.0)).exp();
            let flux = s.flux_e_per_s;
            StarFlux { flux_e_per_s: Measured::new(flux.value * factor, flux.sigma * factor), ..*s }
        };
        Self { stars: self.stars.iter().map(corrected).collect(), ..self.clone() }
    }
}

/// How standards are fitted, for [`moffat::flux_change_with_width`].
pub fn flux_fit(shape: &StarImage, noise: NoiseModel) -> FluxFitConfig {
    FluxFitConfig { radius_px: (2.5 * shape.seeing().fwhm_px()).max(4.0), noise, free_centre: true }
}

/// Brings fitted fluxes to total light: by the night's factor, and by a frame's own where it differs by more than its
/// error allows (a frame with another trail or focus).
pub fn to_total_light(frames: &[FrameFluxes]) -> Vec<Vec<StarFlux>> {
    let mut factors: Vec<f64> = frames.iter().filter_map(|f| f.total_light_factor.map(|m| m.value)).collect();
    let night = robust::median_f64(&mut factors).unwrap_or(1.0);
    frames
        .iter()
        .map(|frame| {
            let own = frame.total_light_factor.filter(|m| (m.value - night).abs() > 4.0 * m.sigma);
            let factor = own.map_or(night, |m| m.value);
            let scaled = |m: Measured| Measured::new(m.value * factor, m.sigma * factor);
            frame.stars.iter().map(|s| StarFlux { flux_e_per_s: scaled(s.flux_e_per_s), ..*s }).collect()
        })
        .collect()
}

/// Signal to noise of a star that takes part in the factor to total light.
const GROWTH_SIGNAL_TO_NOISE: f64 = 60.0;
/// Radius of the aperture in major-axis widths, about the trail of a trailed star: the star's real light, whatever its
/// shape, is in it but for the wing.
const GROWTH_RADIUS: f64 = 2.5;
/// Most stars for the factor, the first given.
const GROWTH_MOST_STARS: usize = 60;
/// Fewest stars for the factor.
const GROWTH_MIN_STARS: usize = 5;

pub(crate) fn growth_radius_px(shape: &StarImage) -> f64 {
    (GROWTH_RADIUS * shape.seeing().fwhm_major_px).max(5.0)
}

/// Inner and outer radius of the ring that gives the level in a circle of that radius.
pub(crate) fn growth_ring_px(radius_px: f64) -> (f64, f64) {
    (radius_px + 1.0, 1.6 * radius_px + 2.0)
}

/// By how much a bright star holds more light than the fitted star image says.
///
/// No star image is an exact Moffat function or a trail of one, and a fit weighs its core. So the star's light
/// is also summed in a wide circle over the level in a ring around it, with the fitted image used only for the share
/// outside the circle. `None` for a star too faint to tell.
fn growth(image: &Image, mask: &Mask, shape: &StarImage, fit: &StarFit) -> Option<f64> {
    if fit.flux.value <= GROWTH_SIGNAL_TO_NOISE * fit.flux.sigma {
        return None;
    }
    let radius_px = growth_radius_px(shape);
    let ring = growth_ring_px(radius_px);
    if shape.trail_length_px() > 0.0 {
        return growth_about_trail(image, mask, shape, fit, (radius_px, ring));
    }
    let circle = Circle { x_px: fit.x_px, y_px: fit.y_px, radius_px };
    let sum = aperture::circle_sum(image, None, Some(mask), circle);
    if sum.masked_area_px > 0.0 || sum.outside_area_px > 0.0 {
        return None;
    }
    let outer = Circle { radius_px: ring.1, ..circle };
    let clip = ClipConfig { kappa: 2.5, rounds: 5 };
    let level = aperture::annulus_stats(image, Some(mask), outer, ring.0, clip)?.median;
    let share = summed_share(&shape.seeing(), radius_px, sum.area_px);
    Some((sum.sum - level * sum.area_px) / share / fit.flux.value)
}

/// Share of a round star's light in a circle over the level in the ring around it, by the fitted image.
fn summed_share(seeing: &Moffat, radius_px: f64, area_px2: f64) -> f64 {
    // wing light in the ring is taken for sky: per pixel, at the ring's mean radius, the mean of two directions
    let ring = growth_ring_px(radius_px);
    let middle = 0.5 * (ring.0 + ring.1);
    let wing = 0.5 * (seeing.density(middle, 0.0) + seeing.density(0.0, middle));
    seeing.encircled(radius_px) - wing * area_px2
}

/// Share of a star's light that the wide aperture does not hold over its ring; across a trail, that of its seeing.
fn unsummed_share(shape: &StarImage) -> f64 {
    let radius_px = growth_radius_px(shape);
    1.0 - summed_share(&shape.seeing(), radius_px, PI * radius_px * radius_px)
}

/// The same about a trail: light, level and the model's shares are summed over the same pixels, by their distance from it.
fn growth_about_trail(
    image: &Image,
    mask: &Mask,
    shape: &StarImage,
    fit: &StarFit,
    (radius_px, ring): (f64, (f64, f64)),
) -> Option<f64> {
    let half_px = ring.1 + 0.5 * shape.trail_length_px();
    let (x, y) = (fit.x_px, fit.y_px);
    let inside = |c: f64, n: usize| c - half_px >= 0.0 && c + half_px <= n as f64 - 1.0;
    if !inside(x, image.width) || !inside(y, image.height) {
        return None;
    }
    let area = PixelBox::around(x, y, half_px, image.width, image.height)?;
    let mut model = Image::filled(area.width(), area.height(), 0.0);
    Painter::new(shape).add(&mut model, x - area.x0 as f64, y - area.y0 as f64, 1.0, ring.1);
    let (mut light, mut share, mut n) = (0.0, 0.0, 0.0);
    let (mut around, mut wing) = (Vec::new(), 0.0);
    for j in 0..model.height {
        for i in 0..model.width {
            let (px, py) = (i + area.x0, j + area.y0);
            let distance = shape.distance_px(px as f64 - x, py as f64 - y);
            let (value, of_model) = (image.at(px, py), f64::from(model.at(i, j)));
            let good = mask.is_good(px, py) && value.is_finite();
            if distance <= radius_px {
                if !good {
                    return None;
                }
                (light, share, n) = (light + f64::from(value), share + of_model, n + 1.0);
            } else if good && (ring.0..=ring.1).contains(&distance) {
                around.push(value);
                wing += of_model;
            }
        }
    }
    let level = robust::clipped(&around, ClipConfig { kappa: 2.5, rounds: 5 })?.median;
    let wing = wing / around.len() as f64;
    Some((light - level * n) / (share - wing * n) / fit.flux.value)
}

/// The median of the bright stars' ratios holds for all stars of the frame; `None` with too few of them.
fn total_light_factor(mut ratios: Vec<f64>) -> Option<Measured> {
    if ratios.len() < GROWTH_MIN_STARS {
        return None;
    }
    let factor = robust::median_f64(&mut ratios)?;
    // the median of n values has 1.25 times the error of their mean
    let sigma = 1.25 * robust::mad_sigma_f64(&mut ratios)? / (ratios.len() as f64).sqrt();
    (0.8..1.25).contains(&factor).then_some(Measured::new(factor, sigma.max(1e-4)))
}

/// Error of a night's zero point where no frame's bright stars show how much light the fitted image misses. Assumed: of the order
/// of what star images usually miss.
const UNKNOWN_TOTAL_LIGHT_MAG: f64 = 0.02;

/// Error of the light beyond the wide aperture, as a share of it: the fitted wing exponent is off by this much where faint
/// neighbours raise the level, and real wings are no better Moffat functions. Measured on simulated crowded fields, where
/// exponents come out up to 0.2 too large.
const WING_ERROR: f64 = 0.1;

/// Error of the factor to total light, magnitudes: the same stars and neighbours make it in every frame, so it does not
/// average down over the night.
pub fn total_light_sigma_mag(frames: &[FrameFluxes]) -> f64 {
    let known = frames.iter().filter_map(|f| Some((f.total_light_factor?, f.wing_share)));
    let sigma = |(m, wing): (Measured, f64)| 1.0857 * (m.sigma / m.value).hypot(WING_ERROR * wing);
    let mut sigmas: Vec<f64> = known.map(sigma).collect();
    robust::median_f64(&mut sigmas).unwrap_or(UNKNOWN_TOTAL_LIGHT_MAG)
}

/// The night's photometric solution: `m = zero point of the frame − 2.5 log F + colour term · (colour − reference)`.
#[derive(Debug, Clone, PartialEq)]
pub struct NightZeroPoint {
    /// Per frame, in the order given: zero point for a source of the reference colour; absent with too few stars.
    pub frames: Vec<Option<FrameZeroPoint>>,
    /// Colour term, where colours were known and spread enough.
    pub colour_term: Option<Measured>,
    /// Error that all frames share: the catalogue's errors over the stars used.
    pub common_sigma_mag: f64,
    /// Per standard seen in a kept frame: mean residual, its error, and whether it was used.
    pub stars: Vec<StarResidual>,
}

/// One frame's zero point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameZeroPoint {
    /// Magnitude of 1 e⁻/s, error from the scatter of the stars about it: what all frames share
    /// ([`NightZeroPoint::common_sigma_mag`]) comes on top.
    pub zero_point_mag: Measured,
    /// Stars used.
    pub n_stars: usize,
}

/// Factor that brings a frame's electrons per second to the stack's zero point; 1 where either is not known.
pub fn scale_to_stack(stack_zero_point_mag: Option<f64>, frame: Option<FrameZeroPoint>) -> f64 {
    let step_mag = stack_zero_point_mag.zip(frame).map_or(0.0, |(stack, frame)| stack - frame.zero_point_mag.value);
    10f64.powf(0.4 * step_mag)
}

/// A standard's mean residual over the night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarResidual {
    /// Which standard.
    pub standard: usize,
    /// Measured minus catalogue magnitude.
    pub residual_mag: f64,
    /// Error of that, catalogue included.
    pub sigma_mag: f64,
    /// Whether it took part.
    pub used: bool,
}

/// Error added in quadrature to every star and frame: flat field and star-image errors that photon noise does not
/// hold. Common practice; with it bright stars do not outvote the rest.
const STAR_FLOOR_MAG: f64 = 0.01;
/// Fewest stars for a frame's zero point.
const MIN_STARS: usize = 3;
/// Fewest stars, and smallest spread of their colours, for a colour term.
const MIN_COLOUR_STARS: usize = 10;
const MIN_COLOUR_SPREAD: f64 = 0.15;
/// Standards further than this many sigmas from the rest (variables, blends, errors of the catalogue) are left out.
const STAR_KAPPA: f64 = 3.5;

/// Solves frames' zero points, colour term and standards' residuals together.
///
/// # Errors
/// When no frame has three usable stars.
pub fn night_zero_point(
    frames: &[Vec<StarFlux>],
    standards: &[Standard],
    reference_colour: Option<f64>,
) -> Result<NightZeroPoint, ComaError> {
    let mut colour_term: Option<Measured> = None;
    let mut zero_points: Vec<Option<FrameZeroPoint>> = vec![None; frames.len()];
    let mut stars: Vec<StarResidual> = Vec::new();
    let colour_of = |i: usize| Some(standards[i].colour? - reference_colour?);
    // standards whose residual was out of line in the round before
    let mut left_out = vec![false; standards.len()];

    for _ in 0..8 {
        let term = colour_term.map_or(0.0, |t| t.value);
        let offset = |s: &StarFlux| {
            let standard = &standards[s.standard];
            standard.magnitude + 2.5 * s.flux_e_per_s.value.log10() - term * colour_of(s.standard).unwrap_or(0.0)
        };
        for (frame, zero_point) in frames.iter().zip(&mut zero_points) {
            let usable = frame.iter().filter(|s| !left_out[s.standard] && s.flux_e_per_s.value > 0.0);
            let values: Vec<(f64, f64)> = usable.map(|s| (offset(s), sigma(s, &standards[s.standard]))).collect();
            *zero_point =
                robust_mean(&values).map(|(zero_point_mag, n_stars)| FrameZeroPoint { zero_point_mag, n_stars });
        }
        stars = residuals(frames, standards, &zero_points, &offset);
        let mut sizes: Vec<f64> =
            stars.iter().filter(|s| !left_out[s.standard]).map(|s| (s.residual_mag / s.sigma_mag).abs()).collect();
        let typical = (robust::median_f64(&mut sizes).unwrap_or(1.0) / 0.6745).max(1.0);
        for s in &mut stars {
            s.used = (s.residual_mag / s.sigma_mag).abs() < STAR_KAPPA * typical;
            left_out[s.standard] = !s.used;
        }
        // the residuals hold what the present term leaves: add its correction
        if let Some(step) = colour_slope(&stars, &colour_of) {
            colour_term = Some(Measured::new(term + step.value, step.sigma));
        }
    }
    if zero_points.iter().all(Option::is_none) {
        let most = frames.iter().map(Vec::len).max().unwrap_or(0);
        return Err(ComaError::TooFew { what: "catalogue stars measured in a frame", found: most, needed: MIN_STARS });
    }
    let used: Vec<&StarResidual> = stars.iter().filter(|s| s.used).collect();
    let weights: Vec<f64> = used.iter().map(|s| s.sigma_mag.powi(-2)).collect();
    let total: f64 = weights.iter().sum();
    let chi2: f64 = used.iter().zip(&weights).map(|(s, w)| w * s.residual_mag.powi(2)).sum();
    let excess = (chi2 / (used.len() as f64 - 1.0).max(1.0)).max(1.0).sqrt();
    let common_sigma_mag = excess / total.sqrt();
    Ok(NightZeroPoint { frames: zero_points, colour_term, common_sigma_mag, stars })
}

fn sigma(s: &StarFlux, standard: &Standard) -> f64 {
    let photon = 1.0857 * s.flux_e_per_s.sigma / s.flux_e_per_s.value;
    let catalogue = standard.magnitude_err.unwrap_or(UNKNOWN_CATALOGUE_ERR_MAG);
    (photon.powi(2) + catalogue.powi(2) + STAR_FLOOR_MAG.powi(2)).sqrt()
}

/// Error assumed for a catalogue magnitude that states none. Common practice for survey photometry.
const UNKNOWN_CATALOGUE_ERR_MAG: f64 = 0.03;

/// Weighted mean after dropping what is far from the median.
fn robust_mean(values: &[(f64, f64)]) -> Option<(Measured, usize)> {
    let mut sorted: Vec<f64> = values.iter().map(|v| v.0).collect();
    let median = robust::median_f64(&mut sorted)?;
    let mut deviations: Vec<f64> = values.iter().map(|v| ((v.0 - median) / v.1).abs()).collect();
    let typical = (robust::median_f64(&mut deviations)? / 0.6745).max(1.0);
    let kept: Vec<&(f64, f64)> =
        values.iter().filter(|v| ((v.0 - median) / v.1).abs() < STAR_KAPPA * typical).collect();
    if kept.len() < MIN_STARS {
        return None;
    }
    let weight: f64 = kept.iter().map(|v| v.1.powi(-2)).sum();
    let mean = kept.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weight;
    let chi2: f64 = kept.iter().map(|v| ((v.0 - mean) / v.1).powi(2)).sum();
    let excess = (chi2 / (kept.len() as f64 - 1.0)).max(1.0).sqrt();
    Some((Measured::new(mean, excess / weight.sqrt()), kept.len()))
}

/// Mean residual of every standard over the frames.
fn residuals(
    frames: &[Vec<StarFlux>],
    standards: &[Standard],
    zero_points: &[Option<FrameZeroPoint>],
    offset: &impl Fn(&StarFlux) -> f64,
) -> Vec<StarResidual> {
    let mut sums = vec![(0.0f64, 0.0f64); standards.len()];
    for (frame, zero_point) in frames.iter().zip(zero_points) {
        let Some(zero_point) = zero_point else { continue };
        for s in frame.iter().filter(|s| s.flux_e_per_s.value > 0.0) {
            let photon = 1.0857 * s.flux_e_per_s.sigma / s.flux_e_per_s.value;
            let weight = 1.0 / (photon.powi(2) + STAR_FLOOR_MAG.powi(2));
            sums[s.standard].0 += weight;
            // measured − catalogue = zero point − (catalogue + 2.5 log F)
            sums[s.standard].1 += weight * (zero_point.zero_point_mag.value - offset(s));
        }
    }
    let seen = sums.iter().enumerate().filter(|(_, (w, _))| *w > 0.0);
    seen.map(|(standard, (weight, sum))| {
        let catalogue = standards[standard].magnitude_err.unwrap_or(UNKNOWN_CATALOGUE_ERR_MAG);
        // the floor is a property of the star's place on the detector and of its image: it does not average out
        let sigma_mag = (1.0 / weight + catalogue.powi(2) + STAR_FLOOR_MAG.powi(2)).sqrt();
        StarResidual { standard, residual_mag: sum / weight, sigma_mag, used: true }
    })
    .collect()
}

/// Slope of the residuals against colour; absent when too few stars or too little spread.
fn colour_slope(stars: &[StarResidual], colour_of: &impl Fn(usize) -> Option<f64>) -> Option<Measured> {
    let points: Vec<(f64, f64, f64)> = stars
        .iter()
        .filter(|s| s.used)
        .filter_map(|s| Some((colour_of(s.standard)?, s.residual_mag, s.sigma_mag.powi(-2))))
        .collect();
    if points.len() < MIN_COLOUR_STARS {
        return None;
    }
    let weight: f64 = points.iter().map(|p| p.2).sum();
    let mean_colour = points.iter().map(|p| p.0 * p.2).sum::<f64>() / weight;
    let mean_residual = points.iter().map(|p| p.1 * p.2).sum::<f64>() / weight;
    let spread = points.iter().map(|p| p.2 * (p.0 - mean_colour).powi(2)).sum::<f64>();
    if (spread / weight).sqrt() < MIN_COLOUR_SPREAD {
        return None;
    }
    let slope = points.iter().map(|p| p.2 * (p.0 - mean_colour) * (p.1 - mean_residual)).sum::<f64>() / spread;
    // measured − catalogue falls where the term is too small: m_cat + 2.5 log F = zp + term · colour
    Some(Measured::new(-slope, 1.0 / spread.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_that_nothing_shows_widens_the_error() {
        let known =
            FrameFluxes { total_light_factor: Some(Measured::new(1.0, 0.003)), wing_share: 0.04, ..Default::default() };
        // 0.3 % by the stars' scatter and a tenth of the 4 % beyond the aperture
        assert!((total_light_sigma_mag(&[known, FrameFluxes::default()]) - 1.0857 * 0.005).abs() < 1e-9);
        assert_eq!(total_light_sigma_mag(&[FrameFluxes::default()]), UNKNOWN_TOTAL_LIGHT_MAG);
    }

    /// Two frames of different transparency, a colour term, a variable star and noise-free fluxes.
    #[test]
    fn recovers_zero_points_and_colour_term() {
        let standards: Vec<Standard> = (0..40)
            .map(|i| Standard {
                magnitude: 13.0 + 0.1 * i as f64,
                magnitude_err: Some(0.01),
                colour: Some(0.2 + 0.9 * ((i * 7) % 40) as f64 / 40.0),
            })
            .collect();
        let (term, reference) = (0.03, 0.46);
        let frame = |zero_point: f64| -> Vec<StarFlux> {
            standards
                .iter()
                .enumerate()
                .map(|(standard, s)| {
                    let variable = if standard == 5 { 0.4 } else { 0.0 };
                    let instrumental = s.magnitude + variable - term * (s.colour.unwrap() - reference) - zero_point;
                    let flux = 10f64.powf(-0.4 * instrumental);
                    StarFlux { standard, flux_e_per_s: Measured::new(flux, flux * 0.002) }
                })
                .collect()
        };
        let got = night_zero_point(&[frame(22.0), frame(21.7), vec![]], &standards, Some(reference)).unwrap();
        let zero_point = |i: usize| got.frames[i].unwrap().zero_point_mag.value;
        assert!((zero_point(0) - 22.0).abs() < 1e-3, "{}", zero_point(0));
        assert!((zero_point(1) - 21.7).abs() < 1e-3);
        assert!(got.frames[2].is_none());
        // F falls by `term` per colour, so m + 2.5 log F rises by it
        assert!((got.colour_term.unwrap().value - term).abs() < 2e-3, "{:?}", got.colour_term);
        assert!(!got.stars.iter().find(|s| s.standard == 5).unwrap().used);
        assert!(got.common_sigma_mag > 0.001 && got.common_sigma_mag < 0.005);
    }

    #[test]
    fn a_frame_through_cloud_is_scaled_up() {
        let frame = |mag| FrameZeroPoint { zero_point_mag: Measured::new(mag, 0.01), n_stars: 9 };
        // 2.5 mag less transparent: ten times
        assert!((scale_to_stack(Some(22.0), Some(frame(19.5))) - 10.0).abs() < 1e-9);
        assert_eq!(scale_to_stack(None, Some(frame(19.5))), 1.0);
        assert_eq!(scale_to_stack(Some(22.0), None), 1.0);
    }

    #[test]
    fn says_when_there_are_too_few_stars() {
        let standards = [Standard { magnitude: 12.0, magnitude_err: None, colour: None }];
        let flux = StarFlux { standard: 0, flux_e_per_s: Measured::new(100.0, 1.0) };
        assert!(matches!(
            night_zero_point(&[vec![flux]], &standards, None),
            Err(ComaError::TooFew { found: 1, needed: 3, .. })
        ));
    }
}
