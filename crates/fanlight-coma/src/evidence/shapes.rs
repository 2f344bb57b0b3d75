//! Wedges and arcs as the stack shows them: their own light, blurred, as a share of the mean coma, ring by ring and mode by mode.

use super::coma_model::ComaModel;
use super::mode_space::{MAX_MODES, ModeSpace};
use super::round_blur::{BlurAt, RoundBlur};
use nalgebra::DVector;
use rayon::prelude::*;
use std::f64::consts::{LN_2, PI};

/// Knots of a wedge's radial run.
pub const HATS: usize = 14;
/// Radii and radial widths of the arcs searched for.
pub const ARC_RADII: usize = 11;
const ARCS: usize = 2 * ARC_RADII;
/// Radial full widths at half maximum of the arcs searched for: in kernel widths, and as a share of the radius.
const ARC_WIDTHS: (f64, f64) = (1.2, 0.3);

/// Azimuthal factors of cos m(ψ − pa) for m from 0.
pub type Azimuthal = [f64; MAX_MODES + 1];

/// Blurred building blocks of a night's coma.
pub struct Shapes {
    /// Distances of the knots.
    pub knots_px: [f64; HATS],
    /// Middle radius and radial full width at half maximum of the arcs searched for.
    pub arcs_px: Vec<(f64, f64)>,
    /// Per ring, per mode: a hat about each knot.
    hats: Vec<Vec<[f64; HATS]>>,
    /// Per ring, per mode: each arc.
    arcs: Vec<Vec<[f64; ARCS]>>,
    /// Distances at which light is given to be blurred, and the coma's own there.
    nodes_px: Vec<f64>,
    own: Vec<f64>,
    /// Per ring: the kernel on light at the nodes.
    blurs: Vec<BlurAt>,
    mean: Vec<f64>,
}

/// Nodes lie this much of their distance apart, no nearer than the first lies to the nucleus and no farther than this many kernel widths.
const NODE_STEP: (f64, f64) = (0.02, 0.03);
const FIRST_NODE_PX: f64 = 0.02;

/// Factors as shares of a mean.
fn over<const N: usize>(factors: Vec<[f64; N]>, mean: f64) -> Vec<[f64; N]> {
    factors.into_iter().map(|f| f.map(|v| v / mean)).collect()
}

/// Nodes from the nucleus to beyond a distance.
fn nodes(fwhm_px: f64, to_px: f64) -> Vec<f64> {
    let mut nodes = vec![0.0, FIRST_NODE_PX];
    while let Some(last) = nodes.last().copied().filter(|last| *last < to_px) {
        nodes.push(last + (NODE_STEP.0 * last).max(0.5 * FIRST_NODE_PX).min(NODE_STEP.1 * fwhm_px));
    }
    nodes
}

/// A wedge: Gaussian across, any run along.
#[derive(Debug, Clone, PartialEq)]
pub struct Wedge {
    /// Position angle of the ridge at the pivot.
    pub pa_rad: f64,
    /// Distance at which it has that position angle.
    pub pivot_px: f64,
    /// Full width at half maximum in position angle.
    pub width_rad: f64,
    /// Change of position angle with distance.
    pub curvature_rad_per_px: f64,
    /// Share of the coma's own light on the ridge at the knots.
    pub run: [f64; HATS],
}

impl Wedge {
    /// Position angle of the ridge at a distance.
    pub fn ridge_rad(&self, rho_px: f64) -> f64 {
        self.pa_rad + self.curvature_rad_per_px * (rho_px - self.pivot_px)
    }
}

