//! A star's image: seeing, drawn out along a straight trail where the mount drifted.

use super::Moffat;
use super::cutout::Reach;
use super::half_maximum::{HalfMaximum, half_maximum};
use super::profile::StarProfile;
use super::trail;
use std::f64::consts::PI;

/// Seeing averaged over the points of a straight segment about the star's place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarImage {
    seeing: Moffat,
    trail_px: (f64, f64),
    half_maximum: HalfMaximum,
}

impl From<Moffat> for StarImage {
    fn from(seeing: Moffat) -> Self {
        Self { seeing, trail_px: (0.0, 0.0), half_maximum: untrailed(&seeing) }
    }
}

fn untrailed(seeing: &Moffat) -> HalfMaximum {
    let Moffat { fwhm_major_px, fwhm_minor_px, angle_rad, .. } = *seeing;
    HalfMaximum { major_px: fwhm_major_px, minor_px: fwhm_minor_px, angle_rad }
}

impl StarImage {
    /// Seeing drawn out from one end of `trail_px` to the other, the star's place in its middle. Which end comes first
    /// does not show.
    pub fn new(seeing: Moffat, trail_px: (f64, f64)) -> Self {
        if !trail::is_one(trail_px, seeing.fwhm_minor_px) {
            return seeing.into();
        }
        let image = density(seeing, trail_px);
        let half_maximum = half_maximum(image, seeing.fwhm_px()).unwrap_or_else(|| untrailed(&seeing));
        Self { seeing, trail_px, half_maximum }
    }

    /// The image of a star that does not move over the pixels.
    pub fn seeing(&self) -> Moffat {
        self.seeing
    }

    /// The same with seeing so many times as wide, and the same trail.
    pub fn widened(&self, factor: f64) -> Self {
        let Moffat { fwhm_major_px, fwhm_minor_px, .. } = self.seeing;
        let seeing =
            Moffat { fwhm_major_px: factor * fwhm_major_px, fwhm_minor_px: factor * fwhm_minor_px, ..self.seeing };
        Self::new(seeing, self.trail_px)
    }

    /// The trail from end to end, px; its sign means nothing, and (0, 0) is none.
    pub fn trail_px(&self) -> (f64, f64) {
        self.trail_px
    }

    /// Length of the trail, px.
    pub fn trail_length_px(&self) -> f64 {
        self.trail_px.0.hypot(self.trail_px.1)
    }

    /// Distance of an offset from the star's place from its trail, px.
    pub fn distance_px(&self, dx_px: f64, dy_px: f64) -> f64 {
        Reach { radius_px: 0.0, trail_px: self.trail_px }.distance2(dx_px, dy_px).sqrt()
    }

    /// The whole image's contour at half its peak.
    pub fn half_maximum(&self) -> HalfMaximum {
        self.half_maximum
    }

    /// Geometric mean of the two widths at half maximum of the whole image, px.
    pub fn fwhm_px(&self) -> f64 {
        self.half_maximum.fwhm_px()
    }

    /// Major over minor width at half maximum of the whole image.
    pub fn elongation(&self) -> f64 {
        self.half_maximum.elongation()
    }

    /// Longest width at half maximum, px.
    pub fn fwhm_major_px(&self) -> f64 {
        self.half_maximum.major_px
    }

    /// Width at half maximum across the longest, px.
    pub fn fwhm_minor_px(&self) -> f64 {
        self.half_maximum.minor_px
    }

    /// Direction of the longest width, from +x toward +y, radians.
    pub fn angle_rad(&self) -> f64 {
        self.half_maximum.angle_rad
    }

    /// Light in the pixel whose centre lies `(dx, dy)` px from the star's, for unit total flux. For many pixels
    /// [`super::render_star`] is far faster.
    ///
    /// # Accuracy
    /// As [`Moffat::pixel_value`]; with a trail within 1e-4 of the central intensity of the seeing (tests).
    pub fn pixel_value(&self, dx_px: f64, dy_px: f64) -> f64 {
        StarProfile::new(&self.seeing, self.trail_px).value(dx_px, dy_px)
    }

    /// Intensity at any `(dx, dy)` from the centre for unit flux, per square pixel: not integrated over a pixel.
    pub fn density(&self) -> impl Fn(f64, f64) -> f64 + Send + Sync + use<> {
        density(self.seeing, self.trail_px)
    }

    /// Share of the light inside a circle of the given radius about the centre: [`Moffat::encircled`]; with a trail by
    /// quadrature in polar coordinates.
    ///
    /// # Accuracy
    /// With a trail within 1e-5 (tests).
    pub fn encircled(&self, radius_px: f64) -> f64 {
        let narrow = self.seeing.fwhm_minor_px;
        if self.trail_px == (0.0, 0.0) || radius_px <= 0.0 {
            return self.seeing.encircled(radius_px);
        }
        // rings of equal steps by the midpoint rule in r (its error falls as the step's square times the slope of
        // r·density, which is nothing at 0 and small at the edge), directions over half a turn by symmetry
        let profile = StarProfile::new(&self.seeing, self.trail_px);
        let rings = (12.0 * radius_px / narrow).ceil() as usize + 40;
        let step = radius_px / rings as f64;
        let ring = |i: usize| {
            let r = (i as f64 + 0.5) * step;
            let directions = (4.0 * PI * r / narrow).ceil() as usize + 12;
            let at = |k: usize| {
                let (sin, cos) = (PI * (k as f64 + 0.5) / directions as f64).sin_cos();
                profile.point(r * cos, r * sin)
            };
            r * (0..directions).map(at).sum::<f64>() / directions as f64
        };
        2.0 * PI * step * (0..rings).map(ring).sum::<f64>()
    }
}

/// Intensity of seeing drawn out along a trail, at any `(dx, dy)` from the middle for unit flux, per square pixel.
pub fn density(seeing: Moffat, trail_px: (f64, f64)) -> impl Fn(f64, f64) -> f64 + Send + Sync {
    let profile = StarProfile::new(&seeing, trail_px);
    move |x, y| profile.point(x, y)
}
