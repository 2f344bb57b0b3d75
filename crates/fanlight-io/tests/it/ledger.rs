//! The ledger: nights come back as they went in, replace their own rows and no others, and what is no ledger, or no night, is told.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use fanlight_io::ledger::{Entry, NightFile, Outcome, Pair, Recorded, Side};
use fanlight_io::{Ledger, LedgerError};
use fanlight_record::NightRecord;
use fanlight_sky::UtcInstant;
use rusqlite::Connection;

use crate::broken::{Random, damage};
use crate::data;

/// A folder with a ledger and folders of nights.
pub struct Desk {
    folder: tempfile::TempDir,
}

/// The night of the fixture.
fn fixture() -> NightRecord {
    let text = fs::read_to_string(data("ledger/night/night.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// A night so many days after the fixture's, with light frames of these contents.
pub fn night(days: i64, frames: &[&str]) -> NightRecord {
    let mut record = fixture();
    let later = |text: &str| UtcInstant::parse(text).unwrap().plus_seconds(days as f64 * 86_400.0).to_iso();
    record.mid_utc = later(&record.mid_utc);
    record.stack.first_utc = later(&record.stack.first_utc);
    record.stack.last_utc = later(&record.stack.last_utc);
    let light = record.provenance.inputs.iter().find(|i| i.role == "light").unwrap().clone();
    record.provenance.inputs.retain(|i| i.role != "light");
    record.provenance.inputs.extend(frames.iter().map(|name| {
        let mut light = light.clone();
        light.file = format!("{name}.fits");
        light.sha256 = format!("{name:0>64}");
        light
    }));
    record.frames.truncate(frames.len());
    for (frame, name) in record.frames.iter_mut().zip(frames) {
        frame.file = format!("{name}.fits");
    }
    record
}

pub fn now() -> UtcInstant {
    UtcInstant::parse("2031-06-01T12:00:00Z").unwrap()
}

impl Desk {
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn ledger(&self) -> Ledger {
        Ledger::open_or_create(&self.path("c.ledger.sqlite")).unwrap()
    }

    pub fn raw(&self) -> Connection {
        Connection::open(self.path("c.ledger.sqlite")).unwrap()
    }

    /// Writes a night's record into a folder.
    fn write(&self, folder: &str, record: &NightRecord) -> NightFile {
        fs::create_dir_all(self.path(folder)).unwrap();
        fs::write(self.path(folder).join("night.json"), serde_json::to_string(record).unwrap()).unwrap();
        NightFile::read(&self.path(folder)).unwrap()
    }

    fn try_record(&self, ledger: &mut Ledger, folder: &str, record: &NightRecord) -> Result<Recorded, LedgerError> {
        let night = self.write(folder, record);
        let band = record.photometry.first().map(|p| p.band.as_str());
        ledger.record_night(&Entry { night: &night, band, side: Some(Side::Pre), campaign: Some("c.toml"), now: now() })
    }

    pub fn record(&self, ledger: &mut Ledger, folder: &str, record: &NightRecord) -> Recorded {
        self.try_record(ledger, folder, record).unwrap()
    }
}

fn ids(ledger: &Ledger) -> Vec<i64> {
    ledger.nights().unwrap().iter().map(|n| n.id).collect()
}

#[track_caller]
pub fn expect_whole(ledger: &mut Ledger) {
    assert_eq!(ledger.check().unwrap(), []);
}

#[test]
fn a_night_comes_back_as_it_went_in() {
    let desk = Desk::new();
    let record = fixture();
    let mut ledger = desk.ledger();
    assert_eq!((ledger.object().unwrap(), ids(&ledger)), (None, vec![]));
    let recorded = desk.record(&mut ledger, "night", &record);
    assert_eq!(recorded, Recorded { id: 1, outcome: Outcome::New, notes: vec![] });
    assert_eq!(ledger.object().unwrap().as_deref(), Some("C/2031 Z2"));
    assert_eq!(ledger.record(1).unwrap(), record);

    let [row] = &ledger.nights().unwrap()[..] else { panic!("one night") };
    assert_eq!((&row.mid_utc, row.r_au, row.side), (&record.mid_utc, record.geometry.r_au, Some(Side::Pre)));
    assert_eq!((row.site.as_deref(), row.band.as_deref()), (Some("Larkhill Ridge"), Some("r")));
    assert_eq!(row.out_dir.as_deref(), Some(&*desk.path("night").canonicalize().unwrap()));
    assert_eq!(row.record_sha256, fanlight_io::sha256_file(&desk.path("night/night.json")).unwrap());

    let light = ledger.photometry().unwrap();
    assert_eq!(light.len(), record.photometry.len());
    for (row, p) in light.iter().zip(&record.photometry) {
        assert_eq!(
            (row.aperture_km, row.mag, row.afrho_cm, row.limit_3sigma_mag),
            (p.aperture_km, p.mag, p.afrho_cm, p.limit_3sigma_mag)
        );
    }
    assert_eq!((light[1].mag, light[1].limit_3sigma_mag), (None, Some(19.5)), "what was not measured is unknown");

    let features = ledger.features().unwrap();
    assert_eq!((features.len(), &*features[0].kind, &*features[1].kind), (2, "jet", "arc"));
    assert_eq!((features[0].false_alarm_probability, features[0].challenges.len()), (1e-300, 2));
    assert_eq!((features[0].challenges[0].statistic, features[0].challenges[1].statistic), (Some(14.2), None));
    assert_eq!((features[1].curvature_deg_per_arcsec, features[1].challenges.len()), (None, 0));

    let frames = ledger.frames(1).unwrap();
    let light = |i: usize| record.provenance.inputs[i].sha256.clone();
    assert_eq!(frames.len(), 3);
    assert_eq!((frames[0].sha256.clone(), frames[1].sha256.clone()), (Some(light(1)), Some(light(2))));
    assert_eq!((frames[2].used, frames[2].sha256.clone(), frames[2].mid_utc.clone()), (false, None, None));
    assert_eq!(ledger.inputs(1).unwrap().len(), record.provenance.inputs.len());
    expect_whole(&mut ledger);
    assert_eq!(fs::read_dir(desk.folder.path()).unwrap().count(), 2, "beside the night's folder one file");
}

#[test]
fn a_night_replaces_its_own_row_and_no_other() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    let outcome = |ledger: &mut Ledger, folder: &str, record: &NightRecord| {
        let recorded = desk.record(ledger, folder, record);
        (recorded.id, recorded.outcome)
    };
    let first = night(0, &["a", "b"]);
    let other = night(1, &["x", "y"]);
    assert_eq!(outcome(&mut ledger, "1", &first), (1, Outcome::New));
    assert_eq!(outcome(&mut ledger, "2", &other), (2, Outcome::New));
    let untouched = |ledger: &Ledger| assert_eq!(ledger.record(2).unwrap(), other);

    assert_eq!(outcome(&mut ledger, "1", &first), (1, Outcome::Unchanged));
    // the same record elsewhere: the folder was moved
    assert_eq!(outcome(&mut ledger, "moved", &first), (1, Outcome::Unchanged));
    assert!(ledger.nights().unwrap()[0].out_dir.as_ref().unwrap().ends_with("moved"));
    // fewer frames, another name of the site
    let mut fewer = night(0, &["a"]);
    fewer.setup.site = Some("Larkhill".to_owned());
    assert_eq!(outcome(&mut ledger, "3", &fewer), (1, Outcome::Replaced(vec![1])));
    assert_eq!(ledger.record(1).unwrap(), fewer);
    untouched(&ledger);

    // frames calibrated anew, in the same folder on the same evening; a quarter of a day on, past midnight, it still is
    let mut anew = night(0, &["a2", "b2"]);
    anew.setup.site = Some("Larkhill".to_owned());
    assert_eq!(outcome(&mut ledger, "3", &anew), (1, Outcome::Replaced(vec![1])));
    // in another folder nobody can know: a night of its own, with a note
    let twice = desk.record(&mut ledger, "4", &night(1, &["x2", "y2"]));
    assert_eq!(twice.outcome, Outcome::New);
    assert!(twice.notes.len() == 1 && twice.notes[0].contains("night 2"), "{:?}", twice.notes);
    ledger.forget(&[twice.id]).unwrap();

    // the same frames in another band, as of a colour camera: another night; the folder is now its own
    let mut green = other.clone();
    green.photometry.iter_mut().for_each(|p| p.band = "g".to_owned());
    let recorded = desk.record(&mut ledger, "2", &green);
    assert_eq!((recorded.id, recorded.outcome), (4, Outcome::New), "3 was another's and is not given again");
    assert!(recorded.notes[0].contains("night 2"), "{:?}", recorded.notes);
    let folder = |id: i64| ledger.nights().unwrap().into_iter().find(|n| n.id == id).unwrap().out_dir;
    assert_eq!(folder(2), None);
    assert!(folder(4).unwrap().ends_with("2"));
    untouched(&ledger);

    // another evening in a folder that was used before
    let recorded = desk.record(&mut ledger, "3", &night(7, &["p", "q"]));
    assert_eq!(recorded.outcome, Outcome::New);
    assert_eq!(ledger.record(1).unwrap(), anew, "the earlier night keeps its row");

    // two halves, then the whole
    let (half, rest) = (desk.record(&mut ledger, "5", &night(9, &["h"])), night(9, &["i"]));
    let rest = desk.record(&mut ledger, "6", &rest);
    assert_eq!((&half.outcome, &rest.outcome), (&Outcome::New, &Outcome::New));
    let whole = desk.record(&mut ledger, "7", &night(9, &["h", "i"]));
    assert_eq!((whole.id, whole.outcome), (half.id, Outcome::Replaced(vec![half.id, rest.id])));
    untouched(&ledger);
    expect_whole(&mut ledger);
}

#[test]
fn a_moved_campaign_finds_its_folders() {
    let desk = Desk::new();
    let inside = desk.path("campaign");
    fs::create_dir(&inside).unwrap();
    let mut ledger = Ledger::open_or_create(&inside.join("c.ledger.sqlite")).unwrap();
    desk.record(&mut ledger, "campaign/results/a", &night(0, &["a"]));
    desk.record(&mut ledger, "elsewhere", &night(1, &["b"]));
    drop(ledger);
    fs::rename(&inside, desk.path("moved")).unwrap();
    let mut ledger = Ledger::open(&desk.path("moved/c.ledger.sqlite")).unwrap();
    let folders: Vec<PathBuf> = ledger.nights().unwrap().into_iter().filter_map(|n| n.out_dir).collect();
    let whole = |name: &str| desk.path(name).canonicalize().unwrap();
    assert_eq!(folders, [whole("moved/results/a"), whole("elsewhere")]);
    expect_whole(&mut ledger);
}

#[test]
fn another_comets_night_is_refused_and_changes_nothing() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "1", &night(0, &["a"]));
    let mut other = night(1, &["b"]);
    other.object = "C/2033 Q1".to_owned();
    let error = desk.try_record(&mut ledger, "2", &other).unwrap_err();
    let text = error.to_string();
    assert!(text.contains("is of C/2031 Z2") && text.contains("a night of C/2033 Q1"), "{text}");
    assert!(error.hint().unwrap().contains("--ledger"));
    assert_eq!(ids(&ledger), [1]);
    // the same comet, spelt otherwise
    other.object = "c/2031 z2 (Example)".to_owned();
    desk.record(&mut ledger, "2", &other);
    expect_whole(&mut ledger);
}

