//! Is it in both halves of the night? Two halves of interleaved frames, and the first and the second by time.

use super::{Amplitude, Challenge, Challenged, per_cent, short};
use crate::evidence::nuisance::{Nuisance, Nuisances, Source};

/// Amplitudes may differ by this many errors, or by this share.
const LARGEST_SIGMAS: f64 = 3.0;
const LARGEST_SHARE: f64 = 0.1;
/// Where a half should show this much, under this it is not there.
const EXPECTED_SIGMAS: f64 = 4.0;
const ABSENT_SIGMAS: f64 = 1.0;
/// Without other features and lopsidedness free to take it up, the difference may be this many errors, or this share of the feature.
const MOST_LEFT_SIGMAS: f64 = 5.0;
const MOST_LEFT_SHARE: f64 = 0.25;
/// Centre and kernel of a half are known so much less than the night's.
const OWN_OF_HALF: f64 = 5.0;
/// How far a feature may turn from one half to the other.
const DRIFT_RAD: f64 = 0.2;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let model = c.model;
    if model.halves.len() < 2 {
        return Challenge::not_tested(
            "halves",
            "The frames cannot be divided into two halves that both show the comet.",
        );
    }
    let fitted = c.fitted();
    let mut all = c.beside().to_vec();
    // the halves' own seeing, centre and the feature's turning are theirs
    let drift = fitted.derivatives.first().map(|d| d * fitted.amplitude);
    all.extend(drift.map(|direction| Nuisance { source: Source::Feature(c.index), direction, sigma: DRIFT_RAD }));
    let nuisances = Nuisances::new(model.space.dim, &all);
    // What goes with the comet is the same in both halves, the other features too. A galaxy that the comet passes is not; where several
    // features stand for it, each finds the others following it.
    let lasting = |n: &&Nuisance| {
        n.source != Source::Feature(c.index) && matches!(n.source, Source::Feature(_) | Source::Broad(_))
    };
    let own: Vec<Nuisance> = all
        .iter()
        .filter(|n| !lasting(n))
        .map(|n| match n.source {
            Source::Centre | Source::Kernel => Nuisance { sigma: OWN_OF_HALF * n.sigma, ..n.clone() },
            _ => n.clone(),
        })
        .collect();
    let own = Nuisances::new(model.space.dim, &own);
    let mut left = (0.0f64, 0.0f64);
    let (mut worst, mut failed, mut absent) = (0.0f64, false, false);
    let mut amplitudes = Vec::new();
    for pair in model.halves.chunks_exact(2) {
        let measured: Vec<Amplitude> = pair
            .iter()
            .map(|(data, share)| {
                let a = Amplitude::of(&fitted.unit, &nuisances, data);
                // noise of a half against that of the whole, for which the space is made
                Amplitude { sigma: a.sigma / share.sqrt(), ..a }
            })
            .collect();
        let [a, b] = measured.as_slice() else { continue };
        let difference = (a.value - b.value).abs();
        let sigmas = difference / a.sigma.hypot(b.sigma);
        let mean = 0.5 * (a.value + b.value);
        failed |= sigmas > LARGEST_SIGMAS && difference > LARGEST_SHARE * mean.abs();
        absent |=
            measured.iter().any(|m| fitted.amplitude / m.sigma >= EXPECTED_SIGMAS && m.significance() < ABSENT_SIGMAS);
        worst = worst.max(sigmas);
        let [(first, share), (second, other_share)] = pair else { continue };
        let difference = Amplitude::of(&fitted.unit, &own, &(first - second));
        let sigmas = difference.significance().abs() / (1.0 / share + 1.0 / other_share).sqrt();
        let of_feature = (difference.value / fitted.amplitude).abs();
        failed |= sigmas > MOST_LEFT_SIGMAS && of_feature > MOST_LEFT_SHARE;
        if sigmas > left.0 {
            left = (sigmas, of_feature);
        }
        amplitudes.push((a.value / fitted.amplitude, b.value / fitted.amplitude));
    }
    let shares: Vec<String> = amplitudes.iter().map(|(a, b)| format!("{} and {}", short(*a), short(*b))).collect();
    let explanation = format!(
        "The halves ({}) show {} of its strength; they differ by {} of their errors at most; without \
         other features that follow the difference, by {} of its strength, {} errors.",
        model.half_names.join("; "),
        shares.join(", and "),
        short(worst),
        per_cent(left.1),
        short(left.0)
    );
    Challenge::judged("halves", !failed && !absent, (worst, LARGEST_SIGMAS), explanation)
}
