//! Integration tests of `fanlight-present`.

mod animation;
mod figures;
mod invented_season;
mod night;
mod page;
mod plots;
mod season;
mod structure;
