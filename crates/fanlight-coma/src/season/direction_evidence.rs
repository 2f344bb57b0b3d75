//! Marginal likelihoods of directions that do not rotate: linear about their best parameters, with a scatter of unknown size.

use super::tracks::difference;
use fanlight_sky::angle::{SkyPosition, Vector};

/// Sizes of the scatter beyond the errors, each as probable as the next.
pub(super) struct Jitter {
    /// Per size: per row the reciprocal variance, 1/deg².
    weights: Vec<Vec<f64>>,
    /// Per size: the sum of log normal densities at no residual.
    log_norms: Vec<f64>,
}

/// Largest scatter: beyond, a wrapped normal is not told from its nearest branch to 1e-8, and no direction is left.
pub(super) const LARGEST_JITTER_DEG: f64 = 30.0;
/// Sizes of the scatter that stand for all: a factor of 1.25 apart in total error.
const N_JITTERS: usize = 16;

impl Jitter {
    /// For rows with these errors: the density of the scatter j is proportional to 1/(j + median error) up to the largest.
    pub fn new(errors_deg: &[f64]) -> Self {
        let mut sorted = errors_deg.to_vec();
        sorted.sort_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        let ratio = 1.0 + LARGEST_JITTER_DEG / median;
        let sizes = (0..N_JITTERS).map(|k| median * (ratio.powf((k as f64 + 0.5) / N_JITTERS as f64) - 1.0));
        let weights: Vec<Vec<f64>> =
            sizes.map(|j| errors_deg.iter().map(|e| 1.0 / (e * e + j * j)).collect()).collect();
        let log_norms =
            weights.iter().map(|w| w.iter().map(|w| 0.5 * (w / std::f64::consts::TAU).ln()).sum()).collect();
        Self { weights, log_norms }
    }

    /// Per size of the scatter its weights and log norm.
    pub fn sizes(&self) -> impl Iterator<Item = (&[f64], f64)> {
        self.weights.iter().map(Vec::as_slice).zip(self.log_norms.iter().copied())
    }

    /// The weights of the smallest scatter.
    pub fn smallest(&self) -> &[f64] {
        &self.weights[0]
    }

    /// The log of the mean of what each size gives.
    pub fn mean(&self, per_size: &[f64]) -> f64 {
        log_sum(per_size) - (per_size.len() as f64).ln()
    }
}

/// log Σ exp.
pub(super) fn log_sum(logs: &[f64]) -> f64 {
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if highest == f64::NEG_INFINITY {
        return highest;
    }
    highest + logs.iter().map(|l| (l - highest).exp()).sum::<f64>().ln()
}

/// A marginal likelihood, and the highest likelihood that went into it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evidence {
    pub log_evidence: f64,
    pub log_likelihood: f64,
}

/// One parameter with a flat density, residuals linear in it: per size of the scatter the log of the integral and the highest
/// log-likelihood.
fn one_parameter(jitter: &Jitter, residuals: &[f64], slopes: &[f64], log_density: f64) -> Vec<(f64, f64)> {
    jitter
        .sizes()
        .map(|(weights, log_norm)| {
            let (mut a, mut b, mut chi2) = (0.0, 0.0, 0.0);
            for ((w, r), g) in weights.iter().zip(residuals).zip(slopes) {
                a += w * g * g;
                b += w * g * r;
                chi2 += w * r * r;
            }
            let likelihood = log_norm - 0.5 * (chi2 - b * b / a);
            // the integral over the parameter cannot be more than over the whole circle
            let width = (std::f64::consts::TAU / a).sqrt().min(360.0);
            (likelihood + width.ln() + log_density, likelihood)
        })
        .collect()
}

fn gathered(jitter: &Jitter, rows: &[(f64, f64)]) -> Evidence {
    let logs: Vec<f64> = rows.iter().map(|r| r.0).collect();
    let log_likelihood = rows.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    Evidence { log_evidence: jitter.mean(&logs), log_likelihood }
}

/// Directions at a constant but unknown angle from others: `offsets_deg` are the differences.
pub(super) fn constant_offset(jitter: &Jitter, offsets_deg: &[f64]) -> (Evidence, f64) {
    let centre = circular_centre(offsets_deg, jitter.smallest());
    let residuals: Vec<f64> = offsets_deg.iter().map(|o| difference(*o, centre)).collect();
    let rows = one_parameter(jitter, &residuals, &vec![1.0; residuals.len()], -(360f64.ln()));
    (gathered(jitter, &rows), centre)
}

