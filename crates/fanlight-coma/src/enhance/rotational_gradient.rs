//! The rotational gradient.

use super::{check, check_centre};
use crate::ComaError;
use fanlight_image::{Image, polar, wide};
use fanlight_sky::PixelXy;
use rayon::prelude::*;

/// How far the two copies are turned and shifted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GradientConfig {
    /// Rotation of the copies, degrees, either way.
    pub rotation_deg: f64,
    /// Radial shift of the copies, px; 0 leaves only azimuthal structure.
    pub radial_shift_px: f64,
}

/// `B'(ρ, θ) = 2 B(ρ, θ) − B(ρ − Δρ, θ + Δθ) − B(ρ − Δρ, θ − Δθ)`, polar about the nucleus, the symmetric form.
///
/// Brightness is lost: the result is a second difference in angle and holds no photometry. Known artefacts: every
/// ray of height h at θ₀ gets ghosts of −h at θ₀ ± Δθ; stars give the same pattern; a centre wrong by ε leaves a dipole
/// that grows toward the nucleus as ε / ρ²; an elongated or trailed star image draws a pair of opposite rays.
/// NaN where the image is, where a copy falls outside the image or on a missing pixel, and, with a radial shift, within it of the nucleus. Copies are
/// sampled bilinearly.
///
/// # Errors
/// When the rotation or shift is not a finite number, or the centre is outside the image.
///
/// # Accuracy
/// The copies' bilinear error: a round coma 1/ρ leaves up to 1/(2ρ²) of its brightness.
///
/// # Source
/// Larson & Sekanina 1984, AJ 89, 571.
pub fn rotational_gradient(image: &Image, centre: PixelXy, config: &GradientConfig) -> Result<Image, ComaError> {
    check("rotation_deg", config.rotation_deg, f64::is_finite, "the finite numbers")?;
    check("radial_shift_px", config.radial_shift_px, f64::is_finite, "the finite numbers")?;
    check_centre(image, centre)?;
    let copies = Copies::new(image, centre, config);
    let mut out = Image { data: vec![0.0; image.data.len()], ..*image };
    let width = image.width.max(1);
    out.data.par_chunks_mut(STRIP_ROWS * width).enumerate().for_each(|(strip, rows)| {
        wide(
            #[inline(always)]
            || copies.difference(strip * STRIP_ROWS, rows),
        );
    });
    Ok(out)
}

/// Pixels worked on side by side, in registers.
const LANES: usize = 16;
/// Rows and columns worked on together: what their copies are sampled from stays in the first cache, however they are turned.
const STRIP_ROWS: usize = 16;
const TILE_COLUMNS: usize = 4 * LANES;

/// The image and where its two copies are sampled.
struct Copies<'a> {
    image: &'a Image,
    centre: PixelXy,
    radial_shift_px: f64,
    sin: f64,
    cos: f64,
}

/// Places in the image, pixel by pixel.
struct Places {
    x_px: [f64; LANES],
    y_px: [f64; LANES],
}

impl<'a> Copies<'a> {
    fn new(image: &'a Image, centre: PixelXy, config: &GradientConfig) -> Self {
        let (sin, cos) = config.rotation_deg.to_radians().sin_cos();
        Self { image, centre, radial_shift_px: config.radial_shift_px, sin, cos }
    }

    /// Some rows of the result.
    #[inline(always)]
    fn difference(&self, first_row: usize, rows: &mut [f32]) {
        let width = self.image.width;
        for tile in (0..width).step_by(TILE_COLUMNS) {
            for (i, row) in rows.chunks_mut(width).enumerate() {
                let (y, end) = (first_row + i, (tile + TILE_COLUMNS).min(width));
                let blocks = row[tile..end].chunks_mut(LANES).zip(self.image.row(y)[tile..end].chunks(LANES));
                for (block, (out, own)) in blocks.enumerate() {
                    let [forward, backward] = self.places(tile + block * LANES, y);
                    let (forward, backward) = (self.copy(&forward), self.copy(&backward));
                    for (i, (out, own)) in out.iter_mut().zip(own).enumerate() {
                        *out = 2.0 * own - forward[i] - backward[i];
                    }
                }
            }
        }
    }

