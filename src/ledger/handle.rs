//! The handle and the one thread behind it that owns the connection.
//!
//! A call hands its work to the thread and waits for the answer. The queue is bounded: when it
//! is full, callers wait, and with them the files they carry.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

use super::lock::{self, Lock};
use super::{LedgerError, schema};

/// Enough that weighing threads seldom wait for each other; each job is small.
const QUEUE: usize = 32;

/// Somebody may hold the file with another tool, but not for ever.
pub(super) const BUSY: Duration = Duration::from_secs(10);

type Job = Box<dyn FnOnce(&mut Connection) + Send>;

/// The ledger, open for writing. Calls block until the answer is on the disk.
#[derive(Clone)]
pub struct Ledger {
    inner: Arc<Inner>,
}

struct Inner {
    /// `None` only while dropping.
    queue: Option<SyncSender<Job>>,
    thread: Option<JoinHandle<()>>,
    id: String,
    state: PathBuf,
    // Let go of last, after the thread has closed the connection.
    _lock: Lock,
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.queue = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Ledger {
    /// Opens the ledger in the folder `state`, which is made where it is missing, and locks the
    /// folder against a second weighbridge.
    pub fn open(state: &Path) -> Result<Self, LedgerError> {
        let lock = lock::take(state)?;
        let file = state.join("ledger.sqlite");
        let mut connection = connect(state, &file)?;
        let id = connection
            .query_row("SELECT value FROM about WHERE key = 'id'", [], |row| {
                row.get(0)
            })
            .map_err(LedgerError::sql("be read"))?;
        // What was arriving or wrong when the last daemon stopped will be seen again.
        connection
            .execute_batch("DELETE FROM arriving; DELETE FROM troubles")
            .map_err(LedgerError::sql("be written"))?;

        let (queue, jobs) = sync_channel::<Job>(QUEUE);
        let thread = std::thread::Builder::new()
            .name("ledger".to_owned())
            .spawn(move || {
                for job in jobs {
                    // A bug in one question must not close the ledger for all; the transaction
                    // it was in has been rolled back, and its caller sees `Closed`.
                    let _ = catch_unwind(AssertUnwindSafe(|| job(&mut connection)));
                }
            })
            .map_err(|source| LedgerError::Unwritable {
                state: state.to_owned(),
                source,
            })?;
        Ok(Self {
            inner: Arc::new(Inner {
                queue: Some(queue),
                thread: Some(thread),
                id,
                state: state.to_owned(),
                _lock: lock,
            }),
        })
    }

    /// Eight hexadecimal digits, chosen when the ledger was made; part of our temporary names.
    pub fn id(&self) -> &str {
        &self.inner.id
    }

    /// The state folder.
    pub fn state(&self) -> &Path {
        &self.inner.state
    }

    /// Runs `work` on the writer thread and waits for its answer.
    pub(super) fn call<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Connection) -> Result<T, LedgerError> + Send + 'static,
    ) -> Result<T, LedgerError> {
        let (reply, answer) = sync_channel(1);
        let job: Job = Box::new(move |connection| {
            // The caller waits for it; where it does not any more, nobody misses the answer.
            let _ = reply.send(work(connection));
        });
        let queue = self.inner.queue.as_ref().ok_or(LedgerError::Closed)?;
        queue.send(job).map_err(|_| LedgerError::Closed)?;
        answer.recv().map_err(|_| LedgerError::Closed)?
    }

    /// As `call`, in one transaction: all of `work` is kept, or nothing of it.
    pub(super) fn write<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, LedgerError> + Send + 'static,
    ) -> Result<T, LedgerError> {
        self.call(move |connection| {
            let sql = LedgerError::sql("be written");
            let transaction = connection
                .transaction_with_behavior(TransactionBehavior::Immediate)
                .map_err(&sql)?;
            let answer = work(&transaction)?;
            transaction.commit().map_err(&sql)?;
            Ok(answer)
        })
    }
}

fn connect(state: &Path, file: &Path) -> Result<Connection, LedgerError> {
    let sql = LedgerError::sql("be opened");
    let mut connection = Connection::open_with_flags(
        file,
        OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(|error| match error.sqlite_error_code() {
        Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::PermissionDenied) => {
            LedgerError::Unwritable {
                state: state.to_owned(),
                source: std::io::Error::other(error),
            }
        }
        _ => sql(error),
    })?;
    let failed = |error: rusqlite::Error| match error.sqlite_error_code() {
        Some(rusqlite::ErrorCode::NotADatabase) => LedgerError::Foreign {
            file: file.to_owned(),
        },
        Some(rusqlite::ErrorCode::ReadOnly | rusqlite::ErrorCode::CannotOpen) => {
            LedgerError::Unwritable {
                state: state.to_owned(),
                source: std::io::Error::other(error),
            }
        }
        _ => sql(error),
    };
    connection.busy_timeout(BUSY).map_err(failed)?;
    let found = schema::check(&connection, file)?;
    connection
        .pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0))
        .map_err(failed)?;
    // Every commit reaches the disk before the call returns: the journal is worth nothing else.
    connection
        .pragma_update(None, "synchronous", "FULL")
        .map_err(failed)?;
    connection
        .pragma_update(None, "foreign_keys", true)
        .map_err(failed)?;
    schema::bring_up_to_date(&mut connection, found)?;
    Ok(connection)
}
