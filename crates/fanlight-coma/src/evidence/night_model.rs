//! The night as the search sees it: the round twin, what is left over, and what could have made it.

use super::bank::Templates;
use super::bright_stars::{self, StarLeftover};
use super::coma_model::ComaModel;
use super::imaging::{self, Imager, Spectrum, Square};
use super::leftovers::{self, Leftovers};
use super::mode_space::{self, ModeSpace, ModeSpaceConfig, SkyFrame};
use super::nuisance::{Nuisance, Nuisances, Source};
use super::round_blur::RoundBlur;
use super::shapes::{HATS, Shapes};
use crate::kernel::KernelPart;
use crate::passing::UnseenStars;
use crate::seeing_loss::kernel_rings;
use fanlight_image::polar;
use fanlight_image::robust::ClipConfig;
use fanlight_image::{Image, Mask, PixelBox};
use nalgebra::DVector;
use rayon::prelude::*;
use std::f64::consts::TAU;
use thiserror::Error;

/// A measured stack, as evidence is sought in it. The sky is taken off.
#[derive(Clone, Copy)]
pub struct StackForEvidence<'a> {
    /// The stack.
    pub image: &'a Image,
    /// Its variance, pixel by pixel.
    pub variance: &'a Image,
    /// Its mask.
    pub mask: &'a Mask,
    /// How much more variance a sum over many pixels has than the sum of the pixels' variances.
    pub correlation: f64,
    /// Optocentre and orientation.
    pub frame: SkyFrame,
    /// Error of the optocentre per axis.
    pub centre_sigma_px: f64,
    /// The frames' kernels.
    pub kernel: &'a [KernelPart],
    /// Width of the whole kernel.
    pub fwhm_px: f64,
    /// Relative error of the kernel's elongation.
    pub elongation_sigma: f64,
    /// Interleaved sub-stacks, the sky taken off, with their shares of the stack's weight.
    pub substacks: &'a [(&'a Image, f64)],
    /// First and second half of the night, likewise; empty where there are none.
    pub halves: &'a [(&'a Image, f64)],
    /// Error of the sky per pixel, for a plane across the coma.
    pub sky_sigma: f64,
    /// Variance that stars leave which were taken out, per pixel as sums over many pixels see it; `None` without any.
    pub star_variance: Option<&'a Image>,
    /// The same of stars too faint to be found, alike everywhere.
    pub unseen_stars: UnseenStars,
    /// What bright stars may leave.
    pub star_leftovers: &'a [StarLeftover],
    /// How a star is imaged in the stack: steps in px with their shares of the weight; empty for a single image.
    pub star_track: &'a [(f64, f64, f64)],
    /// The sky that was taken off, per pixel: what flat-field errors are shares of, beside the coma.
    pub sky_per_px: f64,
    /// Of a difference of two nights, what both have in common.
    pub difference: Option<Difference<'a>>,
}

/// A difference of two nights put back on a mean coma, or the nights' mean. Where what is darker than the coma is sought, too, each sign has its
/// chance: probabilities are those of one.
#[derive(Clone, Copy)]
pub struct Difference<'a> {
    /// What the nights may differ by though the comet did not change, as light, each with how large it may be.
    pub leftovers: &'a [(Image, f64)],
    /// The share of the noise' variance that smoothing has left, of waves across a ray: at a distance in px, of an azimuthal order.
    pub noise_left: &'a (dyn Fn(f64, usize) -> f64 + Sync),
    /// Whether stars stood in either night's coma.
    pub has_stars: bool,
    /// Signs of what is sought.
    pub signs: &'static [f64],
}

impl StackForEvidence<'_> {
    /// Variance at a pixel, by its index, that stars leave, taken out or unseen.
    pub fn variance_of_stars(&self, index: usize) -> f64 {
        self.unseen_stars.variance_per_px2 + self.variance_of_found_stars(index)
    }

    fn variance_of_found_stars(&self, index: usize) -> f64 {
        self.star_variance.map_or(0.0, |v| f64::from(v.data[index]))
    }
}

