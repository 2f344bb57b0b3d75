//! Twins of a night drawn as full images: nothing in them is linearised, and each is searched as the night is.
//!
//! The linearised twins of the search are Gaussian numbers in its own space. These are images on the stack's grid: the fitted coma,
//! with the broad features found in the night, about a centre that is off, through a kernel that is stretched, widened and skewed,
//! with sky, flat field, light of stars that were taken out wrongly or not found, and sub-stacks with their own pixel noise, all of the
//! sizes that the linearised twins have.

use crate::draws::Draws;
use fanlight_coma::evidence::bank::Bank;
use fanlight_coma::evidence::chance::{TwinMaker, largest_of_twins};
use fanlight_coma::evidence::feature_fit::{Fitted, Shape};
use fanlight_coma::evidence::imaging::{Imager, mean_kernel};
use fanlight_coma::evidence::mode_space::{ModeRing, off_rad};
use fanlight_coma::evidence::night_model::{NightModel, NoEvidence, StackForEvidence};
use fanlight_coma::evidence::nuisance::{Nuisance, Nuisances, Source};
use fanlight_coma::evidence::search::Findings;
use fanlight_coma::evidence::shapes::{gaussian, gaussian_azimuth};
use fanlight_coma::passing::Passing;
use fanlight_coma::stars::MODEL_ERROR;
use fanlight_image::{Image, smooth};
use nalgebra::DVector;
use rayon::prelude::*;

/// Error of the kernel's width, as a share: what the measured nights of the tests show.
const WIDTH_SIGMA: f64 = 0.01;
/// Twins have the night's features that are rarer than this.
const CERTAIN: f64 = 1e-3;
/// Stars too faint to be found, per star image: many, so that they are like noise, and few enough to draw.
const UNSEEN_PER_IMAGE: f64 = 0.3;
/// Light from beyond the stack's edges that its kernel brings in.
const BEYOND_PX: f64 = 16.0;

/// How far off a twin's centre is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CentreError {
    /// As the optocentre's error says.
    Measured,
    /// As far as the search allows for: a tenth of a kernel width or more.
    Prior,
}

/// What is drawn of a twin beside noise; nil is the fitted twin itself.
#[derive(Debug, Clone, Default)]
pub struct Errors {
    /// Centre along x and y.
    pub centre_px: [f64; 2],
    /// Stretch of the kernel along the rows and at 45° to them.
    pub stretch: [f64; 2],
    /// Widening of the kernel.
    pub widening: f64,
    /// Skew of order 1 and 3, each with its cosine and sine.
    pub skew: [f64; 4],
    /// The sky's plane and bend at the search's outer edge.
    pub sky: [f64; 4],
    /// Lopsidedness of the coma: order, knot, cosine, sine.
    pub broad: Vec<(usize, usize, f64, f64)>,
}

/// A drawn twin.
pub struct FullTwin {
    /// The stack.
    pub image: Image,
    /// Its sub-stacks with their shares.
    pub substacks: Vec<(Image, f64)>,
}

/// A night whose twins are drawn.
pub struct FullTwins<'a> {
    stack: &'a StackForEvidence<'a>,
    passing: &'a Passing,
    /// The night as the search sees it.
    pub model: &'a NightModel,
    /// The night's certain features: every twin has them, and every search takes them out.
    pub features: Vec<Fitted>,
    /// What the linearised twins are drawn from.
    pub nuisances: Nuisances,
    common: &'a [Nuisance],
    kernel: Box<dyn Fn(f64, f64) -> f64 + Sync + 'a>,
    /// Per ring, variance over what the night's model expects of its pixels: of the components that have least, 1 at most.
    least_factors: Vec<f64>,
    /// Per component of the search's space, the share of its variance beyond that.
    excess: DVector<f64>,
}

