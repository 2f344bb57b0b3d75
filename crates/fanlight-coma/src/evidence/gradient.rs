//! What the plain rotational gradient shows, of the night and of its twin: what a hurried eye would go by.

use super::mode_space::ModeSpace;
use super::night_model::NightModel;
use super::nuisance::Source;
use super::search::Findings;
use nalgebra::DVector;

/// Rotation of the copies: about a common jet's width, so that a jet and its copies do not overlap.
pub const ROTATION_DEG: f64 = 25.0;
/// Modes beyond this add noise only.
const MODES: usize = 16;

/// A mean of the rotational gradient over rings, relative to the mean coma, as a linear function of data.
pub struct Gradient {
    weights: DVector<f64>,
}

impl Gradient {
    /// Its value for data.
    pub fn of(&self, data: &DVector<f64>) -> f64 {
        self.weights.dot(data)
    }

    /// Its noise.
    pub fn sigma(&self) -> f64 {
        self.weights.norm()
    }

    /// Its value in the night: the round twin, elongated by the kernel, and what the night has beside it.
    pub fn of_night(&self, model: &NightModel) -> f64 {
        self.of(&model.data) + self.of(&model.round_data)
    }

    /// Its value in the twin, with the centre and the kernel that the fit found.
    pub fn of_twin(&self, model: &NightModel, findings: &Findings) -> f64 {
        self.of(&model.round_data) + self.of(&model.instrument_part(findings))
    }
}

impl NightModel {
    /// The gradient averaged over rings along a ridge.
    pub fn gradient_along(&self, rings: &[usize], ridge_rad: impl Fn(f64) -> f64) -> Gradient {
        let total: f64 = rings.iter().map(|i| self.space.rings[*i].outer_px - self.space.rings[*i].inner_px).sum();
        let functional = |i: usize| -> Option<Vec<(f64, f64)>> {
            rings.contains(&i).then(|| {
                let ring = &self.space.rings[i];
                let share = (ring.outer_px - ring.inner_px) / total;
                let pa = ridge_rad(ring.rho_px);
                (1..=ring.modes.min(MODES))
                    .map(|m| {
                        // the gradient multiplies mode m by 2 (1 − cos mΔθ) (check: Larson & Sekanina 1984)
                        let gain = 2.0 * (1.0 - (m as f64 * ROTATION_DEG.to_radians()).cos());
                        let (sin, cos) = (m as f64 * pa).sin_cos();
                        (share * gain * cos, share * gain * sin)
                    })
                    .collect()
            })
        };
        Gradient { weights: of_coefficients(&self.space, functional) }
    }

    /// What the fit finds of misplaced centre and kernel in the data.
    pub fn instrument_part(&self, findings: &Findings) -> DVector<f64> {
        let is_instrument = |s: Source| matches!(s, Source::Centre | Source::Kernel);
        let fitted = findings.fitted_parameters().filter(|(s, _)| is_instrument(*s));
        let directions = findings.common.iter().filter(|n| is_instrument(n.source) && n.is_used());
        let mut sum = DVector::zeros(self.space.dim);
        for (n, (_, p)) in directions.zip(fitted) {
            sum += &n.direction * p;
        }
        sum
    }
}

/// The vector whose product with data is a weighted sum of the data's coefficients.
fn of_coefficients(space: &ModeSpace, weights: impl Fn(usize) -> Option<Vec<(f64, f64)>>) -> DVector<f64> {
    let mut out = DVector::zeros(space.dim);
    for (i, ring) in space.rings.iter().enumerate() {
        if let Some(w) = weights(i) {
            out.rows_mut(ring.start, 2 * ring.modes).copy_from(&space.functional(i, &w));
        }
    }
    out
}
