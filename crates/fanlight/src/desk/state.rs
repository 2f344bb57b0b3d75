//! What lies on the desk: the campaign, its nights, and what has been read of them.

use super::Options;
use super::answer::Refusal;
use super::jobs::Jobs;
use super::layers::Layers;
use super::measurements::Models;
use super::pace::Pace;
use crate::Failure;
use crate::ledger::{self, entry};
use crate::night::finished;
use fanlight_io::ledger::is_same_object;
use fanlight_io::{Campaign, Ledger};
use fanlight_record::NightRecord;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, RwLock};
use tokio::sync::Semaphore;

/// Numbers of nights that no ledger has given one to begin here.
const FIRST_OWN_ID: i64 = 1_000_000;
/// Requests that compute at once: each uses all cores.
const COMPUTING: usize = 2;
/// Requests that ask the ledger at once: another program may keep them waiting.
const ASKING: usize = 4;
/// Requests that wait for either.
const WAITING: usize = 16;

/// The desk.
pub struct Desk {
    /// The campaign.
    pub campaign: Campaign,
    /// The comet.
    pub object: String,
    /// Its file.
    pub campaign_file: PathBuf,
    /// Its ledger, which need not be there.
    pub ledger_file: PathBuf,
    /// Folder for what is put together of several nights.
    pub season_folder: PathBuf,
    /// Runs that the desk has started.
    pub jobs: Jobs,
    /// Images that have been read.
    pub layers: Layers,
    /// How long enhancements take here.
    pub pace: Pace,
    /// Models of nights that sectors are measured in.
    pub models: Models,
    /// Where the page's files come from, instead of from the program.
    pub page_from: Option<PathBuf>,
    more: Vec<PathBuf>,
    nights: RwLock<Nights>,
    looking: Mutex<()>,
    computing: Arc<Semaphore>,
    asking: Arc<Semaphore>,
    waiting: Semaphore,
}

/// The nights that were found, and what could not be used.
#[derive(Default, Clone)]
struct Nights {
    by_id: BTreeMap<i64, Arc<DeskNight>>,
    /// Numbers of folders that were named, whose nights have come into the ledger, with the numbers that they have there.
    in_ledger: BTreeMap<i64, i64>,
    problems: Vec<String>,
}

/// A night on the desk.
pub struct DeskNight {
    /// Its number: the ledger's, where it is in there.
    pub id: i64,
    /// Its record, whole.
    pub record: NightRecord,
    /// SHA-256 of its record.
    pub sha256: String,
    /// Its folder, if that is there and holds this night.
    pub folder: Option<PathBuf>,
}

impl DeskNight {
    /// Its folder.
    ///
    /// # Errors
    /// When there is none.
    pub fn folder(&self) -> Result<&Path, Refusal> {
        self.folder.as_deref().ok_or_else(|| {
            Refusal::missing(format!("the folder of the night of {} is not there", self.record.mid_utc))
                .hint("its numbers are in the ledger; measure the night again with fanlight night for its pictures")
        })
    }

    /// Side of a square as large as a pixel of its stack.
    pub fn scale_arcsec(&self) -> f64 {
        let [[a, b], [c, d]] = self.record.stack.arcsec_per_px;
        (a * d - b * c).abs().sqrt()
    }

    /// Whether the ledger has it.
    pub fn is_in_ledger(&self) -> bool {
        self.id < FIRST_OWN_ID
    }

    /// What changes when the night is measured again.
    pub fn stamp(&self) -> &str {
        &self.sha256[..self.sha256.len().min(16)]
    }
}

