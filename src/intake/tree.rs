//! Looking at a tree on disk: its root, the names in a folder, one path. The only system calls
//! of a scan; nothing here waits, decides or remembers.
//!
//! Everything is looked up below an open root and through no symbolic link, so that "not
//! there" is said of that very root even if another is mounted over it meanwhile. The root is
//! held open for one round of looks only: an open folder keeps a share from being unmounted.

use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io::{self, Read};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use rustix::fs::{
    AtFlags, CWD, Dir, FileType, Mode, OFlags, ResolveFlags, Statx, StatxAttributes, StatxFlags,
    fstatfs, makedev, openat, openat2, statx,
};
use rustix::io::Errno;

use super::Identity;
use super::root::Place;

/// `STATX_MNT_ID_UNIQUE` of linux/stat.h: mount ids that are never given twice (since kernel 6.8; an
/// older one gives its plain ids, which the next mount may get again).
const MNT_ID_UNIQUE: StatxFlags = StatxFlags::from_bits_retain(0x4000);

/// What stands under a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Found {
    File(Identity),
    Folder(Place),
    SymbolicLink,
    /// Never opened: opening a pipe would wait for its other end.
    Special(&'static str),
}

pub(super) struct OpenRoot {
    fd: OwnedFd,
    place: Place,
}

impl OpenRoot {
    /// The root itself may be a symbolic link: the operator wrote its name.
    pub fn open(path: &Path) -> io::Result<Self> {
        let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let fd = openat(CWD, path, flags, Mode::empty())?;
        let seen = statx_of(&fd, Path::new(""), AtFlags::EMPTY_PATH)?;
        let above = statx_of(&fd, Path::new(".."), AtFlags::empty())?;
        let mut place = place_of(&seen);
        if !seen
            .stx_attributes_mask
            .contains(StatxAttributes::MOUNT_ROOT)
        {
            // A kernel before 5.8. The folder above `/` is `/`.
            place.mount_point = place.device != place_of(&above).device;
        }
        Ok(Self { fd, place })
    }

    pub fn place(&self) -> Place {
        self.place
    }

    /// The number of the file system's kind, as `statfs` gives it.
    pub fn file_system(&self) -> io::Result<i64> {
        Ok(fstatfs(&self.fd)?.f_type as i64)
    }

    /// `None`: it is not there. `fresh` asks the server, not the client's cache.
    pub fn look(&self, path: &Path, fresh: bool) -> io::Result<Option<Found>> {
        let mut flags = AtFlags::EMPTY_PATH;
        if fresh {
            flags |= AtFlags::STATX_FORCE_SYNC;
        }
        found_of(|| {
            let fd = self.open_below(path, OFlags::PATH)?;
            statx_of(&fd, Path::new(""), flags)
        })
    }

    /// The names in a folder, sorted, without `.` and `..`. `None`: it is not there any more.
    pub fn list(&self, folder: &Path) -> io::Result<Option<Listing>> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY;
        let fd = match self.open_below(folder, flags) {
            Ok(fd) => fd,
            Err(e) if is_absence(e) => return Ok(None),
            Err(e) => return Err(e.into()),
        };
        let mut names = Vec::new();
        for entry in Dir::read_from(&fd)? {
            let entry = entry?;
            let name = entry.file_name().to_bytes();
            if name != b"." && name != b".." {
                names.push(OsStr::from_bytes(name).to_os_string());
            }
        }
        names.sort_unstable();
        Ok(Some(Listing { fd, names }))
    }

    /// The first bytes of a regular file.
    pub fn first_bytes<const N: usize>(&self, path: &Path) -> io::Result<[u8; N]> {
        let fd = self.open_below(path, OFlags::RDONLY | OFlags::NONBLOCK)?;
        let mut bytes = [0; N];
        File::from(fd).read_exact(&mut bytes)?;
        Ok(bytes)
    }

    fn open_below(&self, path: &Path, flags: OFlags) -> Result<OwnedFd, Errno> {
        let flags = flags | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let path = if path.as_os_str().is_empty() {
            Path::new(".")
        } else {
            path
        };
        let resolve = ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_MAGICLINKS;
        match openat2(&self.fd, path, flags, Mode::empty(), resolve) {
            // A kernel before 5.6, or a sandbox that does not know the call: then only the last
            // part of the path is kept from being a link.
            Err(Errno::NOSYS) => openat(&self.fd, path, flags, Mode::empty()),
            // Something in the tree was renamed meanwhile; this is about `..` and not about us.
            Err(Errno::AGAIN) => openat(&self.fd, path, flags, Mode::empty()),
            other => other,
        }
    }
}

/// An open folder and the names that were in it.
pub(super) struct Listing {
    fd: OwnedFd,
    pub names: Vec<OsString>,
}

impl Listing {
    pub fn look(&self, name: &OsStr) -> io::Result<Option<Found>> {
        found_of(|| statx_of(&self.fd, Path::new(name), AtFlags::SYMLINK_NOFOLLOW))
    }
}