impl Shapes {
    /// Blurs the blocks for the rings of a space; knots from `from_px` to `to_px`.
    pub fn new(
        space: &ModeSpace,
        coma: &ComaModel,
        blur: &RoundBlur,
        fwhm_px: f64,
        (from_px, to_px): (f64, f64),
    ) -> Self {
        let step = (to_px / from_px).ln() / (HATS - 1) as f64;
        let knots_px: [f64; HATS] = std::array::from_fn(|j| from_px * (step * j as f64).exp());
        let hat = |rho: f64| -> [f64; HATS] {
            let t = ((rho.max(1e-6) / from_px).ln() / step).clamp(0.0, (HATS - 1) as f64);
            std::array::from_fn(|j| (1.0 - (t - j as f64).abs()).max(0.0))
        };
        let (inner, outer) = (from_px + 0.6 * fwhm_px, 0.85 * to_px);
        let arcs_px: Vec<(f64, f64)> = (0..ARCS)
            .map(|i| {
                let radius = inner * (outer / inner).powf((i / 2) as f64 / (ARC_RADII - 1) as f64);
                let width = ARC_WIDTHS.0 * fwhm_px;
                (radius, if i % 2 == 0 { width } else { (ARC_WIDTHS.1 * radius).max(1.5 * width) })
            })
            .collect();
        let mean: Vec<f64> = (0..space.rings.len()).map(|i| space.mean_coma(i)).collect();
        let farthest = space.rings.iter().map(|r| r.rho_px).fold(to_px, f64::max);
        let nodes_px = nodes(fwhm_px, farthest + blur.reach_px());
        let own: Vec<f64> = nodes_px.iter().map(|r| coma.own(r.max(0.5 * FIRST_NODE_PX))).collect();
        let at_nodes = || nodes_px.iter().zip(&own);
        let hats: Vec<[f64; HATS]> = at_nodes().map(|(r, own)| hat(*r).map(|h| h * own)).collect();
        let arc = |(r, own): (&f64, &f64)| -> [f64; ARCS] {
            std::array::from_fn(|a| own * gaussian(r - arcs_px[a].0, arcs_px[a].1))
        };
        let arcs: Vec<[f64; ARCS]> = at_nodes().map(arc).collect();
        let of_ring = |i: usize| {
            let blur = blur.on_nodes(&nodes_px, space.rings[i].rho_px, MAX_MODES);
            let blocks = (over(blur.modes(&hats), mean[i]), over(blur.modes(&arcs), mean[i]));
            (blur, blocks)
        };
        let rings: Vec<_> = (0..space.rings.len()).into_par_iter().map(of_ring).collect();
        let (blurs, (hats, arcs)) = rings.into_iter().unzip();
        Self { knots_px, arcs_px, hats, arcs, nodes_px, own, blurs, mean }
    }

    /// Factor of mode `m` of a straight wedge's run at a ring, before the angular shape.
    pub fn run_at(&self, ring: usize, m: usize, run: &[f64; HATS]) -> f64 {
        self.hats[ring][m].iter().zip(run).map(|(h, r)| h * r).sum()
    }

    /// The same of an arc searched for.
    pub fn arc_at(&self, ring: usize, m: usize, arc: usize) -> f64 {
        self.arcs[ring][m][arc]
    }

    /// Factors of a blurred arc of any radius and radial width, ring by ring and mode by mode.
    pub fn arc_factors(&self, space: &ModeSpace, radius_px: f64, width_px: f64) -> Vec<Vec<f64>> {
        let light: Vec<[f64; 1]> =
            (self.nodes_px.iter().zip(&self.own)).map(|(r, own)| [own * gaussian(r - radius_px, width_px)]).collect();
        let of_ring = |(i, ring): (usize, &super::mode_space::ModeRing)| -> Vec<f64> {
            if (ring.rho_px - radius_px).abs() > 2.5 * width_px + 3.0 * (ring.outer_px - ring.inner_px) {
                return vec![0.0; MAX_MODES + 1];
            }
            self.blurs[i].modes(&light).into_iter().map(|f| f[0] / self.mean[i]).collect()
        };
        space.rings.par_iter().enumerate().map(of_ring).collect()
    }