impl<'a> FullTwins<'a> {
    /// Of an analysed night; `None` where no kernel is known.
    pub fn new(
        stack: &'a StackForEvidence<'a>,
        passing: &'a Passing,
        (model, findings): (&'a NightModel, &'a Findings),
    ) -> Option<Self> {
        let certain = findings.features.iter().filter(|f| f.probability < CERTAIN);
        let features: Vec<Fitted> = certain.map(|f| f.fitted.clone()).collect();
        let (_, nuisances) = model.most_significant(&features);
        let mut excess = DVector::zeros(model.space.dim);
        let mut least_factors = Vec::new();
        for ring in &model.space.rings {
            let own = ring.start..ring.start + 2 * ring.modes;
            let factors: Vec<f64> = own.clone().map(|i| factor_of(ring, i, model.space.dim)).collect();
            let least = factors.iter().fold(1.0, |a: f64, b| a.min(*b));
            own.zip(&factors).for_each(|(i, factor)| excess[i] = 1.0 - least / factor);
            least_factors.push(least);
        }
        let kernel = Box::new(mean_kernel(stack.kernel)?);
        Some(Self {
            stack,
            passing,
            model,
            features,
            nuisances,
            common: &findings.common,
            kernel,
            least_factors,
            excess,
        })
    }

    /// One draw of what is not noise, with the sizes that the linearised twins have.
    pub fn errors(&self, centre: CentreError, draws: &mut Draws) -> Errors {
        let mut one = |sigma: f64| sigma * draws.normal();
        let of = |source: Source| self.common.iter().filter(move |n| n.source == source).map(|n| n.sigma);
        let centre_sigma = match centre {
            CentreError::Measured => self.model.centre_sigma_px,
            CentreError::Prior => of(Source::Centre).next().unwrap_or(0.0),
        };
        let kernel: Vec<f64> = of(Source::Kernel).collect();
        let sky: Vec<f64> = of(Source::Sky).collect();
        let mut errors = Errors {
            centre_px: [one(centre_sigma), one(centre_sigma)],
            stretch: [one(kernel[0]), one(kernel[1])],
            widening: one(WIDTH_SIGMA),
            skew: std::array::from_fn(|k| one(kernel[2 + k])),
            sky: std::array::from_fn(|k| one(sky[k])),
            broad: Vec::new(),
        };
        for order in [1, 2] {
            let sigmas: Vec<f64> = of(Source::Broad(order)).collect();
            // two directions per knot
            errors.broad.extend((0..sigmas.len() / 2).map(|k| (order, k, one(sigmas[2 * k]), one(sigmas[2 * k]))));
        }
        errors
    }

    /// The twin without noise.
    pub fn exact(&self, errors: &Errors) -> Image {
        let (model, stack) = (self.model, self.stack);
        let (width, height) = (stack.image.width, stack.image.height);
        let [x, y] = [model.frame.centre_px.0 + errors.centre_px[0], model.frame.centre_px.1 + errors.centre_px[1]];
        let (px, py) = (x.round(), y.round());
        let sides = [px, py, width as f64 - 1.0 - px, height as f64 - 1.0 - py];
        let half = sides.into_iter().fold(0.0, |a: f64, b| a.max(b)) + BEYOND_PX;
        let imager = Imager::new(half as usize, (x - px, y - py));
        let share = self.share(errors);
        let light = imager.light(|dx, dy| {
            let (rho, pa) = model.frame.polar(dx, dy);
            (if rho > 0.0 { model.coma.own(rho) * (1.0 + share(rho, pa)).max(0.0) } else { 0.0 }, 0.0)
        });
        let kernel = |dx: f64, dy: f64| self.kernel_with(errors, dx, dy);
        let (square, _) = imager.image(&light, &imager.kernel(|dx, dy| (kernel(dx, dy), 0.0)));
        let (corner, side) = ((px - half.floor(), py - half.floor()), imager.width());
        let outer = model.reach_px.1;
        let data = (0..width * height).into_par_iter().map(|i| {
            let (u, v) = ((i % width) as f64, (i / width) as f64);
            let coma = square[(v - corner.1) as usize * side + (u - corner.0) as usize];
            let nucleus = model.coma.nucleus * kernel(u - x, v - y);
            let (p, q) = ((u - model.frame.centre_px.0) / outer, (v - model.frame.centre_px.1) / outer);
            let [a, b, c, d] = errors.sky;
            let sky = a * p + b * q + c * (p * p - q * q) + d * 2.0 * p * q;
            coma + (nucleus + sky) as f32
        });
        Image { width, height, data: data.collect() }
    }

