//! Could noise have made it?

use super::{Challenge, Challenged};

/// Largest false-alarm probability.
const LARGEST_PROBABILITY: f64 = 1e-3;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let finding = &c.findings.features[c.index];
    let p = finding.probability;
    let n = c.findings.chance.n_twins();
    let explanation = if p < c.findings.chance.counted_to() {
        format!(
            "Of {n} featureless twins fewer show as much than can be counted; the tail of their largest signals gives the probability."
        )
    } else {
        format!("Of {n} featureless twins a share of {} shows as much somewhere.", super::short(p))
    };
    Challenge::judged("noise", p <= LARGEST_PROBABILITY, (p, LARGEST_PROBABILITY), explanation)
}
