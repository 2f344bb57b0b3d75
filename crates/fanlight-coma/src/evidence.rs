//! Whether a structure in the coma is real.

pub mod artefacts;
pub mod azimuthal_profile;
pub mod bank;
pub mod bright_stars;
pub mod challenge;
pub mod chance;
pub mod coma_model;
pub mod condensations;
pub mod feature_fit;
pub mod gradient;
pub mod imaging;
pub mod leftovers;
pub mod limits;
pub mod mode_space;
pub mod night_model;
pub mod nuisance;
pub mod own_sector;
pub mod report;
pub mod round_blur;
pub mod search;
pub mod shapes;
pub mod twin_image;
pub mod verdict;
