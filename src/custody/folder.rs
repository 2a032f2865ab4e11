//! An open folder below a root, reached one part at a time without following a link, and the
//! few things that are done to names in it.
//!
//! All that happens to a name happens relative to the open folder: somebody who exchanges a
//! folder for a link meanwhile does not lead us elsewhere.

use std::ffi::OsStr;
use std::fs::{File, Metadata};
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::MetadataExt;
use std::path::{Component, Path, PathBuf};

use rustix::fs::{AtFlags, Mode, OFlags, RenameFlags};
use rustix::io::Errno;

use super::CustodyError;
use super::access::Access;
use super::steps::{Conduct, Step};
use crate::ledger::{Place, Root};

#[derive(Debug)]
pub(super) struct Folder {
    fd: OwnedFd,
    /// For messages only.
    path: PathBuf,
}

const FOLDER: OFlags = OFlags::RDONLY
    .union(OFlags::DIRECTORY)
    .union(OFlags::CLOEXEC);

impl Folder {
    /// The root's own folder. The way to it is the operator's and may contain links.
    pub(super) fn root(root: &Root) -> Result<Self, CustodyError> {
        match rustix::fs::open(&root.folder, FOLDER, Mode::empty()) {
            Ok(fd) => Ok(Self {
                fd,
                path: root.folder.clone(),
            }),
            Err(errno) => Err(CustodyError::RootMissing {
                root: root.name.clone(),
                folder: root.folder.clone(),
                source: errno.into(),
            }),
        }
    }

    /// The folder that a place lies in. `None` where a sub-folder is missing.
    pub(super) fn of(place: &Place) -> Result<Option<Self>, CustodyError> {
        let mut folder = Self::root(&place.root)?;
        for part in parts(place)? {
            match folder.sub_folder(part)? {
                Some(next) => folder = next,
                None => return Ok(None),
            }
        }
        Ok(Some(folder))
    }

    /// As [`Self::of`], but what bars the way is as good as nothing there: for cleaning up.
    pub(super) fn reachable(place: &Place) -> Result<Option<Self>, CustodyError> {
        match Self::of(place) {
            Err(CustodyError::Link { .. } | CustodyError::NotAFolder { .. }) => Ok(None),
            answer => answer,
        }
    }

    /// The folder that a place lies in; sub-folders that are missing are made, the root is not.
    /// Whoever may use the folder that they are made in may use them.
    pub(super) fn make(place: &Place, conduct: &mut Conduct<'_>) -> Result<Self, CustodyError> {
        let mut folder = Self::root(&place.root)?;
        for part in parts(place)? {
            folder = match folder.sub_folder(part)? {
                Some(next) => next,
                None => {
                    let path = folder.path.join(part);
                    conduct.step(Step::MakeFolder, &path)?;
                    let failed =
                        |errno: Errno| CustodyError::io(Step::MakeFolder.words(), &path, errno);
                    let access = Access::of(&folder.metadata()?);
                    let mode = Mode::from_raw_mode(access.folder_mode());
                    let made = rustix::fs::mkdirat(&folder.fd, part, mode);
                    if let Err(errno) = made
                        && errno != Errno::EXIST
                    {
                        return Err(failed(errno));
                    }
                    let next = (folder.sub_folder(part)?).ok_or_else(|| failed(Errno::NOENT))?;
                    if made.is_ok() {
                        access.give_to_folder(&next.fd, next.metadata().ok());
                    }
                    // A folder that a power cut takes away would take the file along.
                    folder.sync()?;
                    next
                }
            };
        }
        Ok(folder)
    }

    fn sub_folder(&self, name: &OsStr) -> Result<Option<Self>, CustodyError> {
        let path = self.path.join(name);
        match rustix::fs::openat(&self.fd, name, FOLDER | OFlags::NOFOLLOW, Mode::empty()) {
            Ok(fd) => Ok(Some(Self { fd, path })),
            Err(Errno::NOENT) => Ok(None),
            Err(Errno::LOOP | Errno::NOTDIR) => match self.look(name)? {
                Some(found) if found.is_symlink() => Err(CustodyError::Link { path }),
                _ => Err(CustodyError::NotAFolder { path }),
            },
            Err(errno) => Err(CustodyError::io("open the folder", &path, errno)),
        }
    }

    pub(super) fn path_of(&self, name: &OsStr) -> PathBuf {
        self.path.join(name)
    }

    pub(super) fn device(&self) -> Result<u64, CustodyError> {
        Ok(self.metadata()?.dev())
    }

    pub(super) fn inode(&self) -> Result<u64, CustodyError> {
        Ok(self.metadata()?.ino())
    }

    fn metadata(&self) -> Result<Metadata, CustodyError> {
        let failed = |source| CustodyError::io("look at the folder", &self.path, source);
        let file = File::from(self.fd.try_clone().map_err(failed)?);
        file.metadata().map_err(failed)
    }

