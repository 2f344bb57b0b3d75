//! Whether structure found in the coma is there, and whether structure that is there is found:
//! `cargo bench -p fanlight --bench evidence -- --featureless 400 --features 200`.
//!
//! Simulates nights without narrow structure, with every kind of artefact, and nights with jets and arcs; measures them as
//! `fanlight night` does; prints tables in Markdown: false findings, calibration of the false-alarm probability,
//! completeness and errors against the ideal matched filter, common practice beside it. The record of them is
//! `benches/records/evidence.md` at the root.
//!
//! `--first N` starts at another seed, `--kinds a,b` keeps some kinds, `--verbose` prints every night, `--keep DIR` leaves
//! the nights in a folder and takes those that an earlier call left there, `--write DIR` only writes them, `--figure FILE`
//! draws the calibration, `--scored-folder DIR` scores finished nights instead: sub-folders with `truth.json` and
//! `out/night.json`.

#[path = "../tests/it/draws.rs"]
mod draws;
#[path = "evidence/nights.rs"]
mod nights;

use fanlight::simulate;
use fanlight_sim::Simulation;
use nights::Kind;
use std::path::Path;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let text = |name: &str| arguments.iter().position(|a| a == name).and_then(|i| arguments.get(i + 1)).cloned();
    let count = |name: &str, otherwise: u64| text(name).and_then(|v| v.parse().ok()).unwrap_or(otherwise);
    let first = count("--first", 1);
    let kinds: Option<Vec<String>> = text("--kinds").map(|list| list.split(',').map(String::from).collect());
    let chosen = plan(first, count("--featureless", 44), count("--features", 20), kinds.as_deref());
    if let Some(folder) = text("--write") {
        for (kind, seed) in &chosen {
            write(kind, *seed, &Path::new(&folder).join(name(kind, *seed)));
        }
    }
}

/// The nights to measure: kind and seed, the kinds in turn.
fn plan(first: u64, featureless: u64, features: u64, kinds: Option<&[String]>) -> Vec<(Kind, u64)> {
    let wanted = |k: &&Kind| kinds.is_none_or(|list| list.iter().any(|name| name == k.name));
    let of = |all: &[Kind], n: u64| -> Vec<(Kind, u64)> {
        let all: Vec<Kind> = all.iter().filter(wanted).copied().collect();
        let n = if all.is_empty() { 0 } else { n };
        (first..first + n).map(|seed| (all[seed as usize % all.len()], seed)).collect()
    };
    let mut nights = of(&nights::FEATURELESS, featureless);
    // other seeds, so that no night with a feature shares its stars and noise with one without
    nights.extend(of(&nights::FEATURES, features).into_iter().map(|(kind, seed)| (kind, seed + 1_000_000)));
    nights
}

fn name(kind: &Kind, seed: u64) -> String {
    format!("{}-{seed:04}", kind.name)
}

fn write(kind: &Kind, seed: u64, folder: &Path) {
    let simulation = Simulation::new(&nights::scenario(kind, seed)).expect("a scenario within its ranges");
    simulate::write(&simulation, folder).expect("a folder to write in");
}
