//! What all parts of the daemon share in one round: configuration, profiles, ledger, alarms,
//! and the watches' handles.

use std::collections::HashMap;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;
use tracing::{error, info};

use super::alarms::Alarms;
use super::start::Loaded;
use crate::config::{Config, RecordPlace, Watch};
use crate::custody::{self, Ended};
use crate::intake::{RootMemory, WatchHandle};
use crate::ledger::{Ledger, Root};
use crate::profile::ProfileSet;
use crate::render::binaural::HeadSet;

pub(super) struct House {
    pub(super) config: Config,
    pub(super) profiles: ProfileSet,
    pub(super) head: Option<Arc<HeadSet>>,
    pub(super) ledger: Ledger,
    pub(super) alarms: Arc<Alarms>,
    /// Wakes the mail loop.
    pub(super) post: Arc<Notify>,
    /// Set when the round ends: nothing new is begun, weighings stop at the next block.
    pub(super) stopping: AtomicBool,
    pub(super) handles: Mutex<HashMap<Arc<str>, WatchHandle>>,
    /// Deeds wait in the journal for a folder that is away.
    deeds_wait: AtomicBool,
}

/// The folder of a watch, by the part it plays there.
pub(super) struct Destinations {
    pub(super) watch: Root,
    pub(super) quarantine: Option<Root>,
    pub(super) release: Option<Root>,
    pub(super) record: Option<Root>,
}

impl Destinations {
    fn all(&self) -> impl Iterator<Item = &Root> {
        [&self.quarantine, &self.release, &self.record]
            .into_iter()
            .flatten()
    }
}

impl House {
    pub(super) fn new(
        loaded: Loaded,
        ledger: Ledger,
        alarms: Arc<Alarms>,
        post: Arc<Notify>,
    ) -> Self {
        Self {
            alarms,
            config: loaded.config,
            profiles: loaded.profiles,
            head: loaded.head,
            ledger,
            post,
            stopping: AtomicBool::new(false),
            handles: Mutex::new(HashMap::new()),
            deeds_wait: AtomicBool::new(false),
        }
    }

    pub(super) fn is_stopping(&self) -> bool {
        self.stopping.load(Ordering::Relaxed)
    }

    pub(super) fn watch(&self, name: &str) -> Option<&Watch> {
        self.config.watches.iter().find(|watch| watch.name == name)
    }

    pub(super) fn destinations(watch: &Watch) -> Destinations {
        let named = |name: &str, folder: &Path| Root::new(name, folder);
        Destinations {
            watch: named(&watch.name, &watch.folder),
            quarantine: watch
                .quarantine
                .as_deref()
                .map(|folder| named("quarantine", folder)),
            release: watch
                .release
                .as_deref()
                .map(|folder| named("release", folder)),
            record: match &watch.record {
                RecordPlace::Beside => None,
                RecordPlace::Folder(folder) => Some(named("record", folder)),
            },
        }
    }

    /// Raises an alarm and wakes the mail loop.
    pub(super) fn alarm(&self, key: &str, says: &str, place: &str, to_do: &str) {
        if self.alarms.raise(key, says, place, to_do) {
            self.post.notify_one();
        }
    }

    pub(super) fn alarm_over(&self, key: &str, place: &str) {
        if self.alarms.over(key, place) {
            self.post.notify_one();
        }
    }

    /// Whether every folder that a file of this watch may go to is there and is the one it was.
    /// Where not, an alarm is raised, and nothing may be begun: without a place to put it, a
    /// verdict is of no use.
    pub(super) fn can_deliver(&self, watch: &Watch) -> bool {
        // Every one is looked at, so that all that is missing is told at once.
        let away = Self::destinations(watch)
            .all()
            .filter(|root| !self.root_is_there(root))
            .count();
        away == 0
    }

    /// Whether the folder of the mixes is there, where a release waits on the comparison. What was
    /// released cannot be pulled back, so while that share is away the file waits. A file that
    /// stays in the house is judged without its mix, and again when the mix is there.
    pub(super) fn can_compare(&self, watch: &Watch, below: &Path) -> bool {
        let rule = (watch.judged_by(below).route).and_then(|route| route.mix.as_ref());
        let folder = rule.and_then(|rule| rule.folder.as_deref());
        match folder.filter(|_| watch.release.is_some()) {
            Some(folder) => self.root_is_there(&Root::new("mixes", folder)),
            None => true,
        }
    }

