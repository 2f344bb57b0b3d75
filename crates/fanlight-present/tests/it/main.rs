//! Integration tests of `fanlight-present`.

mod figures;
mod invented_season;
mod night;
mod page;
mod structure;
