//! The dust over time and distance, in the record's terms.

use super::inputs::NightIn;
use fanlight_coma::season::outburst::{ActivityNight, Outburst, OutburstSettings, find_outbursts};
use fanlight_coma::season::power_law::{self, PowerLaw};
use fanlight_coma::season::{SeasonError, Side};
use fanlight_image::Measured;
use fanlight_io::ReferenceRow;
use fanlight_record::{ActivityFit, ActivityPoint, ActivityRecord, AsymmetryRecord, OutburstRecord};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Seed of the simulated seasons that outbursts are held against: the same nights give the same numbers.
const SEED: u64 = 0x0FA9_11E9;
/// The aperture that comets are compared in.
pub const COMMON_KM: f64 = 10_000.0;
/// Apertures of this share alike are one.
const SAME_APERTURE: f64 = 0.01;

/// Everything on the dust, and sentences on what could not be done.
pub fn record(nights: &[NightIn], own_list: &[ReferenceRow], notes: &mut Vec<String>) -> ActivityRecord {
    let mut points: Vec<ActivityPoint> = nights.iter().flat_map(points_of).collect();
    let mut activity = ActivityRecord::default();
    let mut bands: Vec<String> = Vec::new();
    for p in &points {
        if !bands.contains(&p.band) {
            bands.push(p.band.clone());
        }
    }
    if bands.len() > 1 {
        notes.push(format!(
            "The nights are in {} bands ({}): Afρ is followed in each by itself, since dust has a colour and gas shines in some bands more than \
             in others.",
            bands.len(),
            bands.join(", ")
        ));
    }
    let mut fitted: Vec<(ActivityFit, PowerLaw)> = Vec::new();
    for band in &bands {
        let Some(aperture_km) = aperture_of(&points, band) else { continue };
        let rows: Vec<usize> = (0..points.len()).filter(|i| is_fitted(&points[*i], band, aperture_km)).collect();
        let in_band: Vec<(usize, ActivityNight)> =
            rows.iter().filter_map(|i| Some((*i, activity_night(&points[*i])?))).collect();
        let all: Vec<ActivityNight> = in_band.iter().map(|r| r.1).collect();
        let first = all.len().saturating_sub(SEARCHED);
        if first > 0 {
            notes.push(format!("Outbursts in {band}: looked for in the latest {SEARCHED} of {} nights.", all.len()));
        }
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        let (laws_found, outbursts) = match find_outbursts(&all[first..], &OutburstSettings::default(), &mut rng) {
            Ok(search) => (Some(search.laws), search.outbursts),
            Err(reason) => {
                notes.push(format!("Outbursts in {band}: not looked for: {reason}."));
                (None, Vec::new())
            }
        };
        let lifted: Vec<usize> = outbursts.iter().flat_map(|o| o.nights.iter().map(|row| first + row)).collect();
        let found = laws_found.filter(|_| first == 0).unwrap_or_else(|| {
            let kept = all.iter().enumerate().filter(|(row, _)| !lifted.contains(row));
            laws(&kept.map(|(_, night)| *night).collect::<Vec<_>>())
        });
        for (row, (point, _)) in in_band.iter().enumerate() {
            points[*point].in_fit = !lifted.contains(&row);
        }
        activity.outbursts.extend(outbursts.iter().map(|o| told(o, &in_band, &points)));
        for (side, law) in found {
            match law {
                Ok(law) => {
                    let fit = fit(&law, side, band, aperture_km);
                    activity.fits.push(fit.clone());
                    fitted.push((fit, law));
                }
                Err(reason) => notes.push(format!(
                    "No power law in {band} {} perihelion: {reason}.",
                    if side == Side::Pre { "before" } else { "after" }
                )),
            }
        }
    }
    activity.asymmetry = asymmetry(&fitted);
    activity.outbursts.sort_by(|a, b| a.utc.cmp(&b.utc));
    activity.points = points;
    super::comparison::fill(&mut activity, own_list, &fitted, notes);
    activity
}

/// Outbursts are looked for in the latest nights, this many at most: the search's cost grows with the cube of the nights.
const SEARCHED: usize = 150;

fn side_of(name: Option<&str>) -> Option<Side> {
    match name {
        Some("pre") => Some(Side::Pre),
        Some("post") => Some(Side::Post),
        _ => None,
    }
}

/// A night's apertures; the common one of the night's dust where the campaign did not ask for it.
fn points_of(night: &NightIn) -> Vec<ActivityPoint> {
    let record = &night.record;
    let Some(band) = night.band() else { return Vec::new() };
    let bare = ActivityPoint {
        utc: record.mid_utc.clone(),
        r_au: record.geometry.r_au,
        side: night.side.map(str::to_string),
        band,
        site: night.site(),
        aperture_km: 0.0,
        a0frho_cm: None,
        a0frho_err_cm: None,
        mag: None,
        mag_err: None,
        in_fit: false,
    };
    let mut points: Vec<ActivityPoint> = record
        .photometry
        .iter()
        .map(|p| ActivityPoint {
            aperture_km: p.aperture_km,
            a0frho_cm: p.a0frho_cm,
            a0frho_err_cm: p.a0frho_err_cm,
            mag: p.mag,
            mag_err: p.mag_err,
            ..bare.clone()
        })
        .collect();
    let has_common = points.iter().any(|p| same_aperture(p.aperture_km, COMMON_KM));
    points.extend(record.dust.iter().filter(|_| !has_common).map(|d| ActivityPoint {
        aperture_km: d.aperture_km,
        a0frho_cm: d.a0frho_cm,
        a0frho_err_cm: d.a0frho_err_cm,
        ..bare.clone()
    }));
    points
}

