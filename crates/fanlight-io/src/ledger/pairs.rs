//! What comparing two nights gave, kept so that another night does not make all of it be computed again.

use rusqlite::{OptionalExtension, TransactionBehavior, params};

use super::Ledger;
use super::error::{About, LedgerError};

/// Two nights, as they were when they were compared, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair<'a> {
    /// Number of the night compared from.
    pub from_night: i64,
    /// Number of the night compared to.
    pub to_night: i64,
    /// Checksum of the first one's record.
    pub from_sha256: &'a str,
    /// Checksum of the second one's.
    pub to_sha256: &'a str,
    /// The method and its version; another one's result is none.
    pub method_version: &'a str,
}

impl Ledger {
    /// The result kept for two nights; `None` where there is none, or one of other records or by another method.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn get_pair(&self, pair: &Pair<'_>) -> Result<Option<String>, LedgerError> {
        let sql = "SELECT json FROM pair_results WHERE from_night = ?1 AND to_night = ?2
                   AND from_sha256 = ?3 AND to_sha256 = ?4 AND method_version = ?5";
        let key = params![pair.from_night, pair.to_night, pair.from_sha256, pair.to_sha256, pair.method_version];
        self.connection.query_row(sql, key, |row| row.get(0)).optional().about(&self.path)
    }

    /// Keeps a result in place of an earlier one of the same nights. Returns `false` and keeps nothing where either night has been
    /// replaced or forgotten meanwhile.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn put_pair(&mut self, pair: &Pair<'_>, json: &str) -> Result<bool, LedgerError> {
        let Self { connection, path, .. } = self;
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).about(path)?;
        let sql = "INSERT OR REPLACE INTO pair_results SELECT a.id, b.id, a.record_sha256, b.record_sha256, ?5, ?6
                   FROM nights a, nights b WHERE a.id = ?1 AND b.id = ?2 AND a.record_sha256 = ?3 AND b.record_sha256 = ?4";
        let row = params![pair.from_night, pair.to_night, pair.from_sha256, pair.to_sha256, pair.method_version, json];
        let n = transaction.execute(sql, row).about(path)?;
        transaction.commit().about(path)?;
        Ok(n > 0)
    }
}
