//! When a file is handed out: the rules alone, without a clock, a disk or a thread.
//!
//! In: looks (path, identity, time on a monotonic clock counted from anywhere) and what a probe
//! of the structure said. Out: what to do next. A file is handed out once for each identity,
//! after it has kept that identity for `settle` and its structure is complete, or when it has
//! been incomplete for `patience` without change. Handed out, it waits for its answer (`done`
//! or `given_back`), so a path is never out twice at once.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Bound;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::{Identity, Probe};

/// An incomplete file is probed again at most this seldom: its identity tells of most changes,
/// but not of writes through a memory map. (own choice)
const LONGEST_REST: Duration = Duration::from_secs(60);
/// A look that failed is not repeated sooner, however short `settle` is. (own choice)
const SHORTEST_REST: Duration = Duration::from_millis(20);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Waiting {
        identity: Identity,
        /// When this identity was first seen.
        since: Duration,
        /// When to look next.
        due: Duration,
        /// Whether it was asked if this identity is known.
        asked: bool,
    },
    /// Out; `latest` is what was seen since.
    Out {
        identity: Identity,
        latest: Option<Identity>,
    },
    Done {
        identity: Identity,
    },
}

#[derive(Debug)]
struct Entry {
    state: State,
    /// The last `why` that people were told while it waited.
    told: Option<String>,
    /// The sweep in which it was last looked at.
    sweep: u64,
}

/// What a look leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AfterLook {
    Rest,
    /// A file, or a state of a file, that was not there before; it now waits.
    New,
    /// Unchanged long enough: probe its structure, look again, tell [`Settling::probed`].
    Probe,
    Gone,
}

/// What a probe, and the look after it, lead to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum AfterProbe {
    Rest,
    HandOut {
        identity: Identity,
        incomplete: Option<String>,
    },
    /// Incomplete, for a reason that was not told yet.
    StillArriving {
        identity: Identity,
        why: String,
    },
    Gone,
}

#[derive(Debug)]
pub(super) struct Settling {
    settle: Duration,
    patience: Duration,
    files: BTreeMap<PathBuf, Entry>,
    /// The waiting files by the time of their next look.
    schedule: BTreeSet<(Duration, PathBuf)>,
    sweep: u64,
}

/// How many files are in which state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub waiting: usize,
    pub out: usize,
    pub done: usize,
}

impl Settling {
    pub fn new(settle: Duration, patience: Duration) -> Self {
        Self {
            settle,
            patience: patience.max(settle),
            files: BTreeMap::new(),
            schedule: BTreeSet::new(),
            sweep: 0,
        }
    }

    /// A file was looked at: `found` is its identity, `None` when it is not there.
    /// `known` is asked at most once for each new identity.
    pub fn look(
        &mut self,
        path: &Path,
        found: Option<Identity>,
        now: Duration,
        known: impl FnOnce(&Identity) -> bool,
    ) -> AfterLook {
        let Some(entry) = self.files.get_mut(path) else {
            return match found {
                Some(identity) => self.first_sight(path, identity, now, known),
                None => AfterLook::Rest,
            };
        };
        entry.sweep = self.sweep;
        let Some(found) = found else {
            if let State::Out { latest, .. } = &mut entry.state {
                *latest = None;
                return AfterLook::Rest;
            }
            self.forget_entry(path);
            return AfterLook::Gone;
        };
        match &mut entry.state {
            State::Out { latest, .. } => {
                *latest = Some(found);
                AfterLook::Rest
            }
            State::Done { identity } if *identity == found => AfterLook::Rest,
            State::Done { .. } => self.first_sight(path, found, now, known),
            State::Waiting { identity, .. } if *identity != found => {
                self.wait(path, found, now, false);
                AfterLook::Rest
            }
            State::Waiting {
                identity,
                due,
                asked,
                ..
            } => {
                // Due is never before `since + settle`.
                if now < *due {
                    return AfterLook::Rest;
                }
                if !*asked {
                    *asked = true;
                    if known(identity) {
                        let identity = *identity;
                        self.put(path, State::Done { identity });
                        return AfterLook::Rest;
                    }
                }
                AfterLook::Probe
            }
        }
    }

