//! Why a deed was not done. Whatever the error, the file is complete at one place.

use std::io;
use std::path::{Path, PathBuf};

use crate::ledger::LedgerError;

#[derive(Debug, thiserror::Error)]
pub enum CustodyError {
    #[error("the folder {} is not there ({root}): is the share mounted?", folder.display())]
    RootMissing {
        root: String,
        folder: PathBuf,
        #[source]
        source: io::Error,
    },

    #[error(
        "the folder {} is not the one it was when the deed was begun ({root}): is the share mounted?",
        folder.display()
    )]
    RootChanged { root: String, folder: PathBuf },

    #[error("{} is a symbolic link, and links are not followed", path.display())]
    Link { path: PathBuf },

    #[error("{} is not a folder", path.display())]
    NotAFolder { path: PathBuf },

    #[error("{} is not a regular file", path.display())]
    NotAFile { path: PathBuf },

    #[error("the folder of {} is not there any more", path.display())]
    Gone { path: PathBuf },

    #[error("{} is not a path below a root", path.display())]
    BadPath { path: PathBuf },

    #[error(
        "{} is not the file that was weighed any more: it has to settle and be weighed anew",
        path.display()
    )]
    Changed { path: PathBuf },

    #[error(
        "{} has other bytes than those that were weighed, although its size and times are the same: it has to be weighed anew",
        path.display()
    )]
    OtherBytes { path: PathBuf },

    #[error("the name {} was taken after it had been chosen", path.display())]
    Taken { path: PathBuf },

    #[error("there is no free name for {}: every number is taken", path.display())]
    NoFreeName { path: PathBuf },

    #[error(
        "no room to {deed} {}: make room there; the file stays where it is",
        path.display()
    )]
    Full {
        deed: &'static str,
        path: PathBuf,
        #[source]
        source: io::Error,
    },

    #[error(
        "not permitted to {deed} {}: the user that runs weighbridge must own the folder or may write there",
        path.display()
    )]
    Denied {
        deed: &'static str,
        path: PathBuf,
        #[source]
        source: io::Error,
    },

    #[error("could not {deed} {}", path.display())]
    Io {
        deed: &'static str,
        path: PathBuf,
        #[source]
        source: io::Error,
    },

    #[error(
        "the copy for {} does not read back as it was written: the disk or the share there is not to be trusted; the copy was removed and the file stays where it is",
        path.display()
    )]
    BadCopy { path: PathBuf },

    /// The journal stays open: [`super::finish_open_intents`] decides from what is on the disk.
    #[error(
        "the deed on {} was begun and could not be closed; it will be finished or undone at the next start",
        path.display()
    )]
    Unfinished {
        path: PathBuf,
        #[source]
        source: Box<CustodyError>,
    },

    /// Only where a [`super::Conduct`] asked for it: as if the power had failed.
    #[error("stopped between two steps")]
    Interrupted,

    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// Who acts on an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Remedy {
    /// Nobody: the file settles and is weighed anew.
    WeighAnew,
    /// Nobody: plan again, another name will be free.
    PlanAgain,
    /// The operator: the disk, the share, the permissions. Tell, and try again later.
    Tell,
}

impl CustodyError {
    pub fn remedy(&self) -> Remedy {
        match self {
            Self::Changed { .. } | Self::OtherBytes { .. } => Remedy::WeighAnew,
            Self::Taken { .. } => Remedy::PlanAgain,
            _ => Remedy::Tell,
        }
    }

    /// An error of the system, by who can do something about it.
    pub(super) fn io(deed: &'static str, path: &Path, source: impl Into<io::Error>) -> Self {
        use io::ErrorKind::{PermissionDenied, QuotaExceeded, ReadOnlyFilesystem, StorageFull};
        let (path, source) = (path.to_owned(), source.into());
        match source.kind() {
            StorageFull | QuotaExceeded => Self::Full { deed, path, source },
            PermissionDenied | ReadOnlyFilesystem => Self::Denied { deed, path, source },
            _ => Self::Io { deed, path, source },
        }
    }
}
