//! Carries out a plan: journal, sidecar, move, note, journal. After an error nothing has been
//! done, or the journal is still open and says what was begun.

use std::ffi::OsStr;
use std::fs::{File, Metadata};

use super::CustodyError;
use super::access::Access;
use super::content;
use super::folder::{Folder, path_of};
use super::papers::{self, OurNames};
use super::plan::Plan;
use super::steps::{Conduct, Step};
use crate::intake::Identity;
use crate::ledger::{
    CustodyEvent, DeedKind, FileId, Intent, IntentId, Ledger, NewNotice, Outcome, Place,
};

/// What goes with a file.
#[derive(Clone, Debug)]
pub struct Papers<'a> {
    /// The file as it was weighed.
    pub identity: &'a Identity,
    /// BLAKE3 of its bytes as it was weighed: 64 hexadecimal digits in lower case.
    pub blake3: &'a str,
    /// The sidecar's final text, with the places of the plan and the events below.
    pub sidecar: &'a str,
    /// The note's text after [`super::NOTE_FIRST_LINE`], for a stopped file. Without one, an
    /// older note of ours at the old place goes away.
    pub note: Option<&'a str>,
    pub events: Vec<CustodyEvent>,
    pub notice: Option<NewNotice>,
}

/// The deed is done, and the ledger says so.
#[derive(Debug)]
pub struct Done {
    /// Where the file is now.
    pub place: Place,
    pub sidecar: Place,
    /// Something new lies at the old place (it arrived while the file was being copied): it is
    /// another file and has to be weighed.
    pub source_left: bool,
    /// The deed is done, but its note could not be written or removed: tell the operator.
    pub note_trouble: Option<CustodyError>,
    /// What a copy could not keep: its owner, its permissions.
    pub remarks: Vec<&'static str>,
}

/// Carries out a plan. Blocks as long as a copy takes.
///
/// After an error the file is complete where it was and the ledger has it back as arriving; but
/// for [`CustodyError::Unfinished`], where the journal stays open and
/// [`super::finish_open_intents`] decides.
pub fn carry_out(
    ledger: &Ledger,
    file: FileId,
    plan: &Plan,
    papers: Papers<'_>,
) -> Result<Done, CustodyError> {
    carry_out_watched(ledger, file, plan, papers, &mut Conduct::plain())
}

/// As [`carry_out`], under the eyes of a watcher.
pub fn carry_out_watched(
    ledger: &Ledger,
    file: FileId,
    plan: &Plan,
    papers: Papers<'_>,
    conduct: &mut Conduct<'_>,
) -> Result<Done, CustodyError> {
    let to_root_inode = match &plan.to {
        None => None,
        Some(to) => Some(Folder::root(&to.root)?.inode()?),
    };
    let intent = Intent {
        deed: plan.deed,
        from: plan.from.clone(),
        from_root_inode: Folder::root(&plan.from.root)?.inode()?,
        to: plan.to.clone(),
        to_root_inode,
        identity: *papers.identity,
        blake3: papers.blake3.to_owned(),
        sidecar: plan.sidecar.clone(),
        sidecar_replaces: plan.sidecar_replaces.clone(),
        note: papers.note.map(str::to_owned),
        events: papers.events,
        notice: papers.notice,
    };
    let id = ledger.intend(file, &intent, papers.sidecar)?;
    let mut deed = Underway {
        ledger,
        id,
        ours: OurNames::new(ledger.id(), id.0),
        intent: &intent,
        sidecar: papers.sidecar,
        conduct,
    };
    deed.run()
}

/// A deed that the journal knows of.
pub(super) struct Underway<'a, 'c> {
    pub(super) ledger: &'a Ledger,
    pub(super) id: IntentId,
    pub(super) ours: OurNames,
    pub(super) intent: &'a Intent,
    pub(super) sidecar: &'a str,
    pub(super) conduct: &'a mut Conduct<'c>,
}

/// The file is at its new place.
pub(super) struct Moved {
    pub(super) source_left: bool,
    pub(super) remarks: Vec<&'static str>,
}

impl Underway<'_, '_> {
    /// All of a deed after its intent is in the journal.
    pub(super) fn run(&mut self) -> Result<Done, CustodyError> {
        let error = match self.up_to_the_move() {
            Ok(moved) => return self.after_the_move(moved),
            Err(error @ (CustodyError::Interrupted | CustodyError::Unfinished { .. })) => {
                return Err(error);
            }
            Err(error) => error,
        };
        let undone = self
            .undo()
            .and_then(|()| Ok(self.ledger.abandon(self.id, &error.to_string())?));
        match undone {
            Ok(()) => Err(error),
            Err(CustodyError::Interrupted) => Err(CustodyError::Interrupted),
            Err(_) => Err(self.unfinished(error)),
        }
    }

