//! This comet beside others, in the record's terms.

use super::activity::COMMON_KM;
use crate::Failure;
use fanlight_coma::season::Side;
use fanlight_coma::season::comparison::{Caveat, Comparison, OwnActivity, compare, rank_at};
use fanlight_coma::season::power_law::PowerLaw;
use fanlight_coma::season::reference_comets::{
    PublishedBand, PublishedPoint, PublishedSide, REFERENCE_COMETS, ReferenceComet,
};
use fanlight_image::Measured;
use fanlight_io::ReferenceRow;
use fanlight_record::{ActivityFit, ActivityRecord, ComparisonPoint, ComparisonRecord, RankRecord};
use std::path::Path;

/// The user's own list.
pub fn read(path: &Path) -> Result<Vec<ReferenceRow>, Failure> {
    fanlight_io::read_reference_csv(path).map_err(Failure::call)
}

/// What two comets' values may differ by and still be ranked: no published value of the built-in set is without these.
const TOLERATED: [Caveat; 0] = [];

/// Sets this comet beside the built-in set and the user's own list.
pub fn fill(
    activity: &mut ActivityRecord,
    own_list: &[ReferenceRow],
    laws: &[(ActivityFit, PowerLaw)],
    notes: &mut Vec<String>,
) {
    let points: Vec<(String, Vec<PublishedPoint>)> = listed(own_list);
    let user: Vec<ReferenceComet> =
        points.iter().map(|(comet, points)| ReferenceComet { comet, points, slopes: &[] }).collect();
    let all: Vec<ReferenceComet> = REFERENCE_COMETS.iter().copied().chain(user).collect();
    let nearest = |a: &&(ActivityFit, PowerLaw)| (a.0.aperture_km / COMMON_KM).ln().abs();
    let Some((fit, law)) =
        laws.iter().min_by(|a, b| nearest(a).total_cmp(&nearest(b)).then(b.0.n_nights.cmp(&a.0.n_nights)))
    else {
        return;
    };
    let own = OwnActivity {
        side: if fit.side == "pre" { Side::Pre } else { Side::Post },
        law,
        aperture_km: fit.aperture_km,
        band: PublishedBand::Broad(&fit.band),
        is_phase_corrected: true,
    };
    for reference in &all {
        match compare(&own, reference) {
            Ok(c) => activity.comparison.push(told(&c, reference)),
            Err(reason) => notes.push(format!("{} was not compared with: {reason}.", reference.comet)),
        }
    }
    let middle_au = (law.r_range_au.0 * law.r_range_au.1).sqrt();
    activity.rank = rank_at(&own, &all, middle_au, &TOLERATED).ok().flatten().map(|r| RankRecord {
        rank: r.place,
        of: r.among.len() + 1,
        r_au: r.r_au,
    });
}

/// The user's rows by comet.
fn listed(rows: &[ReferenceRow]) -> Vec<(String, Vec<PublishedPoint<'_>>)> {
    let mut comets: Vec<(String, Vec<PublishedPoint>)> = Vec::new();
    for row in rows {
        let point = PublishedPoint {
            epoch: None,
            r_au: Some(row.r_au),
            is_r_computed: false,
            side: match row.side.as_deref() {
                Some("pre") => PublishedSide::On(Side::Pre),
                Some(_) => PublishedSide::On(Side::Post),
                None => PublishedSide::NotStated,
            },
            afrho_cm: row.afrho_cm,
            afrho_err_cm: row.afrho_err_cm,
            afrho_range_cm: None,
            is_phase_corrected: row.is_phase_corrected,
            band: row.band.as_deref().map_or(PublishedBand::NotStated, PublishedBand::Broad),
            aperture_km: row.aperture_km,
            is_outburst: row.is_outburst,
            is_extrapolated: false,
            source: &row.source,
        };
        match comets.iter_mut().find(|c| c.0 == row.comet) {
            Some((_, points)) => points.push(point),
            None => comets.push((row.comet.clone(), vec![point])),
        }
    }
    comets
}

fn told(c: &Comparison, reference: &ReferenceComet) -> ComparisonRecord {
    let slope = c.reference_slopes.first();
    ComparisonRecord {
        comet: c.comet.to_string(),
        source: match c.sources.is_empty() {
            true => slope.map(|s| s.source.to_string()).unwrap_or_default(),
            false => c.sources.join("; "),
        },
        r_range_au: c.r_range_au.map(|(from, to)| [from, to]),
        ratio: c.ratio.map(|r: Measured| r.value),
        ratio_err: c.ratio.map(|r| r.sigma),
        slope: slope.map(|s| s.slope),
        slope_err: slope.and_then(|s| s.slope_err),
        caveats: c.caveats.iter().map(|c| c.text().to_string()).collect(),
        fair: c.is_fair(&TOLERATED),
        points: reference
            .points
            .iter()
            .filter_map(|p| Some(ComparisonPoint { r_au: p.r_au?, afrho_cm: p.afrho_cm, afrho_err_cm: p.afrho_err_cm }))
            .collect(),
    }
}
