//! The final fit: all stars joined, linear or with distortion, the order chosen by cross-validation.

use super::fit::{Pair, Polynomials, Sums};

/// Fewest stars per coefficient of an axis before an order is tried.
const STARS_PER_TERM: usize = 3;
const FOLDS: usize = 8;

/// Residuals' scatter beyond the stated errors, on the plane and per axis: what makes the median of the squared
/// residuals over their variances that of a two-dimensional Gaussian.
pub(super) fn excess_scatter(fit: &Polynomials, pairs: &[Pair], sigma: &[f64]) -> f64 {
    let parameters = fit.terms.len() as f64;
    let n = pairs.len() as f64;
    let spare = n / (n - parameters).max(1.0);
    let miss2: Vec<f64> = pairs.iter().map(|p| fit.miss2(p) * spare).collect();
    let median_ratio = |excess: f64| {
        let mut ratio: Vec<f64> = miss2.iter().zip(sigma).map(|(m, s)| m / (s * s + excess * excess)).collect();
        let middle = ratio.len() / 2;
        *ratio.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let target = 2.0 * 2.0_f64.ln();
    let mut high = miss2.iter().fold(0.0_f64, |a, b| a.max(*b)).sqrt();
    if median_ratio(0.0) <= target || !(high > 0.0) {
        return 0.0;
    }
    let mut low = 0.0;
    for _ in 0..24 {
        let middle = (low + high) / 2.0;
        if median_ratio(middle) > target { low = middle } else { high = middle }
    }
    high
}

/// How far WCS that were written by a mount or a solver are commonly turned, radians, and off in scale: 0.03°, 0.05 %.
const USUAL_TURN: f64 = 5e-4;

/// What a fit may be hiding: errors of places that its own covariance does not hold.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Hidden {
    /// Error per axis all over the frame, px of the plane.
    bent_px: f64,
    /// Error per axis and px from the stars' mean place.
    turned: f64,
    /// That place, px from the frame's middle.
    about: [f64; 2],
}

impl Hidden {
    /// Of a fit to pairs with their scatter beyond their errors.
    ///
    /// An offset alone may hide that the frame is turned and scaled: as much as a linear fit to the same stars shows, drawn
    /// toward what WCS usually hide by how well they show it. A fit of order 1 or 2 may hide a distortion of order 3: how far the two differ at the stars beyond what
    /// their errors make, and where the stars are too few to fit one, all the scatter beyond their errors.
    pub fn of(fit: &Polynomials, pairs: &[Pair], excess: f64, highest: u8) -> Self {
        let n = pairs.len() as f64;
        let mean = |axis: usize| pairs.iter().map(|p| p.at[axis]).sum::<f64>() / n;
        let about = [mean(0), mean(1)];
        if fit.order > 0 {
            return Self { bent_px: hidden_bend(fit, pairs, excess, highest), turned: 0.0, about };
        }
        let usual2 = USUAL_TURN * USUAL_TURN;
        // variance of a turn of which the stars show `slope2`, with the error `error2`, where `usual2` is usual
        let given = |(slope2, error2): (f64, f64)| {
            let share = usual2 / (usual2 + error2);
            share * share * slope2 + share * error2
        };
        let turned =
            Polynomials::fit(pairs, 1, fit.unit_px).map_or(usual2, |linear| given(linear.mean_slope2())).sqrt();
        Self { bent_px: 0.0, turned, about }
    }

    /// Variance per axis of a place, px² of the plane.
    pub fn variance_at(&self, at: [f64; 2]) -> f64 {
        self.bent_px.powi(2) + self.turned.powi(2) * distance2(at, self.about)
    }
}

fn distance2(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)
}

fn hidden_bend(fit: &Polynomials, pairs: &[Pair], excess: f64, highest: u8) -> f64 {
    if fit.order >= 3 {
        return 0.0;
    }
    let n = pairs.len();
    let enough = highest >= 3 && n >= STARS_PER_TERM * super::fit::powers(3).len();
    let Some(bent) = enough.then(|| Polynomials::fit(pairs, 3, fit.unit_px)).flatten() else { return excess };
    let differ2 = |p: &Pair| {
        let by_errors = bent.variance_at(p.at) - fit.variance_at(p.at);
        distance2(fit.of(p.at), bent.of(p.at)) / 2.0 - by_errors
    };
    (pairs.iter().map(differ2).sum::<f64>() / n as f64).max(0.0).sqrt().min(excess)
}

/// The pairs' weights for a scatter.
pub(super) fn weighted(pairs: &[Pair], sigma: &[f64], excess: f64) -> Vec<Pair> {
    pairs.iter().zip(sigma).map(|(p, s)| Pair { weight: 1.0 / (s * s + excess * excess), ..*p }).collect()
}

