//! What persons measured by hand: it comes back as it went in, outlives whatever becomes of its night, and is never deleted.

use fanlight_io::ledger::{MeasurementRow, NewMeasurement, Outcome};
use fanlight_io::{Ledger, LedgerError};
use fanlight_sky::UtcInstant;

use crate::ledger::{Desk, expect_whole, night, now};

fn sector(person: &str) -> NewMeasurement<'_> {
    NewMeasurement {
        person,
        note: Some("beside the bright jet"),
        pa_deg: 271.25,
        width_deg: 34.0,
        inner_arcsec: 5.5,
        outer_arcsec: 41.0,
        contrast: 0.031,
        contrast_err: 0.004,
        significance: Some(7.6),
        probability_alone: Some(1e-300),
        probability_by_eye: Some(3e-9),
        record_sha256: "ab12",
        program: "fanlight 0.1.0",
        now: now(),
    }
}

fn of_night(ledger: &Ledger, night: i64) -> Vec<i64> {
    ledger.measurements(night).unwrap().iter().map(|m| m.id).collect()
}

#[test]
fn a_measurement_comes_back_as_it_went_in() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &night(0, &["a", "b"]));
    let row = ledger.add_measurement(1, &sector("Ada Larkhill")).unwrap();
    let mid_utc = ledger.nights().unwrap()[0].mid_utc.clone();
    let expected = MeasurementRow {
        id: 1,
        night_id: Some(1),
        night_mid_utc: mid_utc,
        band: Some("r".into()),
        record_sha256: "ab12".into(),
        person: "Ada Larkhill".into(),
        made_utc: now().to_iso(),
        note: Some("beside the bright jet".into()),
        pa_deg: 271.25,
        width_deg: 34.0,
        inner_arcsec: 5.5,
        outer_arcsec: 41.0,
        contrast: 0.031,
        contrast_err: 0.004,
        significance: Some(7.6),
        probability_alone: Some(1e-300),
        probability_by_eye: Some(3e-9),
        program: "fanlight 0.1.0".into(),
        undone_utc: None,
    };
    assert_eq!(row, expected);
    let bare = NewMeasurement { note: None, significance: None, probability_alone: None, ..sector("Bo") };
    let bare = ledger.add_measurement(1, &bare).unwrap();
    assert_eq!((bare.note.clone(), bare.significance, bare.probability_alone), (None, None, None));
    drop(ledger);
    let mut ledger = desk.ledger();
    assert_eq!(ledger.measurements(1).unwrap(), [expected, bare]);
    assert_eq!(ledger.measurements(2).unwrap(), []);
    expect_whole(&mut ledger);
}

#[test]
fn undoing_marks_and_restoring_takes_the_mark_away() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &night(0, &["a"]));
    let row = ledger.add_measurement(1, &sector("Ada")).unwrap();
    let at = |text: &str| UtcInstant::parse(text).unwrap();
    let first = at("2031-06-02T08:00:00Z");
    let undone = ledger.undo_measurement(row.id, first).unwrap();
    assert_eq!(undone, MeasurementRow { undone_utc: Some(first.to_iso()), ..row.clone() });
    assert_eq!(ledger.undo_measurement(row.id, at("2031-07-01T08:00:00Z")).unwrap(), undone, "undone is undone");
    assert_eq!(ledger.measurements(1).unwrap(), std::slice::from_ref(&undone), "it is still there");
    expect_whole(&mut ledger);
    assert_eq!(ledger.restore_measurement(row.id).unwrap(), row);
    assert_eq!(ledger.restore_measurement(row.id).unwrap(), row);
    for error in [ledger.undo_measurement(9, first).unwrap_err(), ledger.restore_measurement(9).unwrap_err()] {
        assert!(matches!(error, LedgerError::NoMeasurement { id: 9, .. }) && error.hint().is_some(), "{error}");
    }
    expect_whole(&mut ledger);
}

#[test]
fn a_night_measured_again_keeps_what_persons_measured() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "h", &night(0, &["h"]));
    desk.record(&mut ledger, "i", &night(0, &["i"]));
    desk.record(&mut ledger, "x", &night(1, &["x"]));
    for on in [1, 2, 3] {
        ledger.add_measurement(on, &sector("Ada")).unwrap();
    }
    ledger.undo_measurement(2, now()).unwrap();
    let before = ledger.all_measurements().unwrap();
    // measured again with the same frames
    let mut anew = night(0, &["h"]);
    anew.summary = "Anew.".into();
    assert_eq!(desk.record(&mut ledger, "h", &anew).outcome, Outcome::Replaced(vec![1]));
    assert_eq!(ledger.all_measurements().unwrap(), before);
    // calibrated anew, in the same folder
    assert_eq!(desk.record(&mut ledger, "h", &night(0, &["h2"])).outcome, Outcome::Replaced(vec![1]));
    assert_eq!(ledger.all_measurements().unwrap(), before);
    expect_whole(&mut ledger);
    // two halves become one night
    assert_eq!(desk.record(&mut ledger, "all", &night(0, &["h2", "i"])).outcome, Outcome::Replaced(vec![1, 2]));
    assert_eq!((of_night(&ledger, 1), of_night(&ledger, 3)), (vec![1, 2], vec![3]));
    let after = ledger.measurements(1).unwrap();
    assert_eq!(after[1], MeasurementRow { night_id: Some(1), ..before[1].clone() });
    expect_whole(&mut ledger);
}

