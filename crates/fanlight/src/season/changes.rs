//! What changed from one night to the next, in the record's terms.

use super::inputs::NightIn;
use super::stacks::Stacks;
use crate::Failure;
use crate::night::products::COMET;
use fanlight_coma::change::{self, CLAIMED_TO, Changed, Comparison, KnownChange, MOVED_WITHIN_DEG};
use fanlight_image::Image;
use fanlight_record::{ChangeRecord, ChangedFeature, FeatureRecord, NightRecord, sentences};
use fanlight_sky::PositionAngle;

/// Seed of the comparison's twins: the same nights give the same numbers.
const SEED: u64 = 0x0FA9_11E8;
/// Names the method in the ledger's store of comparisons: another one is computed again.
pub const METHOD: &str = "change/4";

/// Holds a night against an earlier one; why not, where that cannot be done, is in the record. The comparison itself, for a map, where
/// there is one.
pub fn between(earlier: &NightIn, later: &NightIn) -> (ChangeRecord, Option<Comparison>) {
    let (record, comparison, _) = between_knowing(earlier, later, None);
    (record, comparison)
}

/// The same, and what filters find that know the true change: light on the later night's stack.
pub fn between_knowing(
    earlier: &NightIn,
    later: &NightIn,
    truth: Option<&Image>,
) -> (ChangeRecord, Option<Comparison>, Option<KnownChange>) {
    let (record, comparison, known) = match compare(earlier, later, truth) {
        Ok((comparison, known)) => (told(earlier, later, &comparison), Some(comparison), known),
        Err(reason) => (not_compared(earlier, later, reason.to_string()), None, None),
    };
    let statement = sentences::change_statement(&record);
    (ChangeRecord { statement, ..record }, comparison, known)
}

/// The record of nights that cannot be held against each other.
fn not_compared(earlier: &NightIn, later: &NightIn, because: String) -> ChangeRecord {
    ChangeRecord {
        from_utc: earlier.record.mid_utc.clone(),
        to_utc: later.record.mid_utc.clone(),
        statement: String::new(),
        limit_contrast: None,
        limit_width_deg: None,
        features: Vec::new(),
        smallest_probability: None,
        range_km: None,
        not_compared_because: Some(because),
    }
}

fn compare(
    earlier: &NightIn,
    later: &NightIn,
    truth: Option<&Image>,
) -> Result<(Comparison, Option<KnownChange>), Failure> {
    let stacks = |night: &NightIn| {
        let folder = night.folder.as_ref().ok_or_else(|| {
            Failure::data(format!(
                "the folder of the night of {} is not known",
                sentences::format_utc(&night.record.mid_utc)
            ))
        })?;
        if !folder.join(COMET).is_file() {
            let when = sentences::format_utc(&night.record.mid_utc);
            return Err(Failure::data(format!("the stacks of the night of {when} are not in its folder")));
        }
        Stacks::read(folder, &night.record, true)
    };
    let (was, is) = (stacks(earlier)?, stacks(later)?);
    let no_kernel = |night: &NightIn| {
        Failure::data(format!(
            "no star image or no centre is known of the night of {}",
            sentences::format_utc(&night.record.mid_utc)
        ))
    };
    let compared = was
        .for_change(&earlier.record, |before| {
            is.for_change(&later.record, |after| change::compare_knowing(&before, &after, SEED, truth))
        })
        .ok_or_else(|| no_kernel(earlier))?
        .ok_or_else(|| no_kernel(later))?;
    compared.map_err(Failure::data)
}

fn told(earlier: &NightIn, later: &NightIn, comparison: &Comparison) -> ChangeRecord {
    let claimed: Vec<&Changed> = comparison.changes.iter().filter(|c| c.probability <= CLAIMED_TO).collect();
    ChangeRecord {
        limit_contrast: comparison.limit.as_ref().map(|l| l.contrast),
        limit_width_deg: comparison.limit.as_ref().map(|l| l.width_rad.to_degrees()),
        features: named(&claimed, &earlier.record, &later.record),
        smallest_probability: Some(comparison.smallest_probability),
        range_km: Some(comparison.range_km),
        not_compared_because: None,
        ..not_compared(earlier, later, String::new())
    }
}

/// A direction has moved when it differs by this many of its errors.
const MOVED_SIGMA: f64 = 3.0;
/// What comes and what goes where a feature moved lie within this many of its widths of it: by less than its width, they are its flanks.
const MOVED_WIDTHS: f64 = 1.25;

fn apart_deg(a: f64, b: f64) -> f64 {
    PositionAngle::from_deg(a).minus(PositionAngle::from_deg(b))
}

