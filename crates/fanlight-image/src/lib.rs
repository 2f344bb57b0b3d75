//! Images and masks, robust statistics, background, detection, PSF, resampling, combination and apertures.
//!
//! Pixel convention everywhere: 0-based, integers at pixel centres, `x` along a row (FITS axis 1), `y` along
//! columns (FITS axis 2), pixel `(x, y)` stored at `data[y * width + x]`.

pub mod pixels;

pub use pixels::{Image, Mask, Measured, PixelBox, flag};
