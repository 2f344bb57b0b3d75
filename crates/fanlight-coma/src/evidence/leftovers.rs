//! Stars, satellites and defects left in the stack: light that stands alone, neither along a ray from the nucleus nor along a ring.
//!
//! In a stack on a moving comet a star is a row of images, frame by frame; spots are looked for with that shape.

use super::mode_space::SkyFrame;
use fanlight_image::{Image, Mask, flag, smooth};
use rayon::prelude::*;

/// Standard deviation of the Gaussian that the residual is smoothed with, in kernel widths: matched to a point's image.
const SMOOTH_FWHM: f64 = 0.42;
/// Distance, in kernel widths, of the four places that a lone spot must stand out from: a jet has neighbours toward and away
/// from the nucleus, an arc on either side.
const NEIGHBOUR_FWHM: f64 = 2.2;
/// Spots this many times their noise over all four neighbours are left out. Of 10 000 places noise alone makes one.
const SPOT_SIGMA: f64 = 4.5;
/// At this distance across its track, in kernel widths, a star's smoothed image has under a tenth of its height left; it may have
/// this share.
const NARROW_FWHM: f64 = 1.3;
const NARROW_SHARE: f64 = 0.35;
/// What stands over all neighbours must be this share of the spot: the light of a jet rises and falls along it, that of a star ends.
const LONE_SHARE: f64 = 0.5;
/// What is left out about a spot, in kernel widths.
const RADIUS_FWHM: f64 = 1.3;
/// Spots are looked for outside this distance, in kernel widths: nearer, the four neighbours straddle the nucleus.
const NEAREST_FWHM: f64 = 4.0;
/// Share of the coma, per place, that is not taken for a spot: structure finer than the neighbours' distance.
const COMA_SHARE: f64 = 0.006;

/// What the search for spots goes by.
pub struct Leftovers<'a> {
    /// The stack less the round coma.
    pub residual: &'a Image,
    /// Variance per pixel.
    pub variance: &'a Image,
    /// What is masked already.
    pub mask: &'a Mask,
    /// Variance of sums over that of pixels.
    pub correlation: f64,
    /// Centre and orientation.
    pub frame: SkyFrame,
    /// Kernel width.
    pub fwhm_px: f64,
    /// Reach of the search.
    pub reach_px: f64,
    /// How a star is imaged: steps in px with their shares of the weight; none for a single image.
    pub track: &'a [(f64, f64, f64)],
}

/// Most images of a track that are looked at: more frames are thinned.
const MOST_STEPS: usize = 12;

/// A track of few steps about its middle, shares adding to 1.
fn thinned(track: &[(f64, f64, f64)]) -> Vec<(f64, f64, f64)> {
    if track.is_empty() {
        return vec![(0.0, 0.0, 1.0)];
    }
    let step = track.len().div_ceil(MOST_STEPS);
    let parts: Vec<(f64, f64, f64)> = track
        .chunks(step)
        .map(|c| {
            let share: f64 = c.iter().map(|s| s.2).sum();
            let mean = |of: fn(&(f64, f64, f64)) -> f64| c.iter().map(|s| of(s) * s.2).sum::<f64>() / share;
            (mean(|s| s.0), mean(|s| s.1), share)
        })
        .collect();
    let total: f64 = parts.iter().map(|p| p.2).sum();
    let (x, y) =
        (parts.iter().map(|p| p.0 * p.2).sum::<f64>() / total, parts.iter().map(|p| p.1 * p.2).sum::<f64>() / total);
    parts.into_iter().map(|p| (p.0 - x, p.1 - y, p.2 / total)).collect()
}

/// Part of the time in which a star's light is looked at for itself, of which there are as many over the night.
const PARTS: usize = 3;
/// In every part it must show this share of its light, within twice its noise: a star is as bright all along its track, a ray from the
/// nucleus that lies along it is not.
const EVEN_SHARE: f64 = 0.4;
/// Of a track that runs over the nucleus or masked pixels this share must be left.
const LEAST_SEEN: f64 = 0.6;
/// A star's light under this share of the coma's is not left out: it would take the coma's middle with it.
const NEGLIGIBLE: f64 = 0.004;

/// What is seen at a place with a star's track laid on it.
struct Track {
    /// Steps in px, their share of the weight, and which part of the time they are of.
    steps: Vec<(f64, f64, f64, usize)>,
    /// Half its length, and its direction.
    half_length_px: f64,
    direction: (f64, f64),
    /// Variance of a mean along it over that of one image, images that overlap counted.
    overlap: f64,
}

/// Mean light per place.
#[derive(Clone, Copy)]
struct Seen {
    value: f64,
    variance: f64,
    even: bool,
}

