//! Marginal likelihoods of directions that rotate: a swing about a constant offset, or whole turns.

use super::direction_evidence::{Evidence, Jitter, circular_centre, log_sum};
use super::tracks::difference;
use std::f64::consts::{PI, TAU};

/// Frequencies that rotation may have, log-uniform in period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Frequencies {
    pub lowest_per_day: f64,
    pub highest_per_day: f64,
    pub baseline_days: f64,
}

impl Frequencies {
    /// log of the density of a frequency.
    fn log_density(&self, frequency: f64) -> f64 {
        -(frequency * (self.highest_per_day / self.lowest_per_day).ln()).ln()
    }

    fn grid(&self, step: f64) -> impl Iterator<Item = f64> {
        let n = ((self.highest_per_day - self.lowest_per_day) / step).ceil() as usize;
        let (low, step) = (self.lowest_per_day, (self.highest_per_day - self.lowest_per_day) / n.max(1) as f64);
        (0..n).map(move |i| low + (i as f64 + 0.5) * step)
    }
}

/// Amplitudes that a swing may have: normal distributions of these widths in both phases, each as probable.
const SWINGS_DEG: [f64; 2] = [8.0, 25.0];
/// Frequencies per 1/baseline of the first scan, and of the second about its highest.
const SCAN: f64 = 5.0;
const FINE_SCAN: f64 = 80.0;
/// Peaks that are scanned again.
const N_PEAKS: usize = 6;

/// Offsets that swing about a constant: both flat in the constant and Gaussian in the two amplitudes, so that the integral is exact.
/// Returns the best frequency too.
pub(super) fn swinging(
    jitter: &Jitter,
    times_days: &[f64],
    offsets_deg: &[f64],
    frequencies: &Frequencies,
) -> (Evidence, f64) {
    let centre = circular_centre(offsets_deg, jitter.smallest());
    let residuals: Vec<f64> = offsets_deg.iter().map(|o| difference(*o, centre)).collect();
    let swing = Swing::new(jitter, &residuals);
    let step = 1.0 / (SCAN * frequencies.baseline_days);
    let grid: Vec<f64> = frequencies.grid(step).collect();
    let step = if grid.len() > 1 { grid[1] - grid[0] } else { step };
    let at = |f: f64, width: f64| {
        let (evidence, likelihood) = swing.at(times_days, f);
        (f, evidence + frequencies.log_density(f) + width.ln(), likelihood)
    };
    let mut cells: Vec<(f64, f64, f64)> = grid.iter().map(|f| at(*f, step)).collect();
    // the highest peaks are finer than the scan: their cells are summed again
    let mut peaks: Vec<usize> = (0..cells.len())
        .filter(|i| {
            let higher = |j: Option<usize>| j.and_then(|j| cells.get(j)).is_some_and(|c| c.1 > cells[*i].1);
            !higher(i.checked_sub(1)) && !higher(Some(i + 1))
        })
        .collect();
    peaks.sort_by(|a, b| cells[*b].1.total_cmp(&cells[*a].1));
    peaks.truncate(N_PEAKS);
    let mut again: Vec<usize> = peaks.iter().flat_map(|p| p.saturating_sub(1)..(p + 2).min(cells.len())).collect();
    again.sort_unstable();
    again.dedup();
    let parts = (FINE_SCAN / SCAN) as usize;
    let fine = step / parts as f64;
    let finer: Vec<(f64, f64, f64)> = again
        .iter()
        .flat_map(|i| (0..parts).map(move |k| (*i, k)))
        .map(|(i, k)| at(grid[i] + (k as f64 + 0.5) * fine - 0.5 * step, fine))
        .collect();
    for i in again {
        cells[i].1 = f64::NEG_INFINITY;
    }
    cells.extend(finer);
    let logs: Vec<f64> = cells.iter().map(|c| c.1).collect();
    let best = cells.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or((0.0, 0.0), |c| (c.0, c.2));
    (Evidence { log_evidence: log_sum(&logs), log_likelihood: best.1 }, best.0)
}

/// What does not depend on the frequency: per size of the scatter the weights' and residuals' sums.
struct Swing {
    sizes: Vec<SwingSize>,
}

struct SwingSize {
    weights: Vec<f64>,
    weighted: Vec<f64>,
    log_norm: f64,
    sum: f64,
    sum_r: f64,
    chi2: f64,
}

impl Swing {
    fn new(jitter: &Jitter, residuals: &[f64]) -> Self {
        let sizes = jitter
            .sizes()
            .map(|(weights, log_norm)| {
                let weighted: Vec<f64> = weights.iter().zip(residuals).map(|(w, r)| w * r).collect();
                SwingSize {
                    log_norm,
                    sum: weights.iter().sum(),
                    sum_r: weighted.iter().sum(),
                    chi2: weighted.iter().zip(residuals).map(|(w, r)| w * r).sum(),
                    weights: weights.to_vec(),
                    weighted,
                }
            })
            .collect();
        Self { sizes }
    }

