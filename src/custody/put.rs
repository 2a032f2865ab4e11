//! Giving a file a name without ever replacing what has it: by the kernel's own means, and on
//! file systems that lack them by the next best.

use std::ffi::OsStr;
use std::io::{Read, Write};
use std::path::Path;

use rustix::io::Errno;

use super::CustodyError;
use super::access::Access;
use super::folder::Folder;
use super::steps::{Conduct, Step};

/// How a name was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Put {
    /// The old name is gone.
    Moved,
    /// Both names are there, and the old one is still to be removed.
    Linked,
    /// Nothing was done: the two folders are on different devices.
    OtherDevice,
}

/// Gives the file `name` in `from` the name `to_name` in `to`. `claim` is the text of the file
/// that keeps the name where the file system can neither rename without replacing nor link.
pub(super) fn put(
    conduct: &mut Conduct<'_>,
    first: Step,
    (from, name): (&Folder, &OsStr),
    (to, to_name): (&Folder, &OsStr),
    claim: &str,
) -> Result<Put, CustodyError> {
    let path = to.path_of(to_name);
    let failed = |step: Step, errno: Errno| match errno {
        Errno::EXIST => CustodyError::Taken { path: path.clone() },
        errno => CustodyError::io(step.words(), &path, errno),
    };

    conduct.step(first, &path)?;
    let renamed = if conduct.means.rename_without_replacing {
        from.rename_without_replacing(name, to, to_name)
    } else {
        Err(Errno::INVAL)
    };
    match renamed {
        Ok(()) => return Ok(Put::Moved),
        Err(Errno::XDEV) => return Ok(Put::OtherDevice),
        // NFS, and FUSE file systems of the older interface, do not know the flag.
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => {}
        Err(errno) => return Err(failed(first, errno)),
    }

    conduct.step(Step::Link, &path)?;
    let linked = if conduct.means.links {
        from.link(name, to, to_name)
    } else {
        Err(Errno::PERM)
    };
    match linked {
        Ok(()) => return Ok(Put::Linked),
        Err(Errno::XDEV) => return Ok(Put::OtherDevice),
        Err(Errno::PERM | Errno::OPNOTSUPP | Errno::NOSYS | Errno::INVAL | Errno::MLINK) => {}
        Err(errno) => return Err(failed(Step::Link, errno)),
    }

    // A file of ours takes the name, exclusively; then it alone is replaced.
    conduct.step(Step::Claim, &path)?;
    let mut ours = to
        .create(to_name, 0o600)
        .map_err(|errno| failed(Step::Claim, errno))?;
    let moved = ours
        .write_all(claim.as_bytes())
        .and_then(|()| ours.sync_all())
        .map_err(|source| CustodyError::io(Step::Claim.words(), &path, source))
        .and_then(|()| conduct.step(Step::RenameOverClaim, &path))
        .and_then(|()| {
            if !holds(to, to_name, claim)? {
                return Err(failed(Step::RenameOverClaim, Errno::EXIST));
            }
            from.rename_over(name, to, to_name)
                .map_err(|errno| failed(Step::RenameOverClaim, errno))
        });
    match moved {
        Ok(()) => Ok(Put::Moved),
        Err(CustodyError::Interrupted) => Err(CustodyError::Interrupted),
        Err(error) => {
            if holds(to, to_name, claim)? {
                to.unlink(to_name)
                    .map_err(|errno| failed(Step::CleanUp, errno))?;
            }
            Err(error)
        }
    }
}

/// Whether a file's text is exactly `text`. Not so for links, folders, and nothing.
pub(super) fn holds(folder: &Folder, name: &OsStr, text: &str) -> Result<bool, CustodyError> {
    Ok(read_at_most(folder, name, text.len() as u64)?.is_some_and(|read| read == text.as_bytes()))
}

/// The bytes of a regular file of at most `most` bytes; `None` for all else.
pub(super) fn read_at_most(
    folder: &Folder,
    name: &OsStr,
    most: u64,
) -> Result<Option<Vec<u8>>, CustodyError> {
    let file = match folder.open_file(name) {
        Ok(Some(file)) => file,
        Ok(None) | Err(CustodyError::Link { .. } | CustodyError::NotAFile { .. }) => {
            return Ok(None);
        }
        Err(error) => return Err(error),
    };
    let mut bytes = Vec::new();
    file.take(most.saturating_add(1))
        .read_to_end(&mut bytes)
        .map_err(|source| CustodyError::io("read", &folder.path_of(name), source))?;
    Ok((bytes.len() as u64 <= most).then_some(bytes))
}

/// Writes a new file whole, for whoever may read the file of `access`, and brings it to the disk.
/// An error leaves nothing behind but, after an interruption, the beginning of it.
pub(super) fn write_new(
    folder: &Folder,
    name: &Path,
    text: &[u8],
    access: Option<Access>,
    step: Step,
    for_path: &Path,
) -> Result<(), CustodyError> {
    let name = name.as_os_str();
    let failed = |source: std::io::Error| CustodyError::io(step.words(), for_path, source);
    let mut file = folder
        .create(name, access.map_or(0o666, Access::paper_mode))
        .map_err(|errno| failed(errno.into()))?;
    if let Some(access) = access {
        access.give_to_paper(&file);
    }
    let written = file.write_all(text).and_then(|()| file.sync_all());
    if written.is_err() {
        let _ = folder.unlink(name);
    }
    written.map_err(failed)
}
