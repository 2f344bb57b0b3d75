//! Whether changes between two nights are there, and whether those that are there are found:
//! `cargo bench -p fanlight --bench change -- --still 400 --changed 200`.
//!
//! Compares simulated pairs of nights, in which nothing changed or a jet came, went, turned or brightened, and prints tables in
//! Markdown. `--first N` starts at another seed, `--verbose` prints every pair. The record is `benches/records/season.md`.

#[allow(dead_code, reason = "other benches ask for more")]
mod arguments;
#[path = "../tests/it/draws.rs"]
#[allow(dead_code, reason = "other benches and the tests draw more")]
mod draws;
#[path = "../tests/it/known_change.rs"]
mod known_change;
#[path = "../tests/it/pairs.rs"]
#[allow(
    dead_code,
    unused_imports,
    missing_docs,
    reason = "a module of the tests: its tests do not run here, and no page documents it"
)]
mod pairs;

use arguments::{has, number};
use fanlight_coma::change::{CLAIMED_TO, KnownChange};
use pairs::{Happens, make};
use rayon::prelude::*;
use std::time::Instant;

const CHANGES: [Happens; 4] = [Happens::New, Happens::Gone, Happens::Turned, Happens::Brighter];

/// What a comparison said.
struct Said {
    happens: Happens,
    /// What filters find that know the change; `None` where there is none.
    known: Option<KnownChange>,
    /// `None` where the nights could not be compared.
    found: Option<bool>,
    claims: usize,
    smallest: f64,
    limit: Option<f64>,
}

fn main() {
    let (first, still, changed) = (number("--first", 1), number("--still", 100), number("--changed", 100));
    let verbose = has("--verbose");
    let start = Instant::now();
    let pairs: Vec<(u64, Happens)> = (first..first + still)
        .map(|seed| (seed, Happens::Nothing))
        .chain((first..first + changed).map(|seed| (seed, CHANGES[(seed % 4) as usize])))
        .collect();
    let said: Vec<Said> = pairs
        .into_par_iter()
        .with_max_len(1)
        .map(|(seed, happens)| {
            let made = make(seed, happens);
            let (compared, known) = match made.compare_knowing() {
                Ok((compared, known)) => (Ok(compared), known),
                Err(e) => (Err(e), None),
            };
            let said = Said {
                happens,
                known,
                found: compared.as_ref().ok().map(|c| made.is_found(c)),
                claims: compared
                    .as_ref()
                    .map_or(0, |c| c.changes.iter().filter(|x| x.probability <= CLAIMED_TO).count()),
                smallest: compared.as_ref().map_or(1.0, |c| c.smallest_probability),
                limit: compared.as_ref().ok().and_then(|c| c.limit.as_ref().map(|l| l.contrast)),
            };
            if verbose {
                println!(
                    "seed {seed} {happens:?} {} found {:?} claims {} p {:.1e} limit {:?} {}",
                    said.known.map_or_else(String::new, |k| format!(
                        "ideal {:.1} projected {:.1} seen {:.1}",
                        k.ideal, k.projected, k.seen
                    )),
                    said.found,
                    said.claims,
                    said.smallest,
                    said.limit,
                    compared.as_ref().map_or_else(ToString::to_string, |c| c
                        .changes
                        .iter()
                        .map(|x| format!(
                            "[{} PA {:.0} w {:.0} c {:.4}±{:.4} p {:.0e}]",
                            if x.brighter { '+' } else { '-' },
                            x.pa_rad.to_degrees(),
                            x.width_rad.to_degrees(),
                            x.contrast,
                            x.contrast_sigma,
                            x.probability
                        ))
                        .collect())
                );
            }
            said
        })
        .collect();
    print(&said);
    println!("\n{} pairs from seed {first} in {:.0} s", said.len(), start.elapsed().as_secs_f64());
}

fn print(said: &[Said]) {
    let still: Vec<&Said> = said.iter().filter(|s| s.happens == Happens::Nothing && s.found.is_some()).collect();
    let share = |p: f64| still.iter().filter(|s| s.smallest <= p).count();
    println!("| pairs in which nothing changed | n |\n|---|---:|");
    println!("| compared | {} |", still.len());
    println!("| a change claimed (probability ≤ {CLAIMED_TO}) | {} |", still.iter().filter(|s| s.claims > 0).count());
    for p in [0.001, 0.01, 0.1, 0.3] {
        println!("| smallest probability ≤ {p} | {} (expected ≤ {:.1}) |", share(p), p * still.len() as f64);
    }
    print_table(said, "a filter that knows it", |k| k.ideal);
    print_table(said, "the same, nuisances projected out", |k| k.projected);
    let not = said.iter().filter(|s| s.found.is_none()).count();
    println!("\n{not} pairs could not be compared.");
}

/// Changes by what they are and by a significance.
fn print_table(said: &[Said], name: &str, significance: fn(&KnownChange) -> f64) {
    println!("\n| change | significance for {name} | n | found at its place | |\n|---|---|---:|---:|---:|");
    for happens in CHANGES {
        print_found(said, happens, significance);
    }
}

/// How many of a kind of change were found, by their significance.
fn print_found(said: &[Said], happens: Happens, significance: fn(&KnownChange) -> f64) {
    for (from, to) in [(0.0, 5.0), (5.0, 8.0), (8.0, 12.0), (12.0, 20.0), (20.0, f64::INFINITY)] {
        let is_here = |s: &&Said| s.known.is_some_and(|k| (from..to).contains(&significance(&k)));
        let own: Vec<&Said> =
            said.iter().filter(|s| s.happens == happens && s.found.is_some()).filter(is_here).collect();
        let found = own.iter().filter(|s| s.found == Some(true)).count();
        if !own.is_empty() {
            let share = 100.0 * found as f64 / own.len() as f64;
            println!("| {happens:?} | {from} to {to} | {} | {found} | {share:.0} % |", own.len());
        }
    }
}
