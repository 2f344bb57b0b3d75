//! Periods in a season, by the generalised Lomb–Scargle periodogram of a series.

use super::SeasonError;
use super::chance::{FalseAlarm, Maxima};
use super::error::check_positive;
use super::scatter_fit::golden_maximum;
use super::series::{Series, most_explained};
use fanlight_image::Measured;
use rand::Rng;
use rand::seq::SliceRandom;
use rayon::prelude::*;

/// Where and how to look for a period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodSettings {
    /// Shortest and longest period; `None`: from twice a short gap between points (the tenth percentile of the gaps) to a third
    /// of the baseline. A longer one than that third is never looked for.
    pub range_h: Option<(f64, f64)>,
    /// Frequencies per 1/baseline.
    pub oversampling: f64,
    /// Shuffled series for the false-alarm probability.
    pub n_shuffles: usize,
}

impl Default for PeriodSettings {
    fn default() -> Self {
        Self { range_h: None, oversampling: 8.0, n_shuffles: 1000 }
    }
}

/// What another period comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AliasKind {
    /// A cycle more or less per solar day (one or two), as dates of one place have it.
    SolarDay,
    /// The same per sidereal day, 23.934 h.
    SiderealDay,
    /// Half the period.
    HalfPeriod,
    /// Twice the period.
    DoublePeriod,
    /// Another frequency at which these dates repeat.
    Window,
}

/// A period that these dates hardly tell from the best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alias {
    /// What it comes from.
    pub kind: AliasKind,
    /// The period.
    pub period_h: f64,
    /// The highest power within one width of a peak of it; near the best power it may be the true one.
    pub power: f64,
}

/// The best period.
#[derive(Debug, Clone, PartialEq)]
pub struct Period {
    /// The period with its error, if it is this peak and not an alias.
    pub period_h: Measured,
    /// Share of the weighted square that it explains.
    pub power: f64,
    /// The chance that the same values in another order show as much at any period searched.
    pub false_alarm: FalseAlarm,
    /// What else it may be.
    pub aliases: Vec<Alias>,
    /// Shortest and longest period searched.
    pub searched_h: (f64, f64),
    /// Rows used.
    pub n_points: usize,
}

/// Fewest points: a sinusoid with its mean has four coefficients, twice as many points let it fail.
pub const FEWEST_POINTS: usize = 8;
/// Fewest cycles of a period within the baseline.
pub const FEWEST_CYCLES: f64 = 3.0;
/// Most frequencies of a grid; where more are asked for the shortest periods are not searched, as `searched_h` tells.
const MOST_FREQUENCIES: usize = 100_000;
const HOURS: f64 = 24.0;
/// Cycles of the sky in a solar day.
const SIDEREAL_PER_DAY: f64 = 1.002_737_909;
/// Power of the spectral window from which one of its peaks is named.
const WINDOW_PEAK: f64 = 0.3;
/// Most of the window's own peaks that are named.
const MOST_WINDOW_PEAKS: usize = 4;

/// The frequencies at which a period is looked for, per day, ascending: evenly spaced by 1/(oversampling × baseline).
///
/// # Errors
/// A baseline under three times the shortest period.
///
/// # Source
/// VanderPlas 2018, ApJS 236, 16, section 7.1: peaks are 1/baseline wide, whatever the dates.
pub fn frequency_grid(series: &Series, settings: &PeriodSettings) -> Result<Vec<f64>, SeasonError> {
    let baseline = series.baseline_days();
    let (shortest, longest) = match settings.range_h {
        Some((short, long)) => {
            check_positive("range_h", 0, short)?;
            check_positive("range_h", 1, long)?;
            (short.min(long) / HOURS, short.max(long) / HOURS)
        }
        None => (2.0 * short_gap_days(series), f64::INFINITY),
    };
    let longest = longest.min(baseline / FEWEST_CYCLES);
    if !(longest > shortest) {
        return Err(SeasonError::SpanTooSmall {
            what: "the baseline",
            found: baseline,
            needed: FEWEST_CYCLES * shortest,
            unit: "days",
        });
    }
    let step = 1.0 / (settings.oversampling.max(1.0) * baseline);
    let n = (((1.0 / shortest - 1.0 / longest) / step) as usize).min(MOST_FREQUENCIES);
    Ok((0..=n).map(|i| 1.0 / longest + i as f64 * step).collect())
}

