//! From the stack's pixels to a north-up, east-left, comet-centred square.

use crate::PresentError;
use fanlight_image::{Image, Mask};
use rayon::prelude::*;

/// A picture of the sky on the stack's grid.
#[derive(Debug, Clone, Copy)]
pub struct SkyPicture<'a> {
    /// Sky-subtracted brightness, e⁻/s per pixel; not finite where unknown.
    pub image: &'a Image,
    /// On the same grid; every flagged pixel is drawn as missing.
    pub mask: &'a Mask,
    /// Column of the comet, 0-based.
    pub centre_x_px: f64,
    /// Row of the comet, 0-based.
    pub centre_y_px: f64,
    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]` at the comet, arcsec per pixel.
    pub arcsec_per_px: [[f64; 2]; 2],
    /// Magnitude of 1 e⁻/s, when the night was calibrated.
    pub zero_point_mag: Option<f64>,
}

impl SkyPicture<'_> {
    /// Refuses what cannot be drawn.
    pub(crate) fn check(&self) -> Result<(), PresentError> {
        let (width, height) = (self.image.width, self.image.height);
        if width == 0 || height == 0 {
            return Err(PresentError::NoPixels);
        }
        if (self.mask.width, self.mask.height) != (width, height) {
            return Err(PresentError::GridMismatch {
                what: "the mask",
                width: self.mask.width,
                height: self.mask.height,
                expected_width: width,
                expected_height: height,
            });
        }
        if !(self.centre_x_px.is_finite() && self.centre_y_px.is_finite()) {
            return Err(PresentError::BadCentre { x_px: self.centre_x_px, y_px: self.centre_y_px });
        }
        let determinant = self.pixel_area_arcsec2();
        if !(determinant.is_finite() && determinant > 0.0) {
            return Err(PresentError::BadScale { determinant_arcsec2: determinant });
        }
        Ok(())
    }

    /// Area of a pixel on the sky.
    pub(crate) fn pixel_area_arcsec2(&self) -> f64 {
        let m = self.arcsec_per_px;
        (m[0][0] * m[1][1] - m[0][1] * m[1][0]).abs()
    }

    /// The stack pixel at an offset from the comet.
    pub(crate) fn pixel_at(&self, east_arcsec: f64, north_arcsec: f64) -> (f64, f64) {
        let m = self.arcsec_per_px;
        let determinant = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        (
            self.centre_x_px + (m[1][1] * east_arcsec - m[0][1] * north_arcsec) / determinant,
            self.centre_y_px + (m[0][0] * north_arcsec - m[1][0] * east_arcsec) / determinant,
        )
    }

    /// Half the side of the largest north-up square about the comet that lies inside the stack.
    pub(crate) fn inscribed_half_width_arcsec(&self) -> f64 {
        let inside = |half: f64| {
            [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)].iter().all(|(e, n)| {
                let (x, y) = self.pixel_at(e * half, n * half);
                x >= -0.5 && y >= -0.5 && x <= self.image.width as f64 - 0.5 && y <= self.image.height as f64 - 0.5
            })
        };
        let span = (self.image.width + self.image.height) as f64 * self.pixel_area_arcsec2().sqrt();
        let (mut low, mut high) = (0.0, span);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if inside(middle) { low = middle } else { high = middle }
        }
        low
    }

    /// This picture with other pixels.
    pub(crate) fn with_image<'b>(&self, image: &'b Image, mask: &'b Mask) -> SkyPicture<'b> {
        SkyPicture {
            image,
            mask,
            centre_x_px: self.centre_x_px,
            centre_y_px: self.centre_y_px,
            arcsec_per_px: self.arcsec_per_px,
            zero_point_mag: self.zero_point_mag,
        }
    }
}

/// The picture resampled to `side` × `side` pixels, north up and east left, the comet in the middle, reaching
/// `half_width_arcsec` to each side. Brightness stays per stack pixel. NaN where the nearest stack pixel is flagged,
/// not finite or outside.
///
/// Cubic interpolation (Catmull–Rom) where the picture is finer than the stack and all neighbours are good, linear
/// between the good ones elsewhere, the mean of linear samples where the picture is coarser.
pub fn north_up(picture: &SkyPicture, half_width_arcsec: f64, side: usize) -> Image {
    let step_arcsec = 2.0 * half_width_arcsec / side as f64;
    let step_px = step_arcsec / picture.pixel_area_arcsec2().sqrt();
    let per_axis = step_px.ceil().clamp(1.0, 16.0) as usize;
    let mut out = Image::filled(side, side, f32::NAN);
    out.data.par_chunks_mut(side.max(1)).enumerate().for_each(|(row, pixels)| {
        for (column, pixel) in pixels.iter_mut().enumerate() {
            let place = |sub_x: f64, sub_y: f64| {
                picture.pixel_at(
                    half_width_arcsec - (column as f64 + sub_x) * step_arcsec,
                    half_width_arcsec - (row as f64 + sub_y) * step_arcsec,
                )
            };
            *pixel = if per_axis == 1 {
                let (x, y) = place(0.5, 0.5);
                cubic(picture, x, y).or_else(|| linear(picture, x, y)).unwrap_or(f32::NAN)
            } else {
                mean_of_samples(per_axis, |sx, sy| {
                    let (x, y) = place(sx, sy);
                    linear(picture, x, y)
                })
            };
        }
    });
    out
}

/// The picture unrolled about the comet: column `i` of `n_pa` at position angle 360°·(i + ½)/`n_pa`, row `j` at
/// `rho_arcsec[j]`; cubic where all neighbours are good, linear between the good ones elsewhere. NaN where the nearest
/// stack pixel is flagged, not finite or outside.
///
/// Linear alone would read a steep coma too bright between pixels, in scallops of a per cent around the centre.
pub fn unrolled(picture: &SkyPicture, n_pa: usize, rho_arcsec: &[f64]) -> Image {
    let mut out = Image::filled(n_pa, rho_arcsec.len(), f32::NAN);
    let turn = std::f64::consts::TAU / n_pa.max(1) as f64;
    let directions: Vec<(f64, f64)> = (0..n_pa).map(|i| ((i as f64 + 0.5) * turn).sin_cos()).collect();
    out.data.par_chunks_mut(n_pa.max(1)).zip(rho_arcsec).for_each(|(row, rho)| {
        for (value, (sin, cos)) in row.iter_mut().zip(&directions) {
            let (x, y) = picture.pixel_at(rho * sin, rho * cos);
            *value = cubic(picture, x, y).or_else(|| linear(picture, x, y)).unwrap_or(f32::NAN);
        }
    });
    out
}

/// The mean over a grid of places inside one pixel; NaN when under half of them are known.
fn mean_of_samples(per_axis: usize, sample: impl Fn(f64, f64) -> Option<f32>) -> f32 {
    let (mut sum, mut n) = (0.0f64, 0usize);
    for j in 0..per_axis {
        for i in 0..per_axis {
            let at = |k: usize| (k as f64 + 0.5) / per_axis as f64;
            if let Some(value) = sample(at(i), at(j)) {
                sum += f64::from(value);
                n += 1;
            }
        }
    }
    if 2 * n >= per_axis * per_axis && n > 0 { (sum / n as f64) as f32 } else { f32::NAN }
}

/// The pixel's value when it is inside, not flagged and finite.
fn good(picture: &SkyPicture, x: isize, y: isize) -> Option<f32> {
    let i = picture.image.index(x, y)?;
    let value = picture.image.data[i];
    (picture.mask.bits[i] == 0 && value.is_finite()).then_some(value)
}

fn linear(picture: &SkyPicture, x: f64, y: f64) -> Option<f32> {
    good(picture, x.round() as isize, y.round() as isize)?;
    let (x0, y0) = (x.floor(), y.floor());
    let (fx, fy) = ((x - x0) as f32, (y - y0) as f32);
    let (mut sum, mut weight) = (0.0f32, 0.0f32);
    for (dx, dy, w) in
        [(0, 0, (1.0 - fx) * (1.0 - fy)), (1, 0, fx * (1.0 - fy)), (0, 1, (1.0 - fx) * fy), (1, 1, fx * fy)]
    {
        if let Some(value) = good(picture, x0 as isize + dx, y0 as isize + dy) {
            sum += w * value;
            weight += w;
        }
    }
    (weight > 0.0).then(|| sum / weight)
}

fn cubic(picture: &SkyPicture, x: f64, y: f64) -> Option<f32> {
    let (x0, y0) = (x.floor(), y.floor());
    let (wx, wy) = (catmull_rom((x - x0) as f32), catmull_rom((y - y0) as f32));
    let mut sum = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        for (i, wx) in wx.iter().enumerate() {
            sum += wy * wx * good(picture, x0 as isize + i as isize - 1, y0 as isize + j as isize - 1)?;
        }
    }
    Some(sum)
}

/// Weights of the four neighbours at `-1, 0, 1, 2`.
fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t + 2.0 * t2 - t3), 0.5 * (2.0 - 5.0 * t2 + 3.0 * t3), 0.5 * (t + 4.0 * t2 - 3.0 * t3), 0.5 * (t3 - t2)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A stack whose scale matrix turns it by `angle_deg` and, with parity −1, mirrors it; with one blob 20″ east and
    /// one, half as bright, 35″ north of the comet.
    fn blobs(angle_deg: f64, parity: f64) -> (Image, [[f64; 2]; 2]) {
        let scale = 1.25;
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        let m = [[-parity * scale * cos, scale * sin], [parity * scale * sin, scale * cos]];
        let mut image = Image::filled(121, 111, 0.0);
        for y in 0..111 {
            for x in 0..121 {
                let (dx, dy) = (x as f64 - 60.3, y as f64 - 55.8);
                let (east, north) = (m[0][0] * dx + m[0][1] * dy, m[1][0] * dx + m[1][1] * dy);
                let blob =
                    |e: f64, n: f64| (-((east - e).powi(2) + (north - n).powi(2)) / (2.0 * 3.0f64.powi(2))).exp();
                image.data[y * 121 + x] = (blob(20.0, 0.0) + 0.5 * blob(0.0, 35.0)) as f32;
            }
        }
        (image, m)
    }

    fn picture<'a>(image: &'a Image, mask: &'a Mask, arcsec_per_px: [[f64; 2]; 2]) -> SkyPicture<'a> {
        SkyPicture { image, mask, centre_x_px: 60.3, centre_y_px: 55.8, arcsec_per_px, zero_point_mag: None }
    }

    #[test]
    fn north_is_up_and_east_left_for_every_rotation_and_both_parities() {
        // the coarse picture takes the mean over 1.7″ at up to 1.2″ from the top of a blob of 3″: up to 0.13 lower
        for (side, tolerance) in [(400, 0.03), (60, 0.13)] {
            for angle in [0.0, 33.0, 90.0, 180.0, 247.0] {
                for parity in [1.0, -1.0] {
                    let (image, m) = blobs(angle, parity);
                    let mask = Mask::clear(121, 111);
                    let up = north_up(&picture(&image, &mask, m), 50.0, side);
                    let at = |east: f64, north: f64| {
                        let column = (50.0 - east) / 100.0 * side as f64 - 0.5;
                        let row = (50.0 - north) / 100.0 * side as f64 - 0.5;
                        up.at(column.round() as usize, row.round() as usize)
                    };
                    let what = format!("{angle} {parity} {side}");
                    assert!((at(20.0, 0.0) - 1.0).abs() < tolerance, "{what}: east {}", at(20.0, 0.0));
                    assert!((at(0.0, 35.0) - 0.5).abs() < tolerance, "{what}: north {}", at(0.0, 35.0));
                    for (east, north) in [(-20.0, 0.0), (0.0, -35.0), (0.0, 20.0), (35.0, 0.0)] {
                        assert!(at(east, north).abs() < 0.02, "{what}: nothing is at {east} {north}");
                    }
                }
            }
        }
    }

    #[test]
    fn unrolled_position_angles_run_from_north_through_east_for_every_rotation_and_both_parities() {
        for angle in [0.0, 33.0, 247.0] {
            for parity in [1.0, -1.0] {
                let (image, m) = blobs(angle, parity);
                let mask = Mask::clear(121, 111);
                let polar = unrolled(&picture(&image, &mask, m), 360, &[20.0, 35.0, 500.0]);
                // 0.01: half a degree beside the top of a blob of 3″, and pixels of 1.25″
                assert!((polar.at(90, 0) - 1.0).abs() < 0.01, "{angle} {parity}: east {}", polar.at(90, 0));
                assert!((polar.at(0, 1) - 0.5).abs() < 0.01, "{angle} {parity}: north {}", polar.at(0, 1));
                assert!(polar.at(270, 0).abs() < 0.02 && polar.at(180, 1).abs() < 0.02);
                assert!(polar.at(0, 2).is_nan(), "outside");
            }
        }
    }

    #[test]
    fn a_steep_coma_is_read_alike_round_its_centre() {
        let coma = |x: f64, y: f64| 100.0 / ((x - 40.3).hypot(y - 39.8)).hypot(1.3);
        let data = (0..81 * 81).map(|i| coma((i % 81) as f64, (i / 81) as f64) as f32).collect();
        let image = Image::from_pixels(81, 81, data).expect("size");
        let mask = Mask::clear(81, 81);
        let p = SkyPicture {
            image: &image,
            mask: &mask,
            centre_x_px: 40.3,
            centre_y_px: 39.8,
            arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]],
            zero_point_mag: None,
        };
        let radii = [4.0, 6.0, 10.0];
        let polar = unrolled(&p, 360, &radii);
        for (row, rho) in polar.data.chunks(360).zip(radii) {
            let expected = 100.0 / rho.hypot(1.3);
            // measured: cubic errs by 0.2 % at 4 px, linear by 1.1 %
            assert!(row.iter().all(|v| (f64::from(*v) / expected - 1.0).abs() < 2.5e-3), "{rho}");
        }
    }

    #[test]
    fn a_plane_is_kept_by_the_interpolation() {
        let data = (0..40 * 30).map(|i| (i % 40) as f32 * 0.5 - (i / 40) as f32 * 0.25 + 7.0).collect();
        let image = Image::from_pixels(40, 30, data).expect("size");
        let mask = Mask::clear(40, 30);
        let p = SkyPicture {
            image: &image,
            mask: &mask,
            centre_x_px: 20.0,
            centre_y_px: 15.0,
            arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]],
            zero_point_mag: None,
        };
        for side in [100, 7] {
            let up = north_up(&p, 10.0, side);
            for row in 0..side {
                for column in 0..side {
                    let offset = |k: usize| 10.0 - (k as f64 + 0.5) * 20.0 / side as f64;
                    let (x, y) = (20.0 - offset(column), 15.0 + offset(row));
                    let expected = x * 0.5 - y * 0.25 + 7.0;
                    assert!((f64::from(up.at(column, row)) - expected).abs() < 1e-4);
                }
            }
        }
    }

    #[test]
    fn flagged_and_nan_pixels_are_missing_and_nothing_else_is() {
        let mut image = Image::filled(21, 21, 3.0);
        let mut mask = Mask::clear(21, 21);
        image.data[10 * 21 + 4] = f32::NAN;
        mask.bits[4 * 21 + 10] = fanlight_image::flag::STAR;
        let p = SkyPicture {
            image: &image,
            mask: &mask,
            centre_x_px: 10.0,
            centre_y_px: 10.0,
            arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]],
            zero_point_mag: None,
        };
        let up = north_up(&p, 10.5, 210);
        assert_eq!(up.data.iter().filter(|v| v.is_nan()).count(), 200);
        assert!(up.data.iter().all(|v| v.is_nan() || (v - 3.0).abs() < 1e-5));
        assert!(up.at(45, 105).is_nan(), "6 pixels west in x is 6 arcsec east, left of the middle");
        assert!(up.at(105, 165).is_nan(), "low y is south, below the middle");
    }

    #[test]
    fn the_inscribed_square_follows_the_rotation() {
        let (image, m) = blobs(0.0, 1.0);
        let mask = Mask::clear(121, 111);
        let square = picture(&image, &mask, m).inscribed_half_width_arcsec();
        assert!((square - (110.5 - 55.8) * 1.25).abs() < 1e-6, "{square}");
        let (image, m) = blobs(45.0, 1.0);
        let turned = picture(&image, &mask, m).inscribed_half_width_arcsec();
        assert!((turned - square / 2f64.sqrt()).abs() < 0.5, "{turned}");
        assert_eq!(image.width, 121);
    }
}
