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
    let track = thinned(input.track);
    let along_track = |x: f64, y: f64| -> f32 {
        track
            .iter()
            .map(|(dx, dy, share)| {
                let (i, j) = ((x + dx).round() as isize, (y + dy).round() as isize);
                *share as f32 * points.get(i, j).unwrap_or(0.0)
            })
            .sum()
    };
    let data = (0..width * height).into_par_iter().map(|i| along_track((i % width) as f64, (i / width) as f64));
    let smoothed = &Image { width, height, data: data.collect() };
    // a sum weighed by a Gaussian has the noise of 1/(4πσ²) pixels; images of a track that overlap share theirs
    let overlap: f64 = track
        .iter()
        .flat_map(|a| track.iter().map(move |b| (a, b)))
        .map(|(a, b)| {
            let square = (a.0 - b.0).powi(2) + (a.1 - b.1).powi(2);
            a.2 * b.2 * (-0.25 * square / (sigma_px * sigma_px)).exp()
        })
        .sum();
    let share = overlap * correlation / (4.0 * std::f64::consts::PI * sigma_px * sigma_px).max(1.0);
    // half the track's length, and its direction
    let (mut half_length, mut direction) = (0.0f64, (1.0, 0.0));
    for (dx, dy, _) in &track {
        let length = dx.hypot(*dy);
        if length > half_length {
            (half_length, direction) = (length, (dx / length, dy / length));
        }
    }
    let step = (NEIGHBOUR_FWHM * fwhm_px).max(3.0);
    // a jet is an even share of the coma all along: neighbours count by their share of it
    let at = &|x: f64, y: f64, light: f64| -> Option<f64> {
        let (i, j) = (x.round(), y.round());
        let inside = i >= 0.0 && j >= 0.0 && (i as usize) < width && (j as usize) < height;
        let index = inside.then(|| j as usize * width + i as usize)?;
        let (rho, _) = frame.polar(i - frame.centre_px.0, j - frame.centre_px.1);
        (mask.bits[index] == 0).then(|| f64::from(smoothed.data[index]) * (light / coma(rho.max(1.0))).min(1.0))
    };
    let spots: Vec<(usize, usize)> = (0..height)
        .into_par_iter()
        .flat_map_iter(|y| {
            let coma = &coma;
            (0..width).filter_map(move |x| {
                let (dx, dy) = (x as f64 - frame.centre_px.0, y as f64 - frame.centre_px.1);
                let (rho, _) = frame.polar(dx, dy);
                if rho > *reach_px || rho < NEAREST_FWHM * fwhm_px || mask.bits[y * width + x] != 0 {
                    return None;
                }
                let light = coma(rho);
                let value = f64::from(smoothed.data[y * width + x]);
                let noise =
                    (f64::from(variance.data[y * width + x]) * share).sqrt().hypot(COMA_SHARE / SPOT_SIGMA * light);
                if !(value.abs() > SPOT_SIGMA * noise) {
                    return None;
                }
                let away = dx.hypot(dy);
                let (px, py) = (x as f64, y as f64);
                // clear of the track itself along and across the ray, and along and across the track
                let neighbours = |(ux, uy): (f64, f64)| {
                    let along = (ux * direction.0 + uy * direction.1).abs();
                    let d = (step + 2.0 * half_length * along).min((0.7 * away).max(step));
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
                (highest.is_finite() && sign * value - highest.max(0.0) > SPOT_SIGMA * noise).then_some((x, y))
            })
        })
        .collect();
    let mut out = (*mask).clone();
    let radius = RADIUS_FWHM * fwhm_px;
    let reach = radius.ceil() as isize;
    let images = spots.iter().flat_map(|(x, y)| {
        track.iter().map(move |(dx, dy, _)| ((*x as f64 + dx).round() as isize, (*y as f64 + dy).round() as isize))
    });
    for (x, y) in images {
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (i, j) = (x + dx, y + dy);
                if ((dx * dx + dy * dy) as f64) <= radius * radius
                    && let Some(index) = residual.index(i, j)
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
        assert!(elsewhere < 110, "{elsewhere} pixels elsewhere");
    }
}
