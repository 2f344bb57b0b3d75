//! Figures of the coma's structure: the night beside its featureless twin, both unrolled, and profiles along rings.
//!
//! What both show is the instrument; what only the night shows is the comet. So night and twin have one scale, one
//! stretch and equal weight, and a feature is drawn only with its verdict.

mod azimuthal;
mod marks;
mod tonight;
mod twin_figure;
mod unrolled;

pub use tonight::tonight_panel;

use crate::sky::SkyPicture;
use crate::{Figure, NightPictures, PresentError};
use fanlight_image::{Image, Mask};
use fanlight_record::NightRecord;

/// What the analysis of structure draws beside the night; all images on the stack's grid.
#[derive(Debug, Clone, Copy)]
pub struct StructurePictures<'a> {
    /// The featureless twin, without noise: sky-subtracted brightness, e⁻/s per pixel, known everywhere.
    pub twin: &'a Image,
    /// The twin with one draw of the night's noise.
    pub twin_realisation: &'a Image,
    /// The rotational gradient of `twin_realisation`, made as that of the night.
    pub twin_gradient: &'a Image,
    /// Variance of the night's stack per pixel, (e⁻/s)².
    pub variance: &'a Image,
    /// Pixels that share one independent value: the mean of n pixels of variance v has the variance v · this / n. At least 1;
    /// resampling and leftover stars raise it.
    pub independent_area_px: f64,
}

impl StructurePictures<'_> {
    /// Refuses images that do not share the night's grid.
    pub(crate) fn check(&self, light: &SkyPicture) -> Result<(), PresentError> {
        let images = [
            ("the twin", self.twin),
            ("the twin with noise", self.twin_realisation),
            ("the twin's rotational gradient", self.twin_gradient),
            ("the variance", self.variance),
        ];
        let (expected_width, expected_height) = (light.image.width, light.image.height);
        match images.into_iter().find(|(_, i)| (i.width, i.height) != (expected_width, expected_height)) {
            Some((what, i)) => {
                let (width, height) = (i.width, i.height);
                Err(PresentError::GridMismatch { what, width, height, expected_width, expected_height })
            }
            None => Ok(()),
        }
    }
}

/// The figures `twin`, `unrolled` and `azimuthal`; the last two only where the area searched is known. None where
/// structure was not analysed.
pub(crate) fn structure_figures(night: &NightRecord, pictures: &NightPictures) -> Result<Vec<Figure>, PresentError> {
    let Some(structure) = &pictures.structure else { return Ok(Vec::new()) };
    let light = &pictures.light;
    light.check()?;
    let (twin, (unrolled, azimuthal)) = rayon::join(
        || twin_figure::twin(night, pictures, structure),
        || {
            rayon::join(
                || unrolled::unrolled(night, light, structure),
                || azimuthal::azimuthal(night, light, structure),
            )
        },
    );
    Ok([Some(twin?), unrolled?, azimuthal].into_iter().flatten().collect())
}

/// Inner and outer radius of the area that was searched, or else that the twin was held against the night in.
fn area_arcsec(night: &NightRecord) -> Option<(f64, f64)> {
    let morphology = &night.morphology;
    let searched = morphology.search.as_ref().map(|s| (s.inner_arcsec, s.outer_arcsec));
    let area = searched.or_else(|| morphology.twin.as_ref().map(|t| (t.inner_arcsec, t.outer_arcsec)));
    area.filter(|(inner, outer)| *inner > 0.0 && outer.is_finite() && *outer > 1.05 * inner)
}

/// Width of the kernel, or two and a half pixels where it is not known.
fn kernel_fwhm_arcsec(night: &NightRecord, light: &SkyPicture) -> f64 {
    let fwhm = night.morphology.psf.as_ref().map(|p| p.fwhm_arcsec).filter(|f| f.is_finite() && *f > 0.0);
    fwhm.unwrap_or(2.5 * light.pixel_area_arcsec2().sqrt())
}

/// The twin's azimuthal mean, which night and twin are divided by: linear between radii, about the comet.
struct TwinMean {
    rho_arcsec: Vec<f64>,
    mean: Vec<f64>,
}

impl TwinMean {
    /// Steps in radius, as a factor; directions that are averaged.
    const STEP: f64 = 1.02;
    const DIRECTIONS: usize = 180;

    fn new(light: &SkyPicture, twin: &Image, (inner, outer): (f64, f64)) -> Self {
        let steps = ((outer / inner).ln() / Self::STEP.ln()).ceil() as i32;
        let radii: Vec<f64> = (-1..=steps + 1).map(|k| inner * Self::STEP.powi(k)).collect();
        let mask = Mask::clear(twin.width, twin.height);
        let polar = crate::sky::unrolled(&light.with_image(twin, &mask), Self::DIRECTIONS, &radii);
        let rows = polar.data.chunks(Self::DIRECTIONS).zip(radii);
        let (rho_arcsec, mean) = rows
            .filter_map(|(row, rho)| {
                let known = row.iter().filter(|v| v.is_finite());
                let (sum, n) = known.fold((0.0, 0usize), |(s, n), v| (s + f64::from(*v), n + 1));
                let mean = sum / n as f64;
                (n > Self::DIRECTIONS / 2 && mean > 0.0).then_some((rho, mean))
            })
            .unzip();
        Self { rho_arcsec, mean }
    }

    /// `None` outside the radii for which the twin is known and bright.
    fn at(&self, rho_arcsec: f64) -> Option<f64> {
        let above = self.rho_arcsec.partition_point(|r| *r <= rho_arcsec);
        if above == 0 || above == self.rho_arcsec.len() {
            return None;
        }
        let (r0, r1) = (self.rho_arcsec[above - 1], self.rho_arcsec[above]);
        let u = (rho_arcsec - r0) / (r1 - r0);
        Some(self.mean[above - 1] + u * (self.mean[above] - self.mean[above - 1]))
    }
}
