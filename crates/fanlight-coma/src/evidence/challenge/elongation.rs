//! Could the shape of star images have made it? Elongation and skew of the kernel are put at the worst of their 3σ region (weighed as
//! the centre is in its challenge), and
//! the plain rotational gradient of the twin is held against the night's.

use super::{Amplitude, Challenge, Challenged, per_cent, short};
use crate::evidence::nuisance::Source;

const SIGMAS: f64 = 3.0;
/// The kernel alone, or the twin in the rotational gradient, may give this share of the signal.
const LARGEST_SHARE: f64 = 0.5;

/// Nearer to the nucleus than this, in kernel widths, the kernel's form beyond an ellipse decides.
const LEAST_REACH_FWHM: f64 = 2.0;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let (_, outer_px) = c.extent_px();
    let outer_fwhm = outer_px / c.model.fwhm_px;
    if outer_fwhm < LEAST_REACH_FWHM {
        let explanation = format!(
            "It ends {} kernel widths from the nucleus: so near, a kernel that is not quite an ellipse draws rays and counter-rays of its own.",
            short(outer_fwhm)
        );
        return Challenge::judged("elongation", false, (outer_fwhm, LEAST_REACH_FWHM), explanation);
    }
    let nuisances = c.model.with_known_centre(c.beside());
    let found = Amplitude::of(&c.fitted().unit, &nuisances, &c.model.data);
    let terms = c.model.fixed.iter().filter(|n| n.source == Source::Kernel);
    let by_kernel = SIGMAS * terms.map(|n| (n.sigma * found.per_unit(&n.direction)).powi(2)).sum::<f64>().sqrt();
    let worst = (found.value - by_kernel) / found.sigma;
    let level = c.findings.chance.level(0.01);
    let share = by_kernel / found.value.max(1e-12);
    // what is broad does not show in a rotational gradient
    let twin_share = (!c.fitted().shape.is_broad()).then(|| twin_share(c));
    let of_gradient = twin_share.map_or_else(String::new, |s| {
        format!("; of what the plain rotational gradient shows here the twin explains {}", per_cent(s.clamp(0.0, 9.99)))
    });
    let passed = worst >= level && share <= LARGEST_SHARE && twin_share.is_none_or(|s| s <= LARGEST_SHARE);
    let explanation = format!(
        "With the kernel's elongation and skew at the worst of {SIGMAS:.0} of their errors the significance is {}, and they alone would give {} of the signal{of_gradient}.",
        short(worst),
        per_cent(share.min(9.99)),
    );
    Challenge::judged("elongation", passed, (worst, level), explanation)
}

/// Share of the night's plain rotational gradient along the ridge that the twin has too.
fn twin_share(c: &Challenged) -> f64 {
    let ridge = |rho_px: f64| c.fitted().pa_at(rho_px).0;
    let gradient = c.model.gradient_along(&c.rings(), ridge);
    let (twin, night) = (gradient.of_twin(c.model, c.findings), gradient.of_night(c.model));
    if night > 0.0 { twin / night } else { f64::from(u8::from(twin > 0.0)) }
}
