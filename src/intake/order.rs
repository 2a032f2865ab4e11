//! What a watch is told to do, and what is handed in to it.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::config::{OtherFiles, Watch, WatchKind};

use super::names::NameRules;
use super::{Identity, Probe, RootMemory};

/// One watch as intake needs it.
#[derive(Clone, Debug)]
pub struct WatchOrder {
    pub name: Arc<str>,
    /// Absolute.
    pub root: PathBuf,
    pub kind: WatchKind,
    /// Between two scans when nothing calls for one earlier.
    pub poll: Duration,
    /// Unchanged this long.
    pub settle: Duration,
    /// How long an incomplete file is waited for without change.
    pub patience: Duration,
    /// Folders (relative to the root) that are left alone with all that is in them.
    pub(super) leave: Vec<PathBuf>,
    pub(super) names: NameRules,
}

impl WatchOrder {
    /// `leave`: absolute folders to leave alone, such as a quarantine that lies inside the
    /// watch; those outside of it do not matter. Fails where an `ignore` pattern is no glob.
    pub fn new(watch: &Watch, leave: &[PathBuf]) -> Result<Self, globset::Error> {
        Ok(Self {
            name: Arc::from(watch.name.as_str()),
            root: watch.folder.clone(),
            kind: watch.kind,
            poll: watch.poll,
            settle: watch.settle,
            patience: watch.patience.max(watch.settle),
            leave: leave
                .iter()
                .filter_map(|folder| folder.strip_prefix(&watch.folder).ok())
                .filter(|relative| !relative.as_os_str().is_empty())
                .map(Path::to_path_buf)
                .collect(),
            names: NameRules::new(
                &watch.audio_extensions,
                watch.other_files == OtherFiles::Stop,
                &watch.ignore,
            )?,
        })
    }
}

/// Says of an absolute path whether the file is structurally complete. May block on a dead
/// share; an error is waited out like an incomplete file.
pub type ProbeHook = Arc<dyn Fn(&Path) -> io::Result<Probe> + Send + Sync>;

/// Says whether a file (watch, path below its root, identity) was dealt with before. Asked once
/// for each new identity, before the file settles or when it has.
pub type KnownHook = Arc<dyn Fn(&str, &Path, &Identity) -> bool + Send + Sync>;

/// What intake does not know itself.
#[derive(Clone)]
pub struct Hooks {
    pub probe: ProbeHook,
    pub known: KnownHook,
    /// The root of an earlier run, as `root_seen` was last told.
    pub root_before: Option<RootMemory>,
    /// Called when there is something new to remember.
    pub root_seen: Arc<dyn Fn(&RootMemory) + Send + Sync>,
}
