//! A run as a process of its own, so that it can be stopped, and neither the browser nor a fault in it takes the desk along.

use super::jobs::JobState;
use super::state::Desk;
use crate::stop::{STOP, STOPPED};
use std::ffi::OsString;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// How often a run is asked whether it has ended.
const ASKED_EVERY: Duration = Duration::from_millis(100);

/// Starts the program.
///
/// # Errors
/// When it cannot be started.
pub fn spawn(arguments: &[OsString]) -> std::io::Result<Child> {
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
pub fn follow(desk: &Desk, id: u64, mut child: Child) {
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
