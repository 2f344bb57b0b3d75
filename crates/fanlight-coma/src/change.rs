//! One night held against an earlier one: what of the coma's structure changed, and what would have been found.
//!
//! Both nights are laid on one grid of kilometres at the comet, north up; the sharper one is smoothed until both have the same
//! round kernel; each is taken as a share of its own azimuthal mean, so that a brighter coma is no change of structure. The
//! difference, put back on the later night's mean, is a stack like any other, with the noise, the centring and the kernel errors of
//! both: the search for structure of a single night finds in it what is brighter and, with the other sign, what is fainter, with a
//! false-alarm probability of the same kind.

mod alike;
mod common;
mod matching;
mod places;

use crate::evidence::feature_fit::{Fitted, Shape};
use crate::evidence::limits::Limit;
use crate::evidence::mode_space::{SkyFrame, off_rad};
use crate::evidence::night_model::{NightModel, NoEvidence};
use crate::evidence::nuisance::Nuisances;
use crate::evidence::search::Findings;
use common::Pair;
use fanlight_image::{Image, Mask};
use thiserror::Error;

/// A night's stack as another is held against it; images on one grid, the sky taken off.
#[derive(Clone, Copy)]
pub struct NightForChange<'a> {
    /// The stack.
    pub image: &'a Image,
    /// Its variance, pixel by pixel.
    pub variance: &'a Image,
    /// Its mask.
    pub mask: &'a Mask,
    /// How much more variance a sum over many pixels has than the sum of the pixels' variances.
    pub correlation: f64,
    /// Variance that stars leave, per pixel as sums over many pixels see it; `None` without any.
    pub star_variance: Option<&'a Image>,
    /// Interleaved sub-stacks with their shares of the stack's weight.
    pub substacks: &'a [(&'a Image, f64)],
    /// Optocentre and orientation.
    pub frame: SkyFrame,
    /// Scale at the comet.
    pub km_per_arcsec: f64,
    /// Error of the optocentre per axis.
    pub centre_sigma_px: f64,
    /// Width of the kernel: √(major · minor).
    pub fwhm_arcsec: f64,
    /// Its relative error.
    pub fwhm_sigma: f64,
    /// Wings of the star images, as Moffat's exponent.
    pub beta: f64,
    /// Error of the exponent.
    pub beta_sigma: f64,
    /// Elongation of the kernel, at least 1.
    pub elongation: f64,
    /// The long axis' position angle.
    pub elongation_pa_deg: f64,
    /// Relative error of the elongation.
    pub elongation_sigma: f64,
    /// Error of the sky per pixel.
    pub sky_sigma: f64,
    /// The sky that was taken off, per pixel.
    pub sky_per_px: f64,
}

/// Why two nights cannot be held against each other.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum NotCompared {
    /// A scale, a kernel or a share is not a number that can be used.
    #[error("{which} night has no usable {what}")]
    Unusable {
        /// `the earlier` or `the later`.
        which: &'static str,
        /// What is missing.
        what: &'static str,
    },
    /// Without sub-stacks the noise of the difference is not known.
    #[error("{which} night has {found} sub-stacks; the noise of the difference needs {needed}")]
    FewSubstacks {
        /// `the earlier` or `the later`.
        which: &'static str,
        /// Sub-stacks with a weight.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// One night's kernel hides what the other shows.
    #[error(
        "the kernels at the comet differ too much: {earlier_km:.0} and {later_km:.0} km; only up to a factor of {most} is the sharper night's \
         structure still told apart"
    )]
    Seeing {
        /// Width of the earlier night's kernel.
        earlier_km: f64,
        /// Width of the later night's.
        later_km: f64,
        /// Largest factor.
        most: f64,
    },
    /// The search for structure says why.
    #[error("{0}")]
    NoEvidence(#[from] NoEvidence),
}

/// A feature that goes and one that comes so near each other are one that moved.
pub const MOVED_WITHIN_DEG: f64 = 60.0;
/// A change with a larger probability is not claimed.
pub const CLAIMED_TO: f64 = 1e-3;