/// The lowest order whose predictions of stars left out are not clearly worse than those of a higher one.
///
/// Each eighth of the stars is predicted by a fit to the others; a star's loss is ln(1 + r²/6), r² its squared miss over
/// its variance, so that wrong pairs decide nothing. An order gives way to a higher one when the mean of the paired
/// differences of losses is over half its standard error: an order too many costs a little in scatter, which the
/// covariance tells; one too few costs a bias that nothing tells.
pub(super) fn order_by_cross_validation(pairs: &[Pair], sigma: &[f64], unit_px: f64, highest: u8) -> u8 {
    let allowed: Vec<u8> = [1, 2, 3, 4]
        .into_iter()
        .filter(|o| *o == 1 || (*o <= highest && pairs.len() >= STARS_PER_TERM * super::fit::powers(*o).len()))
        .collect();
    let Some(full) = allowed.last().and_then(|o| Polynomials::fit(pairs, *o, unit_px)) else { return 1 };
    // one weight for all orders: the scatter that the highest leaves
    let pairs = weighted(pairs, sigma, excess_scatter(&full, pairs, sigma));
    let highest = full.order;
    let in_fold = |fold: usize| pairs.iter().skip(fold).step_by(FOLDS);
    let folds: Vec<Sums> = (0..FOLDS).map(|fold| Sums::of(in_fold(fold), highest, unit_px)).collect();
    let all = Sums::of(pairs.iter(), highest, unit_px);
    let losses = |order: u8| -> Option<Vec<f64>> {
        let mut loss = vec![0.0; pairs.len()];
        for (fold, own) in folds.iter().enumerate() {
            let fit = all.without(own).solved(order)?;
            for (loss, pair) in loss.iter_mut().skip(fold).step_by(FOLDS).zip(in_fold(fold)) {
                *loss = (1.0 + fit.miss2(pair) * pair.weight / 6.0).ln();
            }
        }
        Some(loss)
    };
    let mut chosen: Option<(u8, Vec<f64>)> = None;
    for order in allowed {
        let Some(loss) = losses(order) else { continue };
        let better = chosen.as_ref().is_none_or(|(_, before)| {
            let n = loss.len() as f64;
            let gain: Vec<f64> = before.iter().zip(&loss).map(|(b, l)| b - l).collect();
            let mean = gain.iter().sum::<f64>() / n;
            let variance = gain.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / (n - 1.0);
            mean > 0.5 * (variance / n).sqrt()
        });
        if better {
            chosen = Some((order, loss));
        }
    }
    chosen.map_or(1, |(order, _)| order)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A frame's stars with Gaussian errors of 0.1 from sums of twelve uniform numbers, bent by a term of this order.
    fn bent(order: i32, by_px: f64, n: usize) -> (Vec<Pair>, Vec<f64>) {
        let mut state = 3_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(1_u32 << 31)
        };
        let pairs = (0..n).map(|_| {
            let at = [uniform() * 2000.0 - 1000.0, uniform() * 1400.0 - 700.0];
            let mut error = || ((0..12).map(|_| uniform()).sum::<f64>() - 6.0) * 0.1;
            let bend = by_px * (at[0] / 1000.0).powi(order - 1) * (at[1] / 1000.0);
            Pair { at, to: [at[0] + bend + error(), at[1] + error()], weight: 1.0 / 0.01 }
        });
        (pairs.collect(), vec![0.1; n])
    }

    #[test]
    fn chooses_the_order_that_the_residuals_ask_for() {
        for (order, by_px) in [(1, 0.0), (2, 0.5), (3, 0.5), (4, 1.0)] {
            let (pairs, sigma) = bent(order, by_px, 300);
            assert_eq!(i32::from(order_by_cross_validation(&pairs, &sigma, 1200.0, 4)), order);
        }
        let (pairs, sigma) = bent(3, 0.5, 300);
        assert_eq!(order_by_cross_validation(&pairs, &sigma, 1200.0, 0), 1, "none was asked for");
        let (few, sigma) = bent(2, 5.0, 17);
        assert_eq!(order_by_cross_validation(&few, &sigma, 1200.0, 4), 1, "17 stars do not carry 6 coefficients");
    }

    #[test]
    fn scatter_beyond_the_errors() {
        let (pairs, _) = bent(1, 0.0, 400);
        let fit = Polynomials::fit(&pairs, 1, 1000.0).unwrap();
        assert_eq!(excess_scatter(&fit, &pairs, &[0.2; 400]), 0.0);
        // 0.1² = 0.06² + 0.08²; the median of 400 is good to 5 %
        let excess = excess_scatter(&fit, &pairs, &[0.06; 400]);
        assert!((excess - 0.08).abs() < 0.01, "{excess}");
    }
}
