//! What was seen, settled and weighed: one row for each time that a file settled, linked to the
//! one before it at the same path.

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::basis::{self, Basis};
use super::place::Place;
use super::text::{self, stamp};
use super::{Ledger, LedgerError};
use crate::intake::Identity;

/// A file's place in a watch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileKey<'a> {
    pub watch: &'a str,
    /// Relative to the watch's folder; its bytes are kept as they are.
    pub path: &'a Path,
}

impl FileKey<'_> {
    fn owned(&self) -> (String, Vec<u8>) {
        (self.watch.to_owned(), text::bytes(self.path))
    }
}

/// One settling of one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FileId(pub i64);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FileState {
    Arriving,
    Settled,
    Weighed,
    Released,
    Kept,
    Quarantined,
    /// It went away before anything was done with it, or a kept file was taken by somebody.
    Gone,
}

impl FileState {
    pub const ALL: [Self; 7] = [
        Self::Arriving,
        Self::Settled,
        Self::Weighed,
        Self::Released,
        Self::Kept,
        Self::Quarantined,
        Self::Gone,
    ];

    pub fn word(self) -> &'static str {
        match self {
            Self::Arriving => "arriving",
            Self::Settled => "settled",
            Self::Weighed => "weighed",
            Self::Released => "released",
            Self::Kept => "kept",
            Self::Quarantined => "quarantined",
            Self::Gone => "gone",
        }
    }

    pub(super) fn from_word(word: &str) -> Result<Self, LedgerError> {
        Self::ALL
            .into_iter()
            .find(|state| state.word() == word)
            .ok_or_else(|| LedgerError::Word(word.to_owned()))
    }

    /// Whether the house is done with the file; else it has to be taken up again.
    pub fn is_dealt_with(self) -> bool {
        matches!(self, Self::Released | Self::Kept | Self::Quarantined)
    }
}

impl serde::Serialize for FileState {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// What the ledger knows of a path when a scan meets it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Seen {
    /// Nothing ever settled at this path.
    New,
    /// The very same file. Only where [`FileState::is_dealt_with`] is it to be left alone.
    Same { file: FileId, state: FileState },
    /// Another file, or another revision of it, lay there before.
    Changed { last_blake3: Option<String> },
}

/// What was found out about a file, for [`Ledger::weighed`].
#[derive(Clone, Debug)]
pub struct Weighing {
    /// As it was when it was opened for weighing.
    pub identity: Identity,
    pub bytes: u64,
    pub blake3: String,
    pub sha256: String,
    pub audio_blake3: Option<String>,
    pub profile: String,
    pub profile_digest: String,
    pub tool_version: String,
    pub basis: Basis,
    /// The verdict's word.
    pub verdict: String,
    pub reason: String,
    pub sidecar_json: String,
}

/// An earlier weighing of the same bytes against the same profile by the same version.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Earlier {
    pub file: FileId,
    pub verdict: String,
    pub reason: String,
    /// As it was written to disk, or, where custody did not come to it, as weighed.
    pub sidecar_json: String,
    /// Whether a notice about it went into the outbox.
    pub notified: bool,
}

/// Which revision of its path some bytes are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RevisionOf {
    /// Counted from 1.
    pub number: u64,
    /// BLAKE3 of the revision before.
    pub replaces: Option<String>,
}

/// Where the last sidecar of a path was written, and its text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LastSidecar {
    pub place: Place,
    pub text: String,
    /// `None` where the version that wrote it did not note it.
    pub basis: Option<Basis>,
}

impl Ledger {
    /// What is known of `key`, if a file with `identity` lies there now.
    pub fn look_up(&self, key: FileKey<'_>, identity: &Identity) -> Result<Seen, LedgerError> {
        let (watch, path) = key.owned();
        let identity = *identity;
        self.call(move |connection| look_up(connection, &watch, &path, &identity))
    }

    /// Notes for `status` that a file is waited for, and why. A power cut may take this note
    /// with it: the next scan sees the file again.
    pub fn arriving(
        &self,
        key: FileKey<'_>,
        identity: &Identity,
        why: Option<&str>,
    ) -> Result<(), LedgerError> {
        let (watch, path) = key.owned();
        let why = why.map(str::to_owned);
        let identity = text::json("identity", identity)?;
        self.call(move |connection| {
            let sql = LedgerError::sql("be written");
            // No waiting for the disk: a scan may note hundreds of files. What is committed
            // after it with `FULL` takes it along.
            connection
                .pragma_update(None, "synchronous", "NORMAL")
                .map_err(&sql)?;
            let written = connection.execute(
                "INSERT INTO arriving (watch, path, identity, since, why) VALUES (?1, ?2, ?3, ?4, ?5)
                 ON CONFLICT (watch, path) DO UPDATE SET identity = excluded.identity, why = excluded.why
                 WHERE identity <> excluded.identity OR why IS NOT excluded.why",
                params![watch, path, identity, stamp(Timestamp::now()), why],
            );
            connection
                .pragma_update(None, "synchronous", "FULL")
                .map_err(&sql)?;
            written.map_err(&sql)?;
            Ok(())
        })
    }