/// Brighter and fainter are sought: what one of them shows by chance has two chances.
fn of_either_sign(probability: f64) -> f64 {
    places::of_many(probability, 2)
}

/// Something that is brighter, or fainter, on the later night.
#[derive(Debug, Clone, PartialEq)]
pub struct Changed {
    /// Whether the later night has more light here.
    pub brighter: bool,
    /// Whether its radius is a shell's rather than a ray's.
    pub is_arc: bool,
    /// Position angle at its inner end (an arc's middle), radians north through east.
    pub pa_rad: f64,
    /// Its error.
    pub pa_sigma_rad: f64,
    /// Full width at half maximum in position angle.
    pub width_rad: f64,
    /// Inner and outer end.
    pub range_km: [f64; 2],
    /// Change of contrast, as seen with the common kernel; positive.
    pub contrast: f64,
    /// Its error.
    pub contrast_sigma: f64,
    /// Chance of so much change anywhere from noise, centring and kernels alone.
    pub probability: f64,
}

/// What a night has that the earlier one had not, and the other way round.
pub struct Comparison {
    /// Changes with a probability up to [`LISTED_TO`], the rarest first.
    pub changes: Vec<Changed>,
    /// The smallest probability of anything that was looked at.
    pub smallest_probability: f64,
    /// Smallest change of contrast found nine times in ten, in wedges of a jet's width.
    pub limit: Option<Limit>,
    /// Range of the search.
    pub range_km: [f64; 2],
    /// Width of the common kernel.
    pub fwhm_km: f64,
    /// Scale of the common grid.
    pub km_per_px: f64,
    /// Difference of the two contrasts, later less earlier, on the common grid; NaN where either is unknown.
    pub contrast: Image,
    /// The same smoothed as by the common kernel, over the error that it then has: pixels' noise as both filters and the smoothing leave it.
    pub significance: Image,
    /// Column and row of the nucleus on both.
    pub centre_px: (f64, f64),
}

/// Changes with a larger probability are not listed.
pub const LISTED_TO: f64 = 1e-2;

/// Holds the later of two nights against the earlier one. The same seed gives the same numbers.
///
/// # Errors
/// When the nights cannot be compared.
///
/// # Accuracy
/// Rates of false and of missed changes on simulated pairs of nights: `benches/records/season.md`.
pub fn compare(earlier: &NightForChange, later: &NightForChange, seed: u64) -> Result<Comparison, NotCompared> {
    compare_knowing(earlier, later, seed, None).map(|c| c.0)
}

/// What filters that know a change have to do with it, in the space of the search, at its noise and of its pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownChange {
    /// Significance of the change where nothing but noise is in the way.
    pub ideal: f64,
    /// The same with all that could have made it projected out: what a search can be asked to find.
    pub projected: f64,
    /// What such a filter, with all of that projected out, finds in the difference itself: `projected` give or take 1 where the noise is known.
    pub seen: f64,
}