    /// What lies under a name, a link as a link. `None` where nothing does.
    pub(super) fn look(&self, name: &OsStr) -> Result<Option<Metadata>, CustodyError> {
        let failed = |source: io::Error| CustodyError::io("look at", &self.path_of(name), source);
        let flags = OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        match rustix::fs::openat(&self.fd, name, flags, Mode::empty()) {
            Ok(fd) => File::from(fd).metadata().map(Some).map_err(failed),
            Err(Errno::NOENT) => Ok(None),
            Err(errno) => Err(failed(errno.into())),
        }
    }

    /// Opens a regular file for reading. `None` where there is none by that name.
    pub(super) fn open_file(&self, name: &OsStr) -> Result<Option<File>, CustodyError> {
        let path = self.path_of(name);
        // Without NONBLOCK a pipe by that name would hold us for ever.
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let file = match rustix::fs::openat(&self.fd, name, flags, Mode::empty()) {
            Ok(fd) => File::from(fd),
            Err(Errno::NOENT) => return Ok(None),
            Err(Errno::LOOP) => return Err(CustodyError::Link { path }),
            Err(Errno::NXIO) => return Err(CustodyError::NotAFile { path }),
            Err(errno) => return Err(CustodyError::io("open", &path, errno)),
        };
        let metadata = file
            .metadata()
            .map_err(|source| CustodyError::io("look at", &path, source))?;
        if metadata.is_file() {
            Ok(Some(file))
        } else {
            Err(CustodyError::NotAFile { path })
        }
    }

    /// Makes a file that was not there, for writing.
    pub(super) fn create(&self, name: &OsStr, mode: u32) -> Result<File, Errno> {
        let flags =
            OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        rustix::fs::openat(&self.fd, name, flags, Mode::from_raw_mode(mode)).map(File::from)
    }

    /// Whether we may make and remove names here, as far as the kernel tells beforehand.
    pub(super) fn may_change(&self) -> Result<(), CustodyError> {
        let access = rustix::fs::Access::WRITE_OK | rustix::fs::Access::EXEC_OK;
        rustix::fs::accessat(&self.fd, ".", access, AtFlags::EACCESS)
            .or_else(|errno| match errno {
                // An old kernel, or a file system, that does not know how to ask.
                Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP => Ok(()),
                errno => Err(errno),
            })
            .map_err(|errno| CustodyError::io("take files out of", &self.path, errno))
    }

    pub(super) fn rename_without_replacing(
        &self,
        name: &OsStr,
        to: &Self,
        to_name: &OsStr,
    ) -> Result<(), Errno> {
        rustix::fs::renameat_with(&self.fd, name, &to.fd, to_name, RenameFlags::NOREPLACE)
    }

    /// Replaces what is there: only ever called over something of ours.
    pub(super) fn rename_over(
        &self,
        name: &OsStr,
        to: &Self,
        to_name: &OsStr,
    ) -> Result<(), Errno> {
        rustix::fs::renameat(&self.fd, name, &to.fd, to_name)
    }

    pub(super) fn link(&self, name: &OsStr, to: &Self, to_name: &OsStr) -> Result<(), Errno> {
        rustix::fs::linkat(&self.fd, name, &to.fd, to_name, AtFlags::empty())
    }

    /// Removes a name; that it is not there is as good.
    pub(super) fn unlink(&self, name: &OsStr) -> Result<(), Errno> {
        match rustix::fs::unlinkat(&self.fd, name, AtFlags::empty()) {
            Err(Errno::NOENT) => Ok(()),
            answer => answer,
        }
    }

    /// Names live in the folder and not in the file: this brings them to the disk.
    pub(super) fn sync(&self) -> Result<(), CustodyError> {
        match rustix::fs::fsync(&self.fd) {
            // Some network file systems have nothing to bring and say so.
            Ok(()) | Err(Errno::INVAL | Errno::OPNOTSUPP | Errno::NOSYS) => Ok(()),
            Err(errno) => Err(CustodyError::io(
                Step::SyncFolders.words(),
                &self.path,
                errno,
            )),
        }
    }
}

impl AsFd for Folder {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }
}

/// The sub-folders of a place. Only plain names: no `..`, nothing absolute, and a name at the end.
fn parts(place: &Place) -> Result<Vec<&OsStr>, CustodyError> {
    let mut parts = Vec::new();
    for component in place.path.components() {
        match component {
            Component::Normal(part) => parts.push(part),
            _ => {
                return Err(CustodyError::BadPath {
                    path: place.path.clone(),
                });
            }
        }
    }
    match parts.pop() {
        Some(_) => Ok(parts),
        None => Err(CustodyError::BadPath {
            path: place.path.clone(),
        }),
    }
}

/// For messages: where a place is.
pub(super) fn path_of(place: &Place) -> PathBuf {
    place.absolute()
}

pub(super) fn is_same_file(metadata: &Metadata, other: &Metadata) -> bool {
    metadata.dev() == other.dev() && metadata.ino() == other.ino()
}

pub(super) fn exists(folder: Option<&Folder>, name: &Path) -> Result<bool, CustodyError> {
    match folder {
        None => Ok(false),
        Some(folder) => Ok(folder.look(name.as_os_str())?.is_some()),
    }
}
