//! A second condensation: light of a point that goes with the comet beside its centre.
//!
//! A piece of the nucleus is neither a jet nor an artefact, and its light would pass for either. What stands over the rings' medians
//! as high as a share of the coma, alone on all sides, and in both halves of the night at one place, is taken out before structure
//! is looked for.

use super::imaging;
use super::night_model::StackForEvidence;
use crate::measure::RingProfile;
use fanlight_image::{Image, Mask, PixelBox, flag, pixels_within, smooth};

/// Standard deviation of the Gaussian that the residual is smoothed with, in kernel widths: matched to a point's image.
const SMOOTH_FWHM: f64 = 0.42;
/// Sought between these distances from the centre, in kernel widths: nearer the two are one image.
const ZONE_FWHM: (f64, f64) = (1.3, 8.0);
/// A condensation stands this many times its noise over the ring's median …
const LEAST_SIGMA: f64 = 12.0;
/// … and by this share of it: the brightest jets of featureful nights stay under it.
const LEAST_SHARE: f64 = 0.25;
/// Places at this distance, in kernel widths, outward and on either side, and the one opposite may have this share of its height over
/// the coma: a jet goes on outward, an elongated kernel shows on both sides.
const AWAY_FWHM: f64 = 1.5;
const MOST_BESIDE: f64 = 0.4;
/// In each half of the night it has this share of its height at least.
const LEAST_IN_HALF: f64 = 0.6;
/// Most that are sought.
const MOST: usize = 3;
/// Its light is fitted within this distance of it, in kernel widths.
const FIT_FWHM: f64 = 1.0;
/// A path of the stars under this, in kernel widths, does not tell a star from what goes with the comet.
const TELLING_PATH_FWHM: f64 = 1.5;

/// A second condensation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Condensation {
    /// Its place on the stack.
    pub x_px: f64,
    /// Its place on the stack.
    pub y_px: f64,
    /// Error of the place per axis.
    pub sigma_px: f64,
    /// Its light, in the stack's unit.
    pub light: f64,
    /// Error of the light.
    pub light_sigma: f64,
    /// Whether stars passed by so far that it is none.
    pub no_star: bool,
}

/// The residual about the comet, smoothed.
struct Field<'a> {
    stack: &'a StackForEvidence<'a>,
    coma: &'a RingProfile,
    area: PixelBox,
    points: Image,
}

impl<'a> Field<'a> {
    fn new(stack: &'a StackForEvidence, image: &Image, coma: &'a RingProfile, area: PixelBox) -> Self {
        let mut part = image.crop(area);
        let width = part.width;
        let (cx, cy) = stack.frame.centre_px;
        for (i, v) in part.data.iter_mut().enumerate() {
            let (x, y) = (area.x0 + i % width, area.y0 + i / width);
            let (dx, dy) = (x as f64 - cx, y as f64 - cy);
            *v = if stack.mask.is_good(x, y) { *v - coma.at(dx.hypot(dy)) as f32 } else { f32::NAN };
        }
        let points = smooth::gaussian(&part, SMOOTH_FWHM * stack.fwhm_px);
        Self { stack, coma, area, points }
    }

    /// Smoothed residual at a pixel of the stack.
    fn at(&self, x: isize, y: isize) -> Option<f64> {
        let index = self.points.index(x - self.area.x0 as isize, y - self.area.y0 as isize)?;
        Some(f64::from(self.points.data[index])).filter(|v| v.is_finite())
    }

    /// The same as a share of the coma there, at a step from the centre.
    fn share(&self, (dx, dy): (f64, f64)) -> f64 {
        let (cx, cy) = self.stack.frame.centre_px;
        let value = self.at((cx + dx).round() as isize, (cy + dy).round() as isize);
        value.map_or(0.0, |v| v / self.coma.at(dx.hypot(dy)).max(f64::MIN_POSITIVE))
    }
}

/// Condensations beside the centre, brightest first; `coma` are the medians of rings about it.
pub fn find(stack: &StackForEvidence, coma: &RingProfile) -> Vec<Condensation> {
    let (cx, cy) = stack.frame.centre_px;
    let fwhm_px = stack.fwhm_px;
    let reach_px = (ZONE_FWHM.1 + 2.0 * AWAY_FWHM) * fwhm_px;
    let (width, height) = (stack.image.width, stack.image.height);
    let Some(area) = PixelBox::around(cx, cy, reach_px, width, height) else { return Vec::new() };
    let field = Field::new(stack, stack.image, coma, area);
    let mut peaks: Vec<(f64, isize, isize)> = (area.y0 as isize..area.y1 as isize)
        .flat_map(|y| (area.x0 as isize..area.x1 as isize).map(move |x| (x, y)))
        .filter_map(|(x, y)| Some((peak(&field, x, y)?, x, y)))
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<(isize, isize)> = Vec::new();
    for (_, x, y) in peaks {
        let near = |(i, j): &(isize, isize)| ((x - i) as f64).hypot((y - j) as f64) < AWAY_FWHM * fwhm_px;
        if kept.len() < MOST && !kept.iter().any(near) {
            kept.push((x, y));
        }
    }
    if kept.is_empty() {
        return Vec::new();
    }
    let halves: Vec<Field> = stack.halves.iter().map(|(half, _)| Field::new(stack, half, coma, area)).collect();
    let in_halves = |(x, y): &(isize, isize)| {
        let whole = field.at(*x, *y).unwrap_or(0.0);
        halves.iter().all(|h| h.at(*x, *y).is_some_and(|v| v > LEAST_IN_HALF * whole))
    };
    kept.retain(in_halves);
    let Some(kernel) = imaging::mean_kernel(stack.kernel) else { return Vec::new() };
    let range = |of: fn(&(f64, f64, f64)) -> f64| {
        let values = || stack.star_track.iter().map(of);
        values().reduce(f64::max).unwrap_or(0.0) - values().reduce(f64::min).unwrap_or(0.0)
    };
    let path_px = range(|s| s.0).hypot(range(|s| s.1));
    let no_star = path_px > TELLING_PATH_FWHM * fwhm_px && halves.len() == 2;
    kept.into_iter().filter_map(|at| fitted(&field, &kernel, at, no_star)).collect()
}

