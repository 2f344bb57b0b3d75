//! The featureless twin as an image, and one draw of the night's noise on it.

use super::feature_fit::Shape;
use super::imaging::Square;
use super::night_model::NightModel;
use super::nuisance::{Nuisances, Source};
use super::search::Findings;
use super::shapes::gaussian;
use fanlight_image::Image;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::{PI, TAU};

impl NightModel {
    /// The twin on a grid of the stack's size: the round coma with the broad structures that `is_broad` names, through the
    /// kernel, about the fitted centre and with the kernel's elongation as the fit has it.
    pub fn twin(&self, findings: &Findings, size: (usize, usize), is_broad: impl Fn(usize) -> bool) -> Image {
        let mut square = self.round.clone();
        let extra = self.broad_light(findings, &is_broad);
        square.iter_mut().zip(extra).for_each(|(s, e)| *s += e);
        for (value, parameter) in self.fitted_derivatives(findings) {
            square.iter_mut().zip(value).for_each(|(s, d)| *s += (parameter * f64::from(*d)) as f32);
        }
        let (width, height) = size;
        let side = self.imager.width() as isize;
        // near the square's edge light from outside it is missing
        let margin = 8;
        let data = (0..width * height).map(|i| {
            let (x, y) = (i % width, i / width);
            let (u, v) = (x as isize - self.corner.0, y as isize - self.corner.1);
            let inside = u >= margin && v >= margin && u < side - margin && v < side - margin;
            if inside {
                square[(v * side + u) as usize]
            } else {
                let (rho, _) = self.frame.polar(x as f64 - self.frame.centre_px.0, y as f64 - self.frame.centre_px.1);
                self.coma.blurred(rho) as f32
            }
        });
        Image { width, height, data: data.collect() }
    }

    /// Light of fans, tails and broad terms beyond the round coma, through the kernel. Their azimuthal means are in the round
    /// coma already and are taken off.
    fn broad_light(&self, findings: &Findings, is_broad: &impl Fn(usize) -> bool) -> Square {
        let fits: Vec<_> = findings.features.iter().map(|f| f.fitted.clone()).collect();
        let wedges: Vec<_> = fits
            .iter()
            .enumerate()
            .filter(|(i, _)| is_broad(*i))
            .filter_map(|(_, f)| match &f.shape {
                Shape::Wedge(w) => Some((w.clone(), f.amplitude, super::shapes::gaussian_azimuth(w.width_rad)[0])),
                Shape::Arc(_) => None,
            })
            .collect();
        let broad = self.broad_parameters(findings);
        if wedges.is_empty() && broad.iter().all(|b| b.2 == 0.0 && b.3 == 0.0) {
            return vec![0.0; self.round.len()];
        }
        let off = |a: f64, b: f64| (a - b + PI).rem_euclid(TAU) - PI;
        let light = self.imager.light(|x, y| {
            let (rho, pa) = self.frame.polar(x, y);
            if rho <= 0.0 {
                return (0.0, 0.0);
            }
            let of_wedges: f64 = wedges
                .iter()
                .map(|(w, amplitude, mean)| {
                    let ridge = w.pa_rad + w.curvature_rad_per_px * (rho - w.pivot_px);
                    amplitude * w.run(rho) * (gaussian(off(pa, ridge), w.width_rad) - mean)
                })
                .sum();
            let of_terms: f64 = broad
                .iter()
                .map(|(order, knot, cos, sin)| {
                    let psi = *order as f64 * pa;
                    self.broad_run(*knot, rho) * (cos * psi.cos() + sin * psi.sin())
                })
                .sum();
            (self.coma.own(rho) * (of_wedges + of_terms), 0.0)
        });
        self.imager.image(&light, &self.kernel).0
    }

    /// Fitted broad terms: order, knot, factor of the cosine, factor of the sine.
    fn broad_parameters(&self, findings: &Findings) -> Vec<(usize, usize, f64, f64)> {
        let (nuisances, parameters) = self.all_parameters(findings);
        let mut of_order: Vec<(usize, Vec<f64>)> = Vec::new();
        for (source, p) in nuisances.sources.iter().zip(&parameters) {
            if let Source::Broad(order) = source {
                match of_order.iter_mut().find(|o| o.0 == *order) {
                    Some(o) => o.1.push(*p),
                    None => of_order.push((*order, vec![*p])),
                }
            }
        }
        let pairs = |(order, values): (usize, Vec<f64>)| {
            values.chunks_exact(2).enumerate().map(|(k, v)| (order, k, v[0], v[1])).collect::<Vec<_>>()
        };
        of_order.into_iter().flat_map(pairs).collect()
    }

    /// Every fitted nuisance and feature, with the most likely parameters.
    pub(super) fn all_parameters(&self, findings: &Findings) -> (Nuisances, Vec<f64>) {
        let fits: Vec<_> = findings.features.iter().map(|f| f.fitted.clone()).collect();
        let mut all = findings.common.clone();
        all.extend(self.shape_nuisances(&fits, None));
        let nuisances = Nuisances::new(self.space.dim, &all);
        let parameters = nuisances.parameters(&self.data);
        (nuisances, parameters)
    }

    /// Derivatives of the round twin with the fitted parameters of centre and kernel.
    fn fitted_derivatives(&self, findings: &Findings) -> Vec<(&Square, f64)> {
        let (nuisances, parameters) = self.all_parameters(findings);
        let of_images = |s: &Source| matches!(s, Source::Centre | Source::Kernel);
        let fitted = nuisances.sources.iter().zip(parameters).filter(|(s, _)| of_images(s)).map(|(_, p)| p);
        self.derivatives.iter().zip(fitted).collect()
    }
}

/// A twin with one draw of the night's noise.
pub fn with_noise(twin: &Image, variance: &Image, seed: u64) -> Image {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let data = twin.data.iter().zip(&variance.data).map(|(t, v)| {
        let noise: f32 = StandardNormal.sample(&mut rng);
        if *v > 0.0 { t + noise * v.sqrt() } else { *t }
    });
    Image { width: twin.width, height: twin.height, data: data.collect() }
}