    /// Until here every error is undone; the file is where it was.
    fn up_to_the_move(&mut self) -> Result<Moved, CustodyError> {
        let intent = self.intent;
        let name = intent.from.name();
        self.conduct.step(Step::Begin, &path_of(&intent.from))?;
        let from = Folder::of(&intent.from)?.ok_or_else(|| self.changed())?;
        let source = from.open_file(name)?.ok_or_else(|| self.changed())?;
        self.must_be_the_same(&from, &source)?;
        let Some(to) = &intent.to else {
            self.place_sidecar()?;
            // The sidecar must not tell of other bytes than those that lie beside it.
            self.must_be_the_same(&from, &source)?;
            return Ok(Moved {
                source_left: false,
                remarks: Vec::new(),
            });
        };

        from.may_change()?;
        let target = Folder::make(to, self.conduct)?;
        bring_to_disk(&source).map_err(|error| self.io(Step::Begin, error))?;
        let device = self.metadata(&source)?.device;
        // A second name would let somebody write into what was released.
        let by_copy = intent.identity.links > 1
            || !self.conduct.means.same_device
            || device != target.device()?;
        if intent.deed == DeedKind::Release && !by_copy {
            // A copy reads all bytes anyway.
            self.must_have_the_digest(&source)?;
        }
        self.place_sidecar()?;
        self.must_be_the_same(&from, &source)?;
        if !by_copy && let Some(moved) = self.rename(&from, &target, &source)? {
            return Ok(moved);
        }
        self.copy_and_remove(&from, &target, &source)
    }

    /// From here no error brings the file back; at worst the journal stays open.
    pub(super) fn after_the_move(&mut self, moved: Moved) -> Result<Done, CustodyError> {
        let intent = self.intent;
        if let Some(to) = &intent.to {
            // Target first: better twice than nowhere.
            self.conduct
                .step(Step::SyncFolders, &path_of(to))
                .and_then(|()| self.sync_folders(to))
                .map_err(|error| self.unfinished(error))?;
        }
        let note_trouble = match self.note() {
            Ok(()) => None,
            Err(CustodyError::Interrupted) => return Err(CustodyError::Interrupted),
            Err(error) => Some(error),
        };
        self.conduct
            .step(Step::CloseJournal, &path_of(&intent.from))
            .map_err(|error| self.unfinished(error))?;
        let place = intent.to.as_ref().unwrap_or(&intent.from).clone();
        let outcome = Outcome {
            state: intent.deed.state(),
            events: intent.events.clone(),
            place: place.clone(),
            sidecar: intent.sidecar.clone(),
            sidecar_json: self.sidecar.to_owned(),
        };
        self.ledger
            .accomplish(self.id, outcome, intent.notice.clone())
            .map_err(|error| self.unfinished(error.into()))?;
        Ok(Done {
            place,
            sidecar: intent.sidecar.clone(),
            source_left: moved.source_left,
            note_trouble,
            remarks: moved.remarks,
        })
    }

    /// Where there is none: who changed ours since had a reason.
    pub(super) fn ensure_sidecar(&mut self) -> Result<(), CustodyError> {
        let sidecar = &self.intent.sidecar;
        match Folder::of(sidecar)? {
            Some(folder) if folder.look(sidecar.name())?.is_some() => Ok(()),
            _ => self.place_sidecar(),
        }
    }

    fn sync_folders(&self, to: &Place) -> Result<(), CustodyError> {
        for place in [to, &self.intent.from] {
            // Whoever removes the folder now has already seen the file in it, or it is empty.
            if let Some(folder) = Folder::of(place)? {
                folder.sync()?;
            }
        }
        Ok(())
    }

    pub(super) fn place_sidecar(&mut self) -> Result<(), CustodyError> {
        let sidecar = &self.intent.sidecar;
        let folder = Folder::make(sidecar, self.conduct)?;
        papers::write_sidecar(
            &folder,
            sidecar.name(),
            self.sidecar,
            self.intent.sidecar_replaces.as_deref(),
            self.access(),
            &self.ours,
            self.conduct,
        )
    }

    /// Who may read the file, wherever it is by now. `None` where it is out of reach.
    fn access(&self) -> Option<Access> {
        let known = &self.intent.identity;
        let places = [Some(&self.intent.from), self.intent.to.as_ref()];
        places.into_iter().flatten().find_map(|place| {
            let found = Folder::of(place).ok()??.look(place.name()).ok()??;
            let seen = Identity::of(&found);
            let is_it = found.is_file()
                && (seen.bytes, seen.modified_ns) == (known.bytes, known.modified_ns);
            is_it.then(|| Access::of(&found))
        })
    }

