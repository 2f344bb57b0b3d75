//! Star fields for the tests, by dense sub-sampling: shares no code with the profile under test.

use fanlight_image::Image;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// A Moffat star, or one trailed along a straight line.
#[derive(Clone, Copy)]
pub struct TrueStar {
    pub x_px: f64,
    pub y_px: f64,
    pub flux: f64,
    pub fwhm_major_px: f64,
    pub fwhm_minor_px: f64,
    /// From +x toward +y.
    pub angle_rad: f64,
    pub beta: f64,
    /// A uniform trail from end to end.
    pub trail_px: (f64, f64),
}

pub fn round_star(x_px: f64, y_px: f64, flux: f64, fwhm_px: f64, beta: f64) -> TrueStar {
    TrueStar {
        x_px,
        y_px,
        flux,
        fwhm_major_px: fwhm_px,
        fwhm_minor_px: fwhm_px,
        angle_rad: 0.0,
        beta,
        trail_px: (0.0, 0.0),
    }
}

impl TrueStar {
    /// Light per square pixel at a place, along and across rotated axes.
    pub fn intensity(&self, x: f64, y: f64) -> f64 {
        let per_fwhm = 2.0 * (2f64.powf(1.0 / self.beta) - 1.0).sqrt();
        let (a, b) = (self.fwhm_major_px / per_fwhm, self.fwhm_minor_px / per_fwhm);
        let (sin, cos) = self.angle_rad.sin_cos();
        let moffat = |dx: f64, dy: f64| {
            let (along, across) = (dx * cos + dy * sin, dy * cos - dx * sin);
            (1.0 + (along / a).powi(2) + (across / b).powi(2)).powf(-self.beta)
        };
        let (tx, ty) = self.trail_px;
        // midpoints: eight a width, the error of the rule falls with the square of the step
        let steps = if tx.hypot(ty) > 0.0 { 15.max((8.0 * tx.hypot(ty) / self.fwhm_minor_px) as i32) } else { 1 };
        let share = |i: i32| (f64::from(i) + 0.5) / f64::from(steps) - 0.5;
        let at = |i: i32| moffat(x - self.x_px - share(i) * tx, y - self.y_px - share(i) * ty);
        let mean = (0..steps).map(at).sum::<f64>() / f64::from(steps);
        self.flux * mean * (self.beta - 1.0) / (std::f64::consts::PI * a * b)
    }

    /// Adds the star to an image: 15 × 15 points in pixels of the core, 5 × 5 outside.
    pub fn add_to(&self, image: &mut Image, reach_px: f64) {
        for y in 0..image.height {
            for x in 0..image.width {
                let r = (x as f64 - self.x_px).hypot(y as f64 - self.y_px);
                if r > reach_px {
                    continue;
                }
                let n = if r < 4.0 { 15 } else { 5 };
                let at = |i: usize| (i as f64 + 0.5) / n as f64 - 0.5;
                let points = (0..n * n).map(|k| self.intensity(x as f64 + at(k % n), y as f64 + at(k / n)));
                image.data[y * image.width + x] += (points.sum::<f64>() / (n * n) as f64) as f32;
            }
        }
    }
}

/// Adds normal noise of variance `sky_variance` plus the light in each pixel.
pub fn add_noise(image: &mut Image, sky_variance: f64, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let unit = Normal::new(0.0, 1.0).unwrap();
    for v in &mut image.data {
        let sigma = (sky_variance + f64::from(*v)).max(0.0).sqrt();
        *v += (sigma * unit.sample(&mut random)) as f32;
    }
}

/// Stars on a square grid of `step` px with centres spread over the pixel.
pub fn grid_of_stars(n_side: usize, step: usize, star: TrueStar) -> (Image, Vec<(f64, f64)>) {
    let mut image = Image::filled(n_side * step, n_side * step, 0.0);
    let mut centres = Vec::new();
    for j in 0..n_side {
        for i in 0..n_side {
            let k = (j * n_side + i) as f64;
            let place = |c: usize, golden: f64| (c as f64 + 0.5) * step as f64 + (k * golden).fract() - 0.5;
            let (x_px, y_px) = (place(i, 0.618_034), place(j, 0.754_878));
            let mut cut = Image::filled(step, step, 0.0);
            let local = TrueStar { x_px: x_px - (i * step) as f64, y_px: y_px - (j * step) as f64, ..star };
            local.add_to(&mut cut, 2.0 * step as f64);
            for (row, line) in cut.data.chunks(step).enumerate() {
                let start = (j * step + row) * image.width + i * step;
                image.data[start..start + step].copy_from_slice(line);
            }
            centres.push((x_px, y_px));
        }
    }
    (image, centres)
}
