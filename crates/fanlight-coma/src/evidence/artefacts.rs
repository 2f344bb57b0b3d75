//! What a hurried eye would have announced: peaks of the plain rotational gradient that the twin shows too.

use super::bank::{N_PA, pa_rad};
use super::gradient::Gradient;
use super::mode_space::off_rad;
use super::night_model::NightModel;
use super::search::Findings;
use std::f64::consts::TAU;

/// Peaks this many times their noise are strong.
const STRONG_SIGMA: f64 = 5.0;
/// The twin explains a peak when it has this share of it.
const EXPLAINED_SHARE: f64 = 0.5;
/// Zones that are looked at, in kernel widths.
const ZONES_FWHM: [(f64, f64); 3] = [(1.0, 4.0), (2.0, 8.0), (4.0, 16.0)];
/// A peak this near a feature is the feature's.
const OF_FEATURE_RAD: f64 = 0.44;
/// Peaks must be this far apart.
const APART_RAD: f64 = 0.6;

/// A peak of the gradient that the twin explains.
#[derive(Debug, Clone, PartialEq)]
pub struct GradientPeak {
    /// Its position angle.
    pub pa_rad: f64,
    /// Its full width at half maximum.
    pub width_rad: f64,
    /// Inner and outer end of the zone that shows it most.
    pub zone_px: (f64, f64),
    /// Height of the gradient over the mean coma, and its noise.
    pub height: f64,
    /// Its noise.
    pub sigma: f64,
    /// Share of it that the twin has.
    pub twin_share: f64,
    /// Whether the kernel's elongation makes most of it; otherwise a misplaced centre and skew.
    pub by_elongation: bool,
}

impl NightModel {
    /// Strong peaks of the plain rotational gradient that the twin explains and no feature does.
    pub fn explained_peaks(&self, findings: &Findings) -> Vec<GradientPeak> {
        let of_twin = &self.round_data + self.instrument_part(findings);
        let mut peaks: Vec<GradientPeak> = Vec::new();
        for (from, to) in ZONES_FWHM {
            let zone_px = (from * self.fwhm_px, (to * self.fwhm_px).min(self.reach_px.1));
            let inside = |i: &usize| {
                let ring = &self.space.rings[*i];
                ring.rho_px > zone_px.0 && ring.rho_px < zone_px.1
            };
            let rings: Vec<usize> = (0..self.space.rings.len()).filter(inside).collect();
            if rings.is_empty() {
                continue;
            }
            let gradients: Vec<Gradient> = (0..N_PA).map(|k| self.gradient_along(&rings, |_| pa_rad(k))).collect();
            let night: Vec<f64> = gradients.iter().map(|g| g.of_night(self)).collect();
            for k in 0..N_PA {
                let (before, after) = (night[(k + N_PA - 1) % N_PA], night[(k + 1) % N_PA]);
                let (height, sigma) = (night[k], gradients[k].sigma());
                if !(height > before && height >= after && height > STRONG_SIGMA * sigma) {
                    continue;
                }
                let twin_share = gradients[k].of(&of_twin) / height;
                if twin_share < EXPLAINED_SHARE {
                    continue;
                }
                let by_elongation = gradients[k].of(&self.round_data) > 0.5 * gradients[k].of(&of_twin);
                let width_rad = width_at(&night, k);
                peaks.push(GradientPeak {
                    pa_rad: pa_rad(k),
                    width_rad,
                    zone_px,
                    height,
                    sigma,
                    twin_share,
                    by_elongation,
                });
            }
        }
        peaks.sort_by(|a, b| (b.height / b.sigma).total_cmp(&(a.height / a.sigma)));
        let apart = |a: f64, b: f64| off_rad(a, b).abs();
        let mut kept: Vec<GradientPeak> = Vec::new();
        for peak in peaks {
            let middle = (peak.zone_px.0 * peak.zone_px.1).sqrt();
            let of_feature = findings
                .features
                .iter()
                .any(|f| f.probability < 0.01 && apart(f.fitted.pa_at(middle).0, peak.pa_rad) < OF_FEATURE_RAD);
            if !of_feature && kept.iter().all(|k| apart(k.pa_rad, peak.pa_rad) > APART_RAD) {
                kept.push(peak);
            }
        }
        kept
    }
}

/// Full width of a peak at half its height.
fn width_at(profile: &[f64], k: usize) -> f64 {
    let n = profile.len();
    let half = 0.5 * profile[k];
    let side = |step: usize| (1..n / 2).find(|d| profile[(k + step * d) % n] < half).unwrap_or(n / 4);
    (side(1) + side(n - 1)) as f64 * TAU / n as f64
}
