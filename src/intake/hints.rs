//! Hints: what kernel events and other threads ask the scanner to look at.
//!
//! In: events of the `notify` library, answers to arrivals, wishes to scan or to stop. Out: a
//! [`Pending`] of paths to look at. An event's meaning is not believed, only its path; when
//! there are too many, or one was lost, the whole root is looked at. Nothing is dropped.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use notify::event::{AccessKind, AccessMode, EventKind, ModifyKind, RemoveKind};
use notify::{Config, ErrorKind, Event, RecommendedWatcher, RecursiveMode, Watcher};

use super::names::{shown, spelled};
use super::root::Place;
use super::teller::Stopped;

/// With more paths than this to look at, looking at everything is as cheap. (own choice)
const MOST_PATHS: usize = 4096;

/// How an arrival was answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    Done,
    GivenBack,
    /// No answer: a file that is done shall arrive again.
    Again,
}

/// What waits for the scanner. Paths of hints are absolute, those of answers are not.
#[derive(Debug, Default)]
pub(super) struct Pending {
    stop: bool,
    pub scan: bool,
    pub paths: BTreeSet<PathBuf>,
    /// Paths that were moved or removed: if they were folders, nobody listens there any more.
    pub left: HashSet<PathBuf>,
    /// More were moved or removed than were kept: listen to everything anew.
    pub relisten: bool,
    /// Why the events ended, where they did.
    pub deaf: Option<String>,
    pub answers: Vec<(PathBuf, Answer)>,
}

impl Pending {
    fn has_hints(&self) -> bool {
        self.scan || !self.paths.is_empty() || self.deaf.is_some()
    }

    fn heard(&mut self, event: notify::Result<Event>) {
        let event = match event {
            Ok(event) => event,
            Err(error) => {
                self.deaf = Some(error.to_string());
                self.scan = true;
                return;
            }
        };
        if event.need_rescan() {
            self.scan = true;
        }
        match event.kind {
            // Our own reading makes these, so they must not lead to more reading.
            EventKind::Access(kind) if kind != AccessKind::Close(AccessMode::Write) => return,
            EventKind::Modify(ModifyKind::Name(_))
            | EventKind::Remove(RemoveKind::Any | RemoveKind::Folder | RemoveKind::Other) => {
                self.left.extend(event.paths.iter().cloned());
                if self.left.len() > MOST_PATHS {
                    self.left.clear();
                    self.relisten = true;
                    self.scan = true;
                }
            }
            _ => {}
        }
        if event.paths.is_empty() {
            self.scan = true;
        }
        self.paths.extend(event.paths);
        if self.paths.len() > MOST_PATHS {
            self.scan = true;
        }
        if self.scan {
            self.paths.clear();
        }
    }
}

/// Where the scanner sleeps and others leave word.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    pending: Mutex<Pending>,
    bell: Condvar,
}

impl Inbox {
    fn open(&self) -> MutexGuard<'_, Pending> {
        // What is in it stays true even if somebody panicked beside it.
        self.pending.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn stop(&self) {
        self.open().stop = true;
        self.bell.notify_all();
    }

    pub fn is_stopped(&self) -> bool {
        self.open().stop
    }

    pub fn scan(&self) {
        self.open().scan = true;
        self.bell.notify_all();
    }

    pub fn answer(&self, path: &Path, answer: Answer) {
        self.open().answers.push((path.to_path_buf(), answer));
        self.bell.notify_all();
    }

    fn heard(&self, event: notify::Result<Event>) {
        let mut pending = self.open();
        pending.heard(event);
        if pending.has_hints() {
            self.bell.notify_all();
        }
    }

