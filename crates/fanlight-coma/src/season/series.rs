//! Series in time whose periods are looked for, and how much of them a sinusoid explains.

use super::SeasonError;
use super::error::{check_finite, check_positive};
use fanlight_image::Measured;
use std::f64::consts::TAU;

/// A series in time whose period is looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Days since the first row's time, which keeps phases exact.
    pub(super) times_days: Vec<f64>,
    /// One list for values, two (cosine and sine) for directions; weighted means taken off.
    pub(super) components: Vec<Vec<f64>>,
    /// Reciprocal variances, their sum 1, and that sum before.
    pub(super) weights: Vec<f64>,
    total_weight: f64,
    /// Independent numbers in a row.
    pub(super) numbers_per_row: usize,
    /// Whether components are pairs of one, two, … cycles around, as a profile's are.
    is_of_profiles: bool,
}

impl Series {
    /// Of values with their errors (> 0).
    ///
    /// # Errors
    /// A time or value that is not finite, an error that is not positive, fewer than two rows.
    pub fn of_values(times_days: &[f64], values: &[Measured]) -> Result<Self, SeasonError> {
        Self::new(times_days, values, vec![values.iter().map(|v| v.value).collect()], 1)
    }

    /// Of position angles, degrees with errors in degrees: their cosines and sines together, so that 359° is next to 1° and
    /// the result does not depend on where angles are counted from.
    ///
    /// # Errors
    /// As [`Series::of_values`].
    pub fn of_directions(times_days: &[f64], pa_deg: &[Measured]) -> Result<Self, SeasonError> {
        let radians: Vec<Measured> =
            pa_deg.iter().map(|p| Measured::new(p.value.to_radians(), p.sigma.to_radians())).collect();
        let cosines = radians.iter().map(|p| p.value.cos()).collect();
        let sines = radians.iter().map(|p| p.value.sin()).collect();
        // a direction is one number: what its components have along the mean direction is of second order
        Self::new(times_days, &radians, vec![cosines, sines], 1)
    }

    /// Of what a coma looks like all round: brightness in sectors of equal width, as shares of the mean less 1, from one direction on.
    /// Each row is taken as its harmonics of one to [`PROFILE_ORDERS`] cycles around, all of them together, turned back by
    /// `turned_deg` (the Sun's direction at the time: what is fixed to it stands still). Looks alike then are near each other
    /// in all numbers, and a period is one that brings the looks back, in one of two ways: by swinging, where all parts go once to and
    /// fro in a period, or by going round, where a part of so many cycles around repeats as many times a period. The better
    /// counts.
    ///
    /// # Errors
    /// As [`Series::of_values`]; fewer than twice as many sectors as orders.
    pub fn of_profiles(
        times_days: &[f64],
        profiles: &[Vec<Measured>],
        turned_deg: &[f64],
    ) -> Result<Self, SeasonError> {
        let fewest = profiles.iter().map(Vec::len).min().unwrap_or(0);
        if fewest < 2 * PROFILE_ORDERS + 1 {
            return Err(SeasonError::TooFew {
                what: "sectors of a profile",
                found: fewest,
                needed: 2 * PROFILE_ORDERS + 1,
            });
        }
        let found: Vec<(Measured, Vec<f64>)> =
            profiles.iter().zip(turned_deg).map(|(sectors, turned)| orders(sectors, *turned)).collect();
        let rows: Vec<Measured> = found.iter().map(|(row, _)| *row).collect();
        let components = (0..2 * PROFILE_ORDERS).map(|k| found.iter().map(|(_, parts)| parts[k]).collect()).collect();
        let series = Self::new(times_days, &rows, components, 2 * PROFILE_ORDERS)?;
        Ok(Self { is_of_profiles: true, ..series })
    }

