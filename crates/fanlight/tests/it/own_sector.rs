//! Sectors that a person chooses on a finished night: the model built again from the night's folder agrees with what the night itself found.

use crate::structure::{jet, night, supported};
use crate::truth;
use fanlight::desk::own_sector::{OwnSectors, Sector};
use fanlight::night::products;
use fanlight_io::OutputFolder;
use fanlight_record::{FeatureRecord, NightRecord};
use std::path::Path;

/// A server keeps one for all its threads.
const fn shared_by_threads<T: Send + Sync>() {}
const _: () = shared_by_threads::<OwnSectors>();

fn measured(folder: &Path) -> NightRecord {
    let (reduced, _) = truth::reduced(&night(7, vec![jet(140.0, 0.15)]), folder).expect("measured");
    products::write(&reduced, &OutputFolder::create_or_open(&folder.join("out")).expect("a folder")).expect("written");
    reduced.record
}

/// The straight sector that lies along a curved feature.
fn sector_of(f: &FeatureRecord) -> Sector {
    let pa_deg = f.ridge[f.ridge.len() / 2].pa_deg;
    Sector { pa_deg, width_deg: f.width_deg, inner_arcsec: f.inner_arcsec, outer_arcsec: f.outer_arcsec }
}

#[test]
fn a_finished_nights_feature_is_found_in_its_folder_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let record = measured(folder.path());
    let out = folder.path().join("out");
    let [found] = supported(&record)[..] else { panic!("{:#?}", record.morphology.features) };
    let sectors = OwnSectors::of_folder(&out, &record).expect("a model");

    let own = sectors.measure(&sector_of(found)).expect("measured");
    let error = own.contrast_err.hypot(found.contrast_err);
    assert!((own.contrast - found.contrast).abs() < error, "{own:?}, {} ± {}", found.contrast, found.contrast_err);
    let significance = found.significance.expect("a significance");
    assert!((own.significance / significance - 1.0).abs() < 0.25, "{} {significance}", own.significance);
    assert!(own.is_feature && own.probability_by_eye < 1e-6 && own.probability_alone <= own.probability_by_eye);
    // the twin has no jet
    let twin = own.twin_contrast.expect("a twin");
    assert!(twin.abs() < 0.2 * own.raw_contrast, "{own:?}");
    assert!(own.explanation.contains("chosen by eye") && own.explanation.contains("by itself"), "{}", own.explanation);

    // on the other side there is nothing
    let away = sectors.measure(&Sector { pa_deg: found.pa_deg + 150.0, ..sector_of(found) }).expect("measured");
    assert!(!away.is_feature && away.contrast.abs() < 3.5 * away.contrast_err, "{away:?}");
    assert!(away.probability_by_eye > 1e-3, "{away:?}");
    assert_eq!(sectors.measure(&sector_of(found)).expect("measured"), own, "the same again");

    let refused = sectors.measure(&Sector { inner_arcsec: 1e4, outer_arcsec: 2e4, ..sector_of(found) }).unwrap_err();
    assert!(refused.message.contains("outside") && refused.hint.is_some(), "{refused:?}");

    // without its twin a night can still be measured, without its stack or beside another night's record it cannot
    std::fs::remove_file(out.join(products::TWIN)).expect("removed");
    let bare = OwnSectors::of_folder(&out, &record).expect("a model");
    assert_eq!(bare.measure(&sector_of(found)).expect("measured").twin_contrast, None);
    let failed = |record: &NightRecord| OwnSectors::of_folder(&out, record).err().expect("no model").message;
    let mut other = record.clone();
    other.mid_utc = "2031-01-01T00:00:00.000Z".into();
    assert!(failed(&other).contains("is not of the night"), "{}", failed(&other));
    let mut pointless = record.clone();
    pointless.morphology.psf = None;
    assert!(failed(&pointless).contains("no star image"), "{}", failed(&pointless));
    std::fs::remove_file(out.join(products::COMET)).expect("removed");
    assert!(failed(&record).contains(products::COMET), "{}", failed(&record));
}
