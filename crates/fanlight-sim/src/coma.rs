//! The light of the comet on the sky, before any imaging.

use crate::quadrature::gauss_legendre;
use crate::scenario::{FeatureKeys, FeatureKind};
use std::f64::consts::PI;

/// The comet's light on the sky: a broken power law, structures on it, a point at the nucleus.
#[derive(Debug, Clone)]
pub(crate) struct Coma {
    /// Brightness that the innermost law has at 1″, e⁻/s per square arcsecond.
    pub amplitude: f64,
    /// Slopes inside the first break, between the breaks, outside the second.
    pub gammas: [f64; 3],
    /// Breaks in arcsec; infinite where there is none.
    pub breaks_arcsec: [f64; 2],
    /// Structures.
    pub features: Vec<Feature>,
    /// Light of the unresolved nucleus, e⁻/s.
    pub nucleus_e_per_s: f64,
}

/// Which light is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    /// Everything.
    Whole,
    /// One structure's own light, by index.
    Feature(usize),
}

/// A structure: its share of the smooth coma is `amplitude` times its shape.
#[derive(Debug, Clone)]
pub(crate) struct Feature {
    /// As asked for.
    pub keys: FeatureKeys,
    /// Share of the smooth coma at the ridge.
    pub amplitude: f64,
    /// Mean over all position angles of the angular shape.
    pub angular_mean: f64,
    inner_fade_arcsec: f64,
    outer_fade_arcsec: f64,
}

impl Feature {
    /// A structure whose amplitude is still to be set.
    pub fn new(keys: &FeatureKeys) -> Self {
        let mut feature = Self {
            keys: keys.clone(),
            amplitude: keys.contrast,
            angular_mean: 0.0,
            inner_fade_arcsec: keys.inner_fade_arcsec.unwrap_or(0.5 * keys.inner_arcsec),
            outer_fade_arcsec: keys.outer_fade_arcsec.unwrap_or(0.5 * keys.outer_arcsec),
        };
        let n = 7200;
        let at = |i: usize| (i as f64 + 0.5) * 360.0 / n as f64 - 180.0;
        feature.angular_mean = (0..n).map(|i| feature.angular(at(i))).sum::<f64>() / n as f64;
        feature
    }

    /// Position angle of the ridge, degrees.
    pub fn ridge_pa_deg(&self, rho_arcsec: f64) -> f64 {
        self.keys.pa_deg + self.keys.curvature_deg_per_arcsec * (rho_arcsec - self.keys.inner_arcsec)
    }

    /// Shape across the ridge, 1 on it.
    fn angular(&self, off_ridge_deg: f64) -> f64 {
        let width = self.keys.width_deg;
        if self.keys.kind == FeatureKind::Arc {
            // Ends that fall over a tenth of the length, at half maximum where the length says.
            let fade = 0.1 * width;
            return 1.0 - smooth_step(off_ridge_deg.abs(), 0.5 * width, fade);
        }
        (-4.0 * std::f64::consts::LN_2 * (off_ridge_deg / width).powi(2)).exp()
    }

    /// Shape along the ridge, at most 1.
    pub fn radial(&self, rho_arcsec: f64) -> f64 {
        let k = &self.keys;
        if k.kind == FeatureKind::Arc {
            let (centre, width) = (0.5 * (k.inner_arcsec + k.outer_arcsec), k.outer_arcsec - k.inner_arcsec);
            return (-4.0 * std::f64::consts::LN_2 * ((rho_arcsec - centre) / width).powi(2)).exp();
        }
        let rise =
            if k.inner_arcsec > 0.0 { smooth_step(rho_arcsec, k.inner_arcsec, self.inner_fade_arcsec) } else { 1.0 };
        rise * (1.0 - smooth_step(rho_arcsec, k.outer_arcsec, self.outer_fade_arcsec))
    }

    /// Share of the smooth coma at a place.
    fn share(&self, rho_arcsec: f64, pa_deg: f64) -> f64 {
        let radial = self.radial(rho_arcsec);
        if radial <= 0.0 {
            return 0.0;
        }
        let off = (pa_deg - self.ridge_pa_deg(rho_arcsec) + 180.0).rem_euclid(360.0) - 180.0;
        self.amplitude * radial * self.angular(off)
    }

    /// Mean share over all position angles.
    fn mean_share(&self, rho_arcsec: f64) -> f64 {
        self.amplitude * self.angular_mean * self.radial(rho_arcsec)
    }
}

impl Coma {
    /// The smooth coma, e⁻/s per square arcsecond.
    fn profile_at_log(&self, log_rho: f64) -> f64 {
        let [g1, g2, g3] = self.gammas;
        let [b1, b2] = self.breaks_arcsec.map(f64::ln);
        let slope_part = if log_rho <= b1 {
            -g1 * log_rho
        } else if log_rho <= b2 {
            -g1 * b1 - g2 * (log_rho - b1)
        } else {
            -g1 * b1 - g2 * (b2 - b1) - g3 * (log_rho - b2)
        };
        self.amplitude * slope_part.exp()
    }

