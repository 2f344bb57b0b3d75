//! Simulated frames of a comet with known truth.
//!
//! A [`Scenario`] (a TOML file) says what is in the night; a [`Simulation`] makes its frames one by one, in any order
//! and on any thread, together with a campaign file, a star catalogue and the truth. The model of coma and point images
//! is this crate's own: nothing that measures a frame shares code with what made it.

mod campaign;
mod coma;
mod conditions;
mod demo;
mod detector;
mod error;
mod fourier;
mod header;
mod mean_light;
mod paint;
mod photometry;
mod psf;
mod quadrature;
mod random;
pub mod scenario;
mod scene;
mod simulation;
mod starfield;
mod truth;

pub use demo::demo_scenarios;
pub use error::SimError;
pub use header::CardValue;
pub use mean_light::Light;
pub use scenario::Scenario;
pub use simulation::{SimulatedFrame, Simulation};
