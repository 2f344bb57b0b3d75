//! How long a ledger of many nights takes to fill and to read, and whether kills in the middle of `fanlight night` and of `fanlight
//! season` lose anything:
//!
//! - `cargo bench -p fanlight --bench ledger`: 1000 nights of 60 frames.
//! - `… -- --kills 200`: so many runs of each command killed at random moments, the ledger checked after each.
//!
//! Kept results are in `benches/records/ledger.md`.
#![allow(missing_docs, clippy::disallowed_macros)]

#[allow(dead_code, reason = "other benches ask for more")]
mod arguments;
#[path = "../tests/it/ledger_nights.rs"]
mod ledger_nights;
#[path = "../tests/it/raw_fits.rs"]
#[allow(dead_code, reason = "tests break frames with it")]
mod raw_fits;
#[path = "../tests/it/season_kills.rs"]
#[allow(dead_code, reason = "its test does not run here")]
mod season_kills;
#[path = "../tests/it/support.rs"]
#[allow(dead_code, reason = "tests use more of it")]
mod support;

use fanlight_io::Ledger;
use fanlight_io::ledger::{Entry, NightFile, Outcome};
use ledger_nights::write_nights;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use season_kills::Stage;
use serde_json::Value;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};
use support::{Broken, command_in, run_in};

const NIGHTS: u32 = 1000;
const FRAMES: usize = 60;
const SEED: u64 = 20_310_322;

/// What a run takes from its record on.
const LEDGER_S: f64 = 0.08;
const NIGHT: [&str; 6] = ["night", "frames", "--campaign", "campaign.toml", "--out", "out"];

fn main() {
    let kills = arguments::text("--kills").and_then(|n| n.parse().ok());
    let night = Broken::new();
    match kills {
        Some(kills) => {
            kill_nights(night.folder(), kills);
            kill_seasons(kills);
        }
        None => many(night.folder()),
    }
}

fn succeed(place: &Path, arguments: &[&str]) -> String {
    run_in(place, arguments).expect_status(0).stdout
}

/// A night of many frames, those of the small one repeated under other names, and with two features.
fn many_frames(mut record: Value) -> Value {
    let lights: Vec<Value> = record["frames"].as_array().expect("frames").clone();
    let everything: Value =
        serde_json::from_str(include_str!("../../fanlight-io/tests/data/ledger/night/night.json")).expect("JSON");
    record["morphology"]["features"] = everything["morphology"]["features"].clone();
    record["frames"] = (0..FRAMES)
        .map(|i| {
            let mut frame = lights[i % lights.len()].clone();
            frame["file"] = format!("light-{i:03}.fits").into();
            frame
        })
        .collect();
    let inputs = record["provenance"]["inputs"].as_array_mut().expect("inputs");
    let light = inputs.iter().find(|i| i["role"] == "light").expect("a light").clone();
    inputs.retain(|i| i["role"] != "light");
    inputs.extend((0..FRAMES).map(|i| {
        let mut light = light.clone();
        light["file"] = format!("light-{i:03}.fits").into();
        light
    }));
    record
}

fn many(place: &Path) {
    succeed(place, &[&NIGHT[..], &["--no-ledger"]].concat());
    let text = std::fs::read_to_string(place.join("out/night.json")).expect("night.json");
    let record = many_frames(serde_json::from_str(&text).expect("JSON"));
    write_nights(&record, place, 0..NIGHTS, 0);
    let path = place.join("many.ledger.sqlite");
    let mut ledger = Ledger::open_or_create(&path).expect("ledger");
    let files: Vec<NightFile> =
        (0..NIGHTS).map(|day| NightFile::read(&place.join(format!("0-{day}"))).expect("record")).collect();
    let mut record_all = |files: &[NightFile], expected: fn(&Outcome) -> bool| {
        let start = Instant::now();
        for night in files {
            let entry = Entry { night, band: Some("r"), side: None, campaign: None, now: night.mid() };
            assert!(expected(&ledger.record_night(&entry).expect("recorded").outcome));
        }
        start.elapsed().as_secs_f64() * 1e3 / files.len() as f64
    };
    let each_ms = record_all(&files, |outcome| *outcome == Outcome::New);
    let same_ms = record_all(&files[..100], |outcome| *outcome == Outcome::Unchanged);
    let again = write_nights(&record, place, 0..100, 1);
    let again: Vec<NightFile> = again.iter().map(|name| NightFile::read(&place.join(name)).expect("record")).collect();
    let replaced_ms = record_all(&again, |outcome| matches!(outcome, Outcome::Replaced(_)));
    drop(ledger);

    let bytes = std::fs::metadata(files[0].path()).expect("night.json").len();
    println!("{NIGHTS} nights of {FRAMES} frames, night.json {} kB each", bytes / 1000);
    println!("| what | ms |\n|---|---:|");
    println!(
        "| take in a night | {each_ms:.1} |\n| find it unchanged | {same_ms:.1} |\n| replace it | {replaced_ms:.1} |"
    );
    let mut ledger = Ledger::open(&path).expect("ledger");
    best("open", || Ledger::open(&path).expect("ledger").nights().map(|_| 1).expect("nights"));
    best("`nights()`", || ledger.nights().expect("nights").len());
    best("`features()`", || ledger.features().map(|_| 1).expect("features"));
    best("`photometry()`", || ledger.photometry().expect("photometry").len());
    best("`record(id)`, 100 of them", || (1..=100).map(|id| ledger.record(id).expect("record").frames.len()).sum());
    best("`fanlight ledger list`, the whole process", || {
        succeed(place, &["ledger", "list", "--ledger", "many.ledger.sqlite"]).lines().count()
    });
    let start = Instant::now();
    assert_eq!(ledger.check().expect("readable"), []);
    println!("| `check()` | {:.0} |", start.elapsed().as_secs_f64() * 1e3);
    let bytes = std::fs::metadata(&path).expect("ledger").len();
    println!("\nThe file: {:.1} MB.", bytes as f64 / 1e6);
}

