//! How the width of star images changes over the detector.
//!
//! Optics make it: a pattern that all frames of a night share, on top of each frame's own seeing. Its logarithm is a
//! polynomial of the place, kept only where it foretells stars that were left out of its fit.

use super::StarImage;
use crate::robust;
use nalgebra::{DMatrix, DVector};

/// The width of one star, fitted alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarWidth {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Natural logarithm of the geometric mean FWHM of its seeing in px.
    pub ln_fwhm: f64,
}

/// A star's width in one of several frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WidthSample {
    /// Its width and place.
    pub width: StarWidth,
    /// Which frame.
    pub frame: usize,
    /// Which star: the same one in every frame.
    pub star: usize,
}

/// The pattern: the logarithm of the width as a polynomial of the place.
#[derive(Debug, Clone, PartialEq)]
pub struct WidthPattern {
    middle_px: (f64, f64),
    half_side_px: f64,
    /// Where stars showed it; beyond, the nearest of these places stands.
    from_px: (f64, f64),
    to_px: (f64, f64),
    /// Of x, y, and of x², xy, y² where the pattern is curved.
    terms: Vec<f64>,
    /// Stars that it rests on.
    pub n_stars: usize,
    /// By how much, as a share, a star left out of the fit differs from what the others foretell.
    pub foretold_within: f64,
}

/// Fewest stars, over all frames, for a pattern.
const MIN_STARS: usize = 12;
/// Parts of the stars that are left out in turn.
const PARTS: usize = 6;
/// Samples this many scatters off are left out.
const KAPPA: f64 = 4.0;
/// A pattern must foretell stars better than none, or than a simpler one, by so many errors of that gain, and by this share.
const GAIN_SIGMA: f64 = 2.5;
/// See [`GAIN_SIGMA`].
const GAIN_SHARE: f64 = 0.15;

