//! A featureless twin's rings and circles, measured about the night's centre as the night's are: near the nucleus by the night's own
//! functions, farther out, where these would take long, from sums over narrow rings.

use super::state::DeskNight;
use fanlight_coma::measure::RingProfile;
use fanlight_coma::photometry::{self, Stack};
use fanlight_coma::profile;
use fanlight_image::polar::Ring;
use fanlight_image::{Image, Mask, PixelBox};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Out to here pixels count by their parts. A ring that ends there has over four hundred pixels along its edge.
const BY_PARTS_PX: f64 = 64.0;
/// Narrow rings per pixel.
const NARROW_PER_PX: f64 = 4.0;

/// The twin on the night's grid.
pub struct TwinLight {
    inner: Inner,
    /// Sum and number of the pixels of each narrow ring.
    narrow: Vec<(f64, f64)>,
    /// How far rings lie wholly on the image.
    to_edge_px: f64,
    scale_arcsec: f64,
}

/// The part about the nucleus.
struct Inner {
    image: Image,
    mask: Mask,
    /// The light is wanted without its error: that of the night stands beside it.
    no_variance: Image,
    /// By the same rule as the night's, which follows from the centre alone.
    rings: Vec<Ring>,
    fill: RingProfile,
    centre_px: (f64, f64),
    /// Its circles are measured out to here.
    reach_px: f64,
}

impl TwinLight {
    /// Measures a night's twin; `None` where the nucleus is not on it.
    pub fn new(night: &DeskNight, twin: &Image) -> Option<Self> {
        let stack = &night.record.stack;
        Self::about((stack.centre_x_px, stack.centre_y_px), night.scale_arcsec(), twin)
    }

    fn about((x_px, y_px): (f64, f64), scale_arcsec: f64, twin: &Image) -> Option<Self> {
        let to_edge_px = profile::to_edge_px(twin, x_px, y_px);
        Some(Self {
            inner: Inner::new(twin, (x_px, y_px), to_edge_px)?,
            narrow: narrow_rings(twin, (x_px, y_px), to_edge_px),
            to_edge_px,
            scale_arcsec,
        })
    }

    /// Mean of a ring of the record, e⁻/s per square arcsecond.
    pub fn ring(&self, inner_arcsec: f64, outer_arcsec: f64) -> Option<f64> {
        let [inner_px, outer_px] = [inner_arcsec, outer_arcsec].map(|r| r / self.scale_arcsec);
        let mean = match self.inner.rings.iter().find(|r| (r.outer_px / outer_px - 1.0).abs() < 1e-6) {
            Some(ring) => ring.mean,
            None if inner_px > 0.5 * BY_PARTS_PX && outer_px < self.to_edge_px + 1.0 => {
                let (light, area) = self.between(inner_px, outer_px)?;
                light / area
            }
            None => return None,
        };
        Some(mean / self.scale_arcsec.powi(2)).filter(|mean| mean.is_finite())
    }

    /// Light in a circle, e⁻/s.
    pub fn circle(&self, radius_arcsec: f64) -> Option<f64> {
        let radius_px = radius_arcsec / self.scale_arcsec;
        if radius_px <= self.inner.reach_px {
            return self.inner.circle(radius_px);
        }
        if radius_px > self.to_edge_px {
            return None;
        }
        let (beyond, _) = self.between(self.inner.reach_px, radius_px)?;
        Some(self.inner.circle(self.inner.reach_px)? + beyond)
    }

    /// Light and area between two distances, px²; what is missing of a narrow ring has the mean of the rest.
    fn between(&self, inner_px: f64, outer_px: f64) -> Option<(f64, f64)> {
        let first = (inner_px * NARROW_PER_PX) as usize;
        let narrow = self.narrow.get(first..)?.iter().zip(first..);
        let (mut light, mut area) = (0.0, 0.0);
        for ((sum, n), i) in narrow {
            let from = (i as f64 / NARROW_PER_PX).max(inner_px);
            let to = ((i + 1) as f64 / NARROW_PER_PX).min(outer_px);
            if from >= to {
                break;
            }
            if *n > 0.0 {
                let ring = PI * (to * to - from * from);
                light += sum / n * ring;
                area += ring;
            }
        }
        (area > 0.0).then_some((light, area))
    }
}

