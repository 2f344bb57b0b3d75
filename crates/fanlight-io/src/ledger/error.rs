//! What can go wrong with a ledger.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

use super::BUSY_WAIT;

/// A ledger that could not be read or written, with the reason. [`LedgerError::hint`] says what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LedgerError {
    /// The file is not there.
    #[error("there is no ledger at {}", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{} is not a ledger: {found}", path.display())]
    NotALedger {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        found: String,
    },
    /// A later version of the program has changed the schema.
    #[error("ledger {} was written by a newer version of fanlight: its schema is {version}, this one knows up to {known}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema.
        version: i64,
        /// The newest schema known.
        known: i64,
    },
    /// A night of another comet.
    #[error("ledger {} is of {object}; a night of {other} does not belong in it", path.display())]
    OtherObject {
        /// The file.
        path: PathBuf,
        /// The comet whose ledger it is.
        object: String,
        /// The night's comet.
        other: String,
    },
    /// The system does not let it be opened.
    #[error("cannot open ledger {}: {reason}", path.display())]
    Unopenable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// The system does not let it be written.
    #[error("cannot write ledger {}: {reason}", path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// No room for it.
    #[error("cannot write ledger {}: the disk is full", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// Somebody else holds it.
    #[error("ledger {} is in use by another program; waited {} s for it", path.display(), BUSY_WAIT.as_secs())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// Its contents contradict themselves.
    #[error("ledger {} is damaged: {problem}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        problem: String,
    },
    /// A night's record that cannot be taken in.
    #[error("{}: {problem}", path.display())]
    BadRecord {
        /// The record's file.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A night that it does not have.
    #[error("ledger {} has no night {id}", path.display())]
    NoNight {
        /// The file.
        path: PathBuf,
        /// The number asked for.
        id: i64,
    },
    /// A measurement that it does not have.
    #[error("ledger {} has no measurement {id}", path.display())]
    NoMeasurement {
        /// The file.
        path: PathBuf,
        /// The number asked for.
        id: i64,
    },
    /// A person's measurement that cannot be kept.
    #[error("the measurement cannot be kept: {problem}")]
    BadMeasurement {
        /// What is wrong with it.
        problem: String,
    },
}

impl LedgerError {
    /// What the user can do about it, in one sentence; `None` where the message says all.
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Missing { .. } => {
                "`fanlight night` makes one with its first night, `fanlight ledger import` makes one from night.json files"
            }
            Self::NotALedger { .. } => "name another file with --ledger, or with `ledger = ...` in the campaign file",
            Self::Newer { .. } => "use the newer version; this one leaves the file as it is",
            Self::OtherObject { .. } => {
                "name another file with --ledger, or with `ledger = ...` in the campaign file; or give the comet its old designation"
            }
            Self::Unopenable { .. } | Self::Unwritable { .. } => {
                "name a file in a folder that this user may write to, with --ledger or `ledger = ...` in the campaign file"
            }
            Self::Full { .. } => "free some space; what was recorded before is as it was",
            Self::Busy { .. } => "run again when the other program has ended",
            Self::Damaged { .. } => {
                "move the file away and make it anew from the nights' folders: `fanlight ledger import NIGHT_DIR...`"
            }
            Self::BadRecord { .. } => "run `fanlight night` again to make the record anew",
            Self::NoNight { .. } => "`fanlight ledger list` says which there are",
            Self::NoMeasurement { .. } => "it may be in another ledger; look at the night's measurements again",
            Self::BadMeasurement { .. } => "give the name of who made it, and a sector as it was measured",
        };
        Some(text.to_owned())
    }

    pub(super) fn damaged(path: &Path, problem: impl Into<String>) -> Self {
        Self::Damaged { path: path.to_owned(), problem: problem.into() }
    }

    /// What SQLite said about opening a file, in the system's words where it has them.
    pub(super) fn opening(path: &Path, error: &rusqlite::Error, may_create: bool) -> Self {
        // the same call again, since SQLite says no more than that it was refused
        let refused = File::options().read(true).write(true).create(may_create).truncate(false).open(path).err();
        let reason = refused.map_or_else(|| error.to_string(), |e| e.to_string());
        Self::Unopenable { path: path.to_owned(), reason }
    }
}

/// A result of SQLite with the ledger's path.
pub(super) trait About<T> {
    fn about(self, path: &Path) -> Result<T, LedgerError>;
}

impl<T> About<T> for rusqlite::Result<T> {
    fn about(self, path: &Path) -> Result<T, LedgerError> {
        self.map_err(|error| {
            let path = path.to_owned();
            let reason = error.to_string();
            match error.sqlite_error_code() {
                Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => LedgerError::Busy { path },
                Some(ErrorCode::DiskFull) => LedgerError::Full { path },
                Some(ErrorCode::NotADatabase) => {
                    LedgerError::NotALedger { path, found: "its first bytes are not those of one".to_owned() }
                }
                Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
                    LedgerError::Unwritable { path, reason: "it may only be read".to_owned() }
                }
                Some(ErrorCode::CannotOpen) => {
                    LedgerError::Unwritable { path, reason: "no file can be made beside it".to_owned() }
                }
                Some(ErrorCode::SystemIoFailure | ErrorCode::FileLockingProtocolFailed) => {
                    LedgerError::Unwritable { path, reason: format!("{reason}; the disk may be full or gone") }
                }
                // what is left is that rows or tables are not what they must be
                _ => LedgerError::Damaged { path, problem: reason },
            }
        })
    }
}
