//! How often and how fast frames are solved: `cargo bench -p fanlight-sky --bench solve -- --tries 1000`.
//!
//! Prints tables in Markdown. The record of it is `benches/records/solve.md` at the root.
#![allow(clippy::disallowed_methods, clippy::disallowed_macros, reason = "a benchmark measures time and prints")]

#[path = "../tests/it/star_field.rs"]
#[allow(dead_code, missing_docs, reason = "a module of the tests: no page documents it")]
mod star_field;

use fanlight_sky::{SkyError, refine, solve};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use star_field::{Field, Recipe, field, random_patch};
use std::time::Instant;

const WIDTHS_DEG: [f64; 5] = [0.3, 0.6, 1.0, 2.0, 3.0];
/// Stars in the frame, in classes.
const STARS: [(f64, f64); 5] = [(15.0, 25.0), (25.0, 50.0), (50.0, 150.0), (150.0, 500.0), (500.0, 2000.0)];

#[derive(Default, Clone)]
struct Cell {
    tries: usize,
    right: usize,
    wrong: usize,
    few: usize,
    few_right: usize,
    seconds: Vec<f64>,
}

/// A frame with 15 to 2000 stars, evenly in the logarithm; and that number.
fn made(width_deg: f64, seed: u64) -> (Field, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let n = 15.0 * (2000.0_f64 / 15.0).powf(rng.random_range(0.0..1.0));
    let recipe = Recipe::draw(width_deg, n, &mut rng);
    let patch = random_patch(&recipe, &mut rng);
    (field(&recipe, &patch, &mut rng), n)
}

fn quantile(values: &mut [f64], q: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * q).round() as usize).copied().unwrap_or(f64::NAN)
}

/// Processor time of this thread, s: a busy machine does not change it. The wall clock where the system does not tell.
fn processor_seconds(since: Instant) -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|t| t.split(' ').next()?.parse::<f64>().ok());
    nanoseconds.map_or_else(|| since.elapsed().as_secs_f64(), |n| n * 1e-9)
}

