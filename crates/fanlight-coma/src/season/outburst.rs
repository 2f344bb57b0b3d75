//! Outbursts: nights brighter than the law of their side of perihelion, by a step that lasts or fades.

use super::chance::{FalseAlarm, Maxima};
use super::error::check_finite;
use super::power_law::{ActivityPoint, LEAST_LOG_R_SPAN, PowerLaw, Scatter, check_points, fit_power_law};
use super::scatter_fit::{ScatterFit, fit_with_scatter};
use super::step_search::StepSearch;
use super::{SeasonError, Side};
use fanlight_image::Measured;
use nalgebra::{DMatrix, DVector};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// A night's activity with its date; all nights of one aperture and one band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ActivityNight {
    /// Mid-time, UTC, days from any epoch.
    pub utc_days: f64,
    /// Side of perihelion.
    pub side: Side,
    /// Distance and Afρ.
    pub point: ActivityPoint,
}

/// How a brightening goes on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StepShape {
    /// To the end of its side of perihelion.
    Lasting,
    /// Falling to 1/e in so many days; one of a row of powers of two.
    Decaying {
        /// That time.
        decay_days: f64,
    },
    /// Seen on one night only: how it went on is not known.
    OneNight,
}

/// A brightening against the law.
#[derive(Debug, Clone, PartialEq)]
pub struct Outburst {
    /// The last night without it.
    pub not_before_utc_days: f64,
    /// The first night with it.
    pub seen_utc_days: f64,
    /// How it goes on.
    pub shape: StepShape,
    /// Its height on the first night, dex of Afρ, > 0. The highest of many places was taken: near the limit of what can be
    /// found heights are too large.
    pub step_dex: Measured,
    /// The same in magnitudes, −2.5 times as much: negative.
    pub step_mag: Measured,
    /// The chance that the law, errors and scatter show as much at any date.
    pub false_alarm: FalseAlarm,
    /// True where a bend of the law of that side explains the nights nearly as well: then it may be no outburst.
    pub or_bend: bool,
    /// Rows of the nights that it lifts by more than a quarter of their error and scatter.
    pub nights: Vec<usize>,
}

/// How to search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutburstSettings {
    /// Seasons to simulate for each false-alarm probability; fewer than a few hundred leave it coarse.
    pub n_simulations: usize,
    /// Largest false-alarm probability of what is called an outburst.
    pub largest_false_alarm: f64,
    /// Most outbursts to look for.
    pub most: usize,
}

impl Default for OutburstSettings {
    fn default() -> Self {
        Self { n_simulations: 2000, largest_false_alarm: 0.01, most: 5 }
    }
}

/// Outbursts, and the law of the nights without them.
#[derive(Debug, Clone, PartialEq)]
pub struct OutburstSearch {
    /// In the order in which they were found, the surest first.
    pub outbursts: Vec<Outburst>,
    /// The chance that nothing shows as much as the best of what was left.
    pub false_alarm_of_rest: FalseAlarm,
    /// Per side that has nights: its law without the nights that outbursts lift, or why there is none.
    pub laws: Vec<(Side, Result<PowerLaw, SeasonError>)>,
    /// Sides that were not searched, having fewer than three nights or too short a span of distance.
    pub not_searched: Vec<Side>,
}

/// Degrees of freedom that the trend must leave: with fewer, one night makes the scatter and the step alike.
const LEAST_DEGREES_OF_FREEDOM: usize = 4;
/// Shortest time of decay that is tried; a shorter one is seen on one night.
const SHORTEST_DECAY_DAYS: f64 = 1.0;
/// Share of a night's error and scatter from which it is left out of the law: with twice as much the tail of an outburst turns slopes.
const LIFTED: f64 = 0.25;
/// Log-likelihood by which a step must beat a bend not to be marked.
const STEP_OVER_BEND: f64 = 3.0;