/// Height of the residual at a pixel where it is a condensation's.
fn peak(field: &Field, x: isize, y: isize) -> Option<f64> {
    let stack = field.stack;
    let (cx, cy) = stack.frame.centre_px;
    let (dx, dy) = (x as f64 - cx, y as f64 - cy);
    let (rho, fwhm_px) = (dx.hypot(dy), stack.fwhm_px);
    if rho < ZONE_FWHM.0 * fwhm_px || rho > ZONE_FWHM.1 * fwhm_px {
        return None;
    }
    let value = field.at(x, y)?;
    let light = field.coma.at(rho);
    if !(light > 0.0 && value > LEAST_SHARE * light) {
        return None;
    }
    let highest = (-1..=1)
        .flat_map(|j| (-1..=1).map(move |i| (i, j)))
        .all(|(i, j)| (i, j) == (0, 0) || field.at(x + i, y + j).is_some_and(|v| v < value));
    // a sum weighed by a Gaussian has the noise of 1/(4πσ²) pixels
    let pixels = (4.0 * std::f64::consts::PI * (SMOOTH_FWHM * fwhm_px).powi(2)).max(1.0);
    let index = stack.image.index(x, y)?;
    let noise = stack.correlation * f64::from(stack.variance.data[index]) + stack.variance_of_stars(index);
    let noise = (noise / pixels).sqrt();
    if !highest || value < LEAST_SIGMA * noise {
        return None;
    }
    let (away, turn) = (AWAY_FWHM * fwhm_px, AWAY_FWHM * fwhm_px / rho);
    let turned = |angle: f64| (dx * angle.cos() - dy * angle.sin(), dx * angle.sin() + dy * angle.cos());
    let outward = (dx * (1.0 + away / rho), dy * (1.0 + away / rho));
    let beside = [outward, turned(turn), turned(-turn), (-dx, -dy)];
    beside.into_iter().all(|step| field.share(step) < MOST_BESIDE * value / light).then_some(value)
}

/// Place and light of a condensation at a pixel.
fn fitted(
    field: &Field,
    kernel: &impl Fn(f64, f64) -> f64,
    (x, y): (isize, isize),
    no_star: bool,
) -> Option<Condensation> {
    let stack = field.stack;
    let along = |i: isize, j: isize| -> Option<f64> {
        let (before, here, after) = (field.at(x - i, y - j)?, field.at(x, y)?, field.at(x + i, y + j)?);
        let bend = before - 2.0 * here + after;
        Some(if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 })
    };
    let (x_px, y_px) = (x as f64 + along(1, 0)?, y as f64 + along(0, 1)?);
    let fit_px = (FIT_FWHM * stack.fwhm_px).max(1.5);
    let (cx, cy) = stack.frame.centre_px;
    // least squares of kernel and a level
    let (mut n, mut k, mut kk, mut v, mut kv, mut variance) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (px, py) in pixels_within((x_px, y_px), fit_px, (stack.image.width, stack.image.height)) {
        let value = f64::from(stack.image.at(px, py));
        if !stack.mask.is_good(px, py) || !value.is_finite() {
            continue;
        }
        let left = value - field.coma.at((px as f64 - cx).hypot(py as f64 - cy));
        let point = kernel(px as f64 - x_px, py as f64 - y_px);
        (n, k, kk, v, kv) = (n + 1.0, k + point, kk + point * point, v + left, kv + point * left);
        variance += stack.correlation * f64::from(stack.variance.at(px, py));
    }
    let spread = kk - k * k / n;
    let light = (kv - k * v / n) / spread;
    let light_sigma = (variance / n / spread).sqrt().hypot(LIGHT_ERROR * light);
    let sigma_px = 0.5 * stack.fwhm_px * light_sigma / light;
    (n > 5.0 && light > 0.0 && light.is_finite()).then_some(Condensation {
        x_px,
        y_px,
        sigma_px,
        light,
        light_sigma,
        no_star,
    })
}

/// The coma under it is not that of the ring's median, and the kernel is not quite its image: error of its light as a share.
const LIGHT_ERROR: f64 = 0.1;

