//! A file's bytes: their digest as the disk gives it, and a copy with the original's owner,
//! mode, times and attributes.

use std::fs::File;
use std::io::{self, Write};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::Path;

use rustix::fs::{Advice, Gid, Mode, Timestamps, Uid, XattrFlags};

use super::CustodyError;
use super::steps::{Conduct, Step};

/// Big enough that a share is read in few requests.
const BLOCK: usize = 1 << 20;

/// BLAKE3 of a whole file in hexadecimal digits, and how many bytes it had.
pub(super) fn digest(file: &File) -> io::Result<(String, u64)> {
    let mut hasher = blake3::Hasher::new();
    let bytes = blocks(file, |block| {
        hasher.update(block);
        Ok(())
    })?;
    Ok((hasher.finalize().to_hex().to_string(), bytes))
}

/// As [`digest`], but of what the disk has rather than what memory remembers, as far as the
/// kernel lets us say so.
pub(super) fn digest_from_disk(file: &File) -> io::Result<(String, u64)> {
    // Advice only: where it is not taken, the bytes in memory are what was written.
    let _ = rustix::fs::fadvise(file, 0, None, Advice::DontNeed);
    digest(file)
}

/// Copies all of `source` into `target` and gives the digest of what was read.
pub(super) fn copy(
    source: &File,
    target: &mut File,
    path: &Path,
    conduct: &mut Conduct<'_>,
) -> Result<String, CustodyError> {
    let failed = |source| CustodyError::io(Step::CopyBlock.words(), path, source);
    let mut hasher = blake3::Hasher::new();
    let mut interrupted = None;
    let copied = blocks(source, |block| {
        if let Err(error) = conduct.step(Step::CopyBlock, path) {
            interrupted = Some(error);
            return Err(io::Error::other("stopped"));
        }
        hasher.update(block);
        target.write_all(block)
    });
    match (interrupted, copied) {
        (Some(error), _) => Err(error),
        (None, Err(error)) => Err(failed(error)),
        (None, Ok(_)) => Ok(hasher.finalize().to_hex().to_string()),
    }
}

fn blocks(file: &File, mut each: impl FnMut(&[u8]) -> io::Result<()>) -> io::Result<u64> {
    let mut block = vec![0; BLOCK];
    let mut at = 0_u64;
    loop {
        match file.read_at(&mut block, at) {
            Ok(0) => return Ok(at),
            Ok(read) => {
                each(&block[..read])?;
                at += read as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Gives `target` the owner, attributes, mode and times of `source`, and brings it to the disk.
/// The times must be kept; gives a remark for each thing that could not be.
pub(super) fn keep_attributes(source: &File, target: &File) -> io::Result<Vec<&'static str>> {
    let mut remarks = Vec::new();
    let of = source.metadata()?;
    let now = target.metadata()?;
    if (of.uid(), of.gid()) != (now.uid(), now.gid()) {
        // Only root may give files away; the group alone is often possible.
        let group = Some(Gid::from_raw(of.gid()));
        if rustix::fs::fchown(target, Some(Uid::from_raw(of.uid())), group).is_err() {
            let _ = rustix::fs::fchown(target, None, group);
            remarks.push("its owner could not be kept");
        }
    }
    if !copy_user_attributes(source, target) {
        remarks.push("its extended attributes could not all be kept");
    }
    // After the owner: a change of owner takes mode bits away. Set-ID bits mean nothing on sound,
    // and where the service may not give them (RestrictSUIDSGID=) the others would be lost too.
    if rustix::fs::fchmod(target, Mode::from_raw_mode(of.mode() & 0o777)).is_err() {
        remarks.push("its permissions could not be kept");
    }
    let time = |seconds: i64, ns: i64| rustix::fs::Timespec {
        tv_sec: seconds,
        tv_nsec: ns,
    };
    rustix::fs::futimens(
        target,
        &Timestamps {
            last_access: time(of.atime(), of.atime_nsec()),
            last_modification: time(of.mtime(), of.mtime_nsec()),
        },
    )?;
    target.sync_all()?;
    Ok(remarks)
}

/// `user.*` only: there file servers keep what their clients store beside a file. Others belong
/// to the system. `false` where one was left behind.
fn copy_user_attributes(source: &File, target: &File) -> bool {
    let length = match rustix::fs::flistxattr_query(source) {
        // None, or a file system without any.
        Ok(0) | Err(_) => return true,
        Ok(length) => length,
    };
    let mut names = Vec::with_capacity(length);
    if rustix::fs::flistxattr(source, rustix::buffer::spare_capacity(&mut names)).is_err() {
        return false;
    }
    let mut all = true;
    for name in names.split(|&byte| byte == 0) {
        if !name.starts_with(b"user.") {
            continue;
        }
        let kept = rustix::fs::fgetxattr_query(source, name).and_then(|length| {
            let mut value = Vec::with_capacity(length);
            if length > 0 {
                rustix::fs::fgetxattr(source, name, rustix::buffer::spare_capacity(&mut value))?;
            }
            rustix::fs::fsetxattr(target, name, &value, XattrFlags::empty())
        });
        all &= kept.is_ok();
    }
    all
}