/// Looks for steps up against a power law per side: a lasting one, or one that fades exponentially, at any night but the first;
/// the surest is taken, then the next with it in the trend, until chance shows as much.
///
/// A brightening between the last night before and the first after perihelion cannot be told, as the two laws are free.
///
/// # Errors
/// No side with three nights; fewer than four nights more than the trend has coefficients; a value that is none.
///
/// # Accuracy
/// Of 1199 simulated seasons without outbursts (9, 14 and 25 nights, scatter 0, 0.03 and 0.1 dex) 3.2 % had a false-alarm
/// probability under 0.05 and 18 % one under 0.2 (test `false_alarms_come_at_their_rate`).
///
/// # Source
/// Own rule: the likelihood ratio of the best step, with the scatter fitted with and without it, held against seasons simulated
/// with the law, scatter and errors of these nights and searched alike, so that the choice of date and shape is paid for.
pub fn find_outbursts(
    nights: &[ActivityNight],
    settings: &OutburstSettings,
    rng: &mut impl Rng,
) -> Result<OutburstSearch, SeasonError> {
    let points: Vec<ActivityPoint> = nights.iter().map(|n| n.point).collect();
    check_points(&points)?;
    nights.iter().enumerate().try_for_each(|(row, n)| check_finite("utc_days", row, n.utc_days))?;
    let (searched, not_searched): (Vec<Side>, Vec<Side>) =
        [Side::Pre, Side::Post].into_iter().filter(|s| nights.iter().any(|n| n.side == *s)).partition(|side| {
            let logs = || nights.iter().filter(|n| n.side == *side).map(|n| n.point.log_r());
            logs().count() >= 3 && logs().fold(f64::MIN, f64::max) - logs().fold(f64::MAX, f64::min) > LEAST_LOG_R_SPAN
        });
    let mut rows: Vec<usize> = (0..nights.len()).filter(|i| searched.contains(&nights[*i].side)).collect();
    rows.sort_by(|a, b| nights[*a].utc_days.total_cmp(&nights[*b].utc_days));
    let season = Searched::new(nights, rows, &searched);
    let needed = season.trend.ncols() + LEAST_DEGREES_OF_FREEDOM;
    if searched.is_empty() || season.rows.len() < needed {
        return Err(SeasonError::TooFew {
            what: "nights for a search for outbursts",
            found: season.rows.len(),
            needed: needed.max(2 + LEAST_DEGREES_OF_FREEDOM),
        });
    }
    let mut found: Vec<(usize, FalseAlarm)> = Vec::new();
    let false_alarm_of_rest = loop {
        let taken: Vec<usize> = found.iter().map(|(shape, _)| *shape).collect();
        let trend = season.trend_with(&taken);
        let (shape, false_alarm) = season.next(&trend, settings, rng)?;
        let enough = season.rows.len() > trend.ncols() + LEAST_DEGREES_OF_FREEDOM;
        if !(false_alarm.probability <= settings.largest_false_alarm) || found.len() >= settings.most || !enough {
            break false_alarm;
        }
        found.push((shape, false_alarm));
    };
    let outbursts = season.described(&found)?;
    let lifted = |row: &usize| outbursts.iter().any(|o| o.nights.contains(row));
    let laws = [Side::Pre, Side::Post]
        .into_iter()
        .filter(|s| nights.iter().any(|n| n.side == *s))
        .map(|side| {
            let quiet: Vec<ActivityPoint> =
                (0..nights.len()).filter(|i| nights[*i].side == side && !lifted(i)).map(|i| nights[i].point).collect();
            (side, fit_power_law(&quiet, Scatter::Free))
        })
        .collect();
    Ok(OutburstSearch { outbursts, false_alarm_of_rest, laws, not_searched })
}

/// The nights of the sides that are searched, in order of time, with trend and shapes.
struct Searched<'a> {
    nights: &'a [ActivityNight],
    rows: Vec<usize>,
    trend: DMatrix<f64>,
    sides: Vec<Side>,
    shapes: Vec<(usize, StepShape, DVector<f64>)>,
    values: DVector<f64>,
    sigma: DVector<f64>,
}