impl Desk {
    /// Lays a campaign on the desk.
    ///
    /// # Errors
    /// A ledger that was asked for and is not there.
    pub fn open(options: &Options, campaign: Campaign) -> Result<Self, Failure> {
        let ledger_file = options.ledger.clone().unwrap_or_else(|| campaign.ledger_path());
        if options.ledger.is_some() && !ledger_file.is_file() {
            return Err(Failure::call(format!("{}: there is no ledger", ledger_file.display())));
        }
        if options.nights.is_empty() && !ledger_file.is_file() {
            return Err(Failure::call(format!("there is no night to lay on the desk: {} is not there", ledger_file.display())).hint(
                "name the nights' folders, or measure nights with fanlight night, which records them in the campaign's ledger",
            ));
        }
        for night in &options.nights {
            finished::read(night)?;
        }
        let desk = Self {
            object: campaign.designation().map_err(Failure::call)?.to_owned(),
            campaign,
            campaign_file: options.campaign.clone(),
            season_folder: options.season.clone().unwrap_or_else(|| season_folder(&options.campaign)),
            jobs: Jobs::default(),
            ledger_file,
            layers: Layers::default(),
            pace: Pace::default(),
            models: Models::default(),
            page_from: options.page_from.clone(),
            more: options.nights.clone(),
            nights: RwLock::default(),
            looking: Mutex::default(),
            computing: Arc::new(Semaphore::new(COMPUTING)),
            asking: Arc::new(Semaphore::new(ASKING)),
            waiting: Semaphore::new(WAITING),
        };
        desk.look_again();
        Ok(desk)
    }

    /// Reads the ledger and the folders again: nights may have come, gone or been measured again.
    pub fn look_again(&self) {
        // one look at a time: a slower one would put an older list over a newer
        let _alone = self.looking.lock();
        let before = self.nights.read().map(|n| n.clone()).unwrap_or_default();
        let mut found = Nights::default();
        if self.ledger_file.is_file() {
            match self.of_ledger(&before) {
                Ok(nights) => nights.into_iter().for_each(|n| self.add(&mut found, n)),
                // a ledger that is busy or damaged takes no night off the desk
                Err(e) => {
                    found.problems.push(e.message);
                    let known = before.by_id.iter().filter(|(id, _)| **id < FIRST_OWN_ID);
                    found.by_id.extend(known.map(|(id, night)| (*id, Arc::clone(night))));
                }
            }
        }
        for (id, folder) in (FIRST_OWN_ID..).zip(&self.more) {
            match of_folder(id, folder, &before) {
                Ok(night) => match found.by_id.values().find(|o| o.sha256 == night.sha256) {
                    Some(known) => {
                        let known = known.id;
                        found.in_ledger.insert(id, known);
                    }
                    None => self.add(&mut found, night),
                },
                Err(e) => found.problems.push(e.message),
            }
        }
        let changed = |n: &&Arc<DeskNight>| found.by_id.get(&n.id).is_none_or(|now| now.sha256 != n.sha256);
        before.by_id.values().filter(changed).for_each(|n| self.layers.forget(n.id));
        if let Ok(mut nights) = self.nights.write() {
            *nights = found;
        }
    }

    fn add(&self, found: &mut Nights, night: Arc<DeskNight>) {
        let object = &self.object;
        if !is_same_object(&night.record.object, object) {
            found.problems.push(format!(
                "the night of {} is one of {}, not of {object}, and is left out",
                night.record.mid_utc, night.record.object
            ));
            return;
        }
        found.by_id.insert(night.id, night);
    }

    fn of_ledger(&self, before: &Nights) -> Result<Vec<Arc<DeskNight>>, Failure> {
        let ledger = Ledger::open(&self.ledger_file).map_err(ledger::failure)?;
        let rows = ledger.nights().map_err(ledger::failure)?;
        let mut nights = Vec::with_capacity(rows.len());
        for row in rows {
            if let Some(known) = before.by_id.get(&row.id).filter(|n| n.sha256 == row.record_sha256) {
                let is_there = row.out_dir.as_deref().is_some_and(|f| holds(f, &row.record_sha256));
                if known.folder.is_some() == is_there && (!is_there || known.folder == row.out_dir) {
                    nights.push(Arc::clone(known));
                    continue;
                }
            }
            let record = ledger.record(row.id).map_err(ledger::failure)?;
            let folder = row.out_dir.filter(|f| holds(f, &row.record_sha256));
            nights.push(Arc::new(DeskNight { id: row.id, record, sha256: row.record_sha256, folder }));
        }
        Ok(nights)
    }

