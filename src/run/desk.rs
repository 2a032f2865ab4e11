//! The desk: hears what the watches noticed, hands files to the crew, and gives back later
//! what could not be dealt with now.

use std::collections::{HashMap, HashSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tracing::{debug, error, info, warn};

use super::house::House;
use super::mixes;
use super::way::{self, Answer};
use crate::config::Watch;
use crate::crew::Crew;
use crate::intake::{self, Arrival, Happening, Hooks, Probe, WatchOrder};
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
    mixes: JoinHandle<()>,
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
            mixes: mixes::start(house)?,
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
        if !within(Duration::from_secs(2), || self.mixes.is_finished()) {
            warn!("the look at the mixes hangs on its folder and is left behind");
        }
        for (name, handle) in handles {
            if !handle.stop_within(Duration::from_secs(2)) {
                warn!(watch = %name, "the watch hangs on its folder and is left behind");
            }
        }
    }
}

/// Whether it comes true in that time.
fn within(patience: Duration, is_so: impl Fn() -> bool) -> bool {
    let until = Instant::now() + patience;
    while !is_so() {
        if Instant::now() >= until {
            return false;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    true
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
        let mut first_scans = FirstScans::default();
        while !self.house.is_stopping() {
            match told.recv_timeout(LOOK_AROUND) {
                Ok(happening) => self.hear(happening),
                Err(RecvTimeoutError::Timeout) => first_scans.all_was_heard(&self.house),
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
                    let answer = despite_bugs(&house, &arrival, way::take_up);
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
                house.alarm(&watch_key(&watch, &key), &says, &watch, "");
                Ok(())
            }
            Happening::TroubleOver { watch, key } => {
                house.alarm_over(&watch_key(&watch, &key), &watch);
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
            let key = watch_key(&name, "hangs");
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

/// The key of an alarm about a watch. Names of watches hold no colon.
fn watch_key(watch: &str, key: &str) -> String {
    format!("watch {watch}:{key}")
}

/// After a reload: what was wrong with a watch before and is not told by its first scan is over.
#[derive(Default)]
struct FirstScans {
    /// Scanned, and what the scan told may still wait to be heard.
    scanned: HashSet<Arc<str>>,
    done: HashSet<Arc<str>>,
}

impl FirstScans {
    /// Nothing waits to be heard: what a scan told that was over at the last call was heard.
    fn all_was_heard(&mut self, house: &House) {
        for watch in self.scanned.drain() {
            for key in house.alarms.unsure(&watch_key(&watch, "")) {
                house.alarm_over(&key, &watch);
            }
            self.done.insert(watch);
        }
        let handles = house.handles.lock().unwrap_or_else(PoisonError::into_inner);
        let scanned = handles
            .iter()
            .filter(|(name, handle)| !self.done.contains(*name) && handle.standing().scans > 0);
        self.scanned
            .extend(scanned.map(|(name, _)| Arc::clone(name)));
    }
}

/// A bug that is met once would be met at every try.
const AFTER_A_BUG: Duration = Duration::from_secs(3600);

/// A panic on the way of one file is a bug of ours. The file stays where it is, and not in
/// silence.
fn despite_bugs(
    house: &House,
    arrival: &Arrival,
    deal: impl FnOnce(&House, &Arrival) -> Answer,
) -> Answer {
    let dealt = catch_unwind(AssertUnwindSafe(|| deal(house, arrival)));
    dealt.unwrap_or_else(|_| {
        let says = format!(
            "{}:{} could not be dealt with: weighbridge has a bug there, which the log tells of",
            arrival.watch,
            printable(arrival.path.as_os_str())
        );
        house.alarm(
            &way::trouble_of(&arrival.watch, &arrival.path),
            &says,
            &arrival.watch,
            "the file stays where it is and is tried again every hour; tell the developers",
        );
        Answer::Later(AFTER_A_BUG)
    })
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

#[cfg(test)]
mod tests {
    use std::path::Path;

    use tokio::sync::Notify;

    use super::super::alarms::Alarms;
    use super::super::start::load;
    use super::*;
    use crate::intake::Identity;
    use crate::ledger::Ledger;

    fn house(folder: &Path) -> House {
        let config = folder.join("weighbridge.toml");
        let text = format!(
            "[studio]\nname = \"Tallow Street\"\nstate = {:?}\n[[watch]]\nname = \"exports\"\n\
             folder = {:?}\nprofile = \"any-audio\"\n",
            folder.join("state"),
            folder.join("exports")
        );
        std::fs::write(&config, text).unwrap();
        let ledger = Ledger::open(&folder.join("state")).unwrap();
        let alarms = Arc::new(Alarms::new(ledger.clone()));
        House::new(
            load(&config).unwrap(),
            ledger,
            alarms,
            Arc::new(Notify::new()),
        )
    }

    #[test]
    fn a_bug_met_by_one_file_is_told_and_the_file_is_not_forgotten() {
        let folder = tempfile::tempdir().unwrap();
        let house = house(folder.path());
        let file = folder.path().join("song.wav");
        std::fs::write(&file, "x").unwrap();
        let arrival = Arrival {
            watch: "exports".into(),
            root: folder.path().into(),
            path: "song.wav".into(),
            identity: Identity::of(&std::fs::metadata(&file).unwrap()),
            settled_at: jiff::Timestamp::now(),
            audio: true,
            incomplete: None,
        };
        let answer = despite_bugs(&house, &arrival, |_, _| {
            std::panic::resume_unwind(Box::new("a bug"))
        });
        assert!(matches!(answer, Answer::Later(AFTER_A_BUG)));
        let troubles = house.alarms.active();
        assert!(troubles[0].contains("exports:song.wav"), "{troubles:?}");
        assert_eq!(house.ledger.waiting_notices().unwrap().len(), 1);
    }
}
