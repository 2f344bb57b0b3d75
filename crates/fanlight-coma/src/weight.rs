//! How much a frame counts in the stack: the weights that measure a coma of known brightness best.
//!
//! The light of a coma inside a circle is the sum that photometry rests on. A frame of scale s (the factor that brings its
//! electrons per second to the stack's zero point: small in a transparent frame) and exposure t gives that sum with the
//! variance
//!
//! V = (s/t)² n v + (s/t) L + (0.921 σ L)²
//!
//! where n is the number of the frame's pixels in the circle, v the variance of one of them without the coma (sky, dark
//! current, read noise), L the coma's light in the circle at the stack's zero point, and σ the error of the frame's zero
//! point in magnitudes. Seeing leaves a share k of the light in the circle. The mean with the greatest signal to noise,
//! Σ w k L / √(Σ w² V), has weights w ∝ k / V (setting its derivative by each w to nothing). For a faint coma these are the
//! weights by sky noise and transparency; for one brighter than the sky they go with the electrons collected.
//!
//! L is the night's, the same for all frames, and v a frame's typical one: no weight depends on the sample that it
//! multiplies, so the mean of the light is not pulled toward frames that happened to show less.

use std::f64::consts::{FRAC_PI_2, PI};

/// What decides how much a frame counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameNoise {
    /// Factor that brings its electrons per second to the stack's zero point, above 0.
    pub scale: f64,
    /// Exposure time, above 0.
    pub exposure_s: f64,
    /// Variance of a pixel on the sky, in electrons squared: sky, dark current, read noise.
    pub sky_variance_e2: f64,
    /// Pixel scale.
    pub scale_arcsec: f64,
    /// Error of the frame's zero point, without what all frames share.
    pub zero_point_sigma_mag: f64,
    /// Share of a 1/ρ coma's light in the circle that seeing leaves there, 0 to 1; see [`light_kept`].
    pub kept: f64,
}

/// The coma that is to be measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ComaLight {
    /// Radius of the circle.
    pub radius_arcsec: f64,
    /// Its light in the circle at the stack's zero point, 0 or more.
    pub light_e_per_s: f64,
}

/// ln(10) / 2.5: a small error in magnitudes times this is a share of the light.
const PER_MAG: f64 = 0.921_034_037_197_618_3;

/// Weight of a frame, in inverse (e⁻/s)²; 0 for one whose noise is not a positive number.
pub fn weight(frame: &FrameNoise, coma: &ComaLight) -> f64 {
    let per_electron = frame.scale / frame.exposure_s;
    let pixels = PI * (coma.radius_arcsec / frame.scale_arcsec).powi(2);
    let light = coma.light_e_per_s.max(0.0);
    let variance = per_electron * per_electron * pixels * frame.sky_variance_e2
        + per_electron * light
        + (PER_MAG * frame.zero_point_sigma_mag * light).powi(2);
    if variance > 0.0 && variance.is_finite() { frame.kept / variance } else { 0.0 }
}

/// How many equal frames would give as little noise: (Σw)² / Σw² (Kish 1965, Survey Sampling); 0 of no weight.
pub fn effective_number(weights: &[f64]) -> f64 {
    let (sum, squares) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    if squares > 0.0 { sum * sum / squares } else { 0.0 }
}

/// Steps of the quadrature over the star image's light.
const STEPS: usize = 200;

/// Share of the light of a 1/ρ coma inside a circle of `radius` that is left there when the coma is blurred by a round
/// Moffat function (both in one unit; `beta` above 1).
///
/// A point of the star image that is displaced by d displaces the whole coma: the light of a 1/ρ coma in a circle whose
/// middle is off by d is 4 R E(d/R) inside and 4 d [E(R/d) − (1 − R²/d²) K(R/d)] outside, against 2π R, with the complete
/// elliptic integrals of their modulus.
///
/// # Accuracy
/// 2e-3 against a direct numerical convolution for radii of one star width and more (tests).
pub fn light_kept(fwhm: f64, beta: f64, radius: f64) -> f64 {
    if !(fwhm > 0.0 && radius > 0.0 && beta > 1.0) {
        return 1.0;
    }
    let core = 0.5 * fwhm / (2f64.powf(1.0 / beta) - 1.0).sqrt();
    let within = |share: f64| {
        // distance inside which this share of a Moffat function's light falls
        let away = core * ((1.0 - share).powf(1.0 / (1.0 - beta)) - 1.0).sqrt() / radius;
        if away <= 1.0 {
            elliptic(away).1 / FRAC_PI_2
        } else {
            let (k, e) = elliptic(1.0 / away);
            away * (e - (1.0 - 1.0 / (away * away)) * k) / FRAC_PI_2
        }
    };
    (0..STEPS).map(|i| within((i as f64 + 0.5) / STEPS as f64)).sum::<f64>() / STEPS as f64
}

