//! Several nights together: activity laws, outbursts, comparison with other comets, tracks of features, rotation, expansion.
//!
//! Nothing here looks at an image. Every function takes numbers that nights have measured, one row a night or a feature,
//! and gives numbers with errors, or a [`SeasonError`] that says why the data do not allow one. Random streams are passed
//! in. Times are UTC in days from any one epoch (a Julian date, or days since the first night). The rules, their sources
//! and their measured rates: `docs/methods/season.md`.

pub mod chance;
pub mod comparison;
pub mod direction_models;
pub mod error;
pub mod expansion;
pub mod outburst;
pub mod periodogram;
pub mod power_law;
pub mod reference_comets;
pub mod scatter_fit;
pub mod series;
pub mod tracks;

mod assignment;
mod direction_evidence;
mod direction_rotation;
mod step_search;

pub use error::SeasonError;

/// Which side of perihelion a night is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Side {
    /// Before perihelion.
    Pre,
    /// After perihelion.
    Post,
}
