//! `fanlight season` killed at random moments: what it wrote is whole, of the run before or of this one, and so is what the ledger keeps.
//!
//! The test kills a few runs; `benches/ledger.rs` kills many.

use crate::support::{command_in, run_in};
use fanlight::season::changes::METHOD;
use fanlight_io::Ledger;
use fanlight_io::ledger::Pair;
use fanlight_record::SeasonRecord;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

const SEED: u64 = 20_310_322;
const LEDGER: &str = "campaign.ledger.sqlite";
const SEASON: [&str; 6] = ["season", "--campaign", "campaign.toml", "--out", "season", "--picture-sequence"];
const RECORD: &str = "season.json";
/// What the run before left, and a whole run of all nights.
const STATES: [&str; 2] = ["before", "after"];
/// The longest wait from the moment when the ledger begins to be written: committing takes a few milliseconds.
const COMMIT_S: f64 = 0.004;

/// Files of a folder by name, what is still being written aside.
type Files = BTreeMap<String, Vec<u8>>;

/// When a run is killed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// At any moment.
    Anytime,
    /// While a comparison goes into the ledger.
    Keeping,
    /// While products are written.
    Writing,
}

/// What killed runs left.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Left {
    /// Runs whose folder still held the season before, whole.
    pub before: u32,
    /// Runs that left a folder without a record.
    pub between: u32,
    /// Runs whose folder held the new season, whole.
    pub after: u32,
    /// Runs that were killed while the ledger was being written: its journal was there.
    pub in_transaction: u32,
    /// Runs that left a comparison in the ledger that was not there before.
    pub kept: u32,
}

/// Measured nights of one comet in a ledger, and the folders that seasons of them leave.
pub struct Stage {
    folder: tempfile::TempDir,
    states: [Files; 2],
    pairs: Vec<String>,
    /// How long a run takes that is left alone.
    pub whole_run: Duration,
    writing: Duration,
}

impl Stage {
    /// Measures so many nights, 2 or more, and puts them together: all but the last, and all.
    pub fn new(n_nights: u32) -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        let at = folder.path();
        let night = |day: u32| {
            let name = day.to_string();
            let scenario = format!(
                "seed = {day}\nn_frames = 6\nstart_utc = \"2031-03-{day}T21:00:00Z\"\n[camera]\nwidth_px = 192\nheight_px = \
                 192\nscale_arcsec = 1.5\n[calibration]\nn_bias = 2\nn_dark = 2\nn_flat = 2\n[stars]\nper_square_degree = 9000.0\n"
            );
            std::fs::write(at.join("scenario.toml"), scenario).expect("scenario");
            run_in(at, &["simulate", "scenario.toml", "--out", &name]).expect_status(0);
            std::fs::copy(at.join(&name).join("campaign.toml"), at.join("campaign.toml")).expect("campaign");
            let (frames, campaign, out) =
                (format!("{name}/frames"), format!("{name}/campaign.toml"), format!("{name}/result"));
            run_in(at, &["night", &frames, "--campaign", &campaign, "--out", &out, "--ledger", LEDGER])
                .expect_status(0);
        };
        (0..n_nights - 1).for_each(|i| night(20 + i));
        run_in(at, &SEASON).expect_status(0);
        let before = files(&at.join("season"));
        night(19 + n_nights);
        std::fs::copy(at.join(LEDGER), at.join("ledger-before")).expect("copied");
        let mut stage = Self {
            folder,
            states: [before, Files::new()],
            pairs: Vec::new(),
            whole_run: Duration::ZERO,
            writing: Duration::ZERO,
        };
        stage.lay();
        let start = Instant::now();
        let mut process = stage.start();
        assert!(stage.wait_for(&mut process, When::Writing), "the season before is replaced");
        let drawn = start.elapsed();
        assert!(process.wait().expect("ends").success());
        (stage.whole_run, stage.writing) = (start.elapsed(), start.elapsed() - drawn);
        stage.states[1] = files(&stage.path("season"));
        stage.pairs = stage.kept().into_iter().map(|json| json.expect("every pair is kept")).collect();
        assert_eq!(stage.pairs.len(), n_nights as usize - 1);
        stage
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Puts the season before in place, and a ledger that keeps no comparison with the last night.
    fn lay(&self) {
        let folder = self.path("season");
        std::fs::remove_dir_all(&folder).unwrap_or_default();
        for (file, bytes) in &self.states[0] {
            let path = folder.join(file);
            std::fs::create_dir_all(path.parent().expect("a folder")).expect("folder");
            std::fs::write(path, bytes).expect("written");
        }
        std::fs::copy(self.path("ledger-before"), self.path(LEDGER)).expect("copied");
    }

    fn start(&self) -> Child {
        let mut command = command_in(self.folder.path());
        command.args(SEASON).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("fanlight runs")
    }

    /// Waits until a run is where it shall be killed; `false` where it ended before.
    fn wait_for(&self, process: &mut Child, when: When) -> bool {
        let (journal, montage) = (self.path(&format!("{LEDGER}-journal")), self.path("season/figures/montage.svg"));
        loop {
            let there = match when {
                When::Anytime => true,
                When::Keeping => journal.exists(),
                When::Writing => !montage.exists(),
            };
            if there || process.try_wait().expect("runs").is_some() {
                return there;
            }
            std::thread::sleep(Duration::from_micros(50));
        }
    }