/// Why structure cannot be looked for.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum NoEvidence {
    /// The optocentre is not on the image, or no kernel is known.
    #[error("{0}")]
    Impossible(&'static str),
    /// Nothing is resolved.
    #[error(
        "the coma stands out of the noise to {reach_fwhm:.1} kernel widths only; structure can be told from the kernel's own from {needed_fwhm:.0} on"
    )]
    Unresolved {
        /// How far it can be searched, in kernel widths.
        reach_fwhm: f64,
        /// How far it must be.
        needed_fwhm: f64,
    },
}

/// Inner edge of the search, in kernel widths: inside, the coma is not resolved.
const INNER_FWHM: f64 = 1.0;
/// The search must reach this far, in kernel widths.
const LEAST_REACH_FWHM: f64 = 3.5;
/// The search reaches no further, in px: the imaged square's cost grows with its square.
const FARTHEST_PX: f64 = 150.0;
/// The imaged square reaches further than the search by this: light from outside it is missing near its edge.
const MARGIN_PX: usize = 12;
/// The search ends where a wedge of this contrast, 30° wide, over a fifth of the distance, is under the noise.
const OUTER_CONTRAST: f64 = 0.3;
/// It ends, too, where the coma is under this many errors of the sky: beyond, what the flat field and the Moon leave would be
/// shares of the coma as large as its structure.
const OUTER_SKY_ERRORS: f64 = 20.0;
/// Errors that do not fall with exposure, as a share of the coma, over a kernel's area: the flat field's, and near the nucleus the
/// kernel's own shape beyond its ellipse, which falls with the square of the distance.
const FLAT_ERROR: f64 = 1e-4;
const KERNEL_ERROR: f64 = 0.0015;
/// How far the fitted centre may be off, in kernel widths, beside its own error: tails and jets pull it.
const CENTRE_SIGMA_FWHM: f64 = 0.1;
/// Skew of the kernel that star images hide: light moved to one side, as a share.
const SKEW_SIGMA: f64 = 0.005;
/// A noise factor from sub-stacks is trusted between these.
const NOISE_FACTORS: (f64, f64) = (0.5, 30.0);
/// What a bright star may leave counts from this many times the noise on.
const STAR_MATTERS: f64 = 0.5;
/// Signals of single places, which the median size of all does not tell, are larger than noise makes them by at least this: chosen on 33
/// featureless nights simulated among very many stars, of which six had a false feature without it, at 5.4 to 7 times the noise. Smaller, and
/// faint leftovers of stars are called structure; larger, and jets are missed.
const LEAST_EXCESS: f64 = 1.25;
/// Rings on either side that a ring's noise is averaged with.
const NOISE_NEIGHBOURS: usize = 2;

/// The night as the search sees it.
pub struct NightModel {
    /// Centre and orientation.
    pub frame: SkyFrame,
    /// Kernel width.
    pub fwhm_px: f64,
    /// The round coma.
    pub coma: ComaModel,
    /// Rings and modes.
    pub space: ModeSpace,
    /// Blurred building blocks.
    pub shapes: Shapes,
    /// What is searched for.
    pub templates: Templates,
    /// The stack less the round twin.
    pub data: DVector<f64>,
    /// Halves less the round twin: two by interleaved frames, two by time where known; each with its share of the weight.
    pub halves: Vec<(DVector<f64>, f64)>,
    /// What each pair of them is.
    pub half_names: Vec<&'static str>,
    /// Centre, kernel, sky and bright stars.
    pub fixed: Vec<Nuisance>,
    /// The round twin on the square about the nucleus.
    pub round: Square,
    /// Derivatives of it in the order of `fixed`, where they are images (centre and kernel).
    pub derivatives: Vec<Square>,
    /// The imaged square.
    pub imager: Imager,
    /// The kernel on it.
    pub kernel: Spectrum,
    /// First column and row of the square on the stack.
    pub corner: (isize, isize),
    /// Inner and outer edge of the search.
    pub reach_px: (f64, f64),
    /// The stack's mask with what was left of stars.
    pub mask: Mask,
    /// Error of the optocentre per axis.
    pub centre_sigma_px: f64,
    /// Largest difference in azimuthal mean between night and twin in the searched area, as a share of the coma.
    pub profile_misfit: f64,
    /// The round twin itself: what the kernel's elongation makes of a round coma.
    pub round_data: DVector<f64>,
    /// The stack less the round twin.
    residual: Image,
    /// Variance per pixel as the space has it, and the part of it that stars leave.
    variance: Image,
    /// Per ring: outer edge, and how much more the sub-stacks scatter than the stack's variance says.
    noise_factors: Vec<(f64, f64)>,
    star_variance: Option<Image>,
    star_leftovers: Vec<StarLeftover>,
    edges_px: Vec<f64>,
    sky_sigma: f64,
    elongation_sigma: f64,
    /// Signs of what is sought.
    pub signs: &'static [f64],
    /// Signals of single places are larger than noise makes them by at least this.
    pub least_excess: f64,
    /// Of a difference, what the nights may differ by without change.
    leftovers: Vec<(Image, f64)>,
}