    /// A wedge in the space of the search.
    pub fn wedge(&self, space: &ModeSpace, wedge: &Wedge) -> DVector<f64> {
        self.wedge_of(space, wedge, &gaussian_azimuth(wedge.width_rad))
    }

    /// A wedge of any angular shape in the space of the search.
    pub fn wedge_of(&self, space: &ModeSpace, wedge: &Wedge, azimuth: &Azimuthal) -> DVector<f64> {
        let at: Vec<f64> = self.knots_px.iter().map(|k| wedge.ridge_rad(*k)).collect();
        space.model(|i, ring| {
            let mut out = vec![(0.0, 0.0); ring.modes];
            for (j, pa) in at.iter().enumerate() {
                if wedge.run[j] == 0.0 {
                    continue;
                }
                let (sin1, cos1) = pa.sin_cos();
                let (mut c, mut s) = (cos1, sin1);
                for (m, pair) in out.iter_mut().enumerate() {
                    let factor = self.hats[i][m + 1][j] * wedge.run[j] * azimuth[m + 1];
                    pair.0 += factor * c;
                    pair.1 += factor * s;
                    (c, s) = (c * cos1 - s * sin1, s * cos1 + c * sin1);
                }
            }
            Some(out)
        })
    }

    /// An arc in the space of the search.
    pub fn arc(&self, space: &ModeSpace, factors: &[Vec<f64>], pa_rad: f64, azimuth: &Azimuthal) -> DVector<f64> {
        space.model(|i, ring| {
            Some(
                (1..=ring.modes)
                    .map(|m| {
                        let (sin, cos) = (m as f64 * pa_rad).sin_cos();
                        let factor = factors[i][m] * azimuth[m];
                        (factor * cos, factor * sin)
                    })
                    .collect(),
            )
        })
    }

    /// What a wedge of height 1 shows on its ridge at a ring, as seen: its own light minus its azimuthal mean over the mean coma.
    pub fn wedge_on_ridge(&self, ring: usize, wedge: &Wedge) -> f64 {
        let azimuth = gaussian_azimuth(wedge.width_rad);
        (1..=MAX_MODES).map(|m| azimuth[m] * self.run_at(ring, m, &wedge.run)).sum()
    }

    /// The same averaged evenly over distance between two ends.
    pub fn mean_on_ridge(&self, space: &ModeSpace, wedge: &Wedge, (from_px, to_px): (f64, f64)) -> f64 {
        let rings = &space.rings;
        let values: Vec<f64> = (0..rings.len()).map(|i| self.wedge_on_ridge(i, wedge)).collect();
        let n = 60;
        let at = |rho: f64| {
            let after = rings.partition_point(|r| r.rho_px < rho).clamp(1, rings.len() - 1);
            let (a, b) = (&rings[after - 1], &rings[after]);
            let t = ((rho - a.rho_px) / (b.rho_px - a.rho_px)).clamp(0.0, 1.0);
            values[after - 1] * (1.0 - t) + values[after] * t
        };
        let step = |i: i32| from_px + (to_px - from_px) * (f64::from(i) + 0.5) / f64::from(n);
        (0..n).map(|i| at(step(i))).sum::<f64>() / f64::from(n)
    }

    /// Full width at half maximum, before blurring, of a wedge that is as wide as seen between two distances; of one that is narrower than the
    /// kernel lets any be, or wider than any can be told from an even rise to one side, the nearest that there is.
    pub fn wedge_width_rad(&self, space: &ModeSpace, seen_rad: f64, wedge: &Wedge, ends_px: (f64, f64)) -> f64 {
        let (mut low, mut high) = (4f64.to_radians(), 200f64.to_radians());
        while high - low > 1e-3 {
            let width_rad = 0.5 * (low + high);
            let wider = self.wedge_width_seen_rad(space, &Wedge { width_rad, ..wedge.clone() }, ends_px) > seen_rad;
            if wider { high = width_rad } else { low = width_rad }
        }
        0.5 * (low + high)
    }

