//! Could noise have made it?

use super::{Challenge, Challenged};

/// Largest false-alarm probability.
const LARGEST_PROBABILITY: f64 = 1e-3;
/// The contrast, fitted with the shape, must be this many of its errors.
const LEAST_HELD_SIGMA: f64 = 4.0;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let finding = &c.findings.features[c.index];
    let p = finding.probability;
    let n = c.findings.chance.n_twins();
    let shown = match c.findings.chance.n_above(finding.significance) {
        0 => format!("None of the {n} featureless twins shows as much somewhere"),
        1 => format!("One of the {n} featureless twins shows as much somewhere"),
        several => format!("{several} of the {n} featureless twins show as much somewhere"),
    };
    let explanation = if p < c.findings.chance.counted_to() {
        format!("{shown}; the tail of their largest signals gives the probability.")
    } else {
        format!("{shown}.")
    };
    // a shape that trades with the light: the search saw something, but the fit does not hold it
    let (contrast, sigma) = c.model.contrast(c.fitted());
    let held = contrast / sigma;
    if !(held >= LEAST_HELD_SIGMA) {
        let explanation =
            format!("{explanation} But with its shape free its contrast is {} of its errors only.", super::short(held));
        return Challenge::judged("noise", false, (held, LEAST_HELD_SIGMA), explanation);
    }
    Challenge::judged("noise", p <= LARGEST_PROBABILITY, (p, LARGEST_PROBABILITY), explanation)
}
