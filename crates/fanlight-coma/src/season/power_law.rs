//! How activity goes with distance from the Sun: Afρ as a power of r.

use super::SeasonError;
use super::error::{check, check_positive};
use super::scatter_fit::{ScatterFit, fit_with_known_scatter, fit_with_scatter};
use fanlight_image::Measured;
use nalgebra::{DMatrix, DVector};
use std::f64::consts::LN_10;

/// A night's activity: one row a night, of one side of perihelion, one aperture and one band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ActivityPoint {
    /// Distance from the Sun, > 0. Its error is neglected: an ephemeris knows it to 1e-6 and better, which a slope of 5
    /// makes 2e-6 dex.
    pub r_au: f64,
    /// Afρ, usually A(0°)fρ, > 0, with its error, > 0.
    pub afrho_cm: Measured,
}

impl ActivityPoint {
    /// log₁₀ of the distance in au.
    pub fn log_r(&self) -> f64 {
        self.r_au.log10()
    }

    /// log₁₀ of Afρ in cm, with the error that the linear one gives.
    pub fn log_afrho(&self) -> Measured {
        Measured::new(self.afrho_cm.value.log10(), self.afrho_cm.sigma / self.afrho_cm.value / LN_10)
    }
}

/// What a fit takes for the scatter of nights about the law (rotation, small outbursts, calibration) beyond their errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scatter {
    /// It is fitted, and the errors hold that it is not known.
    Free,
    /// It is this much, dex, ≥ 0.
    KnownDex(f64),
}

/// A power law A(r) = A₁ r^slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerLaw {
    /// Power of the distance; −2 for light alone, steeper where the production rises towards the Sun.
    pub slope: Measured,
    /// log₁₀ of Afρ in cm at 1 au, the line's own, whether or not nights were near 1 au.
    pub log_afrho_1au: Measured,
    /// Afρ at 1 au, cm; its error is the logarithm's, to first order.
    pub afrho_1au_cm: Measured,
    /// Covariance of `log_afrho_1au` with `slope`.
    pub covariance: f64,
    /// Standard deviation of nights about the law beyond their errors, dex, with half its 68 % interval.
    pub scatter_dex: Measured,
    /// That interval, dex; its lower end may be 0.
    pub scatter_range_dex: (f64, f64),
    /// Nights in the fit.
    pub n_nights: usize,
    /// Smallest and largest distance in the fit.
    pub r_range_au: (f64, f64),
}

impl PowerLaw {
    /// log₁₀ of Afρ in cm that the law gives at a distance, with the law's own error (a night scatters by `scatter_dex` more).
    pub fn log_afrho_at(&self, r_au: f64) -> Measured {
        let x = r_au.log10();
        let variance = self.log_afrho_1au.sigma.powi(2) + 2.0 * x * self.covariance + (x * self.slope.sigma).powi(2);
        Measured::new(self.log_afrho_1au.value + self.slope.value * x, variance.max(0.0).sqrt())
    }

    /// Whether nights on both sides of a distance made the law.
    pub fn covers(&self, r_au: f64) -> bool {
        (self.r_range_au.0..=self.r_range_au.1).contains(&r_au)
    }
}

/// Fewest nights for two coefficients and their errors.
pub const FEWEST_NIGHTS: usize = 3;
/// Least span in log₁₀ r, 5 %: less, and a scatter of 0.05 dex makes a slope's error larger than slopes are.
pub const LEAST_LOG_R_SPAN: f64 = 0.021;