/// Complete elliptic integrals K and E of a modulus from 0 to 1, by the arithmetic-geometric mean (Abramowitz & Stegun 1964,
/// 17.6).
fn elliptic(modulus: f64) -> (f64, f64) {
    let m = (modulus * modulus).min(1.0 - 1e-15);
    let (mut a, mut b, mut power) = (1.0, (1.0 - m).sqrt(), 0.5);
    let mut sum = power * m;
    for _ in 0..40 {
        let c = 0.5 * (a - b);
        (a, b) = (0.5 * (a + b), (a * b).sqrt());
        power *= 2.0;
        sum += power * c * c;
        if c.abs() < 1e-16 {
            break;
        }
    }
    let k = FRAC_PI_2 / a;
    (k, k * (1.0 - sum))
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: FrameNoise = FrameNoise {
        scale: 1.0,
        exposure_s: 60.0,
        sky_variance_e2: 2000.0,
        scale_arcsec: 1.3,
        zero_point_sigma_mag: 0.0,
        kept: 1.0,
    };

    /// K(0.5) = 1.685750354812596, E(0.5) = 1.467462209339427 (Abramowitz & Stegun 1964, tables 17.1 and 17.2, m = 0.25).
    #[test]
    fn elliptic_integrals_are_the_tables() {
        let (k, e) = elliptic(0.5);
        assert!((k - 1.685_750_354_812_596).abs() < 1e-12 && (e - 1.467_462_209_339_427).abs() < 1e-12, "{k} {e}");
        assert!((elliptic(0.0).0 - FRAC_PI_2).abs() < 1e-15 && (elliptic(1.0).1 - 1.0).abs() < 1e-6);
    }

    /// Against the light of a 1/ρ coma in a displaced circle summed directly, the displacement drawn from the Moffat function.
    #[test]
    fn light_that_seeing_leaves_is_that_of_a_direct_sum() {
        for (fwhm, beta, radius) in [(1.0, 3.2, 2.0), (2.0, 2.6, 2.0), (1.0, 4.0, 10.0)] {
            let core = 0.5 * fwhm / (2f64.powf(1.0 / beta) - 1.0).sqrt();
            let displaced = |d: f64| -> f64 {
                // in polar coordinates about the nucleus 1/ρ is even in ρ: the length of the chord seen under each angle
                let n = 2000;
                (0..n)
                    .map(|i| {
                        let angle = std::f64::consts::TAU * (i as f64 + 0.5) / n as f64;
                        let (along, across) = (d * angle.cos(), d * angle.sin());
                        let root = radius * radius - across * across;
                        if root <= 0.0 {
                            return 0.0;
                        }
                        (along + root.sqrt()).max(0.0) - (along - root.sqrt()).max(0.0)
                    })
                    .sum::<f64>()
                    * std::f64::consts::TAU
                    / n as f64
            };
            let (mut sum, mut all, step) = (0.0, 0.0, 0.01 * fwhm);
            for i in 0..6000 {
                let d = (f64::from(i) + 0.5) * step;
                let light = d * (1.0 + (d / core).powi(2)).powf(-beta) * step;
                sum += light * displaced(d);
                all += light;
            }
            let expected = sum / all / (std::f64::consts::TAU * radius);
            let got = light_kept(fwhm, beta, radius);
            assert!((got - expected).abs() < 2e-3, "{fwhm} {beta} {radius}: {got} {expected}");
        }
        assert_eq!(light_kept(0.0, 3.0, 1.0), 1.0);
    }

    /// The two ends: a coma that is nothing beside the sky, and a sky that is nothing beside the coma.
    #[test]
    fn a_faint_coma_is_weighed_by_sky_and_transparency_and_a_bright_one_by_its_electrons() {
        let cloudy = FrameNoise { scale: 2.0, sky_variance_e2: 3000.0, ..FRAME };
        let ratio = |light_e_per_s| {
            let coma = ComaLight { radius_arcsec: 15.0, light_e_per_s };
            weight(&cloudy, &coma) / weight(&FRAME, &coma)
        };
        assert!((ratio(0.0) - 1.0 / (4.0 * 1.5)).abs() < 1e-12);
        assert!((ratio(1e9) - 0.5).abs() < 1e-3);
        assert_eq!(ratio(-5.0), ratio(0.0));
        let broken = FrameNoise { sky_variance_e2: f64::NAN, ..FRAME };
        assert_eq!(weight(&broken, &ComaLight { radius_arcsec: 15.0, light_e_per_s: 1.0 }), 0.0);
    }

    /// No other weights give a better ratio of signal to noise: moved one at a time, either way.
    #[test]
    fn the_weights_are_the_best() {
        let frames = [
            FRAME,
            FrameNoise { scale: 1.7, kept: 0.95, ..FRAME },
            FrameNoise { sky_variance_e2: 20_000.0, zero_point_sigma_mag: 0.02, ..FRAME },
            FrameNoise { exposure_s: 20.0, sky_variance_e2: 700.0, kept: 0.9, ..FRAME },
        ];
        let coma = ComaLight { radius_arcsec: 15.0, light_e_per_s: 900.0 };
        let best: Vec<f64> = frames.iter().map(|f| weight(f, &coma)).collect();
        let ratio = |weights: &[f64]| {
            let signal: f64 = frames.iter().zip(weights).map(|(f, w)| w * f.kept).sum();
            let noise: f64 = frames.iter().zip(weights).zip(&best).map(|((f, w), b)| w * w * f.kept / b).sum();
            signal / noise.sqrt()
        };
        for i in 0..frames.len() {
            for factor in [0.8, 1.2] {
                let mut moved = best.clone();
                moved[i] *= factor;
                assert!(ratio(&moved) < ratio(&best), "frame {i} times {factor}");
            }
        }
        assert!((effective_number(&[2.0; 7]) - 7.0).abs() < 1e-12 && effective_number(&[]) == 0.0);
    }
}
