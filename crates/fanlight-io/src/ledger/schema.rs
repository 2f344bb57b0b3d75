//! Which version of the schema a file has, and how an older one is brought up to date.

use std::path::Path;

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::error::{About, LedgerError};

/// SQLite's mark of whose file it is: "FNLG".
const APPLICATION_ID: i64 = 0x464E_4C47;

/// Every step from one version to the next. Steps are added, never changed.
const MIGRATIONS: [&str; 2] = [include_str!("version_1.sql"), include_str!("version_2.sql")];

/// The newest version.
pub(super) const NEWEST: i64 = MIGRATIONS.len() as i64;

/// Brings the schema up to date; a file that is neither empty nor a ledger is left as it is.
///
/// # Errors
/// Another program's file, a newer version's, one that cannot be read, or one that is old and cannot be written.
pub(super) fn bring_up_to_date(connection: &mut Connection, path: &Path) -> Result<(), LedgerError> {
    let found = version(&connection.transaction().about(path)?, path)?;
    for (step, sql) in (1..).zip(MIGRATIONS).skip(found as usize) {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Exclusive).about(path)?;
        // another process may have come first
        if version(&transaction, path)? == step - 1 {
            transaction.execute_batch(sql).about(path)?;
            transaction.pragma_update(None, "application_id", APPLICATION_ID).about(path)?;
            transaction.pragma_update(None, "user_version", step).about(path)?;
            transaction.commit().about(path)?;
        }
    }
    Ok(())
}

/// The file's version, from 0 of an empty one to [`NEWEST`]; read in one transaction, so that no other process comes between.
fn version(transaction: &Transaction<'_>, path: &Path) -> Result<i64, LedgerError> {
    let number = |sql: &str| transaction.query_row(sql, [], |row| row.get::<_, i64>(0)).about(path);
    let application = number("PRAGMA application_id")?;
    let version = number("PRAGMA user_version")?;
    let is_empty = number("SELECT count(*) FROM sqlite_schema")? == 0;
    match (application, version) {
        (0, 0) if is_empty => Ok(0),
        (APPLICATION_ID, 1..=NEWEST) => Ok(version),
        (APPLICATION_ID, version) if version > NEWEST => {
            Err(LedgerError::Newer { path: path.to_owned(), version, known: NEWEST })
        }
        _ => {
            Err(LedgerError::NotALedger { path: path.to_owned(), found: "it is a database of another program".into() })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn schema(connection: &Connection) -> Vec<(String, Option<String>)> {
        let mut statement = connection.prepare("SELECT name, sql FROM sqlite_schema ORDER BY name").unwrap();
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
    }

    /// A step that was once taken stays as it was: files made by it are about.
    #[test]
    fn steps_are_never_changed() {
        let connection = Connection::open_in_memory().unwrap();
        for (version, sql) in (1..).zip(MIGRATIONS) {
            connection.execute_batch(sql).unwrap();
            let kept = format!("{}/tests/data/ledger/version_{version}.sqlite", env!("CARGO_MANIFEST_DIR"));
            assert_eq!(schema(&connection), schema(&Connection::open(&kept).unwrap()), "{kept}");
        }
    }

    /// A step that fails leaves the file as it was, at the version before it.
    #[test]
    fn a_step_is_taken_whole_or_not_at_all() {
        let mut connection = Connection::open_in_memory().unwrap();
        connection.execute_batch("PRAGMA max_page_count = 4").unwrap();
        let path = Path::new("c.ledger.sqlite");
        let error = bring_up_to_date(&mut connection, path).unwrap_err();
        assert!(matches!(error, LedgerError::Full { .. }), "{error}");
        assert_eq!(version(&connection.transaction().unwrap(), path).unwrap(), 0);
        connection.execute_batch("PRAGMA max_page_count = 1000").unwrap();
        bring_up_to_date(&mut connection, path).unwrap();
        assert_eq!(version(&connection.transaction().unwrap(), path).unwrap(), NEWEST);
    }
}
