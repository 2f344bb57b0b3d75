//! Finding features one after the other: search, fit, add to the model, search again.

use super::bank::{Bank, Best, pa_rad};
use super::chance::{Chance, TwinMaker};
use super::feature_fit::{FitContext, Fitted, Shape};
use super::mode_space::off_rad;
use super::night_model::{self, NightModel, NoEvidence, StackForEvidence};
use super::nuisance::{Evidence, Nuisance, Nuisances, Source};
use nalgebra::DVector;
use std::f64::consts::PI;

/// Twins of a search.
const N_TWINS: usize = 10_000;
/// A search goes on while what it finds is rarer than this.
const GOES_ON_TO: f64 = 0.05;
/// Twins that tell the size of a search's signals in noise.
const N_TYPICAL: u64 = 24;
const TYPICAL_SEED: u64 = 0x7A11;
/// Features at most.
const MOST_FEATURES: usize = 8;
/// Prior sizes of the broad terms that are compared, as shares of the coma.
const BROAD_SIZES: [f64; 4] = [0.0, 0.003, 0.01, 0.03];
/// Azimuthal orders of the broad terms.
pub const BROAD_ORDERS: [usize; 2] = [1, 2];
/// A centre is settled when the fit of everything moves it by less.
const CENTRE_SETTLED_PX: f64 = 0.015;
const CENTRE_ROUNDS: usize = 3;
/// It is moved by this many of the optocentre's errors at most: a strong tail's own form could pull it further.
const CENTRE_MOVES_SIGMA: f64 = 3.0;
/// Before the noise is known for good, what stands out by this much is taken out of what tells the noise: a jet left in it would hide
/// itself.
const CLEAR_SIGMA: f64 = 4.0;
/// Of the square of the significance of what is taken out so much is put back: the best of all templates takes that out of mere noise,
/// about 4.6², beyond what its parameters are counted for.
const CHANCE_SQUARE: f64 = 16.0;
/// Rounds in which features and the coma's lopsidedness are fitted beside each other.
const FIT_ROUNDS: usize = 2;
/// Relative error of a height from which on a fit beside one of the other sign has run away.
const RUNS_AWAY: f64 = 0.3;
/// Rounds in which noise and structure are told from each other.
const NOISE_ROUNDS: usize = 3;
/// Azimuthal orders up to this have their own noise: what the sky, the flat field and stars leave is broad.
const LOW_ORDERS: usize = 4;
/// Rings on either side that a ring's noise is averaged with, low orders and others.
const LOW_NEIGHBOURS: usize = 4;
const HIGH_NEIGHBOURS: usize = 2;

/// What a night shows.
pub struct Findings {
    /// Features in the order of finding.
    pub features: Vec<Finding>,
    /// What chance shows.
    pub chance: Chance,
    /// Templates of a search.
    pub n_templates: usize,
    /// Centre, kernel, sky and broad terms, without any feature.
    pub common: Vec<Nuisance>,
    /// All of them and every feature.
    pub everything: Nuisances,
    /// The most likely parameters of everything.
    pub parameters: Vec<f64>,
    /// How much larger the search's signals are than noise makes them.
    pub excess: f64,
    /// Probability of the most significant thing that is left beside the features; `None` where there was no search for it.
    pub rest: Option<f64>,
}

/// Features of an unfinished search.
struct Found {
    fits: Vec<Fitted>,
    /// Their shapes and amplitudes as nuisances.
    shapes: Vec<Nuisance>,
    /// Common nuisances, the broad terms as large as the data ask for beside the features.
    common: Vec<Nuisance>,
    /// The evidence of the data for all of it, a logarithm.
    log_density: f64,
}

impl Found {
    /// All that a search beside the features takes out.
    fn all(&self) -> Vec<Nuisance> {
        [&self.common[..], &self.shapes[..]].concat()
    }
}