    fn new(
        times_days: &[f64],
        rows: &[Measured],
        mut components: Vec<Vec<f64>>,
        numbers_per_row: usize,
    ) -> Result<Self, SeasonError> {
        let n = times_days.len().min(rows.len());
        if n < 2 {
            return Err(SeasonError::TooFew { what: "points of a series", found: n, needed: 2 });
        }
        for (row, (time, value)) in times_days.iter().zip(rows).enumerate() {
            check_finite("times_days", row, *time)?;
            check_finite("value", row, value.value)?;
            check_positive("err", row, value.sigma)?;
        }
        let mut weights: Vec<f64> = rows[..n].iter().map(|v| v.sigma.powi(-2)).collect();
        let total_weight: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= total_weight);
        for component in &mut components {
            component.truncate(n);
            let mean: f64 = component.iter().zip(&weights).map(|(v, w)| v * w).sum();
            component.iter_mut().for_each(|v| *v -= mean);
        }
        let times_days = times_days[..n].iter().map(|t| t - times_days[0]).collect();
        Ok(Self { times_days, components, weights, total_weight, numbers_per_row, is_of_profiles: false })
    }

    /// Number of rows.
    pub fn n_points(&self) -> usize {
        self.times_days.len()
    }

    /// From the first time to the last.
    pub fn baseline_days(&self) -> f64 {
        let (low, high) =
            self.times_days.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), t| (l.min(*t), h.max(*t)));
        high - low
    }

    /// Chi-square about the mean and its degrees of freedom.
    pub fn chi2_of_mean(&self) -> (f64, usize) {
        (self.total_weight * self.square(), self.numbers_per_row * (self.n_points() - 1))
    }

    pub(super) fn square(&self) -> f64 {
        self.components.iter().map(|c| c.iter().zip(&self.weights).map(|(v, w)| w * v * v).sum::<f64>()).sum()
    }

    /// The share of the weighted square about the mean that a sinusoid of this frequency, with a mean of its own, explains:
    /// 0 to 1. Of directions: of both components together. Of profiles: of all parts, swinging or going round, whichever is more.
    ///
    /// # Accuracy
    /// 1e-9 of astropy.timeseries.LombScargle, method slow (test `agrees_with_astropy`).
    ///
    /// # Source
    /// Zechmeister & Kürster 2009, A&A 496, 577, eq. 5 to 15; standard normalisation.
    pub fn power(&self, frequency_per_day: f64) -> f64 {
        most_explained(&self.phases_of(frequency_per_day), &self.weights, &self.components) / self.square()
    }

    /// Phases of a frequency; of profiles also of its multiples.
    pub(super) fn phases_of(&self, frequency_per_day: f64) -> Vec<Vec<(f64, f64)>> {
        let n = if self.is_of_profiles { PROFILE_ORDERS } else { 1 };
        (1..=n).map(|multiple| self.phases(multiple as f64 * frequency_per_day)).collect()
    }

    fn phases(&self, frequency_per_day: f64) -> Vec<(f64, f64)> {
        self.times_days
            .iter()
            .map(|t| {
                let (sin, cos) = (TAU * (frequency_per_day * t).fract()).sin_cos();
                (cos, sin)
            })
            .collect()
    }

    /// How strongly the dates alone repeat at a frequency, 0 to 1: the spectral window.
    pub fn window(&self, frequency_per_day: f64) -> f64 {
        let (c, s) = self
            .phases(frequency_per_day)
            .iter()
            .zip(&self.weights)
            .fold((0.0, 0.0), |(c, s), ((pc, ps), w)| (c + w * pc, s + w * ps));
        c * c + s * s
    }
}

/// Cycles around that are kept of a profile: rays of 45° and more show in full.
pub const PROFILE_ORDERS: usize = 4;

/// Cosine and sine parts of a profile of one to [`PROFILE_ORDERS`] cycles around, turned back by so many degrees, and the first of them with
/// the error that each has: sectors' errors are taken as alike.
fn orders(sectors: &[Measured], turned_deg: f64) -> (Measured, Vec<f64>) {
    let n = sectors.len() as f64;
    let variance = sectors.iter().map(|s| s.sigma * s.sigma).sum::<f64>() / n;
    let parts: Vec<f64> = (1..=PROFILE_ORDERS)
        .flat_map(|order| {
            let sum = sectors.iter().enumerate().fold((0.0, 0.0), |(c, s), (i, share)| {
                let pa_rad = TAU * (i as f64 + 0.5) / n - turned_deg.to_radians();
                let (sin, cos) = (order as f64 * pa_rad).sin_cos();
                (c + share.value * cos, s + share.value * sin)
            });
            [2.0 * sum.0 / n, 2.0 * sum.1 / n]
        })
        .collect();
    (Measured::new(parts[0], (2.0 * variance / n).sqrt()), parts)
}

/// Weighted square that is explained by the phases of one frequency and, pair of components by pair, by those of its multiples, whichever
/// is more.
pub(super) fn most_explained(phases: &[Vec<(f64, f64)>], weights: &[f64], components: &[Vec<f64>]) -> f64 {
    let swinging = explained(&phases[0], weights, components);
    if phases.len() == 1 {
        return swinging;
    }
    let round = components.chunks(2).zip(phases).map(|(pair, phases)| explained(phases, weights, pair)).sum();
    swinging.max(round)
}

/// Weighted square that sinusoids with these phases explain, all components together.
fn explained(phases: &[(f64, f64)], weights: &[f64], components: &[Vec<f64>]) -> f64 {
    let (mut c, mut s, mut cc, mut cs) = (0.0, 0.0, 0.0, 0.0);
    for ((pc, ps), w) in phases.iter().zip(weights) {
        c += w * pc;
        s += w * ps;
        cc += w * pc * pc;
        cs += w * pc * ps;
    }
    let (var_c, var_s, cov) = (cc - c * c, (1.0 - cc) - s * s, cs - c * s);
    // turned so that cosine and sine are independent
    let (sin, cos) = (0.5 * (2.0 * cov).atan2(var_c - var_s)).sin_cos();
    let first = cos * cos * var_c + 2.0 * cos * sin * cov + sin * sin * var_s;
    let second = sin * sin * var_c - 2.0 * cos * sin * cov + cos * cos * var_s;
    components
        .iter()
        .map(|component| {
            let (mut yc, mut ys, mut y) = (0.0, 0.0, 0.0);
            for (((pc, ps), w), v) in phases.iter().zip(weights).zip(component) {
                let wv = w * v;
                y += wv;
                yc += wv * pc;
                ys += wv * ps;
            }
            let (yc, ys) = (yc - y * c, ys - y * s);
            let along = |amount: f64, variance: f64| if variance > 1e-14 { amount * amount / variance } else { 0.0 };
            along(cos * yc + sin * ys, first) + along(cos * ys - sin * yc, second)
        })
        .sum()
}
