//! `fanlight ledger import`: nights from their records, each on its own.

use super::{Which, counted, entry, failure};
use crate::{Failure, messages};
use fanlight_io::ledger::NightFile;
use fanlight_io::{Campaign, Ledger, LedgerError};
use std::path::{Path, PathBuf};

/// Runs the command: what became of each night to standard output, why one was skipped to standard error.
pub(super) fn command(nights: &[PathBuf], which: &Which) -> Result<(), Failure> {
    let campaign = which.campaign()?;
    let path = which.path(campaign.as_ref())?;
    // opened for the first record that can be read, so that a wrong call does not leave an empty ledger behind
    let mut ledger = None;
    let mut n_skipped = 0;
    for night in nights {
        match take_in(night, campaign.as_ref(), &mut ledger, &path) {
            Ok(line) => messages::tell(&format!("{}: {line}", night.display()))?,
            Err(error @ (LedgerError::BadRecord { .. } | LedgerError::OtherObject { .. })) => {
                n_skipped += 1;
                messages::warn(&format!("{} is skipped: {error}", night.display()));
            }
            // what stops one night stops all
            Err(error) => return Err(failure(error)),
        }
    }
    match n_skipped {
        0 => Ok(()),
        n => Err(Failure::data(format!("{n} of {} could not be taken in", counted(nights.len(), "night")))),
    }
}

fn take_in(
    night: &Path,
    campaign: Option<&Campaign>,
    ledger: &mut Option<Ledger>,
    path: &Path,
) -> Result<String, LedgerError> {
    let file = NightFile::read(night)?;
    if let Some(object) = campaign.and_then(|c| c.object.as_ref()) {
        file.must_be_of(&object.designation)?;
    }
    let ledger = match ledger {
        Some(open) => open,
        None => ledger.insert(Ledger::open_or_create(path)?),
    };
    let recorded = entry::record(ledger, &file, campaign)?;
    recorded.notes.iter().for_each(|note| messages::warn(&format!("{}: {note}", night.display())));
    Ok(entry::told(&recorded))
}