    /// The log of the integral over constant and amplitudes, averaged over sizes of scatter and swing; the highest log-likelihood.
    fn at(&self, times_days: &[f64], frequency: f64) -> (f64, f64) {
        let (cosines, sines): (Vec<f64>, Vec<f64>) = times_days
            .iter()
            .map(|t| {
                let (s, c) = (TAU * (frequency * t).fract()).sin_cos();
                (c, s)
            })
            .unzip();
        let mut highest = f64::NEG_INFINITY;
        let mut logs = Vec::with_capacity(self.sizes.len() * SWINGS_DEG.len());
        for size in &self.sizes {
            let (mut c, mut s, mut cc, mut cs, mut rc, mut rs) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
            for (((w, wr), pc), ps) in size.weights.iter().zip(&size.weighted).zip(&cosines).zip(&sines) {
                let wc = w * pc;
                c += wc;
                s += w * ps;
                cc += wc * pc;
                cs += wc * ps;
                rc += wr * pc;
                rs += wr * ps;
            }
            // the constant is solved for first
            let (var_c, var_s, cov) = (cc - c * c / size.sum, size.sum - cc - s * s / size.sum, cs - c * s / size.sum);
            let (bc, bs) = (rc - size.sum_r * c / size.sum, rs - size.sum_r * s / size.sum);
            let without = size.log_norm - 0.5 * (size.chi2 - size.sum_r * size.sum_r / size.sum);
            let gain = |prior: f64| {
                let (a, d) = (var_c + prior, var_s + prior);
                let determinant = a * d - cov * cov;
                (determinant, 0.5 * (d * bc * bc + a * bs * bs - 2.0 * cov * bc * bs) / determinant)
            };
            let constant = 0.5 * (TAU / size.sum).ln() - 360f64.ln();
            for swing in SWINGS_DEG {
                let prior = swing.powi(-2);
                let (determinant, gain) = gain(prior);
                logs.push(without + constant + gain + prior.ln() - 0.5 * determinant.ln());
            }
            let (determinant, gain) = gain(0.0);
            if determinant > 1e-9 * var_c * var_s {
                highest = highest.max(without + gain);
            }
        }
        (log_sum(&logs) - (logs.len() as f64).ln(), highest)
    }
}

/// Directions that turn whole circles evenly, either way round: peaks of the summed phase, each linear in constant and frequency.
/// Returns the best frequency too.
pub(super) fn turning(
    jitter: &Jitter,
    times_days: &[f64],
    offsets_deg: &[f64],
    frequencies: &Frequencies,
) -> (Evidence, f64) {
    let middle = times_days.iter().sum::<f64>() / times_days.len() as f64;
    let phases: Vec<(f64, f64)> = times_days.iter().zip(offsets_deg).map(|(t, o)| (t - middle, o / 360.0)).collect();
    // squared length of the summed phase, which is highest where all agree
    let coherence = |f: f64| {
        let (mut c, mut s) = (0.0, 0.0);
        for ((t, phase), w) in phases.iter().zip(jitter.smallest()) {
            let (sin, cos) = (TAU * (phase - f * t)).sin_cos();
            c += w * cos;
            s += w * sin;
        }
        c * c + s * s
    };
    let step = 1.0 / (SCAN * frequencies.baseline_days);
    let positive: Vec<f64> = frequencies.grid(step).collect();
    let mut peaks: Vec<(f64, f64)> = Vec::new();
    for sign in [1.0, -1.0] {
        let scan: Vec<(f64, f64)> = positive.iter().map(|f| (sign * f, coherence(sign * f))).collect();
        peaks.extend(scan.windows(3).filter(|w| w[1].1 > w[0].1 && w[1].1 >= w[2].1).map(|w| w[1]));
    }
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    peaks.truncate(N_PEAKS);
    let mut logs = vec![f64::NEG_INFINITY];
    let mut best = (f64::NEG_INFINITY, 0.0);
    for (coarse, _) in peaks {
        let frequency = super::scatter_fit::golden_maximum(coarse - step, coarse + step, coherence);
        let turned: Vec<f64> = phases.iter().map(|(t, phase)| 360.0 * (phase - frequency * t)).collect();
        let centre = circular_centre(&turned, jitter.smallest());
        let residuals: Vec<f64> = turned.iter().map(|o| difference(*o, centre)).collect();
        // half for either way round
        let log_density = frequencies.log_density(frequency.abs()) - 720f64.ln();
        for (weights, log_norm) in jitter.sizes() {
            let (mut a, mut b, mut d, mut p, mut q, mut chi2) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
            for ((w, r), (t, _)) in weights.iter().zip(&residuals).zip(&phases) {
                let g = 360.0 * t;
                a += w;
                b += w * g;
                d += w * g * g;
                p += w * r;
                q += w * r * g;
                chi2 += w * r * r;
            }
            let determinant = a * d - b * b;
            let gain = 0.5 * (d * p * p + a * q * q - 2.0 * b * p * q) / determinant;
            let likelihood = log_norm - 0.5 * chi2 + gain;
            logs.push(likelihood + (2.0 * PI).ln() - 0.5 * determinant.ln() + log_density);
            if likelihood > best.0 {
                best = (likelihood, frequency.abs());
            }
        }
    }
    // every peak holds all sizes of the scatter, each as probable
    let n_sizes = jitter.sizes().count() as f64;
    (Evidence { log_evidence: log_sum(&logs) - n_sizes.ln(), log_likelihood: best.0 }, best.1)
}
