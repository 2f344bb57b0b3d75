//! Stopping from outside, at any time but while results are written: half of an old night and half of a new one is none.

use std::io::BufRead;
use std::sync::{Mutex, PoisonError};

/// Said on standard input by the program that started this one.
pub const STOP: &str = "stop";
/// The exit status of a run that was stopped.
pub const STOPPED: i32 = 130;

static MAY_STOP: Mutex<bool> = Mutex::new(true);

/// Listens from now on. The end of standard input is no stop.
pub fn listen() {
    std::thread::spawn(|| {
        let lines = std::io::stdin().lock().lines().map_while(Result::ok);
        for _ in lines.filter(|line| line.trim() == STOP) {
            // held to the end: nothing begins to be written meanwhile
            let may_stop = MAY_STOP.lock().unwrap_or_else(PoisonError::into_inner);
            if *may_stop {
                std::process::exit(STOPPED);
            }
        }
    });
}

/// From here on the run goes to its end.
pub fn no_more() {
    *MAY_STOP.lock().unwrap_or_else(PoisonError::into_inner) = false;
}
