//! Whether a watch's root is the folder that it was: an unmounted share looks like an empty
//! folder and must not be taken for one.
//!
//! In: what is remembered of the root, what stands there now, whether it holds anything. Out: a
//! [`Footing`]. Decides only; looking is done in `tree`.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::names::shown;

/// A root as it is remembered, in this run and over restarts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RootMemory {
    pub device: u64,
    /// The kernel's mount id; it means nothing after a restart of the machine.
    pub mount: u64,
    pub inode: u64,
    /// Whether a file system was mounted right there.
    pub mount_point: bool,
    /// Whether it held files that were taken up.
    pub held_files: bool,
}

/// Where a folder stands now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    pub device: u64,
    pub mount: u64,
    pub inode: u64,
    pub mount_point: bool,
}

/// What may be concluded from what is found in a root.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Footing {
    /// The folder that it was, or none is remembered.
    Same,
    /// Made anew in the same place: what is not in it is gone.
    Recreated,
    /// Another file system, with files (the share was mounted anew). What is there counts;
    /// from what is not there nothing is concluded.
    Replaced,
    /// Nothing is concluded from what is not there, and somebody is told.
    Doubtful(Doubt),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Doubt {
    /// A share was mounted there, and none is now.
    NoLongerMounted,
    /// Another place than before, and nothing in it.
    EmptyElsewhere,
}

/// `this_run`: the memory was made in this run of the program, so the mount id means something.
/// `empty`: nothing in it but names that are left alone.
pub(super) fn footing(
    before: Option<&RootMemory>,
    this_run: bool,
    now: &Place,
    empty: bool,
) -> Footing {
    let Some(before) = before else {
        return Footing::Same;
    };
    if before.mount_point && !now.mount_point {
        return Footing::Doubtful(Doubt::NoLongerMounted);
    }
    let other_device = before.device != now.device;
    let other_inode = before.inode != now.inode;
    // Over a restart the device's number may be given to another share, and the folder may have
    // been made anew; only device and inode together say that it is the same.
    let moved = other_device
        || if this_run {
            before.mount != now.mount
        } else {
            other_inode
        };
    if !moved {
        return if other_inode {
            Footing::Recreated
        } else {
            Footing::Same
        };
    }
    // The share may have been mounted above the root, with a folder of the same name below it.
    let left_a_mount = this_run && other_device && !now.mount_point;
    if empty && (before.held_files || left_a_mount) {
        return Footing::Doubtful(Doubt::EmptyElsewhere);
    }
    Footing::Replaced
}

impl Doubt {
    pub fn says(self, root: &Path, watch: &str) -> String {
        let root = shown(root);
        match self {
            Self::NoLongerMounted => format!(
                "a share was mounted at {root} (watch \"{watch}\") and is not any more: is it \
                 mounted? Nothing is taken for removed. If the folder is meant to lie on this \
                 disk now, give the watch a new name."
            ),
            Self::EmptyElsewhere => format!(
                "the folder {root} (watch \"{watch}\") is on another file system than before, and \
                 empty: is the right share mounted? Nothing is taken for removed. This ends with \
                 the first file in it, or when the old one is back."
            ),
        }
    }
}

/// A network or user-space file system's name, from `statfs`: the kernel sends no events of what
/// other hosts do there. Numbers: linux/magic.h, and fs/smb/client for CIFS and SMB2.
pub(super) fn sends_no_events(file_system: i64) -> Option<&'static str> {
    match file_system & 0xffff_ffff {
        0x6969 => Some("NFS"),
        0xff53_4d42 => Some("CIFS"),
        0xfe53_4d42 => Some("SMB2"),
        0x517b => Some("SMB"),
        0x6573_5546 => Some("FUSE"),
        0x0102_1997 => Some("9P"),
        0x00c3_6400 => Some("Ceph"),
        0x5346_414f => Some("AFS"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHARE: RootMemory = RootMemory {
        device: 45,
        mount: 200,
        inode: 1,
        mount_point: true,
        held_files: true,
    };
    const LOCAL: RootMemory = RootMemory {
        device: 8,
        mount: 30,
        inode: 77,
        mount_point: false,
        held_files: true,
    };

    fn place(memory: &RootMemory) -> Place {
        Place {
            device: memory.device,
            mount: memory.mount,
            inode: memory.inode,
            mount_point: memory.mount_point,
        }
    }

    #[test]
    fn an_unmounted_share_is_an_alarm_and_not_an_empty_folder() {
        let gone = Footing::Doubtful(Doubt::NoLongerMounted);
        for this_run in [true, false] {
            for empty in [true, false] {
                assert_eq!(footing(Some(&SHARE), this_run, &place(&LOCAL), empty), gone);
            }
        }
    }

    #[test]
    fn a_share_mounted_above_the_root_is_missed_too() {
        let below_a_mount = RootMemory {
            mount_point: false,
            held_files: false,
            ..SHARE
        };
        let empty = Footing::Doubtful(Doubt::EmptyElsewhere);
        assert_eq!(
            footing(Some(&below_a_mount), true, &place(&LOCAL), true),
            empty
        );
    }

    #[test]
    fn a_share_that_is_mounted_anew_with_its_files_is_accepted() {
        let again = Place {
            device: 51,
            mount: 260,
            inode: 9,
            mount_point: true,
        };
        assert_eq!(
            footing(Some(&SHARE), true, &again, false),
            Footing::Replaced
        );
        assert_eq!(
            footing(Some(&SHARE), true, &again, true),
            Footing::Doubtful(Doubt::EmptyElsewhere)
        );
        let had_nothing = RootMemory {
            held_files: false,
            ..SHARE
        };
        assert_eq!(
            footing(Some(&had_nothing), true, &again, true),
            Footing::Replaced
        );
    }

    #[test]
    fn a_restart_of_the_machine_is_no_alarm() {
        // Mount ids are given anew at each mount, and device numbers may be.
        let other_mount = Place {
            mount: 31,
            ..place(&LOCAL)
        };
        for empty in [true, false] {
            assert_eq!(
                footing(Some(&LOCAL), false, &other_mount, empty),
                Footing::Same
            );
        }
        let other_device = Place {
            device: 9,
            ..other_mount
        };
        assert_eq!(
            footing(Some(&LOCAL), false, &other_device, false),
            Footing::Replaced
        );
        let had_nothing = RootMemory {
            held_files: false,
            ..LOCAL
        };
        assert_eq!(
            footing(Some(&had_nothing), false, &other_device, true),
            Footing::Replaced
        );
    }

    #[test]
    fn a_root_made_anew_in_the_same_place_is_believed() {
        let anew = Place {
            inode: 78,
            ..place(&LOCAL)
        };
        assert_eq!(footing(Some(&LOCAL), true, &anew, true), Footing::Recreated);
        assert_eq!(
            footing(None, true, &anew, true),
            Footing::Same,
            "a first run has nothing to compare"
        );
    }
}
