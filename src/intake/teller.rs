//! Telling: the scanner's mouth. Sends happenings into the bounded channel, tells each trouble
//! once until it is over and each remark once while its cause is there, and beats the heart
//! that a watchdog listens to.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::hints::Inbox;
use super::{Arrival, Happening, Identity};

/// How long to wait for room in a full channel before trying again. (own choice)
const REST: Duration = Duration::from_millis(10);

/// The watch was told to stop, or nobody listens any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stopped;

/// When the scanner last moved; read by others.
#[derive(Debug)]
pub(super) struct Heart {
    start: Instant,
    beat_ms: AtomicU64,
}

impl Heart {
    pub fn new() -> Self {
        Self {
            start: Instant::now(),
            beat_ms: AtomicU64::new(0),
        }
    }

    pub fn beat(&self) {
        let ms = u64::try_from(self.start.elapsed().as_millis()).unwrap_or(u64::MAX);
        self.beat_ms.store(ms, Ordering::Relaxed);
    }

    pub fn last_beat(&self) -> Instant {
        self.start + Duration::from_millis(self.beat_ms.load(Ordering::Relaxed))
    }
}

/// Which remark it is; each is made once for a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Remark {
    SymbolicLink,
    Special,
    LooksTheSame,
    NotAppleDouble,
    SendsNoEvents,
}

pub(super) struct Teller {
    watch: Arc<str>,
    root: PathBuf,
    out: SyncSender<Happening>,
    inbox: Arc<Inbox>,
    heart: Arc<Heart>,
    /// Key to text. Read by the watch's handle.
    troubles: Arc<Mutex<HashMap<String, String>>>,
    /// The remark, its path, and the sweep in which its cause was last met.
    remarks: HashMap<(Remark, PathBuf), u64>,
}

impl Teller {
    pub fn new(
        watch: Arc<str>,
        root: PathBuf,
        out: SyncSender<Happening>,
        inbox: Arc<Inbox>,
        heart: Arc<Heart>,
    ) -> Self {
        Self {
            watch,
            root,
            out,
            inbox,
            heart,
            troubles: Arc::default(),
            remarks: HashMap::new(),
        }
    }

    /// Still alive, and still wanted?
    pub fn beat(&self) -> Result<(), Stopped> {
        self.heart.beat();
        if self.inbox.is_stopped() {
            Err(Stopped)
        } else {
            Ok(())
        }
    }

    pub fn arrived(
        &self,
        path: &Path,
        identity: Identity,
        audio: bool,
        incomplete: Option<String>,
    ) -> Result<(), Stopped> {
        self.send(Happening::Arrived(Arrival {
            watch: Arc::clone(&self.watch),
            root: self.root.clone(),
            path: path.to_path_buf(),
            identity,
            settled_at: jiff::Timestamp::now(),
            audio,
            incomplete,
        }))
    }

    pub fn arriving(&self, path: &Path, identity: Identity, why: String) -> Result<(), Stopped> {
        self.send(Happening::Arriving {
            watch: Arc::clone(&self.watch),
            path: path.to_path_buf(),
            identity,
            why,
        })
    }

    pub fn gone(&self, path: &Path) -> Result<(), Stopped> {
        self.send(Happening::Gone {
            watch: Arc::clone(&self.watch),
            path: path.to_path_buf(),
        })
    }

    pub fn trouble(&self, key: &str, says: String) -> Result<(), Stopped> {
        let before = self.troubles().insert(key.to_owned(), says.clone());
        if before.as_ref() == Some(&says) {
            return Ok(());
        }
        self.send(Happening::Trouble {
            watch: Arc::clone(&self.watch),
            key: key.to_owned(),
            says,
        })
    }

    pub fn trouble_over(&self, key: &str) -> Result<(), Stopped> {
        if self.troubles().remove(key).is_none() {
            return Ok(());
        }
        self.send(Happening::TroubleOver {
            watch: Arc::clone(&self.watch),
            key: key.to_owned(),
        })
    }

    /// Ends the troubles whose key begins so, but for those that `lasts`.
    pub fn troubles_over(&self, begin: &str, lasts: &HashSet<String>) -> Result<(), Stopped> {
        let over: Vec<String> = self
            .troubles()
            .keys()
            .filter(|key| key.starts_with(begin) && !lasts.contains(*key))
            .cloned()
            .collect();
        over.iter().try_for_each(|key| self.trouble_over(key))
    }

    pub fn shared_troubles(&self) -> Arc<Mutex<HashMap<String, String>>> {
        Arc::clone(&self.troubles)
    }

    /// `sweep`: the one in which its cause was met, or `u64::MAX` for a cause that lasts.
    pub fn remark(
        &mut self,
        remark: Remark,
        path: &Path,
        sweep: u64,
        says: impl FnOnce() -> String,
    ) -> Result<(), Stopped> {
        let before = self.remarks.insert((remark, path.to_path_buf()), sweep);
        if before.is_some() {
            return Ok(());
        }
        self.send(Happening::Told {
            watch: Arc::clone(&self.watch),
            path: path.to_path_buf(),
            says: says(),
        })
    }

    /// Remarks whose cause this sweep has not met may be made again.
    pub fn forget_remarks(&mut self, sweep: u64) {
        self.remarks
            .retain(|_, met| *met == sweep || *met == u64::MAX);
    }

    /// Waits while the channel is full: so a full house slows intake down instead of filling
    /// memory. That is no hanging, and the heart goes on beating.
    fn send(&self, happening: Happening) -> Result<(), Stopped> {
        let mut happening = happening;
        loop {
            self.beat()?;
            match self.out.try_send(happening) {
                Ok(()) => return Ok(()),
                Err(TrySendError::Disconnected(_)) => return Err(Stopped),
                Err(TrySendError::Full(back)) => happening = back,
            }
            self.inbox.rest(REST)?;
        }
    }

    fn troubles(&self) -> std::sync::MutexGuard<'_, HashMap<String, String>> {
        self.troubles.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