impl Inner {
    fn new(twin: &Image, (x_px, y_px): (f64, f64), to_edge_px: f64) -> Option<Self> {
        let reach_px = BY_PARTS_PX.min(to_edge_px);
        let area = PixelBox::around(x_px, y_px, reach_px + 2.0, twin.width, twin.height)?;
        let image = twin.crop(area);
        let centre_px = (x_px - area.x0 as f64, y_px - area.y0 as f64);
        let (mask, no_variance) = (Mask::of_missing(&image), Image::filled(image.width, image.height, 0.0));
        let rings = profile::rings(&image, &no_variance, &mask, centre_px.0, centre_px.1);
        let fill = RingProfile::measure(&image, &mask, centre_px, reach_px);
        Some(Self { image, mask, no_variance, rings, fill, centre_px, reach_px })
    }

    fn circle(&self, radius_px: f64) -> Option<f64> {
        let stack = Stack {
            image: &self.image,
            variance: &self.no_variance,
            mask: &self.mask,
            x_px: self.centre_px.0,
            y_px: self.centre_px.1,
            centre_sigma_px: 0.0,
            sky_sigma: 0.0,
            correlation: 1.0,
        };
        photometry::aperture_light(&stack, &self.fill, radius_px).map(|light| light.flux)
    }
}

fn narrow_rings(twin: &Image, (x_px, y_px): (f64, f64), to_edge_px: f64) -> Vec<(f64, f64)> {
    let n = (to_edge_px.max(0.0) * NARROW_PER_PX) as usize + 1;
    let none = || vec![(0.0, 0.0); n];
    let rows = twin.data.par_chunks(twin.width.max(1)).enumerate();
    let sums = rows.fold(none, |mut sums, (y, row)| {
        let dy = y as f64 - y_px;
        for (x, value) in row.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            let dx = x as f64 - x_px;
            if let Some((sum, n)) = sums.get_mut(((dx * dx + dy * dy).sqrt() * NARROW_PER_PX) as usize) {
                *sum += f64::from(*value);
                *n += 1.0;
            }
        }
        sums
    });
    sums.reduce(none, |mut all, part| {
        all.iter_mut().zip(part).for_each(|(all, part)| *all = (all.0 + part.0, all.1 + part.1));
        all
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Beyond the part about the nucleus circles and rings are those of the night's own functions on the whole image, gaps too.
    #[test]
    fn far_out_it_is_what_whole_pixels_and_their_parts_give() {
        let (width, height, centre) = (331, 301, (160.3, 148.8));
        let light = |i: usize| {
            let (dx, dy) = ((i % width) as f64 - centre.0, (i / width) as f64 - centre.1);
            let gap = (60.0..66.0).contains(&dx) && (40.0..50.0).contains(&dy);
            if gap { f32::NAN } else { (1e4 / dx.hypot(dy).max(0.8) + 0.1 * dx) as f32 }
        };
        let image = Image { width, height, data: (0..width * height).map(light).collect() };
        let scale = 1.3;
        let found = TwinLight::about(centre, scale, &image).unwrap();
        let (mask, no_variance) = (Mask::of_missing(&image), Image::filled(width, height, 0.0));
        let stack = Stack {
            image: &image,
            variance: &no_variance,
            mask: &mask,
            x_px: centre.0,
            y_px: centre.1,
            centre_sigma_px: 0.0,
            sky_sigma: 0.0,
            correlation: 1.0,
        };
        let fill = RingProfile::measure(&image, &mask, centre, 148.0);
        for radius_px in [5.0, 40.0, 63.9, 64.2, 80.0, 147.0] {
            let whole = photometry::aperture_light(&stack, &fill, radius_px).unwrap().flux;
            let circle = found.circle(scale * radius_px).unwrap();
            assert!((circle / whole - 1.0).abs() < 1e-3, "{circle} of {whole} within {radius_px} px");
        }
        assert!(found.circle(scale * 160.0).is_none());
        for ring in profile::rings(&image, &no_variance, &mask, centre.0, centre.1) {
            let mean = found.ring(scale * ring.inner_px, scale * ring.outer_px).unwrap() * scale * scale;
            assert!((mean / ring.mean - 1.0).abs() < 2e-3, "{mean} of {} from {} px", ring.mean, ring.inner_px);
        }
    }
}
