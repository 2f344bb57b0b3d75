//! Stars, their spikes, satellites and cosmic rays drawn into a frame, in electrons.

use crate::psf::{InversePower, Kernel};
use crate::quadrature::gauss_legendre;
use crate::random::normal;
use crate::scenario::{GalaxyKeys, HaloKeys, SpikeKeys};
use fanlight_image::Image;
use fanlight_image::smooth::FWHM_PER_SIGMA;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::PI;

/// Draws stars that share a Moffat exponent and a trail.
pub(crate) struct StarBrush {
    power: InversePower,
    trail: Vec<(f64, f64, f64)>,
    trail_length_px: f64,
    trail_px: [f64; 2],
    pixel3: Vec<(f64, f64, f64)>,
    pixel2: Vec<(f64, f64, f64)>,
}

impl StarBrush {
    /// A brush for every star of a frame.
    pub fn new(kernel: &Kernel) -> Self {
        let square = |n: usize| {
            let line = gauss_legendre(n);
            line.iter().flat_map(|(y, wy)| line.iter().map(move |(x, wx)| (*x, *y, wx * wy))).collect()
        };
        Self {
            power: InversePower::new(kernel.beta),
            trail: kernel.trail_nodes(),
            trail_length_px: kernel.trail_px[0].hypot(kernel.trail_px[1]),
            trail_px: kernel.trail_px,
            pixel3: square(3),
            pixel2: square(2),
        }
    }

    /// Adds a star of `light_e` electrons, integrated over each pixel.
    ///
    /// # Accuracy
    /// Pixels within 3 half widths by 3 × 3 Gauss nodes, to 8 by 2 × 2, then by the middle. Drawn until a pixel gets
    /// under 0.02 e⁻ and no more than 0.05 % of the light (1 e⁻ of a faint star) is left out.
    pub fn star(&self, frame: &mut Image, kernel: &Kernel, x_px: f64, y_px: f64, light_e: f64) {
        let alpha = kernel.alpha_px();
        let power = 2.0 * kernel.beta;
        let until_faint = alpha * (light_e * kernel.peak() / 0.02).max(1.0).powf(1.0 / power);
        let until_held = alpha * (1.0 / (1.0 / light_e.max(1.0)).max(5e-4)).powf(1.0 / (power - 2.0));
        let stretch = kernel.elongation.sqrt();
        let radius = (until_faint.max(until_held) * stretch).clamp(3.0, 1500.0);
        let reach = radius + 0.5 * self.trail_length_px;
        let [xx, xy, yy] = kernel.form();
        let peak = light_e * kernel.peak();
        let (near, middle) = (3.0 * kernel.fwhm_px, 8.0 * kernel.fwhm_px);
        let slack = 0.5 * self.trail_length_px;
        let (w, h) = (frame.width as f64 - 1.0, frame.height as f64 - 1.0);
        let (x0, x1) = ((x_px - reach).ceil().max(0.0), (x_px + reach).floor().min(w));
        let (y0, y1) = ((y_px - reach).ceil().max(0.0), (y_px + reach).floor().min(h));
        if x0 > x1 || y0 > y1 {
            return;
        }
        let one = [(0.0, 0.0, 1.0)];
        for y in y0 as usize..=y1 as usize {
            let dy = y as f64 - y_px;
            let row = &mut frame.data[y * frame.width..(y + 1) * frame.width];
            for (x, pixel) in row.iter_mut().enumerate().take(x1 as usize + 1).skip(x0 as usize) {
                let dx = x as f64 - x_px;
                let rho2 = dx * dx + dy * dy;
                if rho2 > reach * reach {
                    continue;
                }
                let rho = rho2.sqrt() - slack;
                let nodes: &[(f64, f64, f64)] = if rho < near {
                    &self.pixel3
                } else if rho < middle {
                    &self.pixel2
                } else {
                    &one
                };
                let mut sum = 0.0;
                for (tx, ty, tw) in &self.trail {
                    let mut over_pixel = 0.0;
                    for (px, py, pw) in nodes {
                        let (u, v) = (dx + px - tx, dy + py - ty);
                        over_pixel += pw * self.power.of(1.0 + xx * u * u + 2.0 * xy * u * v + yy * v * v);
                    }
                    sum += tw * over_pixel;
                }
                *pixel += (peak * sum) as f32;
            }
        }
    }