/// The stack's mask with what stars left: spots, and what bright stars may have left.
fn without_stars(stack: &StackForEvidence, coma: &ComaModel, outer_px: f64) -> Mask {
    let (image, frame) = (stack.image, &stack.frame);
    let reach_px = outer_px + leftovers::beyond_px(stack.star_track, stack.fwhm_px);
    let Some(area) = frame.square_about(reach_px, (image.width, image.height)) else { return stack.mask.clone() };
    let (mut residual, variance) = (image.crop(area), stack.variance.crop(area));
    residual.data.par_chunks_mut(area.width()).enumerate().for_each(|(row, values)| {
        for (column, v) in values.iter_mut().enumerate() {
            *v -= coma.blurred(frame.rho_of_pixel((area.x0 + column, area.y0 + row))) as f32;
        }
    });
    let about = Leftovers {
        residual: &residual,
        variance: &variance,
        mask: &stack.mask.crop(area),
        correlation: stack.correlation,
        frame: frame.from_corner((area.x0, area.y0)),
        fwhm_px: stack.fwhm_px,
        reach_px: outer_px,
        track: stack.star_track,
    };
    let blurred = |rho: f64| coma.blurred(rho);
    let mut found = leftovers::mask_spots(&about, blurred);
    bright_stars::mask(&mut found, &about, stack.star_leftovers, (area.x0, area.y0), blurred);
    let mut mask = stack.mask.clone();
    for ((x, y), bits) in area.pixels().zip(&found.bits) {
        mask.bits[y * image.width + x] = *bits;
    }
    mask
}

/// Ring edges for the profile: fine, to a distance.
pub(crate) fn profile_edges(to_px: f64, fwhm_px: f64) -> Vec<f64> {
    let mut edges = vec![0.0f64];
    while edges[edges.len() - 1] < to_px {
        let last = edges[edges.len() - 1];
        edges.push(last + (0.3 * fwhm_px).max(0.7).max(0.06 * last));
    }
    edges
}

