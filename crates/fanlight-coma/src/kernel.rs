//! The kernel: how a point at the comet is imaged in the stack.

use crate::stack;
use fanlight_image::moffat::{self, HalfMaximum, Moffat};

/// One frame's share of the kernel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KernelPart {
    /// The image of a point that stands still, its angle in the stack's pixel axes.
    pub seeing: Moffat,
    /// Path of the comet's image over the pixels during the exposure, in the stack's pixel axes: the vector sum of the
    /// field's drift and the comet's motion. Two paths that are equally likely where the sign of the drift is not known,
    /// else one twice.
    pub paths_px: [(f64, f64); 2],
    /// Weight of the frame in the stack.
    pub weight: f64,
}

/// Size and shape of a kernel: its contour at half its peak.
pub type KernelShape = HalfMaximum;

impl KernelPart {
    /// The same in other axes, with another weight.
    pub fn turned(&self, to: [[f64; 2]; 2], weight: f64) -> Self {
        let s = &self.seeing;
        let (sin, cos) = s.angle_rad.sin_cos();
        let along = stack::apply(to, (cos, sin));
        let across = stack::apply(to, (-sin, cos));
        let seeing = Moffat {
            fwhm_major_px: s.fwhm_major_px * along.0.hypot(along.1),
            fwhm_minor_px: s.fwhm_minor_px * across.0.hypot(across.1),
            angle_rad: along.1.atan2(along.0),
            beta: s.beta,
        };
        Self { seeing, paths_px: self.paths_px.map(|p| stack::apply(to, p)), weight }
    }

    /// Light per square pixel at any place from the nucleus, times the weight.
    pub(crate) fn density(&self) -> impl Fn(f64, f64) -> f64 + Send + Sync + use<> {
        let [first, second] = self.paths_px;
        let weight = self.weight;
        let one = moffat::density(self.seeing, first);
        let other = (second != first).then(|| moffat::density(self.seeing, second));
        move |x, y| {
            let value = one(x, y);
            weight * other.as_ref().map_or(value, |other| 0.5 * (value + other(x, y)))
        }
    }
}

/// Shape of the weighted mean of the frames' kernels: its longest width at half maximum and the one across it.
///
/// The pixel's own width is left out, as in the frames' star widths; the resampling kernel (Lanczos-3) is narrower than
/// the pixel and adds under 1 % to the width of a star image of 2 px. `None` without parts.
///
/// # Accuracy
/// Width within 0.5 % of a dense numerical convolution for paths up to three star widths (tests).
pub fn kernel_shape(parts: &[KernelPart]) -> Option<KernelShape> {
    let densities: Vec<_> = parts.iter().map(KernelPart::density).collect();
    moffat::half_maximum(|x, y| densities.iter().map(|d| d(x, y)).sum(), parts.first()?.seeing.fwhm_px())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn round(fwhm: f64) -> Moffat {
        Moffat { fwhm_major_px: fwhm, fwhm_minor_px: fwhm, angle_rad: 0.0, beta: 3.5 }
    }

    fn part(seeing: Moffat, paths_px: [(f64, f64); 2]) -> KernelPart {
        KernelPart { seeing, paths_px, weight: 2.0 }
    }

    #[test]
    fn one_star_image_keeps_its_shape() {
        let seeing = Moffat { fwhm_major_px: 3.3, fwhm_minor_px: 2.9, angle_rad: 2.2, beta: 3.0 };
        let got = kernel_shape(&[part(seeing, [(0.0, 0.0); 2])]).unwrap();
        assert!((got.major_px - 3.3).abs() < 0.005 && (got.minor_px - 2.9).abs() < 0.005, "{got:?}");
        assert!((got.angle_rad - 2.2).abs() < 0.005);
        // mirrored and twice as large
        let got = kernel_shape(&[part(seeing, [(0.0, 0.0); 2]).turned([[-2.0, 0.0], [0.0, 2.0]], 1.0)]).unwrap();
        assert!((got.major_px - 6.6).abs() < 0.01 && (got.angle_rad - (std::f64::consts::PI - 2.2)).abs() < 0.005);
        assert_eq!(kernel_shape(&[]), None);
    }

    /// Against a dense midpoint sum over the path.
    #[test]
    fn a_path_draws_it_out_along_itself() {
        for length in [2.0, 9.0] {
            let path: (f64, f64) = (-length * 0.6, length * 0.8);
            let got = kernel_shape(&[part(round(3.0), [path; 2])]).unwrap();
            assert!((got.angle_rad - path.1.atan2(path.0)).abs() < 0.005, "{got:?}");
            let value = |x: f64, y: f64| -> f64 {
                (0..400)
                    .map(|i| (f64::from(i) + 0.5) / 400.0 - 0.5)
                    .map(|s| round(3.0).density(x - s * path.0, y - s * path.1))
                    .sum()
            };
            let diameter = |ux: f64, uy: f64| {
                2.0 * (0..8000)
                    .map(|i| f64::from(i) * 1e-3)
                    .find(|r| value(r * ux, r * uy) < 0.5 * value(0.0, 0.0))
                    .unwrap()
            };
            let (major, minor) = (diameter(-0.6, 0.8), diameter(0.8, 0.6));
            assert!(
                (got.major_px / major - 1.0).abs() < 0.005 && (got.minor_px / minor - 1.0).abs() < 0.005,
                "{got:?}"
            );
        }
    }

    /// Two paths that mirror each other: symmetric about their mean, less drawn out than either.
    #[test]
    fn two_likely_paths_are_averaged() {
        let either = kernel_shape(&[part(round(3.0), [(3.0, 0.7), (3.0, -0.7)])]).unwrap();
        let one = kernel_shape(&[part(round(3.0), [(3.0, 0.7); 2])]).unwrap();
        assert!(either.angle_rad.sin().abs() < 0.01, "{either:?}");
        assert!(either.elongation() < one.elongation() && either.elongation() > 1.15, "{either:?} {one:?}");
    }
}
