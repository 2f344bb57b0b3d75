//! Registering on the comet's motion: one constant offset from the ephemeris for the night.
//!
//! The place of the comet in one frame jitters with noise and with stars that pass; its motion does not. So every
//! frame's measured place only votes on one offset from the ephemeris, and frames are registered by ephemeris and
//! offset.

use crate::ComaError;
use fanlight_image::{Image, Mask, flag, pixels_within, robust, smooth};

/// A place in a frame with its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Error of the column from photon noise.
    pub x_sigma_px: f64,
    /// Error of the row from photon noise.
    pub y_sigma_px: f64,
}

/// Where to look for the condensation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CentroidConfig {
    /// First guess of the column.
    pub x_px: f64,
    /// First guess of the row.
    pub y_px: f64,
    /// Full width at half maximum of a star.
    pub fwhm_px: f64,
}

/// Width of the weighting window in star widths (its σ in FWHM). Near the width of the condensation, where the error
/// of a windowed centroid is least; a wider one takes in more coma that is not symmetric.
const WINDOW_SIGMA_FWHM: f64 = 0.75;

/// Centroid in a Gaussian window that moves with it, the local level removed.
///
/// # Errors
/// When the window leaves the frame or no light stands over its surroundings.
///
/// # Source
/// Windowed centroid, common practice; the error by propagation of the pixel variances.
pub fn centroid(image: &Image, variance: &Image, mask: &Mask, config: CentroidConfig) -> Result<Place, ComaError> {
    let sigma_px = (WINDOW_SIGMA_FWHM * config.fwhm_px).max(0.9);
    let reach = (4.0 * sigma_px).ceil();
    let (mut x, mut y) = (config.x_px, config.y_px);
    let outside =
        || ComaError::CometOutside { x_px: config.x_px, y_px: config.y_px, width: image.width, height: image.height };
    let not_found = ComaError::CometNotFound { x_px: config.x_px, y_px: config.y_px };
    for _ in 0..200 {
        if x < reach || y < reach || x > image.width as f64 - 1.0 - reach || y > image.height as f64 - 1.0 - reach {
            return Err(outside());
        }
        let level = ring_level(image, mask, x, y, 3.0 * sigma_px, reach).ok_or(not_found.clone())?;
        let (mut sum, mut sum_x, mut sum_y, mut var_x, mut var_y) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut missing = 0usize;
        for py in (y - reach).ceil() as usize..=(y + reach).floor() as usize {
            for px in (x - reach).ceil() as usize..=(x + reach).floor() as usize {
                let (dx, dy) = (px as f64 - x, py as f64 - y);
                let weight = (-(dx * dx + dy * dy) / (2.0 * sigma_px * sigma_px)).exp();
                let i = py * image.width + px;
                let value = f64::from(image.data[i]) - level;
                if mask.bits[i] != 0 || !value.is_finite() {
                    missing += usize::from(weight > 0.5);
                    continue;
                }
                let pixel_variance = f64::from(variance.data[i]);
                sum += weight * value;
                sum_x += weight * value * dx;
                sum_y += weight * value * dy;
                var_x += weight * weight * dx * dx * pixel_variance;
                var_y += weight * weight * dy * dy * pixel_variance;
            }
        }
        if !(sum > 0.0) || missing > 1 {
            return Err(not_found);
        }
        // a window and an object of one width halve the offset seen, hence the factor 2
        let (step_x, step_y) = (2.0 * sum_x / sum, 2.0 * sum_y / sum);
        x += step_x.clamp(-1.0, 1.0);
        y += step_y.clamp(-1.0, 1.0);
        if (x - config.x_px).hypot(y - config.y_px) > 6.0 * config.fwhm_px.max(2.0) {
            return Err(not_found);
        }
        if step_x.hypot(step_y) < 1e-4 {
            let (x_sigma_px, y_sigma_px) = (2.0 * var_x.sqrt() / sum, 2.0 * var_y.sqrt() / sum);
            if !(sum > 5.0 * (var_x + var_y).sqrt() / sigma_px) {
                return Err(not_found);
            }
            return Ok(Place { x_px: x, y_px: y, x_sigma_px, y_sigma_px });
        }
    }
    Err(ComaError::NoConvergence { what: "the comet's centroid" })
}

