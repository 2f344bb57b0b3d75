//! How much of the light of an aperture seeing and motion take out of it.
//!
//! Light crosses the aperture's edge both ways; since a coma is brighter inside, more leaves than comes in. The share is
//! worked out for the coma that, blurred by the measured kernel, gives the measured profile.
//!
//! A circle about the centre sees only the azimuthal means of coma and kernel, so everything here is in rings.

use crate::kernel::KernelPart;
use fanlight_image::polar::Ring;
use std::f64::consts::{PI, TAU};

/// Rings beyond this many kernel widths show the coma as it is: there blurring changes a 1/ρ coma by under 2 %.
const RESOLVED_FWHM: f64 = 3.0;
/// A ring counts where it stands this many sigmas over the sky.
const MIN_SIGNAL_TO_NOISE: f64 = 3.0;
/// Fall-off taken where no ring says more (Jewitt & Meech 1987, ApJ 317, 992: 1 to 1.5).
const OUTER_SLOPE: f64 = 1.4;
/// Fall-offs of the inner coma that are considered: even light to nearly a point.
const INNER_SLOPE: (f64, f64) = (0.0, 1.95);
/// Kernel radii in kernel widths: from well inside the core to where a Moffat function of β = 2.5 has 10⁻⁵ of its light left.
const KERNEL_RADII: (f64, f64) = (0.03, 40.0);
/// Steps of the quadratures.
const KERNEL_STEPS: usize = 70;
const COMA_STEPS: usize = 160;
/// Directions over which the kernel is averaged; it repeats after half a turn.
const DIRECTIONS: usize = 16;

/// Coma and kernel of a stack, for the losses of any aperture.
#[derive(Debug, Clone)]
pub struct SeeingLoss {
    /// (distance, share of the light there) of the kernel's rings; the shares add to 1.
    kernel: Vec<(f64, f64)>,
    /// (ρ, brightness) where the coma is resolved, ρ ascending.
    resolved: Vec<(f64, f64)>,
    inner_slope: f64,
    fwhm_px: f64,
}

impl SeeingLoss {
    /// From the measured rings and the frames' kernels; `fwhm_px` is the kernel's width.
    ///
    /// The coma inside three kernel widths is a power of ρ, joined to the rings outside, with the slope that gives, once
    /// blurred, the light measured there. `None` where fewer than two rings outside show light.
    pub fn new(rings: &[Ring], parts: &[KernelPart], fwhm_px: f64) -> Option<Self> {
        let shown = |r: &&Ring| {
            let sigma = r.sigma_of_mean.unwrap_or(f64::INFINITY);
            r.n_good > 0 && r.mean > MIN_SIGNAL_TO_NOISE * sigma && r.mean_radius_px >= RESOLVED_FWHM * fwhm_px
        };
        let resolved: Vec<(f64, f64)> = rings.iter().filter(shown).map(|r| (r.mean_radius_px, r.mean)).collect();
        let kernel = kernel_rings(parts, fwhm_px);
        if resolved.len() < 2 || kernel.is_empty() {
            return None;
        }
        let inner = rings.iter().take_while(|r| r.outer_px <= resolved[0].0);
        let seen: f64 = inner.clone().map(|r| r.mean * PI * (r.outer_px.powi(2) - r.inner_px.powi(2))).sum();
        let edge_px = inner.last()?.outer_px;
        let mut coma = Self { kernel, resolved, inner_slope: 1.0, fwhm_px };
        let (mut shallow, mut steep) = INNER_SLOPE;
        for _ in 0..30 {
            coma.inner_slope = 0.5 * (shallow + steep);
            if coma.own_light(edge_px) - coma.lost_light(edge_px) < seen {
                shallow = coma.inner_slope;
            } else {
                steep = coma.inner_slope;
            }
        }
        Some(coma)
    }

    /// Share of an aperture's light before blurring that blurring takes out of it, 0 to 1.
    ///
    /// # Accuracy
    /// 0.5 % of itself against a dense two-dimensional convolution of a 1/ρ coma (tests).
    pub fn in_aperture(&self, radius_px: f64) -> f64 {
        self.lost_light(radius_px) / self.own_light(radius_px)
    }

    /// The coma before blurring: the measured rings joined by powers, a power inside them.
    fn brightness(&self, rho: f64) -> f64 {
        let (first, last) = (self.resolved[0], self.resolved[self.resolved.len() - 1]);
        if rho <= first.0 {
            return first.1 * (rho / first.0).powf(-self.inner_slope);
        }
        if rho >= last.0 {
            return last.1 * (rho / last.0).powf(-OUTER_SLOPE);
        }
        let i = self.resolved.partition_point(|r| r.0 <= rho).clamp(1, self.resolved.len() - 1);
        let (a, b) = (self.resolved[i - 1], self.resolved[i]);
        a.1 * (b.1 / a.1).powf((rho / a.0).ln() / (b.0 / a.0).ln())
    }