    /// Full width at half maximum of a wedge as seen, averaged over rings between two distances.
    pub fn wedge_width_seen_rad(&self, space: &ModeSpace, wedge: &Wedge, (from_px, to_px): (f64, f64)) -> f64 {
        let azimuth = gaussian_azimuth(wedge.width_rad);
        let rings: Vec<usize> =
            (0..space.rings.len()).filter(|i| (from_px..=to_px).contains(&space.rings[*i].rho_px)).collect();
        let run = |m: usize| rings.iter().map(|r| self.run_at(*r, m, &wedge.run)).sum();
        let runs: Vec<f64> = (0..=MAX_MODES).map(run).collect();
        let n = 720;
        let profile: Vec<f64> = (0..=n / 2)
            .map(|k| {
                let cos = (PI * f64::from(k) / f64::from(n / 2)).cos();
                // cos (m + 1)ψ = 2 cos ψ cos mψ − cos (m − 1)ψ
                let (mut before, mut now, mut sum) = (cos, 1.0, 0.0);
                for (a, run) in azimuth.iter().zip(&runs) {
                    sum += a * run * now;
                    (before, now) = (now, 2.0 * cos * now - before);
                }
                sum
            })
            .collect();
        let floor = profile.iter().copied().fold(f64::INFINITY, f64::min);
        let half = 0.5 * (profile[0] + floor);
        let side = profile.windows(2).enumerate().find(|(_, p)| p[1] < half);
        match side {
            Some((k, p)) => 2.0 * PI * (k as f64 + (p[0] - half) / (p[0] - p[1])) / f64::from(n / 2),
            None => wedge.width_rad,
        }
    }
}

/// 1 at 0, a half at half the full width.
pub fn gaussian(x: f64, fwhm: f64) -> f64 {
    (-4.0 * LN_2 * (x / fwhm).powi(2)).exp()
}

/// A Gaussian of unit height and a full width at half maximum, wrapped round the circle.
pub fn gaussian_azimuth(width_rad: f64) -> Azimuthal {
    let sigma = width_rad / (8.0 * LN_2).sqrt();
    let mean = sigma / (2.0 * PI).sqrt();
    std::array::from_fn(|m| {
        let factor = (-0.5 * (m as f64 * sigma).powi(2)).exp();
        if m == 0 { mean } else { 2.0 * mean * factor }
    })
}

/// An arc of unit height and a length, its ends falling over a tenth of it.
pub fn arc_azimuth(length_rad: f64) -> Azimuthal {
    let end_sigma = 0.04 * length_rad;
    std::array::from_fn(|m| {
        let m = m as f64;
        if m == 0.0 {
            return length_rad / (2.0 * PI);
        }
        2.0 * (0.5 * m * length_rad).sin() / (PI * m) * (-0.5 * (m * end_sigma).powi(2)).exp()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(azimuth: &Azimuthal, psi: f64) -> f64 {
        azimuth.iter().enumerate().map(|(m, a)| a * (m as f64 * psi).cos()).sum()
    }

    #[test]
    fn azimuthal_shapes_have_their_widths() {
        for width_deg in [20.0f64, 60.0, 120.0] {
            let width = width_deg.to_radians();
            let wedge = gaussian_azimuth(width);
            for psi in [0.0, 0.25 * width, 0.5 * width, width] {
                let wrapped = gaussian(psi, width) + gaussian(psi - 2.0 * PI, width);
                assert!((sum(&wedge, psi) - wrapped).abs() < 0.005, "{width_deg} at {psi}");
            }
            let arc = arc_azimuth(width);
            assert!((sum(&arc, 0.0) - 1.0).abs() < 0.15 && (sum(&arc, 0.5 * width) - 0.5).abs() < 0.06);
            assert!(sum(&arc, 0.8 * width).abs() < 0.15);
        }
    }
}