#[test]
fn forgetting_takes_all_or_none_and_nothing_is_left_of_it() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    for (i, name) in ["a", "b", "c"].into_iter().enumerate() {
        desk.record(&mut ledger, name, &night(i as i64, &[name]));
    }
    let error = ledger.forget(&[1, 9]).unwrap_err();
    assert!(error.to_string().contains("no night 9"), "{error}");
    assert_eq!(ids(&ledger), [1, 2, 3]);
    let gone: Vec<i64> = ledger.forget(&[3, 1, 3]).unwrap().iter().map(|n| n.id).collect();
    assert_eq!((gone, ids(&ledger)), (vec![3, 1], vec![2]));
    let raw = desk.raw();
    for table in ["records", "frames", "photometry", "features", "challenges", "inputs"] {
        let left: BTreeSet<i64> = raw
            .prepare(&format!("SELECT night_id FROM {table}"))
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        assert_eq!(left, BTreeSet::from([2]), "{table}");
    }
    assert!(matches!(ledger.record(1).unwrap_err(), LedgerError::NoNight { id: 1, .. }));
    assert_eq!(desk.record(&mut ledger, "d", &night(5, &["d"])).id, 4);
    expect_whole(&mut ledger);
}

#[test]
fn a_pairs_result_goes_when_either_night_changes() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    for (i, name) in ["a", "b", "c"].into_iter().enumerate() {
        desk.record(&mut ledger, name, &night(i as i64, &[name]));
    }
    let nights = ledger.nights().unwrap();
    let pair = |from: usize, to: usize, method_version: &'static str| Pair {
        from_night: nights[from].id,
        to_night: nights[to].id,
        from_sha256: &nights[from].record_sha256,
        to_sha256: &nights[to].record_sha256,
        method_version,
    };
    for (from, to) in [(0, 1), (1, 2), (0, 2)] {
        assert!(ledger.put_pair(&pair(from, to, "1"), &format!("{from}{to}")).unwrap());
    }
    assert_eq!(ledger.get_pair(&pair(0, 1, "1")).unwrap().as_deref(), Some("01"));
    assert_eq!(ledger.get_pair(&pair(1, 0, "1")).unwrap(), None, "the other way round is another comparison");
    assert_eq!(ledger.get_pair(&pair(0, 1, "2")).unwrap(), None, "another method's result is none");
    assert!(ledger.put_pair(&pair(0, 1, "2"), "newer").unwrap());
    assert_eq!(ledger.get_pair(&pair(0, 1, "2")).unwrap().as_deref(), Some("newer"));

    // the middle night unchanged, then measured anew
    desk.record(&mut ledger, "b", &night(1, &["b"]));
    assert!(ledger.get_pair(&pair(1, 2, "1")).unwrap().is_some());
    let mut anew = night(1, &["b"]);
    anew.summary = "Anew.".to_owned();
    assert_eq!(desk.record(&mut ledger, "b", &anew).outcome, Outcome::Replaced(vec![2]));
    assert_eq!(ledger.get_pair(&pair(0, 1, "2")).unwrap(), None);
    assert_eq!(ledger.get_pair(&pair(1, 2, "1")).unwrap(), None);
    assert_eq!(ledger.get_pair(&pair(0, 2, "1")).unwrap().as_deref(), Some("02"), "the others' result stays");
    assert!(!ledger.put_pair(&pair(0, 1, "2"), "late").unwrap(), "measured from a record that is no longer there");
    ledger.forget(&[3]).unwrap();
    assert_eq!(ledger.get_pair(&pair(0, 2, "1")).unwrap(), None);
    expect_whole(&mut ledger);
}