/// The weighted mean direction of angles, degrees, then the mean of the residuals about it.
pub(super) fn circular_centre(angles_deg: &[f64], weights: &[f64]) -> f64 {
    let (mut s, mut c) = (0.0, 0.0);
    for (angle, w) in angles_deg.iter().zip(weights) {
        let (sin, cos) = angle.to_radians().sin_cos();
        s += w * sin;
        c += w * cos;
    }
    let first = s.atan2(c).to_degrees();
    let total: f64 = weights.iter().sum();
    first + angles_deg.iter().zip(weights).map(|(a, w)| w * difference(*a, first)).sum::<f64>() / total
}

/// Lines of sight, and the position angle that a direction in space has along each.
pub(super) struct Views {
    /// East and north at each date.
    axes: Vec<(Vector, Vector)>,
    /// Line of sight, east and north of the date by which directions are told.
    reference: (Vector, Vector, Vector),
}

impl Views {
    pub fn new(places: &[SkyPosition]) -> Self {
        let middle = places[places.len() / 2];
        let (east, north) = middle.east_north();
        Self {
            axes: places.iter().map(SkyPosition::east_north).collect(),
            reference: (middle.unit_vector(), east, north),
        }
    }

    /// Direction at an angle from the line of sight away from the observer and a position angle, both of the reference date, and
    /// its change with the position angle, per degree.
    pub fn direction(&self, from_sight_deg: f64, pa_deg: f64) -> (Vector, Vector) {
        let (sight, east, north) = self.reference;
        let (sb, cb) = from_sight_deg.to_radians().sin_cos();
        let (sp, cp) = pa_deg.to_radians().sin_cos();
        let part = |k: usize| cb * sight[k] + sb * (cp * north[k] + sp * east[k]);
        let change = |k: usize| (sb * (-sp * north[k] + cp * east[k])).to_radians();
        ([part(0), part(1), part(2)], [change(0), change(1), change(2)])
    }

    /// Position angle of a direction at a date, degrees, and how it changes with a change of the direction.
    fn seen(&self, date: usize, direction: Vector, change: Vector) -> (f64, f64) {
        let (east, north) = self.axes[date];
        let (x, y) = (dot(east, direction), dot(north, direction));
        let (dx, dy) = (dot(east, change), dot(north, change));
        // along the line of sight no angle is defined: the floor keeps its change finite
        let square = (x * x + y * y).max(1e-8);
        (x.atan2(y).to_degrees(), ((y * dx - x * dy) / square).to_degrees())
    }

    /// Residuals of position angles about those of a direction and their changes per degree of its position angle.
    fn residuals(&self, pas_deg: &[f64], from_sight_deg: f64, pa_deg: f64) -> (Vec<f64>, Vec<f64>) {
        let (direction, change) = self.direction(from_sight_deg, pa_deg);
        pas_deg
            .iter()
            .enumerate()
            .map(|(i, pa)| {
                let (seen, slope) = self.seen(i, direction, change);
                (difference(*pa, seen), slope)
            })
            .unzip()
    }
}

fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// One step of the angle from the line of sight: what its best position angle gives.
struct Cell {
    from_sight_deg: f64,
    half_width_deg: f64,
    pa_deg: f64,
    /// Per size of the scatter, with the share of the sphere.
    rows: Vec<(f64, f64)>,
    log_total: f64,
}

/// Cells of the angle from the line of sight before any is halved, and how often one may be.
const N_CELLS: usize = 60;
const HALVINGS: usize = 8;
/// Position angles from which the best is looked for.
const N_STARTS: usize = 24;
/// Cells this far below the best, in logs, are of no account.
const OF_ACCOUNT: f64 = 8.0;
/// Neighbours that differ by less are fine enough.
const FINE: f64 = 0.5;

