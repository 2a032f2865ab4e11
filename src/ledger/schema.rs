//! The tables, and how an older ledger becomes one of today.
//!
//! A change of the tables is a new step at the end of [`STEPS`]; a step that was once released
//! is never edited.

use std::path::Path;

use rusqlite::{Connection, TransactionBehavior};

use super::LedgerError;

/// "wbrg": tells a ledger of ours from any other SQLite file.
const APPLICATION_ID: i64 = 0x7762_7267;

/// Step `n` brings a ledger of schema `n` to `n + 1`.
const STEPS: &[&str] = &[include_str!("schema1.sql"), include_str!("schema2.sql")];

/// The newest schema that this version knows.
pub(super) const KNOWN: i64 = STEPS.len() as i64;

/// Refuses what is not ours or newer than we are, before anything is written. Gives the schema
/// that was found; 0 for an empty database.
pub(super) fn check(connection: &Connection, file: &Path) -> Result<usize, LedgerError> {
    let found = version(connection, file)?;
    if found == 0 {
        // An empty database may become a ledger; one with tables of its own may not.
        let tables: i64 = connection
            .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
            .map_err(LedgerError::sql("be read"))?;
        if tables > 0 {
            return Err(LedgerError::Foreign {
                file: file.to_owned(),
            });
        }
    }
    Ok(usize::try_from(found).expect("version() lies between 0 and KNOWN"))
}

/// Brings a ledger of schema `found` up to date, each step whole or not at all.
pub(super) fn bring_up_to_date(
    connection: &mut Connection,
    found: usize,
) -> Result<(), LedgerError> {
    let sql = LedgerError::sql("be brought up to date");
    for (step, number) in STEPS.iter().zip(1..).skip(found) {
        let transaction = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(&sql)?;
        transaction.execute_batch(step).map_err(&sql)?;
        transaction
            .pragma_update(None, "application_id", APPLICATION_ID)
            .map_err(&sql)?;
        transaction
            .pragma_update(None, "user_version", number)
            .map_err(&sql)?;
        transaction.commit().map_err(&sql)?;
    }
    Ok(())
}

/// For those who only read: the schema must be exactly ours.
pub(super) fn must_be_known(connection: &Connection, file: &Path) -> Result<(), LedgerError> {
    match version(connection, file)? {
        KNOWN => Ok(()),
        found => Err(LedgerError::Older {
            file: file.to_owned(),
            found,
            known: KNOWN,
        }),
    }
}

/// Between 0 (an empty database) and [`KNOWN`].
fn version(connection: &Connection, file: &Path) -> Result<i64, LedgerError> {
    let foreign = || LedgerError::Foreign {
        file: file.to_owned(),
    };
    let pragma = |name: &str| -> Result<i64, LedgerError> {
        connection
            .pragma_query_value(None, name, |row| row.get(0))
            .map_err(|error| match error.sqlite_error_code() {
                Some(rusqlite::ErrorCode::NotADatabase) => foreign(),
                _ => LedgerError::sql("be read")(error),
            })
    };
    let found = pragma("user_version")?;
    let application = pragma("application_id")?;
    if application != APPLICATION_ID && (found != 0 || application != 0) || found < 0 {
        return Err(foreign());
    }
    if found > KNOWN {
        return Err(LedgerError::Newer {
            file: file.to_owned(),
            found,
            known: KNOWN,
        });
    }
    Ok(found)
}
