//! Runs of `fanlight night` and `fanlight season` that the desk starts: each a process of its own, so that it can be stopped, and
//! neither the browser nor a fault in it takes the desk along.

use super::answer::{Asked, At, BodyRefusals, Refusal, Refusals};
use super::call;
use super::methods;
use super::state::{Desk, DeskNight};
use crate::ledger::entry;
use crate::messages::PROGRESS_LINE;
use crate::night::Options;
use crate::stop::{STOP, STOPPED};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::ffi::{OsStr, OsString};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime};
use utoipa::ToSchema;

/// Lines that are kept of what a run says.
const LINES_KEPT: usize = 60;
/// Runs that are remembered.
const JOBS_KEPT: usize = 50;
/// How often a run is asked whether it has ended.
const ASKED_EVERY: Duration = Duration::from_millis(100);

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

struct Kept {
    job: Job,
    cancelled: bool,
}

impl Jobs {
    fn change<T>(&self, id: u64, change: impl FnOnce(&mut Kept) -> T) -> Option<T> {
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

    fn hear(&self, id: u64, line: &str) {
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

    fn end(&self, id: u64, state: JobState, message: Option<String>) {
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
            ("night", Some(night), night_arguments(&desk, &found, leave_out)?)
        }
        JobRequest::Season { nights, enhance } => ("season", None, season_arguments(&desk, &nights, &enhance)?),
    };
    let id = desk.jobs.begin(kind, night)?;
    match spawn(&arguments) {
        Ok(child) => {
            let desk = Arc::clone(&desk);
            std::thread::spawn(move || follow(&desk, id, child));
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

/// How a night was measured, and whether that can be repeated.
#[derive(Debug, Serialize, ToSchema)]
pub struct CallAnswer {
    /// The call as it would be typed.
    command: String,
    /// Whether it can be repeated.
    can_repeat: bool,
    /// Why not.
    why_not: Option<String>,
    /// Names or patterns of the frames that were left out by hand.
    left_out_by_hand: Vec<String>,
    /// Where the frames are.
    frames_folder: Option<String>,
}

/// How a night was measured.
#[utoipa::path(get, path = "/api/nights/{id}/call", tag = "runs", params(("id" = i64, Path)),
    responses((status = 200, body = CallAnswer), Refusals))]
pub async fn night_call(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<CallAnswer>, Refusal> {
    let night = desk.night(id)?;
    let call = call::of(&night);
    let command = night.record.provenance.command.clone();
    Ok(Json(match call {
        Ok(options) => CallAnswer {
            command,
            can_repeat: true,
            why_not: None,
            left_out_by_hand: options.choice.leave_out,
            frames_folder: Some(options.frames_dir.display().to_string()),
        },
        Err(why) => CallAnswer {
            command,
            can_repeat: false,
            why_not: Some(why),
            left_out_by_hand: Vec::new(),
            frames_folder: None,
        },
    }))
}

fn night_arguments(desk: &Desk, night: &DeskNight, leave_out: Vec<String>) -> Result<Vec<OsString>, Refusal> {
    let options = call::of(night).map_err(|why| {
        Refusal::impossible(format!("the night cannot be measured again from here: {why}"))
            .hint("start the desk in the folder that the night was measured from, or run fanlight night yourself")
    })?;
    let known =
        |name: &String| night.record.frames.iter().any(|f| f.file == *name) || options.choice.leave_out.contains(name);
    if let Some(unknown) = leave_out.iter().find(|name| !known(name)) {
        return Err(Refusal::call(format!("the night has no frame \"{}\"", unknown.escape_default())));
    }
    let Options { frames_dir, campaign, out, other_band, choice, .. } = options;
    let mut arguments: Vec<OsString> = vec!["night".into()];
    let mut give = |name: &str, value: OsString| arguments.push(option(name, &value));
    give("--campaign", campaign.into());
    give("--out", out.into());
    give("--ledger", desk.ledger_file.clone().into());
    other_band.into_iter().for_each(|o| give("--other-band", o.into()));
    choice.night.into_iter().for_each(|n| give("--night", n.into()));
    choice.at.into_iter().for_each(|at| give("--at", at.into()));
    choice.north_pa_deg.into_iter().for_each(|pa| give("--north-pa", pa.to_string().into()));
    leave_out.into_iter().for_each(|name| give("--leave-out", name.into()));
    arguments.extend(["--".into(), frames_dir.into()]);
    Ok(arguments)
}

fn season_arguments(desk: &Desk, nights: &[i64], enhance: &[String]) -> Result<Vec<OsString>, Refusal> {
    let chosen = match nights {
        [] => desk.nights(),
        ids => ids.iter().map(|id| desk.night(*id)).collect::<Result<_, _>>()?,
    };
    if chosen.is_empty() {
        return Err(Refusal::impossible("there is no night to put together"));
    }
    let mut arguments: Vec<OsString> = vec!["season".into()];
    let mut give = |name: &str, value: OsString| arguments.push(option(name, &value));
    give("--campaign", desk.campaign_file.clone().into());
    give("--out", desk.season_folder.clone().into());
    if desk.ledger_file.is_file() {
        give("--ledger", desk.ledger_file.clone().into());
    }
    for name in enhance {
        give("--enhance", methods::method(name)?.name().into());
    }
    arguments.push("--".into());
    for night in chosen {
        arguments.push(night.folder()?.into());
    }
    Ok(arguments)
}

/// An option with its value in one word, whatever the value begins with.
fn option(name: &str, value: &OsStr) -> OsString {
    let mut word = OsString::from(name);
    word.push("=");
    word.push(value);
    word
}

fn spawn(arguments: &[OsString]) -> std::io::Result<Child> {
    Command::new(std::env::current_exe()?)
        .args(["--verbose", "--progress-lines"])
        .args(arguments)
        .env("NO_COLOR", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
}

/// Listens to a run until it ends or is to be stopped.
fn follow(desk: &Desk, id: u64, mut child: Child) {
    let (said, found, mut told) = (child.stderr.take(), child.stdout.take(), child.stdin.take());
    let status = std::thread::scope(|scope| {
        scope.spawn(|| {
            let lines = said.map(BufReader::new).into_iter().flat_map(|r| r.lines().map_while(Result::ok));
            lines.for_each(|line| desk.jobs.hear(id, &line));
        });
        let answer = scope.spawn(|| {
            let mut text = String::new();
            // a run that was stopped has found nothing
            found.map(|mut f| f.read_to_string(&mut text)).transpose().ok();
            text
        });
        let status = loop {
            match child.try_wait() {
                Ok(Some(status)) => break Ok(status),
                Err(e) => break Err(e),
                Ok(None) => {
                    let cancelled = desk.jobs.change(id, |k| k.cancelled).unwrap_or(true);
                    if let Some(mut told) = told.take_if(|_| cancelled) {
                        // it stops unless it is writing, and may have ended by itself
                        writeln!(told, "{STOP}").ok();
                    }
                    std::thread::sleep(ASKED_EVERY);
                }
            }
        };
        (status, answer.join().unwrap_or_default())
    });
    desk.look_again();
    match status {
        (Ok(status), found) if status.success() => {
            let summary = found.lines().next().filter(|l| !l.is_empty()).map(str::to_owned);
            desk.jobs.end(id, JobState::Done, summary);
        }
        (Ok(status), _) if status.code() == Some(STOPPED) => desk.jobs.end(id, JobState::Cancelled, None),
        (Ok(_), _) => desk.jobs.end(id, JobState::Failed, None),
        (Err(e), _) => desk.jobs.end(id, JobState::Failed, Some(format!("the run was lost: {e}"))),
    }
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
