//! What would have been found: wedges of known contrast put into twins and searched for.

use super::bank::Bank;
use super::chance::{Chance, TwinMaker};
use super::night_model::NightModel;
use super::nuisance::{Nuisances, Source};
use super::search::Findings;
use super::shapes::{HATS, Wedge};
use nalgebra::DVector;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// A limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Full width at half maximum in position angle.
    pub width_rad: f64,
    /// Inner end.
    pub inner_px: f64,
    /// Outer end.
    pub outer_px: f64,
    /// Share of the injections that would be supported.
    pub recovered_fraction: f64,
    /// Their contrast as seen.
    pub contrast: f64,
}

const WIDTHS_DEG: [f64; 3] = [12.0, 25.0, 45.0];
/// Ranges in kernel widths.
const RANGES_FWHM: [(f64, f64); 3] = [(1.5, 5.0), (1.5, 12.0), (5.0, 16.0)];
/// Shares of injections.
const FRACTIONS: [f64; 2] = [0.5, 0.9];
/// Position angles at which wedges are put in.
const N_PA: usize = 24;
/// Twins that tell what the search finds of an injection beyond its own template's signal.
const N_CHECKED: usize = 48;
/// A supported feature has this false-alarm probability at most.
const SUPPORTED_TO: f64 = 1e-3;
/// Probability that a real feature stands the challenge of the halves.
const STANDS_HALVES: f64 = 0.98;

struct Injected {
    unit: DVector<f64>,
    /// One over the error of the amplitude.
    root_information: f64,
    /// Amplitude above which centre and kernel challenges are stood.
    least_amplitude: f64,
}

impl NightModel {
    /// Contrasts at which half and nine tenths of injected wedges would get the verdict `supported`, by width and range.
    ///
    /// The search's significance of an injected wedge is that of its own template, which is Gaussian, raised by the freedom of the
    /// search to choose among neighbours and lowered by the templates' coarseness; by how much is measured on twins with the wedge in them.
    pub fn limits(&self, findings: &Findings, seed: u64) -> Vec<Limit> {
        let nuisances = Nuisances::new(self.space.dim, &findings.common);
        let bank = Bank::new(&self.templates, &nuisances);
        let maker = TwinMaker::new(&self.space, &nuisances);
        let threshold = self.significance_of(&findings.chance, SUPPORTED_TO);
        let known = self.with_known_centre(&findings.common);
        let level = findings.chance.level(0.01);
        let cases: Vec<(f64, (f64, f64))> = WIDTHS_DEG
            .iter()
            .flat_map(|w| RANGES_FWHM.iter().map(move |r| (w.to_radians(), *r)))
            .filter(|(_, r)| r.1 * self.fwhm_px <= self.reach_px.1)
            .collect();
        let of_case = |(width_rad, range): &(f64, (f64, f64))| -> Vec<Limit> {
            let ends = (range.0 * self.fwhm_px, range.1 * self.fwhm_px);
            let at =
                |k: usize| self.injected(*width_rad, ends, k as f64 * TAU / N_PA as f64, (&nuisances, &known), level);
            let injected: Vec<Injected> = (0..N_PA).map(at).collect();
            let contrast = self.mean_on_ridge(&self.wedge_between(*width_rad, ends, 0.0), ends);
            // what the search finds beyond the template's own signal, near the threshold
            let raised: f64 = (0..N_CHECKED)
                .map(|i| {
                    let one = &injected[(i * 5) % N_PA];
                    let amplitude = (threshold + 1.0) / one.root_information;
                    let mut sums = maker.twin(seed ^ 0x5EED, i as u64);
                    let signal = maker.data(&(&one.unit * amplitude));
                    let own = self.own_significance(&sums, one);
                    sums.iter_mut().zip(&signal).for_each(|(s, v)| *s += v);
                    let found = bank.largest(&sums, |_| true);
                    found - (threshold + 1.0) - own
                })
                .sum::<f64>()
                / N_CHECKED as f64;
            let recovered = |contrast_seen: f64| -> f64 {
                let amplitude = contrast_seen / contrast;
                let share = injected.iter().map(|one| {
                    let stands = if amplitude >= one.least_amplitude { STANDS_HALVES } else { 0.0 };
                    stands * normal_below(amplitude * one.root_information + raised - threshold)
                });
                share.sum::<f64>() / N_PA as f64
            };
            FRACTIONS
                .iter()
                .filter_map(|fraction| {
                    let (mut low, mut high) = (1e-5f64, 10f64);
                    if recovered(high) < *fraction {
                        return None;
                    }
                    for _ in 0..50 {
                        let middle = (low * high).sqrt();
                        if recovered(middle) < *fraction { low = middle } else { high = middle }
                    }
                    Some(Limit {
                        width_rad: *width_rad,
                        inner_px: ends.0,
                        outer_px: ends.1,
                        recovered_fraction: *fraction,
                        contrast: high,
                    })
                })
                .collect()
        };
        cases.par_iter().map(of_case).collect::<Vec<_>>().into_iter().flatten().collect()
    }

