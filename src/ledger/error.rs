//! Why the ledger could not be opened, read or written.

use std::io;
use std::path::PathBuf;

/// Whatever the error: no file is moved while its ledger does not answer.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    #[error(
        "another weighbridge already uses {} (process {process}): stop it, or give this one a state folder of its own",
        state.display()
    )]
    InUse { state: PathBuf, process: String },

    #[error(
        "the state folder {} lies on a network file system ({kind}), where a ledger can be damaged: put `state` on a local disk",
        state.display()
    )]
    Network { state: PathBuf, kind: &'static str },

    #[error(
        "the ledger {} was written by a newer weighbridge (its schema is {found}, this one knows up to {known}): run that version, or use another state folder; nothing was changed",
        file.display()
    )]
    Newer {
        file: PathBuf,
        found: i64,
        known: i64,
    },

    #[error(
        "the ledger {} is of an older schema ({found}, this one reads {known}): start the daemon once, which brings it up to date",
        file.display()
    )]
    Older {
        file: PathBuf,
        found: i64,
        known: i64,
    },

    #[error(
        "{} is not a ledger of weighbridge: move it away, or use another state folder; nothing was changed",
        file.display()
    )]
    Foreign { file: PathBuf },

    #[error(
        "the state folder {} cannot be written: it must be there, or be possible to make, and belong to the user that runs weighbridge",
        state.display()
    )]
    Unwritable {
        state: PathBuf,
        #[source]
        source: io::Error,
    },

    #[error(
        "there is no ledger in {}: has the daemon run with this configuration?",
        state.display()
    )]
    None { state: PathBuf },

    /// The disk is full, or the database is damaged, or somebody holds it locked: an alarm.
    #[error("the ledger could not {deed}")]
    Sql {
        deed: &'static str,
        #[source]
        source: rusqlite::Error,
    },

    #[error("a row of the ledger could not be understood ({what})")]
    Unreadable {
        what: &'static str,
        #[source]
        source: serde_json::Error,
    },

    #[error("a time of the ledger could not be understood")]
    Time(#[source] jiff::Error),

    #[error("the ledger holds a word that this version does not know ({0})")]
    Word(String),

    /// The writer thread has ended: only while stopping, or after a bug.
    #[error("the ledger is closed")]
    Closed,

    #[error("the ledger has no file number {0}")]
    NoSuchFile(i64),

    #[error("journal entry {0} is not open")]
    NotOpen(i64),

    /// One deed at a time for one file.
    #[error(
        "a deed on this file is still open in the journal (entry {0}); it must be finished first"
    )]
    StillOpen(i64),

    /// A mail that would tell something twice was not made.
    #[error("notice {0} is already in a mail, or is not there")]
    AlreadyMailed(i64),

    #[error("the ledger has no mail number {0} that waits to be sent")]
    NoSuchMail(i64),
}

impl LedgerError {
    /// For `map_err`: `deed` completes "the ledger could not …".
    pub(super) fn sql(deed: &'static str) -> impl Fn(rusqlite::Error) -> Self {
        move |source| Self::Sql { deed, source }
    }
}
