//! The linearised twins of a night's search held against twins drawn as full images.

use super::full_twins::{CentreError, Direction, Errors, FullTwin, FullTwins};
use super::measure;
use super::nights::Kind;
use super::rank::Compared;
use crate::draws::Draws;
use fanlight::night::reduce::Reduced;
use fanlight::night::structure;
use fanlight_coma::evidence::night_model::NoEvidence;
use fanlight_coma::evidence::nuisance::Source;
use rayon::prelude::*;

/// Linearised twins that full ones are ranked among.
const N_LINEARISED: usize = 10_000;
const LINEAR_SEED: u64 = 0x11EA;

/// One night's full twins.
pub struct Checked {
    /// Certain features that every twin has.
    pub n_features: usize,
    /// Searched by the night's own model: images against the linearisation alone.
    pub in_the_nights_model: Compared,
    /// Searched the night's way, each with its own model.
    pub own_model: Compared,
    /// Twins of which no model could be made, with the last one's reason.
    pub lost: (usize, Option<NoEvidence>),
    /// Each error's exact image against its derivative, three of its sigmas large.
    pub directions: Vec<(&'static str, Direction)>,
}

/// Names of the fixed nuisances that are checked one by one, in their order.
const DIRECTIONS: [&str; 12] = [
    "centre, x",
    "centre, y",
    "elongation along rows",
    "elongation at 45°",
    "skew, cos φ",
    "skew, sin φ",
    "skew, cos 3φ",
    "skew, sin 3φ",
    "sky, x",
    "sky, y",
    "sky, x² − y²",
    "sky, 2xy",
];

/// Draws `n` full twins of an analysed night and searches them.
///
/// # Errors
/// When no structure can be looked for in the night.
pub fn check(reduced: &Reduced, n: u64, centre: CentreError, seed: u64) -> Result<Checked, NoEvidence> {
    let structure = reduced.structure.as_ref().ok_or(NoEvidence::Impossible("the night was not analysed"))?;
    structure::with_stack(&reduced.night, |stack, _| {
        let (model, findings) = (&structure.model, &structure.findings);
        let twins = FullTwins::new(stack, &reduced.night.stack.passing, (model, findings))
            .ok_or(NoEvidence::Impossible("no star tells how a point is imaged"))?;
        let one = |i: u64| {
            let twin = drawn(&twins, centre, seed.wrapping_add(i));
            (twins.largest_in_the_nights_model(&twin.image), twins.largest(&twin))
        };
        let searched: Vec<(f64, Result<f64, NoEvidence>)> = (0..n).into_par_iter().map(one).collect();
        let linearised = twins.linearised(N_LINEARISED, LINEAR_SEED);
        let by_night: Vec<f64> = searched.iter().map(|s| s.0).collect();
        let own: Vec<f64> = searched.iter().filter_map(|s| s.1.as_ref().ok().copied()).collect();
        let why = searched.iter().filter_map(|s| s.1.as_ref().err().cloned()).next_back();
        let sizes: Vec<f64> = model.fixed[..DIRECTIONS.len()]
            .iter()
            .map(|n| match (n.source, centre) {
                (Source::Centre, CentreError::Measured) => 3.0 * model.centre_sigma_px,
                _ => 3.0 * n.sigma,
            })
            .collect();
        let directions = DIRECTIONS.into_iter().zip(twins.directions(&sizes));
        Ok(Checked {
            n_features: twins.features.len(),
            in_the_nights_model: Compared::new(&by_night, &linearised),
            own_model: Compared::new(&own, &linearised),
            lost: (searched.len() - own.len(), why),
            directions: directions.collect(),
        })
    })
}

/// The twin of a seed.
pub fn drawn(twins: &FullTwins, centre: CentreError, seed: u64) -> FullTwin {
    let mut draws = Draws::new(seed.wrapping_mul(0x9E6C_63D0_876A_9A35));
    let errors: Errors = twins.errors(centre, &mut draws);
    twins.drawn(&errors, &mut draws)
}

/// Measures nights, draws `n` full twins of each, and prints the table.
pub fn print(nights: &[(Kind, u64)], n: u64) {
    println!(
        "| night | features | centre | searched by | n | mean largest z | of linearised | sd | of linearised | KS p | p ≤ 0.05 | p ≤ 0.01 |"
    );
    println!("|---|---:|---|---|---:|---:|---:|---:|---:|---:|---:|---:|");
    let mut directions = Vec::new();
    for (kind, seed) in nights {
        let folder = tempfile::tempdir().expect("a temporary folder");
        measure::write(kind, *seed, folder.path());
        let name = measure::name(kind, *seed);
        let reduced = match measure::reduced(folder.path()) {
            Ok(reduced) => reduced,
            Err(reason) => {
                println!("| {name} | could not be measured: {reason} | | | | | | | | | | |");
                continue;
            }
        };
        for centre in [CentreError::Measured, CentreError::Prior] {
            match check(&reduced, n, centre, 1000 * seed) {
                Ok(checked) => {
                    print_rows(&name, centre, &checked);
                    directions.push((name.clone(), centre, checked.directions));
                }
                Err(reason) => println!("| {name} | {reason} | | | | | | | | | | |"),
            }
        }
    }
    println!(
        "\n| night | centre | error, 3σ | largest z by the derivative | off it | off it, share of all | off it after projection |"
    );
    println!("|---|---|---|---:|---:|---:|---:|");
    for (name, centre, of_night) in directions {
        for (what, d) in of_night {
            println!(
                "| {name} | {} | {what} | {:.2} | {:.2} | {:.3} | {:.2} |",
                of_centre(centre),
                d.significance,
                d.off,
                d.relative,
                d.left
            );
        }
    }
}

fn of_centre(centre: CentreError) -> &'static str {
    match centre {
        CentreError::Measured => "as measured",
        CentreError::Prior => "as far as allowed for",
    }
}

fn print_rows(name: &str, centre: CentreError, checked: &Checked) {
    for (by, c) in [("the night's model", &checked.in_the_nights_model), ("its own", &checked.own_model)] {
        println!(
            "| {name} | {} | {} | {by} | {} | {:.3} ± {:.3} | {:.3} | {:.3} ± {:.3} | {:.3} | {:.3} | {} | {} |",
            checked.n_features,
            of_centre(centre),
            c.n,
            c.mean,
            c.mean_sigma(),
            c.mean_of_all,
            c.sd,
            c.sd_sigma,
            c.sd_of_all,
            c.ks_probability,
            c.beyond(0.05),
            c.beyond(0.01),
        );
    }
    if let (n @ 1.., Some(reason)) = &checked.lost {
        println!("| {name} | {n} twins without a model: {reason} | | | | | | | | | | |");
    }
}
