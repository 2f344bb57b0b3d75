//! Filters of one or several fixed scales: Laplacian, unsharp ratio, multi-scale residual.

use super::{AT_ONCE, check};
use crate::ComaError;
use fanlight_image::{Image, smooth};
use rayon::prelude::*;

/// Laplacian of a Gaussian at a matched scale, turned so that bright is up: −σ²∇²(G ∗ I), in the image's unit.
///
/// Brightness is lost: what varies over less or much more than σ is taken out, and the rest is a second derivative. A round blob
/// of standard deviation s answers most at σ = s, a ridge at σ = √2 s. NaN where the image is, and within 1.3σ of its edge or of a
/// gap as wide as that.
///
/// Known artefacts: a dark ring about the nucleus and every star, dark rims along ridges; a 1/ρ coma leaves a halo of −Iσ²/ρ² of
/// its own; noise is enhanced most at small σ.
///
/// # Errors
/// When the scale is not a finite number above 0.
///
/// # Accuracy
/// See [`smooth::laplacian`].
///
/// # Source
/// Lindeberg 1998, International Journal of Computer Vision 30, 79 (scale-normalised derivatives, γ = 1).
pub fn laplacian(image: &Image, sigma_px: f64) -> Result<Image, ComaError> {
    check_scale(sigma_px)?;
    let mut out = smooth::laplacian(image, sigma_px);
    join(&mut out, image, |answer, value| if value.is_finite() { -answer } else { f32::NAN });
    Ok(out)
}

/// Unsharp ratio: the image divided by itself smoothed with a Gaussian, I / (I ∗ G).
///
/// Brightness is lost, though nearly kept of what is much narrower than σ: its contrast against the surroundings stays. Missing
/// pixels stay missing and do not count in what is smoothed; NaN too where the smoothed image is not above 0.
///
/// Known artefacts: a bright core in a dark halo of radius about σ, a false ring about the condensation and every star; noise grows outward where
/// the coma nears the sky.
///
/// # Errors
/// When the scale is not a finite number above 0.
///
/// # Source
/// Unsharp masking: Malin 1977, AAS Photo-Bulletin 16, 10; as a ratio.
pub fn unsharp_ratio(image: &Image, sigma_px: f64) -> Result<Image, ComaError> {
    check_scale(sigma_px)?;
    let mut out = smooth::gaussian(image, sigma_px);
    join(&mut out, image, |soft, value| if soft > 0.0 && value.is_finite() { value / soft } else { f32::NAN });
    Ok(out)
}

/// The bands of a multi-scale residual.
#[derive(Debug, Clone, PartialEq)]
pub struct BandConfig {
    /// Gaussian scales that the bands lie between, px, ascending, at least two; a first one of 0 is the image itself.
    pub scales_px: Vec<f64>,
    /// Factor of each band, one fewer than scales; 0 leaves a band out.
    pub gains: Vec<f64>,
}

impl Default for BandConfig {
    /// From 1.5 to 12 px by factors of 2, the bands alike.
    fn default() -> Self {
        Self { scales_px: vec![1.5, 3.0, 6.0, 12.0], gains: vec![1.0; 3] }
    }
}

/// Multi-scale residual: the sum of bands G(σₖ) ∗ I − G(σₖ₊₁) ∗ I times their gains, differences of Gaussians as in an à-trous
/// transform with scales of one's choice.
///
/// Brightness is lost: what is broader than the last scale or narrower than the first is taken out. With gains of 1 and a first
/// scale of 0 it is the image less itself smoothed at the last scale. Gaussians are normalised by the pixels that are there (normalised
/// convolution), so gaps and edges make no structure; missing pixels stay missing.
///
/// Known artefacts: a dark rim about everything bright, of the width of the widest band; the cusp of a round coma leaves a bright core
/// in a dark ring; unequal gains show as rings of their own.
///
/// # Errors
/// When there are fewer than two scales, they do not ascend from 0, or gains are not one fewer than scales and finite.
///
/// # Source
/// Difference of Gaussians: Marr & Hildreth 1980, Proc. R. Soc. B 207, 187; normalised convolution: Knutsson & Westin 1993, IEEE
/// CVPR, 515; à-trous bands: Starck & Murtagh 1994, A&A 288, 342.
pub fn multi_scale_residual(image: &Image, config: &BandConfig) -> Result<Image, ComaError> {
    let BandConfig { scales_px, gains } = config;
    let (found, needed) = (scales_px.len(), 2);
    if found < needed {
        return Err(ComaError::TooFew { what: "scales of the bands", found, needed });
    }
    if gains.len() != scales_px.len() - 1 {
        return Err(ComaError::TooFew { what: "gains of the bands", found: gains.len(), needed: scales_px.len() - 1 });
    }
    check("scales_px[0]", scales_px[0], |s| s >= 0.0, "the numbers from 0")?;
    for pair in scales_px.windows(2) {
        check(
            "a scale of scales_px",
            pair[1],
            |s| s.is_finite() && s > pair[0],
            "the numbers above the scale before it",
        )?;
    }
    for gain in gains {
        check("a gain", *gain, |g| g.is_finite(), "the finite numbers")?;
    }
    let mut out =
        Image { data: image.data.iter().map(|v| if v.is_finite() { 0.0 } else { f32::NAN }).collect(), ..*image };
    for (k, scale) in scales_px.iter().enumerate() {
        // Each layer ends one band and begins the next.
        let begins = gains.get(k).copied().unwrap_or(0.0);
        let ends = if k > 0 { gains[k - 1] } else { 0.0 };
        let factor = (begins - ends) as f32;
        if factor != 0.0 {
            let layer = smooth::gaussian(image, *scale);
            join(&mut out, &layer, |sum, soft| sum + factor * soft);
        }
    }
    Ok(out)
}

