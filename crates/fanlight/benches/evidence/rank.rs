//! Values against a distribution of many: ranks, and whether they are drawn from it.

/// Values beside draws of the distribution that they should come from.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// How many.
    pub n: usize,
    /// Mean of the values.
    pub mean: f64,
    /// Their standard deviation.
    pub sd: f64,
    /// Mean of the distribution.
    pub mean_of_all: f64,
    /// Its standard deviation.
    pub sd_of_all: f64,
    /// Error of a standard deviation of so many values, by the distribution's fourth moment.
    pub sd_sigma: f64,
    /// Share of the distribution at or above each value, ascending.
    pub ranks: Vec<f64>,
    /// Probability that ranks which are even are as uneven as these.
    pub ks_probability: f64,
}

impl Compared {
    /// Compares; `all` in any order.
    pub fn new(values: &[f64], all: &[f64]) -> Self {
        let mut sorted = all.to_vec();
        sorted.sort_by(f64::total_cmp);
        let above = |v: &f64| sorted.len() - sorted.partition_point(|s| s < v);
        let mut ranks: Vec<f64> = values.iter().map(|v| (1 + above(v)) as f64 / (1 + sorted.len()) as f64).collect();
        ranks.sort_by(f64::total_cmp);
        let (mean, sd, _) = moments(values);
        let (mean_of_all, sd_of_all, fourth) = moments(all);
        let sd_sigma = ((fourth - sd_of_all.powi(4)).max(0.0) / values.len() as f64).sqrt() / (2.0 * sd_of_all);
        let ks_probability = uniform_probability(&ranks);
        Self { n: values.len(), mean, sd, mean_of_all, sd_of_all, sd_sigma, ranks, ks_probability }
    }

    /// Error of the values' mean.
    pub fn mean_sigma(&self) -> f64 {
        self.sd_of_all / (self.n as f64).sqrt()
    }

    /// Values whose rank is at most `p`.
    pub fn beyond(&self, p: f64) -> usize {
        self.ranks.partition_point(|r| *r <= p)
    }
}

/// Mean, standard deviation, fourth central moment.
fn moments(values: &[f64]) -> (f64, f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let central = |power: i32| values.iter().map(|v| (v - mean).powi(power)).sum::<f64>();
    (mean, (central(2) / (n - 1.0).max(1.0)).sqrt(), central(4) / n)
}

/// Probability that numbers even between 0 and 1 are as far from even as these, which ascend (Kolmogorov 1933; for few numbers
/// by Stephens 1970, J. R. Stat. Soc. B 32, 115).
pub fn uniform_probability(ascending: &[f64]) -> f64 {
    let n = ascending.len() as f64;
    let off = ascending.iter().enumerate().fold(0.0, |most: f64, (i, v)| {
        let (before, after) = (v - i as f64 / n, (i + 1) as f64 / n - v);
        most.max(before).max(after)
    });
    let lambda = (n.sqrt() + 0.12 + 0.11 / n.sqrt()) * off;
    if lambda < 0.2 {
        return 1.0;
    }
    let term = |k: i32| f64::from(k % 2 * 2 - 1) * (-2.0 * (f64::from(k) * lambda).powi(2)).exp();
    (2.0 * (1..=100).map(term).sum::<f64>()).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draws::Draws;

    /// Critical values of Stephens 1974, J. Am. Stat. Assoc. 69, 730, table 1.1: 1.358 at 5 %, 1.628 at 1 %, for any number.
    #[test]
    fn the_distribution_is_the_tables() {
        for n in [10usize, 40, 200] {
            for (lambda, p) in [(1.358, 0.05), (1.628, 0.01)] {
                let root = (n as f64).sqrt();
                let off = lambda / (root + 0.12 + 0.11 / root);
                // even numbers, all moved up by so much
                let moved: Vec<f64> = (0..n).map(|i| i as f64 / n as f64 + off).collect();
                assert!((uniform_probability(&moved) - p).abs() < 0.001, "{n} {lambda}");
            }
        }
    }

    /// Draws of one distribution pass as often as they should; a tenth larger, they do not.
    #[test]
    fn what_is_alike_passes_and_what_is_not_does_not() {
        let mut draws = Draws::new(3);
        let mut of =
            |n: usize, factor: f64| -> Vec<f64> { (0..n).map(|_| factor * (4.2 + 0.4 * draws.normal())).collect() };
        let all = of(10_000, 1.0);
        let rejected = (0..200).filter(|_| Compared::new(&of(40, 1.0), &all).ks_probability < 0.1).count();
        assert!((8..36).contains(&rejected), "{rejected} of 200");
        let compared = Compared::new(&of(40, 1.1), &all);
        assert!(compared.ks_probability < 1e-4 && compared.mean > compared.mean_of_all + 4.0 * compared.mean_sigma());
        assert!(compared.beyond(1.0) == 40 && compared.beyond(0.0) == 0);
    }
}
