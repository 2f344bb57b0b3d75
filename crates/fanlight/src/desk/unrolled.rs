//! The coma by position angle and distance.

use super::answer::Refusal;
use super::enhanced::{Shown, Wish, in_window};
use super::layers::px_per_arcsec;
use super::pyramid::Pyramid;
use super::state::DeskNight;
use fanlight_coma::stack;
use fanlight_image::{Image, PixelBox, polar};
use rayon::prelude::*;

/// What is asked for.
pub struct Map {
    /// Innermost distance.
    pub inner_arcsec: f64,
    /// Outermost distance.
    pub outer_arcsec: f64,
    /// Directions.
    pub n_pa: usize,
    /// Distances.
    pub n_rho: usize,
    /// By equal ratios instead of by equal steps.
    pub log_rho: bool,
}

impl Map {
    /// Refuses what is no map.
    ///
    /// # Errors
    /// Distances that do not ascend, too few or too many directions or distances.
    pub fn check(&self) -> Result<(), Refusal> {
        let least = if self.log_rho { f64::MIN_POSITIVE } else { 0.0 };
        let ascends = self.inner_arcsec >= least && self.outer_arcsec > self.inner_arcsec && self.outer_arcsec < 1e6;
        if !ascends {
            return Err(Refusal::call(
                "inner_arcsec and outer_arcsec must be distances that ascend; the inner one above 0 for equal ratios",
            ));
        }
        match (8..=2048).contains(&self.n_pa) && (2..=1024).contains(&self.n_rho) {
            true => Ok(()),
            false => Err(Refusal::call("n_pa must be 8 to 2048, n_rho 2 to 1024")),
        }
    }

    /// The coarsest level on which neighbouring distances still are a pixel apart.
    pub fn level(&self, night: &DeskNight) -> usize {
        let stack = &night.record.stack;
        let step_px = (self.outer_arcsec - self.inner_arcsec) / night.scale_arcsec() / self.n_rho as f64;
        let levels = Pyramid::sizes(stack.width_px, stack.height_px).len();
        if self.log_rho { 0 } else { (step_px.log2().floor().max(0.0) as usize).min(levels - 1) }
    }

    fn rho_arcsec(&self, row: usize) -> f64 {
        let share = (row as f64 + 0.5) / self.n_rho as f64;
        match self.log_rho {
            true => self.inner_arcsec * (self.outer_arcsec / self.inner_arcsec).powf(share),
            false => self.inner_arcsec + share * (self.outer_arcsec - self.inner_arcsec),
        }
    }
}

/// The map: column i at position angle 360°·(i + ½)/n, row j at its distance, bilinear; NaN outside the image.
///
/// # Errors
/// As of the enhancement.
pub fn of(wish: &Wish, map: &Map) -> Result<Shown, Refusal> {
    let grid = &wish.night.record.stack;
    let reach_px = map.outer_arcsec / wish.night.scale_arcsec() * 1.05 + 2.0;
    let window = PixelBox::around(wish.centre.x_px, wish.centre.y_px, reach_px, grid.width_px, grid.height_px)
        .ok_or_else(|| Refusal::impossible("the nucleus is outside the image"))?;
    let shown = in_window(wish, window)?;
    let from_arcsec = px_per_arcsec(grid.arcsec_per_px)?;
    let factor = 0.5_f64.powi(shown.level as i32);
    let (cx, cy) = (
        (wish.centre.x_px + 0.5) * factor - 0.5 - shown.first.0 as f64,
        (wish.centre.y_px + 0.5) * factor - 0.5 - shown.first.1 as f64,
    );
    let unroll = |image: &Image| {
        let mut out = Image::filled(map.n_pa, map.n_rho, f32::NAN);
        out.data.par_chunks_mut(map.n_pa).enumerate().for_each(|(row, values)| {
            let rho = map.rho_arcsec(row);
            for (i, value) in values.iter_mut().enumerate() {
                let (sin, cos) = (std::f64::consts::TAU * (i as f64 + 0.5) / map.n_pa as f64).sin_cos();
                let (dx, dy) = stack::apply(from_arcsec, (rho * sin, rho * cos));
                if let Some(v) = polar::sample_bilinear(image, cx + factor * dx, cy + factor * dy) {
                    *value = v;
                }
            }
        });
        out
    };
    let (image, twin) = rayon::join(|| unroll(&shown.image), || shown.twin.as_ref().map(unroll));
    Ok(Shown { image, twin, ..shown })
}