impl NightModel {
    /// Models a stack.
    ///
    /// # Errors
    /// When no structure can be looked for.
    pub fn new(stack: &StackForEvidence) -> Result<Self, NoEvidence> {
        let StackForEvidence { image, variance, frame, fwhm_px, .. } = stack;
        let (fwhm_px, (cx, cy)) = (*fwhm_px, frame.centre_px);
        let to_edge = frame.to_edge_px((image.width, image.height));
        if !(to_edge > LEAST_REACH_FWHM * fwhm_px) {
            return Err(NoEvidence::Impossible("the comet stands at the edge of the stack"));
        }
        let kernel_rings = kernel_rings(stack.kernel, fwhm_px);
        let kernel = imaging::mean_kernel(stack.kernel).filter(|_| !kernel_rings.is_empty());
        let kernel = kernel.ok_or(NoEvidence::Impossible("no star tells how a point is imaged"))?;
        let blur = RoundBlur::new(kernel_rings);
        let point = |rho: f64| {
            let turns = (0..16).map(|i| TAU * (f64::from(i) + 0.5) / 16.0);
            turns.map(|t| kernel(rho * t.cos(), rho * t.sin())).sum::<f64>() / 16.0
        };
        let edges = profile_edges(to_edge, fwhm_px);
        let clip = ClipConfig { kappa: 8.0, rounds: 2 };
        let rings = polar::azimuthal_profile(image, Some(variance), stack.mask, cx, cy, &edges, clip);
        let coma = ComaModel::fit(&rings, &blur, point, fwhm_px)
            .ok_or(NoEvidence::Impossible("the coma's profile could not be fitted"))?;

        let outer_px = reach_of(&rings, &coma, stack, to_edge).min(FARTHEST_PX);
        if outer_px < LEAST_REACH_FWHM * fwhm_px {
            let reach_fwhm = outer_px / fwhm_px;
            return Err(NoEvidence::Unresolved { reach_fwhm, needed_fwhm: LEAST_REACH_FWHM });
        }
        let inner_px = INNER_FWHM * fwhm_px;
        let (px, py) = (cx.round(), cy.round());
        let half = outer_px.ceil() as usize + MARGIN_PX;
        let imager = Imager::new(half, (cx - px, cy - py));
        let corner = (px as isize - half as isize, py as isize - half as isize);
        let (kernel, round, derivatives) = images(&imager, frame, &coma, &kernel, fwhm_px);

        let mask = &without_stars(stack, &coma, outer_px);

        let edges = mode_space::ring_edges(inner_px, outer_px, fwhm_px);
        let config = ModeSpaceConfig { frame: *frame, edges_px: &edges, fwhm_px };
        let of_noise = |i: usize, factor: f64| f64::from(variance.data[i]) * stack.correlation * factor;
        let blurred = |rho: f64| coma.blurred(rho);
        let plain = ModeSpace::new(image, mask, &config, |i, _| of_noise(i, 1.0), blurred);
        if plain.rings.len() < 4 {
            return Err(NoEvidence::Impossible("too few rings about the comet have enough good pixels"));
        }
        let in_square = |square: &Square, i: usize| -> f32 {
            let (x, y) = ((i % image.width) as isize - corner.0, (i / image.width) as isize - corner.1);
            let width = imager.width() as isize;
            if (0..width).contains(&x) && (0..width).contains(&y) { square[(y * width + x) as usize] } else { 0.0 }
        };
        let of_substacks: Vec<DVector<f64>> = stack
            .substacks
            .iter()
            .filter(|(_, share)| *share > 0.0 && *share < 1.0)
            .map(|(part, share)| {
                let scale = (1.0 / share - 1.0).sqrt() as f32;
                plain.project(|i| finite(part.data[i] - image.data[i]) / scale)
            })
            .collect();
        // seeing and centring differ from sub-stack to sub-stack; that is not noise of the stack
        let loose: Vec<Nuisance> = derivatives
            .iter()
            .take(4)
            .map(|d| Nuisance { source: Source::Centre, direction: plain.project(|i| in_square(d, i)), sigma: 1.0 })
            .collect();
        let noise_factors = noise_factors(&plain, &of_substacks, &Nuisances::new(plain.dim, &loose));
        let noise_factors: Vec<(f64, f64)> = plain.rings.iter().map(|r| r.outer_px).zip(noise_factors).collect();
        let kernel_px2 = fwhm_px * fwhm_px;
        let floor = |rho: f64| {
            let coma = coma.blurred(rho);
            let flat = FLAT_ERROR * (coma + stack.sky_per_px.max(0.0));
            kernel_px2 * flat.hypot(KERNEL_ERROR * (fwhm_px / rho).powi(2) * coma).powi(2)
        };
        let mut total = Image::filled(image.width, image.height, 0.0);
        let area = frame.square_about(outer_px + 2.0, (image.width, image.height));
        for (x, y) in area.into_iter().flat_map(PixelBox::pixels) {
            let (i, rho) = (y * image.width + x, frame.rho_of_pixel((x, y)));
            if rho <= outer_px + 2.0 {
                total.data[i] =
                    (of_noise(i, at_ring(&noise_factors, rho)) + floor(rho) + stack.variance_of_stars(i)) as f32;
            }
        }
        let of_pixel = |i: usize, _: f64| f64::from(total.data[i]);
        let mut space = ModeSpace::new(image, mask, &config, of_pixel, blurred);
        let least_of_stars = |i: usize| stack.variance_of_found_stars(i) + stack.unseen_stars.least_per_px2;
        space.take_least_noise(|i| of_noise(i, 1.0) + least_of_stars(i));
        if let Some(difference) = &stack.difference {
            space.smooth_noise(difference.noise_left);
        }
        let shapes = Shapes::new(&space, &coma, &blur, fwhm_px, (inner_px, outer_px));
        let templates = Templates::new(&space, &shapes, frame.scale_arcsec());
        let less_twin = |part: &Image| space.project(|i| finite(part.data[i] - in_square(&round, i)));
        let round_data = space.project(|i| in_square(&round, i));
        let mut residual: Image = (*image).clone();
        residual.data.par_iter_mut().enumerate().for_each(|(i, v)| *v = finite(*v - in_square(&round, i)));
        let data = less_twin(image);
        let (halves, half_names) = halves(stack, &less_twin);
        let mut model = Self {
            frame: *frame,
            fwhm_px,
            profile_misfit: profile_misfit(&rings, &coma, (inner_px, outer_px)),
            coma,
            space,
            shapes,
            templates,
            data,
            halves,
            half_names,
            fixed: Vec::new(),
            round,
            derivatives,
            imager,
            kernel,
            corner,
            reach_px: (inner_px, outer_px),
            mask: mask.clone(),
            centre_sigma_px: stack.centre_sigma_px,
            round_data,
            residual,
            variance: total,
            noise_factors,
            star_variance: stack.star_variance.cloned(),
            star_leftovers: stack.star_leftovers.to_vec(),
            edges_px: edges,
            sky_sigma: stack.sky_sigma,
            elongation_sigma: stack.elongation_sigma,
            signs: stack.difference.map_or(&[1.0], |d| d.signs),
            least_excess: match stack.difference {
                Some(difference) if !difference.has_stars => 1.0,
                _ => LEAST_EXCESS,
            },
            leftovers: stack.difference.map_or_else(Vec::new, |d| d.leftovers.to_vec()),
        };
        model.fixed = model.fixed_in(&model.space);
        Ok(model)
    }

