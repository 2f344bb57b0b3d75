//! The round coma before blurring: its brightness against distance, found under the kernel.

use super::round_blur::RoundBlur;
use fanlight_image::polar::Ring;
use nalgebra::{DMatrix, DVector};

/// A coma that is the same all round: a smooth curve in log–log of brightness against distance, and a point at the nucleus.
#[derive(Debug, Clone)]
pub struct ComaModel {
    /// Natural logarithm of the innermost knot's distance in px.
    first_ln: f64,
    /// Step between knots in ln ρ.
    step_ln: f64,
    /// Brightness at the knots over that of `REFERENCE_SLOPE`.
    values: Vec<f64>,
    /// Light of the unresolved nucleus, in the stack's unit.
    pub nucleus: f64,
    /// Blurred brightness at knots of the same spacing halved, over the reference; for look-up.
    blurred: Vec<f64>,
}

/// Slope that the knots' values are relative to: that of a free outflow.
const REFERENCE_SLOPE: f64 = 1.0;
/// Ratio of the distances of neighbouring knots.
const KNOT_RATIO: f64 = 1.35;
/// Innermost knot, in kernel widths: inside it the brightness over the reference is held.
const FIRST_KNOT_FWHM: f64 = 0.3;
/// Change of slope from knot to knot that the fit expects, in the logarithm of the brightness: comae bend slowly.
const BEND: f64 = 0.05;
/// How far rings may be off the model for reasons other than noise, as a share: structure that changes their mean.
const SHAPE_ERROR: f64 = 0.003;
/// Rounds in which the expected bend follows the fitted brightness.
const ROUNDS: usize = 4;

impl ComaModel {
    /// Fits rings (mean, error and distance in px) under a kernel of width `fwhm_px`; `point(ρ_px)` is the round kernel per
    /// square pixel. `None` when too few rings show light.
    pub fn fit(rings: &[Ring], blur: &RoundBlur, point: impl Fn(f64) -> f64, fwhm_px: f64) -> Option<Self> {
        let used: Vec<&Ring> = rings.iter().filter(|r| r.n_good > 0 && r.mean_radius_px > 0.0).collect();
        let last = used.last()?.outer_px;
        let first_ln = (FIRST_KNOT_FWHM * fwhm_px).ln();
        let step_ln = KNOT_RATIO.ln();
        let n = (((1.3 * last).ln() - first_ln) / step_ln).ceil().max(4.0) as usize + 1;
        let mut model = Self { first_ln, step_ln, values: vec![0.0; n], nucleus: 0.0, blurred: Vec::new() };
        // blurred hats at the rings
        let mut design = DMatrix::zeros(used.len(), n + 1);
        for (row, ring) in used.iter().enumerate() {
            let rho = ring.mean_radius_px;
            for (j, v) in model.blurred_hats(blur, rho).into_iter().enumerate() {
                design[(row, j)] = v;
            }
            design[(row, n)] = point(rho);
        }
        let mean = DVector::from_iterator(used.len(), used.iter().map(|r| r.mean));
        let noise: Vec<f64> = used.iter().map(|r| r.sigma_of_mean.unwrap_or(r.mean.abs())).collect();
        let scale = used.iter().map(|r| r.mean * r.mean_radius_px).fold(0.0, f64::max);
        if !(scale > 0.0) {
            return None;
        }
        let mut size = vec![scale; n];
        let mut with_nucleus = true;
        for _ in 0..ROUNDS {
            let columns = if with_nucleus { n + 1 } else { n };
            let rows = used.len() + n - 2;
            let mut a = DMatrix::zeros(rows, columns);
            let mut b = DVector::zeros(rows);
            for (i, s) in noise.iter().enumerate() {
                let sigma = s.hypot(SHAPE_ERROR * mean[i]).max(1e-30);
                for j in 0..columns {
                    a[(i, j)] = design[(i, j)] / sigma;
                }
                b[i] = mean[i] / sigma;
            }
            for k in 0..n - 2 {
                let expected = BEND * size[k + 1];
                for (j, c) in [(k, 1.0), (k + 1, -2.0), (k + 2, 1.0)] {
                    // second difference of the logarithm, by the last round's brightness
                    a[(used.len() + k, j)] = c * size[k + 1] / size[j] / expected;
                }
            }
            let solved = (a.transpose() * &a).cholesky()?.solve(&(a.transpose() * b));
            let floor = 1e-4 * scale;
            model.values = solved.rows(0, n).iter().copied().collect();
            size = model.values.iter().map(|v| v.max(floor)).collect();
            model.nucleus = if with_nucleus { solved[n] } else { 0.0 };
            if model.nucleus < 0.0 {
                with_nucleus = false;
                model.nucleus = 0.0;
            }
        }
        if !model.values.iter().all(|v| v.is_finite()) {
            return None;
        }
        // light cannot be negative: where the sky took it all, a trace is left
        let floor = 1e-4 * scale;
        model.values.iter_mut().for_each(|v| *v = v.max(floor));
        let fine = 2 * n;
        model.blurred = (0..fine)
            .map(|i| {
                let rho = (first_ln + 0.5 * step_ln * i as f64).exp();
                let own: f64 = model.blurred_hats(blur, rho).iter().zip(&model.values).map(|(h, v)| h * v).sum::<f64>()
                    + model.nucleus * point(rho);
                own * rho.powf(REFERENCE_SLOPE)
            })
            .collect();
        Some(model)
    }