    /// A file has settled: a new row, linked to the last one at this path. What was under way
    /// there with an older state of the file is superseded. Refused while a deed on this path
    /// is open in the journal.
    pub fn settled(&self, key: FileKey<'_>, identity: &Identity) -> Result<FileId, LedgerError> {
        let (watch, path) = key.owned();
        let name = key.path.file_name().unwrap_or_default().as_bytes().to_vec();
        let identity = text::json("identity", identity)?;
        self.write(move |transaction| {
            let sql = LedgerError::sql("be written");
            let open: Option<i64> = transaction
                .query_row(
                    "SELECT intents.id FROM intents JOIN files ON files.id = intents.file
                     WHERE intents.state = 'open' AND files.watch = ?1 AND files.path = ?2",
                    params![watch, path],
                    |row| row.get(0),
                )
                .optional()
                .map_err(&sql)?;
            if let Some(open) = open {
                return Err(LedgerError::StillOpen(open));
            }
            transaction
                .execute(
                    "INSERT INTO files (watch, path, name, state, identity, settled_at, previous)
                     VALUES (?1, ?2, ?3, 'settled', ?4, ?5,
                       (SELECT max(id) FROM files WHERE watch = ?1 AND path = ?2))",
                    params![watch, path, name, identity, stamp(Timestamp::now())],
                )
                .map_err(&sql)?;
            let file = transaction.last_insert_rowid();
            transaction
                .execute(
                    "UPDATE files SET state = 'gone', superseded_by = ?3
                     WHERE watch = ?1 AND path = ?2 AND id < ?3
                       AND state IN ('arriving', 'settled', 'weighed')",
                    params![watch, path, file],
                )
                .map_err(&sql)?;
            no_longer_arriving(transaction, &watch, &path)?;
            Ok(FileId(file))
        })
    }

    /// Nothing lies at `key` any more: it is not waited for, and a kept file is gone. A file
    /// that we moved away ourselves is not gone.
    pub fn vanished(&self, key: FileKey<'_>) -> Result<(), LedgerError> {
        let (watch, path) = key.owned();
        self.write(move |transaction| {
            no_longer_arriving(transaction, &watch, &path)?;
            transaction
                .execute(
                    "UPDATE files SET state = 'gone', closed_at = coalesce(closed_at, ?3)
                     WHERE watch = ?1 AND path = ?2
                       AND state IN ('arriving', 'settled', 'weighed', 'kept')
                       AND id NOT IN (SELECT file FROM intents WHERE state = 'open')",
                    params![watch, path, stamp(Timestamp::now())],
                )
                .map_err(LedgerError::sql("be written"))?;
            Ok(())
        })
    }

    /// The last weighing of the same bytes, under the same name (a profile may ask for one),
    /// against the same profile, by the same version of this program.
    pub fn earlier(
        &self,
        blake3: &str,
        profile_digest: &str,
        name: &OsStr,
        tool_version: &str,
    ) -> Result<Option<Earlier>, LedgerError> {
        let (blake3, profile) = (blake3.to_owned(), profile_digest.to_owned());
        let (name, version) = (name.as_bytes().to_vec(), tool_version.to_owned());
        self.call(move |connection| {
            connection
                .query_row(
                    "SELECT id, verdict, reason, sidecar,
                       EXISTS (SELECT 1 FROM notices JOIN files f ON f.id = notices.file
                               WHERE f.blake3 = ?1 AND f.profile_digest = ?2 AND f.name = ?3)
                     FROM files
                     WHERE blake3 = ?1 AND profile_digest = ?2 AND name = ?3 AND tool_version = ?4
                     ORDER BY id DESC LIMIT 1",
                    params![blake3, profile, name, version],
                    |row| {
                        Ok(Earlier {
                            file: FileId(row.get(0)?),
                            verdict: row.get(1)?,
                            reason: row.get(2)?,
                            sidecar_json: row.get(3)?,
                            notified: row.get(4)?,
                        })
                    },
                )
                .optional()
                .map_err(LedgerError::sql("be read"))
        })
    }

