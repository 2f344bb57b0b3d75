//! The linearised twins that the false-alarm probability comes from, held against twins drawn as full images and searched from their
//! own coma model on.

use crate::evidence::full_twins::CentreError;
use crate::evidence::rank::{Compared, uniform_probability};
use crate::evidence::twin_check::{self, Checked};
use crate::{structure, truth};
use fanlight_sim::Scenario;

/// Full twins of a night: enough to tell a distribution that is a tenth too large, and its width to a tenth.
const N_TWINS: u64 = 64;

/// A night with a round coma.
fn checked(seed: u64) -> Checked {
    let mut scenario: Scenario = structure::night(seed, Vec::new());
    (scenario.camera.width_px, scenario.camera.height_px) = (256, 256);
    let folder = tempfile::tempdir().expect("a folder");
    let (reduced, _) = truth::reduced(&scenario, folder.path()).expect("measured");
    twin_check::check(&reduced, N_TWINS, CentreError::Measured, seed).expect("analysed")
}

/// Full twins are of the linearised ones' distribution, and would not be if either were a tenth larger.
#[track_caller]
fn expect_alike(searched_by: &str, c: &Compared) {
    let mut ranks = c.ranks.clone();
    ranks.sort_by(f64::total_cmp);
    let probability = uniform_probability(&ranks);
    assert!(probability > 0.01, "{searched_by}: {probability}, {c:?}");
    // the second rarest of 64 is this rare in 1 of 300 comparisons; of the rarest, 10 000 linearised twins tell too little
    assert!(ranks[1] > 0.0013, "{searched_by}: {c:?}");
    assert!((c.mean - c.mean_of_all).abs() < 3.0 * c.mean_sigma(), "{searched_by}: {c:?}");
    assert!(0.1 * c.mean_of_all > 3.0 * c.mean_sigma(), "too few twins to see a tenth: {c:?}");
    assert!((c.sd - c.sd_of_all).abs() < 3.0 * c.sd_sigma, "{searched_by}: {c:?}");
}

/// Errors of three sigmas are linear, as any template sees them in units of its noise.
#[track_caller]
fn expect_linear(checked: &Checked) {
    for (what, d) in &checked.directions {
        assert!(d.off < 0.2 * d.significance + 0.1, "{what}: {:#?}", checked.directions);
        assert!(d.left < 0.5, "{what}: {:#?}", checked.directions);
    }
    // errors of which nothing could be seen would tell nothing
    assert!(checked.directions.iter().any(|(_, d)| d.significance > 3.0), "{:?}", checked.directions);
}

#[test]
fn full_twins_are_as_their_linearisation() {
    let round = checked(11);
    assert_eq!((round.n_features, round.lost.0), (0, 0), "{:?}", round.lost.1);
    expect_linear(&round);
    expect_alike("the night's model", &round.in_the_nights_model);
    expect_alike("its own model", &round.own_model);
}