    /// Centre, kernel, sky and bright stars in a space of this night.
    fn fixed_in(&self, space: &ModeSpace) -> Vec<Nuisance> {
        let width = self.mask.width;
        let mut fixed: Vec<Nuisance> = self
            .derivatives
            .iter()
            .enumerate()
            .map(|(k, d)| Nuisance {
                source: if k < 2 { Source::Centre } else { Source::Kernel },
                direction: space.project(|i| self.in_square(d, i % width, i / width)),
                sigma: match k {
                    0 | 1 => (CENTRE_SIGMA_FWHM * self.fwhm_px).max(3.0 * self.centre_sigma_px),
                    2 | 3 => 0.5 * self.elongation_sigma,
                    _ => SKEW_SIGMA,
                },
            })
            .collect();
        fixed.extend(sky(space, &self.frame, width, self.sky_sigma, self.reach_px.1));
        fixed.extend(self.leftovers.iter().map(|(left, sigma)| Nuisance {
            source: Source::Kernel,
            direction: space.project(|i| left.data[i]),
            sigma: *sigma,
        }));
        let images = self.star_leftovers.iter().flat_map(|left| [&left.core, &left.wings]);
        fixed.extend(images.filter_map(|left| {
            let direction = space.project(|i| left.data[i]);
            (direction.norm() > STAR_MATTERS).then_some(Nuisance { source: Source::Star, direction, sigma: 1.0 })
        }));
        fixed
    }

    /// Nuisances with the centre no further off than its own error: what is really known of it.
    pub fn with_known_centre(&self, all: &[Nuisance]) -> Nuisances {
        let known: Vec<Nuisance> = all
            .iter()
            .map(|n| match n.source {
                Source::Centre => Nuisance { sigma: self.centre_sigma_px, ..n.clone() },
                _ => n.clone(),
            })
            .collect();
        Nuisances::new(self.space.dim, &known)
    }