    /// Surface brightness at an offset from the nucleus, e⁻/s per square arcsecond, without the unresolved nucleus.
    pub fn surface(&self, part: Part, east_arcsec: f64, north_arcsec: f64) -> f64 {
        let log_rho = 0.5 * (east_arcsec * east_arcsec + north_arcsec * north_arcsec).ln();
        self.profile_at_log(log_rho) * self.factor(part, east_arcsec, north_arcsec)
    }

    /// What the smooth coma is multiplied with at a place.
    pub fn factor(&self, part: Part, east_arcsec: f64, north_arcsec: f64) -> f64 {
        if self.features.is_empty() {
            return 1.0;
        }
        let rho = east_arcsec.hypot(north_arcsec);
        let pa = east_arcsec.atan2(north_arcsec).to_degrees();
        match part {
            Part::Whole => 1.0 + self.features.iter().map(|f| f.share(rho, pa)).sum::<f64>(),
            Part::Feature(i) => self.features[i].share(rho, pa),
        }
    }

    /// The same, averaged over position angle.
    pub fn mean_factor(&self, part: Part, rho_arcsec: f64) -> f64 {
        match part {
            Part::Whole => 1.0 + self.features.iter().map(|f| f.mean_share(rho_arcsec)).sum::<f64>(),
            Part::Feature(i) => self.features[i].mean_share(rho_arcsec),
        }
    }

    /// Light within a circle, e⁻/s, unresolved nucleus included.
    pub fn light_within(&self, radius_arcsec: f64) -> f64 {
        // Inside `start` the law is a pure power (no break or edge of a structure may lie there) and is integrated in
        // closed form; outside in panels of ln ρ short enough for eight nodes to reach 1e-9.
        let start = 1e-4_f64.min(0.5 * radius_arcsec).min(0.5 * self.breaks_arcsec[0]);
        let exponent = 2.0 - self.gammas[0];
        let inner = 2.0 * PI * self.amplitude * start.powf(exponent) / exponent * self.mean_factor(Part::Whole, start);
        let nodes = gauss_legendre(8);
        let mut edges = vec![start.ln(), radius_arcsec.ln()];
        edges.extend(self.breaks_arcsec.iter().filter(|b| (start..radius_arcsec).contains(*b)).map(|b| b.ln()));
        edges.sort_by(f64::total_cmp);
        let mut sum = 0.0;
        for pair in edges.windows(2) {
            let panels = ((pair[1] - pair[0]) / 0.05).ceil().max(1.0);
            let step = (pair[1] - pair[0]) / panels;
            for i in 0..panels as usize {
                for (t, w) in &nodes {
                    let u = pair[0] + (i as f64 + 0.5 + t) * step;
                    let rho = u.exp();
                    sum += w * step * rho * rho * self.profile_at_log(u) * self.mean_factor(Part::Whole, rho);
                }
            }
        }
        self.nucleus_e_per_s + inner + 2.0 * PI * sum
    }

    /// Contrast of one structure before seeing, as the contract defines it.
    pub fn contrast(&self, index: usize) -> f64 {
        let f = &self.features[index];
        let k = &f.keys;
        let n = 400;
        if k.kind == FeatureKind::Arc {
            let crest = 0.5 * (k.inner_arcsec + k.outer_arcsec);
            let along =
                (0..n).map(|i| f.angular(((i as f64 + 0.5) / n as f64 - 0.5) * k.width_deg)).sum::<f64>() / n as f64;
            return f.amplitude * f.radial(crest) * (along - f.angular_mean) / self.mean_factor(Part::Whole, crest);
        }
        (0..n)
            .map(|i| {
                let rho = k.inner_arcsec + (i as f64 + 0.5) / n as f64 * (k.outer_arcsec - k.inner_arcsec);
                f.amplitude * f.radial(rho) * (1.0 - f.angular_mean) / self.mean_factor(Part::Whole, rho)
            })
            .sum::<f64>()
            / n as f64
    }