/// The tenth percentile of the gaps between points of different times.
fn short_gap_days(series: &Series) -> f64 {
    let mut times = series.times_days.clone();
    times.sort_by(f64::total_cmp);
    let mut gaps: Vec<f64> = times.windows(2).map(|t| t[1] - t[0]).filter(|g| *g > 0.0).collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() / 10).copied().unwrap_or(f64::INFINITY)
}

/// Looks for the best period and says how sure it is and what else it may be.
///
/// Slow changes count as periods: take the drift (of the sunward direction, of activity) off before.
///
/// # Errors
/// Fewer than [`FEWEST_POINTS`] points; a baseline under [`FEWEST_CYCLES`] of the shortest period; values that change by no
/// more than their errors (chi-square under its mean and two of its standard deviations).
///
/// # Accuracy
/// The error is that of the peak's own place, from the curvature of chi-square there, scaled by the residuals: pulls have an
/// rms of 0.93 in simulated seasons, where 115 of 120 periods were found. Of series without a period 4.8 % had a false-alarm
/// probability under 0.05 (tests).
pub fn find_period(series: &Series, settings: &PeriodSettings, rng: &mut impl Rng) -> Result<Period, SeasonError> {
    let n = series.n_points();
    if n < FEWEST_POINTS {
        return Err(SeasonError::TooFew { what: "points for a period", found: n, needed: FEWEST_POINTS });
    }
    let (chi2, degrees_of_freedom) = series.chi2_of_mean();
    let needed = degrees_of_freedom as f64 + 2.0 * (2.0 * degrees_of_freedom as f64).sqrt();
    if chi2 < needed {
        return Err(SeasonError::NoChange { what: "the series", chi2, degrees_of_freedom, needed });
    }
    let grid = frequency_grid(series, settings)?;
    let powers: Vec<f64> = grid.iter().map(|f| series.power(*f)).collect();
    let best = (0..grid.len()).max_by(|a, b| powers[*a].total_cmp(&powers[*b])).unwrap_or(0);
    let step = 1.0 / (settings.oversampling.max(1.0) * series.baseline_days());
    let frequency = golden_maximum((grid[best] - step).max(0.5 * grid[0]), grid[best] + step, |f| series.power(f));
    let power = series.power(frequency);
    let likelihood_gain = |power: f64| -0.5 * n as f64 * (-power.min(1.0 - 1e-15)).ln_1p();
    let maxima = shuffled_maxima(series, &grid, settings.n_shuffles, rng);
    Ok(Period {
        period_h: Measured::new(
            HOURS / frequency,
            HOURS * frequency_error(series, frequency) / (frequency * frequency),
        ),
        power,
        false_alarm: Maxima::new(maxima.into_iter().map(likelihood_gain).collect()).false_alarm(likelihood_gain(power)),
        aliases: aliases(series, frequency),
        searched_h: (HOURS / grid[grid.len() - 1], HOURS / grid[0]),
        n_points: n,
    })
}

/// Half-width of the peak where chi-square is one above its least, in units of the residuals' variance or the errors',
/// whichever is larger, per day.
fn frequency_error(series: &Series, frequency: f64) -> f64 {
    let h = 0.02 / series.baseline_days();
    let (here, low, high) = (series.power(frequency), series.power(frequency - h), series.power(frequency + h));
    let chi2_of_mean = series.chi2_of_mean().0;
    let curvature = chi2_of_mean * (2.0 * here - low - high) / (h * h);
    // a mean and a sinusoid each, and the frequency
    let free = (series.numbers_per_row * (series.n_points() - 3)) as f64 - 1.0;
    let variance = f64::max(chi2_of_mean * (1.0 - here) / free, 1.0);
    (2.0 * variance / curvature.max(f64::MIN_POSITIVE)).sqrt()
}