    /// Variance of a pixel's noise as sums over many pixels see it, before the night's own scatter raises it; 0 beyond the search.
    pub fn noise_variance(&self, index: usize) -> f64 {
        f64::from(self.variance.data[index])
    }

    /// How much more the sub-stacks scatter at a distance than the stack's variance says, in variance.
    pub fn noise_factor(&self, rho_px: f64) -> f64 {
        at_ring(&self.noise_factors, rho_px)
    }

    /// What stars that were taken out may leave at a pixel, 1σ, at most: their variance is that of sums, over an area no smaller than a
    /// star image's, 4πσ².
    pub fn star_sigma(&self, index: usize) -> f64 {
        let area_px2 = 4.0 * std::f64::consts::PI * (self.fwhm_px / 2.355).powi(2);
        self.star_variance.as_ref().map_or(0.0, |v| (f64::from(v.data[index]) / area_px2).sqrt())
    }

    /// Space, data, and centre, kernel and sky in it, without more pixels; `None` when rings are lost.
    pub fn masked(&self, mask: &Mask) -> Option<(ModeSpace, DVector<f64>, Vec<Nuisance>)> {
        let config = ModeSpaceConfig { frame: self.frame, edges_px: &self.edges_px, fwhm_px: self.fwhm_px };
        let variance = |i: usize, _: f64| f64::from(self.variance.data[i]);
        let mut space = ModeSpace::new(&self.residual, mask, &config, variance, |rho| self.coma.blurred(rho));
        let same = space.rings.len() == self.space.rings.len();
        if !same || !space.rings.iter().zip(&self.space.rings).all(|(a, b)| a.inner_px == b.inner_px) {
            return None;
        }
        space.take_gains(&self.space);
        let data = space.project(|i| self.residual.data[i]);
        let fixed = self.fixed_in(&space);
        Some((space, data, fixed))
    }

    /// Lopsidedness of the coma of one azimuthal order, smooth in ρ, as a share of the coma: two directions per knot, with one prior.
    pub fn broad(&self, order: usize, sigma: f64) -> Vec<Nuisance> {
        let mut out = Vec::new();
        for k in 0..BROAD_KNOTS {
            let run = self.shapes.knots_px.map(|rho_px| self.broad_run(k, rho_px));
            for sine in [false, true] {
                let direction = self.space.model(|i, ring| {
                    let mut factors = vec![(0.0, 0.0); ring.modes];
                    let value = self.shapes.run_at(i, order, &run);
                    let slot = factors.get_mut(order - 1)?;
                    *slot = if sine { (0.0, value) } else { (value, 0.0) };
                    Some(factors)
                });
                out.push(Nuisance { source: Source::Broad(order), direction, sigma });
            }
        }
        out
    }

    /// Run with distance of the broad terms' knot `knot`.
    pub fn broad_run(&self, knot: usize, rho_px: f64) -> f64 {
        let (from, to) = (self.shapes.knots_px[0], self.shapes.knots_px[HATS - 1]);
        let t = ((rho_px / from).ln() / (to / from).ln()).clamp(0.0, 1.0) * (BROAD_KNOTS - 1) as f64;
        (1.0 - (t - knot as f64).abs()).max(0.0)
    }

    /// A pixel of the stack on a square; 0 outside it.
    pub fn in_square(&self, square: &Square, x: usize, y: usize) -> f32 {
        let (x, y) = (x as isize - self.corner.0, y as isize - self.corner.1);
        let width = self.imager.width() as isize;
        if (0..width).contains(&x) && (0..width).contains(&y) { square[(y * width + x) as usize] } else { 0.0 }
    }
}

/// Knots of the broad terms' run with distance.
const BROAD_KNOTS: usize = 4;

/// The value of the ring at a distance, of rings' outer edges with their values; the last beyond them.
fn at_ring(rings: &[(f64, f64)], rho_px: f64) -> f64 {
    rings[rings.partition_point(|r| r.0 < rho_px).min(rings.len() - 1)].1
}

fn finite(v: f32) -> f32 {
    if v.is_finite() { v } else { 0.0 }
}