    /// Features and lopsidedness as a share of the round coma, before blurring.
    fn share(&self, errors: &Errors) -> impl Fn(f64, f64) -> f64 + Sync {
        let wedges: Vec<_> = self
            .features
            .iter()
            .filter_map(|f| match &f.shape {
                Shape::Wedge(w) => Some((w, f.amplitude, gaussian_azimuth(w.width_rad)[0])),
                Shape::Arc(_) => None,
            })
            .collect();
        let broad = errors.broad.clone();
        move |rho, pa| {
            let wedges = wedges.iter().map(|(w, amplitude, mean)| {
                let off = off_rad(pa, w.ridge_rad(rho));
                let across: f64 =
                    (-1..=1).map(|turn| gaussian(off + f64::from(turn) * std::f64::consts::TAU, w.width_rad)).sum();
                amplitude * w.run(rho) * (across - mean)
            });
            let terms = broad.iter().map(|(order, knot, cos, sin)| {
                let psi = *order as f64 * pa;
                self.model.broad_run(*knot, rho) * (cos * psi.cos() + sin * psi.sin())
            });
            wedges.sum::<f64>() + terms.sum::<f64>()
        }
    }

    /// The kernel, stretched, widened and skewed, per square pixel.
    fn kernel_with(&self, errors: &Errors, x: f64, y: f64) -> f64 {
        let [a, b] = errors.stretch;
        // the inverse of the exponential of [[a, b], [b, −a]], which keeps areas
        let r = a.hypot(b);
        let (cosh, sinh) = (r.cosh(), if r > 0.0 { r.sinh() / r } else { 1.0 });
        let wider = 1.0 + errors.widening;
        let u = ((cosh - sinh * a) * x - sinh * b * y) / wider;
        let v = (-sinh * b * x + (cosh + sinh * a) * y) / wider;
        let (s, phi) = (2.0 * x.hypot(y) / self.model.fwhm_px, y.atan2(x));
        let [c1, s1, c3, s3] = errors.skew;
        let one = s.min(2.0) * (c1 * phi.cos() + s1 * phi.sin());
        let three = s.min(2.0).powi(2) * (c3 * (3.0 * phi).cos() + s3 * (3.0 * phi).sin());
        (self.kernel)(u, v) / (wider * wider) * (1.0 + one + three)
    }

    /// A twin with noise.
    pub fn drawn(&self, errors: &Errors, draws: &mut Draws) -> FullTwin {
        let (model, stack) = (self.model, self.stack);
        let mut shared = self.exact(errors);
        let width = shared.width;
        let mut beside = Image::filled(width, shared.height, 0.0);
        self.add_flat_field(&mut beside, draws);
        self.add_stars(&mut beside, draws);
        for (i, v) in beside.data.iter().enumerate() {
            shared.data[i] += v * self.scale_of_shared(i, width);
        }
        self.add_bright_stars(&mut shared, draws);
        self.add_excess(&mut shared, draws);
        let sigma: Vec<f32> = (0..shared.data.len())
            .map(|i| {
                let (rho, _) = self.polar(i, width);
                let variance = f64::from(stack.variance.data[i]) * model.noise_factor(rho);
                if variance.is_finite() && variance > 0.0 { variance.sqrt() as f32 } else { 0.0 }
            })
            .collect();
        let shares: Vec<f64> = match stack.substacks.is_empty() {
            true => vec![1.0],
            false => stack.substacks.iter().map(|s| s.1).collect(),
        };
        let total: f64 = shares.iter().sum();
        let mut image = Image::filled(width, shared.height, 0.0);
        let mut substacks = Vec::new();
        for share in shares {
            let mut part = correlated(draws, (width, shared.height), stack.correlation);
            let scale = (1.0 / share.max(1e-6)).sqrt() as f32;
            for (i, v) in part.data.iter_mut().enumerate() {
                *v = if stack.image.data[i].is_finite() { shared.data[i] + *v * scale * sigma[i] } else { f32::NAN };
                image.data[i] += (share / total) as f32 * *v;
            }
            substacks.push((part, share));
        }
        if stack.substacks.is_empty() {
            substacks.clear();
        }
        FullTwin { image, substacks }
    }

    fn polar(&self, index: usize, width: usize) -> (f64, f64) {
        let (cx, cy) = self.model.frame.centre_px;
        self.model.frame.polar((index % width) as f64 - cx, (index / width) as f64 - cy)
    }