    /// Light inside a radius before blurring.
    fn own_light(&self, radius_px: f64) -> f64 {
        let first = self.resolved[0];
        let inner = first.0.min(radius_px);
        let power = 2.0 - self.inner_slope;
        let core = TAU * first.1 * first.0.powf(self.inner_slope) * inner.powf(power) / power;
        if radius_px <= first.0 {
            return core;
        }
        core + log_steps(first.0, radius_px, COMA_STEPS)
            .map(|(rho, d)| self.brightness(rho) * TAU * rho * d)
            .sum::<f64>()
    }

    /// Light that leaves a circle by blurring less what comes in.
    fn lost_light(&self, radius_px: f64) -> f64 {
        let inside = |rho: f64| -> f64 { self.kernel.iter().map(|(s, w)| w * arc_inside(rho, *s, radius_px)).sum() };
        let nearest = 1e-3 * self.fwhm_px;
        // steps grow with the distance from the edge, where most of the exchange happens
        let leaves: f64 = log_steps(nearest, radius_px, COMA_STEPS)
            .map(|(d, step)| (radius_px - d, step))
            .map(|(rho, step)| self.brightness(rho) * TAU * rho * (1.0 - inside(rho)) * step)
            .sum();
        let comes: f64 = log_steps(nearest, KERNEL_RADII.1 * self.fwhm_px, COMA_STEPS)
            .map(|(d, step)| (radius_px + d, step))
            .map(|(rho, step)| self.brightness(rho) * TAU * rho * inside(rho) * step)
            .sum();
        leaves - comes
    }
}

/// Midpoints and widths of steps of one ratio between two positive numbers.
fn log_steps(from: f64, to: f64, n: usize) -> impl Iterator<Item = (f64, f64)> {
    let ratio = (to / from).max(1.0).powf(1.0 / n as f64);
    (0..n).map(move |i| {
        let a = from * ratio.powi(i as i32);
        (0.5 * (a + a * ratio), a * (ratio - 1.0))
    })
}

/// Share of a circle of radius `s` about a point at distance `rho` from the centre that lies within `radius`.
fn arc_inside(rho: f64, s: f64, radius: f64) -> f64 {
    if rho + s <= radius {
        1.0
    } else if (rho - s).abs() >= radius {
        0.0
    } else {
        ((rho * rho + s * s - radius * radius) / (2.0 * rho * s)).clamp(-1.0, 1.0).acos() / PI
    }
}

