//! The image of a point: an elliptical Moffat function smeared along a straight trail.

use crate::quadrature::gauss_legendre;
use std::f64::consts::PI;

/// The image of a point on the detector, of unit light.
///
/// Surface brightness (β − 1)/(π a b) · (1 + (u/a)² + (v/b)²)^−β, u and v along the major and minor axis, averaged over
/// the points of a segment of length and direction `trail_px` centred on the nominal place.
///
/// # Source
/// Moffat (1969, A&A 3, 455).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Kernel {
    /// √(major · minor) full width at half maximum, without the trail.
    pub fwhm_px: f64,
    /// Major over minor axis, at least 1.
    pub elongation: f64,
    /// Major axis from +x toward +y.
    pub angle_rad: f64,
    /// Moffat exponent.
    pub beta: f64,
    /// The trail, end to end.
    pub trail_px: [f64; 2],
}

/// Size and orientation of the image of a point at half its peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HalfMaximum {
    /// √(major · minor) full width.
    pub fwhm_px: f64,
    /// Major over minor, at least 1.
    pub elongation: f64,
    /// Major axis from +x toward +y, in [0, π).
    pub angle_rad: f64,
}

impl Kernel {
    /// α of a round Moffat function of this width.
    pub fn alpha_px(&self) -> f64 {
        self.fwhm_px / (2.0 * (2f64.powf(1.0 / self.beta) - 1.0).sqrt())
    }

    /// Coefficients (xx, xy, yy) of the quadratic form q with brightness ∝ (1 + q)^−β.
    pub fn form(&self) -> [f64; 3] {
        let a = self.alpha_px() * self.elongation.sqrt();
        let b = self.alpha_px() / self.elongation.sqrt();
        let (s, c) = self.angle_rad.sin_cos();
        let (ia, ib) = (1.0 / (a * a), 1.0 / (b * b));
        [c * c * ia + s * s * ib, s * c * (ia - ib), s * s * ia + c * c * ib]
    }

    /// Peak of the untrailed function, per square pixel.
    pub fn peak(&self) -> f64 {
        (self.beta - 1.0) / (PI * self.alpha_px().powi(2))
    }

    /// The untrailed function at an offset, per square pixel.
    pub fn point(&self, dx_px: f64, dy_px: f64) -> f64 {
        let [xx, xy, yy] = self.form();
        self.peak() * (1.0 + xx * dx_px * dx_px + 2.0 * xy * dx_px * dy_px + yy * dy_px * dy_px).powf(-self.beta)
    }

    /// Light of a round function of this width outside a circle.
    pub fn outside(&self, radius_px: f64) -> f64 {
        (1.0 + (radius_px / self.alpha_px()).powi(2)).powf(1.0 - self.beta)
    }

    /// Second moments (xx, xy, yy) of the light within `radius_px`, trail included, in square pixels.
    pub fn second_moments(&self, radius_px: f64) -> [f64; 3] {
        // Mean square radius of a round Moffat cut at the radius, by quadrature in x = r².
        let a2 = self.alpha_px().powi(2);
        let steps = 4000;
        let top = (radius_px / self.alpha_px()).asinh();
        let r2_mean: f64 = (0..steps)
            .map(|i| {
                // r = α sinh t resolves both the core and the far wings.
                let t = (i as f64 + 0.5) * top / steps as f64;
                let (r2, weight) = (t.sinh().powi(2), t.sinh() * t.cosh());
                2.0 * (self.beta - 1.0) * a2 * r2 * weight * (1.0 + r2).powf(-self.beta) * top / steps as f64
            })
            .sum();
        let (major, minor) = (0.5 * r2_mean * self.elongation, 0.5 * r2_mean / self.elongation);
        let (s, c) = self.angle_rad.sin_cos();
        let [lx, ly] = self.trail_px;
        [
            c * c * major + s * s * minor + lx * lx / 12.0,
            s * c * (major - minor) + lx * ly / 12.0,
            s * s * major + c * c * minor + ly * ly / 12.0,
        ]
    }

    /// Nodes along the trail: offsets in pixels and weights that sum to 1.
    pub fn trail_nodes(&self) -> Vec<(f64, f64, f64)> {
        let [lx, ly] = self.trail_px;
        let length = lx.hypot(ly);
        if length < 0.01 {
            return vec![(0.0, 0.0, 1.0)];
        }
        // Two nodes per half width resolve the untrailed function to 1e-5 of its peak.
        let minor = self.fwhm_px / self.elongation.sqrt();
        let n = ((2.0 * length / minor).ceil() as usize + 2).min(400);
        gauss_legendre(n).into_iter().map(|(t, w)| (t * lx, t * ly, w)).collect()
    }

