//! Integration tests of `fanlight-sky`.

mod earth;
mod geometry;
mod kepler;
mod observer;
mod perturbed;
mod planets;
mod published;
mod robustness;
mod solve;
mod star_field;
mod wcs;
mod worst;
