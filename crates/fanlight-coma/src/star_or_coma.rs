//! Which light of the star-registered stack is a star's, and which the coma's own, drawn out along its path, or what a star that was taken
//! off left.

use crate::measure::RingProfile;
use crate::stars::{FieldStar, StarStack};
use crate::stars_by_place::StarsByPlace;
use fanlight_image::Image;
use fanlight_image::moffat::{self, FluxFitConfig, NoiseModel, StarImage};
use fanlight_image::smooth::FWHM_PER_SIGMA;
use rayon::prelude::*;

/// Light within so many star widths of a star, under this share of its light and under what its image has there, may be what that image
/// taken off leaves.
const LEFT_WITHIN_FWHM: f64 = 2.5;
const LEFT_SHARE: f64 = 0.06;
/// What stands out of the coma by less than this share of its light may be its own.
pub(crate) const OF_COMA: f64 = 0.1;
/// What stands out of it by less than its light may be a tail's.
const OF_TAIL: f64 = 1.0;
/// A catalogue star's light is known to such a factor.
const SAME_WITHIN: f64 = 2.0;
/// Light is a star's where an image so many times wider fits it less well, within so many star widths.
const SHARP_TO: f64 = 1.6;
const SHARP_WITHIN_FWHM: f64 = 2.0;
/// A star of this share of another's light makes that one's image wider.
const WIDENS: f64 = 0.2;
/// Share of the catalogue's stars that are fainter than the light down to which it is whole.
const BEYOND_WHOLE: f64 = 0.3;
/// Points of the comet's path at which its coma is laid down; frames between them are within its slope's error.
const PATH_POINTS: usize = 24;

/// Tells stars from the coma's own structure, which looks like stars when it is drawn out. Bright stars are nearly all in the catalogue, and as
/// sharp as a star is; faint ones in the coma that only a later pass finds are let be. Later passes also find what is left along tracks.
pub(crate) struct StarOrComa<'a> {
    stack: &'a StarStack<'a>,
    coma: DrawnOut,
    sky_variance: f64,
    fwhm_px: f64,
    /// The catalogue's stars.
    pub(crate) known: StarsByPlace<'a>,
    /// The light down to which the catalogue is whole.
    whole_to: f64,
    /// Share of a star's light per pixel, by the distance from it along a row and a column.
    density: Box<dyn Fn(f64, f64) -> f64>,
}

impl<'a> StarOrComa<'a> {
    pub(crate) fn new(stack: &'a StarStack<'a>, coma: DrawnOut, sky_variance: f64) -> Self {
        let fwhm_px = stack.shape.seeing().fwhm_px();
        let known = StarsByPlace::new(stack.catalogue, SHARP_WITHIN_FWHM * fwhm_px);
        let density = Box::new(stack.shape.density());
        Self { stack, coma, sky_variance, fwhm_px, known, whole_to: whole_to(stack.catalogue), density }
    }

    /// The coma's light under a star's image.
    pub(crate) fn coma_light(&self, star: &FieldStar) -> f64 {
        self.image_px2() * self.coma.at((star.x_px, star.y_px))
    }

    /// Pixels whose light counts as a star's: of a Gaussian the sum of weights 1 at its middle.
    pub(crate) fn image_px2(&self) -> f64 {
        4.0 * std::f64::consts::PI * (self.fwhm_px / FWHM_PER_SIGMA).powi(2)
    }

    /// Whether light that a pass found in what earlier ones left is a star; `taken` are those that they took off.
    pub(crate) fn is_star(&self, work: &Image, light: &FieldStar, pass: usize, taken: &StarsByPlace) -> bool {
        let known = self.known.nearest(light, self.fwhm_px);
        known.is_some_and(|known| is_of(light, known.star))
            || !(self.is_left_of_another(light, taken) || self.is_comas(work, light, pass))
    }