/// Median of the good pixels between two radii.
fn ring_level(image: &Image, mask: &Mask, x_px: f64, y_px: f64, inner_px: f64, outer_px: f64) -> Option<f64> {
    let mut values = Vec::new();
    for py in (y_px - outer_px).ceil() as usize..=(y_px + outer_px).floor() as usize {
        for px in (x_px - outer_px).ceil() as usize..=(x_px + outer_px).floor() as usize {
            let distance = (px as f64 - x_px).hypot(py as f64 - y_px);
            let i = py * image.width + px;
            if (inner_px..=outer_px).contains(&distance) && mask.bits[i] == 0 {
                values.push(image.data[i]);
            }
        }
    }
    robust::median(&mut values).map(f64::from)
}

/// Local maxima of a smoothed image within a radius of a place, highest first.
pub fn peaks_near(smoothed: &Image, x_px: f64, y_px: f64, radius_px: f64) -> Vec<(f64, f64)> {
    let mut peaks: Vec<(f32, usize, usize)> = Vec::new();
    for (x, y) in pixels_within((x_px, y_px), radius_px, (smoothed.width, smoothed.height)) {
        let value = smoothed.at(x, y);
        let neighbours = (-1..=1).flat_map(|j| (-1..=1).map(move |i| (i, j))).filter(|n| *n != (0, 0));
        let highest = neighbours
            .into_iter()
            .all(|(i, j)| smoothed.get(x as isize + i, y as isize + j).is_none_or(|n| !(n > value)));
        if value.is_finite() && highest {
            peaks.push((value, x, y));
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.into_iter().map(|(_, x, y)| (x as f64, y as f64)).collect()
}

/// Where condensations are sought, and how smooth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CondensationSearch {
    /// Column about which they are sought.
    pub x_px: f64,
    /// Row about which they are sought.
    pub y_px: f64,
    /// How far from there.
    pub radius_px: f64,
    /// How much further the image is smoothed.
    pub margin_px: f64,
    /// Sigma of the smoothing.
    pub smoothing_px: f64,
}

/// Peaks of the smoothed image about a place, flagged pixels left out, highest first. Saturated ones are not left out: they are at
/// least so bright, and a condensation without its middle would have its peak on the rim.
pub fn condensations(image: &Image, mask: &Mask, search: &CondensationSearch) -> Vec<(f64, f64)> {
    let (x, y, half) = (search.x_px, search.y_px, search.radius_px + search.margin_px);
    let Some(area) = fanlight_image::PixelBox::around(x, y, half, image.width, image.height) else {
        return Vec::new();
    };
    let (mut near, bits) = (image.crop(area), mask.crop(area));
    near.data.iter_mut().zip(&bits.bits).filter(|(_, b)| **b & !flag::SATURATED != 0).for_each(|(v, _)| *v = f32::NAN);
    let smoothed = smooth::gaussian(&near, search.smoothing_px);
    let (x0, y0) = (area.x0 as f64, area.y0 as f64);
    let peaks = peaks_near(&smoothed, x - x0, y - y0, search.radius_px);
    peaks.into_iter().map(|(x, y)| (x + x0, y + y0)).collect()
}

/// The offset from the ephemeris that most frames' condensations share: the comet moves with the ephemeris, stars do not.
///
/// Each frame gives its condensations as (east, north) arcsec from the ephemeris, brightest first. `None` when no offset
/// is shared by a third of the frames and three of them: a bright star can hide a faint comet in most frames, but is
/// itself elsewhere in each.
pub fn shared_offset(frames: &[Vec<(f64, f64)>], tolerance_arcsec: f64) -> Option<(f64, f64)> {
    let near = |a: &(f64, f64), b: &(f64, f64)| (a.0 - b.0).hypot(a.1 - b.1) <= tolerance_arcsec;
    // for a candidate: in how many frames it is seen, and how far down the frames' lists
    let support = |c: &(f64, f64)| {
        let ranks: Vec<usize> = frames.iter().filter_map(|f| f.iter().position(|o| near(o, c))).collect();
        (ranks.len(), ranks.iter().sum::<usize>())
    };
    let best =
        frames.iter().flatten().map(|c| (support(c), c)).max_by(|(a, _), (b, _)| a.0.cmp(&b.0).then(b.1.cmp(&a.1)))?;
    let ((seen, _), candidate) = best;
    if seen < 3 || seen * 3 < frames.len() {
        return None;
    }
    let members: Vec<&(f64, f64)> = frames.iter().filter_map(|f| f.iter().find(|o| near(o, candidate))).collect();
    let mean = |axis: fn(&(f64, f64)) -> f64| members.iter().map(|m| axis(m)).sum::<f64>() / members.len() as f64;
    Some((mean(|m| m.0), mean(|m| m.1)))
}

/// One frame's vote: observed minus computed on the sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vote {
    /// Δα cos δ.
    pub east_arcsec: f64,
    /// Δδ.
    pub north_arcsec: f64,
    /// Error per axis, photon noise and the frame's WCS.
    pub sigma_arcsec: f64,
}

