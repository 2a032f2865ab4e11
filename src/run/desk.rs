//! The desk: hears what the watches noticed, hands files to the crew, and gives back later
//! what could not be dealt with now.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tracing::{debug, error, info, warn};

use super::house::House;
use super::way::{self, Answer};
use crate::config::Watch;
use crate::crew::Crew;
use crate::intake::{self, Happening, Hooks, Probe, WatchOrder};
use crate::ledger::{FileKey, Seen};
use crate::record::printable;
use crate::specimen::{self, Completeness};

/// Happenings that wait at the desk; while it is full the watches wait, nothing is dropped.
const WAITING: usize = 256;
/// A scan that has not moved for so long hangs on a dead share.
const HUNG: Duration = Duration::from_secs(300);
const LOOK_AROUND: Duration = Duration::from_secs(1);
const DEEDS_AGAIN: Duration = Duration::from_secs(60);

/// What waits to be given back to its watch.
type Later = Arc<Mutex<HashMap<(Arc<str>, PathBuf), Instant>>>;

/// The open desk of one round.
pub(super) struct Desk {
    house: Arc<House>,
    thread: Option<JoinHandle<()>>,
}

impl Desk {
    /// Starts the watches and the thread that hears them.
    ///
    /// Errors: the system's, when it has no more threads to give; a bad ignore pattern.
    pub(super) fn open(house: &Arc<House>, crew: Crew) -> anyhow::Result<Self> {
        let (tell, told) = sync_channel(WAITING);
        for watch in &house.config.watches {
            let handle = start_watch(house, watch, tell.clone())?;
            let mut handles = house.handles.lock().unwrap_or_else(PoisonError::into_inner);
            handles.insert(Arc::clone(handle.name()), handle);
        }
        let clerk = Clerk {
            house: Arc::clone(house),
            crew,
            later: Later::default(),
        };
        let thread = std::thread::Builder::new()
            .name("desk".into())
            .spawn(move || clerk.work(&told))?;
        Ok(Self {
            house: Arc::clone(house),
            thread: Some(thread),
        })
    }