    /// A look said [`AfterLook::Probe`], its structure was probed, and it was looked at again.
    pub fn probed(
        &mut self,
        path: &Path,
        found: Option<Identity>,
        probe: Probe,
        now: Duration,
    ) -> AfterProbe {
        let shortest_rest = self.shortest_rest();
        let Some(entry) = self.files.get_mut(path) else {
            return AfterProbe::Rest;
        };
        let State::Waiting {
            identity,
            since,
            asked,
            ..
        } = entry.state
        else {
            return AfterProbe::Rest;
        };
        let Some(found) = found else {
            self.forget_entry(path);
            return AfterProbe::Gone;
        };
        if found != identity {
            self.wait(path, found, now, false);
            return AfterProbe::Rest;
        }
        let why = match probe {
            _ if identity.bytes == 0 => "the file is empty".to_owned(),
            Probe::Incomplete(why) => why,
            Probe::Complete | Probe::Unknown => {
                self.hand_out(path, identity);
                return AfterProbe::HandOut {
                    identity,
                    incomplete: None,
                };
            }
        };
        let waited = now.saturating_sub(since);
        if waited >= self.patience {
            self.hand_out(path, identity);
            return AfterProbe::HandOut {
                identity,
                incomplete: Some(why),
            };
        }
        // The longer it has not changed, the less a probe is likely to say something new.
        let rest = (waited / 2).clamp(shortest_rest, LONGEST_REST.max(self.settle));
        let due = now.saturating_add(rest);
        let due = due.min(since.saturating_add(self.patience)).max(now);
        let news = entry.told.as_ref() != Some(&why);
        if news {
            entry.told = Some(why.clone());
        }
        self.put(
            path,
            State::Waiting {
                identity,
                since,
                due,
                asked,
            },
        );
        if news {
            AfterProbe::StillArriving { identity, why }
        } else {
            AfterProbe::Rest
        }
    }

    /// The arrival of this path was dealt with. If the file has changed since, that is a new
    /// file; if it is not there any more, whoever dealt with it has moved it.
    pub fn done(
        &mut self,
        path: &Path,
        now: Duration,
        known: impl FnOnce(&Identity) -> bool,
    ) -> AfterLook {
        let Some(State::Out { identity, latest }) = self.files.get(path).map(|e| e.state) else {
            return AfterLook::Rest;
        };
        match latest {
            None => {
                self.forget_entry(path);
                AfterLook::Rest
            }
            Some(latest) if latest == identity => {
                self.put(path, State::Done { identity });
                AfterLook::Rest
            }
            Some(latest) => self.first_sight(path, latest, now, known),
        }
    }

    /// The arrival of this path came to nothing: it settles anew and is handed out again.
    pub fn given_back(&mut self, path: &Path, now: Duration) -> AfterLook {
        let found = match self.files.get(path).map(|e| e.state) {
            Some(State::Out { latest, .. }) => latest,
            Some(State::Done { identity }) => Some(identity),
            Some(State::Waiting { .. }) | None => return AfterLook::Rest,
        };
        match found {
            Some(identity) => {
                self.wait(path, identity, now, true);
                AfterLook::New
            }
            None => {
                self.forget_entry(path);
                AfterLook::Gone
            }
        }
    }

    /// A file that was dealt with settles anew and is handed out again; one that waits or is out
    /// is left as it is.
    pub fn again(&mut self, path: &Path, now: Duration) -> AfterLook {
        match self.files.get(path).map(|e| e.state) {
            Some(State::Done { identity }) => {
                self.wait(path, identity, now, true);
                AfterLook::New
            }
            _ => AfterLook::Rest,
        }
    }

    /// A look failed, or nothing may be concluded from it: later again.
    pub fn postpone(&mut self, path: &Path, now: Duration) {
        let rest = self.shortest_rest();
        if let Some(Entry {
            state:
                State::Waiting {
                    identity,
                    since,
                    asked,
                    ..
                },
            ..
        }) = self.files.get(path)
        {
            let state = State::Waiting {
                identity: *identity,
                since: *since,
                due: now.saturating_add(rest),
                asked: *asked,
            };
            self.put(path, state);
        }
    }

