//! What people and pages ask: what is under way, what was, the story of one file, which mails
//! did not go. The same answers through [`super::Ledger`] and [`super::Reader`].

use std::collections::BTreeMap;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, ToSql, params};

use super::events::CustodyEvent;
use super::files::{FileId, FileState};
use super::outbox::MailId;
use super::place::Place;
use super::text::{self, stamp};
use super::{Ledger, LedgerError};
use crate::intake::Identity;

/// A file that the house is not done with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnderWay {
    pub watch: String,
    pub path: PathBuf,
    pub state: FileState,
    pub since: Timestamp,
    /// Why it waits, where that is known.
    pub why: Option<String>,
    pub bytes: u64,
}

/// All that is known of one settling of one file, but for the sidecar's text
/// ([`Ledger::sidecar_of`]).
#[derive(Clone, Debug, PartialEq)]
pub struct FileStory {
    pub file: FileId,
    pub watch: String,
    /// Relative to the watch's folder: where it settled.
    pub path: PathBuf,
    pub state: FileState,
    pub identity: Identity,
    pub settled_at: Timestamp,
    pub weighed_at: Option<Timestamp>,
    /// When it was released, kept or quarantined, or found to be gone.
    pub closed_at: Option<Timestamp>,
    pub bytes: Option<u64>,
    pub blake3: Option<String>,
    pub sha256: Option<String>,
    pub audio_blake3: Option<String>,
    pub profile: Option<String>,
    pub profile_digest: Option<String>,
    /// The verdict's word.
    pub verdict: Option<String>,
    pub reason: Option<String>,
    pub revision: Option<u64>,
    /// BLAKE3 of the revision before.
    pub replaces: Option<String>,
    /// The last settling at the same path.
    pub previous: Option<FileId>,
    /// Where it is now, once it was dealt with.
    pub place: Option<Place>,
    pub sidecar: Option<Place>,
    pub events: Vec<CustodyEvent>,
}

/// How many files were dealt with in a time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// By the verdict's word.
    pub verdicts: BTreeMap<String, u64>,
    /// By the state's word.
    pub states: BTreeMap<String, u64>,
}

/// A mail that did not go yet, or never will.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UndeliveredMail {
    pub id: MailId,
    pub subject: String,
    pub to: Vec<String>,
    pub made_at: Timestamp,
    pub attempts: u32,
    pub next_at: Timestamp,
    /// Refused by the server for good.
    pub refused: bool,
    pub error: Option<String>,
}

impl Ledger {
    pub fn under_way(&self) -> Result<Vec<UnderWay>, LedgerError> {
        self.call(|connection| under_way(connection))
    }

    /// The last files that were dealt with, newest first.
    pub fn recent(&self, limit: u32) -> Result<Vec<FileStory>, LedgerError> {
        self.call(move |connection| recent(connection, limit))
    }

    pub fn counts_since(&self, since: Timestamp) -> Result<Counts, LedgerError> {
        self.call(move |connection| counts_since(connection, since))
    }

    /// See [`super::Reader::find_by_name_or_path`].
    pub fn find_by_name_or_path(&self, path: &Path) -> Result<Vec<FileStory>, LedgerError> {
        let path = path.to_owned();
        self.call(move |connection| find(connection, &path))
    }

    pub fn story(&self, file: FileId) -> Result<Option<FileStory>, LedgerError> {
        self.call(move |connection| story(connection, file))
    }

    pub fn sidecar_of(&self, file: FileId) -> Result<Option<String>, LedgerError> {
        self.call(move |connection| sidecar_of(connection, file))
    }

    pub fn undelivered_mails(&self) -> Result<Vec<UndeliveredMail>, LedgerError> {
        self.call(|connection| undelivered(connection))
    }
}

