//! The optocentre of the comet-registered stack, with its error.

use crate::ComaError;
use crate::register::{self, CentroidConfig};
use fanlight_image::{Image, Mask};

/// The brightest point of the coma as the stack shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Optocentre {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Covariance `[xx, yy, xy]`, px²: photon noise and the scatter between sub-stacks.
    pub covariance_px2: [f64; 3],
}

impl Optocentre {
    /// Error per axis: the root of the mean of the two variances.
    pub fn sigma_px(&self) -> f64 {
        (0.5 * (self.covariance_px2[0] + self.covariance_px2[1])).sqrt()
    }
}

/// Finds the optocentre of the stack; the sub-stacks give the part of its error that is not photon noise.
///
/// # Errors
/// When nothing stands over its surroundings near the first guess.
pub fn optocentre(
    stack: &Image,
    variance: &Image,
    mask: &Mask,
    substacks: &[Image],
    config: CentroidConfig,
) -> Result<Optocentre, ComaError> {
    let place = register::centroid(stack, variance, mask, config)?;
    let start = CentroidConfig { x_px: place.x_px, y_px: place.y_px, ..config };
    let scaled = Image {
        data: variance.data.iter().map(|v| v * substacks.len().max(1) as f32).collect(),
        width: variance.width,
        height: variance.height,
    };
    let parts: Vec<(f64, f64)> = substacks
        .iter()
        .filter_map(|s| register::centroid(s, &scaled, mask, start).ok())
        .map(|p| (p.x_px - place.x_px, p.y_px - place.y_px))
        .collect();
    let photon = [place.x_sigma_px.powi(2), place.y_sigma_px.powi(2), 0.0];
    let n = parts.len() as f64;
    let covariance_px2 = if parts.len() < 3 {
        photon
    } else {
        let mean = (parts.iter().map(|p| p.0).sum::<f64>() / n, parts.iter().map(|p| p.1).sum::<f64>() / n);
        let moment = |f: &dyn Fn(&(f64, f64)) -> f64| parts.iter().map(f).sum::<f64>() / (n * (n - 1.0));
        let xx = moment(&|p| (p.0 - mean.0).powi(2));
        let yy = moment(&|p| (p.1 - mean.1).powi(2));
        let xy = moment(&|p| (p.0 - mean.0) * (p.1 - mean.1));
        // a handful of sub-stacks gives a noisy scatter: never less than photon noise allows
        if xx + yy < photon[0] + photon[1] { photon } else { [xx, yy, xy] }
    };
    Ok(Optocentre { x_px: place.x_px, y_px: place.y_px, covariance_px2 })
}
