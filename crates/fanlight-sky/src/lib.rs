//! Time scales, Sun, Earth, Moon and planets, orbits, sites, viewing geometry, angles and WCS.
//!
//! Frames: vectors stand on ICRS axes unless a name says otherwise. Orbit elements are turned from the ecliptic of J2000
//! to these axes by the IAU 1976 obliquity. Position angles run from celestial north through east.

pub mod airmass;
pub mod angle;
pub mod earth;
mod earth_correction;
pub mod error;
pub mod forces;
pub mod geometry;
pub mod motion;
pub mod orbit;
pub mod orbit_line;
pub mod planets;
pub mod solve;
pub mod time;
pub mod wcs;

pub use airmass::airmass;
pub use angle::{ARCSEC_PER_RAD, PositionAngle, SkyPosition, parse_sexagesimal};
pub use earth::{AU_KM, Site, earth_heliocentric_au};
pub use error::SkyError;
pub use geometry::{ViewingGeometry, comet_position, orbit_warnings, sun_warning, viewing_geometry};
pub use motion::Motion;
pub use orbit::{OrbitElements, OrbitState};
pub use orbit_line::{OneLineOrbit, parse_one_line_orbit};
pub use planets::Planet;
pub use solve::{ImageStar, LinearFit, MIN_MATCHED, SkyStar, Solution, SolveConfig, refine, solve};
pub use time::{TdbInstant, UtcInstant};
pub use wcs::{HeaderCards, PixelXy, Wcs, WcsValue};
