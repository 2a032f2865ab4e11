//! Taking away what a deed had put on the disk before it came to nothing: temporary files, and
//! the sidecar of a file that did not move.

use std::ffi::OsStr;

use super::CustodyError;
use super::carry::Underway;
use super::folder::Folder;
use super::papers;
use super::put::holds;
use super::steps::Step;

impl Underway<'_, '_> {
    /// The file is where it was; so is everything else afterwards.
    pub(super) fn undo(&mut self) -> Result<(), CustodyError> {
        self.remove_temporaries()?;
        let sidecar = &self.intent.sidecar;
        if let Some(folder) = Folder::reachable(sidecar)?
            && holds(&folder, sidecar.name(), self.sidecar)?
        {
            self.remove(&folder, sidecar.name())?;
            folder.sync()?;
        }
        Ok(())
    }

    /// Removes what bears our temporary names, and a name that was kept by us. What was set aside
    /// is a user's file and not touched here.
    pub(super) fn remove_temporaries(&mut self) -> Result<(), CustodyError> {
        let intent = self.intent;
        let (copy, sidecar, note) = (
            self.ours.copy.clone(),
            self.ours.sidecar.clone(),
            self.ours.note.clone(),
        );
        if let Some(to) = &intent.to
            && let Some(target) = Folder::reachable(to)?
        {
            self.remove(&target, &copy)?;
            if holds(&target, to.name(), &self.ours.claim)? {
                self.remove(&target, to.name())?;
            }
        }
        if let Some(folder) = Folder::reachable(&intent.sidecar)? {
            self.remove(&folder, &sidecar)?;
            if holds(&folder, intent.sidecar.name(), &self.ours.claim)? {
                self.remove(&folder, intent.sidecar.name())?;
            }
        }
        if let Some(folder) = Folder::reachable(&intent.from)? {
            self.remove(&folder, &note)?;
            for name in papers::note_names(intent.from.name()) {
                if holds(&folder, &name, &self.ours.claim)? {
                    self.remove(&folder, &name)?;
                }
            }
        }
        Ok(())
    }

    fn remove(&mut self, folder: &Folder, name: &OsStr) -> Result<(), CustodyError> {
        if folder.look(name)?.is_none() {
            return Ok(());
        }
        self.conduct.step(Step::CleanUp, &folder.path_of(name))?;
        folder
            .unlink(name)
            .map_err(|errno| CustodyError::io(Step::CleanUp.words(), &folder.path_of(name), errno))
    }
}