/// A part of the path is not there, or is no folder, or is a symbolic link now.
fn is_absence(error: Errno) -> bool {
    matches!(error, Errno::NOENT | Errno::NOTDIR | Errno::LOOP)
}

fn statx_of(at: impl AsFd, path: &Path, flags: AtFlags) -> Result<Statx, Errno> {
    let wanted = StatxFlags::BASIC_STATS | StatxFlags::MNT_ID | MNT_ID_UNIQUE;
    statx(at, path, flags, wanted)
}

fn place_of(seen: &Statx) -> Place {
    Place {
        device: makedev(seen.stx_dev_major, seen.stx_dev_minor),
        // A kernel before 5.8 leaves it zero.
        mount: seen.stx_mnt_id,
        inode: seen.stx_ino,
        mount_point: seen.stx_attributes.contains(StatxAttributes::MOUNT_ROOT),
    }
}

/// What `look` sees. A file that is removed during the look has its path no more, but still an
/// inode, with no link and a new change time: not a changed file, so it is looked for again. The
/// second look stands, for a file system may count no links at all.
fn found_of(look: impl Fn() -> Result<Statx, Errno>) -> io::Result<Option<Found>> {
    let seen = match look() {
        Ok(seen) if seen.stx_nlink == 0 => look(),
        seen => seen,
    };
    match seen {
        Ok(seen) => Ok(Some(kind_of(&seen))),
        Err(e) if is_absence(e) => Ok(None),
        Err(e) => Err(e.into()),
    }
}

fn kind_of(seen: &Statx) -> Found {
    match FileType::from_raw_mode(u32::from(seen.stx_mode)) {
        FileType::RegularFile => Found::File(Identity::of_statx(seen)),
        FileType::Directory => Found::Folder(place_of(seen)),
        FileType::Symlink => Found::SymbolicLink,
        FileType::Fifo => Found::Special("a named pipe"),
        FileType::Socket => Found::Special("a socket"),
        FileType::CharacterDevice | FileType::BlockDevice => Found::Special("a device"),
        FileType::Unknown => Found::Special("neither a file nor a folder"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identity_is_the_same_by_statx_and_by_the_standard_library() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::write(folder.path().join("a.wav"), b"abc").expect("written");
        let root = OpenRoot::open(folder.path()).expect("the folder opens");
        let by_std =
            Identity::of(&std::fs::symlink_metadata(folder.path().join("a.wav")).expect("stat"));
        let fresh = root.look(Path::new("a.wav"), true).expect("a look");
        assert_eq!(fresh, Some(Found::File(by_std)));
        let listing = root.list(Path::new("")).expect("a listing").expect("there");
        let listed = listing.look(OsStr::new("a.wav")).expect("a look");
        assert_eq!(listed, Some(Found::File(by_std)));
    }

    #[test]
    fn a_file_that_is_removed_during_a_look_is_not_there() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a.wav");
        let root = OpenRoot::open(folder.path()).expect("the folder opens");
        let looks = std::cell::Cell::new(0);
        std::fs::write(&path, b"abc").expect("written");
        // unlink(2): the inode lives on while somebody holds it open, with no link.
        let found = found_of(|| {
            looks.set(looks.get() + 1);
            let fd = root.open_below(Path::new("a.wav"), OFlags::PATH)?;
            std::fs::remove_file(&path).expect("removed");
            let seen = statx_of(&fd, Path::new(""), AtFlags::EMPTY_PATH)?;
            assert_eq!(seen.stx_nlink, 0);
            Ok(seen)
        });
        assert_eq!(found.expect("a look"), None);
        assert_eq!(looks.get(), 2);
    }

    #[test]
    fn a_mount_point_is_told_from_a_folder() {
        // proc(5): mounted at /proc; its number is PROC_SUPER_MAGIC of linux/magic.h.
        let proc = OpenRoot::open(Path::new("/proc")).expect("it opens");
        assert!(proc.place().mount_point);
        assert_eq!(proc.file_system().expect("its kind"), 0x9fa0);
        let folder = tempfile::tempdir().expect("a temporary folder");
        let folder = OpenRoot::open(folder.path()).expect("it opens");
        assert!(!folder.place().mount_point);
        assert_ne!(folder.place().mount, proc.place().mount);
    }

    #[test]
    fn nothing_is_seen_through_a_symbolic_link() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::create_dir(folder.path().join("real")).expect("made");
        std::fs::write(folder.path().join("real/a.wav"), b"abc").expect("written");
        std::os::unix::fs::symlink("real", folder.path().join("link")).expect("linked");
        let root = OpenRoot::open(folder.path()).expect("the folder opens");
        let link = root.look(Path::new("link"), false).expect("a look");
        assert_eq!(link, Some(Found::SymbolicLink));
        let behind = root.look(Path::new("link/a.wav"), false).expect("a look");
        assert_eq!(behind, None);
        let listing = root.list(Path::new("link")).expect("a listing");
        assert!(listing.is_none());
    }
}
