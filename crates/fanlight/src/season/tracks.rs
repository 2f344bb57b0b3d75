//! Features followed over nights, in the record's terms.

use super::inputs::NightIn;
use super::periods::{latest, search, told};
use fanlight_coma::season::direction_models::{DirectionModel, DirectionPoint, RotationRange, compare_directions};
use fanlight_coma::season::expansion::{ArcRadius, expansion_speed};
use fanlight_coma::season::periodogram::Period;
use fanlight_coma::season::series::Series;
use fanlight_coma::season::tracks::{FeatureKind, LinkRule, Track, TrackPoint, link_tracks};
use fanlight_image::Measured;
use fanlight_record::{DirectionLikelihoods, ExpansionPoint, ExpansionRecord, FeatureRecord, NightRecord, TrackRecord};
use fanlight_sky::{PositionAngle, SkyPosition};

/// A position angle is not known better than this: features bend, and their inner ends lie at other distances from night to night.
const LEAST_PA_ERR_DEG: f64 = 0.3;

/// A supported or provisional feature with its night.
struct Seen<'a> {
    night: &'a NightIn,
    feature: &'a FeatureRecord,
}

/// What of a night is followed: what is real, and what may well be.
pub fn followed(night: &NightRecord) -> impl Iterator<Item = &FeatureRecord> {
    night.morphology.features.iter().filter(|f| matches!(f.verdict.as_str(), "supported" | "provisional"))
}

/// A feature as it is linked from night to night.
pub fn point(night: &NightRecord, feature: &FeatureRecord, utc_days: f64) -> TrackPoint {
    TrackPoint {
        utc_days,
        pa_deg: pa(feature),
        width_deg: feature.width_deg.clamp(1.0, 360.0),
        contrast: Measured::new(feature.contrast, feature.contrast_err),
        kind: kind(feature),
        sunward_pa_deg: night.geometry.sunward_pa_deg,
        negative_velocity_pa_deg: night.geometry.negative_velocity_pa_deg,
    }
}

fn kind(feature: &FeatureRecord) -> FeatureKind {
    match feature.kind.as_str() {
        "arc" => FeatureKind::Arc,
        "tail" => FeatureKind::Tail,
        "fan" => FeatureKind::Fan,
        _ => FeatureKind::Jet,
    }
}

fn seen(nights: &[NightIn]) -> Vec<Seen<'_>> {
    nights.iter().flat_map(|night| followed(&night.record).map(move |feature| Seen { night, feature })).collect()
}

fn pa(feature: &FeatureRecord) -> Measured {
    Measured::new(feature.pa_deg, feature.pa_err_deg.hypot(LEAST_PA_ERR_DEG))
}

/// Tracks and arcs' speeds, and sentences on what could not be done.
pub fn record(nights: &[NightIn], notes: &mut Vec<String>) -> (Vec<TrackRecord>, Vec<ExpansionRecord>) {
    let seen = seen(nights);
    let points: Vec<TrackPoint> = seen.iter().map(|s| point(&s.night.record, s.feature, s.night.days)).collect();
    let tracks = match link_tracks(&points, &LinkRule::default()) {
        Ok(tracks) => tracks,
        Err(reason) => {
            notes.push(format!("Features were not followed from night to night: {reason}."));
            return (Vec::new(), Vec::new());
        }
    };
    let records = tracks.iter().map(|t| track(t, &seen)).collect();
    let expansions = tracks.iter().filter_map(|t| expansion(t, &seen)).collect();
    (records, expansions)
}

fn track(track: &Track, seen: &[Seen]) -> TrackRecord {
    let rows: Vec<&Seen> = track.points.iter().map(|(row, _)| &seen[*row]).collect();
    let directions: Vec<DirectionPoint> = rows
        .iter()
        .map(|s| {
            let g = &s.night.record.geometry;
            DirectionPoint {
                utc_days: s.night.days,
                pa_deg: pa(s.feature),
                sunward_pa_deg: g.sunward_pa_deg,
                comet: SkyPosition::new(g.ra_deg, g.dec_deg),
            }
        })
        .collect();
    let models = compare_directions(latest(&directions), &RotationRange::default()).ok();
    let (period, no_period_because) = told(period_of(latest(&directions)));
    TrackRecord {
        kind: rows.first().map(|s| s.feature.kind.clone()),
        points: rows
            .iter()
            .map(|s| fanlight_record::TrackPoint {
                utc: s.night.record.mid_utc.clone(),
                pa_deg: s.feature.pa_deg,
                pa_err_deg: s.feature.pa_err_deg,
                contrast: s.feature.contrast,
            })
            .collect(),
        drift_deg_per_day: track.drift_deg_per_day.map(|d| d.value),
        drift_err_deg_per_day: track.drift_deg_per_day.map(|d| d.sigma),
        log_likelihood: models.as_ref().map(|m| DirectionLikelihoods {
            fixed_to_sun: m.fixed_to_sun.log_evidence,
            fixed_in_space: m.fixed_in_space.log_evidence,
            rotating: m.rotating.map(|r| r.log_evidence),
        }),
        preferred: models.and_then(|m| m.preferred).map(|p| {
            match p {
                DirectionModel::FixedToSun => "fixed_to_sun",
                DirectionModel::FixedInSpace => "fixed_in_space",
                DirectionModel::Rotating => "rotating",
            }
            .to_string()
        }),
        period,
        no_period_because,
    }
}

/// A period of the direction's offset from the Sun's.
fn period_of(points: &[DirectionPoint]) -> Result<Period, String> {
    let offset = |p: &DirectionPoint| {
        let off = PositionAngle::from_deg(p.pa_deg.value).minus(PositionAngle::from_deg(p.sunward_pa_deg));
        Measured::new(off, p.pa_deg.sigma)
    };
    let times: Vec<f64> = points.iter().map(|p| p.utc_days).collect();
    let offsets: Vec<Measured> = points.iter().map(offset).collect();
    search(Series::of_directions(&times, &offsets))
}

/// Speed of an arc that was followed; `None` of other features and of arcs that tell none.
fn expansion(track: &Track, seen: &[Seen]) -> Option<ExpansionRecord> {
    let rows: Vec<&Seen> = track.points.iter().map(|(row, _)| &seen[*row]).collect();
    if rows.iter().any(|s| s.feature.kind != "arc") {
        return None;
    }
    let middle =
        |f: &FeatureRecord| Measured::new(0.5 * (f.inner_km + f.outer_km), ARC_RADIUS_ERR * (f.outer_km - f.inner_km));
    let radii: Vec<ArcRadius> =
        rows.iter().map(|s| ArcRadius { utc_days: s.night.days, radius_km: middle(s.feature) }).collect();
    let speed = expansion_speed(&radii).ok()?;
    Some(ExpansionRecord {
        pa_deg: rows.last()?.feature.pa_deg,
        points: rows
            .iter()
            .zip(&radii)
            .map(|(s, r)| ExpansionPoint {
                utc: s.night.record.mid_utc.clone(),
                radius_km: r.radius_km.value,
                radius_err_km: r.radius_km.sigma,
            })
            .collect(),
        speed_km_s: speed.speed_km_s.value,
        speed_err_km_s: speed.speed_km_s.sigma,
    })
}

/// Error of an arc's radius as a share of its width across: its crest is found to about a tenth of that at the limit of detection.
const ARC_RADIUS_ERR: f64 = 0.1;