    /// Brightness per square pixel before blurring, without the nucleus.
    pub fn own(&self, rho_px: f64) -> f64 {
        interpolated(&self.values, self.first_ln, self.step_ln, rho_px) * rho_px.powf(-REFERENCE_SLOPE)
    }

    /// Brightness per square pixel after blurring, nucleus included.
    pub fn blurred(&self, rho_px: f64) -> f64 {
        interpolated(&self.blurred, self.first_ln, 0.5 * self.step_ln, rho_px) * rho_px.powf(-REFERENCE_SLOPE)
    }

    /// Slope before blurring, as in ρ^−slope.
    pub fn slope(&self, rho_px: f64) -> f64 {
        let e = 0.15f64;
        (self.own(rho_px * (-e).exp()) / self.own(rho_px * e.exp())).ln() / (2.0 * e)
    }

    /// Share of the light within a distance, before blurring, that is the nucleus'.
    pub fn nucleus_share(&self, rho_px: f64) -> f64 {
        let n = 400;
        let coma: f64 = (0..n)
            .map(|i| (i as f64 + 0.5) / n as f64 * rho_px)
            .map(|r| self.own(r) * std::f64::consts::TAU * r * rho_px / n as f64)
            .sum();
        self.nucleus / (self.nucleus + coma)
    }

    fn blurred_hats(&self, blur: &RoundBlur, rho_px: f64) -> Vec<f64> {
        // the hats are local: sum over the kernel for all of them at once, two at each place
        let n = self.values.len();
        let mut out = vec![0.0; n];
        blur.each(rho_px, |distance, weight| {
            let r = distance.max(1e-3);
            let reference = weight * r.powf(-REFERENCE_SLOPE);
            let t = ((r.ln() - self.first_ln) / self.step_ln).clamp(0.0, (n - 1) as f64);
            let i = (t.floor() as usize).min(n - 2);
            let f = t - i as f64;
            out[i] += reference * (1.0 - f);
            out[i + 1] += reference * f;
        });
        out
    }
}

/// A curve given at even steps of ln ρ, straight between and level beyond.
fn interpolated(values: &[f64], first_ln: f64, step_ln: f64, rho_px: f64) -> f64 {
    let t = ((rho_px.max(1e-6).ln() - first_ln) / step_ln).clamp(0.0, (values.len() - 1) as f64);
    let i = (t.floor() as usize).min(values.len().saturating_sub(2));
    let f = t - i as f64;
    values[i] * (1.0 - f) + values[(i + 1).min(values.len() - 1)] * f
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gaussian_rings(sigma: f64) -> RoundBlur {
        let n = 60;
        let step = 6.0 * sigma / n as f64;
        let ring = |i: i32| {
            let s = (f64::from(i) + 0.5) * step;
            (s, s / (sigma * sigma) * (-0.5 * s * s / (sigma * sigma)).exp() * step)
        };
        RoundBlur::new((0..n).map(ring).collect())
    }

    /// The coma under a Gaussian kernel comes back from rings of its blurred self: 5 % beyond a kernel width, 1 % blurred.
    #[test]
    fn a_blurred_coma_is_found_again() {
        let sigma = 1.2;
        let fwhm = 2.355 * sigma;
        let blur = gaussian_rings(sigma);
        for (slope, nucleus) in [(1.0, 0.0), (1.25, 0.0), (1.0, 60.0)] {
            let own = |r: f64| 50.0 * r.max(1e-3).powf(-slope);
            let point = |r: f64| (-0.5 * (r / sigma).powi(2)).exp() / (std::f64::consts::TAU * sigma * sigma);
            let seen = |r: f64| {
                let mut sum = 0.0;
                blur.each(r, |distance, weight| sum += weight * own(distance));
                sum + nucleus * point(r)
            };
            let mut edges = vec![0.3];
            while edges[edges.len() - 1] < 60.0 {
                let last: f64 = edges[edges.len() - 1];
                edges.push(last + (0.06 * last).max(0.6));
            }
            let rings: Vec<Ring> = edges
                .windows(2)
                .map(|e| {
                    let rho = 0.5 * (e[0] + e[1]);
                    Ring {
                        inner_px: e[0],
                        outer_px: e[1],
                        mean_radius_px: rho,
                        mean: seen(rho),
                        sigma_of_mean: Some(1e-3 * seen(rho)),
                        median: seen(rho),
                        scatter: 0.0,
                        n_good: 20,
                        n_total: 20,
                    }
                })
                .collect();
            let model = ComaModel::fit(&rings, &blur, point, fwhm).unwrap();
            for rho in [1.0, 3.0, 6.0, 20.0, 50.0] {
                let (got, expected) = (model.blurred(rho), seen(rho));
                assert!((got / expected - 1.0).abs() < 0.012, "{slope} {nucleus} at {rho}: {got} {expected}");
                if rho > 2.0 * fwhm {
                    assert!((model.own(rho) / own(rho) - 1.0).abs() < 0.05, "{} {}", model.own(rho), own(rho));
                }
            }
            assert!((model.slope(20.0) - slope).abs() < 0.05, "{}", model.slope(20.0));
        }
        assert!(ComaModel::fit(&[], &blur, |_| 0.0, 3.0).is_none());
    }
}