/// A feature with its chance.
pub struct Finding {
    /// The fit.
    pub fitted: Fitted,
    /// The search's significance, with everything else projected out.
    pub significance: f64,
    /// Chance that a coma without it shows as much anywhere searched.
    pub probability: f64,
    /// Everything else; nothing in a rough search.
    pub beside: Vec<Nuisance>,
}

impl Finding {
    /// Of a rough search, which has no twins to judge by.
    fn rough(fitted: Fitted) -> Self {
        Self { significance: fitted.significance(), fitted, probability: 1.0, beside: Vec::new() }
    }
}

impl Findings {
    /// What is left of data when all fitted features and nuisances are taken off.
    pub fn residual(&self, data: &DVector<f64>) -> DVector<f64> {
        self.everything.clean(data)
    }

    /// Fitted parameters of everything with their sources.
    pub fn fitted_parameters(&self) -> impl Iterator<Item = (Source, f64)> {
        self.everything.sources.iter().copied().zip(self.parameters.iter().copied())
    }
}

impl NightModel {
    /// What is used to fit and to search, under given nuisances.
    pub fn context<'a>(&'a self, nuisances: &'a Nuisances, data: &'a DVector<f64>) -> FitContext<'a> {
        FitContext {
            space: &self.space,
            shapes: &self.shapes,
            nuisances,
            data,
            reach_px: self.reach_px,
            scale_arcsec: self.frame.scale_arcsec(),
        }
    }

    /// Nuisances that every search has beside features, the broad terms' sizes by the evidence of the data, and that evidence.
    fn common(&self, features: &[Nuisance]) -> (Vec<Nuisance>, f64) {
        let terms: Vec<(usize, Nuisance)> =
            (0..2).flat_map(|i| self.broad(BROAD_ORDERS[i], 1.0).into_iter().map(move |n| (i, n))).collect();
        let mut all = [&self.fixed[..], features].concat();
        let of_known: Vec<f64> = all.iter().map(|n| n.sigma).collect();
        all.extend(terms.iter().map(|t| t.1.clone()));
        let evidence = Evidence::new(&all, &self.data);
        let mut best = ([0.0; 2], f64::NEG_INFINITY);
        for first in BROAD_SIZES {
            for second in BROAD_SIZES {
                let of_terms = terms.iter().map(|(i, _)| [first, second][*i]);
                let value = evidence.log_density(&of_known.iter().copied().chain(of_terms).collect::<Vec<f64>>());
                if value > best.1 {
                    best = ([first, second], value);
                }
            }
        }
        let sized = terms.into_iter().map(|(i, n)| Nuisance { sigma: best.0[i], ..n });
        (self.fixed.iter().cloned().chain(sized.filter(Nuisance::is_used)).collect(), best.1)
    }

    fn search(&self, nuisances: &Nuisances) -> (Bank<'_>, TwinMaker) {
        (Bank::new(&self.templates, nuisances), TwinMaker::new(&self.space, nuisances))
    }

    /// The model of a stack about the centre that coma and structure together ask for, its noise as the stack itself shows it.
    ///
    /// # Errors
    /// When no structure can be looked for.
    pub fn settled(stack: &StackForEvidence) -> Result<Self, NoEvidence> {
        let mut frame = stack.frame;
        for round in 1.. {
            let mut model = Self::new(&StackForEvidence { frame, ..*stack })?;
            let rough = model.find_once(None);
            let shift: Vec<f64> =
                rough.fitted_parameters().filter(|(s, _)| *s == Source::Centre).map(|(_, p)| p).collect();
            let [dx, dy] = [0, 1].map(|axis| shift.get(axis).copied().unwrap_or(0.0));
            let (x, y) = (frame.centre_px.0 + dx, frame.centre_px.1 + dy);
            let moved = (x - stack.frame.centre_px.0).hypot(y - stack.frame.centre_px.1);
            let settled = dx.hypot(dy) <= CENTRE_SETTLED_PX || moved > CENTRE_MOVES_SIGMA * stack.centre_sigma_px;
            if !settled && round < CENTRE_ROUNDS {
                frame.centre_px = (x, y);
                continue;
            }
            model.settle_noise(&rough);
            return Ok(model);
        }
        unreachable!("the last round returns")
    }

    /// One search beside features that are taken out with amplitude and shape free: what stands out most, and what was projected out.
    pub fn most_significant(&self, beside: &[Fitted]) -> (Option<Best>, Nuisances) {
        let found = self.beside(beside.to_vec());
        let nuisances = Nuisances::new(self.space.dim, &found.all());
        let (bank, maker) = self.search(&nuisances);
        (bank.best(&maker.data(&self.data), |_| true), nuisances)
    }

    /// What stands out most, of the signs that are sought, with its sign.
    fn best_of(&self, bank: &Bank, maker: &TwinMaker) -> Option<(Best, f64)> {
        let found = self
            .signs
            .iter()
            .filter_map(|sign| Some((bank.best(&maker.data(&(&self.data * *sign)), |_| true)?, *sign)));
        found.max_by(|a, b| a.0.significance.total_cmp(&b.0.significance))
    }

    /// Searches the night. The same seed gives the same numbers.
    pub fn find(&self, seed: u64) -> Findings {
        self.find_once(Some(seed))
    }

    /// What stands out clearly, without a probability.
    pub fn find_clear(&self) -> Findings {
        self.find_once(None)
    }

    /// Everything that a search beside features takes out: common nuisances with the features' amplitudes and shapes.
    pub fn nuisances_beside(&self, common: &[Nuisance], fits: &[Fitted]) -> Nuisances {
        Nuisances::new(self.space.dim, &self.with_shapes(common, fits, None))
    }

    /// One search; without a seed, rough: no twins, and only what stands out clearly.
    fn find_once(&self, seed: Option<u64>) -> Findings {
        let dim = self.space.dim;
        let mut found = self.beside(Vec::new());
        let mut chance: Option<Chance> = None;
        let mut rest = None;
        let mut n_templates = 0;
        while found.fits.len() < MOST_FEATURES {
            let nuisances = Nuisances::new(dim, &found.all());
            let (bank, maker) = self.search(&nuisances);
            n_templates = bank.len();
            let Some((best, sign)) = self.best_of(&bank, &maker) else { break };
            if let (None, Some(seed)) = (&chance, seed) {
                chance = Some(Chance::of_twins(&bank, &maker, N_TWINS, seed).raised(self.least_excess));
            }
            let is_rare = |significance: f64| match &chance {
                Some(chance) => chance.probability(significance) <= GOES_ON_TO,
                None => significance > CLEAR_SIGMA,
            };
            let mut next =
                is_rare(best.significance).then(|| self.with_another(&found, &nuisances, (&best, sign))).flatten();
            // a feature explains a part of what looks like lopsidedness of the coma: without any, it may be what the data ask for
            if found.common.len() > self.fixed.len() {
                let even = Nuisances::new(dim, &[&self.fixed[..], &found.shapes[..]].concat());
                let (bank, maker) = self.search(&even);
                let best = self.best_of(&bank, &maker).filter(|(best, _)| is_rare(best.significance));
                let least = next.as_ref().map_or(found.log_density, |n| n.log_density);
                let other = best.and_then(|(best, sign)| self.with_another(&found, &even, (&best, sign)));
                let newest = |f: &Found| f.fits.last().map_or(0.0, Fitted::significance);
                next = other.filter(|o| o.log_density > least && is_rare(newest(o))).or(next);
            }
            let Some(next) = next else {
                rest = Some(best.significance);
                break;
            };
            found = next;
        }
        let everything = Nuisances::new(dim, &found.all());
        let Found { mut fits, common, .. } = found;
        // fitted beside all others, a feature may turn out to be the form of one found before it
        for i in 1..fits.len() {
            fits[i].correction_of = fits[i].lies_in(&fits[..i]);
        }
        let excess = if chance.is_some() { self.excess(&everything) } else { 1.0 };
        let chance = chance.map(|chance| chance.raised(excess));
        let features = match &chance {
            Some(chance) => self.judge_together(fits, &common, chance),
            None => fits.into_iter().map(Finding::rough).collect(),
        };
        let chance = chance.unwrap_or_else(Chance::none);
        let rest = rest.map(|significance| chance.probability(significance));
        let parameters = everything.parameters(&self.data);
        let excess = excess * self.least_excess;
        Findings { features, chance, n_templates, common, everything, parameters, excess, rest }
    }

    /// Features with the common nuisances that the data ask for beside them.
    fn beside(&self, fits: Vec<Fitted>) -> Found {
        let shapes = self.shape_nuisances(&fits, None);
        let (common, log_density) = self.common(&shapes);
        Found { fits, shapes, common, log_density }
    }

    /// What was found with the feature that a template of a search under nuisances suggests, all fitted together; `None` where the fit is
    /// lost.
    fn with_another(&self, found: &Found, nuisances: &Nuisances, (best, sign): (&Best, f64)) -> Option<Found> {
        let fitted = Fitted { sign, ..self.context(nuisances, &(&self.data * sign)).fit(best)? };
        let correction_of = fitted.lies_in(&found.fits);
        let mut fits = found.fits.clone();
        fits.push(Fitted { correction_of, ..fitted });
        let mut found = self.beside(fits);
        for _ in 0..FIT_ROUNDS {
            self.fit_together(&mut found.fits, &found.common);
            found = self.beside(found.fits);
        }
        Some(found)
    }

    /// Common nuisances with shape and amplitude of all fits but one and its corrections.
    fn with_shapes(&self, common: &[Nuisance], fits: &[Fitted], but: Option<usize>) -> Vec<Nuisance> {
        [common, &self.shape_nuisances(fits, but)].concat()
    }

    /// Shape and amplitude of all fits but one and its corrections, as nuisances.
    fn shape_nuisances(&self, fits: &[Fitted], but: Option<usize>) -> Vec<Nuisance> {
        let none = Nuisances::new(self.space.dim, &[]);
        let context = self.context(&none, &self.data);
        let is_other = |i: usize, f: &Fitted| but.is_none_or(|but| i != but && f.correction_of != Some(but));
        let others = fits.iter().enumerate().filter(|(i, f)| is_other(*i, f));
        others.flat_map(|(i, f)| f.as_nuisances(i, &context)).collect()
    }

    /// Fits every feature again with the others beside it.
    fn fit_together(&self, fits: &mut [Fitted], common: &[Nuisance]) {
        for i in 0..fits.len() {
            if fits[i].correction_of.is_some() {
                continue;
            }
            let nuisances = Nuisances::new(self.space.dim, &self.with_shapes(common, fits, Some(i)));
            let sign = fits[i].sign;
            let again = self.context(&nuisances, &(&self.data * sign)).fit_again(&fits[i].shape);
            // beside one of the other sign a fit can run away: two large heights that cancel
            let keeps = |a: &Fitted| self.signs.len() == 1 || a.height_share_sigma() < RUNS_AWAY;
            if let Some(again) = again.filter(keeps) {
                fits[i] = Fitted { sign, ..again };
            }
        }
    }

    /// Each feature's significance with the others projected out.
    fn judge_together(&self, fits: Vec<Fitted>, common: &[Nuisance], chance: &Chance) -> Vec<Finding> {
        let mut out = Vec::new();
        for i in 0..fits.len() {
            let beside = self.with_shapes(common, &fits, Some(i));
            let nuisances = Nuisances::new(self.space.dim, &beside);
            let (bank, maker) = self.search(&nuisances);
            let sums = maker.data(&(&self.data * fits[i].sign));
            let near = near_ridge(&fits[i]);
            let significance = bank.largest(&sums, near);
            out.push((significance, beside));
        }
        let judged = fits.into_iter().zip(out);
        judged
            .map(|(fitted, (significance, beside))| Finding {
                fitted,
                significance,
                probability: chance.probability(significance),
                beside,
            })
            .collect()
    }

    /// How much larger than by [`NightModel::least_excess`] the search's signals are than noise makes them, where nothing was found: what stars too
    /// faint to be masked and the flat field leave in shapes like the templates'. What chance shows is raised by it, and with it every level that features and limits are held against.
    fn excess(&self, everything: &Nuisances) -> f64 {
        let (bank, maker) = self.search(everything);
        let twins = (0..N_TYPICAL).map(|i| bank.typical(&maker.twin(TYPICAL_SEED, i))).sum::<f64>() / N_TYPICAL as f64;
        let night = bank.typical(&maker.data(&self.data));
        if twins > 0.0 { (night / twins / self.least_excess).max(1.0) } else { 1.0 }
    }

    /// Brings the noise to what the stack itself shows beside its structure: what neither noise nor structure explains is noise of a kind
    /// that the sub-stacks share; what stars may have left and did not is none. Structure that larger noise hid is looked for again.
    fn settle_noise(&mut self, rough: &Findings) {
        self.change_noise(&self.left_over_factors(rough));
        for _ in 1..NOISE_ROUNDS {
            self.change_noise(&self.left_over_factors(&self.find_once(None)));
        }
    }

    /// Factors of the noise that the residual asks for, in low and in high azimuthal orders, neighbouring rings averaged; no less than
    /// pixels alone make.
    fn left_over_factors(&self, findings: &Findings) -> DVector<f64> {
        let residual = findings.residual(&self.data);
        let expected = findings.everything.variance_of_clean();
        let mut by_chance = DVector::zeros(self.space.dim);
        for fitted in findings.features.iter().map(|f| &f.fitted) {
            let square = fitted.significance().powi(2).min(CHANCE_SQUARE);
            by_chance += fitted.unit.component_mul(&fitted.unit) * (square / fitted.unit.norm_squared());
        }
        let rings = &self.space.rings;
        let split = |i: usize| 2 * LOW_ORDERS.min(rings[i].modes);
        let sums = |low: bool| -> Vec<(f64, f64)> {
            let of_ring = |i: usize| {
                let (from, to) = if low { (0, split(i)) } else { (split(i), 2 * rings[i].modes) };
                let (start, n) = (rings[i].start + from, to - from);
                (residual.rows(start, n).norm_squared() + by_chance.rows(start, n).sum(), expected.rows(start, n).sum())
            };
            (0..rings.len()).map(of_ring).collect()
        };
        let (low, high) = (sums(true), sums(false));
        let mut out = DVector::repeat(self.space.dim, 1.0);
        for (i, ring) in rings.iter().enumerate() {
            let n = split(i);
            let mut fill = |sums: &[(f64, f64)], neighbours: usize, from: usize, n: usize| {
                let least = self.space.least_factor(i, from, n);
                let factor = night_model::mean_of_neighbours(sums, i, neighbours).unwrap_or(1.0);
                out.rows_mut(ring.start + from, n).fill(factor.max(least));
            };
            fill(&low, LOW_NEIGHBOURS, 0, n);
            fill(&high, HIGH_NEIGHBOURS, n, 2 * ring.modes - n);
        }
        out
    }

    /// Takes the components' noise to be another by factors in variance.
    fn change_noise(&mut self, factors: &DVector<f64>) {
        self.space.change_noise(factors);
        let roots = factors.map(f64::sqrt);
        self.templates.change_noise(&roots);
        let scale = |v: &mut DVector<f64>| v.component_div_assign(&roots);
        scale(&mut self.data);
        scale(&mut self.round_data);
        self.halves.iter_mut().for_each(|h| scale(&mut h.0));
        self.fixed.iter_mut().for_each(|n| scale(&mut n.direction));
    }
}

