//! The detector: what its pixels make of the light, and how charge becomes counts.

use crate::random::{Stream, counted, normal, stream};
use crate::scenario::{CameraKeys, Scenario};
use fanlight_image::Image;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// A detector with its lasting faults.
pub(crate) struct Detector {
    /// Relative sensitivity of every pixel, dust and vignetting included; its median is 1.
    pub response: Image,
    /// Pixels with a dark rate of their own: index and e⁻/s.
    pub hot_pixels: Vec<(usize, f64)>,
    /// Columns of poor sensitivity and the sensitivity left.
    pub bad_columns: Vec<(usize, f64)>,
    /// Shadows of dust.
    pub dust_rings: Vec<DustRing>,
    row_bias_adu: Vec<f64>,
    flat_error: [f64; 5],
    camera: CameraKeys,
}

/// The out-of-focus shadow of a dust grain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DustRing {
    /// Column of its middle.
    pub x_px: f64,
    /// Row of its middle.
    pub y_px: f64,
    /// Outer radius; the inner is 0.4 of it.
    pub radius_px: f64,
    /// Light lost in the ring.
    pub depth_fraction: f64,
}

impl Detector {
    /// Draws the faults of a scenario's camera.
    pub fn new(s: &Scenario) -> Self {
        let c = &s.camera;
        let (w, h) = (c.width_px, c.height_px);
        let mut rng = stream(s.seed, Stream::Detector, 0);
        let dust_rings: Vec<DustRing> = (0..c.dust_rings)
            .map(|_| DustRing {
                x_px: rng.random::<f64>() * w as f64,
                y_px: rng.random::<f64>() * h as f64,
                radius_px: 8.0 + 22.0 * rng.random::<f64>(),
                depth_fraction: c.dust_depth_fraction * (0.3 + 0.7 * rng.random::<f64>()),
            })
            .collect();
        let bad_columns = (0..c.bad_columns)
            .map(|_| ((rng.random::<f64>() * w as f64) as usize, 0.3 + 0.5 * rng.random::<f64>()))
            .collect();
        let row_bias_adu = (0..h).map(|_| c.bias_row_adu * normal(&mut rng)).collect();
        let n_hot = (c.hot_pixel_fraction * (w * h) as f64).round() as usize;
        let mut hot_pixels: Vec<(usize, f64)> = (0..n_hot)
            .map(|_| {
                let index = (rng.random::<f64>() * (w * h) as f64) as usize;
                // Exponential: many warm ones, few very hot.
                (index, -c.hot_pixel_e_per_s * (1.0 - rng.random::<f64>()).ln())
            })
            .collect();
        hot_pixels.sort_by_key(|p| p.0);
        hot_pixels.dedup_by_key(|p| p.0);
        let mut weights = [(); 5].map(|_| normal(&mut rng));
        let norm = weights.iter().map(|v| v * v).sum::<f64>().sqrt().max(1e-9);
        weights.iter_mut().for_each(|v| *v *= c.flat_error_fraction / norm);
        let mut detector = Self {
            response: Image::filled(w, h, 1.0),
            hot_pixels,
            bad_columns,
            dust_rings,
            row_bias_adu,
            flat_error: weights,
            camera: c.clone(),
        };
        detector.fill_response(&mut rng);
        detector
    }

    fn fill_response(&mut self, rng: &mut ChaCha8Rng) {
        let c = &self.camera;
        let (w, h) = (c.width_px, c.height_px);
        for y in 0..h {
            for x in 0..w {
                let (u, v) = self.unit(x, y);
                let r2 = 0.5 * (u * u + v * v);
                let light = 1.0 - c.vignetting_fraction * r2 * (0.6 + 0.4 * r2);
                let pixel = 1.0 + c.pixel_response_fraction * normal(rng);
                self.response.data[y * w + x] = (light * pixel).max(0.01) as f32;
            }
        }
        for ring in &self.dust_rings {
            let reach = ring.radius_px + 3.0;
            let Some(area) = fanlight_image::PixelBox::around(ring.x_px, ring.y_px, reach, w, h) else { continue };
            for y in area.y0..area.y1 {
                for x in area.x0..area.x1 {
                    let rho = (x as f64 - ring.x_px).hypot(y as f64 - ring.y_px);
                    // Soft edges, about two pixels wide.
                    let edge = |r: f64| 1.0 / (1.0 + (-(rho - r) * 1.5).exp());
                    let shadow = edge(0.4 * ring.radius_px) * (1.0 - edge(ring.radius_px));
                    self.response.data[y * w + x] *= (1.0 - ring.depth_fraction * shadow) as f32;
                }
            }
        }
        for (column, left) in &self.bad_columns {
            for y in 0..h {
                self.response.data[y * w + column] *= *left as f32;
            }
        }
        let mut sorted = self.response.data.clone();
        let middle = sorted.len() / 2;
        let (_, median, _) = sorted.select_nth_unstable_by(middle, f32::total_cmp);
        let median = *median;
        self.response.data.iter_mut().for_each(|v| *v /= median);
    }

    fn unit(&self, x: usize, y: usize) -> (f64, f64) {
        let (w, h) = (self.camera.width_px as f64, self.camera.height_px as f64);
        (2.0 * (x as f64 + 0.5) / w - 1.0, 2.0 * (y as f64 + 0.5) / h - 1.0)
    }

