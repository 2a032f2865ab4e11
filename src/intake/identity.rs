//! Which file it is, and whether it is still the same: compared for equality only.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;

use rustix::fs::Statx;
use serde::{Deserialize, Serialize};

/// Device, inode, size and both change times of a file, as `stat` gives them.
///
/// Equality, not order: a client may set mtime months back after copying, and the server's
/// clock is not ours. "Changed" is the only question that a file time can answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Identity {
    pub device: u64,
    pub inode: u64,
    pub bytes: u64,
    pub modified_ns: i128,
    pub changed_ns: i128,
    pub links: u64,
}

impl Identity {
    pub fn of(metadata: &Metadata) -> Self {
        let ns = |seconds: i64, ns: i64| i128::from(seconds) * 1_000_000_000 + i128::from(ns);
        Self {
            device: metadata.dev(),
            inode: metadata.ino(),
            bytes: metadata.len(),
            modified_ns: ns(metadata.mtime(), metadata.mtime_nsec()),
            changed_ns: ns(metadata.ctime(), metadata.ctime_nsec()),
            links: metadata.nlink(),
        }
    }

    /// The same from `statx`, which the scanner uses for its mount ids and its cheap looks.
    pub(super) fn of_statx(seen: &Statx) -> Self {
        let ns = |seconds: i64, ns: u32| i128::from(seconds) * 1_000_000_000 + i128::from(ns);
        Self {
            device: rustix::fs::makedev(seen.stx_dev_major, seen.stx_dev_minor),
            inode: seen.stx_ino,
            bytes: seen.stx_size,
            modified_ns: ns(seen.stx_mtime.tv_sec, seen.stx_mtime.tv_nsec),
            changed_ns: ns(seen.stx_ctime.tv_sec, seen.stx_ctime.tv_nsec),
            links: u64::from(seen.stx_nlink),
        }
    }

    /// Same bytes as far as `stat` can tell, although links may have come or gone and the name
    /// may have changed (both move ctime).
    pub fn same_content(&self, other: &Self) -> bool {
        self.device == other.device
            && self.inode == other.inode
            && self.bytes == other.bytes
            && self.modified_ns == other.modified_ns
    }
}
