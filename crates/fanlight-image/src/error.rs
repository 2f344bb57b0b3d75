//! What can go wrong when pixels are measured.

use thiserror::Error;

/// Errors of this crate.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ImageError {
    /// Two images, or an image and its mask, that must match do not.
    #[error(
        "the {what} is {other_width} x {other_height} pixels but the image is {width} x {height}; give both the same size"
    )]
    SizeMismatch {
        /// What does not match the image.
        what: &'static str,
        /// Columns of the image.
        width: usize,
        /// Rows of the image.
        height: usize,
        /// Columns of the other.
        other_width: usize,
        /// Rows of the other.
        other_height: usize,
    },
    /// A setting outside its range.
    #[error("{setting} is {value}, but must be {limit}")]
    BadSetting {
        /// Name of the setting.
        setting: &'static str,
        /// Its value.
        value: f64,
        /// The range, in words.
        limit: &'static str,
    },
    /// Nothing to measure a background from.
    #[error("no part of the {width} x {height} image has enough good pixels to measure its background")]
    NoBackground {
        /// Columns of the image.
        width: usize,
        /// Rows of the image.
        height: usize,
    },
    /// Too few good pixels around a star.
    #[error("the star at ({x_px:.1}, {y_px:.1}) has {good} good pixels in reach, and the fit needs {needed}")]
    TooFewPixels {
        /// Column of the star.
        x_px: f64,
        /// Row of the star.
        y_px: f64,
        /// Good pixels in reach.
        good: usize,
        /// Pixels that the fit needs.
        needed: usize,
    },
    /// A star fit that found no answer.
    #[error("the fit of the star at ({x_px:.1}, {y_px:.1}) found no answer: {reason}")]
    NoFit {
        /// Column of the star.
        x_px: f64,
        /// Row of the star.
        y_px: f64,
        /// Why.
        reason: &'static str,
    },
    /// No star was good enough to measure the star image from.
    #[error("{usable} of {given} stars can be used for the shape of star images, and {needed} are needed")]
    TooFewStars {
        /// Stars that passed.
        usable: usize,
        /// Stars given.
        given: usize,
        /// Fewest that do.
        needed: usize,
    },
}

impl ImageError {
    /// An error unless the other's size is the image's.
    pub(crate) fn check_size(
        what: &'static str,
        image: (usize, usize),
        other: (usize, usize),
    ) -> Result<(), ImageError> {
        if image == other {
            return Ok(());
        }
        let ((width, height), (other_width, other_height)) = (image, other);
        Err(Self::SizeMismatch { what, width, height, other_width, other_height })
    }

    /// An error unless the setting is a finite number above zero.
    pub(crate) fn check_positive(setting: &'static str, value: f64) -> Result<(), ImageError> {
        if value.is_finite() && value > 0.0 {
            return Ok(());
        }
        Err(Self::BadSetting { setting, value, limit: "a finite number above 0" })
    }
}