/// The shortest of five.
fn best(what: &str, mut task: impl FnMut() -> usize) {
    let time = |task: &mut dyn FnMut() -> usize| {
        let start = Instant::now();
        assert!(task() > 0);
        start.elapsed()
    };
    let shortest = (0..5).map(|_| time(&mut task)).min().unwrap_or_default();
    println!("| {what} | {:.1} |", shortest.as_secs_f64() * 1e3);
}

/// Runs `fanlight night` again and again, kills it at a random moment, and holds the ledger against what it held before.
fn kill_nights(place: &Path, kills: u32) {
    // nights that must not be lost
    succeed(place, &NIGHT);
    let text = std::fs::read_to_string(place.join("out/night.json")).expect("night.json");
    let record: Value = serde_json::from_str(&text).expect("JSON");
    for name in write_nights(&record, place, 0..5, 0) {
        succeed(place, &["ledger", "import", &name.to_string_lossy(), "--campaign", "campaign.toml"]);
    }
    let start = Instant::now();
    std::fs::remove_dir_all(place.join("out")).expect("out");
    succeed(place, &NIGHT);
    let whole_run = start.elapsed();
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let (mut before, mut ends) = (held(place), [0; 3]);
    for i in 0..kills {
        std::fs::remove_dir_all(place.join("out")).unwrap_or_default();
        // another choice of frames each time: another record of the same night
        let left_out = format!("light-00{}.fits", 1 + i % 6);
        let mut command = command_in(place);
        command.args(NIGHT).args(["--leave-out", &left_out]).stdout(Stdio::null()).stderr(Stdio::null());
        let mut process = command.spawn().expect("fanlight runs");
        // every other one where the record has just been written and the ledger is about to be
        let longest_s = if i % 2 == 0 { whole_run.as_secs_f64() } else { LEDGER_S };
        while i % 2 == 1 && !place.join("out/night.json").exists() && process.try_wait().expect("runs").is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_secs_f64(random.random_range(0.0..longest_s)));
        process.kill().expect("killed");
        process.wait().expect("ended");
        std::fs::remove_dir_all(place.join("kept")).unwrap_or_default();
        // the ledger against itself; the folder's record may be newer than the ledger's
        if place.join("out").exists() {
            std::fs::rename(place.join("out"), place.join("kept")).expect("moved");
        }
        succeed(place, &["ledger", "check", "--campaign", "campaign.toml"]);
        let now = held(place);
        assert_eq!(now.len(), before.len(), "kill {i}");
        let changed: Vec<i64> = now.iter().zip(&before).filter(|(new, old)| new != old).map(|(new, _)| new.0).collect();
        assert!(changed.is_empty() || changed == [1], "kill {i} changed {changed:?}");
        let written = std::fs::read(place.join("kept/night.json")).is_ok();
        assert!(changed.is_empty() || written, "kill {i}: recorded before the record was in place");
        ends[if !changed.is_empty() { 2 } else { usize::from(written) }] += 1;
        before = now;
    }
    println!(
        "{kills} kills of a night of {:.2} s: {} before its record was in place, {} between it and the ledger, {} after. After each, \
         `ledger check` found nothing wrong and every night was there.",
        whole_run.as_secs_f64(),
        ends[0],
        ends[1],
        ends[2]
    );
}

/// Nights of the seasons that are killed.
const OF_NIGHTS: u32 = 3;
/// A run that is left alone follows every so many.
const WHOLE_EVERY: u32 = 20;

/// Runs `fanlight season` again and again, kills it, and holds folder and ledger against those of runs that were not.
fn kill_seasons(kills: u32) {
    let stage = Stage::new(OF_NIGHTS);
    let left = stage.kill_all(kills, WHOLE_EVERY);
    println!(
        "{kills} kills of a season of {:.2} s: {} left the season before, {} a folder without a record, {} the new season; {} hit a \
         write of the ledger, {} kept a comparison. After each, `ledger check` found nothing wrong, every night was there, every file \
         and every comparison was that of a run without kills; so was all of every {WHOLE_EVERY}th run, which was left alone.",
        stage.whole_run.as_secs_f64(),
        left.before,
        left.between,
        left.after,
        left.in_transaction,
        left.kept
    );
}

/// Number and record of every night.
fn held(place: &Path) -> Vec<(i64, String)> {
    let ledger = Ledger::open(&place.join("campaign.ledger.sqlite")).expect("ledger");
    let mut nights: Vec<_> = ledger.nights().expect("nights").into_iter().map(|n| (n.id, n.record_sha256)).collect();
    nights.sort_unstable();
    nights
}
