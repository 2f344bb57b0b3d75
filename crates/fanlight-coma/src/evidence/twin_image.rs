//! The featureless twin as an image, and one draw of the night's noise on it.

use super::feature_fit::Shape;
use super::imaging::Square;
use super::mode_space::off_rad;
use super::night_model::NightModel;
use super::nuisance::Source;
use super::search::Findings;
use super::shapes::{gaussian, gaussian_azimuth};
use fanlight_image::Image;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

impl NightModel {
    /// The twin on a grid of the stack's size: the round coma with the broad structures that `is_broad` names, through the
    /// kernel, about the fitted centre and with the kernel's elongation as the fit has it.
    pub fn twin(&self, findings: &Findings, size: (usize, usize), is_broad: impl Fn(usize) -> bool) -> Image {
        let mut square = self.round.clone();
        let broad = self.broad_share(findings, &is_broad);
        let light = self.imager.light(|x, y| {
            let (rho, pa) = self.frame.polar(x, y);
            (if rho > 0.0 { self.coma.own(rho) * broad(rho, pa) } else { 0.0 }, 0.0)
        });
        let extra = self.imager.image(&light, &self.kernel).0;
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
                // so far out blurring changes nothing that is seen
                let (rho, pa) = self.frame.polar_of_pixel((x, y));
                (self.coma.blurred(rho) * (1.0 + broad(rho, pa)).max(0.0)) as f32
            }
        });
        Image { width, height, data: data.collect() }
    }

    /// Fans, tails and broad terms at a distance and position angle, as a share of the round coma, before blurring. Their azimuthal
    /// means are in the round coma already and are taken off.
    fn broad_share(&self, findings: &Findings, is_broad: &dyn Fn(usize) -> bool) -> impl Fn(f64, f64) -> f64 + Sync {
        let wedges: Vec<_> = findings
            .features
            .iter()
            .enumerate()
            .filter(|(i, _)| is_broad(*i))
            .filter_map(|(_, f)| match &f.fitted.shape {
                Shape::Wedge(w) => Some((w.clone(), f.fitted.amplitude, gaussian_azimuth(w.width_rad)[0])),
                Shape::Arc(_) => None,
            })
            .collect();
        let terms = self.broad_parameters(findings);
        move |rho, pa| {
            let of_wedges: f64 = wedges
                .iter()
                .map(|(w, amplitude, mean)| {
                    amplitude * w.run(rho) * (gaussian(off_rad(pa, w.ridge_rad(rho)), w.width_rad) - mean)
                })
                .sum();
            let of_terms: f64 = terms
                .iter()
                .map(|(order, knot, cos, sin)| {
                    let psi = *order as f64 * pa;
                    self.broad_run(*knot, rho) * (cos * psi.cos() + sin * psi.sin())
                })
                .sum();
            of_wedges + of_terms
        }
    }

    /// Fitted broad terms: order, knot, factor of the cosine, factor of the sine.
    fn broad_parameters(&self, findings: &Findings) -> Vec<(usize, usize, f64, f64)> {
        let mut of_order: Vec<(usize, Vec<f64>)> = Vec::new();
        for (source, p) in findings.fitted_parameters() {
            if let Source::Broad(order) = source {
                match of_order.iter_mut().find(|o| o.0 == order) {
                    Some(o) => o.1.push(p),
                    None => of_order.push((order, vec![p])),
                }
            }
        }
        let pairs = |(order, values): (usize, Vec<f64>)| {
            values.chunks_exact(2).enumerate().map(|(k, v)| (order, k, v[0], v[1])).collect::<Vec<_>>()
        };
        of_order.into_iter().flat_map(pairs).collect()
    }

    /// Derivatives of the round twin with the fitted parameters of centre and kernel.
    fn fitted_derivatives(&self, findings: &Findings) -> Vec<(&Square, f64)> {
        let of_images = |s: Source| matches!(s, Source::Centre | Source::Kernel);
        let fitted = findings.fitted_parameters().filter(|(s, _)| of_images(*s)).map(|(_, p)| p);
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
