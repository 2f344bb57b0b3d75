//! How often chance shows as much: largest statistics of simulated seasons in which there is nothing.

/// The chance that nothing at all shows as much as was found, anywhere it was looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FalseAlarm {
    /// The probability, > 0.
    pub probability: f64,
    /// True where it was counted; false where it is an upper bound from the tail beyond what was simulated.
    pub is_counted: bool,
}

/// The largest statistic of each of many simulations.
#[derive(Debug, Clone, PartialEq)]
pub struct Maxima {
    /// Ascending.
    sorted: Vec<f64>,
}

/// Where fewer simulations than this exceed a value, its probability is the tail's.
const COUNTED: usize = 10;
/// Share of the simulations that the tail is fitted to.
const TAIL_SHARE: f64 = 0.1;

impl Maxima {
    /// Of any number of simulations; values that are not numbers are left out.
    pub fn new(mut maxima: Vec<f64>) -> Self {
        maxima.retain(|m| !m.is_nan());
        maxima.sort_by(f64::total_cmp);
        Self { sorted: maxima }
    }

    /// How probable a statistic as large is where there is nothing: (1 + n)/(1 + N) with n of N simulations as large, where at
    /// least ten are; beyond, the Gumbel distribution with the exponential tail of the largest tenth, its scale raised by
    /// its own error, as a bound.
    ///
    /// # Source
    /// Davison & Hinkley 1997, Bootstrap Methods and their Application, eq. 4.11, for the count (from memory).
    pub fn false_alarm(&self, statistic: f64) -> FalseAlarm {
        let n = self.sorted.len();
        let as_large = n - self.sorted.partition_point(|m| *m < statistic);
        let counted = (1 + as_large) as f64 / (1 + n) as f64;
        let in_tail = (TAIL_SHARE * n as f64) as usize;
        if as_large >= COUNTED || in_tail < COUNTED {
            return FalseAlarm { probability: counted, is_counted: true };
        }
        let from = self.sorted[n - in_tail];
        let mean = self.sorted[n - in_tail..].iter().map(|m| m - from).sum::<f64>() / in_tail as f64;
        // the scale of k exceedances has a relative error of 1/√k
        let scale = mean * (1.0 + 1.0 / (in_tail as f64).sqrt());
        let share = in_tail as f64 / n as f64;
        let rate = -(-share).ln_1p() * (-(statistic - from) / scale).exp();
        let probability = (-(-rate).exp_m1()).max(f64::MIN_POSITIVE);
        FalseAlarm { probability, is_counted: false }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Half the largest of 30 chi-squares of two degrees of freedom: 1 − (1 − e^−x)³⁰.
    fn largest(rng: &mut ChaCha8Rng) -> f64 {
        (0..30).map(|_| -rng.random_range(0.0f64..1.0).ln()).fold(0.0, f64::max)
    }

    #[test]
    fn counts_where_it_can_and_bounds_beyond() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let maxima = Maxima::new((0..2000).map(|_| largest(&mut rng)).collect());
        let truth = |x: f64| -(30.0 * (-(-x).exp()).ln_1p()).exp_m1();
        let near = maxima.false_alarm(5.0);
        assert!(near.is_counted && (near.probability / truth(5.0) - 1.0).abs() < 0.25, "{near:?} {}", truth(5.0));
        for x in [11.0, 14.0, 20.0] {
            let far = maxima.false_alarm(x);
            let ratio = far.probability / truth(x);
            assert!(!far.is_counted && ratio > 1.0 && ratio < 60.0, "{x}: {far:?} is {ratio} times the truth");
        }
        assert!(maxima.false_alarm(1e9).probability > 0.0);
    }

    #[test]
    fn few_simulations_are_only_counted() {
        assert_eq!(Maxima::new(vec![]).false_alarm(3.0), FalseAlarm { probability: 1.0, is_counted: true });
        let few = Maxima::new(vec![1.0, 2.0, f64::NAN, 3.0]);
        assert_eq!(few.false_alarm(2.5).probability, 0.5);
        assert_eq!(few.false_alarm(9.0).probability, 0.25);
    }
}
