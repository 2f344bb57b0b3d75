//! Integration tests of `fanlight`: the command as a person or a script calls it.

mod again;
mod bad_input;
mod bad_structure;
mod bad_ways;
mod cameras;
mod cli;
mod conditions;
mod dense;
mod desk;
mod desk_client;
mod desk_plots;
mod detections;
mod distorted;
mod draws;
mod dust;
mod enhance;
#[path = "../../benches/evidence/mod.rs"]
#[allow(dead_code, reason = "a bench: here only the tests of its parts run")]
mod evidence;
mod export;
mod full_twins;
mod known_change;
mod ledger;
mod ledger_kills;
mod ledger_nights;
mod night;
mod own_sector;
mod pairs;
mod products;
mod raw_fits;
mod season;
mod season_kills;
mod season_truth;
#[allow(dead_code, reason = "the bench holds more against the truth")]
mod seasons;
mod solving;
mod stack_errors;
mod star_list;
mod structure;
mod support;
mod tracks;
mod trails;
#[allow(dead_code, reason = "the bench varies comae more")]
mod truth;
mod walls;
mod ways_in;
mod wings;
