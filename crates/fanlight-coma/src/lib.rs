//! From calibrated frames to the comet-registered stack, profile, photometry and Afρ.
//!
//! A night flows one way: [`readout`] takes pixels of the sky from what a camera stores; [`calibrate`] makes masters and calibrated frames; [`measure`] finds what a frame says of
//! itself (sky, stars, seeing); [`zero_point`] ties its brightness to the catalogue;
//! [`register`] places the comet in it; [`stars`] takes the stars out; [`weight`] says how much each frame counts and
//! [`double_images`] where the mount jumped; [`stack`] combines the frames; [`drift`], [`kernel`],
//! [`optocentre`], [`profile`], [`passing`], [`photometry`] and [`afrho`] measure the stack; [`enhance`] draws it. [`season`] puts what several nights measured together.
//! Nothing here opens a file or prints.

pub mod afrho;
pub mod band_transforms;
pub mod bands;
pub mod calibrate;
pub mod change;
pub mod colour;
pub mod cusp;
pub mod double_images;
pub mod drift;
pub mod dust_production;
pub mod enhance;
pub mod error;
pub mod evidence;
pub mod extinction;
mod fill;
pub mod gain;
pub mod gas;
pub mod kernel;
pub mod lines;
pub mod measure;
pub mod optocentre;
pub mod passing;
pub mod phase_function;
pub mod photometry;
pub mod profile;
pub mod profile_shape;
pub mod readout;
#[cfg(test)]
mod reference_passbands;
pub mod register;
pub mod season;
pub mod seeing_loss;
pub mod solar;
pub mod stack;
mod star_or_coma;
pub mod stars;
mod stars_by_place;
pub mod total_light;
pub mod weight;
pub mod wings;
pub mod zero_point;
pub mod zero_point_regions;

pub use error::ComaError;