    /// What a flat's light is multiplied with: the lamp or sky that lit it was not even.
    pub fn flat_light(&self, x: usize, y: usize) -> f64 {
        let (u, v) = self.unit(x, y);
        // Orthonormal over the frame, so that the weights' root sum of squares is the rms.
        let p2 = |t: f64| 5f64.sqrt() * 0.5 * (3.0 * t * t - 1.0);
        let terms = [3f64.sqrt() * u, 3f64.sqrt() * v, 3.0 * u * v, p2(u), p2(v)];
        1.0 + terms.iter().zip(&self.flat_error).map(|(t, w)| t * w).sum::<f64>()
    }

    /// Turns expected light into counts. `light_e` holds the electrons that photons free in each pixel, response
    /// included; dark charge, hot pixels, noise, spilling, saturation and digitisation follow here.
    pub fn expose(&self, mut light_e: Image, seconds: f64, rng: &mut ChaCha8Rng) -> Vec<u16> {
        let c = &self.camera;
        let w = c.width_px;
        for (index, rate) in &self.hot_pixels {
            light_e.data[*index] += (rate * seconds) as f32;
        }
        let dark = c.dark_e_per_s * seconds;
        for y in 0..c.height_px {
            let row_e = c.row_noise_e * normal(rng);
            for value in &mut light_e.data[y * w..(y + 1) * w] {
                *value = (counted(rng, *value as f64 + dark, c.read_noise_e) + row_e) as f32;
            }
        }
        if c.bleeding {
            spill(&mut light_e, c.full_well_e as f32);
        }
        let full = c.full_well_e as f32;
        let per_e = 1.0 / c.gain_e_per_adu;
        let mut counts = Vec::with_capacity(light_e.data.len());
        for (row, bias) in light_e.data.chunks_exact(w).zip(&self.row_bias_adu) {
            let level = c.bias_adu + bias;
            // A cast of a float to u16 saturates at 0 and 65535, as a converter does.
            counts.extend(row.iter().map(|e| (e.min(full) as f64 * per_e + level).round() as u16));
        }
        counts
    }
}

/// Charge over the full well runs off along the column, half each way.
fn spill(image: &mut Image, full_well_e: f32) {
    let (w, h) = (image.width, image.height);
    for x in 0..w {
        let excess: Vec<f32> = (0..h).map(|y| (image.data[y * w + x] - full_well_e).max(0.0)).collect();
        if excess.iter().all(|e| *e == 0.0) {
            continue;
        }
        let mut pour = |rows: &mut dyn Iterator<Item = usize>| {
            let mut carried = 0.0f32;
            for y in rows {
                let pixel = &mut image.data[y * w + x];
                if excess[y] > 0.0 {
                    carried += 0.5 * excess[y];
                    *pixel -= 0.5 * excess[y];
                    continue;
                }
                let room = (full_well_e - *pixel).max(0.0).min(carried);
                *pixel += room;
                carried -= room;
            }
        };
        pour(&mut (0..h));
        pour(&mut (0..h).rev());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scenario() -> Scenario {
        let mut s = Scenario::default();
        (s.camera.width_px, s.camera.height_px) = (200, 160);
        s
    }

    #[test]
    fn response_has_median_one_and_its_faults() {
        let mut s = scenario();
        s.camera.vignetting_fraction = 0.2;
        let d = Detector::new(&s);
        let mut sorted = d.response.data.clone();
        sorted.sort_by(f32::total_cmp);
        assert!((sorted[sorted.len() / 2] - 1.0).abs() < 1e-6);
        let (column, left) = d.bad_columns[0];
        let neighbour = if column == 0 { 1 } else { column - 1 };
        let mean = |x: usize| (0..160).map(|y| d.response.at(x, y) as f64).sum::<f64>() / 160.0;
        assert!((mean(column) / mean(neighbour) - left).abs() < 0.02);
        let centre = d.response.at(100, 80) as f64;
        assert!((d.response.at(1, 1) as f64 / centre - 0.8).abs() < 0.04);
    }

    #[test]
    fn flat_error_has_the_rms_asked_for() {
        let mut s = scenario();
        s.camera.flat_error_fraction = 0.01;
        let d = Detector::new(&s);
        let n = 200 * 160;
        let rms = ((0..n).map(|i| (d.flat_light(i % 200, i / 200) - 1.0).powi(2)).sum::<f64>() / n as f64).sqrt();
        assert!((rms / 0.01 - 1.0).abs() < 0.01, "{rms}");
    }

    #[test]
    fn spilled_charge_is_kept() {
        let mut image = Image::filled(3, 41, 10.0);
        image.data[20 * 3 + 1] = 5010.0;
        let before: f32 = image.data.iter().sum();
        spill(&mut image, 1000.0);
        let after: f32 = image.data.iter().sum();
        assert!((before - after).abs() < 0.5, "{before} {after}");
        assert_eq!(image.at(1, 20), 1000.0);
        assert_eq!((image.at(1, 19), image.at(1, 21)), (1000.0, 1000.0));
        assert_eq!(image.at(0, 20), 10.0);
    }

    #[test]
    fn counts_saturate() {
        let s = scenario();
        let d = Detector::new(&s);
        let bright = Image::filled(200, 160, 1e6);
        let counts = d.expose(bright, 1.0, &mut stream(1, Stream::Noise, 0));
        let want = s.camera.saturation_adu();
        assert!(counts.iter().all(|v| (*v as f64 - want).abs() < 6.0 * s.camera.bias_row_adu + 1.0));
    }
}