/// Largest difference between rings and coma between two distances, as a share of the coma, noise left out.
fn profile_misfit(rings: &[polar::Ring], coma: &ComaModel, (from, to): (f64, f64)) -> f64 {
    let inside = rings.iter().filter(|r| r.n_good > 0 && r.mean_radius_px > from && r.mean_radius_px < to);
    inside.fold(0.0, |largest: f64, r| {
        let model = coma.blurred(r.mean_radius_px);
        let off = ((r.mean - model).abs() - r.sigma_of_mean.unwrap_or(0.0)).max(0.0);
        largest.max(off / model)
    })
}

/// How far out a wedge would be seen.
fn reach_of(rings: &[polar::Ring], coma: &ComaModel, stack: &StackForEvidence, to_edge: f64) -> f64 {
    let mut reach = 0.0;
    for ring in rings.iter().filter(|r| r.n_good > 0) {
        let rho = ring.mean_radius_px;
        let Some(sigma) = ring.sigma_of_mean else { continue };
        let noise = sigma * (ring.n_good as f64 * stack.correlation).sqrt();
        let pixels = 0.2 * rho * rho * 0.52;
        let light = coma.blurred(rho);
        let hidden = OUTER_CONTRAST * light * pixels.sqrt() < noise || light < OUTER_SKY_ERRORS * stack.sky_sigma;
        if hidden && rho > 4.0 {
            break;
        }
        reach = ring.outer_px;
    }
    reach.min(to_edge)
}

/// The round twin and its derivatives: centre along x and y (per px), elongation along and at 45° to the rows (per relative
/// stretch), skew of order 1 and 3.
fn images(
    imager: &Imager,
    frame: &SkyFrame,
    coma: &ComaModel,
    kernel: &(impl Fn(f64, f64) -> f64 + Sync),
    fwhm_px: f64,
) -> (Spectrum, Square, Vec<Square>) {
    let own = |x: f64, y: f64| {
        let rho = frame.rho_px(x, y);
        if rho > 0.0 { coma.own(rho) } else { 0.0 }
    };
    const STEP_PX: f64 = 0.05;
    const STRETCH: f64 = 0.02;
    let light = imager.light(|x, y| (own(x, y), 0.0));
    let shifted = imager.light(|x, y| {
        // a coma further along x is seen at a place as the coma at a smaller x
        let slope = |dx: f64, dy: f64| (own(x - dx, y - dy) - own(x + dx, y + dy)) / (2.0 * STEP_PX);
        (slope(STEP_PX, 0.0), slope(0.0, STEP_PX))
    });
    let plain = imager.kernel(|x, y| (kernel(x, y), 0.0));
    let (along, across) = (1.0 + STRETCH, 1.0 / (1.0 + STRETCH));
    let stretched = imager.kernel(|x, y| {
        let straight = kernel(x * across, y * along) - kernel(x * along, y * across);
        let (u, v) = ((x + y) / 2f64.sqrt(), (y - x) / 2f64.sqrt());
        let turned = |p: f64, q: f64| ((p - q) / 2f64.sqrt(), (p + q) / 2f64.sqrt());
        let at = |p: f64, q: f64| {
            let (x, y) = turned(p, q);
            kernel(x, y)
        };
        let diagonal = at(u * across, v * along) - at(u * along, v * across);
        (straight / (2.0 * STRETCH), diagonal / (2.0 * STRETCH))
    });
    let skew = |order: i32| {
        imager.kernel(|x, y| {
            let (s, phi) = (x.hypot(y), y.atan2(x));
            let size = kernel(x, y) * (2.0 * s / fwhm_px).min(2.0).powi(order.min(2));
            (size * (f64::from(order) * phi).cos(), size * (f64::from(order) * phi).sin())
        })
    };
    let (mut round, _) = imager.image(&light, &plain);
    let mut derivatives = Vec::with_capacity(8);
    for (a, b) in [
        imager.image(&shifted, &plain),
        imager.image(&light, &stretched),
        imager.image(&light, &skew(1)),
        imager.image(&light, &skew(3)),
    ] {
        derivatives.extend([a, b]);
    }
    if coma.nucleus > 0.0 {
        let width = imager.width();
        let half = (width / 2) as f64;
        for (i, value) in round.iter_mut().enumerate() {
            let (x, y) = ((i % width) as f64 - half, (i / width) as f64 - half);
            *value += (coma.nucleus * kernel(x - imager.off().0, y - imager.off().1)) as f32;
        }
    }
    (plain, round, derivatives)
}