fn same_aperture(a_km: f64, b_km: f64) -> bool {
    (a_km - b_km).abs() <= SAME_APERTURE * b_km
}

/// The aperture in which a band is followed: that which most nights have Afρ in, the one nearest to the common one among equals.
fn aperture_of(points: &[ActivityPoint], band: &str) -> Option<f64> {
    let measured = || points.iter().filter(|p| p.band == band && p.a0frho_cm.is_some());
    let count = |km: f64| measured().filter(|p| same_aperture(p.aperture_km, km)).count();
    let off = |km: f64| (km / COMMON_KM).ln().abs();
    let all: Vec<f64> = measured().map(|p| p.aperture_km).collect();
    all.iter().copied().max_by(|a, b| count(*a).cmp(&count(*b)).then(off(*b).total_cmp(&off(*a))))
}

fn is_fitted(point: &ActivityPoint, band: &str, aperture_km: f64) -> bool {
    point.band == band && same_aperture(point.aperture_km, aperture_km) && activity_night(point).is_some()
}

/// A point as the search takes it; `None` without Afρ, its error, a side or a time.
fn activity_night(point: &ActivityPoint) -> Option<ActivityNight> {
    let (value, sigma) = (point.a0frho_cm?, point.a0frho_err_cm?);
    (value > 0.0 && sigma > 0.0).then_some(())?;
    Some(ActivityNight {
        utc_days: fanlight_record::sentences::utc_days(&point.utc)?,
        side: side_of(point.side.as_deref())?,
        point: power_law::ActivityPoint { r_au: point.r_au, afrho_cm: Measured::new(value, sigma) },
    })
}

/// Laws of nights without a search for outbursts.
fn laws(nights: &[ActivityNight]) -> Vec<(Side, Result<PowerLaw, SeasonError>)> {
    [Side::Pre, Side::Post]
        .into_iter()
        .filter_map(|side| {
            let own: Vec<power_law::ActivityPoint> =
                nights.iter().filter(|n| n.side == side).map(|n| n.point).collect();
            (!own.is_empty()).then(|| (side, power_law::fit_power_law(&own, power_law::Scatter::Free)))
        })
        .collect()
}

fn fit(law: &PowerLaw, side: Side, band: &str, aperture_km: f64) -> ActivityFit {
    ActivityFit {
        side: if side == Side::Pre { "pre" } else { "post" }.into(),
        band: band.into(),
        aperture_km,
        slope: law.slope.value,
        slope_err: law.slope.sigma,
        afrho_1au_cm: law.afrho_1au_cm.value,
        afrho_1au_err_cm: law.afrho_1au_cm.sigma,
        scatter_dex: law.scatter_dex.value,
        n_nights: law.n_nights,
        r_range_au: [law.r_range_au.0, law.r_range_au.1],
    }
}

fn told(outburst: &Outburst, in_band: &[(usize, ActivityNight)], points: &[ActivityPoint]) -> OutburstRecord {
    let utc_at = |days: f64| in_band.iter().find(|(_, n)| n.utc_days == days).map(|(i, _)| points[*i].utc.clone());
    OutburstRecord {
        utc: utc_at(outburst.seen_utc_days).unwrap_or_default(),
        after_utc: utc_at(outburst.not_before_utc_days),
        step_mag: outburst.step_mag.value,
        step_err_mag: outburst.step_mag.sigma,
        false_alarm_probability: outburst.false_alarm.probability,
        or_bend: outburst.or_bend,
    }
}

/// Slopes before and after perihelion in the first band that has both, and the ratio in the middle of the distances that both saw.
fn asymmetry(laws: &[(ActivityFit, PowerLaw)]) -> Option<AsymmetryRecord> {
    let (pre, post) = laws.iter().filter(|l| l.0.side == "pre").find_map(|pre| {
        let post = laws.iter().find(|l| l.0.side == "post" && l.0.band == pre.0.band)?;
        Some((pre.1, post.1))
    })?;
    let from = if pre.r_range_au.0 > post.r_range_au.0 { pre.r_range_au.0 } else { post.r_range_au.0 };
    let to = if pre.r_range_au.1 < post.r_range_au.1 { pre.r_range_au.1 } else { post.r_range_au.1 };
    let r_au = (from < to).then_some((from * to).sqrt());
    let ratio = r_au.map(|r| {
        let (a, b) = (post.log_afrho_at(r), pre.log_afrho_at(r));
        let ratio = 10f64.powf(a.value - b.value);
        Measured::new(ratio, ratio * std::f64::consts::LN_10 * a.sigma.hypot(b.sigma))
    });
    Some(AsymmetryRecord {
        slope_difference: post.slope.value - pre.slope.value,
        slope_difference_err: post.slope.sigma.hypot(pre.slope.sigma),
        ratio: ratio.map(|r| r.value),
        ratio_err: ratio.map(|r| r.sigma),
        r_au,
    })
}
