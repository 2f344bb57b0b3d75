//! Everything that is drawn of several nights together.

mod montage;
mod rows;
mod same_scale;

pub use montage::montage;
pub use same_scale::{Montage, MontageNight, Shows, SkyOrientation, af_per_e_per_s_arcsec2};