    /// Sets every amplitude so that each structure has the contrast it was asked to have. `Err` holds the index of a
    /// structure whose contrast cannot be reached, since it brightens the azimuthal mean as well.
    pub fn solve_contrasts(&mut self) -> Result<(), usize> {
        for _ in 0..400 {
            let mut worst: f64 = 0.0;
            for i in 0..self.features.len() {
                let asked = self.features[i].keys.contrast;
                if asked == 0.0 {
                    self.features[i].amplitude = 0.0;
                    continue;
                }
                let ratio = asked / self.contrast(i);
                if !ratio.is_finite() || ratio <= 0.0 || self.features[i].amplitude > 1e4 {
                    return Err(i);
                }
                self.features[i].amplitude *= ratio;
                worst = worst.max((ratio - 1.0).abs());
            }
            if worst < 1e-10 {
                return Ok(());
            }
        }
        let miss = |i: &usize| (self.contrast(*i) / self.features[*i].keys.contrast - 1.0).abs() > 1e-6;
        (0..self.features.len()).find(miss).map_or(Ok(()), Err)
    }
}

/// 0 below, 1 above, ½ at `edge`, rising smoothly over a range of length `over` (a step where that is 0).
fn smooth_step(x: f64, edge: f64, over: f64) -> f64 {
    if over <= 0.0 {
        return if x >= edge { 1.0 } else { 0.0 };
    }
    let t = ((x - edge) / over + 0.5).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feature(kind: FeatureKind, pa_deg: f64, width_deg: f64, contrast: f64) -> Feature {
        Feature::new(&FeatureKeys {
            kind,
            pa_deg,
            width_deg,
            contrast,
            curvature_deg_per_arcsec: 0.0,
            inner_arcsec: 4.0,
            outer_arcsec: 30.0,
            inner_fade_arcsec: None,
            outer_fade_arcsec: None,
        })
    }

    fn coma(features: Vec<Feature>) -> Coma {
        Coma { amplitude: 7.0, gammas: [1.05, 1.4, 2.2], breaks_arcsec: [9.0, 70.0], features, nucleus_e_per_s: 3.0 }
    }

    #[test]
    fn light_within_a_circle_of_a_broken_law_is_analytic() {
        let c = coma(Vec::new());
        let piece = |a: f64, b: f64, gamma: f64, at: f64| {
            // 2π S(at) at^γ ∫ ρ^(1−γ) dρ
            let e = 2.0 - gamma;
            2.0 * PI
                * c.surface(Part::Whole, at, 0.0)
                * at.powf(gamma)
                * if e == 0.0 { (b / a).ln() } else { (b.powf(e) - a.powf(e)) / e }
        };
        let want = 3.0 + piece(0.0, 9.0, 1.05, 1.0) + piece(9.0, 70.0, 1.4, 20.0) + piece(70.0, 200.0, 2.2, 100.0);
        assert!((c.light_within(200.0) / want - 1.0).abs() < 1e-9);
    }

    #[test]
    fn light_within_a_circle_counts_structures() {
        let mut c = coma(vec![feature(FeatureKind::Jet, 100.0, 25.0, 0.2), feature(FeatureKind::Arc, 10.0, 90.0, 0.1)]);
        c.solve_contrasts().unwrap();
        // Plain polar midpoint sum outside 0.5″, where nothing is singular.
        let (n_rho, n_pa) = (6000, 720);
        let mut sum = 0.0;
        for i in 0..n_rho {
            let rho = 0.5 + (i as f64 + 0.5) * 49.5 / n_rho as f64;
            for k in 0..n_pa {
                let (s, co) = (k as f64 * 2.0 * PI / n_pa as f64).sin_cos();
                sum += rho * c.surface(Part::Whole, rho * s, rho * co);
            }
        }
        sum *= 49.5 / n_rho as f64 * 2.0 * PI / n_pa as f64;
        let got = c.light_within(50.0) - c.light_within(0.5);
        assert!((got / sum - 1.0).abs() < 1e-6, "{got} {sum}");
    }

    #[test]
    fn contrasts_are_reached_together() {
        let mut c = coma(vec![
            feature(FeatureKind::Jet, 100.0, 25.0, 0.2),
            feature(FeatureKind::Fan, 250.0, 100.0, 0.6),
            feature(FeatureKind::Arc, 10.0, 90.0, 0.1),
        ]);
        c.solve_contrasts().unwrap();
        for (i, want) in [0.2, 0.6, 0.1].into_iter().enumerate() {
            assert!((c.contrast(i) - want).abs() < 1e-8);
        }
    }

    #[test]
    fn an_impossible_contrast_is_refused() {
        // A wedge of 180° brightens its own mean: no amplitude gives a contrast of 5.
        let mut c = coma(vec![feature(FeatureKind::Fan, 0.0, 180.0, 5.0)]);
        assert_eq!(c.solve_contrasts(), Err(0));
    }

    #[test]
    fn position_angle_runs_from_north_through_east() {
        let mut c = coma(vec![feature(FeatureKind::Jet, 90.0, 20.0, 0.3)]);
        c.solve_contrasts().unwrap();
        assert!(c.surface(Part::Whole, 10.0, 0.0) > 1.2 * c.surface(Part::Whole, 0.0, 10.0));
    }
}
