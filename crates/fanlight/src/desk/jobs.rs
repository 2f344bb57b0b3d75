//! Runs of `fanlight night` and `fanlight season` that the desk starts, and what they say.

use super::answer::{Asked, At, BodyRefusals, Refusal, Refusals};
use super::state::Desk;
use super::{call, run};
use crate::ledger::entry;
use crate::messages::PROGRESS_LINE;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::SystemTime;
use utoipa::ToSchema;

/// Lines that are kept of what a run says.
const LINES_KEPT: usize = 60;
/// Runs that are remembered.
const JOBS_KEPT: usize = 50;

/// What is to be run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "lowercase", deny_unknown_fields)]
pub enum JobRequest {
    /// The night's call again, with these frames left out.
    Night {
        /// The night.
        night: i64,
        /// Every frame to leave out by hand, as the record names it.
        #[serde(default)]
        leave_out: Vec<String>,
    },
    /// Nights together.
    Season {
        /// The nights; all where none is named.
        #[serde(default)]
        nights: Vec<i64>,
        /// Enhancements to make montages of.
        #[serde(default)]
        enhance: Vec<String>,
    },
}

/// How far a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum JobState {
    /// It goes on.
    Running,
    /// It did its job.
    Done,
    /// It could not.
    Failed,
    /// It was stopped.
    Cancelled,
}

/// A run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Job {
    /// Its number.
    id: u64,
    /// `night` or `season`.
    kind: &'static str,
    /// The night that is measured.
    night: Option<i64>,
    /// How far it is.
    state: JobState,
    /// When it began, UTC.
    started_utc: String,
    /// When it ended.
    ended_utc: Option<String>,
    /// What it is doing.
    step: Option<String>,
    /// Steps done of that.
    done: Option<u64>,
    /// All steps of that.
    of: Option<u64>,
    /// What it said last.
    #[schema(value_type = Vec<String>)]
    lines: VecDeque<String>,
    /// What it found, or why it failed.
    message: Option<String>,
    /// What to do about that.
    hint: Option<String>,
}

/// The number of a run that was started.
#[derive(Debug, Serialize, ToSchema)]
pub struct JobStarted {
    /// Its number.
    id: u64,
}

/// All runs since the desk was opened.
#[derive(Default)]
pub struct Jobs {
    known: Mutex<Vec<Kept>>,
}

/// A run that is remembered.
pub struct Kept {
    job: Job,
    /// Whether it is to be stopped.
    pub cancelled: bool,
}

impl Jobs {
    /// Changes what is known of a run; `None` where there is no such run.
    pub fn change<T>(&self, id: u64, change: impl FnOnce(&mut Kept) -> T) -> Option<T> {
        self.known.lock().ok()?.iter_mut().find(|k| k.job.id == id).map(change)
    }

    fn all(&self) -> Vec<Job> {
        self.known.lock().map(|known| known.iter().rev().map(|k| k.job.clone()).collect()).unwrap_or_default()
    }

    /// Takes a place for a run: one at a time has the machine.
    fn begin(&self, kind: &'static str, night: Option<i64>) -> Result<u64, Refusal> {
        let lost = || Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "the list of runs is lost; start the desk again");
        let mut known = self.known.lock().map_err(|_| lost())?;
        if known.iter().any(|k| k.job.state == JobState::Running) {
            return Err(Refusal::new(StatusCode::CONFLICT, "another run goes on").hint("wait for it, or cancel it"));
        }
        let id = known.last().map_or(1, |k| k.job.id + 1);
        let job = Job {
            id,
            kind,
            night,
            state: JobState::Running,
            started_utc: now(),
            ended_utc: None,
            step: None,
            done: None,
            of: None,
            lines: VecDeque::new(),
            message: None,
            hint: None,
        };
        known.push(Kept { job, cancelled: false });
        let surplus = known.len().saturating_sub(JOBS_KEPT);
        known.drain(..surplus);
        Ok(id)
    }

    /// A line that a run said.
    pub fn hear(&self, id: u64, line: &str) {
        self.change(id, |kept| {
            let job = &mut kept.job;
            if let Some((done, of, what)) = progress(line) {
                (job.done, job.of, job.step) = (Some(done), Some(of), Some(what));
                return;
            }
            if let Some(message) = line.strip_prefix("error: ") {
                job.message = Some(message.to_owned());
            } else if let Some(hint) = line.strip_prefix("hint: ").filter(|_| job.message.is_some()) {
                job.hint = Some(hint.to_owned());
            }
            if job.lines.len() == LINES_KEPT {
                job.lines.pop_front();
            }
            job.lines.push_back(line.to_owned());
        });
    }

    /// A run has ended.
    pub fn end(&self, id: u64, state: JobState, message: Option<String>) {
        self.change(id, |kept| {
            let job = &mut kept.job;
            (job.state, job.ended_utc) = (state, Some(now()));
            (job.step, job.done, job.of) = (None, None, None);
            job.message = message.or_else(|| job.message.take());
        });
    }
}