    /// Keeps what was found out about a file. Its revision is counted here.
    pub fn weighed(&self, file: FileId, weighing: Weighing) -> Result<(), LedgerError> {
        let identity = text::json("identity", &weighing.identity)?;
        let basis = text::json("basis", &weighing.basis)?;
        let awaits_mix = weighing.basis.mix.awaited().is_some();
        self.write(move |transaction| {
            let sql = LedgerError::sql("be written");
            let key: Option<(String, Vec<u8>)> = transaction
                .query_row(
                    "SELECT watch, path FROM files WHERE id = ?1",
                    [file.0],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )
                .optional()
                .map_err(&sql)?;
            let (watch, path) = key.ok_or(LedgerError::NoSuchFile(file.0))?;
            let revision = revision(transaction, &watch, &path, &weighing.blake3, file.0)?;
            transaction
                .execute(
                    "UPDATE files SET state = 'weighed', identity = ?2, weighed_at = ?3, bytes = ?4,
                       blake3 = ?5, sha256 = ?6, audio_blake3 = ?7, profile = ?8,
                       profile_digest = ?9, tool_version = ?10, verdict = ?11, reason = ?12,
                       sidecar = ?13, revision = ?14, replaces = ?15,
                       basis = ?16, awaits_mix = ?17
                     WHERE id = ?1",
                    params![
                        file.0,
                        identity,
                        stamp(Timestamp::now()),
                        text::count(weighing.bytes),
                        weighing.blake3,
                        weighing.sha256,
                        weighing.audio_blake3,
                        weighing.profile,
                        weighing.profile_digest,
                        weighing.tool_version,
                        weighing.verdict,
                        weighing.reason,
                        weighing.sidecar_json,
                        text::count(revision.number),
                        revision.replaces,
                        basis,
                        awaits_mix,
                    ],
                )
                .map_err(&sql)?;
            Ok(())
        })
    }

    /// Which revision of `key` the bytes with the digest `blake3` are. The same bytes again are
    /// the same revision.
    pub fn revision_of(&self, key: FileKey<'_>, blake3: &str) -> Result<RevisionOf, LedgerError> {
        let (watch, path) = key.owned();
        let blake3 = blake3.to_owned();
        self.call(move |connection| revision(connection, &watch, &path, &blake3, 0))
    }

    /// The sidecar that was last written for `key`.
    pub fn last_sidecar(&self, key: FileKey<'_>) -> Result<Option<LastSidecar>, LedgerError> {
        let (watch, path) = key.owned();
        self.call(move |connection| {
            let found: Option<(Option<Place>, String, Option<String>)> = connection
                .query_row(
                    "SELECT sidecar_root, sidecar_folder, sidecar_path, sidecar, basis FROM files
                     WHERE watch = ?1 AND path = ?2 AND sidecar_path IS NOT NULL
                     ORDER BY id DESC LIMIT 1",
                    params![watch, path],
                    |row| {
                        Ok((
                            text::place(row.get(0)?, row.get(1)?, row.get(2)?),
                            row.get(3)?,
                            row.get(4)?,
                        ))
                    },
                )
                .optional()
                .map_err(LedgerError::sql("be read"))?;
            let Some((Some(place), text, basis)) = found else {
                return Ok(None);
            };
            Ok(Some(LastSidecar {
                place,
                text,
                basis: basis::parsed(basis)?,
            }))
        })
    }
}

fn look_up(
    connection: &Connection,
    watch: &str,
    path: &[u8],
    identity: &Identity,
) -> Result<Seen, LedgerError> {
    let last: Option<(i64, String, String, Option<String>)> = connection
        .query_row(
            "SELECT id, state, identity,
               (SELECT blake3 FROM files WHERE watch = ?1 AND path = ?2 AND blake3 IS NOT NULL
                ORDER BY id DESC LIMIT 1)
             FROM files WHERE watch = ?1 AND path = ?2 ORDER BY id DESC LIMIT 1",
            params![watch, path],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
        )
        .optional()
        .map_err(LedgerError::sql("be read"))?;
    let Some((id, state, known, last_blake3)) = last else {
        return Ok(Seen::New);
    };
    let known: Identity = text::from_json("identity", &known)?;
    if known == *identity {
        return Ok(Seen::Same {
            file: FileId(id),
            state: FileState::from_word(&state)?,
        });
    }
    Ok(Seen::Changed { last_blake3 })
}

fn no_longer_arriving(
    transaction: &Transaction<'_>,
    watch: &str,
    path: &[u8],
) -> Result<(), LedgerError> {
    transaction
        .execute(
            "DELETE FROM arriving WHERE watch = ?1 AND path = ?2",
            params![watch, path],
        )
        .map_err(LedgerError::sql("be written"))?;
    Ok(())
}

/// The revision that `blake3` is at this path, leaving the row `except` aside.
fn revision(
    connection: &Connection,
    watch: &str,
    path: &[u8],
    blake3: &str,
    except: i64,
) -> Result<RevisionOf, LedgerError> {
    let last: Option<(String, i64, Option<String>)> = connection
        .query_row(
            "SELECT blake3, revision, replaces FROM files
             WHERE watch = ?1 AND path = ?2 AND blake3 IS NOT NULL AND id <> ?3
             ORDER BY id DESC LIMIT 1",
            params![watch, path, except],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()
        .map_err(LedgerError::sql("be read"))?;
    let last = last.map(|(blake3, number, replaces)| (blake3, text::counted(number), replaces));
    Ok(match last {
        None => RevisionOf {
            number: 1,
            replaces: None,
        },
        Some((same, number, replaces)) if same == blake3 => RevisionOf { number, replaces },
        Some((before, number, _)) => RevisionOf {
            number: number.saturating_add(1),
            replaces: Some(before),
        },
    })
}