    fn note(&mut self) -> Result<(), CustodyError> {
        let from = &self.intent.from;
        let (folder, text) = match (Folder::of(from)?, &self.intent.note) {
            (None, None) => return Ok(()),
            (None, Some(_)) => {
                return Err(CustodyError::Gone {
                    path: path_of(from),
                });
            }
            (Some(folder), text) => (folder, text),
        };
        let written = match text {
            Some(text) => papers::write_note(
                &folder,
                from.name(),
                text,
                self.access(),
                &self.ours,
                self.conduct,
            ),
            None => papers::remove_notes(&folder, from.name(), self.conduct).map(|_| ()),
        };
        if matches!(&written, Err(error) if !matches!(error, CustodyError::Interrupted)) {
            // What is left of it is a temporary file; the next start would remove it, too.
            let _ = folder.unlink(&self.ours.note);
        }
        written
    }

    /// The open file, and what lies under its name, are the file that was weighed.
    pub(super) fn must_be_the_same(
        &self,
        from: &Folder,
        source: &File,
    ) -> Result<(), CustodyError> {
        let named = from.look(self.intent.from.name())?;
        let named = named.map(|metadata| Identity::of(&metadata));
        if named == Some(self.intent.identity) && self.metadata(source)? == self.intent.identity {
            Ok(())
        } else {
            Err(self.changed())
        }
    }

    fn must_have_the_digest(&self, source: &File) -> Result<(), CustodyError> {
        let (digest, _) =
            content::digest(source).map_err(|error| self.io(Step::VerifyCopy, error))?;
        if digest == self.intent.blake3 {
            Ok(())
        } else {
            Err(self.other_bytes())
        }
    }

    fn metadata(&self, file: &File) -> Result<Identity, CustodyError> {
        file.metadata()
            .map(|metadata| Identity::of(&metadata))
            .map_err(|error| self.io(Step::Begin, error))
    }

    /// Whether what lies under `name` is the file of the journal, whatever its name and links.
    pub(super) fn is_recorded(
        &self,
        folder: &Folder,
        name: &OsStr,
        metadata: &Metadata,
    ) -> Result<bool, CustodyError> {
        let (found, known) = (Identity::of(metadata), &self.intent.identity);
        if !metadata.is_file() {
            return Ok(false);
        }
        if found.same_content(known) {
            return Ok(true);
        }
        // Devices are numbered anew when a share is mounted, and some file systems make up their
        // inodes as they go: then the bytes decide.
        let may_be = found.bytes == known.bytes && found.modified_ns == known.modified_ns;
        Ok(may_be && self.has_the_digest(folder, name)?)
    }

    pub(super) fn has_the_digest(
        &self,
        folder: &Folder,
        name: &OsStr,
    ) -> Result<bool, CustodyError> {
        let Some(file) = folder.open_file(name)? else {
            return Ok(false);
        };
        let (digest, _) = content::digest_from_disk(&file).map_err(|error| {
            CustodyError::io(Step::VerifyCopy.words(), &folder.path_of(name), error)
        })?;
        Ok(digest == self.intent.blake3)
    }

    pub(super) fn changed(&self) -> CustodyError {
        CustodyError::Changed {
            path: path_of(&self.intent.from),
        }
    }

    pub(super) fn other_bytes(&self) -> CustodyError {
        CustodyError::OtherBytes {
            path: path_of(&self.intent.from),
        }
    }

    pub(super) fn unfinished(&self, source: CustodyError) -> CustodyError {
        match source {
            CustodyError::Interrupted | CustodyError::Unfinished { .. } => source,
            source => CustodyError::Unfinished {
                path: path_of(&self.intent.from),
                source: Box::new(source),
            },
        }
    }

    fn io(&self, step: Step, source: std::io::Error) -> CustodyError {
        CustodyError::io(step.words(), &path_of(&self.intent.from), source)
    }
}

/// The writer may not have waited for the disk. Not every file system can be asked by a reader.
fn bring_to_disk(source: &File) -> std::io::Result<()> {
    use std::io::ErrorKind::{InvalidInput, PermissionDenied, ReadOnlyFilesystem, Unsupported};
    match source.sync_all() {
        Err(error)
            if !matches!(
                error.kind(),
                InvalidInput | PermissionDenied | ReadOnlyFilesystem | Unsupported
            ) =>
        {
            Err(error)
        }
        _ => Ok(()),
    }
}
