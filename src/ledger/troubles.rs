//! What is wrong now: kept here only so that `status` can tell it from another process. A daemon
//! that starts knows of no trouble yet, so it begins with an empty table.

use jiff::Timestamp;
use rusqlite::{Connection, params};

use super::text::{self, stamp};
use super::{Ledger, LedgerError};

/// One thing that is wrong and not over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ActiveTrouble {
    /// Names it; the same key is the same trouble.
    pub key: String,
    /// One sentence.
    pub says: String,
    /// A watch, a folder, or what else it is about.
    pub place: String,
    /// May be empty.
    pub to_do: String,
    pub since: Timestamp,
}

impl Ledger {
    /// Notes a trouble; one of the same key is told anew and keeps its beginning.
    pub fn trouble(
        &self,
        key: &str,
        says: &str,
        place: &str,
        to_do: &str,
    ) -> Result<(), LedgerError> {
        let row = [key, says, place, to_do].map(str::to_owned);
        self.write(move |transaction| {
            let [key, says, place, to_do] = row;
            transaction
                .execute(
                    "INSERT INTO troubles (key, says, place, to_do, since)
                     VALUES (?1, ?2, ?3, ?4, ?5)
                     ON CONFLICT (key) DO UPDATE
                     SET says = excluded.says, place = excluded.place, to_do = excluded.to_do",
                    params![key, says, place, to_do, stamp(Timestamp::now())],
                )
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }

    /// It is over; where there is none of that key, nothing happens.
    pub fn trouble_over(&self, key: &str) -> Result<(), LedgerError> {
        let key = key.to_owned();
        self.write(move |transaction| {
            transaction
                .execute("DELETE FROM troubles WHERE key = ?1", [key])
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }

    /// Nothing is known to be wrong: a configuration that was read anew has to find out.
    pub fn no_troubles(&self) -> Result<(), LedgerError> {
        self.write(|transaction| {
            transaction
                .execute("DELETE FROM troubles", [])
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }
}

/// Longest first.
pub(super) fn all(connection: &Connection) -> Result<Vec<ActiveTrouble>, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut statement = connection
        .prepare("SELECT key, says, place, to_do, since FROM troubles ORDER BY since, key")
        .map_err(&sql)?;
    let mut rows = statement.query([]).map_err(&sql)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(&sql)? {
        let since: String = row.get(4).map_err(&sql)?;
        found.push(ActiveTrouble {
            key: row.get(0).map_err(&sql)?,
            says: row.get(1).map_err(&sql)?,
            place: row.get(2).map_err(&sql)?,
            to_do: row.get(3).map_err(&sql)?,
            since: text::time(&since)?,
        });
    }
    Ok(found)
}
