//! The comet's expected light as a perfect stack would hold it.

use crate::Simulation;
use crate::coma::Part;
use crate::conditions::kernel_at;
use crate::psf::Kernel;
use crate::scene::MeanKernel;
use fanlight_image::Image;

/// Which of the comet's light is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    /// All of it.
    Whole,
    /// What one structure adds, by its index in the scenario.
    Feature(usize),
}

impl Simulation {
    /// The comet's light through the mean of the light frames' kernels, in electrons per pixel and frame (mean over the
    /// frames, behind the air), one image for each kind of light asked for.
    ///
    /// The images are square, `side_px` pixels of the camera's scale, north up (+y) and east left (−x), the nucleus at the
    /// middle, (`side_px` − 1)/2 in both. There is no sky in them and no noise, and every frame is registered without
    /// error.
    ///
    /// # Accuracy
    /// Pixels hold the brightness at their centres instead of its mean over them: within 1 % of the mean where the
    /// kernel is wider than two pixels and the place two pixels or more from the nucleus.
    ///
    /// # Panics
    /// When a structure's index is not under the scenario's number of structures, as slice indexing does.
    pub fn mean_light(&self, lights: &[Light], side_px: usize) -> Vec<Image> {
        let s = &self.scenario;
        let kernels: Vec<Kernel> =
            self.conditions.iter().map(|c| kernel_at(s, &c.comet_kernel, c.comet_px.x_px, c.comet_px.y_px)).collect();
        // the same after a turn by 180°, so the middle frame's orientation serves for both sides of a flip
        let jacobian = self.conditions[self.conditions.len() / 2].arcsec_per_px;
        let mean = MeanKernel::new(&self.plans, &kernels);
        let air = self.conditions.iter().map(|c| self.through_air(c)).sum::<f64>() / self.conditions.len() as f64;
        let per_px = air * s.exposure_s * s.camera.scale_arcsec.powi(2);
        let middle = 0.5 * (side_px as f64 - 1.0);
        lights
            .iter()
            .map(|light| {
                let part = match light {
                    Light::Whole => Part::Whole,
                    Light::Feature(i) => Part::Feature(*i),
                };
                let seen = mean.see(&self.coma, part, jacobian);
                let mut image = Image::filled(side_px, side_px, 0.0);
                for (i, value) in image.data.iter_mut().enumerate() {
                    let (x, y) = ((i % side_px) as f64 - middle, (i / side_px) as f64 - middle);
                    *value = (per_px * seen.surface(-x * s.camera.scale_arcsec, y * s.camera.scale_arcsec)) as f32;
                }
                image
            })
            .collect()
    }

    /// Variance of what a pixel without the comet's light holds, in square electrons per frame (mean over the light
    /// frames): sky, dark charge, read and row noise, digitisation.
    pub fn background_variance_e2(&self) -> f64 {
        let s = &self.scenario;
        let c = &s.camera;
        let sky = self.conditions.iter().map(|k| k.sky_e_per_s_arcsec2).sum::<f64>() / self.conditions.len() as f64;
        sky * s.exposure_s * c.scale_arcsec.powi(2)
            + c.dark_e_per_s * s.exposure_s
            + c.read_noise_e.powi(2)
            + c.row_noise_e.powi(2)
            + c.gain_e_per_adu.powi(2) / 12.0
    }
}
