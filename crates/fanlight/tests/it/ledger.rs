//! The ledger: `fanlight night` records itself, whatever is in the way is a note, and `fanlight ledger` reads and mends it.

use crate::ledger_nights::{night_later, write_nights};
use crate::support::{Broken, Run, files_under, happy, python, run_in};
use fanlight_io::Ledger;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The small night's record.
pub fn base() -> Value {
    serde_json::to_value(happy().record()).expect("JSON")
}

/// A folder with the small night's campaign file and, in folders of their own, nights made from its record.
pub struct Shelf {
    folder: tempfile::TempDir,
}

impl Shelf {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        std::fs::copy(happy().folder.join("campaign.toml"), folder.path().join("campaign.toml")).expect("campaign");
        Self { folder }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Nights in folders `state-day`.
    pub fn nights(&self, days: std::ops::Range<u32>, state: u32) -> Vec<PathBuf> {
        write_nights(&base(), self.path(), days, state)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::create_dir_all(self.path().join(name)).expect("folder");
        std::fs::write(self.path().join(name).join("night.json"), text).expect("night.json");
    }

    pub fn ledger(&self, arguments: &[&str]) -> Run {
        run_in(self.path(), &[&["ledger"], arguments, &["--campaign", "campaign.toml"]].concat())
    }

    pub fn list(&self) -> Vec<Value> {
        serde_json::from_str(&self.ledger(&["list", "--json"]).expect_status(0).stdout).expect("JSON")
    }

    /// The ledger and every night in it are whole.
    #[track_caller]
    pub fn expect_whole(&self) {
        let run = self.ledger(&["check"]).expect_status(0);
        assert!(run.stdout.contains("nothing wrong"), "{}", run.stdout);
    }
}

const NIGHT: [&str; 6] = ["night", "frames", "--campaign", "campaign.toml", "--out", "out"];

fn night(at: &Broken, more: &[&str]) -> Run {
    run_in(at.folder(), &[&NIGHT, more].concat()).expect_status(0)
}

fn ids_and_folders(at: &Broken, file: &str) -> Vec<(i64, PathBuf)> {
    let ledger = Ledger::open(&at.path(file)).expect("ledger");
    let nights = ledger.nights().expect("nights");
    nights.into_iter().map(|n| (n.id, n.out_dir.expect("a folder"))).collect()
}

#[test]
fn a_night_records_itself_beside_its_campaign_and_once() {
    let at = Broken::new();
    night(&at, &["--no-ledger"]);
    assert!(!at.path("campaign.ledger.sqlite").exists());
    // the products stay as they are, and the night is recorded
    let run = night(&at, &["--verbose"]).expect_stderr(&["recorded as night 1", "campaign.ledger.sqlite"]);
    assert!(run.stderr.contains("nothing has changed"), "{}", run.stderr);
    night(&at, &["--verbose"]).expect_stderr(&["unchanged, night 1"]);
    let out = at.path("out").canonicalize().expect("out");
    assert_eq!(ids_and_folders(&at, "campaign.ledger.sqlite"), [(1, out)]);

    let ledger = Ledger::open(&at.path("campaign.ledger.sqlite")).expect("ledger");
    assert_eq!(ledger.record(1).expect("record"), at.record());
    let row = &ledger.nights().expect("nights")[0];
    assert_eq!((row.side.map(|s| s.as_str()), row.band.as_deref()), (Some("pre"), Some("r")), "perihelion is in May");

    // measured anew from fewer frames, into another folder: the same night
    let run = ["night", "frames", "--campaign", "campaign.toml", "--out", "fewer", "--leave-out", "light-003.fits"];
    run_in(at.folder(), &[&run[..], &["--verbose"]].concat()).expect_status(0).expect_stderr(&["replaced night 1"]);
    let fewer = at.path("fewer").canonicalize().expect("fewer");
    assert_eq!(ids_and_folders(&at, "campaign.ledger.sqlite"), [(1, fewer)]);

    // another file, by option and by the campaign's key
    night(&at, &["--ledger", "other.sqlite"]);
    at.edit("campaign.toml", |text| format!("ledger = \"of-campaign.sqlite\"\n{text}"));
    night(&at, &[]);
    assert_eq!(ids_and_folders(&at, "other.sqlite").len(), 1);
    assert_eq!(ids_and_folders(&at, "of-campaign.sqlite").len(), 1);
    run_in(at.folder(), &[&NIGHT[..], &["--ledger", "x", "--no-ledger"]].concat()).expect_status(2);
    // one file each, at rest
    let left: Vec<String> = files_under(at.folder()).into_iter().filter(|f| f.contains("sqlite")).collect();
    assert_eq!(left, ["campaign.ledger.sqlite", "of-campaign.sqlite", "other.sqlite"]);
}