    /// Stops the watches, lets the crew finish the deed in hand, and waits for both.
    pub(super) fn close(mut self) {
        self.house.stopping.store(true, Ordering::Relaxed);
        let handles = std::mem::take(
            &mut *self
                .house
                .handles
                .lock()
                .unwrap_or_else(PoisonError::into_inner),
        );
        for handle in handles.values() {
            handle.stop();
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        for (name, handle) in handles {
            if !handle.stop_within(Duration::from_secs(2)) {
                warn!(watch = %name, "the watch hangs on its folder and is left behind");
            }
        }
    }
}

fn start_watch(
    house: &Arc<House>,
    watch: &Watch,
    tell: SyncSender<Happening>,
) -> anyhow::Result<intake::WatchHandle> {
    let known = {
        let ledger = house.ledger.clone();
        move |watch: &str, path: &std::path::Path, identity: &intake::Identity| match ledger
            .look_up(FileKey { watch, path }, identity)
        {
            Ok(Seen::Same { state, .. }) => state.is_dealt_with(),
            Ok(_) => false,
            Err(failed) => {
                error!(error = %failed, "the ledger could not be asked");
                false
            }
        }
    };
    let name = watch.name.clone();
    let ledger = house.ledger.clone();
    let hooks = Hooks {
        probe: Arc::new(|path| {
            Ok(match specimen::completeness(path)? {
                Completeness::Complete => Probe::Complete,
                Completeness::Incomplete(why) => Probe::Incomplete(why),
                Completeness::Unknown => Probe::Unknown,
            })
        }),
        known: Arc::new(known),
        root_before: house.ledger.root(&watch.name)?,
        root_seen: Arc::new(move |memory| {
            if let Err(failed) = ledger.remember_root(&name, *memory) {
                error!(error = %failed, "the root could not be remembered");
            }
        }),
    };
    let order = WatchOrder::new(watch, &[])?;
    Ok(intake::start(order, hooks, tell)?)
}

struct Clerk {
    house: Arc<House>,
    crew: Crew,
    later: Later,
}

impl Clerk {
    fn work(self, told: &Receiver<Happening>) {
        let mut deeds_at = Instant::now() + DEEDS_AGAIN;
        while !self.house.is_stopping() {
            match told.recv_timeout(LOOK_AROUND) {
                Ok(happening) => self.hear(happening),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            self.give_back();
            self.look_at_watches();
            if self.house.deeds_wait() && Instant::now() >= deeds_at {
                self.house.finish_what_was_under_way();
                deeds_at = Instant::now() + DEEDS_AGAIN;
            }
        }
        // Dropping the crew waits for the jobs in hand, which see that the house is stopping;
        // what watches still tell is heard again at the next start, from their first scan.
        drop(self.crew);
    }

    fn hear(&self, happening: Happening) {
        let house = &self.house;
        let done = match happening {
            Happening::Arrived(arrival) => {
                let house = Arc::clone(house);
                let later = Arc::clone(&self.later);
                self.crew.give(Box::new(move || {
                    let answer = way::take_up(&house, &arrival);
                    settle_up(&house, &later, arrival.watch, arrival.path, answer);
                }));
                Ok(())
            }
            Happening::Arriving {
                watch,
                path,
                identity,
                why,
            } => {
                debug!(%watch, path = %printable(path.as_os_str()), why, "arriving");
                let key = FileKey {
                    watch: &watch,
                    path: &path,
                };
                house.ledger.arriving(key, &identity, Some(&why))
            }
            Happening::Gone { watch, path } => {
                debug!(%watch, path = %printable(path.as_os_str()), "gone");
                self.forget(&watch, &path);
                house.alarm_over(&way::trouble_of(&watch, &path), &watch);
                house.ledger.vanished(FileKey {
                    watch: &watch,
                    path: &path,
                })
            }
            Happening::Trouble { watch, key, says } => {
                house.alarm(&format!("watch {watch} {key}"), &says, &watch, "");
                Ok(())
            }
            Happening::TroubleOver { watch, key } => {
                house.alarm_over(&format!("watch {watch} {key}"), &watch);
                Ok(())
            }
            Happening::Told { watch, path, says } => {
                warn!(%watch, path = %printable(path.as_os_str()), "{says}");
                Ok(())
            }
        };
        if let Err(failed) = done {
            error!(error = %failed, "the ledger could not be written");
        }
    }

    fn forget(&self, watch: &Arc<str>, path: &std::path::Path) {
        let mut later = self.later.lock().unwrap_or_else(PoisonError::into_inner);
        later.remove(&(Arc::clone(watch), path.to_owned()));
    }

    fn give_back(&self) {
        let now = Instant::now();
        let mut due = Vec::new();
        self.later
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .retain(|file, at| {
                let wait = *at > now;
                if !wait {
                    due.push(file.clone());
                }
                wait
            });
        for (watch, path) in due {
            self.house
                .with_handle(&watch, |handle| handle.given_back(&path));
        }
    }

    fn look_at_watches(&self) {
        let handles = self
            .house
            .handles
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let hung: Vec<(Arc<str>, bool)> = handles
            .iter()
            .map(|(name, handle)| (Arc::clone(name), handle.heartbeat().elapsed() > HUNG))
            .collect();
        drop(handles);
        for (name, hung) in hung {
            let key = format!("watch {name} hangs");
            if hung {
                let says = format!(
                    "the folder of watch \"{name}\" does not answer: a look at it has hung for \
                     five minutes"
                );
                self.house.alarm(
                    &key,
                    &says,
                    &name,
                    "is the file server up? Nothing was changed",
                );
            } else {
                self.house.alarm_over(&key, &name);
            }
        }
    }
}

fn settle_up(house: &House, later: &Later, watch: Arc<str>, path: PathBuf, answer: Answer) {
    match answer {
        Answer::Done => house.with_handle(&watch, |handle| handle.done(&path)),
        Answer::GiveBack => house.with_handle(&watch, |handle| handle.given_back(&path)),
        Answer::Later(wait) => {
            info!(%watch, path = %printable(path.as_os_str()), again_in_s = wait.as_secs(), "waits");
            let mut later = later.lock().unwrap_or_else(PoisonError::into_inner);
            later.insert((watch, path), Instant::now() + wait);
        }
        // The next start finds it as it is.
        Answer::Stopped => {}
    }
}
