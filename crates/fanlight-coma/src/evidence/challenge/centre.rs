//! Could a misplaced centre have made it? The centre is put at the worst place of its 3σ region, the amplitude being weighed by
//! what is known of the centre: not projected out, or it could not move, nor taken for exact, or a bright comet's nucleus would decide alone.

use super::{Amplitude, Challenge, Challenged, per_cent, short};
use crate::evidence::nuisance::Source;

/// How far the centre is moved, in its errors.
const SIGMAS: f64 = 3.0;
/// The shift alone may give this share of the signal.
const LARGEST_SHARE: f64 = 0.5;

pub(super) fn challenge(c: &Challenged) -> Challenge {
    let nuisances = c.model.with_known_centre(c.beside());
    let found = Amplitude::of(&c.fitted().unit, &nuisances, &c.model.data);
    let axes = c.model.fixed.iter().filter(|n| n.source == Source::Centre);
    let per_px = axes.map(|n| found.per_unit(&n.direction).powi(2)).sum::<f64>().sqrt();
    let shift_px = SIGMAS * c.model.centre_sigma_px;
    let by_shift = shift_px * per_px;
    let worst = (found.value - by_shift) / found.sigma;
    let level = c.findings.chance.level(0.01);
    let share = by_shift / found.value.max(1e-12);
    let passed = worst >= level && share <= LARGEST_SHARE;
    let scale = c.model.frame.scale_arcsec();
    let explanation = format!(
        "With the centre {:.2}″ off ({SIGMAS:.0} of its errors) in the worst direction the significance is {} (from {}), and the shift alone would give {} of the signal.",
        shift_px * scale,
        short(worst),
        short(found.significance()),
        per_cent(share.min(9.99)),
    );
    Challenge::judged("centre", passed, (worst, level), explanation)
}
