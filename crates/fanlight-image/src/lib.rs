//! Images and masks, robust statistics, background, detection, PSF, resampling, combination and apertures.
//!
//! Pixel convention everywhere: 0-based, integers at pixel centres, `x` along a row (FITS axis 1), `y` along
//! columns (FITS axis 2), pixel `(x, y)` stored at `data[y * width + x]`.

pub mod aperture;
pub mod background;
pub mod combine;
pub mod contour;
pub mod cosmic;
pub mod detect;
mod error;
pub mod moffat;
pub mod pixels;
pub mod polar;
pub mod resample;
pub mod robust;
pub mod sector;
pub mod smooth;
pub mod tracks;
pub mod trails;
mod wide;

pub use error::ImageError;
pub use pixels::{Image, Mask, Measured, PixelBox, flag, pixels_within};
pub use wide::wide;