/// The contract: a ledger that cannot be written is a note, not a failure.
#[cfg(target_os = "linux")]
#[test]
fn a_ledger_in_the_way_is_a_warning_and_the_night_stands() {
    let at = Broken::new();
    night(&at, &["--no-ledger"]);
    let record = at.record();
    let newer = at.path("newer.sqlite");
    drop(Ledger::open_or_create(&newer).expect("ledger"));
    // the schema's number stands at byte 60 of an SQLite file
    let mut bytes = std::fs::read(&newer).expect("ledger");
    bytes[60..64].copy_from_slice(&999u32.to_be_bytes());
    std::fs::write(&newer, &bytes).expect("ledger");

    let other = at.path("other");
    std::fs::create_dir(&other).expect("folder");
    let mut stranger = base();
    stranger["object"] = "C/2033 Q1".into();
    std::fs::write(other.join("night.json"), stranger.to_string()).expect("night.json");
    run_in(at.folder(), &["ledger", "import", "other", "--ledger", "strangers.sqlite"]).expect_status(0);
    std::fs::write(at.path("text.sqlite"), "not a ledger at all").expect("text");

    for (ledger, expected) in [
        // nobody may write there, not even the superuser
        ("/proc/c.sqlite", &["cannot open ledger /proc/c.sqlite"][..]),
        ("field.csv/c.sqlite", &["Not a directory"]),
        ("no/such/c.sqlite", &["No such file or directory"]),
        ("out", &["it is a folder"]),
        ("text.sqlite", &["text.sqlite is not a ledger"]),
        ("newer.sqlite", &["newer version of fanlight", "999"]),
        ("strangers.sqlite", &["is of C/2033 Q1", "a night of C/2031 Z2"]),
    ] {
        let run = night(&at, &["--ledger", ledger]).expect_stderr(&["warning:", "not in the ledger"]);
        let run = run.expect_stderr(expected);
        assert!(run.stdout.contains("Page: out/report.html"), "{ledger}: {}", run.stdout);
        assert_eq!(at.record(), record);
    }
    assert_eq!(std::fs::read(&newer).expect("ledger"), bytes, "a newer ledger is left as it is");
}

#[test]
fn list_check_import_and_forget() {
    let shelf = Shelf::new();
    let run = shelf.ledger(&["list"]).expect_status(1);
    run.expect_stderr(&["no ledger at campaign.ledger.sqlite", "hint:", "fanlight ledger import"]);
    run_in(shelf.path(), &["ledger", "list"]).expect_status(2).expect_stderr(&["--campaign", "--ledger"]);

    shelf.nights(0..3, 0);
    let run = shelf.ledger(&["import", "0-2", "0-0", "0-1/night.json"]).expect_status(0);
    assert_eq!(
        run.stdout.lines().collect::<Vec<_>>(),
        ["0-2: recorded as night 1", "0-0: recorded as night 2", "0-1/night.json: recorded as night 3"]
    );
    assert_eq!(run.stderr, "");
    let listed = shelf.list();
    let mids: Vec<&str> = listed.iter().map(|n| n["mid_utc"].as_str().expect("text")).collect();
    assert_eq!(mids.iter().map(|m| &m[..10]).collect::<Vec<_>>(), ["2031-01-01", "2031-01-02", "2031-01-03"]);
    assert_eq!((&listed[0]["id"], &listed[0]["side"], &listed[0]["band"]), (&2.into(), &"pre".into(), &"r".into()));
    let table = shelf.ledger(&["list"]).expect_status(0).stdout;
    assert_eq!(table.lines().count(), 4, "{table}");
    for part in ["middle, UTC", "2031-01-02 20:53", "Larkhill Ridge", "pre", "none"] {
        assert!(table.contains(part), "{part} is not in\n{table}");
    }

    // the same night twice: replaced where it was measured anew, and it says so
    shelf.nights(1..2, 1);
    let run = shelf.ledger(&["import", "0-1", "1-1"]).expect_status(0);
    assert_eq!(run.stdout, "0-1: unchanged, night 3\n1-1: replaced night 3\n");
    shelf.expect_whole();

    let run = shelf.ledger(&["forget", "3", "8"]).expect_status(2);
    run.expect_stderr(&["no night 8", "fanlight ledger list"]);
    let run = shelf.ledger(&["forget", "3"]).expect_status(0);
    assert!(run.stdout.starts_with("forgotten: night 3, 2031-01-02T20:53:20.000Z, Larkhill Ridge"), "{}", run.stdout);
    assert_eq!(shelf.list().len(), 2);

    // a record changed behind the ledger's back
    let file = shelf.path().join("0-2/night.json");
    std::fs::write(&file, night_later(&base(), 2, 5).to_string()).expect("night.json");
    let run = shelf.ledger(&["check"]).expect_status(1).expect_stderr(&["1 problem"]);
    assert!(run.stdout.starts_with("night 1: ") && run.stdout.contains("no longer the record"), "{}", run.stdout);
    shelf.ledger(&["import", "0-2"]).expect_status(0);
    shelf.expect_whole();
}

