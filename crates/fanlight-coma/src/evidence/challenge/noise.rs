//! Could noise have made it?

use super::{Challenge, Challenged};

/// Largest false-alarm probability.
const LARGEST_PROBABILITY: f64 = 1e-3;
/// The amplitude, fitted with the shape, must be this many of its errors.
const LEAST_AMPLITUDE_SIGMA: f64 = 4.0;

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
    // a shape that trades with the amplitude: the search saw something, but the fit does not hold it
    let fitted = c.fitted();
    let held = fitted.amplitude / fitted.covariance[(0, 0)].max(0.0).sqrt();
    if held < LEAST_AMPLITUDE_SIGMA {
        let explanation =
            format!("{explanation} But with its shape free its strength is {} of its errors only.", super::short(held));
        return Challenge::judged("noise", false, (held, LEAST_AMPLITUDE_SIGMA), explanation);
    }
    Challenge::judged("noise", p <= LARGEST_PROBABILITY, (p, LARGEST_PROBABILITY), explanation)
}