    /// Where the two copies of a row's pixels from column `first` on are sampled. Not a number within Δρ of the nucleus.
    #[inline(always)]
    fn places(&self, first: usize, y: usize) -> [Places; 2] {
        let (sin, cos) = (self.sin, self.cos);
        let PixelXy { x_px, y_px } = self.centre;
        let (first_dx, dy) = (first as f64 - x_px, y as f64 - y_px);
        let (mut u, mut v) = ([0.0; LANES], [dy; LANES]);
        for (i, u) in u.iter_mut().enumerate() {
            *u = first_dx + i as f64;
        }
        if self.radial_shift_px != 0.0 {
            for (u, v) in u.iter_mut().zip(&mut v) {
                // Shrinking the distance by Δρ moves both copies outward by it.
                let radius = (*u * *u + *v * *v).sqrt();
                let past = radius - self.radial_shift_px;
                let shrink = if past > 0.0 { past / radius } else { f64::NAN };
                (*u, *v) = (*u * shrink, *v * shrink);
            }
        }
        let mut places = [const { Places { x_px: [0.0; LANES], y_px: [0.0; LANES] } }; 2];
        for i in 0..LANES {
            let (x, dx) = (x_px + u[i] * cos, v[i] * sin);
            let (dy, across) = (u[i] * sin, v[i] * cos);
            (places[0].x_px[i], places[0].y_px[i]) = (x - dx, y_px + dy + across);
            (places[1].x_px[i], places[1].y_px[i]) = (x + dx, y_px - dy + across);
        }
        places
    }

    /// The image at these places, bilinear as [`polar::sample_bilinear`]; NaN where there is no value.
    #[inline(always)]
    fn copy(&self, places: &Places) -> [f32; LANES] {
        let Image { width, height, data } = self.image;
        let (last_x, last_y) = ((*width - 1) as f64, (*height - 1) as f64);
        let Places { x_px, y_px } = places;
        let (mut inside, mut outside) = (true, true);
        for i in 0..LANES {
            // a cell's own last row and column go the plain way, as does what is not a number
            inside &= (x_px[i] >= 0.0) & (x_px[i] < last_x) & (y_px[i] >= 0.0) & (y_px[i] < last_y);
            outside &= (x_px[i] < 0.0) | (x_px[i] > last_x) | (y_px[i] < 0.0) | (y_px[i] > last_y);
        }
        if outside {
            return [f32::NAN; LANES];
        }
        if !inside {
            return exact(self.image, places);
        }
        let (mut start, mut right, mut up) = ([0_u32; LANES], [0.0_f32; LANES], [0.0_f32; LANES]);
        for i in 0..LANES {
            let (column, line) = (x_px[i].floor(), y_px[i].floor());
            start[i] = whole(line * *width as f64 + column);
            (right[i], up[i]) = ((x_px[i] - column) as f32, (y_px[i] - line) as f32);
        }
        let (mut low, mut high) = ([[0.0; LANES]; 2], [[0.0; LANES]; 2]);
        let above = &data[*width..];
        for i in 0..LANES {
            let start = start[i] as usize;
            let (l, h) = (&data[start..start + 2], &above[start..start + 2]);
            (low[0][i], low[1][i], high[0][i], high[1][i]) = (l[0], l[1], h[0], h[1]);
        }
        let (mut out, mut missing) = ([0.0; LANES], false);
        for i in 0..LANES {
            let low = low[0][i] + right[i] * (low[1][i] - low[0][i]);
            let high = high[0][i] + right[i] * (high[1][i] - high[0][i]);
            out[i] = low + up[i] * (high - low);
            missing |= out[i].is_nan();
        }
        // beside a gap, which may have no weight
        if missing { exact(self.image, places) } else { out }
    }
}

/// A whole number from 0 to 2³² − 1 in few instructions: added to 2⁵² it stands in the last bits.
#[inline(always)]
fn whole(number: f64) -> u32 {
    (number + 4_503_599_627_370_496.0).to_bits() as u32
}

