//! The thread of one watch: when to look, and whether the root may be believed.
//!
//! In: an order, hooks, hints. Out: happenings. A thin shell: `settling` decides about files,
//! `root` about the root, `tree` looks, `sweep` walks, `teller` tells. It holds no file or folder
//! open while it waits, so that a share can be unmounted under it.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::config::WatchKind;

use super::hints::{Answer, Deaf, Ears, Inbox, Pending};
use super::names::{shown, spelled};
use super::root::{Footing, Place, footing, sends_no_events};
use super::settling::{AfterLook, Settling};
use super::teller::{Heart, Remark, Stopped, Teller};
use super::tree::OpenRoot;
use super::{Happening, Hooks, Identity, RootMemory, Standing, WatchOrder};

/// The heart beats at least this often, and a missing root is looked for again. (own choice)
const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// Hints are gathered this long before they are followed. (own choice)
const QUIET: Duration = Duration::from_millis(50);
/// After so many looks at single files it is seen whether anything else is to be done.
const LOOKS_AT_A_TIME: usize = 64;

pub(super) const ROOT: &str = "root";
pub(super) const EVENTS: &str = "events";

/// A folder that was met below the root.
pub(super) struct MetFolder {
    pub place: Place,
    pub sweep: u64,
}

/// A file called like an AppleDouble note, whose beginning was looked at.
pub(super) struct JudgedDouble {
    pub identity: Identity,
    pub is_one: bool,
    pub sweep: u64,
}

pub(super) struct Scanner {
    pub(super) order: WatchOrder,
    pub(super) hooks: Hooks,
    pub(super) tell: Teller,
    inbox: Arc<Inbox>,
    standing: Arc<Mutex<Standing>>,
    start: Instant,
    pub(super) settling: Settling,
    memory: Option<RootMemory>,
    /// Whether `memory` was made in this run.
    this_run: bool,
    /// Where the root stood at the last scan; `None` while it is missing.
    place: Option<Place>,
    /// Whether the last scan doubted the root.
    in_doubt: bool,
    /// Whether what is not there may be taken for gone.
    pub(super) may_conclude: bool,
    pub(super) ears: Option<Ears>,
    /// After an error of the watcher: not before then again.
    ears_not_before: Instant,
    /// What kept us from listening in this sweep.
    pub(super) deaf: Option<Deaf>,
    pub(super) folders: HashMap<PathBuf, MetFolder>,
    /// Folders below the root where a share was mounted and is not any more.
    pub(super) lost_mounts: HashSet<PathBuf>,
    /// Keys of the folders that could not be read in this sweep.
    pub(super) troubled: HashSet<String>,
    /// Folders with files that were not there before, since twins were last looked for.
    pub(super) new_in: HashSet<PathBuf>,
    pub(super) doubles: HashMap<PathBuf, JudgedDouble>,
    pub(super) sweep: u64,
    last_scan_took: Duration,
    scans: u64,
}

impl Scanner {
    pub fn new(
        order: WatchOrder,
        hooks: Hooks,
        out: SyncSender<Happening>,
        inbox: Arc<Inbox>,
        heart: Arc<Heart>,
        standing: Arc<Mutex<Standing>>,
    ) -> Self {
        let start = Instant::now();
        Self {
            tell: Teller::new(
                Arc::clone(&order.name),
                order.root.clone(),
                out,
                Arc::clone(&inbox),
                heart,
            ),
            settling: Settling::new(order.settle, order.patience),
            memory: hooks.root_before,
            order,
            hooks,
            inbox,
            standing,
            start,
            this_run: false,
            place: None,
            in_doubt: false,
            may_conclude: false,
            ears: None,
            ears_not_before: start,
            deaf: None,
            folders: HashMap::new(),
            lost_mounts: HashSet::new(),
            troubled: HashSet::new(),
            new_in: HashSet::new(),
            doubles: HashMap::new(),
            sweep: 0,
            last_scan_took: Duration::ZERO,
            scans: 0,
        }
    }

    pub fn troubles(&self) -> Arc<Mutex<HashMap<String, String>>> {
        self.tell.shared_troubles()
    }

    pub fn run(mut self) {
        // It ends only by being told to, or because nobody listens any more.
        let Err(Stopped) = self.work();
    }