pub(super) fn under_way(connection: &Connection) -> Result<Vec<UnderWay>, LedgerError> {
    let sql = LedgerError::sql("be read");
    // A file that settles again while its row is under way is told once, as arriving.
    let mut statement = connection
        .prepare(
            "SELECT watch, path, 'arriving', since, why, identity FROM arriving
             UNION ALL
             SELECT watch, path, state, coalesce(weighed_at, settled_at),
               (SELECT why FROM intents WHERE intents.file = files.id ORDER BY id DESC LIMIT 1),
               identity
             FROM files
             WHERE state IN ('arriving', 'settled', 'weighed')
               AND NOT EXISTS (SELECT 1 FROM arriving a
                               WHERE a.watch = files.watch AND a.path = files.path)
             ORDER BY 4",
        )
        .map_err(&sql)?;
    let mut rows = statement.query([]).map_err(&sql)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next().map_err(&sql)? {
        let state: String = row.get(2).map_err(&sql)?;
        let since: String = row.get(3).map_err(&sql)?;
        let identity: String = row.get(5).map_err(&sql)?;
        let identity: Identity = text::from_json("identity", &identity)?;
        all.push(UnderWay {
            watch: row.get(0).map_err(&sql)?,
            path: text::path(row.get(1).map_err(&sql)?),
            state: FileState::from_word(&state)?,
            since: text::time(&since)?,
            why: row.get(4).map_err(&sql)?,
            bytes: identity.bytes,
        });
    }
    Ok(all)
}

pub(super) fn recent(connection: &Connection, limit: u32) -> Result<Vec<FileStory>, LedgerError> {
    stories(
        connection,
        "WHERE closed_at IS NOT NULL AND superseded_by IS NULL ORDER BY closed_at DESC, id DESC LIMIT ?1",
        &[&limit],
    )
}

pub(super) fn story(
    connection: &Connection,
    file: FileId,
) -> Result<Option<FileStory>, LedgerError> {
    Ok(stories(connection, "WHERE id = ?1", &[&file.0])?.pop())
}

pub(super) fn counts_since(
    connection: &Connection,
    since: Timestamp,
) -> Result<Counts, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut counts = Counts::default();
    let mut statement = connection
        .prepare(
            "SELECT coalesce(verdict, ''), state, count(*) FROM files
             WHERE closed_at >= ?1 AND superseded_by IS NULL GROUP BY 1, 2",
        )
        .map_err(&sql)?;
    let mut rows = statement.query([stamp(since)]).map_err(&sql)?;
    while let Some(row) = rows.next().map_err(&sql)? {
        let verdict: String = row.get(0).map_err(&sql)?;
        let state: String = row.get(1).map_err(&sql)?;
        let count = text::counted(row.get(2).map_err(&sql)?);
        if !verdict.is_empty() {
            *counts.verdicts.entry(verdict).or_default() += count;
        }
        *counts.states.entry(state).or_default() += count;
    }
    Ok(counts)
}

pub(super) fn find(connection: &Connection, path: &Path) -> Result<Vec<FileStory>, LedgerError> {
    let Some(name) = path.file_name() else {
        return Ok(Vec::new());
    };
    let mut found = stories(
        connection,
        "WHERE (name = ?1 OR place_name = ?1) AND superseded_by IS NULL ORDER BY id DESC",
        &[&name.as_bytes()],
    )?;
    // Components, not text: `b.wav` does not find `ab.wav`, `./b.wav` finds `b.wav`.
    let wanted: PathBuf = path.components().collect();
    found.retain(|story| {
        let place = story.place.as_ref();
        if wanted.is_absolute() {
            place.is_some_and(|place| place.absolute() == wanted) || wanted.ends_with(&story.path)
        } else {
            let wanted = wanted.strip_prefix(".").unwrap_or(&wanted);
            story.path.ends_with(wanted)
                || place.is_some_and(|place| place.absolute().ends_with(wanted))
        }
    });
    Ok(found)
}

pub(super) fn sidecar_of(
    connection: &Connection,
    file: FileId,
) -> Result<Option<String>, LedgerError> {
    Ok(connection
        .query_row("SELECT sidecar FROM files WHERE id = ?1", [file.0], |row| {
            row.get::<_, Option<String>>(0)
        })
        .optional()
        .map_err(LedgerError::sql("be read"))?
        .flatten())
}

