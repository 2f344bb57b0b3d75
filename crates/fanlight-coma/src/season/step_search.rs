//! The best of many shapes over a trend, with the scatter free: made once for a season's dates, run on any values.

use nalgebra::{DMatrix, DVector};

/// Shapes over a trend for one set of nights.
pub(crate) struct StepSearch {
    at_scatters: Vec<AtScatter>,
    n_shapes: usize,
}

/// Everything that depends on the scatter but not on the values.
struct AtScatter {
    root_weights: Vec<f64>,
    half_log_weights: f64,
    /// Orthonormal columns that span the weighted trend.
    trend: Vec<Vec<f64>>,
    /// Per shape: its weighted values less what the trend takes, of length 1; `None` where the trend takes nearly all.
    shapes: Vec<Option<Vec<f64>>>,
}

/// The best shape for some values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Best {
    /// Which shape.
    pub shape: usize,
    /// By how much it raises the log-likelihood, with the scatter at its best for either; 0 where no shape goes up.
    pub gain: f64,
}

/// Share of a shape's length that the trend must leave: with less a trend that is slightly wrong makes the shape.
const LEFT_BY_TREND: f64 = 0.15;
/// Values of the scatter that are tried, from 0 to three times what the residuals show.
const N_SCATTERS: usize = 14;

impl StepSearch {
    /// For a trend (one column each), shapes (one vector each) and errors; `scatter` is how large the scatter about the trend
    /// may be expected.
    pub fn new(trend: &DMatrix<f64>, shapes: &[DVector<f64>], sigma: &DVector<f64>, scatter: f64) -> Self {
        let largest = 3.0 * (scatter + sigma.min());
        let smallest = 0.1 * sigma.min();
        let step = (largest / smallest).powf(1.0 / (N_SCATTERS - 1) as f64);
        let scatters = std::iter::once(0.0).chain((0..N_SCATTERS).map(|i| smallest * step.powi(i as i32)));
        let at_scatters = scatters.map(|s| AtScatter::new(trend, shapes, sigma, s)).collect();
        Self { at_scatters, n_shapes: shapes.len() }
    }

    /// The shape that raises the likelihood most, with a positive factor.
    pub fn best(&self, values: &[f64]) -> Best {
        let mut without = f64::NEG_INFINITY;
        let mut with = vec![f64::NEG_INFINITY; self.n_shapes];
        let mut weighted = vec![0.0; values.len()];
        for at in &self.at_scatters {
            weighted.iter_mut().zip(values.iter().zip(&at.root_weights)).for_each(|(o, (v, w))| *o = v * w);
            let square = dot(&weighted, &weighted) - at.trend.iter().map(|t| dot(t, &weighted).powi(2)).sum::<f64>();
            let likelihood = at.half_log_weights - 0.5 * square;
            without = without.max(likelihood);
            for (best, shape) in with.iter_mut().zip(&at.shapes) {
                let along = shape.as_ref().map_or(0.0, |s| dot(s, &weighted).max(0.0));
                *best = best.max(likelihood + 0.5 * along * along);
            }
        }
        let (shape, highest) = (0..self.n_shapes)
            .map(|i| (i, with[i]))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, f64::NEG_INFINITY));
        Best { shape, gain: (highest - without).max(0.0) }
    }
}

impl AtScatter {
    fn new(trend: &DMatrix<f64>, shapes: &[DVector<f64>], sigma: &DVector<f64>, scatter: f64) -> Self {
        let root_weights: Vec<f64> = sigma.iter().map(|s| 1.0 / s.hypot(scatter)).collect();
        let weigh = |column: &[f64]| -> Vec<f64> { column.iter().zip(&root_weights).map(|(c, w)| c * w).collect() };
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for column in trend.column_iter() {
            let column: Vec<f64> = column.iter().copied().collect();
            if let Some(unit) = left_over(weigh(&column), &basis, 1e-9) {
                basis.push(unit);
            }
        }
        let shapes = shapes.iter().map(|s| left_over(weigh(s.as_slice()), &basis, LEFT_BY_TREND)).collect();
        let half_log_weights = root_weights.iter().map(|w| w.ln()).sum();
        Self { root_weights, half_log_weights, trend: basis, shapes }
    }
}

/// What an orthonormal basis leaves of a vector, made of length 1; `None` where it leaves less than a share of it.
fn left_over(mut vector: Vec<f64>, basis: &[Vec<f64>], least_share: f64) -> Option<Vec<f64>> {
    let before = dot(&vector, &vector).sqrt();
    // twice: what rounding leaves of the first time
    for _ in 0..2 {
        for unit in basis {
            let along = dot(&vector, unit);
            vector.iter_mut().zip(unit).for_each(|(v, u)| *v -= along * u);
        }
    }
    let after = dot(&vector, &vector).sqrt();
    if !(after > least_share * before) {
        return None;
    }
    vector.iter_mut().for_each(|v| *v /= after);
    Some(vector)
}

/// In lanes of its own each, as a single running sum would have to wait for itself.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 8;
    let (chunks_a, rest_a) = a.as_chunks::<LANES>();
    let (chunks_b, rest_b) = b.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for (x, y) in chunks_a.iter().zip(chunks_b) {
        for lane in 0..LANES {
            sums[lane] += x[lane] * y[lane];
        }
    }
    sums.iter().sum::<f64>() + rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::scatter_fit::fit_with_known_scatter;

    /// With a scatter that errors hide (0 is best), the gain is half the fall of chi-square between two plain fits.
    #[test]
    fn the_gain_is_that_of_two_fits() {
        let n = 12;
        let trend = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let sigma = DVector::from_fn(n, |i, _| 1.0 + 0.1 * i as f64);
        let step = |at: usize| DVector::from_fn(n, |i, _| if i >= at { 1.0 } else { 0.0 });
        let shapes: Vec<_> = (1..n).map(step).collect();
        let values =
            DVector::from_fn(n, |i, _| 0.3 * i as f64 + 0.2 * (i as f64 * 1.7).sin() + if i >= 5 { 1.1 } else { 0.0 });
        let best = StepSearch::new(&trend, &shapes, &sigma, 0.0).best(values.as_slice());
        assert_eq!(best.shape, 4);
        let without = fit_with_known_scatter(&trend, &values, &sigma, 0.0).unwrap();
        let wider = DMatrix::from_fn(n, 3, |i, j| if j < 2 { trend[(i, j)] } else { shapes[4][i] });
        let with = fit_with_known_scatter(&wider, &values, &sigma, 0.0).unwrap();
        assert!((best.gain - 0.5 * (without.chi2 - with.chi2)).abs() < 1e-9, "{best:?}");
        // a step down is none
        let down = StepSearch::new(&trend, &shapes[4..5], &sigma, 0.0).best((-values).as_slice());
        assert_eq!(down.gain, 0.0);
    }

    #[test]
    fn what_the_trend_takes_is_not_a_shape() {
        let trend = DMatrix::from_fn(6, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let shapes = [DVector::from_fn(6, |i, _| 3.0 + 2.0 * i as f64)];
        let search = StepSearch::new(&trend, &shapes, &DVector::from_element(6, 0.1), 0.1);
        assert_eq!(search.best(&[0.0, 1.0, 5.0, 2.0, 8.0, 1.0]).gain, 0.0);
    }
}
