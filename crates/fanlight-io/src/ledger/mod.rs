//! The campaign's ledger: every measured night of a comet in one SQLite file, which is not much more than an index over the
//! nights' records, and holds those as well.
//!
//! A night goes in within one transaction, so it is there whole or not at all, whenever the process ends; several processes may
//! write at once. The file is kept with a rollback journal, not a write-ahead log: at rest it is one file that can be copied
//! as it is, it works on network drives (a write-ahead log needs memory that all its users share), and a night's row is
//! written so seldom that a reader who waits for it does not matter. `synchronous = EXTRA` also writes the folder after a
//! commit, so that a power cut right after it does not bring the journal back and undo the night.
//!
//! This is the only module that speaks SQL.

mod check;
mod error;
mod measurements;
mod night_file;
mod pairs;
mod read;
mod rows;
mod schema;
mod write;

pub use check::Problem;
pub use error::LedgerError;
pub use measurements::{MeasurementRow, NewMeasurement};
pub use night_file::NightFile;
pub use pairs::Pair;
pub use rows::{ChallengeRow, FeatureRow, FrameRow, InputRow, NightRow, PhotometryRow, Side};
pub use write::{Entry, Outcome, Recorded};

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension};

use error::About;

/// How long another process's transaction is waited for: hundreds of times what one takes on a slow network drive.
const BUSY_WAIT: Duration = Duration::from_secs(30);

/// An open ledger.
#[derive(Debug)]
pub struct Ledger {
    connection: Connection,
    path: PathBuf,
    /// The folder that it lies in, without links: what folders of nights are given relative to.
    folder: PathBuf,
}

impl Ledger {
    /// Opens a ledger that is there, bringing an older version's up to date.
    ///
    /// # Errors
    /// It is not there, is something else, is of a newer version, or is old and cannot be written.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        if !path.exists() {
            return Err(LedgerError::Missing { path: path.to_owned() });
        }
        Self::connect(path, OpenFlags::empty())
    }

    /// Opens a ledger, making the file where it is missing. Its folder must be there: one made by mistake, such as under a
    /// drive that is not mounted, would hold a second ledger that nobody looks for.
    ///
    /// # Errors
    /// As [`Ledger::open`], and a file that cannot be made.
    pub fn open_or_create(path: &Path) -> Result<Self, LedgerError> {
        Self::connect(path, OpenFlags::SQLITE_OPEN_CREATE)
    }

    fn connect(path: &Path, more: OpenFlags) -> Result<Self, LedgerError> {
        let unopenable = |e: std::io::Error| LedgerError::Unopenable { path: path.to_owned(), reason: e.to_string() };
        if path.is_dir() {
            return Err(unopenable(std::io::Error::other("it is a folder")));
        }
        // absolute, so that no name means something else to SQLite
        let absolute = std::path::absolute(path).map_err(unopenable)?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX | more;
        let mut connection = Connection::open_with_flags(&absolute, flags)
            .map_err(|e| LedgerError::opening(path, &e, !more.is_empty()))?;
        let parent = absolute.parent().unwrap_or(&absolute);
        let folder = parent.canonicalize().map_err(unopenable)?;
        connection.busy_timeout(BUSY_WAIT).about(path)?;
        for (name, value) in
            [("foreign_keys", "ON"), ("synchronous", "EXTRA"), ("trusted_schema", "OFF"), ("cell_size_check", "ON")]
        {
            connection.pragma_update(None, name, value).about(path)?;
        }
        schema::bring_up_to_date(&mut connection, path)?;
        Ok(Self { connection, path: path.to_owned(), folder })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The comet whose nights these are; `None` before the first night.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn object(&self) -> Result<Option<String>, LedgerError> {
        object(&self.connection).about(&self.path)
    }
}

fn object(connection: &Connection) -> rusqlite::Result<Option<String>> {
    connection.query_row("SELECT object FROM meta", [], |row| row.get(0)).optional()
}

/// Whether two designations are of one comet: the same letters and digits, with or without a name in brackets behind them.
pub fn is_same_object(a: &str, b: &str) -> bool {
    let plain = |text: &str| {
        let text = text.split_once('(').map_or(text, |(designation, _)| designation);
        text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect::<String>()
    };
    let (a_plain, b_plain) = (plain(a), plain(b));
    if a_plain.is_empty() || b_plain.is_empty() { a.trim() == b.trim() } else { a_plain == b_plain }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disk that is full, played by SQLite's own limit on the file.
    #[test]
    fn a_full_disk_costs_the_night_that_found_it_full_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("c.ledger.sqlite");
        let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/ledger/night/night.json");
        let text = std::fs::read_to_string(data).unwrap();
        let record = |ledger: &mut Ledger, frames: &str| {
            let file = folder.path().join(format!("{frames}.json"));
            let inputs = text.replace("\"sha256\": \"", &format!("\"sha256\": \"{frames}-"));
            std::fs::write(&file, inputs).unwrap();
            let night = NightFile::read(&file).unwrap();
            let now = night.mid();
            ledger.record_night(&Entry { night: &night, band: Some("r"), side: None, campaign: None, now })
        };
        let mut ledger = Ledger::open_or_create(&path).unwrap();
        record(&mut ledger, "a").unwrap();
        let pages: i64 = ledger.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        // at every size between nothing free and just enough: the record alone takes six pages
        for free in 0..6 {
            ledger.connection.pragma_update(None, "max_page_count", pages + free).unwrap();
            let error = record(&mut ledger, "b").unwrap_err();
            assert!(matches!(error, LedgerError::Full { .. }), "{error}");
            assert!(error.to_string().contains("the disk is full"), "{error}");
            assert_eq!(Ledger::open(&path).unwrap().nights().unwrap().len(), 1);
        }
        assert_eq!(ledger.check().unwrap(), []);
        ledger.connection.pragma_update(None, "max_page_count", pages + 100).unwrap();
        assert_eq!(record(&mut ledger, "b").unwrap().id, 2);
        assert_eq!(ledger.check().unwrap(), []);
    }

    #[test]
    fn one_comet_in_several_spellings() {
        for (a, b, same) in [
            ("C/2031 Z2", "C/2031 Z2", true),
            ("C/2031 Z2", "c/2031z2", true),
            ("C/2031 Z2 (Example)", "C/2031 Z2", true),
            ("C/2031 Z2 (Example)", "C/2031 Z2 (Other)", true),
            ("C/2031 Z2", "C/2031 Z21", false),
            ("C/2031 Z2-A", "C/2031 Z2-B", false),
            ("(Example)", "(Other)", false),
            ("?", "?", true),
        ] {
            assert_eq!(is_same_object(a, b), same, "{a} {b}");
        }
    }
}
