//! What a person at the terminal sees: diagnostics with hints, log lines with UTC times, progress bars.

use crate::Failure;
use anstyle::{AnsiColor, Style};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle, TermLike};
use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use tracing_subscriber::filter::LevelFilter;

/// How much is said on standard error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verbosity {
    /// Errors and safety warnings only.
    Quiet,
    /// Warnings, and bars on a terminal.
    Normal,
    /// Every step, with its time in UTC.
    Verbose,
}

static QUIET: AtomicBool = AtomicBool::new(false);
/// Bars are said as lines for the program that started this one.
static BARS_AS_LINES: AtomicBool = AtomicBool::new(false);

/// What a line that stands for a bar begins with: then come the steps done, all of them, and what is being done.
pub const PROGRESS_LINE: &str = "progress:";
/// Lines a second at most.
const LINES_PER_S: u8 = 4;

const ERROR: Style = AnsiColor::Red.on_default().bold();
const WARNING: Style = AnsiColor::Yellow.on_default().bold();
const HINT: Style = AnsiColor::Cyan.on_default().bold();

/// Sets up logging; called once.
pub fn start(verbosity: Verbosity) {
    QUIET.store(verbosity == Verbosity::Quiet, Ordering::Relaxed);
    let level = match verbosity {
        Verbosity::Verbose => LevelFilter::DEBUG,
        _ => LevelFilter::OFF,
    };
    // the subscriber's own clock writes UTC
    let logging = tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()))
        .with_target(false)
        .try_init();
    // a second start in one process (tests) keeps the first one's settings
    drop(logging);
}

/// Says bars as lines from now on.
pub fn bars_as_lines() {
    BARS_AS_LINES.store(true, Ordering::Relaxed);
}

/// A terminal of one line that is never drawn over: what is drawn on it is a line on standard error.
#[derive(Debug)]
struct Lines;

impl TermLike for Lines {
    fn width(&self) -> u16 {
        200
    }
    fn move_cursor_up(&self, _: usize) -> std::io::Result<()> {
        Ok(())
    }
    fn move_cursor_down(&self, _: usize) -> std::io::Result<()> {
        Ok(())
    }
    fn move_cursor_right(&self, _: usize) -> std::io::Result<()> {
        Ok(())
    }
    fn move_cursor_left(&self, _: usize) -> std::io::Result<()> {
        Ok(())
    }
    fn write_line(&self, line: &str) -> std::io::Result<()> {
        self.write_str(line)
    }
    fn write_str(&self, line: &str) -> std::io::Result<()> {
        // what fills the rest of the line is of no use here
        match line.trim() {
            "" => Ok(()),
            line => writeln!(std::io::stderr(), "{line}"),
        }
    }
    fn clear_line(&self) -> std::io::Result<()> {
        Ok(())
    }
    fn flush(&self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Writes why a command failed, and what to do.
pub fn report(failure: &Failure) {
    say(ERROR, "error", &failure.message);
    if let Some(hint) = &failure.hint {
        say(HINT, "hint", hint);
    }
}

/// Something that a person must know although the job goes on.
pub fn warn(message: &str) {
    if !QUIET.load(Ordering::Relaxed) {
        say(WARNING, "warning", message);
    }
}

/// A warning about people's safety: said even when quiet.
pub fn warn_always(message: &str) {
    say(WARNING, "warning", message);
}

fn say(style: Style, label: &str, message: &str) {
    // a closed standard error leaves nobody to tell
    let _ = writeln!(anstream::stderr(), "{style}{label}:{style:#} {message}");
}

/// A bar over a known number of steps: drawn on a terminal, silent in a pipe or when quiet.
pub fn bar(steps: usize, what: &'static str) -> ProgressBar {
    if BARS_AS_LINES.load(Ordering::Relaxed) {
        let target = ProgressDrawTarget::term_like_with_hz(Box::new(Lines), LINES_PER_S);
        let bar = ProgressBar::with_draw_target(Some(steps as u64), target);
        let style = ProgressStyle::with_template(&format!("{PROGRESS_LINE} {{pos}} {{len}} {{msg}}"));
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        bar.set_message(what);
        return bar;
    }
    let hidden = QUIET.load(Ordering::Relaxed) || !std::io::stderr().is_terminal();
    let target = if hidden { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
    let bar = ProgressBar::with_draw_target(Some(steps as u64), target);
    let style = ProgressStyle::with_template("{msg:<22} {wide_bar} {pos}/{len} {elapsed}");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar.set_message(what);
    bar
}

/// A count of steps whose number is not known: drawn on a terminal, silent in a pipe or when quiet.
pub fn counter(what: &'static str) -> ProgressBar {
    let counter = bar(0, what);
    let style = ProgressStyle::with_template("{msg:<22} {human_pos} {elapsed}");
    counter.unset_length();
    counter.set_style(style.unwrap_or_else(|_| ProgressStyle::default_spinner()));
    counter
}

/// What the command found: data, so it goes to standard output.
///
/// # Errors
/// When standard output cannot be written; a reader that closed the pipe has seen enough.
pub fn tell(text: &str) -> Result<(), Failure> {
    match writeln!(anstream::stdout(), "{text}") {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::data(format!("standard output: {e}"))),
        _ => Ok(()),
    }
}