impl<'a> Searched<'a> {
    fn new(nights: &'a [ActivityNight], rows: Vec<usize>, sides: &[Side]) -> Self {
        let at = |i: usize| &nights[rows[i]];
        let n = rows.len();
        let trend = DMatrix::from_fn(n, 2 * sides.len(), |i, j| match (at(i).side == sides[j / 2], j % 2) {
            (false, _) => 0.0,
            (true, 0) => 1.0,
            (true, _) => at(i).point.log_r(),
        });
        let mut shapes = Vec::new();
        for first in 1..n {
            let since = |i: usize| at(i).utc_days - at(first).utc_days;
            let whole_span = since(n - 1);
            let mut add = |shape: StepShape| {
                let column = DVector::from_fn(n, |i, _| match shape {
                    _ if i < first => 0.0,
                    StepShape::Lasting => f64::from(at(i).side == at(first).side),
                    StepShape::Decaying { decay_days } => (-since(i) / decay_days).exp(),
                    StepShape::OneNight => f64::from(i == first),
                });
                shapes.push((first, shape, column));
            };
            add(StepShape::OneNight);
            if first + 1 == n {
                continue;
            }
            // a decay that leaves nothing on the next night is the one of one night
            let next = since(first + 1);
            let mut decay_days = SHORTEST_DECAY_DAYS;
            while decay_days <= whole_span {
                if (-next / decay_days).exp() > 0.1 {
                    add(StepShape::Decaying { decay_days });
                }
                decay_days *= 2.0;
            }
            if at(first + 1).side == at(first).side {
                add(StepShape::Lasting);
            }
        }
        let values = DVector::from_fn(n, |i, _| at(i).point.log_afrho().value);
        let sigma = DVector::from_fn(n, |i, _| at(i).point.log_afrho().sigma);
        Self { nights, trend, sides: sides.to_vec(), shapes, values, sigma, rows }
    }

    /// The laws and the shapes that were already found.
    fn trend_with(&self, taken: &[usize]) -> DMatrix<f64> {
        let own = self.trend.ncols();
        DMatrix::from_fn(self.rows.len(), own + taken.len(), |i, j| match j.checked_sub(own) {
            None => self.trend[(i, j)],
            Some(k) => self.shapes[taken[k]].2[i],
        })
    }

    fn fit(&self, design: &DMatrix<f64>) -> Result<ScatterFit, SeasonError> {
        fit_with_scatter(design, &self.values, &self.sigma)
            .ok_or(SeasonError::Undetermined { what: "the law about outbursts" })
    }

    /// The best further shape and how often chance shows as much.
    fn next(
        &self,
        trend: &DMatrix<f64>,
        settings: &OutburstSettings,
        rng: &mut impl Rng,
    ) -> Result<(usize, FalseAlarm), SeasonError> {
        let scatter = self.fit(trend)?.scatter;
        let columns: Vec<DVector<f64>> = self.shapes.iter().map(|s| s.2.clone()).collect();
        let search = StepSearch::new(trend, &columns, &self.sigma, scatter);
        let best = search.best(self.values.as_slice());
        let noise = self.sigma.map(|s| s.hypot(scatter));
        // drawn in order, searched side by side: the same seed gives the same seasons
        let drawn: Vec<Vec<f64>> = (0..settings.n_simulations)
            .map(|_| noise.iter().map(|s| s * Distribution::<f64>::sample(&StandardNormal, rng)).collect())
            .collect();
        let maxima = drawn.par_iter().map(|values| search.best(values).gain).collect();
        Ok((best.shape, Maxima::new(maxima).false_alarm(best.gain)))
    }

    fn described(&self, found: &[(usize, FalseAlarm)]) -> Result<Vec<Outburst>, SeasonError> {
        let taken: Vec<usize> = found.iter().map(|f| f.0).collect();
        let trend = self.trend_with(&taken);
        let fit = self.fit(&trend)?;
        let own = self.trend.ncols();
        let describe = |(k, (shape, false_alarm)): (usize, &(usize, FalseAlarm))| {
            let (first, kind, column) = &self.shapes[*shape];
            let height = Measured::new(fit.coefficients[own + k], fit.covariance[(own + k, own + k)].sqrt());
            let lifts = |i: &usize| column[*i] * height.value > LIFTED * self.sigma[*i].hypot(fit.scatter);
            Outburst {
                not_before_utc_days: self.nights[self.rows[first - 1]].utc_days,
                seen_utc_days: self.nights[self.rows[*first]].utc_days,
                shape: *kind,
                step_dex: height,
                step_mag: Measured::new(-2.5 * height.value, 2.5 * height.sigma),
                false_alarm: *false_alarm,
                or_bend: self.bend_explains(&trend, own + k, *first),
                nights: (0..self.rows.len()).filter(lifts).map(|i| self.rows[i]).collect(),
            }
        };
        Ok(found.iter().enumerate().map(describe).collect())
    }