    /// Forgets a file without concluding that it is gone. One that is out stays out.
    pub fn forget(&mut self, path: &Path) {
        match self.files.get_mut(path).map(|e| &mut e.state) {
            Some(State::Out { latest, .. }) => *latest = None,
            _ => self.forget_entry(path),
        }
    }

    /// Files whose time for a look has come, soonest first, at most `most`.
    pub fn due(&self, now: Duration, most: usize) -> Vec<PathBuf> {
        self.schedule
            .iter()
            .take_while(|(due, _)| *due <= now)
            .take(most)
            .map(|(_, path)| path.clone())
            .collect()
    }

    pub fn next_due(&self) -> Option<Duration> {
        self.schedule.first().map(|(due, _)| *due)
    }

    /// From here on, a look is a look of a new sweep over the whole tree.
    pub fn begin_sweep(&mut self) {
        self.sweep += 1;
    }

    /// Files that this sweep has not met.
    pub fn unmet(&self) -> Vec<PathBuf> {
        self.files
            .iter()
            .filter(|(_, entry)| entry.sweep != self.sweep)
            .map(|(path, _)| path.clone())
            .collect()
    }

    /// The file of this path, and all files below it.
    pub fn below(&self, path: &Path) -> Vec<PathBuf> {
        // Paths are ordered by their parts, so a folder's files follow each other.
        self.files
            .range::<Path, _>((Bound::Included(path), Bound::Unbounded))
            .take_while(|(file, _)| file.starts_with(path))
            .map(|(file, _)| file.clone())
            .collect()
    }

    pub fn tracks(&self, path: &Path) -> bool {
        self.files.contains_key(path)
    }

    pub fn holds_files(&self) -> bool {
        !self.files.is_empty()
    }

    pub fn counts(&self) -> Counts {
        let mut counts = Counts::default();
        for entry in self.files.values() {
            match entry.state {
                State::Waiting { .. } => counts.waiting += 1,
                State::Out { .. } => counts.out += 1,
                State::Done { .. } => counts.done += 1,
            }
        }
        counts
    }

    fn shortest_rest(&self) -> Duration {
        self.settle.max(SHORTEST_REST)
    }

    fn first_sight(
        &mut self,
        path: &Path,
        identity: Identity,
        now: Duration,
        known: impl FnOnce(&Identity) -> bool,
    ) -> AfterLook {
        if known(&identity) {
            self.put(path, State::Done { identity });
            AfterLook::Rest
        } else {
            self.wait(path, identity, now, true);
            if let Some(entry) = self.files.get_mut(path) {
                entry.told = None;
            }
            AfterLook::New
        }
    }

    fn wait(&mut self, path: &Path, identity: Identity, now: Duration, asked: bool) {
        let state = State::Waiting {
            identity,
            since: now,
            due: now.saturating_add(self.settle),
            asked,
        };
        self.put(path, state);
    }

    fn hand_out(&mut self, path: &Path, identity: Identity) {
        let latest = Some(identity);
        self.put(path, State::Out { identity, latest });
    }

    /// The only place where a state changes, so that the schedule always agrees.
    fn put(&mut self, path: &Path, state: State) {
        let entry = match self.files.get_mut(path) {
            Some(entry) => {
                if let State::Waiting { due, .. } = entry.state {
                    self.schedule.remove(&(due, path.to_path_buf()));
                }
                entry
            }
            None => self.files.entry(path.to_path_buf()).or_insert(Entry {
                state,
                told: None,
                sweep: self.sweep,
            }),
        };
        entry.state = state;
        match state {
            State::Waiting { due, .. } => {
                self.schedule.insert((due, path.to_path_buf()));
            }
            State::Out { .. } | State::Done { .. } => entry.told = None,
        }
    }

    fn forget_entry(&mut self, path: &Path) {
        if let Some(Entry {
            state: State::Waiting { due, .. },
            ..
        }) = self.files.remove(path)
        {
            self.schedule.remove(&(due, path.to_path_buf()));
        }
    }
}

#[cfg(test)]
#[path = "settling_tests.rs"]
mod tests;
