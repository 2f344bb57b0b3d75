//! Two nights on one grid, with one kernel, each a share of its own mean.

use super::alike::{Alike, FILTER_REACH_FWHM, Grid, MOST_FILLED, Profile, km_per_px, usable_substacks};
use super::matching::{Filter, Filtered, PointImage, Spread};
use super::{NightForChange, NotCompared};
use crate::evidence::mode_space::SkyFrame;
use crate::evidence::night_model::{Difference, NightModel, StackForEvidence};
use crate::kernel::KernelPart;
use crate::passing::UnseenStars;
use fanlight_image::moffat::Moffat;
use fanlight_image::resample::{CoordinateGrid, Frame, Mapping, lanczos3};
use fanlight_image::smooth::{self, FWHM_PER_SIGMA};
use fanlight_image::{Image, Mask, flag};

/// Sub-stacks without which the noise of the difference is not known.
const LEAST_SUBSTACKS: usize = 4;
/// Largest ratio of the kernels' widths at the comet.
const MOST_UNLIKE: f64 = 2.5;
/// The common grid reaches no further from the nucleus, in px: a little more than the search does.
const FARTHEST_PX: f64 = 170.0;
/// What of the structure that both nights show may be left, as a share: a change moves the mean that each night is a share of.
const SHARE_ERROR: f64 = 0.02;
/// Steps by which it is found what errors of a star image leave: of its width and its axes' ratio as shares, and of its exponent.
const SHAPE_STEP: f64 = 0.03;
const BETA_STEP: f64 = 0.2;
/// A centre may be off by this many of its errors, as in the search of a single night.
const CENTRE_SIGMAS: f64 = 3.0;
/// The earlier night's coma must be over this many errors of its sky.
const OVER_SKY: f64 = 5.0;

/// Two nights made alike.
pub struct Pair {
    /// Scale of the common grid.
    pub km_per_px: f64,
    /// Width of the common kernel.
    pub fwhm_km: f64,
    later: Image,
    /// The earlier night, at the later one's brightness at every distance.
    earlier: Image,
    /// The later night's mean coma, pixel by pixel.
    mean: Image,
    variance: Image,
    mask: Mask,
    star_variance: Image,
    /// What errors of the star images and of the means leave, each with how large it may be.
    leftovers: Vec<(Image, f64)>,
    /// What smoothing leaves of the noise of the later and of the earlier night.
    filters: [Filter; 2],
    /// The earlier night's share of the variance before it, by distance in px.
    share_of_earlier: Vec<f64>,
    /// Exponent of the common kernel.
    beta: f64,
    has_stars: bool,
    /// Differences of the sub-stacks from their stack, both nights', with their shares of the weight.
    noise: Vec<(Image, f64)>,
    centre_sigma_px: f64,
    sky_sigma: f64,
    sky_per_px: f64,
}

fn sum(a: &Image, b: &Image) -> Image {
    Image { data: a.data.iter().zip(&b.data).map(|(a, b)| a + b).collect(), ..*a }
}

/// How an image changes when what it shows moves on by a pixel.
fn shifted(image: &Image, (dx, dy): (isize, isize)) -> Image {
    let mut out = Image::filled(image.width, image.height, 0.0);
    for (i, v) in out.data.iter_mut().enumerate() {
        let (x, y) = ((i % image.width) as isize, (i / image.width) as isize);
        let at = |sign: isize| image.index(x + sign * dx, y + sign * dy).map(|j| image.data[j]);
        *v = at(-1).zip(at(1)).map_or(0.0, |(before, behind)| 0.5 * (before - behind));
    }
    out
}

/// Refuses what cannot be used.
fn check(night: &NightForChange, which: &'static str) -> Result<(), NotCompared> {
    let unusable = |what| Err(NotCompared::Unusable { which, what });
    let positive = |v: f64| v.is_finite() && v > 0.0;
    if !positive(km_per_px(night)) {
        return unusable("scale at the comet");
    }
    let has_shape = night.elongation >= 1.0 && night.elongation.is_finite() && positive(night.beta);
    if !(positive(night.fwhm_arcsec) && has_shape) {
        return unusable("kernel: no star image tells how a point is imaged");
    }
    let size = (night.image.width, night.image.height);
    let same = |i: &Image| (i.width, i.height) == size;
    let whole = same(night.variance)
        && (night.mask.width, night.mask.height) == size
        && night.substacks.iter().all(|s| same(s.0))
        && night.star_variance.is_none_or(same);
    if !whole {
        return unusable("images of one size");
    }
    let found = usable_substacks(night).count();
    if found < LEAST_SUBSTACKS {
        return Err(NotCompared::FewSubstacks { which, found, needed: LEAST_SUBSTACKS });
    }
    Ok(())
}