/// The night's supported or provisional feature that a change is about: nearest in direction within half of the wider one's width.
fn feature_at<'a>(night: &'a NightRecord, changed: &Changed) -> Option<&'a FeatureRecord> {
    let pa_deg = changed.pa_rad.to_degrees();
    let within =
        |f: &&FeatureRecord| apart_deg(f.pa_deg, pa_deg).abs() <= 0.5 * f.width_deg.max(changed.width_rad.to_degrees());
    let fits = features(night)
        .filter(|f| (f.kind == "arc") == changed.is_arc)
        .filter(|f| f.inner_km < changed.range_km[1] && f.outer_km > changed.range_km[0])
        .filter(within);
    fits.min_by(|a, b| apart_deg(a.pa_deg, pa_deg).abs().total_cmp(&apart_deg(b.pa_deg, pa_deg).abs()))
}

/// Supported or provisional features of a night.
fn features(night: &NightRecord) -> impl Iterator<Item = &FeatureRecord> {
    night.morphology.features.iter().filter(|f| matches!(f.verdict.as_str(), "supported" | "provisional"))
}

/// Features of the two nights that may be one that moved: of one kind and within reach, nearest pairs first, each once.
fn pairs<'a>(earlier: &'a NightRecord, later: &'a NightRecord) -> Vec<(&'a FeatureRecord, &'a FeatureRecord)> {
    let mut all: Vec<(f64, &FeatureRecord, &FeatureRecord)> = features(earlier)
        .flat_map(|was| features(later).map(move |is| (apart_deg(is.pa_deg, was.pa_deg).abs(), was, is)))
        .filter(|(apart, was, is)| was.kind == is.kind && *apart <= MOVED_WITHIN_DEG)
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(&FeatureRecord, &FeatureRecord)> = Vec::new();
    for (_, was, is) in all {
        if out.iter().all(|(w, i)| !std::ptr::eq(*w, was) && !std::ptr::eq(*i, is)) {
            out.push((was, is));
        }
    }
    out
}

/// Gives each change its name by the features of the two nights.
fn named(claimed: &[&Changed], earlier: &NightRecord, later: &NightRecord) -> Vec<ChangedFeature> {
    let mut out: Vec<ChangedFeature> = Vec::new();
    let mut told = vec![false; claimed.len()];
    for (was, is) in pairs(earlier, later) {
        let (by, sigma) = (apart_deg(is.pa_deg, was.pa_deg), is.pa_err_deg.hypot(was.pa_err_deg));
        if by.abs() <= MOVED_SIGMA * sigma {
            continue;
        }
        // what comes on the side that it moved to, and what goes on the other
        let beside = |i: usize, brighter: bool, of: &FeatureRecord, toward: f64| {
            let off = apart_deg(claimed[i].pa_rad.to_degrees(), of.pa_deg) * toward;
            !told[i]
                && claimed[i].brighter == brighter
                && off.abs() <= MOVED_WIDTHS * of.width_deg
                && off > -0.25 * of.width_deg
        };
        let gained = (0..claimed.len()).find(|i| beside(*i, true, is, by.signum()));
        let lost = (0..claimed.len()).find(|i| beside(*i, false, was, -by.signum()));
        let (Some(i), Some(j)) = (gained, lost) else { continue };
        (told[i], told[j]) = (true, true);
        out.push(ChangedFeature {
            what: "moved".into(),
            kind: is.kind.clone(),
            pa_deg: is.pa_deg,
            pa_err_deg: is.pa_err_deg,
            amount: by,
            amount_err: sigma,
            probability: claimed[i].probability.min(claimed[j].probability),
        });
    }
    for changed in claimed.iter().zip(&told).filter(|(_, told)| !**told).map(|(c, _)| c) {
        let (was, is) = (feature_at(earlier, changed), feature_at(later, changed));
        let what = match (changed.brighter, was.is_some(), is.is_some()) {
            (true, false, true) => "new",
            (true, _, _) => "brighter",
            (false, true, false) => "gone",
            (false, _, _) => "fainter",
        };
        // where neither night by itself shows a feature, it has no other name
        let kind = is.or(was).map_or("coma", |f| f.kind.as_str());
        out.push(ChangedFeature {
            what: what.into(),
            kind: kind.into(),
            pa_deg: PositionAngle::from_deg(changed.pa_rad.to_degrees()).deg(),
            pa_err_deg: changed.pa_sigma_rad.to_degrees(),
            amount: if changed.brighter { changed.contrast } else { -changed.contrast },
            amount_err: changed.contrast_sigma,
            probability: changed.probability,
        });
    }
    out.sort_by(|a, b| a.probability.total_cmp(&b.probability));
    out
}