/// Fits log₁₀ Afρ against log₁₀ r.
///
/// # Errors
/// Fewer than [`FEWEST_NIGHTS`] nights; distances that span less than [`LEAST_LOG_R_SPAN`]; a distance, Afρ or error that is
/// not positive.
///
/// # Accuracy
/// Simulated seasons of 5 to 30 nights: the slope is within its error in 67 to 70 % of them, for scatters from none to five
/// times the errors (test `errors_hold_the_truth_at_their_rate`). With three or four nights up to 82 %.
///
/// # Source
/// A'Hearn, Millis, Schleicher, Osip & Birch 1995, Icarus 118, 223, for the law; the fit is that of
/// [`fit_with_scatter`].
pub fn fit_power_law(points: &[ActivityPoint], scatter: Scatter) -> Result<PowerLaw, SeasonError> {
    if points.len() < FEWEST_NIGHTS {
        return Err(SeasonError::TooFew { what: "nights for a power law", found: points.len(), needed: FEWEST_NIGHTS });
    }
    check_points(points)?;
    if let Scatter::KnownDex(dex) = scatter {
        check("scatter_dex", 0, dex, "the numbers from 0", |v| v >= 0.0)?;
    }
    let r_range_au = points.iter().fold((f64::INFINITY, 0.0f64), |(l, h), p| (l.min(p.r_au), h.max(p.r_au)));
    let found = (r_range_au.1 / r_range_au.0).log10();
    if found < LEAST_LOG_R_SPAN {
        return Err(SeasonError::SpanTooSmall {
            what: "the distance from the Sun",
            found,
            needed: LEAST_LOG_R_SPAN,
            unit: "dex",
        });
    }
    // the line is fitted about the middle of the distances, where its two coefficients hardly depend on each other
    let middle = points.iter().map(ActivityPoint::log_r).sum::<f64>() / points.len() as f64;
    let design = DMatrix::from_fn(points.len(), 2, |i, j| if j == 0 { 1.0 } else { points[i].log_r() - middle });
    let values = DVector::from_iterator(points.len(), points.iter().map(|p| p.log_afrho().value));
    let sigma = DVector::from_iterator(points.len(), points.iter().map(|p| p.log_afrho().sigma));
    let fit = match scatter {
        Scatter::Free => fit_with_scatter(&design, &values, &sigma),
        Scatter::KnownDex(dex) => fit_with_known_scatter(&design, &values, &sigma, dex),
    };
    let fit = fit.ok_or(SeasonError::Undetermined { what: "the power law" })?;
    Ok(from_fit(&fit, middle, points.len(), r_range_au))
}

/// Refuses rows that no measurement can have.
pub(crate) fn check_points(points: &[ActivityPoint]) -> Result<(), SeasonError> {
    points.iter().enumerate().try_for_each(|(row, p)| {
        check_positive("r_au", row, p.r_au)?;
        check_positive("afrho_cm", row, p.afrho_cm.value)?;
        check_positive("afrho_err_cm", row, p.afrho_cm.sigma)
    })
}

