//! Integration tests of `fanlight-image`.

mod aperture;
mod combine;
mod common;
mod cosmic;
mod field;
mod moffat;
mod resample;
mod simulate;
mod smooth;
