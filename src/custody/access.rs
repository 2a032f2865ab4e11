//! Who may read what we make: a paper whoever may read its file, a folder whoever may enter the
//! one that it lies in. Otherwise the daemon's own user and umask would decide, and the engineer
//! on the share could not open the note about their own file.
//!
//! In: what the disk says of the model. Out: owner, group and mode, as far as the system lets us
//! give them. None of it may fail a deed: a file is safe whoever may read its papers.

use std::fs::{File, Metadata};
use std::os::fd::AsFd;
use std::os::unix::fs::MetadataExt;

use rustix::fs::{Gid, Mode, Uid};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Access {
    owner: u32,
    group: u32,
    mode: u32,
}

/// Read and write for owner, group and others: nothing of ours is executed.
const FILE_BITS: u32 = 0o666;
/// All but sticky and set-user-ID.
const FOLDER_BITS: u32 = 0o777;
const SET_GROUP_ID: u32 = 0o2000;

impl Access {
    pub(super) fn of(model: &Metadata) -> Self {
        Self {
            owner: model.uid(),
            group: model.gid(),
            mode: model.mode(),
        }
    }

    /// The mode of a paper about this file, never wider than the file's but for ourselves, who
    /// must know our papers again.
    pub(super) fn paper_mode(self) -> u32 {
        (self.mode & FILE_BITS) | 0o600
    }

    /// The mode of a folder in this one.
    pub(super) fn folder_mode(self) -> u32 {
        (self.mode & FOLDER_BITS) | 0o700
    }

    pub(super) fn give_to_paper(self, paper: &File) {
        self.give(paper, paper.metadata().ok(), self.paper_mode());
    }

    pub(super) fn give_to_folder(self, folder: impl AsFd, now: Option<Metadata>) {
        // A folder that hands on its group (set-group-ID) makes the new one do so by itself; here
        // that must not be taken away.
        let handed_on = now.as_ref().map_or(0, Metadata::mode) & SET_GROUP_ID;
        self.give(folder, now, self.folder_mode() | handed_on);
    }

    fn give(self, to: impl AsFd, now: Option<Metadata>, mode: u32) {
        let as_it_is = now.as_ref().map(Self::of);
        if as_it_is.is_none_or(|now| (now.owner, now.group) != (self.owner, self.group)) {
            // Only root may give files away; the group alone is possible for its members.
            let group = Some(Gid::from_raw(self.group));
            if rustix::fs::fchown(&to, Some(Uid::from_raw(self.owner)), group).is_err() {
                let _ = rustix::fs::fchown(&to, None, group);
            }
        }
        if as_it_is.is_none_or(|now| now.mode & 0o7777 != mode) {
            let _ = rustix::fs::fchmod(&to, Mode::from_raw_mode(mode));
        }
    }
}