    fn root_is_there(&self, root: &Root) -> bool {
        let key = format!("folder {}:{}", root.name, root.folder.display());
        match self.look_at_root(root) {
            Ok(()) => {
                self.alarm_over(&key, &root.name);
                true
            }
            Err(says) => {
                self.alarm(
                    &key,
                    &says,
                    &root.name,
                    "mount it, or make it for the user that runs weighbridge; files wait where \
                     they are until then",
                );
                false
            }
        }
    }

    fn look_at_root(&self, root: &Root) -> Result<(), String> {
        let folder = root.folder.display();
        let metadata = fs::metadata(&root.folder)
            .map_err(|error| format!("the {} folder {folder} is not there ({error})", root.name))?;
        if !metadata.is_dir() {
            return Err(format!("{folder} ({}) is not a folder", root.name));
        }
        let above = root
            .folder
            .parent()
            .and_then(|parent| fs::metadata(parent).ok());
        let now = RootMemory {
            device: metadata.dev(),
            mount: 0,
            inode: metadata.ino(),
            mount_point: above.is_some_and(|above| above.dev() != metadata.dev()),
            held_files: false,
        };
        // Names of watches hold no colon, so this name of a root is nobody else's.
        let name = format!("{}:{folder}", root.name);
        let before = self.ledger.root(&name).map_err(|error| error.to_string())?;
        if before.is_some_and(|before| before.mount_point) && !now.mount_point {
            return Err(format!(
                "nothing is mounted at the {} folder {folder}, where a share was before",
                root.name
            ));
        }
        if before != Some(now) {
            self.ledger
                .remember_root(&name, now)
                .map_err(|error| error.to_string())?;
        }
        Ok(())
    }

    /// Finishes or undoes what the journal says was begun. At start, and again while some of it
    /// waits for a folder.
    pub(super) fn finish_what_was_under_way(&self) {
        let finished = match custody::finish_open_intents(&self.ledger) {
            Ok(finished) => finished,
            Err(failed) => {
                error!(error = %failed, "the journal could not be read");
                return;
            }
        };
        let mut waiting = false;
        for deed in finished {
            let from = deed.from.to_string();
            match deed.ended {
                Ended::Accomplished(done) => {
                    info!(from, to = %done.place, "a deed of an earlier run is finished");
                    self.alarm_over(&format!("deed {from}"), &from);
                    self.post.notify_one();
                }
                Ended::Undone { why } => {
                    info!(
                        from,
                        why, "a deed of an earlier run is undone; the file is weighed anew"
                    );
                    self.alarm_over(&format!("deed {from}"), &from);
                }
                Ended::OutOfSight => self.alarm(
                    &format!("lost sight of {from}"),
                    &format!(
                        "{from} is neither where it was nor where it was going: somebody or \
                         something else has moved it while weighbridge was away"
                    ),
                    &from,
                    "look for it by its name; `weighbridge show` tells its digest",
                ),
                Ended::Waiting(why) => {
                    waiting = true;
                    self.alarm(
                        &format!("deed {from}"),
                        &format!("moving {from} was begun and can not be finished: {why}"),
                        &from,
                        "it is tried again every minute; nothing is lost",
                    );
                }
            }
        }
        self.deeds_wait.store(waiting, Ordering::Relaxed);
    }

    pub(super) fn deeds_wait(&self) -> bool {
        self.deeds_wait.load(Ordering::Relaxed)
    }

    pub(super) fn note_waiting_deed(&self) {
        self.deeds_wait.store(true, Ordering::Relaxed);
    }

    /// Answers intake about one file.
    pub(super) fn with_handle(&self, watch: &str, tell: impl FnOnce(&WatchHandle)) {
        let handles = self.handles.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(handle) = handles.get(watch) {
            tell(handle);
        }
    }
}
