//! A star image's shape as six numbers that a fit may move freely.

use super::profile::StarProfile;
use super::{Moffat, StarImage};
use std::f64::consts::PI;

/// Smallest and largest wing exponent that a fit may take. Below 1.5 over half the light lies beyond any aperture in
/// use; above 10 the profile cannot be told from a Gaussian.
pub const BETA_LIMITS: (f64, f64) = (1.5, 10.0);

/// Shape as unbounded coordinates, regular for a round star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ShapeVector {
    /// Natural logarithm of the geometric mean FWHM in px.
    pub ln_fwhm: f64,
    /// `½ ln(major/minor)` times (cos 2θ, sin 2θ): both vanish for a round star, where an angle would be undefined.
    pub ellipticity: [f64; 2],
    /// Logistic coordinate of `1/β` between the limits.
    pub beta_coordinate: f64,
    /// The trail, px.
    pub trail_px: [f64; 2],
}

impl ShapeVector {
    pub(crate) fn from_shape(shape: &Moffat) -> Self {
        let eta = 0.5 * shape.elongation().ln();
        let (sin, cos) = (2.0 * shape.angle_rad).sin_cos();
        let (low, high) = inverse_limits();
        // kept off the limits, where the coordinate is infinite
        let share = ((1.0 / shape.beta - low) / (high - low)).clamp(1e-3, 1.0 - 1e-3);
        Self {
            ln_fwhm: shape.fwhm_px().ln(),
            ellipticity: [eta * cos, eta * sin],
            beta_coordinate: (share / (1.0 - share)).ln(),
            trail_px: [0.0, 0.0],
        }
    }

    pub(crate) fn from_array(v: [f64; 6]) -> Self {
        Self { ln_fwhm: v[0], ellipticity: [v[1], v[2]], beta_coordinate: v[3], trail_px: [v[4], v[5]] }
    }

    pub(crate) fn to_array(self) -> [f64; 6] {
        let ([e1, e2], [tx, ty]) = (self.ellipticity, self.trail_px);
        [self.ln_fwhm, e1, e2, self.beta_coordinate, tx, ty]
    }

    /// The whole image, with its contour at half maximum.
    pub(crate) fn image(&self) -> StarImage {
        StarImage::new(self.seeing(), self.trail())
    }

    /// The same prepared for many pixels, without the contour.
    pub(crate) fn profile(&self) -> StarProfile {
        StarProfile::new(&self.seeing(), self.trail())
    }

    pub(crate) fn trail(&self) -> (f64, f64) {
        (self.trail_px[0], self.trail_px[1])
    }

    pub(crate) fn seeing(&self) -> Moffat {
        let [e1, e2] = self.ellipticity;
        let stretch = e1.hypot(e2).exp();
        let fwhm = self.ln_fwhm.exp();
        Moffat {
            fwhm_major_px: fwhm * stretch,
            fwhm_minor_px: fwhm / stretch,
            angle_rad: (0.5 * e2.atan2(e1)).rem_euclid(PI),
            beta: self.beta(),
        }
    }

    /// Whether a fit may go here: FWHM 0.3 to 100 px, axes within 20 to 1, a trail under 200 px and 60 widths.
    pub(crate) fn is_sane(&self) -> bool {
        let [e1, e2] = self.ellipticity;
        let length_px = self.trail_px[0].hypot(self.trail_px[1]);
        (-1.2..4.61).contains(&self.ln_fwhm)
            && e1.hypot(e2) < 1.5
            && self.beta_coordinate.abs() < 30.0
            && length_px < 200f64.min(60.0 * self.ln_fwhm.exp())
    }

    pub(crate) fn beta(&self) -> f64 {
        let (low, high) = inverse_limits();
        1.0 / (low + (high - low) / (1.0 + (-self.beta_coordinate).exp()))
    }

    /// Derivative of β with its coordinate.
    pub(crate) fn beta_slope(&self) -> f64 {
        let (low, high) = inverse_limits();
        let logistic = 1.0 / (1.0 + (-self.beta_coordinate).exp());
        let beta = self.beta();
        -beta * beta * (high - low) * logistic * (1.0 - logistic)
    }
}

fn inverse_limits() -> (f64, f64) {
    (1.0 / BETA_LIMITS.1, 1.0 / BETA_LIMITS.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn shape_survives_the_round_trip(fwhm in 0.8f64..20.0, q in 1.001f64..3.0, angle in 0.0f64..PI, beta in 1.6f64..9.0) {
            let shape = Moffat { fwhm_major_px: fwhm * q, fwhm_minor_px: fwhm, angle_rad: angle, beta };
            let back = ShapeVector::from_shape(&shape).seeing();
            prop_assert!((back.fwhm_major_px / shape.fwhm_major_px - 1.0).abs() < 1e-9);
            prop_assert!((back.fwhm_minor_px / shape.fwhm_minor_px - 1.0).abs() < 1e-9);
            prop_assert!((back.beta / shape.beta - 1.0).abs() < 1e-9);
            let turn = (back.angle_rad - shape.angle_rad).rem_euclid(PI);
            prop_assert!(turn.min(PI - turn) < 1e-6);
        }
    }
}