pub(super) fn undelivered(connection: &Connection) -> Result<Vec<UndeliveredMail>, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut statement = connection
        .prepare(
            "SELECT id, subject, recipients, made_at, attempts, next_at, refused_at IS NOT NULL, error
             FROM mails WHERE sent_at IS NULL ORDER BY id",
        )
        .map_err(&sql)?;
    let mut rows = statement.query([]).map_err(&sql)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next().map_err(&sql)? {
        let to: String = row.get(2).map_err(&sql)?;
        let made_at: String = row.get(3).map_err(&sql)?;
        let next_at: String = row.get(5).map_err(&sql)?;
        all.push(UndeliveredMail {
            id: MailId(row.get(0).map_err(&sql)?),
            subject: row.get(1).map_err(&sql)?,
            to: text::from_json("recipients", &to)?,
            made_at: text::time(&made_at)?,
            attempts: row.get(4).map_err(&sql)?,
            next_at: text::time(&next_at)?,
            refused: row.get(6).map_err(&sql)?,
            error: row.get(7).map_err(&sql)?,
        });
    }
    Ok(all)
}

fn stories(
    connection: &Connection,
    which: &str,
    with: &[&dyn ToSql],
) -> Result<Vec<FileStory>, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut statement = connection
        .prepare(&format!(
            "SELECT id, watch, path, state, identity, settled_at, weighed_at, closed_at, bytes,
               blake3, sha256, audio_blake3, profile, profile_digest, verdict, reason, revision,
               replaces, previous, place_root, place_folder, place_path, sidecar_root,
               sidecar_folder, sidecar_path
             FROM files {which}"
        ))
        .map_err(&sql)?;
    let mut rows = statement.query(with).map_err(&sql)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next().map_err(&sql)? {
        let mut story = one(row)?;
        story.events = events(connection, story.file)?;
        all.push(story);
    }
    Ok(all)
}

fn one(row: &Row<'_>) -> Result<FileStory, LedgerError> {
    let sql = LedgerError::sql("be read");
    let state: String = row.get(3).map_err(&sql)?;
    let identity: String = row.get(4).map_err(&sql)?;
    let settled_at: String = row.get(5).map_err(&sql)?;
    Ok(FileStory {
        file: FileId(row.get(0).map_err(&sql)?),
        watch: row.get(1).map_err(&sql)?,
        path: text::path(row.get(2).map_err(&sql)?),
        state: FileState::from_word(&state)?,
        identity: text::from_json("identity", &identity)?,
        settled_at: text::time(&settled_at)?,
        weighed_at: text::times(row.get(6).map_err(&sql)?)?,
        closed_at: text::times(row.get(7).map_err(&sql)?)?,
        bytes: row
            .get::<_, Option<i64>>(8)
            .map_err(&sql)?
            .map(text::counted),
        blake3: row.get(9).map_err(&sql)?,
        sha256: row.get(10).map_err(&sql)?,
        audio_blake3: row.get(11).map_err(&sql)?,
        profile: row.get(12).map_err(&sql)?,
        profile_digest: row.get(13).map_err(&sql)?,
        verdict: row.get(14).map_err(&sql)?,
        reason: row.get(15).map_err(&sql)?,
        revision: row
            .get::<_, Option<i64>>(16)
            .map_err(&sql)?
            .map(text::counted),
        replaces: row.get(17).map_err(&sql)?,
        previous: row.get::<_, Option<i64>>(18).map_err(&sql)?.map(FileId),
        place: text::place(
            row.get(19).map_err(&sql)?,
            row.get(20).map_err(&sql)?,
            row.get(21).map_err(&sql)?,
        ),
        sidecar: text::place(
            row.get(22).map_err(&sql)?,
            row.get(23).map_err(&sql)?,
            row.get(24).map_err(&sql)?,
        ),
        events: Vec::new(),
    })
}

fn events(connection: &Connection, file: FileId) -> Result<Vec<CustodyEvent>, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut statement = connection
        .prepare_cached("SELECT event FROM events WHERE file = ?1 ORDER BY id")
        .map_err(&sql)?;
    let rows = statement
        .query_map(params![file.0], |row| row.get::<_, String>(0))
        .map_err(&sql)?;
    let mut all = Vec::new();
    for row in rows {
        all.push(text::from_json("event", &row.map_err(&sql)?)?);
    }
    Ok(all)
}