/// The night's constant offset from the ephemeris.
#[derive(Debug, Clone, PartialEq)]
pub struct Offset {
    /// Δα cos δ.
    pub east_arcsec: f64,
    /// Δδ.
    pub north_arcsec: f64,
    /// Error per axis: the frames' scatter over √n, not smaller than their own errors give; where they do not agree, their
    /// whole scatter.
    pub sigma_arcsec: f64,
    /// Which votes were kept.
    pub kept: Vec<bool>,
    /// Whether half of the votes, or two, agree within their errors.
    pub agree: bool,
}

/// How far from the median a vote may be, in robust sigmas.
const VOTE_KAPPA: f64 = 4.0;

/// Combines the frames' votes: those that agree with most others within their errors show about where the comet is;
/// outliers (a star, a cosmic ray near the nucleus) are dropped by their distance from these votes' median, the rest
/// give a weighted mean.
///
/// A star that passes the nucleus slowly takes many votes with it, each to another place: a median of all would follow.
///
/// # Errors
/// When there is no vote.
pub fn night_offset(votes: &[Vote]) -> Result<Offset, ComaError> {
    if votes.is_empty() {
        return Err(ComaError::TooFew { what: "frames in which the comet was found", found: 0, needed: 1 });
    }
    let (like, agree) = agreeing(votes);
    let mut easts: Vec<f64> = like.iter().map(|v| v.east_arcsec).collect();
    let mut norths: Vec<f64> = like.iter().map(|v| v.north_arcsec).collect();
    let east0 = robust::median_f64(&mut easts).unwrap_or(0.0);
    let north0 = robust::median_f64(&mut norths).unwrap_or(0.0);
    let distance = |v: &Vote| (v.east_arcsec - east0).hypot(v.north_arcsec - north0);
    let mut distances: Vec<f64> = like.iter().map(distance).collect();
    // the median distance of a two-dimensional Gaussian is 1.1774 σ
    let scatter = robust::median_f64(&mut distances).unwrap_or(0.0) / 1.1774;
    let kept: Vec<bool> =
        votes.iter().map(|v| distance(v) <= VOTE_KAPPA * scatter.max(v.sigma_arcsec).max(1e-6)).collect();
    let (mut weight, mut east, mut north) = (0.0, 0.0, 0.0);
    for v in votes.iter().zip(&kept).filter(|(_, k)| **k).map(|(v, _)| v) {
        // the scatter holds what a frame's own error does not: seeing, tracking, stars
        let w = 1.0 / (v.sigma_arcsec.powi(2) + scatter.powi(2)).max(1e-12);
        weight += w;
        east += w * v.east_arcsec;
        north += w * v.north_arcsec;
    }
    let mean_sigma = (1.0 / weight).sqrt();
    let sigma_arcsec = if agree { mean_sigma } else { mean_sigma.max(scatter) };
    Ok(Offset { east_arcsec: east / weight, north_arcsec: north / weight, sigma_arcsec, kept, agree })
}