impl Track {
    fn new(track: &[(f64, f64, f64)], sigma_px: f64) -> Self {
        let images = thinned(track);
        let (mut half_length_px, mut direction) = (0.0f64, (1.0, 0.0));
        for (dx, dy, _) in &images {
            let length = dx.hypot(*dy);
            if length > half_length_px {
                (half_length_px, direction) = (length, (dx / length, dy / length));
            }
        }
        let overlap = images
            .iter()
            .flat_map(|a| images.iter().map(move |b| (a, b)))
            .map(|(a, b)| {
                let square = (a.0 - b.0).powi(2) + (a.1 - b.1).powi(2);
                a.2 * b.2 * (-0.25 * square / (sigma_px * sigma_px)).exp()
            })
            .sum();
        // images that lie on each other tell nothing of the parts
        let parts = if half_length_px > 3.0 * sigma_px { PARTS } else { 1 };
        let mut before = 0.0;
        let steps = images
            .into_iter()
            .map(|(dx, dy, share)| {
                let part = (((before + 0.5 * share) * parts as f64) as usize).min(parts - 1);
                before += share;
                (dx, dy, share, part)
            })
            .collect();
        Self { steps, half_length_px, direction, overlap }
    }

    /// `light(i, j)` gives value and variance of one image there, nothing where none counts.
    fn seen_at(&self, (x, y): (f64, f64), light: impl Fn(isize, isize) -> Option<(f64, f64)>) -> Option<Seen> {
        let mut parts = [(0.0, 0.0, 0.0); PARTS];
        for (dx, dy, share, part) in &self.steps {
            if let Some((value, variance)) = light((x + dx).round() as isize, (y + dy).round() as isize) {
                let own = &mut parts[*part];
                *own = (own.0 + share * value, own.1 + share * variance, own.2 + share);
            }
        }
        let sum = parts.iter().fold((0.0, 0.0, 0.0), |a, p| (a.0 + p.0, a.1 + p.1, a.2 + p.2));
        if sum.2 < LEAST_SEEN {
            return None;
        }
        let value = sum.0 / sum.2;
        let variance = sum.1 / sum.2 * self.overlap / sum.2;
        let even = parts.iter().filter(|p| p.2 > 0.1).all(|p| {
            let noise = (variance * sum.2 / p.2).sqrt();
            value.signum() * p.0 / p.2 > EVEN_SHARE * value.abs() - 2.0 * noise
        });
        Some(Seen { value, variance, even })
    }
}

fn neighbour_px(fwhm_px: f64) -> f64 {
    (NEIGHBOUR_FWHM * fwhm_px).max(3.0)
}

/// How far beyond the search's reach pixels tell of spots in it: neighbours clear of a spot's track, the images of theirs, and what
/// smoothing brings there.
pub fn beyond_px(track: &[(f64, f64, f64)], fwhm_px: f64) -> f64 {
    let sigma_px = SMOOTH_FWHM * fwhm_px;
    neighbour_px(fwhm_px) + 4.0 * Track::new(track, sigma_px).half_length_px + (6.0 * sigma_px).max(12.0)
}

