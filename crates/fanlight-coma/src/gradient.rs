//! The rotational gradient.

use crate::ComaError;
use fanlight_image::Image;
use rayon::prelude::*;

/// How far the two copies are turned and shifted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GradientConfig {
    /// 0-based column of the nucleus.
    pub centre_x_px: f64,
    /// 0-based row of the nucleus.
    pub centre_y_px: f64,
    /// Rotation of the copies, degrees, either way.
    pub rotation_deg: f64,
    /// Radial shift of the copies; 0 leaves only azimuthal structure.
    pub radial_shift_px: f64,
}

/// `B'(ρ, θ) = 2 B(ρ, θ) − B(ρ − Δρ, θ + Δθ) − B(ρ − Δρ, θ − Δθ)`, polar about the nucleus, the symmetric form.
///
/// Brightness is not kept: the result is a second difference in angle and holds no photometry. Known artefacts: every
/// ray of height h at θ₀ gets ghosts of −h at θ₀ ± Δθ; stars give the same pattern; a centre wrong by ε leaves a dipole
/// that grows toward the nucleus as ε / ρ²; an elongated or trailed star image draws a pair of opposite rays.
/// Pixels whose copies fall outside the image are `NaN`. Copies are sampled bilinearly.
///
/// # Errors
/// When the rotation or shift is not a finite number.
///
/// # Source
/// Larson & Sekanina 1984, AJ 89, 571.
pub fn rotational_gradient(image: &Image, config: &GradientConfig) -> Result<Image, ComaError> {
    for (name, value) in [
        ("rotation_deg", config.rotation_deg),
        ("radial_shift_px", config.radial_shift_px),
        ("centre_x_px", config.centre_x_px),
        ("centre_y_px", config.centre_y_px),
    ] {
        if !value.is_finite() {
            return Err(ComaError::OutOfRange { name, value, range: "the finite numbers" });
        }
    }
    let (width, height) = (image.width, image.height);
    let mut out = Image::filled(width, height, f32::NAN);
    if width < 2 || height < 2 {
        return Ok(out);
    }
    let (sin, cos) = config.rotation_deg.to_radians().sin_cos();
    let (cx, cy) = (config.centre_x_px, config.centre_y_px);
    out.data.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let dy = y as f64 - cy;
        for (x, value) in row.iter_mut().enumerate() {
            let dx = x as f64 - cx;
            // shrinking the radius by Δρ moves both copies outward by it
            let shrink = match config.radial_shift_px {
                0.0 => 1.0,
                shift => {
                    let radius = dx.hypot(dy);
                    if radius <= shift {
                        continue;
                    }
                    (radius - shift) / radius
                }
            };
            let (u, v) = (dx * shrink, dy * shrink);
            let forward = bilinear(image, cx + u * cos - v * sin, cy + u * sin + v * cos);
            let backward = bilinear(image, cx + u * cos + v * sin, cy - u * sin + v * cos);
            *value = 2.0 * image.data[y * width + x] - forward - backward;
        }
    });
    Ok(out)
}

#[inline]
fn bilinear(image: &Image, x: f64, y: f64) -> f32 {
    let (x0, y0) = (x.floor(), y.floor());
    if x0 < 0.0 || y0 < 0.0 || x0 >= (image.width - 1) as f64 || y0 >= (image.height - 1) as f64 {
        return f32::NAN;
    }
    let (fx, fy) = ((x - x0) as f32, (y - y0) as f32);
    let i = y0 as usize * image.width + x0 as usize;
    let row = &image.data[i..i + 2];
    let next = &image.data[i + image.width..i + image.width + 2];
    let low = row[0] + fx * (row[1] - row[0]);
    let high = next[0] + fx * (next[1] - next[0]);
    low + fy * (high - low)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn polar(f: impl Fn(f64, f64) -> f64) -> Image {
        let mut image = Image::filled(201, 201, 0.0);
        for y in 0..201 {
            for x in 0..201 {
                let (dx, dy) = (x as f64 - 100.0, y as f64 - 100.0);
                image.data[y * 201 + x] = f(dx.hypot(dy), dy.atan2(dx)) as f32;
            }
        }
        image
    }

    fn gradient(image: &Image, rotation_deg: f64, radial_shift_px: f64) -> Image {
        let config = GradientConfig { centre_x_px: 100.0, centre_y_px: 100.0, rotation_deg, radial_shift_px };
        rotational_gradient(image, &config).unwrap()
    }

    /// A round coma leaves nothing (bilinear sampling of a smooth slope aside).
    #[test]
    fn a_round_image_gives_nothing() {
        let image = polar(|r, _| 1000.0 - 2.0 * r);
        let got = gradient(&image, 25.0, 0.0);
        for (x, y) in [(140, 100), (100, 60), (130, 130)] {
            assert!(got.at(x, y).abs() < 0.2, "{}", got.at(x, y));
        }
    }

    /// Analytic: f(ρ) cos mθ gains 2 (1 − cos m Δθ): 0.26795 for m = 1 and 30°, 2 for m = 3.
    #[test]
    fn gain_of_azimuthal_orders() {
        for (m, expected) in [(1.0, 0.267949), (2.0, 1.0), (3.0, 2.0), (6.0, 4.0)] {
            let image = polar(|r, t| 100.0 * (r / 50.0).min(1.0) * (m * t).cos());
            let got = gradient(&image, 30.0, 0.0);
            assert!((f64::from(got.at(170, 100)) / 100.0 - expected).abs() < 0.01, "m = {m}: {}", got.at(170, 100));
        }
    }

    /// Analytic: 1/ρ with a radial shift gives −2 Δρ / (ρ (ρ − Δρ)), a smooth halo and no structure.
    #[test]
    fn a_radial_shift_draws_a_halo() {
        let image = polar(|r, _| 1000.0 / r.max(1.0));
        let got = gradient(&image, 20.0, 2.0);
        let expected = -2.0 * 2.0 * 1000.0 / (50.0 * 48.0);
        assert!((f64::from(got.at(150, 100)) - expected).abs() < 0.02 * expected.abs());
    }

    /// A ray of height h gives +2h at its place and −h at ± the rotation.
    #[test]
    fn a_ray_has_two_ghosts() {
        let image = polar(|r, t| if r > 5.0 { 10.0 * (-(t / 0.05).powi(2)).exp() } else { 0.0 });
        let got = gradient(&image, 45.0, 0.0);
        assert!((got.at(160, 100) - 20.0).abs() < 0.3);
        assert!((got.at(142, 142) + 10.0).abs() < 0.5 && (got.at(142, 58) + 10.0).abs() < 0.5);
    }

    #[test]
    fn outside_is_not_a_number_and_nonsense_is_refused() {
        let got = gradient(&polar(|r, _| r), 45.0, 0.0);
        assert!(got.at(0, 0).is_nan());
        let config =
            GradientConfig { centre_x_px: 0.0, centre_y_px: 0.0, rotation_deg: f64::NAN, radial_shift_px: 0.0 };
        assert!(rotational_gradient(&Image::filled(3, 3, 1.0), &config).is_err());
    }
}
