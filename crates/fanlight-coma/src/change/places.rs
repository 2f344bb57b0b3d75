//! What changed at the places of what both nights show: a jet that turned or brightened, sought where the mean of the nights has it.
//!
//! The mean, each night weighed by one over its variance, has no noise in common with the difference: where it shows structure is a
//! choice that the noise of the difference had no part in. At each such place two things are asked of the difference, how much of the
//! structure's own form there is and how much of its derivative with position angle, instead of thousands all over the coma.

use super::Changed;
use crate::evidence::feature_fit::{Fitted, Shape};
use crate::evidence::night_model::NightModel;
use crate::evidence::nuisance::{Amplitude, Nuisances};
use fanlight_image::smooth::FWHM_PER_SIGMA;
use nalgebra::DVector;

/// Wider structure is the coma's own form: its turning is not told from lopsidedness.
const WIDEST_RAD: f64 = 1.2;
/// Step of the derivative with position angle, in widths.
const TURN_WIDTHS: f64 = 0.05;
/// A Gaussian's derivative is largest a standard deviation from its ridge, exp(−½) over that standard deviation.
const STEEPEST: f64 = 0.606_530_659_7;
/// Full width at half maximum of either side of that derivative, in standard deviations.
const FLANK_SIGMAS: f64 = 1.59;

/// What the difference shows at the places of the mean's structure, each with its probability among all that was asked; of how many.
pub struct AtPlaces {
    pub changes: Vec<Changed>,
    pub smallest_probability: f64,
}

/// Asks the difference at the places that features of the mean have. `excess` is by how much signals are larger than noise makes them.
pub fn at_places(
    model: &NightModel,
    nuisances: &Nuisances,
    mean: (&NightModel, &[&Fitted]),
    excess: f64,
    km_per_px: f64,
) -> Option<AtPlaces> {
    let places: Vec<&Fitted> = mean.1.iter().copied().filter(|f| f.shape.width_rad() <= WIDEST_RAD).collect();
    let n_asked = 2 * places.len();
    let mut out = AtPlaces { changes: Vec::new(), smallest_probability: 1.0 };
    for fitted in places {
        let width_rad = fitted.shape.width_rad();
        let at = |turn_rad: f64| turned(&fitted.shape, turn_rad).unit(&model.space, &model.shapes);
        let step = TURN_WIDTHS * width_rad;
        let as_it_is = at(0.0);
        let turning: DVector<f64> = (at(step) - at(-step)) / (2.0 * step);
        let sigma_rad = width_rad / FWHM_PER_SIGMA;
        // contrast of a feature per unit of amplitude, as seen
        let seen = mean.0.contrast(fitted).0 / fitted.amplitude;
        let asked = [(as_it_is, false), (turning, true)].into_iter().filter(|(d, _)| d.norm_squared() > 0.0);
        let found = asked.map(|(direction, is_turn)| (Amplitude::of(&direction, nuisances, &model.data), is_turn));
        let Some((found, is_turn)) = found.max_by(|a, b| a.0.significance().abs().total_cmp(&b.0.significance().abs()))
        else {
            continue;
        };
        let probability = of_many(two_sided(found.significance() / excess), n_asked);
        out.smallest_probability = out.smallest_probability.min(probability);
        let (per_unit, sides): (f64, &[(f64, f64)]) = match is_turn {
            false => (seen, &[(0.0, 1.0)]),
            true => (seen * STEEPEST / sigma_rad, &[(1.0, 1.0), (-1.0, -1.0)]),
        };
        out.changes.extend(sides.iter().map(|(side, sign)| {
            let (from, to) = mean.0.extent_px(fitted);
            let (pa_rad, pa_sigma_rad) = fitted.pa_at(from);
            Changed {
                brighter: found.value * sign > 0.0,
                is_arc: matches!(fitted.shape, Shape::Arc(_)),
                pa_rad: (pa_rad + side * sigma_rad).rem_euclid(std::f64::consts::TAU),
                pa_sigma_rad,
                width_rad: if is_turn { FLANK_SIGMAS * sigma_rad } else { mean.0.width_seen_rad(fitted) },
                range_km: [from * km_per_px, to * km_per_px],
                contrast: (found.value * per_unit).abs(),
                contrast_sigma: (found.sigma * per_unit).abs(),
                probability,
            }
        }));
    }
    (n_asked > 0).then_some(out)
}

/// A shape at another position angle.
fn turned(shape: &Shape, by_rad: f64) -> Shape {
    let mut out = shape.clone();
    match &mut out {
        Shape::Wedge(w) => w.pa_rad += by_rad,
        Shape::Arc(a) => a.pa_rad += by_rad,
    }
    out
}

/// Chance that a number of unit variance is as far from zero, either way.
fn two_sided(significance: f64) -> f64 {
    libm::erfc(significance.abs() / std::f64::consts::SQRT_2)
}

/// Chance that the rarest of `n` is as rare (Šidák 1967, an upper bound for Gaussian numbers of any correlation).
pub fn of_many(probability: f64, n: usize) -> f64 {
    -(n as f64 * (-probability.min(1.0)).ln_1p()).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_are_those_of_a_normal_distribution() {
        // 1.959964: 5 % of either sign (Abramowitz and Stegun 1964, table 26.5)
        assert!((two_sided(-1.959_964) - 0.05).abs() < 1e-6);
        assert!((two_sided(5.0) / 5.733e-7 - 1.0).abs() < 1e-3);
        assert!((of_many(0.05, 2) - 0.0975).abs() < 1e-12 && of_many(1.0, 3) == 1.0);
        assert!((of_many(1e-20, 4) / 4e-20 - 1.0).abs() < 1e-9);
    }
}
