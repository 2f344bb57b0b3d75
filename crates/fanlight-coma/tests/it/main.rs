//! Integration tests of `fanlight-coma`.

mod enhance;
mod masked_stars;