    /// What the ledger keeps of each night and the one before it.
    fn kept(&self) -> Vec<Option<String>> {
        let ledger = Ledger::open(&self.path(LEDGER)).expect("ledger");
        let mut nights = ledger.nights().expect("nights");
        nights.sort_by_key(|n| n.id);
        let pair = |n: &[fanlight_io::ledger::NightRow]| {
            let pair = Pair {
                from_night: n[0].id,
                to_night: n[1].id,
                from_sha256: &n[0].record_sha256,
                to_sha256: &n[1].record_sha256,
                method_version: METHOD,
            };
            ledger.get_pair(&pair).expect("pair")
        };
        nights.windows(2).map(pair).collect()
    }

    /// Kills a run and holds what it left against what may be there; `anew` it begins where the season before ended.
    fn kill(&self, when: When, anew: bool, random: &mut ChaCha8Rng, left: &mut Left) {
        let ledger = self.path(LEDGER);
        if anew {
            self.lay();
        }
        let n_kept = self.kept().iter().flatten().count();
        let mut process = self.start();
        let longest_s = match when {
            When::Anytime => self.whole_run.as_secs_f64(),
            When::Keeping => COMMIT_S,
            When::Writing => self.writing.as_secs_f64(),
        };
        // a folder that is left without its montage has no moment at which it goes
        let when = if when == When::Writing && !anew { When::Anytime } else { when };
        self.wait_for(&mut process, when);
        std::thread::sleep(Duration::from_secs_f64(random.random_range(0.0..longest_s)));
        process.kill().expect("killed");
        process.wait().expect("ended");
        left.in_transaction += u32::from(ledger.with_file_name(format!("{LEDGER}-journal")).exists());
        self.expect_whole(left);
        let now = self.kept();
        for (now, whole) in now.iter().zip(&self.pairs) {
            assert!(now.as_ref().is_none_or(|json| json == whole), "{now:?} is not {whole}");
        }
        left.kept += u32::from(now.iter().flatten().count() > n_kept);
    }

    /// The ledger is whole and holds every night; every product is one of the run before or one of a whole run; where a record
    /// is, its products are.
    fn expect_whole(&self, left: &mut Left) {
        let check = run_in(self.folder.path(), &["ledger", "check", "--campaign", "campaign.toml"]).expect_status(0);
        assert!(check.stdout.contains("nothing wrong"), "{}", check.stdout);
        let now = files(&self.path("season"));
        for (name, bytes) in &now {
            let known = self.states.iter().any(|s| s.get(name) == Some(bytes));
            assert!(known, "{name}, {} bytes, is of neither run", bytes.len());
        }
        let Some(record) = now.get(RECORD) else {
            left.between += 1;
            return;
        };
        serde_json::from_slice::<SeasonRecord>(record).expect("a whole record");
        let state = self.states.iter().position(|s| s.get(RECORD) == Some(record)).expect("of either run");
        assert!(
            now == self.states[state],
            "beside the record of the season {} lie products of the other",
            STATES[state]
        );
        *[&mut left.before, &mut left.after][state] += 1;
    }

    /// A run that is left alone gives what it would have given without the kills before it, and clears up.
    fn expect_next_run(&self) {
        run_in(self.folder.path(), &SEASON).expect_status(0);
        assert!(files(&self.path("season")) == self.states[1], "another season than without kills");
        let parts = crate::support::files_under(&self.path("season"));
        assert_eq!(parts.len(), self.states[1].len(), "{parts:?}");
        assert_eq!(self.kept(), self.pairs.iter().cloned().map(Some).collect::<Vec<_>>());
    }

    /// Kills so many runs, a third each at any moment, while the ledger is written, and while products are; a run that is left alone
    /// follows every so many.
    pub fn kill_all(&self, kills: u32, whole_every: u32) -> Left {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        let mut left = Left::default();
        for i in 0..kills {
            let when = [When::Writing, When::Keeping, When::Anytime][i as usize % 3];
            // one in four goes on from what the kill before it left
            self.kill(when, i % 4 != 3, &mut random, &mut left);
            if (i + 1) % whole_every == 0 {
                self.expect_next_run();
            }
        }
        left
    }
}

/// Every file under a folder but those that were being written.
fn files(folder: &Path) -> Files {
    if !folder.is_dir() {
        return Files::new();
    }
    let names = crate::support::files_under(folder).into_iter().filter(|n| !n.ends_with(".part"));
    names.map(|n| (n.clone(), std::fs::read(folder.join(n)).expect("read"))).collect()
}

#[test]
fn a_kill_at_any_moment_of_a_season_leaves_nothing_half() {
    const KILLS: u32 = 6;
    let left = Stage::new(2).kill_all(KILLS, KILLS);
    assert_eq!(left.before + left.between + left.after, KILLS);
    assert!(left.between > 0, "no kill hit the writing of products: {left:?}");
}