fn from_fit(fit: &ScatterFit, middle: f64, n_nights: usize, r_range_au: (f64, f64)) -> PowerLaw {
    let (level, slope, c) = (fit.coefficients[0], fit.coefficients[1], &fit.covariance);
    // from the middle of the distances to 1 au
    let at_1au = level - slope * middle;
    let variance = c[(0, 0)] - 2.0 * middle * c[(0, 1)] + middle * middle * c[(1, 1)];
    let log_afrho_1au = Measured::new(at_1au, variance.max(0.0).sqrt());
    let linear = 10f64.powf(at_1au);
    PowerLaw {
        slope: Measured::new(slope, c[(1, 1)].sqrt()),
        log_afrho_1au,
        afrho_1au_cm: Measured::new(linear, linear * LN_10 * log_afrho_1au.sigma),
        covariance: c[(0, 1)] - middle * c[(1, 1)],
        scatter_dex: Measured::new(fit.scatter, fit.scatter_err()),
        scatter_range_dex: fit.scatter_range,
        n_nights,
        r_range_au,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use rayon::prelude::*;

    fn point(r_au: f64, log_afrho: f64, err_dex: f64) -> ActivityPoint {
        let value = 10f64.powf(log_afrho);
        ActivityPoint { r_au, afrho_cm: Measured::new(value, value * LN_10 * err_dex) }
    }

    /// Nights of the law 800 cm · r^−2.5 with a scatter, errors unlike by a factor of four.
    fn season(rng: &mut ChaCha8Rng, n: usize, scatter_dex: f64) -> Vec<ActivityPoint> {
        let mut points = Vec::new();
        for _ in 0..n {
            let r_au: f64 = rng.random_range(1.1..2.2);
            let err_dex = 0.02 * rng.random_range(0.5..2.0);
            let noise: f64 = StandardNormal.sample(rng);
            points.push(point(
                r_au,
                800f64.log10() - 2.5 * r_au.log10() + noise * f64::hypot(err_dex, scatter_dex),
                err_dex,
            ));
        }
        points
    }

    fn share_held(n: usize, scatter_dex: f64, seasons: u64) -> (f64, f64) {
        let held: Vec<(bool, bool)> = (0..seasons)
            .into_par_iter()
            .filter_map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(7);
                rng.set_stream(i);
                let fit = fit_power_law(&season(&mut rng, n, scatter_dex), Scatter::Free).ok()?;
                let near = |m: Measured, truth: f64| (m.value - truth).abs() < m.sigma;
                Some((near(fit.slope, -2.5), near(fit.log_afrho_1au, 800f64.log10())))
            })
            .collect();
        let share =
            |of: &dyn Fn(&(bool, bool)) -> bool| held.iter().filter(|h| of(h)).count() as f64 / held.len() as f64;
        (share(&|h| h.0), share(&|h| h.1))
    }

    #[test]
    fn errors_hold_the_truth_at_their_rate() {
        for n in [5, 8, 15, 30] {
            for scatter_dex in [0.0, 0.02, 0.1] {
                let (slope, level) = share_held(n, scatter_dex, 3000);
                assert!((0.64..0.72).contains(&slope), "{n} nights, scatter {scatter_dex}: slope {slope}");
                assert!((0.64..0.72).contains(&level), "{n} nights, scatter {scatter_dex}: level {level}");
            }
        }
    }

    /// With three or four nights the errors are never too small on average.
    #[test]
    fn errors_of_few_nights_are_not_too_small() {
        for n in [3, 4] {
            for scatter_dex in [0.0, 0.02, 0.1] {
                let (slope, level) = share_held(n, scatter_dex, 2000);
                assert!((0.65..0.86).contains(&slope), "{n} nights, scatter {scatter_dex}: slope {slope}");
                assert!((0.65..0.86).contains(&level), "{n} nights, scatter {scatter_dex}: level {level}");
            }
        }
    }

    /// `reference/season_power_law.py`: seasons with scipy's ODR (no scatter), the scatter of highest restricted likelihood by
    /// scipy's optimiser, and a Bayesian posterior on a grid.
    #[test]
    fn agrees_with_scipy_and_a_posterior_on_a_grid() {
        let text = include_str!("../../tests/data/season_power_law.csv");
        let mut seasons: std::collections::BTreeMap<u32, (Vec<ActivityPoint>, Vec<f64>)> = Default::default();
        for line in text.lines().filter(|l| !l.starts_with('#')) {
            let fields: Vec<&str> = line.split(',').collect();
            let numbers: Vec<f64> = fields[2..].iter().map(|f| f.parse().unwrap()).collect();
            let entry = seasons.entry(fields[1].parse().unwrap()).or_default();
            match fields[0] {
                "point" => {
                    entry.0.push(ActivityPoint { r_au: numbers[0], afrho_cm: Measured::new(numbers[1], numbers[2]) })
                }
                _ => entry.1 = numbers,
            }
        }
        assert_eq!(seasons.len(), 6);
        for (number, (points, expected)) in seasons {
            let [odr_level, odr_slope, odr_level_err, odr_slope_err, reml, reml_level, reml_slope] = expected[..7]
            else {
                panic!("season {number}: {expected:?}")
            };
            let plain = fit_power_law(&points, Scatter::KnownDex(0.0)).unwrap();
            // the ODR stops at 1e-7 or so of its errors
            assert!((plain.slope.value - odr_slope).abs() < 1e-4 * odr_slope_err, "{number}: {plain:?}");
            assert!((plain.log_afrho_1au.value - odr_level).abs() < 1e-4 * odr_level_err, "{number}: {plain:?}");
            assert!((plain.slope.sigma / odr_slope_err - 1.0).abs() < 1e-4, "{number}");
            assert!((plain.log_afrho_1au.sigma / odr_level_err - 1.0).abs() < 1e-4, "{number}");
            let free = fit_power_law(&points, Scatter::Free).unwrap();
            assert!(
                (free.scatter_dex.value - reml).abs() < 1e-5,
                "{number}: {} against {reml}",
                free.scatter_dex.value
            );
            assert!((free.slope.value - reml_slope).abs() < 1e-3 * free.slope.sigma, "{number}");
            assert!((free.log_afrho_1au.value - reml_level).abs() < 1e-3 * free.slope.sigma, "{number}");
            // another rule of inference: medians within a third of an error, widths within a quarter
            let [slope_low, slope_median, slope_high, scatter_median] = expected[7..] else { panic!("{expected:?}") };
            assert!((free.slope.value - slope_median).abs() < 0.33 * free.slope.sigma, "{number}: {slope_median}");
            let ratio = free.slope.sigma / (0.5 * (slope_high - slope_low));
            assert!((0.75..1.33).contains(&ratio), "{number}: {ratio}");
            let (low, high) = free.scatter_range_dex;
            assert!(low <= scatter_median && scatter_median <= high, "{number}: {low} {scatter_median} {high}");
        }
    }

    /// C/1996 B2, the first four rows of its published values: slope −2.47, 7650 cm at 1 au by an independent unweighted fit.
    #[test]
    fn agrees_with_a_fit_to_published_values() {
        let points: Vec<_> = [(1.90, 3.19), (1.60, 3.38), (1.51, 3.45), (1.16, 3.72)]
            .map(|(r_au, log_afrho)| point(r_au, log_afrho, 0.01))
            .to_vec();
        let fit = fit_power_law(&points, Scatter::Free).unwrap();
        assert!((fit.slope.value + 2.47).abs() < 0.01, "{fit:?}");
        assert!((fit.afrho_1au_cm.value - 7650.0).abs() < 60.0, "{fit:?}");
        assert!(fit.covers(1.5) && !fit.covers(1.0));
    }

    /// The unit of Afρ only shifts the level; a distance in other units only turns level and slope.
    #[test]
    fn the_law_does_not_depend_on_units() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let points = season(&mut rng, 9, 0.05);
        let here = fit_power_law(&points, Scatter::Free).unwrap();
        let scaled: Vec<_> = points
            .iter()
            .map(|p| ActivityPoint {
                r_au: 2.0 * p.r_au,
                afrho_cm: Measured::new(100.0 * p.afrho_cm.value, 100.0 * p.afrho_cm.sigma),
            })
            .collect();
        let there = fit_power_law(&scaled, Scatter::Free).unwrap();
        assert!((here.slope.value - there.slope.value).abs() < 1e-8);
        assert!((here.slope.sigma - there.slope.sigma).abs() < 1e-8);
        let (a, b) = (here.log_afrho_at(1.7), there.log_afrho_at(3.4));
        assert!((a.value + 2.0 - b.value).abs() < 1e-8 && (a.sigma - b.sigma).abs() < 1e-8, "{a:?} {b:?}");
    }

    #[test]
    fn refuses_what_makes_no_law() {
        let good = [point(1.0, 3.0, 0.02), point(1.3, 2.8, 0.02), point(1.6, 2.5, 0.02)];
        assert!(fit_power_law(&good, Scatter::Free).is_ok());
        assert!(matches!(
            fit_power_law(&good[..2], Scatter::Free),
            Err(SeasonError::TooFew { found: 2, needed: 3, .. })
        ));
        let close = [point(1.0, 3.0, 0.02), point(1.01, 2.8, 0.02), point(1.02, 2.5, 0.02)];
        assert!(matches!(fit_power_law(&close, Scatter::Free), Err(SeasonError::SpanTooSmall { .. })));
        let with = |r_au, value, sigma| {
            let mut points = good;
            points[1] = ActivityPoint { r_au, afrho_cm: Measured::new(value, sigma) };
            fit_power_law(&points, Scatter::Free)
        };
        for (r_au, value, sigma) in
            [(0.0, 1.0, 0.1), (1.3, -5.0, 1.0), (1.3, 5.0, 0.0), (f64::NAN, 5.0, 1.0), (1.3, f64::INFINITY, 1.0)]
        {
            assert!(matches!(with(r_au, value, sigma), Err(SeasonError::OutOfRange { row: 1, .. })), "{r_au} {value}");
        }
        assert!(fit_power_law(&good, Scatter::KnownDex(-1.0)).is_err());
        assert!(fit_power_law(&[], Scatter::Free).is_err());
    }
}