/// The votes that agree with the one that most agree with; all of them, and `false`, where these are fewer than half.
fn agreeing(votes: &[Vote]) -> (Vec<Vote>, bool) {
    let with = |a: &Vote| -> Vec<Vote> {
        let near = |b: &&Vote| {
            let away = (a.east_arcsec - b.east_arcsec).hypot(a.north_arcsec - b.north_arcsec);
            away <= VOTE_KAPPA * a.sigma_arcsec.hypot(b.sigma_arcsec).max(1e-6)
        };
        votes.iter().filter(near).copied().collect()
    };
    // of several the first: an order that does not depend on rounding
    let best = votes.iter().map(with).rev().max_by_key(Vec::len).unwrap_or_default();
    let agree = best.len() * 2 >= votes.len() && (best.len() >= 2 || votes.len() == 1);
    if agree { (best, true) } else { (votes.to_vec(), false) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blob(x0: f64, y0: f64, sigma: f64) -> Image {
        let mut image = Image::filled(41, 41, 10.0);
        for y in 0..41 {
            for x in 0..41 {
                let r2 = (x as f64 - x0).powi(2) + (y as f64 - y0).powi(2);
                image.data[y * 41 + x] += (1000.0 * (-r2 / (2.0 * sigma * sigma)).exp()) as f32;
            }
        }
        image
    }

    #[test]
    fn finds_the_centre_of_a_gaussian_from_a_wrong_guess() {
        let image = blob(20.3, 19.6, 1.5);
        let variance = Image::filled(41, 41, 25.0);
        let config = CentroidConfig { x_px: 22.0, y_px: 18.0, fwhm_px: 3.5 };
        let got = centroid(&image, &variance, &Mask::clear(41, 41), config).unwrap();
        assert!((got.x_px - 20.3).abs() < 0.003 && (got.y_px - 19.6).abs() < 0.003, "{got:?}");
        assert!(got.x_sigma_px > 0.0 && got.x_sigma_px < 0.05);
    }

    #[test]
    fn says_when_there_is_nothing() {
        let variance = Image::filled(41, 41, 25.0);
        let flat = Image::filled(41, 41, 10.0);
        let config = CentroidConfig { x_px: 20.0, y_px: 20.0, fwhm_px: 3.5 };
        assert!(centroid(&flat, &variance, &Mask::clear(41, 41), config).is_err());
        let edge = CentroidConfig { x_px: 1.0, y_px: 20.0, fwhm_px: 3.5 };
        assert!(matches!(centroid(&flat, &variance, &Mask::clear(41, 41), edge), Err(ComaError::CometOutside { .. })));
    }

    /// The comet holds its offset; brighter stars pass through at another place in each frame.
    #[test]
    fn the_offset_that_frames_share_is_the_comets() {
        let frames: Vec<Vec<(f64, f64)>> =
            (0..5).map(|i| vec![(10.0 - 4.0 * f64::from(i), 3.0), (1.2, -0.8 + 0.1 * f64::from(i % 2))]).collect();
        let (east, north) = shared_offset(&frames, 1.5).unwrap();
        assert!((east - 1.2).abs() < 1e-9 && (north + 0.76).abs() < 0.05);
        assert_eq!(shared_offset(&frames[..2], 1.5), None);
    }

    #[test]
    fn one_wild_vote_does_not_move_the_night() {
        let vote = |east, north| Vote { east_arcsec: east, north_arcsec: north, sigma_arcsec: 0.1 };
        let mut votes: Vec<Vote> = (0..10).map(|i| vote(1.0 + 0.02 * (i % 3) as f64, -2.0)).collect();
        votes.push(vote(9.0, 4.0));
        let got = night_offset(&votes).unwrap();
        assert!((got.east_arcsec - 1.018).abs() < 0.01 && (got.north_arcsec + 2.0).abs() < 1e-9);
        assert!(!got.kept[10] && got.kept[..10].iter().all(|k| *k));
        assert!(night_offset(&[]).is_err());
    }

    /// A star crosses the nucleus: four frames follow it, each elsewhere, four hold the comet.
    #[test]
    fn a_passing_star_does_not_lead_the_night() {
        let vote = |east, north| Vote { east_arcsec: east, north_arcsec: north, sigma_arcsec: 0.2 };
        let mut votes: Vec<Vote> = (0..4).map(|i| vote(0.6 + 0.1 * f64::from(i), -11.0 + 2.0 * f64::from(i))).collect();
        votes.extend((0..4).map(|i| vote(-2.5 + 0.02 * f64::from(i), 0.7)));
        let got = night_offset(&votes).unwrap();
        assert!((got.east_arcsec + 2.47).abs() < 0.01 && (got.north_arcsec - 0.7).abs() < 1e-9, "{got:?}");
        assert!(got.agree && got.sigma_arcsec < 0.15);
        assert_eq!(got.kept, [false, false, false, false, true, true, true, true]);
    }

    /// All frames follow the star: their mean is nobody's place, and the error says so.
    #[test]
    fn votes_that_disagree_have_no_small_error() {
        let votes: Vec<Vote> = (0..8)
            .map(|i| Vote {
                east_arcsec: -7.8 + 0.3 * f64::from(i),
                north_arcsec: 17.0 - 2.8 * f64::from(i),
                sigma_arcsec: 0.2,
            })
            .collect();
        let got = night_offset(&votes).unwrap();
        assert!(!got.agree && got.sigma_arcsec > 3.0, "{got:?}");
    }
}