#[test]
fn a_forgotten_nights_measurements_wait_for_it() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &night(0, &["a", "b"]));
    desk.record(&mut ledger, "c", &night(1, &["c"]));
    ledger.add_measurement(1, &sector("Ada")).unwrap();
    ledger.add_measurement(2, &sector("Bo")).unwrap();
    ledger.forget(&[1, 2]).unwrap();
    let waiting: Vec<_> = ledger.all_measurements().unwrap().into_iter().map(|m| (m.id, m.night_id)).collect();
    assert_eq!(waiting, [(1, None), (2, None)]);
    expect_whole(&mut ledger);
    // others' frames, or the same in another band, are not that night
    desk.record(&mut ledger, "d", &night(0, &["d"]));
    let mut green = night(0, &["a", "b"]);
    green.photometry.iter_mut().for_each(|p| p.band = "g".into());
    let green = desk.record(&mut ledger, "g", &green).id;
    assert_eq!(of_night(&ledger, green), [0; 0]);
    // one of its frames is enough
    let again = desk.record(&mut ledger, "a", &night(0, &["b"])).id;
    assert_eq!(of_night(&ledger, again), [1]);
    assert_eq!(ledger.all_measurements().unwrap()[1].night_id, None);
    expect_whole(&mut ledger);
}

#[test]
fn what_is_no_measurement_is_refused() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &night(0, &["a"]));
    let plain = sector("Ada");
    for (new, expected) in [
        (NewMeasurement { person: " ", ..plain }, "who made it"),
        (NewMeasurement { pa_deg: f64::NAN, ..plain }, "position angle"),
        (NewMeasurement { pa_deg: 360.0, ..plain }, "position angle"),
        (NewMeasurement { width_deg: 0.0, ..plain }, "width"),
        (NewMeasurement { width_deg: 181.0, ..plain }, "width"),
        (NewMeasurement { inner_arcsec: 50.0, ..plain }, "radii"),
        (NewMeasurement { outer_arcsec: f64::INFINITY, ..plain }, "radii"),
        (NewMeasurement { contrast: f64::NAN, ..plain }, "contrast"),
        (NewMeasurement { contrast_err: 0.0, ..plain }, "contrast"),
        (NewMeasurement { significance: Some(f64::NAN), ..plain }, "significance"),
        (NewMeasurement { probability_by_eye: Some(1.5), ..plain }, "probability"),
    ] {
        let error = ledger.add_measurement(1, &new).unwrap_err();
        assert!(error.to_string().contains(expected) && error.hint().is_some(), "{error}");
    }
    assert!(matches!(ledger.add_measurement(7, &plain).unwrap_err(), LedgerError::NoNight { id: 7, .. }));
    assert_eq!(ledger.all_measurements().unwrap(), []);
    expect_whole(&mut ledger);
}

#[test]
fn check_holds_measurements_against_their_nights() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &night(0, &["a"]));
    desk.record(&mut ledger, "b", &night(5, &["b"]));
    ledger.add_measurement(1, &sector("Ada")).unwrap();
    drop(ledger);
    let path = desk.path("c.ledger.sqlite");
    let whole = std::fs::read(&path).unwrap();
    for (sql, expected) in [
        ("UPDATE measurements SET night_id = 2", "night 2: measurement 1 of Ada: it was made on the night of"),
        ("UPDATE measurements SET band = 'g'", "night 1: measurement 1 of Ada: it was made on"),
        ("UPDATE measurements SET pa_deg = 400", "position angle"),
        ("UPDATE measurements SET contrast_err = -1", "contrast"),
        ("UPDATE measurements SET made_utc = 'lately'", "`lately` is no time"),
        ("UPDATE measurements SET undone_utc = ''", "is no time"),
        ("UPDATE measurements SET night_id = 77", "table measurements has rows"),
        ("DELETE FROM measurements", "table measured_frames has rows"),
    ] {
        std::fs::write(&path, &whole).unwrap();
        let raw = desk.raw();
        raw.pragma_update(None, "foreign_keys", false).unwrap();
        assert!(raw.execute(sql, []).unwrap() > 0, "{sql}");
        drop(raw);
        let found = Ledger::open(&path).unwrap().check().unwrap();
        assert!(found.iter().any(|p| p.to_string().contains(expected)), "{sql}: {found:?}");
    }
}
