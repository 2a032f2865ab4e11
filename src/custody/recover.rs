//! The start: what was under way when the last daemon ended is finished or undone. What the disk
//! says decides; where it says too little, nothing is guessed and somebody is told.
//!
//! | at the new place | at the old place | then |
//! |---|---|---|
//! | the file | nothing, or another file | the deed is finished |
//! | the file, verified | the file | the old one is removed, the deed is finished |
//! | not the file | something | the deed is undone, the file settles and is weighed anew |
//! | not the file | nothing | it is out of sight: an alarm |
//! | a root is missing or another | | the journal stays open until it is back |

use std::ffi::OsStr;

use super::CustodyError;
use super::carry::{Done, Moved, Underway};
use super::folder::Folder;
use super::papers::OurNames;
use super::steps::Conduct;
use crate::intake::Identity;
use crate::ledger::{DeedKind, FileId, Ledger, LedgerError, Place};

/// What became of a deed that was under way.
#[derive(Debug)]
pub struct Finished {
    pub file: FileId,
    pub deed: DeedKind,
    pub from: Place,
    pub to: Option<Place>,
    pub ended: Ended,
}

#[derive(Debug)]
pub enum Ended {
    Accomplished(Done),
    /// The file is at the old place (or what arrived there since) and has to settle again.
    Undone {
        why: String,
    },
    /// The file is neither at the old place nor at the new one: somebody has to be told.
    OutOfSight,
    /// Nothing could be concluded, and the journal stays open: tell, and call again later.
    Waiting(CustodyError),
}

/// Finishes or undoes every deed that is open in the journal. At start, and again when a share
/// that some of them waited for is back.
pub fn finish_open_intents(ledger: &Ledger) -> Result<Vec<Finished>, LedgerError> {
    finish_open_intents_watched(ledger, &mut Conduct::plain())
}

/// As [`finish_open_intents`], under the eyes of a watcher.
pub fn finish_open_intents_watched(
    ledger: &Ledger,
    conduct: &mut Conduct<'_>,
) -> Result<Vec<Finished>, LedgerError> {
    let mut finished = Vec::new();
    for open in ledger.open_intents()? {
        let mut deed = Underway {
            ledger,
            id: open.id,
            ours: OurNames::new(ledger.id(), open.id.0),
            intent: &open.intent,
            sidecar: &open.sidecar_json,
            conduct,
        };
        let ended = match deed.decide() {
            Ok(ended) => ended,
            Err(error) => Ended::Waiting(error),
        };
        finished.push(Finished {
            file: open.file,
            deed: open.intent.deed,
            from: open.intent.from,
            to: open.intent.to,
            ended,
        });
    }
    Ok(finished)
}

impl Underway<'_, '_> {
    fn decide(&mut self) -> Result<Ended, CustodyError> {
        self.roots_must_be_the_same()?;
        let intent = self.intent;
        let from = Folder::of(&intent.from)?;
        let source = match &from {
            Some(from) => from.look(intent.from.name())?,
            None => None,
        };
        let Some(to) = &intent.to else {
            return self.keep(source.is_some());
        };
        let target = Folder::of(to)?;
        let arrived = match &target {
            Some(target) => self.has_arrived(target, to.name())?,
            None => false,
        };
        let aside = match &from {
            Some(from) => from.look(&self.ours.aside)?,
            None => None,
        };

        if arrived {
            self.remove_temporaries()?;
            let mut source_left = source.is_some();
            if let Some(from) = &from {
                if let Some(aside) = aside {
                    if self.is_recorded(from, &self.ours.aside, &aside)? {
                        from.unlink(&self.ours.aside)
                            .map_err(|errno| self.cleanup_failed(errno))?;
                    } else {
                        self.restore(from)?;
                    }
                    from.sync()?;
                }
                source_left = self.remove_source(from)?;
            }
            self.ensure_sidecar()?;
            return Ok(Ended::Accomplished(self.after_the_move(Moved {
                source_left,
                remarks: Vec::new(),
            })?));
        }

        if let (Some(from), Some(_)) = (&from, &aside) {
            self.restore(from)?;
        } else if source.is_none() {
            // The sidecar stays: it tells what the file was that somebody took.
            self.remove_temporaries()?;
            self.ledger.lose_sight(self.id, OUT_OF_SIGHT)?;
            return Ok(Ended::OutOfSight);
        }
        self.undo()?;
        self.ledger.abandon(self.id, INTERRUPTED)?;
        Ok(Ended::Undone {
            why: INTERRUPTED.to_owned(),
        })
    }

    /// Nothing moves, so that the deed can be done again from its begin.
    fn keep(&mut self, is_there: bool) -> Result<Ended, CustodyError> {
        self.remove_temporaries()?;
        if !is_there {
            self.ledger.lose_sight(self.id, OUT_OF_SIGHT)?;
            return Ok(Ended::OutOfSight);
        }
        match self.run() {
            Ok(done) => Ok(Ended::Accomplished(done)),
            Err(error @ (CustodyError::Interrupted | CustodyError::Unfinished { .. })) => {
                Err(error)
            }
            Err(error) => Ok(Ended::Undone {
                why: error.to_string(),
            }),
        }
    }

    /// A share that is not mounted shows an empty folder, from which nothing follows.
    fn roots_must_be_the_same(&self) -> Result<(), CustodyError> {
        let intent = self.intent;
        let mut roots = vec![(&intent.from.root, intent.from_root_inode)];
        if let (Some(to), Some(inode)) = (&intent.to, intent.to_root_inode) {
            roots.push((&to.root, inode));
        }
        for (root, inode) in roots {
            if Folder::root(root)?.inode()? != inode {
                return Err(CustodyError::RootChanged {
                    root: root.name.clone(),
                    folder: root.folder.clone(),
                });
            }
        }
        Ok(())
    }

    /// Whether the file lies at its new place: the very same one, or a copy with its digest.
    fn has_arrived(&self, target: &Folder, name: &OsStr) -> Result<bool, CustodyError> {
        let Some(found) = target.look(name)? else {
            return Ok(false);
        };
        if !found.is_file() || found.len() != self.intent.identity.bytes {
            return Ok(false);
        }
        Ok(Identity::of(&found).same_content(&self.intent.identity)
            || self.has_the_digest(target, name)?)
    }
}

const INTERRUPTED: &str =
    "the daemon ended before the file was moved: nothing was done, it settles and is weighed anew";

const OUT_OF_SIGHT: &str = "the daemon ended while the file was moved, and it lies neither at the \
     old place nor at the new one: somebody has taken it";
