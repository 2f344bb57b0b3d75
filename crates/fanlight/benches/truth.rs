//! How true the main job is, over many simulated nights: `cargo bench -p fanlight --bench truth -- --nights 100`.
//!
//! With `--distorted` the nights are those through optics whose distortion no header tells, with `--dense` those in a field as
//! dense as 10 000 stars in 2048² px.
//!
//! Prints a table in Markdown: every quantity of the record that the simulator knows, measured minus true. The record
//! of it is `benches/records/truth.md` at the root.

#[allow(dead_code, reason = "other benches ask for more")]
mod arguments;
#[path = "../tests/it/draws.rs"]
#[allow(dead_code, reason = "other benches and the tests draw more")]
mod draws;
#[path = "../tests/it/truth.rs"]
#[allow(dead_code, missing_docs, reason = "a module of the tests: its tests do not run here, and no page documents it")]
mod truth;

use arguments::{has, number};
use rayon::prelude::*;
use std::time::Instant;
use truth::{Outcome, Sample, Summary};

/// Nights measured when the call does not say.
const NIGHTS: u64 = 100;

fn main() {
    let (first, nights) = (number("--first", 1), number("--nights", NIGHTS));
    let night = match (has("--distorted"), has("--dense")) {
        (true, _) => truth::distorted,
        (_, true) => truth::dense,
        _ => truth::scenario,
    };
    let verbose = has("--verbose");
    let start = Instant::now();
    let outcomes: Vec<(u64, Outcome)> = (first..first + nights)
        .into_par_iter()
        .map(|seed| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            (seed, truth::measure(&truth::varied(night(seed)), folder.path()))
        })
        .collect();
    print(&outcomes, verbose);
    println!("\n{nights} nights from seed {first} in {:.0} s", start.elapsed().as_secs_f64());
}

fn print(outcomes: &[(u64, Outcome)], verbose: bool) {
    for (seed, outcome) in outcomes {
        if let Err(reason) = &outcome.samples {
            println!("seed {seed} could not be measured: {reason}\n");
        }
        if verbose {
            print_night(*seed, outcome);
        }
    }
    let left_out: Vec<String> =
        outcomes.iter().flat_map(|(seed, o)| o.left_out.iter().map(move |r| format!("seed {seed}: {r}"))).collect();
    let mut quantities: Vec<&'static str> = Vec::new();
    for sample in outcomes.iter().filter_map(|(_, o)| o.samples.as_ref().ok()).flatten() {
        if !quantities.contains(&sample.quantity) {
            quantities.push(sample.quantity);
        }
    }
    println!("| quantity, measured − true | n | mean | rms | largest | pull: mean | pull: rms | strongest trend |");
    println!("|---|---:|---:|---:|---:|---:|---:|---|");
    for quantity in quantities {
        let of_it = || outcomes.iter().filter_map(|(_, o)| o.samples.as_ref().ok()).flatten();
        if let Some(s) = truth::summary(of_it().filter(|s| s.quantity == quantity)) {
            println!("{}", row(quantity, &s, &trend(outcomes, quantity)));
        }
    }
    print_by_term(outcomes);
    println!("\n{} frames were left out.", left_out.len());
    if verbose {
        left_out.iter().for_each(|r| println!("{r}"));
    }
}

/// The same by the term that is the largest of the stated error: which of them is stated wrong.
fn print_by_term(outcomes: &[(u64, Outcome)]) {
    println!("\n| quantity, largest term of its error | n | mean | rms | pull: mean | pull: rms |");
    println!("|---|---:|---:|---:|---:|---:|");
    for quantity in truth::MAGNITUDES {
        let of_it = || {
            let all = outcomes.iter().filter_map(|(_, o)| o.samples.as_ref().ok()).flatten();
            all.filter(|s| s.quantity == quantity)
        };
        let mut terms: Vec<&str> = of_it().filter_map(Sample::largest_term).collect();
        terms.sort_unstable();
        terms.dedup();
        for term in terms {
            if let Some(s) = truth::summary(of_it().filter(|s| s.largest_term() == Some(term))) {
                let pull = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.2}"));
                let (mean, rms) = (pull(s.pull_mean), pull(s.pull_rms));
                println!("| {quantity}: {term} | {} | {:+.3} | {:.3} | {mean} | {rms} |", s.n, s.mean, s.rms);
            }
        }
    }
}