impl Pair {
    pub fn new(earlier: &NightForChange, later: &NightForChange) -> Result<Self, NotCompared> {
        check(earlier, "the earlier")?;
        check(later, "the later")?;
        let common_km = km_per_px(earlier).min(km_per_px(later));
        let point = |n: &NightForChange| PointImage {
            spread: Spread::of_kernel(n.fwhm_arcsec * n.km_per_arcsec / common_km, n.elongation, n.elongation_pa_deg),
            beta: n.beta,
            pixel_px: km_per_px(n) / common_km,
        };
        let of_both = [point(earlier), point(later)];
        let [least, most] = [f64::min, f64::max].map(|f| f(of_both[0].widest_px(), of_both[1].widest_px()));
        if most > MOST_UNLIKE * least {
            let [earlier_km, later_km] = [earlier, later].map(|n| n.fwhm_arcsec * n.km_per_arcsec);
            return Err(NotCompared::Seeing { earlier_km, later_km, most: MOST_UNLIKE });
        }
        // of two exponents, the one with the weaker wings has nothing that the other's image lacks
        let common = PointImage::round(most, of_both[0].beta.max(of_both[1].beta));
        let reach =
            [earlier, later].map(|n| n.frame.to_edge_px((n.image.width, n.image.height)) * km_per_px(n) / common_km);
        let half_px = reach[0].min(reach[1]).min(FARTHEST_PX).floor().max(0.0) as usize;
        let grid = Grid { half_px, km_per_px: common_km };
        let [was, is] =
            [(earlier, "the earlier", of_both[0]), (later, "the later", of_both[1])].map(|(night, which, own)| {
                let alike = Alike::of(night, grid, own, common);
                alike.ok_or(NotCompared::Unusable { which, what: "coma about its centre" })
            });
        Self::of(was?, is?, grid, common, (earlier, later))
    }