    /// The trailed function's contour at half its peak: its longest diameter, the one across it, and their mean.
    pub fn half_maximum(&self) -> HalfMaximum {
        let nodes = self.trail_nodes();
        let value = |x: f64, y: f64| nodes.iter().map(|(dx, dy, w)| w * self.point(x - dx, y - dy)).sum::<f64>();
        let half = 0.5 * value(0.0, 0.0);
        let reach = self.fwhm_px * self.elongation.sqrt() + self.trail_px[0].hypot(self.trail_px[1]);
        let radius = |angle: f64| {
            let (s, c) = angle.sin_cos();
            let (mut low, mut high) = (0.0, reach);
            for _ in 0..40 {
                let mid = 0.5 * (low + high);
                if value(mid * c, mid * s) > half { low = mid } else { high = mid }
            }
            0.5 * (low + high)
        };
        let n = 60;
        let mut best = 0.0;
        let mut longest = 0.0;
        for i in 0..n {
            let angle = PI * i as f64 / n as f64;
            let r = radius(angle);
            if r > longest {
                (longest, best) = (r, angle);
            }
        }
        // A parabola through the three nearest directions gives the axis to a small part of the step.
        let step = PI / n as f64;
        let (before, after) = (radius(best - step), radius(best + step));
        let bend = before - 2.0 * longest + after;
        if bend.abs() > 1e-12 * longest {
            best += step * (0.5 * (before - after) / bend).clamp(-0.5, 0.5);
        }
        let (major, minor) = (radius(best), radius(best + 0.5 * PI));
        HalfMaximum {
            fwhm_px: 2.0 * (major * minor).sqrt(),
            elongation: (major / minor).max(1.0),
            angle_rad: best.rem_euclid(PI),
        }
    }
}

/// u^−β for u ≥ 1 by table: the exponent and 1024 steps of the mantissa of the floating-point number.
///
/// # Accuracy
/// Relative error under β(β + 1)/8 · 2⁻²⁰, 2·10⁻⁶ at β = 3.2.
pub(crate) struct InversePower {
    mantissa: Vec<f64>,
    exponent: Vec<f64>,
}

impl InversePower {
    /// A table for one β.
    pub fn new(beta: f64) -> Self {
        Self {
            mantissa: (0..=1024).map(|i| (1.0 + i as f64 / 1024.0).powf(-beta)).collect(),
            exponent: (0..64).map(|i| 2f64.powf(-beta * i as f64)).collect(),
        }
    }

    /// u^−β, `u` from 1 to 2⁶³.
    #[inline]
    pub fn of(&self, u: f64) -> f64 {
        let bits = u.to_bits();
        let exponent = ((bits >> 52) as usize).wrapping_sub(1023) & 63;
        let index = (bits >> 42) as usize & 1023;
        let part = (bits & ((1 << 42) - 1)) as f64 * (1.0 / (1u64 << 42) as f64);
        let (a, b) = (self.mantissa[index], self.mantissa[index + 1]);
        (a + part * (b - a)) * self.exponent[exponent]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kernel(trail_px: [f64; 2]) -> Kernel {
        Kernel { fwhm_px: 2.4, elongation: 1.2, angle_rad: 0.5, beta: 3.0, trail_px }
    }

    #[test]
    fn inverse_power_is_a_power() {
        for beta in [1.8, 2.5, 3.2, 20.0] {
            let table = InversePower::new(beta);
            for u in [1.0, 1.0004, 1.3, 2.0, 7.77, 900.1, 1e9] {
                let (got, want) = (table.of(u), f64::powf(u, -beta));
                assert!((got / want - 1.0).abs() < beta * (beta + 1.0) / 8.0 * 2f64.powi(-20) + 1e-12, "{beta} {u}");
            }
        }
    }

    #[test]
    fn untrailed_shape_is_what_was_asked() {
        let shape = kernel([0.0, 0.0]).half_maximum();
        assert!((shape.fwhm_px - 2.4).abs() < 1e-3 && (shape.elongation - 1.2).abs() < 1e-3, "{shape:?}");
        assert!((shape.angle_rad - 0.5).abs() < 0.01, "{shape:?}");
    }

    #[test]
    fn a_trail_widens_along_itself() {
        let shape = kernel([0.0, 5.0]).half_maximum();
        // Longer than the segment's length times most of it, wider across than the minor axis.
        assert!((shape.angle_rad - PI / 2.0).abs() < 0.1 && shape.elongation > 1.8, "{shape:?}");
    }

    #[test]
    fn second_moments_of_a_steep_moffat_are_analytic() {
        // <x²> of a round Moffat is α²/(2(β − 2)).
        let k = Kernel { fwhm_px: 3.0, elongation: 1.0, angle_rad: 0.0, beta: 6.0, trail_px: [3.0, 0.0] };
        let want = k.alpha_px().powi(2) / 8.0;
        let [xx, xy, yy] = k.second_moments(200.0);
        assert!(
            (xx - want - 0.75).abs() < 1e-5 && xy.abs() < 1e-9 && (yy - want).abs() < 1e-5,
            "{xx} {xy} {yy} {want}"
        );
    }
}