    /// Waits until `wake`, an answer, or a hint. Hints are held back until `quiet_until`, so that
    /// a file that is being written is looked at now and then and not at each of its blocks.
    pub fn wait(&self, wake: Instant, quiet_until: Instant) -> Result<Pending, Stopped> {
        let mut pending = self.open();
        loop {
            if pending.stop {
                return Err(Stopped);
            }
            let now = Instant::now();
            let hints = pending.has_hints();
            if hints && now >= quiet_until {
                return Ok(std::mem::take(&mut *pending));
            }
            if now >= wake || !pending.answers.is_empty() {
                let answers = std::mem::take(&mut pending.answers);
                return Ok(Pending {
                    answers,
                    ..Pending::default()
                });
            }
            let until = if hints { wake.min(quiet_until) } else { wake };
            pending = self
                .bell
                .wait_timeout(pending, until - now)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    /// Rests a moment, or less when it is time to stop.
    pub fn rest(&self, rest: Duration) -> Result<(), Stopped> {
        let until = Instant::now() + rest;
        let mut pending = self.open();
        loop {
            if pending.stop {
                return Err(Stopped);
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(());
            }
            pending = self
                .bell
                .wait_timeout(pending, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}

/// The kernel's events for one root.
///
/// Each folder is listened to by itself, before its names are read: so what comes while it is
/// read is announced, and what came before is read. (Listening to a whole tree at once misses
/// files in folders that are made and filled quickly, and gives up at the first folder that may
/// not be read.)
pub(super) struct Ears {
    watcher: RecommendedWatcher,
    /// Folders below the root, and which folder it was.
    listening: HashMap<PathBuf, (u64, u64)>,
}

/// Why there are no events from a folder.
#[derive(Debug)]
pub(super) enum Deaf {
    /// `fs.inotify.max_user_watches`
    TooManyFolders,
    /// `fs.inotify.max_user_instances`, or the limit of open files.
    TooManyWatches,
    Otherwise(String),
}

impl Ears {
    pub fn new(inbox: &Arc<Inbox>) -> Result<Self, Deaf> {
        let inbox = Arc::clone(inbox);
        let config = Config::default().with_follow_symlinks(false);
        let watcher = RecommendedWatcher::new(move |event| inbox.heard(event), config)
            .map_err(|e| Deaf::from_kind(&e.kind).unwrap_or(Deaf::Otherwise(e.to_string())))?;
        Ok(Self {
            watcher,
            listening: HashMap::new(),
        })
    }

    /// Listens to a folder unless it does so already. An error that is of this folder alone (it
    /// is not there, may not be read, is too deep) is none here: reading it will tell.
    pub fn listen(&mut self, root: &Path, folder: &Path, place: &Place) -> Result<(), Deaf> {
        let which = (place.device, place.inode);
        if self.listening.get(folder) == Some(&which) {
            return Ok(());
        }
        match self
            .watcher
            .watch(&root.join(folder), RecursiveMode::NonRecursive)
        {
            Ok(()) => {
                self.listening.insert(folder.to_path_buf(), which);
                Ok(())
            }
            Err(error) => match (&error.kind, Deaf::from_kind(&error.kind)) {
                (_, Some(deaf)) => Err(deaf),
                (ErrorKind::PathNotFound | ErrorKind::WatchNotFound | ErrorKind::Io(_), None) => {
                    Ok(())
                }
                (_, None) => Err(Deaf::Otherwise(error.to_string())),
            },
        }
    }

    /// These paths (below the root) were moved or removed. The library then stops listening to
    /// what it knew there, and one folder under two names counts for both: forgotten here too,
    /// so that the next look listens anew.
    pub fn left(&mut self, paths: &HashSet<PathBuf>) {
        let leaves = |folder: &Path| folder.ancestors().any(|above| paths.contains(above));
        let which: HashSet<(u64, u64)> = self
            .listening
            .iter()
            .filter(|(folder, _)| leaves(folder))
            .map(|(_, which)| *which)
            .collect();
        self.listening.retain(|_, known| !which.contains(known));
    }
}

impl Deaf {
    /// A limit that was reached, which every further folder would meet too.
    fn from_kind(kind: &ErrorKind) -> Option<Self> {
        match kind {
            ErrorKind::MaxFilesWatch => Some(Self::TooManyFolders),
            // ENFILE and EMFILE, errno(3).
            ErrorKind::Io(e) if matches!(e.raw_os_error(), Some(23 | 24)) => {
                Some(Self::TooManyWatches)
            }
            _ => None,
        }
    }

    pub fn says(&self, root: &Path, watch: &str, poll: Duration) -> String {
        let what = match self {
            Self::TooManyFolders => "the kernel's limit of watched folders is reached",
            Self::TooManyWatches => "the kernel's limit of watching programs is reached",
            Self::Otherwise(error) => error,
        };
        let remedy = match self {
            Self::TooManyFolders => {
                " To raise the limit: sysctl fs.inotify.max_user_watches=1048576"
            }
            Self::TooManyWatches => {
                " To raise the limit: sysctl fs.inotify.max_user_instances=1024, or LimitNOFILE \
                 of the service"
            }
            Self::Otherwise(_) => "",
        };
        format!(
            "no events from the folder {} (watch \"{watch}\"): {what}. Nothing is lost, files are \
             found by scanning every {}.{remedy}",
            shown(root),
            spelled(poll)
        )
    }
}

#[cfg(test)]
mod tests {
    use notify::event::{CreateKind, Flag, RenameMode};

    use super::*;

    fn event(kind: EventKind, path: &str) -> notify::Result<Event> {
        Ok(Event::new(kind).add_path(PathBuf::from(path)))
    }

    #[test]
    fn our_own_reading_is_no_hint() {
        let mut pending = Pending::default();
        pending.heard(event(
            EventKind::Access(AccessKind::Open(AccessMode::Any)),
            "/w/a.wav",
        ));
        assert!(!pending.has_hints());
        pending.heard(event(
            EventKind::Access(AccessKind::Close(AccessMode::Write)),
            "/w/a.wav",
        ));
        assert!(pending.paths.contains(Path::new("/w/a.wav")));
    }

    #[test]
    fn a_lost_event_leads_to_a_look_at_everything() {
        // notify 8.2.2, src/inotify.rs: Q_OVERFLOW becomes `Other` with the rescan flag, no path.
        let mut pending = Pending::default();
        pending.heard(Ok(Event::new(EventKind::Other).set_flag(Flag::Rescan)));
        assert!(pending.scan);
    }

    #[test]
    fn more_paths_than_can_be_kept_lead_to_a_look_at_everything() {
        let mut pending = Pending::default();
        for n in 0..=MOST_PATHS {
            pending.heard(event(
                EventKind::Create(CreateKind::File),
                &format!("/w/{n}.wav"),
            ));
        }
        assert!(pending.scan);
        assert!(pending.paths.len() <= MOST_PATHS);
    }

    #[test]
    fn an_error_of_the_watcher_leads_to_a_look_at_everything() {
        let mut pending = Pending::default();
        pending.heard(Err(notify::Error::generic("gone")));
        assert!(pending.scan && pending.deaf.is_some());
    }

    #[test]
    fn a_folder_that_moved_is_listened_to_anew_under_both_names() {
        let mut pending = Pending::default();
        let renamed = EventKind::Modify(ModifyKind::Name(RenameMode::From));
        pending.heard(event(renamed, "/w/old"));
        assert!(pending.left.contains(Path::new("/w/old")));

        let mut ears = Ears::new(&Arc::default()).expect("events");
        for (folder, inode) in [
            ("", 1),
            ("old", 2),
            ("old/sub", 3),
            ("new", 2),
            ("other", 4),
        ] {
            ears.listening.insert(PathBuf::from(folder), (8, inode));
        }
        ears.left(&HashSet::from([PathBuf::from("old")]));
        let mut left: Vec<_> = ears.listening.keys().cloned().collect();
        left.sort();
        assert_eq!(left, [PathBuf::from(""), PathBuf::from("other")]);
    }

    #[test]
    fn a_limit_of_the_kernel_is_named_with_its_remedy() {
        // inotify(7) names both limits; errno 24 is EMFILE.
        let full = Deaf::from_kind(&ErrorKind::MaxFilesWatch).expect("a limit");
        let says = full.says(Path::new("/w"), "exports", Duration::from_secs(60));
        assert!(says.contains("fs.inotify.max_user_watches"), "{says}");
        assert!(says.contains("every 60 s"), "{says}");
        let too_many = ErrorKind::Io(std::io::Error::from_raw_os_error(24));
        let full = Deaf::from_kind(&too_many).expect("a limit");
        let says = full.says(Path::new("/w"), "exports", Duration::from_secs(60));
        assert!(says.contains("fs.inotify.max_user_instances"), "{says}");
    }
}
