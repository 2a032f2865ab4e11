//! What the operator is told of: each trouble once when it begins and once when it is over.
//!
//! In: a key, and sentences. Out: a line in the log, a notice in the outbox, and a row in the
//! ledger while it lasts, for `status`. A trouble that comes and goes is not told again within
//! ten minutes; the log has it all. Lives as long as the daemon, through every reload.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tracing::{error, info};

use crate::ledger::{Ledger, LedgerError, NewNotice, NoticeKind};
use crate::notice::{Payload, Trouble};

/// Own choice: longer than any retry, shorter than a coffee.
const QUIET: Duration = Duration::from_secs(600);

pub(super) struct Alarms {
    ledger: Ledger,
    known: Mutex<HashMap<String, Known>>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    Active,
    /// It was so under an older configuration; the next look says whether it still is.
    Unsure,
    Over,
}

struct Known {
    says: String,
    state: State,
    /// Told by a notice, and when.
    told: Option<Instant>,
}

impl Alarms {
    pub(super) fn new(ledger: Ledger) -> Self {
        Self {
            ledger,
            known: Mutex::new(HashMap::new()),
        }
    }

    /// Something is wrong. `key` names it, `says` is one sentence, `place` where, `to_do` what
    /// to do. Returns whether a notice was filed.
    pub(super) fn raise(&self, key: &str, says: &str, place: &str, to_do: &str) -> bool {
        let tell = {
            let mut all = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            let known = all.entry(key.to_owned()).or_insert(Known {
                says: String::new(),
                state: State::Over,
                told: None,
            });
            if known.state == State::Active && known.says == says {
                return false;
            }
            known.state = State::Active;
            known.says = says.to_owned();
            let tell = known.told.is_none_or(|told| told.elapsed() > QUIET);
            if tell {
                known.told = Some(Instant::now());
            }
            tell
        };
        error!(key, place, to_do, "{says}");
        self.note(self.ledger.trouble(key, says, place, to_do));
        tell && self.file(key, says, place, to_do, false)
    }

    /// It is over. Says nothing where nothing was wrong.
    pub(super) fn over(&self, key: &str, place: &str) -> bool {
        let (says, tell) = {
            let mut all = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            let Some(known) = all.get_mut(key).filter(|known| known.state != State::Over) else {
                return false;
            };
            known.state = State::Over;
            (
                known.says.clone(),
                known
                    .told
                    .is_some_and(|told| told.elapsed() < QUIET * 6 * 24),
            )
        };
        info!(key, place, "over: {says}");
        self.note(self.ledger.trouble_over(key));
        tell && self.file(key, &says, place, "", true)
    }

    /// A configuration was read anew: what is wrong under it has yet to be found out. What was
    /// told a moment ago is still not told again.
    pub(super) fn begin_anew(&self) {
        let mut all = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        for known in all.values_mut() {
            if known.state == State::Active {
                known.state = State::Unsure;
            }
        }
        drop(all);
        self.note(self.ledger.no_troubles());
    }

    /// Keys that begin so, of what was wrong under an older configuration and was not told since.
    pub(super) fn unsure(&self, prefix: &str) -> Vec<String> {
        let all = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter()
            .filter(|(key, known)| known.state == State::Unsure && key.starts_with(prefix))
            .map(|(key, _)| key.clone())
            .collect()
    }

    /// The log has it anyway; only `status` misses it.
    fn note(&self, noted: Result<(), LedgerError>) {
        if let Err(failed) = noted {
            error!(error = %failed, "a trouble could not be noted in the ledger");
        }
    }

    /// The sentences of what is wrong now, in the order of their keys.
    pub(super) fn active(&self) -> Vec<String> {
        let all = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let mut active: Vec<(&String, &Known)> = all
            .iter()
            .filter(|(_, known)| known.state == State::Active)
            .collect();
        active.sort_by_key(|(key, _)| *key);
        active
            .into_iter()
            .map(|(_, known)| known.says.clone())
            .collect()
    }

    fn file(&self, key: &str, says: &str, place: &str, to_do: &str, over: bool) -> bool {
        let now = Timestamp::now();
        let payload = Payload::Trouble(Trouble {
            at: now.to_string(),
            what: says.to_owned(),
            place: place.to_owned(),
            to_do: to_do.to_owned(),
            over,
        });
        let notice = NewNotice {
            kind: NoticeKind::Trouble,
            key: format!("trouble {key} {now}"),
            payload_json: payload.to_json(),
            at: now,
        };
        match self.ledger.notice(notice) {
            Ok(new) => new,
            Err(failed) => {
                error!(error = %failed, "a trouble could not be put into the outbox");
                false
            }
        }
    }
}
