//! A process that is killed while it writes the ledger, at random moments: what it said was recorded is there, what is there is whole.

use crate::ledger::Shelf;
use crate::support::command_in;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

const KILLS: u32 = 40;
const NIGHTS: u32 = 12;

fn import(shelf: &Shelf, nights: &[PathBuf]) -> Child {
    let mut command = command_in(shelf.path());
    command.args(["ledger", "import"]).args(nights).args(["--campaign", "campaign.toml"]);
    command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("fanlight runs")
}

/// Which state of each night the ledger holds, by its record: whole, since `check` has held every row against it.
fn states(shelf: &Shelf) -> BTreeMap<String, u32> {
    let of = |night: &Value| {
        let folder = night["out_dir"].as_str().expect("folder");
        let (_, name) = folder.rsplit_once('/').expect("a folder");
        let (state, day) = name.split_once('-').expect("state-day");
        (day.to_owned(), state.parse().expect("state"))
    };
    shelf.list().iter().map(of).collect()
}

#[test]
fn a_kill_at_any_moment_loses_nothing_that_was_recorded() {
    let mut random = ChaCha8Rng::seed_from_u64(20_310_322);
    let shelf = Shelf::new();
    let nights: Vec<Vec<PathBuf>> = (0..2).map(|state| shelf.nights(0..NIGHTS, state)).collect();
    let ledger = shelf.path().join("campaign.ledger.sqlite");
    let start = Instant::now();
    assert!(import(&shelf, &nights[0]).wait().expect("ends").success());
    let whole_run = start.elapsed();

    let whole = shelf.path().join("whole");
    std::fs::copy(&ledger, &whole).expect("copied");

    let mut n_midway = 0;
    for kill in 0..KILLS {
        // every other time the ledger is made anew, else the nights of a whole one are replaced by their other state
        let state = kill % 2;
        std::fs::remove_file(&ledger).unwrap_or_default();
        let mut before = BTreeMap::new();
        if state == 1 {
            std::fs::copy(&whole, &ledger).expect("copied");
            before = states(&shelf);
            assert_eq!(before.len(), NIGHTS as usize);
        }
        let mut process = import(&shelf, &nights[state as usize]);
        std::thread::sleep(whole_run.mul_f64(random.random_range(0.0..1.1)));
        process.kill().expect("killed");
        process.wait().expect("ended");
        let mut told = String::new();
        process.stdout.take().expect("piped").read_to_string(&mut told).expect("text");
        // a line that was begun was told: the night is committed before
        let told: Vec<String> = told
            .lines()
            .filter_map(|line| line.split_once(": "))
            .map(|(name, _)| name.split_once('-').expect("state-day").1.to_owned())
            .collect();
        n_midway += u32::from(!told.is_empty() && told.len() < NIGHTS as usize);
        if !ledger.exists() {
            assert!(told.is_empty());
            continue;
        }
        shelf.expect_whole();
        let now = states(&shelf);
        for (day, earlier) in &before {
            let held = now.get(day).unwrap_or_else(|| panic!("kill {kill}: night {day} is lost"));
            assert!(held == earlier || *held == state, "kill {kill}: night {day} is of state {held}");
        }
        for day in &told {
            assert_eq!(now.get(day), Some(&state), "kill {kill}: night {day} was said to be recorded");
        }
        // at most the one that was committed and not yet told
        let n_done = now.values().filter(|held| **held == state).count();
        assert!(n_done <= told.len() + 1, "kill {kill}: {n_done} nights recorded, {} told", told.len());
    }
    assert!(n_midway >= KILLS / 4, "only {n_midway} of {KILLS} kills hit a process at its work");
    // a process that is killed before its journal has a header leaves one that holds nothing: readers pass it by
    // (SQLite, "File Locking And Concurrency", 3.0 on hot journals), the next process that writes takes it away
    let journal = shelf.path().join("campaign.ledger.sqlite-journal");
    let left = std::fs::read(&journal).unwrap_or_default();
    assert!(left.first().is_none_or(|header| *header == 0), "a journal that readers did not roll back");
    std::fs::copy(&whole, &ledger).expect("copied");
    std::fs::write(&journal, []).expect("written");
    shelf.expect_whole();
    assert!(import(&shelf, &nights[1]).wait().expect("ends").success());
    shelf.expect_whole();
    assert!(states(&shelf).values().all(|state| *state == 1));
    assert!(!journal.exists());
    assert!(whole_run < Duration::from_secs(60), "an import of {NIGHTS} nights takes {whole_run:?}");
}
