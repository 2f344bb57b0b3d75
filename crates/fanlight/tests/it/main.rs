//! Integration tests of `fanlight`: the command as a person or a script calls it.

mod again;
mod bad_input;
mod bad_ways;
mod cameras;
mod cli;
mod conditions;
mod dense;
mod detections;
mod distorted;
mod enhance;
mod night;
mod products;
mod raw_fits;
mod solving;
mod stack_errors;
mod star_list;
mod support;
mod tracks;
mod trails;
mod truth;
mod walls;
mod ways_in;
mod wings;
