//! Everything that is drawn of several nights together.

mod activity;
mod marks;
mod montage;
mod rows;
mod same_scale;
mod tracks;

pub use montage::montage;
pub use same_scale::{Montage, MontageNight, Shows, SkyOrientation, af_per_e_per_s_arcsec2};
