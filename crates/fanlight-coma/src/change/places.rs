//! What changed at the places of what both nights show: a jet that turned or brightened, sought where the mean of the nights has it.
//!
//! The mean, each night weighed by one over its variance, has no noise in common with the difference: where it shows structure is a
//! choice that the noise of the difference had no part in. At each such place two things are asked of the difference, how much of the
//! structure's own form there is and how much of its derivative with position angle, and of two rays near each other one less the other,
//! instead of thousands all over the coma.

use super::{Changed, MOVED_WITHIN_DEG};
use crate::evidence::feature_fit::{Fitted, Shape};
use crate::evidence::mode_space::off_rad;
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

/// What the difference shows at the places of the mean's structure, each with its probability among all that was asked.
pub struct AtPlaces {
    pub changes: Vec<Changed>,
    pub smallest_probability: f64,
}

/// Something that the difference is asked for: its form, and at which places there is more of it or less.
struct Asked {
    direction: DVector<f64>,
    /// Where it shows: number of the place, offset from its ridge in radians, full width at half maximum, contrast as seen per unit of the
    /// form, with its sign.
    shows: Vec<Shows>,
}

struct Shows {
    place: usize,
    off_rad: f64,
    width_rad: f64,
    contrast: f64,
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
    let asked = asked(model, mean.0, &places);
    let mut found: Vec<(Amplitude, &Asked)> = asked
        .iter()
        .filter(|a| a.direction.norm_squared() > 0.0)
        .map(|a| (Amplitude::of(&a.direction, nuisances, &model.data), a))
        .collect();
    found.sort_by(|a, b| b.0.significance().abs().total_cmp(&a.0.significance().abs()));
    let probability = |a: &Amplitude| of_many(two_sided(a.significance() / excess), asked.len());
    let smallest_probability = probability(&found.first()?.0);
    let mut changes = Vec::new();
    let mut told = vec![false; places.len()];
    for (amplitude, Asked { shows, .. }) in &found {
        // of what is asked at one place the rarest is told
        if shows.iter().any(|s| told[s.place]) {
            continue;
        }
        shows.iter().for_each(|s| told[s.place] = true);
        changes.extend(shows.iter().map(|s| {
            let fitted = places[s.place];
            let (from, to) = mean.0.extent_px(fitted);
            let (pa_rad, pa_sigma_rad) = fitted.pa_at(from);
            Changed {
                brighter: amplitude.value * s.contrast > 0.0,
                is_arc: matches!(fitted.shape, Shape::Arc(_)),
                pa_rad: (pa_rad + s.off_rad).rem_euclid(std::f64::consts::TAU),
                pa_sigma_rad,
                width_rad: s.width_rad,
                range_km: [from * km_per_px, to * km_per_px],
                contrast: (amplitude.value * s.contrast).abs(),
                contrast_sigma: (amplitude.sigma * s.contrast).abs(),
                probability: probability(amplitude),
            }
        }));
    }
    Some(AtPlaces { changes, smallest_probability })
}

/// Each place's form and its turning; and, of two rays so near each other that one may have turned into the other, one less the other.
fn asked(model: &NightModel, mean: &NightModel, places: &[&Fitted]) -> Vec<Asked> {
    let unit = |shape: &Shape| shape.unit(&model.space, &model.shapes);
    let forms: Vec<DVector<f64>> = places.iter().map(|f| unit(&f.shape)).collect();
    // contrast of a feature per unit of amplitude, as seen
    let seen: Vec<f64> = places.iter().map(|f| mean.contrast(f).0 / f.amplitude).collect();
    let whole = |place: usize, sign: f64| Shows {
        place,
        off_rad: 0.0,
        width_rad: mean.width_seen_rad(places[place]),
        contrast: sign * seen[place],
    };
    let mut out = Vec::new();
    for (i, fitted) in places.iter().enumerate() {
        out.push(Asked { direction: forms[i].clone(), shows: vec![whole(i, 1.0)] });
        let width_rad = fitted.shape.width_rad();
        let (step, sigma_rad) = (TURN_WIDTHS * width_rad, width_rad / FWHM_PER_SIGMA);
        let at = |turn_rad: f64| unit(&turned(&fitted.shape, turn_rad));
        let flank = |side: f64| Shows {
            place: i,
            off_rad: side * sigma_rad,
            width_rad: FLANK_SIGMAS * sigma_rad,
            contrast: side * seen[i] * STEEPEST / sigma_rad,
        };
        out.push(Asked { direction: (at(step) - at(-step)) / (2.0 * step), shows: vec![flank(1.0), flank(-1.0)] });
        for (j, other) in places.iter().enumerate().skip(i + 1) {
            let are_rays = [fitted, other].iter().all(|f| matches!(f.shape, Shape::Wedge(_)));
            if are_rays && off_rad(fitted.pa_at(0.0).0, other.pa_at(0.0).0).abs().to_degrees() <= MOVED_WITHIN_DEG {
                out.push(Asked { direction: &forms[i] - &forms[j], shows: vec![whole(i, 1.0), whole(j, -1.0)] });
            }
        }
    }
    out
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