fn main() {
    let clock = Instant::now();
    let arguments: Vec<String> = std::env::args().collect();
    let at = arguments.iter().position(|a| a == "--tries");
    let tries: usize = at.and_then(|i| arguments.get(i + 1)?.parse().ok()).unwrap_or(1000);
    let verbose = arguments.iter().any(|a| a == "--verbose");
    let each = tries.div_ceil(WIDTHS_DEG.len());
    let mut cells = vec![vec![Cell::default(); STARS.len()]; WIDTHS_DEG.len()];
    let (mut false_odds, mut false_solutions, mut wrong_seconds, mut wrong_tries) = (Vec::new(), 0, Vec::new(), 0);
    let mut pulls = Vec::new();
    let mut refine_seconds = Vec::new();
    let mut least_right = f64::INFINITY;
    let mut orders = [0_usize; 5];
    for (w, width) in WIDTHS_DEG.into_iter().enumerate() {
        let mut before: Option<Field> = None;
        for i in 0..each {
            let seed = w as u64 * 100_000 + i as u64;
            let (f, stars) = made(width, seed);
            let s = STARS.iter().position(|class| stars < class.1).unwrap_or(STARS.len() - 1);
            let cell = &mut cells[w][s];
            cell.tries += 1;
            let start = processor_seconds(clock);
            let result = solve(&f.stars, &f.catalogue, &f.config);
            cell.seconds.push(processor_seconds(clock) - start);
            let few = f.common < 7;
            cell.few += usize::from(few);
            match &result {
                Ok(solution) if f.is_right(solution) => {
                    cell.right += 1;
                    cell.few_right += usize::from(few);
                    least_right = least_right.min(solution.log10_odds);
                    orders[solution.sip_order.unwrap_or(1) as usize] += 1;
                    // one place a frame, so that all are independent
                    let misses = f.misses(solution);
                    pulls.push(misses[i * 31 % misses.len()].1);
                    let start = processor_seconds(clock);
                    let again = refine(&solution.wcs.shifted(7.0, -9.0), &f.stars, &f.catalogue, &f.config);
                    refine_seconds.push(processor_seconds(clock) - start);
                    if verbose && !again.as_ref().is_ok_and(|a| f.is_right(a)) {
                        println!("not refined: width {width}, seed {seed}, common {}: {:?}", f.common, again.err());
                    }
                }
                Ok(solution) => {
                    cell.wrong += 1;
                    println!(
                        "wrong: width {width}, seed {seed}, odds {:.1}, matched {}",
                        solution.log10_odds, solution.n_matched
                    );
                }
                Err(e) => {
                    if verbose {
                        let there =
                            refine(&f.true_wcs, &f.stars, &f.catalogue, &f.config).map(|s| (s.log10_odds, s.n_matched));
                        println!("{there:?}");
                        println!(
                            "not solved: width {width}, seed {seed}, {} stars, {} listed, common {}: {:.110}",
                            f.stars.len(),
                            f.catalogue.len(),
                            f.common,
                            e.to_string()
                        );
                    }
                }
            }
            // the stars of this frame against the catalogue of another one
            if let Some(mut other) = before.replace(f) {
                let f = before.as_ref().unwrap();
                other.config.pixel_scale_arcsec = f.config.pixel_scale_arcsec;
                other.config.width = f.config.width;
                other.config.height = f.config.height;
                wrong_tries += 1;
                let start = processor_seconds(clock);
                let result = solve(&f.stars, &other.catalogue, &other.config);
                wrong_seconds.push(processor_seconds(clock) - start);
                match result {
                    Ok(solution) => {
                        false_solutions += 1;
                        println!("false: width {width}, seed {seed}, odds {:.1}", solution.log10_odds);
                    }
                    Err(SkyError::DoubtfulMatch { log10_odds, .. }) => false_odds.push(log10_odds),
                    Err(e) => println!("{e}"),
                }
            }
        }
    }
    print!("| width \\ stars |");
    STARS.iter().for_each(|s| print!(" {} to {} |", s.0, s.1));
    println!("\n|---|{}", "---|".repeat(STARS.len()));
    for (w, width) in WIDTHS_DEG.into_iter().enumerate() {
        print!("| {width}° |");
        for cell in &mut cells[w] {
            let ms = 1e3 * quantile(&mut cell.seconds, 0.5);
            let slow = 1e3 * quantile(&mut cell.seconds, 0.99);
            print!(" {}/{}, {ms:.0} ({slow:.0}) ms |", cell.right, cell.tries);
        }
        println!();
    }
    let all: Vec<&Cell> = cells.iter().flatten().collect();
    let total = |f: fn(&Cell) -> usize| all.iter().map(|c| f(c)).sum::<usize>();
    let (tried, right, few) = (total(|c| c.tries), total(|c| c.right), total(|c| c.few));
    println!(
        "\nsolved rightly {right} of {tried} ({:.2} %), wrongly {}",
        100.0 * right as f64 / tried as f64,
        total(|c| c.wrong)
    );
    println!(
        "with fewer than 7 stars in both lists: {} of {few}; with 7 and more: {} of {}",
        total(|c| c.few_right),
        right - total(|c| c.few_right),
        tried - few
    );
    println!("least log10 odds of a right solution {least_right:.1}; orders {orders:?}");
    println!(
        "wrong fields: {false_solutions} false of {wrong_tries}; log10 odds of the best match: median {:.1}, 99 % {:.1}, largest {:.1}",
        quantile(&mut false_odds, 0.5),
        quantile(&mut false_odds, 0.99),
        quantile(&mut false_odds, 1.0)
    );
    println!(
        "time of a wrong field: median {:.0} ms, 99 % {:.0} ms, largest {:.0} ms",
        1e3 * quantile(&mut wrong_seconds, 0.5),
        1e3 * quantile(&mut wrong_seconds, 0.99),
        1e3 * quantile(&mut wrong_seconds, 1.0)
    );
    let mut seconds: Vec<f64> = all.iter().flat_map(|c| c.seconds.clone()).collect();
    println!(
        "time of a right field: median {:.1} ms, 99 % {:.1} ms, largest {:.1} ms",
        1e3 * quantile(&mut seconds, 0.5),
        1e3 * quantile(&mut seconds, 0.99),
        1e3 * quantile(&mut seconds, 1.0)
    );
    println!(
        "time to refine: median {:.1} ms, largest {:.1} ms",
        1e3 * quantile(&mut refine_seconds, 0.5),
        1e3 * quantile(&mut refine_seconds, 1.0)
    );
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
    let inside = pulls.iter().filter(|p| p.abs() < 1.0).count() as f64 / pulls.len() as f64;
    println!("miss over sigma_at: rms {rms:.2}, within 1: {:.0} %", 100.0 * inside);
}