    /// Stars that were taken off, for [`Self::is_star`].
    pub(crate) fn taken<'s>(&self, stars: &'s [FieldStar]) -> StarsByPlace<'s> {
        StarsByPlace::new(stars, LEFT_WITHIN_FWHM * self.fwhm_px)
    }

    /// Whether light may be what a star near it, taken off with an image that does not fit, left: no more than that image has there.
    fn is_left_of_another(&self, light: &FieldStar, taken: &StarsByPlace) -> bool {
        let share = |n: &FieldStar| self.image_px2() * (self.density)(light.x_px - n.x_px, light.y_px - n.y_px);
        taken.near(light).any(|n| light.flux < share(n.star).min(LEFT_SHARE) * n.star.flux)
    }

    fn is_comas(&self, work: &Image, light: &FieldStar, pass: usize) -> bool {
        let coma_light = self.coma_light(light);
        let faint = light.flux < OF_COMA * coma_light;
        let unknown = light.flux > self.whole_to && light.flux < OF_TAIL * coma_light;
        // two stars in one look wider, too
        let widened = || pass == 0 && self.known.near(light).any(|n| n.star.flux > WIDENS * light.flux);
        (faint && pass > 0) || ((faint || unknown || pass > 0) && !widened() && !self.is_sharp(work, light))
    }

    /// Whether light is of a star's width rather than of something wider.
    fn is_sharp(&self, work: &Image, light: &FieldStar) -> bool {
        let config = FluxFitConfig {
            radius_px: SHARP_WITHIN_FWHM * self.fwhm_px,
            noise: NoiseModel { sky_variance: self.sky_variance, variance_per_unit: 0.0 },
            free_centre: true,
        };
        let misfit = |shape: &StarImage| {
            moffat::fit_flux(work, self.stack.mask, shape, light.x_px, light.y_px, &config)
                .map_or(f64::INFINITY, |f| f.chi2_reduced)
        };
        misfit(self.stack.shape) < misfit(&self.stack.shape.widened(SHARP_TO))
    }
}

/// The light down to which a catalogue is whole; infinite for one that has few stars.
fn whole_to(catalogue: &[FieldStar]) -> f64 {
    let mut fluxes: Vec<f64> = catalogue.iter().map(|s| s.flux).collect();
    fluxes.sort_by(f64::total_cmp);
    if fluxes.len() < 20 { f64::INFINITY } else { fluxes[(BEYOND_WHOLE * fluxes.len() as f64) as usize] }
}

/// Whether light is a catalogue star's own by its strength.
pub(crate) fn is_of(star: &FieldStar, known: &FieldStar) -> bool {
    (1.0 / SAME_WITHIN..SAME_WITHIN).contains(&(star.flux / known.flux))
}

/// The coma drawn out along its path: the mean of its ring medians at the path's points.
pub(crate) struct DrawnOut {
    points_px: Vec<(f64, f64)>,
    /// Light over that at the profile's end, in steps of a quarter pixel: ten times faster than the profile itself.
    table: Vec<f32>,
    reach_px: f64,
}

impl DrawnOut {
    pub(crate) fn new(path_px: &[(f64, f64)], coma: &RingProfile) -> Self {
        let step = path_px.len().div_ceil(PATH_POINTS).max(1);
        let points_px: Vec<(f64, f64)> = path_px.iter().copied().skip(step / 2).step_by(step).collect();
        let (Some(&reach_px), Some(&edge)) = (coma.radius_px.last(), coma.median.last()) else {
            return Self { points_px: Vec::new(), table: vec![0.0; 2], reach_px: 0.0 };
        };
        let table = (0..(4.0 * reach_px) as usize + 2).map(|i| (coma.at(i as f64 / 4.0) - edge) as f32).collect();
        Self { points_px, table, reach_px }
    }

    #[inline]
    fn of_point(&self, distance_px: f64) -> f32 {
        let at = 4.0 * distance_px;
        let i = at as usize;
        let f = (at - i as f64) as f32;
        self.table[i] + f * (self.table[i + 1] - self.table[i])
    }

    /// Light per pixel at a place.
    fn at(&self, (x_px, y_px): (f64, f64)) -> f64 {
        let away = self.points_px.iter().map(|p| (p.0 - x_px).hypot(p.1 - y_px)).filter(|d| *d < self.reach_px);
        away.map(|d| f64::from(self.of_point(d))).sum::<f64>() / self.points_px.len().max(1) as f64
    }