    fn work(&mut self) -> Result<std::convert::Infallible, Stopped> {
        let mut next_scan = Instant::now();
        let mut quiet_until = next_scan;
        loop {
            let mut wake = next_scan.min(Instant::now() + LONGEST_WAIT);
            // While the root is missing there is nothing to look at.
            if let (Some(due), Some(_)) = (self.settling.next_due(), self.place) {
                wake = wake.min(self.start + due);
            }
            let mut pending = self.inbox.wait(wake, quiet_until)?;
            self.tell.beat()?;
            self.mind_ears(&mut pending)?;
            let answers = std::mem::take(&mut pending.answers);
            match OpenRoot::open(&self.order.root) {
                Err(error) => {
                    self.root_is_missing(&error)?;
                    for (path, answer) in answers {
                        self.answered(None, &path, answer)?;
                    }
                    next_scan = Instant::now() + self.retry();
                    quiet_until = Instant::now() + QUIET;
                }
                Ok(root) => {
                    for (path, answer) in answers {
                        self.answered(Some(&root), &path, answer)?;
                    }
                    let moved = self.place != Some(root.place());
                    if moved || pending.scan || Instant::now() >= next_scan {
                        self.scan(&root)?;
                        let rest = if self.may_conclude {
                            self.order.poll
                        } else {
                            self.retry()
                        };
                        next_scan = Instant::now() + rest;
                        // A storm of hints may take half of the time, not all of it.
                        quiet_until = Instant::now() + QUIET.max(self.last_scan_took);
                    } else {
                        if !pending.paths.is_empty() {
                            self.follow_hints(&root, &pending)?;
                            quiet_until = Instant::now() + QUIET;
                        }
                        self.look_at_due(&root)?;
                    }
                }
            }
            self.show_standing();
        }
    }

    /// The time on our own clock, which nobody sets.
    pub(super) fn now(&self) -> Duration {
        self.start.elapsed()
    }

    fn retry(&self) -> Duration {
        self.order.poll.min(LONGEST_WAIT)
    }

    fn mind_ears(&mut self, pending: &mut Pending) -> Result<(), Stopped> {
        if let Some(ears) = &mut self.ears
            && !pending.left.is_empty()
        {
            let left = pending
                .left
                .iter()
                .filter_map(|path| path.strip_prefix(&self.order.root).ok())
                .map(Path::to_path_buf)
                .collect();
            ears.left(&left);
        }
        if pending.relisten {
            self.ears = None;
        }
        if let Some(why) = pending.deaf.take() {
            self.ears = None;
            self.ears_not_before = Instant::now() + self.order.poll;
            self.tell_deaf(&Deaf::Otherwise(why))?;
        }
        Ok(())
    }

    fn tell_deaf(&self, deaf: &Deaf) -> Result<(), Stopped> {
        let says = deaf.says(&self.order.root, &self.order.name, self.order.poll);
        self.tell.trouble(EVENTS, says)
    }

    fn root_is_missing(&mut self, error: &io::Error) -> Result<(), Stopped> {
        self.place = None;
        self.may_conclude = false;
        // Nobody listens to a root that comes back, so all is listened to anew then.
        self.ears = None;
        let (root, watch) = (shown(&self.order.root), &self.order.name);
        let again = spelled(self.retry());
        let says = match error.kind() {
            io::ErrorKind::NotFound => format!(
                "the folder {root} is not there (watch \"{watch}\"): is the share mounted? \
                 Nothing was changed; I look again every {again}."
            ),
            _ => format!(
                "the folder {root} cannot be looked into (watch \"{watch}\"): {error}. Nothing was \
                 changed; I look again every {again}."
            ),
        };
        self.tell.trouble(ROOT, says)
    }

    /// Looks at everything below the root.
    fn scan(&mut self, root: &OpenRoot) -> Result<(), Stopped> {
        let began = Instant::now();
        let place = root.place();
        self.sweep += 1;
        self.settling.begin_sweep();
        self.deaf = None;
        self.troubled.clear();

        let empty = root.list(Path::new("")).is_ok_and(|listing| {
            listing.is_some_and(|l| l.names.iter().all(|n| self.order.names.is_left_alone(n)))
        });
        let footing = footing(self.memory.as_ref(), self.this_run, &place, empty);
        // After a doubt, all three numbers may be given anew to another share.
        let doubtful = matches!(footing, Footing::Doubtful(_));
        let anew = std::mem::replace(&mut self.in_doubt, doubtful) && !doubtful;
        if self.place != Some(place) {
            self.ears = None;
            self.folders.clear();
            self.place = Some(place);
            self.remark_on_file_system(root)?;
        }
        self.may_conclude = !doubtful;
        if let Footing::Doubtful(doubt) = footing {
            let says = doubt.says(&self.order.root, &self.order.name);
            self.tell.trouble(ROOT, says)?;
        } else {
            self.tell.trouble_over(ROOT)?;
        }

        self.open_ears();
        self.walk(root, Path::new(""), place, true)?;
        self.look_at_unmet(root, anew || footing == Footing::Replaced)?;
        self.end_sweep()?;

        if self.may_conclude {
            self.remember(place);
        }
        self.scans += 1;
        self.last_scan_took = began.elapsed();
        Ok(())
    }