/// The highest power of each of many series with the same values and errors at shuffled times.
fn shuffled_maxima(series: &Series, grid: &[f64], n_shuffles: usize, rng: &mut impl Rng) -> Vec<f64> {
    let mut order: Vec<usize> = (0..series.n_points()).collect();
    let shuffled: Vec<(Vec<f64>, Vec<Vec<f64>>)> = (0..n_shuffles)
        .map(|_| {
            order.shuffle(rng);
            let pick = |values: &[f64]| order.iter().map(|i| values[*i]).collect();
            (pick(&series.weights), series.components.iter().map(|c| pick(c)).collect())
        })
        .collect();
    let phases: Vec<Vec<Vec<(f64, f64)>>> = grid.par_iter().map(|f| series.phases_of(*f)).collect();
    let highest_of = |(weights, components): &(Vec<f64>, Vec<Vec<f64>>)| {
        phases.iter().map(|p| most_explained(p, weights, components)).fold(0.0, f64::max)
    };
    let mut highest: Vec<f64> = shuffled.par_iter().map(highest_of).collect();
    let square = series.square();
    highest.iter_mut().for_each(|h| *h /= square);
    highest
}

/// The periods that these dates confuse with one.
fn aliases(series: &Series, frequency: f64) -> Vec<Alias> {
    let width = 1.0 / series.baseline_days();
    let mut named: Vec<(AliasKind, f64)> =
        vec![(AliasKind::HalfPeriod, 2.0 * frequency), (AliasKind::DoublePeriod, 0.5 * frequency)];
    for (kind, per_day) in [(AliasKind::SolarDay, 1.0), (AliasKind::SiderealDay, SIDEREAL_PER_DAY)] {
        for cycles in [-2.0, -1.0, 1.0, 2.0] {
            named.push((kind, (frequency + cycles * per_day).abs()));
        }
    }
    for peak in window_peaks(series, 3.0 * f64::max(1.0, frequency), width) {
        named.push((AliasKind::Window, (frequency - peak).abs()));
        named.push((AliasKind::Window, frequency + peak));
    }
    let about = |f: f64| (-4..=4).map(|i| series.power((f + f64::from(i) * 0.25 * width).abs())).fold(0.0, f64::max);
    let is_another = |f: f64| f > width && (f - frequency).abs() > width;
    named
        .into_iter()
        .filter(|(_, f)| is_another(*f))
        .map(|(kind, f)| Alias { kind, period_h: HOURS / f, power: about(f) })
        .collect()
}