    /// Variance of a pixel's own noise, as sums over many pixels see it.
    fn pixel_variance(&self, index: usize, rho_px: f64) -> f64 {
        f64::from(self.stack.variance.data[index]) * self.stack.correlation * self.model.noise_factor(rho_px)
    }

    /// By how much what the sub-stacks share must be smaller, since the night shows less than its model expects.
    fn scale_of_shared(&self, index: usize, width: usize) -> f32 {
        let (rho, _) = self.polar(index, width);
        let Some(ring) = self.ring_at(rho) else { return 1.0 };
        let (own, all) = (self.pixel_variance(index, rho), self.model.noise_variance(index));
        let left = (self.least_factors[ring] * all - own) / (all - own);
        if all > own { left.clamp(0.0, 1.0).sqrt() as f32 } else { 1.0 }
    }

    /// The ring of the search at a distance.
    fn ring_at(&self, rho_px: f64) -> Option<usize> {
        let rings = &self.model.space.rings;
        let at = rings.partition_point(|r| r.outer_px <= rho_px);
        (at < rings.len() && rings[at].inner_px <= rho_px).then_some(at)
    }

    /// Errors as wide as a kernel that all sub-stacks share: of the flat field, and of the kernel's form near the nucleus.
    fn add_flat_field(&self, image: &mut Image, draws: &mut Draws) {
        let fwhm_px = self.model.fwhm_px;
        // a Gaussian over whose area, 4πσ², a sum has the variance that the search gives to a kernel's
        let mut field = white(draws, (image.width, image.height));
        field = smooth::gaussian(&field, fwhm_px / (4.0 * std::f64::consts::PI).sqrt());
        let rms = (field.data.iter().map(|v| f64::from(v * v)).sum::<f64>() / field.data.len() as f64).sqrt();
        let width = image.width;
        for (i, v) in image.data.iter_mut().enumerate() {
            let (rho, _) = self.polar(i, width);
            let left = self.model.noise_variance(i) - self.pixel_variance(i, rho) - self.stack.variance_of_stars(i);
            if left > 0.0 {
                *v += (left.sqrt() / fwhm_px * f64::from(field.data[i]) / rms) as f32;
            }
        }
    }

    /// What stars leave along their tracks: those taken out wrongly, and those not found.
    fn add_stars(&self, image: &mut Image, draws: &mut Draws) {
        let passing = self.passing;
        let mut add = |(x, y): (f64, f64), light: f64| {
            for step in &passing.steps {
                add_star(image, (x + step.dx_px, y + step.dy_px), light * step.share, passing.fwhm_px);
            }
        };
        if !passing.steps.is_empty() {
            for star in &passing.stars {
                add((star.x_px, star.y_px), star.sigma.hypot(MODEL_ERROR * star.flux) * draws.normal());
            }
            let beyond = passing.longest_step_px() + 2.0 * passing.fwhm_px;
            let (width, height) = (self.stack.image.width as f64, self.stack.image.height as f64);
            let (wide, high) = (width + 2.0 * beyond, height + 2.0 * beyond);
            let per_px2 = UNSEEN_PER_IMAGE / passing.fwhm_px.powi(2);
            let light = (self.stack.unseen_stars.variance_per_px2 / per_px2).sqrt();
            for _ in 0..if light > 0.0 { (per_px2 * wide * high) as usize } else { 0 } {
                let place = (draws.between(-beyond, wide - beyond), draws.between(-beyond, high - beyond));
                add(place, if draws.chance(0.5) { light } else { -light });
            }
        }
    }

    /// Cores and wings of bright stars.
    fn add_bright_stars(&self, image: &mut Image, draws: &mut Draws) {
        for left in self.stack.star_leftovers.iter().flat_map(|left| [&left.core, &left.wings]) {
            let off = draws.normal() as f32;
            image.data.iter_mut().zip(&left.data).for_each(|(v, l)| *v += off * l);
        }
    }