#[test]
fn a_night_that_cannot_be_taken_in_is_skipped_with_the_reason() {
    let shelf = Shelf::new();
    let good = night_later(&base(), 1, 0);
    let changed = |key: &str, value: Value| {
        let mut night = night_later(&base(), 2, 0);
        night[key] = value;
        night.to_string()
    };
    shelf.write("words", &changed("geometry", serde_json::json!({ "utc": "now", "ra_deg": "east" })));
    shelf.write("cut", &good.to_string()[..9000]);
    shelf.write("stranger", &changed("object", "C/2033 Q1".into()));
    shelf.write("late", &changed("mid_utc", "2031-01-04T00:00:00Z".into()));
    // nothing to take in: no ledger is made
    shelf.ledger(&["import", "words", "nowhere"]).expect_status(1).expect_stderr(&["2 of 2 nights"]);
    assert!(!shelf.path().join("campaign.ledger.sqlite").exists());

    shelf.write("good", &good.to_string());
    let bad = ["words", "cut", "stranger", "late", "nowhere"];
    let run = shelf.ledger(&[&["import"], &bad[..2], &["good"], &bad[2..]].concat()).expect_status(1);
    assert_eq!(run.stdout, "good: recorded as night 1\n");
    let run = run.expect_stderr(&[
        "ra_deg",
        "is a night of C/2033 Q1, not of C/2031 Z2",
        "its middle (2031-01-04T00:00:00.000Z) is not between",
        "cannot be read",
        "5 of 6 nights could not be taken in",
    ]);
    assert!(bad.iter().all(|name| run.stderr.contains(&format!("{name} is skipped"))), "{}", run.stderr);
    shelf.expect_whole();
}

/// Three processes at once into one ledger that is not there yet.
#[test]
fn processes_that_write_at_once_lose_nothing() {
    let shelf = Shelf::new();
    let import = |nights: Vec<PathBuf>| {
        let mut command = crate::support::command_in(shelf.path());
        command.args(["ledger", "import"]).args(nights).args(["--campaign", "campaign.toml"]);
        command
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("fanlight runs")
    };
    // two write nights of their own, two the same ones
    let nights = [shelf.nights(0..25, 0), shelf.nights(25..50, 0), shelf.nights(50..75, 0), shelf.nights(50..75, 1)];
    let running = nights.map(import);
    for process in running {
        let run = Run::from(process.wait_with_output().expect("ends")).expect_status(0);
        assert_eq!(run.stdout.lines().count(), 25);
        assert_eq!(run.stderr, "");
    }
    let listed = shelf.list();
    assert_eq!(listed.len(), 75);
    shelf.expect_whole();
}