/// The highest peaks of the spectral window that are not those of the day.
fn window_peaks(series: &Series, up_to: f64, width: f64) -> Vec<f64> {
    let step = 0.2 * width;
    let n = ((up_to / step) as usize).min(MOST_FREQUENCIES);
    // from beyond the main lobe, which is two widths wide
    let grid: Vec<(f64, f64)> = (10..n).map(|i| i as f64 * step).map(|f| (f, series.window(f))).collect();
    let is_days = |f: f64| [1.0, 2.0, SIDEREAL_PER_DAY, 2.0 * SIDEREAL_PER_DAY].iter().any(|d| (f - d).abs() < width);
    let mut peaks: Vec<(f64, f64)> = grid
        .windows(3)
        .filter(|w| w[1].1 >= w[0].1 && w[1].1 > w[2].1 && w[1].1 >= WINDOW_PEAK && !is_days(w[1].0))
        .map(|w| w[1])
        .collect();
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    peaks.truncate(MOST_WINDOW_PEAKS);
    peaks.into_iter().map(|p| p.0).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    /// Clear nights of a site: three to six points within five hours, on some of `nights` evenings.
    fn dates(rng: &mut ChaCha8Rng, nights: usize) -> Vec<f64> {
        let mut times = Vec::new();
        for night in 0..nights {
            if rng.random_range(0.0..1.0) < 0.6 || night == 0 {
                for _ in 0..rng.random_range(3..7) {
                    times.push(night as f64 * 0.9973 + rng.random_range(0.0..0.21));
                }
            }
        }
        times
    }

    fn directions(
        rng: &mut ChaCha8Rng,
        times: &[f64],
        period_h: f64,
        amplitude_deg: f64,
        err_deg: f64,
    ) -> Vec<Measured> {
        times
            .iter()
            .map(|t| {
                let noise: f64 = StandardNormal.sample(rng);
                let pa = 2.0 + amplitude_deg * (TAU * (t * 24.0 / period_h + 0.3)).sin() + err_deg * noise;
                Measured::new(pa.rem_euclid(360.0), err_deg)
            })
            .collect()
    }

    /// `reference/season_periodogram.py`: times, values, errors, then frequencies and standard powers of astropy.
    #[test]
    fn agrees_with_astropy() {
        let text = include_str!("../../tests/data/season_periodogram.csv");
        let rows: Vec<(&str, Vec<f64>)> = text
            .lines()
            .filter(|l| !l.starts_with('#'))
            .map(|l| {
                let (kind, rest) = l.split_once(',').unwrap();
                (kind, rest.split(',').map(|f| f.parse().unwrap()).collect())
            })
            .collect();
        let points: Vec<&Vec<f64>> = rows.iter().filter(|r| r.0 == "point").map(|r| &r.1).collect();
        let times: Vec<f64> = points.iter().map(|p| p[0]).collect();
        let values: Vec<Measured> = points.iter().map(|p| Measured::new(p[1], p[2])).collect();
        let series = Series::of_values(&times, &values).unwrap();
        // the same in directions: cosine and sine explain what they explain apart, weighted by their squares
        let pas: Vec<Measured> = points.iter().map(|p| Measured::new(p[1], p[2])).collect();
        let both = Series::of_directions(&times, &pas).unwrap();
        let powers: Vec<&Vec<f64>> = rows.iter().filter(|r| r.0 == "power").map(|r| &r.1).collect();
        assert!(powers.len() >= 200);
        for row in powers {
            let (f, expected, expected_both) = (row[0], row[1], row[2]);
            assert!((series.power(f) - expected).abs() < 1e-9, "{f}: {} against {expected}", series.power(f));
            assert!((both.power(f) - expected_both).abs() < 1e-9, "{f}: {} against {expected_both}", both.power(f));
        }
    }

    /// Sectors of a coma with a fan fixed to the Sun, and a ray that has turned since; noise of `err` each.
    fn profile(rng: &mut ChaCha8Rng, sunward_deg: f64, ray_deg: Option<f64>, err: f64) -> Vec<Measured> {
        let bump = |pa_deg: f64, at_deg: f64, width_deg: f64| {
            let off = (pa_deg - at_deg + 180.0).rem_euclid(360.0) - 180.0;
            (-2.77 * (off / width_deg).powi(2)).exp()
        };
        (0..24)
            .map(|i| {
                let pa_deg = 15.0 * (f64::from(i) + 0.5);
                let noise: f64 = StandardNormal.sample(rng);
                let ray = ray_deg.map_or(0.0, |at| 0.05 * bump(pa_deg, at, 35.0));
                Measured::new(0.2 * bump(pa_deg, sunward_deg, 110.0) + ray + err * noise, err)
            })
            .collect()
    }

    /// A ray of 5 % beside a fan of 20 %, in noise of 2 % a sector: its turns bring the looks back.
    #[test]
    fn looks_that_come_back_give_the_period() {
        let settings = PeriodSettings { range_h: Some((4.0, 40.0)), n_shuffles: 0, ..Default::default() };
        let found: Vec<(Measured, f64)> = (0..60u64)
            .into_par_iter()
            .map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(62);
                rng.set_stream(i);
                let times = dates(&mut rng, 12);
                let period_h = rng.random_range(6.0..18.0);
                let sunward: Vec<f64> = times.iter().map(|t| 100.0 + 1.5 * t).collect();
                let profiles: Vec<Vec<Measured>> = times
                    .iter()
                    .zip(&sunward)
                    .map(|(t, sun)| profile(&mut rng, *sun, Some(sun + 360.0 * t * 24.0 / period_h), 0.02))
                    .collect();
                let series = Series::of_profiles(&times, &profiles, &sunward).unwrap();
                (find_period(&series, &settings, &mut rng).unwrap().period_h, period_h)
            })
            .collect();
        let pulls: Vec<f64> =
            found.iter().map(|(p, truth)| (p.value - truth) / p.sigma).filter(|p| p.abs() < 5.0).collect();
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
        assert!(pulls.len() >= 57, "{} of 60", pulls.len());
        assert!((0.75..1.25).contains(&rms), "{rms}");
    }

    /// What turns with the Sun stands still; noise alone has no period more often than its probability says.
    #[test]
    fn looks_that_stay_give_none() {
        let settings = PeriodSettings { range_h: Some((6.0, 40.0)), n_shuffles: 200, oversampling: 4.0 };
        let chances: Vec<Option<f64>> = (0..100u64)
            .into_par_iter()
            .map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(63);
                rng.set_stream(i);
                let times = dates(&mut rng, 10);
                let sunward: Vec<f64> = times.iter().map(|t| 100.0 + 1.5 * t).collect();
                let profiles: Vec<Vec<Measured>> =
                    sunward.iter().map(|sun| profile(&mut rng, *sun, None, 0.02)).collect();
                let series = Series::of_profiles(&times, &profiles, &sunward).unwrap();
                let found = find_period(&series, &settings, &mut rng);
                if let Err(e) = &found {
                    assert!(matches!(e, SeasonError::NoChange { .. }), "{e}");
                }
                found.ok().map(|p| p.false_alarm.probability)
            })
            .collect();
        let searched = chances.iter().flatten().count();
        let under = |p: f64| chances.iter().flatten().filter(|c| **c < p).count();
        // chi-square keeps nearly all from being searched at all
        assert!(searched <= 10, "{searched}");
        assert!(under(0.01) <= 1);
        // the same profiles, not turned back: the drift shows
        let mut rng = ChaCha8Rng::seed_from_u64(64);
        let times = dates(&mut rng, 12);
        let turning: Vec<Vec<Measured>> =
            times.iter().map(|t| profile(&mut rng, 100.0 + 6.0 * t, None, 0.01)).collect();
        let still = vec![0.0; times.len()];
        assert!(find_period(&Series::of_profiles(&times, &turning, &still).unwrap(), &settings, &mut rng).is_ok());
    }

    #[test]
    fn a_wobble_is_found_with_an_honest_error() {
        let settings = PeriodSettings { range_h: Some((3.0, 40.0)), n_shuffles: 0, ..Default::default() };
        let found: Vec<(Measured, f64)> = (0..120u64)
            .into_par_iter()
            .map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(61);
                rng.set_stream(i);
                let times = dates(&mut rng, 14);
                let period_h = rng.random_range(5.0..18.0);
                let pas = directions(&mut rng, &times, period_h, 6.0, 1.5);
                let series = Series::of_directions(&times, &pas).unwrap();
                (find_period(&series, &settings, &mut rng).unwrap().period_h, period_h)
            })
            .collect();
        let pulls: Vec<f64> =
            found.iter().map(|(m, truth)| (m.value - truth) / m.sigma).filter(|p| p.abs() < 8.0).collect();
        assert!(pulls.len() >= 108, "{} of {} within the peak", pulls.len(), found.len());
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
        assert!((0.8..1.25).contains(&rms), "{rms}");
    }

    #[test]
    fn false_alarms_come_at_their_rate() {
        let settings = PeriodSettings { range_h: Some((6.0, 60.0)), n_shuffles: 200, oversampling: 4.0 };
        let found: Vec<f64> = (0..700u64)
            .into_par_iter()
            .filter_map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(62);
                rng.set_stream(i);
                let times = dates(&mut rng, 8);
                // true errors twice the stated: values change by more than their errors, with no period
                let pas: Vec<Measured> = directions(&mut rng, &times, 10.0, 0.0, 2.0)
                    .into_iter()
                    .map(|p| Measured::new(p.value, 1.0))
                    .collect();
                let series = Series::of_directions(&times, &pas).unwrap();
                Some(find_period(&series, &settings, &mut rng).ok()?.false_alarm.probability)
            })
            .collect();
        assert!(found.len() > 400, "{}", found.len());
        let share = |p: f64| found.iter().filter(|f| **f <= p).count() as f64 / found.len() as f64;
        assert!((0.025..0.08).contains(&share(0.05)), "{}", share(0.05));
        assert!((0.14..0.26).contains(&share(0.2)), "{}", share(0.2));
    }

    #[test]
    fn a_true_period_is_sure_and_its_aliases_are_named() {
        let mut rng = ChaCha8Rng::seed_from_u64(63);
        let times = dates(&mut rng, 20);
        let pas = directions(&mut rng, &times, 9.0, 8.0, 1.0);
        let series = Series::of_directions(&times, &pas).unwrap();
        let settings = PeriodSettings { range_h: Some((4.0, 48.0)), n_shuffles: 500, ..Default::default() };
        let period = find_period(&series, &settings, &mut rng).unwrap();
        assert!((period.period_h.value - 9.0).abs() < 0.01, "{period:?}");
        assert!(period.false_alarm.probability < 1e-3 && !period.false_alarm.is_counted);
        let alias = |kind, period_h: f64| {
            period.aliases.iter().any(|a| a.kind == kind && (a.period_h / period_h - 1.0).abs() < 2e-3)
        };
        assert!(alias(AliasKind::HalfPeriod, 4.5) && alias(AliasKind::DoublePeriod, 18.0));
        assert!(
            alias(AliasKind::SolarDay, 24.0 / (24.0 / 9.0 - 1.0))
                && alias(AliasKind::SolarDay, 24.0 / (24.0 / 9.0 + 1.0))
        );
        assert!(alias(AliasKind::SiderealDay, 24.0 / (24.0 / 9.0 - 1.002737909)));
        // the day's aliases are the strongest
        let strongest = period.aliases.iter().max_by(|a, b| a.power.total_cmp(&b.power)).unwrap();
        assert!(matches!(strongest.kind, AliasKind::SolarDay | AliasKind::SiderealDay), "{strongest:?}");
        assert!(strongest.power < period.power);
    }

    /// Dates every third day alone repeat at a third of a cycle per day, which is no multiple of a day's.
    #[test]
    fn the_windows_own_peaks_are_named() {
        let times: Vec<f64> = (0..30).map(|i| 3.0 * f64::from(i) + 0.01 * f64::from(i * i % 7)).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(64);
        let pas = directions(&mut rng, &times, 24.0 * 10.0, 8.0, 1.0);
        let series = Series::of_directions(&times, &pas).unwrap();
        let settings = PeriodSettings { range_h: Some((160.0, 400.0)), n_shuffles: 50, ..Default::default() };
        let period = find_period(&series, &settings, &mut rng).unwrap();
        assert!((period.period_h.value - 240.0).abs() < 5.0);
        let expected_h = 24.0 / (1.0 / 3.0 - 0.1);
        let named = period.aliases.iter().find(|a| (a.period_h - expected_h).abs() < 3.0).unwrap();
        assert!(named.kind == AliasKind::Window && named.power > 0.9 * period.power, "{named:?}");
    }

    /// Directions about north, turned to the south, reversed and shifted in time: the same powers.
    #[test]
    fn powers_do_not_depend_on_where_angles_and_times_begin() {
        let mut rng = ChaCha8Rng::seed_from_u64(65);
        let times = dates(&mut rng, 10);
        let pas = directions(&mut rng, &times, 9.0, 8.0, 1.0);
        let here = Series::of_directions(&times, &pas).unwrap();
        let turned: Vec<Measured> =
            pas.iter().map(|p| Measured::new((187.0 - p.value).rem_euclid(360.0), p.sigma)).collect();
        let later: Vec<f64> = times.iter().map(|t| t + 64_000.0).collect();
        let there = Series::of_directions(&later, &turned).unwrap();
        for f in [0.31, 1.7, 2.666, 5.2] {
            assert!((here.power(f) - there.power(f)).abs() < 1e-6, "{f}");
            assert!((0.0..=1.0).contains(&here.power(f)));
        }
        assert!((here.window(0.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn refuses_with_the_reason() {
        let mut rng = ChaCha8Rng::seed_from_u64(66);
        let mut find = |times: &[f64], pas: &[Measured], range_h| {
            let settings = PeriodSettings { range_h, n_shuffles: 10, ..Default::default() };
            find_period(&Series::of_directions(times, pas)?, &settings, &mut rng)
        };
        let times: Vec<f64> = (0..12).map(|i| 1.03 * f64::from(i)).collect();
        let moving: Vec<Measured> = (0..12).map(|i| Measured::new(f64::from(i * 7 % 11), 1.0)).collect();
        let still: Vec<Measured> = (0..12).map(|i| Measured::new(f64::from(i % 2), 1.0)).collect();
        assert!(find(&times, &moving, None).is_ok());
        assert!(matches!(find(&times[..7], &moving[..7], None), Err(SeasonError::TooFew { found: 7, needed: 8, .. })));
        assert!(matches!(find(&times, &still, None), Err(SeasonError::NoChange { .. })));
        assert!(matches!(find(&times, &moving, Some((100.0, 200.0))), Err(SeasonError::SpanTooSmall { .. })));
        assert!(matches!(find(&times, &moving, Some((-1.0, 5.0))), Err(SeasonError::OutOfRange { .. })));
        let wrong = vec![Measured::new(1.0, 0.0); 12];
        assert!(matches!(find(&times, &wrong, None), Err(SeasonError::OutOfRange { row: 0, .. })));
        assert!(find(&[0.0; 12], &moving, None).is_err());
        assert!(find(&[], &[], None).is_err());
    }
}
