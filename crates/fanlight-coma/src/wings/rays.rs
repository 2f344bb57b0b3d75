//! The rays: straight lines through the mean of the bright stars.

use super::Ray;
use super::halo::Halo;
use crate::stars::FieldStar;
use fanlight_image::{Image, Mask, robust};
use rayon::prelude::*;

/// The mean star is made to this radius at most.
const MAX_RADIUS_PX: f64 = 70.0;
/// Stars that make it.
const RAY_STARS: usize = 25;
/// Fewest stars, of which each half makes a mean star of its own.
const RAY_MIN_STARS: usize = 12;
/// Directions that are tried.
const DIRECTIONS: usize = 360;
/// A ray stands this many scatters of all directions over their median.
const RAY_SIGMA: f64 = 5.5;
/// The ray against it stands over so many, within [`SLACK`] directions of it.
const OTHER_SIGMA: f64 = 3.5;
const SLACK: usize = 3;
/// In each half of the stars it stands over so many.
const HALF_SIGMA: f64 = 2.5;
/// Nothing brighter within this many directions.
const APART: usize = 8;
/// Most rays: a spider of six vanes.
const MAX_RAYS: usize = 12;
/// A piece of a ray is followed while it stands so many errors over nothing.
const PIECE_SIGMA: f64 = 2.0;

/// Finds the rays in the residual, from which the halo has been taken.
pub fn measure(residual: &Image, mask: &Mask, stars: &[FieldStar], halo: &Halo, fwhm_px: f64) -> Vec<Ray> {
    let inner_px = 2.0 * fwhm_px;
    let outer_px = halo.profile.last().map_or(MAX_RADIUS_PX, |p| p.0.max(40.0)).min(MAX_RADIUS_PX);
    if outer_px < 2.0 * inner_px || stars.len() < RAY_MIN_STARS {
        return Vec::new();
    }
    let mean = mean_star(residual, mask, &stars[..stars.len().min(RAY_STARS)], outer_px);
    let along = |angle_rad: f64, from: f64, to: f64| mean.strip(angle_rad, (from, to), fwhm_px);
    let angle = |i: usize| std::f64::consts::TAU * i as f64 / DIRECTIONS as f64;
    let light: Vec<f64> = (0..DIRECTIONS).map(|i| along(angle(i), inner_px, 0.7 * outer_px).unwrap_or(0.0)).collect();
    let Some(middle) = robust::median_f64(&mut light.clone()) else { return Vec::new() };
    let Some(wide) = robust::mad_sigma_f64(&mut light.clone()) else { return Vec::new() };
    // the rays and what stands beside them are not the scatter that they stand over
    let mut calm: Vec<f64> = light.iter().copied().filter(|l| (l - middle).abs() < 2.5 * wide).collect();
    let Some(sigma) = robust::mad_sigma_f64(&mut calm) else { return Vec::new() };
    let highest = |i: usize| {
        (1..=APART)
            .all(|k| light[i] >= light[(i + k) % DIRECTIONS] && light[i] > light[(i + DIRECTIONS - k) % DIRECTIONS])
    };
    let mut found: Vec<usize> =
        (0..DIRECTIONS).filter(|i| light[*i] - middle > RAY_SIGMA * sigma && sigma > 0.0 && highest(*i)).collect();
    // a vane makes two rays, one against the other
    found.retain(|i| {
        (0..=2 * SLACK)
            .any(|k| light[(i + DIRECTIONS / 2 + k + DIRECTIONS - SLACK) % DIRECTIONS] - middle > OTHER_SIGMA * sigma)
    });
    found.sort_by(|a, b| light[*b].total_cmp(&light[*a]));
    found.truncate(MAX_RAYS);
    // and every part of the stars shows it: a neighbour stands beside one
    let halves = [0, 1].map(|part| {
        let half: Vec<FieldStar> = stars.iter().take(RAY_STARS).skip(part).step_by(2).copied().collect();
        let mean = mean_star(residual, mask, &half, outer_px);
        let of = |i: usize| mean.strip(angle(i), (inner_px, 0.7 * outer_px), fwhm_px).unwrap_or(0.0);
        (0..DIRECTIONS).map(of).collect::<Vec<f64>>()
    });
    let in_both = |i: usize| {
        halves.iter().all(|light| {
            let middle = robust::median_f64(&mut light.clone());
            let wide = robust::mad_sigma_f64(&mut light.clone());
            middle.zip(wide).is_some_and(|(m, w)| light[i] - m > HALF_SIGMA * w)
        })
    };
    found.retain(|i| in_both(*i));
    let quiet: Vec<usize> = (0..DIRECTIONS).step_by(5).filter(|i| light[*i] - middle < 3.0 * sigma).collect();
    found
        .iter()
        .filter_map(|i| {
            let fine = (-15..=15).map(|k| angle(*i) + f64::from(k) * 1e-3 * 2.0);
            let angle_rad = fine
                .filter_map(|a| Some((a, along(a, inner_px, 0.7 * outer_px)?)))
                .max_by(|a, b| a.1.total_cmp(&b.1))?
                .0;
            let mut points = Vec::new();
            let mut from = inner_px;
            while from < outer_px {
                let to = (1.3 * from).max(from + 3.0).min(outer_px);
                let mut others: Vec<f64> = quiet.iter().filter_map(|j| along(angle(*j), from, to)).collect();
                let level = robust::median_f64(&mut others)?;
                let error = robust::mad_sigma_f64(&mut others)?;
                let value = along(angle_rad, from, to)? - level;
                if value >= PIECE_SIGMA * error {
                    points.push(((from * to).sqrt(), value));
                } else if !points.is_empty() {
                    break;
                }
                from = to;
            }
            (points.len() >= 2).then_some(Ray { angle_rad, along: points })
        })
        .collect()
}

