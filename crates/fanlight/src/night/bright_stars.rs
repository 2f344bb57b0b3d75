//! What the brightest stars about the comet may leave in its stack: their light is a few per cent off what was taken out, all over their
//! track and its wings, too faint a share per pixel to be masked and too broad to be noise.

use super::measure_stack::MeasuredStack;
use fanlight_coma::evidence::bright_stars::StarLeftover;
use fanlight_coma::passing::{PassingStar, Step};
use fanlight_coma::stars::{self, FieldStar};
use fanlight_coma::wings::{INNER_FWHM, Wings};
use fanlight_image::moffat::{Painter, StarImage};
use fanlight_image::{Image, PixelBox, pixels_within};
use rayon::prelude::*;

/// Stars looked at, the brightest first.
const LOOKED_AT: usize = 20;
/// Stars kept, those that may leave most.
const MOST: usize = 10;
/// How far from the nucleus what they leave counts.
const REACH_PX: f64 = 150.0;
/// What a star leaves counts from this many times the noise on, all its pixels together.
const LEAST_SIGMA: f64 = 1.5;

/// Where no wings are known, what they may be, as shares of a star's light: a halo that falls with the square of the distance
/// (King 1971, PASP 83, 199), and rays of four vanes that fall to 1/e over a length in star widths. Common practice for small
/// reflectors.
const ASSUMED_HALO: f64 = 0.04;
const ASSUMED_RAYS: f64 = 0.04;
const RAY_LENGTH_FWHM: f64 = 12.0;
/// They are assumed no further from the star, px.
const ASSUMED_TO_PX: f64 = 100.0;

/// The leftovers of the stars of a stack; `wings` in pixels of the stack.
pub fn leftovers(stack: &MeasuredStack, shape: Option<&StarImage>, wings: Option<&Wings>) -> Vec<StarLeftover> {
    let Some(shape) = shape else { return Vec::new() };
    let (passing, noise) = (&stack.passing, stack.sky_noise);
    let mut brightest: Vec<&PassingStar> =
        passing.stars.iter().filter(|s| passing.nearest_px(s, stack.centre_px) < 2.0 * REACH_PX).collect();
    brightest.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    brightest.truncate(LOOKED_AT);
    let painter = Painter::for_many(shape);
    let size = (stack.comet.stacked.image.width, stack.comet.stacked.image.height);
    let assumed = Assumed::new(shape.seeing().fwhm_px());
    let for_wings = whole_pixel_steps(&passing.steps);
    let empty = || Image::filled(size.0, size.1, 0.0);
    let of_star = |star: &&PassingStar| {
        let mut left = StarLeftover { core: empty(), wings: empty(), rays: wings.is_none().then(empty) };
        let radius_px = stars::render_radius_px(star.flux, shape, noise);
        let at = |step: &Step| (star.x_px + step.dx_px, star.y_px + step.dy_px, step.share * star.flux);
        for (x_px, y_px, flux) in passing.steps.iter().map(at) {
            painter.add(&mut left.core, x_px, y_px, stars::MODEL_ERROR * flux, radius_px);
        }
        for (x_px, y_px, flux) in for_wings.iter().map(at) {
            match (wings, &mut left.rays) {
                (Some(wings), _) => {
                    let at = FieldStar { x_px, y_px, flux };
                    wings.each_pixel(size, &at, noise, |i, _, error| left.wings.data[i] += error);
                }
                (None, Some(rays)) => assumed.add((&mut left.wings, rays), (x_px, y_px), flux),
                (None, None) => {}
            }
        }
        left
    };
    let strongest = |left: &StarLeftover| strength(stack, &left.core).max(strength(stack, &left.wings));
    let mut left: Vec<(f64, StarLeftover)> =
        brightest.par_iter().map(of_star).map(|left| (strongest(&left), left)).filter(|l| l.0 > LEAST_SIGMA).collect();
    left.sort_by(|a, b| b.0.total_cmp(&a.0));
    left.into_iter().take(MOST).map(|(_, left)| left).collect()
}

/// Wings of unit light by distance: halo, and the brightest of a ray.
struct Assumed {
    halo: Vec<f32>,
    rays: Vec<f32>,
}

impl Assumed {
    fn new(fwhm_px: f64) -> Self {
        let inner = INNER_FWHM * fwhm_px;
        let length = RAY_LENGTH_FWHM * fwhm_px;
        let halo_unit = ASSUMED_HALO / (std::f64::consts::TAU * (ASSUMED_TO_PX / inner).ln().max(0.5));
        let ray_unit = ASSUMED_RAYS / 8.0 / (1.06 * fwhm_px * length);
        let beyond = |of: &dyn Fn(f64) -> f64| -> Vec<f32> {
            (0..=ASSUMED_TO_PX as usize).map(|r| if (r as f64) < inner { 0.0 } else { of(r as f64) as f32 }).collect()
        };
        Self { halo: beyond(&|r| halo_unit / (r * r)), rays: beyond(&|r| ray_unit * (-r / length).exp()) }
    }

    fn add(&self, (halo, rays): (&mut Image, &mut Image), (x_px, y_px): (f64, f64), flux: f64) {
        let Some(area) = PixelBox::around(x_px, y_px, ASSUMED_TO_PX, halo.width, halo.height) else { return };
        for y in area.y0..area.y1 {
            for x in area.x0..area.x1 {
                let square = (x as f64 - x_px).powi(2) + (y as f64 - y_px).powi(2);
                let away = square.sqrt() as usize;
                if away < self.halo.len() {
                    halo.data[y * halo.width + x] += flux as f32 * self.halo[away];
                    rays.data[y * rays.width + x] += flux as f32 * self.rays[away];
                }
            }
        }
    }
}

/// A star's steps gathered by whole pixels, each group at its mean: wings are smooth on that scale.
fn whole_pixel_steps(steps: &[Step]) -> Vec<Step> {
    let mut groups: Vec<((i64, i64), Step)> = Vec::new();
    for step in steps {
        let cell = (step.dx_px.round() as i64, step.dy_px.round() as i64);
        let weighed = Step { dx_px: step.share * step.dx_px, dy_px: step.share * step.dy_px, share: step.share };
        match groups.iter_mut().find(|g| g.0 == cell) {
            Some((_, sum)) => {
                sum.dx_px += weighed.dx_px;
                sum.dy_px += weighed.dy_px;
                sum.share += weighed.share;
            }
            None => groups.push((cell, weighed)),
        }
    }
    let mean = |s: Step| Step { dx_px: s.dx_px / s.share, dy_px: s.dy_px / s.share, share: s.share };
    groups.into_iter().map(|g| g.1).filter(|s| s.share > 0.0).map(mean).collect()
}

/// Its size over the noise, all pixels about the nucleus together that are not masked.
fn strength(stack: &MeasuredStack, image: &Image) -> f64 {
    let (stacked, (cx, cy)) = (&stack.comet.stacked, stack.centre_px);
    let square = |(x, y): (usize, usize)| {
        let i = y * image.width + x;
        let (value, variance) = (f64::from(image.data[i]), f64::from(stacked.variance.data[i]));
        let counts = stacked.mask.bits[i] == 0 && variance > 0.0;
        if counts { value * value / variance } else { 0.0 }
    };
    pixels_within((cx, cy), REACH_PX, (image.width, image.height)).map(square).sum::<f64>().sqrt()
}