/// Variance of sub-stacks' differences over what the stack's variance says, ring by ring, neighbours averaged; 1 without sub-stacks.
fn noise_factors(space: &ModeSpace, noise: &[DVector<f64>], loose: &Nuisances) -> Vec<f64> {
    if noise.len() < 3 {
        return vec![1.0; space.rings.len()];
    }
    let cleaned: Vec<DVector<f64>> = noise.iter().map(|n| loose.clean(n)).collect();
    let sums: Vec<(f64, f64)> = space
        .rings
        .iter()
        .map(|r| {
            let square: f64 = cleaned.iter().map(|n| n.rows(r.start, 2 * r.modes).norm_squared()).sum();
            (square, (2 * r.modes * cleaned.len()) as f64)
        })
        .collect();
    let mean = |i: usize| mean_of_neighbours(&sums, i, NOISE_NEIGHBOURS).unwrap_or(1.0);
    (0..sums.len()).map(|i| mean(i).clamp(NOISE_FACTORS.0, NOISE_FACTORS.1)).collect()
}

/// Mean square over a ring and its neighbours on either side, from each ring's sum of squares and their number; `None` of nothing.
pub(super) fn mean_of_neighbours(sums: &[(f64, f64)], ring: usize, neighbours: usize) -> Option<f64> {
    let near = &sums[ring.saturating_sub(neighbours)..(ring + neighbours + 1).min(sums.len())];
    let (square, n) = near.iter().fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
    (n > 0.0).then(|| square / n)
}

/// Interleaved halves from the sub-stacks, then the halves by time, each a part of the night with its share of the weight; and the
/// pairs' names.
fn halves(
    stack: &StackForEvidence,
    project: &impl Fn(&Image) -> DVector<f64>,
) -> (Vec<(DVector<f64>, f64)>, Vec<&'static str>) {
    let (mut out, mut names) = (Vec::new(), Vec::new());
    if stack.substacks.len() >= 4 {
        for parity in 0..2 {
            let own: Vec<_> = stack.substacks.iter().skip(parity).step_by(2).collect();
            let share: f64 = own.iter().map(|s| s.1).sum();
            if share <= 0.0 {
                return (Vec::new(), Vec::new());
            }
            let mut sum = DVector::zeros(0);
            for (image, own) in own {
                let part = project(image) * (own / share);
                sum = if sum.is_empty() { part } else { sum + part };
            }
            out.push((sum, share));
        }
        names.push("interleaved frames");
    }
    if stack.halves.len() == 2 && stack.halves.iter().all(|h| h.1 > 0.0) {
        out.extend(stack.halves.iter().map(|(image, share)| (project(image), *share)));
        names.push("first and second half of the night");
    }
    (out, names)
}

/// A plane and a bend of the sky, as large at the outer edge as the sky's error.
fn sky(space: &ModeSpace, frame: &SkyFrame, width: usize, sky_sigma: f64, outer_px: f64) -> Vec<Nuisance> {
    let step = |i: usize| {
        let (x, y) = ((i % width) as f64 - frame.centre_px.0, (i / width) as f64 - frame.centre_px.1);
        (x / outer_px, y / outer_px)
    };
    type Term = fn(f64, f64) -> f64;
    let terms: [Term; 4] = [|x, _| x, |_, y| y, |x, y| x * x - y * y, |x, y| 2.0 * x * y];
    terms
        .into_iter()
        .enumerate()
        .map(|(k, term)| {
            let direction = space.project(|i| {
                let (x, y) = step(i);
                term(x, y) as f32
            });
            let sigma = if k < 2 { 2.0 * sky_sigma } else { sky_sigma };
            Nuisance { source: Source::Sky, direction, sigma }
        })
        .collect()
}