/// The mean kernel in rings; empty without parts.
pub(crate) fn kernel_rings(parts: &[KernelPart], fwhm_px: f64) -> Vec<(f64, f64)> {
    // a night's frames are alike: eight of them, spread over it, make the mean
    let step = parts.len().div_ceil(8).max(1);
    let densities: Vec<_> = parts.iter().step_by(step).map(KernelPart::density).collect();
    let mean = |s: f64| -> f64 {
        let turns = (0..DIRECTIONS).map(|i| PI * (i as f64 + 0.5) / DIRECTIONS as f64);
        turns.map(|t| densities.iter().map(|d| d(s * t.cos(), s * t.sin())).sum::<f64>()).sum()
    };
    let core = KERNEL_RADII.0 * fwhm_px;
    let mut rings = vec![(0.5 * core, mean(0.5 * core) * PI * core * core)];
    rings.extend(log_steps(core, KERNEL_RADII.1 * fwhm_px, KERNEL_STEPS).map(|(s, d)| (s, mean(s) * TAU * s * d)));
    let total: f64 = rings.iter().map(|r| r.1).sum();
    if !(total.is_finite() && total > 0.0) {
        return Vec::new();
    }
    rings.iter_mut().for_each(|r| r.1 /= total);
    rings
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::Moffat;

    fn parts(fwhm: f64, paths_px: [(f64, f64); 2]) -> Vec<KernelPart> {
        vec![KernelPart { seeing: Moffat::round(fwhm, 3.0), paths_px, weight: 1.0 }]
    }

    /// Light in a circle of a 1/ρ coma blurred by a kernel, as a sum over the kernel's plane: a point of the kernel moves
    /// the coma, and a moved 1/ρ coma has the light of a circle off its middle, summed in polar coordinates about the coma.
    fn light_of_dense_convolution(kernel: &KernelPart, radius: f64) -> f64 {
        let density = kernel.density();
        let moved = |d: f64| -> f64 {
            // ∫ over directions of the distance from the coma's middle to the circle's edge
            let n = 200;
            let along = |t: f64| {
                let (sin, cos) = t.sin_cos();
                let inside = radius * radius - d * d * sin * sin;
                match d < radius {
                    true => d * cos + inside.sqrt(),
                    false if cos > 0.0 && inside > 0.0 => 2.0 * inside.sqrt(),
                    false => 0.0,
                }
            };
            (0..n).map(|i| along(TAU * (f64::from(i) + 0.5) / f64::from(n))).sum::<f64>() * TAU / f64::from(n)
        };
        let (step, reach) = (0.4, 60.0);
        let n = (2.0 * reach / step) as i32;
        let at = |i: i32| (f64::from(i) + 0.5) * step - reach;
        let (mut light, mut total) = (0.0, 0.0);
        for (x, y) in (0..n).flat_map(|i| (0..n).map(move |j| (at(i), at(j)))) {
            let weight = density(x, y);
            light += weight * moved(x.hypot(y));
            total += weight;
        }
        light / total
    }

    fn rings_of(brightness: impl Fn(f64) -> f64) -> Vec<Ring> {
        let mut edges = vec![0.0f64, 1.0];
        while edges[edges.len() - 1] < 200.0 {
            let last = edges[edges.len() - 1];
            edges.push(last + (0.1 * last).max(1.0));
        }
        edges
            .windows(2)
            .map(|e| {
                let light: f64 = log_steps(e[0].max(1e-4), e[1], 50).map(|(r, d)| brightness(r) * TAU * r * d).sum();
                Ring {
                    inner_px: e[0],
                    outer_px: e[1],
                    mean_radius_px: 0.5 * (e[0] + e[1]),
                    mean: light / (PI * (e[1] * e[1] - e[0] * e[0])),
                    sigma_of_mean: Some(1e-9),
                    median: brightness(0.5 * (e[0] + e[1])),
                    scatter: 0.0,
                    n_good: 100,
                    n_total: 100,
                }
            })
            .collect()
    }

    /// A 1/ρ coma of unit strength has 2πR inside R before blurring.
    #[test]
    fn the_loss_is_that_of_a_dense_convolution() {
        for paths in [[(0.0, 0.0); 2], [(6.0, 0.0); 2]] {
            let parts = parts(3.0, paths);
            let mut coma = SeeingLoss::new(&rings_of(|r| 1.0 / r), &parts, 3.0).unwrap();
            coma.inner_slope = 1.0;
            for radius in [4.0, 10.0, 30.0] {
                let expected = 1.0 - light_of_dense_convolution(&parts[0], radius) / (TAU * radius);
                let got = coma.in_aperture(radius);
                // the dense sum's own reach and step limit it to a few parts in a thousand of the light at 30 px
                let allowed = 0.005 * expected + 0.0004;
                assert!((got - expected).abs() < allowed, "{paths:?}, {radius} px: {got}, {expected}");
            }
        }
    }

    /// Rings of a coma that was blurred give the loss that its own slope has.
    #[test]
    fn the_slope_under_the_blur_is_found() {
        let parts = parts(3.0, [(0.0, 0.0); 2]);
        let truth = SeeingLoss::new(&rings_of(|r| r.powf(-1.2)), &parts, 3.0).unwrap();
        let own = SeeingLoss { inner_slope: 1.2, ..truth };
        // blurred rings: differences of the light inside their edges
        let mut blurred = rings_of(|r| r.powf(-1.2));
        let inside = |r: f64| if r == 0.0 { 0.0 } else { own.own_light(r) - own.lost_light(r) };
        for ring in &mut blurred {
            let area = PI * (ring.outer_px.powi(2) - ring.inner_px.powi(2));
            ring.mean = (inside(ring.outer_px) - inside(ring.inner_px)) / area;
        }
        let found = SeeingLoss::new(&blurred, &parts, 3.0).unwrap();
        for radius in [4.0, 8.0, 20.0] {
            let (got, expected) = (found.in_aperture(radius), own.in_aperture(radius));
            assert!((got / expected - 1.0).abs() < 0.08, "{radius} px: {got}, {expected}; slope {}", found.inner_slope);
        }
    }

    #[test]
    fn without_rings_that_show_light_there_is_no_answer() {
        let parts = parts(3.0, [(0.0, 0.0); 2]);
        assert!(SeeingLoss::new(&[], &parts, 3.0).is_none());
        assert!(SeeingLoss::new(&rings_of(|_| 0.0), &parts, 3.0).is_none());
        assert!(SeeingLoss::new(&rings_of(|r| 1.0 / r), &[], 3.0).is_none());
    }
}
