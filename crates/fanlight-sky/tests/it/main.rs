//! Integration tests of `fanlight-sky`.

mod geometry;
mod published;
mod wcs;
mod worst;
