//! Integration tests of `fanlight-present`.

mod figures;
mod night;
mod page;
mod structure;