/// The image at these places, the plain way; kept out of the loop, where it is seldom needed.
#[cold]
#[inline(never)]
fn exact(image: &Image, places: &Places) -> [f32; LANES] {
    let sample = |i: usize| polar::sample_bilinear(image, places.x_px[i], places.y_px[i]).unwrap_or(f32::NAN);
    std::array::from_fn(sample)
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
        let centre = PixelXy { x_px: 100.0, y_px: 100.0 };
        rotational_gradient(image, centre, &GradientConfig { rotation_deg, radial_shift_px }).unwrap()
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

    /// A star at 60 px leaves +2 times its light in its place and −1 times at ± the rotation.
    #[test]
    fn a_star_has_two_ghosts() {
        let star = |x: f64, y: f64| (-0.5 * ((x - 60.0).powi(2) + y * y) / 4.0).exp();
        let got = gradient(&polar(|r, t| 100.0 * star(r * t.cos(), r * t.sin())), 35.0, 0.0);
        let light = |angle: f64| {
            let (x, y) = (100.0 + 60.0 * angle.to_radians().cos(), 100.0 + 60.0 * angle.to_radians().sin());
            let (x, y) = (x.round() as usize, y.round() as usize);
            (y - 8..=y + 8)
                .flat_map(|v| (x - 8..=x + 8).map(move |u| (u, v)))
                .map(|(u, v)| f64::from(got.at(u, v)))
                .sum::<f64>()
        };
        let all = 100.0 * std::f64::consts::TAU * 4.0;
        for (angle, expected) in [(0.0, 2.0 * all), (35.0, -all), (-35.0, -all)] {
            assert!((light(angle) - expected).abs() < 0.01 * all, "{} for {expected}", light(angle));
        }
    }

    /// Analytic: a centre wrong by ε draws −ε/ρ² · 2 (1 − cos Δθ) · cos θ on a coma 1/ρ.
    #[test]
    fn a_wrong_centre_draws_a_dipole() {
        let image = polar(|r, t| 1e6 / (r * t.cos() + 0.5).hypot(r * t.sin()).max(1.0));
        let got = gradient(&image, 25.0, 0.0);
        for radius in [20, 40, 60] {
            // Terms of even order are the same on both sides.
            let half = 0.5 * f64::from(got.at(100 + radius, 100) - got.at(100 - radius, 100));
            let expected = -0.5e6 / (radius * radius) as f64 * 2.0 * (1.0 - 25.0_f64.to_radians().cos());
            assert!((half - expected).abs() < 0.02 * expected.abs(), "{half} for {expected}");
        }
    }

    #[test]
    fn a_constant_gives_exactly_nothing() {
        let got = gradient(&polar(|_, _| 300.0), 25.0, 0.0);
        assert!(got.data.iter().all(|v| v.is_nan() || *v == 0.0) && got.at(120, 90) == 0.0);
    }

    /// Bilinear copies of a round coma 1/ρ leave up to 1/(2ρ²) of its brightness.
    #[test]
    fn sampling_leaves_no_more_than_stated() {
        let got = gradient(&polar(|r, _| 1e4 / r.max(1.0)), 25.0, 0.0);
        for (x, y) in (110..190).flat_map(|x| (60..140).map(move |y| (x, y))) {
            let radius = (x as f64 - 100.0).hypot(y as f64 - 100.0);
            let (left, stated) = (f64::from(got.at(x, y)).abs(), 0.5e4 / radius.powi(3));
            assert!(left < 1.2 * stated + 1e-3, "{left} of {stated} at {x} {y}");
        }
    }

    /// The plain way: each copy sampled by itself, at every pixel, with gaps and centres on and between pixels.
    #[test]
    fn blocks_of_pixels_equal_the_plain_way() {
        let mut image = Image { width: 43, height: 37, data: (0..43 * 37).map(|i| ((37 * i) % 64) as f32).collect() };
        (0..43 * 37).step_by(29).for_each(|i| image.data[i] = f32::NAN);
        for (x_px, y_px) in [(21.0, 18.0), (20.3, 17.8), (0.0, 36.0)] {
            for (rotation_deg, radial_shift_px) in [(25.0, 0.0), (90.0, 0.0), (0.0, 0.0), (33.0, 1.5), (180.0, -2.0)] {
                let centre = PixelXy { x_px, y_px };
                let config = GradientConfig { rotation_deg, radial_shift_px };
                let got = rotational_gradient(&image, centre, &config).unwrap();
                let (sin, cos) = rotation_deg.to_radians().sin_cos();
                for (i, got) in got.data.iter().enumerate() {
                    let (dx, dy) = ((i % 43) as f64 - x_px, (i / 43) as f64 - y_px);
                    let radius = (dx * dx + dy * dy).sqrt();
                    let shrink = if radial_shift_px == 0.0 { 1.0 } else { (radius - radial_shift_px) / radius };
                    let known = radial_shift_px == 0.0 || radius > radial_shift_px;
                    let copy = |sin: f64| {
                        let (u, v) = (dx * shrink, dy * shrink);
                        polar::sample_bilinear(&image, x_px + u * cos - v * sin, y_px + u * sin + v * cos)
                    };
                    let expected = match (copy(sin), copy(-sin)) {
                        (Some(a), Some(b)) if known => 2.0 * image.data[i] - a - b,
                        _ => f32::NAN,
                    };
                    let same = *got == expected || (got.is_nan() && expected.is_nan());
                    assert!(same, "{got} for {expected} at {i}, {config:?} about {x_px} {y_px}");
                }
            }
        }
    }

    #[test]
    fn outside_is_not_a_number_and_nonsense_is_refused() {
        let got = gradient(&polar(|r, _| r), 45.0, 0.0);
        assert!(got.at(0, 0).is_nan());
        let config = GradientConfig { rotation_deg: f64::NAN, radial_shift_px: 0.0 };
        let corner = PixelXy { x_px: 0.0, y_px: 0.0 };
        assert!(rotational_gradient(&Image::filled(3, 3, 1.0), corner, &config).is_err());
    }
}
