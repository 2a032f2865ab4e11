//! The move itself: one rename where that is possible, else copy, verify, name, and only then
//! the end of the source.

use std::ffi::OsStr;
use std::fs::{File, Metadata};

use super::CustodyError;
use super::carry::{Moved, Underway};
use super::content;
use super::folder::{Folder, is_same_file, path_of};
use super::names::numbered;
use super::put::{Put, put};
use super::steps::{Conduct, Step};
use crate::ledger::Place;

impl<'a> Underway<'a, '_> {
    fn to(&self) -> &'a Place {
        self.intent.to.as_ref().unwrap_or(&self.intent.from)
    }

    /// `None` where the kernel says that the folders are on different devices after all.
    pub(super) fn rename(
        &mut self,
        from: &Folder,
        target: &Folder,
        source: &File,
    ) -> Result<Option<Moved>, CustodyError> {
        let name = self.intent.from.name();
        let to_name = self.to().name();
        let source = source
            .metadata()
            .map_err(|error| CustodyError::io(Step::Rename.words(), &from.path_of(name), error))?;
        let way = put(
            self.conduct,
            Step::Rename,
            (from, name),
            (target, to_name),
            &self.ours.claim,
        )?;
        if way == Put::OtherDevice {
            return Ok(None);
        }
        // On disk: the file under the new name, alone (rename) or under both (link).
        let arrived = target
            .look(to_name)
            .map_err(|error| self.unfinished(error))?;
        // Somebody may have exchanged the file between our last look and the rename. That
        // nothing is there is no fault: a courier may have taken it at once.
        let wrong = match &arrived {
            None => false,
            Some(arrived) => !self
                .is_recorded(target, to_name, arrived)
                .map_err(|error| self.unfinished(error))?,
        };
        match (way, wrong) {
            (Put::Moved | Put::OtherDevice, false) => Ok(Some(Moved {
                source_left: false,
                remarks: Vec::new(),
            })),
            (Put::Linked, false) => {
                let removed = target.sync().and_then(|()| self.remove_source(from));
                match removed {
                    Ok(source_left) => Ok(Some(Moved {
                        source_left,
                        remarks: Vec::new(),
                    })),
                    Err(error) => Err(self.withdraw(from, target, &source, error)),
                }
            }
            (Put::Moved | Put::OtherDevice, true) => {
                self.put_back(target, to_name, from)
                    .map_err(|error| self.unfinished(error))?;
                Err(self.changed())
            }
            (Put::Linked, true) => {
                // The other name of whatever it is stays where it was.
                target
                    .unlink(to_name)
                    .map_err(|errno| self.unfinished(self.cleanup_failed(errno)))?;
                Err(self.changed())
            }
        }
    }

    pub(super) fn copy_and_remove(
        &mut self,
        from: &Folder,
        target: &Folder,
        source: &File,
    ) -> Result<Moved, CustodyError> {
        let to_name = self.to().name();
        let path = path_of(self.to());
        let failed =
            |step: Step, error: std::io::Error| CustodyError::io(step.words(), &path, error);

        self.conduct.step(Step::BeginCopy, &path)?;
        let mut copy = target
            .create(&self.ours.copy, 0o600)
            .map_err(|errno| failed(Step::BeginCopy, errno.into()))?;
        // On disk from here: the source, and a hidden beginning of a copy.
        if content::copy(source, &mut copy, &path, self.conduct)? != self.intent.blake3 {
            return Err(self.other_bytes());
        }
        self.conduct.step(Step::FinishCopy, &path)?;
        let remarks = content::keep_attributes(source, &copy)
            .map_err(|error| failed(Step::FinishCopy, error))?;

        self.conduct.step(Step::VerifyCopy, &path)?;
        let written = copy
            .metadata()
            .map_err(|error| failed(Step::VerifyCopy, error))?;
        drop(copy);
        if !self.has_the_digest(target, &self.ours.copy)? {
            return Err(CustodyError::BadCopy { path });
        }
        self.must_be_the_same(from, source)?;

        let way = put(
            self.conduct,
            Step::PlaceCopy,
            (target, &self.ours.copy),
            (target, to_name),
            &self.ours.claim,
        )?;
        // On disk: the source, and the whole copy under its name.
        let rest = match way {
            Put::Linked => target
                .unlink(&self.ours.copy)
                .map_err(|errno| self.cleanup_failed(errno)),
            Put::Moved | Put::OtherDevice => Ok(()),
        };
        // The copy's name must be on the disk before the source's is taken away.
        let rest = rest
            .and_then(|()| target.sync())
            .and_then(|()| self.remove_source(from));
        match rest {
            Ok(source_left) => Ok(Moved {
                source_left,
                remarks,
            }),
            Err(error) => Err(self.withdraw(from, target, &written, error)),
        }
    }

    /// Removes the source of a copy that is safe on the disk, and nothing else: the name is
    /// first exchanged for one of ours, so that what is removed is what was looked at. Says
    /// whether something (another file, then) lies under the source's name.
    pub(super) fn remove_source(&mut self, from: &Folder) -> Result<bool, CustodyError> {
        let name = self.intent.from.name();
        let path = from.path_of(name);
        let failed = |step: Step, errno| CustodyError::io(step.words(), &path, errno);
        match from.look(name)? {
            None => return Ok(false),
            Some(found) if !self.is_recorded(from, name, &found)? => return Ok(true),
            Some(_) => {}
        }
        self.conduct.step(Step::SetAside, &path)?;
        self.set_aside(from, name)
            .map_err(|errno| failed(Step::SetAside, errno))?;
        // On disk: the copy, and the source under our name.
        let aside = from.look(&self.ours.aside)?;
        let is_ours = match &aside {
            None => true,
            Some(found) => self.is_recorded(from, &self.ours.aside, found)?,
        };
        if !is_ours {
            self.restore(from).map_err(|error| self.unfinished(error))?;
            return Ok(true);
        }
        self.conduct
            .step(Step::RemoveSource, &path)
            .and_then(|()| {
                from.unlink(&self.ours.aside)
                    .map_err(|errno| failed(Step::RemoveSource, errno))
            })
            .or_else(|error| match error {
                CustodyError::Interrupted => Err(error),
                error => {
                    self.restore(from).map_err(|error| self.unfinished(error))?;
                    Err(error)
                }
            })?;
        from.sync()?;
        Ok(from.look(name)?.is_some())
    }

    fn set_aside(&self, from: &Folder, name: &OsStr) -> Result<(), rustix::io::Errno> {
        use rustix::io::Errno;
        let renamed = if self.conduct.means.rename_without_replacing {
            from.rename_without_replacing(name, from, &self.ours.aside)
        } else {
            Err(Errno::INVAL)
        };
        match renamed {
            // The name is ours alone, by ledger and journal entry: nothing can lie there.
            Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => {
                from.rename_over(name, from, &self.ours.aside)
            }
            answer => answer,
        }
    }

    /// Gives what was set aside its name back, or, where that was taken meanwhile, a numbered
    /// one: intake will find it there.
    pub(super) fn restore(&self, from: &Folder) -> Result<(), CustodyError> {
        self.put_back(from, &self.ours.aside, from)
    }

    /// Moves what lies under `name` in `folder` back to the source's name or a numbered one. No
    /// step of the deed: it is the way out of one.
    fn put_back(&self, folder: &Folder, name: &OsStr, from: &Folder) -> Result<(), CustodyError> {
        let mut conduct = Conduct::plain();
        conduct.means = self.conduct.means;
        let back_to = self.intent.from.name();
        for number in 1..=99 {
            let free = numbered(back_to, number);
            match put(
                &mut conduct,
                Step::CleanUp,
                (folder, name),
                (from, &free),
                &self.ours.claim,
            ) {
                Ok(Put::Moved | Put::OtherDevice) => {}
                Ok(Put::Linked) => folder
                    .unlink(name)
                    .map_err(|errno| self.cleanup_failed(errno))?,
                Err(CustodyError::Taken { .. }) => continue,
                Err(error) => return Err(error),
            }
            folder.sync()?;
            return from.sync();
        }
        Err(CustodyError::NoFreeName {
            path: from.path_of(back_to),
        })
    }

    /// After the copy had its name, the source could not be removed: the copy goes away again,
    /// if the source is whole. Otherwise both stay, and the next start decides.
    fn withdraw(
        &mut self,
        from: &Folder,
        target: &Folder,
        placed: &Metadata,
        error: CustodyError,
    ) -> CustodyError {
        if matches!(
            error,
            CustodyError::Interrupted | CustodyError::Unfinished { .. }
        ) {
            return error;
        }
        match self.try_to_withdraw(from, target, placed) {
            Ok(true) => error,
            Ok(false) => self.unfinished(error),
            Err(CustodyError::Interrupted) => CustodyError::Interrupted,
            Err(_) => self.unfinished(error),
        }
    }

    fn try_to_withdraw(
        &mut self,
        from: &Folder,
        target: &Folder,
        placed: &Metadata,
    ) -> Result<bool, CustodyError> {
        let name = self.intent.from.name();
        let to_name = self.to().name();
        let Some(source) = from.look(name)? else {
            return Ok(false);
        };
        if !self.is_recorded(from, name, &source)? {
            return Ok(false);
        }
        let Some(found) = target.look(to_name)? else {
            return Ok(true);
        };
        if !is_same_file(&found, placed) {
            return Ok(false);
        }
        self.conduct.step(Step::CleanUp, &target.path_of(to_name))?;
        target
            .unlink(to_name)
            .map_err(|errno| self.cleanup_failed(errno))?;
        target.sync()?;
        Ok(true)
    }

    pub(super) fn cleanup_failed(&self, errno: rustix::io::Errno) -> CustodyError {
        CustodyError::io(Step::CleanUp.words(), &path_of(self.to()), errno)
    }
}