    /// Adds the halo of a star of `light_e` electrons, drawn out along the trail.
    pub fn halo(&self, frame: &mut Image, halo: &HaloKeys, at: (f64, f64), light_e: f64, scale_arcsec: f64) {
        let outer_px = halo.outer_arcsec / scale_arcsec;
        // a halo is level within its inner radius: points nearer to each other than half of that draw a line
        let steps = (2.0 * self.trail_length_px * scale_arcsec / halo.inner_arcsec).ceil().max(1.0) as usize;
        let ends = self.trail_px;
        for step in 0..steps {
            let share = (step as f64 + 0.5) / steps as f64 - 0.5;
            let (x_px, y_px) = (at.0 + share * ends[0], at.1 + share * ends[1]);
            let (w, h) = (frame.width as f64 - 1.0, frame.height as f64 - 1.0);
            let (x0, x1) = ((x_px - outer_px).ceil().max(0.0), (x_px + outer_px).floor().min(w));
            let (y0, y1) = ((y_px - outer_px).ceil().max(0.0), (y_px + outer_px).floor().min(h));
            if x0 > x1 || y0 > y1 {
                continue;
            }
            for y in y0 as usize..=y1 as usize {
                for x in x0 as usize..=x1 as usize {
                    let distance = (x as f64 - x_px).hypot(y as f64 - y_px);
                    let light = light_e / steps as f64 * halo.density(distance, scale_arcsec);
                    frame.data[y * frame.width + x] += light as f32;
                }
            }
        }
    }

    /// Adds a star's diffraction rays: `light_e` electrons over all rays, falling as exp(−r/length), across a ray a
    /// Gaussian of the kernel's width. Returns what was asked to be drawn, to be taken from the star's core.
    pub fn spikes(
        &self,
        frame: &mut Image,
        kernel: &Kernel,
        spikes: &SpikeKeys,
        at: (f64, f64),
        light_e: f64,
        scale_arcsec: f64,
    ) {
        let length = spikes.length_arcsec / scale_arcsec;
        let sigma = kernel.fwhm_px / FWHM_PER_SIGMA;
        let per_ray = light_e / spikes.count as f64;
        let peak = per_ray / (length * sigma * (2.0 * PI).sqrt());
        let end = length * (peak / 0.02).max(1.0).ln();
        for k in 0..spikes.count {
            let angle = (spikes.angle_deg + 360.0 * k as f64 / spikes.count as f64).to_radians();
            let (sin, cos) = angle.sin_cos();
            let ray = Band { x_px: at.0, y_px: at.1, cos, sin, half_width_px: 4.0 * sigma };
            ray.each_pixel(frame, |along, across| {
                if along < 0.0 || along > end {
                    return 0.0;
                }
                peak * (-along / length - 0.5 * (across / sigma).powi(2)).exp()
            });
        }
    }
}

/// A straight band through a point.
struct Band {
    x_px: f64,
    y_px: f64,
    cos: f64,
    sin: f64,
    half_width_px: f64,
}

impl Band {
    /// Adds `value(along, across)` to every pixel of the band, averaged over 3 × 3 points of the pixel.
    fn each_pixel(&self, frame: &mut Image, value: impl Fn(f64, f64) -> f64) {
        let (w, h) = (frame.width as i64, frame.height as i64);
        // Step along the axis that the band runs nearer to, and draw the pixels across.
        let steep = self.sin.abs() > self.cos.abs();
        let (major, minor) = if steep { (h, w) } else { (w, h) };
        let slope = if steep { self.cos / self.sin } else { self.sin / self.cos };
        let (start, cross) = if steep { (self.y_px, self.x_px) } else { (self.x_px, self.y_px) };
        let spread = self.half_width_px * (1.0 + slope * slope).sqrt() + 1.0;
        for a in 0..major {
            let centre = cross + (a as f64 - start) * slope;
            let low = ((centre - spread).ceil() as i64).max(0);
            let high = ((centre + spread).floor() as i64).min(minor - 1);
            for b in low..=high {
                let (x, y) = if steep { (b, a) } else { (a, b) };
                let mut sum = 0.0;
                for (j, i) in (0..9).map(|k| (k / 3, k % 3)) {
                    let dx = x as f64 - self.x_px + (i as f64 - 1.0) / 3.0;
                    let dy = y as f64 - self.y_px + (j as f64 - 1.0) / 3.0;
                    sum += value(dx * self.cos + dy * self.sin, dy * self.cos - dx * self.sin);
                }
                frame.data[(y * w + x) as usize] += (sum / 9.0) as f32;
            }
        }
    }
}

/// A satellite's trail on the detector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Trail {
    /// A point of its middle line.
    pub x_px: f64,
    /// A point of its middle line.
    pub y_px: f64,
    /// Direction from +x toward +y.
    pub angle_rad: f64,
    /// Light on the middle line, e⁻ per pixel.
    pub peak_e: f64,
    /// Full width at half maximum.
    pub width_px: f64,
}

