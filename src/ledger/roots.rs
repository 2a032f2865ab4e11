//! What a watch's root was when it was last seen: an unmounted share is not an empty folder.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};

use super::text::{self, stamp};
use super::{Ledger, LedgerError};
use crate::intake::RootMemory;

impl Ledger {
    /// `watch` may be any name of a root, as long as nobody else uses it.
    pub fn remember_root(&self, watch: &str, root: RootMemory) -> Result<(), LedgerError> {
        let watch = watch.to_owned();
        let root = text::json("root", &root)?;
        self.write(move |transaction| {
            transaction
                .execute(
                    "INSERT INTO roots (watch, identity, at) VALUES (?1, ?2, ?3)
                     ON CONFLICT (watch) DO UPDATE SET identity = excluded.identity, at = excluded.at",
                    params![watch, root, stamp(Timestamp::now())],
                )
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }

    pub fn root(&self, watch: &str) -> Result<Option<RootMemory>, LedgerError> {
        let watch = watch.to_owned();
        self.call(move |connection| {
            connection
                .query_row(
                    "SELECT identity FROM roots WHERE watch = ?1",
                    [watch],
                    |row| row.get::<_, String>(0),
                )
                .optional()
                .map_err(LedgerError::sql("be read"))?
                .map(|root| text::from_json("root", &root))
                .transpose()
        })
    }
}
