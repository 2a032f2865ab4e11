//! Looks on: the ledger opened for reading by another process (`status`, `history`, `show`),
//! whether the daemon runs or not, and whether that process may write there or not.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags};

use super::files::FileId;
use super::handle::BUSY;
use super::lock::{self, Lock};
use super::questions::{self, Counts, FileStory, UndeliveredMail, UnderWay};
use super::troubles::{self, ActiveTrouble};
use super::{LedgerError, schema};

pub struct Reader {
    connection: Connection,
    state: PathBuf,
    /// Held only where the file is read as it lies, without its log.
    _lock: Option<Lock>,
}

impl Reader {
    /// Opens the ledger of a state folder; makes nothing and changes nothing.
    pub fn open(state: &Path) -> Result<Self, LedgerError> {
        let file = state.join("ledger.sqlite");
        if !file.exists() {
            return Err(LedgerError::None {
                state: state.to_owned(),
            });
        }
        match Self::beside_the_daemon(state, &file) {
            // A ledger in WAL mode that was closed well has no shared memory beside it, and
            // somebody who may not write in the folder can not make any.
            Err(LedgerError::Sql { .. }) if !state.join("ledger.sqlite-wal").exists() => {
                Self::as_it_lies(state, &file)
            }
            answer => answer,
        }
    }

    fn beside_the_daemon(state: &Path, file: &Path) -> Result<Self, LedgerError> {
        let sql = LedgerError::sql("be opened");
        let connection = Connection::open_with_flags(
            file,
            OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )
        .map_err(&sql)?;
        connection.busy_timeout(BUSY).map_err(&sql)?;
        schema::must_be_known(&connection, file)?;
        Ok(Self {
            connection,
            state: state.to_owned(),
            _lock: None,
        })
    }

    /// Reads the file alone. The lock keeps a daemon from starting to write meanwhile.
    pub(super) fn as_it_lies(state: &Path, file: &Path) -> Result<Self, LedgerError> {
        let sql = LedgerError::sql("be opened");
        let lock = lock::look_on(state);
        let connection = Connection::open_with_flags(
            immutable_uri(file),
            OpenFlags::SQLITE_OPEN_READ_ONLY
                | OpenFlags::SQLITE_OPEN_URI
                | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )
        .map_err(&sql)?;
        schema::must_be_known(&connection, file)?;
        Ok(Self {
            connection,
            state: state.to_owned(),
            _lock: lock,
        })
    }

    /// What is arriving, settled or weighed, longest first.
    pub fn under_way(&self) -> Result<Vec<UnderWay>, LedgerError> {
        questions::under_way(&self.connection)
    }

    /// The last files that were dealt with, newest first.
    pub fn recent(&self, limit: u32) -> Result<Vec<FileStory>, LedgerError> {
        questions::recent(&self.connection, limit)
    }

    pub fn counts_since(&self, since: Timestamp) -> Result<Counts, LedgerError> {
        questions::counts_since(&self.connection, since)
    }

    /// Every settling of the files that `path` may mean, newest first: a name, some last parts
    /// of a path, or an absolute path; where the file settled or where it is now.
    pub fn find_by_name_or_path(&self, path: &Path) -> Result<Vec<FileStory>, LedgerError> {
        questions::find(&self.connection, path)
    }

    pub fn story(&self, file: FileId) -> Result<Option<FileStory>, LedgerError> {
        questions::story(&self.connection, file)
    }

    /// The sidecar's text: as it was written to disk, or, before custody, as weighed.
    pub fn sidecar_of(&self, file: FileId) -> Result<Option<String>, LedgerError> {
        questions::sidecar_of(&self.connection, file)
    }

    pub fn undelivered_mails(&self) -> Result<Vec<UndeliveredMail>, LedgerError> {
        questions::undelivered(&self.connection)
    }

    /// What is wrong, longest first; of a daemon that ended, what was wrong then.
    pub fn troubles(&self) -> Result<Vec<ActiveTrouble>, LedgerError> {
        troubles::all(&self.connection)
    }

    /// Whether a daemon runs on this ledger at this moment.
    pub fn daemon_runs(&self) -> bool {
        lock::is_taken(&self.state)
    }
}

/// Source: SQLite, "Uniform Resource Identifiers" (sqlite.org/uri.html): `?`, `#` and `%` are
/// written as `%HH`; so is all else here that is not plainly a path.
fn immutable_uri(file: &Path) -> String {
    use std::fmt::Write as _;
    use std::os::unix::ffi::OsStrExt;

    let absolute = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    let mut uri = "file://".to_owned();
    for &byte in absolute.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-_.".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            let _ = write!(uri, "%{byte:02X}");
        }
    }
    uri.push_str("?immutable=1");
    uri
}
