//! A round kernel on functions of distance times cos mθ: such a function stays one, so blurring is a sum in one dimension.

use std::f64::consts::PI;

/// A kernel averaged over direction, in rings.
#[derive(Debug, Clone)]
pub struct RoundBlur {
    /// (radius, share of the light there); the shares add to 1.
    rings: Vec<(f64, f64)>,
}

/// Directions of a ring, over half a turn.
const DIRECTIONS: usize = 24;

impl RoundBlur {
    /// From a kernel's rings: radius in px and share of the light.
    pub fn new(rings: Vec<(f64, f64)>) -> Self {
        Self { rings }
    }

    /// Radius of the outermost ring, px.
    pub fn reach_px(&self) -> f64 {
        self.rings.iter().map(|r| r.0).fold(0.0, f64::max)
    }

    /// Visits what a point at a distance sees of the light about it: distances from the nucleus with weights that add to 1.
    pub fn each(&self, rho_px: f64, mut visit: impl FnMut(f64, f64)) {
        self.points(rho_px, |along, across, weight| visit(along.hypot(across), weight));
    }

    fn points(&self, rho_px: f64, mut visit: impl FnMut(f64, f64, f64)) {
        for (s, share) in &self.rings {
            // where the ring is small, few directions suffice
            let n = if *s < 0.1 * rho_px { DIRECTIONS / 4 } else { DIRECTIONS };
            for k in 0..n {
                let (sin, cos) = (PI * (k as f64 + 0.5) / n as f64).sin_cos();
                visit(rho_px - s * cos, s * sin, share / n as f64);
            }
        }
    }
}

/// A round kernel on functions of distance at one place, made once for functions given at the nodes of a grid, between which they are taken
/// as straight.
#[derive(Debug, Clone)]
pub struct BlurAt {
    first: usize,
    /// Per node from the first: the factors of cos mθ.
    weights: Vec<Vec<f64>>,
}

impl RoundBlur {
    /// What functions of the distance times cos mθ become at a distance `rho_px`, for m from 0 to `modes`; the functions given on ascending
    /// nodes that reach as far as the kernel does.
    pub fn on_nodes(&self, nodes_px: &[f64], rho_px: f64, modes: usize) -> BlurAt {
        let n = nodes_px.len();
        let mut weights: Vec<Option<Vec<f64>>> = vec![None; n];
        self.points(rho_px, |along, across, weight| {
            let distance = along.hypot(across);
            let above = nodes_px.partition_point(|d| *d < distance).clamp(1, n - 1);
            let (from, to) = (nodes_px[above - 1], nodes_px[above]);
            let t = ((distance - from) / (to - from)).clamp(0.0, 1.0);
            let c = if distance > 0.0 { along / distance } else { 1.0 };
            for (node, share) in [(above - 1, 1.0 - t), (above, t)] {
                let row = weights[node].get_or_insert_with(|| vec![0.0; modes + 1]);
                let (mut before, mut now) = (c, 1.0);
                for factor in row {
                    *factor += weight * share * now;
                    (before, now) = (now, 2.0 * c * now - before);
                }
            }
        });
        let first = weights.iter().position(Option::is_some).unwrap_or(0);
        let last = weights.iter().rposition(Option::is_some).unwrap_or(0);
        let used = weights.drain(first..=last).map(|w| w.unwrap_or_else(|| vec![0.0; modes + 1]));
        BlurAt { first, weights: used.collect() }
    }
}

impl BlurAt {
    /// The blurred factors of cos mθ of several functions given at the nodes; `out[m][function]`.
    pub fn modes<const N: usize>(&self, at_nodes: &[[f64; N]]) -> Vec<[f64; N]> {
        let n = self.weights.first().map_or(0, Vec::len);
        let mut out = vec![[0.0; N]; n];
        for (row, values) in self.weights.iter().zip(&at_nodes[self.first..]) {
            for (function, value) in values.iter().enumerate() {
                // what is local is nothing at most nodes
                if *value != 0.0 {
                    out.iter_mut().zip(row).for_each(|(sum, factor)| sum[function] += factor * value);
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What `f(ρ) cos mθ` becomes at a distance, point by point: the factors of cos mθ, `out[m][function]`.
    fn modes<const N: usize>(
        blur: &RoundBlur,
        f: impl Fn(f64) -> [f64; N],
        rho_px: f64,
        modes: usize,
    ) -> Vec<[f64; N]> {
        let mut out = vec![[0.0; N]; modes + 1];
        blur.points(rho_px, |along, across, weight| {
            let value = f(along.hypot(across));
            let turn = across.atan2(along);
            for (m, row) in out.iter_mut().enumerate() {
                row.iter_mut().zip(&value).for_each(|(sum, v)| *sum += weight * (m as f64 * turn).cos() * v);
            }
        });
        out
    }

    /// A Gaussian of a Gaussian: exact for m = 0; and ρ^m cos mθ is harmonic, so that no round kernel changes it.
    #[test]
    fn known_blurs_come_out() {
        let sigma = 1.3f64;
        let steps = 400;
        let step = 8.0 * sigma / f64::from(steps);
        let rings: Vec<(f64, f64)> = (0..steps)
            .map(|i| (f64::from(i) + 0.5) * step)
            .map(|s| (s, s / (sigma * sigma) * (-0.5 * s * s / (sigma * sigma)).exp() * step))
            .collect();
        let blur = RoundBlur::new(rings);
        let own = 2.0f64;
        let wide = own.hypot(sigma);
        for rho in [0.5, 2.0, 5.0] {
            let got = modes(&blur, |r| [(-0.5 * (r / own).powi(2)).exp(), r], rho, 3);
            let expected = (own / wide).powi(2) * (-0.5 * (rho / wide).powi(2)).exp();
            assert!((got[0][0] - expected).abs() < 1e-3, "{} {expected}", got[0][0]);
            assert!((got[1][1] - rho).abs() < 2e-3 * rho.max(1.0), "{} {rho}", got[1][1]);
        }
        let got = modes(&blur, |r| [r.powi(3)], 4.0, 3);
        assert!((got[3][0] - 64.0).abs() < 0.1, "{got:?}");
        // on nodes a twentieth of the function's width apart
        let nodes: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
        let f = |r: f64| [(-0.5 * ((r - 6.0) / own).powi(2)).exp(), r];
        let at_nodes: Vec<[f64; 2]> = nodes.iter().map(|r| f(*r)).collect();
        for rho in [0.5, 2.0, 5.0, 9.0] {
            let (exact, near) = (modes(&blur, f, rho, 8), blur.on_nodes(&nodes, rho, 8).modes(&at_nodes));
            for (m, (e, n)) in exact.iter().zip(&near).enumerate() {
                assert!((e[0] - n[0]).abs() < 3e-4 && (e[1] - n[1]).abs() < 1e-9, "{rho} {m}: {e:?} {n:?}");
            }
        }
    }
}