/// Position angles of a search at which a feature would be found again.
fn near_ridge(fitted: &Fitted) -> impl Fn(usize) -> bool + use<> {
    let (pa, width, turn) = match &fitted.shape {
        // the search names a wedge by its position angle at the nucleus
        Shape::Wedge(w) => (w.ridge_rad(0.0), w.width_rad, (w.curvature_rad_per_px * w.pivot_px).abs()),
        Shape::Arc(a) => (a.pa_rad, a.length_rad, 0.0),
    };
    let reach = (0.6 * width + 0.5 * turn).clamp(12f64.to_radians(), PI);
    move |k| off_rad(pa_rad(k), pa).abs() <= reach
}

#[cfg(test)]
mod tests {
    use super::super::mode_space::SkyFrame;
    use super::*;
    use crate::kernel::KernelPart;
    use crate::passing::UnseenStars;
    use fanlight_image::moffat::Moffat;
    use fanlight_image::{Image, Mask};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const N: usize = 141;
    const CENTRE: (f64, f64) = (70.2, 69.7);
    const PARTS: usize = 6;
    const SEED: u64 = 11;

    /// A ray of a 1/ρ coma: Gaussian across, even along, straight, north up and east left.
    struct Ray {
        pa_deg: f64,
        fwhm_deg: f64,
        contrast: f64,
        to_px: f64,
    }

