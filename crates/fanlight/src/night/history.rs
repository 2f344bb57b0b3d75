//! What earlier nights in the ledger say of a night's features.

use crate::ledger::entry;
use crate::season::tracks;
use fanlight_coma::evidence::challenge::history::{self, EarlierNight, Shown, Tonight};
use fanlight_coma::season::tracks::{FeatureKind, LinkRule};
use fanlight_io::ledger::is_same_object;
use fanlight_io::{Campaign, Ledger};
use fanlight_record::{FeatureRecord, InputFile, NightRecord, sentences};
use std::collections::BTreeSet;

/// What a night of the ledger is called among the inputs of a later one.
const ROLE: &str = "earlier night";
/// Nights before this are not looked at: links may be ten days long, and several of them show a drift.
const FARTHEST_DAYS: f64 = 40.0;

/// The nights before this one that tell, with what they are known by.
struct Earlier {
    nights: Vec<EarlierNight>,
    inputs: Vec<InputFile>,
}

/// Adds to every feature that was searched for what earlier nights say of it, and to the record which nights those were.
pub fn fill(record: &mut NightRecord, campaign: &Campaign, choice: &entry::Choice) {
    let Some(days) = sentences::utc_days(&record.mid_utc) else { return };
    let places = searched(record);
    if places.is_empty() {
        return;
    }
    let judged = match earlier(record, days, campaign, choice) {
        Ok(earlier) => {
            let tonight: Vec<Tonight> =
                places.iter().map(|i| tonight(record, &record.morphology.features[*i], days)).collect();
            record.provenance.inputs.extend(earlier.inputs);
            history::challenges(&earlier.nights, &tonight, &LinkRule::default())
                .unwrap_or_else(|e| history::not_at_hand(places.len(), &format!("Earlier nights do not help: {e}.")))
        }
        Err(because) => history::not_at_hand(places.len(), &because),
    };
    for (i, challenge) in places.into_iter().zip(judged) {
        record.morphology.features[i].challenges.push(super::structure::challenge_record(&challenge));
    }
}

/// Whether the ledger's earlier nights are those that a record was made with.
pub fn is_as_it_was(record: &NightRecord, campaign: &Campaign, choice: &entry::Choice) -> bool {
    let Some(days) = sentences::utc_days(&record.mid_utc).filter(|_| !searched(record).is_empty()) else { return true };
    let now = earlier(record, days, campaign, choice).map_or_else(|_| Vec::new(), |e| e.inputs);
    record.provenance.inputs.iter().filter(|i| i.role == ROLE).eq(&now)
}

/// The places in a night's list of the features that earlier nights are asked of: a peak of the rotational gradient that the twin explains was
/// not searched for, and is nothing to follow.
fn searched(record: &NightRecord) -> Vec<usize> {
    let features = record.morphology.features.iter().enumerate();
    features.filter(|(_, f)| f.challenges.iter().any(|c| c.name == "noise")).map(|(i, _)| i).collect()
}

fn tonight(record: &NightRecord, feature: &FeatureRecord, days: f64) -> Tonight {
    let point = tracks::point(record, feature, days);
    Tonight { point, range_km: (feature.inner_km, feature.outer_km), is_wedge: point.kind != FeatureKind::Arc }
}

fn earlier(record: &NightRecord, days: f64, campaign: &Campaign, choice: &entry::Choice) -> Result<Earlier, String> {
    let Some(path) = choice.path(campaign) else {
        return Err("No ledger was to be used: whether it is new is not known.".into());
    };
    if !path.is_file() {
        return Err("There is no ledger of earlier nights yet: whether it is new is not known.".into());
    }
    let unreadable = |e: fanlight_io::LedgerError| format!("The ledger of earlier nights cannot be read: {e}.");
    let ledger = Ledger::open(&path).map_err(unreadable)?;
    if ledger.object().map_err(unreadable)?.is_some_and(|o| !is_same_object(&o, &record.object)) {
        return Err("The ledger holds another comet's nights: whether it is new is not known.".into());
    }
    let own: BTreeSet<&str> = record.light_checksums().collect();
    let least_days = LinkRule::default().same_epoch_days;
    let mut found = Earlier { nights: Vec::new(), inputs: Vec::new() };
    for row in ledger.nights().map_err(unreadable)? {
        let Some(then) = sentences::utc_days(&row.mid_utc) else { continue };
        if !row.analysed || !(least_days..FARTHEST_DAYS).contains(&(days - then)) {
            continue;
        }
        let night = ledger.record(row.id).map_err(unreadable)?;
        // the same frames, fewer or more of them, measured before
        if night.light_checksums().any(|sum| own.contains(sum)) {
            continue;
        }
        let utc = format!("{} UTC", row.mid_utc.get(..16).unwrap_or(&row.mid_utc).replace('T', " "));
        found.inputs.push(InputFile {
            file: format!("night of {utc} in the ledger"),
            role: ROLE.into(),
            sha256: row.record_sha256,
        });
        found.nights.push(earlier_night(&night, utc, then));
    }
    Ok(found)
}

fn earlier_night(night: &NightRecord, utc: String, utc_days: f64) -> EarlierNight {
    let km = night.geometry.km_per_arcsec;
    let limits = &night.morphology.detection_limit;
    EarlierNight {
        utc,
        utc_days,
        features: tracks::followed(night).map(|f| tracks::point(night, f, utc_days)).collect(),
        limits: limits
            .iter()
            .filter(|l| l.recovered_fraction >= SHOWN_FROM)
            .map(|l| Shown {
                width_deg: l.width_deg,
                range_km: (l.inner_arcsec * km, l.outer_arcsec * km),
                contrast: l.contrast,
            })
            .collect(),
    }
}

/// A limit at which fewer wedges are found than this is not one at which they are missed.
const SHOWN_FROM: f64 = 0.9;
