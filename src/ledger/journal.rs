//! The journal of custody: what is about to be done with a file, on the disk before the deed.
//!
//! An entry holds everything that is needed to finish the deed without the program that began
//! it: places, identity, digest, the sidecar's and the note's text, the events and the notice.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};

use super::events::CustodyEvent;
use super::files::{FileId, FileState};
use super::outbox::{self, NewNotice};
use super::place::Place;
use super::text::{self, stamp};
use super::{Ledger, LedgerError};
use crate::intake::Identity;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct IntentId(pub i64);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DeedKind {
    Release,
    Quarantine,
    Keep,
}

impl DeedKind {
    /// What the file is, once the deed is done.
    pub fn state(self) -> FileState {
        match self {
            Self::Release => FileState::Released,
            Self::Quarantine => FileState::Quarantined,
            Self::Keep => FileState::Kept,
        }
    }
}

/// What is going to be done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Intent {
    pub deed: DeedKind,
    pub from: Place,
    /// Inode of the root's folder: an unmounted share is not an empty folder.
    pub from_root_inode: u64,
    /// `None` where nothing moves.
    pub to: Option<Place>,
    pub to_root_inode: Option<u64>,
    /// The file as it was weighed.
    pub identity: Identity,
    /// BLAKE3 of its bytes, as it was weighed: 64 hexadecimal digits.
    pub blake3: String,
    pub sidecar: Place,
    /// BLAKE3 of a sidecar of ours that lies there and is replaced.
    pub sidecar_replaces: Option<String>,
    pub note: Option<String>,
    pub events: Vec<CustodyEvent>,
    pub notice: Option<NewNotice>,
}

/// How a deed ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    pub state: FileState,
    pub events: Vec<CustodyEvent>,
    /// Where the file is now.
    pub place: Place,
    pub sidecar: Place,
    /// The sidecar's text as it lies on disk.
    pub sidecar_json: String,
}

/// A deed that was begun and not closed.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenIntent {
    pub id: IntentId,
    pub file: FileId,
    pub intent: Intent,
    pub sidecar_json: String,
}

impl Ledger {
    /// On the disk when this returns; only then may the deed begin. One open entry for a file.
    pub fn intend(
        &self,
        file: FileId,
        intent: &Intent,
        sidecar_json: &str,
    ) -> Result<IntentId, LedgerError> {
        let intent = text::json("intent", intent)?;
        let sidecar = sidecar_json.to_owned();
        self.write(move |transaction| {
            let sql = LedgerError::sql("be written");
            let open: Option<i64> = transaction
                .query_row(
                    "SELECT id FROM intents WHERE file = ?1 AND state = 'open'",
                    [file.0],
                    |row| row.get(0),
                )
                .optional()
                .map_err(&sql)?;
            if let Some(open) = open {
                return Err(LedgerError::StillOpen(open));
            }
            transaction
                .execute(
                    "INSERT INTO intents (file, state, opened_at, intent, sidecar)
                     VALUES (?1, 'open', ?2, ?3, ?4)",
                    params![file.0, stamp(Timestamp::now()), intent, sidecar],
                )
                .map_err(&sql)?;
            Ok(IntentId(transaction.last_insert_rowid()))
        })
    }

    /// The deed is done. In one transaction: the entry is closed, the file has its state, place,
    /// events and final sidecar, and the notice is in the outbox (unless its key was there).
    pub fn accomplish(
        &self,
        intent: IntentId,
        outcome: Outcome,
        notice: Option<NewNotice>,
    ) -> Result<(), LedgerError> {
        self.write(move |transaction| {
            let sql = LedgerError::sql("be written");
            let file = close(transaction, intent, "done", None)?;
            let (place, sidecar) = (&outcome.place, &outcome.sidecar);
            transaction
                .execute(
                    "UPDATE files SET state = ?2, closed_at = ?3, sidecar = ?4,
                       place_root = ?5, place_folder = ?6, place_path = ?7, place_name = ?8,
                       sidecar_root = ?9, sidecar_folder = ?10, sidecar_path = ?11
                     WHERE id = ?1",
                    params![
                        file.0,
                        outcome.state.word(),
                        stamp(Timestamp::now()),
                        outcome.sidecar_json,
                        place.root.name,
                        text::bytes(&place.root.folder),
                        text::bytes(&place.path),
                        text::bytes(place.name().as_ref()),
                        sidecar.root.name,
                        text::bytes(&sidecar.root.folder),
                        text::bytes(&sidecar.path),
                    ],
                )
                .map_err(&sql)?;
            for event in &outcome.events {
                transaction
                    .execute(
                        "INSERT INTO events (file, event) VALUES (?1, ?2)",
                        params![file.0, text::json("event", event)?],
                    )
                    .map_err(&sql)?;
            }
            if let Some(notice) = notice {
                outbox::insert(transaction, &notice, Some(file))?;
            }
            Ok(())
        })
    }

    /// Nothing was done, or what was begun was undone. The file goes back to arriving: it has to
    /// settle and be weighed anew.
    pub fn abandon(&self, intent: IntentId, why: &str) -> Result<(), LedgerError> {
        self.close_without_deed(intent, why, FileState::Arriving)
    }

    /// The file is at neither place: somebody took it, and we do not know where to.
    pub fn lose_sight(&self, intent: IntentId, why: &str) -> Result<(), LedgerError> {
        self.close_without_deed(intent, why, FileState::Gone)
    }

    fn close_without_deed(
        &self,
        intent: IntentId,
        why: &str,
        state: FileState,
    ) -> Result<(), LedgerError> {
        let why = why.to_owned();
        self.write(move |transaction| {
            let file = close(transaction, intent, "abandoned", Some(&why))?;
            transaction
                .execute(
                    "UPDATE files SET state = ?2 WHERE id = ?1",
                    params![file.0, state.word()],
                )
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }

    /// What was under way when the last daemon ended, oldest first.
    pub fn open_intents(&self) -> Result<Vec<OpenIntent>, LedgerError> {
        self.call(|connection| {
            let sql = LedgerError::sql("be read");
            let mut statement = connection
                .prepare(
                    "SELECT id, file, intent, sidecar FROM intents WHERE state = 'open' ORDER BY id",
                )
                .map_err(&sql)?;
            let rows = statement
                .query_map([], |row| {
                    Ok((
                        row.get::<_, i64>(0)?,
                        row.get::<_, i64>(1)?,
                        row.get::<_, String>(2)?,
                        row.get::<_, String>(3)?,
                    ))
                })
                .map_err(&sql)?;
            let mut open = Vec::new();
            for row in rows {
                let (id, file, intent, sidecar_json) = row.map_err(&sql)?;
                open.push(OpenIntent {
                    id: IntentId(id),
                    file: FileId(file),
                    intent: text::from_json("intent", &intent)?,
                    sidecar_json,
                });
            }
            Ok(open)
        })
    }
}

/// Closes an open entry and says whose it was. The sidecar's text goes: the file's row has it.
fn close(
    transaction: &Transaction<'_>,
    intent: IntentId,
    state: &str,
    why: Option<&str>,
) -> Result<FileId, LedgerError> {
    transaction
        .query_row(
            "UPDATE intents SET state = ?2, closed_at = ?3, why = ?4, sidecar = NULL
             WHERE id = ?1 AND state = 'open' RETURNING file",
            params![intent.0, state, stamp(Timestamp::now()), why],
            |row| Ok(FileId(row.get(0)?)),
        )
        .optional()
        .map_err(LedgerError::sql("be written"))?
        .ok_or(LedgerError::NotOpen(intent.0))
}