    fn of(
        was: Alike,
        is: Alike,
        grid: Grid,
        kernel: PointImage,
        (earlier, later): (&NightForChange, &NightForChange),
    ) -> Result<Self, NotCompared> {
        let side = grid.side();
        let n = side * side;
        let fwhm_px = kernel.widest_px();
        let sky_was = earlier.sky_sigma * was.area_ratio;
        let mut mask = is.mask.clone();
        mask.bits
            .iter_mut()
            .zip(&was.mask.bits)
            .for_each(|(m, of_was)| *m |= if *of_was == 0 { 0 } else { flag::NO_DATA });
        // of the same pixels on both nights, and of all of them: left out on one night alone, a part of a tail would be a change
        let profile = |image: &Image, which| {
            let found = Profile::of(image, &mask, grid.half_px as f64, fwhm_px, false);
            found.ok_or(NotCompared::Unusable { which, what: "coma about its centre" })
        };
        let (mean_was, mean_is) = (profile(&was.image, "the earlier")?, profile(&is.image, "the later")?);
        let mut scale = vec![0.0f64; n];
        let mut mean = Image::filled(side, side, 0.0);
        for (i, scale) in scale.iter_mut().enumerate() {
            let rho = grid.rho(i);
            let (of_was, of_is) = (mean_was.at(rho), mean_is.at(rho));
            mean.data[i] = of_is as f32;
            if !(of_was > OVER_SKY * sky_was) || !(of_is > 0.0) {
                mask.bits[i] |= flag::NO_DATA;
            } else {
                *scale = of_is / of_was;
            }
        }
        let scaled = |image: &Image| Image {
            data: image.data.iter().zip(&scale).map(|(v, s)| (f64::from(*v) * s) as f32).collect(),
            ..*image
        };
        let scaled_twice = |image: &Image, i: usize| f64::from(image.data[i]) * scale[i] * scale[i];
        let before = scaled(&was.image);
        let mut common = Image::filled(side, side, 0.0);
        let mut variance = is.variance.clone();
        let mut star_variance = Image::filled(side, side, 0.0);
        // sums of both nights' variance and of the earlier one's, by distance
        let mut sums = vec![(0.0f64, 0.0f64); 2 * side];
        for i in 0..n {
            let of_was = scaled_twice(&was.variance, i);
            if mask.bits[i] == 0 {
                let sum = &mut sums[grid.rho(i) as usize];
                *sum = (sum.0 + of_was + f64::from(variance.data[i]), sum.1 + of_was);
            }
            variance.data[i] += of_was as f32;
            let stars = is.star_variance.as_ref().map_or(0.0, |v| f64::from(v.data[i]))
                + was.star_variance.as_ref().map_or(0.0, |v| scaled_twice(v, i));
            star_variance.data[i] = stars as f32;
            // noise in one night is no structure of both
            let [a, b] = [&is.image, &before].map(|image| image.data[i] - mean.data[i]);
            common.data[i] = if a * b > 0.0 && mask.bits[i] == 0 { a.signum() * a.abs().min(b.abs()) } else { 0.0 };
        }
        // each sub-stack's part with the share of the later night's, so that all have one weight
        let noise = is
            .noise
            .iter()
            .zip(&was.noise)
            .map(|((now, share), (then, other))| {
                let factor = ((1.0 / share - 1.0) / (1.0 / other - 1.0)).sqrt();
                let then = scaled(then);
                let data = now.data.iter().zip(&then.data).map(|(a, b)| a - factor as f32 * b).collect();
                (Image { data, ..*now }, *share)
            })
            .collect();
        let common = smooth::gaussian(&common, fwhm_px / FWHM_PER_SIGMA);
        let centre_sigma_px = is.centre_sigma_px.hypot(was.centre_sigma_px);
        let mut leftovers = Self::left_by_kernels(&common, &mean, [(&was, earlier), (&is, later)], fwhm_px);
        let shown = sum(&mean, &common);
        leftovers.extend([(1, 0), (0, 1)].map(|step| (shifted(&shown, step), CENTRE_SIGMAS * centre_sigma_px)));
        leftovers.push((common, SHARE_ERROR));
        let mut scales: Vec<f64> = scale.iter().copied().filter(|s| *s > 0.0).collect();
        let typical = fanlight_image::robust::median_f64(&mut scales)
            .ok_or(NotCompared::Unusable { which: "the earlier", what: "coma over its sky" })?;
        Ok(Self {
            km_per_px: grid.km_per_px,
            fwhm_km: fwhm_px * grid.km_per_px,
            centre_sigma_px,
            sky_sigma: (later.sky_sigma * is.area_ratio).hypot(typical * sky_was),
            sky_per_px: (later.sky_per_px * is.area_ratio).hypot(typical * earlier.sky_per_px * was.area_ratio),
            later: is.image,
            earlier: before,
            mean,
            variance,
            mask,
            star_variance,
            leftovers,
            filters: [is.filter, was.filter],
            share_of_earlier: sums.into_iter().map(|(both, one)| if both > 0.0 { one / both } else { 0.5 }).collect(),
            beta: kernel.beta,
            has_stars: [earlier, later].iter().any(|n| n.star_variance.is_some()),
            noise,
        })
    }

    /// What errors of both nights' star images leave in the difference: of what both show, so that the noise of neither is taken for its own
    /// cause.
    fn left_by_kernels(
        common: &Image,
        mean: &Image,
        nights: [(&Alike, &NightForChange); 2],
        fwhm_px: f64,
    ) -> Vec<(Image, f64)> {
        let shown = sum(mean, common);
        let clear = Mask::clear(mean.width, mean.height);
        let waves = Filtered::new(&shown, &clear, FILTER_REACH_FWHM * fwhm_px);
        let mut out = Vec::new();
        for (alike, night) in nights {
            let own = alike.point;
            let otherwise = [
                (own.wider(SHAPE_STEP), SHAPE_STEP, night.fwhm_sigma),
                (own.drawn_out(SHAPE_STEP, 0.0), SHAPE_STEP, night.elongation_sigma),
                (own.drawn_out(0.0, SHAPE_STEP), SHAPE_STEP, night.elongation_sigma),
                (PointImage { beta: own.beta + BETA_STEP, ..own }, BETA_STEP, night.beta_sigma),
            ];
            out.extend(otherwise.map(|(other, step, sigma)| {
                let (mut left, _) = waves.by(&Filter::between(own, other), 1.0);
                left.data.iter_mut().zip(&shown.data).for_each(|(l, s)| *l = (*l - s) / step as f32);
                (left, sigma)
            }));
        }
        out
    }

