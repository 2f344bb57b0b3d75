//! Integration tests of `fanlight-sky`.

mod geometry;
mod kepler;
mod observer;
mod published;
mod robustness;
mod wcs;
mod worst;