    pub(crate) fn take_off(&self, image: &mut Image) {
        let share = 1.0 / self.points_px.len() as f32;
        let width = image.width;
        image.data.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            for p in &self.points_px {
                let dy = y as f64 - p.1;
                if dy.abs() >= self.reach_px {
                    continue;
                }
                let half = (self.reach_px * self.reach_px - dy * dy).sqrt();
                let first = (p.0 - half).ceil().max(0.0) as usize;
                let last = ((p.0 + half).floor().min(width as f64 - 1.0)).max(-1.0) as isize;
                for (x, value) in row.iter_mut().enumerate().take((last + 1).max(0) as usize).skip(first) {
                    *value -= share * self.of_point((x as f64 - p.0).hypot(dy));
                }
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::Mask;
    use fanlight_image::moffat::{Moffat, render_star};

    const SIDE: usize = 96;
    const FWHM_PX: f64 = 3.0;
    /// The coma's light per pixel at a distance, as 1/ρ.
    const COMA_AT_1_PX: f64 = 2000.0;

    /// Whether light at a place is a star, in a pass, on a stack with stars of given light and widths and beside stars taken off before.
    fn is_star(
        drawn: &[(FieldStar, f64)],
        catalogue: &[FieldStar],
        taken: &[FieldStar],
        (light, pass): (FieldStar, usize),
    ) -> bool {
        let shape = StarImage::from(Moffat::round(FWHM_PX, 3.0));
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        for (star, wider) in drawn {
            render_star(&mut image, &shape.widened(*wider), star.x_px, star.y_px, star.flux, 40.0);
        }
        let radius_px: Vec<f64> = (1..80).map(f64::from).collect();
        let median = radius_px.iter().map(|r| COMA_AT_1_PX / r).collect();
        let coma = RingProfile { radius_px, median };
        let path = [(20.0, 48.0), (24.0, 48.0)];
        let stack = StarStack {
            image: &image,
            variance: &Image::filled(SIDE, SIDE, 1.0),
            mask: &Mask::clear(SIDE, SIDE),
            shape: &shape,
            comet_path_px: &path,
            coma: &coma,
            catalogue,
        };
        let judged = StarOrComa::new(&stack, DrawnOut::new(&path, &coma), 1.0);
        judged.is_star(&image, &light, pass, &judged.taken(taken))
    }

    fn at(x_px: f64, flux: f64) -> FieldStar {
        FieldStar { x_px, y_px: 48.0, flux }
    }

    /// Twenty-five catalogue stars away from the comet: it is whole down to a light of 8.
    fn far_stars() -> Vec<FieldStar> {
        (1..=25).map(|i| FieldStar { x_px: 5.0, y_px: 3.0 * f64::from(i), flux: f64::from(i) }).collect()
    }

    #[test]
    fn light_that_the_catalogue_lacks_is_a_star_if_it_is_sharp() {
        let light = at(60.0, 300.0);
        assert!(is_star(&[(light, 1.0)], &far_stars(), &[], (light, 0)));
        assert!(!is_star(&[(light, 2.5)], &far_stars(), &[], (light, 0)));
    }

    #[test]
    fn a_catalogue_star_is_one_whatever_it_looks_like() {
        let light = at(60.0, 300.0);
        let known = |flux: f64| [far_stars(), vec![at(60.4, flux)]].concat();
        assert!(is_star(&[(light, 2.5)], &known(280.0), &[], (light, 1)));
        // a star of ten times its light is not it
        assert!(!is_star(&[(light, 2.5)], &known(3000.0), &[], (light, 1)));
    }

    #[test]
    fn two_stars_that_look_like_a_wide_one_are_stars() {
        let (light, other) = (at(60.0, 300.0), at(63.8, 200.0));
        let drawn = [(light, 1.0), (other, 1.0)];
        let middle = at(61.5, 500.0);
        assert!(!is_star(&drawn, &far_stars(), &[], (middle, 0)));
        assert!(is_star(&drawn, &[far_stars(), vec![other]].concat(), &[], (middle, 0)));
    }

    #[test]
    fn what_a_bright_star_may_have_left_is_none() {
        let (light, bright) = (at(60.0, 300.0), at(64.0, 10_000.0));
        assert!(!is_star(&[(light, 1.0)], &[], &[bright], (light, 1)));
        assert!(is_star(&[(light, 1.0)], &[light], &[bright], (light, 1)));
        assert!(is_star(&[(light, 1.0)], &[], &[at(64.0, 1000.0)], (light, 1)));
        // two widths away its image has a seventieth of its light
        assert!(is_star(&[(light, 1.0)], &[], &[at(66.0, 10_000.0)], (light, 1)));
    }

    #[test]
    fn the_comas_light_is_that_along_its_path() {
        let path: Vec<(f64, f64)> = (0..=10).map(|i| (20.0 + f64::from(i), 48.0)).collect();
        let radius_px: Vec<f64> = (1..80).map(f64::from).collect();
        let coma = RingProfile { median: radius_px.iter().map(|r| COMA_AT_1_PX / r).collect(), radius_px };
        let edge = COMA_AT_1_PX / 79.0;
        let expected = path.iter().map(|p| COMA_AT_1_PX / (55.0 - p.0) - edge).sum::<f64>() / path.len() as f64;
        let got = DrawnOut::new(&path, &coma).at((55.0, 48.0));
        assert!((got / expected - 1.0).abs() < 0.01, "{got} of {expected}");
    }
}