    /// Column and row of the nucleus.
    pub fn centre_px(&self) -> (f64, f64) {
        let middle = (self.mean.width / 2) as f64;
        (middle, middle)
    }

    fn fwhm_px(&self) -> f64 {
        self.fwhm_km / self.km_per_px
    }

    /// The later night's mean coma with the difference of the nights on it, as evidence is sought in it.
    pub fn with_difference<T>(&self, sought: impl FnOnce(&StackForEvidence) -> T) -> T {
        let change = |i: usize| self.later.data[i] - self.earlier.data[i];
        let left = |rho_px: f64, order: usize| {
            let earlier = self.share_at(rho_px);
            let [later_left, earlier_left] = self.left_of(rho_px, order);
            (1.0 - earlier) * later_left + earlier * earlier_left
        };
        let difference = Difference {
            leftovers: &self.leftovers,
            noise_left: &left,
            has_stars: self.has_stars,
            signs: &[1.0, -1.0],
        };
        self.as_stack(change, |_| 1.0, difference, sought)
    }

    /// The mean of both nights at the later one's brightness, each weighed by one over its variance: its noise has nothing in common with the
    /// difference's.
    pub fn with_mean<T>(&self, sought: impl FnOnce(&StackForEvidence) -> T) -> T {
        let side = self.mean.width;
        let earlier = |i: usize| {
            let middle = (side / 2) as f64;
            self.share_at(((i % side) as f64 - middle).hypot((i / side) as f64 - middle))
        };
        let shown = |i: usize| {
            let share = earlier(i) as f32;
            share * self.later.data[i] + (1.0 - share) * self.earlier.data[i] - self.mean.data[i]
        };
        let left = |rho_px: f64, order: usize| {
            let earlier = self.share_at(rho_px);
            let [later_left, earlier_left] = self.left_of(rho_px, order);
            earlier * later_left + (1.0 - earlier) * earlier_left
        };
        let difference = Difference { leftovers: &[], noise_left: &left, has_stars: self.has_stars, signs: &[1.0] };
        self.as_stack(shown, |i| earlier(i) * (1.0 - earlier(i)), difference, sought)
    }