    fn remark_on_file_system(&mut self, root: &OpenRoot) -> Result<(), Stopped> {
        if self.order.kind != WatchKind::Local {
            return Ok(());
        }
        // An error here is one of the share, and the scan will meet it.
        let Some(kind) = root.file_system().ok().and_then(sends_no_events) else {
            return Ok(());
        };
        let (shown_root, watch) = (shown(&self.order.root), Arc::clone(&self.order.name));
        let poll = spelled(self.order.poll);
        self.tell
            .remark(Remark::SendsNoEvents, Path::new(""), u64::MAX, || {
                format!(
                    "the folder {shown_root} (watch \"{watch}\") lies on {kind}, which sends no \
                     events of what other computers write: new files are found every {poll} only. \
                     Set kind = \"network\" for this watch."
                )
            })
    }

    fn open_ears(&mut self) {
        if self.order.kind == WatchKind::Local
            && self.ears.is_none()
            && Instant::now() >= self.ears_not_before
        {
            match Ears::new(&self.inbox) {
                Ok(ears) => self.ears = Some(ears),
                Err(deaf) => self.deaf = Some(deaf),
            }
        }
    }

    fn end_sweep(&mut self) -> Result<(), Stopped> {
        let sweep = self.sweep;
        self.folders.retain(|_, folder| folder.sweep == sweep);
        self.doubles.retain(|_, double| double.sweep == sweep);
        self.new_in.clear();
        self.tell.forget_remarks(sweep);
        self.tell.troubles_over("folder:", &self.troubled)?;
        match &self.deaf {
            Some(deaf) => self.tell_deaf(deaf),
            None if self.ears.is_some() => self.tell.trouble_over(EVENTS),
            None => Ok(()),
        }
    }

    fn remember(&mut self, place: Place) {
        let memory = RootMemory {
            device: place.device,
            mount: place.mount,
            inode: place.inode,
            mount_point: place.mount_point,
            held_files: self.settling.holds_files(),
        };
        self.this_run = true;
        if self.memory != Some(memory) {
            self.memory = Some(memory);
            (self.hooks.root_seen)(&memory);
        }
    }

    fn follow_hints(&mut self, root: &OpenRoot, pending: &Pending) -> Result<(), Stopped> {
        for path in &pending.paths {
            // A hint about something above the root is about the root; opening it has told.
            if let Ok(path) = path.strip_prefix(&self.order.root) {
                let path = path.to_path_buf();
                self.look_at(root, &path)?;
            }
        }
        self.look_for_twins(root)
    }

    fn look_at_due(&mut self, root: &OpenRoot) -> Result<(), Stopped> {
        for path in self.settling.due(self.now(), LOOKS_AT_A_TIME) {
            self.look_at(root, &path)?;
        }
        Ok(())
    }

    fn answered(
        &mut self,
        root: Option<&OpenRoot>,
        path: &Path,
        answer: Answer,
    ) -> Result<(), Stopped> {
        if !self.settling.tracks(path) {
            return Ok(());
        }
        // First see how it is now: custody may have moved it, somebody may have changed it.
        if let Some(root) = root {
            self.look_at(root, path)?;
        }
        let now = self.now();
        let after = match answer {
            Answer::Done => {
                let (known, watch) = (&self.hooks.known, &self.order.name);
                self.settling
                    .done(path, now, |identity| known(watch, path, identity))
            }
            Answer::GivenBack => self.settling.given_back(path, now),
            Answer::Again => self.settling.again(path, now),
        };
        match after {
            AfterLook::Gone => self.tell.gone(path),
            AfterLook::New | AfterLook::Rest | AfterLook::Probe => Ok(()),
        }
    }

    fn show_standing(&self) {
        let counts = self.settling.counts();
        let mut standing = self.standing.lock().unwrap_or_else(PoisonError::into_inner);
        *standing = Standing {
            scans: self.scans,
            last_scan_took: self.last_scan_took,
            folders: self.folders.len(),
            arriving: counts.waiting,
            handed_out: counts.out,
            done: counts.done,
            troubles: Vec::new(),
        };
    }
}
