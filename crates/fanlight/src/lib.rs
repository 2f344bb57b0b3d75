//! From a night of raw comet frames to a measured, publishable page.
//!
//! The library behind the `fanlight` command: one module per command, and [`night`], the main job.

pub mod catalogue;
pub mod cli;
pub mod demo;
pub mod desk;
pub mod enhance;
pub mod export;
pub mod failure;
pub mod geometry;
pub mod init;
pub mod ledger;
pub mod messages;
pub mod night;
pub mod season;
pub mod simulate;
pub mod stop;

pub use failure::Failure;