/// One constant direction in space, any direction as probable: the integral over its position angle (linear about the best) and,
/// in cells that are halved where the likelihood changes, over its angle from the line of sight.
pub(super) fn constant_in_space(jitter: &Jitter, views: &Views, pas_deg: &[f64]) -> (Evidence, Vector) {
    let cell = |from_sight_deg: f64, half_width_deg: f64, start_deg: Option<f64>| {
        let start = start_deg.unwrap_or_else(|| best_start(views, pas_deg, from_sight_deg));
        let pa_deg = settled(jitter, views, pas_deg, from_sight_deg, start);
        let (residuals, slopes) = views.residuals(pas_deg, from_sight_deg, pa_deg);
        // share of the sphere per degree of position angle
        let (low, high) = (from_sight_deg - half_width_deg, from_sight_deg + half_width_deg);
        let share = 0.5 * (low.to_radians().cos() - high.to_radians().cos());
        let rows = one_parameter(jitter, &residuals, &slopes, share.ln() - 360f64.ln());
        let log_total = log_sum(&rows.iter().map(|r| r.0).collect::<Vec<_>>());
        Cell { from_sight_deg, half_width_deg, pa_deg, rows, log_total }
    };
    let half = 90.0 / N_CELLS as f64;
    let mut cells: Vec<Cell> = (0..N_CELLS).map(|i| cell((2 * i + 1) as f64 * half, half, None)).collect();
    for _ in 0..HALVINGS {
        let density = |c: &Cell| c.log_total - c.half_width_deg.ln();
        let highest = cells.iter().map(|c| c.log_total).fold(f64::NEG_INFINITY, f64::max);
        let is_of_account = |c: &Cell| c.log_total > highest - OF_ACCOUNT;
        let is_coarse = |i: usize| {
            let neighbours = [i.checked_sub(1), (i + 1 < cells.len()).then_some(i + 1)];
            neighbours.into_iter().flatten().any(|j| {
                (is_of_account(&cells[i]) || is_of_account(&cells[j]))
                    && (density(&cells[i]) - density(&cells[j])).abs() > FINE
            })
        };
        let coarse: Vec<bool> = (0..cells.len()).map(is_coarse).collect();
        if !coarse.contains(&true) {
            break;
        }
        let mut finer = Vec::with_capacity(cells.len() + 16);
        for (c, is_coarse) in cells.into_iter().zip(coarse) {
            if is_coarse {
                let quarter = 0.5 * c.half_width_deg;
                finer.push(cell(c.from_sight_deg - quarter, quarter, Some(c.pa_deg)));
                finer.push(cell(c.from_sight_deg + quarter, quarter, Some(c.pa_deg)));
            } else {
                finer.push(c);
            }
        }
        cells = finer;
    }
    let summed: Vec<(f64, f64)> = (0..N_JITTERS)
        .map(|k| {
            let logs: Vec<f64> = cells.iter().map(|c| c.rows[k].0).collect();
            (log_sum(&logs), cells.iter().map(|c| c.rows[k].1).fold(f64::NEG_INFINITY, f64::max))
        })
        .collect();
    let likelihood = |c: &Cell| c.rows.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    let best = cells.iter().max_by(|a, b| likelihood(a).total_cmp(&likelihood(b)));
    let direction = best.map_or([0.0; 3], |c| views.direction(c.from_sight_deg, c.pa_deg).0);
    (gathered(jitter, &summed), direction)
}

/// The position angle whose residuals' cosines sum highest, of evenly spaced ones.
fn best_start(views: &Views, pas_deg: &[f64], from_sight_deg: f64) -> f64 {
    let score = |start: f64| {
        let (direction, change) = views.direction(from_sight_deg, start);
        (pas_deg.iter().enumerate())
            .map(|(i, pa)| (pa - views.seen(i, direction, change).0).to_radians().cos())
            .sum::<f64>()
    };
    (0..N_STARTS)
        .map(|i| i as f64 * 360.0 / N_STARTS as f64)
        .map(|start| (start, score(start)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0.0, |s| s.0)
}

/// Gauss–Newton for the position angle at one angle from the line of sight, the best of its steps.
fn settled(jitter: &Jitter, views: &Views, pas_deg: &[f64], from_sight_deg: f64, start_deg: f64) -> f64 {
    let mut pa_deg = start_deg;
    let mut best = (f64::INFINITY, start_deg);
    for _ in 0..6 {
        let (residuals, slopes) = views.residuals(pas_deg, from_sight_deg, pa_deg);
        let (mut a, mut b, mut chi2) = (0.0, 0.0, 0.0);
        for ((w, r), g) in jitter.smallest().iter().zip(&residuals).zip(&slopes) {
            a += w * g * g;
            b += w * g * r;
            chi2 += w * r * r;
        }
        if chi2 < best.0 {
            best = (chi2, pa_deg);
        }
        let step = (b / a).clamp(-15.0, 15.0);
        if !(step.abs() > 1e-6) {
            break;
        }
        pa_deg += step;
    }
    best.1
}