/// Adds a trail across the whole frame, Gaussian across.
pub(crate) fn satellite(frame: &mut Image, trail: &Trail) {
    let sigma = trail.width_px / FWHM_PER_SIGMA;
    let (sin, cos) = trail.angle_rad.sin_cos();
    let band = Band { x_px: trail.x_px, y_px: trail.y_px, cos, sin, half_width_px: 5.0 * sigma };
    band.each_pixel(frame, |_, across| trail.peak_e * (-0.5 * (across / sigma).powi(2)).exp());
}

/// Half of an exponential disc's light lies within so many scale lengths: x with (1 + x) e⁻ˣ = 1/2.
const HALF_LIGHT: f64 = 1.678_346_99;

/// Adds an inclined exponential disc of `light_e` electrons in all.
pub(crate) fn galaxy(
    frame: &mut Image,
    keys: &GalaxyKeys,
    at: (f64, f64),
    [[ex, ey], [nx, ny]]: [[f64; 2]; 2],
    light_e: f64,
) {
    let scale = keys.half_light_arcsec / HALF_LIGHT;
    let area = (ex * ny - ey * nx).abs();
    let peak = light_e * area / (2.0 * PI * scale * scale * keys.axis_ratio);
    let (sin, cos) = keys.axis_pa_deg.to_radians().sin_cos();
    let width = frame.width;
    for (i, value) in frame.data.iter_mut().enumerate() {
        let (x, y) = ((i % width) as f64 - at.0, (i / width) as f64 - at.1);
        let mut sum = 0.0;
        for (j, k) in (0..9).map(|n| (n / 3, n % 3)) {
            let (dx, dy) = (x + (j as f64 - 1.0) / 3.0, y + (k as f64 - 1.0) / 3.0);
            let (east, north) = (ex * dx + ey * dy, nx * dx + ny * dy);
            let (along, across) = (east * sin + north * cos, (east * cos - north * sin) / keys.axis_ratio);
            sum += (-along.hypot(across) / scale).exp();
        }
        *value += (peak * sum / 9.0) as f32;
    }
}

/// A cosmic ray: where it entered, where it left, and its charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CosmicRay {
    /// Entry.
    pub x_px: f64,
    /// Entry.
    pub y_px: f64,
    /// Track on the detector.
    pub track_px: [f64; 2],
    /// Charge freed.
    pub charge_e: f64,
}

impl CosmicRay {
    /// Draws one: isotropic direction, hence mostly short tracks, some long; charge by the path's length in the
    /// detector with a long tail toward large energy loss.
    pub fn draw(rng: &mut ChaCha8Rng, width: usize, height: usize, typical_e: f64) -> Self {
        let azimuth = rng.random::<f64>() * 2.0 * PI;
        // Flux through a horizontal sheet goes as cos z sin z dz; tracks are tan z times the depth, about a pixel.
        let sin2 = rng.random::<f64>();
        let tan = (sin2 / (1.0 - sin2).max(1e-4)).sqrt().min(40.0);
        let loss = (0.4 * normal(rng)).exp() * (1.0 + tan * tan).sqrt().min(20.0);
        Self {
            x_px: rng.random::<f64>() * width as f64 - 0.5,
            y_px: rng.random::<f64>() * height as f64 - 0.5,
            track_px: [tan * azimuth.cos(), tan * azimuth.sin()],
            charge_e: typical_e * loss,
        }
    }