/// [`compare`], and what filters find that know a true change. The change is light on the later night's stack, without noise.
///
/// # Errors
/// When the nights cannot be compared.
pub fn compare_knowing(
    earlier: &NightForChange,
    later: &NightForChange,
    seed: u64,
    truth: Option<&Image>,
) -> Result<(Comparison, Option<KnownChange>), NotCompared> {
    let pair = Pair::new(earlier, later)?;
    let model = pair.with_difference(NightModel::settled)?;
    let findings = model.find(seed);
    let known = truth.map(|light| {
        let change = pair.imaged(light, later);
        let change = model.space.project(|i| change.data[i]);
        let clean = Nuisances::new(model.space.dim, &findings.common).clean(&change);
        let projected = change.dot(&clean).max(0.0).sqrt();
        let seen = if projected > 0.0 { clean.dot(&model.data) / projected } else { 0.0 };
        KnownChange { ideal: change.norm(), projected, seen }
    });
    let alone = (0..findings.features.len()).filter(|i| findings.features[*i].fitted.stands_alone());
    let mut changes: Vec<Changed> = alone.clone().map(|i| changed(&model, &findings, i, pair.km_per_px)).collect();
    let at_places = at_places(&pair, &model, &findings);
    // all over the coma, and at the places of what both nights show: a chance finding has as many chances
    let looks = 1 + usize::from(at_places.is_some());
    let of_all = |p: f64| places::of_many(p, looks);
    // of what is no more than a part of something else there is no claim
    let everywhere = alone.map(|i| findings.features[i].probability).chain(findings.rest).map(of_either_sign);
    let at = at_places.iter().map(|a| a.smallest_probability);
    let smallest_probability = everywhere.chain(at).map(of_all).fold(1.0, f64::min);
    changes.extend(at_places.into_iter().flat_map(|a| a.changes));
    changes.iter_mut().for_each(|c| c.probability = of_all(c.probability));
    changes.retain(|c| c.probability <= LISTED_TO);
    changes.sort_by(|a, b| a.probability.total_cmp(&b.probability));
    let range_km = [model.reach_px.0 * pair.km_per_px, model.reach_px.1 * pair.km_per_px];
    let (contrast, significance) = pair.maps(&model);
    let comparison = Comparison {
        changes,
        smallest_probability,
        limit: limit(&model, &findings, seed),
        range_km,
        fwhm_km: pair.fwhm_km,
        km_per_px: pair.km_per_px,
        contrast,
        significance,
        centre_px: pair.centre_px(),
    };
    Ok((comparison, known))
}

/// What the difference shows at the places of the nights' mean, beside what was found all over the coma.
fn at_places(pair: &Pair, model: &NightModel, findings: &Findings) -> Option<places::AtPlaces> {
    // without a model of the mean there are no places
    let mean = pair.with_mean(NightModel::new).ok()?;
    let shown = mean.find_clear();
    let known: Vec<Fitted> = findings
        .features
        .iter()
        .filter(|f| of_either_sign(f.probability) <= CLAIMED_TO)
        .map(|f| f.fitted.clone())
        .collect();
    let off = |a: &Fitted, b: &Fitted| off_rad(a.pa_at(0.0).0, b.pa_at(0.0).0).abs();
    let is_told = |f: &Fitted| known.iter().any(|k| off(f, k) < f.shape.width_rad());
    let clear: Vec<&Fitted> =
        shown.features.iter().map(|f| &f.fitted).filter(|f| f.stands_alone() && !is_told(f)).collect();
    let nuisances = model.nuisances_beside(&findings.common, &known);
    places::at_places(model, &nuisances, (&mean, &clear), findings.excess, pair.km_per_px)
}

/// Width of the wedges that the limit is told of: a jet's.
const LIMIT_WIDTH_DEG: f64 = 25.0;

/// The contrast found nine times in ten in wedges of a jet's width, over the longest range that was searched for it.
fn limit(model: &NightModel, findings: &Findings, seed: u64) -> Option<Limit> {
    let limits = model.limits(findings, seed);
    let of_jets = limits
        .into_iter()
        .filter(|l| l.recovered_fraction == 0.9 && (l.width_rad.to_degrees() - LIMIT_WIDTH_DEG).abs() < 1.0);
    of_jets.max_by(|a, b| (a.outer_px / a.inner_px).total_cmp(&(b.outer_px / b.inner_px)))
}

