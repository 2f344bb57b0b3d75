//! Could stars have made it? How much of its area stars passed over, and what is left without those places.

use super::{Amplitude, Challenge, Challenged, per_cent, short};
use crate::evidence::feature_fit::{Fitted, Shape};
use crate::evidence::mode_space::off_rad;
use crate::evidence::nuisance::{Nuisance, Nuisances, Source};
use fanlight_image::{PixelBox, flag};

/// Share of the footprint that may be masked or under stars, unless the rest shows the feature as well.
const LARGEST_SHARE: f64 = 0.2;
/// From this share on the feature is measured again without those places.
const REFIT_FROM: f64 = 0.05;
/// It goes with the stars where less than this share of its amplitude is left, or this significance where more was expected.
const LEAST_LEFT: f64 = 0.5;
const LEAST_SIGMA: f64 = 3.0;
/// It stands without any place that stars touched where this share of it is left there, at a significance that this share of the
/// twins exceeds.
const WHOLE_WITHOUT: f64 = 0.8;
const RARE: f64 = 1e-3;
/// A star's leftover counts where it may be this share of the feature's own light.
const OF_FEATURE: f64 = 0.5;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let model = c.model;
    let (from, to) = c.extent_px();
    let (contrast, _) = model.contrast(c.fitted());
    let width = model.mask.width;
    let (mut total, mut touched) = (0usize, 0usize);
    let mut without = model.mask.clone();
    let area = model.frame.square_about(model.reach_px.1 + 2.0, (width, model.mask.height));
    for (x, y) in area.into_iter().flat_map(PixelBox::pixels) {
        let (rho, pa) = model.frame.polar_of_pixel((x, y));
        if rho > model.reach_px.1 {
            continue;
        }
        let i = y * width + x;
        let by_star = model.star_sigma(i) > OF_FEATURE * contrast * model.coma.blurred(rho);
        if by_star {
            without.bits[i] |= flag::STAR;
        }
        if (from..=to).contains(&rho) && in_footprint(c, rho, pa) {
            total += 1;
            touched += usize::from(by_star || model.mask.bits[i] != 0);
        }
    }
    let share = touched as f64 / total.max(1) as f64;
    let mut passed = share <= LARGEST_SHARE;
    let mut after = String::new();
    if share > REFIT_FROM {
        match left_without(c, &without) {
            Some((left, significance)) => {
                let before = c.findings.features[c.index].significance;
                let gone = left < LEAST_LEFT || (significance < LEAST_SIGMA && before > 2.0 * LEAST_SIGMA);
                // what shows as much where no star was is not the stars'
                let stands_alone = left >= WHOLE_WITHOUT && significance >= c.findings.chance.level(RARE);
                passed = !gone && (passed || stands_alone);
                after = format!(
                    " Without them {} of its strength is left, {} of its errors.",
                    per_cent(left),
                    short(significance)
                );
            }
            None => passed = false,
        }
    }
    let explanation = format!("{} of its area is masked or under stars that were taken out.{after}", per_cent(share));
    Challenge::judged("stars", passed, (share, LARGEST_SHARE), explanation)
}

fn in_footprint(c: &Challenged, rho_px: f64, pa_rad: f64) -> bool {
    let (ridge, _) = c.fitted().pa_at(rho_px);
    let off = off_rad(pa_rad, ridge);
    let half = match &c.fitted().shape {
        Shape::Wedge(w) => 0.5 * w.width_rad.max(c.model.fwhm_px / rho_px),
        Shape::Arc(a) => 0.5 * a.length_rad,
    };
    off.abs() <= half
}

/// Share of the amplitude that is left, and its significance, in a space without some pixels.
fn left_without(c: &Challenged, mask: &fanlight_image::Mask) -> Option<(f64, f64)> {
    let (space, data, fixed) = c.model.masked(mask)?;
    let unit = c.fitted().shape.unit(&space, &c.model.shapes);
    let fits = c.findings.features.iter().enumerate().filter(|(i, _)| *i != c.index).map(|(_, f)| &f.fitted);
    let beside = |unit: nalgebra::DVector<f64>, f: &Fitted| Nuisance {
        source: Source::Feature(0),
        direction: unit,
        sigma: 10.0 * f.amplitude,
    };
    let mut all = fixed;
    all.extend(fits.clone().map(|f| beside(f.shape.unit(&space, &c.model.shapes), f)));
    let nuisances = Nuisances::new(space.dim, &all);
    let found = Amplitude::of(&unit, &nuisances, &data);
    // the same without the other nuisances in the whole space, so that like is compared with like
    let mut all = c.model.fixed.clone();
    all.extend(fits.map(|f| beside(f.unit.clone(), f)));
    let plain = Nuisances::new(c.model.space.dim, &all);
    let before = Amplitude::of(&c.fitted().unit, &plain, &c.model.data);
    (found.value.is_finite() && before.value > 0.0).then(|| (found.value / before.value, found.significance()))
}