#[test]
fn odd_clocks_are_told() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    // nights come in any order
    for days in [3, 0, 2] {
        let recorded = desk.record(&mut ledger, &days.to_string(), &night(days, &[&days.to_string()]));
        assert_eq!(recorded.notes, Vec::<String>::new());
    }
    let times: Vec<String> = ledger.nights().unwrap().into_iter().map(|n| n.mid_utc[..10].to_owned()).collect();
    assert_eq!(times, ["2031-03-22", "2031-03-24", "2031-03-25"]);
    // a night that is still to come, by this computer's clock; simulated ones may be
    let later = night(300, &["later"]);
    assert!(later.setup.simulated);
    assert_eq!(desk.record(&mut ledger, "later", &later).notes, Vec::<String>::new());
    let mut real = night(301, &["real"]);
    real.setup.simulated = false;
    let notes = desk.record(&mut ledger, "real", &real).notes;
    assert!(notes.len() == 1 && notes[0].contains("one of the two clocks is wrong"), "{notes:?}");
}

#[test]
fn what_is_no_record_of_a_night_is_refused_with_its_reason() {
    let desk = Desk::new();
    let text = fs::read_to_string(data("ledger/night/night.json")).unwrap();
    let changed = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    };
    let path = desk.path("night.json");
    let check = |contents: &[u8], expected: &[&str]| {
        fs::write(&path, contents).unwrap();
        let error = NightFile::read(&path).unwrap_err().to_string();
        for part in expected.iter().chain(&["night.json"]) {
            assert!(error.contains(part), "{error:?} does not say {part:?}");
        }
    };
    check(b"", &["not the record of a night"]);
    check(b"\xff\xfe", &["not UTF-8"]);
    check(b"[1, 2]", &["not the record of a night"]);
    check(&text.as_bytes()[..9000], &["not the record of a night", "EOF"]);
    check(changed("fanlight/night/1", "fanlight/season/1").as_bytes(), &["fanlight/season/1", "fanlight/night/1"]);
    check(
        changed("\"r_au\": 1.4", "\"r_au\": \"x\", \"was\": 1.4").as_bytes(),
        &["behind `\"r_au\": \"x\"`", "expected f64"],
    );
    check(changed("\"r_au\": 1.4", "\"r_au\": null, \"was\": 1.4").as_bytes(), &["null", "f64"]);
    check(changed("\"r_au\": 1.4", "\"r_au\": 1e999, \"was\": 1.4").as_bytes(), &["out of range"]);
    check(changed("T20:53:20.000Z\"", "T26:53:20.000Z\"").as_bytes(), &["mid_utc", "hours go to 23"]);
    check(changed("T20:53:20.000Z\"", "T21:53:20.000Z\"").as_bytes(), &["its middle", "not between its first"]);
    let swapped = changed("\"first_utc\": \"2031-03-22", "\"first_utc\": \"2031-03-23");
    check(swapped.as_bytes(), &["last frame", "is earlier than its first"]);
    let unnamed = text.replace("\"role\": \"light\"", "\"role\": \"bias\"");
    check(unnamed.as_bytes(), &["no light frame with its checksum"]);
    let error = NightFile::read(&desk.path("nowhere")).unwrap_err().to_string();
    assert!(error.contains("nowhere") && error.contains("cannot be read"), "{error}");
}