    /// What could not be used, in sentences.
    pub fn problems(&self) -> Vec<String> {
        self.nights.read().map(|n| n.problems.clone()).unwrap_or_default()
    }

    /// All nights, in order of time.
    pub fn nights(&self) -> Vec<Arc<DeskNight>> {
        let mut all: Vec<_> = self.nights.read().map(|n| n.by_id.values().cloned().collect()).unwrap_or_default();
        all.sort_by(|a: &Arc<DeskNight>, b| a.record.mid_utc.cmp(&b.record.mid_utc));
        all
    }

    /// One night.
    ///
    /// # Errors
    /// When there is none of this number.
    pub fn night(&self, id: i64) -> Result<Arc<DeskNight>, Refusal> {
        let found = self.nights.read().ok().and_then(|n| n.by_id.get(n.in_ledger.get(&id).unwrap_or(&id)).cloned());
        found.ok_or_else(|| {
            Refusal::missing(format!("there is no night {id}")).hint("GET api/campaign lists the nights")
        })
    }

    /// The night as the ledger has it, taken in where it is not: what a person measures of it is kept there.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn in_ledger(&self, night: &Arc<DeskNight>) -> Result<Arc<DeskNight>, Refusal> {
        if night.is_in_ledger() {
            return Ok(Arc::clone(night));
        }
        let ledger = entry::Choice::File(self.ledger_file.clone());
        entry::record_in(night.folder()?, &self.campaign_file, &ledger)?;
        self.look_again();
        self.night(night.id)
    }

    /// Does work that takes the processor, away from the connections, so many at once.
    ///
    /// # Errors
    /// The work's own, or when too many wait already.
    pub async fn compute<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        self.work(&self.computing, work).await
    }

    /// Does work that may have to wait for a file, such as the ledger, without keeping what computes waiting.
    ///
    /// # Errors
    /// As [`Self::compute`].
    pub async fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        self.work(&self.asking, work).await
    }

    async fn work<T: Send + 'static>(
        &self,
        turns: &Arc<Semaphore>,
        work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        use axum::http::StatusCode;
        let busy = || Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "the desk is busy").hint("ask again in a moment");
        let _place = self.waiting.try_acquire().map_err(|_| busy())?;
        let turn = Arc::clone(turns).acquire_owned().await.map_err(|_| busy())?;
        let done = tokio::task::spawn_blocking(move || {
            // held to the end of the work, also when the one who asked has gone
            let _turn = turn;
            work()
        });
        done.await.unwrap_or_else(|_| {
            Err(Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "this could not be computed: an error in the program")
                .hint("please report it with what you did; the desk goes on"))
        })
    }
}

fn season_folder(campaign: &Path) -> PathBuf {
    let stem = campaign.file_stem().unwrap_or_default().to_string_lossy();
    campaign.with_file_name(format!("{stem}-season"))
}

/// Whether a folder's record is the one with this checksum.
fn holds(folder: &Path, sha256: &str) -> bool {
    fanlight_io::sha256_file(&finished::path(folder)).is_ok_and(|found| found == sha256)
}

fn of_folder(id: i64, named: &Path, before: &Nights) -> Result<Arc<DeskNight>, Failure> {
    let path = finished::path(named);
    let sha256 = fanlight_io::sha256_file(&path).map_err(Failure::data)?;
    if let Some(known) = before.by_id.get(&id).filter(|n| n.sha256 == sha256) {
        return Ok(Arc::clone(known));
    }
    let record = finished::read(named)?;
    Ok(Arc::new(DeskNight { id, record, sha256, folder: path.parent().map(Path::to_path_buf) }))
}
