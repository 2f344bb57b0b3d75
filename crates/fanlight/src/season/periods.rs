//! Searches for the nucleus' period in what every night has: its light, and its looks.

use super::inputs::NightIn;
use fanlight_coma::season::SeasonError;
use fanlight_coma::season::periodogram::{Period, PeriodSettings, find_period};
use fanlight_coma::season::series::Series;
use fanlight_image::Measured;
use fanlight_record::{ActivityRecord, AzimuthalProfile, PeriodRecord, PeriodSearchRecord};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

/// Seed of the shuffled series: the same nights give the same numbers.
const SEED: u64 = 0x0FA9_11EA;

/// Models of a direction and periods are those of the latest nights, this many at most: a nucleus' turning shows in them or not at all, and the
/// search's cost grows with the square of the time.
const LATEST: usize = 120;

/// The latest of rows in order of time.
pub fn latest<T>(rows: &[T]) -> &[T] {
    &rows[rows.len().saturating_sub(LATEST)..]
}

/// A larger false-alarm probability is no period.
const PERIOD_TO: f64 = 1e-2;

/// The best period of a series, or why there is none.
pub fn search(series: Result<Series, SeasonError>) -> Result<Period, String> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let found =
        series.and_then(|s| find_period(&s, &PeriodSettings::default(), &mut rng)).map_err(|e| e.to_string())?;
    if found.false_alarm.probability > PERIOD_TO {
        return Err(format!(
            "the best period, {:.1} h, has a false-alarm probability of {:.2}",
            found.period_h.value, found.false_alarm.probability
        ));
    }
    Ok(found)
}

/// A period in the record's terms, and why there is none.
pub fn told(period: Result<Period, String>) -> (Option<PeriodRecord>, Option<String>) {
    match period {
        Ok(p) => {
            let record = PeriodRecord {
                period_h: p.period_h.value,
                err_h: p.period_h.sigma,
                false_alarm_probability: p.false_alarm.probability,
                aliases_h: p.aliases.iter().map(|a| a.period_h).collect(),
            };
            (Some(record), None)
        }
        Err(reason) => (None, Some(reason)),
    }
}

/// Everything that is searched beside the directions of features.
pub fn record(nights: &[NightIn], activity: &ActivityRecord) -> Vec<PeriodSearchRecord> {
    of_light(nights, activity).into_iter().chain(of_looks(nights)).collect()
}

/// A period of the light in the smallest aperture about its power law.
fn of_light(nights: &[NightIn], activity: &ActivityRecord) -> Option<PeriodSearchRecord> {
    let rows: Vec<(f64, Measured)> = nights
        .iter()
        .filter_map(|night| {
            let smallest = activity
                .points
                .iter()
                .filter(|p| p.utc == night.record.mid_utc && p.a0frho_cm.is_some())
                .min_by(|a, b| a.aperture_km.total_cmp(&b.aperture_km))?;
            let law =
                activity.fits.iter().find(|f| Some(&f.side) == smallest.side.as_ref() && f.band == smallest.band)?;
            let (value, err) = (smallest.a0frho_cm?, smallest.a0frho_err_cm?);
            let off = (value / law.afrho_1au_cm).log10() - law.slope * smallest.r_au.log10();
            Some((night.days, Measured::new(off, err / value / std::f64::consts::LN_10)))
        })
        .collect();
    let (times, values): (Vec<f64>, Vec<Measured>) = latest(&rows).iter().copied().unzip();
    (!times.is_empty()).then(|| searched("near-nucleus light", times.len(), Series::of_values(&times, &values)))
}

/// A period of the brightness by direction, in the ring that most nights show whole, the innermost of several; of the band that has
/// most of these nights, as gas and dust look unlike.
fn of_looks(nights: &[NightIn]) -> Option<PeriodSearchRecord> {
    type Shown<'a> = (&'a NightIn, Vec<Measured>);
    let mut rings: BTreeMap<(u64, Option<String>), Vec<Shown>> = BTreeMap::new();
    for night in nights {
        for profile in &night.record.morphology.azimuthal_profiles {
            if let Some(sectors) = whole(profile) {
                rings.entry((profile.inner_km.round() as u64, night.band())).or_default().push((night, sectors));
            }
        }
    }
    // the first of the longest: rings are in order of distance
    let most = rings.values().map(Vec::len).max()?;
    let ((inner_km, _), shown) = rings.into_iter().find(|(_, shown)| shown.len() == most)?;
    let shown = latest(&shown);
    let times: Vec<f64> = shown.iter().map(|(night, _)| night.days).collect();
    let profiles: Vec<Vec<Measured>> = shown.iter().map(|(_, sectors)| sectors.clone()).collect();
    let sunward: Vec<f64> = shown.iter().map(|(night, _)| night.record.geometry.sunward_pa_deg).collect();
    let of = format!("coma's looks between {inner_km} and {} km", 2 * inner_km);
    Some(searched(&of, times.len(), Series::of_profiles(&times, &profiles, &sunward)))
}

/// Every sector with its error; `None` where one is masked.
fn whole(profile: &AzimuthalProfile) -> Option<Vec<Measured>> {
    let pairs = profile.contrast.iter().zip(&profile.contrast_err);
    pairs.map(|(value, err)| Some(Measured::new((*value)?, (*err)?))).collect()
}

fn searched(of: &str, n: usize, series: Result<Series, SeasonError>) -> PeriodSearchRecord {
    let found = search(series);
    let range_h = found.as_ref().ok().map(|p| [p.searched_h.0, p.searched_h.1]);
    let (period, because) = told(found);
    PeriodSearchRecord { of: of.into(), n, range_h, period, because }
}