/// Opens what is no ledger of ours; it says so and leaves the file as it was.
#[track_caller]
fn expect_refused(path: &Path, expected: &[&str]) {
    let before = path.is_file().then(|| fs::read(path).unwrap());
    for opened in [Ledger::open(path), Ledger::open_or_create(path)] {
        let error = opened.unwrap_err();
        let text = error.to_string();
        for part in expected {
            assert!(text.contains(part), "{text:?} does not say {part:?}");
        }
        assert!(error.hint().is_some());
    }
    assert_eq!(path.is_file().then(|| fs::read(path).unwrap()), before);
}

#[test]
fn what_is_no_ledger_is_refused_and_left_alone() {
    let desk = Desk::new();
    let path = desk.path("x.sqlite");
    fs::write(&path, "nights: 3\n".repeat(400)).unwrap();
    expect_refused(&path, &["x.sqlite is not a ledger"]);
    fs::write(&path, "short").unwrap();
    expect_refused(&path, &["x.sqlite is not a ledger"]);

    fs::remove_file(&path).unwrap();
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipes (text)").unwrap();
    expect_refused(&path, &["a database of another program"]);

    drop(Ledger::open_or_create(&desk.path("newer.sqlite")).unwrap());
    Connection::open(desk.path("newer.sqlite")).unwrap().pragma_update(None, "user_version", 999).unwrap();
    expect_refused(&desk.path("newer.sqlite"), &["newer version of fanlight", "schema is 999", "knows up to 2"]);

    expect_refused(desk.folder.path(), &["cannot open", "it is a folder"]);
    fs::write(desk.path("file"), "").unwrap();
    let error = Ledger::open_or_create(&desk.path("file/c.sqlite")).unwrap_err().to_string();
    assert!(error.contains("cannot open") && error.to_lowercase().contains("not a directory"), "{error}");
    let error = Ledger::open_or_create(&desk.path("no/such/c.sqlite")).unwrap_err().to_string();
    assert!(error.to_lowercase().contains("no such file or directory"), "{error}");
    let error = Ledger::open(&desk.path("no.sqlite")).unwrap_err();
    assert!(matches!(error, LedgerError::Missing { .. }) && !desk.path("no.sqlite").exists(), "{error}");

    // what a process that was killed at once leaves is a ledger without nights
    fs::write(desk.path("empty.sqlite"), "").unwrap();
    assert_eq!(ids(&Ledger::open(&desk.path("empty.sqlite")).unwrap()), [0; 0]);
}