/// The mask with lone spots, bright or dark, flagged as stars. `coma(ρ_px)` is the mean coma.
pub fn mask_spots(input: &Leftovers, coma: impl Fn(f64) -> f64 + Sync) -> Mask {
    let Leftovers { residual, variance, mask, correlation, frame, fwhm_px, reach_px, .. } = input;
    let (width, height) = (residual.width, residual.height);
    let mut filled = (*residual).clone();
    for (v, bits) in filled.data.iter_mut().zip(&mask.bits) {
        if *bits != 0 || !v.is_finite() {
            *v = 0.0;
        }
    }
    let sigma_px = SMOOTH_FWHM * fwhm_px;
    let points = smooth::gaussian(&filled, sigma_px);
    let track = Track::new(input.track, sigma_px);
    // a sum weighed by a Gaussian has the noise of 1/(4πσ²) pixels
    let share = correlation / (4.0 * std::f64::consts::PI * sigma_px * sigma_px).max(1.0);
    let rho_at = |x: f64, y: f64| frame.rho_px(x - frame.centre_px.0, y - frame.centre_px.1);
    let nearest_px = NEAREST_FWHM * fwhm_px;
    let one = |i: isize, j: isize| {
        let index = points.index(i, j)?;
        let clear = mask.bits[index] == 0 && rho_at(i as f64, j as f64) > nearest_px;
        clear.then(|| (f64::from(points.data[index]), share * f64::from(variance.data[index])))
    };
    let seen: Vec<Option<Seen>> = (0..width * height)
        .into_par_iter()
        .map(|i| track.seen_at(((i % width) as f64, (i / width) as f64), one))
        .collect();
    let step = neighbour_px(*fwhm_px);
    // a jet is an even share of the coma all along: neighbours count by their share of it
    let at = &|x: f64, y: f64, light: f64| -> Option<f64> {
        let index = residual.index(x.round() as isize, y.round() as isize)?;
        let rho = rho_at(x.round(), y.round());
        seen[index].filter(|_| mask.bits[index] == 0).map(|s| s.value * (light / coma(rho.max(1.0))).min(1.0))
    };
    let spots: Vec<(usize, usize, f64)> = (0..height)
        .into_par_iter()
        .flat_map_iter(|y| {
            let (coma, seen, direction) = (&coma, &seen, track.direction);
            (0..width).filter_map(move |x| {
                let (dx, dy) = (x as f64 - frame.centre_px.0, y as f64 - frame.centre_px.1);
                let rho = frame.rho_px(dx, dy);
                if rho > *reach_px || rho < nearest_px || mask.bits[y * width + x] != 0 {
                    return None;
                }
                let light = coma(rho);
                let Seen { value, variance, even } = seen[y * width + x]?;
                let noise = variance.sqrt().hypot(COMA_SHARE / SPOT_SIGMA * light);
                if !(even && value.abs() > SPOT_SIGMA * noise) {
                    return None;
                }
                let away = dx.hypot(dy);
                let (px, py) = (x as f64, y as f64);
                // clear of the track itself along and across the ray, and along and across the track
                let neighbours = |(ux, uy): (f64, f64)| {
                    let along = (ux * direction.0 + uy * direction.1).abs();
                    let d = (step + 2.0 * track.half_length_px * along).min((0.7 * away).max(step));
                    [(px + d * ux, py + d * uy), (px - d * ux, py - d * uy)]
                };
                let (ray, own) = ((dx / away, dy / away), direction);
                let about = [ray, (-ray.1, ray.0), own, (-own.1, own.0)].map(neighbours).into_iter().flatten();
                let sign = value.signum();
                // a star is no wider than the kernel across its track, a jet is
                let across = (-direction.1 * NARROW_FWHM * fwhm_px, direction.0 * NARROW_FWHM * fwhm_px);
                let beside = [(px + across.0, py + across.1), (px - across.0, py - across.1)];
                let flank =
                    beside.into_iter().filter_map(|(x, y)| at(x, y, light)).map(|v| sign * v).fold(0.0, f64::max);
                if flank > NARROW_SHARE * sign * value {
                    return None;
                }
                let highest =
                    about.filter_map(|(x, y)| at(x, y, light)).map(|v| sign * v).fold(f64::NEG_INFINITY, f64::max);
                let alone = sign * value - highest.max(0.0);
                let least = (SPOT_SIGMA * noise).max(LONE_SHARE * sign * value);
                (highest.is_finite() && alone > least).then_some((x, y, value.abs()))
            })
        })
        .collect();
    let mut out = (*mask).clone();
    let radius = RADIUS_FWHM * fwhm_px;
    let reach = radius.ceil() as isize;
    let images = spots.iter().flat_map(|(x, y, value)| {
        let steps = track.steps.iter();
        steps.map(move |(dx, dy, ..)| ((*x as f64 + dx).round() as isize, (*y as f64 + dy).round() as isize, *value))
    });
    for (x, y, value) in images {
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (i, j) = (x + dx, y + dy);
                if ((dx * dx + dy * dy) as f64) <= radius * radius
                    && let Some(index) = residual.index(i, j)
                    && value > NEGLIGIBLE * coma(rho_at(i as f64, j as f64).max(1.0))
                {
                    out.bits[index] |= flag::STAR;
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A star goes; a jet, an arc and noise stay.
    #[test]
    fn only_what_stands_alone_is_left_out() {
        let n = 161;
        let frame = SkyFrame { centre_px: (80.0, 80.0), arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]] };
        let coma = |rho: f64| 1000.0 / rho.max(1.0);
        let mut residual = Image::filled(n, n, 0.0);
        let mut state = 3u64;
        for i in 0..n * n {
            let (dx, dy) = ((i % n) as f64 - 80.0, (i / n) as f64 - 80.0);
            let (rho, pa) = frame.polar(dx, dy);
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            let noise = ((state >> 40) as f64 / (1u64 << 24) as f64 - 0.5) * 12f64.sqrt();
            let jet = 0.3 * coma(rho) * (-0.5 * ((pa - 1.0) / 0.15).powi(2)).exp();
            let arc = if pa < -1.0 { 0.3 * coma(rho) * (-0.5 * ((rho - 40.0) / 2.5).powi(2)).exp() } else { 0.0 };
            let star = 60.0 * (-0.5 * ((dx - 30.0).powi(2) + (dy + 25.0).powi(2)) / 1.6).exp();
            residual.data[i] = (noise + jet + arc + star) as f32;
        }
        let variance = Image::filled(n, n, 1.0);
        let mask = Mask::clear(n, n);
        let input = Leftovers {
            residual: &residual,
            variance: &variance,
            mask: &mask,
            correlation: 1.0,
            frame,
            fwhm_px: 3.0,
            reach_px: 75.0,
            track: &[],
        };
        let got = mask_spots(&input, coma);
        assert!(got.bits[55 * n + 110] != 0, "the star");
        let masked: Vec<usize> = (0..n * n).filter(|i| got.bits[*i] != 0).collect();
        let near_star = |i: &&usize| ((**i % n) as f64 - 110.0).hypot((**i / n) as f64 - 55.0) < 10.0;
        let elsewhere = masked.iter().filter(|i| !near_star(i)).count();
        assert!(elsewhere < 60, "{elsewhere} pixels elsewhere");
    }
}
