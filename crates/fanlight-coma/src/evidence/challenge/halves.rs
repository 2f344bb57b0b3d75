//! Is it in both halves of the night? Two halves of interleaved frames, and the first and the second by time.

use super::{Amplitude, Challenge, Challenged, per_cent, short};
use crate::evidence::feature_fit::Fitted;
use crate::evidence::mode_space::off_rad;
use crate::evidence::nuisance::{Nuisance, Nuisances, Source};
use nalgebra::DVector;

/// Amplitudes may differ by this many errors, or by this share.
const LARGEST_SIGMAS: f64 = 3.0;
const LARGEST_SHARE: f64 = 0.1;
/// Where a half should show this much, under this it is not there.
const EXPECTED_SIGMAS: f64 = 4.0;
const ABSENT_SIGMAS: f64 = 1.0;
/// Without other features and lopsidedness free to take it up, the difference may be this many errors, or this share of the feature.
const MOST_LEFT_SIGMAS: f64 = 5.0;
const MOST_LEFT_SHARE: f64 = 0.25;
/// Features so near to each other in position angle may be one light.
const BESIDE_RAD: f64 = 1.05;
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
    let (mut left, mut foreign) = ((0.0f64, 0.0f64), None);
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
        absent |=
            measured.iter().any(|m| fitted.amplitude / m.sigma >= EXPECTED_SIGMAS && m.significance() < ABSENT_SIGMAS);
        worst = worst.max(sigmas);
        let own_left = left_over(fitted, &own, pair);
        // features that overlap trade light between them: what they do not trade must differ, too
        let differs = sigmas > LARGEST_SIGMAS && difference > LARGEST_SHARE * mean.abs();
        failed |= differs && own_left.0 > LARGEST_SIGMAS && own_left.1 > LARGEST_SHARE;
        failed |= is_foreign(own_left);
        if own_left.0 > left.0 {
            left = own_left;
        }
        foreign =
            foreign.or_else(|| neighbours(c).find(|f| is_foreign(left_over(f, &own, pair))).map(|f| middle_pa(c, f)));
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
    // what stands among light that does not go with the comet may be of it, and may be real
    if let (Some(pa_rad), false, false) = (foreign, failed, absent) {
        let pa_deg = pa_rad.to_degrees().rem_euclid(360.0);
        return Challenge::not_tested(
            "halves",
            format!(
                "{explanation} But light beside it, at PA {pa_deg:.0}°, is not alike in both halves: it may be of the same."
            ),
        );
    }
    Challenge::judged("halves", !failed && !absent, (worst, LARGEST_SIGMAS), explanation)
}

/// What differs between two halves along a feature, in errors and as a share of the feature.
fn left_over(fitted: &Fitted, own: &Nuisances, pair: &[(DVector<f64>, f64)]) -> (f64, f64) {
    let [(first, share), (second, other_share)] = pair else { return (0.0, 0.0) };
    let difference = Amplitude::of(&fitted.unit, own, &(first - second));
    let sigmas = difference.significance().abs() / (1.0 / share + 1.0 / other_share).sqrt();
    (sigmas, (difference.value / fitted.amplitude).abs())
}

fn is_foreign((sigmas, share): (f64, f64)) -> bool {
    sigmas > MOST_LEFT_SIGMAS && share > MOST_LEFT_SHARE
}

/// Stronger features beside a feature: light of theirs may be its.
fn neighbours<'a>(c: &'a Challenged) -> impl Iterator<Item = &'a Fitted> {
    let (from, to) = c.extent_px();
    let features = c.findings.features.iter().enumerate().filter(|(i, _)| *i != c.index).map(|(_, f)| &f.fitted);
    // what only describes this feature better, or another, is no light of its own
    let own = c.fitted().significance();
    features.filter(move |f| f.stands_alone() && f.significance() > own).filter(move |f| {
        let (other_from, other_to) = c.model.extent_px(f);
        let overlap = other_from < to && from < other_to;
        overlap && off_rad(middle_pa(c, f), middle_pa(c, c.fitted())).abs() < BESIDE_RAD
    })
}

fn middle_pa(c: &Challenged, f: &Fitted) -> f64 {
    let (from, to) = c.model.extent_px(f);
    f.pa_at((from * to).sqrt()).0
}