/// A damaged file never panics, and never passes for a whole one.
#[test]
fn a_damaged_ledger_is_told() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    for (i, name) in ["a", "b", "c"].into_iter().enumerate() {
        desk.record(&mut ledger, name, &night(i as i64, &[name]));
    }
    drop(ledger);
    let path = desk.path("c.ledger.sqlite");
    let whole = fs::read(&path).unwrap();
    let is_told = || match Ledger::open(&path) {
        Err(_) => true,
        Ok(mut ledger) => ledger.check().map_or(true, |problems| !problems.is_empty()),
    };
    assert!(!is_told());
    // pages overwritten one by one, and the end missing
    let mut n_told = 0;
    let pages = whole.len() / 4096;
    for page in 0..pages {
        let mut bytes = whole.clone();
        bytes[page * 4096..][..4096].fill(0xA5);
        fs::write(&path, &bytes).unwrap();
        n_told += usize::from(is_told());
    }
    assert_eq!(n_told, pages, "every page belongs to something");
    for share in [1, 2, 3] {
        fs::write(&path, &whole[..whole.len() * share / 4]).unwrap();
        assert!(is_told(), "{share} quarters");
    }
    // a few bytes changed, in unused places too: whatever is read then, nothing panics, and what is written does not either
    let mut random = Random(20310322);
    let mut n_refused = 0;
    for i in 0..300 {
        fs::write(&path, damage(&whole, &mut random)).unwrap();
        let used = Ledger::open(&path).and_then(|mut ledger| {
            ledger.nights()?;
            ledger.features()?;
            ledger.photometry()?;
            ledger.record(2)?;
            ledger.check()?;
            desk.try_record(&mut ledger, "d", &night(3, &["d"])).map(drop)
        });
        let told = used.as_ref().map_err(ToString::to_string).err();
        assert!(told.is_none_or(|text| text.contains("c.ledger.sqlite")), "run {i} does not name the file");
        n_refused += usize::from(used.is_err());
    }
    assert!(n_refused > 20, "{n_refused} of 300 were noticed");
}