/// Median of the residuals about stars, over their flux.
struct MeanStar {
    reach: isize,
    data: Vec<f32>,
}

fn mean_star(residual: &Image, mask: &Mask, stars: &[FieldStar], outer_px: f64) -> MeanStar {
    let reach = outer_px.ceil() as isize + 4;
    let side = 2 * reach + 1;
    let least = stars.iter().map(|s| s.flux).fold(f64::INFINITY, f64::min);
    let data = (0..side * side)
        .into_par_iter()
        .map(|i| {
            let (dx, dy) = (i % side - reach, i / side - reach);
            let values = stars.iter().filter_map(|s| {
                let j = residual.index(s.x_px.round() as isize + dx, s.y_px.round() as isize + dy)?;
                let good = mask.bits[j] == 0 && residual.data[j].is_finite();
                good.then(|| (f64::from(residual.data[j]) / s.flux, s.flux.min(4.0 * least).powi(2)))
            });
            let values: Vec<(f64, f64)> = values.collect();
            let enough = values.len() >= 5;
            enough.then(|| robust::weighted_median(values)).flatten().map_or(f32::NAN, |v| v as f32)
        })
        .collect();
    MeanStar { reach, data }
}

impl MeanStar {
    /// Light per pixel of length in a strip of a direction, over that beside it.
    fn strip(&self, angle_rad: f64, (from, to): (f64, f64), fwhm_px: f64) -> Option<f64> {
        let (sin, cos) = angle_rad.sin_cos();
        let (near, far) = (1.2 * fwhm_px, 2.4 * fwhm_px);
        let (mut on, mut n_on, mut beside, mut n_beside) = (0.0, 0usize, 0.0, 0usize);
        let steps = (to - from).ceil() as usize;
        let across = far.ceil() as isize;
        for step in 0..=steps {
            let t = from + (to - from) * step as f64 / steps as f64;
            for k in -across..=across {
                let u = k as f64;
                let (x, y) = ((t * cos - u * sin).round() as isize, (t * sin + u * cos).round() as isize);
                if x.abs() > self.reach || y.abs() > self.reach {
                    continue;
                }
                let v = f64::from(self.data[((y + self.reach) * (2 * self.reach + 1) + x + self.reach) as usize]);
                if !v.is_finite() {
                    continue;
                }
                if u.abs() <= near {
                    (on, n_on) = (on + v, n_on + 1);
                } else {
                    (beside, n_beside) = (beside + v, n_beside + 1);
                }
            }
        }
        if n_on == 0 || n_beside == 0 {
            return None;
        }
        let width = 2.0 * near.floor() + 1.0;
        Some(width * (on / n_on as f64 - beside / n_beside as f64))
    }
}