    /// Adds its charge: no optics spread it, only a little diffusion between neighbours.
    pub fn add(&self, frame: &mut Image) {
        let length = self.track_px[0].hypot(self.track_px[1]);
        let steps = (8.0 * length).ceil().max(1.0) as usize;
        let share = self.charge_e / steps as f64;
        for k in 0..steps {
            let t = (k as f64 + 0.5) / steps as f64;
            let (x, y) = (self.x_px + t * self.track_px[0], self.y_px + t * self.track_px[1]);
            let (ix, iy) = (x.round() as isize, y.round() as isize);
            // 6 % leaks to the four neighbours.
            for (dx, dy, part) in [(0, 0, 0.94), (1, 0, 0.015), (-1, 0, 0.015), (0, 1, 0.015), (0, -1, 0.015)] {
                if let Some(i) = frame.index(ix + dx, iy + dy) {
                    frame.data[i] += (share * part) as f32;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn total(image: &Image) -> f64 {
        image.data.iter().map(|v| *v as f64).sum()
    }

    fn star(trail_px: [f64; 2], beta: f64, fwhm_px: f64, light_e: f64) -> Image {
        let kernel = Kernel { fwhm_px, elongation: 1.1, angle_rad: 0.3, beta, trail_px };
        let mut image = Image::filled(300, 300, 0.0);
        StarBrush::new(&kernel).star(&mut image, &kernel, 149.7, 150.2, light_e);
        image
    }

    #[test]
    fn a_star_keeps_its_light() {
        for (trail, beta, fwhm) in
            [([0.0, 0.0], 3.2, 2.3), ([4.0, -2.0], 3.2, 2.3), ([0.0, 0.0], 2.5, 1.5), ([9.0, 1.0], 4.0, 1.3)]
        {
            let got = total(&star(trail, beta, fwhm, 1e6));
            assert!((got / 1e6 - 1.0).abs() < 1e-3, "trail {trail:?} beta {beta} fwhm {fwhm}: {got}");
        }
    }

    #[test]
    fn a_halo_holds_its_share() {
        let halo = HaloKeys { fraction: 0.08, inner_arcsec: 5.0, outer_arcsec: 100.0 };
        for trail_px in [[0.0, 0.0], [9.0, 12.0]] {
            let kernel = Kernel { fwhm_px: 2.4, elongation: 1.0, angle_rad: 0.0, beta: 3.0, trail_px };
            let mut image = Image::filled(300, 300, 0.0);
            StarBrush::new(&kernel).halo(&mut image, &halo, (149.6, 150.3), 1e6, 1.0);
            assert!((total(&image) / 8e4 - 1.0).abs() < 2e-3, "{trail_px:?}: {}", total(&image));
        }
        // by r⁻² far out
        assert!((halo.density(40.0, 1.0) / halo.density(80.0, 1.0) - 4.0).abs() < 0.1);
    }

    #[test]
    fn a_galaxy_has_its_light_and_half_of_it_within_its_ellipse() {
        let keys = GalaxyKeys {
            mag: 12.0,
            half_light_arcsec: 20.0,
            axis_ratio: 0.5,
            axis_pa_deg: 90.0,
            distance_arcsec: 0.0,
            pa_deg: 0.0,
        };
        let mut image = Image::filled(300, 300, 0.0);
        // north up, east left, 1.2″ a pixel: the major axis runs along the rows
        galaxy(&mut image, &keys, (149.6, 150.3), [[-1.2, 0.0], [0.0, 1.2]], 1e6);
        assert!((total(&image) / 1e6 - 1.0).abs() < 5e-3, "{}", total(&image));
        let inside = |i: usize| {
            let (x, y) = ((i % 300) as f64 - 149.6, (i / 300) as f64 - 150.3);
            1.2 * x.hypot(y / 0.5) < 20.0
        };
        let half: f64 = (0..image.data.len()).filter(|i| inside(*i)).map(|i| f64::from(image.data[i])).sum();
        assert!((half / 5e5 - 1.0).abs() < 0.02, "{half}");
    }

    #[test]
    fn a_star_is_centred_on_its_place() {
        let image = star([3.0, 1.0], 3.2, 2.3, 1e6);
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for y in 100..200 {
            for x in 100..200 {
                let v = image.at(x, y) as f64;
                (sum, sx, sy) = (sum + v, sx + v * x as f64, sy + v * y as f64);
            }
        }
        assert!((sx / sum - 149.7).abs() < 2e-3 && (sy / sum - 150.2).abs() < 2e-3, "{} {}", sx / sum, sy / sum);
    }

    #[test]
    fn spikes_hold_the_light_asked_for() {
        let kernel = Kernel { fwhm_px: 2.3, elongation: 1.0, angle_rad: 0.0, beta: 3.2, trail_px: [0.0, 0.0] };
        let keys = SpikeKeys { length_arcsec: 12.0, ..SpikeKeys::default() };
        let mut image = Image::filled(400, 400, 0.0);
        StarBrush::new(&kernel).spikes(&mut image, &kernel, &keys, (200.2, 199.6), 1e5, 1.0);
        assert!((total(&image) / 1e5 - 1.0).abs() < 5e-3, "{}", total(&image));
        // Rays at 45°, nothing between.
        assert!(image.at(220, 220) > 20.0 * image.at(228, 200).max(0.01));
    }

    #[test]
    fn a_satellite_crosses_the_frame() {
        let mut image = Image::filled(64, 64, 0.0);
        let trail = Trail { x_px: 30.0, y_px: 30.0, angle_rad: 0.4, peak_e: 100.0, width_px: 3.0 };
        satellite(&mut image, &trail);
        assert!(
            (0..64).all(|x| (0..64).any(|y| image.at(x, y) > 70.0) == (30.0 + (x as f64 - 30.0) * 0.4f64.tan() < 64.0))
        );
    }

    #[test]
    fn a_cosmic_ray_leaves_its_charge() {
        let mut image = Image::filled(64, 64, 0.0);
        let ray = CosmicRay { x_px: 20.0, y_px: 20.0, track_px: [6.0, 3.0], charge_e: 500.0 };
        ray.add(&mut image);
        assert!((total(&image) - 500.0).abs() < 0.01);
        assert!(image.data.iter().filter(|v| **v > 20.0).count() >= 6);
    }
}