#[test]
fn check_finds_what_rows_records_and_folders_disagree_on() {
    let desk = Desk::new();
    let mut ledger = desk.ledger();
    desk.record(&mut ledger, "a", &fixture());
    drop(ledger);
    let path = desk.path("c.ledger.sqlite");
    let whole = fs::read(&path).unwrap();
    for (sql, expected) in [
        ("UPDATE nights SET r_au = r_au + 1e-15", "night 1: its row"),
        ("UPDATE nights SET mid_utc = 'never'", "night 1: its row"),
        ("DELETE FROM frames WHERE position = 1", "night 1: its frames"),
        ("UPDATE photometry SET mag = 11.0 WHERE position = 0", "night 1: its photometry"),
        ("UPDATE photometry SET mag = 0 WHERE position = 1", "night 1: its photometry"),
        ("DELETE FROM challenges WHERE name = 'noise'", "night 1: its features"),
        ("UPDATE inputs SET role = 'flat' WHERE position = 0", "night 1: its inputs"),
        ("UPDATE records SET json = replace(json, 'magnitude', 'Magnitude')", "its record is not the one"),
        ("UPDATE records SET json = 'x'", "its record cannot be read"),
        ("DELETE FROM records", "its record is missing"),
        ("DELETE FROM meta", "which comet"),
        ("UPDATE meta SET object = 'C/2033 Q1'", "it is a night of C/2031 Z2"),
        ("INSERT INTO inputs VALUES (7, 0, 'x', 'y', 'z')", "table inputs has rows"),
    ] {
        fs::write(&path, &whole).unwrap();
        let raw = desk.raw();
        raw.pragma_update(None, "foreign_keys", false).unwrap();
        assert!(raw.execute(sql, []).unwrap() > 0, "{sql}");
        drop(raw);
        let problems: Vec<String> =
            Ledger::open(&path).unwrap().check().unwrap().iter().map(ToString::to_string).collect();
        assert!(problems.iter().any(|p| p.contains(expected)), "{sql}: {problems:?}");
    }
    fs::write(&path, &whole).unwrap();
    let file = desk.path("a/night.json");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replacen("magnitude", "Magnitude", 1)).unwrap();
    let problems = Ledger::open(&path).unwrap().check().unwrap();
    assert!(problems.len() == 1 && problems[0].what.contains("no longer the record"), "{problems:?}");
    // a folder that is gone is no problem
    fs::remove_dir_all(desk.path("a")).unwrap();
    expect_whole(&mut Ledger::open(&path).unwrap());
}