fn print_night(seed: u64, outcome: &Outcome) {
    let traits: Vec<String> = outcome.traits.iter().map(|(name, v)| format!("{name} {v:.3}")).collect();
    println!("seed {seed}: {}", traits.join(", "));
    let mut seen: Vec<&str> = Vec::new();
    for s in outcome.samples.iter().flatten() {
        if !seen.contains(&s.quantity) {
            seen.push(s.quantity);
            let own = || outcome.samples.iter().flatten().filter(|o| o.quantity == s.quantity);
            if let Some(Summary { mean, rms, pull_rms, n, .. }) = truth::summary(own()) {
                let sigma = s.sigma.unwrap_or(f64::NAN);
                let pull = pull_rms.unwrap_or(f64::NAN);
                let terms: Vec<String> = s.terms.iter().map(|(name, v)| format!("{name} {v:.3}")).collect();
                println!(
                    "    {:<24} {n:>3} mean {mean:+.4} rms {rms:.4} σ {sigma:.4} pull {pull:.2} {}",
                    s.quantity,
                    terms.join(", ")
                );
            }
        }
    }
}

fn row(quantity: &str, s: &Summary, trend: &str) -> String {
    let number = |v: f64| if v.abs() < 0.1 { format!("{v:+.4}") } else { format!("{v:+.3}") };
    let pull = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.2}"));
    format!(
        "| {quantity} | {} | {} ± {} | {} | {} | {} | {} | {trend} |",
        s.n,
        number(s.mean),
        number(s.mean_sigma).trim_start_matches('+'),
        number(s.rms).trim_start_matches('+'),
        number(s.worst).trim_start_matches('+'),
        pull(s.pull_mean),
        pull(s.pull_rms),
    )
}

/// The scenario's number that a quantity's nightly means go with most, by the correlation of ranks (Spearman).
fn trend(outcomes: &[(u64, Outcome)], quantity: &str) -> String {
    let nights: Vec<(&Outcome, f64)> = outcomes
        .iter()
        .filter_map(|(_, o)| {
            let own = o.samples.as_ref().ok()?.iter().filter(|s: &&Sample| s.quantity == quantity);
            Some((o, truth::summary(own)?.mean))
        })
        .collect();
    let n = nights.len();
    if n < 20 {
        return String::new();
    }
    let offs = ranks(&nights.iter().map(|(_, v)| *v).collect::<Vec<_>>());
    let names = nights[0].0.traits.iter().map(|t| t.0);
    let strongest = names
        .enumerate()
        .map(|(i, name)| {
            let values = ranks(&nights.iter().map(|(o, _)| o.traits[i].1).collect::<Vec<_>>());
            (name, correlation(&offs, &values))
        })
        .filter(|(_, r)| r.is_finite())
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    strongest.map_or_else(String::new, |(name, r)| format!("{name} {r:+.2}"))
}

/// Ranks, equal values sharing their mean.
fn ranks(values: &[f64]) -> Vec<f64> {
    let below = |v: f64| values.iter().filter(|o| **o < v).count() as f64;
    let equal = |v: f64| values.iter().filter(|o| **o == v).count() as f64;
    values.iter().map(|v| below(*v) + 0.5 * (equal(*v) - 1.0)).collect()
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (ma, mb) = (mean(a), mean(b));
    let product = |f: &dyn Fn(usize) -> f64| (0..a.len()).map(f).sum::<f64>();
    let ab = product(&|i| (a[i] - ma) * (b[i] - mb));
    let (aa, bb) = (product(&|i| (a[i] - ma).powi(2)), product(&|i| (b[i] - mb).powi(2)));
    ab / (aa * bb).sqrt()
}