/// The pattern that the frames share; `None` where stars do not show one.
pub fn width_pattern(samples: &[WidthSample]) -> Option<WidthPattern> {
    let n_stars = samples.iter().map(|s| s.star + 1).max()?;
    let over = |of: fn(&WidthSample) -> f64| {
        let all = samples.iter().map(of);
        all.fold((f64::INFINITY, f64::NEG_INFINITY), |a, v| (a.0.min(v), a.1.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (over(|s| s.width.x_px), over(|s| s.width.y_px));
    let half_side_px = 0.5 * (x1 - x0).max(y1 - y0);
    if n_stars < MIN_STARS || !(half_side_px > 0.0) {
        return None;
    }
    let blank = WidthPattern {
        middle_px: (0.5 * (x0 + x1), 0.5 * (y0 + y1)),
        half_side_px,
        from_px: (x0, y0),
        to_px: (x1, y1),
        terms: Vec::new(),
        n_stars,
        foretold_within: 0.0,
    };
    // each star's squared miss, foretold by the others
    let misses = |degree: usize| -> Option<Vec<f64>> {
        let mut all = Vec::new();
        for part in 0..PARTS {
            let others: Vec<WidthSample> = samples.iter().filter(|s| s.star % PARTS != part).copied().collect();
            let pattern = blank.fitted(&others, degree)?;
            let off = pattern.off(samples);
            for star in (part..n_stars).step_by(PARTS) {
                let own: Vec<f64> = samples.iter().zip(&off).filter(|(s, _)| s.star == star).map(|(_, o)| *o).collect();
                if !own.is_empty() {
                    all.push((own.iter().sum::<f64>() / own.len() as f64).powi(2));
                }
            }
        }
        Some(all)
    };
    let mut best = (0, misses(0)?);
    for degree in 1..=2 {
        let Some(own) = misses(degree) else { break };
        if is_better(&best.1, &own) {
            best = (degree, own);
        }
    }
    if best.0 == 0 {
        return None;
    }
    let pattern = blank.fitted(samples, best.0)?;
    let foretold_within = robust::median_f64(&mut best.1).map_or(0.0, |m| 1.4826 * m.sqrt());
    Some(WidthPattern { foretold_within, ..pattern })
}

/// Whether stars' squared misses become clearly smaller.
fn is_better(before: &[f64], after: &[f64]) -> bool {
    // a blend or a galaxy is missed by either
    let cap = |all: &[f64]| robust::median_f64(&mut all.to_vec()).map_or(f64::INFINITY, |m| 12.0 * m);
    let cap = cap(before).max(cap(after));
    let gains: Vec<f64> = before.iter().zip(after).map(|(b, a)| b.min(cap) - a.min(cap)).collect();
    let n = gains.len() as f64;
    let mean = gains.iter().sum::<f64>() / n;
    let sigma = (gains.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
    let total = before.iter().map(|b| b.min(cap)).sum::<f64>() / n;
    mean > GAIN_SIGMA * sigma && mean > GAIN_SHARE * total
}

impl WidthPattern {
    fn basis(&self, x_px: f64, y_px: f64, degree: usize) -> Vec<f64> {
        let x = (x_px.clamp(self.from_px.0, self.to_px.0) - self.middle_px.0) / self.half_side_px;
        let y = (y_px.clamp(self.from_px.1, self.to_px.1) - self.middle_px.1) / self.half_side_px;
        match degree {
            0 => Vec::new(),
            1 => vec![x, y],
            _ => vec![x, y, x * x, x * y, y * y],
        }
    }

    /// Logarithm of the width at a place over that at the middle of the stars.
    pub fn ln_width(&self, x_px: f64, y_px: f64) -> f64 {
        let degree = if self.terms.len() == 2 { 1 } else { 2 };
        if self.terms.is_empty() {
            return 0.0;
        }
        self.basis(x_px, y_px, degree).iter().zip(&self.terms).map(|(b, t)| b * t).sum()
    }

    /// The pattern of a degree that fits samples best, every frame's own width free.
    fn fitted(&self, samples: &[WidthSample], degree: usize) -> Option<Self> {
        let n = self.basis(0.0, 0.0, degree).len();
        let mut kept: Vec<WidthSample> = samples.to_vec();
        let mut terms = vec![0.0; n];
        for _ in 0..3 {
            let rows: Vec<Vec<f64>> = kept.iter().map(|s| self.basis(s.width.x_px, s.width.y_px, degree)).collect();
            let means = |value: &dyn Fn(usize) -> f64| {
                let frames = kept.iter().map(|s| s.frame + 1).max().unwrap_or(0);
                let mut sums = vec![(0.0, 0.0); frames];
                for (i, s) in kept.iter().enumerate() {
                    sums[s.frame].0 += value(i);
                    sums[s.frame].1 += 1.0;
                }
                sums.iter().map(|(sum, n)| sum / f64::max(*n, 1.0)).collect::<Vec<f64>>()
            };
            let of_values = means(&|i| kept[i].width.ln_fwhm);
            let of_rows: Vec<Vec<f64>> = (0..n).map(|k| means(&|i| rows[i][k])).collect();
            if n > 0 {
                let (mut normal, mut right) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
                for (s, row) in kept.iter().zip(&rows) {
                    let value = s.width.ln_fwhm - of_values[s.frame];
                    let row: Vec<f64> = row.iter().enumerate().map(|(k, r)| r - of_rows[k][s.frame]).collect();
                    for a in 0..n {
                        right[a] += row[a] * value;
                        (0..n).for_each(|b| normal[(a, b)] += row[a] * row[b]);
                    }
                }
                terms = normal.cholesky()?.solve(&right).iter().copied().collect();
            }
            let pattern = Self { terms: terms.clone(), ..self.clone() };
            let off = pattern.off(&kept);
            let limit = KAPPA * robust::mad_sigma_f64(&mut off.clone())?;
            let mut at = 0;
            kept.retain(|_| {
                at += 1;
                off[at - 1].abs() <= limit
            });
            if kept.len() < MIN_STARS {
                return None;
            }
        }
        Some(Self { terms, ..self.clone() })
    }

    /// By how much samples are wider than the pattern says, the median of each frame taken off.
    fn off(&self, samples: &[WidthSample]) -> Vec<f64> {
        let raw: Vec<f64> =
            samples.iter().map(|s| s.width.ln_fwhm - self.ln_width(s.width.x_px, s.width.y_px)).collect();
        let frames = samples.iter().map(|s| s.frame + 1).max().unwrap_or(0);
        let mut of_frame: Vec<Vec<f64>> = vec![Vec::new(); frames];
        samples.iter().zip(&raw).for_each(|(s, r)| of_frame[s.frame].push(*r));
        let middle: Vec<f64> = of_frame.iter_mut().map(|v| robust::median_f64(v).unwrap_or(0.0)).collect();
        samples.iter().zip(raw).map(|(s, r)| r - middle[s.frame]).collect()
    }

    /// Largest and smallest width where stars showed the pattern, over each other.
    pub fn range(&self) -> f64 {
        let places = (0..=8).flat_map(|j| (0..=8).map(move |i| (f64::from(i) / 8.0, f64::from(j) / 8.0)));
        let (a, b) = (self.from_px, self.to_px);
        let at = places.map(|(u, v)| self.ln_width(a.0 + u * (b.0 - a.0), a.1 + v * (b.1 - a.1)));
        let (low, high) = at.fold((f64::INFINITY, f64::NEG_INFINITY), |r, v| (r.0.min(v), r.1.max(v)));
        (high - low).exp()
    }
}

/// Star images over one frame: its fitted image, wider and narrower by a pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldShape {
    shape: StarImage,
    pattern: Option<WidthPattern>,
    /// The pattern's mean over the stars that the image was fitted to.
    ln_mean: f64,
    /// Place of the image's pixel (0, 0) in the pattern's.
    corner_px: (f64, f64),
}

impl From<StarImage> for FieldShape {
    fn from(shape: StarImage) -> Self {
        Self { shape, pattern: None, ln_mean: 0.0, corner_px: (0.0, 0.0) }
    }
}

impl FieldShape {
    /// A frame's image with a pattern; `stars` are those that the image was fitted to, their places and `corner_px` in the
    /// pattern's pixels.
    pub fn new(shape: StarImage, pattern: &WidthPattern, stars: &[(f64, f64)], corner_px: (f64, f64)) -> Self {
        if stars.is_empty() {
            return shape.into();
        }
        let ln_mean = stars.iter().map(|s| pattern.ln_width(s.0, s.1)).sum::<f64>() / stars.len() as f64;
        Self { shape, pattern: Some(pattern.clone()), ln_mean, corner_px }
    }

    /// The image fitted to the whole frame.
    pub fn typical(&self) -> &StarImage {
        &self.shape
    }

    /// Logarithm of the width at a pixel over the fitted one.
    pub fn ln_factor(&self, x_px: f64, y_px: f64) -> f64 {
        let at = |p: &WidthPattern| p.ln_width(x_px + self.corner_px.0, y_px + self.corner_px.1) - self.ln_mean;
        self.pattern.as_ref().map_or(0.0, at)
    }

    /// The image at a pixel.
    pub fn at(&self, x_px: f64, y_px: f64) -> StarImage {
        match &self.pattern {
            Some(_) => self.shape.widened(self.ln_factor(x_px, y_px).exp()),
            None => self.shape,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Widths of 24 stars in 12 frames with scatter of their own and per sample, by a small linear generator.
    fn samples(pattern: impl Fn(f64, f64) -> f64, seed: u64) -> Vec<WidthSample> {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut unit = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut all = Vec::new();
        for star in 0..24 {
            let (x, y) = (1000.0 * unit(), 1000.0 * unit());
            let own = 0.02 * (unit() + unit() + unit() - 1.5);
            for frame in 0..12 {
                let ln_fwhm = 1.0 + 0.1 * frame as f64 + pattern(x, y) + own + 0.03 * (unit() + unit() - 1.0);
                all.push(WidthSample { width: StarWidth { x_px: x, y_px: y, ln_fwhm }, frame, star });
            }
        }
        all
    }

    #[test]
    fn a_pattern_is_found_where_there_is_one() {
        let bowl = |x: f64, y: f64| 0.1 * ((x - 500.0).powi(2) + (y - 500.0).powi(2)) / 500_000.0;
        let tilt = |x: f64, _: f64| 0.1 * (x / 1000.0 - 0.5);
        let mut squares = Vec::new();
        for seed in 1..6 {
            let found = width_pattern(&samples(bowl, seed)).expect("bowl");
            for (x, y) in [(500.0, 500.0), (250.0, 800.0), (850.0, 150.0)] {
                let got = found.ln_width(x, y) - found.ln_width(600.0, 400.0);
                let want = bowl(x, y) - bowl(600.0, 400.0);
                // stars differ by 0.01 of their own: six numbers from 24 of them, twice as far off toward a corner
                assert!((got - want).abs() < 0.03, "seed {seed} at {x}, {y}: {got}, {want}");
                squares.push((got - want).powi(2));
            }
            let found = width_pattern(&samples(tilt, seed)).expect("tilt");
            let got = found.ln_width(900.0, 500.0) - found.ln_width(100.0, 500.0);
            assert!((got - 0.08).abs() < 0.02, "seed {seed}: {got}");
        }
        let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
        assert!(rms < 0.01, "{rms}");
    }

    #[test]
    fn no_pattern_is_found_where_there_is_none() {
        let found = (1..101).filter(|seed| width_pattern(&samples(|_, _| 0.0, *seed)).is_some()).count();
        assert!(found <= 3, "{found} of 100");
    }

    #[test]
    fn a_frame_without_stars_is_as_it_was_fitted() {
        let bowl = |x: f64, y: f64| 0.1 * ((x - 500.0).powi(2) + (y - 500.0).powi(2)) / 500_000.0;
        let pattern = width_pattern(&samples(bowl, 1)).expect("bowl");
        let shape = StarImage::from(crate::moffat::Moffat::round(3.0, 3.0));
        assert_eq!(FieldShape::new(shape, &pattern, &[], (0.0, 0.0)).at(900.0, 900.0), shape);
        let of_corner = FieldShape::new(shape, &pattern, &[(950.0, 950.0)], (100.0, 0.0));
        assert!(of_corner.at(400.0, 500.0).fwhm_px() < 2.85);
        assert!((of_corner.at(850.0, 950.0).fwhm_px() - 3.0).abs() < 1e-9);
    }
}