    /// Structure on the later night's mean coma as evidence is sought in it; `variance` is that of its noise as a share of the difference's.
    fn as_stack<T>(
        &self,
        structure: impl Fn(usize) -> f32,
        variance: impl Fn(usize) -> f64,
        difference: Difference,
        sought: impl FnOnce(&StackForEvidence) -> T,
    ) -> T {
        let mut image = self.mean.clone();
        for (i, v) in image.data.iter_mut().enumerate() {
            *v += if self.mask.bits[i] == 0 { structure(i) } else { 0.0 };
        }
        let shares: Vec<f32> = (0..image.data.len()).map(|i| variance(i).max(1e-6) as f32).collect();
        let scaled = |of: &Image| Image { data: of.data.iter().zip(&shares).map(|(v, s)| v * s).collect(), ..*of };
        let parts: Vec<(Image, f64)> = self
            .noise
            .iter()
            .map(|(part, share)| {
                let data = image.data.iter().zip(&part.data).zip(&shares).map(|((v, p), s)| v + p * s.sqrt()).collect();
                (Image { data, ..*part }, *share)
            })
            .collect();
        let substacks: Vec<(&Image, f64)> = parts.iter().map(|(i, s)| (i, *s)).collect();
        let fwhm_px = self.fwhm_px();
        let seeing = Moffat { fwhm_major_px: fwhm_px, fwhm_minor_px: fwhm_px, angle_rad: 0.0, beta: self.beta };
        let kernel = [KernelPart { seeing, paths_px: [(0.0, 0.0); 2], weight: 1.0 }];
        sought(&StackForEvidence {
            image: &image,
            variance: &scaled(&self.variance),
            mask: &self.mask,
            correlation: 1.0,
            frame: SkyFrame { centre_px: self.centre_px(), arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]] },
            centre_sigma_px: self.centre_sigma_px,
            kernel: &kernel,
            fwhm_px,
            // it is among the leftovers, with what it makes of structure
            elongation_sigma: 0.0,
            substacks: &substacks,
            halves: &[],
            sky_sigma: self.sky_sigma,
            star_variance: Some(&scaled(&self.star_variance)),
            unseen_stars: UnseenStars::default(),
            star_leftovers: &[],
            star_track: &[],
            sky_per_px: self.sky_per_px,
            difference: Some(difference),
        })
    }

    /// The earlier night's share of the variance before smoothing.
    fn share_at(&self, rho_px: f64) -> f64 {
        self.share_of_earlier[(rho_px as usize).min(self.share_of_earlier.len() - 1)]
    }

    /// The shares of the later and of the earlier night's variance that smoothing has left, of waves across a ray.
    fn left_of(&self, rho_px: f64, order: usize) -> [f64; 2] {
        self.filters.each_ref().map(|f| f.passed(order as f64 / rho_px))
    }

    /// Difference of the contrasts, and the same over its error in a kernel's area; NaN where unknown or not searched.
    pub fn maps(&self, model: &NightModel) -> (Image, Image) {
        let mut contrast = self.mean.clone();
        for (i, v) in contrast.data.iter_mut().enumerate() {
            let known = self.mask.bits[i] == 0 && *v > 0.0;
            *v = if known { (self.later.data[i] - self.earlier.data[i]) / *v } else { f32::NAN };
        }
        let sigma_px = self.fwhm_px() / FWHM_PER_SIGMA;
        let smoothed = fanlight_image::smooth::gaussian(&contrast, sigma_px);
        let area_px2 = 4.0 * std::f64::consts::PI * sigma_px * sigma_px;
        let [later_left, earlier_left] = self.filters.each_ref().map(|f| f.variance_behind(sigma_px));
        let grid = Grid { half_px: self.mean.width / 2, km_per_px: self.km_per_px };
        let mut significance = smoothed;
        for (i, v) in significance.data.iter_mut().enumerate() {
            let rho_px = grid.rho(i);
            // pixels' noise as both filters leave it; what stars and flat fields leave is told as sums over areas see it
            let of_pixels = f64::from(self.variance.data[i]) * model.noise_factor(rho_px);
            let of_sums = (model.noise_variance(i) - of_pixels).max(0.0);
            let earlier = self.share_at(rho_px);
            let left = (1.0 - earlier) * later_left + earlier * earlier_left;
            let sigma = (of_pixels * left + of_sums / area_px2).sqrt() / f64::from(self.mean.data[i]);
            // the model knows no noise beyond the search
            let known =
                contrast.data[i].is_finite() && model.noise_variance(i) > 0.0 && sigma.is_finite() && sigma > 0.0;
            *v = if known { (f64::from(*v) / sigma) as f32 } else { f32::NAN };
        }
        (contrast, significance)
    }
}

impl Pair {
    /// Light on the later night's stack as the pair shows it.
    pub fn imaged(&self, light: &Image, later: &NightForChange) -> Image {
        let side = self.mean.width;
        let grid = Grid { half_px: side / 2, km_per_px: self.km_per_px };
        let mapping = Mapping::Grid(CoordinateGrid::from_fn(side, side, 16, grid.on_stack(later)));
        let mut out =
            lanczos3(&Frame { image: light, variance: later.variance, mask: later.mask }, &mapping, side, side);
        let area_ratio = (grid.km_per_px / km_per_px(later)).powi(2);
        out.image.data.iter_mut().for_each(|v| *v = if v.is_finite() { *v * area_ratio as f32 } else { 0.0 });
        let waves = Filtered::new(&out.image, &out.mask, FILTER_REACH_FWHM * self.fwhm_px());
        waves.by(&self.filters[0], MOST_FILLED).0
    }
}