/// Where a condensation was, its core is masked to this distance, in kernel widths; its wings are taken off to the other.
const MASKED_FWHM: f64 = 1.0;
const WINGS_FWHM: f64 = 6.0;

/// A stack and its parts without condensations.
pub struct Without {
    /// The stack.
    pub image: Image,
    /// Its mask with their cores.
    pub mask: Mask,
    /// The sub-stacks with their shares.
    pub substacks: Vec<(Image, f64)>,
    /// The halves with theirs.
    pub halves: Vec<(Image, f64)>,
}

impl Without {
    /// Takes condensations out.
    pub fn of(stack: &StackForEvidence, found: &[Condensation]) -> Self {
        let (width, height) = (stack.image.width, stack.image.height);
        let mut light: Vec<(usize, f32)> = Vec::new();
        let mut mask = stack.mask.clone();
        let kernel = imaging::mean_kernel(stack.kernel);
        for (c, kernel) in found.iter().zip(kernel.iter().cycle()) {
            let reach_px = WINGS_FWHM * stack.fwhm_px;
            let Some(area) = PixelBox::around(c.x_px, c.y_px, reach_px, width, height) else { continue };
            for (x, y) in area.pixels() {
                let (dx, dy) = (x as f64 - c.x_px, y as f64 - c.y_px);
                light.push((y * width + x, (c.light * kernel(dx, dy)) as f32));
                if dx.hypot(dy) <= MASKED_FWHM * stack.fwhm_px {
                    mask.bits[y * width + x] |= flag::STAR;
                }
            }
        }
        let less = |image: &Image| {
            let mut out = image.clone();
            light.iter().for_each(|(i, v)| out.data[*i] -= v);
            out
        };
        let parts = |of: &[(&Image, f64)]| of.iter().map(|(image, share)| (less(image), *share)).collect();
        Self { image: less(stack.image), mask, substacks: parts(stack.substacks), halves: parts(stack.halves) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::mode_space::SkyFrame;
    use super::*;
    use crate::kernel::KernelPart;
    use fanlight_image::moffat::Moffat;

    const N: usize = 121;
    const CENTRE: (f64, f64) = (60.0, 60.0);

    /// Coma, a jet of `contrast`, and a point of `light` at (`dx`, `dy`).
    fn found(contrast: f64, light: f64, (dx, dy): (f64, f64)) -> Vec<Condensation> {
        let seeing = Moffat { fwhm_major_px: 2.6, fwhm_minor_px: 2.6, angle_rad: 0.0, beta: 3.0 };
        let kernel = [KernelPart { seeing, paths_px: [(0.0, 0.0); 2], weight: 1.0 }];
        let point = imaging::mean_kernel(&kernel).unwrap();
        let image = Image {
            width: N,
            height: N,
            data: (0..N * N)
                .map(|i| {
                    let (x, y) = ((i % N) as f64 - CENTRE.0, (i / N) as f64 - CENTRE.1);
                    let jet = contrast * (-0.5 * (y.atan2(x) / 0.2).powi(2)).exp();
                    let coma = 3000.0 / x.hypot(y).max(1.3) * (1.0 + jet);
                    (coma + light * point(x - dx, y - dy)) as f32
                })
                .collect(),
        };
        let (variance, mask) = (Image::filled(N, N, 25.0), Mask::clear(N, N));
        let track = [(-6.0, 0.0, 0.5), (6.0, 0.0, 0.5)];
        let halves = [(&image, 0.5), (&image, 0.5)];
        let stack = StackForEvidence {
            image: &image,
            variance: &variance,
            mask: &mask,
            correlation: 1.0,
            frame: SkyFrame { centre_px: CENTRE, arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]] },
            centre_sigma_px: 0.02,
            kernel: &kernel,
            fwhm_px: 2.6,
            elongation_sigma: 0.015,
            substacks: &[],
            halves: &halves,
            sky_sigma: 0.1,
            star_variance: None,
            unseen_stars: crate::passing::UnseenStars::default(),
            star_leftovers: &[],
            star_track: &track,
            sky_per_px: 10.0,
            difference: None,
        };
        find(&stack, &RingProfile::measure(&image, &mask, CENTRE, 50.0))
    }

    #[test]
    fn a_point_beside_the_centre_is_found_with_its_light() {
        for at in [(4.3, -1.2), (-3.1, 5.4)] {
            let found = found(0.15, 12_000.0, at);
            let [one] = found.as_slice() else { panic!("{at:?}: {found:?}") };
            assert!((one.x_px - CENTRE.0 - at.0).hypot(one.y_px - CENTRE.1 - at.1) < 0.3, "{one:?}");
            assert!((one.light - 12_000.0).abs() < 3.0 * one.light_sigma && one.light_sigma < 2000.0, "{one:?}");
            assert!(one.no_star);
        }
    }

    #[test]
    fn a_jet_however_bright_is_none() {
        for contrast in [0.0, 0.1, 0.3, 1.0] {
            assert_eq!(found(contrast, 0.0, (5.0, 0.0)), Vec::new(), "{contrast}");
        }
    }
}
