//! One night on the grid of a pair, with the kernel of both.

use super::NightForChange;
use super::matching::{Filter, Filtered, PointImage};
use crate::evidence::night_model;
use crate::stack::{apply, inverse};
use fanlight_image::polar::{self, sample_bilinear};
use fanlight_image::resample::{CoordinateGrid, Frame, Mapping, lanczos3};
use fanlight_image::robust::ClipConfig;
use fanlight_image::{Image, Mask};

/// A pixel of which more than this share comes from filled ones is not used.
pub const MOST_FILLED: f32 = 0.1;
/// A filter spreads light by this many widths of the common kernel, as far as matters.
pub const FILTER_REACH_FWHM: f64 = 4.0;

/// A night on the common grid with the common kernel.
pub struct Alike {
    pub image: Image,
    pub mask: Mask,
    /// Variance as sums over many pixels see it.
    pub variance: Image,
    pub star_variance: Option<Image>,
    pub noise: Vec<(Image, f64)>,
    pub filter: Filter,
    pub point: PointImage,
    /// Area of a pixel of the common grid in the night's own.
    pub area_ratio: f64,
    pub centre_sigma_px: f64,
}

/// An azimuthal mean, linear between rings.
pub struct Profile {
    rho_px: Vec<f64>,
    mean: Vec<f64>,
}

impl Profile {
    /// Of all pixels that are not masked, or without the ones far off the others.
    pub fn of(image: &Image, mask: &Mask, centre: f64, fwhm_px: f64, clipped: bool) -> Option<Self> {
        let edges = night_model::profile_edges(1.4 * centre, fwhm_px);
        let clip = ClipConfig { kappa: 8.0, rounds: if clipped { 2 } else { 0 } };
        let rings = polar::azimuthal_profile(image, None, mask, centre, centre, &edges, clip);
        let (rho_px, mean): (Vec<f64>, Vec<f64>) = rings.iter().map(|r| (r.mean_radius_px, r.mean)).unzip();
        (rho_px.len() >= 4).then_some(Self { rho_px, mean })
    }

    pub fn at(&self, rho_px: f64) -> f64 {
        let n = self.rho_px.len();
        let above = self.rho_px.partition_point(|r| *r < rho_px).clamp(1, n - 1);
        let (from, to) = (self.rho_px[above - 1], self.rho_px[above]);
        let t = ((rho_px - from) / (to - from)).clamp(0.0, 1.0);
        self.mean[above - 1] + t * (self.mean[above] - self.mean[above - 1])
    }
}

/// The common grid: north up, east left, the nucleus on its middle pixel.
#[derive(Clone, Copy)]
pub struct Grid {
    pub half_px: usize,
    pub km_per_px: f64,
}

impl Grid {
    pub fn side(self) -> usize {
        2 * self.half_px + 1
    }

    /// Distance of a pixel, by its index, from the nucleus.
    pub fn rho(self, index: usize) -> f64 {
        let (x, y) = ((index % self.side()) as f64, (index / self.side()) as f64);
        (x - self.half_px as f64).hypot(y - self.half_px as f64)
    }

    /// The place on a night's stack of a place on the grid.
    pub fn on_stack(self, night: &NightForChange) -> impl Fn(f64, f64) -> (f64, f64) + use<> {
        let arcsec = self.km_per_px / night.km_per_arcsec;
        let (to_px, centre, half) = (inverse(night.frame.arcsec_per_px), night.frame.centre_px, self.half_px as f64);
        move |x, y| {
            let (dx, dy) = apply(to_px, (-(x - half) * arcsec, (y - half) * arcsec));
            (centre.0 + dx, centre.1 + dy)
        }
    }
}

pub fn km_per_px(night: &NightForChange) -> f64 {
    night.frame.scale_arcsec() * night.km_per_arcsec
}

pub fn usable_substacks<'a>(night: &NightForChange<'a>) -> impl Iterator<Item = &'a (&'a Image, f64)> {
    night.substacks.iter().filter(|(_, share)| *share > 0.0 && *share < 1.0)
}

impl Alike {
    pub fn of(night: &NightForChange, grid: Grid, own: PointImage, common: PointImage) -> Option<Self> {
        let (side, fwhm_px) = (grid.side(), common.widest_px());
        let centre = grid.half_px as f64;
        let place = grid.on_stack(night);
        let mapping = Mapping::Grid(CoordinateGrid::from_fn(side, side, 16, &place));
        let area_ratio = (grid.km_per_px / km_per_px(night)).powi(2);
        let laid = |image: &Image| {
            let frame = Frame { image, variance: night.variance, mask: night.mask };
            let mut out = lanczos3(&frame, &mapping, side, side);
            out.image.data.iter_mut().for_each(|v| *v *= area_ratio as f32);
            (out.image, out.mask)
        };
        let sampled = |image: &Image, factor: f64| {
            let mut out = Image::filled(side, side, 0.0);
            for (i, v) in out.data.iter_mut().enumerate() {
                let (x, y) = place((i % side) as f64, (i / side) as f64);
                *v = sample_bilinear(image, x, y).map_or(0.0, |s| (f64::from(s) * factor) as f32);
            }
            out
        };
        let (mut image, mask) = laid(night.image);
        let before = Profile::of(&image, &mask, centre, fwhm_px, true)?;
        for (i, v) in image.data.iter_mut().enumerate() {
            if mask.bits[i] != 0 || !v.is_finite() {
                *v = before.at(grid.rho(i)) as f32;
            }
        }
        let waves = Filtered::new(&image, &mask, FILTER_REACH_FWHM * fwhm_px);
        let filter = Filter::between(own, common);
        let (alike, flags) = waves.by(&filter, MOST_FILLED);
        let noise = usable_substacks(night)
            .map(|(part, share)| {
                let data = part.data.iter().zip(&night.image.data).map(|(p, whole)| p - whole).collect();
                let (mut beside, _) = laid(&Image { data, ..**part });
                beside.data.iter_mut().filter(|v| !v.is_finite()).for_each(|v| *v = 0.0);
                (beside, *share)
            })
            .collect();
        let mut variance = sampled(night.variance, area_ratio * night.correlation);
        // unknown where a pixel is unknown; the mask says so
        variance.data.iter_mut().filter(|v| !(**v > 0.0)).for_each(|v| *v = f32::MIN_POSITIVE);
        Some(Self {
            variance,
            star_variance: night.star_variance.map(|v| sampled(v, area_ratio)),
            noise,
            filter,
            point: own,
            image: alike,
            mask: flags,
            area_ratio,
            centre_sigma_px: night.centre_sigma_px * km_per_px(night) / grid.km_per_px,
        })
    }
}
