//! What is commonly done: a rotational gradient of the stack, and every direction in it that stands out is a jet.

use super::score::turned_deg;
use super::truth::TrueFeature;
use fanlight::night::measure_stack::MeasuredStack;
use fanlight_coma::stack::{apply, inverse};
use fanlight_image::{polar, robust};

/// Radii over which the gradient is averaged, arcsec.
const RANGE_ARCSEC: (f64, f64) = (5.0, 20.0);
/// Directions looked at.
const N_DIRECTIONS: usize = 180;
/// Height over the median in units of the scatter from which a direction is called a jet.
const CALLED_SIGMA: f64 = 3.0;
/// Waves round the clock that the eye does not take for scatter: the scatter is about them. Without that, the two opposite rays
/// that a trailed star image draws would hide in the scatter that they make themselves.
const SMOOTH_ORDERS: usize = 3;
/// Calls closer than this are one.
const ONE_CALL_DEG: f64 = 20.0;
/// A call this close to a jet is that jet, however narrow it is.
const WITHIN_DEG: f64 = 10.0;

/// The directions that a plain rotational gradient calls jets.
pub fn calls(stack: &MeasuredStack) -> Vec<f64> {
    let Ok(gradient) = stack.rotational_gradient() else { return Vec::new() };
    let px_from_arcsec = inverse(stack.grid.local.arcsec_per_px);
    let n_radii = ((RANGE_ARCSEC.1 - RANGE_ARCSEC.0) / (0.5 * stack.scale_arcsec())).ceil() as usize;
    let along = |direction: usize| -> f64 {
        let (sin, cos) = (direction as f64 / N_DIRECTIONS as f64 * std::f64::consts::TAU).sin_cos();
        let values = (0..n_radii).filter_map(|k| {
            let rho = RANGE_ARCSEC.0 + (k as f64 + 0.5) / n_radii as f64 * (RANGE_ARCSEC.1 - RANGE_ARCSEC.0);
            let (dx, dy) = apply(px_from_arcsec, (rho * sin, rho * cos));
            let value = polar::sample_bilinear(&gradient, stack.centre_px.0 + dx, stack.centre_px.1 + dy)?;
            value.is_finite().then_some(f64::from(value))
        });
        let values: Vec<f64> = values.collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    peaks_deg(&(0..N_DIRECTIONS).map(along).collect::<Vec<_>>())
}

/// Directions of the peaks that stand out of a profile round the clock, the highest first.
fn peaks_deg(profile: &[f64]) -> Vec<f64> {
    let (median, sigma) = (robust::median_f64(&mut profile.to_vec()), robust::mad_sigma_f64(&mut about_waves(profile)));
    let (Some(median), Some(sigma)) = (median, sigma) else { return Vec::new() };
    let mut high: Vec<usize> = (0..profile.len()).filter(|i| profile[*i] > median + CALLED_SIGMA * sigma).collect();
    high.sort_by(|a, b| profile[*b].total_cmp(&profile[*a]));
    let mut called: Vec<f64> = Vec::new();
    for i in high {
        let pa = i as f64 * 360.0 / profile.len() as f64;
        if called.iter().all(|c| turned_deg(*c, pa).abs() >= ONE_CALL_DEG) {
            called.push(pa);
        }
    }
    called
}

/// What the lowest waves round the clock leave of a profile.
fn about_waves(profile: &[f64]) -> Vec<f64> {
    let n = profile.len() as f64;
    let phase = |order: usize, i: usize| (order * i) as f64 / n * std::f64::consts::TAU;
    let mut left = profile.to_vec();
    for order in 0..=SMOOTH_ORDERS {
        let norm = if order == 0 { n } else { 0.5 * n };
        let product = |wave: fn(f64) -> f64| -> f64 {
            profile.iter().enumerate().map(|(i, v)| v * wave(phase(order, i))).sum::<f64>() / norm
        };
        let (sin, cos) = (product(f64::sin), product(f64::cos));
        left.iter_mut().enumerate().for_each(|(i, v)| {
            let (s, c) = phase(order, i).sin_cos();
            *v -= sin * s + cos * c;
        });
    }
    left
}

/// Which call is a true jet or arc, per call; and which narrow structure was called, per structure.
pub fn judged(calls: &[f64], truths: &[TrueFeature]) -> (Vec<bool>, Vec<bool>) {
    let is = |call: f64, t: &TrueFeature| {
        let (low, high) = (t.inner_arcsec.max(RANGE_ARCSEC.0), t.outer_arcsec.min(RANGE_ARCSEC.1));
        let off = turned_deg(t.pa_at_deg(0.5 * (low + high)), call).abs();
        t.is_narrow() && low < high && off <= (0.5 * t.width_deg).max(WITHIN_DEG)
    };
    let true_calls = calls.iter().map(|c| truths.iter().any(|t| is(*c, t))).collect();
    (true_calls, truths.iter().map(|t| calls.iter().any(|c| is(*c, t))).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed ripple of scatter 1 on a profile.
    fn rippled(of: impl Fn(usize) -> f64) -> Vec<f64> {
        (0..180).map(|i| of(i) + if i % 2 == 0 { 1.0 } else { -1.0 }).collect()
    }

    #[test]
    fn a_peak_is_called_and_what_is_too_low_is_not() {
        let profile = rippled(|i| if !(3..177).contains(&i) { 12.0 } else { 0.0 } + if i == 90 { 2.0 } else { 0.0 });
        assert_eq!(peaks_deg(&profile), [0.0]);
        assert!(peaks_deg(&[f64::NAN; 180]).is_empty());
    }

    #[test]
    fn two_opposite_rays_are_called() {
        let called = peaks_deg(&rippled(|i| 20.0 * (2.0 * (i as f64 * 2.0 - 40.0).to_radians()).cos()));
        assert!(called.iter().any(|c| turned_deg(*c, 40.0).abs() < 2.1), "{called:?}");
        assert!(called.iter().any(|c| turned_deg(*c, 220.0).abs() < 2.1), "{called:?}");
    }
}