    impl Ray {
        fn share(&self, rho: f64, pa_rad: f64) -> f64 {
            let off = off_rad(pa_rad, self.pa_deg.to_radians()) / self.fwhm_deg.to_radians();
            let along = 1.0 / (1.0 + (rho / self.to_px).powi(12));
            self.contrast * (-4.0 * 2f64.ln() * off * off).exp() * along
        }

        /// Signal over noise of a filter that knows it, the azimuthal mean taken off, between two distances of a coma of `light`/ρ.
        fn ideal(&self, light: f64, sigma: f64, (from, to): (f64, f64)) -> f64 {
            let n = 720;
            let square = |rho: f64| {
                let row: Vec<f64> =
                    (0..n).map(|i| self.share(rho, f64::from(i) * std::f64::consts::TAU / f64::from(n))).collect();
                let mean = row.iter().sum::<f64>() / f64::from(n);
                row.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n)
            };
            let steps = 200;
            let step = (to - from) / f64::from(steps);
            let rings = (0..steps).map(|k| from + (f64::from(k) + 0.5) * step);
            let sum: f64 =
                rings.map(|rho| square(rho) * std::f64::consts::TAU * rho * step * (light / rho).powi(2)).sum();
            sum.sqrt() / sigma
        }
    }

    /// The model and findings of a night with that ray, of noise `sigma` per pixel, where stars that are not there were thought to add
    /// `unseen` times its variance.
    fn searched(ray: &Ray, light: f64, sigma: f64, unseen: f64) -> (NightModel, Findings) {
        let seeing = Moffat { fwhm_major_px: 2.4, fwhm_minor_px: 2.4, angle_rad: 0.0, beta: 3.0 };
        let kernel = [KernelPart { seeing, paths_px: [(0.0, 0.0); 2], weight: 1.0 }];
        let frame = SkyFrame { centre_px: CENTRE, arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]] };
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        let part_sigma = sigma * (PARTS as f64).sqrt();
        let parts: Vec<Image> = (0..PARTS)
            .map(|_| {
                let pixel = |i: usize| {
                    let (rho, pa) = frame.polar_of_pixel((i % N, i / N));
                    let noise: f64 = StandardNormal.sample(&mut rng);
                    (light / rho.max(1.2) * (1.0 + ray.share(rho, pa)) + part_sigma * noise) as f32
                };
                Image { width: N, height: N, data: (0..N * N).map(pixel).collect() }
            })
            .collect();
        let mean_of = |some: &[&Image]| Image {
            width: N,
            height: N,
            data: (0..N * N).map(|i| some.iter().map(|p| p.data[i]).sum::<f32>() / some.len() as f32).collect(),
        };
        let all: Vec<&Image> = parts.iter().collect();
        let (image, first, second) = (mean_of(&all), mean_of(&all[..3]), mean_of(&all[3..]));
        let substacks: Vec<(&Image, f64)> = all.iter().map(|p| (*p, 1.0 / PARTS as f64)).collect();
        let (variance, mask) = (Image::filled(N, N, (sigma * sigma) as f32), Mask::clear(N, N));
        let stack = StackForEvidence {
            image: &image,
            variance: &variance,
            mask: &mask,
            correlation: 1.0,
            frame,
            centre_sigma_px: 0.02,
            kernel: &kernel,
            fwhm_px: 2.4,
            elongation_sigma: 0.01,
            substacks: &substacks,
            halves: &[(&first, 0.5), (&second, 0.5)],
            sky_sigma: 0.02 * sigma,
            star_variance: None,
            unseen_stars: UnseenStars { variance_per_px2: unseen * sigma * sigma, least_per_px2: 0.0 },
            star_leftovers: &[],
            star_track: &[],
            sky_per_px: 0.0,
            difference: None,
        };
        let model = NightModel::settled(&stack).expect("a coma far out of the noise");
        let findings = model.find(SEED);
        (model, findings)
    }

    fn only_wedge(findings: &Findings) -> (&Finding, &super::super::feature_fit::WedgeShape) {
        let alone: Vec<&Finding> = findings.features.iter().filter(|f| f.fitted.stands_alone()).collect();
        let [one] = alone.as_slice() else { panic!("{} features", alone.len()) };
        let Shape::Wedge(wedge) = &one.fitted.shape else { panic!("{:?}", one.fitted.shape) };
        (one, wedge)
    }

    /// A wide bright jet is told from lopsidedness of the coma, of which there is none: direction, width and height are its own.
    #[test]
    fn a_wide_jet_is_not_taken_for_lopsidedness() {
        let ray = Ray { pa_deg: 175.0, fwhm_deg: 56.0, contrast: 0.06, to_px: 24.0 };
        let (model, findings) = searched(&ray, 3000.0, 4.5, 0.0);
        let (one, wedge) = only_wedge(&findings);
        let ideal = ray.ideal(3000.0, 4.5, model.reach_px);
        assert!(ideal > 30.0 && one.significance > 0.5 * ideal, "{} of {ideal}", one.significance);
        let off_deg = off_rad(wedge.ridge_rad(12.0), ray.pa_deg.to_radians()).to_degrees();
        assert!(off_deg.abs() < 2.0, "{off_deg}");
        assert!((wedge.width_rad.to_degrees() / ray.fwhm_deg - 1.0).abs() < 0.12, "{}", wedge.width_rad.to_degrees());
        let height = one.fitted.amplitude * wedge.run(12.0);
        assert!((height / ray.contrast - 1.0).abs() < 0.15, "{height}");
    }

    /// A jet not far over the noise does not count as noise, even where the noise was thought to be larger before the night told it.
    #[test]
    fn a_faint_jet_does_not_hide_itself() {
        let ray = Ray { pa_deg: 60.0, fwhm_deg: 26.0, contrast: 0.05, to_px: 14.0 };
        let (model, findings) = searched(&ray, 3000.0, 9.0, 2.0);
        let ideal = ray.ideal(3000.0, 9.0, model.reach_px);
        let (one, _) = only_wedge(&findings);
        assert!((10.0..14.0).contains(&ideal) && one.significance > 0.58 * ideal, "{} of {ideal}", one.significance);
    }

    /// Noise alone shows nothing rare, and its own size is read from it.
    #[test]
    fn noise_alone_shows_nothing() {
        let none = Ray { pa_deg: 0.0, fwhm_deg: 30.0, contrast: 0.0, to_px: 20.0 };
        let (_, findings) = searched(&none, 3000.0, 9.0, 0.0);
        assert_eq!(findings.features.len(), 0);
        assert!(findings.rest.is_some_and(|p| p > GOES_ON_TO), "{:?}", findings.rest);
    }
}
