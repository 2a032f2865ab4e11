//! The state folder: made where missing, refused on a network file system, and locked for one
//! weighbridge at a time.

use std::fs::{self, File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use rustix::fs::{FlockOperation, flock};

use super::LedgerError;

/// Held as long as the ledger is open. The kernel lets go of it when the process dies, however
/// it dies; the file itself stays.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

/// How long a start waits for a command that reads the ledger without a daemon.
const PATIENCE: Duration = Duration::from_secs(2);

/// Makes the state folder where it is missing, and takes its lock.
pub(super) fn take(state: &Path) -> Result<Lock, LedgerError> {
    let unwritable = |source| LedgerError::Unwritable {
        state: state.to_owned(),
        source,
    };
    fs::create_dir_all(state).map_err(unwritable)?;
    refuse_network(state)?;
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(state.join("lock"))
        .map_err(unwritable)?;
    let begun = Instant::now();
    loop {
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => break,
            Err(rustix::io::Errno::WOULDBLOCK) => {
                let holder = holder(&mut file);
                // A daemon writes its number into the file; a reader (`look_on`) does not, and
                // is gone in a moment.
                if holder.is_some() && begun.elapsed() >= PATIENCE / 4
                    || begun.elapsed() >= PATIENCE
                {
                    return Err(LedgerError::InUse {
                        state: state.to_owned(),
                        process: holder.unwrap_or_else(|| "unknown".to_owned()),
                    });
                }
                std::thread::sleep(Duration::from_millis(20));
            }
            Err(errno) => return Err(unwritable(errno.into())),
        }
    }
    file.set_len(0).map_err(unwritable)?;
    file.seek(SeekFrom::Start(0)).map_err(unwritable)?;
    writeln!(file, "{}", std::process::id()).map_err(unwritable)?;
    Ok(Lock { _file: file })
}

/// Keeps daemons out while a ledger is read that cannot be written. `None` where one runs.
pub(super) fn look_on(state: &Path) -> Option<Lock> {
    let file = File::open(state.join("lock")).ok()?;
    flock(&file, FlockOperation::NonBlockingLockShared).ok()?;
    Some(Lock { _file: file })
}

/// Whether a daemon holds the state folder. The look takes a shared lock for a moment, which a
/// daemon that starts meanwhile waits out.
pub(super) fn is_taken(state: &Path) -> bool {
    File::open(state.join("lock")).is_ok_and(|file| {
        flock(&file, FlockOperation::NonBlockingLockShared) == Err(rustix::io::Errno::WOULDBLOCK)
    })
}

fn holder(file: &mut File) -> Option<String> {
    let mut text = String::new();
    file.seek(SeekFrom::Start(0)).ok()?;
    file.take(32).read_to_string(&mut text).ok()?;
    let text = text.trim();
    (!text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.to_owned())
}

/// A write-ahead log needs memory shared between processes, and locks that hold: no network
/// file system gives both.
fn refuse_network(state: &Path) -> Result<(), LedgerError> {
    let answer = rustix::fs::statfs(state).map_err(|errno| LedgerError::Unwritable {
        state: state.to_owned(),
        source: errno.into(),
    })?;
    // The field's width differs between machines; the numbers have 32 bits.
    match network(answer.f_type as u32) {
        None => Ok(()),
        Some(kind) => Err(LedgerError::Network {
            state: state.to_owned(),
            kind,
        }),
    }
}

/// Source: statfs(2), the list of `f_type` values (Linux man-pages).
pub(super) fn network(magic: u32) -> Option<&'static str> {
    match magic {
        0x6969 => Some("NFS"),
        0xff53_4d42 => Some("CIFS"),
        0x517b => Some("SMB"),
        0xfe53_4d42 => Some("SMB2"),
        _ => None,
    }
}
