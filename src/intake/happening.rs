//! What intake tells the rest of the house. Plain values; who acts on them is not known here.

use std::path::PathBuf;
use std::sync::Arc;

use super::Identity;

/// A file that has settled and is to be weighed. Answer it with
/// [`done`](super::WatchHandle::done) or [`given_back`](super::WatchHandle::given_back).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrival {
    /// The watch's name.
    pub watch: Arc<str>,
    /// The watch's folder.
    pub root: PathBuf,
    /// Below `root`, raw bytes.
    pub path: PathBuf,
    pub identity: Identity,
    pub settled_at: jiff::Timestamp,
    /// By its extension; `false` only where other files are to be stopped.
    pub audio: bool,
    /// Why it is still incomplete, where patience ran out: to be judged as it is.
    pub incomplete: Option<String>,
}

impl Arrival {
    pub fn full_path(&self) -> PathBuf {
        self.root.join(&self.path)
    }
}

/// One thing that intake noticed. Paths lie below the watch's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Happening {
    Arrived(Arrival),
    /// Seen and waited for; told again only when `why` changes.
    Arriving {
        watch: Arc<str>,
        path: PathBuf,
        identity: Identity,
        why: String,
    },
    /// The file is no longer there. Never told of a root that is missing or in doubt, nor of a
    /// file that went away between its arrival and `done`.
    Gone {
        watch: Arc<str>,
        path: PathBuf,
    },
    /// Somebody must act. `key` names the trouble within its watch; told anew when `says` changes.
    Trouble {
        watch: Arc<str>,
        key: String,
        says: String,
    },
    TroubleOver {
        watch: Arc<str>,
        key: String,
    },
    /// A remark that is made once: a symbolic link, two names that look the same.
    Told {
        watch: Arc<str>,
        path: PathBuf,
        says: String,
    },
}

/// What a look into a file says of its structure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Probe {
    /// The header's sizes agree with the file's length.
    Complete,
    /// What is still missing, for people.
    Incomplete(String),
    /// A kind of file whose structure says nothing: time alone decides.
    Unknown,
}
