//! `fanlight ledger`: the campaign's nights in one file, looked at, checked, mended.

pub mod entry;
mod import;
mod list;

use crate::{Failure, geometry, messages};
use clap::{Args, Subcommand};
use fanlight_io::ledger::NightRow;
use fanlight_io::{Campaign, Ledger, LedgerError};
use std::path::PathBuf;

/// What is done with a ledger.
#[derive(Debug, Clone, Subcommand)]
pub enum Command {
    /// Say which nights it holds, in order of time
    List {
        /// The ledger
        #[command(flatten)]
        which: Which,
        /// Write an array of rows instead of a table
        #[arg(long)]
        json: bool,
    },
    /// Hold the file, every night's rows and the night.json in its folder against each other; nothing is changed
    Check {
        /// The ledger
        #[command(flatten)]
        which: Which,
    },
    /// Take nights in from their records; one that cannot be taken in is skipped with the reason
    Import {
        /// Folders that `fanlight night` wrote, or their night.json
        #[arg(required = true, value_name = "NIGHT_DIR")]
        nights: Vec<PathBuf>,
        /// The ledger
        #[command(flatten)]
        which: Which,
    },
    /// Take nights out and say which; their folders stay as they are
    Forget {
        /// Numbers of nights, as `list` gives them
        #[arg(required = true, value_name = "ID")]
        ids: Vec<i64>,
        /// The ledger
        #[command(flatten)]
        which: Which,
    },
}

/// Which ledger is meant.
#[derive(Debug, Clone, Args)]
#[group(required = true, multiple = true)]
pub struct Which {
    /// The campaign file: its ledger is meant; with `import` it also says on which side of perihelion the nights are
    #[arg(long, value_name = "C.toml")]
    campaign: Option<PathBuf>,
    /// The ledger itself
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
}

impl Which {
    fn campaign(&self) -> Result<Option<Campaign>, Failure> {
        self.campaign.as_deref().map(geometry::load_campaign).transpose()
    }

    fn path(&self, campaign: Option<&Campaign>) -> Result<PathBuf, Failure> {
        let of_campaign = || campaign.map(Campaign::ledger_path);
        self.ledger.clone().or_else(of_campaign).ok_or_else(|| Failure::call("give --campaign or --ledger"))
    }

    /// Opens a ledger that is there.
    fn open(&self) -> Result<Ledger, Failure> {
        let path = self.path(self.campaign()?.as_ref())?;
        Ledger::open(&path).map_err(failure)
    }
}

/// Runs the command.
///
/// # Errors
/// A ledger that is not there or cannot be used, a night that it does not have, something that is wrong with it, records that
/// were not taken in.
pub fn command(command: &Command) -> Result<(), Failure> {
    match command {
        Command::List { which, json } => list::command(&which.open()?, *json),
        Command::Check { which } => check(&mut which.open()?),
        Command::Import { nights, which } => import::command(nights, which),
        Command::Forget { ids, which } => forget(&mut which.open()?, ids),
    }
}

fn check(ledger: &mut Ledger) -> Result<(), Failure> {
    let problems = ledger.check().map_err(failure)?;
    let path = ledger.path().display();
    if problems.is_empty() {
        let nights = ledger.nights().map_err(failure)?.len();
        return messages::tell(&format!("{path}: {}, nothing wrong", counted(nights, "night")));
    }
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    messages::tell(&lines.join("\n"))?;
    Err(Failure::data(format!("ledger {path} has {}", counted(problems.len(), "problem"))))
}

fn forget(ledger: &mut Ledger, ids: &[i64]) -> Result<(), Failure> {
    let gone = ledger.forget(ids).map_err(failure)?;
    let lines: Vec<String> = gone.iter().map(|night| format!("forgotten: {}", described(night))).collect();
    messages::tell(&lines.join("\n"))
}

/// A night in a line.
fn described(night: &NightRow) -> String {
    let parts = [Some(&night.mid_utc), night.site.as_ref(), night.telescope.as_ref(), night.band.as_ref()];
    let parts: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    format!("night {}, {}", night.id, parts.join(", "))
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// A number that no night or measurement has, and a measurement that is none, are the call's fault, everything else that of the data.
pub fn failure(error: LedgerError) -> Failure {
    let failure = match error {
        LedgerError::NoNight { .. } | LedgerError::NoMeasurement { .. } | LedgerError::BadMeasurement { .. } => {
            Failure::call(&error)
        }
        _ => Failure::data(&error),
    };
    match error.hint() {
        Some(hint) => failure.hint(hint),
        None => failure,
    }
}