/// Changes each pixel of one image by that of another.
fn join(image: &mut Image, other: &Image, change: impl Fn(f32, f32) -> f32 + Sync) {
    image.data.par_chunks_mut(AT_ONCE).zip(other.data.par_chunks(AT_ONCE)).for_each(|(pixels, others)| {
        pixels.iter_mut().zip(others).for_each(|(pixel, other)| *pixel = change(*pixel, *other));
    });
}

fn check_scale(sigma_px: f64) -> Result<(), ComaError> {
    check("sigma_px", sigma_px, |s| s.is_finite() && s > 0.0, "the finite numbers above 0")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn image_of(f: impl Fn(f64, f64) -> f64) -> Image {
        let pixel = |i: usize| f((i % 101) as f64, (i / 101) as f64) as f32;
        Image { width: 101, height: 101, data: (0..101 * 101).map(pixel).collect() }
    }

    fn blob(s: f64) -> Image {
        image_of(|x, y| 100.0 * (-0.5 * ((x - 50.0).powi(2) + (y - 50.0).powi(2)) / (s * s)).exp())
    }

    /// Analytic: a blob of s answers 2 s² σ² / (s² + σ²)² of its height, most, 1/2, at σ = s; bright is up.
    #[test]
    fn a_blob_answers_most_at_its_own_scale() {
        let at = |sigma_px| f64::from(laplacian(&blob(5.0), sigma_px).unwrap().at(50, 50));
        assert!((at(5.0) - 50.0).abs() < 0.01, "{}", at(5.0));
        assert!((at(3.0) - 2.0 * 100.0 * 225.0 / 34.0_f64.powi(2)).abs() < 0.01 && at(8.0) < at(5.0));
    }

    /// A ridge of s answers most at σ = √2 s.
    #[test]
    fn a_ridge_answers_most_at_root_two_of_its_scale() {
        let ridge = image_of(|x, _| 100.0 * (-0.5 * ((x - 50.0) / 4.0).powi(2)).exp());
        let at = |sigma_px: f64| laplacian(&ridge, sigma_px).unwrap().at(50, 50);
        let best = 4.0 * std::f64::consts::SQRT_2;
        assert!(at(best) > at(0.9 * best) && at(best) > at(1.1 * best));
    }

    /// Constants: 1 by the ratio, 0 by the others, beside gaps and edges too.
    #[test]
    fn constants_hold_no_structure() {
        let mut image = image_of(|_, _| 250.0);
        (40..60).for_each(|i| image.data[i * 101 + i] = f32::NAN);
        let near = |got: Image, expected: f32, tolerance: f32| {
            assert!(got.data.iter().all(|v| v.is_nan() || (v - expected).abs() < tolerance));
            assert!(got.at(50, 50).is_nan() && got.at(20, 70).is_finite());
        };
        near(unsharp_ratio(&image, 4.0).unwrap(), 1.0, 2e-6);
        near(unsharp_ratio(&image, 20.0).unwrap(), 1.0, 2e-6);
        near(multi_scale_residual(&image, &BandConfig::default()).unwrap(), 0.0, 1e-3);
        near(laplacian(&image, 4.0).unwrap(), 0.0, 1e-3);
    }

    /// Analytic: the peak of a blob of s in the band from a to b: s²/(s² + a²) − s²/(s² + b²) of its height; bands add up.
    #[test]
    fn bands_are_analytic_and_add_up() {
        let image = blob(5.0);
        let of = |scales: &[f64], gains: &[f64]| {
            multi_scale_residual(&image, &BandConfig { scales_px: scales.to_vec(), gains: gains.to_vec() }).unwrap()
        };
        let part = |a: f64| 100.0 * 25.0 / (25.0 + a * a);
        let two = f64::from(of(&[2.0, 4.0, 8.0], &[2.0, 0.5]).at(50, 50));
        let expected = 2.0 * (part(2.0) - part(4.0)) + 0.5 * (part(4.0) - part(8.0));
        // Cut at 4σ a Gaussian has 0.2 % less variance.
        assert!((two - expected).abs() < 0.1, "{two} for {expected}");
        let soft = smooth::gaussian(&image, 8.0);
        let all = of(&[0.0, 2.0, 4.0, 8.0], &[1.0; 3]);
        assert!(all.data.iter().zip(&image.data).zip(&soft.data).all(|((a, i), s)| *a == i - s));
    }

    #[test]
    fn nothing_to_divide_by_is_absent_and_nonsense_is_refused() {
        assert!(unsharp_ratio(&image_of(|_, _| -1.0), 2.0).unwrap().data.iter().all(|v| v.is_nan()));
        let image = blob(5.0);
        assert!(laplacian(&image, 0.0).is_err() && unsharp_ratio(&image, f64::NAN).is_err());
        for (scales, gains) in [
            (vec![1.0], vec![]),
            (vec![1.0, 2.0], vec![1.0, 1.0]),
            (vec![2.0, 2.0], vec![1.0]),
            (vec![-1.0, 2.0], vec![1.0]),
            (vec![1.0, f64::INFINITY], vec![1.0]),
            (vec![1.0, 2.0], vec![f64::NAN]),
        ] {
            assert!(multi_scale_residual(&image, &BandConfig { scales_px: scales, gains }).is_err());
        }
    }
}