    /// What only the night's own scatter shows, ring by ring in low and in high azimuthal orders.
    fn add_excess(&self, image: &mut Image, draws: &mut Draws) {
        let space = &self.model.space;
        let drawn = self.excess.map(|variance| variance.sqrt() * draws.normal());
        let factors = space.coefficients(&drawn);
        let width = image.width;
        for (i, v) in image.data.iter_mut().enumerate() {
            let (rho, pa) = self.polar(i, width);
            let Some(ring) = self.ring_at(rho).map(|at| &space.rings[at]) else { continue };
            let own = &factors[ring.start..ring.start + 2 * ring.modes];
            let share: f64 = own
                .chunks_exact(2)
                .enumerate()
                .map(|(m, pair)| {
                    let (sin, cos) = ((m + 1) as f64 * pa).sin_cos();
                    pair[0] * cos + pair[1] * sin
                })
                .sum();
            *v += (self.model.coma.blurred(rho) * share) as f32;
        }
    }

    /// Largest significance of a twin in the night's own space, by the night's own model: what noise and exact images change.
    pub fn largest_in_the_nights_model(&self, image: &Image) -> f64 {
        let bank = Bank::new(&self.model.templates, &self.nuisances);
        let maker = TwinMaker::new(&self.model.space, &self.nuisances);
        bank.largest(&maker.data(&self.in_space(image)), |_| true)
    }

    /// An image less the round twin, in the night's space.
    fn in_space(&self, image: &Image) -> DVector<f64> {
        let (model, width) = (self.model, image.width);
        model.space.project(|i| image.data[i] - model.in_square(&model.round, i % width, i / width))
    }

    /// Largest significance of a twin that goes the night's way: its own coma, centre, noise and lopsidedness, its features fitted.
    ///
    /// # Errors
    /// When no structure can be looked for.
    pub fn largest(&self, twin: &FullTwin) -> Result<f64, NoEvidence> {
        let substacks: Vec<(&Image, f64)> = twin.substacks.iter().map(|(image, share)| (image, *share)).collect();
        let stack = StackForEvidence {
            image: &twin.image,
            substacks: &substacks,
            halves: &[],
            frame: self.model.frame,
            ..*self.stack
        };
        let model = NightModel::settled(&stack)?;
        let mut fits: Vec<Fitted> = Vec::new();
        let nothing = NoEvidence::Impossible("nothing was found where a feature was drawn");
        for _ in &self.features {
            let (best, nuisances) = model.most_significant(&fits);
            let fit = best.and_then(|best| model.context(&nuisances, &model.data).fit(&best));
            fits.push(fit.ok_or(nothing.clone())?);
        }
        Ok(model.most_significant(&fits).0.map_or(0.0, |b| b.significance))
    }

    /// Largest significances of linearised twins.
    pub fn linearised(&self, n: usize, seed: u64) -> Vec<f64> {
        let bank = Bank::new(&self.model.templates, &self.nuisances);
        let maker = TwinMaker::new(&self.model.space, &self.nuisances);
        largest_of_twins(&bank, &maker, n, seed)
    }

    /// How far the exact images of errors are from their linear derivatives, without noise: the first of the night's fixed nuisances, of
    /// these sizes.
    pub fn directions(&self, sizes: &[f64]) -> Vec<Direction> {
        let none = Nuisances::new(self.model.space.dim, &[]);
        let searches = [&none, &self.nuisances]
            .map(|n| (Bank::new(&self.model.templates, n), TwinMaker::new(&self.model.space, n)));
        let [bare, projected] = searches.each_ref().map(|(bank, maker)| {
            move |of: &DVector<f64>| {
                let best = |of: &DVector<f64>| bank.largest(&maker.data(of), |_| true);
                let (up, down) = (best(of), best(&-of));
                if up > down { up } else { down }
            }
        });
        let without = self.exact(&Errors::default());
        let of_size = |(k, size): (usize, &f64)| {
            let mut errors = Errors::default();
            match k {
                0 | 1 => errors.centre_px[k] = *size,
                2 | 3 => errors.stretch[k - 2] = *size,
                4..8 => errors.skew[k - 4] = *size,
                _ => errors.sky[k - 8] = *size,
            }
            let with = self.exact(&errors);
            let exact = self.model.space.project(|i| with.data[i] - without.data[i]);
            let linear = *size * &self.model.fixed[k].direction;
            let off = &exact - &linear;
            Direction {
                significance: bare(&linear),
                off: bare(&off),
                left: projected(&off),
                relative: off.norm() / linear.norm(),
            }
        };
        sizes.iter().enumerate().map(of_size).collect()
    }
}

