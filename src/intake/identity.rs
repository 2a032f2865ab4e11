//! Which file it is, and whether it is still the same: compared for equality only.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;

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

    /// Same bytes as far as `stat` can tell, although links may have come or gone and the name
    /// may have changed (both move ctime).
    pub fn same_content(&self, other: &Self) -> bool {
        self.device == other.device
            && self.inode == other.inode
            && self.bytes == other.bytes
            && self.modified_ns == other.modified_ns
    }
}