/// A line that stands for a bar: steps done, all steps, what is done.
fn progress(line: &str) -> Option<(u64, u64, String)> {
    let mut words = line.strip_prefix(PROGRESS_LINE)?.split_whitespace();
    let (done, of) = (words.next()?.parse().ok()?, words.next()?.parse().ok()?);
    Some((done, of, words.collect::<Vec<_>>().join(" ")))
}

fn now() -> String {
    entry::instant(SystemTime::now()).to_iso()
}

/// Starts a run.
#[utoipa::path(post, path = "/api/jobs", tag = "runs", request_body = JobRequest,
    responses((status = 201, body = JobStarted), BodyRefusals))]
pub async fn start(
    State(desk): State<Arc<Desk>>,
    Asked(request): Asked<JobRequest>,
) -> Result<(StatusCode, Json<JobStarted>), Refusal> {
    let (kind, night, arguments) = match request {
        JobRequest::Night { night, leave_out } => {
            let found = desk.night(night)?;
            ("night", Some(night), call::night_arguments(&desk, &found, leave_out)?)
        }
        JobRequest::Season { nights, enhance } => ("season", None, call::season_arguments(&desk, &nights, &enhance)?),
    };
    let id = desk.jobs.begin(kind, night)?;
    match run::spawn(&arguments) {
        Ok(child) => {
            let desk = Arc::clone(&desk);
            std::thread::spawn(move || run::follow(&desk, id, child));
            Ok((StatusCode::CREATED, Json(JobStarted { id })))
        }
        Err(e) => {
            let message = format!("the run cannot be started: {e}");
            desk.jobs.end(id, JobState::Failed, Some(message.clone()));
            Err(Refusal::impossible(message)
                .hint("where the program was replaced while the desk runs, start the desk again"))
        }
    }
}

/// All runs, the latest first.
#[utoipa::path(get, path = "/api/jobs", tag = "runs", responses((status = 200, body = [Job])))]
pub async fn list(State(desk): State<Arc<Desk>>) -> Json<Vec<Job>> {
    Json(desk.jobs.all())
}

/// One run.
#[utoipa::path(get, path = "/api/jobs/{id}", tag = "runs", params(("id" = u64, Path)),
    responses((status = 200, body = Job), Refusals))]
pub async fn one(State(desk): State<Arc<Desk>>, At(id): At<u64>) -> Result<Json<Job>, Refusal> {
    desk.jobs.change(id, |kept| kept.job.clone()).map(Json).ok_or_else(|| no_job(id))
}

/// Stops a run: what it has not written yet is not written.
#[utoipa::path(delete, path = "/api/jobs/{id}", tag = "runs", params(("id" = u64, Path)),
    responses((status = 202, description = "it is being stopped"), (status = 409, body = Refusal), Refusals))]
pub async fn cancel(State(desk): State<Arc<Desk>>, At(id): At<u64>) -> Result<StatusCode, Refusal> {
    let stopped = desk.jobs.change(id, |kept| {
        let runs = kept.job.state == JobState::Running;
        kept.cancelled |= runs;
        runs
    });
    match stopped {
        None => Err(no_job(id)),
        Some(true) => Ok(StatusCode::ACCEPTED),
        Some(false) => Err(Refusal::new(StatusCode::CONFLICT, "this run has ended")),
    }
}

fn no_job(id: u64) -> Refusal {
    Refusal::missing(format!("there is no run {id}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_that_stand_for_bars_are_told_from_others() {
        assert_eq!(progress("progress: 3 30 measuring frames"), Some((3, 30, "measuring frames".into())));
        assert_eq!(progress("progress: soon"), None);
        assert_eq!(progress("2031-03-24T21:00:00Z  INFO frames read"), None);
    }

    #[test]
    fn one_run_at_a_time() {
        let jobs = Jobs::default();
        let first = jobs.begin("season", None).unwrap();
        assert!(jobs.begin("night", Some(1)).is_err());
        jobs.hear(first, "error: no night");
        jobs.hear(first, "hint: measure one");
        jobs.end(first, JobState::Failed, None);
        let second = jobs.begin("night", Some(1)).unwrap();
        assert_eq!(second, first + 1);
        let all = jobs.all();
        assert_eq!(
            (all[0].id, all[1].message.as_deref(), all[1].hint.as_deref()),
            (2, Some("no night"), Some("measure one"))
        );
        jobs.change(second, |k| k.cancelled = true);
        // what was asked to stop too late has done its job
        jobs.end(second, JobState::Done, None);
        assert_eq!(jobs.all()[0].state, JobState::Done);
    }
}