/// A full disk, played by a limit on the size of files: what was recorded before stays, what was said to be recorded is.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_and_loses_nothing() {
    let shelf = Shelf::new();
    shelf.nights(0..12, 0);
    shelf.ledger(&["import", "0-0", "0-1"]).expect_status(0);
    let path = shelf.path().join("campaign.ledger.sqlite");
    let size_kib = std::fs::metadata(&path).expect("ledger").len() / 1024;
    let limit = |kib: u64| {
        // SIGXFSZ ignored, so that the write itself fails
        let line =
            format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" ledger import 0-{{2..11}} --campaign campaign.toml");
        let mut command = Command::new("bash");
        command.args(["-c", &line, env!("CARGO_BIN_EXE_fanlight")]).current_dir(shelf.path());
        Run::from(command.output().expect("bash"))
    };
    let mut n = 2;
    for kib in [4, size_kib, size_kib + 40, size_kib + 300] {
        let run = limit(kib).expect_status(1).expect_stderr(&["error:", "cannot write ledger", "disk"]);
        n = n.max(2 + run.stdout.lines().count());
        assert_eq!(shelf.list().len(), n, "{kib} KiB: {}", run.stdout);
        shelf.expect_whole();
    }
    assert!(n > 2 && n < 12, "the last limit was to let some pass: {n}");
    let rest: Vec<String> = (2..12).map(|day| format!("0-{day}")).collect();
    let rest: Vec<&str> = std::iter::once("import").chain(rest.iter().map(String::as_str)).collect();
    shelf.ledger(&rest).expect_status(0);
    assert_eq!(shelf.list().len(), 12);
    shelf.expect_whole();
}

/// Python's sqlite3 reads what the records say: another reader of the file format, and of the columns' names and units.
#[test]
fn another_reader_finds_every_number_of_the_records() {
    let shelf = Shelf::new();
    let nights = shelf.nights(0..3, 0);
    shelf.ledger(&["import", "0-0", "0-1", "0-2"]).expect_status(0);
    let ledger = shelf.path().join("campaign.ledger.sqlite");
    let mut arguments = vec![ledger.into_os_string()];
    arguments.extend(nights.iter().map(|night| shelf.path().join(night).join("night.json").into_os_string()));
    let arguments: Vec<_> = arguments.iter().map(|a| a.as_os_str()).collect();
    let told = python("check_ledger.py", &arguments);
    assert_eq!(told["integrity"], "ok");
    assert_eq!(told["journal"], "delete");
    assert_eq!(told["different"], serde_json::json!([]));
    assert!(told["compared"].as_u64().expect("number") > 300, "{told}");
}

/// A night with nothing but a peak that its twin explains asks no earlier night anything, so that none of them makes it stale; one with a
/// feature that was searched for is, once the ledger holds a night before it that its record does not name.
#[test]
fn earlier_nights_make_only_the_nights_stale_that_ask_them() {
    use fanlight::{ledger::entry::Choice, night::history};
    let shelf = Shelf::new();
    let campaign = fanlight_io::load_campaign(&shelf.path().join("campaign.toml")).expect("campaign");
    let mut night: fanlight_record::NightRecord = serde_json::from_value(night_later(&base(), 3, 0)).expect("a night");
    let challenge = |name: &str| serde_json::json!({"name": name, "outcome": "failed", "statistic": 0.8, "threshold": 0.5, "explanation": "."});
    let feature = |challenges: Vec<Value>| {
        let feature = serde_json::json!({
            "kind": "jet", "pa_deg": 40.0, "pa_err_deg": 2.0, "width_deg": 30.0, "curvature_deg_per_arcsec": 0.0, "inner_arcsec": 5.0,
            "outer_arcsec": 20.0, "inner_km": 4000.0, "outer_km": 16000.0, "contrast": 0.05, "contrast_err": 0.01,
            "false_alarm_probability": 1e-3, "verdict": "artefact", "offset_from_sunward_deg": 0.0, "challenges": challenges, "ridge": [],
        });
        serde_json::from_value(feature).expect("a feature")
    };
    let mut stands = |challenges: Vec<Value>| {
        night.morphology.features = vec![feature(challenges)];
        history::is_as_it_was(&night, &campaign, &Choice::OfCampaign)
    };
    let (peak, searched) = (vec![challenge("elongation")], vec![challenge("noise"), challenge("elongation")]);
    assert!(stands(peak.clone()) && stands(searched.clone()), "there is no ledger yet");
    shelf.nights(0..2, 0);
    shelf.ledger(&["import", "0-0", "0-1"]).expect_status(0);
    assert!(stands(peak) && !stands(searched));
}
