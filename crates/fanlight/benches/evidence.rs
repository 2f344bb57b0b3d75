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
//! draws the calibration as SVG or PNG, `--scored-folder DIR` scores finished nights instead: sub-folders with `truth.json` and
//! `out/night.json`. `--full-twins N` draws N twins of each night as full images and holds their largest significances against
//! those of the linearised twins: its record is `benches/records/full-twins.md`.

#[allow(dead_code, reason = "other benches ask for more")]
mod arguments;
#[path = "../tests/it/draws.rs"]
mod draws;
#[path = "evidence/mod.rs"]
#[allow(dead_code, unused_imports, reason = "tests of its parts run with the integration tests, not here")]
mod evidence;

use arguments::{has, number, text};
use evidence::nights::{FEATURELESS, FEATURES, Kind};
use evidence::{figure, finished, measure, table, twin_check};
use std::path::{Path, PathBuf};
use std::time::Instant;

/// Nights of either sort when the call does not say.
const NIGHTS: u64 = 40;
/// Seeds of nights with features, so that none shares its stars and noise with one without.
const FEATURE_SEEDS: u64 = 1_000_000;

/// Resolution of the figure as PNG.
const PIXELS_PER_INCH: f64 = 192.0;

fn main() {
    let folder = |name: &str| text(name).map(PathBuf::from);
    let verbose = has("--verbose");
    let start = Instant::now();

    let nights = match folder("--scored-folder") {
        Some(tree) => match finished::nights(&tree) {
            Ok(nights) => nights,
            Err(reason) => {
                eprintln!("{reason}");
                std::process::exit(1);
            }
        },
        None => {
            let kinds: Option<Vec<String>> = text("--kinds").map(|list| list.split(',').map(String::from).collect());
            let chosen = plan(
                number("--first", 1),
                number("--featureless", NIGHTS),
                number("--features", NIGHTS),
                kinds.as_deref(),
            );
            if let Some(twins) = text("--full-twins").and_then(|v| v.parse().ok()) {
                twin_check::print(&chosen, twins);
                println!("\n{} nights in {:.0} s.", chosen.len(), start.elapsed().as_secs_f64());
                return;
            }
            if let Some(tree) = folder("--write") {
                chosen.iter().for_each(|(kind, seed)| {
                    measure::write(kind, *seed, &tree.join(measure::name(kind, *seed)));
                });
                return;
            }
            measure::all(&chosen, folder("--keep").as_deref())
        }
    };
    table::print(&nights, verbose);
    if let Some(file) = folder("--figure") {
        draw(&nights, &file);
    }
    println!("\n{} nights in {:.0} s.", nights.len(), start.elapsed().as_secs_f64());
}

/// The nights to measure: kind and seed, the kinds in turn.
fn plan(first: u64, featureless: u64, features: u64, kinds: Option<&[String]>) -> Vec<(Kind, u64)> {
    let wanted = |k: &&Kind| kinds.is_none_or(|list| list.iter().any(|name| name == k.name));
    let of = |all: &[Kind], from: u64, n: u64| -> Vec<(Kind, u64)> {
        let all: Vec<Kind> = all.iter().filter(wanted).copied().collect();
        let n = if all.is_empty() { 0 } else { n };
        (from..from + n).map(|seed| (all[seed as usize % all.len()], seed)).collect()
    };
    let mut nights = of(&FEATURELESS, first, featureless);
    nights.extend(of(&FEATURES, FEATURE_SEEDS + first, features));
    nights
}

fn draw(nights: &[measure::Night], file: &Path) {
    let [clean, all] = table::smallest_faps(nights);
    if all.is_empty() {
        eprintln!("no featureless night was analysed: nothing to draw");
        return;
    }
    let svg = figure::calibration(&[
        ("all featureless nights", "#1f5fa8", all),
        ("those without artefacts", "#b4531a", clean),
    ]);
    let bytes = match file.extension().is_some_and(|e| e == "png") {
        true => fanlight_present::svg_to_png(&svg, PIXELS_PER_INCH).expect("a drawing"),
        false => svg.into_bytes(),
    };
    if let Err(reason) = std::fs::write(file, bytes) {
        eprintln!("{}: {reason}", file.display());
    }
}