fn changed(model: &NightModel, findings: &Findings, index: usize, km_per_px: f64) -> Changed {
    let finding = &findings.features[index];
    let fitted: &Fitted = &finding.fitted;
    let (from, to) = model.extent_px(fitted);
    let (pa_rad, pa_sigma_rad) = fitted.pa_at(from);
    let (contrast, contrast_sigma) = model.contrast(fitted);
    Changed {
        brighter: fitted.sign > 0.0,
        is_arc: matches!(fitted.shape, Shape::Arc(_)),
        pa_rad: pa_rad.rem_euclid(std::f64::consts::TAU),
        pa_sigma_rad,
        width_rad: model.width_seen_rad(fitted),
        range_km: [from * km_per_px, to * km_per_px],
        contrast,
        contrast_sigma,
        probability: of_either_sign(finding.probability),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const SIDE: usize = 161;
    const PARTS: usize = 4;
    const MIDDLE: f64 = (SIDE / 2) as f64;

    /// Parts of a night: a round coma, smooth beside any star image, with noise of a standard deviation in their mean.
    fn parts(rng: &mut ChaCha8Rng, sigma: f64) -> Vec<Image> {
        let mut pixel = |i: usize| {
            let rho = ((i % SIDE) as f64 - MIDDLE).hypot((i / SIDE) as f64 - MIDDLE);
            let noise: f64 = StandardNormal.sample(rng);
            (3000.0 / rho.hypot(8.0) + sigma * (PARTS as f64).sqrt() * noise) as f32
        };
        (0..PARTS)
            .map(|_| Image { width: SIDE, height: SIDE, data: (0..SIDE * SIDE).map(&mut pixel).collect() })
            .collect()
    }

    fn mean(parts: &[Image]) -> Image {
        let sum = |i: usize| parts.iter().map(|p| p.data[i]).sum::<f32>();
        Image { width: SIDE, height: SIDE, data: (0..SIDE * SIDE).map(|i| sum(i) / PARTS as f32).collect() }
    }

    /// What the map shows of noise alone has the size that it says, whichever night's noise the filters have smoothed.
    #[test]
    fn a_map_of_noise_alone_has_unit_scatter() {
        let mask = Mask::clear(SIDE, SIDE);
        let mut squares = (0.0, 0.0);
        for (seed, sigmas, widths_px) in [
            (1, [4.0, 2.0], [3.0, 6.5]),
            (2, [4.0, 2.0], [3.0, 6.5]),
            (3, [4.0, 2.0], [3.0, 6.5]),
            (4, [2.0, 4.0], [6.5, 3.0]),
        ] {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let nights = sigmas.map(|sigma| parts(&mut rng, sigma));
            let images = nights.each_ref().map(|n| mean(n));
            let variances = sigmas.map(|s| Image::filled(SIDE, SIDE, (s * s) as f32));
            let substacks = nights.each_ref().map(|n| n.iter().map(|p| (p, 1.0 / PARTS as f64)).collect::<Vec<_>>());
            let night = |i: usize| NightForChange {
                image: &images[i],
                variance: &variances[i],
                mask: &mask,
                correlation: 1.0,
                star_variance: None,
                substacks: &substacks[i],
                frame: SkyFrame { centre_px: (MIDDLE, MIDDLE), arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]] },
                km_per_arcsec: 1000.0,
                centre_sigma_px: 0.02,
                fwhm_arcsec: widths_px[i],
                fwhm_sigma: 0.01,
                beta: 3.0,
                beta_sigma: 0.2,
                elongation: 1.0,
                elongation_pa_deg: 0.0,
                elongation_sigma: 0.01,
                sky_sigma: 0.01,
                sky_per_px: 10.0,
            };
            let (map, (x, y)) =
                compare(&night(0), &night(1), 5).map(|c| (c.significance, c.centre_px)).expect("two nights");
            for (i, v) in map.data.iter().enumerate().filter(|(_, v)| v.is_finite()) {
                let rho = ((i % map.width) as f64 - x).hypot((i / map.width) as f64 - y);
                // nearer, the few numbers of a ring have lost their mean
                if rho > 15.0 {
                    squares = (squares.0 + f64::from(*v).powi(2), squares.1 + 1.0);
                }
            }
        }
        let rms = (squares.0 / squares.1).sqrt();
        // four maps of some 80 kernels' areas each: 3 % of the root of a mean square
        assert!(squares.1 > 20_000.0 && (rms - 1.0).abs() < 0.1, "{rms} of {}", squares.1);
    }
}
