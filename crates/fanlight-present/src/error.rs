//! What can go wrong while drawing.

use thiserror::Error;

/// Why a picture could not be drawn.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PresentError {
    /// Image, mask and enhanced picture do not share one grid.
    #[error("{what} has {width} × {height} pixels, the stack {expected_width} × {expected_height}: both need one grid")]
    GridMismatch {
        /// What has the other size.
        what: &'static str,
        /// Its columns.
        width: usize,
        /// Its rows.
        height: usize,
        /// Columns of the stack.
        expected_width: usize,
        /// Rows of the stack.
        expected_height: usize,
    },
    /// The image holds no pixel.
    #[error("the stack has no pixels: nothing can be drawn of it")]
    NoPixels,
    /// The comet's place in the stack is not a pair of numbers.
    #[error("the comet's place in the stack, ({x_px}, {y_px}) px, is not finite")]
    BadCentre {
        /// Column.
        x_px: f64,
        /// Row.
        y_px: f64,
    },
    /// The scale matrix cannot be inverted.
    #[error("the scale matrix has determinant {determinant_arcsec2} arcsec² per pixel: it must be finite and not 0")]
    BadScale {
        /// Its determinant.
        determinant_arcsec2: f64,
    },
    /// The resolution asked for is out of range.
    #[error("{pixels_per_inch} pixels per inch asked for: between {least} and {most} is possible")]
    BadResolution {
        /// What was asked.
        pixels_per_inch: f64,
        /// The least possible.
        least: f64,
        /// The most possible.
        most: f64,
    },
    /// An animation faster than eyes that are sensitive to flashes bear, or too slow for the formats.
    #[error(
        "{frames_per_second} frames per second asked for: between {least} and {most} is possible, so that nothing flashes \
         more than {most} times a second"
    )]
    BadRate {
        /// What was asked.
        frames_per_second: f64,
        /// The least possible.
        least: f64,
        /// The most possible.
        most: f64,
    },
    /// No night of the season has a picture.
    #[error("no night has a picture: there is nothing to animate")]
    NothingToAnimate,
    /// The animation could not be written.
    #[error("the animation could not be written as gif: {reason}")]
    Gif {
        /// What the encoder says.
        reason: String,
    },
    /// The SVG could not be read.
    #[error("the figure is no valid svg: {reason}")]
    BadSvg {
        /// What the parser says.
        reason: String,
    },
    /// The raster could not be written.
    #[error("the raster could not be written as png: {reason}")]
    Png {
        /// What the encoder says.
        reason: String,
    },
}