    /// Whether the step in one column, replaced by a bend of its side's law, leaves the nights as likely.
    fn bend_explains(&self, trend: &DMatrix<f64>, step: usize, first: usize) -> bool {
        let side = self.nights[self.rows[first]].side;
        let column = 2 * self.sides.iter().position(|s| *s == side).unwrap_or(0) + 1;
        let level = trend.column(column - 1);
        let log_r = trend.column(column);
        let middle = log_r.sum() / level.sum();
        let mut bent = trend.clone();
        for i in 0..bent.nrows() {
            bent[(i, step)] = level[i] * (log_r[i] - middle).powi(2);
        }
        let likelihood = |design: &DMatrix<f64>| self.fit(design).ok().map(|f| self.log_likelihood(&f));
        match (likelihood(trend), likelihood(&bent)) {
            (Some(with_step), Some(with_bend)) => with_bend > with_step - STEP_OVER_BEND,
            _ => false,
        }
    }

    fn log_likelihood(&self, fit: &ScatterFit) -> f64 {
        -0.5 * fit.chi2 - self.sigma.iter().map(|s| s.hypot(fit.scatter).ln()).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use std::f64::consts::LN_10;

    struct Truth {
        n: usize,
        scatter_dex: f64,
        /// Days after the first night, height in dex, decay in days.
        steps: &'static [(f64, f64, f64)],
    }

    /// Nights over 120 days in, perihelion at day 60, r from 1.9 to 1.2 au and out again, errors 0.01 to 0.03 dex.
    fn season(rng: &mut ChaCha8Rng, truth: &Truth) -> Vec<ActivityNight> {
        let mut dates: Vec<f64> = (0..truth.n).map(|_| rng.random_range(0.0..120.0)).collect();
        dates.sort_by(f64::total_cmp);
        let mut night = |utc_days: f64| {
            let from_perihelion = (utc_days - 60.0) / 60.0;
            let r_au = 1.2 + 0.7 * from_perihelion.powi(2);
            let side = if from_perihelion < 0.0 { Side::Pre } else { Side::Post };
            let law = if side == Side::Pre { 3.1 - 3.0 * r_au.log10() } else { 3.0 - 2.0 * r_au.log10() };
            let steps: f64 = (truth.steps.iter())
                .filter(|s| utc_days >= s.0)
                .map(|(at, height, decay)| height * (-(utc_days - at) / decay).exp())
                .sum();
            let err_dex = rng.random_range(0.01..0.03);
            let noise: f64 = StandardNormal.sample(rng);
            let value = 10f64.powf(law + steps + noise * f64::hypot(err_dex, truth.scatter_dex));
            let afrho_cm = Measured::new(value, value * LN_10 * err_dex);
            ActivityNight { utc_days, side, point: ActivityPoint { r_au, afrho_cm } }
        };
        dates.into_iter().map(&mut night).collect()
    }

    fn seasons(
        seed: u64,
        count: u64,
        truth: &Truth,
        settings: &OutburstSettings,
    ) -> Vec<(Vec<ActivityNight>, OutburstSearch)> {
        (0..count)
            .into_par_iter()
            .filter_map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                rng.set_stream(i);
                let nights = season(&mut rng, truth);
                let found = find_outbursts(&nights, settings, &mut rng).ok()?;
                Some((nights, found))
            })
            .collect()
    }

    /// Where there is nothing, a share p of the seasons shows a probability of p or less.
    #[test]
    fn false_alarms_come_at_their_rate() {
        let settings = OutburstSettings { n_simulations: 300, largest_false_alarm: 0.0, most: 0 };
        let (mut all, mut under_5, mut under_20) = (0, 0, 0);
        for (n, scatter_dex) in [(9, 0.03), (14, 0.0), (14, 0.03), (14, 0.1), (25, 0.03)] {
            let quiet = Truth { n, scatter_dex, steps: &[] };
            let found = seasons(n as u64, 240, &quiet, &settings);
            let under = |p: f64| found.iter().filter(|f| f.1.false_alarm_of_rest.probability <= p).count();
            let share = under(0.05) as f64 / found.len() as f64;
            assert!(share < 0.1, "{n} nights, scatter {scatter_dex}: {share}");
            all += found.len();
            under_5 += under(0.05);
            under_20 += under(0.2);
        }
        let share = |n: usize| n as f64 / all as f64;
        assert!((0.03..0.07).contains(&share(under_5)), "{} of {all}", share(under_5));
        assert!((0.16..0.24).contains(&share(under_20)), "{} of {all}", share(under_20));
    }

    #[test]
    fn an_outburst_is_found_and_left_out() {
        let settings = OutburstSettings { n_simulations: 300, ..Default::default() };
        let truth = Truth { n: 26, scatter_dex: 0.03, steps: &[(85.0, 0.4, 12.0)] };
        let found = seasons(31, 300, &truth, &settings);
        let (mut right, mut pulls, mut held, mut laws) = (0, Vec::new(), 0, 0);
        for (nights, search) in &found {
            let first_after = nights.iter().map(|n| n.utc_days).filter(|t| *t >= 85.0).fold(f64::MAX, f64::min);
            let Some(best) = search.outbursts.first().filter(|o| o.seen_utc_days == first_after) else { continue };
            right += 1;
            assert!(best.not_before_utc_days < 85.0 && best.step_mag.value < 0.0);
            let height = 0.4 * (-(first_after - 85.0) / 12.0).exp();
            pulls.push((best.step_dex.value - height) / best.step_dex.sigma);
            if let Some((_, Ok(law))) = search.laws.iter().find(|l| l.0 == Side::Post) {
                laws += 1;
                held += usize::from((law.slope.value + 2.0).abs() < law.slope.sigma);
            }
        }
        assert!(right as f64 > 0.8 * found.len() as f64, "{right} of {}", found.len());
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
        assert!((0.7..1.4).contains(&rms), "pulls of the height {rms}");
        assert!((0.58..0.78).contains(&(f64::from(held as u32) / f64::from(laws))), "{held} of {laws} laws");
    }

    #[test]
    fn two_outbursts_are_found_one_after_the_other() {
        let settings = OutburstSettings { n_simulations: 300, ..Default::default() };
        let truth = Truth { n: 40, scatter_dex: 0.02, steps: &[(30.0, 0.4, 8.0), (90.0, 0.3, 15.0)] };
        let found = seasons(32, 40, &truth, &settings);
        let both = found.iter().filter(|(_, s)| s.outbursts.len() == 2).count();
        assert!(both >= 28, "{both} of {}", found.len());
    }

    /// A law that bends is not told from a step without saying so.
    #[test]
    fn a_bend_is_marked() {
        let mut rng = ChaCha8Rng::seed_from_u64(33);
        let settings = OutburstSettings { n_simulations: 300, ..Default::default() };
        let nights: Vec<ActivityNight> = (0..24)
            .map(|i| {
                let r_au = 1.2 + 0.04 * f64::from(i);
                let bend = -25.0 * (r_au.log10() - 0.2).powi(2);
                let noise: f64 = StandardNormal.sample(&mut rng);
                let value = 10f64.powf(3.0 - 2.0 * r_au.log10() + bend + 0.015 * noise);
                let afrho_cm = Measured::new(value, value * LN_10 * 0.015);
                ActivityNight {
                    utc_days: 3.0 * f64::from(i),
                    side: Side::Post,
                    point: ActivityPoint { r_au, afrho_cm },
                }
            })
            .collect();
        let found = find_outbursts(&nights, &settings, &mut rng).unwrap();
        assert!(!found.outbursts.is_empty() && found.outbursts.iter().all(|o| o.or_bend), "{found:?}");
    }

    #[test]
    fn refuses_few_nights_and_bad_values() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let mut nights = season(&mut rng, &Truth { n: 5, scatter_dex: 0.0, steps: &[] });
        let settings = OutburstSettings { n_simulations: 20, ..Default::default() };
        assert!(matches!(find_outbursts(&nights, &settings, &mut rng), Err(SeasonError::TooFew { .. })));
        assert!(find_outbursts(&[], &settings, &mut rng).is_err());
        nights[2].utc_days = f64::NAN;
        assert!(matches!(find_outbursts(&nights, &settings, &mut rng), Err(SeasonError::OutOfRange { row: 2, .. })));
    }
}