/// An error's exact image against its linear derivative, as any template of the search sees them, in units of the noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction {
    /// What the linear derivative gives a template at most, nothing projected out.
    pub significance: f64,
    /// What the exact image gives a template beyond the derivative at most, nothing projected out.
    pub off: f64,
    /// The same once the nuisances are projected out: what the linearised twins miss.
    pub left: f64,
    /// Size of the difference over that of the derivative.
    pub relative: f64,
}

/// Variance of a component over what the night's model expects of the pixels.
fn factor_of(ring: &ModeRing, component: usize, dim: usize) -> f64 {
    let mut unit = DVector::zeros(dim);
    unit[component] = 1.0;
    ring.scatter_of_substacks(&unit)
}

fn white(draws: &mut Draws, (width, height): (usize, usize)) -> Image {
    Image { width, height, data: (0..width * height).map(|_| draws.normal() as f32).collect() }
}

/// Noise of unit variance per pixel whose sums over many pixels have `correlation` times the variance of their pixels' sum.
fn correlated(draws: &mut Draws, size: (usize, usize), correlation: f64) -> Image {
    let noise = white(draws, size);
    let one_way = correlation.clamp(1.0, 8.9).sqrt();
    if one_way < 1.0 + 1e-6 {
        return noise;
    }
    // three taps b, 1, b each way: (1 + 2b)² / (1 + 2b²) is the square root of the correlation
    let b = match 4.0 - 2.0 * one_way {
        a if a.abs() < 1e-9 => 0.25 * (one_way - 1.0),
        a => (-4.0 + (16.0 + 4.0 * a * (one_way - 1.0)).sqrt()) / (2.0 * a),
    };
    let norm = (1.0 + 2.0 * b * b).sqrt();
    let (side, beside) = ((b / norm) as f32, (1.0 / norm) as f32);
    let (width, height) = size;
    let along = |data: &[f32], stride: usize, n: usize| -> Vec<f32> {
        (0..data.len())
            .map(|i| {
                let at = (i / stride) % n;
                // reflected at the edges
                let before = if at > 0 { data[i - stride] } else { data[i + stride] };
                let after = if at + 1 < n { data[i + stride] } else { data[i - stride] };
                beside * data[i] + side * (before + after)
            })
            .collect()
    };
    Image { data: along(&along(&noise.data, 1, width), width, height), ..noise }
}

/// A Gaussian star image.
fn add_star(image: &mut Image, (x, y): (f64, f64), light: f64, fwhm_px: f64) {
    let sigma = fwhm_px / 2.355;
    let reach = (3.5 * sigma).ceil();
    let peak = light / (std::f64::consts::TAU * sigma * sigma);
    let across = |from: f64, at: f64| (-0.5 * ((at - from) / sigma).powi(2)).exp();
    let range = |at: f64, n: usize| {
        let from = (at.round() - reach).max(0.0);
        let to = (at.round() + reach).min(n as f64 - 1.0);
        (from <= to).then_some(from as usize..=to as usize)
    };
    let (Some(columns), Some(rows)) = (range(x, image.width), range(y, image.height)) else { return };
    let along: Vec<f64> = columns.clone().map(|i| across(x, i as f64)).collect();
    for j in rows {
        let height = peak * across(y, j as f64);
        for (i, a) in columns.clone().zip(&along) {
            image.data[j * image.width + i] += (height * a) as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums over blocks have the stated variance, pixels unit variance.
    #[test]
    fn noise_has_the_correlation_asked_for() {
        for asked in [1.0, 1.4, 2.3, 4.0] {
            let noise = correlated(&mut Draws::new(5), (400, 400), asked);
            let per_pixel = noise.data.iter().map(|v| f64::from(v * v)).sum::<f64>() / 160_000.0;
            let block = 20;
            let mut in_blocks = 0.0;
            for by in 0..400 / block {
                for bx in 0..400 / block {
                    let sum: f64 = (0..block * block)
                        .map(|k| f64::from(noise.at(bx * block + k % block, by * block + k / block)))
                        .sum();
                    in_blocks += sum * sum / (block * block) as f64 / 400.0;
                }
            }
            assert!((per_pixel - 1.0).abs() < 0.03, "{asked}: {per_pixel}");
            // 400 blocks tell a variance to 7 %; their edges lose a little
            assert!((in_blocks / asked - 1.0).abs() < 0.22, "{asked}: {in_blocks}");
        }
    }
}
