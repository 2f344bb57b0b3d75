//! Integration tests of `fanlight`: the command as a person or a script calls it.

mod again;
mod bad_input;
mod cameras;
mod cli;
mod conditions;
mod night;
mod products;
mod raw_fits;
mod solving;
mod star_list;
mod support;
mod tracks;
mod truth;
mod walls;
mod ways_in;