/// Every schema that there was opens, with what was in it.
#[test]
fn past_schemas_open() {
    for version in 1..=2 {
        let desk = Desk::new();
        fs::create_dir(desk.path("night")).unwrap();
        fs::copy(data("ledger/night/night.json"), desk.path("night/night.json")).unwrap();
        fs::copy(data(&format!("ledger/version_{version}.sqlite")), desk.path("c.ledger.sqlite")).unwrap();
        let mut ledger = Ledger::open(&desk.path("c.ledger.sqlite")).unwrap();
        assert_eq!(ledger.object().unwrap().as_deref(), Some("C/2031 Z2"));
        assert_eq!(ledger.record(1).unwrap(), fixture());
        assert_eq!((ledger.photometry().unwrap().len(), ledger.features().unwrap().len()), (3, 2));
        expect_whole(&mut ledger);
        let row = ledger.nights().unwrap().remove(0);
        let pair = Pair {
            from_night: 1,
            to_night: 1,
            from_sha256: &row.record_sha256,
            to_sha256: &row.record_sha256,
            method_version: "difference/1",
        };
        assert_eq!(ledger.get_pair(&pair).unwrap().as_deref(), Some("{}"));
        assert_eq!(desk.record(&mut ledger, "b", &night(1, &["b"])).outcome, Outcome::New);
        let newest: i64 = desk.raw().query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
        assert_eq!(newest, 2);
        assert_eq!(ledger.all_measurements().unwrap().len(), if version == 1 { 0 } else { 2 });
    }
}

/// Many open a ledger that is not there yet, at once.
#[test]
fn one_ledger_made_by_many_at_once() {
    let desk = Desk::new();
    std::thread::scope(|scope| {
        for i in 0..8 {
            let desk = &desk;
            scope.spawn(move || {
                let name = i.to_string();
                desk.record(&mut desk.ledger(), &name, &night(i, &[&name]));
            });
        }
    });
    let mut ledger = desk.ledger();
    let frames: BTreeSet<_> = (1..=8).map(|id| ledger.frames(id).unwrap()[0].file.clone()).collect();
    assert_eq!(frames.len(), 8);
    expect_whole(&mut ledger);
}