    fn wedge_between(&self, width_rad: f64, (from_px, to_px): (f64, f64), pa_rad: f64) -> Wedge {
        let run: [f64; HATS] = self.shapes.knots_px.map(|k| {
            let inner = if from_px <= 1.6 * self.fwhm_px { 1.0 } else { 1.0 / (1.0 + (from_px / k).powi(6)) };
            inner / (1.0 + (k / to_px).powi(6))
        });
        Wedge { pa_rad, pivot_px: 0.0, width_rad, curvature_rad_per_px: 0.0, run }
    }

    /// Contrast as seen of a wedge of height 1, averaged evenly over distance between two ends.
    pub fn mean_on_ridge(&self, wedge: &Wedge, (from_px, to_px): (f64, f64)) -> f64 {
        self.shapes.mean_on_ridge(&self.space, wedge, (from_px, to_px))
    }

    fn injected(
        &self,
        width_rad: f64,
        ends: (f64, f64),
        pa_rad: f64,
        (nuisances, known): (&Nuisances, &Nuisances),
        level: f64,
    ) -> Injected {
        let unit = self.shapes.wedge(&self.space, &self.wedge_between(width_rad, ends, pa_rad));
        let root_information = unit.dot(&nuisances.clean(&unit)).sqrt();
        let clean = known.clean(&unit);
        let information = unit.dot(&clean);
        let least_amplitude = [Source::Centre, Source::Kernel]
            .into_iter()
            .map(|source| {
                let shift = self.fixed.iter().filter(|n| n.source == source).map(|n| {
                    let sigma = if source == Source::Centre { self.centre_sigma_px } else { n.sigma };
                    (sigma * clean.dot(&n.direction) / information).powi(2)
                });
                let by_shift = 3.0 * shift.sum::<f64>().sqrt();
                // half of the signal at most, and the 1 % level left over
                (2.0 * by_shift).max(by_shift + level / information.sqrt())
            })
            .fold(0.0, f64::max);
        Injected { unit, root_information, least_amplitude }
    }

    /// Significance that noise alone gives a template, from a twin's sums.
    fn own_significance(&self, sums: &[f32], one: &Injected) -> f64 {
        // sums are products with unit modes; a template's product with the twin is that with its coefficients
        let coefficients = self.space.coefficients(&one.unit);
        let product: f64 = coefficients.iter().zip(sums).map(|(c, s)| c * f64::from(*s)).sum();
        product / one.root_information
    }

    fn significance_of(&self, chance: &Chance, probability: f64) -> f64 {
        let (mut low, mut high) = (0.0, 50.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if chance.probability(middle) > probability { low = middle } else { high = middle }
        }
        high
    }
}

/// Probability that a normal deviate is below a value (Abramowitz & Stegun 1964, 26.2.17; error under 7.5e-8).
fn normal_below(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * x.abs());
    let poly =
        t * (0.319_381_530 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * x * x).exp() / TAU.sqrt() * poly;
    if x > 0.0 { 1.0 - tail } else { tail }
}

#[cfg(test)]
mod tests {
    use super::normal_below;

    #[test]
    fn the_normal_distribution_is_the_tables() {
        // Abramowitz & Stegun 1964, table 26.1
        for (x, p) in [(0.0, 0.5), (1.0, 0.841_344_746), (1.96, 0.975_002_105), (-2.5, 0.006_209_665)] {
            assert!((normal_below(x) - p).abs() < 1e-7, "{x}");
        }
    }
}
