//! One night from its seed to what the record claims of it.

use super::common_practice;
use super::ideal;
use super::nights::{self, Kind};
use super::truth::{self, TrueFeature};
use fanlight::night::reduce::{self, Reduced};
use fanlight::night::{Options, Sources};
use fanlight::simulate;
use fanlight_record::MorphologyRecord;
use fanlight_sim::Simulation;
use serde_json::Value;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// A night, what is in it and what was found.
pub struct Night {
    /// Kind and seed.
    pub name: String,
    /// Kind alone.
    pub kind: String,
    /// Whether something was wrong with its frames.
    pub has_artefact: bool,
    /// What was put in.
    pub truths: Vec<TrueFeature>,
    /// What was found, or why it could not be measured.
    pub found: Result<Found, String>,
}

/// What was found in a night.
pub struct Found {
    /// The record.
    pub morphology: MorphologyRecord,
    /// Directions that common practice calls jets.
    pub calls: Option<Vec<f64>>,
    /// Time of the reduction on one core.
    pub seconds: Option<f64>,
}

/// Nights measured at a time.
const AT_A_TIME: usize = 2;

/// Measures nights, two at a time, each on one core; in the order given whatever the timing.
pub fn all(nights: &[(Kind, u64)], keep: Option<&Path>) -> Vec<Night> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Night)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..AT_A_TIME {
            scope.spawn(|| {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
                while let Some((i, (kind, seed))) = {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    nights.get(i).map(|n| (i, n))
                } {
                    let night = pool.install(|| one(kind, *seed, keep));
                    done.lock().expect("no thread fails with it").push((i, night));
                    if (i + 1) % 20 == 0 {
                        eprintln!("{} of {} nights", i + 1, nights.len());
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no thread fails with it");
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, night)| night).collect()
}

/// Name of a night, and of its folder.
pub fn name(kind: &Kind, seed: u64) -> String {
    format!("{}-{seed:04}", kind.name)
}

fn one(kind: &Kind, seed: u64, keep: Option<&Path>) -> Night {
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let folder = keep.map_or_else(|| temporary.path().to_path_buf(), |k| k.join(name(kind, seed)));
    let (simulation, truth) = write(kind, seed, &folder);
    let fwhm_arcsec = truth["mean_kernel"]["mean_fwhm_arcsec"].as_f64().expect("a mean kernel");
    let truths = truth::features(&truth, &ideal::ideals(&simulation, fwhm_arcsec));
    let found = measured(&folder);
    Night { name: name(kind, seed), kind: kind.name.into(), has_artefact: kind.has_artefact, truths, found }
}

/// Name of the file that says what the frames of a folder are of; written last.
const SCENARIO: &str = "scenario.toml";

/// Simulates a night into a folder, unless it is there already.
pub fn write(kind: &Kind, seed: u64, folder: &Path) -> (Simulation, Value) {
    let scenario = nights::scenario(kind, seed);
    let text = scenario.to_toml().expect("a scenario as text");
    let simulation = Simulation::new(&scenario).expect("a scenario within its ranges");
    let kept = std::fs::read_to_string(folder.join(SCENARIO)).is_ok_and(|there| there == text);
    if !kept {
        simulate::write(&simulation, folder).expect("a folder to write in");
        std::fs::write(folder.join(SCENARIO), text).expect("a folder to write in");
    }
    let truth = std::fs::read_to_string(folder.join("truth.json")).expect("a truth");
    (simulation, serde_json::from_str(&truth).expect("a truth in JSON"))
}

/// Measures a night that was written into a folder.
///
/// # Errors
/// When the main job cannot.
pub fn reduced(folder: &Path) -> Result<Reduced, String> {
    let options = Options {
        frames_dir: folder.join("frames"),
        campaign: folder.join("campaign.toml"),
        out: folder.join("out"),
        other_band: None,
        choice: Default::default(),
        verify: false,
        ledger: Default::default(),
    };
    let sources = Sources::open(&options).map_err(|e| format!("{e:?}"))?;
    reduce::reduce(&options, sources, &folder.join("scratch")).map_err(|e| format!("{e:?}"))
}

fn measured(folder: &Path) -> Result<Found, String> {
    let start = Instant::now();
    let reduced = reduced(folder)?;
    let seconds = Some(start.elapsed().as_secs_f64());
    let calls = Some(common_practice::calls(&reduced.night.stack));
    Ok(Found { morphology: reduced.record.morphology, calls, seconds })
}
